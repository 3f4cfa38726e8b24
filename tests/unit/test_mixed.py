"""Two crops in one field, counted plants, and points with a steady flow."""

from dataclasses import dataclass
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from affine import Affine
from shapely.geometry import Point

from sourcing.errors import InputError
from sourcing.intake.survey import RawLayer
from sourcing.residue.bands import supply_bands
from sourcing.residue.mixed import with_second_crops, with_waste_points
from sourcing.residue.supply import residue_supply, season_supply
from sourcing.values import Values
from tests.seasons import fields, season

VALUES = Values.load()
LAYERS = {"fields": {"file": "fields.gpkg"}, "climate": "climate.csv", "elevation": "heights.tif"}


@dataclass(frozen=True)
class Fields:
    frame: gpd.GeoDataFrame
    villages: gpd.GeoDataFrame


def real(*rows):
    frame = fields(*rows).frame
    shapes = [Point(30 + i / 100, -15).buffer(0.001) for i in range(len(frame))]
    villages = gpd.GeoDataFrame(
        {"name": ["Ndizi", "Far"]}, index=["Ndizi", "Far"], geometry=[Point(30, -15), Point(31, -15)], crs="EPSG:4326"
    )
    return Fields(gpd.GeoDataFrame(frame, geometry=shapes, crs="EPSG:4326"), villages)


def points(*rows):
    frame = pd.DataFrame([{"name": "rice mill", "residue": "rice/husk", "t_week": 2.0, "lon": 30.9, **r} for r in rows])
    frame["row"] = range(1, len(frame) + 1)
    shapes = gpd.points_from_xy(frame.pop("lon"), [-15] * len(frame))
    return RawLayer(
        "waste_points", "points.csv", "0" * 64, len(frame), gpd.GeoDataFrame(frame, geometry=shapes, crs="EPSG:4326")
    )


def test_two_crops_share_the_ground():
    whole = real({"field_id": "a", "crop_2": "pigeon_pea", "share_2": 0.25, "yield_2_t_ha": 0.8}, {"field_id": "b"})
    got = with_second_crops(whole, VALUES)
    assert list(got.frame.index) == ["a", "b", "a+pigeon_pea"]
    assert got.frame["area_ha"].tolist() == [0.75, 1.0, 0.25]
    chain = residue_supply(got, season(), VALUES).chain.set_index(["field_id", "residue"])
    assert chain.loc[("a", "stalk"), "grown_kg"] == pytest.approx(0.75 * chain.loc[("b", "stalk"), "grown_kg"])
    assert chain.loc[("a+pigeon_pea", "stalk"), "grown_kg"] == pytest.approx(250 * 0.8 * 2.5 * 0.87)
    assert whole.frame["area_ha"].tolist() == [1.0, 1.0]
    halves = with_second_crops(real({"crop_2": "cowpea"}), VALUES).frame
    assert halves["area_ha"].tolist() == [0.5, 0.5]


def test_bad_second_crops_are_told_at_once():
    with pytest.raises(InputError) as caught:
        with_second_crops(real({"crop_2": "triffid"}, {"crop_2": "cowpea", "share_2": 1.0}, {"crop_2": ""}), VALUES)
    assert [f.row for f in caught.value.findings] == [1, 2]


def test_palms_are_counted_one_by_one():
    chain = residue_supply(fields({"crop": "coconut", "plants": 40.0, "yield_t_ha": None}), season(), VALUES).chain
    frond = chain.set_index("residue").loc["frond"]
    assert frond["grown_kg"] == pytest.approx(40 * 18)  # about 12 fronds a palm of 1.5 kg dry
    shell = chain.set_index("residue").loc["shell"]
    assert shell["grown_kg"] == pytest.approx(6000 * 0.12 * (1 - 0.087))


def test_a_waste_point_flows_each_week_and_is_all_free():
    base = real({})
    settings = season(season={"first_day": "2027-05-03", "last_day": "2027-06-27"})
    got = with_waste_points(base, points({}), settings, VALUES)
    row = got.frame.loc["point rice mill"]
    assert row["village"] == "Far"
    assert row.geometry.contains(Point(30.9, -15))
    supply = residue_supply(got, settings, VALUES)
    chain = supply.chain[supply.chain["field_id"] == "point rice mill"]
    assert chain["residue"].tolist() == ["husk"]
    assert chain["grown_kg"].item() == pytest.approx(2000 * 8)
    assert chain[["uncollectable_kg", "cover_kg", "fodder_kg", "fuel_kg", "thatch_kg"]].to_numpy().sum() == 0
    lots = supply.lots[supply.lots["field_id"] == "point rice mill"]
    assert np.allclose(lots["mass_kg"], 2000, rtol=0.01)
    # the other fields are as they were
    alone = residue_supply(base, settings, VALUES).chain["free_kg"].sum()
    assert supply.chain.loc[supply.chain["field_id"] == "f0", "free_kg"].sum() == pytest.approx(alone)


def test_a_waste_point_knows_no_bad_year():
    got = with_waste_points(real({}), points({}), season(), VALUES)
    closed = {n: 0.0 for n in VALUES.figures if n.startswith("supply.survey.") and n.endswith("error_share")}
    values = Values.load(closed)
    bands = supply_bands(residue_supply(got, season(), values), got, season(), values, samples=200)
    far = bands.villages.loc["Far"]
    assert far["low_kg"] == pytest.approx(far["high_kg"]) == pytest.approx(far["likely_kg"])


def test_bad_points_are_told_at_once():
    bad = points({"residue": "gold"}, {"t_week": "much"}, {"t_week": 0})
    with pytest.raises(InputError) as caught:
        with_waste_points(real({}), bad, season(), VALUES)
    assert [f.row for f in caught.value.findings] == [1, 2, 3]
    assert with_waste_points(real({}), None, season(), VALUES).frame.index.tolist() == ["f0"]


def test_two_points_of_one_name_stay_two():
    got = with_waste_points(real({}), points({}, {}), season(), VALUES).frame
    assert got.index.is_unique
    assert len(got) == 3


def test_a_whole_survey_is_reckoned_in_one_go(tmp_path):
    north = (0.1 - (np.arange(100) + 0.5) * 0.1 / 100) * 110_574.3
    place = Affine(0.1 / 100, 0, 29.95, 0, -0.1 / 100, -14.95)
    raster = tmp_path / "heights.tif"
    with rasterio.open(raster, "w", driver="GTiff", height=100, width=100, count=1, dtype="float32", crs="EPSG:4326",
                       transform=place) as out:  # fmt: skip
        out.write(np.repeat(0.3 * north[:, None], 100, axis=1).astype("float32"), 1)
    weeks = [f"2027-W{w:02d}" for w in range(1, 53)]
    climate = pd.DataFrame({"week": weeks, "humidity_pct": 40.0, "temperature_c": 25.0})
    near = points({"lon": 30.01})
    survey = SimpleNamespace(waste_points=near, climate=climate, elevation=raster)
    land, supply = season_supply(survey, real({"crop_2": "cotton"}), season(layers=LAYERS), VALUES)
    assert list(land.frame.index) == ["f0", "f0+cotton", "point rice mill"]
    free = supply.chain.set_index(["field_id", "residue"])["free_kg"]
    assert free[("f0", "stalk")] == 0  # a slope of 30 % keeps all its stalks
    assert free[("f0+cotton", "stalk")] > 0  # but for cotton, whose stalks the law wants out
    assert free[("point rice mill", "husk")] > 0
    assert {"supply.rain.wet_week_mm", "supply.slope.ground_cover"} <= set(supply.figures_used)
    bare = SimpleNamespace(waste_points=None, climate=None, elevation=None)
    assert season_supply(bare, real({}), season(), VALUES)[1].chain["free_kg"].sum() > 0
