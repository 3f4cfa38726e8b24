import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.intake.lineage import COLUMNS, RELATIONS, match_fields
from tests.surveys import clean, square, table


def fields(folder, rows):
    return clean(folder, table([{"village": "A", **row} for row in rows])).frame


def halves(column):
    x = 30 + column * 0.001
    return shapely.box(x, -15, x + 0.0003, -14.9992), shapely.box(x + 0.0003, -15, x + 0.0008, -14.9992)


def relations(matches):
    return {(r.old, r.new): r.relation for r in matches.itertuples()}


def test_the_same_survey_again_changes_nothing(tmp_path):
    frame = fields(tmp_path, [{"field_id": "a"}, {"field_id": "b"}])
    matches = match_fields(frame, frame)
    assert relations(matches) == {("a", "a"): "same", ("b", "b"): "same"}
    assert matches.columns.tolist() == COLUMNS


def test_a_new_crop_on_the_same_ground_is_a_change_even_under_another_name(tmp_path):
    old = fields(tmp_path, [{"field_id": "a"}])
    new = fields(tmp_path, [{"field_id": "z", "crop": "cotton", "yield_t_ha": 1.0}])
    matches = match_fields(old, new)
    assert relations(matches) == {("a", "z"): "changed"}
    assert matches.changes.tolist() == ["crop yield_t_ha"]


def test_coordinates_cut_to_a_few_decimals_are_the_same_drawing(tmp_path):
    old = fields(tmp_path, [{"field_id": "a"}])
    shifted = shapely.transform(square(), lambda xy: xy + 1e-7)
    assert relations(match_fields(old, fields(tmp_path, [{"field_id": "a", "geometry": shifted}]))) == {
        ("a", "a"): "same"
    }


def test_a_field_redrawn_split_and_merged(tmp_path):
    left, right = halves(5)
    parts = halves(9)
    old = [{"field_id": "r"}, {"field_id": "s", "geometry": square(5)}, {"field_id": "m1", "geometry": parts[0]},
           {"field_id": "m2", "geometry": parts[1]}, {"field_id": "gone", "geometry": square(20)}]  # fmt: skip
    new = [{"field_id": "r", "geometry": square(size=0.00075)}, {"field_id": "s1", "geometry": left},
           {"field_id": "s2", "geometry": right}, {"field_id": "m", "geometry": square(9)},
           {"field_id": "new", "geometry": square(30)}]  # fmt: skip
    matches = match_fields(fields(tmp_path, old), fields(tmp_path, new))
    assert relations(matches) == {
        ("r", "r"): "redrawn", ("s", "s1"): "split", ("s", "s2"): "split", ("m1", "m"): "merged", ("m2", "m"): "merged",
        ("gone", ""): "gone", ("", "new"): "new",
    }  # fmt: skip
    share = matches.set_index(["old", "new"]).share_old
    assert share["s", "s1"] == pytest.approx(0.375, abs=1e-6)
    assert share["s", "s2"] == pytest.approx(0.625, abs=1e-6)


def test_a_large_part_split_off_is_still_a_split(tmp_path):
    large, small = shapely.box(30, -15, 30.00062, -14.9992), shapely.box(30.00062, -15, 30.0008, -14.9992)
    new = [{"field_id": "x", "geometry": large}, {"field_id": "y", "geometry": small}]
    found = relations(match_fields(fields(tmp_path, [{"field_id": "a"}]), fields(tmp_path, new)))
    assert found == {("a", "x"): "split", ("a", "y"): "split"}


def test_neighbours_do_not_become_each_other(tmp_path):
    old = fields(tmp_path, [{"field_id": f"o{i}", "geometry": square(i, size=0.001)} for i in range(5)])
    new = fields(
        tmp_path,
        [
            {"field_id": f"n{i}", "geometry": shapely.transform(square(i, size=0.001), lambda xy: xy + 2e-5)}
            for i in range(5)
        ],
    )
    assert relations(match_fields(old, new)) == {(f"o{i}", f"n{i}"): "redrawn" for i in range(5)}


def test_a_name_alone_is_believed_within_its_village_only(tmp_path):
    old = fields(tmp_path, [{"field_id": "a"}, {"field_id": "b", "geometry": square(3)}])
    new = fields(
        tmp_path, [{"field_id": "a", "geometry": square(40)}, {"field_id": "b", "geometry": square(50), "village": "B"}]
    )
    assert relations(match_fields(old, new)) == {("a", "a"): "moved", ("b", ""): "gone", ("", "b"): "new"}


def test_two_crops_on_one_shape_keep_apart(tmp_path):
    rows = [
        {"field_id": "m", "crop": "maize", "geometry": square(0)},
        {"field_id": "c", "crop": "cowpea", "geometry": square(0)},
    ]
    old, new = fields(tmp_path, rows), fields(tmp_path, rows[::-1])
    assert relations(match_fields(old, new)) == {("m", "m"): "same", ("c", "c"): "same"}


def test_fields_without_a_shape_are_known_by_name(tmp_path):
    rows = [{"geometry": None, "area_stated": "1", "field_id": f"p{i}"} for i in range(3)]
    base = [{"field_id": "x", "geometry": square(9)}]
    old = fields(tmp_path, base + rows)
    new = fields(tmp_path, base + [{**r, "area_stated": "2"} for r in rows[:2]])
    assert relations(match_fields(old, new)) == {
        ("x", "x"): "same", ("p0", "p0"): "same", ("p1", "p1"): "same", ("p2", ""): "gone"
    }  # fmt: skip


def test_nothing_against_something(tmp_path):
    frame = fields(tmp_path, [{"field_id": "a"}])
    assert relations(match_fields(frame.iloc[:0], frame)) == {("", "a"): "new"}
    assert relations(match_fields(frame, frame.iloc[:0])) == {("a", ""): "gone"}
    assert len(match_fields(frame.iloc[:0], frame.iloc[:0])) == 0


box = st.tuples(st.integers(0, 6), st.integers(0, 6), st.integers(1, 4), st.integers(1, 4))


def boxes(specs, crop):
    import geopandas as gpd

    shapes = [shapely.box(x, y, x + w, y + h) for x, y, w, h in specs]
    frame = pd.DataFrame({"village": "A", "crop": [crop[i % 2] for i in range(len(specs))], "placed": False})
    return gpd.GeoDataFrame(
        frame, geometry=shapes, crs="EPSG:4326", index=pd.Index([f"{i}" for i in range(len(specs))], dtype=object)
    )


@settings(deadline=None, max_examples=60)
@given(st.lists(box, max_size=6), st.lists(box, max_size=6))
def test_every_field_has_its_place_and_none_is_both_kept_and_gone(old, new):
    one, other = boxes(old, ["maize", "cotton"]), boxes(new, ["maize", "maize"])
    matches = match_fields(one, other)
    assert set(matches.relation) <= set(RELATIONS)
    assert set(matches.old) - {""} == set(one.index)
    assert set(matches.new) - {""} == set(other.index)
    single = matches[matches.relation.isin(["same", "changed", "redrawn", "moved", "new", "gone"])]
    assert not single[single.old != ""].old.duplicated().any()
    assert not single[single.new != ""].new.duplicated().any()
    assert not set(single.old) & set(matches[matches.relation.isin(["split", "merged", "rearranged"])].old) - {""}
    assert np.isfinite(matches[["share_old", "share_new"]].to_numpy(dtype=float)).all()
