"""Two plans side by side on one map: two panes with one view, in one HTML file that asks for nothing.

Left the first plan, right the second. Fields that differ are filled by what became of them, all others are outlines;
a site is a ring as large as its barrel-weeks.
"""

from __future__ import annotations

from importlib.metadata import distribution
from importlib.resources import files
from pathlib import Path
from typing import Any

import geopandas as gpd
from jinja2 import Environment
from markupsafe import Markup

from sourcing.change.compare import Comparison, Side
from sourcing.change.telling import FATES, overall, title, to_tell, unproven, why
from sourcing.errors import OutputError, UsageError
from sourcing.outputs.findingsmap import DIGITS, rings, script_json
from sourcing.outputs.maps import leaflet_text, policy

MOST_OUTLINES = 20_000
"""Up to so many fields, those that stay as they are are drawn too."""
COLOURS = {
    "new": "#1f8a4c", "gone": "#b5432e", "changed": "#d99a1c", "redrawn": "#d99a1c", "moved": "#d99a1c",
    "split": "#7a5ba8", "merged": "#7a5ba8", "rearranged": "#7a5ba8",
}  # fmt: skip
SITE_COLOURS = {"stays": "#0d2650", "moves": "#d99a1c", "comes": "#1f8a4c", "goes": "#b5432e"}
SITE_WORDS = {"stays": "stays", "moves": "moves", "comes": "new", "goes": "given up"}


def write_two_sided_map(c: Comparison, path: Path) -> None:
    """The two plans as an HTML file. Raises UsageError for another ending, OutputError when it cannot be written."""
    if path.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"{path.name}: the map is written as .html")
    try:
        path.write_text(render_two_sided_map(c), encoding="utf-8", newline="\n")
    except OSError as exc:
        raise OutputError(f"the map could not be written to {path}: {exc.strerror or exc}") from exc


def render_two_sided_map(c: Comparison) -> str:
    """The two plans as the text of an HTML page."""
    data = {
        "panes": [_pane(c, c.a, "a"), _pane(c, c.b, "b")],
        "colours": COLOURS, "siteColours": SITE_COLOURS,
    }  # fmt: skip
    template = Environment(autoescape=True, keep_trailing_newline=True).from_string(_web("twosided.html"))
    key = [(COLOURS[k], f"field {FATES[k]}", 1) for k in FATES if c.counts.get(k)]
    key += [(SITE_COLOURS[k], f"site {SITE_WORDS[k]}", 6) for k in SITE_WORDS if (c.sites["relation"] == k).any()]
    page = template.render(
        title=title(c)[0], first=unproven(c), names=(c.a.name, c.b.name), told=to_tell(c),
        overall=[*overall(c), *why(c)], key=key,
        policy_mark="POLICY-HERE", licence=distribution("django-js-lib-leaflet").read_text("LICENSE") or "",
        style=Markup(f"<style>{leaflet_text('leaflet.css')}</style>\n<style>{_web('twosided.css')}</style>"),
        data=script_json(data),
        scripts=Markup(f"<script>{leaflet_text('leaflet.js')}</script>\n<script>{_web('twosided.js')}</script>"),
    )  # fmt: skip
    return page.replace("POLICY-HERE", policy(page), 1)


def _pane(c: Comparison, side: Side, end: str) -> dict[str, Any]:
    return {
        "name": side.name,
        "fields": _fields(c, side.fields, end),
        "sites": [
            {
                "at": [round(float(row[f"lat_{end}"]), DIGITS), round(float(row[f"lon_{end}"]), DIGITS)],
                "id": row[f"site_{end}"], "relation": row["relation"], "barrelWeeks": int(row[f"barrel_weeks_{end}"]),
                "told": f"{row[f'site_{end}']}: {row[f'barrel_weeks_{end}']} barrel-weeks, "
                f"{row[f'residue_{end}_kg'] / 1000:,.1f} t; {SITE_WORDS[row['relation']]}",
            }
            for row in c.sites[c.sites[f"site_{end}"] != ""].to_dict("records")
        ],
        "villages": [
            {"at": [round(float(v["lat"]), DIGITS), round(float(v["lon"]), DIGITS)], "name": v["name"]}
            for v in side.record["villages"]
        ],
    }  # fmt: skip


def _fields(c: Comparison, frame: gpd.GeoDataFrame, end: str) -> list[dict[str, Any]]:
    rows = c.fields[c.fields[f"field_{end}"] != ""].drop_duplicates(f"field_{end}").set_index(f"field_{end}")
    chosen = frame if len(frame) <= MOST_OUTLINES else frame[frame.index.isin(rows.index)]
    relation, changes = rows["relation"].to_dict(), rows["changes"].to_dict()
    found = []
    crop = chosen["crop"].to_numpy()
    for i, (identity, shape) in enumerate(zip(chosen.index, chosen.geometry, strict=True)):
        fate = relation.get(identity, "")
        fate = "changed" if fate == "same" else fate
        words = f"{identity}, {crop[i]}" + (f": {FATES[fate]}" if fate else "")
        more = str(changes.get(identity, ""))
        found.append({"rings": rings(shape), "fate": fate, "told": f"{words} ({more})" if more else words})
    return found


def _web(name: str) -> str:
    return (files("sourcing") / "web" / name).read_text(encoding="utf-8")
