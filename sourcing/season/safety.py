"""What every output says about danger, and the safety sheet of a site.

The sheet's words are data (`sourcing/data/safety_sheet.csv`), each line with its source and standing; the numbers in
them are figures, so that a season's stricter figure shows. Nothing here replaces local rules, a licence, or a trained
person.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from importlib.resources import files

import pandas as pd

from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.values import Values

SHEET_COLUMNS = ("topic", "text", "source", "standing")
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


def safety_sheet(values: Values) -> tuple[Advice, ...]:
    """The safety sheet of a site, line by line in the order in which a crew needs it, figures filled in."""
    text = (files("sourcing") / "data" / "safety_sheet.csv").read_text(encoding="utf-8")
    out = []
    for row in csv.DictReader(io.StringIO(text)):
        names = tuple(_name(found) for found in _FIGURE.findall(row["text"]))
        filled = _FIGURE.sub(lambda match: _shown(match[1], values), row["text"])
        out.append(Advice(row["topic"], filled, row["source"], row["standing"], names))
    return tuple(out)


def cautions(
    carries: pd.DataFrame, supply: Supply, settings: Settings, values: Values, *, straight_line: bool = False
) -> tuple[str, ...]:
    """The short plain sentences that stand on every output of a plan.

    `carries`: the plan's carries (columns crop, residue at least). `straight_line`: no paths were given.
    """
    house, thatch, crop = (
        f"{values[f'site.setback.{kind}.distance_m']:g} m" for kind in ("house", "thatch", "standing_crop")
    )
    out = [
        "Local rules and licensed practice come first; where burning needs a permit or a trained person, get them.",
        f"Keep barrels at least {house} from houses, {thatch} from thatch and {crop} from standing crops. Sweep loose "
        "residue from around the barrels and wet the ground.",
        f"At least {values['safety.people.least']:g} grown people at every fire, water and beaters at hand, no "
        f"lighting in wind over {values['safety.wind.stop_km_h']:g} km/h, children kept away.",
        "Thick gloves and a mask when opening a barrel; stand upwind: carbon monoxide cannot be smelled.",
        "Quench fully, look again, and store char in a tightly lidded container: char that is not wet through or cold "
        f"lights itself again. Let it stand {values['safety.cool.open_air_h']:g} h in the open before carrying it far.",
    ]
    if _seals(carries, settings):
        out.append(
            f"Sealed barrels stay shut at least {values['safety.cool.sealed_h']:g} h; sealing takes two people, better "
            "three."
        )
    wet = _wet_residues(carries, values)
    if wet:
        out.append(
            f"Residue wetter than {values['safety.dry_feed_share']:.0%} smokes, chars badly and gives off far more "
            f"methane; dry it first: {', '.join(wet)}."
        )
    if straight_line:
        out.append(
            "No paths were given: distances are straight lines times "
            f"{settings.carrying.detour_factor:g}; walk the longest ones before promising anything."
        )
    if "estimated" in supply.lots and bool(supply.lots["estimated"].any()):
        out.append("Part of the residue is estimated for fields that nobody surveyed; it is shown apart.")
    examples = sorted(n for n, f in values.under("money").items() if f.standing == "example")
    if examples:
        out.append("Prices and wages are examples until the season gives its own, and so are all amounts of money.")
    return tuple(out)


def _seals(carries: pd.DataFrame, settings: Settings) -> bool:
    if settings.works.ending == "seal":
        return True
    done = {f"{crop}/{residue}" for crop, residue in _pairs(carries)}
    return any(e == "seal" and name in done for name, e in settings.works.ending_by_residue.items())


def _wet_residues(carries: pd.DataFrame, values: Values) -> list[str]:
    most = values["safety.dry_feed_share"]
    names = {f"{crop} {residue}": f"crop.{crop}.{residue}.moisture_ready" for crop, residue in _pairs(carries)}
    return [said.replace("_", " ") for said, name in names.items() if name in values and values[name] > most + 1e-9]


def _pairs(carries: pd.DataFrame) -> list[tuple[str, str]]:
    if carries.empty:
        return []
    kinds = carries[["crop", "residue"]].drop_duplicates().sort_values(["crop", "residue"])
    return [(str(crop), str(residue)) for crop, residue in kinds.itertuples(index=False)]


def _name(placeholder: str) -> str:
    return placeholder.removesuffix("_pct") + "_share" if placeholder.endswith("_pct") else placeholder


def _shown(placeholder: str, values: Values) -> str:
    number = values[_name(placeholder)]
    return f"{number * 100:g}" if placeholder.endswith("_pct") else f"{number:g}"
