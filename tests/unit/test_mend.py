"""One row of a survey put right in a copy: that cell and no other, and never the file as it came."""

import geopandas as gpd
import pandas as pd
import pytest
from shapely.geometry import Polygon

from sourcing.errors import UsageError
from sourcing.intake.mend import mended_name, read_row, write_mended
from sourcing.settings import Layer

SHAPES = [Polygon([(30 + i, -15), (30.01 + i, -15), (30.01 + i, -15.01)]) for i in range(3)]
ROWS = {"plot": ["a", "b", "c"], "crop": ["maize", "mealis", None], "yield": [1.5, None, 2.0], "plants": [1, 2, 3],
        "reaped": pd.to_datetime(["2027-05-01", "2027-05-02", None])}  # fmt: skip


@pytest.fixture
def survey(tmp_path):
    gpd.GeoDataFrame(ROWS, geometry=SHAPES, crs="EPSG:4326").to_file(tmp_path / "survey.gpkg")
    return Layer(file="survey.gpkg")


@pytest.mark.parametrize(
    ("heading", "text", "read"),
    [("crop", "maize", "maize"), ("yield", "1,25", "1.25"), ("yield", "1.2 t", "1.2 t"), ("plants", "", ""),
     ("plants", "about 20", "about 20"), ("reaped", "2027-06-03", "2027-06-03 00:00:00"), ("reaped", "June", "June")],
)  # fmt: skip
def test_one_cell_is_replaced_and_all_else_is_as_it_was(survey, tmp_path, heading, text, read):
    before = (tmp_path / "survey.gpkg").read_bytes()
    name = write_mended(tmp_path, survey, 2, {heading: text})
    assert name == "survey (mended).gpkg"
    assert (tmp_path / "survey.gpkg").read_bytes() == before
    copy = Layer(file=name)
    for row in (1, 2, 3):
        old, new = read_row(tmp_path, survey, row), read_row(tmp_path, copy, row)
        wanted = {**old, heading: read} if row == 2 else old
        assert {k: v.removesuffix(" 00:00:00") for k, v in new.items()} == {
            k: v.removesuffix(" 00:00:00") for k, v in wanted.items()
        }
    shapes = gpd.read_file(tmp_path / name).geometry
    assert all(a.equals(b) for a, b in zip(shapes, SHAPES, strict=True))


def test_a_mended_copy_is_mended_in_place(survey, tmp_path):
    name = write_mended(tmp_path, survey, 2, {"crop": "maize"})
    again = write_mended(tmp_path, Layer(file=name), 3, {"crop": "cotton"})
    assert again == name == mended_name(name)
    assert [read_row(tmp_path, Layer(file=name), r)["crop"] for r in (1, 2, 3)] == ["maize", "maize", "cotton"]


def test_a_table_stays_a_table_with_its_headings(tmp_path):
    (tmp_path / "t.csv").write_text('plot;crop;wkt\n1;mealis;"POINT (30 -15)"\n2;=1+1;x,y\n', encoding="utf-8")
    name = write_mended(tmp_path, Layer(file="t.csv"), 1, {"crop": "maize"})
    assert name == "t (mended).csv"
    assert read_row(tmp_path, Layer(file=name), 1) == {"plot": "1", "crop": "maize", "wkt": "POINT (30 -15)"}
    assert read_row(tmp_path, Layer(file=name), 2) == {"plot": "2", "crop": "=1+1", "wkt": "x,y"}


@pytest.mark.parametrize(("row", "cells"), [(0, {}), (4, {}), (2, {"no such": "x"})])
def test_what_is_not_there_is_not_mended(survey, tmp_path, row, cells):
    with pytest.raises(UsageError):
        write_mended(tmp_path, survey, row, cells)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["survey.gpkg"]
