"""A way closed at one spot, such as a bridge: a path layer in which a short piece of one line is closed all year."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.ops import substring

from sourcing.errors import UsageError
from sourcing.intake.survey import RawLayer
from sourcing.network.ways import LONLAT, local_crs, to_local

ALL_YEAR = "01-01..12-31"
CLOSED_M = 20.0
"""Length of way that is closed, half of it to each side of the spot [m]."""
FARTHEST_M = 250.0
"""A spot farther from every way than this closes none [m]."""


def close_way(layer: RawLayer, lon: float, lat: float) -> gpd.GeoDataFrame:
    """The ways of a layer (EPSG:4326, our column names) with the one nearest to a spot cut, and its middle closed.

    Raises UsageError when no way is near, InputError for a layer without a coordinate system.
    """
    crs = local_crs(layer.frame)
    lines = layer.frame.set_geometry(gpd.GeoSeries(to_local(layer, crs), crs=crs)).drop(columns="row", errors="ignore")
    lines = lines.explode(ignore_index=True)
    lines = lines[lines.geometry.geom_type == "LineString"].reset_index(drop=True)
    spot = gpd.GeoSeries([shapely.Point(lon, lat)], crs=LONLAT).to_crs(crs).iloc[0]
    far = shapely.distance(lines.geometry.to_numpy(), spot)
    if not len(far) or not np.nanmin(far) <= FARTHEST_M:
        raise UsageError(f"no way is within {FARTHEST_M:g} m of that spot")
    nearest = int(np.nanargmin(far))
    line = lines.geometry.iloc[nearest]
    at, length = line.project(spot), line.length
    first, last = max(at - CLOSED_M / 2, 0.0), min(at + CLOSED_M / 2, length)
    pieces = [
        (substring(line, a, b), shut) for a, b, shut in ((0, first, False), (first, last, True), (last, length, False))
    ]
    cut = pd.concat([lines.iloc[[nearest]].set_geometry([piece], crs=crs).assign(**_closed(lines, nearest, shut))
                     for piece, shut in pieces if piece.geom_type == "LineString" and piece.length > 0])  # fmt: skip
    whole = pd.concat([lines.drop(index=nearest), cut], ignore_index=True)
    return gpd.GeoDataFrame(whole, geometry=lines.geometry.name, crs=crs).to_crs(LONLAT)


def _closed(lines: gpd.GeoDataFrame, at: int, shut: bool) -> dict[str, object]:
    before = lines["closed"].iloc[at] if "closed" in lines.columns else None
    return {"closed": ALL_YEAR if shut else before}
