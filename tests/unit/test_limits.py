"""The season's limits and wishes, each on a small season where it must change the plan."""

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sourcing.errors import InputError
from sourcing.season.money import season_money
from sourcing.season.outcome import outcome
from sourcing.season.problem import working_hours
from sourcing.season.works import season_work
from sourcing.season.workshop import workshop_season
from sourcing.weeks import Calendar
from tests.little_seasons import VALUES, WEEKS, fields_of, places, planned, season_settings

LOTS = pd.DataFrame(
    [
        {"field_id": f"f{i}", "village": f"v{i}", "crop": "cotton", "residue": "stalk", "ready_week": 0,
         "clear_week": 4, "mass_kg": 1500.0, "loss_week": 0.0, "moisture_ready": 0.12, "bulk_wet_kg_m3": 60.0,
         "estimated": False}
        for i in range(3)
    ]
).rename_axis("lot")  # fmt: skip
ARCS = pd.DataFrame(
    [
        {"lot": lot, "site": site, "distance_m": 100.0 + 900 * (lot != site), "mode": "head_load",
         "carry_h_per_kg": 0.01 + 0.02 * (lot != site), "cost_per_kg": 0.005 + 0.01 * (lot != site), "load_kg": 15.0,
         "first_week": 0, "last_week": 4}
        for lot in range(3)
        for site in range(3)
    ]
)  # fmt: skip


def plan(**sections):
    return planned(LOTS, ARCS, season_settings(sections))


def test_left_alone_each_village_works_at_its_own_site():
    _, carries, out, _ = plan()
    assert set(out.site_table.index) == {"s0", "s1", "s2"}
    assert carries["taken_kg"].sum() == pytest.approx(4500)


def test_a_village_left_out_gets_no_barrels_and_its_residue_goes_elsewhere():
    placement, carries, out, _ = plan(villages={"leave_out": ["V1"]})
    assert not out.village_table.loc["v1", "deploy"]
    assert out.village_table.loc["v1", "reason"] == "given_elsewhere"
    assert carries["taken_kg"].sum() == pytest.approx(4500)
    assert placement.value < plan()[0].value


@pytest.mark.parametrize(
    ("gap", "fleet", "reason"), [(2.0, 1, "search_ended"), (0.1, 1, "too_little"), (2.0, 0, "better_elsewhere")]
)
def test_a_village_without_barrels_is_told_the_true_reason(gap, fleet, reason):
    """Nothing is called too little where the search only ended early, and no barrel does more elsewhere while some of
    the fleet stand idle.
    """
    chosen = season_settings({})
    placement, carries, _, rates = plan()
    none = replace(placement, barrels=np.zeros_like(placement.barrels), gap=gap)
    supply = SimpleNamespace(lots=LOTS, calendar=Calendar(date(2027, 4, 5), WEEKS))
    hours = working_hours(supply.calendar, chosen.fleet)
    fleets = np.full(WEEKS, fleet)
    out = outcome(none, carries.iloc[:0], rates, fields_of(LOTS), supply, places(), hours, fleets, chosen)
    assert set(out.village_table["reason"]) == {reason}


def test_most_villages_and_must_use():
    out = plan(villages={"most": 1, "use": ["v2"]})[2]
    assert list(out.village_table.index[out.village_table["deploy"]]) == ["v2"]


def test_what_a_village_costs_is_taken_off_the_margin():
    """One village is cheaper than three when each costs 40 (money.village_deploy_cost) and carrying 0.01 a kg more."""
    free, charged = plan()[0], plan(villages={"charge": True})[0]
    assert charged.value < free.value
    assert plan(villages={"charge": True})[2].village_table["deploy"].sum() == 1


@pytest.mark.parametrize("paid", ["by_kilo", "by_week"])
def test_the_ledgers_margin_is_the_placements_value(paid):
    """However crews are paid; by the week there are fewer site-weeks with barrels, and their crews are the tending."""
    sections = {"works": {"crew_paid": paid}}
    placement, carries, out, rates = plan(**sections)
    chosen, calendar = season_settings(sections), Calendar(date(2027, 4, 5), WEEKS)
    lots = LOTS.assign(low_kg=LOTS["mass_kg"], high_kg=LOTS["mass_kg"])
    work = season_work(out.site_weeks, carries, rates, lots, calendar, chosen, VALUES)
    money = season_money(work, carries, rates, lots, chosen, VALUES)
    assert money.margin == pytest.approx(placement.value, abs=0.01 * len(money.ledger))
    if paid == "by_week":
        assert 0 < len(out.site_weeks) < len(plan()[2].site_weeks)
        crews = len(out.site_weeks) * 2 * 48 * VALUES["money.wage_per_h"]
        assert money.parts["amount"]["villages", "tending"] == pytest.approx(-crews, abs=0.1)


def test_crews_that_stay_all_week_take_their_hours_from_the_village():
    """96 h of tending a site-week, whatever is charred: 100 h leave 4 for carrying, 95 leave no site at all."""
    paid = {"works": {"crew_paid": "by_week"}, "placement": {"goal": "char"}}
    assert plan(crew={"hours_a_week": 95}, **paid)[1].empty
    carries = plan(crew={"hours_a_week": 100}, **paid)[1]
    assert 0 < carries.groupby(["site_id", "week"])["carry_h"].sum().max() <= 4 + 1e-6


def test_forbidden_weeks_stay_empty():
    fixed = [{"village": "v0", "first_day": "2027-04-05", "last_day": "2027-05-02", "most": 0}]
    weeks = plan(wishes={"fixed": fixed})[2].site_weeks
    assert set(weeks.loc[weeks["site_id"] == "s0", "week"]) <= {4}
    assert (weeks["site_id"] == "s1").any()


def test_fixed_barrels_stand_where_they_are_wanted():
    fixed = [{"site": "s2", "first_day": "2027-04-12", "last_day": "2027-04-18", "least": 2}]
    weeks = plan(wishes={"fixed": fixed})[2].site_weeks.set_index(["site_id", "week"])
    assert weeks.loc[("s2", 1), "barrels"] >= 2


def test_barrels_fixed_for_a_village_are_its_barrels_in_all():
    """Two sites in v0: between them two barrels, no more and no fewer, in week 1, though one is nearer to all."""
    both = places()
    both.frame["village"] = ["v0", "v0", "v2"]
    fixed = [{"village": "V0", "first_day": "2027-04-12", "last_day": "2027-04-18", "least": 2, "most": 2}]
    out = planned(LOTS, ARCS, season_settings({"wishes": {"fixed": fixed}}), where=both)[2]
    weeks = out.site_weeks[out.site_weeks["week"] == 1]
    assert weeks.loc[weeks["village"] == "v0", "barrels"].sum() == 2


def test_days_before_the_season_fix_nothing():
    fixed = [{"village": "v0", "first_day": "2027-03-01", "last_day": "2027-03-14", "most": 0}]
    assert plan(wishes={"fixed": fixed})[0].value == pytest.approx(plan()[0].value)


def test_crew_hours_bound_what_is_done():
    """30 h a week: all that is carried and tended at a site of the village stays within it."""
    _, carries, _, rates = plan(crew={"hours_a_week": 30})
    work = carries["carry_h"] + carries["mass_kg"] * rates["tender_h_per_kg"].iloc[0]
    assert work.groupby([carries["site_id"], carries["week"]]).sum().max() <= 30 + 1e-6
    assert work.sum() < (plan()[1]["carry_h"].sum() + 4500 * rates["tender_h_per_kg"].iloc[0])


def test_water_bounds_what_is_quenched():
    _, carries, _, rates = plan(water={"litres_a_week": 400, "villages": {"V1": 300}})
    litres = carries["mass_kg"] * rates["water_l_per_kg"].iloc[0]
    by_site = litres.groupby([carries["site_id"], carries["week"]]).sum().groupby("site_id").max()
    assert 300 < by_site.max() <= 400 + 1e-6
    assert by_site.get("s1", 0) <= 300 + 1e-6


def test_a_fair_share_reaches_every_village():
    few = {"fair_share": 0.3}
    sections = {"villages": few, "wishes": {"sites_most": 1}}
    carries = plan(**sections)[1]
    assert (carries.groupby("village")["taken_kg"].sum() >= 0.3 * 1500 - 1e-6).all()


def test_moves_are_limited_a_week():
    """Twelve barrel-weeks would be reached sooner with more; one a week can come."""
    out = plan(moves={"most_a_week": 1})[2]
    standing = out.site_weeks.groupby("week")["barrels"].sum().reindex(range(5), fill_value=0)
    assert standing.iloc[0] <= 1
    assert (standing.diff().fillna(0) <= 1).all()


def test_presses_that_limit_the_plan_are_those_of_the_workshop():
    """What the plan says a hand press and a store of 100 kg can take, the workshop's own weeks take, to the gram."""
    works = {"limits_plan": True, "presses": {"hand": 1}, "char_store_kg": 100}
    chosen = season_settings({"works": works})
    _, _, out, _ = planned(LOTS, ARCS, chosen, {"s0": 500.0, "s1": 900.0, "s2": 700.0})
    char = out.site_weeks.groupby("week")["char_kg"].sum().reindex(range(WEEKS), fill_value=0.0).to_numpy()
    shop, _, _ = workshop_season(char, char, np.full(WEEKS, 6.0), chosen, VALUES)
    held = (shop.weeks["char_store_kg"] + shop.weeks["char_resting_kg"])[:WEEKS]
    assert held.max() == pytest.approx(100, abs=1e-3)
    assert char.sum() < plan()[2].site_weeks["char_kg"].sum()


def test_all_wrong_names_are_told_at_once():
    sections = {
        "villages": {"use": ["Nowhere"], "leave_out": ["v0"]},
        "wishes": {"sites_use": ["s9"], "fixed": [{"site": "s8", "first_day": "2027-04-05", "last_day": "2027-04-11"}]},
        "crew": {"villages": {"Elsewhere": 5}},
        "water": {"comes_from": {"Dry Place": "a well"}},
    }
    with pytest.raises(InputError) as caught:
        plan(**sections)
    told = " ".join(f.found for f in caught.value.findings)
    assert all(name in told for name in ("Nowhere", "s9", "s8", "Elsewhere", "Dry Place"))


def test_a_village_cannot_be_wanted_and_banned():
    with pytest.raises(InputError, match="one of the two"):
        plan(villages={"use": ["v0"], "leave_out": ["V0"]})
