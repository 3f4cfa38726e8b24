"""The path network: nodes, repairs, separate parts, coordinate systems, closed seasons."""

import numpy as np
import pytest
import shapely

from sourcing.errors import InputError
from sourcing.network.paths import build_network, network_of
from sourcing.network.ways import closed_ranges, closed_weeks, local_crs
from sourcing.weeks import Calendar, date
from tests.walks import METRES, VALUES, fields, layer, lines, season, square, survey


def network(paths, **carrying):
    return network_of(paths, METRES, season(carrying=carrying))


def shape_of(net):
    """Nodes, edges and total length, which do not depend on naming."""
    return len(net.xy), len(net.u), round(float(net.length_m.sum()), 6)


def test_lines_that_cross_are_joined_where_they_cross():
    net = network(layer(lines("0 0, 100 0", "50 -30, 50 30")))
    assert shape_of(net) == (5, 4, 160.0)
    assert net.repairs["what"].tolist() == ["crossing"]


def test_lines_on_different_levels_do_not_meet_where_they_cross():
    net = network(layer(lines("0 0, 100 0", "50 -30, 50 30"), level=["0", "1"]))
    assert shape_of(net) == (4, 2, 160.0)
    assert len(net.parts) == 2


def test_a_bridge_still_meets_the_path_it_ends_on():
    net = network(layer(lines("0 0, 100 0", "50 0, 50 30"), level=["0", "1"]))
    assert shape_of(net) == (4, 3, 130.0)


def test_a_loose_end_is_joined_to_the_line_it_nearly_touches():
    net = network(layer(lines("0 0, 100 0", "50 3, 50 40")), snap_m=5)
    assert len(net.parts) == 1
    assert net.repairs["what"].tolist() == ["near_miss"]
    assert net.repairs["size_m"].tolist() == [pytest.approx(3.0)]
    assert net.length_m.sum() == pytest.approx(140.0)


def test_a_loose_end_farther_than_the_tolerance_stays_loose():
    net = network(layer(lines("0 0, 100 0", "50 6, 50 40")), snap_m=5)
    assert len(net.parts) == 2
    assert net.parts["gap_m"].tolist() == [pytest.approx(6.0)] * 2


def test_two_loose_ends_are_joined_once():
    net = network(layer(lines("0 0, 100 0", "104 0, 200 0")), snap_m=5)
    assert shape_of(net) == (4, 3, 200.0)


def test_near_misses_are_not_joined_across_a_stream():
    paths = layer(lines("0 0, 100 0", "104 0, 200 0"))
    stream = np.array(lines("102 -50, 102 50"), dtype=object)
    net = network_of(paths, METRES, season(), barriers=stream)
    assert len(net.parts) == 2


def test_a_ring_left_open_is_closed():
    net = network(layer(lines("0 0, 100 0, 100 100, 0 100, 0 3")), snap_m=5)
    assert net.length_m.sum() == pytest.approx(400.0)
    assert "near_miss" in net.repairs["what"].tolist()


def test_a_line_drawn_twice_counts_once_also_backwards():
    net = network(layer(lines("0 0, 50 5, 100 0", "100 0, 50 5, 0 0", "100 0, 200 0")))
    assert len(net.u) == 2
    assert net.repairs["what"].tolist() == ["repeated"]


def test_overlapping_stretches_count_once():
    net = network(layer(lines("0 0, 100 0", "60 0, 160 0")))
    assert net.length_m.sum() == pytest.approx(160.0)


def test_two_ways_between_the_same_places_are_both_kept():
    net = network(layer(lines("0 0, 100 0", "0 0, 50 40, 100 0")))
    assert len(net.u) == 2


def test_a_line_that_crosses_itself_is_cut_there():
    net = network(layer(lines("0 0, 100 0, 100 50, 50 50, 50 -50")))
    assert np.allclose(net.xy[np.bincount(np.concatenate([net.u, net.v])) == 4], [[50, 0]], atol=1e-3)


def test_lines_without_length_are_set_aside_and_named():
    flat = shapely.LineString([(5, 5), (5, 5)])
    net = network(layer([*lines("0 0, 100 0"), flat, shapely.Point(3, 3), None, shapely.LineString()]))
    finding = next(f for f in net.findings if f.what == "no_line")
    assert finding.grade == "set_aside"
    assert "rows 2, 3, 4, 5" in finding.found
    assert len(net.u) == 1


def test_a_multiline_is_taken_apart_and_an_area_gives_its_edge():
    shapes = [shapely.MultiLineString([[(0, 0), (50, 0)], [(50, 0), (50, 50)]]), shapely.box(50, 50, 90, 90)]
    net = network(layer(shapes))
    assert net.length_m.sum() == pytest.approx(100 + 160)
    assert len(net.parts) == 1


def test_parts_are_named_by_size_place_and_gap():
    of = fields([square(0, 0), square(0, 900)], ["low", "high"])
    paths = layer(lines("-500 0, 500 0", "-100 880, 100 880", "-20 900, 20 900"))
    net = build_network(survey(of, paths=paths), of, season(), VALUES)
    assert net.parts["length_m"].round(1).tolist() == [1000.0, 200.0, 40.0]
    assert net.parts["near"].tolist() == ["LOW", "HIGH", "HIGH"]
    assert net.parts["gap_m"].round(1).tolist() == [880.0, 20.0, 20.0]
    assert net.parts["gap_part"].tolist() == [1, 2, 1]
    text = next(f for f in net.findings if f.what == "separate_part").found
    assert "200 m of path" in text
    assert "near HIGH" in text
    assert "a link of 20.0 m" in text


def test_the_network_does_not_depend_on_the_order_or_direction_of_the_rows():
    given = lines("0 0, 100 0", "50 -30, 50 30", "103 1, 160 40", "50 30, 103 1", "0 200, 10 240")
    one = network(layer(given))
    other = network(layer([shapely.reverse(g) for g in given[::-1]]))
    assert np.allclose(one.xy, other.xy)
    assert one.u.tolist() == other.u.tolist()
    assert one.v.tolist() == other.v.tolist()
    assert np.allclose(one.length_m, other.length_m)


def test_the_same_ground_in_feet_degrees_and_two_utm_zones_gives_the_same_lengths():
    of = fields([square(0, 0), square(900, 900)])
    paths = layer(lines("0 0, 900 0, 900 900", "400 -100, 400 100"))
    want = build_network(survey(of, paths=paths), of, season(), VALUES)
    # 30 E is the border of UTM zones 35 and 36; the third is a system in feet.
    feet = local_crs(of.frame).to_string().replace("units=m", "units=us-ft")
    assert "us-ft" in feet
    for crs in ("EPSG:4326", "EPSG:32735", "EPSG:32736", feet):
        moved = layer(list(paths.frame.geometry.to_crs(crs)), crs=crs)
        net = build_network(survey(of, paths=moved), of, season(), VALUES)
        assert np.allclose(np.sort(net.length_m), np.sort(want.length_m), atol=0.02), crs


def test_lengths_in_the_local_system_are_those_of_the_ellipsoid():
    from pyproj import Geod

    of = fields([square(-20000, -20000), square(20000, 20000)])
    paths = layer(lines("-20000 -20000, 20000 20000"))
    net = build_network(survey(of, paths=paths), of, season(), VALUES)
    ends = paths.frame.geometry.to_crs(4326).iloc[0]
    assert net.length_m[0] == pytest.approx(Geod(ellps="WGS84").geometry_length(ends), rel=1e-5)


def test_the_graph_at_the_door_is_the_network():
    net = network(layer(lines("0 0, 100 0", "50 -30, 50 30"), way=["track", "path"], one_way=["yes", "no"]))
    graph = net.graph()
    assert graph.number_of_nodes() == 5
    assert graph.number_of_edges() == 8
    assert sum(d["length_m"] for *_, d in graph.edges(data=True)) == pytest.approx(2 * 160)
    one_way = {(round(graph.nodes[u]["x"]), round(graph.nodes[v]["x"])): d["one_way"]
               for u, v, d in graph.edges(data=True) if d["way"] == "track"}  # fmt: skip
    assert one_way == {(0, 50): 1, (50, 0): -1, (50, 100): 1, (100, 50): -1}


def test_widths_follow_the_kind_of_way_and_untold_kinds_are_told():
    net = network(
        layer(lines("0 0, 100 0", "0 0, 0 50", "0 0, -50 0", "0 0, 0 -50"), way=["track", "steps", "", "zip"])
    )
    assert dict(zip(net.way.tolist(), net.width.tolist(), strict=True)) == {"track": 2, "steps": 0, "": 1, "zip": 1}
    assert {f.what for f in net.findings} == {"ways_untold", "unknown_way"}


def test_where_no_kind_is_told_every_line_takes_carts_and_it_is_told():
    net = network(layer(lines("0 0, 100 0")))
    assert net.width.tolist() == [2]
    assert not net.typed
    assert [f.what for f in net.findings] == ["ways_untold"]


def test_closed_seasons_become_weeks_also_over_the_year_end():
    calendar = Calendar.spanning(date(2026, 12, 7), date(2027, 2, 28))
    closed = closed_weeks("12-24..01-05", calendar)
    assert [calendar.label(w) for w in np.flatnonzero(closed).tolist()] == ["2026-W52", "2026-W53", "2027-W01"]
    assert closed_weeks("", calendar).sum() == 0
    assert closed_ranges("06-15..09-30; 12-24/01-02") == (((6, 15), (9, 30)), ((12, 24), (1, 2)))


def test_a_closed_season_that_cannot_be_read_is_refused_with_its_row():
    with pytest.raises(InputError) as caught:
        network(layer(lines("0 0, 100 0", "0 0, 0 50"), closed=["", "in the rains"]))
    finding = caught.value.findings[0]
    assert (finding.what, finding.row) == ("bad_closed", 2)
    assert "in the rains" in finding.found


def test_no_path_layer_gives_no_network():
    of = fields([square(0, 0)])
    assert build_network(survey(of), of, season(), VALUES) is None
