"""A plan weighed: what one more of everything would earn, other fleets, other plans, what was left out and why.

A season folder is planned first. A plan folder is weighed as it is: its barrels are put back where it has them, in the
season it was made from.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.carrying.sites import candidate_sites
from sourcing.change.causes import read_season
from sourcing.errors import InputError, NoPlanError, UsageError
from sourcing.intake.keep import RECORD_FILE, kept_season, read_record
from sourcing.placement import FREE, OUT, Instance, Placement, check
from sourcing.placement.answers import (
    LeftOut,
    Weighed,
    alternatives,
    cheapest_to_change,
    fleet_curve,
    held,
    left_out,
    shortfalls,
)
from sourcing.plan import Ground, Land, Placed, Tell, ground_of, land_of, place_barrels, read_land
from sourcing.season.near import read_near, with_kept_sites
from sourcing.season.outcome import outcome, site_names
from sourcing.season.problem import Problem, carries_table, working_hours
from sourcing.season.worth import Unit, draw_worth
from sourcing.settings import Settings, settings_from
from sourcing.values import Figure
from sourcing.words import FIRST_LANGUAGE, load_words

Ints = npt.NDArray[np.int64]
SHARES = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 2.0)
"""Fleets of the curve, as shares of the season's."""
SECONDS = 300.0
"""Longest time for the curve and other plans together, where none is given [s]."""
PRICE_SECONDS = 60.0
"""Longest time for the prices [s]."""
LEFT_OUT_SECONDS = 60.0
"""Longest time for what using places left out would cost [s]."""
DIFFERS = 0.01
"""Share from which a plan put back is said to be worth something else than its record says; less comes of carrying
worked out again."""
UNKNOWN_GAP = 1.0
"""A plan that could be so much better, as a share, says nothing of its fleet."""


@dataclass(frozen=True)
class Question:
    """A plan put back into the question it answers."""

    name: str
    """Name of the plan folder; '' for a season planned just now."""
    land: Land
    problem: Problem
    placement: Placement
    site_ids: tuple[str, ...]
    site_names: dict[str, str]
    """What each place is called: an opened one as on every output, another by its own name or id."""
    villages: pd.DataFrame
    """The plan's village table."""
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Other:
    """A different plan that is nearly as good."""

    value: float
    loss: float
    """How much worse than the plan weighed; below zero: better."""
    gap: float
    """How much better than this the best of its kind could be, as a share."""
    gives_up: tuple[str, ...]
    """Places of the plan weighed that this one leaves, by name."""
    opens: tuple[str, ...]
    """Places that only this one uses, as 'id (village)'."""
    barrel_weeks_moved: int
    """Barrel-weeks that stand elsewhere."""


@dataclass(frozen=True)
class Weighing:
    """What was found of a plan. Amounts are in units of the goal's value (`unit`)."""

    season: str
    plan: str
    unit: Unit
    value: float
    bound: float
    gap: float
    barrels: int
    weeks: int
    barrel_season: float
    """What one more barrel earns that is there all season; nan where prices are not known."""
    worth: pd.DataFrame
    """As :func:`sourcing.season.worth.worth_table` gives it."""
    villages: pd.DataFrame
    """Villages without barrels: village, name, reason (of the plan's village table), why, reach_kg, taken_kg, worth,
    fixed_cost (of the place that lacks least) and cost: what using it would cost (inf: it cannot be used, nan: not
    known, below zero: it would pay)."""
    places: pd.DataFrame
    """Candidate places without barrels, those that lack least first: site_id, village (name), why, reach_kg, taken_kg,
    worth, fixed_cost, cost."""
    curve: pd.DataFrame
    """barrels, value, bound, gain, gain_low, gain_high: value of each further barrel since the fleet before."""
    barrel_price: Figure
    others: tuple[Other, ...]
    gap_asked: float
    """The season's own placement.gap."""
    notes: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON; what is not known is null."""
        return {
            "season": self.season, "plan": self.plan, "goal": self.unit.goal, "unit": self.unit.name,
            "value": self.value, "bound": _known(self.bound), "gap": _known(self.gap), "barrels": self.barrels,
            "one_more_barrel_all_season": _known(self.barrel_season), "worth": _rows(self.worth),
            "villages_left_out": _rows(self.villages), "places_left_out": _rows(self.places),
            "curve": _rows(self.curve), "barrel_price": self.barrel_price.likely,
            "others": [
                {
                    "value": o.value, "loss": o.loss, "gap": _known(o.gap), "gives_up": list(o.gives_up),
                    "opens": list(o.opens), "barrel_weeks_moved": o.barrel_weeks_moved,
                }
                for o in self.others
            ],
            "notes": list(self.notes),
        }  # fmt: skip


def _known(value: Any) -> Any:
    plain = value.item() if isinstance(value, np.generic) else value
    return None if isinstance(plain, float) and not np.isfinite(plain) else plain


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): _known(v) for k, v in row.items()} for row in frame.to_dict("records")]


def fleets_named(text: str) -> tuple[int, ...] | None:
    """Numbers of barrels such as '20, 40'; None for none. Raises UsageError."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not all(part.isdecimal() and int(part) > 0 for part in parts):
        raise UsageError(f"fleets are named as whole numbers with commas between, such as 20,40,60; not '{text}'")
    return tuple(int(part) for part in parts) or None


def weigh(
    folder: Path, *, counts: Sequence[int] | None = None, curve: bool = False, others: int = 0, apart: int = 1,
    seconds: float = SECONDS, tell: Tell = lambda _: None,
) -> Weighing:  # fmt: skip
    """Weighs a season, which is planned first, or a plan folder.

    `curve`: the value for other fleets, at `counts` of barrels or at SHARES of the season's. `others`: so many other
    plans, each at least `apart` places from the plan and from each other. `seconds` bounds curve and others together.
    Ctrl-C ends what is being done; what is found by then is kept. Raises as `plan_season` does.
    """
    with contextlib.ExitStack() as stack:
        question = stack.enter_context(_question(folder, tell))
        return _weigh(question, counts, curve or bool(counts), others, apart, seconds, tell)


@contextlib.contextmanager
def _question(folder: Path, tell: Tell) -> Iterator[Question]:
    if not folder.exists():
        raise UsageError(f"there is no season or plan folder {folder}")
    if not (folder / RECORD_FILE).exists():
        land = read_land(folder, tell)
        placed = place_barrels(land, tell)
        ids = tuple(str(s) for s in placed.sites.frame.index)
        yield _named("", land, placed.problem, placed.placement, ids, placed)
        return
    record = read_record(folder)
    with kept_season(folder) as inside:
        if inside is None:
            raise UsageError(
                f"{folder.name} does not keep what it was made from (inputs.zip): weigh its season, or plan it again "
                "with outputs.keep_inputs = true"
            )
        tell("Reading the plan")
        season = read_season(inside, record)
        settings = as_made(season.settings, record)
        yield _put_back(folder, record, land_of(settings, season.values, season.survey, season.fields, tell), tell)


def as_made(settings: Settings, record: dict[str, Any]) -> Settings:
    """The settings a plan was made with, its defaults too, which may have changed since; files as they are kept."""
    kept = settings.model_dump(mode="json")
    try:
        return settings_from({**record["settings"], "layers": kept["layers"], "values_file": kept["values_file"]})
    except InputError:  # an option that there is no more
        return settings


def _put_back(folder: Path, record: dict[str, Any], land: Land, tell: Tell) -> Question:
    """The plan of a folder in the question it answers: its barrels as they are, what is carried worked out again."""
    near = read_near(folder)
    tell("Finding places for barrels")
    sites = candidate_sites(land.survey, land.fields, land.supply, land.network, land.settings, land.values)
    kept = with_kept_sites(sites, near, land.survey, land.fields, land.supply, land.network, land.settings, land.values)
    ground = ground_of(land, kept.sites, tell)
    tell("Putting the barrels back")
    problem = ground.problem(land, land.settings)
    ids = tuple(str(s) for s in kept.sites.frame.index)
    labels = list(land.supply.calendar.labels)
    barrels = near.barrels.reindex(index=list(ids), columns=labels, fill_value=0).to_numpy(dtype=np.int64)
    try:
        if barrels.sum() != near.barrels.to_numpy().sum():
            raise NoPlanError("its weeks or places are not those of the season any more")
        placement = held(problem.instance, barrels, seconds=PRICE_SECONDS)
    except NoPlanError as exc:
        raise NoPlanError(
            f"{folder.name} cannot be put back as it is ({exc}); it was made by version {record.get('version', '?')}, "
            "or near another plan. Weigh its season, or plan it again."
        ) from exc
    clear = placement.goal == "clear"
    bound = float(record["totals"]["value"]) + float(record["solve"]["bound"]) - float(record["solve"]["value"])
    bound = min(bound, placement.value) if clear else max(bound, placement.value)
    gap = abs(bound - placement.value) / max(abs(placement.value), 1e-9)
    placed = replace(placement, bound=bound, gap=gap, status="within_gap")
    unit, said = Unit(placement.goal, land.settings.season.currency), float(record["totals"]["value"])
    question = _named(folder.resolve().name, land, problem, placed, ids, ground)
    if abs(placement.value - said) <= DIFFERS * abs(said):
        return question
    better = placement.value < said if clear else placement.value > said
    why = (
        "with the same barrels, its carrying can be arranged better"
        if better
        else "the program or its figures have changed since it was made"
    )
    note = f"Put back, the plan is worth {unit.amount(placement.value)}; its record says {unit.amount(said)}: {why}."
    return replace(question, notes=(note,))


def _named(
    name: str, land: Land, problem: Problem, placement: Placement, ids: tuple[str, ...], ground: Ground | Placed
) -> Question:
    if faults := check(problem.instance, placement):
        raise NoPlanError(f"the plan does not pass the check: {faults[0]}")
    carries = carries_table(placement, problem, land.supply, ground.sites, ground.arcs)
    hours = working_hours(land.supply.calendar, land.settings.fleet)
    fleet = problem.instance.fleet
    out = outcome(placement, carries, ground.rates, land.fields, land.supply, ground.sites, hours, fleet, land.settings)
    names = site_names(out.site_table, out.village_table["name"], load_words(FIRST_LANGUAGE))
    own = ground.sites.frame["name"].astype(str)
    every = {s: names.get(s, own[s] if own[s] and own[s] != s else s) for s in ids}
    return Question(name, land, problem, placement, ids, every, out.village_table)


def _weigh(
    q: Question, counts: Sequence[int] | None, curve: bool, others: int, apart: int, seconds: float, tell: Tell
) -> Weighing:
    it, plan, settings = q.problem.instance, q.placement, q.land.settings
    unit = Unit(plan.goal, settings.season.currency)
    notes = list(q.notes)
    tell("Drawing prices")
    worth, season = pd.DataFrame(columns=["kind"]), np.nan
    behind: Weighed | None = None
    try:
        drawn = draw_worth(it, plan, q.land.fields, q.land.supply, seconds=PRICE_SECONDS)
        worth, season, behind = drawn.table, drawn.barrel_season, drawn.behind
    except NoPlanError as exc:
        notes.append(f"What one more of anything would earn is not known: {exc}.")
    villages, places, stopped = _left_out(q, None if behind is None else behind.row_duals, tell)
    until = time.monotonic() + seconds
    points = pd.DataFrame(columns=CURVE_COLUMNS)
    found: tuple[Other, ...] = ()
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        if curve and not stopped:
            share = 1.0 if not others else 0.6
            points, stopped = _curve(it, plan, counts, q, time.monotonic() + share * seconds, tell, pool)
        if others and not stopped:
            order = [] if behind is None else cheapest_to_change(it, plan, behind, _opening(q, places))
            found, stopped = _others(it, q, others, apart, order, until, tell, pool)
    if stopped:
        notes.append("Stopped before the end: what was found until then is shown.")
    elif len(found) < others:
        notes.append(f"Only {len(found)} of {others} other plans were found; more time or fewer places apart may help.")
    return Weighing(
        season=settings.season.name, plan=q.name, unit=unit, value=plan.value, bound=plan.bound, gap=plan.gap,
        barrels=int(it.fleet.max()), weeks=it.weeks, barrel_season=season, worth=worth, villages=villages,
        places=places, curve=points, barrel_price=q.land.values.figure("money.barrel_price"), others=found,
        gap_asked=settings.placement.gap, notes=tuple(notes),
    )  # fmt: skip


# What was left out ----------------------------------------------------------------------------------------------------

_COUNTED = ("taken_elsewhere", "too_little", "barrels_earn_more", "carrying_too_dear")
_WEIGHED = ["reach_kg", "taken_kg", "worth", "fixed_cost", "cost"]
PLACE_COLUMNS = ["site_id", "village", "why", *_WEIGHED]


def _left_out(q: Question, duals: Any, tell: Tell) -> tuple[pd.DataFrame, pd.DataFrame, bool]:
    """Villages and places without barrels, with what using them would cost; and whether Ctrl-C ended it."""
    it, plan = q.problem.instance, q.placement
    reasons = left_out(it, plan)
    used = np.unique(it.site_village[plan.opened])
    empty = [int(v) for v in range(it.village_count) if v not in used and (it.site_village == v).any()]
    groups: dict[tuple[str, int], Ints] = {("village", v): np.flatnonzero(it.site_village == v) for v in empty}
    groups |= {
        ("site", r.site): np.array([r.site]) for r in reasons if r.why in _COUNTED and it.site_village[r.site] in used
    }
    cost: dict[tuple[str, int], float] = {}
    stopped = False
    if duals is not None and groups:
        each = LEFT_OUT_SECONDS / len(groups)
        try:
            banned = {key: sites for key, sites in groups.items() if _banned(it, sites)}
            free = {key: sites for key, sites in groups.items() if key not in banned}
            for key, found in zip(free, shortfalls(it, plan, duals, list(free.values()), seconds=each), strict=True):
                cost[key] = found
                tell(f"Weighing what was left out: {len(cost)} of {len(groups)}")
            for key, sites in banned.items():
                (cost[key],) = shortfalls(_allowed(it, sites), plan, duals, [sites], seconds=each)
        except KeyboardInterrupt:
            stopped = True
    names = [str(n) for n in q.land.fields.villages["name"]]
    rows = [
        (q.site_ids[r.site], names[it.site_village[r.site]], r.why, r.reach_kg, r.taken_kg, r.worth, r.fixed_cost,
         cost.get(("site", r.site), np.nan))
        for r in reasons
    ]  # fmt: skip
    number = dict.fromkeys(_WEIGHED, np.float64)  # also where there are no rows
    places = pd.DataFrame(rows, columns=PLACE_COLUMNS).astype(number).sort_values(["cost", "site_id"], kind="stable")
    by_village = [_village_row(q, v, reasons, cost) for v in range(len(names)) if v not in used]
    villages = pd.DataFrame(by_village, columns=["village", "name", "reason", *PLACE_COLUMNS[2:]]).astype(number)
    return villages.sort_values(["cost", "name"], kind="stable"), places.reset_index(drop=True), stopped


def _banned(it: Instance, sites: Ints) -> bool:
    """Whether the wishes forbid every one of these sites."""
    by_site = it.wishes.site_pin is not None and bool((it.wishes.site_pin[sites] == OUT).all())
    pin = None if it.villages is None else it.villages.pin
    return by_site or (pin is not None and bool((pin[it.site_village[sites]] == OUT).all()))


def _allowed(it: Instance, sites: Ints) -> Instance:
    """The instance in which these sites may be used, whatever the wishes say."""
    wishes, villages = it.wishes, it.villages
    if wishes.site_pin is not None:
        pin = wishes.site_pin.copy()
        pin[sites] = np.maximum(pin[sites], FREE)
        wishes = replace(wishes, site_pin=pin)
    if villages is not None and villages.pin is not None:
        pin = villages.pin.copy()
        pin[it.site_village[sites]] = np.maximum(pin[it.site_village[sites]], FREE)
        villages = replace(villages, pin=pin)
    return replace(it, wishes=wishes, villages=villages)


def _village_row(
    q: Question, village: int, reasons: Sequence[LeftOut], cost: dict[tuple[str, int], float]
) -> tuple[object, ...]:
    """A village without barrels, with the figures of that of its places that lacks least."""
    index = q.land.fields.villages.index
    row = q.villages.loc[index[village]]
    own = [r for r in reasons if q.problem.instance.site_village[r.site] == village]
    if not own:
        figures: tuple[object, ...] = (str(row["reason"]), 0.0, 0.0, 0.0, 0.0)
    else:
        best = min(own, key=lambda r: (r.why == "pinned_out", r.fixed_cost - r.worth))
        figures = (best.why, best.reach_kg, best.taken_kg, best.worth, best.fixed_cost)
    return str(index[village]), str(row["name"]), str(row["reason"]), *figures, cost.get(("village", village), np.nan)


# More or fewer barrels ------------------------------------------------------------------------------------------------

CURVE_COLUMNS = ["barrels", "value", "bound", "gain", "gain_low", "gain_high"]


def _curve(
    it: Instance, plan: Placement, counts: Sequence[int] | None, q: Question, until: float, tell: Tell, pool: Any
) -> tuple[pd.DataFrame, bool]:
    top = int(it.fleet.max())
    sizes = sorted({max(1, round(top * share)) for share in SHARES} if counts is None else set(counts))
    choice, points, stopped = q.land.settings.placement, [], False
    todo = sum(s != top for s in sizes)
    each = max(until - time.monotonic(), 0.0) / max(todo, 1)
    tell(f"Trying other fleets: {sizes[0]} barrels")
    try:
        for point in fleet_curve(
            it, sizes, known=plan, gap=choice.gap, seconds=each, seed=choice.seed, map=pool.map
        ):  # fmt: skip
            if point.placement.status == "interrupted":
                stopped = True
            if point.placement.gap < UNKNOWN_GAP:
                points.append((point.barrels, point.value, point.bound))
            later = [s for s in sizes if s > point.barrels]
            if later and not stopped:
                tell(f"Trying other fleets: {later[0]} barrels")
    except KeyboardInterrupt:
        stopped = True
    return curve_table(points, plan.goal), stopped


def curve_table(points: Sequence[tuple[int, float, float]], goal: str) -> pd.DataFrame:
    """The curve with what each further barrel earns, likely, at least and at most, from (barrels, value, bound).

    What bounds a larger fleet bounds a smaller one; more barrels are never worse. The likely gain is that of the
    bounds: they come from one relaxation for every fleet, while how near to the best a search came differs between
    them.
    """
    sign = -1.0 if goal == "clear" else 1.0
    table = pd.DataFrame(points, columns=CURVE_COLUMNS[:3]).astype({"value": float, "bound": float})
    bound = sign * np.minimum.accumulate((sign * table["bound"].to_numpy())[::-1])[::-1]
    table = table.assign(bound=bound)
    more = table["barrels"].diff()
    before_value, before_bound = table["value"].shift(), table["bound"].shift()
    return table.assign(
        gain=sign * (table["bound"] - before_bound) / more,
        gain_low=(sign * (table["value"] - before_bound) / more).clip(lower=0.0),
        gain_high=sign * (table["bound"] - before_value) / more,
    )


# Other plans ----------------------------------------------------------------------------------------------------------


def _opening(q: Question, places: pd.DataFrame) -> npt.NDArray[np.float64]:
    """What using each place without barrels would cost, in the optimiser's order; nan where it is not known."""
    costs = dict(zip(places["site_id"], places["cost"], strict=True))
    return np.array([costs.get(s, np.nan) for s in q.site_ids], dtype=np.float64)


def _others(
    it: Instance, q: Question, count: int, apart: int, order: Sequence[int], until: float, tell: Tell, pool: Any
) -> tuple[tuple[Other, ...], bool]:
    plan, choice, found, stopped = q.placement, q.land.settings.placement, [], False
    names = [str(n) for n in q.land.fields.villages["name"]]
    each = max(until - time.monotonic(), 0.0) / count
    tell(f"Looking for other plans: 1 of {count}")
    try:
        for other in alternatives(
            it,
            plan,
            count=count,
            apart=apart,
            order=order,
            gap=choice.gap,
            seconds=each,
            seed=choice.seed,
            map=pool.map,
        ):
            there = other.placement
            stopped = there.status == "interrupted"
            if stopped and there.gap >= UNKNOWN_GAP:
                break
            gives_up = tuple(q.site_names[q.site_ids[s]] for s in np.flatnonzero(plan.opened & ~there.opened))
            opens = tuple(
                f"{q.site_names[q.site_ids[s]]} ({names[it.site_village[s]]})"
                for s in np.flatnonzero(there.opened & ~plan.opened)
            )
            moved = int(np.maximum(plan.barrels - there.barrels, 0).sum())
            found.append(Other(there.value, other.loss, there.gap, gives_up, opens, moved))
            if len(found) < count and not stopped:
                tell(f"Looking for other plans: {len(found) + 1} of {count}")
    except KeyboardInterrupt:
        stopped = True
    return tuple(found), stopped
