"""Elevation rasters that cannot be right, or do not cover the ground."""

import numpy as np
import pytest
import rasterio

from sourcing.errors import InputError
from sourcing.network.paths import build_network
from tests.walks import METRES, VALUES, fields, layer, lines, season, square, survey


def raster(path, height, west=-500.0, north=500.0, cell=10.0, crs=METRES, nodata=None):
    with rasterio.open(
        path, "w", driver="GTiff", height=height.shape[0], width=height.shape[1], count=1, dtype="float64",
        crs=None if crs is None else crs.to_wkt(), transform=rasterio.Affine(cell, 0, west, 0, -cell, north),
        nodata=nodata,
    ) as out:  # fmt: skip
        out.write(height, 1)
    return path


def network(path):
    of = fields([square(0, 0), square(300, 0)])
    return build_network(survey(of, paths=layer(lines("-400 0, 400 0")), elevation=path), of, season(), VALUES)


def slope(share=0.1):
    """Ground that rises to the east."""
    return np.tile(share * 10 * np.arange(100.0), (100, 1))


def test_an_even_slope_costs_what_the_formula_says(tmp_path):
    net = network(raster(tmp_path / "a.tif", slope(0.1)))
    flat, up, down = (np.exp(-3.5 * abs(s + 0.05)) for s in (0, 0.1, -0.1))
    assert sorted([net.level_uv_m[0], net.level_vu_m[0]]) == pytest.approx(sorted([800 * flat / up, 800 * flat / down]))


def test_ground_of_another_place_is_refused(tmp_path):
    with pytest.raises(InputError) as caught:
        network(raster(tmp_path / "far.tif", slope(), west=50_000))
    assert caught.value.findings[0].what == "not_covered"


def test_ground_partly_covered_counts_as_level_there_and_is_told(tmp_path):
    height = slope(0.1)
    height[:, 50:] = -9999
    net = network(raster(tmp_path / "half.tif", height, nodata=-9999))
    told = [f for f in net.findings if f.what == "not_covered"]
    assert len(told) == 1
    # A step of 20 m with one end off the known ground has no height.
    assert told[0].found.startswith("51")
    assert net.level_uv_m.sum() + net.level_vu_m.sum() > 1600


def test_a_raster_of_nothing_but_gaps_is_refused(tmp_path):
    with pytest.raises(InputError, match="covers none"):
        network(raster(tmp_path / "empty.tif", np.full((100, 100), -9999.0), nodata=-9999))


def test_no_system(tmp_path):
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = raster(tmp_path / "no.tif", slope(), crs=None)
        with pytest.raises(InputError) as caught:
            network(path)
    assert caught.value.findings[0].what == "no_crs"


def test_not_a_raster(tmp_path):
    path = tmp_path / "text.tif"
    path.write_text("heights", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be read as a raster"):
        network(path)


def test_heights_in_feet_or_worse_are_told_as_too_steep(tmp_path):
    rng = np.random.default_rng(1)
    net = network(raster(tmp_path / "steep.tif", 400 * rng.random((100, 100))))
    assert any(f.what == "too_steep" for f in net.findings)
