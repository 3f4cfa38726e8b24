"""What a planner asks of a plan: prices, what more barrels would earn, other plans nearly as good, why a site was left
out, and, when nothing is possible, which wishes stand against each other. Figures only; the words are the caller's.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy import sparse

from sourcing.errors import NoPlanError
from sourcing.placement import engine
from sourcing.placement.instance import FREE, OUT, Bools, Floats, Instance, Ints, Villages
from sourcing.placement.model import Model, build
from sourcing.placement.solve import WHOLE_AT_ONCE, Placement, read, solve
from sourcing.placement.split import owners, settled, site_links, sound

LARGE = 20_000
"""Above so many variables prices are drawn by interior point, without a basis."""

NEIGHBOURS = 4
"""Sites planned again beside each that is changed, those that compete with it most for residue."""
NEAR_GAP = 1e-3
"""How near to the best the sites planned again are brought, as a share of the whole plan's value."""

# Prices ---------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Prices:
    """What one more unit of each limit is worth, in units of the goal's value (saved, when the goal is 'clear').

    Drawn from the linear relaxation: right at the margin, for a little more or less, barrels counted as divisible.
    None where there is no such limit.
    """

    barrel_week: Floats
    """One more barrel in the fleet for the week, shape (T,)."""
    lot_kg: Floats
    """One more kg in the lot: what a kilo left in the field costs, shape (L,)."""
    move: Floats | None = None
    """One more barrel brought in the week, shape (T,)."""
    crew_hour: Floats | None = None
    """One more worker hour in the village and week, shape (V, T)."""
    water_litre: Floats | None = None
    """One more litre at the site in the week, shape (S, T)."""
    press_kg: Floats | None = None
    """One more kg of char pressed in the week, shape (T,)."""
    money: float | None = None
    """One more unit of budget."""
    fair_kg: Floats | None = None
    """One kg less owed to each village, shape (V,)."""
    village: float | None = None
    """One more village allowed."""


def prices(instance: Instance, plan: Placement | None = None, *, seconds: float = 60.0, seed: int = 1) -> Prices:
    """Prices of all limits; with `plan`, given the sites and villages that it uses, and, where a week at a site has a
    cost of its own, the weeks in which it uses them.

    Raises NoPlanError when the wishes contradict each other or time runs out.
    """
    return weighed(instance, plan, seconds=seconds, seed=seed).prices


@dataclass(frozen=True)
class Weighed:
    """The relaxation that prices are drawn from."""

    prices: Prices
    row_duals: Floats
    """What one more unit of each row's limit does to the objective, as HiGHS signs it; rows as `build` makes them."""
    value: float
    """Value of the relaxation: no plan with the sites that prices were asked for is better."""


def weighed(instance: Instance, plan: Placement | None = None, *, seconds: float = 60.0, seed: int = 1) -> Weighed:
    """Prices of all limits with the relaxation behind them, for :func:`shortfalls`. Raises as :func:`prices` does."""
    it = instance
    plenty = np.full(it.weeks, max(int(it.site_most.sum()), int(it.fleet.max())))
    model = build(replace(it, fleet=plenty))  # so that only the fleet's own rows, set next, hold the fleet's price
    row_upper = model.row_upper.copy()
    row_upper[model.rows["fleet"]] = it.fleet
    lower, upper = model.lower.copy(), model.upper.copy()
    for name in ("x", "u"):  # the rows of lot mass and balance say the same, and are to carry the price
        upper[model.columns[name]] = 10 * upper[model.columns[name]] + 1
    if plan is not None:
        y = model.columns["y"]
        upper[y] = np.where(np.repeat(plan.opened, it.weeks), upper[y], lower[y])
        used = np.zeros(it.village_count)
        used[it.site_village[plan.opened]] = 1.0
        stood = (plan.barrels > 0).ravel()
        for name, fixed in (
            ("on", stood.astype(np.float64)),
            ("open", plan.opened.astype(np.float64)),
            ("deploy", used),
        ):
            if name in model.columns:
                lower[model.columns[name]] = upper[model.columns[name]] = fixed
    large = model.shape[1] > LARGE
    outcome = engine.run(
        replace(model, lower=lower, upper=upper, row_upper=row_upper),
        seconds=seconds,
        seed=seed,
        relaxed=True,
        interior=large,
    )
    if outcome.row_duals is None or outcome.end not in ("optimal", "failed"):
        raise NoPlanError("no prices: no plan is possible" if outcome.end == "infeasible" else "no prices in this time")
    duals = np.abs(outcome.row_duals)

    def block(name: str, *shape: int) -> Floats | None:
        return duals[model.rows[name]].reshape(shape) if name in model.rows else None

    lots = np.zeros(len(it.lot_mass_kg))
    lots[np.unique(it.arc_lot)] = np.maximum(-outcome.row_duals[model.rows["lot_mass"]], 0.0)
    budget, village = block("budget", 1), block("village_number", 1)
    found = Prices(
        barrel_week=duals[model.rows["fleet"]],
        lot_kg=lots,
        move=block("most_moves", it.weeks),
        crew_hour=block("crew_hours", it.village_count, it.weeks),
        water_litre=block("water", it.sites, it.weeks),
        press_kg=block("press", it.weeks),
        money=None if budget is None else float(budget[0]),
        fair_kg=block("fair_share", it.village_count),
        village=None if village is None else float(village[0]),
    )
    return Weighed(found, outcome.row_duals, model.sign * outcome.bound)


# A plan made again ----------------------------------------------------------------------------------------------------


def held(instance: Instance, barrels: Ints, *, seconds: float = 60.0, seed: int = 1) -> Placement:
    """The best plan with these barrels by site and week, shape (S, T): what is carried where is worked out again.

    Nothing is proven of other barrels: its bound is infinite. Raises NoPlanError where the wishes forbid these barrels
    or time runs out.
    """
    model = build(instance)
    y, table = model.columns["y"], np.asarray(barrels, dtype=np.float64).ravel()
    if (table < model.lower[y]).any() or (table > model.upper[y]).any():
        raise NoPlanError("these barrels are not possible: more or fewer stand at a site than may")
    lower, upper = model.lower.copy(), model.upper.copy()
    lower[y] = upper[y] = table
    outcome = engine.run(replace(model, lower=lower, upper=upper), seconds=seconds, gap=1e-6, seed=seed)
    if outcome.z is None:
        raise NoPlanError("these barrels are not possible" if outcome.end == "infeasible" else "time ran out")
    z = settled(model, outcome.z)
    if z is None:
        raise NoPlanError("these barrels are not possible in whole numbers")
    return read(instance, model, z, -np.inf, 0.0, outcome.seconds, outcome.end)


# More or fewer barrels ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CurvePoint:
    """One point of the curve of value against the fleet."""

    barrels: int
    """Barrels in the largest week."""
    value: float
    bound: float
    placement: Placement


def fleet_curve(
    instance: Instance, counts: Sequence[int], *, known: Placement | None = None, gap: float = 0.005,
    seconds: float = 60.0, seed: int = 1, map: Callable[..., Iterable[Any]] = map,
) -> Iterator[CurvePoint]:  # fmt: skip
    """Best value for each fleet size (other weeks in proportion to the largest), smallest first.

    A plan for fewer barrels is also one for more, so the curve never falls: where the search ends on a lesser plan, the
    smaller fleet's is kept. `known` is a plan for the instance's own fleet, which is then not sought again. `seconds`
    is for each point. Sizes at which no plan is found are left out; Ctrl-C ends the curve after the point in work.
    """
    last: CurvePoint | None = None
    top = max(int(instance.fleet.max()), 1)
    for count in sorted(set(counts)):
        fleet = np.floor(instance.fleet * (count / top) + 1e-9).astype(np.int64)
        try:
            plan = known if known is not None and count == top else \
                solve(replace(instance, fleet=fleet), gap=gap, seconds=seconds, seed=seed, map=map)  # fmt: skip
        except NoPlanError:
            continue
        interrupted = plan.status == "interrupted"
        if last is not None and _better(instance, last.value, plan.value):
            best = last.placement
            share = abs(plan.bound - best.value) / max(abs(best.value), 1e-9)
            plan = replace(best, bound=plan.bound, gap=share, status="within_gap" if share <= gap else plan.status)
        last = CurvePoint(count, plan.value, plan.bound, plan)
        yield last
        if interrupted:
            return


def _better(instance: Instance, one: float, other: float) -> bool:
    return one < other if instance.goal == "clear" else one > other


# Other plans ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Alternative:
    """A different plan, and what it costs against the best."""

    placement: Placement
    loss: float
    """How much worse than the best, in units of the goal's value; below zero where the best was not proven to be it."""
    differs: int
    """Sites in which it differs from the best."""


def alternatives(
    instance: Instance, best: Placement, *, count: int = 3, apart: int = 1, order: Sequence[int] = (),
    gap: float = 0.005, seconds: float = 60.0, seed: int = 1, map: Callable[..., Iterable[Any]] = map,
) -> Iterator[Alternative]:  # fmt: skip
    """Up to `count` next best plans, each at least `apart` sites from the best and from each other; `seconds` for each.

    With an `order` of sites (:func:`cheapest_to_change`), large seasons are not searched anew: the next sites of the
    order are opened or closed, they and their neighbours planned again, all else left standing. What such a plan costs
    is then not hidden by how near to the best two searches happen to come.
    """
    avoid: tuple[Bools, ...] = (*instance.wishes.avoid, best.opened)
    left = list(order) if build(instance).shape[1] > WHOLE_AT_ONCE else []
    for _ in range(count):
        wished = replace(instance, wishes=replace(instance.wishes, avoid=avoid, apart=apart))
        plan = _changed_near(wished, best, left[:apart], seconds, seed) if len(left) >= apart else None
        left = left[apart:]
        try:
            plan = plan or solve(wished, gap=gap, seconds=seconds, seed=seed, map=map)
        except NoPlanError:
            return
        loss = plan.value - best.value if instance.goal == "clear" else best.value - plan.value
        yield Alternative(plan, loss, int((plan.opened != best.opened).sum()))
        if plan.status == "interrupted":
            return
        avoid = (*avoid, plan.opened)


def cheapest_to_change(instance: Instance, plan: Placement, behind: Weighed, opening: Floats) -> list[int]:
    """Sites, first those that cost least to give up or to use, as far as prices given the plan tell.

    `opening` is what using each site that has no barrel would cost (see :func:`shortfalls`; not finite: leave it out),
    shape (S,). Only an order comes of it.
    """
    it, price = instance, behind.prices
    free = np.ones(it.sites, dtype=bool) if it.wishes.site_pin is None else it.wishes.site_pin == FREE
    if it.villages is not None and it.villages.pin is not None:
        free &= it.villages.pin[it.site_village] == FREE
    arc, week, kg = plan.carry_arc, plan.carry_week, plan.carry_kg
    klass = it.arc_classes[arc]
    earned = kg * (it.class_value_per_kg[klass] * it.keep(klass, week) - it.arc_cost_per_kg[arc])
    net = np.bincount(it.arc_site[arc], weights=earned - kg * price.lot_kg[it.arc_lot[arc]], minlength=it.sites)
    stand = (plan.barrels * (price.barrel_week[None, :] + it.barrel_cost[:, None])).sum(axis=1)
    net = net - stand - ((plan.barrels > 0) * it.crew_cost).sum(axis=1) - it.site_open_cost
    cost = np.where(plan.opened, net, opening)
    return [int(s) for s in np.argsort(cost, kind="stable") if free[s] and np.isfinite(cost[s])]


def _changed_near(it: Instance, best: Placement, sites: Sequence[int], seconds: float, seed: int) -> Placement | None:
    """The best plan found that opens or closes these sites, unlike `best`, and is like it away from them."""
    until = time.monotonic() + seconds
    model = build(it)
    y, opened = model.columns["y"], model.columns["open"]
    lower, upper = model.lower.copy(), model.upper.copy()
    for s in sites:
        lower[opened.start + s] = upper[opened.start + s] = 0.0 if best.opened[s] else 1.0
    links = site_links(it)
    near = np.zeros(it.sites, dtype=bool)
    near[list(sites)] = True
    for s in sites:
        pull = links[[s]].toarray().ravel()
        closest = np.argsort(-pull, kind="stable")[:NEIGHBOURS]
        near[closest[pull[closest] > 0]] = True
    held_y = np.repeat(~near, it.weeks)
    lower[y] = np.where(held_y, best.barrels.ravel(), lower[y])
    upper[y] = np.where(held_y, best.barrels.ravel(), upper[y])
    kept = replace(model, lower=lower, upper=upper)
    outcome = engine.run(kept, seconds=max(until - time.monotonic(), 0.0), gap=NEAR_GAP, seed=seed)
    z = None if outcome.z is None else settled(model, outcome.z)
    if z is None:
        return None
    bound = best.bound if it.goal == "clear" else -best.bound
    return read(it, model, z, bound, 0.0, outcome.seconds, outcome.end)


# Why not --------------------------------------------------------------------------------------------------------------

Why = Literal[
    "pinned_out", "nothing_in_reach", "carrying_too_dear", "taken_elsewhere", "too_little", "barrels_earn_more"
]


@dataclass(frozen=True)
class LeftOut:
    """Why a site has no barrel, with the figures that decide it."""

    site: int
    why: Why
    """pinned_out by a wish; nothing_in_reach; carrying_too_dear: no kg leaves anything; taken_elsewhere: other sites
    take most of it; too_little: the rest would not pay for opening, deploying and bringing a barrel; barrels_earn_more:
    it would pay, but barrels, people or money do better elsewhere."""
    reach_kg: float
    """Residue within carrying reach."""
    taken_kg: float
    """Of that, what other sites take."""
    worth: float
    """What the rest would leave after carrying, at best, barrels aside [currency]."""
    fixed_cost: float
    """Opening, deploying (where the village is not in use yet), and one barrel for one week with its crew, at the
    cheapest [currency]."""


def left_out(instance: Instance, plan: Placement) -> tuple[LeftOut, ...]:
    """Why each site without barrels has none."""
    it = instance
    taken_from = np.bincount(it.arc_lot, weights=plan.x, minlength=len(it.lot_mass_kg))
    klass = it.arc_classes
    gain = it.class_value_per_kg[klass] - it.arc_cost_per_kg
    rest = np.maximum(it.lot_mass_kg - taken_from, 0.0)[it.arc_lot]
    reach = np.bincount(it.arc_site, weights=it.lot_mass_kg[it.arc_lot], minlength=it.sites)
    taken = np.bincount(it.arc_site, weights=taken_from[it.arc_lot], minlength=it.sites)
    worth = np.bincount(it.arc_site, weights=np.maximum(gain, 0.0) * rest, minlength=it.sites)
    dear = np.bincount(it.arc_site, weights=gain > 0, minlength=it.sites) == 0
    fixed = it.site_open_cost + it.barrel_cost + it.crew_cost.min(axis=1)
    used = np.zeros(it.village_count, dtype=bool)
    used[it.site_village[plan.opened]] = True
    if it.villages is not None:
        fixed = fixed + np.where(used[it.site_village], 0.0, it.villages.deploy_cost[it.site_village])
    if it.moves is not None:
        fixed = fixed + it.moves.site_cost
    out = np.zeros(it.sites, dtype=bool) if it.wishes.site_pin is None else it.wishes.site_pin == OUT
    if it.villages is not None and it.villages.pin is not None:
        out = out | (it.villages.pin[it.site_village] == OUT)
    if it.wishes.barrels_most is not None:
        out = out | ~it.wishes.barrels_most.any(axis=1)
    if it.wishes.village_most is not None:
        out = out | ~it.wishes.village_most[it.site_village].any(axis=1)
    found = []
    for s in np.flatnonzero(~plan.opened):
        why: Why = (
            "pinned_out" if out[s]
            else "nothing_in_reach" if reach[s] == 0
            else "carrying_too_dear" if dear[s] and it.goal == "margin"
            else "taken_elsewhere" if taken[s] > 0.5 * reach[s]
            else "too_little" if worth[s] <= fixed[s] and it.goal == "margin"
            else "barrels_earn_more"
        )  # fmt: skip
        figures = (float(reach[s]), float(taken[s]), float(worth[s]), float(fixed[s]))
        found.append(LeftOut(int(s), why, *figures))
    return tuple(found)


def shortfalls(
    instance: Instance, plan: Placement, row_duals: Floats, groups: Sequence[Ints], *, seconds: float = 5.0,
    seed: int = 1, exact_upto: int = WHOLE_AT_ONCE,
) -> Iterator[float]:  # fmt: skip
    """What using each group of sites that the plan leaves out would cost, one after another, in the goal's units.

    A group must have a barrel in some week. Up to `exact_upto` variables the season is solved again for each. In larger
    seasons the group pays for residue, barrels and whatever else it shares with other sites at its price, by the
    `row_duals` of :func:`weighed` given the plan; what is its own costs what it costs. That is never too high while
    the plan's places keep the weeks in which they have barrels, and close where a group is a small part of the season.
    Below zero: it would pay. Infinite: it cannot be used at all. `seconds` is for each group; one that takes longer
    has what is proven until then. Ctrl-C ends it.
    """
    it = instance
    model = build(it)
    if model.shape[1] <= exact_upto:
        for sites in groups:
            yield _forced(model, sites, it.weeks, seconds, seed) - model.sign * plan.value
        return
    owner, columns = owners(it, model), model.matrix.tocsc()
    entries = np.diff(model.matrix.indptr)
    still = np.isfinite(model.row_upper) & (_least_entry(model.matrix) >= 0)  # others can only tighten such a row
    common = np.zeros(model.shape[1], dtype=bool)
    for name in ("deploy", "enter"):  # a village's own variables, for a group that is only a part of its village
        if name in model.columns:
            common[model.columns[name]] = True
    for sites in groups:
        villages = it.site_village[sites]
        whole = bool(np.isin(np.flatnonzero(np.isin(it.site_village, villages)), sites).all())
        mine = np.isin(owner, sites) & (whole | ~common)
        part = columns[:, np.flatnonzero(mine)].tocsr()
        rows = np.flatnonzero(np.diff(part.indptr))
        own = np.diff(part.indptr)[rows] == entries[rows]
        kept = rows[own | still[rows]]
        price = part[rows[~own]].T @ row_duals[rows[~own]]
        yield _at_prices(model, part, np.flatnonzero(mine), kept, price, sites, it.weeks, seconds, seed)


def _forced(model: Model, sites: Ints, weeks: int, seconds: float, seed: int) -> float:
    """The least objective of a plan with a barrel at one of the sites in some week."""
    used = sparse.csr_matrix(
        np.isin(np.arange(model.shape[1]), _barrels_of(model, sites, weeks)).astype(np.float64)[None, :]
    )
    piece = replace(
        model, matrix=sparse.vstack([model.matrix, used], format="csr"), row_lower=np.r_[model.row_lower, 1.0],
        row_upper=np.r_[model.row_upper, np.inf],
    )  # fmt: skip
    outcome = engine.run(piece, seconds=seconds, gap=1e-5, seed=seed)
    if outcome.end == "interrupted":
        raise KeyboardInterrupt
    return np.inf if outcome.end == "infeasible" else outcome.objective if outcome.z is not None else outcome.bound


def _barrels_of(model: Model, sites: Ints, weeks: int) -> Ints:
    """The variables of the barrels at these sites."""
    return np.asarray(model.columns["y"].start + (np.asarray(sites)[:, None] * weeks + np.arange(weeks)).ravel())


def _at_prices(
    model: Model, part: sparse.csr_matrix, mine: Ints, kept: Ints, price: Floats, sites: Ints, weeks: int,
    seconds: float, seed: int,
) -> float:  # fmt: skip
    """The least that a part of the program adds to the objective, if it has a barrel; `price` is of others' rows."""
    used = sparse.csr_matrix(np.isin(mine, _barrels_of(model, sites, weeks)).astype(np.float64)[None, :])
    own = part[kept].copy()
    low = np.where(np.diff(own.indptr) == np.diff(model.matrix[kept].indptr), model.row_lower[kept], -np.inf)
    piece = replace(
        model, cost=model.cost[mine] - price, lower=model.lower[mine], upper=model.upper[mine],
        whole=model.whole[mine], matrix=sparse.vstack([own, used], format="csr"), row_lower=np.r_[low, 1.0],
        row_upper=np.r_[model.row_upper[kept], np.inf], offset=0.0, columns={}, rows={}, spending=model.spending[mine],
    )  # fmt: skip
    outcome = engine.run(piece, seconds=seconds, gap=1e-4, slack=1e-3, seed=seed)
    if outcome.end == "interrupted":
        raise KeyboardInterrupt
    return np.inf if outcome.end == "infeasible" else max(outcome.bound, -1e30)


def _least_entry(matrix: sparse.csr_matrix) -> Floats:
    """The smallest entry of each row, shape (rows,)."""
    return np.asarray(matrix.min(axis=1).toarray(), dtype=np.float64).ravel()


# When nothing is possible ---------------------------------------------------------------------------------------------


def wishes_of(instance: Instance) -> dict[str, Callable[[Instance], Instance]]:
    """The wishes and limits an instance holds, each with what takes it away."""
    w, v, m = instance.wishes, instance.villages, instance.moves

    def wish(**change: Any) -> Callable[[Instance], Instance]:
        return lambda it: replace(it, wishes=replace(it.wishes, **change))

    def village(**change: Any) -> Callable[[Instance], Instance]:
        return lambda it: replace(it, villages=replace(it.villages or Villages(deploy_cost=np.zeros(0)), **change))

    plenty = np.full(instance.weeks, int(instance.site_most.sum()))
    there: list[tuple[str, bool, Callable[[Instance], Instance]]] = [
        ("fleet", True, lambda it: replace(it, fleet=plenty)),
        ("clear_share", instance.goal == "clear" and instance.clear_share > 0, lambda it: replace(it, clear_share=0.0)),
        ("busy_floor", instance.busy_floor > 0, lambda it: replace(it, busy_floor=0.0)),
        (
            "site_least",
            bool((instance.site_least > 1).any()),
            lambda it: replace(it, site_least=np.ones(it.sites, dtype=np.int64)),
        ),
        ("site_pin", w.site_pin is not None, wish(site_pin=None)),
        ("barrels_least", w.barrels_least is not None, wish(barrels_least=None)),
        ("barrels_most", w.barrels_most is not None, wish(barrels_most=None)),
        ("village_least", w.village_least is not None, wish(village_least=None)),
        ("village_most", w.village_most is not None, wish(village_most=None)),
        ("sites_least", w.sites_least > 0, wish(sites_least=0)),
        ("sites_most", w.sites_most is not None, wish(sites_most=None)),
        ("budget", w.budget is not None, wish(budget=None)),
        ("fair_share", w.fair_share is not None, wish(fair_share=None, lot_village=None)),
        ("avoid", bool(w.avoid), wish(avoid=())),
        ("village_pin", v is not None and v.pin is not None, village(pin=None)),
        ("villages_least", v is not None and v.least > 0, village(least=0)),
        ("villages_most", v is not None and v.most is not None, village(most=None)),
        ("moves_most", m is not None and m.most is not None, lambda it: replace(it, moves=_moves(it, most=None))),
        ("stay_weeks", m is not None and m.stay_weeks > 1, lambda it: replace(it, moves=_moves(it, stay_weeks=1))),
        ("crew", instance.crew is not None, lambda it: replace(it, crew=None)),
        ("water", instance.water is not None, lambda it: replace(it, water=None)),
        ("workshop", instance.workshop is not None, lambda it: replace(it, workshop=None)),
    ]
    return {name: without for name, present, without in there if present}


def _moves(it: Instance, **change: Any) -> Any:
    return None if it.moves is None else replace(it.moves, **change)


def can_be_met(instance: Instance, *, seconds: float = 60.0, seed: int = 1) -> bool | None:
    """Whether any plan is possible; None when the time is too short to tell.

    Above WHOLE_AT_ONCE variables by the relaxation, barrels divisible: no is sure, yes is as far as that tells.
    """
    model = build(instance)
    if sound(model, model.lower):  # doing nothing is allowed
        return True
    large = model.shape[1] > WHOLE_AT_ONCE
    empty = replace(model, cost=np.zeros_like(model.cost))
    outcome = engine.run(empty, seconds=seconds, seed=seed, relaxed=large, interior=large, rough=1e-6)
    if outcome.end == "infeasible":
        return False
    return True if outcome.z is not None and outcome.end == "optimal" else None


def smallest_conflict(
    names: Sequence[str], possible: Callable[[frozenset[str]], bool | None], until: float = np.inf
) -> tuple[str, ...]:
    """The smallest set of wishes that cannot all be kept, in the order of `names`; empty where all can.

    `possible(kept)` says whether a plan can keep these wishes: None when it cannot tell. By hitting sets: any
    conflicting set must meet every set of wishes whose loss makes a plan possible; the smallest that does, and is
    itself impossible, is the answer. What comes back is always proven impossible; where some set could not be told, or
    at `until` (time.monotonic), a smaller one may exist.
    """
    every = frozenset(names)
    best, meets, fails = every, list[frozenset[str]](), list[frozenset[str]]()

    def verdict(kept: frozenset[str]) -> bool | None:
        nonlocal best
        if any(kept <= known for known in meets):
            return True
        if any(kept >= known for known in fails):
            return False
        found = None if time.monotonic() > until else possible(kept)
        if found is not None:
            (meets if found else fails).append(kept)
        if found is False and len(kept) < len(best):
            best = kept
        return found

    if verdict(every) is not False:
        return ()
    corrections: list[frozenset[str]] = []
    while time.monotonic() <= until:
        candidate = _smallest_hitting(tuple(names), corrections)
        told = verdict(candidate)
        if told is False:
            return tuple(n for n in names if n in candidate)
        grown = candidate
        for name in names if told else ():
            if name not in grown and verdict(grown | {name}):
                grown |= {name}
        corrections.append(every - grown)
    return tuple(n for n in names if n in best)


def conflict(instance: Instance, *, seconds: float = 60.0) -> tuple[str, ...]:
    """The smallest set of wishes (names as in `wishes_of`) that cannot all be met; empty when all can.

    What the ground itself forbids (mass, windows, barrel hours, the sites' room) is never given up. Raises NoPlanError
    when nothing helps. See :func:`smallest_conflict` for what a short time does.
    """
    takes_away = wishes_of(instance)
    until = time.monotonic() + seconds

    def possible(kept: frozenset[str]) -> bool | None:
        it = instance
        for name, without in takes_away.items():
            if name not in kept:
                it = without(it)
        return can_be_met(it, seconds=max(until - time.monotonic(), 0.0))

    if possible(frozenset()) is False:
        raise NoPlanError("no plan is possible even with every wish and limit given up")
    return smallest_conflict(tuple(takes_away), possible, until)


def _smallest_hitting(names: tuple[str, ...], sets: list[frozenset[str]]) -> frozenset[str]:
    for size in range(len(names) + 1):
        for chosen in itertools.combinations(names, size):
            if all(any(n in s for n in chosen) for s in sets):
                return frozenset(chosen)
    raise AssertionError("every set is hit by all names together")
