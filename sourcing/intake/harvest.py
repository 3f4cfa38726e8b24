"""When each field is harvested and when its residue must be off it.

A field's own days win. Else the crop's window of the season file (`crops.NAME.harvest_start` …), else the built-in
calendar of the region; both are days of a year without the year. The year is the first in which the residue is not
all gone before the season's first day: the first whose `clear_by`, or where none is known the end of harvest plus
`supply.collection_weeks`, is on or after it. Where the season has no first day, the earliest harvest day that other
fields give stands for it (days over half a year before the middle one are left out as slips). Where there is neither,
the year cannot be known and the season file has to say it; the clock is never looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding, InputError
from sourcing.intake.cells import DateColumn, as_dates, as_text
from sourcing.intake.ledger import Ledger, Mask
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK, month_day, next_occurrence

Days = npt.NDArray[np.datetime64]
_HALF_YEAR = np.timedelta64(183, "D")
_YEAR = np.timedelta64(366, "D")
_NO_DAY = np.datetime64("NaT", "D")


@dataclass(frozen=True)
class Harvest:
    """First and last day of harvest and last day in the field, one a row; NaT where not known. Shape (n,)."""

    start: Days
    end: Days
    clear_by: Days


@dataclass(frozen=True)
class Window:
    """A crop's harvest without its year: days 'MM-DD', `clear_by` '' when not known; `origin` in words."""

    start: str
    end: str
    clear_by: str
    origin: str


def harvest_days(
    frame: pd.DataFrame, crop: npt.NDArray[np.object_], settings: Settings, values: Values, ledger: Ledger
) -> Harvest:
    """Harvest days of each row. `crop`: ours, '' where unknown. Raises InputError when no year can be known."""
    start = _own(frame, "harvest_start", ledger)
    end = _own(frame, "harvest_end", ledger)
    clear = _own(frame, "clear_by", ledger)
    start, end = _one_for_both(start, end, ledger)
    start, end, clear = _impossible(start, end, clear, values, ledger)
    clear = _never_clear(end, clear, ledger)
    own = ~np.isnat(end)
    _odd_season(end, own, settings, ledger)
    windows = {c: windows_of(c, settings, values) for c in sorted(set(crop) - {""})}
    lacking = ~own & (crop != "") & ledger.kept
    ask = lacking & np.array([bool(windows.get(c)) for c in crop], dtype=bool)
    if ask.any():
        first = _first_day(settings, start, own & ledger.kept)
        if first is None:
            raise InputError([_no_year(ledger.file, int(ask.sum()))])
        for name in sorted(set(crop[ask])):
            rows = ask & (crop == name)
            window, s, e, c = _next_window(windows[name], first, settings.supply.collection_weeks)
            start[rows], end[rows] = s, e
            clear[rows & np.isnat(clear)] = c
            if len(windows[name]) > 1:
                ledger.whole_file(
                    "look", "which_season",
                    f"{int(rows.sum())} fields of {name} give no harvest days and it has {len(windows[name])} harvests "
                    f"a year; the one of {s} to {e} was taken ({window.origin})",
                    "harvest days a field, or one window", f"set crops.{name}.harvest_start and harvest_end",
                )  # fmt: skip
    clear = _clear_by_window(crop, end, clear, own, windows, settings)
    none = np.isnat(end) & (crop != "")
    shown = np.array([f"no harvest day is known for {c}" if c else "" for c in crop], dtype=object)
    ledger.mark(
        "set_aside", none, "no_season", shown,
        f"a harvest day in the row, in the season file, or in the calendar of '{settings.season.region}'",
        "write the harvest days, or set crops.NAME.harvest_start and harvest_end, or season.region",
    )  # fmt: skip
    return Harvest(start, end, clear)


def windows_of(crop: str, settings: Settings, values: Values) -> tuple[Window, ...]:
    """The harvest windows of a crop: the season file's one, else those of the region's calendar."""
    own = settings.crops.get(crop)
    calendar = values.calendar(settings.season.region, crop)
    if own is not None and (own.harvest_start or own.harvest_end):
        clear = own.clear_by or (calendar[0].clear_by if calendar else "")
        first, last = own.harvest_start or own.harvest_end, own.harvest_end or own.harvest_start
        return (Window(_day(crop, first), _day(crop, last), _day(crop, clear), "season file"),)
    return tuple(
        Window(
            w.harvest_start, w.harvest_end,
            _day(crop, own.clear_by) if own is not None and own.clear_by else w.clear_by,
            f"calendar of {w.region}, {w.season}" if w.season else f"calendar of {w.region}",
        )
        for w in calendar
    )  # fmt: skip


def _day(crop: str, text: str) -> str:
    if not text:
        return ""
    try:
        month_day(text)
    except ValueError as exc:
        raise InputError(
            [
                Finding(
                    "refused", "season.toml", None, "bad_option", f"crops.{crop} has the day '{text}'",
                    "a day of the year as MM-DD, such as 04-30", "mend it",
                )
            ]
        ) from exc  # fmt: skip
    return text


def _own(frame: pd.DataFrame, name: str, ledger: Ledger) -> Days:
    if name not in frame.columns:
        return np.full(len(frame), _NO_DAY, dtype="datetime64[D]")
    column: DateColumn = as_dates(frame[name])
    if column.assumed:
        ledger.whole_file(
            "look", "date_order", f"dates of {name} can be read in two ways; {column.assumed} was taken",
            "dates such as 2027-04-30", "write the year first, or check a few rows",
        )  # fmt: skip
    days = column.days.copy()
    if column.bad.any():
        text = as_text(frame[name])
        shown = np.array([f"{name} is '{t}'" for t in text], dtype=object)
        ledger.mark(
            "set_aside",
            column.bad,
            "bad_date",
            shown,
            "a day such as 2027-04-30, between 1990 and 2100",
            "mend the day",
        )
        days[column.bad] = _NO_DAY
    return days


def _one_for_both(start: Days, end: Days, ledger: Ledger) -> tuple[Days, Days]:
    has_start, has_end = ~np.isnat(start), ~np.isnat(end)
    for mask, given, lacking in ((has_end & ~has_start, "last", "first"), (has_start & ~has_end, "first", "last")):
        count = int((mask & ledger.kept).sum())
        if count:
            ledger.whole_file(
                "look", "one_harvest_day",
                f"{count} row{'s' * (count > 1)} with only the {given} day of harvest; it stands for the {lacking} too",
                "both days", f"map or write the {lacking} day where it is known",
            )  # fmt: skip
    return np.where(has_start, start, end), np.where(has_end, end, start)


def _impossible(start: Days, end: Days, clear: Days, values: Values, ledger: Ledger) -> tuple[Days, Days, Days]:
    longest = int(values["survey.harvest.longest_days"])
    length = (end - start).astype("timedelta64[D]").astype(np.float64)
    length[np.isnat(end) | np.isnat(start)] = 0
    backwards, long = length < 0, length > longest
    shown = np.full(len(start), "", dtype=object)
    early = ~np.isnat(clear) & ~np.isnat(start) & (clear < start)
    for i in np.flatnonzero(backwards | long | early):
        shown[i] = f"harvest from {start[i]} to {end[i]}" + (f", field clear by {clear[i]}" if early[i] else "")
    ledger.mark(
        "set_aside", backwards, "dates_backwards", shown, "a last day that is not before the first", "mend the days"
    )
    ledger.mark("look", long, "long_harvest", shown, f"a harvest of at most {longest} days", "check the days")
    ledger.mark(
        "mended", early & ~backwards, "clear_before_harvest",
        np.array([f"{t}; the clear-by day was left out" for t in shown], dtype=object),
        "a clear-by day after the harvest begins", "mend the day",
    )  # fmt: skip
    clear = np.where(early, _NO_DAY, clear)
    return start, end, clear


def _never_clear(end: Days, clear: Days, ledger: Ledger) -> Days:
    """Leaves out clear-by days over a year after the harvest: one such slip would make the season decades long."""
    late = clear - end > _YEAR
    shown = np.array(
        [f"the field is clear by {c}; that was left out" if x else "" for c, x in zip(clear, late, strict=True)],
        dtype=object,
    )
    ledger.mark(
        "mended", late, "clear_too_late", shown, "a clear-by day within a year of the harvest", "check the year"
    )
    return np.where(late, _NO_DAY, clear)


def _odd_season(end: Days, own: Mask, settings: Settings, ledger: Ledger) -> None:
    """Sets aside harvests over a year from the file's middle one; tells of a file that ends before the season begins.

    One slip of the year would make the season decades long.
    """
    rows = own & ledger.kept
    if not rows.any():
        return
    middle = np.sort(end[rows])[int(rows.sum()) // 2]
    odd = own & (np.abs(end - middle) > _YEAR)
    shown = np.array([f"its harvest ends on {d}" if o else "" for d, o in zip(end, odd, strict=True)], dtype=object)
    ledger.mark(
        "set_aside", odd, "odd_date", shown, f"a harvest within a year of the others' ({middle})", "check the year"
    )
    first = settings.season.first_day
    if first is not None and end[rows].max() < np.datetime64(first, "D") - _YEAR:
        ledger.whole_file(
            "look", "past_season", f"the last harvest ends on {end[rows].max()}; the season begins on {first}",
            "harvests of this season", "check first_day under [season], or take the survey of this season",
        )  # fmt: skip


def _first_day(settings: Settings, start: Days, own: Mask) -> date | None:
    if settings.season.first_day is not None:
        return settings.season.first_day
    days = np.sort(start[own & ~np.isnat(start)])
    if len(days) == 0:
        return None
    middle = days[len(days) // 2]
    earliest: date = days[days >= middle - _HALF_YEAR][0].astype(object)
    return earliest


def _no_year(file: str, count: int) -> Finding:
    return Finding(
        "refused", file, None, "no_year",
        f"{count} fields take their harvest days from a calendar, and no field and no option says the year",
        "the year of the season", "set first_day under [season], such as first_day = 2027-04-01",
    )  # fmt: skip


def _next_window(
    windows: tuple[Window, ...], first: date, collection_weeks: int
) -> tuple[Window, np.datetime64, np.datetime64, np.datetime64]:
    """The window whose residue is the first not to be gone before `first`, with its days."""
    found = []
    for window in windows:
        # Begin far enough back that a harvest of the year before, still in the field, is seen.
        for back in (2, 1, 0):
            start = next_occurrence(window.start, first - timedelta(days=365 * back))
            end = next_occurrence(window.end, start)
            clear = next_occurrence(window.clear_by, end) if window.clear_by else None
            gone = clear or end + timedelta(days=DAYS_A_WEEK * collection_weeks)
            if gone >= first:
                found.append((gone, start, end, clear, window))
                break
        else:
            start = next_occurrence(window.start, first)
            end = next_occurrence(window.end, start)
            clear = next_occurrence(window.clear_by, end) if window.clear_by else None
            found.append((clear or end, start, end, clear, window))
    _, start, end, clear, window = min(found, key=lambda f: (f[2], f[1]))
    return (
        window,
        np.datetime64(start, "D"),
        np.datetime64(end, "D"),
        _NO_DAY if clear is None else np.datetime64(clear, "D"),
    )


def _clear_by_window(
    crop: npt.NDArray[np.object_], end: Days, clear: Days, own: Mask, windows: dict[str, tuple[Window, ...]],
    settings: Settings,
) -> Days:  # fmt: skip
    """Clear-by days of fields with harvest days of their own and none for clearing: of the crop's nearest window."""
    clear = clear.copy()
    for name, choices in windows.items():
        alone = settings.crops[name].clear_by if name in settings.crops else ""
        rows = own & (crop == name) & np.isnat(clear)
        if not rows.any() or not (alone or any(w.clear_by for w in choices)):
            continue
        days, place = np.unique(end[rows], return_inverse=True)
        found = [_clear_after(d.astype(object), choices, _day(name, alone)) for d in days]
        clear[rows] = np.array(found, dtype="datetime64[D]")[place]
    return clear


def _clear_after(end: date, windows: tuple[Window, ...], alone: str) -> np.datetime64:
    text = alone
    if not text:
        day = date(2001, end.month, min(end.day, 28)).timetuple().tm_yday

        def apart(window: Window) -> int:
            month, of_month = month_day(window.end)
            gap = abs(date(2001, month, of_month).timetuple().tm_yday - day)
            return min(gap, 365 - gap)

        text = min(windows, key=apart).clear_by
    return np.datetime64(next_occurrence(text, end), "D") if text else _NO_DAY
