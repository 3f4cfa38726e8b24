"""The barrel day against published figures; the source stands beside each check."""

import math

import pytest

from sourcing.season.barrel import barrel_day, barrel_rates, batch_times, firing_minutes, interference
from sourcing.settings import settings_from
from sourcing.values import Values


@pytest.fixture(scope="module")
def values():
    return Values.load()


def season():
    return settings_from({"layers": {"fields": {"file": "f.gpkg"}}})


# A limited-population example of an operations-management text (slides, coursehero.com/file/8871054): five printers,
# 20 h between repairs, 2 h a repair; downtime costs 120 an hour and a technician 25.


def cost(machines, repairers):
    return 120 * interference(machines, repairers, 20, 2).down + 25 * repairers


def test_five_printers_exactly():
    # arithmetic of the finite-source queue for the example's data
    one, two = interference(5, 1, 20, 2), interference(5, 2, 20, 2)
    assert one.probabilities[0] == pytest.approx(0.563952, abs=1e-6)
    assert one.waiting == pytest.approx(0.203474, abs=1e-6)
    assert one.down == pytest.approx(0.639522, abs=1e-6)
    assert one.wait_h == pytest.approx(0.933264, abs=1e-6)
    assert one.down_h == pytest.approx(2.933264, abs=1e-6)
    assert two.down == pytest.approx(0.464794, abs=1e-6)
    assert two.waiting == pytest.approx(0.011274, abs=1e-6)
    assert cost(5, 1) == pytest.approx(101.7426, abs=1e-4)
    assert cost(5, 2) == pytest.approx(105.7753, abs=1e-4)


def test_five_printers_as_the_text_prints_them():
    # printed from rounded tables: J = 4.36 and 4.54 running, costs 101.80 and 105.20
    assert interference(5, 1, 20, 2).running == pytest.approx(4.36, abs=0.01)
    assert interference(5, 2, 20, 2).running == pytest.approx(4.54, abs=0.01)
    assert cost(5, 1) == pytest.approx(101.80, abs=0.6)
    assert cost(5, 2) == pytest.approx(105.20, abs=0.6)


def test_five_printers_in_another_edition():
    # from memory: another edition prints P0 0.564, Lq 0.20, L 0.64 from rounded steps
    one = interference(5, 1, 20, 2)
    assert one.probabilities[0] == pytest.approx(0.564, abs=0.0005)
    assert one.waiting == pytest.approx(0.20, abs=0.005)
    assert one.down == pytest.approx(0.64, abs=0.005)


def test_the_closed_form_for_one_repairer():
    # L = Lq + 1 - P0 and Lq = N - (1 + 1/r)(1 - P0), r = repair over up time (any queueing text)
    n, up, repair = 5, 20.0, 2.0
    found = interference(n, 1, up, repair)
    p0 = found.probabilities[0]
    r = repair / up
    assert found.waiting == pytest.approx(n - (1 + 1 / r) * (1 - p0), abs=1e-12)
    assert found.down == pytest.approx(found.waiting + 1 - p0, abs=1e-12)


def test_the_closed_form_for_several_repairers():
    # P0 = 1 / [sum_{n<=c} C(N,n) r^n + sum_{n>c} N!/((N-n)! c! c^(n-c)) r^n] (any queueing text)
    n, c, r = 7, 3, 0.4
    low = sum(math.comb(n, i) * r**i for i in range(c + 1))
    high = sum(math.perm(n, i) / (math.factorial(c) * c ** (i - c)) * r**i for i in range(c + 1, n + 1))
    assert interference(n, c, 1.0, r).probabilities[0] == pytest.approx(1 / (low + high), abs=1e-12)


def test_two_machines_and_one_mechanic():
    # tutorsglobe.com question 52259413: mean 12 h up and 8 h repair; exact by arithmetic
    found = interference(2, 1, 12, 8)
    assert found.probabilities == pytest.approx((0.310345, 0.413793, 0.275862), abs=1e-6)
    assert found.down == pytest.approx(0.965517, abs=1e-6)
    assert found.waiting == pytest.approx(0.275862, abs=1e-6)
    assert 1 - found.probabilities[2] == pytest.approx(0.724138, abs=1e-6)


def test_four_machines_and_one_operator():
    # solutioninn.com: 30 min up, 5 min service; exact by arithmetic
    found = interference(4, 1, 0.5, 5 / 60)
    assert found.probabilities[0] == pytest.approx(0.469565, abs=1e-6)
    assert found.down == pytest.approx(0.817391, abs=1e-6)
    assert found.waiting == pytest.approx(0.286957, abs=1e-6)
    assert found.running == pytest.approx(3.182609, abs=1e-6)


def test_no_cycle_is_shorter_than_the_machine_and_the_operator_allow(values):
    # the man-machine chart of work study: a cycle is the longer of one machine's chain and all the operators' work
    times = batch_times(20, "quench", values)
    for barrels in range(1, 9):
        for tenders in range(1, 4):
            day = barrel_day(times, barrels, tenders, 430)
            assert day.cycle_min == pytest.approx(max(times.chain_min, barrels * times.tend_min / tenders))


def test_sealed_barrels_stay_shut_two_hours_and_wood_a_day(values):
    # Practical Action KnO-100147 pages 6 and 9: nobody touches the drum for at least two hours; stewardwood.org: 24 h
    assert batch_times(20, "seal", values).shut >= 120
    assert batch_times(20, "seal", values, wood=True).shut == 1440
    # same brief, page 6: sealing needs at least two people, preferably three
    figure = values.figure("barrel.seal.people")
    assert (figure.low, figure.high) == (2, 3)


def test_two_rounds_of_sealed_barrels_a_day(values):
    # by arithmetic from 20-25 min of firing and two hours shut: a crew of two or three staggers four to six barrels in
    # two rounds or more a day (not published)
    times = batch_times(20, "seal", values)
    for barrels in (4, 6):
        day = barrel_day(times, barrels, 3, firing_minutes(8, values))
        assert all(2 <= count <= 3 for count in day.batches_by_barrel)


def test_charring_times_are_those_of_the_trade(values):
    # common practice, no source: about 15 min for grass, leaves, cardboard and about 20 for woody stalks; a field
    # demonstration in western India, 2010: 10-15 min for 6 kg of trash
    for name, minutes in [("rice.straw", 15), ("sugarcane.trash", 15), ("paper.cardboard", 15), ("cotton.stalk", 20),
                          ("pigeon_pea.stalk", 20)]:  # fmt: skip
        assert values[f"crop.{name}.char_minutes"] == minutes
    trash = values.figure("crop.sugarcane.trash.char_minutes")
    assert trash.low <= 12.5 <= trash.high


def test_loads_are_those_of_the_trade(values):
    # common practice, no source: at most 5 kg paper, 6 kg trash or leaves, 12 kg cotton or pigeon pea stalk;
    # Subham et al. 2023: maize stalk 4, cob 15 kg
    for name, kg in [("paper.cardboard", 5), ("sugarcane.trash", 6), ("cotton.stalk", 12), ("pigeon_pea.stalk", 12),
                     ("maize.stalk", 4), ("maize.cob", 15)]:  # fmt: skip
        assert values[f"crop.{name}.barrel_load_wet_kg"] == kg


def test_labour_is_less_than_the_published_man_day_for_a_hundred_kilos(values):
    # Bioresour. Bioprocess. 2023 Table 4: one man-day at the kiln for 100 kg of feed, one drum; several drums side by
    # side take less
    rates, _ = barrel_rates([("pigeon_pea", "stalk")], season(), values)
    hours = 100 * rates["tender_h_per_kg"].iloc[0]
    assert 1 < hours < values["barrel.published.labour_h_per_100kg"]
    # and one barrel with one tender takes about that day
    times = batch_times(20, "quench", values)
    alone = barrel_day(times, 1, 1, firing_minutes(8, values))
    assert 8 / alone.batches / 12 * 100 == pytest.approx(8, rel=0.5)


def test_char_of_a_batch_is_about_thirty_percent_of_dry_stalk_at_best(values):
    # common practice: about 30 %; published farm drum 28 % pigeon pea, 23 % maize stalk
    rates, _ = barrel_rates([("pigeon_pea", "stalk"), ("maize", "stalk")], season(), values)
    assert rates.loc[("pigeon_pea", "stalk"), "char_kg_per_kg"] == pytest.approx(0.28, abs=0.02)
    assert rates.loc[("maize", "stalk"), "char_kg_per_kg"] == pytest.approx(0.23, abs=0.02)


def test_six_kilos_of_trash_give_about_two_of_char(values):
    # field demonstration, western India 2010: 6 kg of cane and maize trash gave about 2 kg as weighed: the upper end
    rates, _ = barrel_rates([("sugarcane", "trash")], season(), values, "high")
    row = rates.iloc[0]
    assert row["load_kg"] * row["char_kg_per_kg"] == pytest.approx(2, abs=0.6)


def test_quench_water_lies_in_the_published_range(values):
    # RestoreChar, Backyard Biochar 2016: 0.21-0.27 l a litre of kiln, so 1.4-3.3 l a kg of char; a flooded 200-l barrel
    # would take 43-53 l
    rates, _ = barrel_rates([("cotton", "stalk")], season(), values)
    row = rates.iloc[0]
    per_char = row["water_l_per_kg"] / row["char_kg_per_kg"]
    assert 1.4 <= per_char <= 3.3
    assert row["water_l_per_kg"] * row["load_kg"] < values["barrel.flooded.water_l"]
