"""The placement question as one mixed-integer program for HiGHS: a function a block of variables or rows.

The obvious model, kilograms of lot l charred at site s in week t, is far too large. Lots of one residue whose windows
(ready week to clear-by week) do not lie strictly inside one another form a chain: what is ready first must be gone
first. Charring a chain in order of readiness is then as good as any other order, so the decision is split without
losing anything:

    x[a]     kg carried along arc a over the whole season
    u[g, t]  kg of group g (one site and one chain) charred in week t

tied by three rules a group, all on running sums: all that is carried is charred; nothing is charred before it is
ready; nothing is left past its clear-by week. `carries` makes the split of `x` over weeks, first ready first.
What waits loses a share a week; `u` counts kg as of one base week a group (`scale` turns kg at readiness into that),
so that losses need no further variables. Where carrying hours count, a group is also one distance band, so that hours
can be charged to `u`.

All quantities are as in :mod:`sourcing.placement.instance`. Everything is built with whole arrays, nothing row by row.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy import sparse

from sourcing.placement.instance import IN, OUT, Floats, Instance, Ints

INF = np.inf


@dataclass(frozen=True)
class Groups:
    """Which arcs belong together, and the week variables of each group."""

    site: Ints
    """Site of the group, shape (G,)."""
    klass: Ints
    """A class of the group's chain; its figures a kg are those of all, shape (G,)."""
    base: Ints
    """Week as of which the group's kg are counted: the first in which any of it may be charred, shape (G,)."""
    of_arc: Ints
    """Group of each arc, shape (A,)."""
    scale: Floats
    """Kg as of the base week that a kg at readiness is, shape (A,)."""
    hours_per_kg: Floats
    """Carrying hours charged a kg of the group: the dearest arc's, so never too few [h/kg], shape (G,)."""
    mass_kg: Floats
    """All residue that could come through the group [kg as of the base week], shape (G,)."""
    u_group: Ints
    """Group of each week variable, shape (U,)."""
    u_week: Ints
    """Week of each week variable, shape (U,)."""

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.site)

    def keep(self, it: Instance) -> Floats:
        """Share of a base-week kg that is really charred in each week variable's week, shape (U,)."""
        loss = it.class_loss_week[self.klass[self.u_group]]
        return np.asarray(np.power(1.0 - loss, self.u_week - self.base[self.u_group]), dtype=np.float64)


@dataclass(frozen=True)
class Model:
    """A mixed-integer program to be made as small as possible: min cost·z, low <= A z <= high, bounds on z."""

    cost: Floats
    lower: Floats
    upper: Floats
    whole: npt.NDArray[np.bool_]
    matrix: sparse.csr_matrix
    row_lower: Floats
    row_upper: Floats
    offset: float
    columns: dict[str, slice]
    """Where each block of variables stands."""
    rows: dict[str, slice]
    """Where each block of rows stands."""
    groups: Groups
    sign: float
    """Value of the goal = sign * objective: -1 where the goal is made most of, 1 where cost is made least."""
    spending: Floats
    """Money spent a unit of each variable [currency]."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and variables."""
        return self.matrix.shape[0], self.matrix.shape[1]


@dataclass
class _Build:
    """Blocks under construction; lives only inside `build`."""

    it: Instance
    groups: Groups
    lower: list[Floats] = field(default_factory=list)
    upper: list[Floats] = field(default_factory=list)
    cost: list[Floats] = field(default_factory=list)
    whole: list[npt.NDArray[np.bool_]] = field(default_factory=list)
    columns: dict[str, slice] = field(default_factory=dict)
    rows: dict[str, slice] = field(default_factory=dict)
    row_lower: list[Floats] = field(default_factory=list)
    row_upper: list[Floats] = field(default_factory=list)
    entries: list[tuple[Ints, Ints, Floats]] = field(default_factory=list)
    width: int = 0
    height: int = 0
    offset: float = 0.0

    def add(self, name: str, lower: Floats, upper: Floats, whole: bool = False) -> None:
        n = len(upper)
        self.columns[name] = slice(self.width, self.width + n)
        self.width += n
        self.lower.append(np.asarray(lower, dtype=np.float64))
        self.upper.append(np.asarray(upper, dtype=np.float64))
        self.cost.append(np.zeros(n))
        self.whole.append(np.full(n, whole))

    def price(self, name: str, amount: Floats) -> None:
        """Adds to what a block of variables costs."""
        where = list(self.columns).index(name)
        self.cost[where] = self.cost[where] + amount

    def row(
        self,
        name: str,
        n: int,
        lower: Floats | Ints | float,
        upper: Floats | Ints | float,
        *terms: tuple[Ints, Ints, Floats | Ints | float],
    ) -> None:
        """Adds `n` rows; each term is (row within the block, column, coefficient)."""
        self.rows[name] = slice(self.height, self.height + n)
        for where, column, value in terms:
            shape = np.shape(where)
            self.entries.append(
                (
                    np.asarray(where) + self.height,
                    np.asarray(column),
                    np.broadcast_to(np.asarray(value, np.float64), shape),
                )
            )
        self.height += n
        self.row_lower.append(np.broadcast_to(np.asarray(lower, np.float64), (n,)))
        self.row_upper.append(np.broadcast_to(np.asarray(upper, np.float64), (n,)))

    def at(self, name: str) -> Ints:
        """Column numbers of a block."""
        block = self.columns[name]
        return np.arange(block.start, block.stop)


def chains(it: Instance) -> Ints:
    """Chain of each class, shape (K,): same figures a kg, and no window strictly inside another's.

    Sorted by first and last week, each class joins the chain whose latest last week is nearest below its own.
    """
    extra = [] if it.crew is None else [it.crew.class_tender_hours_per_kg]
    extra += [] if it.water is None else [it.water.class_litres_per_kg]
    figures = [it.class_hours_per_kg, it.class_value_per_kg, it.class_char_per_kg, it.class_loss_week, it.class_cost]
    extra.append(np.where(it.class_loss_week == 1, it.class_first, -1).astype(np.float64))  # gone in a week: no waiting
    _, kind = np.unique(np.stack([*figures, *extra], axis=1), axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    chain = np.zeros(len(kind), dtype=np.int64)
    open_chains: dict[int, list[list[int]]] = {}
    count = 0
    for k in np.lexsort((it.class_last, it.class_first, kind)):
        last = int(it.class_last[k])
        mine = open_chains.setdefault(int(kind[k]), [])
        fitting = [c for c in mine if c[0] <= last]
        if fitting:
            best = max(fitting)
            best[0] = last
        else:
            best = [last, count]
            mine.append(best)
            count += 1
        chain[k] = best[1]
    return chain


def make_groups(it: Instance) -> Groups:
    """Groups of arcs that may share week variables: one site, one chain and, where crews count, one distance band."""
    klass = it.arc_classes
    first, last = it.class_first[klass], it.class_last[klass]
    chain = chains(it)
    key = it.arc_site * (int(chain.max(initial=0)) + 1) + chain[klass]
    left = 1.0 - it.class_loss_week[klass]
    if it.crew is not None and len(key):
        _, of_key = np.unique(key, return_inverse=True)
        scale = _scale(of_key.reshape(-1), first, it.ready_weeks[klass], left)
        tending = it.crew.class_tender_hours_per_kg * it.keep(np.arange(len(it.class_last)), it.class_last)
        hours = np.maximum(it.arc_hours_per_kg / scale + tending[klass], 1e-12)
        order = np.lexsort((hours, key))
        band = _bands(key[order], hours[order], it.crew.band)[np.argsort(order)]
        key = key * (int(band.max()) + 1) + band
    _, member, of_arc = np.unique(key, return_index=True, return_inverse=True)
    of_arc = of_arc.reshape(-1).astype(np.int64)
    count = len(member)
    scale = _scale(of_arc, first, it.ready_weeks[klass], left)
    base, until = _ends(of_arc, first, last, count)
    hours_per_kg = np.zeros(count)
    np.maximum.at(hours_per_kg, of_arc, it.arc_hours_per_kg / scale)
    mass: Floats = np.bincount(of_arc, weights=scale * it.lot_mass_kg[it.arc_lot], minlength=count).astype(np.float64)
    weeks = until - base + 1
    u_group = np.repeat(np.arange(count), weeks)
    u_week = np.arange(len(u_group)) - np.repeat(np.cumsum(weeks) - weeks, weeks) + base[u_group]
    return Groups(it.arc_site[member], klass[member], base, of_arc, scale, hours_per_kg, mass, u_group, u_week)


def _ends(group: Ints, first: Ints, last: Ints, count: int) -> tuple[Ints, Ints]:
    """First and last week of each group."""
    base = np.full(count, np.iinfo(np.int64).max)
    until = np.zeros(count, dtype=np.int64)
    np.minimum.at(base, group, first)
    np.maximum.at(until, group, last)
    return base, until


def _scale(group: Ints, first: Ints, ready: Ints, left: Floats) -> Floats:
    """Kg as of the group's base week that a kg at readiness is: what the loss a week makes of the weeks between."""
    count = int(group.max(initial=-1)) + 1
    base, _ = _ends(group, first, first, count)
    # where all is lost in a week, a chain has one first week (see `chains`), and needs no other base
    return np.asarray(np.power(np.where(left > 0, left, 1.0), base[group] - ready), dtype=np.float64)


def _bands(key: Ints, hours: Floats, ratio: float) -> Ints:
    """Band of each arc, arcs sorted by key and hours: a new one where hours exceed its first by the ratio."""
    band = np.zeros(len(key), dtype=np.int64)
    last_key, first_hours, current = -1, 0.0, 0
    for i in range(len(key)):
        if key[i] != last_key:
            last_key, first_hours, current = int(key[i]), float(hours[i]), 0
        elif hours[i] > first_hours * ratio:
            first_hours, current = float(hours[i]), current + 1
        band[i] = current
    return band


def build(it: Instance) -> Model:
    """The whole program."""
    b = _Build(it, make_groups(it))
    _variables(b)
    for block in BLOCKS:
        block(b)
    sign = _objective(b)
    none = np.zeros(0)
    row = np.concatenate([e[0] for e in b.entries]) if b.entries else none.astype(np.int64)
    column = np.concatenate([e[1] for e in b.entries]) if b.entries else none.astype(np.int64)
    value = np.concatenate([e[2] for e in b.entries]) if b.entries else none
    matrix = sparse.csr_matrix((value, (row, column)), shape=(b.height, b.width))
    spending = np.zeros(b.width)
    for name, amount in _spending(b).items():
        spending[b.columns[name]] = amount
    return Model(
        cost=np.concatenate(b.cost),
        lower=np.concatenate(b.lower),
        upper=np.concatenate(b.upper),
        whole=np.concatenate(b.whole),
        matrix=matrix,
        row_lower=np.concatenate(b.row_lower),
        row_upper=np.concatenate(b.row_upper),
        offset=b.offset,
        columns=b.columns,
        rows=b.rows,
        groups=b.groups,
        sign=sign,
        spending=spending,
    )


def part_of(
    model: Model, free: Ints, matrix: sparse.csr_matrix, row_lower: Floats, row_upper: Floats, cost: Floats
) -> Model:
    """The program of some variables alone, `free`, with these rows; `cost` is that of all variables of the model."""
    return replace(
        model, cost=cost[free], lower=model.lower[free], upper=model.upper[free], whole=model.whole[free],
        matrix=matrix, row_lower=row_lower, row_upper=row_upper, offset=0.0, columns={}, rows={},
        spending=model.spending[free],
    )  # fmt: skip


def linear_model(
    cost: Floats, lower: Floats, upper: Floats, matrix: sparse.csr_matrix, row_lower: Floats, row_upper: Floats
) -> Model:
    """A plain linear program in the same form, for the rooms that need one."""
    none = np.zeros(0, dtype=np.int64)
    groups = Groups(none, none, none, none, np.zeros(0), np.zeros(0), np.zeros(0), none, none)
    whole = np.zeros(len(cost), dtype=bool)
    return Model(cost, lower, upper, whole, matrix, row_lower, row_upper, 0.0, {}, {}, groups, 1.0, np.zeros(len(cost)))


# Variables ------------------------------------------------------------------------------------------------------------


def _needs_open(it: Instance) -> bool:
    wishes = it.wishes
    return bool(
        it.site_open_cost.any()
        or it.villages is not None
        or wishes.sites_least
        or wishes.sites_most is not None
        or wishes.avoid
        or (wishes.site_pin is not None and (wishes.site_pin == IN).any())
        or (it.previous is not None and it.previous.site_price > 0)
    )


def _needs_on(it: Instance) -> bool:
    hours = it.crew.site_week_hours if it.crew is not None else None
    return bool((it.site_least > 1).any() or it.crew_cost.any() or (hours is not None and hours.any()))


def barrel_limits(it: Instance, groups: Groups) -> tuple[Floats, Floats]:
    """Fewest and most barrels, each of shape (S, T): what may stand there, and what could be kept busy."""
    most = np.minimum(it.site_most[:, None], it.fleet[None, :]).astype(np.float64)
    if it.busy_floor > 0:
        can = _work_there(it)
        floor = it.floors * it.site_hours
        busy = np.floor(np.divide(can, floor, out=np.full_like(can, np.inf), where=floor > 0) * (1 + 1e-9) + 1e-9)
        most = np.minimum(most, busy)
    least = np.zeros_like(most)
    wishes = it.wishes
    if wishes.barrels_most is not None:
        most = np.minimum(most, wishes.barrels_most)
    if wishes.barrels_least is not None:
        least = np.maximum(least, wishes.barrels_least)
    if wishes.site_pin is not None:
        most[wishes.site_pin == OUT] = 0
    if it.villages is not None and it.villages.pin is not None:
        most[it.villages.pin[it.site_village] == OUT] = 0
    return least, most


def _work_there(it: Instance) -> Floats:
    """Barrel-hours that all residue in reach would take, if it were all charred in that week [h], shape (S, T)."""
    kinds = len(it.class_first)
    key, where = np.unique(it.arc_site * kinds + it.arc_classes, return_inverse=True)
    mass = np.bincount(where.reshape(-1), weights=it.lot_mass_kg[it.arc_lot], minlength=len(key))
    site, klass = np.divmod(key, kinds) if kinds else (key, key)
    weeks = it.class_last[klass] - it.class_first[klass] + 1
    owner = np.repeat(np.arange(len(key)), weeks)
    week = np.arange(len(owner)) - np.repeat(np.cumsum(weeks) - weeks, weeks) + it.class_first[klass][owner]
    hours = it.class_hours_per_kg[klass[owner]] * it.keep(klass[owner], week) * mass[owner]
    total = np.bincount(site[owner] * it.weeks + week, weights=hours, minlength=it.sites * it.weeks)
    return np.asarray(total.reshape(it.sites, it.weeks), dtype=np.float64)


def _variables(b: _Build) -> None:
    """The variables, each block only where it is needed.

    x[a], u[g, t] kg; y[s, t] whole barrels; on[s, t], open[s], deploy[v] 0 or 1; arrive[s, t] barrels brought to the
    site; enter[v, t] barrels brought into the village; stock[t] char held over [kg]; change[s, t] barrels more
    than in last plan.
    """
    it, groups = b.it, b.groups
    b.add("x", np.zeros(len(it.arc_lot)), it.lot_mass_kg[it.arc_lot])
    b.add("u", np.zeros(len(groups.u_group)), groups.mass_kg[groups.u_group])
    least, most = barrel_limits(it, groups)
    b.add("y", least.ravel(), np.maximum(most, least).ravel(), whole=True)
    if _needs_on(it):
        b.add("on", np.zeros(it.sites * it.weeks), np.minimum(most, 1.0).ravel(), whole=True)
    if _needs_open(it):
        pin = it.wishes.site_pin if it.wishes.site_pin is not None else np.zeros(it.sites, dtype=np.int64)
        b.add("open", (pin == IN).astype(np.float64), (pin != OUT).astype(np.float64), whole=True)
    if it.villages is not None:
        pin = it.villages.pin if it.villages.pin is not None else np.zeros(it.village_count, dtype=np.int64)
        b.add("deploy", (pin == IN).astype(np.float64), (pin != OUT).astype(np.float64), whole=True)
    if it.moves is not None:
        b.add("arrive", np.zeros(most.size), np.maximum(most, least).ravel())
        if it.moves.village_cost is not None:
            room = np.zeros((it.village_count, it.weeks))
            np.add.at(room, it.site_village, np.maximum(most, least))
            b.add("enter", np.zeros(room.size), room.ravel())
    if it.workshop is not None:
        b.add("stock", np.zeros(it.weeks), np.full(it.weeks, it.workshop.store_kg))
    if it.previous is not None and it.previous.barrel_week_price > 0:
        b.add("change", np.zeros(most.size), np.maximum(most, least).ravel())


# Rows -----------------------------------------------------------------------------------------------------------------


def _lot_mass(b: _Build) -> None:
    """Nobody carries more than lies there: sum over sites of x[l, s] <= mass[l] (equal where all must be cleared)."""
    it = b.it
    lots, where = np.unique(it.arc_lot, return_inverse=True)
    mass = it.lot_mass_kg[lots]
    whole = it.goal == "clear" and it.clear_share == 1
    b.row("lot_mass", len(lots), mass if whole else -INF, mass, (where.reshape(-1), b.at("x"), 1.0))


def _balance(b: _Build) -> None:
    """Nothing appears or vanishes: sum over arcs of group g of scale[a] x[a] = sum over weeks of u[g, t]."""
    g = b.groups
    b.row("balance", g.count, 0.0, 0.0, (g.of_arc, b.at("x"), g.scale), (g.u_group, b.at("u"), -1.0))


def _ready(b: _Build) -> None:
    """Nothing is charred before it is ready: up to any week, sum of u[g, t] <= sum of scale[a] x[a] ready by then."""
    first = b.it.class_first[b.it.arc_classes]
    group, week = _steps(b.groups.of_arc, first, first > b.groups.base[b.groups.of_arc])
    terms = _running(b, group, week, first, through=False)
    b.row("ready", len(group), -INF, 0.0, *terms)


def _due(b: _Build) -> None:
    """Nothing is left past its week: up to any week, sum of u[g, t] >= sum of scale[a] x[a] that is due by then."""
    last = b.it.class_last[b.it.arc_classes]
    _, until = _ends(b.groups.of_arc, last, last, b.groups.count)
    group, week = _steps(b.groups.of_arc, last, last < until[b.groups.of_arc])
    terms = _running(b, group, week, last, through=True)
    b.row("due", len(group), 0.0, INF, *terms)


def _steps(group: Ints, week: Ints, where: npt.NDArray[np.bool_]) -> tuple[Ints, Ints]:
    """The distinct pairs (group, week) there are, sorted."""
    pairs = np.unique(np.stack([group[where], week[where]]), axis=1)
    return pairs[0].astype(np.int64), pairs[1].astype(np.int64)


def _running(
    b: _Build, group: Ints, week: Ints, of_arc_week: Ints, through: bool
) -> tuple[tuple[Ints, Ints, Floats], tuple[Ints, Ints, Floats]]:
    """Terms of running sums, a row a (group, week): u before that week (`through` it), less the x of that time."""
    g = b.groups

    def members(owner: Ints, at: Ints) -> tuple[Ints, Ints]:
        begin, end = np.searchsorted(group, owner), np.searchsorted(group, owner, side="right")
        size = end - begin
        which = np.repeat(np.arange(len(owner)), size)
        row = begin[which] + np.arange(len(which)) - np.repeat(np.cumsum(size) - size, size)
        inside = at[which] <= week[row] if through else at[which] < week[row]
        return row[inside], which[inside]

    u_row, u = members(g.u_group, g.u_week)
    x_row, x = members(g.of_arc, of_arc_week)
    return (u_row, b.at("u")[u], np.ones(len(u))), (x_row, b.at("x")[x], -g.scale[x])


def _barrel_hours(b: _Build) -> None:
    """Barrels have so many hours: sum over k of hours[k] keep[k, t] u[s, k, t] <= site_hours[s, t] y[s, t]."""
    it = b.it
    n = it.sites * it.weeks
    where, hours = _site_week(b), _kept(b, it.class_hours_per_kg)
    b.row("barrel_hours", n, -INF, 0.0, (where, b.at("u"), hours), (np.arange(n), b.at("y"), -it.site_hours.ravel()))


def _busy_floor(b: _Build) -> None:
    """Barrels are kept busy: sum over k of hours[k] keep[k, t] u[s, k, t] >= busy[t] site_hours[s, t] y[s, t]."""
    it = b.it
    if it.busy_floor == 0:
        return
    n = it.sites * it.weeks
    where, hours = _site_week(b), _kept(b, it.class_hours_per_kg)
    floor = -(it.floors * it.site_hours).ravel()
    b.row("busy_floor", n, 0.0, INF, (where, b.at("u"), hours), (np.arange(n), b.at("y"), floor))


def _fleet(b: _Build) -> None:
    """There are only so many barrels: sum over s of y[s, t] <= fleet[t]."""
    it = b.it
    week = np.tile(np.arange(it.weeks), it.sites)
    b.row("fleet", it.weeks, -INF, it.fleet, (week, b.at("y"), 1.0))


def _least_barrels(b: _Build) -> None:
    """None, or between least and most: least[s] on[s, t] <= y[s, t] <= most[s, t] on[s, t]. `on` pays the crew."""
    it = b.it
    if "on" not in b.columns:
        return
    n = it.sites * it.weeks
    at = np.arange(n)
    most = b.upper[list(b.columns).index("y")]
    least = np.repeat(it.site_least, it.weeks)
    b.row("least_barrels", n, 0.0, INF, (at, b.at("y"), 1.0), (at, b.at("on"), -least))
    b.row("most_barrels", n, -INF, 0.0, (at, b.at("y"), 1.0), (at, b.at("on"), -most))


def _opening(b: _Build) -> None:
    """Barrels only where open, and open only with barrels: y[s, t] <= most[s, t] open[s] <= most sum y.

    Where there is on[s, t], which y already obeys, on[s, t] <= open[s] says the same and more.
    """
    it = b.it
    if "open" not in b.columns:
        return
    n = it.sites * it.weeks
    site = np.repeat(np.arange(it.sites), it.weeks)
    most = b.upper[list(b.columns).index("y")]
    what, times = ("on", np.ones(n)) if "on" in b.columns else ("y", most)
    b.row("opening", n, -INF, 0.0, (np.arange(n), b.at(what), 1.0), (np.arange(n), b.at("open")[site], -times))
    b.row("opened_used", it.sites, 0.0, INF, (site, b.at("y"), 1.0), (np.arange(it.sites), b.at("open"), -1.0))


def _deploying(b: _Build) -> None:
    """A site opens only in a village worked in, and that only with a site: open[s] <= deploy[v] <= sum open."""
    it = b.it
    if it.villages is None:
        return
    sites, count = np.arange(it.sites), it.village_count
    b.row("deploying", it.sites, -INF, 0.0, (sites, b.at("open"), 1.0), (sites, b.at("deploy")[it.site_village], -1.0))
    b.row(
        "deployed_used", count, 0.0, INF, (it.site_village, b.at("open"), 1.0), (np.arange(count), b.at("deploy"), -1.0)
    )


def _village_number(b: _Build) -> None:
    """So many villages: least <= sum over v of deploy[v] <= most."""
    v = b.it.villages
    if v is None or (v.least == 0 and v.most is None):
        return
    high = INF if v.most is None else v.most
    n = b.it.village_count
    b.row("village_number", 1, v.least, high, (np.zeros(n, dtype=np.int64), b.at("deploy"), 1.0))


def _village_barrels(b: _Build) -> None:
    """So many barrels in a village: least[v, t] <= sum over its sites of y[s, t] <= most[v, t]."""
    it, wishes = b.it, b.it.wishes
    if wishes.village_least is None and wishes.village_most is None:
        return
    where = np.repeat(it.site_village, it.weeks) * it.weeks + np.tile(np.arange(it.weeks), it.sites)
    low = 0.0 if wishes.village_least is None else wishes.village_least.ravel()
    high = INF if wishes.village_most is None else wishes.village_most.ravel()
    b.row("village_barrels", it.village_count * it.weeks, low, high, (where, b.at("y"), 1.0))


def _site_number(b: _Build) -> None:
    """So many sites: least <= sum over s of open[s] <= most."""
    w = b.it.wishes
    if w.sites_least == 0 and w.sites_most is None:
        return
    high = INF if w.sites_most is None else w.sites_most
    b.row("site_number", 1, w.sites_least, high, (np.zeros(b.it.sites, dtype=np.int64), b.at("open"), 1.0))


def _clear_share(b: _Build) -> None:
    """The wished share is collected: sum over arcs of x[a] >= share * all residue."""
    it = b.it
    if it.goal != "clear" or it.clear_share == 1:
        return
    asked = it.clear_share * float(it.lot_mass_kg.sum())
    b.row("clear_share", 1, asked, INF, (np.zeros(len(it.arc_lot), dtype=np.int64), b.at("x"), 1.0))


def _arriving(b: _Build) -> None:
    """Barrels brought: y[s, t] - y[s, t-1] <= arrive[s, t], and by village, net of moves inside it, <= enter[v, t]."""
    it = b.it
    if it.moves is None:
        return
    n = it.sites * it.weeks
    at, y = np.arange(n), b.at("y")
    later = at[at % it.weeks > 0]
    standing = np.zeros((it.sites, it.weeks))
    if it.moves.standing is not None:
        standing[:, 0] = it.moves.standing
    b.row("arriving", n, -INF, standing.ravel(), (at, y, 1.0), (later, y[later - 1], -1.0), (at, b.at("arrive"), -1.0))
    if it.moves.village_cost is None:
        return
    where = np.repeat(it.site_village, it.weeks) * it.weeks + at % it.weeks
    there = np.zeros((it.village_count, it.weeks))
    np.add.at(there, it.site_village, standing)
    m = it.village_count * it.weeks
    b.row(
        "entering", m, -INF, there.ravel(), (where, y, 1.0), (where[later], y[later - 1], -1.0),
        (np.arange(m), b.at("enter"), -1.0),
    )  # fmt: skip


def _most_moves(b: _Build) -> None:
    """Only so many barrels can be brought in a week: sum over s of arrive[s, t] <= most[t]."""
    it = b.it
    if it.moves is None or it.moves.most is None:
        return
    b.row("most_moves", it.weeks, -INF, it.moves.most, (np.tile(np.arange(it.weeks), it.sites), b.at("arrive"), 1.0))


def _stays(b: _Build) -> None:
    """A barrel brought stands a while: sum of arrive[s, t'] over the last stay_weeks weeks t' <= y[s, t]."""
    it = b.it
    if it.moves is None or it.moves.stay_weeks <= 1:
        return
    n = it.sites * it.weeks
    at, arrive = np.arange(n), b.at("arrive")
    terms: list[tuple[Ints, Ints, float]] = [(at, b.at("y"), -1.0)]
    for back in range(min(it.moves.stay_weeks, it.weeks)):
        since = at[at % it.weeks >= back]
        terms.append((since, arrive[since - back], 1.0))
    b.row("stays", n, -INF, 0.0, *terms)


def _crew_hours(b: _Build) -> None:
    """People have so many hours: sum over groups in v of (carry_h + tender_h keep[k, t]) u[g, t] + sum over sites in v
    of week_h[t] on[s, t] <= hours[v, t].
    """
    it, g = b.it, b.groups
    if it.crew is None:
        return
    where = it.site_village[g.site[g.u_group]] * it.weeks + g.u_week
    hours = g.hours_per_kg[g.u_group] + _kept(b, it.crew.class_tender_hours_per_kg)
    terms: list[tuple[Ints, Ints, Floats]] = [(where, b.at("u"), hours)]
    if it.crew.site_week_hours is not None and "on" in b.columns:
        there = np.repeat(it.site_village, it.weeks) * it.weeks + np.tile(np.arange(it.weeks), it.sites)
        terms.append((there, b.at("on"), np.tile(it.crew.site_week_hours, it.sites)))
    b.row("crew_hours", it.village_count * it.weeks, -INF, it.crew.hours.ravel(), *terms)


def _water(b: _Build) -> None:
    """Water at the site: sum over k of litres[k] keep[k, t] u[s, k, t] <= litres[s, t]."""
    it = b.it
    if it.water is None:
        return
    per_kg = _kept(b, it.water.class_litres_per_kg)
    b.row("water", it.sites * it.weeks, -INF, it.water.litres.ravel(), (_site_week(b), b.at("u"), per_kg))


def _press(b: _Build) -> None:
    """The workshop keeps up: stock[t-1] + char made in t - press[t] <= stock[t] <= store."""
    it = b.it
    if it.workshop is None:
        return
    weeks, stock = np.arange(it.weeks), b.at("stock")
    char = _kept(b, it.class_char_per_kg)
    b.row(
        "press", it.weeks, -INF, it.workshop.press_kg, (b.groups.u_week, b.at("u"), char), (weeks, stock, -1.0),
        (weeks[1:], stock[:-1], 1.0),
    )  # fmt: skip


def _budget(b: _Build) -> None:
    """Money spent on everything (see `_spending`) <= budget."""
    if b.it.wishes.budget is None:
        return
    terms = [(np.zeros(len(cost), dtype=np.int64), b.at(name), cost) for name, cost in _spending(b).items()]
    b.row("budget", 1, -INF, b.it.wishes.budget, *terms)


def _fair_share(b: _Build) -> None:
    """Each village is served: sum of x[a] over arcs from its lots >= fair_share[v] * its residue."""
    it, wishes = b.it, b.it.wishes
    if wishes.fair_share is None or wishes.lot_village is None:
        return
    own = np.bincount(wishes.lot_village, weights=it.lot_mass_kg, minlength=it.village_count)
    where = wishes.lot_village[it.arc_lot]
    b.row("fair_share", it.village_count, wishes.fair_share * own, INF, (where, b.at("x"), 1.0))


def _apart(b: _Build) -> None:
    """Unlike other plans: sites opened that the other leaves + sites left that the other opens >= apart."""
    wishes = b.it.wishes
    if not wishes.avoid:
        return
    others = np.array(wishes.avoid, dtype=bool)
    where, site = np.indices(others.shape)
    sign = np.where(others, -1.0, 1.0).ravel()
    limit = wishes.apart - others.sum(axis=1)
    b.row("apart", len(others), limit, INF, (where.ravel(), b.at("open")[site.ravel()], sign))


def _changes(b: _Build) -> None:
    """Barrels beyond last plan: change[s, t] >= y[s, t] - last[s, t].

    Those fewer are last - y + change, so that |y - last| = last - y + 2 change: no further row is needed, and having no
    barrels at all obeys this one.
    """
    it = b.it
    if it.previous is None or "change" not in b.columns:
        return
    n = it.sites * it.weeks
    at, last = np.arange(n), it.previous.barrels.ravel()
    b.row("more_than_last", n, -INF, last, (at, b.at("y"), 1.0), (at, b.at("change"), -1.0))


BLOCKS: tuple[Callable[[_Build], None], ...] = (
    _lot_mass, _balance, _ready, _due, _barrel_hours, _busy_floor, _fleet, _least_barrels, _opening, _deploying,
    _village_number, _village_barrels, _site_number, _clear_share, _arriving, _most_moves, _stays, _crew_hours, _water,
    _press, _budget, _fair_share, _apart, _changes,
)  # fmt: skip


def _site_week(b: _Build) -> Ints:
    g = b.groups
    where: Ints = g.site[g.u_group] * b.it.weeks + g.u_week
    return where


def _kept(b: _Build, per_kg: Floats) -> Floats:
    """A figure a kg charred, as a coefficient of u: figure[k] * keep[g, t]."""
    return np.asarray(per_kg[b.groups.klass[b.groups.u_group]] * b.groups.keep(b.it))


# Goal -----------------------------------------------------------------------------------------------------------------


def _objective(b: _Build) -> float:
    """What is made least; and the price of leaving last plan, in units of the goal, on top.

    margin: value of what is charred, less carrying, crews, opening, deploying, standing, moving and hauling; made most
    of.
    char: kg of char; made most of. clear: all that is spent; made least. mix: weighted sum, made most of.
    """
    it = b.it
    sign = -1.0
    if it.goal == "clear":
        sign = 1.0
        for name, cost in _spending(b).items():
            b.price(name, cost)
    else:
        margin, char, clear = {"margin": (1.0, 0.0, 0.0), "char": (0.0, 1.0, 0.0), "mix": it.weights}[it.goal]
        for name, cost in _spending(b).items():
            b.price(name, margin * cost)
        b.price("u", -margin * _kept(b, it.class_value_per_kg + it.class_cost))
        b.price("u", -char * _kept(b, it.class_char_per_kg))
        b.price("x", np.full(len(it.arc_lot), -clear))
    last = it.previous
    if last is not None and last.barrel_week_price > 0:
        every = np.full(it.sites * it.weeks, last.barrel_week_price)
        b.price("change", 2 * every)
        b.price("y", -every)
        b.offset += last.barrel_week_price * float(last.barrels.sum())
    if last is not None and last.site_price > 0:
        opened = last.barrels.any(axis=1)
        b.price("open", np.where(opened, -last.site_price, last.site_price))
        b.offset += last.site_price * float(opened.sum())
    return sign


def _spending(b: _Build) -> dict[str, Floats]:
    """Money spent a unit of each block of variables [currency]."""
    it = b.it
    spent = {
        "x": it.arc_cost_per_kg,
        "u": _kept(b, it.class_cost),
        "y": np.repeat(it.barrel_cost, it.weeks),
    }
    if it.workshop is not None and it.workshop.site_haul_cost_per_kg is not None:
        haul = it.workshop.site_haul_cost_per_kg[b.groups.site[b.groups.u_group]]
        spent["u"] = spent["u"] + haul * _kept(b, it.class_char_per_kg)
    if "on" in b.columns:
        spent["on"] = it.crew_cost.ravel()
    if "open" in b.columns:
        spent["open"] = it.site_open_cost
    if it.villages is not None:
        spent["deploy"] = it.villages.deploy_cost
    if it.moves is not None:
        spent["arrive"] = np.repeat(it.moves.site_cost, it.weeks)
        if it.moves.village_cost is not None:
            spent["enter"] = np.repeat(it.moves.village_cost, it.weeks)
    return spent


# Strengthening --------------------------------------------------------------------------------------------------------


def likely_links(it: Instance, model: Model, each: int = 2) -> Model:
    """The model with linking rows for the `each` cheapest arcs of every group: those most likely to be broken."""
    if "open" not in model.columns or not len(it.arc_lot):
        return model
    order = np.lexsort((it.arc_cost_per_kg, model.groups.of_arc))
    group = model.groups.of_arc[order]
    first = np.searchsorted(group, group)
    arcs = order[np.arange(len(order)) - first < each]
    return _appended(model, [_open_links(it, model, arcs)])


def missing_links(
    it: Instance, model: Model, z: Floats, tolerance: float = 1e-4, each: int | None = None
) -> Model | None:
    """Rows that any whole plan obeys and this fractional one does not, added to the model; None when there are none.

        x[l, s] <= mass[l] open[s]                   a site that is not open gets nothing
        x[l, s] <= mass[l] sum over window y[s, t]   nor does one without a barrel in the lot's window (on[s, t] in
                                                     place of y[s, t] where there is one: it is never more)

    `each` limits the rows to the most broken of each site, so that a large model stays small.
    """
    mass = it.lot_mass_kg[it.arc_lot]
    share = np.divide(z[model.columns["x"]], mass, out=np.zeros(len(mass)), where=mass > 0)
    blocks = []
    if "open" in model.columns:
        broken = share - z[model.columns["open"]][it.arc_site]
        blocks.append(_open_links(it, model, _worst(broken, it.arc_site, tolerance, each)))
    y = z[model.columns["on" if "on" in model.columns else "y"]].reshape(it.sites, it.weeks)
    upto = np.concatenate([np.zeros((it.sites, 1)), np.cumsum(y, axis=1)], axis=1)
    klass = it.arc_classes
    broken = share - (upto[it.arc_site, it.class_last[klass] + 1] - upto[it.arc_site, it.class_first[klass]])
    blocks.append(_window_links(it, model, _worst(broken, it.arc_site, tolerance, each)))
    blocks = [block for block in blocks if block.shape[0]]
    return _appended(model, blocks) if blocks else None


def _worst(broken: Floats, site: Ints, tolerance: float, each: int | None) -> Ints:
    bad = np.flatnonzero(broken > tolerance)
    if each is None or len(bad) == 0:
        return bad
    bad = bad[np.lexsort((-broken[bad], site[bad]))]
    first = np.searchsorted(site[bad], site[bad])
    return bad[np.arange(len(bad)) - first < each]


def _open_links(it: Instance, model: Model, arcs: Ints) -> sparse.csr_matrix:
    rows, opened = np.arange(len(arcs)), model.columns["open"].start + it.arc_site[arcs]
    values = np.r_[np.ones(len(arcs)), -it.lot_mass_kg[it.arc_lot[arcs]]]
    return sparse.csr_matrix((values, (np.r_[rows, rows], np.r_[arcs, opened])), shape=(len(arcs), model.shape[1]))


def _window_links(it: Instance, model: Model, arcs: Ints) -> sparse.csr_matrix:
    klass = it.arc_classes[arcs]
    weeks = it.class_last[klass] - it.class_first[klass] + 1
    owner = np.repeat(np.arange(len(arcs)), weeks)
    week = np.arange(len(owner)) - np.repeat(np.cumsum(weeks) - weeks, weeks) + it.class_first[klass][owner]
    first = model.columns["on" if "on" in model.columns else "y"].start
    column = first + it.arc_site[arcs][owner] * it.weeks + week
    values = np.r_[np.ones(len(arcs)), -it.lot_mass_kg[it.arc_lot[arcs]][owner]]
    where = (np.r_[np.arange(len(arcs)), owner], np.r_[arcs, column])
    return sparse.csr_matrix((values, where), shape=(len(arcs), model.shape[1]))


def _appended(model: Model, blocks: list[sparse.csr_matrix]) -> Model:
    height = sum(block.shape[0] for block in blocks)
    return replace(
        model,
        matrix=sparse.vstack([model.matrix, *blocks], format="csr"),
        row_lower=np.r_[model.row_lower, np.full(height, -INF)],
        row_upper=np.r_[model.row_upper, np.zeros(height)],
    )
