"""From an instance to a placement: the best plan found, what it is worth, and how much better any plan could be."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np

from sourcing.errors import NoPlanError
from sourcing.placement import engine
from sourcing.placement.instance import Bools, Floats, Goal, Instance, Ints
from sourcing.placement.model import Model, build, missing_links

Status = Literal["optimal", "within_gap", "time", "interrupted"]
CUT_ROUNDS = 12
"""Most rounds in which strengthening rows are sought."""
SMALL_MASS_KG = 1e-6
"""Less than this carried along an arc is rounding, not residue [kg]."""


@dataclass(frozen=True)
class Placement:
    """A plan, as plain arrays. `u` is given by its entries above zero (`work_*`)."""

    status: Status
    """optimal: proven best; within_gap: proven within the gap asked for; time, interrupted: best so far."""
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

    @property
    def deployed(self) -> tuple[int, ...]:
        """Sites in use."""
        return tuple(int(s) for s in np.flatnonzero(self.opened))


def solve(
    instance: Instance,
    *,
    gap: float = 0.005,
    seconds: float = 60.0,
    seed: int = 1,
    progress: Callable[[str, float, float], None] | None = None,
    map: Callable[..., Any] = map,
) -> Placement:
    """The best placement found within `seconds`, or the first proven within `gap` of the best.

    `progress(step, value, bound)` is told of each step. Raises NoPlanError when no plan is possible.
    """
    began = time.monotonic()
    model = build(instance)
    left = seconds - (time.monotonic() - began)
    model, relaxation = strengthen(instance, model, left, seed)
    if relaxation.end == "infeasible":
        raise NoPlanError("no plan can meet all the wishes at once")
    left = seconds - (time.monotonic() - began)
    outcome = engine.run(model, seconds=left, gap=gap, seed=seed)
    if outcome.end == "infeasible":
        raise NoPlanError("no plan in whole barrels can meet all the wishes at once")
    if outcome.z is None:
        raise NoPlanError(f"no plan was found within {seconds:g} seconds")
    bound = max(outcome.bound, relaxation.bound)
    return settle(instance, model, outcome.z, bound, gap, began, outcome.end)


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


def settle(it: Instance, model: Model, z: Floats, bound: float, gap: float, began: float, end: engine.End) -> Placement:
    """A placement from a solution: barrels made exactly whole, the rest solved again for them, dust swept up."""
    whole = np.round(z[model.whole])
    fixed = replace(model, lower=model.lower.copy(), upper=model.upper.copy())
    fixed.lower[model.whole] = whole
    fixed.upper[model.whole] = whole
    again = engine.run(fixed, relaxed=True)
    if again.z is not None and again.end == "optimal":
        z = again.z
    z = z.copy()
    z[model.whole] = whole
    return read(it, model, z, bound, gap, time.monotonic() - began, end)


def read(it: Instance, model: Model, z: Floats, bound: float, gap: float, seconds: float, end: engine.End) -> Placement:
    """A placement from the values of the variables; mass is conserved to rounding."""
    g = model.groups
    x = np.where(z[model.columns["x"]] > SMALL_MASS_KG, z[model.columns["x"]], 0.0)
    u = np.where(z[model.columns["u"]] > SMALL_MASS_KG, z[model.columns["u"]], 0.0)
    carried = np.bincount(g.of_arc, weights=x, minlength=g.count)
    charred = np.bincount(g.u_group, weights=u, minlength=g.count)
    x[(charred == 0)[g.of_arc]] = 0.0
    carried[charred == 0] = 0.0
    u = u * np.divide(carried, charred, out=np.zeros(g.count), where=charred > 0)[g.u_group]
    barrels = np.round(z[model.columns["y"]]).astype(np.int64).reshape(it.sites, it.weeks)
    arc, entry, kg = carries(it, model, x, u)
    key = (g.site[g.u_group[entry]] * len(it.class_first) + g.klass[g.u_group[entry]]) * it.weeks + g.u_week[entry]
    keys, where = np.unique(key, return_inverse=True)
    work_kg = np.bincount(where.reshape(-1), weights=kg, minlength=len(keys)).astype(np.float64)
    work_site, rest = np.divmod(keys, len(it.class_first) * it.weeks)
    work_class, work_week = np.divmod(rest, it.weeks)
    value = model.sign * float(model.cost @ z + model.offset)
    best = model.sign * bound
    if (best - value) * model.sign > 0:
        best = value
    share = abs(best - value) / max(abs(value), 1e-9) if np.isfinite(best) else np.inf
    if share < 1e-9:
        share = 0.0
    status: Status = "optimal" if share <= 1e-6 else "within_gap" if share <= gap else "time"
    if status == "time" and end == "interrupted":
        status = "interrupted"
    klass, spent = g.klass[g.u_group], float(model.spending @ z)
    kept = u * it.keep(klass, g.u_week)
    return Placement(
        status=status,
        goal=it.goal,
        value=value,
        bound=best,
        gap=share,
        seconds=seconds,
        margin=float(kept @ (it.class_value_per_kg + it.class_cost)[klass]) - spent,
        char_kg=float(kept @ it.class_char_per_kg[klass]),
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
        carry_week=g.u_week[entry],
        carry_kg=kg,
    )


def carries(it: Instance, model: Model, x: Floats, u: Floats) -> tuple[Ints, Ints, Floats]:
    """Which arc feeds which week variable, and with how much [kg]: arrays (arc, entry of u, kg), mass conserved.

    All lots of a group have the same window, so any split is feasible; here the cheapest carries come in the earliest
    weeks. Deterministic.
    """
    g = model.groups
    arcs = np.flatnonzero(x)
    arcs = arcs[np.lexsort((it.arc_lot[arcs], it.arc_cost_per_kg[arcs], g.of_arc[arcs]))]
    entries = np.flatnonzero(u)
    out: list[tuple[int, int, float]] = []
    stops = np.searchsorted(g.u_group[entries], np.arange(g.count + 1))
    i = 0
    while i < len(arcs):
        group = int(g.of_arc[arcs[i]])
        j, last = int(stops[group]), int(stops[group + 1]) - 1
        room = float(u[entries[j]])
        while i < len(arcs) and g.of_arc[arcs[i]] == group:
            left = float(x[arcs[i]])
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
    return np.array(arc, np.int64), np.array(entry, np.int64), np.array(kg, np.float64)
