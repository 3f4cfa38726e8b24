"""What must hold for any network: exact distances, noding that loses nothing, budgets that cut cleanly."""

import networkx as nx
import numpy as np
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sourcing.carrying.ground import build_ground, crossing, pairs_within
from sourcing.carrying.leaving import Origins
from sourcing.network.noding import cut, noded
from sourcing.network.paths import network_of
from sourcing.network.reach import Arcs, follow, forerunners, search, search_from_nodes
from sourcing.network.walking import SPEEDS, level_metres
from sourcing.network.ways import local_lines
from tests.walks import METRES, VALUES, layer, lines, season, square

NONE = np.zeros(0, dtype=object)


@st.composite
def graphs(draw):
    n = draw(st.integers(2, 12))
    m = draw(st.integers(0, 30))
    node = st.integers(0, n - 1)
    weight = st.one_of(st.integers(0, 5).map(float), st.floats(0, 10, allow_nan=False), st.just(np.inf))
    edges = draw(st.lists(st.tuples(node, node, weight), min_size=m, max_size=m))
    return n, edges, draw(st.floats(0, 25)), draw(st.lists(node, min_size=1, max_size=3))


def built(n, edges):
    tail, head, weight = (np.array([e[k] for e in edges]) for k in range(3))
    arcs, order = Arcs.build(n, tail.astype(np.int64), head.astype(np.int64))
    return arcs, weight.astype(float)[order]


def in_networkx(n, edges):
    """Closed arcs (infinite weight) are left out."""
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(n))
    graph.add_weighted_edges_from([e for e in edges if np.isfinite(e[2])])
    return graph


@settings(deadline=None, max_examples=200)
@given(graphs())
def test_reach_equals_networkx_to_the_last_bit_with_closed_arcs_too(case):
    n, edges, limit, starts = case
    arcs, weight = built(n, edges)
    found = search_from_nodes(arcs, weight, np.array(starts), limit)
    graph = in_networkx(n, edges)
    for k, start in enumerate(starts):
        mine = found.start == k
        got = dict(zip(found.node[mine].tolist(), found.weight[mine].tolist(), strict=True))
        assert got == nx.single_source_dijkstra_path_length(graph, start, cutoff=limit)


@settings(deadline=None, max_examples=100)
@given(graphs(), st.integers(0, 2**32 - 1))
def test_several_seeds_with_head_starts_and_lengths_apart_from_weights(case, seed):
    n, edges, limit, starts = case
    arcs, weight = built(n, edges)
    rng = np.random.default_rng(seed)
    length, ahead = rng.random(len(weight)), rng.random(len(starts)) * 3
    wanted = rng.random(n) < 0.5
    first = np.array([0, len(starts)])
    found = search(arcs, weight, length, first, np.array(starts), ahead, 2 * ahead, wanted, limit)
    graph = in_networkx(n, edges)
    graph.add_weighted_edges_from([("start", s, a) for s, a in zip(starts, ahead.tolist(), strict=True)])
    want = nx.single_source_dijkstra_path_length(graph, "start", cutoff=limit)
    want = {k: w for k, w in want.items() if k != "start" and wanted[k]}
    assert dict(zip(found.node.tolist(), found.weight.tolist(), strict=True)) == want
    before, best = forerunners(arcs, weight, length, (np.array(starts), ahead, 2 * ahead), limit)
    for node, far, metres in zip(found.node.tolist(), found.weight.tolist(), found.length_m.tolist(), strict=True):
        at, path = follow(before, node)
        total, run = ahead[at], 2 * ahead[at]
        for arc in path:
            total, run = total + weight[arc], run + length[arc]
        assert total == far == best[node]
        assert run == metres


@settings(deadline=None, max_examples=100)
@given(graphs(), st.floats(0, 25))
def test_a_smaller_budget_gives_exactly_the_nearer_part(case, smaller):
    n, edges, limit, starts = case
    arcs, weight = built(n, edges)
    low, high = sorted((limit, smaller))
    wide, narrow = (search_from_nodes(arcs, weight, np.array(starts), b) for b in (high, low))
    within = wide.weight <= low
    far, near = (dict(zip(zip(f.start.tolist(), f.node.tolist(), strict=True), f.weight.tolist(), strict=True))
                 for f in (wide, narrow))  # fmt: skip
    assert near == {k: w for k, w in far.items() if w <= low}
    assert len(near) == within.sum()


@st.composite
def tangles(draw):
    point = st.tuples(st.integers(0, 12), st.integers(0, 12)).map(lambda p: (p[0] * 10.0, p[1] * 10.0))
    line = st.lists(point, min_size=2, max_size=4).filter(lambda ps: all(a != b for a, b in zip(ps, ps[1:])))  # noqa: B905, RUF007
    return [shapely.LineString(ps) for ps in draw(st.lists(line, min_size=1, max_size=7))]


@settings(deadline=None, max_examples=80)
@given(tangles())
@example(
    [shapely.LineString([(0, 90), (60, 70), (0, 100)]), shapely.LineString([(10, 80), (110, 60), (0, 0), (40, 80)])]
)
@example(
    [
        shapely.LineString([(0, 0), (80, 80), (60, 70), (70, 70)]),
        shapely.LineString([(20, 80), (100, 60), (10, 0), (70, 70)]),
    ]
)
@example(
    [
        shapely.LineString([(10, 0), (90, 100), (60, 70), (70, 80)]),
        shapely.LineString([(20, 80), (100, 60), (100, 70), (0, 0)]),
    ]
)
def test_noding_covers_the_same_ground_once_and_edges_meet_only_at_nodes(shapes):
    given_lines = np.array(shapes, dtype=object)
    made = noded(given_lines, np.zeros(len(shapes), dtype=np.int64), 0.0, NONE)
    ground = shapely.union_all(given_lines)
    assert abs(shapely.length(made.lines).sum() - ground.length) < 0.05
    assert shapely.hausdorff_distance(shapely.union_all(made.lines), ground) < 0.01
    ends = shapely.points(made.xy)
    a, b = shapely.STRtree(made.lines).query(made.lines, predicate="intersects")
    for i, j in zip(a[a < b].tolist(), b[a < b].tolist(), strict=True):
        shared = shapely.intersection(made.lines[i], made.lines[j])
        # What two edges share lies at nodes (within the rounding of points).
        for part in shapely.get_parts(shared):
            assert part.length < 0.02
            assert shapely.distance(part, ends[[made.u[i], made.v[i]]]).min() < 0.02


@settings(deadline=None, max_examples=40)
@given(tangles(), st.randoms(use_true_random=False))
def test_the_network_is_the_same_whatever_the_order_of_rows(shapes, random):
    other = list(shapes)
    random.shuffle(other)
    one, two = (network_of(layer(s), METRES, season(carrying={"snap_m": 3})) for s in (shapes, other))
    assert len(one.u) == len(two.u)
    assert np.allclose(one.xy, two.xy, atol=1e-3)
    assert np.allclose(np.sort(one.length_m), np.sort(two.length_m), atol=1e-3)


@settings(deadline=None, max_examples=80)
@given(st.lists(st.floats(0.01, 0.99), max_size=6, unique=True))
def test_cut_pieces_make_up_the_line(shares):
    line = shapely.LineString([(0, 0), (50, 0), (50, 70), (10, 70)])
    at = np.array(sorted(shares)) * line.length
    where = shapely.get_coordinates(shapely.line_interpolate_point(line, at)).reshape(-1, 2)
    pieces, of = cut(np.array([line], dtype=object), np.zeros(len(at), dtype=np.int64), at, where)
    assert abs(shapely.length(pieces).sum() - line.length) < 0.01
    assert (of == 0).all()


@settings(deadline=None, max_examples=100)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=20), st.sampled_from(sorted(SPEEDS)))
def test_level_metres_are_positive_and_flat_ground_is_itself(slopes, walking):
    run = np.full(len(slopes), 10.0)
    worth = level_metres(run, np.array(slopes), walking, VALUES)
    assert (worth > 0).all()
    assert np.isfinite(worth).all()
    assert np.array_equal(level_metres(run, np.zeros(len(slopes)), walking, VALUES), run)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_no_leg_off_the_path_ever_crosses_a_barrier(seed):
    rng = np.random.default_rng(seed)
    shapes = [square(x, y, 30) for x, y in rng.uniform(0, 800, (12, 2))]
    spots = [shapely.Point(p) for p in rng.uniform(0, 800, (5, 2))]
    grid = [f"{k * 200} 0, {k * 200} 800" for k in range(5)] + [f"0 {k * 200}, 800 {k * 200}" for k in range(5)]
    river = layer([shapely.LineString(np.column_stack([np.linspace(-50, 850, 90), rng.uniform(300, 500, 90)]))], "b")
    net = network_of(layer(lines(*grid)), METRES, season())
    barriers = local_lines(river, METRES)
    fields, sites = np.array(shapes, dtype=object), np.array(spots, dtype=object)
    every = np.ones(len(net.u), dtype=bool)
    origins = Origins(fields, fields)
    ground = build_ground(net, every, False, origins, sites, 300.0, 0.6, barriers)
    whole = river.frame.geometry.iloc[0]
    for joins, things in ((ground.fields, fields), (ground.sites, sites)):
        for thing, (x, y, px, py) in zip(joins.thing.tolist(), joins.leg_xy.tolist(), strict=True):
            leg = shapely.LineString([(x, y), (px, py)])
            assert leg.length == 0 or not leg.crosses(whole)
            assert shapely.distance(shapely.Point(x, y), things[thing]) < 1e-6
            assert shapely.distance(shapely.Point(px, py), net.lines).min() < 1e-6
    pairs = pairs_within(ground, origins, sites, 900.0, 300.0)
    assert (pairs.in_m <= 900 + 1e-9).all()
    # A road may cross the river, so no pair can be nearer than the straight line.
    straight = shapely.distance(fields[pairs.field], sites[pairs.site])
    assert (pairs.distance_m >= straight - 1e-6).all()


def test_a_long_barrier_in_runs_is_the_same_barrier():
    angle = np.linspace(0, 2 * np.pi, 400)
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * 100
    ring[-1] = ring[0]
    barriers = local_lines(layer([shapely.LineString(ring)], "b"), METRES)
    assert len(barriers) > 10
    assert abs(shapely.union_all(barriers).length - shapely.LineString(ring).length) < 1e-6
    # Straight out through every corner.
    legs = shapely.linestrings(np.stack([ring * 0.5, ring * 1.5], axis=1))
    assert crossing(legs, barriers).all()
