"""Tiled equals whole: residue, places and arcs of any tiling are those of one machine."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sourcing.carrying.carry import carry_arcs
from sourcing.carrying.sites import candidate_sites
from sourcing.intake.fields import clean_fields
from sourcing.intake.survey import read_survey
from sourcing.network.paths import build_network, edge_parts
from sourcing.plan import load_values
from sourcing.regions.tiles import (
    Head,
    TileLand,
    Tiling,
    in_calendar,
    joined_calendar,
    land_in_tiles,
    parts_of,
    piece_of_land,
    reach_m,
    sites_of,
    tile_arcs,
    tiling,
    used_edges,
)
from sourcing.residue.supply import season_supply
from sourcing.settings import read_settings
from tests.walks import METRES, VALUES, fields, layer, lines, season, square, supply, survey

DEMO = Path(__file__).resolve().parents[2] / "demo_maps" / "season"
LOT = ["field_id", "crop", "residue", "ready_week"]


def named_lots(lots):
    text = {c: lots[c].astype(str) for c in ("field_id", "village", "crop", "residue")}
    return lots.assign(**text).set_index(LOT).sort_index()


def named_arcs(lots, arcs, sites):
    of = named_lots(lots).index.to_frame() if lots.empty else lots[LOT].astype(dict.fromkeys(LOT[:3], str))
    of = of.iloc[arcs["lot"]].reset_index(drop=True)
    site = sites.frame.index.to_numpy()[arcs["site"]]
    arcs = arcs.reset_index(drop=True).drop(columns=["lot", "site"])
    return pd.concat([of, arcs.assign(site_id=site)], axis=1).set_index([*LOT, "site_id"]).sort_index()


def same(one, other):
    pd.testing.assert_frame_equal(one, other[one.columns], rtol=1e-9, check_dtype=False)


@pytest.fixture(scope="module")
def demo():
    chosen = read_settings(DEMO)
    values = load_values(DEMO, chosen)
    asked = read_survey(DEMO, chosen)
    clean = clean_fields(asked, chosen, values)
    land, lots = season_supply(asked, clean, chosen, values)
    net = build_network(asked, land, chosen, values)
    sites = candidate_sites(asked, land, lots, net, chosen, values)
    arcs = carry_arcs(asked, lots, land, sites, net, chosen, values)
    return Head(chosen, values, asked, clean.villages, net.crs), clean, lots, net, sites, arcs


@settings(deadline=None, max_examples=2, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(side=st.floats(2500, 6000), shift=st.tuples(st.floats(0, 1), st.floats(0, 1)))
def test_any_tiling_of_the_demo_gives_what_the_whole_gives(demo, side, shift):
    head, clean, lots, net, sites, arcs = demo
    cut = tiling(tuple(clean.frame.total_bounds), net.crs, side)
    cut = replace(cut, west=cut.west - shift[0] * side, south=cut.south - shift[1] * side, across=cut.across + 1,
                  up=cut.up + 1)  # fmt: skip
    found = land_in_tiles(head, parts_of(clean, cut), lambda _: net)
    assert len(found.tiles) > 2
    tiled = pd.concat([t.supply.lots for t in found.tiles])
    same(named_lots(lots.lots), named_lots(tiled))
    assert found.sites.frame.equals(sites.frame)
    assert found.sites.refused.equals(sites.refused)
    every = [named_arcs(t.supply.lots, a.frame, found.sites) for t, a in zip(found.tiles, found.arcs, strict=True)]
    same(named_arcs(lots.lots, arcs.frame, sites), pd.concat(every).sort_index())
    unreachable = sorted(f for a in found.arcs for f in a.unreachable["field_id"])
    assert unreachable == sorted(arcs.unreachable["field_id"])


@st.composite
def lands(draw):
    """Fields on a plain of 2 km, a net of ways with loose parts, a closed way, a wall, and houses to keep away from."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(2, 25))
    spots = random.uniform(-1000, 1000, (count, 2)).round(1)
    shapes = [square(x, y, side) for (x, y), side in zip(spots, random.uniform(10, 60, count), strict=True)]
    of = fields(shapes, villages=[f"v{k % 3}" for k in range(count)])
    ways = [random.uniform(-1100, 1100, (random.integers(2, 4), 2)).round(1) for _ in range(draw(st.integers(1, 9)))]
    ways[0][0] = spots[0]  # ways that are nowhere near the fields are refused, rightly
    texts = [", ".join(f"{x} {y}" for x, y in way) for way in ways]
    kinds = random.choice(["path", "track"], len(ways)).tolist()
    closed = random.choice(["", "06-01..06-20"], len(ways)).tolist()
    wall = shapely.LineString(random.uniform(-900, 900, (2, 2)))
    houses = shapely.points(random.uniform(-1000, 1000, (4, 2)))
    chosen = season(
        carrying={
            "max_distance_m": float(random.uniform(200, 800)), "off_path_m": float(random.uniform(20, 300)),
            "modes": ["head_load", "handcart"],
        },
        sites={"spacing_m": float(random.uniform(60, 400)), "most_places": int(random.integers(3, 30))},
        layers={"fields": {"file": "f"}, "no_go": [{"file": "h", "kind": "house"}]},
    )  # fmt: skip
    asked = survey(
        of, paths=layer(lines(*texts), way=kinds, closed=closed), barriers=layer([wall], "barriers"),
        no_go=(layer(list(houses), "no_go"),),
    )  # fmt: skip
    if draw(st.booleans()):
        asked = replace(asked, paths=None)
    mass = random.uniform(100, 3000, count)
    return of, asked, chosen, supply(of, mass=mass), draw(st.floats(150, 1500)), draw(st.floats(0, 1))


@settings(deadline=None, max_examples=25)
@given(lands())
def test_any_tiling_of_any_land_gives_what_the_whole_gives(land):
    of, asked, chosen, lots, side, shift = land
    net = build_network(asked, of, chosen, VALUES, crs=METRES)
    sites = candidate_sites(asked, of, lots, net, chosen, VALUES, crs=METRES)
    arcs = carry_arcs(asked, lots, of, sites, net, chosen, VALUES, crs=METRES)
    head = Head(chosen, VALUES, asked, of.villages, METRES)
    cut = Tiling(METRES, -1100 - shift * side, -1100 - shift * side, side, int(2200 / side) + 2, int(2200 / side) + 2)
    parts = []
    for part in parts_of(of, cut):
        mine = lots.lots[lots.lots["field_id"].isin(part.frame.index)].reset_index(drop=True)
        parts.append(TileLand(part, replace(lots, lots=mine)))
    longest = () if net is None else used_edges(net, lots.calendar, chosen, VALUES)
    pieces = [piece_of_land(head, part, net, longest) for part in parts]
    found = sites_of(head, pieces, net is not None)
    assert found.frame.equals(sites.frame)
    assert found.refused.equals(sites.refused)
    every = [named_arcs(p.land.supply.lots, tile_arcs(p, sites).frame, sites) for p in pieces]
    same(named_arcs(lots.lots, arcs.frame, sites), pd.concat(every).sort_index())


def test_a_field_belongs_to_the_tile_of_its_representative_point():
    of = fields([square(-5, 0, 20), square(5, 0, 20), square(5, 0, 2)])
    cut = Tiling(METRES, -100, -100, 100, 2, 2)
    assert sorted(len(p.frame) for p in parts_of(of, cut)) == [1, 2]
    assert cut.box(3, 5.0) == (-5.0, -5.0, 105.0, 105.0)


def test_calendars_of_tiles_join_to_one_that_fixes_the_season():
    of = fields([square(0, 0)])
    early, late = (
        supply(of).calendar.__class__(d, 3) for d in (supply(of).calendar.monday(1), supply(of).calendar.monday(5))
    )
    whole = joined_calendar([late, early])
    assert (whole.first_monday, whole.count) == (early.first_monday, 7)
    fixed = in_calendar(season(), whole).season
    assert whole.__class__.spanning(fixed.first_day, fixed.last_day) == whole


def test_a_piece_knows_what_is_joined_beyond_it():
    # a hoop whose far side lies outside the piece: both ends within belong to the longest part; a stray way does not
    of = fields([square(0, 10), square(0, 90)])
    paths = layer(lines("-50 0, 500 0, 500 100, -50 100", "-60 50, 40 50"))
    asked = survey(of, paths=paths)
    chosen = season(carrying={"max_distance_m": 100.0, "off_path_m": 60.0})
    net = build_network(asked, of, chosen, VALUES, crs=METRES)
    net = replace(net, length_m=np.where(net.length_m > 200, net.length_m, net.length_m))
    longest = used_edges(net, supply(of).calendar, chosen, VALUES)
    head = Head(chosen, VALUES, asked, of.villages, METRES)
    piece = piece_of_land(head, TileLand(of, supply(of)), net, longest).network
    every = np.ones(len(piece.u), dtype=bool)
    assert sorted(piece.main_of(every)) == [False, True]
    alone = edge_parts(len(piece.xy), piece.u, piece.v, piece.length_m)
    assert sorted(alone) == [0, 1]


def test_paths_count_as_far_as_the_cheapest_way_reaches():
    of = fields([square(0, 0)])
    chosen = season(carrying={"max_distance_m": 900.0})
    net = build_network(survey(of, paths=layer(lines("-50 0, 50 0"))), of, chosen, VALUES, crs=METRES)
    assert reach_m(chosen, net) == pytest.approx(902.0)
    downhill = replace(net, level_uv_m=net.length_m * 0.8, level_vu_m=net.length_m * 1.3)
    assert reach_m(chosen, downhill) == pytest.approx(2 * 900 / 0.8 + 2)
