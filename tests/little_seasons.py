"""Random little seasons made by hand: lots in three villages, three sites, and the ways between them."""

from datetime import date
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
from hypothesis import strategies as st

from sourcing.placement import check, solve
from sourcing.season.barrel import barrel_rates
from sourcing.season.outcome import outcome
from sourcing.season.problem import carries_table, residues_of, season_problem, working_hours
from sourcing.settings import settings_from
from sourcing.values import Values
from sourcing.weeks import Calendar

VALUES = Values.load()
WEEKS = 5
KINDS = (("cotton", "stalk"), ("maize", "cob"), ("maize", "husk"))


def season_settings(sections=None, **fleet):
    """Settings with a fleet of four and crews paid by the kilo; `sections` are further parts of a season file."""
    fleet = {"barrels": 4, "most_at_site": 3, **fleet}
    works = {"crew_paid": "by_kilo", **(sections or {}).get("works", {})}
    return settings_from({"layers": {"fields": {"file": "x"}}, "fleet": fleet, **(sections or {}), "works": works})


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


def planned(lots, arcs, chosen, haul_m=None, where=None):
    supply = SimpleNamespace(lots=lots, calendar=Calendar(date(2027, 4, 5), WEEKS))
    sites, arcs = where or places(), SimpleNamespace(frame=arcs)
    rates, _ = barrel_rates(residues_of(supply), chosen, VALUES)
    problem = season_problem(supply, sites, arcs, rates, fields_of(lots), chosen, VALUES, haul_m)
    placement = solve(problem.instance, gap=1e-6, seconds=20)
    assert check(problem.instance, placement) == []
    carries = carries_table(placement, problem, supply, sites, arcs)
    hours = working_hours(supply.calendar, chosen.fleet)
    fleet = problem.instance.fleet
    out = outcome(placement, carries, rates, fields_of(lots), supply, sites, hours, fleet, chosen)
    return placement, carries, out, rates
