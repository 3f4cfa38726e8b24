"""Which column of a survey file holds what, guessed from its heading and from what is in it.

A guess is only ever proposed to a person; nothing is read by it.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources

import numpy as np
import pandas as pd
from rapidfuzz import fuzz

from sourcing.intake.cells import as_dates, as_numbers, as_text, as_yes_no, fold
from sourcing.intake.cropnames import CropNames
from sourcing.intake.survey import Column

LOOKED_AT = 2_000
"""Rows of a column that are looked at."""
SAMPLES = 4
_LEAST = 0.62
"""Least likeness (0 to 1) at which a column is proposed."""
_NEAR = 0.75
"""Least likeness of a heading to a name that counts at all."""
_HEADING, _CONTENT = 0.6, 0.4
"""What a heading and what the cells count for."""


@dataclass(frozen=True)
class Heading:
    """A column of a file as it is: its name, some cells as text, and how much of it reads as what (shares 0 to 1)."""

    name: str
    samples: tuple[str, ...]
    filled: float
    kinds: Mapping[str, float]
    """Share of the filled cells that read as 'number', 'date', 'yes_no', 'crop', 'share'; 'distinct' the share of
    different ones."""


def describe(frame: pd.DataFrame, crops: Sequence[str]) -> tuple[Heading, ...]:
    """Every column of a table, told by its first rows. `crops` are our crop names."""
    head = frame.head(LOOKED_AT)
    return tuple(_describe(str(name), head[name].reset_index(drop=True), crops) for name in head.columns)


def _describe(name: str, column: pd.Series, crops: Sequence[str]) -> Heading:
    text = as_text(column)
    there = text != ""
    words = [str(w) for w in dict.fromkeys(text[there].tolist())]
    samples = tuple(w if len(w) <= 40 else w[:39] + "…" for w in words[:SAMPLES])
    if not words:
        return Heading(name, (), 0.0, {})
    filled = pd.Series(text[there], dtype=object)
    numbers, unread = as_numbers(filled)
    dates = as_dates(column[there].reset_index(drop=True))
    _, _, bad = as_yes_no(filled)
    known = CropNames(tuple(crops)).resolve(words)
    crop = np.array([bool(known[str(w)].crop) for w in filled])
    shares = (numbers >= 0) & (numbers <= 1)
    kinds = {
        "number": float((~unread).mean()), "date": float((~dates.bad & ~np.isnat(dates.days)).mean()),
        "yes_no": float((~bad).mean()), "crop": float(crop.mean()), "share": float(shares.mean()),
        "distinct": len(words) / int(there.sum()),
    }  # fmt: skip
    return Heading(name, samples, float(there.mean()), kinds)


def guess_columns(headings: Iterable[Heading], columns: Iterable[Column]) -> dict[str, str]:
    """Our column name to the heading that most likely holds it; each heading once, the surest pair first.

    Columns for which no heading is likely are left out.
    """
    headings, columns = tuple(headings), tuple(columns)
    pairs = [(likeness(h, c), h.name, c.name) for h in headings for c in columns if c.name != "geometry"]
    found: dict[str, str] = {}
    for sure, heading, ours in sorted(pairs, key=lambda p: (-p[0], p[1], p[2])):
        if sure >= _LEAST and ours not in found and heading not in found.values():
            found[ours] = heading
    return found


def likeness(heading: Heading, column: Column) -> float:
    """How likely a heading holds what one of our columns means, 0 to 1."""
    theirs = fold(heading.name)
    names = [fold(n) for n in (column.name, *column.also)]
    if theirs in names:
        return 1.0
    tokens = theirs.split()
    if any(t.isdigit() for t in fold(column.name).split()) and not any(c.isdigit() for c in theirs):
        return 0.0  # a second crop, a second yield: only where a heading counts too
    known = column_words().get(column.name, frozenset())
    hits = sum(t in known for t in tokens)
    by_words = 0.55 + 0.45 * hits / len(tokens) if hits else 0.0
    by_name = max(fuzz.ratio(theirs, n) if len(n) > 2 else 0.0 for n in names) / 100
    name = max(by_words, by_name if by_name >= _NEAR else 0.0)
    content = _content(heading, column)
    return _HEADING * name + _CONTENT * content if name or content > 1 else 0.0


@cache
def column_words() -> dict[str, frozenset[str]]:
    """Words that headings of a column are made of, by our column name, from data/column_words.csv."""
    text = resources.files("sourcing").joinpath("data/column_words.csv").read_text(encoding="utf-8")
    return {r["name"]: frozenset(r["words"].split("|")) for r in csv.DictReader(text.splitlines())}


def _content(heading: Heading, column: Column) -> float:
    kinds = heading.kinds
    if not kinds:
        return 0.0
    if column.name == "crop":
        # words that mean crops are sure to be the crop, whatever stands above them
        return 2.5 * kinds["crop"] if kinds["crop"] > 0.5 else 0.0
    if column.type in ("date", "yes_no"):
        return kinds[column.type]
    if column.type == "share":
        return kinds["share"]
    if column.type in ("number", "area"):
        return kinds["number"]
    if column.name.endswith("_id"):
        return kinds["distinct"] if kinds["date"] < 0.5 else 0.0
    if column.name == "village":
        plain = kinds["number"] < 0.5 and kinds["date"] < 0.5 and kinds["yes_no"] < 0.5 and kinds["crop"] < 0.5
        return 1.0 - kinds["distinct"] if plain else 0.0
    if column.name in ("name", "way"):
        return 1.0 if kinds["number"] < 0.5 and kinds["date"] < 0.5 else 0.0
    return 0.5
