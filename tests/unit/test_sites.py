"""Candidate places: setbacks, names, villages, proposals."""

import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist

from sourcing.carrying.sites import candidate_sites
from sourcing.errors import InputError
from sourcing.network.paths import build_network
from tests.walks import METRES, VALUES, fields, layer, lines, season, square, supply, survey

HOUSE = VALUES["site.setback.house.distance_m"]


def places(points, **columns):
    return layer([shapely.Point(*p) for p in points], "places", **columns)


def chosen(of, settings=None, lots=None, **layers):
    settings = settings or season()
    asked = survey(of, **layers)
    lots = supply(of) if lots is None else lots
    return candidate_sites(asked, of, lots, build_network(asked, of, settings, VALUES), settings, VALUES)


def settings_with(kinds, **more):
    from sourcing.settings import settings_from

    no_go = [{"file": "x.gpkg", "kind": k, **({"distance_m": d} if d else {})} for k, d in kinds]
    return settings_from({"layers": {"fields": {"file": "f.gpkg"}, "no_go": no_go}, **more})


def test_a_place_too_near_a_house_is_refused_with_reason_and_measured_distance():
    of = fields([square(0, 0)])
    house = layer([shapely.box(100, 0, 110, 10)], "no_go")
    made = chosen(
        of, settings_with([("house", None)]), places=places([(60, 5), (40, 5)], name=["near", "far"]), no_go=(house,)
    )
    assert made.frame.index.tolist() == ["far"]
    row = made.refused.iloc[0]
    assert row["name"] == "near"
    assert row["distance_m"] == pytest.approx(40, abs=1e-3)
    assert row["needed_m"] == HOUSE
    assert "house" in row["reason"]
    assert shapely.from_wkt(row["geometry"]).geom_type == "Point"
    assert made.figures_used == ("site.setback.house.distance_m",)


def test_exactly_at_the_setback_is_far_enough():
    of = fields([square(0, 0)])
    house = layer([shapely.box(100, -50, 110, 60)], "no_go")
    made = chosen(of, settings_with([("house", None)]), places=places([(100 - HOUSE - 0.01, 5)]), no_go=(house,))
    assert len(made.frame) == 1


def test_a_season_may_ask_for_more_than_the_figure_but_never_gets_less():
    of = fields([square(0, 0)])
    house = layer([shapely.box(100, 0, 110, 10)], "no_go")
    spots = places([(30, 5), (60, 5)], name=["a", "b"])
    more = chosen(of, settings_with([("house", 80.0)]), places=spots, no_go=(house,))
    assert more.frame.empty
    less = chosen(of, settings_with([("house", 1.0)]), places=spots, no_go=(house,))
    assert less.frame.index.tolist() == ["a"]


def test_inside_the_ground_itself_is_refused_whatever_the_distance():
    of = fields([square(0, 0)])
    wood = layer([shapely.box(0, 0, 300, 300)], "no_go")
    made = chosen(of, settings_with([("forest", None)]), places=places([(150, 150)]), no_go=(wood,))
    assert made.refused["distance_m"].tolist() == [0.0]
    assert "on ground of kind 'forest'" in made.refused["reason"][0]


def test_the_worst_of_several_reasons_is_given():
    of = fields([square(0, 0)])
    wood, house = layer([shapely.box(10, 0, 20, 9)], "no_go"), layer([shapely.box(-60, 0, -45, 9)], "no_go")
    made = chosen(of, settings_with([("forest", None), ("house", None)]), places=places([(0, 5)]), no_go=(wood, house))
    # 10 m of 15 from the wood, 45 m of 50 from the house: both 5 m short; the first named stays.
    assert "forest" in made.refused["reason"][0]


def test_an_unknown_kind_is_refused():
    of = fields([square(0, 0)])
    with pytest.raises(InputError, match="standing_crop"):
        chosen(of, settings_with([("castle", None)]), places=places([(0, 5)]), no_go=(layer([square(5, 5)], "no_go"),))


def test_ids_are_names_where_they_are_unique_and_places_where_not():
    of = fields([square(0, 0)])
    made = chosen(of, places=places([(0, 0), (500, 0), (900, 0), (950, 0)], name=["floor", "ground", "ground", None]))
    ids = made.frame.index.tolist()
    assert ids[-1] == "floor" or "floor" in ids
    assert sum(i.startswith("ground S15.0") or i.startswith("ground N") for i in ids) == 2
    assert len(set(ids)) == 4
    backwards = chosen(
        of, places=places([(950, 0), (900, 0), (500, 0), (0, 0)], name=[None, "ground", "ground", "floor"])
    )
    assert backwards.frame.index.tolist() == ids


def test_the_same_place_twice_counts_once_and_is_told():
    of = fields([square(0, 0)])
    made = chosen(of, places=places([(0, 0), (0, 0)]))
    assert len(made.frame) == 1
    assert [f.what for f in made.findings] == ["twice"]


def test_each_place_belongs_to_the_village_named_or_the_nearest():
    of = fields([square(0, 0), square(1000, 0)], ["east", "west"])
    spots = places([(900, 0), (900, 50), (900, 90)], name=["a", "b", "c"], village=[None, "EAST", "nowhere"])
    made = chosen(of, places=spots)
    assert made.frame["village"].tolist() == ["west", "east", "west"]
    assert [f.what for f in made.findings] == ["unknown_village"]


def landscape(seed=1, n=80):
    rng = np.random.default_rng(seed)
    of = fields([square(x, y) for x, y in rng.uniform(0, 2000, (n, 2))])
    grid = [f"{k * 400} 0, {k * 400} 2000" for k in range(6)] + [f"0 {k * 400}, 2000 {k * 400}" for k in range(6)]
    return of, layer(lines(*grid))


def test_proposed_places_keep_their_spacing_and_stand_on_the_paths():
    of, paths = landscape()
    made = chosen(of, season(sites={"spacing_m": 300}), paths=paths)
    local = made.frame.geometry.to_crs(METRES)
    xy = shapely.get_coordinates(local.to_numpy())
    assert len(made.frame) > 10
    assert pdist(xy).min() >= 300 - 1e-6
    assert shapely.distance(local.to_numpy(), paths.frame.geometry.union_all()).max() < 0.01
    assert set(made.frame["origin"]) == {"proposed"}


def test_the_first_places_are_where_most_residue_is():
    of, paths = landscape()
    mass = np.full(80, 10.0)
    x = shapely.get_x(shapely.centroid(of.frame.geometry.to_crs(METRES).to_numpy()))
    mass[x < 500] = 5000.0
    settings = season(sites={"spacing_m": 300, "most_places": 3}, carrying={"max_distance_m": 600})
    made = chosen(of, settings, supply(of, mass=mass), paths=paths)
    assert len(made.frame) == 3
    assert (shapely.get_x(made.frame.geometry.to_crs(METRES).to_numpy()) < 700).all()


def test_proposals_do_not_depend_on_the_order_of_fields_or_paths():
    of, paths = landscape()
    settings = season(sites={"spacing_m": 300, "most_places": 12})
    one = chosen(of, settings, paths=paths)
    from dataclasses import replace

    back = replace(of, frame=of.frame.iloc[::-1])
    other = chosen(back, settings, supply(back), paths=layer(list(paths.frame.geometry)[::-1]))
    assert one.frame.index.tolist() == other.frame.index.tolist()


def test_no_place_is_proposed_where_none_may_stand_and_the_refusal_is_kept():
    of, paths = landscape()
    town = layer([shapely.box(-100, -100, 1000, 2100)], "no_go")
    made = chosen(of, settings_with([("house", None)], sites={"spacing_m": 300}), paths=paths, no_go=(town,))
    x = shapely.get_x(made.frame.geometry.to_crs(METRES).to_numpy())
    assert x.min() >= 1000 + HOUSE - 1e-6
    assert len(made.refused) > 5
    assert (made.refused["distance_m"] < HOUSE).all()


def test_without_paths_places_are_proposed_beside_the_fields():
    of, _ = landscape()
    made = chosen(of, season(sites={"spacing_m": 300}))
    local = made.frame.geometry.to_crs(METRES).to_numpy()
    assert len(made.frame) > 10
    assert shapely.distance(local, of.frame.geometry.to_crs(METRES).union_all()).max() < 0.01


def test_where_few_places_are_wanted_on_much_ground_they_still_cover_all_of_it():
    of, paths = landscape(n=150)
    settings = season(sites={"spacing_m": 50, "most_places": 4}, carrying={"max_distance_m": 800})
    made = chosen(of, settings, paths=paths)
    xy = shapely.get_coordinates(made.frame.geometry.to_crs(METRES).to_numpy())
    # One in each quarter of the square of 2 km.
    assert len({(x > 1000, y > 1000) for x, y in xy.tolist()}) == 4
