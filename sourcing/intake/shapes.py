"""Shapes of a survey as areas on the ellipsoid: walks closed, crossed rings mended, impossible ones set aside."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from sourcing import geodesy
from sourcing.geodesy import Floats, Geometries
from sourcing.intake.crosschecks import unswap
from sourcing.intake.ledger import Ledger, Mask
from sourcing.intake.survey import RawLayer
from sourcing.values import Values

MOST_CORNERS = 100_000
"""Most corners of one field; more would take unbounded time to check and no field has them."""
MOST_CROSSINGS = 5_000
"""Most crossings of a boundary with itself that are mended; the time grows faster than their number."""
_FEW_SIDES = 100
_LINE, _RING, _POINT, _POLYGON, _MULTIPOINT, _MULTILINE, _MULTIPOLYGON, _MIXED = 1, 2, 0, 3, 4, 5, 6, 7


@dataclass(frozen=True)
class Shapes:
    """One shape a row in longitude and latitude, None where there is none; its geodesic area [ha]; where to place a
    row that has an area and no shape (`lon`, `lat`, NaN when nothing is known).
    """

    geometry: Geometries
    area_ha: Floats
    to_place: Mask
    lon: Floats
    lat: Floats


def clean_shapes(
    raw: RawLayer, stated_ha: Floats, values: Values, ledger: Ledger,
    village_lon: Floats | None = None, village_lat: Floats | None = None,
) -> Shapes:  # fmt: skip
    """Areas from the shapes of a layer. Rows without one, but with a stated area, are left to be placed.

    Village points, where there are any, say where the survey is.
    """
    frame = raw.frame
    shapes: Geometries = shapely.force_2d(frame.geometry.to_numpy().copy())
    has_stated = np.isfinite(stated_ha) & (stated_ha > 0)
    shapes = _drop_unusable(shapes, raw, ledger, has_stated)
    shapes = _to_degrees(shapes, raw, ledger)
    shapes = unswap(shapes, village_lon, village_lat, values, ledger)
    kinds = shapely.get_type_id(shapes)
    points = (kinds == _POINT) | (kinds == _MULTIPOINT)
    lon, lat = np.full(len(shapes), np.nan), np.full(len(shapes), np.nan)
    if points.any():
        middle = shapely.centroid(shapes[points])
        lon[points], lat[points] = shapely.get_x(middle), shapely.get_y(middle)
        ledger.mark(
            "set_aside", points & ~has_stated, "not_an_area", "its shape is a point and no area is stated",
            "an area, or a point with a stated area", "walk the boundary, or write the area",
        )  # fmt: skip
        shapes[points] = None
    lines = np.isin(kinds, (_LINE, _RING, _MULTILINE))
    if lines.any():
        shapes[lines] = _close_walks(shapes, lines, values, ledger)
    shapes = _mend(shapes, ledger)
    area = geodesy.areas_ha(shapes)
    shapes, area = _drop_by_size(shapes, area, values, ledger)
    to_place = np.asarray(shapely.is_missing(shapes) & has_stated & ledger.kept)
    return Shapes(shapes, area, to_place, lon, lat)


def _drop_unusable(shapes: Geometries, raw: RawLayer, ledger: Ledger, has_stated: Mask) -> Geometries:
    missing = np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    shapes[missing] = None
    unreadable = np.zeros(len(shapes), dtype=bool)
    if "geometry_text" in raw.frame.columns:
        text = raw.frame["geometry_text"].to_numpy(dtype=object)
        unreadable = missing & np.array([isinstance(t, str) and t != "" for t in text], dtype=bool)
        shown = np.array([f"its shape cannot be read: '{str(t)[:60]}'" for t in text], dtype=object)
        ledger.mark(
            "set_aside", unreadable, "unreadable_shape", shown, "WKT, or geoshape text (lat lon alt acc; …)",
            "export the column again",
        )  # fmt: skip
    ledger.mark(
        "set_aside", missing & ~unreadable & ~has_stated, "no_geometry", "it has no shape", "the field's boundary",
        "draw or walk the boundary, or write the area",
    )  # fmt: skip
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    broken = np.zeros(len(shapes), dtype=bool)
    broken[owner[~np.isfinite(xy).all(axis=1)]] = True
    ledger.mark(
        "set_aside", broken, "bad_coordinates", "a coordinate is not a number", "numbers", "draw the boundary again"
    )
    many = np.asarray(shapely.get_num_coordinates(shapes)) > MOST_CORNERS
    ledger.mark(
        "set_aside", many, "too_many_corners", f"its boundary has more than {MOST_CORNERS} corners",
        f"at most {MOST_CORNERS}", "simplify the boundary",
    )  # fmt: skip
    shapes[broken | many] = None
    return shapes


def _to_degrees(shapes: Geometries, raw: RawLayer, ledger: Ledger) -> Geometries:
    crs = raw.frame.crs
    if crs is None:
        return shapes
    if crs.to_epsg() != 4326:
        shapes = gpd.GeoSeries(shapes, crs=crs).to_crs("EPSG:4326").to_numpy().copy()
    xy, owner = shapely.get_coordinates(shapes, return_index=True)
    with np.errstate(invalid="ignore"):
        inside = (np.abs(xy[:, 0]) <= 180) & (np.abs(xy[:, 1]) <= 90)
    outside = np.zeros(len(shapes), dtype=bool)
    outside[owner[~inside]] = True
    original = raw.frame.geometry.to_numpy()
    shown = np.full(len(shapes), "", dtype=object)
    for i in np.flatnonzero(outside):
        x, y = shapely.get_coordinates(original[i])[0]
        shown[i] = f"it lies outside the world (its first corner is {x:.6g}, {y:.6g})"
    ledger.mark(
        "set_aside", outside, "outside_world", shown, "coordinates in the file's coordinate system",
        "check the coordinate system (crs under [layers]), and whether metres stand where degrees should",
    )  # fmt: skip
    shapes[outside] = None
    return shapes


def _close_walks(shapes: Geometries, lines: Mask, values: Values, ledger: Ledger) -> Geometries:
    """Areas from walked lines, in the order of `lines`: the ends are joined when they lie near enough."""
    most = values["survey.walk.closing_gap_share"]
    where = np.flatnonzero(lines)
    result: Geometries = np.full(len(where), None, dtype=object)
    closed = np.zeros(len(shapes), dtype=bool)
    short, far_open = closed.copy(), closed.copy()
    shown = np.full(len(shapes), "", dtype=object)
    for k, i in enumerate(where):
        xy = shapely.get_coordinates(shapes[i])
        xy = xy[np.concatenate([[True], (np.diff(xy, axis=0) != 0).any(axis=1)])]
        if len(np.unique(xy, axis=0)) < 3:
            short[i] = True
            continue
        walked = geodesy.GEOD.line_length(xy[:, 0], xy[:, 1])
        gap = geodesy.GEOD.line_length(xy[[0, -1], 0], xy[[0, -1], 1])
        shown[i] = f"a walked line of {walked:.0f} m whose ends are {gap:.1f} m apart"
        if gap > most * walked:
            far_open[i] = True
        else:
            closed[i] = True
            result[k] = shapely.Polygon(xy)
    ledger.mark(
        "mended", closed, "walk_closed", shown, "a closed boundary", "walk back to the start next time; check the area"
    )
    ledger.mark(
        "set_aside", far_open, "open_walk", shown, f"a gap of at most {most:.0%} of the way walked",
        "walk the whole boundary",
    )  # fmt: skip
    ledger.mark(
        "set_aside", short, "not_an_area", "its line has fewer than three corners", "a boundary", "walk the boundary"
    )
    return result


def _mend(shapes: Geometries, ledger: Ledger) -> Geometries:
    kinds = shapely.get_type_id(shapes)
    there = ~shapely.is_missing(shapes)
    areal = there & np.isin(kinds, (_POLYGON, _MULTIPOLYGON))
    crossed = np.zeros(len(shapes), dtype=bool)
    crossed[there] = ~shapely.is_valid(shapes[there])
    crossed_often = np.zeros(len(shapes), dtype=bool)
    crossed_often[crossed] = [_crossings(s) > MOST_CROSSINGS for s in shapes[crossed]]
    ledger.mark(
        "set_aside", crossed_often, "tangled", f"its boundary crosses itself some {MOST_CROSSINGS} times or more",
        "a boundary", "walk or draw the boundary again",
    )  # fmt: skip
    shapes[crossed_often] = None
    todo = np.flatnonzero((crossed | (there & ~areal)) & ~crossed_often)
    if len(todo) == 0:
        return shapes
    reasons = shapely.is_valid_reason(shapes[todo])
    before = geodesy.areas_ha(shapes[todo])
    mended = geodesy.mend_rings(shapes[todo])
    after = geodesy.areas_ha(mended)
    shown = np.full(len(shapes), "", dtype=object)
    for i, reason, a, b in zip(todo, reasons, before, after, strict=True):
        kind = str(reason).split("[")[0].strip()
        why = f"its boundary is not a simple ring ({kind})" if kind != "Valid Geometry" else "its shape is a mixture"
        shown[i] = f"{why}; area {a:.4f} ha as drawn, {b:.4f} ha as mended"
    shapes[todo] = mended
    good = np.zeros(len(shapes), dtype=bool)
    good[todo] = ~shapely.is_missing(mended)
    ledger.mark("mended", good, "invalid_ring", shown, "a ring that does not cross itself", "check the shape on a map")
    nothing = np.zeros(len(shapes), dtype=bool)
    nothing[todo] = shapely.is_missing(mended)
    ledger.mark(
        "set_aside", nothing, "nothing_left", "its shape encloses no area", "a boundary with an area",
        "walk the boundary again",
    )  # fmt: skip
    return shapes


def _crossings(shape: object) -> float:
    """About how often a boundary crosses itself, from evenly chosen sides; ends that meet do not count."""
    xy, ring = shapely.get_coordinates(shapely.get_rings(shape), return_index=True)
    sides = np.flatnonzero(ring[1:] == ring[:-1])
    if len(sides) < _FEW_SIDES:
        return 0.0
    lines = shapely.linestrings(np.stack([xy[sides], xy[sides + 1]], axis=1))
    chosen = lines[:: max(1, len(lines) // _FEW_SIDES)]
    one, _ = shapely.STRtree(lines).query(chosen, predicate="crosses")
    return len(one) / len(chosen) * len(lines) / 2


def _drop_by_size(shapes: Geometries, area: Floats, values: Values, ledger: Ledger) -> tuple[Geometries, Floats]:
    there = ~shapely.is_missing(shapes)
    shown: npt.NDArray[np.object_] = np.full(len(shapes), "", dtype=object)
    least = values["survey.field.least_m2"] / geodesy.M2_A_HA
    most, large = values["survey.field.most_ha"], values["survey.field.large_ha"]
    tiny, giant = there & (area < least), there & (area > most)
    big = there & (area > large) & ~giant
    for i in np.flatnonzero(tiny | giant | big):
        shown[i] = f"its area is {area[i]:.4g} ha"
    ledger.mark(
        "set_aside", tiny, "nothing_left", shown, f"at least {least * geodesy.M2_A_HA:g} m2", "walk the boundary again"
    )
    ledger.mark(
        "set_aside", giant, "giant_field", shown, f"at most {most:g} ha",
        "check the coordinate system and the corners; or set survey.field.most_ha under [values]",
    )  # fmt: skip
    ledger.mark("look", big, "large_field", shown, f"at most {large:g} ha", "check that it is one field")
    shapes[tiny | giant] = None
    return shapes, np.where(tiny | giant, 0.0, area)
