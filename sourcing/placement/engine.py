"""One program handed to HiGHS, with a time limit that is kept.

HiGHS looks at its own clock seldom. So it runs in a thread of its own, is told to stop through its callbacks, and,
should it not look up within a short grace, is left behind: what it had found until then is taken. The wait is also
where Ctrl-C arrives, and it is treated like the end of the time.

A search can also be given an effort instead of a time: it is counted, not clocked, so that the same program comes to
the same answer on a fast machine and a slow one, busy or not.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, replace
from typing import Any, Literal

import highspy
import numpy as np

from sourcing.placement.instance import Floats, dot
from sourcing.placement.model import Model

End = Literal["optimal", "effort", "time", "interrupted", "infeasible", "failed"]
GRACE_S = 2.0
"""How long HiGHS is waited for after it was told to stop [s]."""
NUMBERS_A_SECOND = 8e5
"""Numbers of a program that a laptop's core gets through in a second of a search in whole numbers, where it gets once
through all of them between two looks at whether to stop (measured on programs of 5,000 to 80,000 numbers, from half as
many to twice as many)."""
INTERIOR_A_SECOND, SIMPLEX_A_SECOND = 3e6, 1e9
"""Likewise for a step of an interior point or of the simplex method, about."""
NEARLY_EXACT = 1e-4
"""An interior point that HiGHS will not vouch for, some of its prices being inexact, is taken all the same where its
own bound, which holds for any prices, comes as near as this share of its value."""
FEWEST_LOOKS = 4
"""A search in whole numbers that may not look so often does not come to anything: it is not begun."""
_CALLBACKS = highspy.cb.HighsCallbackType


@dataclass(frozen=True)
class Outcome:
    """What came of one run. `objective` and `bound` are in the program's own sense: made least."""

    end: End
    z: Floats | None
    """Values of the variables, or None when nothing was found."""
    objective: float
    bound: float
    """No plan has a smaller objective; -inf when nothing is proven."""
    row_duals: Floats | None
    """What one more unit of a row's limit does to the objective (only without whole variables)."""
    seconds: float
    effort_s: float = 0.0
    """What it took, counted: about the seconds of a laptop's core [s]."""


@dataclass
class Stop:
    """Asks runs in other threads of this process to end with what they have."""

    asked: bool = False


@dataclass
class _Watch:
    """What the solving thread leaves for the waiting one."""

    stop: bool = False
    best: Floats | None = None
    objective: float = np.inf
    bound: float = -np.inf
    looks: int = 0
    """How often a search in whole numbers asked whether to stop."""
    most_looks: float = np.inf


def run(
    model: Model,
    *,
    seconds: float = np.inf,
    effort_s: float = np.inf,
    gap: float = 1e-4,
    slack: float = 1e-9,
    seed: int = 1,
    relaxed: bool = False,
    interior: bool = False,
    rough: float = 1e-8,
    start: Floats | None = None,
    halt: Stop | None = None,
) -> Outcome:
    """Solves a program, or only its linear relaxation (`relaxed`; `interior`: by interior point, without a basis).

    `rough` is how exact the interior point is. Stops within a relative `gap` or absolute `slack` of the best. `start`
    is a plan to begin from; `halt` ends the run like Ctrl-C does, which only the main thread hears. Never takes much
    longer than `seconds`; a search in whole numbers ends with `effort_s` spent, too; see the head of this room.
    """
    began = time.monotonic()
    look_s = effort_of(model, 1)
    watch = _Watch(most_looks=effort_s / look_s)
    solver = _load(model, gap, slack, seed, relaxed, interior, rough)
    if start is not None and not relaxed:
        solution = highspy.HighsSolution()
        solution.col_value = start.tolist()
        solver.setSolution(solution)
    _listen(solver, watch)
    if np.isfinite(seconds):
        solver.setOptionValue("time_limit", max(seconds, 0.05))
    done = threading.Event()

    def work() -> None:
        try:
            solver.run()
        finally:
            done.set()

    threading.Thread(target=work, daemon=True).start()
    stopped = _wait(done, watch, began + seconds, halt or Stop())
    spent = time.monotonic() - began
    if not done.is_set():
        return Outcome(stopped or "time", watch.best, watch.objective, watch.bound, None, spent, watch.looks * look_s)
    linear = relaxed or not model.whole.any()
    took = _steps_s(solver, model) if linear else watch.looks * look_s
    return replace(_read(solver, model, linear, stopped, watch, spent), effort_s=took)


def _steps_s(solver: Any, model: Model) -> float:
    """What a relaxation took, counted [s]."""
    info = solver.getInfo()
    interior, simplex = max(info.ipm_iteration_count, 0), max(info.simplex_iteration_count, 0)
    return float(model.matrix.nnz * (1 / NUMBERS_A_SECOND + interior / INTERIOR_A_SECOND + simplex / SIMPLEX_A_SECOND))


def effort_of(model: Model, looks: int) -> float:
    """The effort of so many looks in a search in whole numbers [s]."""
    return float(looks * max(model.matrix.nnz, 1) / NUMBERS_A_SECOND)


def worth_beginning(model: Model, effort_s: float) -> bool:
    """Whether a search in whole numbers can come to anything with this effort [s]."""
    return effort_s >= effort_of(model, FEWEST_LOOKS)


def allowed(model: Model, row_duals: Floats) -> Floats:
    """Prices of the rows' limits, as far as there are such limits."""
    return np.asarray(
        np.where(np.isfinite(model.row_lower), np.maximum(row_duals, 0), 0)
        + np.where(np.isfinite(model.row_upper), np.minimum(row_duals, 0), 0)
    )


def ends(model: Model, prices: Floats) -> Floats:
    """The limit of each row that its price is for."""
    low = np.where(np.isfinite(model.row_lower), model.row_lower, 0)
    return np.where(prices > 0, low, np.where(np.isfinite(model.row_upper), model.row_upper, 0))


def safe_bound(model: Model, row_duals: Floats) -> float:
    """A bound on the objective that holds for any row duals, however rough: the Lagrangian value on the box of bounds.

    Every variable here has finite bounds, so each reduced cost picks its cheaper end.
    """
    prices = allowed(model, row_duals)
    reduced = model.cost - model.matrix.T @ prices
    return float(model.offset + dot(prices, ends(model, prices)) + cheapest(model, reduced).sum())


def cheapest(model: Model, cost: Floats) -> Floats:
    """Least cost of each variable by itself, at these costs, within its bounds."""
    return np.where(cost > 0, cost * model.lower, cost * model.upper)


class _Quiet(highspy.Highs):
    """HiGHS that says nothing from the start; made in the usual way it prints its name before it can be hushed."""

    def __init__(self) -> None:
        super(highspy.Highs, self).__init__()
        self.setOptionValue("output_flag", False)


def _load(model: Model, gap: float, slack: float, seed: int, relaxed: bool, interior: bool, rough: float) -> Any:
    solver: Any = _Quiet()
    for option, value in (
        ("output_flag", False), ("log_to_console", False), ("threads", 1), ("random_seed", seed), ("mip_rel_gap", gap),
        ("mip_abs_gap", slack),
    ):  # fmt: skip
        solver.setOptionValue(option, value)
    if interior:
        solver.setOptionValue("solver", "ipm")
        solver.setOptionValue("run_crossover", "off")
        solver.setOptionValue("ipm_optimality_tolerance", rough)
    height, width = model.shape
    matrix = model.matrix
    whole = np.zeros(width, dtype=np.int32) if relaxed else model.whole.astype(np.int32)
    solver.passModel(
        width, height, matrix.nnz, int(highspy.MatrixFormat.kRowwise), int(highspy.ObjSense.kMinimize), model.offset,
        model.cost, model.lower, model.upper, model.row_lower, model.row_upper,
        matrix.indptr.astype(np.int32), matrix.indices.astype(np.int32), matrix.data, whole,
    )  # fmt: skip
    return solver


def _listen(solver: Any, watch: _Watch) -> None:
    def heard(kind: Any, message: str, out: Any, answer: Any, data: Any) -> None:
        if kind == _CALLBACKS.kCallbackMipImprovingSolution:
            if out.objective_function_value < watch.objective:
                watch.best = np.array(out.mip_solution)
                watch.objective = float(out.objective_function_value)
        elif watch.stop and answer is not None:
            answer.user_interrupt = True
        if kind == _CALLBACKS.kCallbackMipInterrupt:
            watch.bound = max(watch.bound, float(out.mip_dual_bound))
            watch.looks += 1
            if watch.looks > watch.most_looks and answer is not None:
                answer.user_interrupt = True

    solver.setCallback(heard, None)
    for kind in (
        _CALLBACKS.kCallbackMipImprovingSolution, _CALLBACKS.kCallbackMipInterrupt,
        _CALLBACKS.kCallbackSimplexInterrupt, _CALLBACKS.kCallbackIpmInterrupt,
    ):  # fmt: skip
        solver.startCallback(kind)


def _wait(done: threading.Event, watch: _Watch, until: float, halt: Stop) -> End | None:
    """Waits for the end of the run, of the time, or for Ctrl-C; says which of the last two it was.

    The thread itself is not waited for: in Python before 3.13 a Ctrl-C during `join` makes a running thread look ended.
    """
    stopped: End | None = None
    pause = 0.002
    while not done.is_set():
        try:
            if stopped is None and (halt.asked or time.monotonic() > until):
                stopped, watch.stop, until = ("interrupted" if halt.asked else "time"), True, time.monotonic() + GRACE_S
            if stopped is not None and time.monotonic() > until:
                break
            done.wait(pause)
            pause = min(pause * 1.5, 0.1)
        except KeyboardInterrupt:
            stopped, watch.stop, until = "interrupted", True, time.monotonic() + GRACE_S
    return stopped


def _read(solver: Any, model: Model, linear: bool, stopped: End | None, watch: _Watch, spent: float) -> Outcome:
    status = solver.getModelStatus()
    info, solution = solver.getInfo(), solver.getSolution()
    statuses = highspy.HighsModelStatus
    feasible = info.primal_solution_status == int(highspy.SolutionStatus.kSolutionStatusFeasible)
    z = np.array(solution.col_value) if feasible and solution.value_valid else None
    objective = float(info.objective_function_value) if z is not None else np.inf
    if z is None and watch.best is not None:
        z, objective = watch.best, watch.objective
    duals = np.array(solution.row_dual) if linear and solution.dual_valid else None
    if linear:
        if duals is None and solution.row_dual and len(solution.row_dual) == model.shape[0]:
            duals = np.array(solution.row_dual)
        bound = safe_bound(model, duals) if duals is not None else -np.inf
    else:
        bound = max(float(info.mip_dual_bound) if info.valid else -np.inf, watch.bound)
    end: End
    if status in (statuses.kInfeasible, statuses.kUnboundedOrInfeasible):
        end = "infeasible"
    elif status == statuses.kOptimal:
        end = "optimal"
    elif stopped is None and status == statuses.kInterrupt:
        end = "effort"
    elif stopped is not None or status == statuses.kTimeLimit:
        end = stopped or "time"
    elif linear and z is not None and objective - bound <= NEARLY_EXACT * max(abs(objective), 1.0):
        end = "optimal"
    else:
        end = "failed"
    return Outcome(end, z, objective, bound, duals, spent)
