"""From an instance to a placement: the best plan found, what it is worth, and how much better any plan could be."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from sourcing.errors import NoPlanError
from sourcing.placement import engine
from sourcing.placement.bound import LOOKS, by_parts
from sourcing.placement.instance import Bools, Floats, Goal, Instance, Ints, dot
from sourcing.placement.lumps import lumped
from sourcing.placement.model import INF, Model, build, likely_links, missing_links
from sourcing.placement.split import SETTLING_S, Pass, improve, parts, settled, sound

Status = Literal["optimal", "within_gap", "effort", "time", "interrupted"]
Progress = Callable[[str, float, float], None]
CORES = 2
"""Clusters are solved side by side on so many of a usual laptop's cores; more are done sooner, with the same plan."""
SEARCH_SHARE = 0.45
"""The search's effort is this share of the time it may take: the rest is for relaxations and for slower machines."""
LEAST_SEARCH = 0.25
"""Share of the effort that is left for whole barrels, whatever the relaxation took."""
WHOLE_AT_ONCE = 4000
"""Up to so many variables the work is solved whole; and so is a single week, which has nothing to be split by."""
ROUGH = 1e-5
"""How exact the relaxation of large work is solved; the bound drawn from it holds all the same."""
LUMPED_SHARE = 0.6
"""Lots are lumped where that leaves at most this share of the variables."""
LUMPED_EFFORT = 0.8
"""Share of the effort spent among lumps, before lots are looked at one by one."""
PROOF_EFFORT = 0.25
"""Most of the effort that goes into a better bound, once there is a plan not near enough to the relaxation's."""
CUT_ROUNDS = 12
"""Most rounds in which strengthening rows are sought."""
OPTIMAL = 1e-6
"""A proven gap no larger than this is rounding: the plan is the best there is."""
SMALL_MASS_KG = 1e-6
"""Less than this carried along an arc is rounding, not residue [kg]."""


@dataclass(frozen=True)
class Placement:
    """A plan, as plain arrays. `u` is given by its entries above zero (`work_*`)."""

    status: Status
    """optimal: proven best; within_gap: proven within the gap asked for; the others: best so far, ended by the effort
    (then the same on every machine), by the clock, or by Ctrl-C."""
    goal: Goal
    value: float
    """Value of the goal: currency, kg of char, currency spent ('clear'), or the weighted sum."""
    bound: float
    """No plan does better than this: at least `value`, or at most, where cost is made least."""
    gap: float
    """|bound - value| as a share of |value| [0-]."""
    seconds: float
    margin: float
    """Money left: worth of what is charred less everything spent, without any price on leaving last plan [currency]."""
    char_kg: float
    cleared_kg: float
    """Residue collected, as it was at readiness [kg]."""
    spent: float
    """All outlay: carrying, crews at the barrels, opening, deploying, standing, moving, hauling [currency]."""
    opened: Bools
    """Sites with a barrel in at least one week, shape (S,)."""
    barrels: Ints
    """Barrels by site and week, shape (S, T)."""
    x: Floats
    """Residue carried along each arc, as it was at readiness [kg], shape (A,)."""
    work_site: Ints
    """Site, class, week and kg (at readiness) of what is charred, each shape (W,)."""
    work_class: Ints
    work_week: Ints
    work_kg: Floats
    carry_arc: Ints
    """Arc, week and kg (at readiness) of each carry, each shape (C,); over weeks they sum to `x`."""
    carry_week: Ints
    carry_kg: Floats
    effort_s: float = 0.0
    """What the search took, counted: about the seconds of a laptop's core [s]."""

    @property
    def deployed(self) -> tuple[int, ...]:
        """Sites in use."""
        return tuple(int(s) for s in np.flatnonzero(self.opened))


def solve(
    instance: Instance,
    *,
    gap: float = 0.005,
    seconds: float = 60.0,
    effort_s: float | None = None,
    seed: int = 1,
    prove: bool = True,
    progress: Progress | None = None,
    map: Callable[..., Iterable[Any]] = map,
) -> Placement:
    """The best placement found within `seconds`, or the first proven within `gap` of the best.

    The search's effort is counted (see the room `engine`): `effort_s` of all cores together [s], or as much as lets it
    end before `seconds` on a usual laptop with two cores. Then the same question has the same answer on every machine;
    where the clock ends it, `status` says so.
    Small work is handed to HiGHS whole; large work is split (see the room `split`), its pieces solved through `map`: a
    thread pool's or process pool's `map` solves them side by side. `progress(step, value, bound)` is told of each step.
    Without `prove`, large work is bounded by its relaxation alone, and all effort goes into the plan.
    Ctrl-C ends the search like the end of the time: the best plan so far comes back, with its true gap.
    Raises NoPlanError when no plan is possible, or none was found in time.
    """
    clock = _Clock(seconds, CORES * SEARCH_SHARE * seconds if effort_s is None else effort_s)
    model = likely_links(instance, build(instance))
    tell = progress or (lambda step, value, bound: None)
    if model.shape[1] <= WHOLE_AT_ONCE or instance.weeks == 1:
        return _at_once(instance, model, gap, clock, seed, tell)
    return _split(instance, model, gap, clock, seed, prove, tell, map)


class _Clock:
    """Time spent and left, and the effort that may be spent."""

    def __init__(self, seconds: float, effort_s: float) -> None:
        self.began = time.monotonic()
        self.until = self.began + seconds
        self.effort_s = effort_s

    @property
    def spent(self) -> float:
        return time.monotonic() - self.began

    @property
    def left(self) -> float:
        return max(self.until - time.monotonic(), 0.0)


def _at_once(it: Instance, model: Model, gap: float, clock: _Clock, seed: int, tell: Progress) -> Placement:
    """Small work: strengthened, then solved whole."""
    model, relaxation = strengthen(it, model, clock.left, seed)
    if relaxation.end == "infeasible":
        raise NoPlanError("no plan can meet all the wishes at once")
    tell("relaxed", np.nan, model.sign * relaxation.bound)
    left = 0.0 if relaxation.end == "interrupted" else clock.left
    outcome = engine.run(model, seconds=left, effort_s=clock.effort_s / CORES, gap=gap, seed=seed)
    if outcome.end == "infeasible":
        raise NoPlanError("no plan in whole barrels can meet all the wishes at once")
    z = _best(model, [None if outcome.z is None else settled(model, outcome.z)])
    bound = max(relaxation.bound, outcome.bound)
    end = relaxation.end if relaxation.end in ("interrupted", "time") else outcome.end
    return read(it, model, z, bound, gap, clock.spent, end, relaxation.effort_s + outcome.effort_s)


def _split(
    it: Instance, model: Model, gap: float, clock: _Clock, seed: int, prove: bool, tell: Progress,
    map: Callable[..., Iterable[Any]],
) -> Placement:  # fmt: skip
    """Large work: the relaxation by interior point, barrels among lumps of lots where that is much less work, then
    clusters of sites, a better bound once there is a plan not near enough to it, then, with what is left, the whole.
    """
    relaxation = engine.run(model, seconds=0.8 * clock.left, seed=seed, relaxed=True, interior=True, rough=ROUGH)
    if relaxation.end == "infeasible":
        raise NoPlanError("no plan can meet all the wishes at once")
    end: engine.End = relaxation.end
    bound = max(relaxation.bound, engine.safe_bound(model, np.zeros(model.shape[0])))
    tell("relaxed", np.nan, model.sign * bound)
    start = model.lower if relaxation.z is None else relaxation.z
    plans: list[Floats | None] = [_as_before(it, model, clock.left)]
    left = max(clock.effort_s - relaxation.effort_s, LEAST_SEARCH * clock.effort_s)
    prices = np.zeros(model.shape[0]) if relaxation.row_duals is None else relaxation.row_duals
    looks = min(int(PROOF_EFFORT * left / engine.effort_of(model, 1)), LOOKS)
    kept_s = engine.effort_of(model, looks) if prove and looks >= engine.FEWEST_LOOKS else 0.0
    took = relaxation.effort_s + left

    def near(objective: float) -> bool:
        return objective - bound <= gap * abs(objective)

    try:
        passes = _passes(it, model, start, bound, near, gap, clock, left - kept_s, seed, tell, map)
        for found in passes if end != "interrupted" else ():
            end, left = found.end, found.effort_s + kept_s
            plans.append(found.z)
            if found.z is None:
                continue
            if kept_s > 0 and end != "interrupted" and not near(found.objective):
                part = parts(it, model)
                proof = by_parts(model, part, prices, gap=gap, looks=looks, until=clock.until, seed=seed, map=map)
                bound, left, kept_s = max(bound, proof.bound), left - proof.effort_s, 0.0
            tell("clusters", model.sign * found.objective, model.sign * bound)
            if near(found.objective):
                return read(it, model, found.z, bound, gap, clock.spent, end, took - left)
    except KeyboardInterrupt:
        end = "interrupted"
    if end != "interrupted" and clock.left > 1.0 and engine.worth_beginning(model, left / CORES):
        best = _best_or_none(model, plans)
        outcome = engine.run(model, seconds=clock.left, effort_s=left / CORES, gap=gap, seed=seed, start=best)
        if outcome.end == "infeasible":
            raise NoPlanError("no plan in whole barrels can meet all the wishes at once")
        bound, end, left = max(bound, outcome.bound), outcome.end, left - outcome.effort_s
        if outcome.z is not None and (best is None or dot(model.cost, outcome.z) < dot(model.cost, best)):
            plans.append(settled(model, outcome.z, max(SETTLING_S, clock.left)))
    if end != "interrupted" and (clock.left <= 0 or relaxation.end == "time"):
        end = "time"
    return read(it, model, _best(model, plans), bound, gap, clock.spent, end, took - left)


def _passes(
    it: Instance, model: Model, relaxed: Floats, bound: float, near: Callable[[float], bool], gap: float, clock: _Clock,
    effort_s: float, seed: int, tell: Progress, map: Callable[..., Iterable[Any]],
) -> Iterator[Pass]:  # fmt: skip
    """Plans that get better: the one among lumps of lots, where there is one, then those of the clusters' passes."""
    among = _among_lumps(it, model, bound, gap, clock, effort_s, seed, tell, map)
    if among is not None:
        yield among
        if among.end == "interrupted":
            return
        effort_s = among.effort_s
    yield from improve(
        it, model, relaxed, near, slack=0.5 * gap * abs(bound), gap=gap, effort_s=effort_s, until=clock.until,
        seed=seed, map=map, plan=None if among is None else among.z,
    )  # fmt: skip


def _among_lumps(
    it: Instance, model: Model, bound: float, gap: float, clock: _Clock, effort_s: float, seed: int, tell: Progress,
    map: Callable[..., Iterable[Any]],
) -> Pass | None:  # fmt: skip
    """The best barrels found among lumps of lots, with the best carrying to them; None where lumps save little."""
    few = lumped(it)
    if len(it.arc_lot) - len(few.arc_lot) <= (1 - LUMPED_SHARE) * model.shape[1]:
        return None
    try:
        found = solve(
            few, gap=gap, seconds=clock.left, effort_s=LUMPED_EFFORT * effort_s, seed=seed, map=map,
            prove=False, progress=lambda step, value, _: tell(step, value, model.sign * bound),
        )  # fmt: skip
    except NoPlanError:
        return None
    z = _standing(it, model, found.barrels, max(SETTLING_S, clock.left))
    end = found.status if found.status in ("time", "interrupted") else "effort"
    objective = INF if z is None else dot(model.cost, z) + model.offset
    return Pass(z, objective, end, max(effort_s - found.effort_s, 0.0))


def _as_before(it: Instance, model: Model, seconds: float) -> Floats | None:
    """Last plan's barrels as far as today's limits allow; None where there is none, or it cannot be kept."""
    return None if it.previous is None else _standing(it, model, it.previous.barrels, seconds)


def _standing(it: Instance, model: Model, barrels: Ints, seconds: float) -> Floats | None:
    """The best plan with these barrels, as far as the limits allow; None where it cannot be."""
    z = model.lower.copy()
    y = np.clip(barrels.ravel(), model.lower[model.columns["y"]], model.upper[model.columns["y"]])
    z[model.columns["y"]] = y
    used = y.reshape(it.sites, it.weeks).any(axis=1)
    villages = np.zeros(it.village_count)
    villages[it.site_village[used]] = 1.0
    for name, value in (("on", (y > 0).astype(np.float64)), ("open", used.astype(np.float64)), ("deploy", villages)):
        if name in model.columns:
            z[model.columns[name]] = value
    return settled(model, z, seconds)


def _best_or_none(model: Model, plans: list[Floats | None]) -> Floats | None:
    sure = [z for z in plans if z is not None]
    return min(sure, key=lambda z: dot(model.cost, z)) if sure else None


def _best(model: Model, plans: list[Floats | None]) -> Floats:
    """The best of some plans; failing all, the plan of doing nothing, where that is allowed."""
    nothing = model.lower.copy()
    best = _best_or_none(model, [*plans, nothing if sound(model, nothing) else None])
    if best is None:
        raise NoPlanError("no plan was found in the time there was; allow more seconds, or fewer wishes")
    return best


def carries_of(instance: Instance, placement: Placement) -> tuple[Ints, Ints, Ints, Floats]:
    """The carries as arrays (lot, site, week, kg as it was at readiness), each of shape (C,)."""
    arc = placement.carry_arc
    return instance.arc_lot[arc], instance.arc_site[arc], placement.carry_week, placement.carry_kg


def strengthen(it: Instance, model: Model, seconds: float, seed: int) -> tuple[Model, engine.Outcome]:
    """The model with the linking rows that its relaxation breaks, and the last relaxation."""
    began = time.monotonic()
    best = -np.inf
    outcome = engine.run(model, seconds=seconds, seed=seed, relaxed=True)
    for _ in range(CUT_ROUNDS):
        best = max(best, outcome.bound)
        if outcome.end != "optimal" or outcome.z is None:
            break
        tighter = missing_links(it, model, outcome.z)
        if tighter is None:
            break
        left = seconds - (time.monotonic() - began)
        if left < seconds / 2:
            break
        model = tighter
        outcome = engine.run(model, seconds=left, seed=seed, relaxed=True)
    return model, replace(outcome, bound=max(best, outcome.bound))


def status_of(reached: float, gap: float, ended: Status) -> Status:
    """What a plan is: proven so near the best [share], or what ended the search for it."""
    return "optimal" if reached <= OPTIMAL else "within_gap" if reached <= gap else ended


def read(
    it: Instance, model: Model, z: Floats, bound: float, gap: float, seconds: float, end: engine.End,
    effort_s: float = 0.0,
) -> Placement:  # fmt: skip
    """A placement from the values of the variables; mass is conserved to rounding."""
    g = model.groups
    x = np.where(z[model.columns["x"]] > SMALL_MASS_KG, z[model.columns["x"]], 0.0)
    u = np.where(z[model.columns["u"]] > SMALL_MASS_KG, z[model.columns["u"]], 0.0)
    carried = np.bincount(g.of_arc, weights=g.scale * x, minlength=g.count)
    charred = np.bincount(g.u_group, weights=u, minlength=g.count)
    x[(charred == 0)[g.of_arc]] = 0.0
    carried[charred == 0] = 0.0
    u = u * np.divide(carried, charred, out=np.zeros(g.count), where=charred > 0)[g.u_group]
    barrels = np.round(z[model.columns["y"]]).astype(np.int64).reshape(it.sites, it.weeks)
    arc, entry, kg = carries(it, model, x, u)
    klass = it.arc_classes[arc]
    week = np.clip(g.u_week[entry], it.class_first[klass], it.class_last[klass])  # rounding may spill over the edge
    key = (it.arc_site[arc] * len(it.class_first) + klass) * it.weeks + week
    keys, where = np.unique(key, return_inverse=True)
    work_kg = np.bincount(where.reshape(-1), weights=kg, minlength=len(keys)).astype(np.float64)
    work_site, rest = np.divmod(keys, len(it.class_first) * it.weeks)
    work_class, work_week = np.divmod(rest, it.weeks)
    value = model.sign * (dot(model.cost, z) + model.offset)
    best = model.sign * bound
    if (best - value) * model.sign > 0:
        best = value
    share = abs(best - value) / max(abs(value), 1e-9) if np.isfinite(best) else np.inf
    if share < 1e-9:
        share = 0.0
    status = status_of(share, gap, end if end in ("time", "interrupted") else "effort")
    klass, spent = g.klass[g.u_group], dot(model.spending, z)
    kept = u * g.keep(it)
    return Placement(
        status=status,
        goal=it.goal,
        value=value,
        bound=best,
        gap=share,
        seconds=seconds,
        margin=dot(kept, (it.class_value_per_kg + it.class_cost)[klass]) - spent,
        char_kg=dot(kept, it.class_char_per_kg[klass]),
        cleared_kg=float(x.sum()),
        spent=spent,
        opened=np.asarray(barrels.any(axis=1)),
        barrels=barrels,
        x=x,
        work_site=work_site,
        work_class=work_class,
        work_week=work_week,
        work_kg=work_kg,
        carry_arc=arc,
        carry_week=week,
        carry_kg=kg,
        effort_s=effort_s,
    )


def carries(it: Instance, model: Model, x: Floats, u: Floats) -> tuple[Ints, Ints, Floats]:
    """Which arc feeds which week variable, and with how much [kg at readiness]: arrays (arc, entry of u, kg).

    First ready, first charred (so that, in a chain, all windows are kept); of what is ready at once, the cheapest to
    carry. Mass is conserved. Deterministic.
    """
    g = model.groups
    arcs = np.flatnonzero(x)
    opens, closes = (weeks[it.arc_classes[arcs]] for weeks in (it.class_first, it.class_last))
    arcs = arcs[np.lexsort((it.arc_lot[arcs], it.arc_cost_per_kg[arcs], closes, opens, g.of_arc[arcs]))]
    entries = np.flatnonzero(u)
    based = g.scale * x
    out: list[tuple[int, int, float]] = []
    stops = np.searchsorted(g.u_group[entries], np.arange(g.count + 1))
    i = 0
    while i < len(arcs):
        group = int(g.of_arc[arcs[i]])
        j, last = int(stops[group]), int(stops[group + 1]) - 1
        room = float(u[entries[j]])
        while i < len(arcs) and g.of_arc[arcs[i]] == group:
            left = float(based[arcs[i]])
            while j < last and room < left:
                if room > 0:
                    out.append((int(arcs[i]), int(entries[j]), room))
                left -= room
                j += 1
                room = float(u[entries[j]])
            if left > 0:
                out.append((int(arcs[i]), int(entries[j]), left))
                room -= left
            i += 1
    arc, entry, kg = zip(*out, strict=True) if out else ((), (), ())
    arc_of, based_kg = np.array(arc, np.int64), np.array(kg, np.float64)
    return arc_of, np.array(entry, np.int64), based_kg / g.scale[arc_of]
