"""Which barrels go where, and when: the cheapest itinerary behind a plan's table of barrels, as a minimum-cost flow.

The plan says how many barrels work at each site in each week. Barrels that are not needed wait where they last worked,
or in the store they came from; waiting costs nothing. A barrel travels only in a week in which some site has more
barrels than the week before. Flow on such a network is whole by itself, so a linear program gives whole barrels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from sourcing.errors import UsageError
from sourcing.placement import engine
from sourcing.placement.instance import Floats, Ints
from sourcing.placement.model import linear_model

STORE = -1
"""The place of barrels that have not been brought out yet."""


@dataclass(frozen=True)
class Itinerary:
    """Moves, cheapest in all, and where each barrel is."""

    week: Ints
    """Week at whose beginning the barrels travel, shape (M,)."""
    origin: Ints
    """Site they come from, or STORE, shape (M,)."""
    target: Ints
    """Site they go to, shape (M,)."""
    barrels: Ints
    """How many, shape (M,)."""
    mode: Ints
    """Which of the ways of transport, shape (M,)."""
    cost: float
    """Cost of all moves [currency]."""
    place: Ints
    """Where each barrel is in each week, site or STORE, shape (B, T)."""
    works: np.ndarray
    """Whether it works there (else it waits), shape (B, T)."""


def itinerary(barrels: Ints, cost: Floats, standing: Ints | None = None, fleet: int | None = None) -> Itinerary:
    """The cheapest moves that put `barrels` (S, T) in place.

    `cost` [currency a barrel] is of shape (S + 1, S + 1) or, by way of transport, (modes, S + 1, S + 1), the cheapest
    way being taken; row and column S stand for the store. `standing` (S,) stand at sites beforehand; the fleet is as
    large as it must be, or `fleet`. Raises UsageError when the fleet is too small or the shapes differ.
    """
    barrels = np.asarray(barrels, dtype=np.int64)
    sites = barrels.shape[0]
    ways = np.asarray(cost, dtype=np.float64)
    ways = ways[None] if ways.ndim == 2 else ways
    if ways.ndim != 3 or ways.shape[1:] != (sites + 1, sites + 1):
        raise UsageError(
            f"cost has shape {np.shape(cost)}; ({sites + 1}, {sites + 1}) is wanted, with or without modes before"
        )
    mode, cheapest = ways.argmin(axis=0), ways.min(axis=0)
    begin = np.zeros(sites, dtype=np.int64) if standing is None else np.asarray(standing, dtype=np.int64)
    needed = max(int(barrels.sum(axis=0).max()), int(begin.sum()))
    count = needed if fleet is None else int(fleet)
    if count < needed:
        raise UsageError(f"{needed} barrels stand in the busiest week, the fleet has {count}")
    week, origin, target, number = _flow(barrels, cheapest, begin, count)
    place, works = _trace(barrels, begin, count, week, origin, target, number)
    total = float((cheapest[origin, target] * number).sum())
    return Itinerary(
        week, np.where(origin == sites, STORE, origin), target, number, mode[origin, target], total, place, works
    )


def _flow(barrels: Ints, cost: Floats, begin: Ints, count: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Moves (week, origin, target, number): waiting[p, t] at place p through week t, move[p, s, t] where s grows in t.

    waiting[p, t-1] + moves into p = waiting[p, t] + moves out of p,   waiting[s, t] >= barrels[s, t]
    """
    sites, weeks = barrels.shape
    before = np.c_[begin, barrels[:, :-1]]
    grows = np.argwhere(barrels > before)
    target = np.repeat(grows[:, 0], sites + 1)
    week = np.repeat(grows[:, 1], sites + 1)
    origin = np.tile(np.arange(sites + 1), len(grows))
    keep = origin != target
    target, week, origin = target[keep], week[keep], origin[keep]
    places, moves = sites + 1, len(target)
    wait = np.arange(places * weeks)
    move = places * weeks + np.arange(moves)
    lower = np.r_[np.r_[barrels, np.zeros((1, weeks), dtype=np.int64)].ravel(), np.zeros(moves)]
    upper = np.full(len(lower), float(count))
    later = wait[wait % weeks > 0]
    row = np.r_[wait, later, target * weeks + week, origin * weeks + week]
    column = np.r_[wait, later - 1, move, move]
    value = np.r_[np.ones(len(wait)), -np.ones(len(later)), -np.ones(moves), np.ones(moves)]
    matrix = sparse.csr_matrix((value, (row, column)), shape=(places * weeks, len(lower)))
    there = np.zeros((places, weeks))
    there[:sites, 0] = begin
    there[sites, 0] = count - begin.sum()
    price = np.r_[np.zeros(places * weeks), cost[origin, target] + 1e-9]
    outcome = engine.run(linear_model(price, lower, upper, matrix, there.ravel(), there.ravel()), relaxed=True)
    assert outcome.z is not None, "a flow from the store always exists"
    number = np.round(outcome.z[move]).astype(np.int64)
    used = number > 0
    order = np.lexsort((target[used], origin[used], week[used]))
    return week[used][order], origin[used][order], target[used][order], number[used][order]


def _trace(
    barrels: Ints, begin: Ints, count: int, week: Ints, origin: Ints, target: Ints, number: Ints
) -> tuple[Ints, np.ndarray]:
    """Where each barrel is: moves are given to the barrels that wait, lowest number first."""
    sites, weeks = barrels.shape
    place = np.full((count, weeks), STORE, dtype=np.int64)
    works = np.zeros((count, weeks), dtype=bool)
    now = np.r_[np.repeat(np.arange(sites), begin), np.full(count - begin.sum(), sites)]
    for t in range(weeks):
        sent = np.zeros(count, dtype=bool)
        for i in np.flatnonzero(week == t):
            chosen = np.flatnonzero((now == origin[i]) & ~sent)[: number[i]]
            now[chosen] = target[i]
            sent[chosen] = True
        for s in range(sites):
            works[np.flatnonzero(now == s)[: barrels[s, t]], t] = True
        place[:, t] = np.where(now == sites, STORE, now)
    return place, works
