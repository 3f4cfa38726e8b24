import base64
import io

import numpy as np
import pytest
import rasterio
from affine import Affine
from PIL import Image

from sourcing.outputs.relief import hill_shade


def raster(path, heights, bounds=(21.9, -22.1, 22.1, -21.9)):
    rows, columns = heights.shape
    west, south, east, north = bounds
    place = Affine((east - west) / columns, 0, west, 0, (south - north) / rows, north)
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="float32", crs="EPSG:4326",
        transform=place, nodata=-9999,
    ) as out:  # fmt: skip
        out.write(heights.astype("float32"), 1)
    return path


def picture(shade):
    """How much each dot darkens the paper."""
    packed = base64.b64decode(shade.picture.split(",")[1])
    return np.asarray(Image.open(io.BytesIO(packed)).getchannel("A"), dtype=float)


def test_slopes_away_from_the_north_west_are_darker(tmp_path):
    across = np.linspace(-1, 1, 160)
    ridge = 300 - 300 * np.abs(across[None, :] + across[:, None] * 0) + np.zeros((160, 1))
    shadow = picture(hill_shade(raster(tmp_path / "r.tif", ridge), (21.95, -22.05, 22.05, -21.95)))
    west, east = shadow[:, : shadow.shape[1] // 2 - 20], shadow[:, shadow.shape[1] // 2 + 20 :]
    assert east[300:700, 60:260].mean() > west[300:700, 200:400].mean() + 10


def test_the_picture_lies_where_it_says(tmp_path):
    shade = hill_shade(raster(tmp_path / "r.tif", np.zeros((20, 20))), (21.95, -22.05, 22.05, -21.95))
    assert shade.west == pytest.approx(21.95 - 0.025, abs=1e-3)
    assert shade.north == pytest.approx(-21.95 + 0.025, abs=1e-3)
    assert len(shade.picture) < 200_000


def test_a_raster_of_elsewhere_gives_none(tmp_path):
    assert hill_shade(raster(tmp_path / "r.tif", np.ones((20, 20))), (5.0, 5.0, 5.1, 5.1)) is None
