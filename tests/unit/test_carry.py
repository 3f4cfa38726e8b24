"""Carry arcs: distances, loads, modes, budgets, barriers, closed seasons, routes."""

import numpy as np
import pytest
import shapely

from sourcing.carrying.carry import carry_arcs, carry_routes, modes_of, route
from sourcing.carrying.sites import candidate_sites
from sourcing.errors import InputError
from sourcing.network.paths import build_network
from sourcing.values import Values
from sourcing.weeks import Calendar, date
from tests.walks import (
    METRES,
    MIDDLE_OF_SIDE,
    VALUES,
    fields,
    layer,
    lines,
    mean_way_m,
    season,
    square,
    supply,
    survey,
)

OFF = VALUES["carry.off_path.speed_factor"]
OUT = 20 * MIDDLE_OF_SIDE
"""Mean way out of a square field of 20 m by the middle of a side [m]."""
THROUGH = mean_way_m(square(0, 0), 0, 0)
"""And to its middle, where a path runs through it."""


def arcs(of, paths, places, values=VALUES, lots=None, carrying=None, **layers):
    """(arcs, everything needed to ask for routes)"""
    lots = supply(of) if lots is None else lots
    points = layer([shapely.Point(*p) for p in places], "places", name=[f"s{k}" for k in range(len(places))])
    settings = season(carrying={"modes": ["head_load"], **(carrying or {})})
    asked = survey(of, paths=None if paths is None else layer(*paths) if isinstance(paths, tuple) else paths,
                   places=points, **layers)  # fmt: skip
    net = build_network(asked, of, settings, values)
    sites = candidate_sites(asked, of, lots, net, settings, values)
    made = carry_arcs(asked, lots, of, sites, net, settings, values)
    return made, (asked, of, sites, net, settings, values)


def test_distance_is_the_way_out_of_the_field_the_leg_to_the_path_the_path_and_the_leg_to_the_site():
    of = fields([square(100, 60)])
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(900, -40)])
    # Out by the middle of the side at y 50, down to the path, along it, then 40 m.
    assert made.frame["distance_m"][0] == pytest.approx(OUT + 50 + 800 + 40, abs=0.01)


def test_field_and_site_between_the_same_two_nodes_do_not_go_round_by_a_node():
    of = fields([square(400, 0)])
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(450, 0)])
    assert made.frame["distance_m"][0] == pytest.approx(THROUGH + 50, abs=0.01)


def test_what_lies_side_by_side_is_carried_straight_across():
    of = fields([square(0, 200)])
    made, _ = arcs(of, layer(lines("-500 0, 500 0")), [(40, 200)])
    assert made.frame["distance_m"][0] == pytest.approx(OUT + 30, abs=0.001)
    hours = VALUES["carry.head_load.loading_h"] + (OUT + 30) / 1000 / OFF * (
        1 / VALUES["carry.head_load.speed_loaded_km_h"] + 1 / VALUES["carry.head_load.speed_empty_km_h"]
    )
    assert made.frame["trip_h"][0] == pytest.approx(hours)


def test_hours_and_cost_a_kilo_by_hand():
    of = fields([square(500, 0)])
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], lots=supply(of, bulk=60, moisture=0.2))
    row = made.frame.iloc[0]
    # A head-load of 0.15 m3 at 60 kg/m3 is 9 kg as it lies (not the 20 kg payload), 7.2 kg dry.
    assert row["load_kg"] == pytest.approx(min(20, 0.15 * 60) * 0.8)
    far_km = 0.5 + THROUGH / 1000 / OFF
    trip = 0.1 + far_km / 4.0 + far_km / 5.037
    assert row["trip_h"] == pytest.approx(trip)
    assert row["carry_h_per_kg"] == pytest.approx(trip / 7.2)
    assert row["cost_per_kg"] == pytest.approx(trip * VALUES["money.wage_per_h"] / 7.2)


def test_dense_residue_is_bounded_by_payload_and_loose_by_volume():
    mode = modes_of(season(carrying={"modes": ["head_load"]}), VALUES)[0]
    loads = mode.load_kg(np.array([30.0, 400.0]), np.array([0.0, 0.0]))
    assert loads.tolist() == pytest.approx([0.15 * 30, 20])


def test_two_people_count_twice_in_worker_hours_and_in_cost():
    of = fields([square(500, 0)])
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], carrying={"modes": ["pole_pair"]})
    row = made.frame.iloc[0]
    assert row["carry_h_per_kg"] == pytest.approx(2 * row["trip_h"] / row["load_kg"])
    assert row["cost_per_kg"] == pytest.approx(row["carry_h_per_kg"] * VALUES["money.wage_per_h"])


def test_the_cheapest_mode_changes_with_distance():
    # A cart that takes two hours to fill but much at once pays only from afar.
    values = Values.load({"carry.handcart.loading_h": 2.0})
    of = fields([square(10, 0), square(1400, 0)])
    both, _ = arcs(of, layer(lines("0 0, 1500 0")), [(0, 0)], values, carrying={"modes": ["head_load", "handcart"]})
    assert both.frame["mode"].tolist() == ["head_load", "handcart"]
    for mode in ("head_load", "handcart"):
        alone, _ = arcs(of, layer(lines("0 0, 1500 0")), [(0, 0)], values, carrying={"modes": [mode]})
        assert (both.frame["cost_per_kg"] <= alone.frame["cost_per_kg"] + 1e-12).all()


def test_nothing_beyond_the_distance_budget_and_everything_within():
    of = fields([square(498, 0, 2), square(500, 0, 2)])  # the way to the path through it is 0.77 m, worth 1.3 on it
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], carrying={"max_distance_m": 500})
    assert made.frame["lot"].tolist() == [0]
    assert made.unreachable["field_id"].tolist() == ["f001"]
    assert "500 m along the paths" in made.unreachable["reason"][0]


def test_the_cost_budget_is_in_the_cost_itself():
    of = fields([square(x, 0, 2) for x in range(100, 1000, 100)])
    free, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)])
    budget = float(free.frame["cost_per_kg"].median())
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], carrying={"max_cost_per_kg": budget})
    want = free.frame[free.frame["cost_per_kg"] <= budget].reset_index(drop=True)
    assert made.frame.equals(want)


def test_without_paths_straight_line_times_the_detour_factor():
    of = fields([square(310, 0)])
    made, _ = arcs(of, None, [(0, 0)], carrying={"detour_factor": 1.5})
    assert made.straight_line
    assert made.frame["distance_m"][0] == pytest.approx(300 * 1.5 + OUT, abs=0.01)
    worth = 300 * 1.5 + OUT / OFF
    for limit, found in ((worth - 1, 0), (worth + 1, 1)):
        far, _ = arcs(of, None, [(0, 0)], carrying={"detour_factor": 1.5, "max_distance_m": limit})
        assert len(far.frame) == found


def test_a_river_is_crossed_only_where_a_path_crosses_it():
    of = fields([square(100, 60)])
    river = layer(lines("-500 30, 2000 30"), "barriers")
    paths = layer(lines("0 0, 1000 0", "1000 0, 1000 100", "0 100, 1000 100"))
    open_, _ = arcs(of, paths, [(100, 0)])
    assert open_.frame["distance_m"][0] == pytest.approx(OUT + 50, abs=0.01)
    barred, _ = arcs(of, paths, [(100, 0)], barriers=river, carrying={"max_distance_m": 3000})
    # Up 30 m to the far path, along to the bridge at x 1000, back along the near path.
    assert barred.frame["distance_m"][0] == pytest.approx(OUT + 30 + 900 + 100 + 900, abs=0.01)


def test_a_field_on_an_island_reaches_nothing_and_is_told():
    of = fields([square(100, 60), square(500, 60)])
    ring = layer([shapely.box(60, 20, 140, 100).exterior], "barriers")
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(100, 0)], barriers=ring)
    assert made.unreachable["field_id"].tolist() == ["f000"]
    assert "barrier" in made.unreachable["reason"][0]
    assert any(f.what == "unreachable" for f in made.findings)


def test_a_field_far_from_any_path_is_told_so():
    of = fields([square(100, 900), square(100, 10)])
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], carrying={"off_path_m": 300})
    assert made.unreachable.to_dict("records") == [{"field_id": "f000", "reason": "no path within 300 m of it"}]


def test_a_field_beside_a_stray_piece_of_path_also_uses_the_main_network():
    of = fields([square(100, 40)])
    paths = layer(lines("0 0, 1000 0", "80 55, 120 55"))
    made, _ = arcs(of, paths, [(800, 0)])
    assert made.frame["distance_m"][0] == pytest.approx(OUT + 30 + 700, abs=0.01)


def test_carts_keep_to_wide_ways_and_one_way_rules():
    of = fields([shapely.Point(0, 0)])
    short_path = layer(lines("0 0, 500 0", "0 0, 0 300, 500 300, 500 0"), way=["path", "track"])
    walk, _ = arcs(of, short_path, [(500, 0)], carrying={"modes": ["head_load"], "off_path_m": 50})
    cart, _ = arcs(of, short_path, [(500, 0)], carrying={"modes": ["handcart"], "off_path_m": 50})
    assert walk.frame["distance_m"][0] == pytest.approx(500)
    assert cart.frame["distance_m"][0] == pytest.approx(1100)
    both = {"way": ["track", "track"], "one_way": ["-1", ""]}
    ruled = layer(lines("0 0, 500 0", "0 0, 0 300, 500 300, 500 0"), **both)
    cart, _ = arcs(of, ruled, [(500, 0)], carrying={"modes": ["handcart"], "off_path_m": 50})
    # Loaded it must go round; empty it may take the short way back.
    assert cart.frame["distance_m"][0] == pytest.approx(1100)
    trip = VALUES["carry.handcart.loading_h"] + 1.1 / VALUES["carry.handcart.speed_loaded_km_h"]
    assert cart.frame["trip_h"][0] == pytest.approx(trip + 0.5 / VALUES["carry.handcart.speed_empty_km_h"])
    on_foot, _ = arcs(of, ruled, [(500, 0)], carrying={"modes": ["head_load"], "off_path_m": 50})
    assert on_foot.frame["distance_m"][0] == pytest.approx(500)


def rains(ready=2, clear=13, **carrying):
    """A ford on the short way, closed from mid June to mid July of ten weeks from 3 May."""
    of = fields([shapely.Point(0, 0), shapely.Point(900, 0)], ["north", "south"])
    ways = lines("0 0, 300 0", "300 0, 320 0", "320 0, 1000 0", "300 0, 300 600, 320 600, 320 0")
    paths = layer(ways, closed=["", "06-14..07-20", "", ""])
    calendar = Calendar.spanning(date(2027, 5, 3), date(2027, 8, 8))
    lots = supply(of, ready=ready, clear=clear, calendar=calendar)
    return arcs(of, paths, [(1000, 0)], lots=lots, carrying={"off_path_m": 40, **carrying})


def test_a_closed_ford_makes_the_way_round_and_the_dearest_week_counts():
    made, _ = rains(max_distance_m=5000)
    assert len(made.by_state) == 2
    assert [f["distance_m"][0] for f in made.by_state] == [pytest.approx(1000), pytest.approx(980 + 1220)]
    row = made.frame.iloc[0]
    assert (row["first_week"], row["last_week"]) == (2, 13)
    assert row["distance_m"] == pytest.approx(2200)
    assert made.frame.iloc[1]["distance_m"] == pytest.approx(100)


def test_a_village_cut_off_in_the_rains_is_told_and_its_arcs_end_before_them():
    made, _ = rains(max_distance_m=1500)
    assert made.state_of_week.tolist() == [0] * 6 + [1] * 6 + [0] * 2
    row = made.frame.iloc[0]
    assert (row["first_week"], row["last_week"], row["distance_m"]) == (2, 5, pytest.approx(1000))
    told = [f for f in made.findings if f.what == "cut_off"]
    assert len(told) == 1
    assert told[0].found.startswith("north is cut off from every site in 2027-W24 to 2027-W29")


def test_each_distinct_state_is_searched_once(monkeypatch):
    import sourcing.carrying.carry as room

    built = []
    real = room.build_ground
    monkeypatch.setattr(room, "build_ground", lambda *a, **k: built.append(1) or real(*a, **k))
    rains(modes=["head_load", "back_load", "handcart"])
    assert len(built) == 2


def test_routes_are_as_long_as_the_arcs_say_and_run_from_field_edge_to_site():
    rng = np.random.default_rng(3)
    of = fields([square(x, y) for x, y in rng.uniform(0, 900, (25, 2))])
    grid = [f"{k * 150} 0, {k * 150} 900" for k in range(7)] + [f"0 {k * 150}, 900 {k * 150}" for k in range(7)]
    made, context = arcs(of, layer(lines(*grid)), [(310, 470), (35, 805), (880, 20)])
    frame = made.frame.assign(
        field_id=of.frame.index.to_numpy()[made.frame["lot"]],
        site_id=context[2].frame.index.to_numpy()[made.frame["site"]], mass_kg=10.0,
    )  # fmt: skip
    routes = carry_routes(frame, *context)
    assert len(routes) == len(frame) > 50
    local = routes.geometry.to_crs(METRES)
    shapes = of.frame.geometry.to_crs(METRES).loc[routes["field_id"]].to_numpy()
    inside = [mean_way_m(s, *line.coords[0]) for s, line in zip(shapes, local, strict=True)]
    assert np.allclose(local.length + inside, routes["distance_m"], rtol=1e-5, atol=0.05)
    start, end = shapely.get_point(local.to_numpy(), 0), shapely.get_point(local.to_numpy(), -1)
    places = context[2].frame.geometry.to_crs(METRES).loc[routes["site_id"]].to_numpy()
    assert shapely.distance(start, shapes).max() < 0.01
    assert shapely.distance(end, places).max() < 0.01
    one = route("f003", "s1", *context)
    pick = routes[(routes["field_id"] == "f003") & (routes["site_id"] == "s1")].geometry.iloc[0]
    # On a square grid two ways may be equally long.
    assert one.length == pytest.approx(pick.length)


def test_minutes_of_a_route_are_the_loaded_walk():
    of = fields([square(600, 0)])
    made, context = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)])
    frame = made.frame.assign(field_id="f000", site_id="s0", mass_kg=10.0)
    far_km = 0.6 + THROUGH / 1000 / OFF
    assert carry_routes(frame, *context)["minutes"][0] == pytest.approx(60 * far_km / 4.0, rel=1e-5)


def test_an_unknown_mode_is_refused_with_the_known_ones():
    with pytest.raises(InputError, match="head_load"):
        modes_of(season(carrying={"modes": ["airship"]}), VALUES)


def test_every_mode_has_all_its_figures_and_a_speed_no_faster_loaded():
    names = [n.split(".")[0] for n in VALUES.under("carry") if n.endswith(".payload_wet_kg")]
    assert len(names) >= 8
    for mode in modes_of(season(carrying={"modes": names}), VALUES):
        assert mode.speed_loaded_km_h <= mode.speed_empty_km_h
        assert mode.payload_wet_kg / mode.people <= VALUES["carry.limit.man_kg"] or mode.least_way > 0


def test_several_lots_of_one_field_share_its_way():
    of = fields([square(500, 0)])
    one = supply(of)
    from dataclasses import replace

    import pandas as pd

    two = replace(one, lots=pd.concat([one.lots, one.lots.assign(bulk_wet_kg_m3=200.0)], ignore_index=True))
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], lots=two)
    assert made.frame["distance_m"].nunique() == 1
    assert made.frame["load_kg"].tolist() == pytest.approx([0.15 * 60 * 0.85, 20 * 0.85])


def test_no_sites_no_lots_and_no_fields_within_reach_give_empty_arcs_and_reasons():
    of = fields([square(500, 0), square(700, 0)])
    paths = layer(lines("0 0, 1000 0"))
    for given in (paths, None):
        none, _ = arcs(of, given, [])
        assert none.frame.empty
        assert none.unreachable["field_id"].tolist() == ["f000", "f001"]
    lots = supply(of)
    from dataclasses import replace

    nothing, _ = arcs(of, paths, [(0, 0)], lots=replace(lots, lots=lots.lots.iloc[:0]))
    assert nothing.frame.empty
    assert nothing.unreachable.empty


def test_routes_without_paths_are_straight():
    of = fields([square(310, 0)])
    made, context = arcs(of, None, [(0, 0)])
    frame = made.frame.assign(field_id="f000", site_id="s0", mass_kg=10.0)
    routes = carry_routes(frame, *context)
    assert routes["distance_m"][0] == pytest.approx(300 * 1.4 + OUT, abs=0.01)
    assert routes.geometry.to_crs(METRES).length[0] == pytest.approx(300, rel=1e-4)
    assert routes["minutes"][0] == pytest.approx(60 * (0.42 + OUT / 1000 / OFF) / 4.0, rel=1e-4)


def test_a_barrier_between_field_and_site_counts_without_paths_too():
    of = fields([square(310, 0)])
    made, _ = arcs(of, None, [(0, 0)], barriers=layer(lines("150 -50, 150 50"), "barriers"))
    assert made.frame.empty


def test_a_route_in_a_week_of_closed_paths_goes_round():
    made, context = rains(max_distance_m=5000)
    calendar = Calendar.spanning(date(2027, 5, 3), date(2027, 8, 8))
    frame = made.frame.assign(field_id=["f000", "f001"], site_id="s0", mass_kg=10.0)
    for week, metres in ((3, 1000), (7, 2200)):
        routes = carry_routes(frame.assign(week=week), *context, calendar)
        assert routes.geometry.to_crs(METRES).length.iloc[0] == pytest.approx(metres, abs=2), week


def test_heavier_loads_on_the_same_way_are_summed_in_one_route():
    of = fields([square(500, 0)])
    made, context = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)])
    frame = made.frame.assign(field_id="f000", site_id="s0")
    import pandas as pd

    twice = pd.concat([frame.assign(mass_kg=10.0), frame.assign(mass_kg=30.0)], ignore_index=True)
    assert carry_routes(twice, *context)["mass_kg"].tolist() == [40.0]
    nothing = carry_routes(twice.iloc[:0], *context)
    assert nothing.empty
    assert nothing.crs.to_epsg() == 4326


def test_a_field_with_gates_is_left_only_through_them():
    of = fields([square(500, 60, 80), square(900, 60, 80)])
    paths = layer(lines("0 0, 1000 0"))
    open_, _ = arcs(of, paths, [(0, 0)])
    gate = layer([shapely.Point(540, 100), shapely.Point(5000, 0)], "gates")
    made, context = arcs(of, paths, [(0, 0)], gates=gate)
    # To the gate at the far corner, straight down to the path, then along it.
    inside = mean_way_m(square(500, 60, 80), 540, 100)
    assert made.frame["distance_m"][0] == pytest.approx(inside + 100 + 540, abs=0.01)
    assert made.frame["distance_m"][1] == open_.frame["distance_m"][1]
    assert [f.found for f in made.findings if f.what == "no_field"] == ["row 2: no field is near the gate"]
    start = shapely.get_point(route("f000", "s0", *context), 0)
    corner = gate.frame.geometry.to_crs(4326).iloc[0]
    assert start.distance(corner) < 1e-7


def test_a_gate_may_name_its_field():
    of = fields([square(500, 60, 80), square(900, 60, 80)])
    gate = layer([shapely.Point(560, 120)], "gates", field_id=["f001"])
    made, _ = arcs(of, layer(lines("0 0, 1000 0")), [(0, 0)], gates=gate)
    inside = mean_way_m(square(900, 60, 80), 560, 120)  # the gate lies far from its field: the way there counts
    assert made.frame["distance_m"][1] == pytest.approx(inside + 120 + 560, abs=0.01)


def test_residue_that_lies_only_while_the_ways_are_closed_is_told_apart():
    made, _ = rains(ready=7, clear=10, max_distance_m=1500)
    assert made.frame["lot"].tolist() == [1]
    want = {"field_id": "f000", "reason": "every way is closed in the weeks of its residue"}
    assert made.unreachable.to_dict("records") == [want]
