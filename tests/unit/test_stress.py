"""Replays of the tiny season: equal to the plan without chance, lower where less is there, sure where it is sure."""

import numpy as np
import pytest

from sourcing.errors import UsageError
from sourcing.season.money import season_money
from sourcing.season.stress import CAUSES, by_cause, replay_season
from sourcing.season.works import season_work
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, placed, season


@pytest.fixture(scope="module")
def values():
    return Values.load()


def inputs(values, settings):
    weeks, carries, rates, lots = placed(values, settings)
    work = season_work(weeks, carries, rates, lots, CALENDAR, settings, values)
    return weeks, carries, rates, lots, work, CALENDAR, settings, values


def replayed(values, causes=CAUSES, fleet=None, **stress):
    settings = season(stress={"replays": 300, **stress}, fleet=fleet or {})
    return replay_season(*inputs(values, settings), causes=causes)


def test_a_replay_without_chance_is_the_plan(values):
    found = replayed(values, causes=())
    weeks, carries, *_ = placed(values, season())
    assert np.ptp(found.char_kg) == 0
    assert found.char_kg[0] == pytest.approx(weeks["char_kg"].sum(), rel=1e-9)
    assert found.season.loc["residue_kg", "mean"] == pytest.approx(carries["mass_kg"].sum(), rel=1e-9)
    for name in ("residue_kg", "char_kg", "margin"):
        assert found.season.loc[name, "mean"] == pytest.approx(found.season.loc[name, "plan"], rel=1e-9)
    # every barrel of the plan is busy: the plan keeps each site over the floor
    assert (weeks["busy"] >= season().fleet.busy_floor).all()
    assert (found.chances["chance"] == 1).all()
    assert (found.sites["sureness"] == "firm").all()


def test_far_fields_in_a_full_week_are_still_carried_as_planned(values):
    # two lots of one window, one far and one near, carried in different weeks, with carriers just enough in each
    settings = season(stress={"replays": 1})
    weeks, carries, rates, lots = placed(values, settings)
    lots.loc[1, ["ready_week", "clear_week", "loss_week"]] = lots.loc[0, ["ready_week", "clear_week", "loss_week"]]
    carries["mass_kg"] = carries["taken_kg"]
    carries.loc[carries["lot"] == 0, "carry_h"] = 24.0
    carries.loc[carries["lot"] == 1, "carry_h"] = 2.0
    work = season_work(weeks, carries, rates, lots, CALENDAR, settings, values)
    found = replay_season(weeks, carries, rates, lots, work, CALENDAR, settings, values, causes=())
    assert found.season.loc["residue_kg", "mean"] == pytest.approx(found.season.loc["residue_kg", "plan"], rel=1e-9)


@pytest.mark.parametrize("paid", ["by_kilo", "by_week"])
@pytest.mark.parametrize("charge", [False, True])
def test_the_margin_of_a_replay_without_chance_is_the_ledgers(values, charge, paid):
    settings = season(
        stress={"replays": 1}, works={"crew_paid": paid}, moves={"charge": charge}, villages={"charge": charge}
    )
    _, carries, rates, lots, work, *_ = inputs(values, settings)
    money = season_money(work, carries, rates, lots, settings, values)
    found = replay_season(*inputs(values, settings), causes=())
    assert found.margin[0] == pytest.approx(money.margin, abs=0.01 * len(money.ledger))
    assert found.villages["margin_p50"].to_numpy() == pytest.approx(money.villages["margin"].to_numpy(), abs=0.2)


@pytest.mark.parametrize("cause", ["refusals", "rain", "barrels", "carriers"])
def test_what_can_only_take_away_never_gives_more(values, cause):
    found = replayed(values, causes=(cause,))
    assert found.char_kg.max() <= found.season.loc["char_kg", "plan"] * (1 + 1e-9)
    assert found.char_kg.min() < found.season.loc["char_kg", "plan"]


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_matters_and_is_switched_alone(values, cause):
    found = replayed(values, causes=(cause,))
    assert np.ptp(found.char_kg) > 0
    assert found.causes == (cause,)


def test_refusals_take_their_share(values):
    sure = Values.load({"stress.refusal_share": 0.3})
    found = replayed(sure, causes=("refusals",), replays=4000)
    assert found.season.loc["char_kg", "mean"] == pytest.approx(0.7 * found.season.loc["char_kg", "plan"], rel=0.03)
    nobody = Values.load({"stress.refusal_share": 1.0})
    assert replayed(nobody, causes=("refusals",)).char_kg.max() == 0


def test_backlog_is_made_up_when_hours_are_left(values):
    # week 0 loses two days; with barrels half idle it is caught up, with none to spare it is not
    wet = Values.load({"stress.wet_week_share": 1.0, "stress.wet_week_days_lost": 0.5})
    found = replayed(wet, causes=("rain",))
    plan = found.season.loc["char_kg", "plan"]
    hours_lost_share = 0.5 / 6
    assert found.char_kg[0] > plan * (1 - hours_lost_share)


def test_chances_fall_with_the_number_of_barrels_asked_for(values):
    found = replayed(values)
    for _, rows in found.chances.groupby(["site_id", "week"]):
        assert list(rows["n"]) == list(range(1, rows["barrels"].iloc[0] + 1))
        assert (rows["chance"].diff().dropna() <= 0).all()
    assert found.chances["chance"].between(0, 1).all()


def test_percentiles_are_in_order(values):
    found = replayed(values)
    for table, names in [(found.villages, ("char", "margin")), (found.sites, ("char",))]:
        for name in names:
            assert (table[f"{name}_p10"] <= table[f"{name}_p50"]).all()
            assert (table[f"{name}_p50"] <= table[f"{name}_p90"]).all()
    assert (found.season["p10"] <= found.season["p50"]).all()
    assert (found.season["p50"] <= found.season["p90"]).all()


def test_the_same_seed_gives_the_same_season_and_another_seed_another(values):
    one, two, other = replayed(values, seed=5), replayed(values, seed=5), replayed(values, seed=6)
    assert (one.char_kg == two.char_kg).all()
    assert (one.char_kg != other.char_kg).any()


def test_sites_are_named_by_the_stated_thresholds(values):
    found = replayed(values, firm=0.9, likely=0.6)
    chance, named = found.sites["chance"], found.sites["sureness"]
    assert ((named == "firm") == (chance >= 0.9)).all()
    assert ((named == "doubtful") == (chance < 0.6)).all()
    hard = replayed(Values.load({"stress.refusal_share": 0.9}))
    assert (hard.sites["sureness"] == "doubtful").all()


def test_causes_are_ranked_and_share_the_variance(values):
    settings = season(stress={"replays": 200})
    ranked = by_cause(*inputs(values, settings))
    assert set(ranked.index) == set(CAUSES)
    assert ranked["share"].sum() == pytest.approx(1)
    assert (ranked["share"].diff().dropna() <= 0).all()


def test_many_lots_are_replayed_in_parts_with_the_same_sense(values, monkeypatch):
    monkeypatch.setattr("sourcing.season.stress._NUMBERS_AT_ONCE", 100)
    parts = replayed(values, replays=2000)
    monkeypatch.undo()
    whole = replayed(values, replays=2000)
    assert len(parts.char_kg) == 2000
    assert parts.season.loc["char_kg", "mean"] == pytest.approx(whole.season.loc["char_kg", "mean"], rel=0.03)


def test_an_unknown_cause_is_refused(values):
    with pytest.raises(UsageError, match="locusts"):
        replayed(values, causes=("locusts",))


def test_an_empty_plan_has_no_chances(values):
    settings = season(stress={"replays": 10})
    weeks, carries, rates, lots = placed(values, settings)
    weeks, carries = weeks.iloc[:0], carries.iloc[:0]
    work = season_work(weeks, carries, rates, lots, CALENDAR, settings, values)
    found = replay_season(weeks, carries, rates, lots, work, CALENDAR, settings, values)
    assert (found.char_kg == 0).all()
    assert found.chances.empty
    assert found.sites.empty


def test_figures_used_are_figures(values):
    found = replayed(values)
    assert all(name in values for name in found.figures_used)
    assert "stress.refusal_share" not in replayed(values, causes=("rain",)).figures_used
