"""Shapes and whole-number columns packed small enough to sit inside a page.

The form, read back by sourcing/web/unpack.js: every number is a zigzag varint (base 128, low bits first); a run of
shapes is its ring counts, then the corner counts of all rings, then the corners as differences from the corner
before, x and y by turns, on a grid of 1 m in EPSG:3857 counted from an origin. The runs, one behind the other, are
compressed with zlib and written in base64. Rings and lines are alike; a hole or a second part is one ring more,
and the even-odd rule tells inside from outside.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import Transformer

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

WEB_CRS = "EPSG:3857"
LEAST_CORNERS_AREA = 3
LEAST_CORNERS_LINE = 2


def to_grid(xy: Floats, crs: Any, origin: tuple[int, int]) -> Ints:
    """Coordinates (n, 2) in `crs` as whole metres of EPSG:3857 from `origin`. Shape (n, 2)."""
    x, y = Transformer.from_crs(crs, WEB_CRS, always_xy=True).transform(xy[:, 0], xy[:, 1])
    return np.stack([np.rint(x).astype(np.int64) - origin[0], np.rint(y).astype(np.int64) - origin[1]], axis=1)


def varints(values: npt.ArrayLike) -> bytes:
    """Whole numbers as zigzag varints, one behind the other."""
    v = np.asarray(values, dtype=np.int64).ravel()
    zigzag = ((v << 1) ^ (v >> 63)).astype(np.uint64)
    size = np.ones(len(v), dtype=np.int64)
    rest = zigzag >> np.uint64(7)
    while rest.any():
        size += rest > 0
        rest >>= np.uint64(7)
    start = np.cumsum(size) - size
    out = np.zeros(int(size.sum()), dtype=np.uint8)
    for k in range(int(size.max(initial=0))):
        has = size > k
        low = (zigzag[has] >> np.uint64(7 * k)) & np.uint64(0x7F)
        more = (size[has] > k + 1).astype(np.uint64) << np.uint64(7)
        out[start[has] + k] = (low | more).astype(np.uint8)
    return out.tobytes()


def read_varints(data: bytes) -> Ints:
    """The numbers that :func:`varints` wrote."""
    b = np.frombuffer(data, dtype=np.uint8).astype(np.uint64)
    last = b < 0x80
    if not len(b):
        return np.zeros(0, dtype=np.int64)
    which = np.concatenate([[0], np.cumsum(last)[:-1]])
    start = np.flatnonzero(np.concatenate([[True], last[:-1]]))
    place = np.arange(len(b)) - start[which]
    zigzag = np.zeros(int(last.sum()), dtype=np.uint64)
    np.add.at(zigzag, which, (b & np.uint64(0x7F)) << (np.uint64(7) * place.astype(np.uint64)))
    return (zigzag >> np.uint64(1)).astype(np.int64) ^ -(zigzag & np.uint64(1)).astype(np.int64)


@dataclass(frozen=True)
class Shapes:
    """Areas or lines on the 1 m grid.

    rings (n,) rings a shape; corners (rings.sum(),) corners a ring; xy (corners.sum(), 2) whole metres.
    """

    rings: Ints
    corners: Ints
    xy: Ints

    def pack(self) -> bytes:
        """The shapes as one run of varints."""
        steps = np.diff(self.xy, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
        return varints(self.rings) + varints(self.corners) + varints(steps)

    def lines(self) -> list[Ints]:
        """The points of each shape, its rings run together."""
        ends = np.concatenate([[0], np.cumsum(self.corners)])[np.cumsum(self.rings)]
        return np.split(self.xy, ends[:-1]) if len(self.rings) else []


def shapes_on_grid(
    geometries: Sequence[Any] | npt.NDArray[Any], crs: Any, origin: tuple[int, int], tolerance_m: float = 0.0
) -> Shapes:
    """Polygons (holes and parts included) or lines brought to the 1 m grid.

    Corners that fall on the one before are dropped, and rings that shrink to nothing with them; a shape that would
    vanish keeps a square of 1 m. `tolerance_m` [m] simplifies lines and rings first. Points and empty geometries
    give a shape without rings.
    """
    geoms = np.asarray(geometries, dtype=object)
    parts, part_shape = shapely.get_parts(geoms, return_index=True)
    there = ~shapely.is_empty(parts)
    parts, part_shape = parts[there], part_shape[there]
    is_area = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    is_line = np.isin(shapely.get_type_id(parts), [shapely.GeometryType.LINESTRING, shapely.GeometryType.LINEARRING])
    rings, ring_part = shapely.get_rings(parts[is_area], return_index=True)
    lines = np.concatenate([rings, parts[is_line]])
    shape = np.concatenate([part_shape[is_area][ring_part], part_shape[is_line]])
    closed = np.concatenate([np.ones(len(rings), dtype=bool), np.zeros(int(is_line.sum()), dtype=bool)])
    order = np.argsort(shape, kind="stable")
    lines, shape, closed = lines[order], shape[order], closed[order]

    coords, of_line = shapely.get_coordinates(lines, return_index=True)
    xy = to_grid(coords, crs, origin) if len(coords) else np.zeros((0, 2), dtype=np.int64)
    if tolerance_m and len(xy):
        moved = shapely.linestrings(xy.astype(float), indices=of_line)
        slim, back = shapely.get_coordinates(shapely.simplify(moved, tolerance_m), return_index=True)
        xy, of_line = np.rint(slim).astype(np.int64), back
    keep = np.ones(len(xy), dtype=bool)
    same_line = of_line[1:] == of_line[:-1]
    keep[1:] = ~(same_line & (xy[1:] == xy[:-1]).all(axis=1))
    is_last = np.concatenate([~same_line, [True]]) if len(xy) else keep
    first_of_line = np.searchsorted(of_line, np.arange(len(lines)))
    back_home = is_last & closed[of_line] & (xy == xy[first_of_line[of_line]]).all(axis=1) if len(xy) else keep
    first = np.concatenate([[True], ~same_line]) if len(xy) else keep
    keep &= ~back_home | first
    # a ring whose last corner was dropped may still end where it began, through a repeat before it; harmless
    xy, of_line = xy[keep], of_line[keep]
    corners = np.bincount(of_line, minlength=len(lines))
    good = corners >= np.where(closed, LEAST_CORNERS_AREA, LEAST_CORNERS_LINE)
    xy = xy[good[of_line]]
    corners, shape = corners[good], shape[good]

    gone = np.setdiff1d(part_shape[is_area], shape)
    if len(gone):
        centre = to_grid(shapely.get_coordinates(shapely.centroid(geoms[gone])), crs, origin)
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
        xy = np.concatenate([xy, (centre[:, None, :] + square).reshape(-1, 2)])
        shape = np.concatenate([shape, gone])
        corners = np.concatenate([corners, np.full(len(gone), len(square))])
        by_shape = np.argsort(shape, kind="stable")
        starts = np.cumsum(corners) - corners
        xy = np.concatenate([xy[starts[i] : starts[i] + corners[i]] for i in by_shape])
        shape, corners = shape[by_shape], corners[by_shape]
    return Shapes(np.bincount(shape, minlength=len(geoms)), corners, xy)


@dataclass(frozen=True)
class Trees:
    """Ways to a site that share their last stretches, kept once: node 0 of a tree is its site.

    parent (n,) node before on the way to the site, -1 at a root; xy (n, 2) whole metres; end (routes,) the node at
    which each way begins (the field's side).
    """

    parent: Ints
    xy: Ints
    end: Ints

    def pack(self) -> bytes:
        """The trees as one run of varints: parents as steps back, corners as differences from the parent's."""
        here = np.arange(len(self.parent))
        base = np.where((self.parent >= 0)[:, None], self.xy[np.maximum(self.parent, 0)], 0)
        return varints(np.where(self.parent >= 0, here - self.parent, 0)) + varints(self.xy - base) + varints(self.end)


def trees_of(lines: Sequence[Ints], roots: Sequence[Any]) -> Trees:
    """Lines on the grid, each starting at its site, grouped by root key; shared beginnings are stored once."""
    parent: list[int] = []
    xy: list[tuple[int, int]] = []
    end: list[int] = []
    known: dict[tuple[Any, int, int], int] = {}
    for line, root in zip(lines, roots, strict=True):
        at: Any = ("root", root)
        node = -1
        for x, y in line.tolist():
            if node >= 0 and xy[node] == (x, y):
                continue
            key = (at, x, y)
            if key not in known:
                known[key] = len(parent)
                parent.append(node)
                xy.append((x, y))
            node = known[key]
            at = node
        end.append(node)
    return Trees(
        np.array(parent, dtype=np.int64), np.array(xy, dtype=np.int64).reshape(-1, 2), np.array(end, dtype=np.int64)
    )


def squeeze(runs: Sequence[bytes]) -> str:
    """Runs of bytes, one behind the other, compressed and written as base64 text."""
    return base64.b64encode(zlib.compress(b"".join(runs), 9)).decode("ascii")
