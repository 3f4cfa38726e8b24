from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sourcing.weeks import Calendar, iso_label, month_day, next_occurrence

DAYS = st.dates(date(1990, 1, 1), date(2080, 12, 31))


@pytest.mark.parametrize(
    ("day", "label"),
    [
        # ISO 8601 week dates; the examples are those of the 'ISO week date' rules (from memory), and Python's own
        # isocalendar is not what is compared with.
        (date(2005, 1, 1), "2004-W53"),
        (date(2005, 12, 31), "2005-W52"),
        (date(2008, 12, 29), "2009-W01"),
        (date(2010, 1, 3), "2009-W53"),
        (date(2026, 12, 31), "2026-W53"),
    ],
)
def test_iso_labels(day, label):
    assert iso_label(day) == label


def test_a_season_over_the_year_end_runs_through_week_53_without_a_gap():
    calendar = Calendar.spanning(date(2026, 12, 14), date(2027, 1, 15))
    assert calendar.labels == ("2026-W51", "2026-W52", "2026-W53", "2027-W01", "2027-W02")


@given(DAYS, DAYS)
def test_every_day_of_a_season_has_an_index_inside_it(a, b):
    first, last = min(a, b), max(a, b)
    calendar = Calendar.spanning(first, last)
    assert calendar.index(first) == 0
    assert calendar.index(last) == calendar.count - 1
    assert calendar.index(first - timedelta(days=7)) == -1
    assert len(set(calendar.labels)) == calendar.count


@given(st.lists(DAYS, min_size=1, max_size=20))
def test_many_days_at_once_equal_one_by_one(days):
    calendar = Calendar.spanning(date(2026, 3, 4), date(2027, 3, 4))
    many = calendar.indices(np.array(days, dtype="datetime64[D]"))
    assert many.tolist() == [calendar.index(day) for day in days]


def test_a_missing_date_is_refused():
    with pytest.raises(ValueError, match="missing"):
        Calendar.spanning(date(2026, 1, 1), date(2026, 2, 1)).indices(np.array(["NaT"], dtype="datetime64[D]"))


def test_a_season_that_ends_before_it_begins_is_refused():
    with pytest.raises(ValueError, match="before it begins"):
        Calendar.spanning(date(2026, 5, 1), date(2026, 4, 1))


@given(DAYS, st.integers(1, 12), st.integers(1, 28))
def test_next_occurrence_is_within_a_year_and_keeps_month_and_day(day, month, dom):
    found = next_occurrence(f"{month:02d}-{dom:02d}", day)
    assert day <= found < day + timedelta(days=367)
    assert (found.month, found.day) == (month, dom)


@pytest.mark.parametrize("text", ["13-01", "04-31", "April", "4", "04-00", ""])
def test_a_day_of_the_year_that_is_none_is_refused(text):
    with pytest.raises(ValueError):
        month_day(text)


def test_the_leap_day_is_taken_as_the_day_before():
    assert month_day("02-29") == (2, 28)
