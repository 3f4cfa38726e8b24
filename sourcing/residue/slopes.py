"""How steep each field is, from an elevation raster: steep fields keep more residue on the soil."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from pyproj import CRS

from sourcing.errors import Finding
from sourcing.network.elevation import read_relief, slopes_at, smoothed
from sourcing.values import Values

if TYPE_CHECKING:
    from sourcing.intake.fields import Fields


def field_slopes(fields: Fields, elevation: Path, values: Values) -> tuple[pd.Series, tuple[Finding, ...]]:
    """Slope [m/m] by field_id at a point inside each field, of ground smoothed over supply.slope.smooth_m.

    NaN where the raster has no height, which is told. Raises InputError when the raster cannot be used at all.
    """
    frame = fields.frame
    west, south, east, north = frame.geometry.total_bounds
    middle = f"+lat_0={(south + north) / 2} +lon_0={(west + east) / 2}"
    crs = CRS.from_proj4(f"+proj=tmerc {middle} +k=1 +datum=WGS84 +units=m")
    inside = frame.geometry.representative_point().to_crs(crs)
    xy = np.column_stack([inside.x.to_numpy(), inside.y.to_numpy()])
    over_m = values["supply.slope.smooth_m"]
    around = inside.buffer(4 * over_m).to_numpy()
    relief = smoothed(read_relief(elevation, around, crs), over_m, xy.mean(axis=0), crs)
    slope = pd.Series(slopes_at(relief, xy, crs), index=frame.index, name="slope")
    notes = []
    missing = int(slope.isna().sum())
    if missing:
        found = f"{missing} of {len(slope)} fields lie where the raster has no height"
        notes.append(
            Finding("look", elevation.name, None, "no_height", found, "a raster of all fields", "they count as gentle")
        )
    return slope, tuple(notes)
