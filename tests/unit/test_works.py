"""The season's work: batches, people, moves, orders; what is refused."""

import numpy as np
import pandas as pd
import pytest

from sourcing.errors import InputError
from sourcing.season.works import imbalances, season_work
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, HAUL, PLACES, placed, season


@pytest.fixture(scope="module")
def values():
    return Values.load()


@pytest.fixture(scope="module")
def work(values):
    return do(values, season())


def do(values, settings, **wishes):
    weeks, carries, rates, lots = placed(values, settings)
    wishes = {"site_lonlat": PLACES, "haul_m": HAUL, **wishes}
    return season_work(weeks, carries, rates, lots, CALENDAR, settings, values, **wishes)


def test_everything_adds_up(values, work):
    carries = placed(values, season())[1]
    assert imbalances(work, carries) == []


def test_an_invented_kilo_is_noticed(values, work):
    carries = placed(values, season())[1]
    carries.loc[0, "mass_kg"] += 1
    assert any("residue carried" in fault for fault in imbalances(work, carries))


def test_a_week_at_a_site_by_hand(values, work):
    # north, week 0: 1800 kg of cotton stalk only
    rate = placed(values, season())[2].loc[("cotton", "stalk")]
    row = work.site_weeks.query("site_id == 'north' and week == 0").iloc[0]
    assert row["batches"] == np.ceil(1800 / rate["load_kg"])
    assert row["tender_h"] == pytest.approx(1800 * rate["tender_h_per_kg"])
    assert row["char_kg"] == pytest.approx(1800 * rate["char_kg_per_kg"])
    assert row["wet_kg"] == pytest.approx(1800 / (1 - values["crop.cotton.stalk.moisture_ready"]))
    assert row["shaped_kg"] == row["char_kg"]
    assert row["powder_kg"] == 0
    assert row["carry_h"] == pytest.approx(18)
    assert row["carriers"] == 1  # 18 h of a 48-hour week
    assert row["tenders"] == 2
    # haul: a handcart of 150 kg or 1 m3, whichever fills first
    load = min(
        values["carry.handcart.payload_wet_kg"], values["carry.handcart.volume_m3"] * values["works.char.bulk_kg_m3"]
    )
    assert row["haul_loads"] == np.ceil(row["char_kg"] / load)
    trip = 3 / 3 + 3 / 4 + 0.25
    assert row["haul_h"] == pytest.approx(row["haul_loads"] * trip)


def test_powder_and_shaped_char_are_told_apart(work):
    straw = work.site_weeks.query("site_id == 'north' and week == 3").iloc[0]
    assert straw["powder_kg"] == pytest.approx(straw["char_kg"])


def test_the_field_that_must_be_clear_first_is_carried_first(work):
    rows = work.order.query("site_id == 'north' and week == 1")
    assert list(rows["field_id"]) == ["f1", "f2"]  # clear by week 2 before clear by week 4
    assert list(rows["order"]) == [1, 2]
    last = work.order.query("site_id == 'north' and week == 3")
    assert last["last_chance"].all()


def test_barrels_that_arrive_come_from_somewhere_and_go_back(work):
    moves = work.moves
    assert moves.iloc[0]["from_site"] == "store"
    assert (moves["barrels"] > 0).all()
    came = moves[moves["from_site"] == "store"]["barrels"].sum()
    back = moves[moves["to_site"] == "store"]["barrels"].sum()
    assert came == back
    # no more are fetched from the store than ever stand at once: the south takes what the north no longer needs
    assert came == work.site_weeks.groupby("week")["barrels"].sum().max()
    south = moves[(moves["to_site"] == "south") & (moves["from_site"] == "north")]
    assert len(south)
    assert (south["distance_m"] > 1000).all()


def test_arrivals_less_leavings_are_the_barrels_that_stand(work):
    for _, rows in work.site_weeks.groupby("site_id"):
        assert rows["arrive"].sum() == rows["leave"].sum()
        standing = (rows["arrive"] - rows["leave"].shift(fill_value=0)).cumsum()
        assert (standing == rows["barrels"]).all()


def test_a_gap_in_the_weeks_means_leaving_and_coming_again(values):
    settings = season()
    weeks, carries, rates, lots = placed(values, settings)
    weeks = weeks[~((weeks["site_id"] == "north") & (weeks["week"] == 1))]
    carries = carries[~((carries["site_id"] == "north") & (carries["week"] == 1))]
    work = season_work(weeks, carries, rates, lots, CALENDAR, settings, values)
    north = work.site_weeks.query("site_id == 'north'").set_index("week")
    assert north.loc[0, "leave"] == north.loc[0, "barrels"]
    assert north.loc[2, "arrive"] == north.loc[2, "barrels"]


def test_without_a_workshop_char_stays_at_the_sites(values):
    work = do(values, season(), haul_m=None)
    assert work.workshop is None
    assert (work.site_weeks["haul_h"] == 0).all()


def test_shorter_weeks_need_more_carriers(values):
    settings = season(fleet={"days_in_week": {CALENDAR.label(0): 1}})
    row = do(values, settings).site_weeks.query("site_id == 'north' and week == 0").iloc[0]
    assert row["carriers"] == 3  # 18 h in one day of 8 h


def test_unknown_press_and_cart_are_refused_together(values):
    settings = season(works={"presses": {"steam": 1}, "haul_mode": "balloon"})
    with pytest.raises(InputError) as caught:
        do(values, settings)
    assert {f.what for f in caught.value.findings} == {"unknown_press", "unknown_mode"}


def test_the_figures_used_are_figures(values, work):
    assert work.figures_used
    assert all(name in values for name in work.figures_used)
    assert "works.flour.per_char" in work.figures_used
    assert "carry.handcart.payload_wet_kg" in work.figures_used


def test_a_season_without_any_work_is_empty_and_not_an_error(values):
    settings = season()
    weeks, carries, rates, lots = placed(values, settings)
    work = season_work(weeks.iloc[:0], carries.iloc[:0], rates, lots, CALENDAR, settings, values, haul_m=HAUL)
    assert work.site_weeks.empty
    assert work.workshop.weeks["sold_kg"].sum() == 0
    assert isinstance(work.moves, pd.DataFrame)
    assert imbalances(work, carries.iloc[:0]) == []


def test_crews_are_there_on_the_days_that_fires_burn(values, work):
    row = work.site_weeks.query("site_id == 'north' and week == 0").iloc[0]
    # 4 barrels, 167 barrel-hours: 42 hours a barrel, so six days of eight hours, two tenders
    assert row["fire_days"] == np.ceil(row["barrel_h"] / row["barrels"] / 8)
    assert row["crew_h"] == 2 * 8 * row["fire_days"]
    assert (work.site_weeks["fire_days"] <= 6).all()
    assert row["water_cans"] == np.ceil(row["water_l"] / values["works.water.can_l"])


def test_crews_with_little_to_do_are_remarked_upon(values, work):
    assert [f.what for f in work.findings] == []
    weeks, carries, rates, lots = placed(values, season())
    few = carries.assign(mass_kg=carries["mass_kg"] / 10, carry_h=carries["carry_h"] / 10)
    weeks = weeks.assign(barrels=1)
    idle = season_work(weeks, few, rates, lots, CALENDAR, season(), values)
    assert [f.what for f in idle.findings] == ["idle_crews"]
    assert "fleet.least_at_site" in idle.findings[0].remedy
