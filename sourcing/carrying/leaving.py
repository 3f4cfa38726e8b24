"""Where a load comes from: how far the residue lies from where the field is left, and the straight leg from there.

Residue lies all over a field, so a load is first carried to where the field is left; on average as far as the field's
points lie from there. A field is left by its nearest gate or, where it has none, where the way from its middle crosses
its edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from sourcing.errors import Finding
from sourcing.intake.fields import Fields
from sourcing.intake.survey import RawLayer
from sourcing.network.noding import TOUCH_M, Floats, Geometries
from sourcing.network.ways import fault, some_rows, to_local


@dataclass(frozen=True)
class Origins:
    """Where loads come from."""

    land: Geometries
    """What the residue lies on, evenly (F,): the field; or a point, where it lies in a heap."""
    exits: Geometries
    """Where it can be left (F,): the field with its edge, or its gates."""

    def __len__(self) -> int:
        return len(self.land)

    def __getitem__(self, at: npt.NDArray[Any]) -> Origins:
        return Origins(self.land[at], self.exits[at])


def origins(fields: Fields, gates: RawLayer | None, crs: CRS, within_m: float) -> tuple[Origins, list[Finding]]:
    """The fields (F,) in a local system, and where each can be left: its gates where it has any, else its whole edge.

    A gate belongs to the field it names in `field_id`, else to the nearest within `within_m` of it; a gate of no field
    is told.
    """
    shapes = np.asarray(fields.frame.geometry.to_crs(crs).to_numpy(), dtype=object)
    if gates is None or gates.frame.empty or not len(shapes):
        return Origins(shapes, shapes), []
    points = to_local(gates, crs)
    there = ~(shapely.is_missing(points) | shapely.is_empty(points))
    owner = np.full(len(points), -1, dtype=np.int64)
    if "field_id" in gates.frame:
        owner = fields.frame.index.get_indexer(gates.frame["field_id"].astype("str"))
    loose = np.flatnonzero(there & (owner < 0))
    if len(loose):
        k, hit = shapely.STRtree(shapes).query_nearest(points[loose], max_distance=max(within_m, TOUCH_M))
        owner[loose[k]] = hit
    lost = gates.frame["row"].to_numpy()[owner < 0] if "row" in gates.frame else np.flatnonzero(owner < 0) + 1
    findings = []
    if len(lost):
        findings.append(fault(
            gates, "no_field", f"{some_rows(lost.tolist())}: no field is near the gate", "a gate on a field's edge",
            "move the gate, or name its field", "look",
        ))  # fmt: skip
    known = np.flatnonzero(there & (owner >= 0))
    parts, of = shapely.get_parts(points[known], return_index=True)
    owned, which = np.unique(owner[known][of], return_inverse=True)
    order = np.argsort(which, kind="stable")
    out = shapes.copy()
    if len(owned):
        out[owned] = shapely.multipoints(parts[order], indices=which[order])
    return Origins(shapes, out), findings


def mean_distance_m(land: Geometries, xy: Floats) -> Floats:
    """Mean straight distance from all points of each piece of land (n,) to one point of its own (n, 2) [m].

    Exact for any polygons, with holes or in parts: the integral of the distance over the triangle that the point makes
    with each side (its inner integral is that of the secant cubed), signed, over their area. What has no area lies in
    one heap where it is left: 0.
    """
    polygons, of = shapely.get_parts(shapely.orient_polygons(land), return_index=True)
    rings, part = shapely.get_rings(polygons, return_index=True)
    corners, ring = shapely.get_coordinates(rings, return_index=True)
    if not len(corners):
        return np.zeros(len(land))
    owner = of[part][ring]
    arm = corners - xy[owner]
    side = np.flatnonzero(ring[1:] == ring[:-1])
    a, b, owner = arm[side], arm[side + 1], owner[side]
    along = b - a
    length = np.hypot(*along.T)
    twice_area = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    side_m = np.where(length > 0, length, 1.0)
    height = np.abs(twice_area) / side_m
    flat = height == 0
    tall = np.where(flat, 1.0, height)
    to_a, to_b = ((a * along).sum(axis=1) / side_m, (b * along).sum(axis=1) / side_m)
    turned = np.arcsinh(to_b / tall) - np.arcsinh(to_a / tall)
    whole = tall * (to_b * np.hypot(*b.T) - to_a * np.hypot(*a.T)) + tall**3 * turned
    integral = np.where(flat, 0.0, np.sign(twice_area) * whole / 6)
    area = np.bincount(owner, twice_area / 2, len(land))
    total = np.bincount(owner, integral, len(land))
    return np.divide(total, area, out=np.zeros(len(land)), where=area != 0)


def straight_legs(exits: Geometries, targets: Geometries) -> Geometries:
    """The straight leg from where each thing is left to its target, a path or a site; no length where that is inside.

    A field is left where the way from its middle to the target last crosses its edge, so that neither end of a long
    side is favoured; what is no area, and a field that this way misses, from its point nearest to the target.
    """
    legs = np.asarray(shapely.shortest_line(exits, targets), dtype=object)
    areas = np.flatnonzero(shapely.get_dimensions(exits) == 2)
    if len(areas):
        land = exits[areas]
        ways = shapely.shortest_line(shapely.centroid(land), targets[areas])
        ends = shapely.get_point(ways, -1)
        left = shapely.get_point(shapely.shortest_line(shapely.intersection(ways, shapely.boundary(land)), ends), 0)
        left = np.where(shapely.intersects(land, ends), ends, left)
        met = ~shapely.is_missing(left)
        both = [shapely.get_coordinates(points[met]) for points in (left, ends)]
        legs[areas[met]] = shapely.linestrings(np.stack(both, axis=1))
    return legs
