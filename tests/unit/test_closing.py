"""A way closed at one spot: one short piece of one line, all else as long as it was."""

import geopandas as gpd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.errors import UsageError
from sourcing.intake.survey import RawLayer
from sourcing.network.closing import ALL_YEAR, CLOSED_M, close_way
from sourcing.network.ways import closed_ranges

LINES = [
    shapely.LineString([(30, -15), (30.01, -15)]),
    shapely.LineString([(30.01, -15), (30.01, -15.01)]),
    shapely.MultiLineString([[(30.02, -15), (30.03, -15)], [(30.03, -15), (30.04, -15)]]),
]


def layer():
    frame = gpd.GeoDataFrame(
        {"way": ["track", "path", "road"], "closed": [None, "06-15..09-30", None], "row": [1, 2, 3]},
        geometry=LINES,
        crs="EPSG:4326",
    )
    return RawLayer("paths", "paths.gpkg", "", 3, frame)


def metres(frame):
    return frame.geometry.to_crs("EPSG:32736").length


@settings(deadline=None, max_examples=40)
@given(st.floats(30, 30.04), st.floats(-15.0005, -14.9995))
def test_a_short_piece_is_closed_and_nothing_is_lost(lon, lat):
    if 30.012 < lon < 30.018:
        return
    before = layer().frame
    after = close_way(layer(), lon, lat)
    shut = after[after["closed"] == ALL_YEAR]
    assert len(shut) == 1
    assert float(metres(shut).sum()) <= CLOSED_M * 1.01
    assert float(metres(after).sum()) == pytest.approx(float(metres(before).sum()), rel=1e-6)
    assert set(after["way"]) == {"track", "path", "road"}
    near = shapely.distance(
        shut.geometry.to_crs("EPSG:32736").iloc[0],
        gpd.GeoSeries([shapely.Point(lon, lat)], crs=4326).to_crs(32736).iloc[0],
    )
    assert near == pytest.approx(float(gpd.GeoSeries(LINES, crs=4326).to_crs(32736).distance(
        gpd.GeoSeries([shapely.Point(lon, lat)], crs=4326).to_crs(32736).iloc[0]).min()), abs=0.1)  # fmt: skip


def test_a_way_closed_in_the_rains_stays_so_on_both_sides():
    after = close_way(layer(), 30.01, -15.005)
    assert sorted(after.loc[after["way"] == "path", "closed"]) == [ALL_YEAR, "06-15..09-30", "06-15..09-30"]
    assert closed_ranges(ALL_YEAR) == (((1, 1), (12, 31)),)


def test_a_spot_far_from_every_way_closes_none():
    with pytest.raises(UsageError):
        close_way(layer(), 31, -15)
