"""A plan for other tools: GPX for a hand-held receiver, KML, a text short enough for a message."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as Xml

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Polygon

from sourcing.errors import OutputError
from sourcing.outputs.pages import plain
from sourcing.outputs.programme import Programme, programme
from sourcing.outputs.sheets import proof
from sourcing.plan import Plan
from sourcing.weeks import DAYS_A_WEEK

GPX = "http://www.topografix.com/GPX/1/1"
KML = "http://www.opengis.net/kml/2.2"
FINE_DEGREES = 0.00003
"""Ways are simplified by this much, about 3 m, for receivers that take few points [degrees]."""
MESSAGE_LETTERS = 700
"""A message is shorter than this [letters]."""


def write_gpx(plan: Plan, path: Path) -> None:
    """Places for barrels as waypoints and carrying ways, field to place, as routes (GPX 1.1)."""
    prog = programme(plan)
    root = Xml.Element("gpx", {"xmlns": GPX, "version": "1.1", "creator": "sourcing"})
    meta = Xml.SubElement(root, "metadata")
    _tag(meta, "name", plan.settings.season.name)
    _tag(meta, "desc", prog.words("facts.made", date=prog.words.day(prog.made)))
    for site, row in _sites(prog):
        point = Xml.SubElement(root, "wpt", _degrees(row.lon, row.lat))
        _tag(point, "name", prog.site_names[site])
        _tag(point, "cmt", site)
        _tag(point, "desc", _about_site(prog, site))
        _tag(point, "sym", "Flag, Blue")
    for field, site, line, said in _ways(prog):
        route = Xml.SubElement(root, "rte")
        _tag(route, "name", f"{field} > {prog.site_names[site]}")
        _tag(route, "desc", said)
        for x, y in line.coords:
            Xml.SubElement(route, "rtept", _degrees(x, y))
    _write(root, path)


def write_kml(plan: Plan, path: Path) -> None:
    """Places with their weeks, fields that give residue, and carrying ways (KML 2.2)."""
    prog = programme(plan)
    words = prog.words
    root = Xml.Element("kml", {"xmlns": KML})
    document = Xml.SubElement(root, "Document")
    _tag(document, "name", plan.settings.season.name)
    for key, line, fill in (("field", "ff443b33", "99d1c6bc"), ("way", "ff1d1610", "00ffffff")):
        style = Xml.SubElement(document, "Style", {"id": key})
        stroke = Xml.SubElement(style, "LineStyle")
        _tag(stroke, "color", line)
        _tag(stroke, "width", "2")
        _tag(Xml.SubElement(style, "PolyStyle"), "color", fill)
    folder = _folder(document, words("legend.sites"))
    for site, row in _sites(prog):
        mark = _placemark(folder, prog.site_names[site], _about_site(prog, site))
        span = Xml.SubElement(mark, "TimeSpan")
        _tag(span, "begin", plan.calendar.monday(int(row.first_week)).isoformat())
        end = plan.calendar.monday(int(row.last_week)) + timedelta(days=DAYS_A_WEEK - 1)
        _tag(span, "end", end.isoformat())
        _tag(Xml.SubElement(mark, "Point"), "coordinates", f"{row.lon:.7f},{row.lat:.7f}")
    folder = _folder(document, words("sheet.legend_gives"))
    given = plan.field_table[plan.field_table["carried_kg"] > 0]
    for field, row in given.iterrows():
        kilos = f"{words.number(row['carried_kg'])} kg, {words.of('crop', str(row['crop']))}"
        mark = _placemark(folder, str(field), kilos, "field")
        _areas(mark, plan.fields.frame.geometry[field])
    folder = _folder(document, words("sheet.legend_way"))
    for field, site, line, said in _ways(prog):
        mark = _placemark(folder, f"{field} > {prog.site_names[site]}", said, "way")
        shape = Xml.SubElement(mark, "LineString")
        _tag(shape, "tessellate", "1")
        _tag(shape, "coordinates", _list(np.asarray(line.coords)))
    _write(root, path)


def message(plan: Plan) -> str:
    """The plan in fewer than 700 letters, for a message; villages are named as far as there is room."""
    prog = programme(plan)
    words, total = prog.words, plan.record["totals"]
    chance = plan.record["chances"]["season"]["char_kg"]
    season = plain(plan.settings.season.name)[:80]
    if not prog.site_names:
        return plain(f"{season}. {words('sheet.nothing')}")[: MESSAGE_LETTERS - 1]
    lines = [
        season,
        words("export.message_what", most=words.number(total["most_barrels"]), sites=words.number(total["sites"]),
              days=prog.days(prog.weeks[0], prog.weeks[-1])),
        "",
        words("export.message_char", residue=words.tonnes(total["residue_kg"]), char=words.tonnes(total["char_kg"])),
        words("export.message_chances", low=words.tonnes(chance["p10"]), high=words.tonnes(chance["p90"])),
        proof(prog),
        words("export.safety"),
    ]  # fmt: skip
    left = MESSAGE_LETTERS - 1 - sum(len(line) + 1 for line in lines)
    deployed = [prog.village(str(v)) for v in plan.village_table.index[plan.village_table["deploy"]]]
    lines[2] = _villages_said(prog, [plain(name)[:40] for name in deployed], left)
    return "\n".join(line for line in lines if line)[: MESSAGE_LETTERS - 1]


def _villages_said(prog: Programme, names: list[str], most: int) -> str:
    """As many village names as fit into `most` letters."""
    for count in range(len(names), 0, -1):
        listed = ", ".join(names[:count])
        if count < len(names):
            listed += " " + prog.words("sheet.and_more", n=prog.words.number(len(names) - count))
        said = prog.words("export.message_where", villages=listed)
        if len(said) <= most:
            return said
    return ""


def _sites(prog: Programme) -> Iterator[tuple[str, Any]]:
    table = prog.plan.site_table.loc[list(prog.site_names)]
    yield from zip(prog.site_names, table.itertuples(), strict=True)


def _about_site(prog: Programme, site: str) -> str:
    """Barrels of a site week by week, in a line."""
    weeks = prog.plan.site_weeks[prog.plan.site_weeks["site_id"] == site]
    said = (
        f"{prog.short_day(prog.plan.calendar.monday(int(r.week)))}: {prog.words.number(r.barrels)}"
        for r in weeks.itertuples()
    )
    return f"{prog.words('export.by_week')} {', '.join(said)}"


def _ways(prog: Programme) -> Iterator[tuple[str, str, LineString, str]]:
    """Field, site, line from the field to the site, and its metres and minutes."""
    for row in prog.plan.routes.itertuples():
        line = row.geometry
        if line is None or line.is_empty or line.geom_type != "LineString":
            continue
        finer = shapely.simplify(line, FINE_DEGREES)
        said = prog.words(
            "route.label", metres=prog.words.number(row.distance_m), minutes=prog.words.number(max(row.minutes, 1))
        )
        yield str(row.field_id), str(row.site_id), finer, said


def _tag(parent: Xml.Element, name: str, text: str) -> None:
    Xml.SubElement(parent, name).text = plain(text)


def _folder(parent: Xml.Element, name: str) -> Xml.Element:
    folder = Xml.SubElement(parent, "Folder")
    _tag(folder, "name", name)
    return folder


def _placemark(folder: Xml.Element, name: str, said: str, style: str = "") -> Xml.Element:
    """A place; what is said about it is text, whose signs mean nothing."""
    mark = Xml.SubElement(folder, "Placemark")
    _tag(mark, "name", name)
    safe = said.replace("&", "&amp;").replace("<", "&lt;")  # readers of KML take a description for HTML
    _tag(mark, "description", safe)
    if style:
        _tag(mark, "styleUrl", f"#{style}")
    return mark


def _areas(mark: Xml.Element, shape: Polygon | MultiPolygon) -> None:
    parts = shapely.get_parts(shape)
    parent = Xml.SubElement(mark, "MultiGeometry") if len(parts) > 1 else mark
    for part in parts:
        area = Xml.SubElement(parent, "Polygon")
        for kind, ring in [("outerBoundaryIs", part.exterior), *(("innerBoundaryIs", r) for r in part.interiors)]:
            boundary = Xml.SubElement(Xml.SubElement(area, kind), "LinearRing")
            _tag(boundary, "coordinates", _list(np.asarray(ring.coords)))


def _list(xy: np.ndarray) -> str:
    return " ".join(f"{x:.7f},{y:.7f}" for x, y in xy[:, :2])


def _degrees(lon: float, lat: float) -> dict[str, str]:
    return {"lat": f"{lat:.7f}", "lon": f"{lon:.7f}"}


def _write(root: Xml.Element, path: Path) -> None:
    Xml.indent(root, " ")
    try:
        path.write_bytes(Xml.tostring(root, encoding="utf-8", xml_declaration=True))
    except OSError as exc:
        raise OutputError(f"{path.name} could not be written to {path}: {exc}") from exc
