"""The season's weather by week: drying towards the air, residue that is rained on, and days fit for work.

A climate table has one row a week or a day: `week` ('2027-W18', or any day of it as YYYY-MM-DD), `humidity_pct` [%],
`temperature_c` [degC], and where known `rain_mm` [mm], `wind_km_h` [km/h], `rain_days` and `holidays` [days of the
week]. A week that the table lacks is taken from the same ISO week of another year.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding, InputError
from sourcing.residue.moisture import dry_basis, equilibrium_moisture
from sourcing.residue.residues import Array, Ints, Pairs
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK, Calendar, monday_of

NEEDED = ("humidity_pct", "temperature_c")
OPTIONAL = ("rain_mm", "wind_km_h", "rain_days", "holidays")
_BOUNDS = {
    "humidity_pct": (0.0, 100.0),
    "temperature_c": (-30.0, 55.0),
    "rain_mm": (0.0, 3000.0),
    "wind_km_h": (0.0, 250.0),
    "rain_days": (0.0, 7.0),
    "holidays": (0.0, 7.0),
}
_SUMMED = ("rain_mm", "rain_days", "holidays")
_ZERO = date(1970, 1, 5)
MOST_DAYS = 365
"""Residue that has not dried after this many days never does."""


@dataclass(frozen=True)
class Weather:
    """Weather by ISO week of the year (54, columns): row 1 is week 1; and by particular week where the table says so.

    Columns: :data:`NEEDED` then :data:`OPTIONAL`; what is not known is NaN.
    """

    typical: Array
    particular: dict[int, Array]

    def of_weeks(self, weeks: Ints) -> Array:
        """Weather (n, 6) of weeks counted from 1970-01-05."""
        out = np.empty((len(weeks), len(NEEDED) + len(OPTIONAL)))
        for i, week in enumerate(weeks):
            if (own := self.particular.get(int(week))) is not None:
                out[i] = own
            else:
                out[i] = self.typical[(_ZERO + timedelta(weeks=int(week))).isocalendar()[1]]
        return out


def read_weather(table: pd.DataFrame, file: str) -> Weather:
    """Weather from a climate table. Raises InputError with every fault at once."""
    faults: list[Finding] = []
    frame = table.rename(columns={c: str(c).strip().lower() for c in table.columns})
    if "week" not in frame and "date" in frame:
        frame = frame.rename(columns={"date": "week"})
    lacking = [c for c in ("week", *NEEDED) if c not in frame]
    if lacking:
        raise InputError([_fault(file, None, f"no column {', '.join(lacking)}", "week, humidity_pct, temperature_c")])
    weeks = np.full(len(frame), -1, dtype=np.int64)
    for i, text in enumerate(frame["week"]):
        try:
            weeks[i] = (monday_of(_day(str(text))) - _ZERO).days // DAYS_A_WEEK
        except ValueError:
            faults.append(_fault(file, i + 1, f"week '{text}'", "a week as 2027-W18 or a day as 2027-05-03"))
    numbers = pd.DataFrame(index=frame.index)
    for column in (*NEEDED, *OPTIONAL):
        given = pd.to_numeric(frame[column], errors="coerce") if column in frame else pd.Series(np.nan, frame.index)
        low, high = _BOUNDS[column]
        bad = (given.isna() & (column in NEEDED)) | (given < low) | (given > high)
        for row in np.flatnonzero(bad.to_numpy()).tolist():
            faults.append(_fault(file, row + 1, f"{column} {frame[column].iloc[row]}", f"{low:g} to {high:g}"))
        numbers[column] = given
    if faults:
        raise InputError(faults)
    grouped = numbers.groupby(weeks)
    by_week = grouped.mean()
    for column in _SUMMED:
        by_week[column] = grouped[column].sum(min_count=1)
    iso = np.array([(_ZERO + timedelta(weeks=int(w))).isocalendar()[1] for w in by_week.index])
    means = by_week.groupby(iso).mean().reindex(range(54))
    if not math.isnan(means.loc[52, "humidity_pct"]) and math.isnan(means.loc[53, "humidity_pct"]):
        means.loc[53] = means.loc[52]  # week 53 is as the week before it, where no year of the table has one
    return Weather(means.to_numpy(), {int(w): row.to_numpy(dtype=np.float64) for w, row in by_week.iterrows()})


def _day(text: str) -> date:
    if "W" in text:
        year, week = text.split("-W")
        return date.fromisocalendar(int(year), int(week), 1)
    return date.fromisoformat(text[:10])


def drying(
    weather: Weather, pairs: Pairs, first_day: int, last_day: int, values: Values, file: str
) -> tuple[npt.NDArray[np.int32], Array]:
    """Days from cutting until char-ready (K, D) and the share of dry mass kept until then (K, D).

    Row k is a pair, column d the day first_day + d (days since 1970-01-01) on which it is cut. Each day moisture
    moves towards the equilibrium of the week's air (thin-layer form); in a week with more rain than
    supply.rain.wet_week_mm residue in the field is wet again and loses supply.rain.loss_share more. Residue that has
    not dried after :data:`MOST_DAYS` stays wet: its days are so many that no clear-by day allows it.
    Raises InputError when the table does not cover the season.
    """
    span = last_day - first_day + 1
    days = np.arange(first_day, last_day + MOST_DAYS + 1)
    week_of = (days - 4) // DAYS_A_WEEK
    weeks, back = np.unique(week_of, return_inverse=True)
    table = weather.of_weeks(weeks)
    if np.isnan(table[:, :2]).any():
        missing = [(_ZERO + timedelta(weeks=int(w))).isocalendar()[1] for w in weeks[np.isnan(table[:, 0])]]
        names = ", ".join(f"W{w:02d}" for w in sorted(set(missing))[:12])
        raise InputError([_fault(file, None, f"no weather for {names}", "every week from harvest until it is dry")])
    air = equilibrium_moisture(table[:, 0] / 100.0, table[:, 1])[back]
    wet = (np.nan_to_num(table[:, 2]) > values["supply.rain.wet_week_mm"])[back]
    rate = np.exp(-pairs.p["drying_rate_day"])[:, None]
    target = dry_basis(pairs.p["moisture_ready"])[:, None]
    in_field = (pairs.p["lies_in_field"] > 0)[:, None]
    again = float(dry_basis(values["supply.rain.wet_moisture"]))
    loss = np.where(pairs.p["lies_in_field"] > 0, pairs.p["loss_week_field"], pairs.p["loss_week_cover"])[:, None]
    daily_loss = np.log1p(-loss) / DAYS_A_WEEK
    rain_loss = math.log1p(-values["supply.rain.loss_share"]) / DAYS_A_WEEK
    moisture = np.repeat(dry_basis(pairs.p["moisture_harvest"])[:, None], span, axis=1)
    waited = np.full(moisture.shape, MOST_DAYS * 10, dtype=np.int32)
    kept_log = np.zeros(moisture.shape)
    drying_on = np.ones(moisture.shape, dtype=bool)
    for step in range(MOST_DAYS):
        done = drying_on & (moisture <= target)
        waited[done] = step
        drying_on &= ~done
        if not drying_on.any():
            break
        rained = wet[step : step + span][None, :] & in_field
        me = air[step : step + span][None, :]
        moisture = np.where(rained, np.maximum(moisture, again), me + (moisture - me) * rate)
        kept_log += np.where(drying_on, daily_loss + rained * rain_loss, 0.0)
    return waited, np.exp(kept_log)


def workable_days(
    calendar: Calendar, settings: Settings, values: Values, weather: Weather | None = None
) -> tuple[Array, tuple[Finding, ...]]:
    """Days fit for work in each week of the calendar (T,), and what was assumed.

    Working days of the season, less holidays, less the share of days with rain, and none where the week's wind is
    above supply.work.wind_stop_km_h. A week named in `fleet.days_in_week` has the days it says. Without rain days the
    rain of the week is divided by a wet day's rain; without weather every week is as the season says.
    """
    usual = settings.fleet.days_a_week
    days: Array = np.full(calendar.count, usual)
    notes: list[Finding] = []
    if weather is not None:
        begin = (calendar.first_monday - _ZERO).days // DAYS_A_WEEK
        table = weather.of_weeks(np.arange(begin, begin + calendar.count))
        rain, wind, rain_days, holidays = (table[:, 2 + i] for i in range(4))
        guessed = np.minimum(np.floor(np.nan_to_num(rain) / values["supply.work.rain_day_mm"]), DAYS_A_WEEK)
        rain_days = np.where(np.isnan(rain_days), guessed, rain_days)
        days = np.maximum(usual - np.nan_to_num(holidays), 0.0) * (1.0 - rain_days / DAYS_A_WEEK)
        stopped = np.nan_to_num(wind) > values["supply.work.wind_stop_km_h"]
        days = np.where(stopped, 0.0, days)
        if np.isnan(wind).any():
            notes.append(Finding("look", settings.layers.climate, None, "no_wind", "some weeks have no wind",
                                 "wind in km/h", "none is taken for them: watch it on the day"))  # fmt: skip
    for week, label in enumerate(calendar.labels):
        if label in settings.fleet.days_in_week:
            days[week] = settings.fleet.days_in_week[label]
    return days, tuple(notes)


def temperature_by_week(weather: Weather, calendar: Calendar) -> pd.Series:
    """Mean temperature of each week of the calendar [degC], index week; missing where the table has none."""
    begin = (calendar.first_monday - _ZERO).days // DAYS_A_WEEK
    return pd.Series(weather.of_weeks(np.arange(begin, begin + calendar.count))[:, 1])


def with_workable_days(
    settings: Settings, calendar: Calendar, values: Values, weather: Weather | None
) -> tuple[Settings, tuple[Finding, ...]]:
    """The settings with the days fit for work written into every week (`fleet.days_in_week`), and what was assumed.

    Without weather the settings are as they were.
    """
    if weather is None:
        return settings, ()
    days, notes = workable_days(calendar, settings, values, weather)
    by_week = {**settings.fleet.days_in_week, **dict(zip(calendar.labels, days.tolist(), strict=True))}
    fleet = settings.fleet.model_copy(update={"days_in_week": by_week})
    return settings.model_copy(update={"fleet": fleet}), notes


def _fault(file: str, row: int | None, found: str, expected: str) -> Finding:
    return Finding("refused", file, row, "bad_climate", found, expected, "mend the climate table")
