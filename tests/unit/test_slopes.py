"""Slopes of fields from an elevation raster."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely.geometry import Point

from sourcing.errors import InputError
from sourcing.residue.slopes import field_slopes
from sourcing.values import Values

VALUES = Values.load()
METRES_A_DEGREE = 110_574.3  # of latitude at the equator, WGS 84


def raster(path, heights):
    """A square of 0.1 degree with its lower left corner at 30 E 0 N."""
    rows, columns = heights.shape
    place = Affine(0.1 / columns, 0, 30.0, 0, -0.1 / rows, 0.1)
    with rasterio.open(path, "w", driver="GTiff", height=rows, width=columns, count=1, dtype="float32", crs="EPSG:4326",
                       transform=place, nodata=-9999) as out:  # fmt: skip
        out.write(heights.astype("float32"), 1)
    return path


def fields(*places):
    shapes = [Point(x, y).buffer(0.0005) for x, y in places]
    index = [f"f{i}" for i in range(len(places))]
    return SimpleNamespace(frame=gpd.GeoDataFrame({"row": 1}, index=index, geometry=shapes, crs="EPSG:4326"))


def test_a_plane_has_its_slope_everywhere(tmp_path):
    """Ground that rises northward by 5 m in 100 m."""
    north = (0.1 - (np.arange(400) + 0.5) * 0.1 / 400) * METRES_A_DEGREE
    heights = np.repeat(100 + 0.05 * north[:, None], 400, axis=1)
    slopes, notes = field_slopes(fields((30.03, 0.04), (30.06, 0.07)), raster(tmp_path / "a.tif", heights), VALUES)
    assert slopes.to_numpy() == pytest.approx([0.05, 0.05], rel=0.01)
    assert notes == ()


def test_flat_ground_and_missing_heights(tmp_path):
    heights = np.full((200, 200), 50.0)
    heights[:, 100:] = -9999
    slopes, notes = field_slopes(fields((30.02, 0.05), (30.09, 0.05)), raster(tmp_path / "a.tif", heights), VALUES)
    assert slopes["f0"] == pytest.approx(0.0, abs=1e-6)
    assert np.isnan(slopes["f1"])
    assert [n.what for n in notes] == ["no_height"]


def test_a_raster_of_elsewhere_is_refused(tmp_path):
    with pytest.raises(InputError):
        field_slopes(fields((10.0, 40.0)), raster(tmp_path / "a.tif", np.ones((50, 50))), VALUES)
