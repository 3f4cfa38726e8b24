"""Heights from an elevation raster, and what they make of walking: level metres each way along a line.

Heights are averaged over a distance first (rasters are rough, and roughness would count as climbing), then read every
few steps along each line between the neighbouring cells' middles.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
import shapely
from pyproj import CRS, Transformer
from rasterio.windows import Window
from scipy.ndimage import gaussian_filter, map_coordinates

from sourcing.errors import Finding, InputError
from sourcing.network.noding import Floats, Geometries, Ints
from sourcing.network.walking import Walking, level_metres
from sourcing.values import Values

METRES_OF = {"": 1.0, "m": 1.0, "metre": 1.0, "meter": 1.0, "metres": 1.0, "meters": 1.0, "ft": 0.3048, "feet": 0.3048,
             "foot": 0.3048, "us-ft": 1200 / 3937}  # fmt: skip
STEEP = 1.0
"""Rise over run above which ground is hardly walked (45 degrees)."""
_STEEP_SHARE = 0.02
_MARGIN_CELLS = 8


@dataclass(frozen=True)
class Relief:
    """Heights on a grid in some system: `height_m` (rows, columns), NaN where there is none."""

    height_m: Floats
    to_cell: tuple[float, float, float, float, float, float]
    """Column = a x + b y + c, row = d x + e y + f, counted from cell corners."""
    crs: CRS
    file: str

    def at(self, xy: Floats, crs: CRS) -> Floats:
        """Height [m] of points (n, 2) given in `crs`, between the four nearest cell middles; NaN off the grid."""
        x, y = Transformer.from_crs(crs, self.crs, always_xy=True).transform(xy[:, 0], xy[:, 1])
        a, b, c, d, e, f = self.to_cell
        cells = np.array([d * x + e * y + f - 0.5, a * x + b * y + c - 0.5])
        inside = np.isfinite(cells).all(axis=0)
        for axis in (0, 1):
            inside &= (cells[axis] >= -0.5) & (cells[axis] <= self.height_m.shape[axis] - 0.5)
        cells[:, ~inside] = 0.0
        found = map_coordinates(self.height_m, cells, order=1, mode="nearest")
        return np.where(inside, found, np.nan)

    def cell_m(self, at: Floats, crs: CRS) -> tuple[float, float]:
        """Size of a cell [m] down and across near a point (2,) of the metric system `crs`."""
        back = Transformer.from_crs(crs, self.crs, always_xy=True)
        sizes = []
        steps = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]) + at
        x, y = back.transform(steps[:, 0], steps[:, 1])
        a, b, c, d, e, f = self.to_cell
        rows, columns = d * x + e * y + f, a * x + b * y + c
        for cells in (rows, columns):
            a_metre = np.hypot(cells[1] - cells[0], cells[2] - cells[0])
            sizes.append(float(1 / a_metre))
        return sizes[0], sizes[1]


def read_relief(path: Path, around: Geometries, crs: CRS) -> Relief:
    """The part of an elevation raster (any GDAL raster, first band) around some geometries in `crs`, in metres.

    Raises InputError when the file is no raster, has no coordinate system, or covers none of that ground.
    """
    try:
        with rasterio.open(path) as source:
            if source.crs is None:
                raise InputError([_fault(
                    path, "no_crs", "the raster does not say its coordinate reference system", "a known system",
                    "assign one, for instance with gdal_edit",
                )])  # fmt: skip
            system = CRS.from_wkt(source.crs.to_wkt())
            box = shapely.total_bounds(around)
            to = Transformer.from_crs(crs, system, always_xy=True)
            west, south, east, north = to.transform_bounds(*box)
            a, b, c, d, e, f = tuple(~source.transform)[:6]
            x, y = np.array([west, west, east, east]), np.array([south, north, south, north])
            columns, rows = a * x + b * y + c, d * x + e * y + f
            left, right = (int(v) for v in np.clip(_span(columns), 0, source.width))
            top, bottom = (int(v) for v in np.clip(_span(rows), 0, source.height))
            if left >= right or top >= bottom:
                raise InputError([_uncovered(path)])
            grown = Window(left, top, right - left, bottom - top)
            band = source.read(1, window=grown, masked=True).astype(np.float64)
            unit = (source.units[0] or "").strip().lower()
            height = band.filled(np.nan) * METRES_OF.get(unit, 1.0)
    except rasterio.errors.RasterioIOError as exc:
        raise InputError([_fault(
            path, "no_raster", f"it cannot be read as a raster ({exc})", "any raster that GDAL reads", "check the file",
        )]) from exc  # fmt: skip
    if not np.isfinite(height).any():
        raise InputError([_uncovered(path)])
    return Relief(height, (a, b, c - left, d, e, f - top), system, path.name)


def _span(cells: Floats) -> tuple[float, float]:
    """First and one after the last cell, with a margin for what lies between cell middles and for smoothing."""
    return float(np.floor(cells.min())) - _MARGIN_CELLS, float(np.ceil(cells.max())) + _MARGIN_CELLS


def smoothed(relief: Relief, over_m: float, at: Floats, crs: CRS) -> Relief:
    """The relief averaged over about `over_m` [m] (a bell of that full width at half height); missing cells stay so.

    `at` (2,) in the metric system `crs` says where cell sizes are taken.
    """
    if over_m <= 0:
        return relief
    down, across = relief.cell_m(at, crs)
    spread = over_m / (2 * np.sqrt(2 * np.log(2)))
    known = np.isfinite(relief.height_m)
    sigma = (spread / down, spread / across)
    base = float(np.nanmean(relief.height_m))
    total = gaussian_filter(np.where(known, relief.height_m - base, 0.0), sigma, mode="nearest")
    weight = gaussian_filter(known.astype(np.float64), sigma, mode="nearest")
    with np.errstate(invalid="ignore", divide="ignore"):
        height = np.where(known, total / weight + base, np.nan)
    return Relief(height, relief.to_cell, relief.crs, relief.file)


def steps_along(lines: Geometries, step_m: float) -> tuple[Floats, Ints]:
    """Points along each line, its ends among them, at most `step_m` apart and evenly spread: (xy, line of each)."""
    pieces = np.maximum(np.ceil(shapely.length(lines) / step_m).astype(np.int64), 1)
    count = pieces + 1
    of = np.repeat(np.arange(len(lines)), count)
    nth = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count)
    at = shapely.line_interpolate_point(lines[of], nth / pieces[of], normalized=True)
    return shapely.get_coordinates(at), of


def climb(
    lines: Geometries, length_m: Floats, relief: Relief, crs: CRS, step_m: float, walking: Walking, values: Values
) -> tuple[Floats, Floats, Floats]:
    """Level metres there and back along each line (n,) [m], and the share of each that has no height (n,).

    Stretches without a height count as level.
    """
    xy, of = steps_along(lines, step_m)
    height = relief.at(xy, crs)
    same = of[1:] == of[:-1]
    line = of[1:][same]
    pieces = np.bincount(line, minlength=len(lines))
    run = length_m[line] / pieces[line]
    slope = (height[1:] - height[:-1])[same] / run
    known = np.isfinite(slope)
    slope = np.where(known, slope, 0.0)
    there = level_metres(run, slope, walking, values)
    back = level_metres(run, -slope, walking, values)
    level = level_metres(run, np.zeros(len(run)), walking, values)
    there, back = np.where(known, there, level), np.where(known, back, level)

    def total(of_piece: Floats) -> Floats:
        return np.bincount(line, weights=of_piece, minlength=len(lines)).astype(np.float64)

    return total(there), total(back), total(~known / pieces[line])


def relief_findings(
    relief: Relief, lines: Geometries, length_m: Floats, missing: Floats, crs: CRS, step_m: float
) -> list[Finding]:
    """What is odd about the heights along the lines: ground without height, ground too steep to walk."""
    path = Path(relief.file)
    found = []
    bare = float((missing * length_m).sum())
    if bare > 0:
        found.append(_fault(
            path, "not_covered",
            f"{bare / length_m.sum():.1%} of the paths ({bare / 1000:.1f} km) have no height; they count as level",
            "a raster that covers all paths", "get the neighbouring sheet, or accept level ground there", "look",
        ))  # fmt: skip
    xy, of = steps_along(lines, step_m)
    height = relief.at(xy, crs)
    same = of[1:] == of[:-1]
    run = np.hypot(*(xy[1:] - xy[:-1])[same].T)
    rise = np.abs(height[1:] - height[:-1])[same]
    steep = float((rise > STEEP * np.maximum(run, 1.0)).mean()) if len(run) else 0.0
    if steep > _STEEP_SHARE:
        found.append(_fault(
            path, "too_steep", f"{steep:.0%} of the paths rise more than 45 degrees", "heights in metres",
            "check the unit of the heights and the system of the raster", "look",
        ))  # fmt: skip
    return found


def slopes_at(relief: Relief, xy: Floats, crs: CRS) -> Floats:
    """Steepness of the ground [rise/run] at points (n, 2) of the metric system `crs`, from cells on either side."""
    if not len(xy):
        return np.zeros(0)
    step = max(relief.cell_m(xy.mean(axis=0), crs))
    sides = (np.array([step, 0.0]), np.array([0.0, step]))
    rise = [(relief.at(xy + side, crs) - relief.at(xy - side, crs)) / (2 * step) for side in sides]
    return np.asarray(np.hypot(*rise))


def _uncovered(path: Path) -> Finding:
    return _fault(
        path, "not_covered", "the raster covers none of the ground of the paths", "a raster of this ground",
        "get the right sheet, check its coordinate system, or leave layers.elevation out",
    )  # fmt: skip


def _fault(path: Path, what: str, found: str, expected: str, remedy: str, grade: str = "refused") -> Finding:
    return Finding(grade, path.name, None, what, found, expected, remedy)  # type: ignore[arg-type]
