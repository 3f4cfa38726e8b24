"""What was found in a survey, where it lies: one HTML map that opens with no internet and asks for nothing.

Every row with a finding and a usable place is a mark by its gravest grade, told apart without colour; behind them the
outlines of the fields that can be used. What has no place, or was found elsewhere, is told in a list under the map.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from importlib.metadata import distribution
from importlib.resources import files
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from jinja2 import Environment
from markupsafe import Markup

from sourcing.errors import Finding, OutputError, UsageError
from sourcing.intake.fields import Fields
from sourcing.intake.sendback import GRADES, findings_places, findings_table
from sourcing.intake.survey import Survey
from sourcing.outputs.maps import leaflet_text, policy

MOST_MARKS = 20_000
"""Most rows that are marked, the gravest first; how many more there are is said."""
MOST_OUTLINES = 20_000
"""Up to so many fields are drawn behind the marks."""
MOST_LISTED = 500
"""Most findings without a place that are listed."""
DIGITS = 6
"""Decimals of a degree that are kept: a tenth of a metre."""
GRADE_WORDS = {"refused": "refused", "set_aside": "set aside", "mended": "mended", "look": "needs a look"}


def write_findings_map(survey: Survey, fields: Fields, season: str, path: Path) -> int:
    """Writes the map as an HTML file; returns the number of rows marked on it.

    Raises UsageError for another ending, OutputError when it cannot be written.
    """
    if path.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"{path.name}: the map is written as .html")
    text, count = render_findings_map(survey, fields, season)
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as exc:
        raise OutputError(f"the map could not be written to {path}: {exc.strerror or exc}") from exc
    return count


def render_findings_map(survey: Survey, fields: Fields, season: str) -> tuple[str, int]:
    """The map as the text of an HTML page, and the number of rows marked on it."""
    marks = _marks(findings_places(survey.fields, fields.findings))
    at = {(mark["file"], mark["row"]) for mark in marks}
    elsewhere = [f for f in fields.findings if (f.file, f.row) not in at]
    shown = marks[:MOST_MARKS]
    places = zip(fields.villages["name"].astype(str), fields.villages.geometry, strict=True)
    villages = [{"name": n, "at": [round(p.y, DIGITS), round(p.x, DIGITS)]} for n, p in places]
    data = {"marks": shown, "outlines": _outlines(fields.frame), "villages": villages}
    template = Environment(autoescape=True, keep_trailing_newline=True).from_string(_web("findings.html"))
    page = template.render(
        title=f"{season}: what was found in {survey.fields.file}", counts=_counts(fields, marks),
        more=len(marks) - len(shown), key=_key(shown), listed=_listed(elsewhere),
        unlisted=max(len(elsewhere) - MOST_LISTED, 0), policy_mark="POLICY-HERE",
        licence=distribution("django-js-lib-leaflet").read_text("LICENSE") or "",
        style=Markup(f"<style>{leaflet_text('leaflet.css')}</style>\n<style>{_web('findings.css')}</style>"),
        data=script_json(data),
        scripts=Markup(f"<script>{leaflet_text('leaflet.js')}</script>\n<script>{_web('findings.js')}</script>"),
    )  # fmt: skip
    return page.replace("POLICY-HERE", policy(page), 1), len(shown)


def _marks(places: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """One mark a row of the survey, the gravest first: where, its grade and kinds, and its findings in words."""
    found: dict[tuple[str, int], dict[str, Any]] = {}
    for row in places.itertuples():
        key = (str(row.file), int(row.row))
        mark = found.setdefault(
            key,
            {"at": [round(row.geometry.y, DIGITS), round(row.geometry.x, DIGITS)], "file": key[0], "row": key[1],
             "name": str(row.field_id or ""), "grade": str(row.grade), "kinds": [], "told": []},
        )  # fmt: skip
        mark["kinds"].append(str(row.what))
        mark["told"].append([GRADE_WORDS[row.grade], str(row.found), str(row.expected), str(row.remedy)])
    return sorted(found.values(), key=lambda m: GRADES.index(m["grade"]))


def _key(marks: Iterable[dict[str, Any]]) -> list[tuple[str, str, int]]:
    """Kinds of finding on the map: kind, in words, rows; the most frequent first."""
    counts = Counter(kind for mark in marks for kind in set(mark["kinds"]))
    return [(kind, kind.replace("_", " "), n) for kind, n in counts.most_common()]


def _counts(fields: Fields, marks: list[dict[str, Any]]) -> list[tuple[str, str, int]]:
    rows = Counter(mark["grade"] for mark in marks)
    return [(grade, GRADE_WORDS[grade], rows[grade]) for grade in GRADES if rows[grade]]


def _listed(findings: list[Finding]) -> list[tuple[str, str]]:
    table: pd.DataFrame = findings_table(findings).head(MOST_LISTED)
    return [
        (GRADE_WORDS[r["grade"]],
         f"{r['file']}{'' if pd.isna(r['row']) else ', row ' + str(r['row'])}: {r['found']}. To do: {r['remedy']}.")
        for r in table.to_dict("records")
    ]  # fmt: skip


def _outlines(frame: gpd.GeoDataFrame) -> list[Any]:
    return [rings(shape) for shape in frame.geometry] if len(frame) <= MOST_OUTLINES else []


def rings(shape: Any) -> list[list[list[list[float]]]]:
    """Parts, rings and corners of an area as [lat, lon]."""
    return [
        [
            [[round(y, DIGITS), round(x, DIGITS)] for x, y in shapely.get_coordinates(ring).tolist()]
            for ring in (part.exterior, *part.interiors)
        ]
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon"
    ]


def script_json(value: Any) -> Markup:
    """Plain values as JSON that cannot end the script element it stands in."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return Markup(text.translate({ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}))


def _web(name: str) -> str:
    return (files("sourcing") / "web" / name).read_text(encoding="utf-8")
