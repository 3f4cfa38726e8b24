"""Stocks and kilos of the season's work always add up."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.season.works import imbalances, season_work
from sourcing.season.workshop import briquettes_per_char, cheapest_presses, workshop_imbalances, workshop_season
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, HAUL, PLACES, placed, season

VALUES = Values.load()
kilos = st.lists(st.floats(0, 5000), min_size=1, max_size=12)
presses = st.one_of(
    st.just({}),
    st.dictionaries(st.sampled_from(["hand", "small_electric", "large_electric"]), st.integers(1, 3), min_size=1),
)


@settings(max_examples=60, deadline=None)
@given(kilos, st.floats(0, 1), presses, st.sampled_from([0.0, 500.0]), st.floats(0, 30), st.data())
def test_stocks_balance_and_never_fall_below_nothing(char, shaped, chosen, market, dry, data):
    char = np.array(char)
    days = np.array(data.draw(st.lists(st.floats(0, 6), min_size=len(char), max_size=len(char))))
    works = {"presses": chosen, "sales_kg_a_week": market, "press_weeks_after": 3}
    shop, _, _ = workshop_season(char, char * shaped, days, season(works=works), VALUES, [dry] * len(char))
    assert workshop_imbalances(shop, float(char.sum())) == []
    assert shop.weeks["sold_kg"].sum() == pytest.approx(char.sum() * briquettes_per_char(VALUES), rel=1e-6, abs=1e-6)
    assert (shop.weeks["press_h"] <= 48 + 1e-9).all()
    # dry matter in is dry matter out
    dry_in = (shop.weeks["mix_kg"] + shop.weeks["flour_kg"] * (1 - VALUES["works.flour.moisture"])).sum()
    assert shop.weeks["pressed_kg"].sum() * (1 - VALUES["works.briquette.moisture"]) == pytest.approx(dry_in, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.1, 200), st.floats(1, 1e5))
def test_chosen_presses_are_enough(needed, season_kg):
    chosen = cheapest_presses(needed, season_kg, season_kg / needed, VALUES)
    made = sum(count * VALUES[f"works.press.{kind}.kg_per_h"] for kind, count in chosen)
    assert made >= needed * (1 - 1e-6)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(0.05, 3), min_size=10, max_size=10), st.sampled_from(["quench", "seal"]), st.integers(2, 4))
def test_a_season_adds_up_whatever_is_carried(factors, ending, tenders):
    chosen = season(works={"ending": ending, "tenders_at_site": tenders})
    weeks, carries, rates, lots = placed(VALUES, chosen)
    carries = carries.assign(mass_kg=carries["mass_kg"] * factors)
    work = season_work(
        weeks, carries, rates, lots, CALENDAR, chosen, VALUES, site_lonlat=PLACES, haul_m=HAUL, drying_days=None
    )
    assert imbalances(work, carries) == []
    assert (work.site_weeks[["carriers", "batches", "loads", "arrive", "leave"]] >= 0).all().all()
    whole = work.batches
    load = rates["load_kg"].reindex(whole[["crop", "residue"]].itertuples(index=False, name=None)).to_numpy()
    assert (whole["batches"] * load >= whole["residue_kg"] - 1e-6).all()
    assert ((whole["batches"] - 1) * load <= whole["residue_kg"] + 1e-6).all()
