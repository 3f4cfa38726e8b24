"""A line layer as it comes: its coordinate system, its lines, and what its columns say about the ways.

What cannot be right is refused with its remedy; what is odd is told and the safest meaning taken.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from functools import cache
from importlib.resources import files

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from sourcing.errors import Finding, InputError
from sourcing.intake.osm import is_osm, osm_barriers
from sourcing.intake.survey import RawLayer
from sourcing.network.noding import Floats, Geometries, Ints
from sourcing.weeks import Calendar, month_day

ANY, PATH, TRACK = 0, 1, 2
"""How wide a way is: steps and the like, single file, cart width."""
CLOSED_TO_ALL = -1
LONLAT = CRS("EPSG:4326")
_ROWS_NAMED = 12
_DEGREES = (180.0, 90.0)
_NEARBY_DEGREES = 0.5
_CORNERS_A_RUN = 32


# ------------------------------------------------------------------------------------------------- places and systems


def local_crs(frame: gpd.GeoDataFrame) -> CRS:
    """A transverse Mercator of scale 1 centred on what the frame covers: metres, true to 1 in 10,000 within 90 km."""
    west, south, east, north = frame.to_crs(LONLAT).total_bounds
    if not np.isfinite([west, south, east, north]).all():
        west = south = east = north = 0.0
    lon, lat = round((west + east) / 2, 3), round((south + north) / 2, 3)
    return CRS.from_proj4(f"+proj=tmerc +lat_0={lat} +lon_0={lon} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs")


def to_local(layer: RawLayer, crs: CRS) -> Geometries:
    """Geometries of a layer in a local system, flat, as they stand in the file. Raises InputError without a CRS."""
    refuse_wrong_crs(layer)
    return np.asarray(shapely.force_2d(layer.frame.geometry.to_crs(crs).to_numpy()), dtype=object)


def local_lines(layer: RawLayer | None, crs: CRS) -> Geometries:
    """The simple parts of a layer of barriers in a local system; none when there is no layer."""
    if layer is None or layer.frame.empty:
        return np.zeros(0, dtype=object)
    only = replace(layer, frame=osm_barriers(layer.frame))
    parts = shapely.get_parts(shapely.get_parts(to_local(only, crs)))
    parts = parts[shapely.get_dimensions(parts) >= 1]
    return np.concatenate([_in_short_runs(parts[shapely.get_dimensions(parts) == 1]),
                           parts[shapely.get_dimensions(parts) == 2]])  # fmt: skip


def _in_short_runs(lines: Geometries) -> Geometries:
    """Long lines as runs of a few corners, each sharing a stretch with the next, so that every corner lies inside one.

    A river of ten thousand corners would else be looked at whole for every field beside it.
    """
    long = shapely.get_num_coordinates(lines) > 2 * _CORNERS_A_RUN
    runs = []
    for line in lines[long]:
        xy = shapely.get_coordinates(line)
        starts = range(0, len(xy) - 2, _CORNERS_A_RUN)
        runs += [shapely.LineString(xy[a : a + _CORNERS_A_RUN + 2]) for a in starts]
        if line.is_ring:
            runs.append(shapely.LineString(np.concatenate([xy[-2:], xy[1:2]])))
    return np.concatenate([lines[~long], np.array(runs, dtype=object)])


def lonlat(xy: Floats, crs: CRS) -> Floats:
    """Longitude and latitude (n, 2) of points (n, 2) in a local system."""
    to = Transformer.from_crs(crs, LONLAT, always_xy=True)
    return np.column_stack(to.transform(xy[:, 0], xy[:, 1])) if len(xy) else np.zeros((0, 2))


def refuse_wrong_crs(layer: RawLayer) -> None:
    """Raises InputError when the layer has no system, or one in degrees that its numbers cannot be in."""
    frame = layer.frame
    if frame.crs is None:
        raise InputError([fault(
            layer, "no_crs", "the file does not say its coordinate reference system", "a known system",
            "set crs for this layer, such as 'EPSG:4326' for longitude and latitude",
        )])  # fmt: skip
    bounds = frame.total_bounds
    if not np.isfinite(bounds).all():
        return
    if frame.crs.is_geographic and not _like_degrees(bounds):
        raise InputError([fault(
            layer, "metres_called_degrees",
            f"coordinates reach {np.abs(bounds).max():.0f}, but the system {_crs_name(frame.crs)} is in degrees",
            "coordinates within 180 and 90 degrees", "set the system in which the file was really made (crs)",
        )])  # fmt: skip


def refuse_degrees_called_metres(layer: RawLayer, near: gpd.GeoDataFrame) -> None:
    """Raises InputError when the layer's numbers look like degrees and, taken as metres, lie away from `near`."""
    frame = layer.frame
    bounds = frame.total_bounds
    if near.empty or frame.crs is None or not frame.crs.is_projected or not np.isfinite(bounds).all():
        return
    if not _like_degrees(bounds):
        return
    place = gpd.GeoSeries([shapely.box(*bounds)], crs=frame.crs).to_crs(LONLAT).iloc[0]
    if place.distance(shapely.box(*near.to_crs(LONLAT).total_bounds)) < _NEARBY_DEGREES:
        return
    raise InputError([fault(
        layer, "degrees_called_metres",
        f"all coordinates lie within 180 and 90, as degrees do, but the system {_crs_name(frame.crs)} is in metres",
        "coordinates in metres or feet", "set crs = 'EPSG:4326' if the file holds longitude and latitude",
    )])  # fmt: skip


def _like_degrees(bounds: Floats) -> bool:
    return bool(np.abs(bounds[[0, 2]]).max() <= _DEGREES[0] and np.abs(bounds[[1, 3]]).max() <= _DEGREES[1])


def refuse_elsewhere(layer: RawLayer, lines: Geometries, near: gpd.GeoDataFrame, crs: CRS, off_path_m: float) -> None:
    """Raises InputError when no line comes within `off_path_m` of the ground that `near` covers."""
    if near.empty:
        return
    box = shapely.box(*near.to_crs(crs).total_bounds)
    away = float(shapely.distance(box, lines).min())
    if away > off_path_m:
        raise InputError([fault(
            layer, "elsewhere", f"the nearest path lies {away / 1000:.1f} km from the ground of the fields",
            f"paths among the fields, or within {off_path_m:g} m of them (carrying.off_path_m)",
            "check the system (crs) of the paths and of the fields, or leave the layer out to use straight lines",
        )])  # fmt: skip


def _crs_name(crs: CRS) -> str:
    authority = crs.to_authority()
    return ":".join(authority) if authority else str(crs.name)


# ------------------------------------------------------------------------------------------------- reading the lines


def usable_lines(
    layer: RawLayer, crs: CRS
) -> tuple[Geometries, Ints, list[Finding], list[tuple[str, int, float, float, float]]]:
    """Plain lines with a length, the position of the row each comes from, findings and what was left out."""
    shapes = to_local(layer, crs)
    rows = layer.frame["row"].to_numpy(dtype=np.int64) if "row" in layer.frame else np.arange(1, len(shapes) + 1)
    position = np.arange(len(shapes))
    areas = np.isin(shapely.get_type_id(shapes), (3, 6))
    if areas.any():
        shapes = shapes.copy()
        shapes[areas] = shapely.boundary(shapes[areas])
    parts, of = shapely.get_parts(shapes, return_index=True)
    parts, inner = shapely.get_parts(parts, return_index=True)
    of = of[inner]
    is_line = np.isin(shapely.get_type_id(parts), (1, 2))
    finite = np.isfinite(shapely.length(parts))
    good = is_line & finite & (shapely.length(parts) > 0)
    told: list[tuple[str, int, float, float, float]] = []
    bad_rows = sorted({int(rows[k]) for k in set(position.tolist()) - set(of[good].tolist())})
    findings = []
    if bad_rows:
        findings.append(fault(
            layer, "no_line", f"{some_rows(bad_rows)}: nothing there, one point only, or no length",
            "lines of two or more different points", "delete the rows or draw them again", "set_aside",
            bad_rows[0] if len(bad_rows) == 1 else None,
        ))  # fmt: skip
        told += [("no_line", row, np.nan, np.nan, 0.0) for row in bad_rows]
    lines = parts[good]
    xy, at = shapely.get_coordinates(lines, return_index=True)
    lines = shapely.remove_repeated_points(shapely.linestrings(xy, indices=at))
    if not len(lines):
        raise InputError([*findings, no_lines(layer)])
    return lines, of[good].astype(np.int64), findings, told


def no_lines(layer: RawLayer) -> Finding:
    """The finding for a layer without a line."""
    return fault(
        layer, "no_paths", f"there is no line that can be used among {len(layer.frame)} rows", "lines of paths",
        "set layer = 'lines' for this file" if is_osm(layer.frame) else
        "give a layer of lines, or leave layers.paths out to use straight lines",
    )  # fmt: skip


def column(layer: RawLayer, name: str) -> npt.NDArray[np.str_]:
    """A column as text, '' where the layer has no such column or cell."""
    frame = layer.frame
    if name not in frame:
        return np.full(len(frame), "", dtype=np.str_)
    cells = frame[name]
    return np.array(["" if pd.isna(c) else _plain(c) for c in cells], dtype=np.str_)


def _plain(cell: object) -> str:
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)
    return str(cell).strip()


@cache
def way_widths() -> dict[str, int]:
    """Width of each known kind of way: -1 not for use, 0 steps, 1 single file, 2 cart width."""
    text = (files("sourcing") / "data" / "ways.csv").read_text(encoding="utf-8")
    return {cells[0]: int(cells[1]) for cells in (line.split(",") for line in text.splitlines()[1:])}


def widths(words: npt.NDArray[np.str_], layer: RawLayer, findings: list[Finding]) -> Ints:
    """Width of each line (n,) from its kind of way; what is odd is added to `findings`."""
    known = way_widths()
    lower = np.char.lower(words)
    if not (words != "").any():
        findings.append(fault(
            layer, "ways_untold", "the layer does not say what kind of way each line is", "a column 'way'",
            "map one if carts cannot use every path; until then every way of carrying may use every line", "look",
        ))  # fmt: skip
        return np.full(len(words), TRACK, dtype=np.int64)
    distinct, which = np.unique(lower, return_inverse=True)
    strange = [w for w in distinct.tolist() if w and w not in known]
    if strange:
        findings.append(fault(
            layer, "unknown_way", "kinds of way not known: " + ", ".join(strange[:_ROWS_NAMED]),
            "words such as path, track, road, steps", "they count as single file: no carts", "look",
        ))  # fmt: skip
    blank = int((lower == "").sum())
    if blank:
        findings.append(fault(
            layer, "ways_untold", f"{blank} lines have no kind of way", "a kind for every line",
            "they count as single file: no carts", "look",
        ))  # fmt: skip
    return np.array([known.get(w, PATH) for w in distinct.tolist()], dtype=np.int64)[which]


def levels(words: npt.NDArray[np.str_], rows: Ints, layer: RawLayer, findings: list[Finding]) -> Ints:
    """Level of each line (n,), 0 where none is given."""
    level = pd.to_numeric(pd.Series(words).replace("", "0"), errors="coerce").to_numpy(dtype=float)
    bad = ~np.isfinite(level)
    if bad.any():
        findings.append(fault(
            layer, "bad_level", f"{some_rows(rows[bad].tolist())}: level is not a number", "a whole number",
            "taken as 0", "mended",
        ))  # fmt: skip
    return np.where(bad, 0, np.nan_to_num(level)).astype(np.int64)


def directions(words: npt.NDArray[np.str_], rows: Ints, layer: RawLayer, findings: list[Finding]) -> Ints:
    """1 for lines that wheels may use only as drawn, -1 only against it, 0 both ways (n,)."""
    known = {"": 0, "no": 0, "0": 0, "false": 0, "yes": 1, "1": 1, "true": 1, "-1": -1, "reverse": -1}
    lower = np.char.lower(words).tolist()
    bad = [r for r, w in zip(rows.tolist(), lower, strict=True) if w not in known]
    if bad:
        findings.append(fault(
            layer, "bad_one_way", f"{some_rows(bad)}: one_way is none of yes, no, -1", "yes, no or -1",
            "taken as open both ways", "mended",
        ))  # fmt: skip
    return np.array([known.get(w, 0) for w in lower], dtype=np.int64)


# ------------------------------------------------------------------------------------------------- closed seasons


def closures(words: npt.NDArray[np.str_], rows: Ints, layer: RawLayer) -> tuple[tuple[str, ...], Ints]:
    """The distinct closed seasons, the first of them empty, and which each line (n,) has. Raises InputError."""
    distinct, which = np.unique(np.concatenate([[""], words]), return_inverse=True)
    bad = []
    for text in distinct.tolist():
        try:
            closed_ranges(text)
        except ValueError:
            bad.append(text)
    if bad:
        at = rows[np.isin(words, bad)].tolist()
        raise InputError([fault(
            layer, "bad_closed", f"{some_rows(at)}: closed is '{bad[0]}'", "days such as 06-15..09-30",
            "write the first and last closed day of the year as MM-DD..MM-DD, several joined by ';'",
            row=at[0],
        )])  # fmt: skip
    return tuple(distinct.tolist()), which[1:].astype(np.int64)


def closed_ranges(text: str) -> tuple[tuple[tuple[int, int], tuple[int, int]], ...]:
    """First and last closed (month, day) of each range in '06-15..09-30; 12-24..01-02'. Raises ValueError."""
    found = []
    for piece in (p.strip() for p in text.split(";")):
        if not piece:
            continue
        days = re.split(r"\s*(?:\.\.|/)\s*", piece)
        if len(days) != 2:
            raise ValueError(f"'{piece}' is not a range of days written as MM-DD..MM-DD")
        found.append((month_day(days[0]), month_day(days[1])))
    return tuple(found)


def closed_weeks(text: str, calendar: Calendar) -> npt.NDArray[np.bool_]:
    """The weeks of a calendar with at least one closed day (weeks,); ranges may run over the year end."""
    closed = np.zeros(calendar.count, dtype=np.bool_)
    first, last = calendar.first_monday.year - 1, calendar.monday(calendar.count).year + 1
    for (m1, d1), (m2, d2) in closed_ranges(text):
        for year in range(first, last + 1):
            begin = date(year, m1, d1)
            end = date(year if (m2, d2) >= (m1, d1) else year + 1, m2, d2)
            closed[max(calendar.index(begin), 0) : max(calendar.index(end) + 1, 0)] = True
    return closed


def some_rows(rows: list[int]) -> str:
    """Rows of a file in words, the first dozen named."""
    distinct = sorted(set(rows))
    more = f" and {len(distinct) - _ROWS_NAMED} more" if len(distinct) > _ROWS_NAMED else ""
    return f"row{'s' if len(distinct) > 1 else ''} {', '.join(map(str, distinct[:_ROWS_NAMED]))}{more}"


def fault(
    layer: RawLayer, what: str, found: str, expected: str, remedy: str, grade: str = "refused", row: int | None = None
) -> Finding:
    """A finding about a layer."""
    return Finding(grade, layer.file, row, what, found, expected, remedy)  # type: ignore[arg-type]
