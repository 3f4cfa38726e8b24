"""What the survey knows of the ground besides fields, by kind: water, houses, paths and what else lies there."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from pyproj import CRS

from sourcing.intake.survey import RawLayer
from sourcing.network.ways import LONLAT
from sourcing.plan import Plan

Geometries = npt.NDArray[Any]
POINT, LINE, AREA = 0, 1, 2
"""Dimensions of shapes."""


def ground_of(plan: Plan) -> Iterator[tuple[str, Geometries, CRS]]:
    """Kind, shapes (single parts, flat, all points or all lines or all areas) and their coordinate system.

    No column of the survey comes with them. What lies lower comes first.
    """
    survey, kinds = plan.survey, [layer.kind for layer in plan.settings.layers.no_go]
    found: list[tuple[str, RawLayer | None]] = [("background", layer) for layer in survey.background]
    found += [(kinds[i] if i < len(kinds) else "other", layer) for i, layer in enumerate(survey.no_go)]
    found += [("barrier", survey.barriers), ("path", survey.paths)]
    for kind, layer in found:
        if layer is None or layer.frame.empty:
            continue
        shapes = shapely.get_parts(shapely.get_parts(shapely.force_2d(layer.frame.geometry.to_numpy())))
        shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
        dimensions = shapely.get_dimensions(shapes)
        for dimension in (AREA, LINE, POINT):
            if len(part := shapes[dimensions == dimension]):
                yield kind, np.asarray(part, dtype=object), CRS(layer.frame.crs or LONLAT)
