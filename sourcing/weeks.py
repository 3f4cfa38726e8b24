"""The planning calendar: ISO 8601 weeks counted from the season's first week.

A week index is a whole number, 0 for the season's first week; it runs on over the year end and through week 53
without a gap. All other rooms speak in week indices and leave dates to this one.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

DAYS_A_WEEK = 7


def monday_of(day: date) -> date:
    """The Monday that begins the ISO week of `day`."""
    return day - timedelta(days=day.weekday())


def iso_label(day: date) -> str:
    """The ISO 8601 week of `day` as text, such as '2026-W53'."""
    year, week, _ = day.isocalendar()
    return f"{year:04d}-W{week:02d}"


def monday(label: str) -> date:
    """First day of an ISO week such as '2027-W18'."""
    year, week = label.split("-W")
    return date.fromisocalendar(int(year), int(week), 1)


def sunday(label: str) -> date:
    """Last day of an ISO week."""
    return monday(label) + timedelta(days=DAYS_A_WEEK - 1)


@dataclass(frozen=True)
class Calendar:
    """A run of ISO weeks.

    `first_monday` is the Monday of week 0; `count` is the number of weeks [weeks].
    """

    first_monday: date
    count: int

    def __post_init__(self) -> None:
        if self.first_monday.weekday() != 0:
            raise ValueError(f"{self.first_monday} is not a Monday")
        if self.count < 1:
            raise ValueError("a calendar needs at least one week")

    @classmethod
    def spanning(cls, first: date, last: date) -> Calendar:
        """The shortest calendar that holds both days. Raises ValueError when `last` lies before `first`."""
        if last < first:
            raise ValueError(f"the season ends ({last}) before it begins ({first})")
        start = monday_of(first)
        return cls(start, (monday_of(last) - start).days // DAYS_A_WEEK + 1)

    def index(self, day: date) -> int:
        """Week index of a day; negative before the season, `count` or more after it."""
        return (monday_of(day) - self.first_monday).days // DAYS_A_WEEK

    def indices(self, days: npt.NDArray[np.datetime64]) -> npt.NDArray[np.int64]:
        """Week index of many days at once, shape as given. No day may be missing (NaT)."""
        if np.isnat(days).any():
            raise ValueError("a date is missing")
        since = days.astype("datetime64[D]") - np.datetime64(self.first_monday, "D")
        return np.floor_divide(since.astype(np.int64), DAYS_A_WEEK)

    def monday(self, week: int) -> date:
        """The Monday of a week index; works outside the season too."""
        return self.first_monday + timedelta(days=DAYS_A_WEEK * int(week))

    def label(self, week: int) -> str:
        """ISO label of a week index, such as '2027-W18'."""
        return iso_label(self.monday(week))

    @property
    def labels(self) -> tuple[str, ...]:
        """ISO labels of all weeks, in order."""
        return tuple(self.label(w) for w in range(self.count))


def month_day(text: str) -> tuple[int, int]:
    """Month and day from 'MM-DD'. Raises ValueError for anything else (29 February is taken as the 28th)."""
    parts = text.split("-")
    if len(parts) != 2:
        raise ValueError(f"'{text}' is not a day of the year written as MM-DD")
    month, day = int(parts[0]), int(parts[1])
    if (month, day) == (2, 29):
        day = 28
    date(2001, month, day)
    return month, day


def next_occurrence(text: str, on_or_after: date) -> date:
    """The first day 'MM-DD' that is not before `on_or_after`; so seasons run over the year end by themselves."""
    month, day = month_day(text)
    this_year = date(on_or_after.year, month, day)
    return this_year if this_year >= on_or_after else date(on_or_after.year + 1, month, day)
