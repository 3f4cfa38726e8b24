"""Large work: linear globally, whole barrels locally.

The linear relaxation of the whole is solved once: it bounds everything. Sites are then gathered into clusters that
share residue. Cluster by cluster the relaxed plan is replaced by one in whole barrels, all else standing as it is; what
a cluster leaves unused is there for the next. Then the clusters are redrawn across the old borders and improved again
from the plan in hand, until the gap asked for is reached or the time is up. The relaxation spreads
barrels thinly over many sites; those it hardly uses are left out at first and come back in the later passes. Where
what stands in one week matters to the next (a crew for each week at a site, barrels that are moved), larger clusters
are also improved a span of weeks at a time: such passes take turns with the others, each kind as long as it gains.
Clusters of one wave are solved side by side, each with its share of what is left of every limit, so their answers
always fit together.

Nothing here knows which rule a row stands for: a cluster is the model with everything outside it fixed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import sparse

from sourcing.placement import engine
from sourcing.placement.bound import COLUMNS
from sourcing.placement.instance import Floats, Instance, Ints, dot
from sourcing.placement.model import INF, Model, part_of

WAVE = 8
"""Clusters solved side by side before their leavings are shared out again."""
CLUSTER_COLUMNS = 1000
"""Variables in a cluster of the first pass, about; the more rules there are, the fewer sites that is."""
GROWTH = 1.7
"""How much larger the clusters of each further pass are."""
WHOLE_ROWS = ("fleet", "most_moves", "site_number", "village_number")
"""Rows that count whole things: a cluster's share of them is rounded to whole ones, by largest remainder."""
FIRST_SHARE = 2.0
"""Most of what effort there is for each cluster that a cluster of the first pass may take: many take little."""
FIRST_LOOKS = 24
"""Looks that a cluster of the first pass may always take: with fewer it comes to nothing, and so does the plan."""
LOOKS, LATER_SHARE = 48, 0.25
"""Most looks at a cluster of a later pass, and most of the effort left that they may take. Fewer looks find too little
in each cluster, more leave too few clusters looked at (measured on the demo: 28 looks 41,900, 48 looks 43,200, 80 looks
42,700; and on a region of a register)."""
LEAST_EFFORT_S = 0.2
"""What a cluster may always take [s]."""
SPAN_SITES, SPAN_WEEKS = 4.0, 0.25
"""Where weeks are tied, other passes free only some weeks, this share of the season, of so many times as many sites:
which sites have barrels or a crew in which weeks is a matter between many sites and few weeks."""
SETTLING_S = 2.0
"""Time that making a plan exactly whole always gets [s]."""
TOLERANCE = 1e-6
GATHERED_ROUGH = 1e-5
"""How exact the relaxations are by which barrels are drawn together; only a start comes of them, no bound."""
GATHERING_EFFORT = 0.4
"""They end when they have taken about this share of the effort, and are not counted as part of it."""
PROMISING_SHARE = 0.1
"""A site that the relaxed plan uses for less than a barrel in this share of the weeks is left out at first."""

GATHERINGS = 3
"""Most rounds in which barrels are drawn together, where each week at a site costs a crew."""
FEWEST_STOOD = 0.25
"""A site-week with fewer barrels than this in the round before is charged as if it had had so many."""
HALF, ALMOST_NONE = 0.5, 0.02
"""A crew goes where the drawn-together plan has more barrels than this: the first that leaves a plan possible."""


@dataclass(frozen=True)
class Task:
    """One cluster's program, and with what effort and how well to solve it."""

    model: Model
    start: Floats | None
    effort_s: float
    gap: float
    slack: float
    """Absolute gap that is good enough."""
    seed: int
    until: float
    """The clock's reading (time.monotonic) at which all must be done."""
    halt: engine.Stop
    """Asked to stop, a cluster ends with what it has."""


def solve_task(task: Task) -> engine.Outcome:
    """A cluster in whole barrels, made exactly whole."""
    seconds = task.until - time.monotonic()
    if seconds <= 0 or task.halt.asked:
        return engine.Outcome("interrupted" if task.halt.asked else "time", None, INF, -INF, None, 0.0)
    if task.start is not None and not engine.worth_beginning(task.model, task.effort_s):
        return engine.Outcome("effort", None, INF, -INF, None, 0.0)
    outcome = engine.run(
        task.model, seconds=seconds, effort_s=task.effort_s, gap=task.gap, slack=task.slack, seed=task.seed,
        start=task.start, halt=task.halt,
    )  # fmt: skip
    if outcome.z is None or not task.model.whole.any():
        return outcome
    left = 0.0 if outcome.end == "interrupted" else task.until - time.monotonic()
    z = settled(task.model, outcome.z, max(SETTLING_S, left))
    if z is None:
        return replace(outcome, z=None)
    return replace(outcome, z=z, objective=dot(task.model.cost, z))


def settled(model: Model, z: Floats, seconds: float = INF) -> Floats | None:
    """The same plan with barrels exactly whole and the rest solved again for them; None when that cannot be."""
    whole = np.round(z[model.whole])
    lower, upper = model.lower.copy(), model.upper.copy()
    lower[model.whole] = whole
    upper[model.whole] = whole
    again = engine.run(replace(model, lower=lower, upper=upper), relaxed=True, seconds=seconds)
    if again.end == "optimal" and again.z is not None:
        z = again.z.copy()
    elif again.end == "infeasible" or not sound(model, z):
        return None
    z = np.clip(z, model.lower, model.upper)
    z[model.whole] = whole
    return z


def owners(it: Instance, model: Model) -> Ints:
    """Site to which each variable belongs, -1 for what belongs to all; a village's variables go with its first site."""
    owner = np.full(model.shape[1], -1, dtype=np.int64)
    sites, weeks = np.arange(it.sites), it.weeks
    _, first = np.unique(it.site_village, return_index=True)
    village_site = np.full(it.village_count, -1, dtype=np.int64)
    village_site[it.site_village[first]] = first
    of = {
        "x": it.arc_site, "u": model.groups.site[model.groups.u_group], "y": np.repeat(sites, weeks),
        "on": np.repeat(sites, weeks), "open": sites, "deploy": village_site, "arrive": np.repeat(sites, weeks),
        "enter": np.repeat(village_site, weeks), "change": np.repeat(sites, weeks),
    }  # fmt: skip
    for name, block in model.columns.items():
        if name in of:
            owner[block] = of[name]
    return owner


def site_links(it: Instance) -> sparse.csr_matrix:
    """How much residue each two sites compete for [kg], shape (S, S)."""
    share = sparse.csr_matrix(
        (np.sqrt(it.lot_mass_kg[it.arc_lot]), (it.arc_lot, it.arc_site)), shape=(len(it.lot_mass_kg), it.sites)
    )
    links = (share.T @ share).tolil()
    links.setdiag(0)
    return links.tocsr()


def promising(it: Instance, model: Model, z: Floats) -> npt.NDArray[np.bool_]:
    """Sites that the relaxed plan really uses, or that the wishes ask for, shape (S,)."""
    weeks = z[model.columns["y"]].reshape(it.sites, it.weeks).sum(axis=1)
    return _with_heads(it, _asked(it, model) | (weeks >= PROMISING_SHARE * it.weeks))


def _asked(it: Instance, model: Model) -> npt.NDArray[np.bool_]:
    """Sites that the wishes ask for, shape (S,)."""
    asked = np.zeros(it.sites, dtype=bool)
    owner = owners(it, model)
    asked[owner[(model.lower > 0) & (owner >= 0)]] = True
    if it.wishes.village_least is not None:
        asked |= it.wishes.village_least[it.site_village].any(axis=1)
    return asked


def _with_heads(it: Instance, used: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """These sites, and the first site of each of their villages, with which the village's own variables go."""
    villages, first = np.unique(it.site_village, return_index=True)
    heads = np.zeros(it.sites, dtype=bool)
    heads[first[np.isin(villages, it.site_village[used])]] = True
    return np.asarray(used | heads)


@dataclass(frozen=True)
class Start:
    """What the first pass begins with: a relaxed plan, the sites it may use, and the bounds it keeps."""

    z: Floats
    used: npt.NDArray[np.bool_]
    lower: Floats
    upper: Floats


def chosen(it: Instance, model: Model, z: Floats, effort_s: float, until: float, seed: int) -> Start:
    """The relaxed plan on the promising sites alone; what it carries to the others is left for the clusters to take."""
    if it.crew_cost.any():
        return gathered(it, model, z, effort_s, until, seed)
    used = promising(it, model, z)
    if not used.any() or it.goal == "clear":
        return Start(z, np.ones(it.sites, dtype=bool), model.lower, model.upper)
    return Start(np.minimum(z, _closed(it, model, used)), used, model.lower, model.upper)


def _closed(it: Instance, model: Model, used: npt.NDArray[np.bool_]) -> Floats:
    """Upper bounds with all but the `used` sites closed, as far as the wishes allow."""
    owner = owners(it, model)
    return np.where((owner >= 0) & ~used[np.maximum(owner, 0)], model.lower, model.upper)


def gathered(it: Instance, model: Model, z: Floats, effort_s: float, until: float, seed: int) -> Start:
    """The relaxed plan with barrels drawn together, where a week at a site costs a crew.

    The relaxation pays a sixth of a crew for one barrel of six. So each barrel is charged the crew's whole cost over
    the barrels that stood there in the round before (dynamic slope scaling, Kim and Pardalos 1999, from memory): where
    there were few it becomes dear, and they gather where there were many. After a few rounds crews are held to the
    weeks in which they then stand, for the first pass; only barrels are left to be made whole.
    """
    barrels, on = model.columns["y"], model.columns["on"]
    crew, took = model.cost[on], 0.0
    most = np.maximum(model.upper[barrels], FEWEST_STOOD)
    upper = model.upper
    for _ in range(GATHERINGS):
        cost = model.cost.copy()
        cost[on] = 0.0
        cost[barrels] += crew / np.clip(z[barrels], FEWEST_STOOD, most)
        again = _relaxed(replace(model, cost=cost, upper=upper), until, seed)
        took += again.effort_s
        if again.z is None:
            break
        z = again.z
        stood = z[barrels].reshape(it.sites, it.weeks).max(axis=1) > FEWEST_STOOD
        if it.goal != "clear":
            upper = _closed(it, model, _with_heads(it, stood | _asked(it, model)))
        if took + 2 * again.effort_s > GATHERING_EFFORT * effort_s:
            break
    for least in (HALF, ALMOST_NONE):
        there = (z[barrels] > least) | (model.lower[barrels] > 0)
        lower, upper = model.lower.copy(), model.upper.copy()
        lower[on] = upper[on] = there
        upper[barrels] *= there
        again = _relaxed(replace(model, lower=lower, upper=upper), until, seed)
        if again.z is not None:
            used = there.reshape(it.sites, it.weeks).any(axis=1)
            return Start(again.z, _with_heads(it, used | _asked(it, model)), lower, upper)
    return Start(z, np.ones(it.sites, dtype=bool), model.lower, model.upper)


def _relaxed(model: Model, until: float, seed: int) -> engine.Outcome:
    """The relaxation, roughly; no plan unless it was solved to the end. Raises KeyboardInterrupt on Ctrl-C."""
    seconds = until - time.monotonic()
    outcome = engine.run(model, relaxed=True, interior=True, rough=GATHERED_ROUGH, seconds=seconds, seed=seed)
    if outcome.end == "interrupted":
        raise KeyboardInterrupt
    return outcome if outcome.end == "optimal" else replace(outcome, z=None)


def clusters(
    it: Instance, links: sparse.csr_matrix, size: int, draw: np.random.Generator, used: npt.NDArray[np.bool_]
) -> list[Ints]:
    """The `used` sites gathered round seeds drawn at random, most strongly linked first; villages stay whole where
    they matter.
    """
    wishes = it.wishes
    limited = wishes.village_least is not None or wishes.village_most is not None
    whole_villages = limited or it.villages is not None or it.crew is not None or it.moves is not None
    unit = it.site_village if whole_villages else np.arange(it.sites)
    names, unit = np.unique(unit, return_inverse=True)
    unit = unit.reshape(-1)
    gather = sparse.csr_matrix((np.ones(it.sites), (unit, np.arange(it.sites))), shape=(len(names), it.sites))
    between = (gather @ links @ gather.T).tocsr()
    weight = np.bincount(unit, weights=used).astype(np.int64)
    free = weight > 0
    found: list[list[int]] = []
    for seed in draw.permutation(len(names)):
        if not free[seed]:
            continue
        members, pull, count = [int(seed)], np.zeros(len(names)), int(weight[seed])
        free[seed] = False
        last = int(seed)
        while count < size:
            row = slice(between.indptr[last], between.indptr[last + 1])
            pull[between.indices[row]] += between.data[row]
            candidate = int(np.argmax(np.where(free, pull, 0)))
            if not free[candidate] or pull[candidate] <= 0:
                break
            members.append(candidate)
            free[candidate] = False
            count += int(weight[candidate])
            last = candidate
        found.append(members)
    return [np.flatnonzero(np.isin(unit, members) & used) for members in _joined(found, weight, size)]


def parts(it: Instance, model: Model, columns: int = COLUMNS) -> Ints:
    """Parts to bound the whole by: of each variable the cluster of sites it belongs to, -1 for what belongs to all."""
    owner, every = owners(it, model), np.ones(it.sites, dtype=bool)
    size = max(round(columns * it.sites / model.shape[1]), 1)
    part = np.zeros(it.sites, dtype=np.int64)
    for i, sites in enumerate(clusters(it, site_links(it), size, np.random.default_rng(0), every)):
        part[sites] = i
    return np.where(owner >= 0, part[np.maximum(owner, 0)], -1)


def _joined(found: list[list[int]], weight: Ints, size: int) -> list[list[int]]:
    """Small clusters put together until they are of the size wished for."""
    large = [m for m in found if weight[m].sum() >= size / 2]
    small: list[int] = []
    for members in found:
        if weight[members].sum() < size / 2:
            small = small + members
            if weight[small].sum() >= size:
                large.append(small)
                small = []
    return [*large, small] if small else large


@dataclass
class Work:
    """The whole model, columnwise, and the plan in hand."""

    model: Model
    columns: sparse.csc_matrix
    owner: Ints
    z: Floats
    activity: Floats
    effort_s: float
    """What the clusters may still take together [s]."""
    halt: engine.Stop = field(default_factory=engine.Stop)


def pieces(work: Work, wave: list[Ints], held: npt.NDArray[np.bool_] | None = None) -> list[tuple[Ints, Model]]:
    """For each cluster of a wave: its free variables, and their model with all else fixed and limits shared out.

    What is `held`, of shape (variables,), stays as it is in the plan in hand, though its cluster is worked on.
    """
    model = work.model
    if held is not None:
        stays = np.clip(np.where(model.whole, np.round(work.z), work.z), model.lower, model.upper)
        model = replace(model, lower=np.where(held, stays, model.lower), upper=np.where(held, stays, model.upper))
    shared = np.flatnonzero(work.owner < 0)
    frees = []
    for i, sites in enumerate(wave):
        free = np.flatnonzero(np.isin(work.owner, sites))
        frees.append(np.r_[free, shared] if i == 0 else free)
    parts = [work.columns[:, free] for free in frees]
    touched = [np.unique(part.indices) for part in parts]
    users = np.bincount(np.concatenate(touched), minlength=model.shape[0])
    used = [part @ work.z[free] for part, free in zip(parts, frees, strict=True)]
    over = np.maximum(model.row_upper - work.activity, 0.0)
    under = np.maximum(work.activity - model.row_lower, 0.0)
    highs = [use[rows] + over[rows] / users[rows] for use, rows in zip(used, touched, strict=True)]
    lows = [use[rows] - under[rows] / users[rows] for use, rows in zip(used, touched, strict=True)]
    for use, rows, high, low in zip(used, touched, highs, lows, strict=True):
        # a row that no other cluster touches is met exactly, even where a rough relaxation had broken it a little
        alone = users[rows] == 1
        outside = work.activity[rows] - use[rows]
        high[alone] = (model.row_upper[rows] - outside)[alone]
        low[alone] = (model.row_lower[rows] - outside)[alone]
    whole = np.concatenate([np.arange(s.start, s.stop) for n, s in model.rows.items() if n in WHOLE_ROWS])
    _round_shares(highs, touched, whole)
    found = []
    for free, part, rows, low, high in zip(frees, parts, touched, lows, highs, strict=True):
        piece = part_of(model, free, part.tocsr()[rows], low, high, model.cost)
        found.append((free, piece))
    return found


def _round_shares(highs: list[Floats], touched: list[Ints], whole: Ints) -> None:
    """Rounds each cluster's share of a whole thing, so that the shares still add up: largest remainders first."""
    for row in whole:
        holders = [(i, int(np.searchsorted(rows, row))) for i, rows in enumerate(touched)]
        holders = [(i, j) for i, j in holders if j < len(touched[i]) and touched[i][j] == row]
        if not holders:
            continue
        share = np.array([highs[i][j] for i, j in holders])
        if not np.isfinite(share).all():
            continue
        floor = np.floor(share + TOLERANCE)
        spare = int(np.floor(share.sum() + TOLERANCE) - floor.sum())
        for n in np.argsort(-(share - floor), kind="stable")[:spare]:
            floor[n] += 1
        for (i, j), amount in zip(holders, floor, strict=True):
            highs[i][j] = amount


@dataclass(frozen=True)
class Pass:
    """The plan after a pass: `z` in whole barrels (or None when some cluster found nothing), and its objective."""

    z: Floats | None
    objective: float
    end: engine.End
    effort_s: float
    """What effort is left."""


@dataclass(frozen=True)
class Turn:
    """What the next pass frees: clusters of so many sites, or some weeks of more of them."""

    size: float
    """Sites in a cluster."""
    most: float
    """Sites beyond which clusters do not grow; infinite where nothing but larger clusters is left to try."""
    first: bool = True
    """Whether it makes the first plan."""
    by_weeks: bool = False
    calm: int = 0
    """Passes in a row that gained nothing."""

    def after(self, gained: bool, tied: bool) -> Turn:
        """The turn that follows; where weeks are tied, what still gains goes on and what does not takes turns."""
        calm = 0 if self.first or gained else self.calm + 1
        by_weeks = tied and (self.first or bool(calm) != self.by_weeks)
        size = self.size if by_weeks else min(self.size * GROWTH, max(self.most, self.size))
        return replace(self, size=size, first=False, by_weeks=by_weeks, calm=calm)


def improve(
    it: Instance,
    model: Model,
    relaxed: Floats,
    enough: Callable[[float], bool],
    *,
    slack: float,
    gap: float,
    effort_s: float,
    until: float,
    seed: int,
    map: Callable[..., Iterable[Any]],
    plan: Floats | None = None,
) -> Iterator[Pass]:
    """Plans in whole barrels, each at least as good as the one before; the first is made from the relaxed plan, unless
    there is a `plan` to go on from. An objective within `slack` of the best is as good [goal's unit].

    Ends when a plan's objective is `enough`, or `effort_s` is spent by all clusters together, whatever the machine, or
    by the clock at `until`.
    Raises KeyboardInterrupt where Ctrl-C comes before there is anything to keep.
    """
    draw = np.random.default_rng(seed)
    links = site_links(it)
    columns = model.matrix.tocsc()
    if plan is None:
        start = chosen(it, model, relaxed, effort_s, until, seed)
    else:
        start = Start(plan, np.ones(it.sites, dtype=bool), model.lower, model.upper)
    used = start.used
    z = np.clip(start.z, start.lower, start.upper)
    narrow = replace(model, lower=start.lower, upper=start.upper)
    work = Work(narrow, columns, owners(it, model), z, columns @ z, effort_s)
    tied = bool(it.crew_cost.any()) or it.moves is not None
    turn = Turn(max(CLUSTER_COLUMNS * it.sites / model.shape[1], 3.0), 0.5 * used.sum() if tied else INF)
    if plan is not None:
        turn = turn.after(gained=True, tied=tied)
    while turn.first or (
        work.effort_s > 0 and time.monotonic() < until and turn.calm < 2 and (tied or turn.size < 0.7 * used.sum())
    ):
        before = dot(model.cost, work.z)
        groups = clusters(it, links, round(turn.size * SPAN_SITES if turn.by_weeks else turn.size), draw, used)
        freed = spans(it, model, draw) if turn.by_weeks else [None]
        each = slack / max(len(groups) * len(freed), 1)
        end: engine.End = "optimal"
        for held, at in product(freed, range(0, len(groups), WAVE)):
            if not turn.first and (work.effort_s <= 0 or enough(dot(model.cost, work.z) + model.offset)):
                break
            end = _wave(work, groups[at : at + WAVE], len(groups) - at, turn.first, gap, each, until, seed, map, held)
            if end == "interrupted":
                for sites in groups[at + WAVE :] if turn.first else []:
                    _clear_out(work, sites)
                break
        now = dot(model.cost, work.z)
        yield Pass(work.z.copy() if sound(model, work.z) else None, now + model.offset, end, work.effort_s)
        if end == "interrupted":
            return
        turn = turn.after(before - now > each, tied)
        work.model = model
        if turn.calm and not used.all():
            used = np.ones(it.sites, dtype=bool)
            turn = replace(turn, calm=0, most=0.5 * it.sites if tied else INF)


def spans(it: Instance, model: Model, draw: np.random.Generator) -> list[npt.NDArray[np.bool_]]:
    """For each of some overlapping spans of weeks: which variables are held, barrels and crews of all other weeks."""
    stay = 1 if it.moves is None else it.moves.stay_weeks
    width = min(max(2 * stay + 1, round(SPAN_WEEKS * it.weeks)), it.weeks)
    week = np.tile(np.arange(it.weeks), it.sites)
    found = []
    step = max(width - stay + 1, 1)
    for begin in range(-int(draw.integers(step)), it.weeks, step):
        held = np.zeros(model.shape[1], dtype=bool)
        for name in ("y", "on") if "on" in model.columns else ("y",):
            held[model.columns[name]] = (week < begin) | (week >= begin + width)
        found.append(held)
    return found


def _wave(
    work: Work, wave: list[Ints], left: int, first: bool, gap: float, slack: float, until: float, seed: int,
    map: Callable[..., Iterable[Any]], held: npt.NDArray[np.bool_] | None = None,
) -> engine.End:  # fmt: skip
    most_s = max(work.effort_s * (min(FIRST_SHARE / left, 1.0) if first else LATER_SHARE), LEAST_EFFORT_S)
    cut = pieces(work, wave, held)
    near = gap if first else gap / 3
    tasks = []
    for free, piece in cut:
        looks_s = engine.effort_of(piece, FIRST_LOOKS if first else LOOKS)
        effort_s = max(most_s, looks_s) if first else min(most_s, looks_s)
        start = None if first else work.z[free]
        tasks.append(Task(piece, start, effort_s, near, slack, seed, until, work.halt))
    end: engine.End = "optimal"
    done = 0
    try:
        for (free, piece), outcome in zip(cut, map(solve_task, tasks), strict=True):
            old = work.z[free]
            if outcome.z is not None and (first or outcome.objective < dot(piece.cost, old)):
                work.z[free] = outcome.z
            elif first and outcome.z is None:
                _clear_out(work, wave[done])
            done += 1
            work.effort_s = max(work.effort_s - outcome.effort_s, 0.0)
            if outcome.end == "interrupted":
                end = "interrupted"
    except KeyboardInterrupt:
        work.halt.asked, end = True, "interrupted"
        for sites in wave[done:] if first else []:
            _clear_out(work, sites)
    work.activity = work.columns @ work.z
    return end


def _clear_out(work: Work, sites: Ints) -> None:
    """No barrels and no residue in these sites, as far as the wishes allow."""
    free = np.flatnonzero(np.isin(work.owner, sites))
    work.z[free] = work.model.lower[free]


def sound(model: Model, z: Floats) -> bool:
    """Whether a plan is in whole barrels and obeys every row, to rounding."""
    activity = model.matrix @ z
    room = 1e-5 * np.maximum(1.0, np.abs(activity))
    if not bool((np.abs(z[model.whole] - np.round(z[model.whole])) < TOLERANCE).all()):
        return False
    return bool((activity <= model.row_upper + room).all() and (activity >= model.row_lower - room).all())
