"""Lines into nodes and edges: crossings cut, near misses joined, repeats and stubs taken out, each told.

Works on plain shapely lines in metres and knows nothing of the trade.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Geometries = npt.NDArray[np.object_]

TOUCH_M = 1e-3
"""Points closer than this are one point [m]: a hundred times the rounding of any survey, far below a step."""
ROUNDING_M = 1e-6
"""A stretch shared by two lines that is shorter than this is a point, and a point so near a line lies on it [m]."""
STUB_M = 1e-2
"""A loop shorter than this is no path [m]."""


@dataclass(frozen=True)
class Noded:
    """Edges between nodes; `source` is the position of the line each edge was cut from."""

    xy: Floats
    """Nodes (N, 2) [m], sorted by x, then y."""
    lines: Geometries
    """The course of each edge, from node u to node v (E,)."""
    u: Ints
    v: Ints
    source: Ints
    turned: npt.NDArray[np.bool_]
    """True where the edge runs against the line it was cut from (E,)."""
    repairs: tuple[tuple[str, int, float, float, float], ...]
    """What was done: (kind, source line, x, y, size in metres); kind is 'crossing', 'near_miss', 'repeated', 'stub'."""


def noded(lines: Geometries, level: Ints, snap_m: float, barriers: Geometries) -> Noded:
    """Nodes and edges of the lines (n,), each a LineString in metres longer than nothing.

    Lines that cross are cut where they cross, unless their `level` (n,) differs (a bridge over a track): those are
    cut only where one ends on the other. Loose ends within `snap_m` of another end or line are joined by a short
    straight edge, never across one of the `barriers`. Repeated edges are dropped. The answer does not depend on the
    order of the lines, but for `source` between lines that are the same.
    """
    repairs: list[tuple[str, int, float, float, float]] = []
    pieces, source = _cut_at_crossings(lines, level, repairs)
    pieces, source = _without_repeats(pieces, source, repairs)
    pieces, source = _with_near_misses(pieces, source, max(snap_m, TOUCH_M), barriers, repairs)
    ends = _ends(pieces)
    node, xy = cluster(ends.reshape(-1, 2), TOUCH_M)
    u, v = node.reshape(-1, 2).T
    used = np.unique(node.reshape(-1, 2)[(u != v) | (shapely.length(pieces) >= STUB_M)])
    flip = u > v
    pieces = np.where(flip, shapely.reverse(pieces), pieces)
    u, v = np.where(flip, v, u), np.where(flip, u, v)
    length = shapely.length(pieces)
    keep = np.flatnonzero((u != v) | (length >= STUB_M))
    middle = shapely.get_coordinates(shapely.line_interpolate_point(pieces[keep], 0.5, normalized=True))
    order = keep[np.lexsort((middle[:, 1], middle[:, 0], length[keep], v[keep], u[keep]))]
    u, v = np.searchsorted(used, u[order]), np.searchsorted(used, v[order])
    return Noded(xy[used], pieces[order], u, v, source[order], flip[order], tuple(repairs))


def cluster(points: Floats, within: float) -> tuple[Ints, Floats]:
    """Which place each point (n, 2) belongs to, and the places (N, 2), sorted; points closer than `within` are one."""
    if not len(points):
        return np.zeros(0, dtype=np.int64), np.zeros((0, 2))
    distinct, which = np.unique(np.round(points, 4), axis=0, return_inverse=True)
    pairs = cKDTree(distinct).query_pairs(within, output_type="ndarray")
    ones = np.ones(len(pairs), dtype=np.int8)
    joined = coo_array((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(distinct),) * 2)
    _, label = connected_components(joined, directed=False)
    first = np.full(label.max() + 1, len(distinct), dtype=np.int64)
    np.minimum.at(first, label, np.arange(len(distinct)))
    order = np.argsort(first, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return rank[label][which.reshape(-1)].astype(np.int64), distinct[first[order]]


def cut(lines: Geometries, at_line: Ints, at_m: Floats, at_xy: Floats) -> tuple[Geometries, Ints]:
    """The lines cut at points: point k cuts line `at_line[k]` at `at_m[k]` metres from its start, at `at_xy[k]`.

    Returns the pieces in order along the lines, without those shorter than a millimetre, and the line of each.
    """
    xy, line = shapely.get_coordinates(lines, return_index=True)
    step = np.zeros(len(xy))
    same = line[1:] == line[:-1]
    step[1:][same] = np.hypot(*(xy[1:] - xy[:-1])[same].T)
    run = np.cumsum(step)
    begins = np.flatnonzero(np.concatenate([[True], ~same]))
    measure = run - np.repeat(run[begins], np.diff(np.append(begins, len(xy))))
    all_line = np.concatenate([line, at_line])
    all_m = np.concatenate([measure, at_m])
    all_xy = np.concatenate([xy, at_xy])
    is_cut = np.concatenate([np.zeros(len(xy), bool), np.ones(len(at_line), bool)])
    # At the same measure a line's first vertex stays first and its last one last.
    rank = np.concatenate([np.full(len(xy), 1), np.full(len(at_line), 2)])
    rank[begins] = 0
    rank[np.append(begins[1:], len(xy)) - 1] = 3
    order = np.lexsort((rank, all_m, all_line))
    twice = np.repeat(order, np.where(is_cut[order], 2, 1))
    second = np.zeros(len(twice), bool)
    second[1:] = (twice[1:] == twice[:-1]) & is_cut[twice[1:]]
    new_line = np.concatenate([[True], all_line[twice][1:] != all_line[twice][:-1]])
    piece = np.cumsum(second | new_line) - 1
    points = all_xy[twice]
    hop = np.zeros(len(points))
    hop[1:] = np.where(piece[1:] == piece[:-1], np.hypot(*(points[1:] - points[:-1]).T), 0)
    length = np.bincount(piece, weights=hop)
    good = (length > TOUCH_M) & (np.bincount(piece) > 1)
    rename = np.cumsum(good) - 1
    take = good[piece]
    made = shapely.linestrings(points[take], indices=rename[piece[take]])
    owner = all_line[twice][np.flatnonzero(second | new_line)]
    return np.asarray(made, dtype=object), owner[good].astype(np.int64)


def _ends(lines: Geometries) -> Floats:
    """First and last point of each line (n, 2, 2)."""
    return np.stack(
        [shapely.get_coordinates(shapely.get_point(lines, 0)), shapely.get_coordinates(shapely.get_point(lines, -1))],
        axis=1,
    )


def _cut_at_crossings(
    lines: Geometries, level: Ints, repairs: list[tuple[str, int, float, float, float]]
) -> tuple[Geometries, Ints]:
    own = np.arange(len(lines))
    lines, own = _untangled(lines, own)
    level = level[own]
    a, b = shapely.STRtree(lines).query(lines, predicate="intersects")
    a, b = a[a < b], b[a < b]
    shared = shapely.intersection(lines[a], lines[b])
    points, pair = _points_of(shared)
    touching, touched, touches = _missed_touches(lines)
    a, b, points = np.r_[a[pair], touching], np.r_[b[pair], touched], np.concatenate([points, touches])
    at = shapely.points(points)
    ends = _ends(lines)

    def is_end(line: Ints) -> npt.NDArray[np.bool_]:
        gap = np.hypot(*(ends[line] - points[:, None, :]).transpose(2, 0, 1))
        return np.asarray(gap.min(axis=1) < TOUCH_M)

    end_a, end_b = is_end(a), is_end(b)
    take = (level[a] == level[b]) | end_a | end_b
    inside = take & ~end_a & ~end_b
    distinct, first = np.unique(np.round(points[inside], 3), axis=0, return_index=True)
    for (x, y), k in zip(distinct.tolist(), np.flatnonzero(inside)[first].tolist(), strict=True):
        repairs.append(("crossing", int(own[a[k]]), x, y, 0.0))
    line = np.concatenate([a[take], b[take]])
    at_xy = np.concatenate([points[take], points[take]])
    at_m = shapely.line_locate_point(lines[line], np.concatenate([at[take], at[take]]))
    pieces, of = cut(lines, line, at_m, at_xy)
    return pieces, own[of]


def _untangled(lines: Geometries, own: Ints) -> tuple[Geometries, Ints]:
    """Lines that cross themselves cut where they do; closed rings are left whole."""
    tangled = ~shapely.is_simple(lines)
    if not tangled.any():
        return lines, own
    parts, of = shapely.get_parts(shapely.unary_union(lines[tangled, None], axis=1), return_index=True)
    return np.concatenate([lines[~tangled], parts]), np.concatenate([own[~tangled], own[tangled][of]])


def _missed_touches(lines: Geometries) -> tuple[Ints, Ints, Floats]:
    """Bends and ends that lie on the course of another line but for rounding, and so do not count as touching it.

    Cutting a line moves what is left of it by the last digit. Returns line, other and point (n, 2).
    """
    xy, of = shapely.get_coordinates(lines, return_index=True)
    at, other = shapely.STRtree(lines).query(shapely.points(xy), predicate="dwithin", distance=ROUNDING_M)
    to_end = np.hypot(*(_ends(lines)[other] - xy[at][:, None, :]).transpose(2, 0, 1)).min(axis=1)
    apart = (of[at] != other) & (to_end > TOUCH_M)
    at, other = at[apart], other[apart].astype(np.int64)
    line = of[at].astype(np.int64)
    shared = shapely.intersection(lines[line], lines[other])
    missed = ~(shapely.distance(shapely.points(xy[at]), shared) <= TOUCH_M)
    return line[missed], other[missed], xy[at[missed]]


def _points_of(shared: Geometries) -> tuple[Floats, Ints]:
    """The points at which two lines must be cut, from their intersection: points, and the ends of shared stretches."""
    parts, pair = shapely.get_parts(shared, return_index=True)
    # A bend that lies on the other line but for rounding comes as a stretch without length.
    short = (shapely.get_type_id(parts) == 1) & (shapely.length(parts) < ROUNDING_M)
    parts[short] = shapely.get_point(parts[short], 0)
    kind = shapely.get_type_id(parts)
    xy, of = shapely.get_coordinates(parts[kind == 0], return_index=True)
    pairs = pair[kind == 0][of]
    stretch = parts[kind == 1]
    ends = _ends(stretch).reshape(-1, 2)
    end_pair = np.repeat(pair[kind == 1], 2)
    # A shared course may come in several stretches: only where they do not continue must the lines be cut.
    key = np.column_stack([end_pair, np.round(ends, 3)])
    _, which, times = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    outer = times[which.reshape(-1)] == 1
    return np.concatenate([xy, ends[outer]]), np.concatenate([pairs, end_pair[outer]]).astype(np.int64)


def _shape_keys(lines: Geometries) -> npt.NDArray[np.object_]:
    """The same bytes for lines of the same course, whichever way they run and whatever vertices lie on the way."""
    plain = shapely.set_precision(shapely.simplify(lines, TOUCH_M), TOUCH_M, mode="pointwise")
    # Adding nothing makes 0.0 of -0.0.
    plain = shapely.transform(plain, lambda xy: xy + 0.0)
    return np.asarray(shapely.to_wkb(shapely.normalize(plain)), dtype=object)


def _without_repeats(
    lines: Geometries, source: Ints, repairs: list[tuple[str, int, float, float, float]]
) -> tuple[Geometries, Ints]:
    """One of each set of edges that run the same course, either way; the one of the earliest source stays."""
    _, first, which = np.unique(_shape_keys(lines), return_index=True, return_inverse=True)
    earliest = np.full(len(first), len(lines), dtype=np.int64)
    by_source = np.argsort(source, kind="stable")
    np.minimum.at(earliest, which[by_source], np.arange(len(lines)))
    keep = np.sort(by_source[earliest])
    gone = np.setdiff1d(np.arange(len(lines)), keep)
    middle = shapely.get_coordinates(shapely.line_interpolate_point(lines[gone], 0.5, normalized=True))
    for k, (x, y) in zip(gone.tolist(), middle.tolist(), strict=True):
        repairs.append(("repeated", int(source[k]), x, y, float(shapely.length(lines[k]))))
    return lines[keep], source[keep]


def _with_near_misses(
    lines: Geometries,
    source: Ints,
    snap_m: float,
    barriers: Geometries,
    repairs: list[tuple[str, int, float, float, float]],
) -> tuple[Geometries, Ints]:
    """Loose ends joined to the nearest other end or line within `snap_m` by a short edge."""
    node, xy = cluster(_ends(lines).reshape(-1, 2), TOUCH_M)
    u, v = node.reshape(-1, 2).T
    degree = np.bincount(node, minlength=len(xy))
    loose = np.flatnonzero(degree == 1)
    if not len(loose):
        return lines, source
    edge_of = np.empty(len(xy), dtype=np.int64)
    edge_of[u], edge_of[v] = np.arange(len(lines)), np.arange(len(lines))
    length = shapely.length(lines)
    k, other = shapely.STRtree(lines).query(shapely.points(xy[loose]), predicate="dwithin", distance=snap_m)
    start = loose[k]
    own = edge_of[start] == other
    # To its own line only when the way round is long: a ring left open, not the line itself.
    far_end = np.where(u[other] == start, v[other], u[other])
    place = shapely.points(xy[start])
    along = shapely.line_locate_point(lines[other], place)
    along = np.where(own, np.where(u[other] == far_end, 0.0, length[other]), along)
    near_end = np.where(along < length[other] / 2, 0.0, length[other])
    to_end = shapely.distance(place, shapely.line_interpolate_point(lines[other], near_end))
    along = np.where(to_end <= snap_m, near_end, along)
    touch = shapely.line_interpolate_point(lines[other], along)
    gap = shapely.distance(place, touch)
    good = (gap <= snap_m) & (~own | (length[other] > 4 * snap_m)) & (gap > 0)
    link = shapely.linestrings(np.stack([shapely.get_coordinates(place), shapely.get_coordinates(touch)], axis=1))
    if len(barriers):
        hit, _ = shapely.STRtree(barriers).query(link, predicate="crosses")
        good[hit] = False
    best: dict[int, int] = {}
    for i in np.lexsort((shapely.get_y(touch), shapely.get_x(touch), gap)):
        if good[i]:
            best.setdefault(int(start[i]), int(i))
    chosen = np.array(sorted(best.values()), dtype=np.int64)
    if not len(chosen):
        return lines, source
    _, distinct = np.unique(_shape_keys(link[chosen]), return_index=True)
    chosen = chosen[np.sort(distinct)]
    at = shapely.get_coordinates(touch[chosen])
    inner = (along[chosen] > 0) & (along[chosen] < length[other[chosen]])
    pieces, of = cut(lines, other[chosen][inner], along[chosen][inner], at[inner])
    # What misses by less than a point's size only touches: nothing to tell.
    for i in chosen[gap[chosen] >= TOUCH_M].tolist():
        repairs.append(("near_miss", int(source[edge_of[start[i]]]), *xy[start[i]].tolist(), float(gap[i])))
    return np.concatenate([pieces, link[chosen]]), np.concatenate([source[of], source[edge_of[start[chosen]]]])
