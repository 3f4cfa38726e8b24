"""What people write in cells, read as numbers, dates, shares, and yes or no.

Each function takes a whole column and gives the values together with a mask of the cells that could not be read;
blank cells are neither. Nothing is decided about what to do with an unreadable cell.
"""

from __future__ import annotations

import csv
import re
import unicodedata
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib import resources

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Days = npt.NDArray[np.datetime64]

BLANK_WORDS = frozenset({"", "-", "--", "na", "n/a", "nan", "none", "null", "nat", "nil", "?", "<na>"})
FIRST_YEAR, LAST_YEAR = 1990, 2100
"""Years outside these are taken for slips of the pen."""
_SPREADSHEET_DAYS = (20_000, 80_000)
"""Day numbers that spreadsheets write for dates between 1954 and 2119."""
_MONTHS = {
    "jan": 1, "feb": 2, "mar": 3, "apr": 4, "may": 5, "jun": 6, "jul": 7, "aug": 8, "sep": 9, "sept": 9, "oct": 10,
    "nov": 11, "dec": 12, "fev": 2, "avr": 4, "mai": 5, "juin": 6, "juil": 7, "aout": 8, "fevr": 2, "abr": 4, "ago": 8,
    "set": 9, "out": 10, "dez": 12, "ene": 1, "dic": 12,
}  # fmt: skip


def fold(text: str) -> str:
    """Text for matching: lower case, no accents or punctuation, single blanks. 'Arachide d’été' -> 'arachide d ete'."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    plain = "".join(
        " " if not (c.isalnum() or unicodedata.category(c) in ("Mc", "Mn")) else c
        for c in plain
        if not ("\u0300" <= c <= "\u036f")
    )
    return " ".join(plain.split())


def as_text(column: pd.Series) -> npt.NDArray[np.object_]:
    """Each cell as trimmed text; '' for a blank. Whole numbers lose the '.0' that tables add."""
    kind = column.dtype
    if isinstance(kind, np.dtype) and kind.kind == "f":
        values = column.to_numpy(dtype=np.float64)
        whole = np.isfinite(values) & (values == np.floor(values)) & (np.abs(values) < 1e15)
        result = np.full(len(values), "", dtype=object)
        result[whole] = values[whole].astype(np.int64).astype(str)
        rest = np.isfinite(values) & ~whole
        result[rest] = values[rest].astype(str)
        return result
    codes, unique = pd.factorize(column, use_na_sentinel=True)
    words = np.array([_cell_text(u) for u in unique] + [""], dtype=object)
    return np.asarray(words[codes], dtype=object)


def _cell_text(value: object) -> str:
    if isinstance(value, float) and value == int(value):
        return str(int(value))
    text = str(value).strip().strip("\ufeff\u200b").strip()
    return "" if text.casefold() in BLANK_WORDS else text


_NUMBER = re.compile(r"[+-]?\d[\d\s.,'\u00a0\u202f]*(?:[eE][+-]?\d+)?")


def number(text: str, decimal_comma: bool = False) -> float:
    """A number as people write it: decimal comma or point, thousands parted by blank, comma, point or apostrophe.

    NaN when it is not one. '1,250' is 1250 unless `decimal_comma` says that the column writes its decimals so.
    """
    text = text.strip()
    match = _NUMBER.fullmatch(text)
    if match is None:
        return float("nan")
    body = re.sub(r"[\s'\u00a0\u202f]", "", text)
    commas, points = body.count(","), body.count(".")
    if commas and points:
        decimal = "," if body.rfind(",") > body.rfind(".") else "."
        thousands = "." if decimal == "," else ","
        if body.count(decimal) > 1:
            return float("nan")
        body = body.replace(thousands, "").replace(decimal, ".")
    elif commas == 1:
        head, tail = body.split(",")
        grouped = (
            not decimal_comma and len(tail) == 3 and head.lstrip("+-") not in ("", "0") and len(head.lstrip("+-")) <= 3
        )
        body = head + tail if grouped else f"{head}.{tail}"
    elif commas > 1 or points > 1:
        mark = "," if commas else "."
        groups = body.lstrip("+-").split(mark)
        if any(len(g) != 3 for g in groups[1:]) or not 1 <= len(groups[0]) <= 3:
            return float("nan")
        body = body.replace(mark, "")
    try:
        return float(body)
    except ValueError:
        return float("nan")


_DECIMAL_COMMA = re.compile(r"[+-]?(?:0,\d+|\d+,(?:\d{1,2}|\d{4,}))")
"""Numbers whose comma can only be a decimal one."""


def as_numbers(column: pd.Series) -> tuple[Floats, Mask]:
    """Numbers (NaN where blank or unreadable) and which cells were unreadable. Infinity counts as unreadable."""
    if pd.api.types.is_numeric_dtype(column.dtype) and not pd.api.types.is_bool_dtype(column.dtype):
        values = column.to_numpy(dtype=np.float64, na_value=np.nan).copy()
        bad: Mask = np.isinf(values)
        values[bad] = np.nan
        return values, bad
    codes, unique = pd.factorize(pd.Series(as_text(column), dtype=object))
    comma = any(_DECIMAL_COMMA.fullmatch(str(u)) for u in unique)
    parsed = np.array([number(str(u), comma) for u in unique] or [np.nan], dtype=np.float64)
    parsed[np.isinf(parsed)] = np.nan
    values = parsed[codes]
    blank = np.array([u == "" for u in unique] or [True], dtype=bool)[codes]
    return values, np.isnan(values) & ~blank


@dataclass(frozen=True)
class DateColumn:
    """A column of days: `days` (NaT: blank or unreadable), `bad` (unreadable), `assumed` (how 3/4/2027 was read)."""

    days: Days
    bad: Mask
    assumed: str = ""


def as_dates(column: pd.Series) -> DateColumn:
    """Days in any usual form: real dates, 2027-04-30, 30/4/2027, 30.4.27, 20270430, 30 Apr 2027, day numbers.

    Whether day or month comes first is decided by the column as a whole: by any cell that can be read in one way only.
    Where none can, day first is taken and `assumed` says so. A column with both kinds leaves its doubtful cells unread.
    """
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        stamps = column.dt.tz_localize(None) if getattr(column.dt, "tz", None) is not None else column
        days = stamps.to_numpy().astype("datetime64[D]")
        return DateColumn(days, _odd_year(days))
    if pd.api.types.is_numeric_dtype(column.dtype):
        column = pd.Series(as_text(column), dtype=object)
    codes, unique = pd.factorize(pd.Series([_day_text(v) for v in column.to_numpy(dtype=object)], dtype=object))
    read = [_read_day(str(u)) for u in unique]
    orders = {form for form, *_ in read if form in ("dm", "md")}
    order = "dm" if orders == {"dm"} else "md" if orders == {"md"} else "" if len(orders) == 2 else "assumed"
    out = np.full(len(unique) + 1, np.datetime64("NaT", "D"), dtype="datetime64[D]")
    bad = np.zeros(len(unique) + 1, dtype=bool)
    doubtful = False
    for i, (form, year, a, b) in enumerate(read):
        if form == "blank":
            continue
        if form == "either":
            doubtful = True
            month, day = (a, b) if order == "md" else (b, a)
            if order == "" and a != b:
                form = "bad"
        elif form == "dm":
            month, day = b, a
        else:
            month, day = a, b
        try:
            if form == "bad" or not FIRST_YEAR <= year <= LAST_YEAR:
                raise ValueError
            out[i] = np.datetime64(date(year, month, day), "D")
        except ValueError:
            bad[i] = True
    assumed = "day first" if doubtful and order == "assumed" else ""
    return DateColumn(out[codes], bad[codes], assumed)


def _odd_year(days: Days) -> Mask:
    low, high = np.datetime64(f"{FIRST_YEAR}-01-01"), np.datetime64(f"{LAST_YEAR}-12-31")
    return np.asarray(~np.isnat(days) & ((days < low) | (days > high)))


def _day_text(value: object) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, date):  # also datetime and Timestamp
        return f"{value.year:04d}-{value.month:02d}-{value.day:02d}"
    return _cell_text(value)


_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[T ].*)?")
_PLAIN = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4}|\d{2})(?:[T ]\d.*)?")
_NAMED = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[-/. ]*([^\W\d_]+)\.?[-/., ]*(\d{4}|\d{2})")
_NAMED_US = re.compile(r"([^\W\d_]+)\.?[-/. ]*(\d{1,2})(?:st|nd|rd|th)?[,. ]+(\d{4})")


def _read_day(text: str) -> tuple[str, int, int, int]:
    """Form ('ymd', 'dm', 'md', 'either', 'blank', 'bad'), year and the two other numbers in the order of the form."""
    if not text:
        return "blank", 0, 0, 0
    if match := _ISO.fullmatch(text):
        return "ymd", int(match[1]), int(match[2]), int(match[3])
    if re.fullmatch(r"\d{8}", text):
        return "ymd", int(text[:4]), int(text[4:6]), int(text[6:])
    if re.fullmatch(r"\d{5}(?:\.\d+)?", text) and _SPREADSHEET_DAYS[0] <= float(text) <= _SPREADSHEET_DAYS[1]:
        day = date.fromordinal(date(1899, 12, 30).toordinal() + int(float(text)))
        return "ymd", day.year, day.month, day.day
    if match := _PLAIN.fullmatch(text):
        a, b, year = int(match[1]), int(match[2]), _full_year(match[3])
        if a > 12 >= b:
            return "dm", year, a, b
        if b > 12 >= a:
            return "md", year, a, b
        return "either", year, a, b
    if match := _NAMED.fullmatch(text):
        month = _MONTHS.get(fold(match[2])[:4], _MONTHS.get(fold(match[2])[:3], 0))
        return "ymd", _full_year(match[3]), month, int(match[1])
    if match := _NAMED_US.fullmatch(text):
        month = _MONTHS.get(fold(match[1])[:4], _MONTHS.get(fold(match[1])[:3], 0))
        return "ymd", int(match[3]), month, int(match[2])
    return "bad", 0, 0, 0


def _full_year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text)


@cache
def yes_no_words() -> dict[str, bool]:
    """Folded words for yes and no, from data/yes_no.csv."""
    text = resources.files("sourcing").joinpath("data/yes_no.csv").read_text(encoding="utf-8")
    return {fold(r["word"]): r["means"] == "yes" for r in csv.DictReader(text.splitlines())}


def as_yes_no(column: pd.Series) -> tuple[Mask, Mask, Mask]:
    """Which cells say yes, which say no, and which say something else; blanks are in none of the three."""
    if pd.api.types.is_bool_dtype(column.dtype):
        yes = column.to_numpy(dtype=bool, na_value=False)
        no = ~column.to_numpy(dtype=bool, na_value=True)
        return yes, no, np.zeros(len(column), dtype=bool)
    words = yes_no_words()
    codes, unique = pd.factorize(pd.Series(as_text(column), dtype=object))
    said = [words.get(fold(str(u))) for u in unique]
    yes = np.array([s is True for s in said], dtype=bool)
    no = np.array([s is False for s in said], dtype=bool)
    other = np.array([s is None and u != "" for s, u in zip(said, unique, strict=True)], dtype=bool)
    return yes[codes], no[codes], other[codes]
