"""The season map: one HTML file that opens with no internet and asks for nothing but itself.

Leaflet comes through folium; its text is taken from a package and put into the page. Fields, paths and carrying ways
are drawn by our own script (sourcing/web) from shapes packed by :mod:`sourcing.outputs.packing`. Every word comes from
a word file. A policy in the page forbids every request and every script but those put there here.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.metadata import distribution
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import folium
import numpy as np
import pandas as pd
import shapely
from branca.element import CssLink, Figure, JavascriptLink
from jinja2 import Environment
from markupsafe import Markup
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from sourcing.errors import OutputError
from sourcing.outputs.datafacts import data_facts
from sourcing.outputs.fonts import page_css, scripts_in
from sourcing.outputs.landlayers import AREA, POINT, Geometries, ground_of
from sourcing.outputs.packing import Ints, Shapes, Trees, shapes_on_grid, squeeze, to_grid, trees_of, varints
from sourcing.outputs.relief import hill_shade
from sourcing.plan import Plan
from sourcing.season.outcome import site_names
from sourcing.weeks import DAYS_A_WEEK, Calendar
from sourcing.words import Words, load_words

WGS84 = "EPSG:4326"
SOON_WEEKS = 2
"""A field is shown as pressing in this many last weeks before its residue must be gone [weeks]."""
ROUTE_TOLERANCE_M = 4.0
"""Ways and paths are simplified by this much for drawing [m]; distances and minutes are the plan's own."""

GROUND_TOLERANCE_M = 1.0
"""Water, forest and houses are simplified by this much for drawing [m]."""


INK = "#1b2430"
PALETTE: Mapping[str, str] = {
    "nothing": "#f4f0e6",
    "waiting": "#8cb9e6",
    "soon": "#5b93cc",
    "now": "#0d2650",
    "carried": "#dde9f5",
    "lost": "#8c4b39",
}
"""Fill of a field by its state; `HATCH` says which carry lines on top."""
HATCH: Mapping[str, tuple[str, float]] = {"carried": ("#6b98c7", 0.31), "lost": ("#c9a08d", 0.16)}
"""Colour of the lines over a fill, and the share of the ground they cover."""


def write_map(plan: Plan, path: Path, *, offline: bool = True) -> None:
    """The season map as a file. Raises OutputError when it cannot be written."""
    text = render_map(plan, offline=offline)
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as exc:
        raise OutputError(f"the map could not be written to {path}: {exc}") from exc


def render_map(plan: Plan, *, offline: bool = True, generated_at: datetime | None = None) -> str:
    """The season map as HTML text.

    `offline` puts everything into the page; without it Leaflet is linked, which makes a smaller page that needs the
    internet. `generated_at` is the moment the plan was made; left out, the record's `made_at`, else now.
    """
    words = load_words(plan.settings.season.language)
    made = generated_at or _made_at(plan)
    drawn = _drawn(plan, words)
    several = plan.settings.fleet.several
    data = _script_json({**drawn.data, "made": made.astimezone(UTC).isoformat(timespec="seconds")})
    warn = [said.text(words) for said in plan.cautions]
    fields = " ".join(map(str, plan.field_table.index))
    text = " ".join([data, fields, plan.settings.season.name, *warn])
    page = {
        "w": words,
        "title": words("map.title", season=plan.settings.season.name),
        "season": plan.settings.season.name,
        "weeks": plan.calendar.count,
        "rank_lead": words("rank.lead", several=words.number(several)),
        "about": _about(plan, words, offline),
        "licence": _leaflet_licence(),
        "cautions": warn,
        "facts": _facts(plan, words, made.date()),
        "style": Markup(page_css(text) + _palette_css() + _web("style.css")),
        "data": data,
        "pack": drawn.pack,
        "fonts": ", ".join(script.family for script in scripts_in(text)),
    }
    season_map = folium.Map(location=drawn.centre, zoom_start=12, tiles=None, zoom_control=False, max_zoom=20)
    season_map._id = "season"
    season_map.options.update(attribution_control=False, zoom_snap=0.25, keyboard=True)
    figure = SeasonFigure(page, offline=offline, tiles=plan.settings.map.tiles_url)
    figure.add_child(season_map)
    return figure.render()


def _about(plan: Plan, words: Words, offline: bool) -> str:
    """What the page asks for from elsewhere."""
    if not offline:
        return words("map.linked")
    return words("map.online") if plan.settings.map.tiles_url else words("about.offline")


# --- the page ---------------------------------------------------------------------------------------------------------

NEEDED = {"leaflet.js": "leaflet.js", "leaflet.css": "leaflet.css"}
"""The only linked files the page needs: the last part of folium's link, and the file's name in the package."""
NOT_NEEDED = (
    "jquery", "bootstrap", "glyphicons", "fontawesome", "awesome-markers", "leaflet.awesome",
)  # fmt: skip
"""Parts of folium's other links; what they bring is not used."""


class SeasonFigure(Figure):
    """A folium figure whose page asks for nothing: bundled text in place of links, and a policy to hold it to that."""

    def __init__(self, page: Mapping[str, Any], *, offline: bool, tiles: str = "") -> None:
        super().__init__()
        self.page = dict(page)
        self.offline = offline
        self.tiles = tiles

    def render(self, **kwargs: Any) -> str:
        """The page's HTML. Raises ValueError for a link that nobody has decided about."""
        for child in list(self._children.values()):
            child.render(**kwargs)
        head, hosts = [], set()
        for child in self.header._children.values():
            if isinstance(child, JavascriptLink | CssLink):
                text, host = self._link(child)
                head.append(text)
                hosts.update(host)
            else:
                head.append(child.render(**kwargs))
        head_text = re.sub(r'<meta (name="viewport"|http-equiv)[^>]*>', "", "\n".join(head))
        if "user-scalable" in head_text:
            raise ValueError("folium's header has changed: it still forbids enlarging the page")
        code = "\n".join(child.render(**kwargs) for child in self.script._children.values())
        ours = "\n".join(_web(name) for name in ("unpack.js", "draw.js", "marks.js", "lists.js", "page.js"))
        template = Environment(autoescape=True, keep_trailing_newline=True).from_string(_web("page.html"))
        text = template.render(
            **self.page,
            policy_mark="POLICY-HERE",
            head=Markup(head_text),
            body=Markup(self.html.render(**kwargs)),
            scripts=Markup(f"<script>{code}</script>\n<script>(() => {{\n'use strict';\n{ours}\n}})();</script>"),
        )
        text = "\n".join(line.rstrip() for line in text.replace("\r\n", "\n").split("\n"))
        return text.replace("POLICY-HERE", policy(text, sorted(hosts), tile_host(self.tiles)), 1)

    def _link(self, link: JavascriptLink | CssLink) -> tuple[str, set[str]]:
        url = str(link.url)
        name = url.rsplit("/", 1)[-1]
        if name in NEEDED:
            if not self.offline:
                return link.render(), {"https://" + url.split("/")[2]}
            text = leaflet_text(NEEDED[name])
            return (f"<script>{text}</script>" if name.endswith(".js") else f"<style>{text}</style>"), set()
        if any(part in url.lower() for part in NOT_NEEDED):
            return "", set()
        raise ValueError(f"the page would ask for {url}, for which there is no bundled file")


def tile_host(url: str) -> str:
    """The host that tiles come from, as a policy names it: one sub-domain left open where the address has a {s}."""
    host = urlsplit(url).netloc
    return f"https://{host.replace('{s}', '*')}" if host else ""


def policy(page: str, hosts: Sequence[str] = (), tiles: str = "") -> str:
    """The Content-Security-Policy of a page: no request, and only the scripts and styles now in it, by their hash.

    `hosts` may give scripts and styles (the linked form), `tiles` pictures.
    """
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    styles = re.findall(r"<style>(.*?)</style>", page, flags=re.DOTALL)
    linked = "".join(f" {host}" for host in hosts)
    pictures = f"data: {tiles}".strip()
    return (
        f"default-src 'none'; script-src {' '.join(_hash(s) for s in scripts)}{linked}; "
        f"style-src {' '.join(_hash(s) for s in styles)}{linked}; img-src {pictures}; font-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def _hash(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii") + "'"


def _script_json(value: Any) -> Markup:
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return Markup(text.translate({ord(sign): f"\\u{ord(sign):04x}" for sign in "<>&\u2028\u2029"}))


@cache
def _web(name: str) -> str:
    return (files("sourcing") / "web" / name).read_text(encoding="utf-8")


@cache
def leaflet_text(name: str) -> str:
    """A file of Leaflet, 'leaflet.js' or 'leaflet.css', without what would make a page ask for more."""
    text = (files("js_lib_leaflet") / "static" / "js_lib_leaflet" / name).read_text(encoding="utf-8")
    if name.endswith(".css"):
        # pictures of controls that this page does not use, and a rule for browsers long gone
        text = re.sub(r"url\(images/[^)]*\)", "none", text)
        return re.sub(r"behavior:\s*url\([^)]*\);", "", text)
    return re.sub(r"\n//# sourceMappingURL=.*", "", text)


@cache
def _leaflet_licence() -> str:
    return distribution("django-js-lib-leaflet").read_text("LICENSE") or ""


def _palette_css() -> str:
    return ":root{" + "".join(f"--{name}:{colour};" for name, colour in {**PALETTE, "ink": INK}.items()) + "}\n"


# --- what is in it ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Drawn:
    data: dict[str, Any]
    pack: str
    centre: tuple[float, float]


def _made_at(plan: Plan) -> datetime:
    text = plan.record.get("made_at")
    return datetime.fromisoformat(text) if text else datetime.now(UTC)


def _facts(plan: Plan, words: Words, made: date) -> list[dict[str, str]]:
    """Date, age of the data, coverage: what stands under the map."""
    facts = {"made": words("facts.made", date=words.day(made)), **data_facts(plan, words, made)}
    if words.status != "complete":
        facts["draft"] = words("map.draft")
    return [{"id": key, "text": text} for key, text in facts.items()]


def _drawn(plan: Plan, words: Words) -> _Drawn:
    calendar = plan.calendar
    frame = plan.fields.frame
    if len(frame):
        frame = frame.iloc[np.argsort(frame.geometry.hilbert_distance(level=16).to_numpy(), kind="stable")]
    west, south, east, north = _bounds(plan)
    middle = ((south + north) / 2, (west + east) / 2)
    x, y = to_grid(np.array([middle[::-1]]), WGS84, (0, 0))[0].tolist()
    origin = (x, y)
    villages, sites = list(plan.village_table.index), list(plan.site_table.index)
    table = plan.field_table.reindex(frame.index)
    crops = sorted(set(table["crop"].astype(str)))

    shapes = shapes_on_grid(frame.geometry.to_numpy(), WGS84, origin)
    carries = _carry_rows(plan, frame.index, sites)
    ways = _route_rows(plan, frame.index, sites)
    trees = _route_trees(plan, ways, origin)
    ground = ((kind, shapes, crs, int(shapely.get_dimensions(shapes[0]))) for kind, shapes, crs in ground_of(plan))
    layers = [(kind, *_layer_shapes(part, crs, dim, origin)) for kind, part, crs, dim in ground if dim != POINT]
    ids = "\n".join(str(i).replace("\n", " ") for i in frame.index).encode("utf-8")
    runs = [_field_columns(table, villages, crops), shapes.pack()]
    runs += [varints(carries[c]) for c in ("step", "site", "week", "kg", "more")]
    runs += [varints(ways[c]) for c in ("field", "site", "m", "minutes")] + [trees.pack()]
    runs += [on_grid.pack() for _, _, on_grid in layers] + [ids]
    data = {
        "origin": origin,
        "bounds": [[south, west], [north, east]],
        "weeks": _weeks(calendar, words),
        "span": words.span(calendar.monday(0), calendar.monday(calendar.count) - timedelta(days=1)),
        "several": plan.settings.fleet.several,
        "floor": plan.settings.fleet.busy_floor,
        "soon": SOON_WEEKS,
        "fleet": _fleet(plan),
        "straight": bool(plan.arcs.straight_line),
        "crops": [{"key": c, "name": words.of("crop", c)} for c in crops],
        "villages": _villages(plan, words, origin),
        "sites": _sites(plan, words, villages, origin),
        "points": _points(plan, origin),
        "tiles": {"url": plan.settings.map.tiles_url, "credit": plan.settings.map.tiles_credit},
        "relief": _relief(plan, (west, south, east, north)),
        "fields": {"count": len(frame), "rings": int(shapes.rings.sum()), "id_bytes": len(ids)},
        "carries": len(carries),
        "routes": {"count": len(ways), "nodes": len(trees.parent)},
        "layers": [
            {"kind": kind, "area": area, "shapes": len(on_grid.rings), "rings": int(on_grid.rings.sum())}
            for kind, area, on_grid in layers
        ],
        "palette": dict(PALETTE),
        "hatch": {state: list(lines) for state, lines in HATCH.items()},
        "numbers": dict(words.numbers),
        "words": {key: text for key, text in words.text.items() if key.split(".")[0] in WORDS_IN_PAGE},
    }
    return _Drawn(data, squeeze(runs), middle)


WORDS_IN_PAGE = (
    "map", "week", "now", "find", "rank", "site", "field", "route", "state", "legend", "facts", "detail", "table",
    "sure", "unit",
)  # fmt: skip
"""Groups of words that the page's script asks for."""


def _weeks(calendar: Calendar, words: Words) -> list[dict[str, str]]:
    out = []
    for week, label in enumerate(calendar.labels):
        monday = calendar.monday(week)
        sunday = monday + timedelta(days=DAYS_A_WEEK - 1)
        out.append({
            "label": label, "days": words.week_days(calendar, week), "month": words.month(monday),
            "short": words.digits(f"{monday.day}.{monday.month}."), "monday": f"{monday}", "sunday": f"{sunday}",
        })  # fmt: skip
    return out


def _field_columns(table: pd.DataFrame, villages: Sequence[Any], crops: Sequence[str]) -> bytes:
    """The columns of the fields, in the order in which unpack.js reads them."""
    columns = [
        table["village"].map(_places(villages)).fillna(-1), table["crop"].map(_places(crops)), table["ready_week"],
        table["clear_week"], table["estimated"], table["free_kg"], table["lost_kg"], table["area_ha"] * 100,
    ]  # fmt: skip
    return b"".join(varints(np.rint(np.asarray(c, dtype=float)).astype(np.int64)) for c in columns)


def _places(keys: Sequence[Any]) -> dict[Any, int]:
    return {k: i for i, k in enumerate(keys)}


def _bounds(plan: Plan) -> tuple[float, float, float, float]:
    """West, south, east, north of fields, villages and sites [degrees]."""
    boxes = [plan.fields.frame.total_bounds] if len(plan.fields.frame) else []
    for table in (plan.village_table, plan.site_table):
        known = table[["lon", "lat"]].dropna()
        if len(known):
            boxes.append(np.concatenate([known.min().to_numpy(), known.max().to_numpy()]))
    if not boxes:
        return (0.0, 0.0, 0.0, 0.0)
    every = np.array(boxes)
    west, south = every[:, :2].min(axis=0)
    east, north = every[:, 2:].max(axis=0)
    return (float(west), float(south), float(east), float(north))


def _fleet(plan: Plan) -> list[int]:
    fleet, first = plan.settings.fleet, plan.calendar
    steps = sorted(fleet.barrels_from.items())
    return [
        next((n for day, n in reversed(steps) if day <= first.monday(w)), fleet.barrels) for w in range(first.count)
    ]  # fmt: skip


def _villages(plan: Plan, words: Words, origin: tuple[int, int]) -> list[dict[str, Any]]:
    table = plan.village_table
    estimated = plan.field_table.groupby("village")["estimated"].mean()
    out = []
    for key, row in table.iterrows():
        placed = pd.notna(row["lon"]) and pd.notna(row["lat"])
        x, y = to_grid(np.array([[row["lon"], row["lat"]]]), WGS84, origin)[0].tolist() if placed else (None, None)
        out.append({
            "id": str(key), "name": str(row["name"]), "x": x, "y": y, "deploy": bool(row["deploy"]),
            "fields": int(row["fields"]), "free": _whole(row["residue_free_kg"]), "residue": _whole(row["residue_kg"]),
            "char": _whole(row["char_kg"]), "carry": _whole(row["mean_carry_m"]), "several": int(row["several_weeks"]),
            "barrel_weeks": int(row["barrel_weeks"]), "reason": words.reason(row, plan.settings.fleet.several),
            "estimated": round(float(estimated.get(key, 0.0)), 3),
        })  # fmt: skip
    return out


def _sites(plan: Plan, words: Words, villages: Sequence[Any], origin: tuple[int, int]) -> list[dict[str, Any]]:
    table, count = plan.site_table, plan.calendar.count
    of_village = _places(villages)
    names = site_names(table, plan.village_table["name"], words)
    by_site = dict(tuple(plan.site_weeks.groupby("site_id")))
    empty = plan.site_weeks.iloc[:0]
    stress = getattr(plan, "stress", None)
    sure = {} if stress is None else stress.sites[["sureness", "chance", "several"]].to_dict("index")
    out = []
    for key, row in table.iterrows():
        weeks = by_site.get(key, empty)
        dense = {}
        for name, digits in (("barrels", 0), ("busy", 3), ("residue_kg", 0), ("char_kg", 0)):
            line = np.zeros(count)
            line[weeks["week"].to_numpy(dtype=int)] = weeks[name].to_numpy(dtype=float)
            dense[name] = [int(v) if digits == 0 else round(float(v), digits) for v in np.round(line, digits)]
        x, y = to_grid(np.array([[row["lon"], row["lat"]]]), WGS84, origin)[0].tolist()
        out.append({
            "id": str(key), "name": names[str(key)], "village": of_village.get(row["village"], -1),
            "x": x, "y": y, "barrels": dense["barrels"], "busy": dense["busy"], "residue": dense["residue_kg"],
            "char": dense["char_kg"], "carry": _whole(row["mean_carry_m"]), "several": int(row["several_weeks"]),
            "barrel_weeks": int(row["barrel_weeks"]), "sure": _sure(sure.get(key)),
        })  # fmt: skip
    return out


def _sure(chance: Mapping[Any, Any] | None) -> dict[str, Any] | None:
    """How sure a site is, where chances were worked out: word, chance in per cent, and of how many barrels."""
    if chance is None:
        return None
    return {"word": chance["sureness"], "chance": _whole(100 * chance["chance"]), "several": int(chance["several"])}


def _whole(value: Any) -> int | None:
    return None if pd.isna(value) else round(float(value))


def _carry_rows(plan: Plan, field_ids: pd.Index, sites: Sequence[Any]) -> pd.DataFrame:
    """One row a (field, site, week), by field: places in the page's own order, and whole kg.

    `step` is the way from the field before, `kg` what is charred, `more` what it lost since it was ready.
    """
    rows = plan.carries.groupby(["field_id", "site_id", "week"], as_index=False)[["mass_kg", "taken_kg"]].sum()
    rows = pd.DataFrame({
        "field": field_ids.get_indexer(rows["field_id"]), "site": pd.Index(sites).get_indexer(rows["site_id"]),
        "week": rows["week"].astype(int), "kg": np.rint(rows["mass_kg"]).astype(int),
        "more": np.rint(rows["taken_kg"] - rows["mass_kg"]).astype(int),
    })  # fmt: skip
    rows = rows[(rows["field"] >= 0) & (rows["site"] >= 0)].sort_values(["field", "week", "site"])
    return rows.assign(step=np.diff(rows["field"].to_numpy(), prepend=0))


def _route_rows(plan: Plan, field_ids: pd.Index, sites: Sequence[Any]) -> pd.DataFrame:
    """One row a way, by site: places in the page's own order, whole metres and minutes, and the row of the geometry."""
    routes = plan.routes
    rows = pd.DataFrame({
        "field": field_ids.get_indexer(routes["field_id"]), "site": pd.Index(sites).get_indexer(routes["site_id"]),
        "m": np.rint(routes["distance_m"].to_numpy(dtype=float)).astype(int),
        "minutes": np.maximum(1, np.rint(routes["minutes"].to_numpy(dtype=float))).astype(int),
        "at": np.arange(len(routes)),
    })  # fmt: skip
    drawn = ~(shapely.is_missing(routes.geometry.to_numpy()) | shapely.is_empty(routes.geometry.to_numpy()))
    return rows[(rows["field"] >= 0) & (rows["site"] >= 0) & drawn].sort_values(["site", "field"])


def _route_trees(plan: Plan, ways: pd.DataFrame, origin: tuple[int, int]) -> Trees:
    on_grid = shapes_on_grid(plan.routes.geometry.to_numpy()[ways["at"]], WGS84, origin, ROUTE_TOLERANCE_M)
    home = to_grid(plan.site_table[["lon", "lat"]].to_numpy(dtype=float), WGS84, origin)
    at_site = zip(on_grid.lines(), ways["site"], strict=True)
    return trees_of([_from_site(line, home[s]) for line, s in at_site], ways["site"].tolist())


def _from_site(line: Ints, site: Ints) -> Ints:
    """A way turned so that it starts at its site."""
    if len(line) == 0:
        return site[None, :]
    return line if np.abs(line[0] - site).sum() <= np.abs(line[-1] - site).sum() else line[::-1]


def _layer_shapes(shapes: Geometries, crs: CRS, dim: int, origin: tuple[int, int]) -> tuple[bool, Shapes]:
    area = dim == AREA
    return area, shapes_on_grid(shapes, crs, origin, GROUND_TOLERANCE_M if area else ROUTE_TOLERANCE_M)


def _relief(plan: Plan, bounds: tuple[float, float, float, float]) -> dict[str, Any] | None:
    shade = hill_shade(plan.survey.elevation, bounds) if plan.survey.elevation else None
    if shade is None:
        return None
    return {"picture": shade.picture, "bounds": [[shade.south, shade.west], [shade.north, shade.east]]}


def _points(plan: Plan, origin: tuple[int, int]) -> list[dict[str, Any]]:
    """Workshops, heaps and unused places, as points on the grid."""
    out = []
    for kind, layer in (("workshop", plan.survey.workshop), ("waste_point", plan.survey.waste_points)):
        if layer is None or not len(layer.frame):
            continue
        middle: list[BaseGeometry] = list(shapely.centroid(layer.frame.geometry.dropna().to_numpy()))
        for x, y in to_grid(shapely.get_coordinates(middle), layer.frame.crs or WGS84, origin).tolist():
            out.append({"kind": kind, "x": x, "y": y})
    return out
