"""Bounded shortest paths from many starts at once, with answers as long as what was reached.

A compiled loop with its own heap. The marks of which node was touched are stamps (the number of the start), so
nothing of the size of the network is cleared or returned for a start: time grows with what lies within the bound.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Reached:
    """What was reached, grouped by start in order, within a start by distance; one entry a (start, target)."""

    start: Ints
    """Which start (R,)."""
    node: Ints
    """The node reached (R,)."""
    weight: Floats
    """Least sum of weights (R,)."""
    length_m: Floats
    """Sum of lengths along that path [m] (R,)."""


@dataclass(frozen=True)
class Arcs:
    """A directed graph in rows: the arcs out of node i are `first[i]` to `first[i + 1]` of `head`."""

    first: Ints
    head: Ints

    @classmethod
    def build(cls, count: int, tail: Ints, head: Ints) -> tuple[Arcs, Ints]:
        """The graph, and the order in which the given arcs now stand (sorted by tail and head, ties as given)."""
        order = np.lexsort((head, tail))
        first = np.zeros(count + 1, dtype=np.int64)
        np.cumsum(np.bincount(tail, minlength=count), out=first[1:])
        return cls(first, np.ascontiguousarray(head[order], dtype=np.int64)), order.astype(np.int64)


def _search(
    first: Ints, head: Ints, weight: Floats, length: Floats,
    seed_first: Ints, seed_node: Ints, seed_weight: Floats, seed_length: Floats,
    wanted: npt.NDArray[np.bool_], limit: float, capacity: int,
) -> tuple[Ints, Ints, Floats, Floats]:  # fmt: skip
    """Dijkstra from each start in turn, stopped at `limit`; plain loops, made to be compiled."""
    n = first.size - 1
    stamp = np.full(n, -1, dtype=np.int64)
    best = np.empty(n, dtype=np.float64)
    metres = np.empty(n, dtype=np.float64)
    done = np.full(n, -1, dtype=np.int64)
    room = 1024
    heap_key = np.empty(room, dtype=np.float64)
    heap_node = np.empty(room, dtype=np.int64)
    out_start = np.empty(capacity, dtype=np.int64)
    out_node = np.empty(capacity, dtype=np.int64)
    out_weight = np.empty(capacity, dtype=np.float64)
    out_length = np.empty(capacity, dtype=np.float64)
    count = 0
    for s in range(seed_first.size - 1):
        size = 0
        cursor = seed_first[s]
        scan = -1
        stop = -1
        base_w = 0.0
        base_m = 0.0
        while True:
            # One loop serves both the seeds of a start and the arcs of a settled node: take the next candidate.
            if scan < 0 and cursor < seed_first[s + 1]:
                node = seed_node[cursor]
                key = seed_weight[cursor]
                far = seed_length[cursor]
                cursor += 1
            elif scan >= 0 and scan < stop:
                node = head[scan]
                key = base_w + weight[scan]
                far = base_m + length[scan]
                scan += 1
            else:
                # Nothing left to relax: settle the nearest open node.
                found = -1
                while size > 0:
                    top = heap_node[0]
                    top_key = heap_key[0]
                    size -= 1
                    last_key = heap_key[size]
                    last_node = heap_node[size]
                    hole = 0
                    child = 1
                    while child < size:
                        right = child + 1
                        if right < size and (
                            heap_key[right] < heap_key[child]
                            or (heap_key[right] == heap_key[child] and heap_node[right] < heap_node[child])
                        ):
                            child = right
                        if heap_key[child] < last_key or (heap_key[child] == last_key and heap_node[child] < last_node):
                            heap_key[hole] = heap_key[child]
                            heap_node[hole] = heap_node[child]
                            hole = child
                            child = 2 * hole + 1
                        else:
                            break
                    heap_key[hole] = last_key
                    heap_node[hole] = last_node
                    if done[top] != s and top_key <= best[top]:
                        found = top
                        break
                if found < 0:
                    break
                done[found] = s
                base_w = best[found]
                base_m = metres[found]
                scan = first[found]
                stop = first[found + 1]
                if wanted[found]:
                    if count == capacity:
                        capacity *= 2
                        grown_i = np.empty(capacity, dtype=np.int64)
                        grown_i[:count] = out_start
                        out_start = grown_i
                        grown_i = np.empty(capacity, dtype=np.int64)
                        grown_i[:count] = out_node
                        out_node = grown_i
                        grown_f = np.empty(capacity, dtype=np.float64)
                        grown_f[:count] = out_weight
                        out_weight = grown_f
                        grown_f = np.empty(capacity, dtype=np.float64)
                        grown_f[:count] = out_length
                        out_length = grown_f
                    out_start[count] = s
                    out_node[count] = found
                    out_weight[count] = base_w
                    out_length[count] = base_m
                    count += 1
                continue
            if key > limit or done[node] == s:
                continue
            if stamp[node] == s and key >= best[node]:
                continue
            stamp[node] = s
            best[node] = key
            metres[node] = far
            if size == room:
                room *= 2
                more_k = np.empty(room, dtype=np.float64)
                more_k[:size] = heap_key
                heap_key = more_k
                more_n = np.empty(room, dtype=np.int64)
                more_n[:size] = heap_node
                heap_node = more_n
            hole = size
            size += 1
            while hole > 0:
                parent = (hole - 1) >> 1
                if heap_key[parent] > key or (heap_key[parent] == key and heap_node[parent] > node):
                    heap_key[hole] = heap_key[parent]
                    heap_node[hole] = heap_node[parent]
                    hole = parent
                else:
                    break
            heap_key[hole] = key
            heap_node[hole] = node
    return out_start[:count], out_node[:count], out_weight[:count], out_length[:count]


@cache
def _compiled() -> Callable[..., Any]:
    """The search, compiled when it is first used; kept on disk where there is a place to keep it."""
    import numba

    try:
        compiled = numba.njit(cache=True, nogil=True)(_search)
    except RuntimeError:  # nowhere to keep it
        compiled = numba.njit(nogil=True)(_search)
    made: Callable[..., Any] = compiled
    return made


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
    if not np.isfinite(limit):
        limit = np.finfo(np.float64).max
    found = _compiled()(
        arcs.first, arcs.head, _f(weight), _f(length_m), _i(seed_first), _i(seed_node), _f(seed_weight),
        _f(seed_length_m), np.ascontiguousarray(wanted, dtype=np.bool_), float(limit), max(1024, 64 * seed_first.size),
    )  # fmt: skip
    return Reached(*found)


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
    arcs: Arcs, weight: Floats, seeds: tuple[Ints, Floats], limit: float
) -> tuple[dict[int, tuple[int, int]], dict[int, float]]:
    """For every node within `limit` of the seeds (nodes, weights): how it is reached, and its least weight.

    How: (arc that leads to it, node before it), or (-1, position of the seed) where it is a seed. For drawing;
    nodes are settled in the same order as in :func:`search`, so that the path given is the path that was measured.
    """
    best: dict[int, float] = {}
    before: dict[int, tuple[int, int]] = {}
    heap: list[tuple[float, int]] = []
    for at, (node, start_weight) in enumerate(zip(seeds[0].tolist(), seeds[1].tolist(), strict=True)):
        if start_weight <= limit and start_weight < best.get(node, np.inf):
            best[node] = start_weight
            before[node] = (-1, at)
            heapq.heappush(heap, (start_weight, node))
    done: set[int] = set()
    while heap:
        key, node = heapq.heappop(heap)
        if node in done:
            continue
        done.add(node)
        for arc in range(int(arcs.first[node]), int(arcs.first[node + 1])):
            nxt = int(arcs.head[arc])
            far = key + float(weight[arc])
            if far <= limit and nxt not in done and far < best.get(nxt, np.inf):
                best[nxt] = far
                before[nxt] = (arc, node)
                heapq.heappush(heap, (far, nxt))
    return before, best


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
