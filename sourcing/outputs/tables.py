"""A plan as files for other tools: plan.json, plan.gpkg (map layers) and plan.xlsx (sheets)."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import Point

from sourcing.network.ways import LONLAT
from sourcing.outputs.landlayers import AREA, LINE, POINT, ground_of
from sourcing.plan import Plan
from sourcing.season.outcome import site_names
from sourcing.weeks import Calendar
from sourcing.words import Words, load_words

WIDEST_COLUMN = 48
LAYERS_FILE = "plan.gpkg"
GROUND_LAYERS: Mapping[str, int] = {"ground_areas": AREA, "ground_lines": LINE, "ground_points": POINT}
"""Layers of plan.gpkg that hold water, houses, paths and what else lies on the ground, and the dimension of each."""


def write_record(plan: Plan, path: Path) -> None:
    """The whole record as JSON (the keys are listed in DEVELOPERS.md)."""
    path.write_text(json.dumps(plan.record, indent=1, ensure_ascii=False, allow_nan=False, default=_plain), "utf-8")


def write_layers(plan: Plan, path: Path) -> None:
    """Fields, sites, villages, carry lines and the ground as a GeoPackage in longitude and latitude.

    The ground is in layers of areas, lines and points, each with the kind of ground (see GROUND_LAYERS).
    """
    fields = plan.fields.frame[["geometry"]].join(plan.field_table)
    layers = {"fields": fields, "sites": _points(called(plan)), "villages": _points(plan.village_table),
              "carry_lines": plan.routes}  # fmt: skip
    for name, frame in {**{k: v.reset_index() for k, v in layers.items()}, **_ground(plan)}.items():
        if len(frame):
            frame.to_file(path, layer=name, driver="GPKG", engine="pyogrio")


def _ground(plan: Plan) -> dict[str, gpd.GeoDataFrame]:
    parts = [
        gpd.GeoDataFrame(
            {"kind": kind}, geometry=gpd.GeoSeries(shapes, crs=crs).to_crs(LONLAT), index=range(len(shapes))
        )
        for kind, shapes, crs in ground_of(plan)
    ]
    by_dimension = {
        name: [p for p in parts if shapely.get_dimensions(p.geometry.iloc[0]) == dimension]
        for name, dimension in GROUND_LAYERS.items()
    }
    return {name: pd.concat(found, ignore_index=True) for name, found in by_dimension.items() if found}


def called(plan: Plan) -> pd.DataFrame:
    """The site table with the names that sites have on maps and sheets."""
    words = load_words(plan.settings.season.language)
    names = site_names(plan.site_table, plan.village_table["name"], words)
    return plan.site_table.assign(name=[names[str(site)] for site in plan.site_table.index])


def write_workbook(plan: Plan, path: Path) -> None:
    """The plan's tables as a spreadsheet: frozen headings, units in the headings, nothing read as a formula."""
    options = {"options": {"strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}}
    with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs=options) as writer:
        for name, frame in workbook_tables(plan):
            _sheet(writer, name, frame)


def workbook_tables(plan: Plan) -> Iterable[tuple[str, pd.DataFrame]]:
    """The sheets of the workbook, in order: name and table, headings with units, in the season's language."""
    words = load_words(plan.settings.season.language)
    for name, frame in _tables(plan, words):
        key = re.sub(r"\W+", "_", name.lower())
        yield words.text.get(f"tab.{key}", name), frame.rename(columns=lambda column: heading(str(column), words))


def _tables(plan: Plan, words: Words) -> Iterable[tuple[str, pd.DataFrame]]:
    """The sheets by their English names, columns by our own names."""
    totals = [(heading(name, words), value) for name, value in plan.record["totals"].items()]
    yield "Totals", pd.DataFrame(totals, columns=["figure", "value"])
    several = plan.settings.fleet.several
    why = [words.reason(row, several) for row in plan.village_table.to_dict("records")]
    yield "Villages", plan.village_table.assign(reason=why).reset_index()
    yield "Sites", _labelled(called(plan).reset_index(), plan.calendar, "first_week", "last_week")
    yield "Barrels by week", barrels_by_week(plan)
    yield "Work by week", _labelled(plan.works.site_weeks, plan.calendar)
    yield "Batches", _labelled(_spoken(plan.works.batches, words), plan.calendar)
    yield (
        "Order of fields",
        _labelled(_spoken(plan.works.order.drop(columns="lot"), words), plan.calendar, "week", "clear_week"),
    )
    yield "Moves of barrels", _labelled(plan.works.moves, plan.calendar)
    if plan.works.workshop is not None:
        yield "Workshop", _labelled(plan.works.workshop.weeks.reset_index(), plan.calendar)
    yield "Cash by week", _labelled(plan.money.weeks.reset_index(), plan.calendar)
    yield "Costs by part", plan.money.parts.reset_index()
    yield "Money by village", plan.money.villages.reset_index()
    yield "What matters most", plan.money.tornado.reset_index()
    if plan.record["prices"]["rows"]:
        yield "What one more would earn", _prices(plan.record["prices"], words)
    yield "Break-even ways", _spoken(plan.money.break_even.reset_index(), words)
    yield "Ledger", _labelled(plan.money.ledger, plan.calendar, "week", "cash_week")
    for name, frame in (
        ("Energy", plan.climate.energy),
        ("Warming", plan.climate.warming),
        ("Smoke", plan.climate.smoke),
    ):
        yield name, frame.rename_axis("figure").reset_index()
    yield "Chances by site", _spoken(plan.stress.sites, words).reset_index()
    yield "Chances by village", plan.stress.villages.reset_index()
    yield "Chances by week", _labelled(plan.stress.chances, plan.calendar)
    if plan.stress.spread is not None:
        yield "What the spread comes from", plan.stress.spread.reset_index()
    yield "Carries", _labelled(_spoken(plan.carries.drop(columns="lot"), words), plan.calendar)
    yield "Fields", _field_weeks(_spoken(plan.field_table, words).reset_index(), plan.calendar)
    yield "Findings", pd.DataFrame([f.as_dict() for f in plan.findings])
    yield "Set aside", plan.fields.set_aside
    yield "Figures used", pd.DataFrame(plan.record["values_used"])
    yield "Cautions", pd.DataFrame({"caution": [said.text(words) for said in plan.cautions]})


def _prices(prices: Mapping[str, Any], words: Words) -> pd.DataFrame:
    """What one more of each limit would earn: of what, where, in which weeks, how much of it, and what it is worth."""
    rows = pd.DataFrame(prices["rows"])
    what = [words.of("more", kind) if kind != "residue" else words.residue(*about.split("/"))
            for kind, about in zip(rows["kind"], rows["about"], strict=True)]  # fmt: skip
    return pd.DataFrame(
        {
            "one_more_of": what, "village": rows["village"], "first_week": rows["first_week"],
            "last_week": rows["last_week"], "amount": rows["amount"], "unit": rows["unit"], "earns": rows["worth"],
            "counted_in": prices["unit"],
        }
    )  # fmt: skip


def barrels_by_week(plan: Plan) -> pd.DataFrame:
    """Barrels at each opened site (rows) in each week of the season (columns), whole numbers."""
    labels = plan.calendar.labels
    wide = plan.site_weeks.pivot_table(index="site_id", columns="week", values="barrels", fill_value=0, aggfunc="sum")
    wide = wide.reindex(index=plan.site_table.index, columns=range(len(labels)), fill_value=0).astype(int)
    wide.columns = pd.Index(labels)
    wide.insert(0, "village", plan.site_table["village"])
    wide.insert(0, "name", called(plan)["name"])
    return wide.reset_index()


UNITS = {
    "_kg_m3": "kg/m³", "_t_ha": "t/ha", "_kg": "kg", "_m2": "m²", "_m": "m", "_h": "h", "_ha": "ha", "_l": "l",
    "_kwh": "kWh", "_share": "0-1",
}  # fmt: skip
"""Units by the ending of a column's name."""
EXACT_UNITS = {"lon": "°", "lat": "°", "busy": "0-1"}
DRY = frozenset({
    "mass_kg", "taken_kg", "free_kg", "carried_kg", "lost_kg", "residue_kg", "residue_free_kg", "residue_given_kg",
})  # fmt: skip
"""Columns of kilos of dry residue."""


def heading(name: str, words: Words) -> str:
    """A column's heading in words with its unit: 'mean_carry_m' gives 'Mean way carried [m]'.

    A column without words is headed by its name.
    """
    ending = next((e for e in UNITS if name.endswith(e)), "")
    label = words.text.get(f"column.{name}", name.removesuffix(ending).replace("_", " "))
    unit = words("unit.kg_dry") if name in DRY else EXACT_UNITS.get(name, UNITS.get(ending, ""))
    return f"{label} [{unit}]" if unit and not label.endswith("]") else label


def _spoken(frame: pd.DataFrame, words: Words) -> pd.DataFrame:
    """Crops, residues, ways of carrying and degrees of sureness in words."""
    groups = {"crop": "crop", "residue": "residue", "mode": "mode", "sureness": "sure"}
    said = {c: [words.of(group, str(v)) for v in frame[c]] for c, group in groups.items() if c in frame}
    return frame.assign(**said)


def _labelled(frame: pd.DataFrame, calendar: Calendar, *columns: str) -> pd.DataFrame:
    """Week indices as ISO labels, in 'week' or the columns named; also for weeks before and after the season."""
    return frame.assign(**{c: [calendar.label(int(w)) for w in frame[c]] for c in columns or ("week",)})


def _field_weeks(fields: pd.DataFrame, calendar: Calendar) -> pd.DataFrame:
    """The weeks of fields as ISO labels; nothing where a field has no residue, or none was carried."""
    weeks = ("ready_week", "clear_week", "first_carried_week", "last_carried_week")
    return fields.assign(**{c: ["" if w < 0 else calendar.label(int(w)) for w in fields[c]] for c in weeks})


def _sheet(writer: Any, name: str, frame: pd.DataFrame) -> None:
    shown = frame.copy()
    for column in shown.select_dtypes(include="number").columns:
        shown[column] = shown[column].round(5)
    shown.to_excel(writer, sheet_name=name, index=False, freeze_panes=(1, 1))
    sheet = writer.sheets[name]
    for position, column in enumerate(shown.columns):
        longest = max([len(str(column)), *(len(str(v)) for v in shown[column].head(200))])
        sheet.set_column(position, position, min(longest + 2, WIDEST_COLUMN))
    if len(shown):
        sheet.autofilter(0, 0, len(shown), len(shown.columns) - 1)


def _points(table: pd.DataFrame) -> gpd.GeoDataFrame:
    points = [Point(x, y) for x, y in zip(table["lon"], table["lat"], strict=True)]
    return gpd.GeoDataFrame(table, geometry=points, crs="EPSG:4326")


def _plain(value: Any) -> Any:
    """Plain JSON values for numpy's and dates."""
    if isinstance(value, np.generic):
        return value.item()
    if hasattr(value, "isoformat"):
        return value.isoformat()
    raise TypeError(f"cannot write {type(value).__name__} as JSON")
