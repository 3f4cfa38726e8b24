"""Prices between regions: only prices and answers travel, and the whole gets one proven bound and one plan.

With p >= 0 the price of each shared limit b (a barrel in a week, money, moves, numbers of sites and villages) and
q >= 0 the price of a kg of each lot that several regions reach (mass m), the whole's cost is at least

    L(p, q) = sum over regions r of  min { c_r z_r + p A_r z_r + q x_r : z_r obeys r's own rows }  -  p b  -  q m

for any p and q (the Lagrangian; Geoffrion 1974, doi 10.1007/BFb0120690, from memory). Here costs are made least; a goal
that is made most of has its sign turned. Each round the regions answer prices with a relaxed plan of their *wide*
question; the master, a linear program over all answers so far (Dantzig and Wolfe 1960, doi 10.1287/opre.8.1.101),

    min sum w[r, c] cost[r, c]   with   sum w[r, c] use[r, c] <= b,   sum over c of w[r, c] = 1,   w >= 0

moves p; what is asked next lies between the best prices so far and the master's (Wentges 1997,
doi 10.1016/S0969-6016(97)00001-4, from memory), for the master's own jump about. The price q of a shared lot is the
dual of its mass in the wide question of the region it belongs to, which sees everybody who wants it; since L is a bound
for any prices, an imprecise q costs tightness, never truth.

Where lending has a cost, barrels are allotted: n[r, t] whole barrels stand in region r in week t, and each one brought
in from elsewhere pays. Then every region has its own price of a barrel-week, and the allotment is one more, small,
part of the Lagrangian. Shares of the limits follow the master's weights, whole things by largest remainder; each region
is solved in whole barrels within its share; what is left over is offered round again.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import sparse

from sourcing.errors import NoPlanError
from sourcing.placement import engine
from sourcing.placement.instance import Bools, Floats, Instance, Ints, dot
from sourcing.placement.model import Model, build, likely_links, linear_model
from sourcing.placement.solve import ROUGH, WHOLE_AT_ONCE, Placement, Status, solve, status_of, strengthen
from sourcing.placement.split import owners, sound
from sourcing.regions.cut import (
    Lending,
    Limits,
    Region,
    cut,
    joined,
    limits_of,
    shared_rows,
    together,
    use_of,
)

Source = Callable[[], Region]
"""Where a region comes from: called in the process that works on it, so that regions need not travel."""
Map = Callable[..., Iterable[Any]]
Progress = Callable[[str, float, float], None]
REACH = 0.05
"""How far prices may move at first from the best so far, as a share of them."""
DEAR = 20.0
"""A limit may be overstepped in the master for so many times the most that a unit of it was seen to be worth."""
NEAR = 0.01
"""Shares follow what regions take at prices that differ from the best by at most so much, brought down to what there
is: a region that gets a little less than it would take loses the little that a barrel more is worth."""
CLOSE = 0.2
"""Prices are good enough when master and bound differ by this share of the gap asked for."""
WHOLE_SHARE = 0.3
"""Share of a region's effort with which a small one is bounded in whole barrels."""
FIRST_PLANS = 0.8
"""Share of the effort left, once prices are settled, for each region's first plan; the rest is for pairs of regions."""
EFFORT_SHARE = 0.5
"""The effort of all regions together is this share of what one core of a usual laptop does in the time there is: so it
is spent before the clock ends it with one worker, too, or with some slow or lost."""
LEAST_S = 0.5
"""What one region may always take [s]."""
CALM = 3
"""After so many drawings of pairs without a gain worth having, the search ends."""
SMALL_MASS_KG = 1e-6


@dataclass(frozen=True)
class Ask:
    """Prices put to one region."""

    source: Source
    price: Floats
    """Of each shared limit [goal a unit], shape (M,)."""
    lot_price: Floats | None
    """Of each shared lot [goal a kg], shape (H,): the region's own question is bounded. None: the wide one is solved.
    """
    fleet: Floats | None
    """All barrels there are, shape (T,): the wide question gets its share of them, by its share of `hours`, in place of
    their prices. None: prices hold."""
    hours: float
    """Barrel-hours that all residue of the whole would take [h]."""
    effort_s: float
    """Effort for it, counted [s]; 0: nothing is solved, the region only says what it shares."""
    seconds: float
    """Most time for it [s]."""
    seed: int


@dataclass(frozen=True)
class Answer:
    """One region's answer to prices, in costs made least."""

    solved: bool
    """Whether its relaxed plan and prices mean anything."""
    bound: float
    """Least priced cost of its own question, or less."""
    cost: float
    """Cost of its own part of the relaxed plan, prices left out."""
    use: Floats
    """Use of each shared limit, shape (M,)."""
    lot_use: Floats
    """What it takes of each shared lot [kg], shape (H,)."""
    lot_price: Floats
    """Price of each shared lot that belongs to it, 0 for the others [goal a kg], shape (H,)."""
    idle: bool
    """Whether it may do nothing at all."""
    shared: Ints
    """Numbers of its shared lots in the whole, shape (H,)."""
    shared_kg: Floats
    """Their masses, shape (H,)."""
    owned: Bools
    """Which of them belong to it, shape (H,)."""
    limit_price: Floats
    """What one unit more of each limit was worth to it, where it had a share of them, shape (M,)."""
    hours: float
    """Barrel-hours that the residue it owns would take [h]."""
    sign: float
    effort_s: float
    """What it took, counted [s]."""


def answer(ask: Ask) -> Answer:
    """A region's answer to prices; a pure function of what it is asked."""
    region = ask.source()
    own = build(region.own)
    idle = own.lower.copy()
    common: dict[str, Any] = {
        "idle": bool(sound(own, idle)) and not own.lower.any(),
        "shared": region.lots[region.shared],
        "shared_kg": region.own.lot_mass_kg[region.shared],
        "owned": region.owned,
        "hours": _hours(region),
        "sign": own.sign,
    }
    found: dict[str, Any]
    if ask.lot_price is None and ask.effort_s > 0:
        found = _relaxed(region, own, ask)
    else:
        bound, took = (_loose(own, ask.price), 0.0) if ask.lot_price is None else _bound(region, own, ask)
        found = {
            "solved": False, "bound": bound, "effort_s": took, "cost": np.nan, "use": np.zeros(len(ask.price)),
            "lot_use": np.zeros(len(region.shared)), "lot_price": np.zeros(len(region.shared)),
            "limit_price": ask.price,
        }  # fmt: skip
    return Answer(**found, **common)


def priced(model: Model, price: Floats) -> tuple[Model, sparse.csr_matrix]:
    """The model without its shared rows, their prices in its costs instead; and those rows, shape (M, variables)."""
    rows = shared_rows(model)
    shared = model.matrix[rows]
    rest = np.setdiff1d(np.arange(model.shape[0]), rows)
    kept = replace(
        model,
        cost=model.cost + shared.T @ price,
        matrix=model.matrix[rest],
        row_lower=model.row_lower[rest],
        row_upper=model.row_upper[rest],
        rows={},
    )
    return kept, shared


def _loose(own: Model, price: Floats) -> float:
    """A quick bound on a region's priced cost, with its lots all its own."""
    free, _ = priced(own, price)
    return engine.safe_bound(free, np.zeros(free.shape[0]))


def _relaxed(region: Region, own: Model, ask: Ask) -> dict[str, Any]:
    """The wide question, relaxed: the region's own part of the plan, and the prices of the lots that belong to it."""
    it = region.wide
    model = likely_links(it, build(it))
    free, shared = priced(model, ask.price)
    if ask.fleet is not None:
        part = dot(it.lot_mass_kg, it.class_hours_per_kg[it.lot_class]) / max(ask.hours, 1e-9)
        fleet = model.rows["fleet"]
        free = replace(
            free,
            cost=model.cost + shared[it.weeks :].T @ ask.price[it.weeks :],
            matrix=sparse.vstack([free.matrix, model.matrix[fleet]], format="csr"),
            row_lower=np.r_[free.row_lower, np.full(it.weeks, -np.inf)],
            row_upper=np.r_[free.row_upper, np.maximum(ask.fleet * part, model.matrix[fleet] @ model.lower)],
        )
    outcome = engine.run(free, relaxed=True, interior=True, rough=ROUGH, seconds=ask.seconds, seed=ask.seed)
    z = model.lower if outcome.z is None else np.clip(outcome.z, model.lower, model.upper)
    of = owners(it, model)
    z = np.where((of >= 0) & region.wide_own[np.maximum(of, 0)], z, 0.0)
    price, limit_price = np.zeros(len(region.shared)), ask.price.copy()
    if outcome.row_duals is not None and ask.fleet is not None:
        limit_price[: it.weeks] = np.maximum(-outcome.row_duals[-it.weeks :], 0.0)
    if outcome.row_duals is not None:
        top = model.rows["lot_mass"].start  # rows taken out before it move it up
        at = top - int((shared_rows(model) < top).sum())
        row = at + np.searchsorted(np.unique(it.arc_lot), region.wide_shared)
        price = np.maximum(-outcome.row_duals[row], 0.0) * region.owned
    carried = np.bincount(it.arc_lot, weights=z[model.columns["x"]], minlength=len(it.lot_mass_kg))
    return {
        "solved": outcome.row_duals is not None and outcome.z is not None,
        "bound": _loose(own, ask.price),
        "effort_s": outcome.effort_s,
        "cost": dot(model.cost, z),
        "use": shared @ z,
        "lot_use": carried[region.wide_shared],
        "lot_price": price,
        "limit_price": limit_price,
    }


def _hours(region: Region) -> float:
    """Barrel-hours that all residue belonging to the region would take [h]."""
    it = region.own
    hours = it.lot_mass_kg * it.class_hours_per_kg[it.lot_class]
    hours[region.shared[~region.owned]] = 0.0
    return float(hours.sum())


def _bound(region: Region, own: Model, ask: Ask) -> tuple[float, float]:
    """No plan of the region costs less at these prices; small regions are bounded in whole barrels. And the effort."""
    it = region.own
    model = likely_links(it, own)
    of_lot = np.zeros(len(it.lot_mass_kg))
    of_lot[region.shared] = ask.lot_price
    cost = model.cost.copy()
    cost[model.columns["x"]] += of_lot[it.arc_lot]
    free, _ = priced(replace(model, cost=cost), ask.price)
    loose = engine.safe_bound(free, np.zeros(free.shape[0]))
    if free.shape[1] > WHOLE_AT_ONCE:
        outcome = engine.run(free, relaxed=True, interior=True, rough=ROUGH, seconds=ask.seconds, seed=ask.seed)
        return max(loose, outcome.bound), outcome.effort_s
    tight, outcome = strengthen(it, free, ask.seconds / 2, ask.seed)
    effort_s, seconds = ask.effort_s * WHOLE_SHARE, ask.seconds / 2
    whole = engine.run(tight, seconds=seconds, effort_s=effort_s, gap=1e-4, seed=ask.seed)
    return max(loose, outcome.bound, whole.bound), outcome.effort_s + whole.effort_s


# ------------------------------------------------------------------------------------------------------- the master


@dataclass
class _Columns:
    """All answers so far, by region."""

    region: list[int] = field(default_factory=list)
    cost: list[float] = field(default_factory=list)
    use: list[Floats] = field(default_factory=list)
    lots: list[Floats] = field(default_factory=list)

    def add(self, region: int, cost: float, use: Floats, lots: Floats) -> None:
        self.region.append(region)
        self.cost.append(cost)
        self.use.append(use)
        self.lots.append(lots)


@dataclass(frozen=True)
class _Mastered:
    """What the master makes of all answers so far."""

    cost: float
    price: Floats
    """Shape (R, M)."""
    weight: Floats
    """Of each answer, shape (C,)."""


def _master(
    columns: _Columns, regions: int, limits: Limits, lending: Lending | None, seconds: float,
    box: tuple[Floats, Floats] | None = None,
) -> _Mastered:  # fmt: skip
    """The linear program over all answers so far. Its limits can be overstepped at a dear price.

    `box` (low, high, each of shape (R, M)) holds its prices near those that have proven good (Marsten, Hogan and
    Blankenship 1975, doi 10.1287/opre.23.3.389): a unit more than the limit then costs the high price, and a unit left
    earns the low one.
    """
    weeks, of = limits.weeks, np.array(columns.region)
    least = np.flatnonzero(np.isfinite(limits.low))
    cost, use = np.array(columns.cost), np.array(columns.use)
    use = np.concatenate([use, -use[:, least]], axis=1)  # what must be reached from below is a limit turned round
    ends = np.r_[limits.high, -limits.low[least]][weeks:]
    c, m = use.shape
    worth = np.divide(np.abs(cost)[:, None], np.abs(use), out=np.zeros_like(use), where=np.abs(use) > 1e-9)
    dear = DEAR * np.maximum(worth.max(axis=0), 1e-9)
    everywhere = np.zeros(regions, dtype=np.int64) if lending is None else np.arange(regions)
    height = 1 if lending is None else regions
    # rows: the fleet by region (or once for all) and week; other limits; one weight a region; then the allotment's own
    fleet = (everywhere[of][:, None] * weeks + np.arange(weeks)).ravel()
    other = height * weeks + np.arange(m - weeks)
    start = height * weeks + m - weeks
    low_price, high_price = np.zeros(start), np.r_[np.tile(dear[:weeks], height), dear[weeks:]]
    if box is not None:
        low_price, high_price = (np.r_[b[:height, :weeks].ravel(), b[0, weeks:]] for b in _by_side(box, least))
    at = np.arange(start)
    entries = [
        (fleet, np.repeat(np.arange(c), weeks), use[:, :weeks].ravel()),
        (np.tile(other, c), np.repeat(np.arange(c), m - weeks), use[:, weeks:].ravel()),
        (start + of, np.arange(c), np.ones(c)), (at, c + at, -np.ones(start)), (at, c + start + at, np.ones(start)),
    ]  # fmt: skip
    costs = [cost, high_price, -low_price]
    slack = np.tile(np.r_[np.tile(limits.fleet + 1, height), np.abs(ends) + 1], 2) * 1e3
    ends = np.r_[np.tile(limits.fleet, height) if lending is None else np.zeros(height * weeks), ends, np.ones(regions)]
    uppers, lows, highs = [np.ones(c), slack], [ends], [ends]
    if lending is not None:
        first = c + 2 * start
        a_cost, a_upper, a_entries, a_low, a_high = _allotment(limits, lending, first, start + regions)
        every = np.arange(regions * weeks)
        entries += [*a_entries, (every, first + every, -np.ones(len(every)))]
        costs, uppers = [*costs, a_cost], [*uppers, a_upper]
        lows, highs = [*lows, a_low], [*highs, a_high]
    low, high = np.concatenate(lows), np.concatenate(highs)
    upper = np.concatenate(uppers)
    matrix = sparse.csr_matrix(
        (np.concatenate([e[2] for e in entries]),
         (np.concatenate([e[0] for e in entries]), np.concatenate([e[1] for e in entries]))),
        shape=(len(low), len(upper)),
    )  # fmt: skip
    program = linear_model(np.concatenate(costs), np.zeros(len(upper)), upper, matrix, low, high)
    outcome = engine.run(program, relaxed=True, seconds=seconds)
    if outcome.z is None or outcome.row_duals is None:
        raise NoPlanError("no plan can meet all the wishes at once")
    dual = -outcome.row_duals
    barrel = dual[: height * weeks].reshape(height, weeks)
    barrel = np.broadcast_to(barrel, (regions, weeks)) if lending is None else barrel
    rest = dual[other]
    rest[least - weeks] -= rest[len(limits.high) - weeks :]
    rest = rest[: len(limits.high) - weeks]
    price = np.concatenate([barrel, np.broadcast_to(rest, (regions, len(rest)))], axis=1)
    return _Mastered(dot(program.cost, outcome.z), price, outcome.z[:c])


def _by_side(box: tuple[Floats, Floats], least: Ints) -> tuple[Floats, Floats]:
    """Ends of prices, with those of limits from below as limits turned round; none below 0."""
    low, high = box
    return (
        np.maximum(np.concatenate([low, -high[:, least]], axis=1), 0.0),
        np.maximum(np.concatenate([high, -low[:, least]], axis=1), 0.0),
    )


def _allotment(limits: Limits, lending: Lending, first: int, top: int) -> tuple[Any, ...]:
    """Barrels allotted, and brought: cost, upper ends, entries, low and high ends of rows from `top`, columns `first`.

    sum over r of n[r, t] <= fleet[t];   n[r, t] - n[r, t-1] <= brought[r, t]
    """
    regions, weeks = len(lending.cost), limits.weeks
    size = regions * weeks
    n, week = first + np.arange(size), np.tile(np.arange(weeks), regions)
    at = top + weeks + np.arange(size)
    later = np.flatnonzero(week > 0)
    before = np.zeros((regions, weeks))
    before[:, 0] = np.inf if lending.home is None else lending.home
    entries = [
        (top + week, n, np.ones(size)), (at, n, np.ones(size)), (at[later], n[later - 1], -np.ones(len(later))),
        (at, n + size, -np.ones(size)),
    ]  # fmt: skip
    cost = np.r_[np.zeros(size), np.repeat(lending.cost, weeks)]
    upper = np.tile(np.tile(limits.fleet, regions), 2)
    return cost, upper, entries, np.full(weeks + size, -np.inf), np.r_[limits.fleet, before.ravel()]


def allotted(limits: Limits, lending: Lending, needed: Floats, price: Floats | None = None) -> tuple[float, Floats]:
    """The cheapest allotment: cost less what barrels earn at `price` (R, T), and barrels allotted (R, T).

    At least `needed` (R, T) stand in each region. A network of barrels over weeks, so whole needs give whole barrels.
    The cost is a safe bound, for any price.
    """
    regions, weeks = needed.shape
    cost, upper, entries, low, high = _allotment(limits, lending, 0, 0)
    if price is not None:
        cost[: regions * weeks] -= price.ravel()
    matrix = sparse.csr_matrix(
        (np.concatenate([e[2] for e in entries]),
         (np.concatenate([e[0] for e in entries]), np.concatenate([e[1] for e in entries]))),
        shape=(len(low), len(upper)),
    )  # fmt: skip
    lower = np.zeros(len(upper))
    lower[: regions * weeks] = needed.ravel()
    outcome = engine.run(linear_model(cost, lower, upper, matrix, low, high), relaxed=True)
    if outcome.z is None:
        raise NoPlanError("the regions need more barrels than there are")
    return outcome.bound, outcome.z[: regions * weeks].reshape(regions, weeks)


# ------------------------------------------------------------------------------------------------------ whole barrels


@dataclass(frozen=True)
class Share:
    """What one region, or a few together, may have of everything, to be planned in whole barrels."""

    sources: tuple[Source, ...]
    limits: Limits
    """Their share of the limits."""
    lot_kg: tuple[Floats, ...]
    """What they may take together of each shared lot [kg], for each region's shared lots, shape (H,)."""
    gap: float
    effort_s: float | None
    """Effort for it, counted [s]; None: what suits `seconds`."""
    seconds: float
    """Most time for it [s]."""
    seed: int


@dataclass(frozen=True)
class Made:
    """A region's plan in whole barrels, and what it uses."""

    plan: Placement
    use: Floats
    """Of each shared limit, shape (M,)."""
    lot_use: Floats
    """Of each shared lot [kg], shape (H,)."""
    effort_s: float
    """What it took, counted [s]."""


def plan_share(share: Share) -> tuple[Made, ...] | None:
    """The best plan of each region within their share; None when there is none. A pure function of the share."""
    regions = [source() for source in share.sources]
    it, lots = together(regions)
    mass = it.lot_mass_kg.copy()
    for region, kg in zip(regions, share.lot_kg, strict=True):
        mass[np.searchsorted(lots, region.lots[region.shared])] = kg
    mass = np.minimum(mass, it.lot_mass_kg)
    try:
        plan = solve(
            _within(it, mass, share.limits), gap=share.gap, seconds=share.seconds, effort_s=share.effort_s,
            seed=share.seed, prove=False,
        )  # fmt: skip
        if len(regions) == 1:
            return (_made(regions[0], plan, share.limits),)
        return tuple(_own_part(it, lots, plan, regions, n, share) for n in range(len(regions)))
    except NoPlanError:
        return None


def _own_part(it: Instance, lots: Ints, plan: Placement, regions: list[Region], n: int, share: Share) -> Made:
    """One region's part of a plan of several: its barrels as they stand there, and what it takes of each lot."""
    region = regions[n]
    begin = sum(len(r.sites) for r in regions[:n])
    mine = (it.arc_site >= begin) & (it.arc_site < begin + len(region.sites))
    taken = np.bincount(it.arc_lot[mine], weights=plan.x[mine], minlength=len(lots))
    mass: Floats = taken[np.searchsorted(lots, region.lots)].astype(np.float64) * (1 + 1e-9)
    barrels = plan.barrels[begin : begin + len(region.sites)]
    free = replace(share.limits, low=np.full_like(share.limits.low, -np.inf))
    alone = _within(region.own, mass, free)
    wishes = replace(alone.wishes, barrels_least=barrels, barrels_most=barrels)
    again = solve(
        replace(alone, wishes=wishes), gap=1e-6, seconds=share.seconds, effort_s=share.effort_s, seed=share.seed
    )
    return _made(region, replace(again, effort_s=again.effort_s + plan.effort_s / len(regions)), share.limits)


def _made(region: Region, plan: Placement, limits: Limits) -> Made:
    taken = np.bincount(region.own.arc_lot, weights=plan.x, minlength=len(region.lots)).astype(np.float64)
    return Made(plan, use_of(region.own, plan, limits), taken[region.shared], plan.effort_s)


def _within(it: Instance, mass: Floats, limits: Limits) -> Instance:
    """The question with these masses of its lots, and these limits in place of the whole's."""
    low = {name: limits.low[block] for name, block in limits.rows}
    high = {name: limits.high[block] for name, block in limits.rows}
    wishes, moves, villages = it.wishes, it.moves, it.villages
    if "budget" in high:
        wishes = replace(wishes, budget=float(high["budget"][0]))
    if "site_number" in high:
        least = max(low["site_number"][0], 0.0)
        wishes = replace(wishes, sites_least=int(least), sites_most=int(high["site_number"][0]))
    if moves is not None and "most_moves" in high:
        moves = replace(moves, most=high["most_moves"])
    if villages is not None and "village_number" in high:
        least = max(low["village_number"][0], 0.0)
        villages = replace(villages, least=int(least), most=int(high["village_number"][0]))
    fleet = np.round(high["fleet"]).astype(np.int64)
    return replace(it, lot_mass_kg=mass, fleet=fleet, wishes=wishes, moves=moves, villages=villages)


def largest_remainder(wanted: Floats, total: Floats) -> Floats:
    """Whole shares (R, M) of whole totals (M,) near what is wanted (R, M), never more than the totals in sum."""
    asked = wanted.sum(axis=0)
    wanted = wanted * np.where(asked > total, total / np.maximum(asked, 1e-9), 1.0)
    floor: Floats = np.floor(wanted + 1e-6)
    rest = wanted - floor
    spare = np.minimum(np.ceil(wanted.sum(axis=0) - 1e-6), total) - floor.sum(axis=0)
    for j in np.flatnonzero(spare > 0):
        for r in np.argsort(-rest[:, j], kind="stable")[: int(spare[j])]:
            floor[r, j] += 1
    return floor


# ------------------------------------------------------------------------------------------------------- the whole


@dataclass(frozen=True)
class Joint:
    """What came of planning by regions."""

    plans: tuple[Placement, ...]
    """Of each region, in order."""
    value: float
    """Value of the goal over all regions, less what lending costs."""
    bound: float
    """No plan of the whole is better."""
    gap: float
    lending_cost: float
    allotment: Ints
    """Barrels allotted to each region in each week, shape (R, T)."""
    price: Floats
    """Price of one barrel more in each region and week [goal], shape (R, T)."""
    rounds: int
    seconds: float
    status: Status
    """What ended the search, as in :class:`sourcing.placement.solve.Placement`."""


class _Work:
    """The search: prices, answers, plans. Lives only inside :func:`solve_regions`.

    What it does next hangs on `effort_s`, the counted effort that is left [s], so that workers lost or slow change
    nothing; only where the clock comes first does that end it.
    """

    def __init__(
        self, sources: Sequence[Source], limits: Limits, lending: Lending | None, gap: float, effort_s: float,
        seconds: float, seed: int, tell: Progress, map: Map, hands: int,
    ) -> None:  # fmt: skip
        self.sources, self.limits, self.lending = sources, limits, lending
        self.gap, self.seed, self.tell, self.map, self.hands = gap, seed, tell, map, hands
        self.until = time.monotonic() + seconds
        self.effort_s = effort_s
        self.count = len(sources)
        self.columns = _Columns()
        self.first: list[Answer] = []
        self.bound = -np.inf  # in costs made least, like all here
        self.made: list[Made | None] = [None] * self.count
        self.draw = np.random.default_rng(seed)
        self.sign = -1.0
        self.lot_at: list[Ints] = []

    @property
    def left(self) -> float:
        return max(self.until - time.monotonic(), 0.0)

    def each(self, share: float) -> tuple[float, float]:
        """Effort and seconds for one region, when all of them may take this share of what is left."""
        seconds = share * self.left * self.hands / self.count
        return max(share * self.effort_s / self.count, LEAST_S), max(seconds, LEAST_S)

    # prices

    def settle(self, start: Floats | None, rounds: int, share: float) -> tuple[Floats, Floats, Floats, int]:
        """The best prices found: of limits (R, M) and shared lots (all); the master's weights; and the rounds made.

        Without prices to start from, every region first gets its share of the fleet, and says what a barrel more is
        worth to it; the mean of that, by the residue they have, is close already.
        """
        stop, enough = time.monotonic() + share * self.left, (1 - share) * self.effort_s
        price = np.zeros((self.count, len(self.limits.high)))
        self._meet(self.ask(price, None, meeting=True), price)
        best, best_lots, reach, done = -np.inf, np.zeros(len(self.lots)), REACH, 0
        if self.lending is not None:  # what regions do when barrels cost nothing, for prices that differ between them
            self._add(self.ask(price, None))
        if start is None:
            hours = np.array([a.hours for a in self.first])
            asked = self.ask(price, self.limits.fleet, float(hours.sum()))
            self._add(asked)
            weights = np.array([a.hours * a.solved + 1e-9 for a in asked])
            told = np.array([a.limit_price for a in asked])
            price = np.tile(np.average(told, axis=0, weights=weights), (self.count, 1))
            best_lots = self._lot_prices(asked)
        else:
            price = price + start
        best_price = price
        for turn in range(rounds):
            if self.effort_s < enough or time.monotonic() > stop:
                break
            answers = self.ask(price, None)
            self._add(answers)
            lots = self._lot_prices(answers)
            worth = sum(a.cost + dot(p, a.use) for a, p in zip(answers, price, strict=True)) + self._paid(price)
            if worth > best:
                best, best_price, best_lots = worth, price, lots
                reach *= 1.0 if turn == 0 else 1.5
            else:
                reach /= 2.0
            done = turn + 1
            width = reach * (np.abs(best_price) + best_price.mean(axis=1, keepdims=True) / 4 + 1e-9)
            found = self.master((best_price - width, best_price + width))
            self.tell("prices", np.nan, self.sign * worth)
            near = abs(found.cost - best) <= CLOSE * self.gap * max(abs(found.cost), 1e-9)
            if near or reach < REACH / 50:
                break
            price = found.price
        near_best = None if self.lending is not None else (best_price * (1 - NEAR), best_price * (1 + NEAR))
        return best_price, best_lots, self.master(near_best).weight, done

    def master(self, box: tuple[Floats, Floats] | None) -> _Mastered:
        return _master(self.columns, self.count, self.limits, self.lending, max(self.left, 1.0), box)

    def ask(self, price: Floats, fleet: Floats | None, hours: float = 0.0, meeting: bool = False) -> list[Answer]:
        """Every region's answer to prices (R, M), or to its share of the fleet."""
        effort_s, seconds = (0.0, 0.0) if meeting else self.each(0.5)
        asks = [
            Ask(s, p, None, fleet, hours, effort_s, seconds, self.seed)
            for s, p in zip(self.sources, price, strict=True)
        ]
        return self._answers(asks)

    def _answers(self, asks: list[Ask]) -> list[Answer]:
        answers = list(self.map(answer, asks))
        self._took(sum(a.effort_s for a in answers))
        return answers

    def _took(self, effort_s: float) -> None:
        self.effort_s = max(self.effort_s - effort_s, 0.0)

    def _add(self, answers: list[Answer]) -> None:
        for r, a in enumerate(answers):
            if a.solved:
                self.columns.add(r, a.cost, a.use, a.lot_use)

    def _meet(self, answers: list[Answer], price: Floats) -> None:
        """What is learnt of the regions before anything is asked of them."""
        self.bound = sum(a.bound for a in answers) + self._paid(price)
        self.first, self.sign = answers, answers[0].sign
        for r, a in enumerate(answers):
            if a.idle:
                self.columns.add(r, 0.0, np.zeros(len(a.use)), np.zeros(len(a.lot_use)))
        every = np.concatenate([a.shared for a in answers])
        self.lots, which = np.unique(every, return_inverse=True)
        ends = np.cumsum([len(a.shared) for a in answers])[:-1]
        self.lot_at = np.split(which.reshape(-1), ends)
        self.lot_kg = np.zeros(len(self.lots))
        for at, a in zip(self.lot_at, answers, strict=True):
            self.lot_kg[at] = a.shared_kg

    def _lot_prices(self, answers: list[Answer]) -> Floats:
        price = np.zeros(len(self.lots))
        for at, a in zip(self.lot_at, answers, strict=True):
            np.maximum.at(price, at, a.lot_price)
        return price

    def _paid(self, price: Floats) -> float:
        """What the limits' own side of the Lagrangian comes to at prices (R, M)."""
        weeks, limits = self.limits.weeks, self.limits
        other = price[0, weeks:]
        paid = -float(np.where(other >= 0, other * limits.high[weeks:], 0.0).sum())
        paid -= float(sum(p * low for p, low in zip(other, limits.low[weeks:], strict=True) if p < 0))
        if self.lending is None:
            return paid - float(price[:, :weeks].max(axis=0) @ limits.fleet)
        none = np.zeros((self.count, weeks))
        return paid + allotted(limits, self.lending, none, price[:, :weeks])[0]

    def prove(self, price: Floats, lots: Floats, share: float) -> None:
        """A bound on the whole at these prices, kept where it is better."""
        asks = [
            Ask(s, p, lots[at], None, 0.0, *self.each(share), self.seed)
            for s, p, at in zip(self.sources, price, self.lot_at, strict=True)
        ]
        total = sum(a.bound for a in self._answers(asks))
        self.bound = max(self.bound, total + self._paid(price) - dot(lots, self.lot_kg))
        self.tell("bound", np.nan, self.sign * self.bound)

    # whole barrels

    def shares(self, weight: Floats) -> tuple[Floats, list[Floats]]:
        """What each region gets of the limits (R, M) and of its shared lots, after the master's weights."""
        m = len(self.limits.high)
        use, lots = np.zeros((self.count, m)), [np.zeros(len(at)) for at in self.lot_at]
        for r, w, u, taken in zip(self.columns.region, weight, self.columns.use, self.columns.lots, strict=True):
            use[r] += w * u
            lots[r] += w * taken
        use = np.maximum(use, 0.0)
        total = use.sum(axis=0)
        if self.lending is None:  # what nobody uses is shared out too: whole barrels need room
            free = np.maximum(self.limits.high - total, 0.0)
            by = np.where(total > 1e-9, use / np.maximum(total, 1e-9), 1.0 / self.count)
            use = use + free * by
        over = np.maximum(total / np.maximum(self.limits.high, 1e-9), 1.0)
        use = use / over
        got = np.where(self.limits.whole, largest_remainder(use, self.limits.high), use)
        taken = np.zeros(len(self.lots))
        for at, kg in zip(self.lot_at, lots, strict=True):
            taken[at] += kg
        given = []
        for at, kg, a in zip(self.lot_at, lots, self.first, strict=True):
            part = np.divide(kg, taken[at], out=a.owned.astype(np.float64), where=taken[at] > SMALL_MASS_KG)
            given.append(part * self.lot_kg[at])
        return got, given

    def least(self, got: Floats) -> Floats:
        """Fewest sites and villages of each region (R, M), which sum to what is asked of the whole."""
        low = np.full_like(got, -np.inf)
        for j in np.flatnonzero(np.isfinite(self.limits.low)):
            total = max(got[:, j].sum(), 1e-9)
            low[:, j] = largest_remainder(got[:, [j]] * self.limits.low[j] / total, self.limits.low[[j]])[:, 0]
        return low

    def whole(self, got: Floats, given: list[Floats], share: float) -> None:
        """Every region planned in whole barrels within its share."""
        low = self.least(got)
        hours = np.array([a.hours for a in self.first])
        part = share * hours / max(hours.sum(), 1e-9)
        effort_s, seconds = (
            np.maximum(part * self.effort_s, LEAST_S),
            np.maximum(part * self.left * self.hands, LEAST_S),
        )
        tasks = [
            Share(
                (s,), replace(self.limits, low=low[r], high=got[r]), (given[r],), self.gap / 2,
                float(effort_s[r]), min(float(seconds[r]), self.left), self.seed,
            )
            for r, s in enumerate(self.sources)
        ]  # fmt: skip
        for r, made in enumerate(self.map(plan_share, tasks)):
            self.made[r] = None if made is None else made[0]
            self._took(0.0 if made is None else made[0].effort_s)
            self.tell("regions", self.value(), self.sign * self.bound)

    def rest(self) -> None:
        """Regions without a plan yet do nothing, where that is allowed."""
        none = replace(self.limits, low=np.full_like(self.limits.low, -np.inf), high=np.zeros_like(self.limits.high))
        for r, source in enumerate(self.sources):
            if self.made[r] is None:
                lots = np.zeros(len(self.lot_at[r]) if self.lot_at else len(source().shared))
                made = plan_share(Share((source,), none, (lots,), self.gap, 60.0, 60.0, self.seed))
                if made is None:
                    raise NoPlanError("some region has no plan within its share of the barrels")
                self.made[r] = made[0]

    def value(self) -> float:
        if any(m is None for m in self.made):
            return np.nan
        return sum(m.plan.value for m in self.made if m is not None) - self.lent()[0]

    def reached(self) -> float:
        """How far any plan could be better than the one in hand, as a share of its value."""
        value = self.value()
        return max(self.sign * self.bound - value, 0.0) / max(abs(value), 1e-9)

    def again(self) -> float:
        """Pairs of regions planned anew with what they have and their share of what is left over; the value gained."""
        before = self.value()
        pairs = self.pairs()
        made = [m for m in self.made if m is not None]
        used = np.array([m.use for m in made])
        spare = np.maximum(self.limits.high - used.sum(axis=0), 0.0)
        part = np.tile(spare / len(pairs), (len(pairs), 1))
        part = part[self.draw.permutation(len(pairs))]
        part = np.where(self.limits.whole, largest_remainder(part, np.floor(spare + 1e-6)), part)
        over = used.sum(axis=0) - self.limits.low  # nobody falls below what the whole needs: pairs keep what they have
        taken, users = np.zeros(len(self.lots)), np.zeros(len(self.lots))
        for at, m in zip(self.lot_at, made, strict=True):
            taken[at] += m.lot_use
        for pair in pairs:
            users[np.unique(np.concatenate([self.lot_at[r] for r in pair]))] += 1
        free = np.maximum(self.lot_kg - taken, 0.0) / np.maximum(users, 1)
        effort_s = max(self.effort_s / len(pairs) / 2, LEAST_S)
        seconds = max(self.left * self.hands / len(pairs) / 2, LEAST_S)
        tasks = []
        for pair, more in zip(pairs, part, strict=True):
            mine = np.zeros(len(self.lots))
            for r in pair:
                mine[self.lot_at[r]] += made[r].lot_use
            use = used[list(pair)].sum(axis=0)
            low = np.where(np.isfinite(over), use, -np.inf)
            tasks.append(Share(
                tuple(self.sources[r] for r in pair), replace(self.limits, low=low, high=use + more),
                tuple((mine + free)[self.lot_at[r]] for r in pair), self.gap / 4, effort_s, seconds, self.seed,
            ))  # fmt: skip
        for pair, new in zip(pairs, self.map(plan_share, tasks), strict=True):
            if new is None:
                continue
            self._took(sum(m.effort_s for m in new))
            had, value = [self.made[r] for r in pair], self.value()
            for r, m in zip(pair, new, strict=True):
                self.made[r] = m
            if not self.value() > value:
                for r, old in zip(pair, had, strict=True):
                    self.made[r] = old
        self.tell("pairs", self.value(), self.sign * self.bound)
        return self.value() - before

    def pairs(self) -> list[tuple[int, ...]]:
        """The regions drawn into pairs: each with one that shares lots with it where there is one left."""
        free = np.ones(self.count, dtype=bool)
        holders: dict[int, list[int]] = {}
        for r, at in enumerate(self.lot_at):
            for lot in at.tolist():
                holders.setdefault(lot, []).append(r)
        found: list[tuple[int, ...]] = []
        for r in self.draw.permutation(self.count).tolist():
            if not free[r]:
                continue
            free[r] = False
            near = [o for lot in self.lot_at[r].tolist() for o in holders[lot] if free[o]]
            others = near or np.flatnonzero(free).tolist()
            if others:
                other = int(others[self.draw.integers(len(others))])
                free[other] = False
                found.append((r, other))
            else:
                found.append((r,))
        return found

    def standing(self) -> Floats:
        return np.array([m.plan.barrels.sum(axis=0) for m in self.made if m is not None], dtype=np.float64)

    def lent(self) -> tuple[float, Floats]:
        if self.lending is None:
            return 0.0, self.standing()
        return allotted(self.limits, self.lending, self.standing())


def solve_regions(
    sources: Sequence[Source],
    limits: Limits,
    *,
    lending: Lending | None = None,
    gap: float = 0.01,
    seconds: float = 300.0,
    effort_s: float | None = None,
    seed: int = 1,
    rounds: int = 30,
    start: Floats | None = None,
    progress: Progress | None = None,
    map: Map = map,
    hands: int = 1,
) -> Joint:
    """The best plan of all regions together found in `seconds`, and a bound on any.

    The search ends with `effort_s`, counted (left out, what usual cores do well within `seconds`): then it comes to the
    same plan however many workers there are, slow or lost. The clock ends it sooner only where they take too long.
    `sources` give the regions where they are worked on; `map` carries the work (a process pool's, Dask's), `hands` of
    it side by side. `start` are first prices of the limits (M,), such as those of last time. Ctrl-C ends the search:
    the best so far comes back with its true gap. Raises NoPlanError when some region has no plan within its share.
    """
    began = time.monotonic()
    tell = progress or (lambda step, value, bound: None)
    if len(sources) == 1 and lending is None:
        return _alone(sources[0], limits, gap, effort_s, seconds, seed, map)
    allowed = EFFORT_SHARE * seconds if effort_s is None else effort_s
    work = _Work(sources, limits, lending, gap, allowed, seconds, seed, tell, map, hands)
    price, done = np.zeros((len(sources), len(limits.high))), 0
    ended: Status = "interrupted"
    with contextlib.suppress(KeyboardInterrupt):  # ends the search like the end of the time
        price, lots, weight, done = work.settle(start, rounds, 0.35)
        work.prove(price, lots, 0.4)
        work.whole(*work.shares(weight), FIRST_PLANS)
        calm = 0
        while len(sources) > 1 and calm < CALM and min(work.left, work.effort_s) > 1.0 and work.reached() > gap:
            calm = calm + 1 if work.again() <= gap / 10 * abs(work.bound) else 0
        ended = "effort" if work.left > 0 else "time"
    work.rest()
    value, bound = work.value(), work.sign * work.bound
    cost, allotment = work.lent()
    plans = tuple(m.plan for m in work.made if m is not None)
    reached = work.reached()
    return Joint(
        plans, value, bound, reached, cost, np.round(allotment).astype(np.int64), price[:, : limits.weeks], done,
        time.monotonic() - began, status_of(reached, gap, ended),
    )  # fmt: skip


def _alone(
    source: Source, limits: Limits, gap: float, effort_s: float | None, seconds: float, seed: int, map: Map
) -> Joint:
    """One region is the whole: nothing is priced."""
    mass = np.full(len(source().shared), np.inf)
    made = next(iter(map(plan_share, [Share((source,), limits, (mass,), gap, effort_s, seconds, seed)])))
    if made is None:
        raise NoPlanError("no plan can meet all the wishes at once, or none was found in the time there was")
    plan = made[0].plan
    standing = plan.barrels.sum(axis=0)[None]
    return Joint(
        (plan,), plan.value, plan.bound, plan.gap, 0.0, standing, np.zeros(standing.shape), 0, plan.seconds, plan.status
    )  # fmt: skip


def solve_in_regions(
    it: Instance, region_of_village: Ints, *, lending: Lending | None = None, **options: Any
) -> tuple[Joint, Placement]:
    """A question held whole in memory, solved by regions: the joint result, and the whole's plan for the checker.

    The plan's own value and bound leave lending out (add its cost to both). Raises as `cut` and `solve_regions`.
    """
    regions = cut(it, region_of_village)
    joint = solve_regions([_Given(r) for r in regions], limits_of(it), lending=lending, **options)
    plan = joined(it, regions, joint.plans, joint.bound + joint.lending_cost, options.get("gap", 0.01))
    return joint, plan


@dataclass(frozen=True)
class _Given:
    """A region at hand."""

    region: Region

    def __call__(self) -> Region:
        return self.region
