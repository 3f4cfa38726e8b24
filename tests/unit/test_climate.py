"""Energy and air of a season: ranges, choices, notes."""

import numpy as np
import pytest

from sourcing.season.climate import season_climate
from sourcing.season.works import season_work
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, HAUL, placed, season


@pytest.fixture(scope="module")
def values():
    return Values.load()


def air(values, haul=HAUL, empty=False, **choices):
    settings = season(climate=choices)
    weeks, carries, rates, lots = placed(values, settings)
    if empty:
        weeks, carries = weeks.iloc[:0], carries.iloc[:0]
    work = season_work(weeks, carries, rates, lots, CALENDAR, settings, values, haul_m=haul)
    return season_climate(work, settings, values), work


def test_every_row_runs_from_low_to_high(values):
    for choices in ({}, {"kiln": "closed_drum"}, {"fuel_displaced": "charcoal"}, {"fuel_displaced": "none"}):
        found, _ = air(values, **choices)
        for table in (found.energy, found.warming, found.smoke):
            assert (table["low"] <= table["likely"] + 1e-9).all()
            assert (table["likely"] <= table["high"] + 1e-9).all()
            assert table["unit"].str.len().gt(0).all()


def test_meals_and_energy_by_hand(values):
    found, work = air(values, haul=None)
    char = work.batches.groupby(["crop", "residue"])["char_kg"].sum()
    assert found.energy.loc["meals", "likely"] == pytest.approx(char.sum() / 0.1)
    hhv = sum(kg * values[f"crop.{c}.{r}.char_hhv_mj_kg"] for (c, r), kg in char.items()) / char.sum()
    dry = hhv - 0.2122 * 3 - 0.0008 * 13
    received = dry * 0.94 - 0.02443 * 6
    assert found.energy.loc["char_ncv_mj_kg", "likely"] == pytest.approx(received)
    gigajoule = char.sum() / 0.94 * received / 1000
    assert found.energy.loc["energy_gj", "likely"] == pytest.approx(gigajoule)
    wood = gigajoule * 1000 * 0.30 / 0.14 / 15.6
    assert found.energy.loc["firewood_kg", "likely"] == pytest.approx(wood)


def test_net_is_avoided_less_given_off(values):
    w = air(values)[0].warming
    likely = w["likely"]
    assert likely["net"] == pytest.approx(
        likely["open_burning_avoided"] + likely["fuel_displaced"] - likely["barrels_own"] - likely["power"]
    )
    assert w.loc["net", "low"] == pytest.approx(
        w.loc["open_burning_avoided", "low"] + w.loc["fuel_displaced", "low"] - w.loc["barrels_own", "high"]
        - w.loc["power", "high"]
    )  # fmt: skip


def test_wet_feed_turns_the_balance(values):
    wet = Values.load({f"crop.{n}.moisture_ready": 0.45 for n in ("cotton.stalk", "rice.straw", "maize.stalk")})
    dry_net = air(values)[0].warming.loc["net", "likely"]
    found, _ = air(wet)
    assert found.warming.loc["net", "likely"] < 0 < dry_net
    assert (found.feed["state"] == "wet").all()
    assert any("Charred wet" in note for note in found.notes)
    assert not any("Charred" in note for note in air(values)[0].notes)


def test_editions_differ_in_the_expected_order(values):
    own = {e: air(values, gwp=e)[0].warming.loc["open_burning_avoided", "likely"] for e in
           ("ar4", "ar5", "ar5_feedback", "ar6")}  # fmt: skip
    assert own["ar6"] < own["ar5"] < own["ar5_feedback"]
    assert own["ar4"] < own["ar5_feedback"]


def test_residue_that_does_not_lie_in_the_field_is_not_burnt_there():
    values = Values.load({"crop.cotton.stalk.lies_in_field": 0})
    everything = Values.load()
    assert (
        air(values)[0].warming.loc["open_burning_avoided", "likely"]
        < air(everything)[0].warming.loc["open_burning_avoided", "likely"]
    )


def test_briquettes_hold_the_energy_of_their_flour_too(values):
    char, pressed = air(values, haul=None)[0], air(values)[0]
    assert pressed.energy.loc["char_ncv_mj_kg", "likely"] < char.energy.loc["char_ncv_mj_kg", "likely"]
    assert pressed.energy.loc["energy_gj", "likely"] > 0.98 * char.energy.loc["energy_gj", "likely"]


def test_no_fuel_displaced_is_nothing_displaced(values):
    found, _ = air(values, fuel_displaced="none")
    assert found.warming.loc["fuel_displaced", "high"] == 0
    assert "firewood_kg" not in found.energy.index


def test_an_empty_season_gives_zeros(values):
    found, _ = air(values, empty=True)
    assert (found.warming[["low", "likely", "high"]].to_numpy() == 0).all()
    assert np.isfinite(found.energy[["low", "likely", "high"]].to_numpy()).all()


def test_figures_used_are_figures(values):
    for choices in ({}, {"kiln": "closed_drum", "fuel_displaced": "charcoal", "gwp": "ar4"}):
        used = air(values, **choices)[0].figures_used
        assert used
        assert all(name in values for name in used)
