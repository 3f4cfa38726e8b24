"""What accepted surveys changed, told to people: how many fields became what, each change with the old and the new.

Also the story of one field: what each survey said of it, and of the fields from which it came.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import pandas as pd

from sourcing.errors import UsageError
from sourcing.intake.book import Book
from sourcing.intake.history import (
    Accepted,
    change_counts,
    changes_of,
    fields_of,
    fields_replaced,
    fields_today,
    surveys,
)  # fmt: skip
from sourcing.intake.survey import Survey

FATES = {
    "new": "new", "gone": "gone", "changed": "changed", "redrawn": "walked anew", "moved": "found elsewhere",
    "split": "divided", "merged": "put together", "rearranged": "drawn anew in place of others", "same": "as before",
}  # fmt: skip
"""What becomes of fields, in the words used everywhere."""
COLUMN_WORDS = {
    "yield_t_ha": "yield, t/ha", "harvest_start": "harvest from", "harvest_end": "harvest to", "clear_by": "clear by",
    "share_promised": "share promised", "crop_2": "second crop", "share_2": "share of the second crop",
    "yield_2_t_ha": "yield of the second crop, t/ha",
}  # fmt: skip
_ORDER = ("gone", "split", "merged", "rearranged", "redrawn", "moved", "changed", "new")
"""In a list of changes those of the land come first, then what is said of it, then what is new."""
_OLD_SIDE = ("gone", "split")
"""Where the old fields are counted, not the new: one divided field is one, though it becomes two."""


def what_changed(book: Book, survey: int) -> str:
    """How many fields became what by one survey, in one line: '3 new, 1 divided, 40 as before'.

    Raises UsageError for an unknown survey.
    """
    counts = change_counts(book, survey)
    told = ((counts.get(relation, (0, 0))[relation not in _OLD_SIDE], words) for relation, words in FATES.items())
    return ", ".join(f"{count:,} {words}" for count, words in told if count) or "nothing"


def _differs(row: Mapping[Any, Any], before: pd.DataFrame, after: pd.DataFrame) -> str:
    told = []
    for name, frame in ((row["new"], after), (row["old"], before)):
        if row["relation"] in ("new", "gone") and name in frame.index:
            told.append(
                f"{_value(frame.at[name, 'crop'])}, {frame.at[name, 'area_ha']:.2f} ha, {frame.at[name, 'village']}"
            )
    if row["relation"] in ("split", "merged", "rearranged"):
        told.append(f"{row['share_old']:.0%} of the old field")
    here = row["old"] in before.index and row["new"] in after.index
    if row["relation"] in ("redrawn", "moved", "merged", "split") and here:
        told.append(f"{before.at[row['old'], 'area_ha']:.2f} ha, now {after.at[row['new'], 'area_ha']:.2f} ha")
    for name in str(row["changes"]).split():
        words = COLUMN_WORDS.get(name, name.replace("_", " "))
        if here:
            words += f" {_said(before, row['old'], name)}, now {_said(after, row['new'], name)}"
        told.append(words)
    return "; ".join(told)


def _said(frame: pd.DataFrame, field: str, name: str) -> str:
    """What was said of a field; a few fields have no column that none of them needs."""
    return _value(frame.at[field, name] if name in frame.columns else None)


def _value(value: Any) -> str:
    if isinstance(value, pd.Timestamp):
        return str(value.date())
    if isinstance(value, float):
        return "not said" if math.isnan(value) else f"{value:g}"
    return "not said" if value is None or value is pd.NaT or value == "" else str(value).replace("_", " ")


def history_lines(known: Iterable[Accepted], told: Mapping[int, str]) -> list[str]:
    """Two lines a survey: when, what file, who and how many rows; and what it changed (`told`)."""
    lines = []
    for s in known:
        more = [f"\u201c{s.note}\u201d"] if s.note else []
        more += ["it has every field there is"] if s.complete else []
        more += [f"UNDONE {s.undone_at[:10]}" + (f" by {s.undone_by}" if s.undone_by else "")] if s.undone_at else []
        by = f" by {s.who}" if s.who else ""
        rows = f"{s.rows:,} rows, {s.kept + s.mended:,} usable, {s.set_aside:,} set aside"
        lines.append("; ".join([f"{s.id}  {s.at[:16].replace('T', ' ')}  {s.file}{by}: {rows}", *more]))
        lines.append(f"   {told[s.id]}")
    return lines


def changes_to_tell(book: Book, survey: int) -> pd.DataFrame:
    """What a survey changed (see :func:`changes_of`), by what became of it, without fields that stayed as they were."""
    changes = changes_of(book, survey)
    changes = changes[changes["relation"] != "same"]
    return changes.iloc[changes["relation"].map(_ORDER.index).argsort(kind="stable")]


def told_of(book: Book, survey: int, changes: pd.DataFrame) -> list[tuple[str, str, str, str]]:
    """Changes made by a survey, as many as are given: what became of it, old field, new field, what differs.

    What was said of a field before is told as long as the survey counts. Raises UsageError for an unknown survey.
    """
    before, after = _frames(book, survey, changes)
    rows = changes.to_dict("records")
    return [(FATES[row["relation"]], row["old"], row["new"], _differs(row, before, after)) for row in rows]


def _frames(book: Book, survey: int, changes: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The fields that changes speak of, before and after them, with their villages' names."""
    both = fields_replaced(book, survey, changes["old"]), fields_of(book, survey, changes["new"])
    before, after = (f.frame.assign(village=f.frame["village"].replace(f.villages["name"].to_dict())) for f in both)
    return before, after


def told_accepted(book: Book, survey: Survey) -> str:
    """Whether the history of a season has its survey's file, in one line; '' where nothing was accepted yet."""
    known = [s for s in surveys(book) if s.counts]
    raw = survey.fields
    found = next((s for s in known if s.sha256 == raw.sha256), None)
    if found is not None:
        return f"{raw.file} is survey {found.id} of the season's history, accepted {found.at[:10]}."
    return f"{raw.file} is not accepted yet, so plans do not know it: sourcing accept" if known else ""


def field_story(book: Book, field: str) -> list[tuple[Accepted, str]]:
    """What each survey that counts said of a field and of those from which it came, the oldest first.

    Raises UsageError for a field that is not among those of today.
    """
    today = fields_today(book).frame
    if field not in today.index:
        raise UsageError(f"there is no field {field} today; sourcing history lists what each survey changed")
    names, found = {field}, []
    for survey in reversed([s for s in surveys(book) if s.counts]):
        rows = changes_of(book, survey.id)
        rows = rows[rows["new"].isin(names) | (rows["new"] + f"@{survey.id}").isin(names)]
        if rows.empty:
            continue
        before, after = _frames(book, survey.id, rows)
        told = []
        for row in rows.to_dict("records"):
            facts = after.loc[row["new"]]
            came = f" from {row['old']}" if row["old"] not in ("", row["new"]) else ""
            differs = "" if row["relation"] == "new" else _differs(row, before, after)
            told.append(
                f"{row['new']}: {FATES[row['relation']]}{came}: {facts['crop']}, {facts['area_ha']:.2f} ha"
                + (f" ({differs})" if differs else "")
            )
        found.append((survey, "; ".join(told)))
        names = (names - {n for new in rows["new"] for n in (new, f"{new}@{survey.id}")}) | (set(rows["old"]) - {""})
    return found[::-1]
