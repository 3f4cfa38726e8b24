"""Path layers that cannot be right: each is told in words, with the remedy."""

import geopandas as gpd
import pytest
import shapely

from sourcing.errors import InputError
from sourcing.intake.survey import RawLayer
from sourcing.network.paths import build_network
from tests.walks import METRES, VALUES, fields, layer, lines, season, square, survey


def refusal(paths):
    of = fields([square(0, 0), square(500, 0)])
    with pytest.raises(InputError) as caught:
        build_network(survey(of, paths=paths), of, season(), VALUES)
    return caught.value.findings[-1]


def test_an_empty_layer():
    empty = RawLayer("paths", "paths.gpkg", "", 0, gpd.GeoDataFrame({"row": []}, geometry=[], crs=METRES))
    assert refusal(empty).what == "no_paths"


def test_lines_with_one_point_only():
    assert refusal(layer([shapely.LineString([(1, 1), (1, 1)])])).what == "no_paths"


def test_degrees_called_metres():
    told = refusal(layer(lines("30 -15, 30.001 -15"), crs="EPSG:32736"))
    assert told.what == "degrees_called_metres"
    assert "EPSG:4326" in told.remedy


def test_metres_called_degrees():
    assert refusal(layer(lines("500000 8340000, 500100 8340000"), crs="EPSG:4326")).what == "metres_called_degrees"


def test_no_system_at_all():
    assert refusal(layer(lines("0 0, 100 0"), crs=None)).what == "no_crs"


def test_paths_of_another_place():
    told = refusal(layer(lines("90000 0, 90100 0")))
    assert told.what == "elsewhere"
    assert "89." in told.found


def test_only_ways_that_nobody_may_use():
    assert refusal(layer(lines("0 0, 100 0"), way=["motorway"])).what == "no_paths"
