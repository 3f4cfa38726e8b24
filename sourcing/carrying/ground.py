"""Fields and sites joined to the paths, and the distances between them.

A field is reached from where it is left (:mod:`sourcing.carrying.leaving`), a site from where it stands; the leg
between there and the path is walked straight, never across a barrier, at off-path speed, and so is the way inside the
field. What is near each other may also be joined straight, without a path. Paths are cut where fields and sites join
them, so no distance is rounded to a node.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from sourcing.carrying.leaving import Origins, mean_distance_m, straight_legs
from sourcing.network.noding import TOUCH_M, Floats, Geometries, Ints
from sourcing.network.paths import PathNetwork, edge_parts
from sourcing.network.reach import Arcs, follow, forerunners, search


@dataclass(frozen=True)
class Joins:
    """Where things (fields or sites) meet the paths; one row a join, a thing may have several or none."""

    thing: Ints
    """Position of the field or site (J,)."""
    node: Ints
    """Node of the ground (J,)."""
    leg_m: Floats
    """Straight walk between the thing and the path (J,) [m]."""
    leg_xy: Floats
    """Its ends: at the thing x, y, at the path x, y (J, 4)."""
    inside_m: Floats
    """Mean way inside the thing to where the leg begins (J,) [m]; 0 for a site."""
    near_m: Floats
    """Distance of every thing to the nearest usable path within reach (n,) [m]; NaN where there is none."""
    blocked: npt.NDArray[np.bool_]
    """True for things that have a path within reach but only across a barrier (n,)."""


@dataclass(frozen=True)
class Ground:
    """The paths that one kind of carrier can use in one state of the year, with fields and sites joined.

    Arcs run both ways along each edge. "Out" is the way the arc points, as an empty carrier leaves a site; "in" is the
    way against it, as a load comes to a site.
    """

    network: PathNetwork
    arcs: Arcs
    edge: Ints
    """Edge of the network that each arc runs along (A,)."""
    from_m: Floats
    """Where on the edge the arc begins, and ends (A,) [m]."""
    to_m: Floats
    length_m: Floats
    out_m: Floats
    """Level metres along the arc (A,); infinite where wheels may not."""
    in_m: Floats
    """Level metres against the arc (A,)."""
    fields: Joins
    sites: Joins
    part: Ints
    """Connected part of each node (N,)."""
    off_path: float
    """Off-path speed over on-path speed."""
    barriers: Geometries


@dataclass(frozen=True)
class Pairs:
    """Field and site pairs within reach, sorted by field, then site."""

    field: Ints
    site: Ints
    in_m: Floats
    """Level metres that the loaded way from field to site is worth [m]."""
    out_m: Floats
    """Level metres that the empty way back is worth [m]."""
    distance_m: Floats
    """Metres of the loaded way as they are [m]."""

    def __len__(self) -> int:
        return len(self.field)


def crossing(legs: Geometries, barriers: Geometries) -> npt.NDArray[np.bool_]:
    """Which straight legs (n,) cross a barrier; a leg that begins or ends on one does not cross it."""
    hit = np.zeros(len(legs), dtype=np.bool_)
    if len(barriers) and len(legs):
        hit[shapely.STRtree(barriers).query(legs, predicate="crosses")[0]] = True
    return hit


def build_ground(
    network: PathNetwork,
    usable: npt.NDArray[np.bool_],
    wheels: bool,
    fields: Origins,
    sites: Geometries,
    off_path_m: float,
    off_path: float,
    barriers: Geometries,
) -> Ground:
    """Joins fields and sites (geometries in the network's system) to the usable edges (E,).

    `wheels`: one-way rules hold. `off_path_m`: longest leg [m]; `off_path`: off-path speed over on-path speed.
    """
    edges = np.flatnonzero(usable)
    lines = network.lines[edges]
    n = len(network.xy)
    u, v = network.u[edges], network.v[edges]
    edge_part = edge_parts(n, u, v, network.length_m[edges])
    larger = network.main_of(usable)
    main = edge_part == 0 if larger is None else larger[edges]
    join_f = _join(fields.exits, lines, main, off_path_m, barriers)
    join_s = _join(sites, lines, main, off_path_m, barriers)
    at_edge = np.concatenate([join_f[1], join_s[1]])
    at_m = np.concatenate([join_f[2], join_s[2]])
    length = network.length_m[edges]
    node = np.where(at_m <= TOUCH_M, u[at_edge], np.where(at_m >= length[at_edge] - TOUCH_M, v[at_edge], -1))
    inner = np.flatnonzero(node < 0)
    key = np.column_stack([at_edge[inner].astype(float), np.round(at_m[inner], 3)])
    distinct, which = np.unique(key, axis=0, return_inverse=True)
    node[inner] = n + which.reshape(-1)
    cut_edge, cut_m = distinct[:, 0].astype(np.int64), distinct[:, 1]
    total = n + len(distinct)

    # Every edge as its start, its cuts in order and its end; neighbours in this list are the pieces.
    e = np.arange(len(edges))
    seq_edge = np.concatenate([e, cut_edge, e])
    seq_m = np.concatenate([np.zeros(len(e)), cut_m, length])
    seq_node = np.concatenate([u, n + np.arange(len(distinct)), v])
    rank = np.concatenate([np.zeros(len(e)), np.ones(len(distinct)), np.full(len(e), 2)])
    order = np.lexsort((seq_m, rank, seq_edge))
    seq_edge, seq_m, seq_node = seq_edge[order], seq_m[order], seq_node[order]
    follows = np.flatnonzero(seq_edge[1:] == seq_edge[:-1])
    piece_edge = edges[seq_edge[follows]]
    a, b = seq_node[follows], seq_node[follows + 1]
    from_m, to_m = seq_m[follows], seq_m[follows + 1]
    piece_m = to_m - from_m
    whole = network.length_m[piece_edge]
    uv = piece_m * (network.level_uv_m[piece_edge] / whole)
    vu = piece_m * (network.level_vu_m[piece_edge] / whole)
    if wheels:
        uv = np.where(network.one_way[piece_edge] == -1, np.inf, uv)
        vu = np.where(network.one_way[piece_edge] == 1, np.inf, vu)
    arcs, order = Arcs.build(total, np.concatenate([a, b]), np.concatenate([b, a]))
    part = np.concatenate([np.full(n, -1), np.zeros(len(distinct), dtype=np.int64)])
    part[u], part[v] = edge_part, edge_part
    part[n:] = edge_part[cut_edge]
    count_f = len(join_f[0])
    return Ground(
        network, arcs,
        edge=np.concatenate([piece_edge, piece_edge])[order],
        from_m=np.concatenate([from_m, to_m])[order],
        to_m=np.concatenate([to_m, from_m])[order],
        length_m=np.concatenate([piece_m, piece_m])[order],
        out_m=np.concatenate([uv, vu])[order],
        in_m=np.concatenate([vu, uv])[order],
        fields=_joins(join_f, node[:count_f], fields.land),
        sites=_joins(join_s, node[count_f:], sites),
        part=part, off_path=off_path, barriers=barriers,
    )  # fmt: skip


_Found = tuple[Ints, Ints, Floats, Floats, Floats, npt.NDArray[np.bool_]]


def _joins(found: _Found, node: Ints, land: Geometries) -> Joins:
    thing, _, _, leg_xy, near, blocked = found
    leg = np.hypot(leg_xy[:, 2] - leg_xy[:, 0], leg_xy[:, 3] - leg_xy[:, 1])
    order = np.lexsort((node, thing))
    _, first = np.unique(np.column_stack([thing[order], node[order]]), axis=0, return_index=True)
    keep = order[first]
    thing, leg_xy = thing[keep], leg_xy[keep]
    return Joins(thing, node[keep], leg[keep], leg_xy, mean_distance_m(land[thing], leg_xy[:, :2]), near, blocked)


def _join(
    shapes: Geometries, lines: Geometries, main: npt.NDArray[np.bool_], off_path_m: float, barriers: Geometries
) -> _Found:
    """(thing, edge, metres along it, leg ends, nearest distance of every thing, blocked of every thing).

    Each thing is joined to the nearest edge, and where that belongs to a cut-off part, to the nearest of the main part
    too. Legs that would cross a barrier are replaced by the nearest that do not.
    """
    near = np.full(len(shapes), np.nan)
    blocked = np.zeros(len(shapes), dtype=np.bool_)
    if not len(lines) or not len(shapes):
        none = np.zeros(0, dtype=np.int64)
        return none, none, np.zeros(0), np.zeros((0, 4)), near, blocked
    tree = shapely.STRtree(lines)
    thing, edge = _nearest(tree, shapes, off_path_m)
    near[thing] = shapely.distance(shapes[thing], lines[edge])
    stray = np.setdiff1d(thing, thing[main[edge]])
    if len(stray) and main.any():
        main_edges = np.flatnonzero(main)
        k, hit = _nearest(shapely.STRtree(lines[main_edges]), shapes[stray], off_path_m)
        thing, edge = np.concatenate([thing, stray[k]]), np.concatenate([edge, main_edges[hit]])
    legs = straight_legs(shapes[thing], lines[edge])
    bad = crossing(legs, barriers)
    if bad.any():
        hindered = np.unique(thing[bad])
        k, hit, other = _around(shapes[hindered], tree, lines, off_path_m, barriers)
        blocked[np.setdiff1d(hindered, np.concatenate([thing[~bad], hindered[k]]))] = True
        thing = np.concatenate([thing[~bad], hindered[k]])
        edge = np.concatenate([edge[~bad], hit])
        legs = np.concatenate([legs[~bad], other])
    ends = shapely.get_coordinates(legs).reshape(-1, 4)
    along = shapely.line_locate_point(lines[edge], shapely.points(ends[:, 2:]))
    return thing.astype(np.int64), edge.astype(np.int64), along, ends, near, blocked


def _nearest(tree: shapely.STRtree, shapes: Geometries, within: float) -> tuple[Ints, Ints]:
    if within <= 0:
        found = tree.query(shapes, predicate="intersects")
    else:
        found = tree.query_nearest(shapes, max_distance=within)
    return found[0].astype(np.int64), found[1].astype(np.int64)


def _around(
    shapes: Geometries, tree: shapely.STRtree, lines: Geometries, within: float, barriers: Geometries
) -> tuple[Ints, Ints, Geometries]:
    """For each shape the nearest path that is reached without crossing a barrier: (shape, edge, leg)."""
    k, edge = tree.query(shapes, predicate="dwithin", distance=within)
    # Straight stretches of the candidates, cut where barriers cross them, so that the near side of a bridge counts.
    distinct, which = np.unique(edge, return_inverse=True)
    stretch, of = _stretches(lines[distinct], barriers)
    order = np.argsort(of, kind="stable")
    first = np.searchsorted(of[order], np.arange(len(distinct) + 1))
    size = (first[1:] - first[:-1])[which]
    pick = np.repeat(first[which] - np.concatenate([[0], np.cumsum(size)[:-1]]), size) + np.arange(size.sum())
    piece = order[pick]
    k, edge = np.repeat(k, size), np.repeat(edge, size)
    legs = np.asarray(shapely.shortest_line(shapes[k], stretch[piece]), dtype=object)
    far = shapely.length(legs)
    good = np.flatnonzero((far <= within) & ~crossing(legs, barriers))
    good = good[np.lexsort((edge[good], far[good], k[good]))]
    _, best = np.unique(k[good], return_index=True)
    best = good[best]
    return k[best].astype(np.int64), edge[best].astype(np.int64), legs[best]


def _stretches(lines: Geometries, barriers: Geometries) -> tuple[Geometries, Ints]:
    """The straight stretches of lines, cut at barriers, and the line of each."""
    xy, of = shapely.get_coordinates(lines, return_index=True)
    same = of[1:] == of[:-1]
    pieces = shapely.linestrings(np.stack([xy[:-1][same], xy[1:][same]], axis=1))
    owner = of[1:][same]
    hit = shapely.STRtree(barriers).query(pieces, predicate="crosses")
    if not hit.size:
        return pieces, owner
    cutters = np.unique(hit[0])
    water = shapely.union_all(barriers[np.unique(hit[1])])
    parts, which = shapely.get_parts(shapely.difference(pieces[cutters], water), return_index=True)
    rest = np.setdiff1d(np.arange(len(pieces)), cutters)
    return np.concatenate([pieces[rest], parts]), np.concatenate([owner[rest], owner[cutters][which]])


# ------------------------------------------------------------------------------------------------------- distances


def _seeds(ground: Ground) -> tuple[Ints, Ints, Floats, Floats]:
    """Starts of the search from every site: first, node, level metres, metres."""
    joins = ground.sites
    order = np.argsort(joins.thing, kind="stable")
    first = np.searchsorted(joins.thing[order], np.arange(len(joins.near_m) + 1))
    leg = joins.leg_m[order]
    return first.astype(np.int64), joins.node[order], leg / ground.off_path, leg


def _from_sites(ground: Ground, weight: Floats, limit: float) -> tuple[Ints, Ints, Floats, Floats]:
    """(field, site, level metres, metres) of the best way between, within `limit`, sorted by field and site."""
    joins = ground.fields
    wanted = np.zeros(len(ground.part), dtype=np.bool_)
    wanted[joins.node] = True
    found = search(ground.arcs, weight, ground.length_m, *_seeds(ground), wanted, limit)
    order = np.argsort(joins.node, kind="stable")
    first = np.searchsorted(joins.node[order], found.node)
    size = np.searchsorted(joins.node[order], found.node, side="right") - first
    entry = np.repeat(np.arange(len(size)), size)
    within = np.arange(len(entry)) - np.repeat(np.cumsum(size) - size, size)
    join = order[first[entry] + within]
    beside = joins.leg_m[join] + joins.inside_m[join]
    level = found.weight[entry] + beside / ground.off_path
    metres = found.length_m[entry] + beside
    field, site = joins.thing[join], found.start[entry]
    keep = level <= limit
    return best_of(field[keep], site[keep], level[keep], metres[keep])


def best_of(field: Ints, site: Ints, level: Floats, metres: Floats) -> tuple[Ints, Ints, Floats, Floats]:
    """The least level metres of each (field, site), sorted by field and site; ties to the shorter."""
    if not len(field):
        return field, site, level, metres
    wide = int(site.max()) + 1
    code = field * wide + site
    order = np.argsort(code, kind="stable")
    code, level, metres = code[order], level[order], metres[order]
    begins = np.flatnonzero(np.concatenate([[True], code[1:] != code[:-1]]))
    least = np.minimum.reduceat(level, begins)
    size = np.diff(np.append(begins, len(code)))
    shortest = np.minimum.reduceat(np.where(level == np.repeat(least, size), metres, np.inf), begins)
    return code[begins] // wide, code[begins] % wide, least, shortest


def straight_pairs(
    fields: Origins, sites: Geometries, within_m: float, barriers: Geometries, detour: float, leg_worth: float,
    off_path: float, limit: float,
) -> Pairs:  # fmt: skip
    """Pairs whose straight leg is at most `within_m`, crosses no barrier, and is worth `limit` level metres or less.

    `detour`: metres walked for one straight metre of the leg; `leg_worth`: level metres that it is worth; `off_path`:
    off-path speed over on-path speed, at which the way inside the field is walked.
    """
    if not len(fields) or not len(sites):
        none = np.zeros(0, dtype=np.int64)
        return Pairs(none, none, np.zeros(0), np.zeros(0), np.zeros(0))
    field, site = shapely.STRtree(sites).query(fields.exits, predicate="dwithin", distance=within_m)
    legs = straight_legs(fields.exits[field], sites[site])
    open_ = ~crossing(legs, barriers)
    order = np.flatnonzero(open_)[np.lexsort((site[open_], field[open_]))]
    field, site, legs = field[order].astype(np.int64), site[order].astype(np.int64), legs[order]
    far = shapely.length(legs)
    inside = mean_distance_m(fields.land[field], shapely.get_coordinates(legs)[::2])
    worth, metres = far * leg_worth + inside / off_path, far * detour + inside
    keep = worth <= limit
    return Pairs(field[keep], site[keep], worth[keep], worth[keep], metres[keep])


def pairs_without_paths(
    fields: Origins, sites: Geometries, barriers: Geometries, detour: float, off_path: float, limit: float
) -> Pairs:
    """All pairs worth `limit` level metres or less where no paths are known: straight legs times the detour factor."""
    return straight_pairs(fields, sites, limit / detour, barriers, detour, detour, off_path, limit)


def pairs_within(ground: Ground, fields: Origins, sites: Geometries, limit: float, off_path_m: float) -> Pairs:
    """All field and site pairs whose mean of loaded and empty level metres is at most `limit`, exact.

    Each pair takes the better of the way by the paths and, where they lie within `off_path_m` of each other and no
    barrier is between, the straight way. The loaded and the empty way are each the best of their own.
    """
    same = np.array_equal(ground.in_m, ground.out_m)
    bound = limit if same else 2 * limit
    direct = _direct(ground, fields, sites, min(off_path_m, limit * ground.off_path), bound)
    loaded = _with_direct(_from_sites(ground, ground.in_m, bound), direct)
    if same:
        return Pairs(loaded[0], loaded[1], loaded[2], loaded[2], loaded[3])
    empty = _with_direct(_from_sites(ground, ground.out_m, bound), direct)
    count = len(ground.sites.near_m)
    code_in, code_out = loaded[0] * count + loaded[1], empty[0] * count + empty[1]
    _, a, b = np.intersect1d(code_in, code_out, assume_unique=True, return_indices=True)
    in_m, out_m = loaded[2][a], empty[2][b]
    keep = (in_m + out_m) / 2 <= limit
    a = a[keep]
    return Pairs(loaded[0][a], loaded[1][a], in_m[keep], out_m[keep], loaded[3][a])


def _direct(ground: Ground, fields: Origins, sites: Geometries, within_m: float, limit: float) -> Pairs:
    """The straight ways beside the paths."""
    off = ground.off_path
    return straight_pairs(fields, sites, within_m, ground.barriers, 1.0, 1 / off, off, limit)


def _with_direct(found: tuple[Ints, Ints, Floats, Floats], direct: Pairs) -> tuple[Ints, Ints, Floats, Floats]:
    return best_of(
        np.concatenate([found[0], direct.field]),
        np.concatenate([found[1], direct.site]),
        np.concatenate([found[2], direct.in_m]),
        np.concatenate([found[3], direct.distance_m]),
    )


# ---------------------------------------------------------------------------------------------------------- routes


def routes_from_site(
    ground: Ground, site: int, wanted: Ints, fields: Origins, sites: Geometries, off_path_m: float, limit: float,
) -> dict[int, tuple[Floats, float]]:  # fmt: skip
    """The loaded way from each wanted field to one site: coordinates (k, 2) and level metres, by field.

    The same ways that :func:`pairs_within` measured. Fields that cannot reach the site are left out.
    """
    sites_joins, field_joins = ground.sites, ground.fields
    mine = np.flatnonzero(sites_joins.thing == site)
    leg = sites_joins.leg_m[mine]
    seeds = (sites_joins.node[mine], leg / ground.off_path, leg)
    goals = set(field_joins.node[np.isin(field_joins.thing, wanted)].tolist())
    before, best = forerunners(ground.arcs, ground.in_m, ground.length_m, seeds, limit, goals)
    direct = _direct(ground, fields[wanted], sites[[site]], off_path_m, limit)
    straight = dict(zip(direct.field.tolist(), direct.in_m.tolist(), strict=True))
    out: dict[int, tuple[Floats, float]] = {}
    for position, field in enumerate(wanted.tolist()):
        joins = np.flatnonzero(field_joins.thing == field)
        beside = ((field_joins.leg_m + field_joins.inside_m)[joins] / ground.off_path).tolist()
        ways = [
            (best[node] + level_m, j)
            for j, node, level_m in zip(joins.tolist(), field_joins.node[joins].tolist(), beside, strict=True)
            if node in best
        ]
        way = min(ways, default=(np.inf, -1))
        if straight.get(position, np.inf) <= way[0]:
            if position not in straight:
                continue
            leg_xy = shapely.get_coordinates(straight_legs(fields.exits[[field]], sites[[site]]))
            out[field] = (leg_xy, straight[position])
            continue
        seed, path = follow(before, int(field_joins.node[way[1]]))
        pieces = [sites_joins.leg_xy[mine[seed]].reshape(2, 2)]
        pieces += [arc_course(ground, arc) for arc in path]
        pieces.append(field_joins.leg_xy[way[1]].reshape(2, 2)[::-1])
        xy = np.concatenate(pieces)[::-1]
        moved = np.ones(len(xy), dtype=np.bool_)
        moved[1:] = np.hypot(*(xy[1:] - xy[:-1]).T) > 0
        out[field] = (xy[moved] if moved.sum() > 1 else xy[[0, -1]], float(way[0]))
    return out


def arc_course(ground: Ground, arc: int) -> Floats:
    """Coordinates (k, 2) along one arc, in the way it points."""
    line = ground.network.lines[ground.edge[arc]]
    a, b = float(ground.from_m[arc]), float(ground.to_m[arc])
    xy = shapely.get_coordinates(line)
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*(xy[1:] - xy[:-1]).T))])
    low, high = min(a, b), max(a, b)
    inner = (run > low + TOUCH_M) & (run < high - TOUCH_M)
    ends = np.column_stack([np.interp([low, high], run, xy[:, axis]) for axis in (0, 1)])
    course = np.concatenate([ends[:1], xy[inner], ends[1:]])
    return course if a <= b else course[::-1]
