"""Weather: drying by the air instead of by days, rain, and days fit for work."""

from datetime import date

import numpy as np
import pandas as pd
import pytest

from sourcing.errors import InputError
from sourcing.residue.supply import residue_supply
from sourcing.residue.weather import read_weather, workable_days
from sourcing.values import Values
from sourcing.weeks import Calendar
from tests.seasons import fields, season

VALUES = Values.load()
ONLY = {"residues": ["maize/stalk"]}


def year(humidity=45.0, temperature=24.0, rain=0.0, **columns):
    weeks = [f"2027-W{w:02d}" for w in range(1, 53)]
    return pd.DataFrame(
        {"week": weeks, "humidity_pct": humidity, "temperature_c": temperature, "rain_mm": rain, **columns}
    )


def ready_day(climate, **row):
    got = residue_supply(fields(row), season(supply=ONLY), VALUES, climate=climate)
    return got, got.calendar.monday(int(got.lots["ready_week"].iloc[0]))


def test_dry_air_dries_sooner_than_damp():
    dry, damp = ready_day(year(humidity=30.0))[1], ready_day(year(humidity=62.0))[1]
    assert date(2027, 5, 9) < dry < damp


def test_the_drying_days_follow_in_the_air_they_were_set_in():
    """The rate was set so that 18 days follow at 40 % and 25 degC: cut by 9 May, ready on 27 May in W21."""
    got, day = ready_day(year(humidity=40.0, temperature=25.0))
    assert day == date(2027, 5, 24)
    plain = residue_supply(fields({}), season(supply=ONLY), VALUES)
    np.testing.assert_allclose(got.lots["mass_kg"].iloc[0], plain.lots["mass_kg"].iloc[0], rtol=0.01)


def test_air_too_damp_never_dries_and_the_residue_is_lost():
    rows = fields({}, {"clear_by": None}, {"crop": "trees", "yield_t_ha": 1.0})
    damp = year(humidity=np.where(np.arange(52) < 40, 92.0, 30.0))
    got = residue_supply(rows, season(), VALUES, climate=damp)
    chain = got.chain.set_index(["field_id", "residue"])
    assert chain.loc[("f0", "stalk"), "free_kg"] == 0
    assert chain.loc[("f0", "stalk"), "past_clear_kg"] > 0
    assert got.calendar.count < 60


def test_rain_wets_what_lies_out_and_takes_some():
    rain = np.zeros(52)
    rain[19:21] = 60.0  # W20 and W21
    wet, dry = ready_day(year(humidity=40.0, rain=rain)), ready_day(year(humidity=40.0))
    assert wet[1] > dry[1]
    assert wet[0].lots["mass_kg"].iloc[0] < dry[0].lots["mass_kg"].iloc[0]


def test_mass_is_conserved_with_weather():
    got, _ = ready_day(year(humidity=55.0, rain=np.where(np.arange(52) % 5 == 0, 30.0, 0.0)))
    parts = got.chain.drop(columns=["field_id", "village", "crop", "residue", "grown_kg"]).sum(axis=1)
    np.testing.assert_allclose(parts, got.chain["grown_kg"], rtol=1e-9)


def test_week_53_and_other_years_are_taken_from_the_table():
    weather = read_weather(year(humidity=np.linspace(30, 81, 52)), "climate.csv")
    begin = (date(2026, 12, 28) - date(1970, 1, 5)).days // 7  # 2026-W53
    got = weather.of_weeks(np.array([begin, begin + 1]))
    assert got[0, 0] == pytest.approx(81)
    assert got[1, 0] == pytest.approx(30)


def test_days_are_gathered_into_weeks():
    table = pd.DataFrame({"date": ["2027-05-03", "2027-05-04"], "humidity_pct": [40, 60], "temperature_c": 20,
                          "rain_mm": [5, 7]})  # fmt: skip
    weather = read_weather(table, "climate.csv")
    (row,) = weather.particular.values()
    assert (row[0], row[2]) == (50, 12)


def test_faults_are_told_at_once():
    table = year()
    table.loc[3, "humidity_pct"] = 140
    table.loc[4, "week"] = "spring"
    table.loc[5, "temperature_c"] = np.nan
    with pytest.raises(InputError) as caught:
        read_weather(table, "climate.csv")
    assert sorted(f.row for f in caught.value.findings) == [4, 5, 6]
    with pytest.raises(InputError, match="humidity_pct"):
        read_weather(pd.DataFrame({"week": ["2027-W01"]}), "climate.csv")


def test_a_table_that_misses_the_season_is_refused():
    with pytest.raises(InputError, match="no weather for W"):
        residue_supply(fields({}), season(), VALUES, climate=year().iloc[:10])


def test_workable_days():
    table = year(rain_days=np.where(np.arange(52) < 18, 0, 3.5), wind_km_h=10.0, holidays=0.0)
    table.loc[17, "holidays"] = 2
    table.loc[18, "wind_km_h"] = 40
    calendar = Calendar.spanning(date(2027, 4, 26), date(2027, 5, 30))  # W17 to W21
    settings = season(fleet={"days_in_week": {"2027-W21": 1}})
    days, notes = workable_days(calendar, settings, VALUES, read_weather(table, "climate.csv"))
    assert days == pytest.approx([6, 4, 0, 3, 1])
    assert notes == ()
    plain, _ = workable_days(calendar, settings, VALUES)
    assert plain == pytest.approx([6, 6, 6, 6, 1])


def test_rain_without_rain_days_is_guessed_and_missing_wind_told():
    calendar = Calendar.spanning(date(2027, 4, 26), date(2027, 5, 2))
    days, notes = workable_days(calendar, season(), VALUES, read_weather(year(rain=7.0), "climate.csv"))
    assert days == pytest.approx([6 * (1 - 3 / 7)])
    assert [n.what for n in notes] == ["no_wind"]
