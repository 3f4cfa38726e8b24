"""What must always hold from lots to the tables of a plan, on random little seasons made by hand."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sourcing.season.problem import CRUMB_KG
from tests.little_seasons import WEEKS, planned, season_settings, seasons

SLOW = settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.too_slow])


@SLOW
@given(seasons())
def test_mass_is_kept_from_field_to_barrel_and_nothing_is_missing(season):
    lots, arcs = season
    placement, carries, out, rates = planned(lots, arcs, season_settings())
    taken = carries.groupby("lot")["taken_kg"].sum()
    assert (taken <= lots["mass_kg"].reindex(taken.index) * (1 + 1e-9) + 1e-6).all()
    assert (carries["taken_kg"] >= CRUMB_KG).all()
    placed = pd.Series(placement.x).groupby(arcs["lot"]).sum()
    for lot, kilos in placed[placed > 0].items():  # all that was placed, but for lots of which there are only crumbs
        crumbs_only = lot not in taken.index and kilos < CRUMB_KG * 3 * WEEKS
        assert crumbs_only or taken[lot] == pytest.approx(kilos, rel=1e-9, abs=1e-6)
    assert out.site_weeks["residue_kg"].sum() == pytest.approx(carries["mass_kg"].sum(), rel=1e-9, abs=1e-9)
    assert out.village_table["residue_kg"].sum() == pytest.approx(carries["mass_kg"].sum(), rel=1e-9, abs=1e-9)
    assert out.field_table["carried_kg"].sum() == pytest.approx(carries["mass_kg"].sum(), rel=1e-9, abs=1e-9)
    kept = out.field_table["carried_kg"] + out.field_table["lost_kg"]
    assert kept.to_numpy() == pytest.approx(out.field_table["free_kg"].to_numpy(), rel=1e-9)
    for frame in (out.site_weeks, out.site_table, out.village_table, out.field_table, carries):
        assert frame.notna().all().all()
    together = carries.assign(loads_exact=carries["taken_kg"] / 15.0).groupby(  # 15 kg a load
        ["field_id", "crop", "residue", "site_id", "week"]
    )[["loads", "loads_exact"]].sum()  # fmt: skip
    assert (together["loads"] == np.ceil(together["loads_exact"] - 1e-6)).all()
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
