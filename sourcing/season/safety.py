"""What every output says about danger, and the safety sheet of a site.

What is said is kept apart from its words, which are in the word files of each language: a caution is a key and its
figures. The lines of the sheet and their sources are data (`sourcing/data/safety_sheet.csv`); the numbers in them are
figures of the trade, so that a season's stricter figure shows. Nothing here replaces local rules, a licence, or a
trained person.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from importlib.resources import files

import pandas as pd

from sourcing.errors import Finding
from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.words import FIRST_LANGUAGE, Said, Words, load_words

SHEET_COLUMNS = ("topic", "line", "source", "standing")
_FIGURE = re.compile(r"\{([a-z0-9_.]+)\}")


@dataclass(frozen=True)
class Advice:
    """One line of the safety sheet."""

    topic: str
    text: str
    source: str
    """Key of the source; empty for common practice."""
    standing: str
    figures: tuple[str, ...]
    """Names of the figures in the text."""


def safety_sheet(values: Values, words: Words) -> tuple[Advice, ...]:
    """The safety sheet of a site, line by line in the order in which a crew needs it, figures filled in."""
    rows = (files("sourcing") / "data" / "safety_sheet.csv").read_text(encoding="utf-8")
    out = []
    for row in csv.DictReader(io.StringIO(rows)):
        text = words(f"rule.{row['line']}")
        names = tuple(_name(found) for found in _FIGURE.findall(text))
        filled = _FIGURE.sub(lambda match: _shown(match[1], values, words), text)
        out.append(Advice(words(f"topic.{row['topic']}"), filled, row["source"], row["standing"], names))
    return tuple(out)


def cautions(
    carries: pd.DataFrame, supply: Supply, settings: Settings, values: Values, *, straight_line: bool = False
) -> tuple[Said, ...]:
    """The short plain sentences that stand on every output of a plan.

    `carries`: the plan's carries (columns crop, residue at least). `straight_line`: no paths were given.
    """
    away = {k: values[f"site.setback.{kind}.distance_m"]
            for k, kind in (("house", "house"), ("thatch", "thatch"), ("crop", "standing_crop"))}  # fmt: skip
    out = [
        Said("caution.rules"),
        Said("caution.distances", away),
        Said("caution.people", {"people": values["safety.people.least"], "wind": values["safety.wind.stop_km_h"]}),
        Said("caution.monoxide"),
        Said("caution.quench", {"hours": values["safety.cool.open_air_h"]}),
    ]
    if _seals(carries, settings):
        out.append(Said("caution.sealed", {"hours": values["safety.cool.sealed_h"]}))
    if wet := _wet_residues(carries, values):
        out.append(Said("caution.wet", {"share": 100 * values["safety.dry_feed_share"], "residues": wet}))
    if straight_line:
        out.append(Said("caution.straight", {"factor": settings.carrying.detour_factor}))
    if "estimated" in supply.lots and bool(supply.lots["estimated"].any()):
        out.append(Said("caution.estimated"))
    if any(f.standing == "example" for f in values.under("money").values()):
        out.append(Said("caution.examples"))
    return tuple(out)


def caution_of(finding: Finding) -> Said:
    """A finding as a caution: in the words of its kind, where the word files have them, else as it was found."""
    key = f"caution.{finding.what}"
    if key in load_words(FIRST_LANGUAGE).text:
        return Said(key, dict(finding.figures))
    return Said("caution.other", {"text": f"{finding.found[0].upper()}{finding.found[1:]}: {finding.remedy}."})


def _seals(carries: pd.DataFrame, settings: Settings) -> bool:
    if settings.works.ending == "seal":
        return True
    done = {f"{crop}/{residue}" for crop, residue in _pairs(carries)}
    return any(e == "seal" and name in done for name, e in settings.works.ending_by_residue.items())


def _wet_residues(carries: pd.DataFrame, values: Values) -> tuple[Said, ...]:
    most = values["safety.dry_feed_share"]
    return tuple(
        Said("sheet.residue_of", {"crop": Said(f"crop.{crop}"), "residue": Said(f"residue.{residue}")})
        for crop, residue in _pairs(carries)
        if (name := f"crop.{crop}.{residue}.moisture_ready") in values and values[name] > most + 1e-9
    )


def _pairs(carries: pd.DataFrame) -> list[tuple[str, str]]:
    if carries.empty:
        return []
    kinds = carries[["crop", "residue"]].drop_duplicates().sort_values(["crop", "residue"])
    return [(str(crop), str(residue)) for crop, residue in kinds.itertuples(index=False)]


def _name(placeholder: str) -> str:
    return placeholder.removesuffix("_pct") + "_share" if placeholder.endswith("_pct") else placeholder


def _shown(placeholder: str, values: Values, words: Words) -> str:
    number = values[_name(placeholder)]
    return words.figure(number * 100 if placeholder.endswith("_pct") else number)
