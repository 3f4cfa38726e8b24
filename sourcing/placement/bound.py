"""How much better any plan could be, part by part.

The relaxation lets barrels and crews be shared in fractions. Its prices say what a kilogram, a barrel-week or an
arrival is worth elsewhere. At any prices for the limits that tie parts together, what each part alone can gain in whole
barrels is, summed up, at least what any plan is worth (Lagrangian decomposition, Geoffrion 1974, from memory). Parts of
one site are quickly gone through; parts of several prove more.

Nothing here knows which rule a row stands for.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from sourcing.placement import engine
from sourcing.placement.instance import Floats, Ints, dot
from sourcing.placement.model import INF, Model, part_of

COLUMNS = 8000
"""Variables in a part, about: larger parts prove more, but take longer for each look (measured on the demo)."""
LOOKS = 24
"""Most looks at one part: what it has proven by then is taken. Twice as many prove little more."""
NEAR = 0.1
"""Parts are together proven to this share of the gap asked for."""


@dataclass(frozen=True)
class Part:
    """One part's program at the prices, and what bounds it already."""

    model: Model
    least: float
    """The relaxation's own bound on it."""
    slack: float
    looks: int
    seed: int
    until: float
    """The clock's reading (time.monotonic) at which all must be done."""
    halt: engine.Stop


@dataclass(frozen=True)
class Proof:
    """A bound on the whole objective, and what it took, counted [s]."""

    bound: float
    effort_s: float


def by_parts(
    model: Model, part: Ints, row_duals: Floats, *, gap: float, looks: int = LOOKS, until: float = INF, seed: int = 1,
    map: Callable[..., Iterable[Any]] = map,
) -> Proof:  # fmt: skip
    """A bound on the objective from the parts, `part` giving that of each variable (-1: none), at these prices.

    Never below what the relaxation proves at the same prices, even where `looks` or the clock end before a part is done
    with. Raises KeyboardInterrupt on Ctrl-C.
    """
    prices = engine.allowed(model, row_duals)
    of_row = _only_part(model, part)
    tying = np.where(of_row < 0, prices, 0.0)
    cost = model.cost - model.matrix.T @ tying
    alone = part < 0
    bound = model.offset + dot(tying, engine.ends(model, tying)) + float(engine.cheapest(model, cost)[alone].sum())
    columns, parts, halt = model.matrix.tocsc(), [], engine.Stop()
    names = np.unique(part[~alone])
    slack = NEAR * gap * abs(engine.safe_bound(model, row_duals)) / max(len(names), 1)
    for name in names:
        free, rows = np.flatnonzero(part == name), np.flatnonzero(of_row == name)
        piece = part_of(model, free, columns[:, free].tocsr()[rows], model.row_lower[rows], model.row_upper[rows], cost)
        parts.append(Part(piece, engine.safe_bound(piece, prices[rows]), slack, looks, seed, until, halt))
    took = 0.0
    try:
        for one, outcome in zip(parts, map(solve_part, parts), strict=True):
            if outcome.end == "interrupted":
                raise KeyboardInterrupt
            bound += max(outcome.bound, one.least)
            took += outcome.effort_s
    except KeyboardInterrupt:
        halt.asked = True
        raise
    return Proof(bound, took)


def solve_part(part: Part) -> engine.Outcome:
    """How much a part could gain at most."""
    seconds = part.until - time.monotonic()
    if seconds <= 0 or part.halt.asked or not part.model.whole.any():
        return engine.Outcome("time", None, INF, -INF, None, 0.0)
    return engine.run(
        part.model, seconds=seconds, effort_s=engine.effort_of(part.model, part.looks), gap=0.0, slack=part.slack,
        seed=part.seed, halt=part.halt,
    )  # fmt: skip


def _only_part(model: Model, part: Ints) -> Ints:
    """The part that a row concerns alone, or -1 where it ties several."""
    of = part[model.matrix.indices]
    height = model.shape[0]
    row = np.repeat(np.arange(height), np.diff(model.matrix.indptr))
    first, last = np.full(height, np.iinfo(np.int64).max), np.full(height, -1)
    np.minimum.at(first, row, of)
    np.maximum.at(last, row, of)
    return np.where(first == last, last, -1)
