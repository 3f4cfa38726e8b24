"""Areas, distances and middles on the ellipsoid, and the mending of rings.

All coordinates are longitude, latitude [degrees, WGS 84], in this order. Areas and distances are geodesic
(Karney 2013, doi 10.1007/s00190-012-0578-z, through PROJ): no projection has to be chosen and none can be wrong.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Geod
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Geometries = npt.NDArray[np.object_]

GEOD = Geod(ellps="WGS84")
M2_A_HA = 10_000.0
EARTH_RADIUS_M = 6_371_008.8
"""Mean radius of the ellipsoid, (2a + b) / 3 [m]; only for choosing the nearest, never for a reported distance."""
_DISC_CORNERS = 24


def areas_ha(polygons: Geometries) -> Floats:
    """Geodesic area [ha] of each polygon or multipolygon, holes taken off; 0 for anything that is not an area.

    The direction in which a ring is drawn does not matter. Shape (n,).
    """
    polygons = np.asarray(polygons, dtype=object)
    parts, part_of = shapely.get_parts(polygons, return_index=True)
    is_polygon = shapely.get_type_id(parts) == 3
    parts, part_of = parts[is_polygon], part_of[is_polygon]
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    total = np.zeros(len(polygons))
    if len(rings) == 0:
        return total
    first = np.ones(len(rings), dtype=bool)
    first[1:] = ring_part[1:] != ring_part[:-1]
    ring_m2 = ring_areas_m2(rings)
    np.add.at(total, part_of[ring_part], np.where(first, ring_m2, -ring_m2))
    return np.maximum(total, 0.0) / M2_A_HA


def ring_areas_m2(rings: Geometries) -> Floats:
    """Geodesic area [m2] inside each closed ring, never negative, the smaller side of the ring. Shape (n,)."""
    xy = shapely.get_coordinates(rings)
    ends = np.cumsum(shapely.get_num_coordinates(rings))
    starts = np.concatenate([[0], ends[:-1]]).astype(np.int64)
    lon, lat = np.ascontiguousarray(xy[:, 0]), np.ascontiguousarray(xy[:, 1])
    measure = GEOD.polygon_area_perimeter
    return np.abs(
        np.array([measure(lon[a:b], lat[a:b])[0] for a, b in zip(starts, ends, strict=True)], dtype=np.float64)
    )


def perimeters_m(geometries: Geometries) -> Floats:
    """Length [m] of all rings of each shape, by geodesics between corners; 0 where there is none. Shape (n,)."""
    xy, owner = shapely.get_coordinates(shapely.boundary(geometries), return_index=True)
    total = np.zeros(len(geometries))
    if len(xy) < 2:
        return total
    length = np.asarray(GEOD.inv(xy[:-1, 0], xy[:-1, 1], xy[1:, 0], xy[1:, 1])[2], dtype=np.float64)
    parts = shapely.get_parts(shapely.boundary(geometries))
    ring = np.repeat(np.arange(len(parts)), shapely.get_num_coordinates(parts))
    inner = ring[1:] == ring[:-1]
    np.add.at(total, owner[1:][inner], length[inner])
    return total


def distances_m(lon: Floats, lat: Floats, lon_to: Floats, lat_to: Floats) -> Floats:
    """Geodesic distance [m] between points taken pairwise. Shape (n,)."""
    if len(lon) == 0:
        return np.zeros(0)
    return np.asarray(GEOD.inv(lon, lat, lon_to, lat_to)[2], dtype=np.float64)


def unit_vectors(lon: Floats, lat: Floats) -> Floats:
    """Points as directions from the middle of a ball, shape (n, 3): nearness works across the date line and poles."""
    lam, phi = np.radians(lon), np.radians(lat)
    return np.column_stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)])


def nearest(lon: Floats, lat: Floats, lon_to: Floats, lat_to: Floats) -> npt.NDArray[np.int64]:
    """For each point the position of the nearest of the others. Shape (n,). The others must not be empty."""
    tree = cKDTree(unit_vectors(lon_to, lat_to))
    return np.asarray(tree.query(unit_vectors(lon, lat))[1], dtype=np.int64)


def middles(lon: Floats, lat: Floats, group: npt.NDArray[np.int64], count: int, weight: Floats) -> Floats:
    """Weighted middle of each group of points as longitude, latitude. Shape (count, 2); NaN for an empty group."""
    vectors = unit_vectors(lon, lat) * weight[:, None]
    total = np.zeros((count, 3))
    np.add.at(total, group, vectors)
    length = np.linalg.norm(total, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        total = np.where(length[:, None] > 0, total / length[:, None], np.nan)
    return np.column_stack([np.degrees(np.arctan2(total[:, 1], total[:, 0])), np.degrees(np.arcsin(total[:, 2]))])


def discs(lon: Floats, lat: Floats, area_ha: Floats) -> Geometries:
    """A regular polygon of the given geodesic area [ha] round each point: stands in for a field without a shape."""
    angle = np.linspace(0.0, 360.0, _DISC_CORNERS, endpoint=False)
    # A regular polygon with n corners at distance r covers n/2 r^2 sin(2 pi / n).
    radius = np.sqrt(area_ha * M2_A_HA / (_DISC_CORNERS / 2 * np.sin(2 * np.pi / _DISC_CORNERS)))
    n = len(lon)
    corner_lon, corner_lat, _ = GEOD.fwd(
        np.repeat(lon, _DISC_CORNERS),
        np.repeat(lat, _DISC_CORNERS),
        np.tile(-angle, n),
        np.repeat(radius, _DISC_CORNERS),
    )
    corners = np.column_stack([corner_lon, corner_lat]).reshape(n, _DISC_CORNERS, 2)
    return np.asarray(shapely.polygons(corners), dtype=object)


def polygons_only(geometries: Geometries) -> Geometries:
    """The polygon parts of each geometry, joined into one Polygon or MultiPolygon; None where there are none."""
    geometries = np.asarray(geometries, dtype=object)
    result: Geometries = np.full(len(geometries), None, dtype=object)
    kinds = shapely.get_type_id(geometries)
    plain = (kinds == 3) | (kinds == 6)
    result[plain] = geometries[plain]
    mixed = np.flatnonzero(kinds == 7)
    if len(mixed):
        parts, owner = shapely.get_parts(geometries[mixed], return_index=True)
        inner, inner_of = shapely.get_parts(parts, return_index=True)
        owner = owner[inner_of]
        keep = (shapely.get_type_id(inner) == 3) & ~shapely.is_empty(inner)
        if keep.any():
            joined = np.full(len(mixed), None, dtype=object)
            shapely.multipolygons(inner[keep], indices=owner[keep], out=joined)
            result[mixed] = [
                None if g is None else (shapely.get_geometry(g, 0) if shapely.get_num_geometries(g) == 1 else g)
                for g in joined
            ]
    result[shapely.is_empty(result)] = None
    return result


_NEXT_TO_NOTHING = 1e-11
"""Corners closer than this are one corner, in the units of the coordinates: a micrometre, counted in degrees."""


def mend_rings(geometries: Geometries) -> Geometries:
    """Valid areas from rings that cross or touch themselves: what any loop of the ring encloses is kept.

    A boundary walked twice counts once. None where nothing that has an area is left.
    """
    mended = polygons_only(shapely.make_valid(geometries, method="structure", keep_collapsed=False))
    # Loops that share a side can come back as parts that share it: they are one area. Corners that are next to nothing
    # apart are put together first.
    for i in np.flatnonzero(~shapely.is_missing(mended) & ~shapely.is_valid(mended)):
        apart = shapely.set_precision(geometries[i], _NEXT_TO_NOTHING, mode="pointwise")
        mended[i] = shapely.union_all(
            shapely.get_parts(shapely.make_valid(apart, method="structure", keep_collapsed=False))
        )
    return polygons_only(mended)
