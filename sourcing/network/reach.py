"""Bounded shortest paths from many starts at once, with answers as long as what was reached.

A compiled loop (:mod:`sourcing.network.reach_loop`). The marks of which node was touched are stamps (the number of the
start), so nothing of the size of the network is cleared or returned for a start: time grows with what lies within
the bound.
"""

from __future__ import annotations

import heapq
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Reached:
    """What was reached, one entry a (start, target); the entries of a start stand together, in no other order."""

    start: Ints
    """Which start (R,)."""
    node: Ints
    """The node reached (R,)."""
    weight: Floats
    """Least sum of weights (R,)."""
    length_m: Floats
    """Sum of lengths along that path [m] (R,); of several ways of the same weight, the shortest."""


@dataclass(frozen=True)
class Arcs:
    """A directed graph in rows: the arcs out of node i are `first[i]` to `first[i + 1]` of `head`."""

    first: Ints
    head: npt.NDArray[np.int32]

    @classmethod
    def build(cls, count: int, tail: Ints, head: Ints) -> tuple[Arcs, Ints]:
        """The graph, and the order in which the given arcs now stand (sorted by tail and head, ties as given)."""
        order = np.lexsort((head, tail))
        first = np.zeros(count + 1, dtype=np.int64)
        np.cumsum(np.bincount(tail, minlength=count), out=first[1:])
        return cls(first, np.ascontiguousarray(head[order], dtype=np.int32)), order.astype(np.int64)


MOST_BUCKETS = 1 << 16
_SPLIT = 0.5
_SAMPLE = 1024
_STARTS_A_THREAD = 256


def search(
    arcs: Arcs,
    weight: Floats,
    length_m: Floats,
    seed_first: Ints,
    seed_node: Ints,
    seed_weight: Floats,
    seed_length_m: Floats,
    wanted: npt.NDArray[np.bool_],
    limit: float,
) -> Reached:
    """Least weights from every start to the wanted nodes within `limit`, exact.

    `weight` and `length_m` belong to the arcs (A,), none negative; an infinite weight closes an arc. Start s begins at
    the nodes `seed_node[seed_first[s]:seed_first[s + 1]]`, each with the weight and length already walked to it.
    `wanted` (N,) marks the nodes to report. A path whose weight equals the limit is reported.
    Raises ValueError for a negative weight or one that is not a number.
    """
    if weight.size and not (weight.min() >= 0):
        raise ValueError("weights must be 0 or more")
    if seed_weight.size and not (seed_weight.min() >= 0):
        raise ValueError("weights of the starts must be 0 or more")
    sample = weight[:: max(weight.size // _SAMPLE, 1)]
    sample = sample[np.isfinite(sample) & (sample > 0)]
    if not np.isfinite(limit):
        limit = float(weight[np.isfinite(weight)].sum() + seed_weight[np.isfinite(seed_weight)].max(initial=0.0))
    usual = float(np.median(sample)) if sample.size else 1.0
    width = max(usual * _SPLIT, limit / (MOST_BUCKETS - 2), np.finfo(np.float64).tiny)
    buckets = int(limit / width) + 2
    # Starts near each other, one after another, find their surroundings still at hand in the processor.
    leading = np.full(seed_first.size - 1, -1, dtype=np.int64)
    some = seed_first[:-1] < seed_first[1:]
    leading[some] = seed_node[seed_first[:-1][some]]
    order = np.argsort(leading, kind="stable")
    from sourcing.network.reach_loop import search_loop

    given = (
        arcs.first, arcs.head, _f(weight), _f(length_m),
    )  # fmt: skip
    seeds = (_i(seed_first), _i(seed_node), _f(seed_weight), _f(seed_length_m))
    marks = np.ascontiguousarray(wanted, dtype=np.bool_)

    def some_starts(turns: Ints) -> tuple[Ints, Ints, Floats, Floats]:
        room = max(1024, 64 * turns.size)
        found: tuple[Ints, Ints, Floats, Floats] = search_loop(
            *given, turns, *seeds, marks, float(limit), width, buckets, room
        )
        return found

    threads = min(os.cpu_count() or 1, order.size // _STARTS_A_THREAD)
    if threads < 2:
        return Reached(*some_starts(order))
    with ThreadPoolExecutor(threads) as pool:
        parts = list(pool.map(some_starts, np.array_split(order, threads)))
    return Reached(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _f(a: npt.ArrayLike) -> Floats:
    return np.ascontiguousarray(a, dtype=np.float64)


def _i(a: npt.ArrayLike) -> Ints:
    return np.ascontiguousarray(a, dtype=np.int64)


def search_from_nodes(arcs: Arcs, weight: Floats, nodes: Ints, limit: float) -> Reached:
    """Least weights from single nodes to all nodes within `limit`; lengths are the weights."""
    zero = np.zeros(nodes.size)
    every = np.ones(arcs.first.size - 1, dtype=np.bool_)
    return search(arcs, weight, weight, np.arange(nodes.size + 1), nodes, zero, zero, every, limit)


def forerunners(
    arcs: Arcs, weight: Floats, length_m: Floats, seeds: tuple[Ints, Floats, Floats], limit: float,
    goals: set[int] | None = None,
) -> tuple[dict[int, tuple[int, int]], dict[int, float]]:  # fmt: skip
    """For every node within `limit` of the seeds (nodes, weights, lengths): how it is reached, and its least weight.

    With `goals` it stops when all of them are reached; what is farther may then be missing or not yet the least.

    How: (arc that leads to it, node before it), or (-1, position of the seed) where it is a seed. For drawing: of
    several ways of the same weight it gives the shortest, as :func:`search` measures.
    """
    best: dict[int, tuple[float, float]] = {}
    before: dict[int, tuple[int, int]] = {}
    heap: list[tuple[float, float, int]] = []
    goals = None if goals is None else set(goals)
    never = (np.inf, np.inf)
    for at, (node, *start) in enumerate(zip(*(s.tolist() for s in seeds), strict=True)):
        far = (start[0], start[1])
        if far[0] <= limit and far < best.get(node, never):
            best[node] = far
            before[node] = (-1, at)
            heapq.heappush(heap, (*far, node))
    while heap:
        key, metres, node = heapq.heappop(heap)
        if (key, metres) > best[node]:
            continue
        if goals is not None:
            goals.discard(node)
            if not goals:
                break
        for arc in range(int(arcs.first[node]), int(arcs.first[node + 1])):
            nxt = int(arcs.head[arc])
            far = (key + float(weight[arc]), metres + float(length_m[arc]))
            if far[0] <= limit and far < best.get(nxt, never):
                best[nxt] = far
                before[nxt] = (arc, node)
                heapq.heappush(heap, (*far, nxt))
    return before, {node: far[0] for node, far in best.items()}


def follow(before: dict[int, tuple[int, int]], node: int) -> tuple[int, list[int]]:
    """The path to `node` out of :func:`forerunners`: (position of the seed it begins at, arcs in order).

    Raises LookupError when the node is not within reach.
    """
    if node not in before:
        raise LookupError(f"node {node} is not within reach")
    path: list[int] = []
    arc, prior = before[node]
    while arc >= 0:
        path.append(arc)
        arc, prior = before[prior]
    return prior, path[::-1]
