"""Hill shade behind the map, from the season's own elevation raster."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from math import cos, radians
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from affine import Affine
from matplotlib.colors import LightSource
from PIL import Image
from rasterio.enums import Resampling
from rasterio.warp import reproject, transform_bounds
from scipy.ndimage import distance_transform_edt

MOST_DOTS = 1024
"""Longest side of the picture [dots]."""
MARGIN = 0.25
"""How far the shade reaches beyond the land drawn, as a share of its size."""
DARKEST = 0.42
"""How much the darkest slope covers the paper [0-1]: the shade stays behind what is drawn on it."""
LIFT = 0.15
"""Shadow of level ground, as a share of the darkest."""
COLOUR = (72, 68, 60)
FADE_DOTS = 24
"""Width over which the shade fades out at the raster's edge [dots]."""
QUALITY = 60
"""Of the WebP picture [0-100]."""


@dataclass(frozen=True)
class Shade:
    """A picture of hill shade: a data URI, and where it lies in longitude and latitude."""

    picture: str
    west: float
    south: float
    east: float
    north: float


def hill_shade(elevation: Path, bounds: tuple[float, float, float, float]) -> Shade | None:
    """Hill shade of the land within `bounds` (west, south, east, north) [degrees] and a margin round it.

    Light from the north-west, 45 degrees high. None when the raster holds nothing there.
    """
    west, south, east, north = bounds
    wide, high = (east - west) * MARGIN + 1e-4, (north - south) * MARGIN + 1e-4
    lonlat = (west - wide, south - high, east + wide, north + high)
    box = transform_bounds("EPSG:4326", "EPSG:3857", *lonlat)
    dot = max(box[2] - box[0], box[3] - box[1]) / MOST_DOTS
    shape = (max(2, round((box[3] - box[1]) / dot)), max(2, round((box[2] - box[0]) / dot)))
    heights = np.full(shape, np.nan, dtype=np.float64)
    with rasterio.open(elevation) as raster:
        reproject(
            rasterio.band(raster, 1), heights, dst_transform=Affine(dot, 0, box[0], 0, -dot, box[3]),
            dst_crs="EPSG:3857", dst_nodata=np.nan, resampling=Resampling.cubic,
        )  # fmt: skip
    known = np.isfinite(heights)
    if not known.any():
        return None
    ground = dot * cos(radians((south + north) / 2))
    filled = np.where(known, heights, heights[known].mean())
    light = LightSource(azdeg=315, altdeg=45).hillshade(filled, vert_exag=_stretch(filled), dx=ground, dy=ground)
    flat = np.sin(radians(45))
    shadow = np.clip((flat - light) / flat + LIFT, 0, 1) * DARKEST * _faded(known)
    dots = np.zeros((*shape, 4), dtype=np.uint8)
    dots[..., :3] = COLOUR
    dots[..., 3] = np.rint(shadow * 255)
    out = io.BytesIO()
    Image.fromarray(dots).save(out, "WEBP", quality=QUALITY, alpha_quality=QUALITY)
    text = base64.b64encode(out.getvalue()).decode("ascii")
    return Shade(f"data:image/webp;base64,{text}", *lonlat)


def _faded(known: np.ndarray[Any, np.dtype[np.bool_]]) -> np.ndarray[Any, np.dtype[np.float64]]:
    """1 well inside the known ground, falling to 0 at its edge."""
    inner = distance_transform_edt(np.pad(known, 1))[1:-1, 1:-1]
    return np.asarray(np.clip((inner - 2) / FADE_DOTS, 0, 1))


def _stretch(heights: np.ndarray[Any, np.dtype[np.float64]]) -> float:
    """How much flat land is raised so that its shape shows: between 1 and 6."""
    steepest = float(np.percentile(heights, 98) - np.percentile(heights, 2))
    return float(np.clip(400.0 / max(steepest, 1.0), 1.0, 6.0))
