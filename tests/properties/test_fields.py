"""Whatever a survey holds: no row vanishes, no crash, and what is kept is whole."""

import contextlib
import tempfile
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from sourcing.errors import InputError
from sourcing.geodesy import areas_ha, mend_rings
from sourcing.intake.cells import FIRST_YEAR, LAST_YEAR, as_dates, as_numbers, as_yes_no, fold, number
from sourcing.intake.fields import clean_fields
from sourcing.intake.survey import RawLayer, Survey
from sourcing.residue.mixed import with_second_crops
from sourcing.values import Values
from tests.surveys import season, square, table

VALUES = Values.load()
SETTINGS = season(season={"region": "southern_africa", "first_day": "2027-03-01"})
near = st.floats(-0.01, 0.01).map(lambda d: round(d, 4))
point = st.tuples(near.map(lambda d: 30 + d), near.map(lambda d: -15 + d))
wild = st.tuples(st.floats(-400, 400), st.floats(-400, 400))
ring = st.lists(st.one_of(point, point, point, wild), min_size=4, max_size=9).map(lambda p: shapely.Polygon(p))
shape = st.one_of(
    st.none(), st.just(shapely.Polygon()), point.map(shapely.Point), wild.map(shapely.Point), ring,
    st.lists(point, min_size=2, max_size=8).map(shapely.LineString),
    st.lists(ring, min_size=1, max_size=3).map(shapely.MultiPolygon),
    ring.map(lambda r: shapely.GeometryCollection([r, shapely.Point(30, -15)])),
    st.integers(0, 5).map(square),
)  # fmt: skip
word = st.one_of(
    st.none(), st.sampled_from(["maize", "Mealies", "cotton", "fallow", "qqq", "", "Jowar "]), st.text(max_size=8)
)
day = st.one_of(
    st.none(), st.sampled_from(["2027-05-01", "3/4/27", "31/12/2026", "soon", "0001-01-01"]), st.text(max_size=6)
)
cell = st.one_of(st.none(), st.sampled_from(["1,5", "2 acre", "-1", "0", "1e999", "nan"]), st.text(max_size=6))
row = st.fixed_dictionaries(
    {"geometry": shape, "crop": word},
    optional={
        "village": st.one_of(st.none(), st.sampled_from(["A", "a ", "B"]), st.text(max_size=4)), "harvest_start": day,
        "harvest_end": day, "clear_by": day, "share_promised": cell, "yield_t_ha": cell, "area_stated": cell,
        "consent": st.sampled_from([None, "yes", "no", "?", "perhaps"]),
        "field_id": st.sampled_from([None, "1", "2", "x"]),
        "crop_2": word, "share_2": cell, "yield_2_t_ha": cell, "plants": cell,
    },
)  # fmt: skip


def survey_of(rows):
    frame = table(rows).drop(columns=[])
    frame["row"] = np.arange(1, len(frame) + 1)
    return Survey(RawLayer("fields", "f.gpkg", "0" * 64, len(frame), frame))


@settings(deadline=None, max_examples=80, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(row, min_size=1, max_size=7))
def test_rows_in_are_rows_kept_and_mended_and_set_aside(rows):
    survey = survey_of(rows)
    fields = clean_fields(survey, SETTINGS, VALUES)
    counts = fields.counts
    assert counts["rows"] == len(rows) == counts["kept"] + counts["mended"] + counts["set_aside"]
    assert sorted([*fields.frame.row, *fields.set_aside.row]) == list(range(1, len(rows) + 1))
    assert fields.frame.mended.sum() == counts["mended"]
    assert set(fields.set_aside.row) == {f.row for f in fields.findings if f.grade == "set_aside"}
    assert set(fields.frame.row[fields.frame.mended]) <= {f.row for f in fields.findings if f.grade == "mended"}
    frame = fields.frame
    assert frame.index.is_unique
    assert (frame.area_ha > 0).all()
    assert np.isfinite(frame.area_ha).all()
    assert frame.geometry.is_valid.all()
    assert set(frame.geom_type) <= {"Polygon", "MultiPolygon"}
    assert frame.village.isin(fields.villages.index).all()
    assert frame.crop.isin(VALUES.crops()).all()
    assert (frame.harvest_start <= frame.harvest_end).all()
    assert frame.share_promised.between(0, 1).all()
    assert not (frame.yield_t_ha <= 0).any()
    if "crop_2" in frame:
        assert frame.crop_2.isin(["", *VALUES.crops()]).all()
        assert frame.share_2.dropna().between(0, 1, inclusive="neither").all()
        assert frame.share_2[frame.crop_2 == ""].isna().all()
    whole = with_second_crops(fields, VALUES).frame
    assert whole.area_ha.sum() == pytest.approx(frame.area_ha.sum())


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(row, min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing_but_their_order(rows, random):
    order = list(range(len(rows)))
    random.shuffle(order)
    there = clean_fields(survey_of(rows), SETTINGS, VALUES)
    turned = survey_of([rows[i] for i in order])
    turned.fields.frame["row"] = [i + 1 for i in order]
    back = clean_fields(turned, SETTINGS, VALUES)
    assert sorted(there.frame.index) == sorted(back.frame.index)
    assert sorted(there.set_aside.row) == sorted(back.set_aside.row)
    assert there.frame.area_ha.sum() == pytest.approx(back.frame.area_ha.sum(), rel=1e-12)


@settings(deadline=None, max_examples=100)
@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=4, max_size=12))
@example([(0.0, 0.0), (0.0, 0.25), (0.75, 0.0), (0.0, 1.0), (0.0, 0.4877428683833699), (0.75, 1.9e-177)])
def test_mended_rings_are_valid_and_lie_within_the_corners(corners):
    mended = mend_rings(np.array([shapely.Polygon(corners)], dtype=object))[0]
    if mended is not None:
        assert mended.is_valid
        assert shapely.MultiPoint(corners).convex_hull.buffer(1e-9).covers(mended)


@settings(deadline=None, max_examples=60)
@given(st.floats(-179, 179), st.floats(-85, 85), st.floats(0.0001, 0.05), st.booleans())
def test_an_area_is_the_sum_of_its_halves_and_turns_nothing(lon, lat, size, turned):
    whole = shapely.box(lon, lat, lon + size, lat + size)
    halves = [
        shapely.box(lon, lat, lon + size / 2, lat + size),
        shapely.box(lon + size / 2, lat, lon + size, lat + size),
    ]
    area = areas_ha(np.array([whole.reverse() if turned else whole, *halves], dtype=object))
    # The upper and lower sides are geodesics between their ends, so the halves bulge a little otherwise.
    assert area[0] == pytest.approx(area[1] + area[2], rel=1e-4)


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=20))
def test_no_text_breaks_the_cells(text):
    import pandas as pd

    column = pd.Series([text, "2027-05-01"])
    dates = as_dates(column)
    assert dates.days[1] == np.datetime64("2027-05-01")
    if not np.isnat(dates.days[0]):
        assert FIRST_YEAR <= dates.days[0].astype(object).year <= LAST_YEAR
    as_numbers(column)
    as_yes_no(column)
    assert fold(fold(text)) == fold(text)


@settings(deadline=None, max_examples=100)
@given(st.floats(-1e9, 1e9).map(lambda x: round(x, 2)))
def test_numbers_read_back_with_point_and_comma(value):
    assert number(f"{value:.2f}") == pytest.approx(value)
    assert number(f"{value:.2f}".replace(".", ",")) == pytest.approx(value)
    assert number(f"{value:,.2f}") == pytest.approx(value)


@settings(deadline=None, max_examples=60)
@given(
    st.binary(max_size=400),
    st.sampled_from([".csv", ".xlsx", ".gpx", ".kml", ".kmz", ".gpkg", ".geojson", ".zip", ".shp", ".parquet"]),
)
def test_no_bytes_break_the_reader(data, ending):
    from sourcing.intake.readers import read_table

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"f{ending}"
        path.write_bytes(data)
        with contextlib.suppress(InputError):
            read_table(path, path.name)


@pytest.fixture(scope="module")
def good_files(tmp_path_factory):
    import zipfile

    import pandas as pd

    folder = tmp_path_factory.mktemp("good")
    frame = table([{"village": "A"}, {"village": "A"}])
    plain = pd.DataFrame(frame.drop(columns="geometry")).assign(wkt=frame.geometry.to_wkt())
    plain.to_csv(folder / "f.csv", index=False)
    plain.to_excel(folder / "f.xlsx", index=False)
    frame.to_file(folder / "f.geojson")
    frame.to_file(folder / "f.kml", driver="LIBKML")
    frame.to_parquet(folder / "f.parquet")
    with zipfile.ZipFile(folder / "f.zip", "w") as archive:
        archive.write(folder / "f.csv", "f.csv")
    return {p.name: p.read_bytes() for p in folder.iterdir()}


@settings(
    deadline=None, max_examples=80, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(data=st.data())
def test_a_damaged_file_is_refused_or_all_its_rows_are_accounted_for(good_files, data):
    from tests.surveys import clean

    name = data.draw(st.sampled_from(sorted(good_files)))
    body = bytearray(good_files[name])
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, max(len(body) - 1, 0)))
        body[at : at + data.draw(st.integers(0, 12))] = data.draw(st.binary(max_size=6))
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / name).write_bytes(bytes(body))
        with contextlib.suppress(InputError):
            fields = clean(Path(folder), None, season(layers={"fields": {"file": name}}))
            assert len(fields.frame) + len(fields.set_aside) == fields.counts["rows"]
