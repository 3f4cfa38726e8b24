"""The placement question as plain arrays: what lies where, which sites and weeks there are, and what is wished for.

An :class:`Instance` can be written by hand in a few lines; it knows no map, no table and no unit of currency. It
refuses, before any solving, what is malformed (UsageError, all faults at once) and what cannot be done at all
(NoPlanError, with both figures).

Mass convention. `x` and `u` count kilograms of residue as it was **at its ready week**. Residue that waits in the field
loses a share a week, so what is really charred in week t of a kilogram of class k is

    keep[k, t] = (1 - class_loss_week[k]) ** (t - ready week of k)

Barrel hours, tender hours, water, char and value follow what is really charred (`u * keep`). Carrying cost and carrying
hours follow what was promised at readiness (`x`), as do the shares to clear and the shares owed to a village: a load
lightened by insects and rain is still fetched from the same field.

Indices: l lots (L), k classes (K), a arcs (A), s sites (S), v villages (V), t weeks (T).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from sourcing.errors import NoPlanError, UsageError

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


def dot(a: Floats, b: Floats) -> float:
    """Sum of products, added up in one order: BLAS orders it by its threads, and the last digit can decide a search."""
    return float((a * b).sum())


Goal = Literal["margin", "char", "clear", "mix"]
GOALS = ("margin", "char", "clear", "mix")
FREE, IN, OUT = 0, 1, -1
"""Values of a pin: the optimiser decides, must be used, must not be used."""


@dataclass(frozen=True)
class Villages:
    """Deploying barrels to a village as a choice. V is the length of `deploy_cost`."""

    deploy_cost: Floats
    """Cost of working in the village at all this season: training, stay, store [currency], shape (V,)."""
    pin: Ints | None = None
    """FREE, IN or OUT, shape (V,)."""
    least: int = 0
    """Fewest villages to deploy to."""
    most: int | None = None
    """Most villages to deploy to."""


@dataclass(frozen=True)
class Moves:
    """Bringing barrels to sites. Barrels arrive in a week in which a site has more of them than the week before."""

    site_cost: Floats
    """Cost of bringing one barrel to the site from within its village [currency], shape (S,)."""
    village_cost: Floats | None = None
    """Further cost of one barrel brought into the village from elsewhere [currency], shape (V,)."""
    most: Floats | None = None
    """Most barrels that can be brought to sites in a week, shape (T,)."""
    stay_weeks: int = 1
    """Weeks that a barrel brought to a site stands there at least, or until the season ends [weeks]."""
    standing: Ints | None = None
    """Barrels that already stand at each site before the first week, shape (S,)."""


@dataclass(frozen=True)
class Crew:
    """People's hours, by the village of the site."""

    hours: Floats
    """Worker hours the village offers in a week [h], shape (V, T)."""
    class_tender_hours_per_kg: Floats
    """Worker hours at the barrel a kg charred [h/kg], shape (K,)."""
    site_week_hours: Floats | None = None
    """Worker hours at the barrels of a site in each week in which it has any [h], shape (T,)."""
    band: float = 1.25
    """Arcs of one site and class share a distance band when their hours a kg, carrying and tending, differ by less than
    this ratio; all are charged the farthest's hours: hours are never overspent, at most so much is left unused."""


@dataclass(frozen=True)
class Water:
    """Water for quenching."""

    litres: Floats
    """Water at the site in a week [l], shape (S, T)."""
    class_litres_per_kg: Floats
    """Water a kg charred [l/kg], shape (K,)."""


@dataclass(frozen=True)
class Workshop:
    """One place where char is pressed; what it cannot press in a week waits in its store."""

    press_kg: Floats
    """Char the presses can take in a week [kg], shape (T,)."""
    store_kg: float
    """Char the store can hold over from one week to the next [kg]; what is left at the end stays in it."""
    site_haul_cost_per_kg: Floats | None = None
    """Cost of hauling char from the site [currency/kg char], shape (S,)."""


@dataclass(frozen=True)
class Wishes:
    """What the planner decides beforehand. Everything left None leaves the optimiser free."""

    site_pin: Ints | None = None
    """FREE, IN or OUT, shape (S,)."""
    barrels_least: Ints | None = None
    """Fewest barrels by site and week, shape (S, T)."""
    barrels_most: Ints | None = None
    """Most barrels by site and week, shape (S, T); 0 forbids the week."""
    village_least: Ints | None = None
    """Fewest barrels in the village, over all its sites, by village and week, shape (V, T)."""
    village_most: Ints | None = None
    """Most barrels in the village, over all its sites, by village and week, shape (V, T); 0 forbids the week."""
    sites_least: int = 0
    """Fewest sites to open."""
    sites_most: int | None = None
    """Most sites to open."""
    budget: float | None = None
    """Most money that may be spent: carrying, crews, opening, deploying, standing, moving, hauling [currency]."""
    lot_village: Ints | None = None
    """Village whose households own the lot, shape (L,); needed for `fair_share`."""
    fair_share: Floats | None = None
    """Share of each village's own residue that must be collected [0-1], shape (V,)."""
    avoid: tuple[Bools, ...] = ()
    """Plans (opened sites, shape (S,)) from which this one must differ."""
    apart: int = 1
    """In at least so many sites must the plan differ from each plan in `avoid`."""


@dataclass(frozen=True)
class Previous:
    """Last plan, and a price on leaving it."""

    barrels: Ints
    """Barrels by site and week in last plan, shape (S, T)."""
    barrel_week_price: float = 0.0
    """Price of each barrel-week more or fewer than in last plan, in units of the goal's value."""
    site_price: float = 0.0
    """Price of each site opened or given up against last plan, in units of the goal's value."""
    worked: Ints | None = None
    """1 for a week already worked, else 0, shape (T,): its barrels stood there, however little kept them busy."""


@dataclass(frozen=True)
class Instance:
    """One season's placement question. All arrays are copied to the type named, and are not changed afterwards.

    Raises UsageError (malformed, all faults at once) or NoPlanError (impossible, with both figures).
    """

    lot_mass_kg: Floats
    """Dry residue of the lot at its ready week [kg], shape (L,)."""
    lot_class: Ints
    """Class of the lot, shape (L,)."""
    class_first: Ints
    """First week in which the class may be charred, its ready week unless `class_ready` says otherwise, shape (K,)."""
    class_last: Ints
    """Last week in which the class may be charred, shape (K,)."""
    class_hours_per_kg: Floats
    """Barrel-hours a kg charred [h/kg], above zero, shape (K,)."""
    class_value_per_kg: Floats
    """Worth of a kg charred: its char less what is spent at the barrel by the kg [currency/kg], may be negative, shape
    (K,)."""
    class_char_per_kg: Floats
    """Char from a kg charred [kg/kg], shape (K,)."""
    class_loss_week: Floats
    """Share lost a week after the ready week [0-1], shape (K,)."""
    arc_lot: Ints
    """Lot of the arc, shape (A,)."""
    arc_site: Ints
    """Site of the arc, shape (A,)."""
    arc_cost_per_kg: Floats
    """Cost of carrying [currency/kg at readiness], shape (A,)."""
    arc_hours_per_kg: Floats
    """Worker hours of carrying [h/kg at readiness], shape (A,)."""
    site_village: Ints
    """Village of the site, shape (S,)."""
    site_hours: Floats
    """Working hours of one barrel at the site in a week [h], shape (S, T)."""
    site_open_cost: Floats
    """Cost of using the site at all this season [currency], shape (S,)."""
    site_least: Ints
    """Fewest barrels in a week with any, at least 1, shape (S,)."""
    site_most: Ints
    """Most barrels side by side, shape (S,)."""
    fleet: Ints
    """Barrels there are in each week, shape (T,)."""
    busy_floor: float = 0.0
    """Barrels that stand are in use at least this share of their hours [0-1]."""
    barrel_week_cost: Floats | float = 0.0
    """Cost of one barrel standing one week [currency], one figure or shape (S,)."""
    site_week_cost: Floats | float = 0.0
    """Cost of each week in which a site has any barrel, however many: the crew that must be there [currency], one
    figure, or shape (S,) or (S, T)."""
    goal: Goal = "margin"
    """margin: most money left; char: most char; clear: `clear_share` of residue at least cost; mix: see `weights`."""
    clear_share: float = 1.0
    """Share of all residue (at readiness) to be collected when the goal is 'clear' [0-1]."""
    weights: tuple[float, float, float] = (1.0, 0.0, 0.0)
    """With goal 'mix': weights of margin [1/currency], char [1/kg] and residue cleared [1/kg]."""
    class_cost_per_kg: Floats | float = 0.0
    """Outlay at the barrel a kg charred, already taken off in `class_value_per_kg` [currency/kg], one figure or (K,).
    Counts in budgets and in the cost of goal 'clear'."""
    arc_class: Ints | None = None
    """Class under which the arc's residue is charred, shape (A,), where an arc has a narrower window than its lot (its
    way is closed for some weeks). Left out, the lot's own class."""
    class_ready: Ints | None = None
    """Week from which the class loses its share a week, shape (K,), not after its first. Left out, its first."""
    villages: Villages | None = None
    moves: Moves | None = None
    crew: Crew | None = None
    water: Water | None = None
    workshop: Workshop | None = None
    wishes: Wishes = Wishes()
    previous: Previous | None = None

    def __post_init__(self) -> None:
        _Check(self).run()

    @property
    def weeks(self) -> int:
        """Number of weeks T."""
        return len(self.fleet)

    @property
    def sites(self) -> int:
        """Number of sites S."""
        return len(self.site_village)

    @property
    def village_count(self) -> int:
        """Number of villages V."""
        if self.villages is not None:
            return len(self.villages.deploy_cost)
        if self.crew is not None:
            return len(self.crew.hours)
        for by_village in (self.wishes.fair_share, self.wishes.village_least, self.wishes.village_most):
            if by_village is not None:
                return len(by_village)
        if self.moves is not None and self.moves.village_cost is not None:
            return len(self.moves.village_cost)
        return int(self.site_village.max()) + 1 if self.sites else 0

    def keep(self, classes: Ints, weeks: Ints) -> Floats:
        """Share of a ready kg of each class that is left in each week [0-1], shape of the arguments."""
        base = 1.0 - self.class_loss_week[classes]
        kept: Floats = np.power(base, weeks - self.ready_weeks[classes])
        return kept

    @property
    def arc_classes(self) -> Ints:
        """Class under which each arc's residue is charred, shape (A,)."""
        return self.lot_class[self.arc_lot] if self.arc_class is None else self.arc_class

    @property
    def ready_weeks(self) -> Ints:
        """Ready week of each class, shape (K,)."""
        return self.class_first if self.class_ready is None else self.class_ready

    @property
    def barrel_cost(self) -> Floats:
        """Cost of one barrel standing one week at each site [currency], shape (S,)."""
        return np.broadcast_to(np.asarray(self.barrel_week_cost, dtype=np.float64), (self.sites,))

    @property
    def floors(self) -> Floats:
        """Least share of its hours that a standing barrel is busy in each week [0-1], shape (T,)."""
        floors = np.full(self.weeks, self.busy_floor)
        return floors if self.previous is None or self.previous.worked is None else floors * (self.previous.worked == 0)

    @property
    def crew_cost(self) -> Floats:
        """Cost of a week in which the site has any barrel [currency], shape (S, T)."""
        cost = np.asarray(self.site_week_cost, dtype=np.float64)
        return np.broadcast_to(cost[:, None] if cost.ndim == 1 else cost, (self.sites, self.weeks))

    @property
    def class_cost(self) -> Floats:
        """Outlay at the barrel a kg charred [currency/kg], shape (K,)."""
        return np.broadcast_to(np.asarray(self.class_cost_per_kg, dtype=np.float64), self.class_first.shape)


class _Check:
    """Gathers every fault of an instance, then raises once."""

    def __init__(self, instance: Instance) -> None:
        self.it = instance
        self.faults: list[str] = []

    def run(self) -> None:
        it = self.it
        sizes = {"L": _length(it.lot_mass_kg), "K": _length(it.class_first), "A": _length(it.arc_lot)}
        sizes |= {"S": _length(it.site_village), "T": _length(it.fleet)}
        for name, kind, shape in _CORE:
            self.array(it, name, kind, tuple(sizes[c] for c in shape))
        for name, axis in (("barrel_week_cost", "S"), ("class_cost_per_kg", "K")):
            if np.ndim(getattr(it, name)) == 0:
                self.number(name, getattr(it, name), 0.0, np.inf)
            else:
                self.array(it, name, "amount", (sizes[axis],))
        if np.ndim(it.site_week_cost) == 0:
            self.number("site_week_cost", float(it.site_week_cost), 0.0, np.inf)
        else:
            wide = (sizes["S"], sizes["T"])
            self.array(it, "site_week_cost", "amount", wide[: max(np.ndim(it.site_week_cost), 1)])
        for name, axis in (("arc_class", "A"), ("class_ready", "K")):
            if getattr(it, name) is not None:
                self.array(it, name, "index", (sizes[axis],))
        self.number("busy_floor", it.busy_floor, 0.0, 1.0)
        self.number("clear_share", it.clear_share, 0.0, 1.0)
        if it.goal not in GOALS:
            self.faults.append(f"goal is {it.goal!r}; it must be one of {', '.join(GOALS)}")
        if len(it.weights) != 3 or not all(np.isfinite(w) and w >= 0 for w in it.weights):
            self.faults.append(f"weights are {it.weights}; three figures of at least 0 are wanted")
        if sizes["T"] == 0 or sizes["S"] == 0:
            self.faults.append(f"{sizes['S']} sites and {sizes['T']} weeks; at least one of each is needed")
        self.stop()
        self.indices(sizes)
        self.stop()
        sizes["V"] = it.village_count
        self.blocks(sizes)
        self.stop()
        self.possible()

    def stop(self) -> None:
        if self.faults:
            raise UsageError("the placement instance is malformed: " + "; ".join(self.faults))

    def array(self, owner: Any, name: str, kind: str, shape: tuple[int, ...]) -> None:
        given = np.asarray(getattr(owner, name))
        label = name if owner is self.it else f"{type(owner).__name__.lower()}.{name}"
        if given.size == 0:
            given = given.astype(np.float64)
        if given.dtype.kind not in "fiub":
            self.faults.append(f"{label} is of type {given.dtype}; numbers are wanted")
            return
        if given.shape != shape:
            self.faults.append(f"{label} has shape {given.shape}; {shape} is wanted")
            return
        if given.dtype.kind == "f" and np.isnan(given).any():
            self.faults.append(f"{label} has {int(np.isnan(given).sum())} missing values (NaN)")
            return
        whole = kind in ("index", "count", "pin")
        if whole and given.size and not np.equal(np.mod(given, 1), 0).all():
            self.faults.append(f"{label} holds {given[np.mod(given, 1) != 0].flat[0]}; whole numbers are wanted")
            return
        if given.dtype.kind == "f" and np.isinf(given).any():
            self.faults.append(f"{label} holds an infinite value")
            return
        if kind == "pin" and not np.isin(given, (FREE, IN, OUT)).all():
            self.faults.append(f"{label} holds something other than -1, 0 and 1")
        if kind in ("index", "count", "amount", "share") and given.size and given.min() < 0:
            self.faults.append(f"{label} holds {given.min()}; nothing below 0 is meaningful")
        if kind == "share" and given.size and given.max() > 1:
            self.faults.append(f"{label} holds {given.max()}; shares run from 0 to 1")
        array = np.array(given, dtype=np.int64 if whole else np.float64)
        array.setflags(write=False)
        object.__setattr__(owner, name, array)

    def number(self, label: str, value: float, low: float, high: float) -> None:
        if not (np.isfinite(value) and low <= value <= high):
            self.faults.append(f"{label} is {value}; a figure from {low} to {high} is wanted")

    def indices(self, sizes: dict[str, int]) -> None:
        it = self.it
        pairs = (
            ("lot_class", "K"), ("arc_lot", "L"), ("arc_site", "S"), ("class_first", "T"), ("class_last", "T"),
            ("arc_class", "K"), ("class_ready", "T"),
        )  # fmt: skip
        for name, axis in pairs:
            array = getattr(it, name)
            if array is not None and array.size and array.max() >= sizes[axis]:
                self.faults.append(f"{name} points at {array.max()}, but there are only {sizes[axis]}")
        if (it.class_last < it.class_first).any():
            k = int(np.flatnonzero(it.class_last < it.class_first)[0])
            self.faults.append(
                f"class {k} must be gone in week {it.class_last[k]}, before it is ready ({it.class_first[k]})"
            )
        if it.class_ready is not None and (it.class_ready > it.class_first).any():
            self.faults.append("class_ready holds a week after the class's first")
        if it.arc_class is not None and not self.faults:
            own = it.lot_class[it.arc_lot]
            outside = (it.class_first[it.arc_class] < it.class_first[own]) | (
                it.class_last[it.arc_class] > it.class_last[own]
            )
            if outside.any():
                a = int(np.flatnonzero(outside)[0])
                self.faults.append(f"arc {a} has a window that reaches outside its lot's")
        if it.class_hours_per_kg.size and it.class_hours_per_kg.min() <= 0:
            self.faults.append("class_hours_per_kg holds 0; charring takes time")
        if (it.site_least < 1).any():
            self.faults.append("site_least holds 0; a site in use has at least one barrel")
        if (it.site_least > it.site_most).any():
            s = int(np.flatnonzero(it.site_least > it.site_most)[0])
            self.faults.append(f"site {s} wants at least {it.site_least[s]} barrels and at most {it.site_most[s]}")

    def blocks(self, sizes: dict[str, int]) -> None:
        it = self.it
        if it.site_village.max() >= sizes["V"]:
            self.faults.append(
                f"site_village points at {it.site_village.max()}, but there are only {sizes['V']} villages"
            )
        for block in (it.villages, it.moves, it.crew, it.water, it.workshop, it.wishes, it.previous):
            if block is None:
                continue
            for field in fields(block):
                spec = _BLOCKS.get((type(block).__name__, field.name))
                if spec is not None and getattr(block, field.name) is not None:
                    self.array(block, field.name, spec[0], tuple(sizes[c] for c in spec[1]))
        if it.moves is not None and it.moves.stay_weeks < 1:
            self.faults.append(f"moves.stay_weeks is {it.moves.stay_weeks}; at least 1 is wanted")
        if it.crew is not None and not it.crew.band > 1:
            self.faults.append(f"crew.band is {it.crew.band}; a ratio above 1 is wanted")
        if it.workshop is not None:
            self.number("workshop.store_kg", it.workshop.store_kg, 0.0, np.inf)
        wishes = it.wishes
        if (wishes.fair_share is None) != (wishes.lot_village is None):
            self.faults.append("wishes.fair_share and wishes.lot_village are needed together")
        if it.previous is not None:
            self.number("previous.barrel_week_price", it.previous.barrel_week_price, 0.0, np.inf)
            self.number("previous.site_price", it.previous.site_price, 0.0, np.inf)
        if wishes.budget is not None and not np.isfinite(wishes.budget):
            self.faults.append(f"wishes.budget is {wishes.budget}; a figure is wanted")
        for plan in wishes.avoid:
            if np.shape(plan) != (sizes["S"],):
                self.faults.append(f"wishes.avoid holds a plan of shape {np.shape(plan)}; ({sizes['S']},) is wanted")

    def possible(self) -> None:
        """Refuses what no plan can do, before solving, with both figures."""
        it, wishes = self.it, self.it.wishes
        faults: list[str] = []
        reached = np.zeros(len(it.lot_mass_kg), dtype=bool)
        reached[it.arc_lot] = True
        total, reachable = float(it.lot_mass_kg.sum()), float(it.lot_mass_kg[reached].sum())
        if it.goal == "clear" and reachable < it.clear_share * total * (1 - 1e-12):
            faults.append(
                f"{it.clear_share:.0%} of {total:,.0f} kg is to be cleared, {it.clear_share * total:,.0f} kg, "
                f"but only {reachable:,.0f} kg lies within reach of a site"
            )
        if wishes.barrels_least is not None:
            asked = wishes.barrels_least.sum(axis=0)
            for t in np.flatnonzero(asked > it.fleet):
                faults.append(f"week {t}: {asked[t]} barrels are asked for by name, but there are {it.fleet[t]}")
            over = wishes.barrels_least > it.site_most[:, None]
            if wishes.barrels_most is not None:
                over |= wishes.barrels_least > wishes.barrels_most
            for s, t in np.argwhere(over)[:10]:
                faults.append(
                    f"site {s}, week {t}: {wishes.barrels_least[s, t]} barrels are asked for, more than may stand there"
                )
        if wishes.village_least is not None:
            asked = wishes.village_least.sum(axis=0)
            for t in np.flatnonzero(asked > it.fleet):
                faults.append(f"week {t}: {asked[t]} barrels are asked for in villages, but there are {it.fleet[t]}")
            room = np.zeros((it.village_count, it.weeks), dtype=np.int64)
            np.add.at(room, it.site_village, np.tile(it.site_most[:, None], (1, it.weeks)))
            room = room if wishes.village_most is None else np.minimum(room, wishes.village_most)
            for v, t in np.argwhere(wishes.village_least > room)[:10]:
                asked_there = f"{wishes.village_least[v, t]} barrels are asked for"
                faults.append(f"village {v}, week {t}: {asked_there}, {room[v, t]} may stand there")
        if wishes.sites_most is not None and wishes.sites_least > wishes.sites_most:
            faults.append(f"at least {wishes.sites_least} sites and at most {wishes.sites_most} are wished for")
        if wishes.sites_least > it.sites:
            faults.append(f"at least {wishes.sites_least} sites are wished for, but there are {it.sites}")
        if wishes.site_pin is not None and wishes.sites_most is not None:
            pinned = int((wishes.site_pin == IN).sum())
            if pinned > wishes.sites_most:
                faults.append(f"{pinned} sites are pinned in, but at most {wishes.sites_most} are wished for")
        villages = it.villages
        if villages is not None:
            if villages.least > len(villages.deploy_cost):
                faults.append(
                    f"at least {villages.least} villages are wished for, but there are {len(villages.deploy_cost)}"
                )
            if villages.most is not None and villages.least > villages.most:
                faults.append(f"at least {villages.least} villages and at most {villages.most} are wished for")
        if faults:
            raise NoPlanError("; ".join(faults))


def _length(array: Any) -> int:
    given = np.asarray(array)
    return int(given.shape[0]) if given.ndim else 0


_CORE = (
    ("lot_mass_kg", "amount", "L"), ("lot_class", "index", "L"),
    ("class_first", "index", "K"), ("class_last", "index", "K"), ("class_hours_per_kg", "amount", "K"),
    ("class_value_per_kg", "number", "K"), ("class_char_per_kg", "amount", "K"), ("class_loss_week", "share", "K"),
    ("arc_lot", "index", "A"), ("arc_site", "index", "A"),
    ("arc_cost_per_kg", "number", "A"), ("arc_hours_per_kg", "amount", "A"),
    ("site_village", "index", "S"), ("site_hours", "amount", "ST"), ("site_open_cost", "amount", "S"),
    ("site_least", "count", "S"), ("site_most", "count", "S"), ("fleet", "count", "T"),
)  # fmt: skip

_BLOCKS = {
    ("Villages", "deploy_cost"): ("amount", "V"), ("Villages", "pin"): ("pin", "V"),
    ("Moves", "site_cost"): ("amount", "S"), ("Moves", "village_cost"): ("amount", "V"),
    ("Moves", "most"): ("amount", "T"), ("Moves", "standing"): ("count", "S"),
    ("Crew", "hours"): ("amount", "VT"), ("Crew", "class_tender_hours_per_kg"): ("amount", "K"),
    ("Crew", "site_week_hours"): ("amount", "T"),
    ("Water", "litres"): ("amount", "ST"), ("Water", "class_litres_per_kg"): ("amount", "K"),
    ("Workshop", "press_kg"): ("amount", "T"), ("Workshop", "site_haul_cost_per_kg"): ("amount", "S"),
    ("Wishes", "site_pin"): ("pin", "S"), ("Wishes", "barrels_least"): ("count", "ST"),
    ("Wishes", "barrels_most"): ("count", "ST"), ("Wishes", "lot_village"): ("index", "L"),
    ("Wishes", "village_least"): ("count", "VT"), ("Wishes", "village_most"): ("count", "VT"),
    ("Wishes", "fair_share"): ("share", "V"), ("Previous", "barrels"): ("count", "ST"),
    ("Previous", "worked"): ("count", "T"),
}  # fmt: skip

AXES = {
    **{("Instance", name): shape for name, _, shape in _CORE},
    ("Instance", "barrel_week_cost"): "S", ("Instance", "class_cost_per_kg"): "K",
    ("Instance", "arc_class"): "A", ("Instance", "class_ready"): "K", ("Instance", "site_week_cost"): "ST",
    **{place: shape for place, (_, shape) in _BLOCKS.items()},
}  # fmt: skip
"""What each array runs over, by block and name: L lots, K classes, A arcs, S sites, V villages, T weeks. An array of
fewer dimensions runs over the first of them."""
