"""Residue fetched in weeks already worked comes off the fields: worked by hand."""

from datetime import date
from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from sourcing.carrying.carry import Arcs
from sourcing.residue.supply import Supply
from sourcing.season.fetched import after_fetching, as_fetched
from sourcing.season.near import Near
from sourcing.weeks import Calendar

CALENDAR = Calendar(date(2027, 5, 3), 6)  # W18 to W23
DAY = date(2027, 5, 20)  # W18 and W19 are worked, and W20, which began on the 17th


def frame(**shapes):
    return gpd.GeoDataFrame(
        {"village": "A", "crop": "maize", "placed": False}, geometry=list(shapes.values()), crs="EPSG:4326",
        index=pd.Index(list(shapes), name="field_id"),
    )  # fmt: skip


def supply(*rows):
    """Rows of field, ready week, kg."""
    lots = pd.DataFrame(
        [
            {"field_id": f, "village": "A", "crop": "maize", "residue": "stalk", "ready_week": r, "clear_week": 5,
             "mass_kg": float(kg), "low_kg": kg / 2, "high_kg": kg * 2.0, "loss_week": 0.1, "moisture_ready": 0.1,
             "bulk_wet_kg_m3": 50.0, "estimated": False}
            for f, r, kg in rows
        ]
    ).rename_axis("lot")  # fmt: skip
    return Supply(CALENDAR, lots, pd.DataFrame(), (), ())


def near(fields, *rows, day=DAY):
    """Rows of field, site, week, kg, weeks lain; a tenth is lost in each of them."""
    carries = pd.DataFrame(
        [(f, s, "maize", "stalk", w, kg, kg * 0.9**lain) for f, s, w, kg, lain in rows],
        columns=["field", "site", "crop", "residue", "week", "taken_kg", "mass_kg"],
    )
    sites = pd.DataFrame({"village": "A", "name": "", "lon": 30.0, "lat": -15.0}, index=["s1", "s2"])
    return Near("before", sites, pd.DataFrame(), carries, fields, day)


def told(lots):
    return lots[["field_id", "ready_week", "clear_week", "mass_kg", "low_kg", "high_kg"]].to_numpy().tolist()


LEFT, RIGHT = shapely.box(30, -15, 30.0006, -14.999), shapely.box(30.0006, -15, 30.001, -14.999)
WHOLE = shapely.box(30, -15, 30.001, -14.999)


def test_what_was_fetched_is_a_lot_of_its_own_and_the_rest_is_less():
    """1000 kg, of which 300 in W19 to s1 and 100 in W22, which is still to come: 700 are left, 300 were fetched."""
    one = frame(a=WHOLE)
    before = near(one, ("a", "s1", "2027-W19", 300, 1), ("a", "s2", "2027-W22", 100, 4))
    got, fetched = after_fetching(supply(("a", 0, 1000)), SimpleNamespace(frame=one), before)
    assert told(got.lots) == [["a", 0, 5, 700.0, 350.0, 1400.0], ["a", 0, 1, 300.0, 150.0, 600.0]]
    assert fetched.lots.to_dict("index") == {1: {"site_id": "s1", "week": 1}}
    assert (fetched.first_open_week, fetched.kg, fetched.unknown_kg) == (3, 300.0, 0.0)


def test_a_divided_field_gives_by_its_parts_and_fields_put_together_give_together():
    """The left part is six tenths of the old field: of 100 kg fetched 60 come off it and 40 off the other."""
    old, new = frame(a=WHOLE), frame(x=LEFT, y=RIGHT)
    got, _ = after_fetching(
        supply(("x", 0, 600), ("y", 0, 400)), SimpleNamespace(frame=new), near(old, ("a", "s1", "2027-W18", 100, 0))
    )
    left = got.lots[got.lots.clear_week == 5].set_index("field_id").mass_kg
    assert left.to_dict() == pytest.approx({"x": 540, "y": 360}, rel=1e-6)
    got, fetched = after_fetching(
        supply(("a", 0, 1000)), SimpleNamespace(frame=old),
        near(new, ("x", "s1", "2027-W18", 100, 0), ("y", "s1", "2027-W18", 50, 0), ("y", "s2", "2027-W18", 25, 0)),
    )  # fmt: skip
    assert got.lots.mass_kg.tolist() == pytest.approx([825, 150, 25])
    assert fetched.lots.site_id.tolist() == ["s1", "s2"]


def test_the_earliest_lots_give_first_and_what_is_not_there_is_told():
    """Of 500 kg fetched, a week old, the fields as now known had 400; and a field that is gone gave 20."""
    one, both = frame(a=LEFT), frame(a=LEFT, b=RIGHT)
    got, fetched = after_fetching(
        supply(("a", 4, 300), ("a", 0, 100)), SimpleNamespace(frame=one),
        near(both, ("a", "s1", "2027-W20", 500, 1), ("b", "s1", "2027-W20", 20, 1)),
    )  # fmt: skip
    assert told(got.lots) == [["a", 1, 2, 300.0, 150.0, 600.0], ["a", 1, 2, 100.0, 50.0, 200.0]]
    assert (fetched.kg, fetched.unknown_kg) == (400.0, 120.0)
    assert [f.what for f in got.findings] == ["fetched_unknown"]
    assert "0.12 t" in got.findings[0].found


def test_fetched_in_a_week_that_the_season_no_longer_has_comes_off_all_the_same():
    one = frame(a=WHOLE)
    got, fetched = after_fetching(
        supply(("a", 0, 1000)), SimpleNamespace(frame=one), near(one, ("a", "s1", "2027-W15", 300, 0))
    )
    assert got.lots.mass_kg.tolist() == [700.0]
    assert len(fetched.lots) == 0
    same, none = after_fetching(supply(("a", 0, 1)), SimpleNamespace(frame=one), near(one, day=None))
    assert none is None
    assert len(same.lots) == 1


def test_ways_lead_only_to_where_it_was_fetched_and_from_now_on():
    """Lot 0: the rest, free from week 3; lot 1 was fetched to s2 in week 1; a lot over before week 3 has no way."""
    one = frame(a=WHOLE)
    _, fetched = after_fetching(
        supply(("a", 0, 1000)), SimpleNamespace(frame=one), near(one, ("a", "s2", "2027-W19", 300, 1))
    )
    ways = pd.DataFrame(
        [(0, 0, 0, 5), (0, 1, 4, 5), (0, 1, 0, 2), (1, 0, 0, 1), (1, 1, 0, 1)],
        columns=["lot", "site", "first_week", "last_week"],
    )
    sites = SimpleNamespace(frame=pd.DataFrame(index=["s1", "s2"]))
    got = as_fetched(Arcs(ways, True, pd.DataFrame(), (), ()), fetched, sites).frame
    assert got.to_numpy().tolist() == [[0, 0, 3, 5], [0, 1, 4, 5], [1, 1, 1, 1]]
    assert len(as_fetched(Arcs(ways, True, pd.DataFrame(), (), ()), None, sites).frame) == 5
