"""Presses, binder, drying and density against the figures of the trade; the source stands beside each check."""

import numpy as np
import pytest

from sourcing.season.barrel import barrel_day, barrel_rates, batch_times, firing_minutes
from sourcing.season.workshop import briquettes_per_char, workshop_season
from sourcing.settings import settings_from
from sourcing.values import Values

LEAST = {"layers": {"fields": {"file": "f.gpkg"}}}


@pytest.fixture(scope="module")
def values():
    return Values.load()


def test_presses_make_what_the_trade_says(values):
    # common practice, no source: hand 10-12 kg in an 8-hour shift, 1 hp about 50 kg in a shift, 3.5 hp about 24 kg/h
    hand = values.figure("works.press.hand.kg_per_h")
    assert (hand.low * 8, hand.high * 8) == (10, 12)
    assert values["works.press.small_electric.kg_per_h"] * 8 == 50
    assert values["works.press.large_electric.kg_per_h"] == 24
    # 1 metric or mechanical horsepower is 0.7457 kW
    assert values["works.press.large_electric.power_kw"] == pytest.approx(3.5 * 0.7457, abs=1e-4)


def test_six_barrels_of_stalks_feed_about_one_large_press(values):
    # common practice, no source: 12 kg of stalks a barrel, 20 minutes of charring, six barrels side by side, about 30 %
    # char, 1 kg of flour to 10 kg of char, a large press of 24 kg an hour. By hand: 8 batches a barrel and day are
    # 576 kg of stalks, 173 kg of char, about 190 kg of briquettes; the press makes 192 in a shift
    times = batch_times(20, "quench", values)
    day = barrel_day(times, 6, 2, firing_minutes(8, values))
    assert 7 <= day.batches / 6 <= 9
    char = day.batches * 12 * 0.30
    briquettes = char * 1.1
    assert briquettes / (24 * 8) == pytest.approx(1.0, abs=0.1)
    # and by the package's own figures for cotton stalk (dry mass, 27 % char, losses) a little less than one
    settings = settings_from(LEAST)
    rates, _ = barrel_rates([("cotton", "stalk")], settings, values)
    week_char = day.batches * 6 * rates.iloc[0]["load_kg"] * rates.iloc[0]["char_kg_per_kg"]
    one = settings_from({**LEAST, "works": {"presses": {"large_electric": 1}}})
    shop, _, _ = workshop_season(np.full(4, week_char), np.full(4, week_char), np.full(4, 6.0), one, values)
    assert 0.7 < shop.weeks.loc[1, "press_h"] / 48 <= 1
    # and twelve such barrels would need two
    twice = settings_from({**LEAST, "works": {"press_weeks_after": 0}})
    char_two = np.full(20, 2 * week_char)
    shop, _, _ = workshop_season(char_two, char_two, np.full(20, 6.0), twice, values)
    made = sum(p.count * p.kg_per_h for p in shop.presses)
    assert 24 < made <= 2 * 24 + 6.25


def test_flour_is_a_kilo_to_ten_of_char_and_within_published_shares(values):
    # common practice: 1 kg of flour as paste to 10 kg of char; UNEP compendium p. 328: 6-15 % cassava starch
    flour = values.figure("works.flour.per_char")
    assert flour.likely == 0.1
    assert (flour.low, flour.high) == (0.06, 0.15)


def test_drying_takes_two_to_seven_days(values):
    # Practical Action KnO-100147 p. 9 and UNEP p. 328: at least two days in the sun; 7 days before laboratory tests
    dry = values.figure("works.dry.days")
    assert (dry.low, dry.high) == (2, 7)
    assert dry.low <= dry.likely <= dry.high


def test_density_lies_within_published_hand_pressed_briquettes(values):
    # 571.5-678.1 kg/m3 starch and hand press (Energy Reports 2019); 670-830 wild cassava (BioEnergy Res. 2019)
    density = values.figure("works.briquette.density_kg_m3")
    assert 571.5 <= density.likely <= 678.1
    assert density.low <= 571.5
    assert density.high >= 830


def test_moisture_of_a_briquette(values):
    # Heliyon 10 (2024) e40991: 4.7-7.1 % over three binders; EN 1860-2: under 8 %
    moisture = values.figure("works.briquette.moisture")
    assert 0.047 <= moisture.likely <= 0.071
    assert moisture.high <= 0.08


def test_ten_of_char_and_one_of_flour_make_about_eleven(values):
    # arithmetic of the recipe: (0.98 x 10 + 0.98 x 1 x 0.88) / 0.94 = 11.34 kg for 10 kg of char
    assert 10 * briquettes_per_char(values) == pytest.approx((9.8 + 0.98 * 0.88) / 0.94, abs=1e-9)


def test_cooling_before_stacking(values):
    # FAO Forestry Paper 41: 24 h in the open air (the hazard is in its chapter 9; the figure is from memory)
    assert values["works.store.cooling_days"] == 1
    assert values["safety.cool.open_air_h"] == 24
