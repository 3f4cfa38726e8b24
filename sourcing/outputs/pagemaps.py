"""Maps on printed pages: land, fields, ways and places in a frame, told apart without colour."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from matplotlib.collections import LineCollection
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as Outline
from pyproj import CRS, Transformer

from sourcing.network.ways import LONLAT, local_crs
from sourcing.outputs.landlayers import AREA, LINE, POINT, Geometries, ground_of
from sourcing.outputs.pages import INK, POINT_MM, QUIET, Page, width
from sourcing.plan import Plan
from sourcing.words import Words

Floats = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, top, width, height on the page [mm]."""

FINE_MM = 0.08
"""Shapes are simplified by this much on the page [mm]."""
LEAST_SPAN_M = 150.0
"""A map shows at least this much ground across [m]."""
LEGEND_SIZE = 6.5
MARK_MM = 4.0
"""Side of the mark of a place for barrels [mm]."""


@dataclass(frozen=True)
class Look:
    """How a kind of ground is drawn: fill and hatch of areas, colour, width [points] and dashes of lines."""

    fill: str
    edge: str
    hatch: str = ""
    thick: float = 0.4
    dash: tuple[float, ...] = ()


LOOKS: Mapping[str, Look] = {
    "background": Look("#eef1f3", "#a9b6c2", thick=0.7),
    "water": Look("#d9e6f0", "#86a3bb", "----", 0.9),
    "forest": Look("#edf0e8", "#9aa58b", "...", 0.5),
    "house": Look("#6d7178", "#6d7178", thick=0.3),
    "thatch": Look("#ffffff", "#5d6168", "xxxx", 0.4),
    "standing_crop": Look("#ffffff", "#a5a99a", "||||", 0.4),
    "road": Look("#d9d9d9", "#9b9b9b", thick=2.2),
    "other": Look("#f3f1ec", "#b1a999", "////", 0.4),
    "barrier": Look("#86a3bb", "#6d8daa", thick=1.5),
    "path": Look("none", "#707070", thick=0.9, dash=(4, 1.6)),
}
FIELD_LOOKS: Mapping[str, Look] = {
    "far": Look("#ffffff", "#cdd2d7", thick=0.25),
    "idle": Look("#ffffff", "#7d868f", thick=0.4),
    "gives": Look("#bcc6d1", "#333b44", thick=0.55),
}
"""Fields by what is asked of them: those of others, those that give nothing, those that give."""


@dataclass(frozen=True)
class Land:
    """All that maps show, in local metres, found by place."""

    crs: CRS
    fields: Geometries
    field_ids: pd.Index
    field_tree: shapely.STRtree
    layers: tuple[tuple[str, Geometries, shapely.STRtree], ...]
    ways: Geometries
    way_ends: pd.DataFrame
    """field_id and site_id of each way."""
    sites: Mapping[str, tuple[float, float]]
    villages: Mapping[str, tuple[float, float]]


Ground = Iterable[tuple[str, Geometries, CRS]]
"""Kinds of ground, each with its shapes and their coordinate system."""


def land_of(plan: Plan) -> Land:
    """The land of a plan in one local system, true to scale."""
    crs = plan.network.crs if plan.network is not None else local_crs(plan.fields.frame)
    land = land_from(plan.fields.frame.geometry, ground_of(plan), crs, plan.site_table, plan.village_table)
    if plan.routes.empty:
        return land
    ends = pd.DataFrame(plan.routes[["field_id", "site_id"]]).reset_index(drop=True)
    return replace(land, ways=_flat(plan.routes.geometry, crs), way_ends=ends)


def land_from(
    fields: gpd.GeoSeries, ground: Ground, crs: CRS, sites: pd.DataFrame, villages: pd.DataFrame
) -> Land:  # fmt: skip
    """The land from its parts in the local system `crs`, no ways in it: fields by id, kinds of ground, sites and
    villages with lon and lat.
    """
    shapes = _flat(fields, crs)
    none = pd.DataFrame({"field_id": [], "site_id": []}, dtype=str)
    return Land(
        crs, shapes, fields.index, shapely.STRtree(shapes), tuple(_layers(ground, crs)), shapes[:0], none,
        _places(sites, crs), _places(villages, crs),
    )  # fmt: skip


def _flat(shapes: gpd.GeoSeries, crs: CRS) -> Geometries:
    return np.asarray(shapes.to_crs(crs).to_numpy(), dtype=object)


def _layers(ground: Ground, crs: CRS) -> Iterable[tuple[str, Geometries, shapely.STRtree]]:
    for kind, shapes, own in ground:
        there = _flat(gpd.GeoSeries(shapes, crs=own), crs)
        yield (kind if kind in LOOKS else "other"), there, shapely.STRtree(there)


def _places(table: pd.DataFrame, crs: CRS) -> dict[str, tuple[float, float]]:
    known = table[["lon", "lat"]].dropna()
    x, y = Transformer.from_crs(LONLAT, crs, always_xy=True).transform(known["lon"].to_numpy(), known["lat"].to_numpy())
    return {
        str(k): (float(a), float(b)) for k, a, b in zip(known.index, np.atleast_1d(x), np.atleast_1d(y), strict=True)
    }


def bounds_of(shapes: Geometries, points: Sequence[tuple[float, float]]) -> tuple[float, float, float, float]:
    """West, south, east, north of shapes and points together [local metres]."""
    every = [*shapes, *(shapely.Point(p) for p in points)]
    west, south, east, north = shapely.total_bounds(every)
    return float(west), float(south), float(east), float(north)


class MapFrame:
    """A framed map on a page. Draw the ground, then fields, ways and marks, then labels, which find free room."""

    def __init__(self, page: Page, box: Box, land: Land, bounds: Sequence[float]) -> None:
        self.page, self.box, self.land = page, box, land
        left, top, w, h = box
        west, south, east, north = bounds
        across = max(east - west, LEAST_SPAN_M) * 1.1
        up = max(north - south, LEAST_SPAN_M) * 1.1
        self.mm_a_m = min(w / across, h / up)
        self.middle = ((west + east) / 2, (south + north) / 2)
        half_w, half_h = w / 2 / self.mm_a_m, h / 2 / self.mm_a_m
        self.ground = shapely.box(
            self.middle[0] - half_w, self.middle[1] - half_h, self.middle[0] + half_w, self.middle[1] + half_h
        )
        self.taken: list[Box] = []
        self.kinds: list[str] = []
        page.box(*box, fill="#ffffff", over=0.5)
        self.clip = Rectangle((left, top), w, h, transform=page.axes.transData)
        page.box(*box, edge=INK, thick=0.7, over=3.6)

    def on_page(self, xy: Floats) -> Floats:
        """Local metres as millimetres on the page, (n, 2)."""
        left, top, w, h = self.box
        x = left + w / 2 + (xy[:, 0] - self.middle[0]) * self.mm_a_m
        y = top + h / 2 - (xy[:, 1] - self.middle[1]) * self.mm_a_m
        return np.column_stack([x, y])

    def draw_ground(self) -> None:
        """Water, woods, houses, paths and what else lies there."""
        for kind, shapes, tree in self.land.layers:
            inside = shapes[np.sort(tree.query(self.ground, predicate="intersects"))]
            if not len(inside):
                continue
            self.kinds.append(kind)
            look, dims = LOOKS[kind], shapely.get_dimensions(inside)
            over = 1.2 if kind != "path" else 1.9
            if (dims == AREA).any():
                self._areas(inside[dims == AREA], look, over)
            if (dims == LINE).any():
                thick = look.thick * float(np.clip(self.mm_a_m / 0.08, 0.5, 1))
                self._lines(inside[dims == LINE], thick, look.edge, look.dash, over + 0.1)
            if (dims == POINT).any():
                for x, y in self.on_page(shapely.get_coordinates(inside[dims == POINT])):
                    self.page.box(x - 0.5, y - 0.5, 1, 1, fill=look.edge, over=over).set_clip_path(self.clip)

    def draw_fields(self, kinds: npt.NDArray[np.str_], estimated: npt.NDArray[np.bool_]) -> None:
        """Fields by kind (see FIELD_LOOKS), one a field of the land; estimated ones with a broken edge."""
        near = self.land.field_tree.query(self.ground, predicate="intersects")
        for kind, look in FIELD_LOOKS.items():
            for guessed in (False, True):
                here = near[(kinds[near] == kind) & (estimated[near] == guessed)]
                if len(here):
                    self._areas(
                        self.land.fields[here], look, 1.5 + 0.1 * (kind == "gives"), (2, 1.2) if guessed else ()
                    )

    def draw_ways(self, chosen: npt.NDArray[np.bool_], thick: float, *, straight: bool) -> None:
        """Carrying ways, drawn as dots where they are only straight lines."""
        ways = self.land.ways[chosen]
        ways = ways[shapely.length(ways) > 0] if len(ways) else ways
        if len(ways):
            self._lines(ways, thick, INK, (1.2, 1.4) if straight else (), 2.2)

    def mark(self, x: float, y: float, number: str, *, size: float = MARK_MM, strong: bool = True) -> None:
        """A place for barrels, with its number in it."""
        px, py = self.on_page(np.array([[x, y]]))[0]
        if not self._inside((px, py, 0, 0)):
            return
        letters = 7.5 * size / MARK_MM
        w = max(size, width(number, letters, True) + 1.2)
        at = self._free(px, py, w + 0.6, size + 0.6)
        if at != (px, py):
            self.page.lines([[(px, py), at]], 0.9, INK)
            self.page.box(px - 0.5, py - 0.5, 1, 1, fill=INK, over=2.9)
            px, py = at
        self.page.box(px - w / 2 - 0.3, py - size / 2 - 0.3, w + 0.6, size + 0.6, fill="#ffffff", over=3)
        fill, ink = (INK, "#ffffff") if strong else ("#ffffff", INK)
        self.page.box(px - w / 2, py - size / 2, w, size, fill=fill, edge=INK, thick=0.7, over=3.1)
        self.page.text(px, py + letters * 0.125, number, letters, bold=True, align="center", colour=ink)
        self.taken.append((px - w / 2 - 0.3, py - size / 2 - 0.3, w + 0.6, size + 0.6))

    def _free(self, px: float, py: float, w: float, h: float) -> tuple[float, float]:
        """The nearest middle for a mark where it hides no other; the place itself where there is no room."""
        for far in (0.0, 1.1, 1.8, 2.6):
            for turn in range(8 if far else 1):
                x, y = px + far * w * np.cos(turn * np.pi / 4), py + far * h * np.sin(turn * np.pi / 4)
                box = (x - w / 2, y - h / 2, w, h)
                if self._inside(box) and not any(_meet(box, other) for other in self.taken):
                    return float(x), float(y)
        return px, py

    def home(self, x: float, y: float) -> None:
        """The middle of a village: a small ring."""
        px, py = self.on_page(np.array([[x, y]]))[0]
        if self._inside((px - 0.8, py - 0.8, 1.6, 1.6)):
            self.page.box(px - 0.8, py - 0.8, 1.6, 1.6, fill="#ffffff", edge=INK, thick=0.9, over=2.9)
            self.taken.append((px - 0.8, py - 0.8, 1.6, 1.6))

    def label(self, x: float, y: float, words: str, size: float = 6.5, *, bold: bool = False, gap: float = 0.0) -> bool:
        """Words near a point, where there is room; false where there is none."""
        px, py = self.on_page(np.array([[x, y]]))[0]
        w, h = width(words, size, bold) + 0.6, size * POINT_MM
        reach = gap + w / 2
        places = [(0.0, 0.0)] if not gap else []
        for far in (0.6, 2.2, 4.5):
            drop = gap + h / 2 + far
            side = reach + far
            places += [
                (side, 0),
                (-side, 0),
                (0, -drop),
                (0, drop),
                (side, -drop),
                (-side, -drop),
                (side, drop),
                (-side, drop),
            ]
        for dx, dy in places:
            box = (px + dx - w / 2, py + dy - h / 2, w, h)
            if self._inside(box) and not any(_meet(box, other) for other in self.taken):
                self.page.box(*box, fill="#ffffff", over=3.2).set_alpha(0.75)
                self.page.text(px + dx, py + dy + h * 0.36, words, size, bold=bold, align="center")
                self.taken.append(box)
                return True
        return False

    def legend(self, words: Words, entries: Sequence[tuple[str, str]]) -> float:
        """Scale, north and the meaning of what was drawn, below the frame; `entries` are kinds with their words.
        Returns where it ends [mm].
        """
        left, top, w, h = self.box
        foot = top + h + 4.6
        metres = _round_length(w * 0.3 / self.mm_a_m)
        bar = metres * self.mm_a_m
        self.page.lines([[(left, foot - 1), (left + bar, foot - 1)]], 1.6, INK)
        self.page.lines([[(left + i * bar, foot - 2), (left + i * bar, foot)] for i in (0, 1)], 0.9, INK)
        said = f"{words.number(metres)} {words('unit.m')}" if metres < 1000 else f"{words.number(metres / 1000)} km"
        self.page.text(left + bar + 1.5, foot, said, LEGEND_SIZE)
        x = left + bar + 1.5 + width(said, LEGEND_SIZE) + 5
        self.page.text(x, foot, words("legend.north_letter"), LEGEND_SIZE + 1, bold=True, align="center")
        tip = x + width(words("legend.north_letter"), LEGEND_SIZE + 1, True) / 2 + 1.2
        self.page.lines([[(tip, foot + 0.3), (tip, foot - 3)], [(tip - 0.9, foot - 1.6), (tip, foot - 3)],
                         [(tip + 0.9, foot - 1.6), (tip, foot - 3)]], 0.9, INK)  # fmt: skip
        x = tip + 5
        here = [(kind, words(f"legend.{kind}")) for kind in dict.fromkeys(self.kinds)]
        for kind, said in [*entries, *here]:
            wide = 6.2 + width(said, LEGEND_SIZE)
            if x + wide > left + w and x > left:
                x, foot = left, foot + 4
            self._swatch(kind, x, foot)
            self.page.text(x + 6.2, foot, said, LEGEND_SIZE, colour=QUIET)
            x += wide + 3.5
        return foot + 1.5

    def _swatch(self, kind: str, x: float, foot: float) -> None:
        look = FIELD_LOOKS.get(kind) or LOOKS.get(kind)
        if kind == "mark":
            self.page.box(x + 1, foot - 2.6, 2.9, 2.9, fill=INK)
        elif kind == "home":
            self.page.box(x + 1.7, foot - 1.9, 1.6, 1.6, fill="#ffffff", edge=INK, thick=0.9)
        elif kind == "way":
            self.page.lines([[(x, foot - 1), (x + 5, foot - 1)]], 1.1, INK)
        elif kind == "estimated":
            self.page.box(x, foot - 2.4, 5, 2.7, fill="#ffffff", edge=INK, thick=0.6).set_linestyle((0, (2, 1.2)))
        elif (look is not None and look.fill == "none") or kind in ("road", "barrier", "background"):
            assert look is not None
            line = LineCollection(
                [[(x, foot - 1), (x + 5, foot - 1)]], colors=look.edge, linewidths=look.thick * self.page.scale,
                linestyles=[(0, look.dash)] if look.dash else "solid",
            )  # fmt: skip
            self.page.axes.add_collection(line, autolim=False)
        elif look is not None:
            self.page.box(x, foot - 2.4, 5, 2.7, fill=look.fill, edge=look.edge, thick=look.thick, hatch=look.hatch)

    def _inside(self, box: Box) -> bool:
        left, top, w, h = self.box
        return box[0] >= left and box[1] >= top and box[0] + box[2] <= left + w and box[1] + box[3] <= top + h

    def _areas(self, shapes: Geometries, look: Look, over: float, dash: tuple[float, ...] = ()) -> None:
        finer = shapely.simplify(shapes, FINE_MM / self.mm_a_m)
        rings = shapely.get_rings(shapely.get_parts(shapely.orient_polygons(finer)))
        if not len(rings):
            return
        xy, ring = shapely.get_coordinates(rings, return_index=True)
        codes = np.full(len(xy), Outline.LINETO, dtype=np.uint8)
        starts = np.flatnonzero(np.diff(ring, prepend=-1))
        codes[starts] = Outline.MOVETO
        codes[np.append(starts[1:], len(xy)) - 1] = Outline.CLOSEPOLY
        patch = PathPatch(
            Outline(self.on_page(xy), codes), facecolor=look.fill, edgecolor=look.edge, hatch=look.hatch or None,
            linewidth=look.thick * self.page.scale, linestyle=(0, dash) if dash else "solid", zorder=over,
        )  # fmt: skip
        self.page.axes.add_artist(patch)
        patch.set_clip_path(self.clip)

    def _lines(self, shapes: Geometries, thick: float, colour: str, dash: tuple[float, ...], over: float) -> None:
        west, south, east, north = self.ground.bounds
        finer = shapely.simplify(shapely.clip_by_rect(shapes, west, south, east, north), FINE_MM / self.mm_a_m)
        parts = shapely.get_parts(finer)
        parts = parts[~shapely.is_empty(parts)]
        pieces = [self.on_page(shapely.get_coordinates(p)) for p in parts if shapely.get_dimensions(p) == LINE]
        line = LineCollection(
            pieces, colors=colour, linewidths=thick * self.page.scale, zorder=over,
            linestyles=[(0, dash)] if dash else "solid",
        )  # fmt: skip
        self.page.axes.add_collection(line, autolim=False)
        line.set_clip_path(self.clip)


def _meet(a: Box, b: Box) -> bool:
    return a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3]


def _round_length(most: float) -> float:
    """The longest of 1, 2, 5, 10 … [m] that is not longer than `most`."""
    power = 10.0 ** np.floor(np.log10(max(most, 1.0)))
    return float(max(step * power for step in (1, 2, 5) if step * power <= max(most, 1.0)))
