"""The barrel day: cycles, counts, charts, simulation, and the rates the placement uses."""

import dataclasses
import itertools
import math

import pytest

from sourcing.errors import NoPlanError, UsageError
from sourcing.season.barrel import (
    BatchTimes,
    barrel_day,
    barrel_rates,
    barrels_kept_going,
    batch_times,
    batches_table,
    day_chart,
    firing_minutes,
    simulate_days,
    site_day,
)
from sourcing.settings import settings_from
from sourcing.values import Values

STALK = BatchTimes(fill=5, light=3, char=20, check=1, checks=1, end=3, end_people=1, shut=0, empty=4)
SEALED = dataclasses.replace(STALK, end=5, end_people=2, shut=120)
WOOD = dataclasses.replace(SEALED, shut=1440)
DAY = 430.0


def season(**works):
    return settings_from({"layers": {"fields": {"file": "f.gpkg"}}, "works": works})


@pytest.fixture(scope="module")
def values():
    return Values.load()


def test_one_barrel_and_one_tender_follow_the_chain_of_a_batch():
    day = barrel_day(STALK, 1, 1, DAY)
    assert day.cycle_min == 35
    assert day.batches == 12  # 12 × 35 = 420 of 430 minutes


def test_many_barrels_and_one_tender_follow_the_tender():
    day = barrel_day(STALK, 4, 1, DAY)
    assert STALK.tend_min == 16
    assert day.cycle_min == 64
    assert day.cycle_min > STALK.chain_min


def test_a_day_too_short_for_a_batch_has_none():
    assert barrel_day(STALK, 3, 2, 34).batches == 0
    assert barrel_day(STALK, 1, 1, 35).batches == 1


def test_sealing_allows_the_last_batch_to_cool_overnight():
    day = barrel_day(SEALED, 1, 2, DAY)
    chain = 5 + 3 + 20 + 5 + 120 + 4
    assert SEALED.chain_min == chain == 157
    # opened at 4, 161, 318: three sealed by 355; the third is emptied next morning
    assert day.batches == 3
    assert barrel_day(STALK, 1, 2, DAY).batches > day.batches


def test_wood_that_must_stay_shut_a_day_gives_less_than_a_batch_a_day():
    day = barrel_day(WOOD, 1, 2, DAY)
    # each cycle begins 37 minutes later; eleven sealed in a run that takes twelve days
    assert day.batches == pytest.approx(11 / 12)


def test_wood_that_cools_overnight_gives_one_batch_a_day_at_least():
    assert barrel_day(dataclasses.replace(WOOD, shut=900), 1, 2, DAY).batches == 1


def test_sealing_needs_its_people():
    with pytest.raises(UsageError, match="needs 2 people and the site has 1"):
        barrel_day(SEALED, 2, 1, DAY)


@pytest.mark.parametrize(("barrels", "tenders"), [(0, 1), (1, 0)])
def test_no_barrels_or_no_tenders_is_refused(barrels, tenders):
    with pytest.raises(UsageError):
        barrel_day(STALK, barrels, tenders, DAY)


@pytest.mark.parametrize("times", [STALK, SEALED])
@pytest.mark.parametrize("barrels", [1, 2, 3, 5, 6])
@pytest.mark.parametrize("tenders", [2, 3])
def test_the_chart_holds_the_counted_batches_and_no_barrel_does_two_things_at_once(times, barrels, tenders):
    day = barrel_day(times, barrels, tenders, DAY)
    chart = day_chart(day, DAY)
    assert len([t for t in chart if t.task == "char"]) == day.batches
    for barrel in range(barrels):
        bars = sorted((t.start_min, t.end_min) for t in chart if t.barrel == barrel)
        assert all(a[1] <= b[0] + 1e-9 for a, b in itertools.pairwise(bars))
        # nothing burns shorter than it must, nor longer than one slot more
        burns = [t.end_min - t.start_min for t in chart if t.barrel == barrel and t.task == "char"]
        assert all(times.char - 1e-9 <= b <= times.char + day.slot_min + 1e-9 for b in burns)


@pytest.mark.parametrize("barrels", range(1, 8))
@pytest.mark.parametrize("tenders", [1, 2, 3])
def test_no_tender_is_in_two_places_at_once_and_all_is_done_by_evening(barrels, tenders):
    day = barrel_day(STALK, barrels, tenders, DAY)
    chart = day_chart(day, DAY)
    assert max(t.end_min for t in chart) <= DAY + 1e-9
    for tender in range(tenders):
        bars = sorted((t.start_min, t.end_min) for t in chart if t.tender == tender)
        assert all(a[1] <= b[0] + 1e-9 for a, b in itertools.pairwise(bars))


def test_the_simulated_day_without_chance_agrees_with_the_cycle():
    for barrels, tenders in [(1, 1), (4, 1), (6, 2), (6, 3)]:
        found = simulate_days(STALK, barrels, tenders, DAY, days=1, spread=0, seed=1)
        counted = barrel_day(STALK, barrels, tenders, DAY).batches
        assert abs(found.batches[0] - counted) <= barrels  # the greedy crew differs by less than one batch a barrel
        work = found.batches[0] * STALK.tend_min
        assert work <= tenders * DAY + 1e-9


def test_the_simulated_day_with_chance_lies_near_the_cycle_and_is_repeatable():
    one = simulate_days(STALK, 6, 2, DAY, days=30, spread=0.25, seed=7)
    two = simulate_days(STALK, 6, 2, DAY, days=30, spread=0.25, seed=7)
    assert (one.batches == two.batches).all()
    steady = barrel_day(STALK, 6, 2, DAY).batches
    assert 0.85 * steady <= one.batches.mean() <= 1.1 * steady
    assert one.wait_min > 0
    assert 0 < one.tenders_busy <= 1.05


def test_varying_times_never_bring_more_than_steady_ones(values):
    for barrels in (1, 3, 6):
        steady = barrel_day(STALK, barrels, 2, DAY)
        varying = barrel_day(STALK, barrels, 2, DAY, varying=True)
        assert varying.batches <= steady.batches
        assert varying.cycle_min >= steady.cycle_min


def test_low_figures_give_the_slow_day(values):
    slow, likely, quick = (batch_times(20, "quench", values, estimate=e) for e in ("low", "likely", "high"))
    assert slow.chain_min > likely.chain_min > quick.chain_min
    assert firing_minutes(8, values, "low") < firing_minutes(8, values) < firing_minutes(8, values, "high")


def test_rates_fill_the_working_hours_of_the_placement_exactly(values):
    chosen = season()
    rates, used = barrel_rates([("cotton", "stalk"), ("rice", "straw")], chosen, values)
    fleet = chosen.fleet
    for key in [("cotton", "stalk"), ("rice", "straw")]:
        row = rates.loc[key]
        whole = row["batches_a_day"] * fleet.most_at_site
        assert whole == pytest.approx(round(whole))
        assert row["batch_h"] * row["batches_a_day"] == pytest.approx(fleet.hours_a_day)
        assert row["hours_per_kg"] * row["load_kg"] == pytest.approx(row["batch_h"])
        paid = row["tender_h_per_kg"] * row["load_kg"] * whole
        assert paid == pytest.approx(chosen.works.tenders_at_site * fleet.hours_a_day)
    assert rates.loc[("cotton", "stalk"), "char_form"] == "shaped"
    assert rates.loc[("rice", "straw"), "char_form"] == "powder"
    assert all(name in values for name in used)
    assert "crop.cotton.stalk.char_yield" in used


def test_rates_are_the_slowest_case_of_a_site(values):
    times = batch_times(20, "quench", values)
    day_min = firing_minutes(8, values)
    per_barrel = [barrel_day(times, n, 2, day_min).batches / n for n in range(1, 7)]
    assert per_barrel == sorted(per_barrel, reverse=True)


def test_the_ending_can_differ_by_residue(values):
    rates, _ = barrel_rates(
        [("cotton", "stalk"), ("rice", "straw")], season(ending_by_residue={"cotton/stalk": "seal"}), values
    )
    assert list(rates["ending"]) == ["seal", "quench"]
    quenched, _ = barrel_rates([("cotton", "stalk")], season(), values)
    assert rates.loc[("cotton", "stalk"), "batch_h"] > quenched.loc[("cotton", "stalk"), "batch_h"]
    assert rates.loc[("cotton", "stalk"), "water_l_per_kg"] < quenched.loc[("cotton", "stalk"), "water_l_per_kg"]


def test_too_few_people_to_seal_is_no_plan(values):
    with pytest.raises(NoPlanError, match=r"works\.tenders_at_site"):
        barrel_rates([("cotton", "stalk")], season(ending="seal", tenders_at_site=1), values)


def test_a_day_without_room_for_a_batch_is_no_plan(values):
    short = settings_from({"layers": {"fields": {"file": "f.gpkg"}}, "fleet": {"hours_a_day": 1}})
    with pytest.raises(NoPlanError, match="no batch of cotton stalk fits"):
        barrel_rates([("cotton", "stalk")], short, values)


def test_every_residue_of_the_library_has_rates(values):
    pairs = [(crop, residue) for crop in values.crops() for residue in values.residues(crop)]
    assert pairs
    for ending in ("quench", "seal"):
        for estimate in ("low", "likely", "high"):
            rates, _ = barrel_rates(pairs, season(ending=ending), values, estimate)
            assert len(rates) == len(pairs)
            numbers = rates.drop(columns=["char_form", "ending"]).to_numpy(dtype=float)
            assert all(math.isfinite(x) and x >= 0 for x in numbers.ravel())


def test_barrels_kept_going_without_waiting():
    # a batch is 35 minutes in the barrel and 16 of tending: two tenders keep four going (4 x 8 = 32), not five (40)
    assert barrels_kept_going(STALK, 1) == 2
    assert barrels_kept_going(STALK, 2) == 4
    assert barrels_kept_going(STALK, 3) == 6
    assert barrel_day(STALK, 4, 2, DAY).cycle_min == STALK.chain_min
    assert barrel_day(STALK, 5, 2, DAY).cycle_min > STALK.chain_min
    with pytest.raises(UsageError):
        barrels_kept_going(STALK, 0)


def test_the_table_of_batches_by_residue_barrels_and_tenders(values):
    table = batches_table([("cotton", "stalk"), ("rice", "straw")], season(), values)
    assert len(table) == 2 * 6 * 3
    one = table.loc[("cotton", "stalk", 2, 6)]
    rates, _ = barrel_rates([("cotton", "stalk")], season(), values)
    assert one["batches"] / 6 == pytest.approx(rates.iloc[0]["batches_a_day"])
    assert one["waits"]
    assert not table.loc[("cotton", "stalk", 3, 6), "waits"]
    sealed = batches_table([("cotton", "stalk")], season(ending="seal"), values)
    assert sealed.index.get_level_values("tenders").min() == 2


def test_the_day_that_hangs_at_a_site(values):
    day, chart, day_min = site_day("cotton", "stalk", 4, season(), values)
    assert day_min == 430
    assert day.barrels == 4
    assert day.tenders == 2
    assert {t.task for t in chart} == {"fill", "light", "char", "quench", "empty"}
    assert max(t.end_min for t in chart) <= day_min
    _, sealed, _ = site_day("cotton", "stalk", 4, season(ending="seal"), values)
    assert {t.task for t in sealed} >= {"seal", "shut"}
