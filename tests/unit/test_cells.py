import numpy as np
import pandas as pd
import pytest

from sourcing.intake.cells import as_dates, as_numbers, as_text, as_yes_no, fold, number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.25", 1.25), ("1,25", 1.25), ("0,125", 0.125), ("1 250,5", 1250.5), ("1.250,5", 1250.5), ("1,250.5", 1250.5),
        ("1,250", 1250), ("1'250", 1250), ("-3", -3), ("1e3", 1000), ("1.234.567", 1234567), ("1\u00a0250", 1250),
    ],
)  # fmt: skip
def test_numbers_as_people_write_them(text, value):
    assert number(text) == value


@pytest.mark.parametrize("text", ["", "abc", "1.2.3", "1,2,3", "12kg", "--3", "1.250,50,1"])
def test_what_is_no_number(text):
    assert np.isnan(number(text))


def test_a_column_with_a_sure_decimal_comma_reads_all_its_commas_so():
    values, bad = as_numbers(pd.Series(["1,250", "0,75", "2,5"]))
    assert values.tolist() == [1.25, 0.75, 2.5]
    assert not bad.any()


def test_blank_numbers_are_not_bad_ones():
    values, bad = as_numbers(pd.Series(["", None, "n/a", "x", "inf", "3"]))
    assert np.isnan(values[:5]).all()
    assert bad.tolist() == [False, False, False, True, True, False]


@pytest.mark.parametrize(
    "text",
    ["2027-04-30", "2027/4/30", "20270430", "30/4/2027", "30.4.27", "30 Apr 2027", "30-avr-2027", "April 30, 2027",
     "2027-04-30T10:11:12Z", "46507", "30/04/2027 12:00", "30th April 2027"],
)  # fmt: skip
def test_days_in_many_forms(text):
    column = as_dates(pd.Series([text]))
    assert column.days[0] == np.datetime64("2027-04-30")
    assert not column.bad[0]


def test_one_sure_cell_decides_whether_day_or_month_comes_first():
    assert as_dates(pd.Series(["3/4/2027", "25/4/2027"])).days[0] == np.datetime64("2027-04-03")
    assert as_dates(pd.Series(["3/4/2027", "4/25/2027"])).days[0] == np.datetime64("2027-03-04")


def test_days_that_can_be_read_two_ways_are_told_or_left_unread():
    alone = as_dates(pd.Series(["3/4/2027"]))
    assert (alone.days[0], alone.assumed) == (np.datetime64("2027-04-03"), "day first")
    both = as_dates(pd.Series(["3/4/2027", "25/4/2027", "4/25/2027"]))
    assert both.bad.tolist() == [True, False, False]


@pytest.mark.parametrize(
    "text", ["31/2/2027", "2027-13-01", "soon", "0215-11-30", "2415-11-30", "4/2027", "99/99/9999"]
)
def test_impossible_days_are_bad_and_not_mended(text):
    column = as_dates(pd.Series([text]))
    assert column.bad[0]
    assert np.isnat(column.days[0])


def test_dates_of_a_real_date_column_keep_their_day_whatever_the_zone():
    days = as_dates(pd.Series(pd.to_datetime(["2027-04-30T23:30:00+05:30", None], utc=False))).days
    assert days[0] == np.datetime64("2027-04-30")
    assert np.isnat(days[1])


def test_yes_and_no_in_several_languages():
    yes, no, other = as_yes_no(pd.Series(["Yes", "Oui", "ndiyo", "1", "NO", "hapana", "नहीं", "", "perhaps"]))
    assert yes.tolist() == [True] * 4 + [False] * 5
    assert no.tolist() == [False] * 4 + [True] * 3 + [False] * 2
    assert other.tolist() == [False] * 8 + [True]


def test_text_loses_case_accents_and_the_point_zero_of_codes():
    assert fold("  Arachide d'ÉTÉ ") == "arachide d ete"
    assert fold("मक्का") == fold("मक्का ")
    assert as_text(pd.Series([12.0, 1.5, np.nan])).tolist() == ["12", "1.5", ""]
    assert as_text(pd.Series([3, None, "x "], dtype=object)).tolist() == ["3", "", "x"]
