"""Setbacks, limits and rules of safety against published ones; the source stands beside each check."""

import pytest

from sourcing.values import Values


@pytest.fixture(scope="module")
def values():
    return Values.load()


def test_fire_code_distances_in_feet(values):
    # city codes adopting International Fire Code 307: 50, 25 and 15 ft; 1 ft = 0.3048 m exactly
    assert values["safety.fire_code.bonfire_m"] == pytest.approx(50 * 0.3048)
    assert values["safety.fire_code.small_fire_m"] == pytest.approx(25 * 0.3048)
    assert values["safety.fire_code.container_m"] == pytest.approx(15 * 0.3048)


def test_no_setback_of_a_house_or_thatch_is_below_the_fire_codes(values):
    for kind in ("house", "thatch", "standing_crop"):
        assert values[f"site.setback.{kind}.distance_m"] >= values["safety.fire_code.bonfire_m"]


def test_setbacks_are_the_published_ones(values):
    # UHDP Thailand practice: 50 m from any residence; Rural Fires Regulation 2022 (NSW) s. 28: 30 m; Crop Residues
    # (Burning) Regulations 1993: 15 m from thatch, standing crop, haystack; Namibia 2022: 15 m clear round kilns
    assert values["site.setback.house.distance_m"] == 50
    assert values["site.setback.thatch.distance_m"] == 30
    assert values["site.setback.standing_crop.distance_m"] == 30
    assert values.pick("site.setback.standing_crop.distance_m", "low") == 15
    assert values["safety.ring.clear_m"] == 15
    assert values["safety.ring.bare_m"] == 3  # producers' form, Namibia: 3 m bare and 12 m cut


def test_wind_limits(values):
    # Kansas State Fire Marshal: 5 to 15 miles an hour; 1 mile = 1609.344 m exactly
    assert values["safety.wind.kansas_low_m_s"] == pytest.approx(5 * 1609.344 / 3600, abs=1e-3)
    assert values["safety.wind.kansas_high_m_s"] == pytest.approx(15 * 1609.344 / 3600, abs=1e-3)
    # rice growers, Australia: best at 5-25 km/h; Tatiara council: cease at 29 km/h at 25 C and 20 % humidity
    assert values["safety.wind.stop_km_h"] == 25
    assert values.pick("safety.wind.stop_km_h", "high") == 29


def test_carbon_monoxide_limits(values):
    # WHO 2010 indoor (kept 2021) and 2021: 100, 35, 10, 4 mg/m3 over 15 min, 1 h, 8 h, 24 h; Europe 2000: 60, 30
    assert [values[f"safety.co.limit_{t}_mg_m3"] for t in ("15min", "30min", "1h", "8h", "24h")] == [100, 60, 35, 10, 4]
    assert values.pick("safety.co.limit_1h_mg_m3", "low") == 30
    assert values.pick("safety.co.limit_24h_mg_m3", "high") == 7
    # 28.01 g/mol over 24.45 l/mol at 25 C; ACGIH 25 ppm is printed as 29 mg/m3, 200 ppm as 229 mg/m3
    factor = values["safety.co.mg_m3_per_ppm"]
    assert factor == pytest.approx(28.01 / 24.45, abs=1e-4)
    assert round(25 * factor) == 29
    assert round(200 * factor) == 229
    assert 35 / factor == pytest.approx(30.55, abs=0.01)
    # NIOSH 1972: 35 ppm over 8 h, ceiling 200
    assert values["safety.co.work_8h_ppm"] == 35
    assert values["safety.co.ceiling_ppm"] == 200


def test_water_beaters_and_people(values):
    # Rural Fires Regulation 2022 (NSW) s. 21: 450 l and two knapsack pumps; 1993 regulations: 1000 l and five beaters
    assert values["safety.water_at_hand_l"] == 450
    assert values.pick("safety.water_at_hand_l", "high") == 1000
    assert values["safety.beaters"] == 5
    # Practical Action KnO-100147 p. 6 and the 1993 regulations: at least two people
    assert values["safety.people.least"] == 2


def test_shipping_of_charcoal(values):
    # UN 1361, special provision 978 and P002: 14 days, 40 C, 50 kg; 30 kg advised
    assert values["safety.ship.weathering_d"] == 14
    assert values["safety.ship.packing_c"] == 40
    assert values["safety.ship.bag_kg"] == 50
    assert values["safety.bag_advice_kg"] == 30
