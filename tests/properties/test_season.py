"""What must always hold from lots to the tables of a plan, on random little seasons made by hand."""

from datetime import date
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sourcing.barrel import barrel_rates
from sourcing.outcome import outcome
from sourcing.placement import check, solve
from sourcing.problem import carries_table, residues_of, season_problem, working_hours
from sourcing.settings import settings_from
from sourcing.values import Values
from sourcing.weeks import Calendar

VALUES = Values.load()
WEEKS = 5
KINDS = (("cotton", "stalk"), ("maize", "cob"), ("maize", "husk"))
SLOW = settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.too_slow])


def season_settings(**fleet):
    return settings_from({"layers": {"fields": {"file": "x"}}, "fleet": {"barrels": 4, "most_at_site": 3, **fleet}})


@st.composite
def seasons(draw):
    """Lots in three villages, three sites, and some of the arcs between them."""
    count = draw(st.integers(1, 8))
    rows = []
    for lot in range(count):
        ready = draw(st.integers(0, WEEKS - 1))
        crop, residue = draw(st.sampled_from(KINDS))
        rows.append(
            {
                "field_id": f"f{lot // 2}", "village": f"v{(lot // 2) % 3}", "crop": crop, "residue": residue,
                "ready_week": ready, "clear_week": draw(st.integers(ready, WEEKS - 1)),
                "mass_kg": draw(st.floats(1, 3000)), "loss_week": draw(st.sampled_from([0.0, 0.02, 0.3])),
                "moisture_ready": 0.12, "bulk_wet_kg_m3": 60.0, "estimated": False,
            }
        )  # fmt: skip
    lots = pd.DataFrame(rows)
    lots.index.name = "lot"
    arcs = [
        {"lot": lot, "site": site, "distance_m": metres, "mode": "head_load", "carry_h_per_kg": metres / 2e4,
         "cost_per_kg": metres / 4e4, "load_kg": 15.0}
        for lot in range(count)
        for site in range(3)
        for metres in [draw(st.one_of(st.none(), st.floats(10, 1500)))]
        if metres is not None
    ]  # fmt: skip
    arcs = arcs or [
        {"lot": 0, "site": 0, "distance_m": 50.0, "mode": "head_load", "carry_h_per_kg": 0.01, "cost_per_kg": 0.01,
         "load_kg": 15.0}
    ]  # fmt: skip
    arcs = pd.DataFrame(arcs)
    first, last = lots["ready_week"].to_numpy()[arcs["lot"]], lots["clear_week"].to_numpy()[arcs["lot"]]
    closed = draw(st.booleans())  # some ways open a week later than the lot is ready
    return lots, arcs.assign(first_week=np.minimum(first + closed * (arcs["site"] == 1), last), last_week=last)


def places():
    frame = gpd.GeoDataFrame(
        {"village": ["v0", "v1", "v2"], "name": ["a", "b", "c"], "origin": "user"},
        geometry=gpd.points_from_xy([20.0, 20.01, 20.02], [-15.0, -15.01, -15.0]),
        crs="EPSG:4326",
        index=pd.Index(["s0", "s1", "s2"], name="site_id"),
    )
    return SimpleNamespace(frame=frame)


def fields_of(lots):
    frame = lots.groupby("field_id").agg(village=("village", "first"), crop=("crop", "first"))
    frame = frame.assign(area_ha=1.0, estimated=False)
    villages = gpd.GeoDataFrame(
        {"name": ["V0", "V1", "V2"]},
        geometry=gpd.points_from_xy([20.0, 20.01, 20.02], [-15.0, -15.01, -15.0]),
        crs="EPSG:4326",
        index=pd.Index(["v0", "v1", "v2"], name="village_id"),
    )
    return SimpleNamespace(frame=frame, villages=villages)


def planned(lots, arcs, chosen):
    supply = SimpleNamespace(lots=lots, calendar=Calendar(date(2027, 4, 5), WEEKS))
    sites, arcs = places(), SimpleNamespace(frame=arcs)
    rates, _ = barrel_rates(residues_of(supply), chosen, VALUES)
    problem = season_problem(supply, sites, arcs, rates, chosen, VALUES)
    placement = solve(problem.instance, gap=1e-6, seconds=20)
    assert check(problem.instance, placement) == []
    carries = carries_table(placement, problem, supply, sites, arcs)
    hours = working_hours(supply.calendar, chosen.fleet)
    return placement, carries, outcome(placement, carries, rates, fields_of(lots), supply, sites, hours, chosen), rates


@SLOW
@given(seasons())
def test_mass_is_kept_from_field_to_barrel_and_nothing_is_missing(season):
    lots, arcs = season
    placement, carries, out, rates = planned(lots, arcs, season_settings())
    taken = carries.groupby("lot")["taken_kg"].sum()
    assert (taken <= lots["mass_kg"].reindex(taken.index) * (1 + 1e-9) + 1e-6).all()
    assert carries["taken_kg"].sum() == pytest.approx(placement.x.sum(), rel=1e-9, abs=1e-6)
    assert out.site_weeks["residue_kg"].sum() == pytest.approx(carries["mass_kg"].sum(), rel=1e-9, abs=1e-9)
    assert out.village_table["residue_kg"].sum() == pytest.approx(carries["mass_kg"].sum(), rel=1e-9, abs=1e-9)
    assert out.field_table["carried_kg"].sum() == pytest.approx(carries["mass_kg"].sum(), rel=1e-9, abs=1e-9)
    kept = out.field_table["carried_kg"] + out.field_table["lost_kg"]
    assert kept.to_numpy() == pytest.approx(out.field_table["free_kg"].to_numpy(), rel=1e-9)
    for frame in (out.site_weeks, out.site_table, out.village_table, out.field_table, carries):
        assert frame.notna().all().all()
    place = carries["site_id"].map({"s0": 0, "s1": 1, "s2": 2})
    inside = carries.assign(site=place).merge(arcs[["lot", "site", "first_week", "last_week"]], on=["lot", "site"])
    assert len(inside) == len(carries)
    assert inside["week"].between(inside["first_week"], inside["last_week"]).all()
    char = carries.join(rates["char_kg_per_kg"], on=["crop", "residue"])
    assert out.site_table["char_kg"].sum() == pytest.approx((char["mass_kg"] * char["char_kg_per_kg"]).sum(), abs=1e-6)


@SLOW
@given(seasons(), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(season, random):
    lots, arcs = season
    value = planned(lots, arcs, season_settings())[0].value
    order = list(range(len(lots)))
    random.shuffle(order)
    new_of_old = np.argsort(order)
    mixed_lots = lots.iloc[order].reset_index(drop=True)
    mixed_lots.index.name = "lot"
    mixed = arcs.assign(lot=new_of_old[arcs["lot"]]).sample(frac=1, random_state=7).reset_index(drop=True)
    again = planned(mixed_lots, mixed, season_settings())[0].value
    assert again == pytest.approx(value, rel=1e-5, abs=1e-4)


@SLOW
@given(seasons())
def test_a_larger_fleet_and_a_lower_floor_never_earn_less(season):
    lots, arcs = season
    value = planned(lots, arcs, season_settings())[0].value
    room = 1e-5 * max(1.0, abs(value))
    assert planned(lots, arcs, season_settings(barrels=9))[0].value >= value - room
    assert planned(lots, arcs, season_settings(busy_floor=0.0))[0].value >= value - room


@SLOW
@given(seasons())
def test_barrels_are_busy_as_asked_and_never_more_than_the_fleet(season):
    lots, arcs = season
    chosen = season_settings(busy_floor=0.7)
    out = planned(lots, arcs, chosen)[2]
    assert (out.site_weeks["busy"] >= 0.7 - 1e-6).all()
    assert (out.site_weeks.groupby("week")["barrels"].sum() <= 4).all()
    assert (out.site_weeks["barrels"] <= 3).all()
