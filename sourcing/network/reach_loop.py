"""The compiled loop of :mod:`sourcing.network.reach`; imported only when first needed, since that loads the compiler.

Nodes wait in buckets of equal width of weight. Within a bucket a node may be looked at again when it is improved; what
comes out is the same least sum, to the last bit, as taking the nearest node each time, for adding never turns the
order of two sums round.
"""

from __future__ import annotations

import numba
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Ints32 = npt.NDArray[np.int32]


def _search(
    first: Ints, head: Ints32, weight: Floats, length: Floats,
    order: Ints, seed_first: Ints, seed_node: Ints, seed_weight: Floats, seed_length: Floats,
    wanted: npt.NDArray[np.bool_], limit: float, width: float, buckets: int, capacity: int,
) -> tuple[Ints, Ints, Floats, Floats]:  # fmt: skip
    """Least sums from each start in turn, in the given `order` of starts, within `limit`."""
    n = first.size - 1
    # Side by side, so that what is known of a node is fetched together: [turn it was touched in, bucket it waits in]
    # and [least weight, length of that way].
    mark = np.full((n, 2), -1, dtype=np.int32)
    least = np.empty((n, 2), dtype=np.float64)
    touched = np.empty(n, dtype=np.int32)
    bucket = np.full(buckets, -1, dtype=np.int32)
    room = 4096
    entry_node = np.empty(room, dtype=np.int32)
    entry_next = np.empty(room, dtype=np.int32)
    out_start = np.empty(capacity, dtype=np.int64)
    out_node = np.empty(capacity, dtype=np.int64)
    out_weight = np.empty(capacity, dtype=np.float64)
    out_length = np.empty(capacity, dtype=np.float64)
    count = 0
    inverse = 1.0 / width
    for turn in range(order.size):
        s = order[turn]
        seen = 0
        entries = 0
        last = -1
        low = buckets
        for k in range(seed_first[s], seed_first[s + 1]):
            node = seed_node[k]
            key = seed_weight[k]
            if key > limit:
                continue
            far = seed_length[k]
            if mark[node, 0] == turn:
                if key > least[node, 0] or (key == least[node, 0] and far >= least[node, 1]):
                    continue
            else:
                mark[node, 0] = turn
                mark[node, 1] = -1
                touched[seen] = node
                seen += 1
            least[node, 0] = key
            least[node, 1] = far
            b = min(int(key * inverse), buckets - 1)
            if mark[node, 1] != b:
                if entries == room:
                    entry_node = np.append(entry_node, np.empty(room, dtype=np.int32))
                    entry_next = np.append(entry_next, np.empty(room, dtype=np.int32))
                    room *= 2
                mark[node, 1] = b
                entry_node[entries] = node
                entry_next[entries] = bucket[b]
                bucket[b] = entries
                entries += 1
                last = max(last, b)
                low = min(low, b)
        now = low
        while now <= last:
            entry = bucket[now]
            if entry < 0:
                now += 1
                continue
            bucket[now] = entry_next[entry]
            tail = entry_node[entry]
            if mark[tail, 1] != now:
                continue
            mark[tail, 1] = -1
            base = least[tail, 0]
            base_m = least[tail, 1]
            for arc in range(first[tail], first[tail + 1]):
                key = base + weight[arc]
                if key > limit:
                    continue
                node = head[arc]
                far = base_m + length[arc]
                if mark[node, 0] == turn:
                    if key > least[node, 0] or (key == least[node, 0] and far >= least[node, 1]):
                        continue
                else:
                    mark[node, 0] = turn
                    mark[node, 1] = -1
                    touched[seen] = node
                    seen += 1
                least[node, 0] = key
                least[node, 1] = far
                b = min(int(key * inverse), buckets - 1)
                if mark[node, 1] != b:
                    if entries == room:
                        entry_node = np.append(entry_node, np.empty(room, dtype=np.int32))
                        entry_next = np.append(entry_next, np.empty(room, dtype=np.int32))
                        room *= 2
                    mark[node, 1] = b
                    entry_node[entries] = node
                    entry_next[entries] = bucket[b]
                    bucket[b] = entries
                    entries += 1
                    last = max(last, b)
        if count + seen > capacity:
            # As much as the starts so far lead to expect, and a tenth; at least what is needed now.
            more = max(int(1.1 * (count + seen) / (turn + 1) * order.size) - capacity, capacity // 8, seen)
            out_start = np.append(out_start, np.empty(more, dtype=np.int64))
            out_node = np.append(out_node, np.empty(more, dtype=np.int64))
            out_weight = np.append(out_weight, np.empty(more, dtype=np.float64))
            out_length = np.append(out_length, np.empty(more, dtype=np.float64))
            capacity += more
        for k in range(seen):
            node = touched[k]
            if wanted[node]:
                out_start[count] = s
                out_node[count] = node
                out_weight[count] = least[node, 0]
                out_length[count] = least[node, 1]
                count += 1
    return out_start[:count], out_node[:count], out_weight[:count], out_length[:count]


try:
    search_loop = numba.njit(cache=True, nogil=True)(_search)
except RuntimeError:  # no place to keep the compiled loop: it is compiled anew in each process
    search_loop = numba.njit(nogil=True)(_search)
