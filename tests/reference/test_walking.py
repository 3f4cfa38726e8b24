"""Walking and carrying formulas against published or hand-computed figures; each source is named beside its check."""

import numpy as np
import pytest

from sourcing.network.walking import (
    irmischer_clarke_km_h,
    level_metres,
    naismith_langmuir_km_h,
    pandolf_w,
    tobler_km_h,
)
from sourcing.values import Values

V = Values.load()
LB, MPH = 0.45359237, 0.44704


@pytest.mark.parametrize(
    ("slope", "km_h"),
    [(-0.05, 6.0), (0, 5.0367), (-0.10, 5.0367), (0.05, 4.2281), (0.10, 3.5493), (-0.20, 3.5493), (0.20, 2.5012),
     (0.30, 1.7625), (0.50, 0.8753)],
)  # fmt: skip
def test_tobler(slope, km_h):
    # Tobler 1993, W = 6 exp(-3.5 |S + 0.05|); 5.037 km/h on the level is the value that everyone prints.
    assert tobler_km_h(slope, V) == pytest.approx(km_h, abs=5e-5)


def test_tobler_there_and_back_is_the_harmonic_mean_of_speeds():
    # From the formula: 1 km up a 10 % slope and down again takes 1/3.5493 + 1/5.0367 h.
    metres = level_metres(np.array([1000.0, 1000.0]), np.array([0.1, -0.1]), "tobler", V).sum()
    assert metres / 5036.7 == pytest.approx(1 / 3.5493 + 1 / 5.0367, rel=1e-4)


def test_naismith():
    # Naismith 1892: an hour for 5 km and half an hour for 300 m of climb; 10 km with 600 m up take 3 h.
    assert 10 / naismith_langmuir_km_h(0.06, V) == pytest.approx(3.0)


@pytest.mark.parametrize(("degrees", "minutes"), [(8, -10), (15, 10), (4, 0)])
def test_langmuir(degrees, minutes):
    # Langmuir 1984: 300 m of descent save 10 minutes between 5 and 12 degrees, cost 10 above 12, change nothing below
    # 5. Printed example: 5 km with 300 m down at 8 degrees take 50 minutes, at 15 degrees 70 minutes.
    slope = -np.tan(np.radians(degrees))
    run_km = 0.3 / -slope
    level = (5 - run_km) / 5
    hours = run_km / naismith_langmuir_km_h(slope, V) + level
    assert 60 * hours == pytest.approx(60 + minutes)


@pytest.mark.parametrize(
    ("slope", "m_s"), [(0, 1.09621), (-0.05, 1.11), (0.05, 1.05596), (0.10, 0.99250), (0.20, 0.81665)]
)
def test_irmischer_clarke(slope, m_s):
    # Irmischer and Clarke 2018, men on path, with the signed slope and 2 x 30^2 = 1800.
    assert irmischer_clarke_km_h(slope, V) / 3.6 == pytest.approx(m_s, abs=5e-6)


def test_irmischer_clarke_is_not_one_of_its_wrong_copies():
    # With 3600 in place of 1800 the level value is 1.10308 and that at 20 % is 0.95062; with |S| there is no peak.
    level, steep, peak = irmischer_clarke_km_h([0, 0.2, -0.05], V) / 3.6
    assert abs(level - 1.10308) > 5e-3
    assert abs(steep - 0.95062) > 0.1
    assert peak > level


def test_irmischer_clarke_off_path_and_women():
    # Off path on the level 0.77851 m/s; women walk at 0.95 of it: 1.04140 m/s on the path.
    assert irmischer_clarke_km_h(0, V, off_path=True) / 3.6 == pytest.approx(0.77851, abs=5e-6)
    woman = V["carry.walk.irmischer_clarke.woman_factor"]
    assert woman * irmischer_clarke_km_h(0, V) / 3.6 == pytest.approx(1.04140, abs=5e-6)


def test_pandolf_published_worked_number():
    # A public health library's own test: 80 kg, no load, 4 km/h, level: 3.842765092406889 kcal/min at 4186.8 J/kcal.
    watts = pandolf_w(80, 0, 4 / 3.6, 0, 1, V)
    assert watts == pytest.approx(268.148148, abs=1e-6)
    assert watts * 60 / 4186.8 == pytest.approx(3.842765092406889, rel=1e-9)


def test_pandolf_second_published_worked_number():
    # An explainer page: 180 lb with 30 lb at 3.5 mph on level hard ground, roughly 410 kcal/h.
    watts = pandolf_w(180 * LB, 30 * LB, 3.5 * MPH, 0, 1, V)
    assert watts == pytest.approx(477.550, abs=1e-3)
    assert watts * 0.86 == pytest.approx(410, abs=1)


def test_pandolf_is_not_the_wrong_copies_that_circulate():
    # 527.42566 W in a public library comes of 0.25 for 0.35; a page prints 620-650 kcal/h where the formula gives 520.
    assert pandolf_w(65.2, 40, 1.38582, 1.3, 1, V) == pytest.approx(546.37813, abs=1e-5)
    assert pandolf_w(200 * LB, 40 * LB, 3.5 * MPH, 1, 1, V) == pytest.approx(604.160, abs=1e-3)


@pytest.mark.parametrize(
    ("given", "watts"),
    [((70, 0, 0, 0, 1), 105.0), ((70, 0, 1.2, 0, 1), 256.2), ((70, 20, 1.2, 0, 1), 314.094),
     ((70, 20, 1.0, 0, 1.2), 281.694), ((60, 20, 1.0, 0, 1.0), 227.778), ((70, 20, 1.2, 5, 1), 503.094),
     ((70, 20, 1.2, 0, 2.1), 527.934), ((55, 20, 1.0, 0, 1.2), 237.335), ((70, 30, 1.34, 0, 1), 411.075)],
)  # fmt: skip
def test_pandolf_by_hand(given, watts):
    # Arithmetic from the published form (Pandolf, Givoni and Goldman 1977), a check of the code.
    assert pandolf_w(*given, V) == pytest.approx(watts, abs=1e-3)


def test_downhill_takes_the_signed_grade():
    # Santee's correction with a signed grade, by hand: least near -8 to -9 %, below the level value; with |G| the value
    # at 6 % would exceed the level one.
    grades = np.array([-2, -4, -6, -8, -10, -12])
    watts = pandolf_w(70, 20, 1.2, grades, 1, V)
    assert watts == pytest.approx([297.2, 267.9, 248.9, 240.1, 241.7, 253.5], abs=0.05)
    assert (watts < pandolf_w(70, 20, 1.2, 0, 1, V)).all()


def test_field_set_of_loaded_walking_on_slopes():
    # Conditions of the published field set (80.2 kg, 0 / 13.6 / 27.2 kg, 1.34 m/s, terrain 1.1); values by hand from
    # the published forms, not the paper's measurements.
    got = pandolf_w(80.2, np.array([[0], [13.6], [27.2]]), 1.34, np.array([0, 4, 8.6, -4, -8.6, -12]), 1.1, V)
    want = [[357.9, 523.4, 713.7, 306.4, 274.5, 280.8], [403.6, 597.2, 819.8, 347.7, 310.3, 317.7],
            [463.2, 684.8, 939.7, 402.9, 360.1, 368.6]]  # fmt: skip
    assert np.allclose(got, want, atol=0.06)
