"""Heating values, emission factors and warming potentials against published figures; the source beside each check."""

import pytest

from sourcing.season.climate import (
    co2_equivalent,
    feed_state,
    fuel_burnt_kg,
    hhv_from_elements,
    hhv_from_proximate,
    kiln_kg,
    ncv_dry,
    ncv_received,
    open_burning_kg,
)
from sourcing.values import Values


@pytest.fixture(scope="module")
def values():
    return Values.load()


# Channiwala and Parikh 2002, Fuel 81:1051: coefficients second hand, worked values by arithmetic.
@pytest.mark.parametrize(
    ("c", "h", "o", "n", "s", "ash", "expected", "within"),
    [
        (45, 5.8, 40.4, 0.8, 0, 8, 18.1854, 1e-4),
        (75, 3, 12, 1, 0.1, 9, 28.28165, 1e-4),
        (40.002, 6.714, 53.284, 0, 0, 0, 16.3665, 1e-3),  # glucose; its oxygen lies outside the published range
        (44.4465, 6.2168, 49.3367, 0, 0, 0, 17.7401, 1e-3),  # cellulose C6H10O5 by atomic weights
        (100, 0, 0, 0, 0, 0, 34.91, 1e-9),
    ],
)
def test_heating_value_from_elements(values, c, h, o, n, s, ash, expected, within):
    assert hhv_from_elements(c, h, o, n, s, ash, values) == pytest.approx(expected, abs=within)


def test_methane_lies_near_the_top_of_the_published_range(values):
    # CH4 is 74.87 % C and 25.13 % H; worked value 55.749 MJ/kg; the range's upper end 55.345 is from memory
    assert hhv_from_elements(74.87, 25.13, 0, 0, 0, 0, values) == pytest.approx(55.749, abs=0.01)


def test_heating_value_from_proximate_analysis(values):
    # Parikh, Channiwala and Ghosal 2005, Fuel 84:487: worked values by arithmetic from the abstract's coefficients
    assert hhv_from_proximate(18, 78, 4, values) == pytest.approx(18.4938, abs=1e-4)
    assert hhv_from_proximate(75, 17, 8, values) == pytest.approx(29.1079, abs=1e-4)


def test_net_calorific_value_dry_and_as_received(values):
    # ISO 18125 form, constants from memory: 18.1854 with H 5.8 and O + N 41.2 gives 16.92168, at 10 % moisture 14.98521
    dry = ncv_dry(18.1854, 5.8, 40.4 + 0.8, values)
    assert dry == pytest.approx(16.92168, abs=1e-4)
    assert ncv_received(dry, 10, values) == pytest.approx(14.98521, abs=1e-4)


def test_char_heating_values_lie_within_published_ones(values):
    # compilation at stoves.bioenergylists.org/charquality: 34.39 MJ/kg at 1 % ash to 20.12 at 20.9 %
    for name in ("cotton.stalk", "pigeon_pea.stalk", "maize.cob"):
        assert 20.12 <= values[f"crop.{name}.char_hhv_mj_kg"] <= 34.39


def test_briquette_heating_values_bracket_published_ones(values):
    # Lubwama and Yiga 2018: 15.9-16.6 rice husk; JENRR 95076: up to 26.75 coconut husk and maize cob, with starch
    low, high = values["works.briquette.hhv_published_low_mj_kg"], values["works.briquette.hhv_published_high_mj_kg"]
    assert (low, high) == (15.9, 26.75)
    for name in ("rice.husk", "maize.cob", "cotton.stalk"):
        char = values[f"crop.{name}.char_hhv_mj_kg"]
        mixed = (char * 10 + values["climate.flour.hhv_mj_kg"]) / 11
        assert 0.85 * low <= mixed <= 1.1 * high


def test_open_burning_of_other_crops_with_carbon_dioxide(values):
    # IPCC 2006 Vol 4 Tables 2.5 and 2.6: (1515 + 2.7 x 27 + 0.07 x 273) x 0.85 = 1365.9585 kg CO2e a tonne, printed
    gas = {g: open_burning_kg(1000, "cotton", g, values) for g in ("co2", "ch4", "n2o")}
    total = gas["co2"] + co2_equivalent(gas["ch4"], gas["n2o"], "ar6", values)
    assert total == pytest.approx(1365.9585, abs=1e-4)


def test_open_burning_without_carbon_dioxide(values):
    # the same tables, by tonne of dry matter burnt: 92.01 with AR6 27 and 273, 94.15 with AR5 28 and 265
    per_t = {g: open_burning_kg(1000, "cotton", g, values) / 0.85 for g in ("ch4", "n2o")}
    assert co2_equivalent(per_t["ch4"], per_t["n2o"], "ar6", values) == pytest.approx(92.01, abs=0.01)
    assert co2_equivalent(per_t["ch4"], per_t["n2o"], "ar5", values) == pytest.approx(94.15, abs=0.01)


def test_combustion_factors(values):
    # IPCC 2006 Vol 4 Table 2.6: other crops 0.85 (reproduced); wheat 0.90, maize, rice, cane 0.80 from memory
    for crop, factor in [("wheat", 0.9), ("maize", 0.8), ("rice", 0.8), ("sugarcane", 0.8), ("cotton", 0.85)]:
        assert open_burning_kg(1000, crop, "ch4", values) == pytest.approx(2.7 * factor)


def test_fifty_kilos_of_charcoal(values):
    # IPCC 2006 Vol 2: 50 kg x 29.5 TJ/Gg = 0.001475 TJ; 165.2 kg CO2 (memo) and 0.295 kg CH4, from a worked inventory
    assert 50 * values["climate.charcoal.ncv_mj_kg"] / 1e6 == pytest.approx(0.001475)
    assert fuel_burnt_kg(50, "charcoal", "co2", values) == pytest.approx(165.2, abs=1e-6)
    assert fuel_burnt_kg(50, "charcoal", "ch4", values) == pytest.approx(0.295, abs=1e-6)


def test_warming_potentials_by_edition(values):
    # AR4 25 and 298; AR5 28 and 265, with feedback 34; AR6 27.0 not fossil, 29.8 fossil, 27.9 unsplit, 273
    assert co2_equivalent(1, 0, "ar4", values) == 25
    assert co2_equivalent(0, 1, "ar4", values) == 298
    assert co2_equivalent(1, 0, "ar5", values) == 28
    assert co2_equivalent(0, 1, "ar5", values) == 265
    assert co2_equivalent(1, 0, "ar5_feedback", values) == 34
    assert co2_equivalent(0, 1, "ar5_feedback", values) == 298  # from memory
    assert co2_equivalent(1, 0, "ar6", values) == 27.0
    assert co2_equivalent(0, 1, "ar6", values) == 273
    assert values["climate.gwp.ar6.ch4_fossil"] == 29.8
    assert values["climate.gwp.ar6.ch4_unsplit"] == 27.9


def test_flame_curtain_kilns(values):
    # Cornelissen 2016: CO 54 +- 35, CH4 30 +- 60, PM10 11 +- 15 g a kilo of char; 2023: dry twigs under 15 %
    # CO 40-118, CH4 0-3.6, particles 21-82; over 40 % moisture CH4 over 500
    for gas, low, high in [("ch4", 0, 3.6), ("co", 40, 118), ("pm", 11, 82)]:
        assert low <= 1000 * kiln_kg(1, 0.12, gas, "flame_curtain", values) <= high
    assert 1000 * kiln_kg(1, 0.12, "ch4", "flame_curtain", values, "high") == 30
    assert 1000 * kiln_kg(1, 0.25, "ch4", "flame_curtain", values) == 30
    assert 1000 * kiln_kg(1, 0.25, "ch4", "flame_curtain", values, "high") == 30 + 60
    assert 1000 * kiln_kg(1, 0.45, "ch4", "flame_curtain", values, "low") >= 500


def test_wet_feed_does_not_inherit_the_dry_factor(values):
    # Cornelissen 2023: moisture is the switch
    for kiln in ("flame_curtain", "closed_drum"):
        for gas in ("ch4", "co", "pm"):
            dry, damp, wet = (kiln_kg(1, m, gas, kiln, values) for m in (0.15, 0.30, 0.45))
            assert dry < damp < wet
    assert [feed_state(m, values) for m in (0.15, 0.16, 0.40, 0.41)] == ["dry", "damp", "damp", "wet"]


def test_closed_drum_kilns(values):
    # Smith et al. 1999, Thai kilns, single oil drums among them: CH4 13-58, CO 110-340, N2O 0.017-0.084, TSP 0.7-4.2
    # Pennise 2001, eight kilns: CH4 32-62, CO 143-373, TSP 13-41
    for gas, low, high in [("ch4", 13, 58), ("co", 110, 340), ("n2o", 0.017, 0.084), ("pm", 0.7, 4.2)]:
        ends = [1000 * kiln_kg(1, 0.1, gas, "closed_drum", values, e) for e in ("low", "likely", "high")]
        assert ends[0] == pytest.approx(low)
        assert ends[2] == pytest.approx(high)
        assert low <= ends[1] <= high
    for gas, low, high in [("ch4", 32, 62), ("co", 143, 373), ("pm", 13, 41)]:
        ends = [1000 * kiln_kg(1, 0.3, gas, "closed_drum", values, e) for e in ("low", "likely", "high")]
        assert (ends[0], ends[2]) == (pytest.approx(low), pytest.approx(high))


def test_an_open_set_stands_beside_the_inventory_figures(values):
    # GFED4 agricultural burning: CH4 5.82, CO 102, N2O 0.1, PM2.5 6.26 g/kg
    assert values.pick("climate.open.ch4_g_kg", "high") == 5.82
    assert values.pick("climate.open.co_g_kg", "high") == 102
    assert values.pick("climate.open.n2o_g_kg", "high") == 0.1
    assert values["climate.open.pm25_g_kg"] == 6.26


def test_a_hundred_grams_cook_a_meal(values):
    # common practice, no source: about 100 g of char cooks a meal in an efficient steamer stove
    assert values["climate.meal.char_kg"] == 0.1


def test_wood_energy(values):
    # IPCC 2006 Vol 2 Table 1.2: wood 15.6 TJ/Gg
    assert values["climate.firewood.ncv_mj_kg"] == 15.6
