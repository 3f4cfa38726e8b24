"""A plan's record as what a page shows: tables with headings and texts. Nothing is worked out here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from sourcing.console import proof
from sourcing.intake.keep import RECORD_FILE, read_record
from sourcing.outputs.tables import heading
from sourcing.outputs.weekpicture import telling
from sourcing.season.outcome import site_names
from sourcing.weeks import Calendar, monday
from sourcing.words import Words

ROWS_A_PAGE = 100
MOST_SHORT = 1_000
"""Plans of which the little that a list shows is kept in memory."""


@dataclass(frozen=True)
class Table:
    """A table as text; `numbers` are the columns set to the right."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True)
class Slice:
    """A page of a long table."""

    page: int
    pages: int
    count: int
    first: int
    last: int


def record_of(plan: Path) -> dict[str, Any]:
    """The record of a plan; read once as long as its file does not change."""
    facts = (plan / RECORD_FILE).stat()
    return _record(plan, facts.st_mtime_ns, facts.st_size)


@lru_cache(maxsize=6)
def _record(plan: Path, changed_ns: int, size: int) -> dict[str, Any]:
    return read_record(plan)


def cut(count: int, page: int, size: int = ROWS_A_PAGE) -> Slice:
    """Which rows a page of a long table shows; pages count from 1."""
    pages = max(1, -(-count // size))
    page = min(max(page, 1), pages)
    first = (page - 1) * size
    return Slice(page, pages, count, first, min(first + size, count))


def short_of(plan: Path) -> Mapping[str, Any]:
    """What a list of plans shows of one; its record is read once as long as its file does not change."""
    facts = (plan / RECORD_FILE).stat()
    return _short(plan, facts.st_mtime_ns, facts.st_size)


@lru_cache(maxsize=MOST_SHORT)
def _short(plan: Path, changed_ns: int, size: int) -> Mapping[str, Any]:
    record = read_record(plan)
    return {"totals": record["totals"], "solve": record["solve"], "currency": record["settings"]["season"]["currency"]}


def decision(record: Mapping[str, Any], words: Words) -> list[tuple[str, str]]:
    """The season in a few figures, largest question first: label and text."""
    total, currency = record["totals"], record["settings"]["season"]["currency"]
    char = record["chances"]["season"]["char_kg"]
    found = [
        ("Residue charred", f"{words.tonnes(total['residue_kg'])} t"),
        ("of free residue", f"{words.tonnes(total['residue_free_kg'])} t"),
        ("Char, if all goes as planned", f"{words.tonnes(total['char_kg'])} t"),
        ("Villages with barrels", words.number(total["villages_with_barrels"])),
        ("Places with barrels", words.number(total["sites"])),
        ("Most barrels at once", words.number(total["most_barrels"])),
        ("Loads carried", words.number(total["loads"])),
        ("Hours of carrying", words.number(total["carry_h"])),
        ("Char in eight seasons of ten, chance allowed for",
         f"{words.tonnes(char['p10'])} – {words.tonnes(char['p90'])} t"),
    ]  # fmt: skip
    if "margin" in total:
        found.insert(3, ("Margin before overheads", f"{words.number(total['margin'])} {currency}"))
    return found


def how_good(record: Mapping[str, Any]) -> str:
    """How good the plan is proven to be."""
    return proof(record["solve"])


def ranking(record: Mapping[str, Any], words: Words) -> list[dict[str, Any]]:
    """Villages as ranked, each with its figures and why it stands there."""
    several = record["settings"]["fleet"]["several"]
    return [
        {
            "id": v["id"], "name": v["name"], "weeks": words.number(v["several_weeks"]), "deploy": bool(v["deploy"]),
            "barrel_weeks": words.number(v["barrel_weeks"]), "residue": words.tonnes(v["residue_kg"]),
            "char": words.tonnes(v["char_kg"]), "carry": words.number(v["mean_carry_m"]),
            "why": words.reason(v, several),
        }
        for v in record["villages"]
    ]  # fmt: skip


def names_of_sites(record: Mapping[str, Any], words: Words) -> dict[str, str]:
    """What each place is called on map and sheets."""
    if not record["sites"]:
        return {}
    table = pd.DataFrame(record["sites"]).set_index("id")
    return site_names(table, pd.Series({v["id"]: v["name"] for v in record["villages"]}), words)


def calendar(record: Mapping[str, Any], words: Words) -> Table:
    """Barrels at each place in each week."""
    names = {v["id"]: v["name"] for v in record["villages"]}
    order = {v["id"]: i for i, v in enumerate(record["villages"])}
    called = names_of_sites(record, words)
    sites = sorted(record["sites"], key=lambda s: (order.get(s["village"], 0), called[s["id"]]))
    rows = tuple(
        (
            called[s["id"]],
            str(names.get(s["village"], s["village"])),
            *(str(b) if b else "" for b in s["barrels_by_week"]),
        )
        for s in sites
    )
    weeks = tuple(str(w) for w in record["weeks"])
    return Table(("Place", "Village", *weeks), rows, frozenset(range(2, 2 + len(weeks))))


def places(record: Mapping[str, Any], words: Words) -> Table:
    """The places in use."""
    names = {v["id"]: v["name"] for v in record["villages"]}
    sure = record["chances"]["sites"]
    called = names_of_sites(record, words)
    weeks = record["weeks"]
    rows = tuple(
        (
            called[s["id"]], str(names.get(s["village"], s["village"])), words.number(s["several_weeks"]),
            words.number(s["barrel_weeks"]), words.tonnes(s["residue_kg"]), words.tonnes(s["char_kg"]),
            words.number(s["mean_carry_m"]), f"{weeks[s['first_week']]} – {weeks[s['last_week']]}",
            words.of("sure", str(sure.get(s["id"], {}).get("sureness", ""))),
        )
        for s in record["sites"]
    )  # fmt: skip
    heads = ("Place", "Village", "Weeks with several barrels busy", "Barrel-weeks", "Residue, t", "Char, t",
             "Mean way carried, m", "Weeks", "How sure")  # fmt: skip
    return Table(heads, rows, frozenset(range(2, 7)))


def carries(record: Mapping[str, Any], words: Words, at: Slice) -> Table:
    """Who carries what from where, one page of it."""
    sites = names_of_sites(record, words)
    rows = tuple(
        (
            str(c["week"]), str(c["field"]), words.of("crop", c["crop"]), words.of("residue", c["residue"]),
            str(sites.get(c["site"], c["site"])), words.number(c["mass_kg"]), words.number(c["distance_m"]),
            words.of("mode", c["mode"]), words.number(c["loads"]), words.number(c["carry_h"], 1),
        )
        for c in record["carries"][at.first : at.last]
    )  # fmt: skip
    heads = ("Week", "Field", "Crop", "Residue", "To the place", "kg dry", "Metres", "By", "Loads", "Hours")
    return Table(heads, rows, frozenset({5, 6, 8, 9}))


def money(record: Mapping[str, Any], words: Words) -> tuple[Table, list[tuple[str, str]]]:
    """Costs and earnings by part, and cash at the end of each week."""
    found = record["money"]
    by_week = [(str(w), words.number(b)) for w, b in zip(_money_weeks(record), found["balance_by_week"], strict=False)]
    parts = [
        {**row, "account": words(f"cash.{row['account']}_account"),
         "part": words.of("part", str(row["part"]).replace(" ", "_"))} for row in found["parts"]
    ]  # fmt: skip
    return plain_table(parts, words), by_week


def _money_weeks(record: Mapping[str, Any]) -> list[str]:
    count = len(record["money"]["balance_by_week"])
    return [str(w) for w in record["money"].get("weeks", range(1, count + 1))]


def chances(record: Mapping[str, Any], words: Words) -> Table:
    """The season replayed against chance, in the words of the sheets."""
    keys, currency = ("plan", "p10", "p50", "p90"), record["settings"]["season"]["currency"]
    rows = tuple(
        (f"{words.of('chance', name)} [{'kg' if name.endswith('_kg') else currency}]",
         *(words.number(row[k]) for k in keys))
        for name, row in record["chances"]["season"].items()
    )  # fmt: skip
    return Table(tuple(words(f"chance.col_{k}") for k in ("what", *keys)), rows, frozenset(range(1, 1 + len(keys))))


def air(record: Mapping[str, Any], words: Words) -> list[tuple[str, Table]]:
    """Energy, warming and smoke with their ranges, in the words of the sheets."""
    keys = ("low", "likely", "high")
    heads = tuple(words(f"air.col_{k}") for k in ("what", *keys, "unit"))
    found = []
    for part in ("energy", "warming", "smoke"):
        rows = tuple((words.of("air", name), *(_cell(row[k], words) for k in keys),
                      words.of("airunit", str(row["unit"]).replace(" ", "_")))
                     for name, row in record["climate"][part].items())  # fmt: skip
        found.append((words(f"air.{part}"), Table(heads, rows, frozenset({1, 2, 3}))))
    return found


def plain_table(rows: Sequence[Mapping[str, Any]], words: Words) -> Table:
    """Rows of plain values as text, headings with units."""
    if not rows:
        return Table((), ())
    names = list(rows[0])
    right = frozenset(i for i, n in enumerate(names) if all(isinstance(r.get(n), int | float) for r in rows))
    text = tuple(tuple(_cell(r.get(n), words) for n in names) for r in rows)
    heads = tuple(_headed(n, words) for n in names)
    return Table(heads, text, right)


def _cell(value: Any, words: Words) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: ""}[value]
    if isinstance(value, int):
        return words.number(value)
    if isinstance(value, float):
        return words.number(value, 0 if abs(value) >= 1000 or value == int(value) else 2)
    return str(value)


def totals(rows: Sequence[Mapping[str, Any]], words: Words) -> Table:
    """The seasons of two plans side by side."""
    text = tuple(
        (_headed(str(r["figure"]), words), *(_cell(r[k], words) for k in ("a", "b", "difference"))) for r in rows
    )
    return Table(("Figure", "First plan", "Second plan", "Difference"), text, frozenset({1, 2, 3}))


def _headed(name: str, words: Words) -> str:
    label = heading(name, words)
    return label[:1].upper() + label[1:]


def compared(tables: Mapping[str, Any], words: Words) -> list[tuple[str, Table]]:
    """The tables of a comparison."""
    found = []
    for name, table in tables.items():
        columns, rows = table["columns"], table["rows"]
        right = frozenset(i for i in range(len(columns)) if rows and all(isinstance(r[i], int | float) for r in rows))
        text = tuple(tuple(_cell(v, words) for v in row) for row in rows)
        heads = tuple(_headed(c, words) for c in columns)
        found.append((str(name), Table(heads, text, right)))
    return found


def matching(rows: Iterable[Mapping[str, Any]], **wanted: str) -> list[Mapping[str, Any]]:
    """Rows whose columns have the values asked for; '' asks for nothing."""
    return [r for r in rows if all(not v or str(r.get(k)) == v for k, v in wanted.items())]


def weeks(record: Mapping[str, Any], words: Words, today: date) -> list[tuple[str, str, int, bool]]:
    """The weeks of a plan: their label, their days, the barrels that stand in them, and whether it tells most."""
    labels = [str(w) for w in record["weeks"]]
    if not labels:
        return []
    calendar = Calendar(monday(labels[0]), len(labels))
    standing = dict.fromkeys(range(len(labels)), 0)
    for row in record.get("work", ()):
        standing[labels.index(str(row["week"]))] += int(row["barrels"])
    told = telling(standing, calendar, today)
    return [(label, words.week_days(calendar, i), standing[i], i == told) for i, label in enumerate(labels)]
