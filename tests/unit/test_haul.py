"""Ways of the char to the workshop."""

import pytest
import shapely

from sourcing.carrying.haul import narrow_ways, straight_ways, ways_to_workshop
from sourcing.carrying.sites import candidate_sites
from sourcing.network.paths import build_network
from sourcing.weeks import Calendar, date
from tests.walks import VALUES, fields, layer, lines, season, square, supply, survey

CALENDAR = Calendar(date(2027, 5, 3), 10)


def haul(paths, places, workshops, **works):
    of = fields([square(500, -200)])
    points = layer([shapely.Point(*p) for p in places], "places", name=[f"s{k}" for k in range(len(places))])
    asked = survey(of, paths=paths, places=points, workshop=layer([shapely.Point(*p) for p in workshops], "workshop"))
    settings = season(works=works)
    net = None if paths is None else build_network(asked, of, settings, VALUES)
    sites = candidate_sites(asked, of, supply(of), net, settings, VALUES)
    found = ways_to_workshop(asked, sites, net, CALENDAR, settings, VALUES)
    return dict(zip(sites.frame["name"], (found.metres[str(s)] for s in sites.frame.index), strict=True)), found


def test_the_char_goes_along_the_track_and_not_as_the_crow_flies():
    bend = layer(lines("0 0, 1000 0, 1000 1000"), way=["track"])
    metres, found = haul(bend, [(0, 0)], [(1000, 1000)])
    assert metres["s0"] == pytest.approx(2000, abs=1)
    assert found.narrow == frozenset()
    assert narrow_ways(found, found.metres, season()) == ()


def test_a_cart_keeps_off_the_footpath_that_is_shorter():
    ways = layer(lines("0 0, 1000 0, 1000 1000", "0 0, 1000 1000"), way=["track", "footpath"])
    assert haul(ways, [(0, 0)], [(1000, 1000)])[0]["s0"] == pytest.approx(2000, abs=1)
    assert haul(ways, [(0, 0)], [(1000, 1000)], haul_mode="head_load")[0]["s0"] == pytest.approx(1414.2, abs=1)


def test_where_no_way_is_wide_enough_the_footpath_is_taken_and_told():
    ways = layer(lines("0 0, 1000 0", "1000 0, 1500 0"), way=["footpath", "track"])
    metres, found = haul(ways, [(0, 0), (1200, 0)], [(1500, 0)])
    assert metres == pytest.approx({"s0": 1500, "s1": 300}, abs=1)
    (told,) = narrow_ways(found, found.metres, season())
    assert told.what == "narrow_haul"
    assert "handcart" in told.found
    assert [s for s in found.metres if s in told.found] == sorted(found.narrow)
    assert len(found.narrow) == 1
    assert narrow_ways(None, found.metres, season()) == ()


def test_a_way_closed_in_the_season_is_not_counted_on():
    ways = layer(lines("0 0, 1000 0", "0 0, 0 500, 1000 500, 1000 0"), closed=["11-20..05-16", ""], way=["track"] * 2)
    assert haul(ways, [(0, 0)], [(1000, 0)])[0]["s0"] == pytest.approx(2000, abs=1)


def test_the_nearest_workshop_along_the_paths_counts():
    ways = layer(lines("0 0, 3000 0", "0 0, 0 1000"), way=["track"] * 2)
    assert haul(ways, [(1000, 0)], [(3000, 0), (0, 1000)])[0]["s0"] == pytest.approx(2000, abs=1)


def test_without_paths_the_straight_line_is_lengthened():
    metres, _ = haul(None, [(0, 0)], [(300, 400)])
    assert metres["s0"] == pytest.approx(1.4 * 500, rel=1e-3)
    # a hundredth of a degree of latitude is about 1.1 km
    far = straight_ways({"a": (35.0, 0.0)}, [(35.0, 0.01), (35.0, 1.0)], 1.4)["a"]
    assert far == pytest.approx(1.4 * 1105.7, rel=1e-3)


def test_where_no_path_leads_there_the_straight_line_is_lengthened():
    apart = layer(lines("0 0, 1000 0", "5000 0, 6000 0"), way=["track"] * 2)
    assert haul(apart, [(0, 0)], [(6000, 0)])[0]["s0"] == pytest.approx(1.4 * 6000, rel=1e-3)
