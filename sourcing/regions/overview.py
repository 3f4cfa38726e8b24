"""A state's plan as files: an overview map of regions and villages, and a whole plan folder for every region.

The overview is one page without a script: regions as areas, villages as discs as large as the char they make, each
linked to the full map of its region.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from markupsafe import Markup, escape

from sourcing.intake.keep import RECORD_FILE
from sourcing.outputs.folder import new_plan_folder
from sourcing.outputs.fonts import page_css
from sourcing.outputs.maps import write_map
from sourcing.outputs.sheets import write_sheets
from sourcing.outputs.tables import LAYERS_FILE, write_layers, write_record, write_workbook
from sourcing.placement import Placement
from sourcing.regions.state import Hands, Place, RegionPlanned, StatePlan, proven, region_plan
from sourcing.words import Words, load_words

OVERVIEW_FILE = "overview.html"
REGIONS = "regions"
WIDTH = 1000.0
"""Width of the drawing, in its own units."""
LEAST_DISC, MOST_DISC = 3.0, 22.0
_STYLE = """
body{margin:0 auto;max-width:1100px;padding:1rem;color:#1b2430;background:#fff;
font:400 1rem/1.42 "Noto Sans","Letters in this page",system-ui,sans-serif}
h1{font-size:1.3rem;margin:.2rem 0}p{margin:.2rem 0;color:#4a525c}
svg{width:100%;height:auto;background:#faf9f5;border:1px solid #d9d6cd}
.region{fill:#e9e4d6;stroke:#8b8f96;stroke-width:1}.region:hover,.region:focus{fill:#d9e5d6}
.village{fill:#0d2650;fill-opacity:.8;stroke:#fff}.none{fill:#b9b4a6}
text{font-size:15px;font-weight:700;fill:#1b2430;text-anchor:middle;paint-order:stroke;stroke:#fff;stroke-width:4px}
table{border-collapse:collapse;width:100%;margin-top:1rem;font-size:.92rem}
th,td{padding:.3rem .6rem;border-bottom:1px solid #d9d6cd;text-align:right}
th:first-child,td:first-child{text-align:left}
a{color:#1a5fb4}
"""


@dataclass(frozen=True)
class DrawJob:
    """One region, ready to be drawn up and written."""

    place: Place
    placements: tuple[tuple[int, Placement], ...]
    made_at: datetime
    target: Path

    def __call__(self, at: int) -> RegionPlanned:
        """Writes the region's plan folder; what it comes to."""
        number, placement = self.placements[at]
        planned, found = region_plan(self.place, number, placement, self.made_at)
        folder = self.target / region_folder(number)
        folder.mkdir(parents=True, exist_ok=True)
        write_record(planned, folder / RECORD_FILE)
        write_layers(planned, folder / LAYERS_FILE)
        write_workbook(planned, folder / "plan.xlsx")
        write_map(planned, folder / "map.html")
        write_sheets(planned, folder / "sheets.pdf", planned.settings.outputs.paper)
        return found


def region_folder(number: int) -> str:
    """Where a region's files lie inside the plan folder."""
    return f"{REGIONS}/{number:04d}"


def write_state(planned: StatePlan, folder: Path, made_at: datetime, hands: Hands) -> tuple[Path, dict[str, Any]]:
    """Writes a state's plan into a new folder under the season's plans; that folder, and the record of the whole.

    Raises PlanFaultError when a plan breaks a rule, OutputError when it cannot be written; nothing is left behind then.
    """
    with new_plan_folder(folder, made_at) as target:
        pairs = tuple(zip(planned.regions, planned.joint.plans, strict=True))
        # each job carries its own region's placement only
        jobs = [DrawJob(planned.place, (pair,), made_at, target.work) for pair in pairs]
        found = list(hands.map(_draw, jobs))
        proven(planned, found)
        record = state_record(planned, found, made_at)
        (target.work / RECORD_FILE).write_text(json.dumps(record, ensure_ascii=False, indent=1), encoding="utf-8")
        words = load_words(planned.whole.head.settings.season.language)
        (target.work / OVERVIEW_FILE).write_text(overview(planned, found, record, words), encoding="utf-8")
    return target.final, record


def _draw(job: DrawJob) -> RegionPlanned:
    return job(0)


def state_record(planned: StatePlan, found: Sequence[RegionPlanned], made_at: datetime) -> dict[str, Any]:
    """The record of the whole: its regions, what they come to together, and the proof."""
    joint, settings = planned.joint, planned.whole.head.settings
    names = sorted({name for f in found for name in f.totals if name.endswith(("_kg", "_h")) or name in _SUMMED})
    totals = {name: sum(f.totals.get(name, 0.0) for f in found) for name in names}
    totals |= {"residue_free_kg": planned.facts["free_kg"], "fields": planned.facts["fields"]}
    totals |= {"most_barrels": int(np.sum([f.barrels for f in found], axis=0).max())}
    proof = {
        "goal": settings.placement.goal, "status": joint.status, "value": joint.value, "bound": joint.bound,
        "gap": joint.gap, "seconds": joint.seconds, "lending_cost": joint.lending_cost, "rounds": joint.rounds,
    }  # fmt: skip
    calendar = planned.whole.calendar
    return {
        "made_at": made_at.isoformat(), "season": settings.season.name,
        "weeks": [calendar.label(w) for w in range(calendar.count)], "solve": proof, "totals": totals,
        "estimated_fields": planned.facts["estimated"], "set_aside": planned.facts["set_aside"],
        "barrel_week_price": joint.price.mean(axis=0).round(6).tolist(),
        "regions": [
            {"number": f.number, "folder": region_folder(f.number), "villages": [str(v) for v in f.villages.index],
             "totals": f.totals, "barrels_by_week": np.asarray(f.barrels).tolist()}
            for f in found
        ],
        "inputs": [dict(i) for i in planned.whole.head.survey.inputs], "settings": asdict_of(settings),
    }  # fmt: skip


_SUMMED = ("loads", "sites", "villages_with_barrels", "margin", "value", "barrel_weeks", "barrel_weeks_busy")


def asdict_of(settings: Any) -> dict[str, Any]:
    """The season's settings in plain values."""
    found: dict[str, Any] = settings.model_dump(mode="json")
    return found


def overview(planned: StatePlan, found: Sequence[RegionPlanned], record: dict[str, Any], words: Words) -> str:
    """The overview page as HTML text."""
    settings, crs = planned.whole.head.settings, planned.whole.head.crs
    villages = planned.whole.head.villages
    points = villages.geometry.to_crs(crs)
    rows = pd.concat([f.villages.assign(region=f.number) for f in found])
    at = gpd.GeoSeries(points.loc[rows.index], crs=crs)
    frame = shapely.box(*points.total_bounds).buffer(600.0, join_style="mitre")
    west, south, east, north = frame.bounds
    scale = WIDTH / (east - west)
    height = (north - south) * scale

    def xy(x: float, y: float) -> tuple[float, float]:
        return round((x - west) * scale, 1), round((north - y) * scale, 1)

    title = escape(words("map.title", season=settings.season.name))
    shapes, discs, labels = [], [], []
    for f in found:
        mine = at[rows["region"].to_numpy() == f.number]
        area = shapely.convex_hull(shapely.union_all(mine.to_numpy())).buffer(400.0)
        ring = " ".join("{},{}".format(*xy(x, y)) for x, y in shapely.get_coordinates(area.exterior))
        name = _region_name(f)
        told = f"{name}: {words.tonnes(f.totals.get('char_kg', 0.0))} t"
        link = f"{region_folder(f.number)}/map.html"
        shapes.append(
            f'<a href="{link}"><polygon class="region" points="{ring}"><title>{escape(told)}</title></polygon></a>'
        )
        x, y = xy(area.centroid.x, area.bounds[3])
        labels.append(f'<text x="{x}" y="{y}">{escape(name)}</text>')
    most = max(float(rows["char_kg"].max()), 1e-9)
    for (_, row), point in zip(rows.iterrows(), at, strict=True):
        x, y = xy(point.x, point.y)
        size = LEAST_DISC + (MOST_DISC - LEAST_DISC) * float(np.sqrt(max(row["char_kg"], 0.0) / most))
        kind = "village" if row["barrel_weeks"] > 0 else "village none"
        told = (
            f"{row['name']}: {words.tonnes(row['char_kg'])} t, {words('site.barrel_weeks')} {row['barrel_weeks']:.0f}"
        )
        discs.append(
            f'<a href="{region_folder(int(row["region"]))}/map.html"><circle class="{kind}" cx="{x}" cy="{y}" '
            f'r="{size:.1f}"><title>{escape(told)}</title></circle></a>'
        )
    table = "".join(
        f'<tr><td><a href="{region_folder(f.number)}/map.html">{escape(_region_name(f))}</a></td>'
        f"<td>{words.number(len(f.villages))}</td><td>{words.number(max(f.barrels))}</td>"
        f"<td>{words.tonnes(f.totals.get('residue_kg', 0.0))}</td>"
        f"<td>{words.tonnes(f.totals.get('char_kg', 0.0))}</td>"
        f'<td><a href="{region_folder(f.number)}/sheets.pdf">PDF</a></td></tr>'
        for f in found
    )
    heads = ("", words("rank.title"), words("site.most"), words("now.residue"), f"{words('site.char')}, t", "")
    share = planned.facts["estimated"] / max(planned.facts["fields"], 1)
    lines = [
        f"{words('now.residue')}: {words.tonnes(record['totals'].get('residue_kg', 0.0))} · "
        f"{words('site.char')}: {words.tonnes(record['totals'].get('char_kg', 0.0))} t · "
        f"{words('now.most')}: {words.number(record['totals']['most_barrels'])}",
    ]
    if share:
        lines.append(f"{words('field.estimated')}: {words.number(share * 100)} %")
    drawing = "".join([*shapes, *discs, *labels])
    head = "".join(f"<th>{escape(h)}</th>" for h in heads)
    text = "".join(f"<p>{escape(line)}</p>" for line in lines)
    css = Markup(page_css(" ".join([str(title), *lines, *rows["name"].astype(str)]))) + Markup(_STYLE)
    return (
        f'<!doctype html>\n<html lang="{words.code}"><head><meta charset="utf-8"><title>{title}</title>'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        f'font-src data:"><style>{css}</style></head><body><h1>{title}</h1>{text}'
        f'<svg viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" aria-label="{escape(words("map.label"))}">{drawing}'
        f"</svg><table><thead><tr>{head}</tr></thead><tbody>{table}</tbody></table></body></html>\n"
    )


def _region_name(found: RegionPlanned) -> str:
    """A region is called after its village with the most char."""
    table = found.villages
    if table.empty:
        return str(found.number)
    return str(table.sort_values("char_kg", ascending=False)["name"].iloc[0])
