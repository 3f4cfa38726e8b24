"""The committed demo season is what README says it is, and reads through the ordinary doors."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
import rasterio
import shapely

from sourcing.intake.survey import read_survey
from sourcing.settings import parse_settings, read_settings

SEASON = Path(__file__).resolve().parents[2] / "demo_maps" / "season"


@pytest.fixture(scope="module")
def survey():
    return read_survey(SEASON, read_settings(SEASON))


def test_it_is_small_and_whole():
    files = {p.name for p in SEASON.iterdir() if p.is_file()}
    assert files >= {"season.toml", "survey.gpkg", "second_survey.gpkg", "land.gpkg", "houses.gpkg", "relief.tif"}
    assert sum(p.stat().st_size for p in SEASON.iterdir() if p.is_file()) < 2_600_000


def test_twelve_villages_with_2000_to_3000_fields_of_many_sizes(survey):
    fields = survey.fields.frame
    assert 2000 <= len(fields) <= 3000
    sizes = fields.groupby("village").size()
    assert set(sizes.index) == set(survey.villages.frame["name"])
    assert len(sizes) == 12
    assert sizes.max() > 5 * sizes.min()
    metric = fields[fields.geometry.notna()].to_crs("+proj=tmerc +lat_0=-21.9 +lon_0=22.6 +k=1 +ellps=WGS84")
    area_ha = metric.geometry.buffer(0).area / 1e4
    assert np.quantile(area_ha, 0.95) > 4 * np.quantile(area_ha, 0.05)


def test_two_harvests_and_six_crops_or_more(survey):
    fields = survey.fields.frame
    names = read_settings(SEASON).crop_names
    crops = fields.crop.str.lower().replace(names)
    assert (crops.value_counts() >= 30).sum() >= 7  # six crops or more, and fallow
    begun = fields.harvest_start.dropna().map(date.fromisoformat)
    assert (begun.map(lambda d: d.month) <= 6).sum() > 1000
    assert (begun.map(lambda d: d.month) >= 7).sum() > 500


def test_no_name_of_a_person_is_read(survey):
    assert "farmer" not in survey.fields.frame.columns
    assert "farmer" in gpd.read_file(SEASON / "survey.gpkg").columns


def test_there_is_something_to_find(survey):
    fields = survey.fields.frame
    shapes = fields.geometry[fields.geometry.notna()]
    assert fields.geometry.isna().sum() > 0
    assert 5 <= (~shapes.is_valid).sum() <= 0.02 * len(fields)
    assert fields.field_id.duplicated().any()
    assert (fields.consent == "no").any()
    assert fields.yield_t_ha.isna().sum() > 0.02 * len(fields)
    assert (shapes.geom_type == "MultiPolygon").any()


def test_paths_hang_together_but_for_one_corner(survey):
    lines = survey.paths.frame.to_crs("+proj=tmerc +lat_0=-21.9 +lon_0=22.6 +k=1 +ellps=WGS84").geometry
    graph = nx.Graph(list(zip(*shapely.STRtree(lines).query(lines, "dwithin", 5.0).tolist(), strict=True)))
    parts = sorted((lines.iloc[list(p)].length.sum() for p in nx.connected_components(graph)), reverse=True)
    assert len(parts) == 2
    assert parts[1] < 0.02 * parts[0]


def test_most_fields_lie_near_a_path_and_their_village(survey):
    plane = "+proj=tmerc +lat_0=-21.9 +lon_0=22.6 +k=1 +ellps=WGS84"
    fields = survey.fields.frame
    fields = fields[fields.geometry.notna()].to_crs(plane)
    lines = survey.paths.frame.to_crs(plane).geometry
    _, near = shapely.STRtree(lines).query_nearest(fields.geometry, return_distance=True, all_matches=False)
    assert (near < 300).mean() > 0.97
    home = survey.villages.frame.to_crs(plane).set_index("name").geometry
    assert (fields.distance(home[fields.village].set_axis(fields.index)) < 1500).mean() > 0.9


def test_the_workshop_stands_by_the_road_near_the_middle_and_clear_of_houses(survey):
    plane = "+proj=tmerc +lat_0=-21.9 +lon_0=22.6 +k=1 +ellps=WGS84"
    (spot,) = survey.workshop.frame.to_crs(plane).geometry
    ways = survey.paths.frame.to_crs(plane)
    assert 5 < ways[ways["way"] == "road"].distance(spot).min() < 30
    assert gpd.read_file(SEASON / "houses.gpkg", layer="houses").to_crs(plane).distance(spot).min() >= 20
    assert survey.villages.frame.to_crs(plane).distance(spot).max() < 5000


def test_the_relief_covers_the_land_and_is_no_cliff(survey):
    west, south, east, north = survey.paths.frame.total_bounds
    with rasterio.open(survey.elevation) as relief:
        bounds, z = relief.bounds, relief.read(1)
    assert bounds.left < west
    assert bounds.right > east
    assert bounds.bottom < south
    assert bounds.top > north
    assert 0.99 > np.quantile(np.hypot(*np.gradient(z)) / 31, 0.99) > 0.05


def test_the_second_survey_reads_through_the_same_columns(survey):
    text = (SEASON / "season.toml").read_text(encoding="utf-8")
    settings = parse_settings(text.replace('file = "survey.gpkg"', 'file = "second_survey.gpkg"', 1))
    later = read_survey(SEASON, settings).fields.frame.set_index("field_id")
    first = survey.fields.frame.drop_duplicates("field_id").set_index("field_id")
    assert len(later.index.difference(first.index)) > 40
    assert len(first.index.difference(later.index)) > 5
    both = later.index.intersection(first.index)
    earlier = later.harvest_end[both] < first.harvest_end[both]
    assert earlier.sum() > 80
