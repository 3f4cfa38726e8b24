import geopandas as gpd
import pytest
import shapely

from tests.surveys import clean, kinds, season, square, table


def rows_with(fields, what):
    return [f.row for f in fields.findings if f.what == what]


def turned(shape):
    return shapely.transform(shape, lambda xy: xy[:, ::-1])


def test_a_row_with_swapped_coordinates_is_turned_round(tmp_path):
    rows = [{}, {}, {"geometry": turned(square(7))}, {}]
    fields = clean(tmp_path, table(rows))
    assert rows_with(fields, "swapped_coordinates") == [3]
    assert fields.counts == {"rows": 4, "kept": 3, "mended": 1, "set_aside": 0}
    assert fields.frame[fields.frame.row == 3].geometry.iloc[0].equals(square(7))


def test_a_whole_survey_swapped_is_turned_round_by_its_villages(tmp_path):
    gpd.GeoDataFrame({"name": ["A"]}, geometry=[shapely.Point(30, -15)], crs="EPSG:4326").to_file(tmp_path / "v.gpkg")
    layers = {"fields": {"file": "fields.gpkg"}, "villages": {"file": "v.gpkg"}}
    fields = clean(tmp_path, table([{"geometry": turned(square(i))} for i in range(3)]), season(layers=layers))
    assert rows_with(fields, "swapped_coordinates") == [1, 2, 3]
    assert fields.frame.geometry.iloc[0].equals(square(0))


def test_without_villages_a_whole_survey_swapped_cannot_be_told_and_is_left(tmp_path):
    fields = clean(tmp_path, table([{"geometry": turned(square(i))} for i in range(3)]))
    assert "swapped_coordinates" not in kinds(fields)


@pytest.mark.parametrize(
    ("shape", "hint"),
    [
        (square(lat=15), "south"),
        (square(lon=-30), "west"),
        (square(lon=-30, lat=15), "both"),
        (square(lon=0, lat=0), "check"),
    ],
)
def test_a_stray_is_set_aside_with_what_would_bring_it_home(tmp_path, shape, hint):
    fields = clean(tmp_path, table([{}, {}, {}, {"geometry": shape}]))
    assert rows_with(fields, "far_from_survey") == [4]
    finding = next(f for f in fields.findings if f.what == "far_from_survey")
    assert finding.grade == "set_aside"
    assert hint in finding.remedy


def test_two_surveys_in_one_file_are_told_and_kept(tmp_path):
    rows = [{"geometry": square(i, lon=30 if i < 4 else 36)} for i in range(7)]
    fields = clean(tmp_path, table(rows))
    assert fields.counts["set_aside"] == 0
    assert "43%" in next(f.found for f in fields.findings if f.what == "far_from_survey")


def test_a_field_taken_in_twice_counts_once_and_the_last_survey_wins(tmp_path):
    again = square().reverse()
    rows = [{"surveyed_on": "2027-03-01"}, {"geometry": again, "surveyed_on": "2027-04-01"}, {}]
    fields = clean(tmp_path, table(rows))
    assert fields.set_aside[["row", "what"]].to_numpy().tolist() == [[1, "double"]]
    assert "row 2" in fields.set_aside.reason.iloc[0]
    named = clean(tmp_path, table([{**r, "field_id": "same" if i < 2 else "c"} for i, r in enumerate(rows)]))
    assert named.frame.index.tolist() == ["same", "c"]
    assert "double_id" not in kinds(named)
    without = clean(tmp_path, table([{k: v for k, v in r.items() if k != "surveyed_on"} for r in rows]))
    assert without.set_aside.row.tolist() == [2]


def test_one_shape_with_two_crops_is_kept_and_told(tmp_path):
    fields = clean(tmp_path, table([{}, {"geometry": square(), "crop": "cowpea"}]))
    assert fields.counts["set_aside"] == 0
    assert rows_with(fields, "one_shape_two_crops") == [1, 2]
    assert "overlap" not in kinds(fields)


def test_overlaps_say_who_has_how_much(tmp_path):
    half = shapely.box(30.0004, -15, 30.0012, -14.9992)
    inner = shapely.box(30.0102, -14.9998, 30.0104, -14.9996)
    rows = [{}, {"geometry": half}, {"geometry": square(10)}, {"geometry": inner}, {"geometry": square(20)}]
    fields = clean(tmp_path, table(rows))
    assert rows_with(fields, "overlap") == [2]
    text = next(f.found for f in fields.findings if f.what == "overlap")
    assert "row 1" in text
    assert "50%" in text
    assert rows_with(fields, "inside_another") == [4]
    assert fields.counts["kept"] == 5


def test_neighbours_that_share_a_side_do_not_overlap(tmp_path):
    fields = clean(tmp_path, table([{"geometry": square(i, size=0.001)} for i in range(6)]))
    assert "overlap" not in kinds(fields)


def test_slivers(tmp_path):
    sliver = shapely.box(30, -14.99, 30.01, -14.99 + 0.000005)
    fields = clean(tmp_path, table([{}, {"geometry": sliver}]))
    assert rows_with(fields, "sliver") == [2]


def test_a_stated_area_in_another_unit_is_told_with_the_unit(tmp_path):
    measured = clean(tmp_path, table([{}])).frame.area_ha.iloc[0]
    rows = [{"area_stated": measured * 2.471}, {"area_stated": measured}, {"area_stated": measured * 5}]
    fields = clean(tmp_path, table(rows))
    assert rows_with(fields, "area_differs") == [1, 3]
    assert "in acre" in next(f.found for f in fields.findings if f.what == "area_differs")


def test_a_field_far_from_its_village_is_told(tmp_path):
    rows = [{"village": "A"} for _ in range(5)] + [{"village": "A", "geometry": square(lon=30.5)}]
    assert rows_with(clean(tmp_path, table(rows)), "far_from_village") == [6]
