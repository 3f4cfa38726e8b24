from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from sourcing.errors import InputError
from sourcing.residue.mixed import with_second_crops
from sourcing.values import Values
from tests.surveys import DATA, HARVEST, clean, kinds, season, square, table


def only(fields, what):
    found = [f for f in fields.findings if f.what == what]
    assert len(found) == 1, (what, [f.what for f in fields.findings])
    return found[0]


def test_clean_rows_stay_as_they_are(tmp_path):
    fields = clean(tmp_path, table([{"field_id": "a", "village": "Koumbia"}, {"field_id": "b", "village": "Koumbia"}]))
    assert fields.counts == {"rows": 2, "kept": 2, "mended": 0, "set_aside": 0}
    assert fields.findings == ()
    assert fields.frame.index.tolist() == ["a", "b"]
    assert fields.frame.geometry.iloc[1].equals(square(1))
    assert fields.frame.village.tolist() == ["koumbia", "koumbia"]
    assert fields.frame.crs.to_epsg() == 4326
    assert fields.frame.yield_t_ha.isna().all()
    assert fields.frame.share_promised.tolist() == [1.0, 1.0]
    assert str(fields.frame.harvest_end.iloc[0].date()) == HARVEST["harvest_end"]


def test_that_no_field_says_its_village_is_told_only_where_some_field_is_left(tmp_path):
    (tmp_path / "one").mkdir()
    assert only(clean(tmp_path / "one", table([{"field_id": "a"}])), "no_villages").grade == "look"
    gone = clean(tmp_path, table([{"field_id": "a", "village": "Koumbia", "crop": ""}]))
    assert kinds(gone) == {"no_crop"}


@pytest.mark.parametrize(
    ("row", "what"),
    [
        ({"geometry": None}, "no_geometry"), ({"geometry": shapely.Polygon()}, "no_geometry"),
        ({"geometry": shapely.Point(30, -15)}, "not_an_area"), ({"crop": ""}, "no_crop"), ({"crop": None}, "no_crop"),
        ({"crop": "Mid fallow"}, "not_a_crop"), ({"crop": "zzzqq"}, "unknown_crop"),
        ({"harvest_start": None, "harvest_end": None}, "no_season"), ({"consent": "no"}, "no_consent"),
        ({"consent": "maybe"}, "unclear_consent"), ({"share_promised": 0.0}, "nothing_promised"),
        ({"yield_t_ha": 0.0}, "nothing_grown"), ({"harvest_start": "2027-06-01"}, "dates_backwards"),
        ({"harvest_end": "2027-02-30"}, "bad_date"), ({"geometry": shapely.box(0, 0, 3, 3)}, "giant_field"),
        ({"geometry": shapely.Polygon([(30, 0), (31, 0), (30.5, 0)])}, "nothing_left"),
        ({"geometry": square(size=1e-6)}, "nothing_left"),
        ({"geometry": shapely.box(200, 10, 201, 11)}, "outside_world"),
        ({"geometry": shapely.LineString([(30, -15), (30.001, -15)])}, "not_an_area"),
    ],
)  # fmt: skip
def test_a_row_that_cannot_be_used_is_set_aside_with_its_reason_and_the_next_is_kept(tmp_path, row, what):
    fields = clean(tmp_path, table([row, {"village": "x"}]))
    assert fields.counts == {"rows": 2, "kept": 1, "mended": 0, "set_aside": 1}
    assert fields.set_aside[["row", "what"]].to_numpy().tolist() == [[1, what]]
    found = only(fields, what)
    assert (found.grade, found.row, found.file) == ("set_aside", 1, "fields.gpkg")
    assert found.found
    assert found.expected
    assert found.remedy


def test_all_reasons_of_a_row_are_told(tmp_path):
    fields = clean(tmp_path, table([{"geometry": None, "crop": "fallow", "consent": "no"}, {}]))
    assert fields.set_aside.what.tolist() == ["not_a_crop"]
    assert fields.set_aside.reason.iloc[0].count(";") == 2
    assert fields.set_aside.kinds.tolist() == ["not_a_crop no_geometry no_consent"]


def test_an_unknown_crop_comes_with_proposals(tmp_path):
    fields = clean(tmp_path, table([{"crop": "maizze"}, {}]))
    assert "'maize'" in only(fields, "unknown_crop").remedy


def test_a_crossed_ring_is_mended_and_its_change_of_area_told(tmp_path):
    bow = shapely.Polygon([(30, -15), (30.001, -14.999), (30.001, -15), (30, -14.999)])
    fields = clean(tmp_path, table([{"geometry": bow}]))
    assert fields.counts["mended"] == 1
    found = only(fields, "invalid_ring")
    assert found.grade == "mended"
    assert "ha as drawn" in found.found
    assert fields.frame.is_valid.all()
    assert fields.frame.area_ha.iloc[0] == pytest.approx(0.595, abs=0.01)  # half of 110.6 m by 107.4 m


def test_a_walk_is_closed_and_its_gap_told(tmp_path):
    corners = list(square(size=0.001).exterior.coords)
    walk = shapely.LineString([*corners[:-1], (corners[0][0], corners[0][1] - 0.0002)])
    fields = clean(tmp_path, table([{"geometry": walk}]))
    assert "m apart" in only(fields, "walk_closed").found
    assert fields.frame.geometry.iloc[0].geom_type == "Polygon"


def test_heights_are_dropped_and_parts_and_holes_counted(tmp_path):
    hole = square(size=0.002).difference(shapely.box(30.0005, -14.9995, 30.001, -14.999))
    shape = shapely.MultiPolygon([shapely.force_3d(hole, 1200.0), square(5)])
    fields = clean(tmp_path, table([{"geometry": shape}]))
    assert not fields.frame.has_z.any()
    assert fields.frame.area_ha.iloc[0] == pytest.approx(
        clean(tmp_path, table([{"geometry": square(size=0.002)}])).frame.area_ha.iloc[0]
        - clean(tmp_path, table([{"geometry": shapely.box(30.0005, -14.9995, 30.001, -14.999)}])).frame.area_ha.iloc[0]
        + clean(tmp_path, table([{"geometry": square(5)}])).frame.area_ha.iloc[0],
        rel=1e-9,
    )


def test_a_shape_on_a_grid_of_metres_keeps_its_place(tmp_path):
    fields = clean(tmp_path, table([{}]).to_crs("EPSG:32736"))
    assert fields.frame.geometry.iloc[0].equals_exact(square(), 1e-8)


# --------------------------------------------------------------------------------------------------------------- dates


def bare(crop="maize", count=1):
    return table([{"crop": crop} for _ in range(count)]).drop(columns=["harvest_start", "harvest_end"])


def days(fields):
    row = fields.frame.iloc[0]
    return tuple(None if pd.isna(row[c]) else str(row[c].date()) for c in ("harvest_start", "harvest_end", "clear_by"))


@pytest.mark.parametrize(
    ("first_day", "expected"),
    [
        ("2027-04-01", ("2027-04-20", "2027-06-10", "2027-09-30")),
        ("2027-09-30", ("2027-04-20", "2027-06-10", "2027-09-30")),
        ("2027-10-01", ("2028-04-20", "2028-06-10", "2028-09-30")),
        ("2027-01-01", ("2027-04-20", "2027-06-10", "2027-09-30")),
    ],
)
def test_the_year_is_the_first_in_which_residue_is_left_on_the_first_day(tmp_path, first_day, expected):
    crops = {"maize": {"harvest_start": "04-20", "harvest_end": "06-10", "clear_by": "09-30"}}
    assert days(clean(tmp_path, bare(), season(season={"first_day": first_day}, crops=crops))) == expected


def test_a_harvest_over_the_year_end(tmp_path):
    crops = {"maize": {"harvest_start": "12-10", "harvest_end": "01-20", "clear_by": "03-01"}}
    for first_day in ("2027-12-01", "2028-02-01", "2028-03-01"):
        found = days(clean(tmp_path, bare(), season(season={"first_day": first_day}, crops=crops)))
        assert found == ("2027-12-10", "2028-01-20", "2028-03-01")


def test_other_fields_say_the_year_where_the_season_does_not(tmp_path):
    rows = [
        {"harvest_start": None, "harvest_end": None},
        {"crop": "cotton"},
        {"crop": "cotton", "harvest_start": "2017-05-01"},
    ]
    crops = {"maize": {"harvest_start": "06-01", "harvest_end": "06-30"}}
    assert days(clean(tmp_path, table(rows), season(crops=crops)))[:2] == ("2027-06-01", "2027-06-30")


def test_no_year_anywhere_is_refused_and_the_clock_is_not_asked(tmp_path):
    with pytest.raises(InputError, match="first_day"):
        clean(tmp_path, bare(), season(crops={"maize": {"harvest_end": "06-30"}}))


def test_a_days_text_that_is_no_day_is_refused(tmp_path):
    crops = {"maize": {"harvest_end": "30-06"}}
    with pytest.raises(InputError, match="MM-DD"):
        clean(tmp_path, bare(), season(season={"first_day": "2027-04-01"}, crops=crops))


def test_the_region_calendar_serves_where_nothing_else_does(tmp_path):
    settings = season(season={"region": "southern_africa", "first_day": "2027-03-01"})
    start, end, clear = days(clean(tmp_path, bare(), settings))
    assert start.startswith("2027-04")
    assert date.fromisoformat(start) < date.fromisoformat(end) < date.fromisoformat(clear)


def test_own_days_take_only_the_clear_by_day_from_the_crop(tmp_path):
    crops = {"maize": {"harvest_start": "06-01", "harvest_end": "06-30", "clear_by": "09-30"}}
    assert days(clean(tmp_path, table([{}]), season(crops=crops))) == ("2027-04-20", "2027-05-10", "2027-09-30")


def test_one_harvest_day_stands_for_both_and_is_told_once(tmp_path):
    frame = table([{"harvest_start": None}] * 3)
    fields = clean(tmp_path, frame)
    assert (fields.frame.harvest_start == fields.frame.harvest_end).all()
    assert "3 rows" in only(fields, "one_harvest_day").found
    told = only(
        clean(tmp_path, table([{"harvest_start": None}, {"harvest_start": None, "crop": ""}])), "one_harvest_day"
    )
    assert told.found.startswith("1 row with only the last day")  # a row set aside for another reason is not counted


def test_a_clear_by_day_decades_away_is_left_out(tmp_path):
    fields = clean(tmp_path, table([{"clear_by": "2072-06-12"}, {"clear_by": "2027-06-12"}]))
    found = only(fields, "clear_too_late")
    assert (found.grade, found.row) == ("mended", 1)
    assert fields.frame.clear_by.isna().tolist() == [True, False]


# ---------------------------------------------------------------------------------------------- villages, ids, numbers


def layer(folder, names, xs, ids=None):
    frame = gpd.GeoDataFrame({"name": names}, geometry=[shapely.Point(x, -15) for x in xs], crs="EPSG:4326")
    if ids:
        frame["village_id"] = ids
    frame.to_file(folder / "villages.gpkg")
    return season(layers={"fields": {"file": "fields.gpkg"}, "villages": {"file": "villages.gpkg"}})


def test_villages_match_whatever_the_case_and_accents(tmp_path):
    settings = layer(tmp_path, ["Gouéré", "Kolo"], [30.0, 31.0])
    fields = clean(tmp_path, table([{"village": " gouere "}, {"village": "KOLO"}]), settings)
    assert fields.frame.village.tolist() == ["gouere", "kolo"]
    assert fields.villages.name.to_dict() == {"gouere": "Gouéré", "kolo": "Kolo"}
    assert fields.villages.geometry.x.tolist() == [30.0, 31.0]


def test_a_blank_village_is_the_nearest_point_even_over_the_date_line(tmp_path):
    settings = layer(tmp_path, ["East", "West"], [-179.99, 179.0])
    fields = clean(tmp_path, table([{"geometry": square(lon=179.98), "village": ""}, {"village": "West"}]), settings)
    assert fields.frame.village.tolist() == ["east", "west"]
    assert only(fields, "village_by_nearness").grade == "mended"


def test_without_names_or_layer_there_is_one_village_in_the_middle(tmp_path):
    fields = clean(tmp_path, table([{}, {}, {}]), season(season={"name": "Rabi 2027"}))
    assert fields.villages.name.tolist() == ["Rabi 2027"]
    assert fields.villages.geometry.iloc[0].distance(square(1).centroid) < 1e-6


def test_a_village_missing_from_the_layer_lies_in_the_middle_of_its_fields(tmp_path):
    settings = layer(tmp_path, ["Kolokele"], [31.0])
    fields = clean(tmp_path, table([{"village": "Bana"}, {"village": "Kolokale"}]), settings)
    assert only(fields, "village_not_in_layer").grade == "look"
    assert "'Kolokele'" in only(fields, "village_names_alike").found
    assert fields.villages.geometry["bana"].distance(square(0).centroid) < 1e-6


def test_an_area_without_a_shape_is_placed_at_its_village(tmp_path):
    rows = [{"geometry": None, "area_stated": "2.5", "village": "Kolo"}, {"village": "Kolo"}]
    fields = clean(tmp_path, table(rows))
    found = only(fields, "placed")
    assert found.grade == "mended"
    assert "may lie far" in found.found
    row = fields.frame[fields.frame.placed].iloc[0]
    assert row.area_ha == pytest.approx(2.5)
    assert row.geometry.centroid.distance(square(1).centroid) < 1e-6


@pytest.mark.parametrize(
    ("cell", "unit", "hectares"),
    [("2.5", "", 2.5), ("2,5", "", 2.5), ("1", "acre", 0.40468564224), ("40", "Guntha", 0.40468564224),
     ("3 acres", "", 1.214),
     ("400 m2", "", 0.04), ("5 lima", "", 1.25)],
)  # fmt: skip
def test_local_units_of_area(tmp_path, cell, unit, hectares):
    rows = [{"geometry": shapely.Point(30, -15), "area_stated": cell}]
    settings = season(layers={"fields": {"file": "fields.gpkg", "units": {"area_stated": unit} if unit else {}}})
    assert clean(tmp_path, table(rows), settings).frame.area_ha.iloc[0] == pytest.approx(hectares, rel=1e-3)


def test_a_unit_in_the_heading_is_read_and_an_unknown_one_refused(tmp_path):
    for heading, works in (("Area (acre)", True), ("Area [ha]", True), ("Area (hand)", False)):
        frame = table([{"geometry": shapely.Point(30, -15), heading: 2.0}])
        settings = season(layers={"fields": {"file": "fields.gpkg", "columns": {"area_stated": heading}}})
        if works:
            assert clean(tmp_path, frame, settings).frame.area_ha.iloc[0] == pytest.approx(
                0.809 if "acre" in heading else 2, rel=1e-3
            )
        else:
            with pytest.raises(InputError, match="hand"):
                clean(tmp_path, frame, settings)


@pytest.mark.parametrize(("cell", "tonnes"), [("1800 kg/ha", 1.8), ("1,8 t/ha", 1.8), ("18 q/ha", 1.8), ("1.8", 1.8)])
def test_a_yield_is_read_in_the_unit_its_cell_gives(tmp_path, cell, tonnes):
    fields = clean(tmp_path, table([{"yield_t_ha": cell}]))
    assert fields.frame.yield_t_ha.iloc[0] == pytest.approx(tonnes)
    assert "bad_yield" not in kinds(fields)


def test_an_impossible_yield_is_left_to_the_crops_usual_one(tmp_path):
    fields = clean(tmp_path, table([{"yield_t_ha": 1200.0}, {"yield_t_ha": -1.0}, {"yield_t_ha": 2.0}]))
    assert np.isnan(fields.frame.yield_t_ha.iloc[0])
    assert np.isnan(fields.frame.yield_t_ha.iloc[1])
    assert fields.frame.yield_t_ha.iloc[2] == 2
    assert {"impossible_yield", "bad_yield"} <= kinds(fields, "mended")


def test_shares_in_percent_are_told(tmp_path):
    fields = clean(tmp_path, table([{"share_promised": 50.0}, {"share_promised": 100.0}]))
    assert fields.frame.share_promised.tolist() == [0.5, 1.0]
    assert "share_in_percent" in kinds(fields)
    fields = clean(
        tmp_path, table([{"share_promised": "50 %"}, {"share_promised": "0,25"}, {"share_promised": "lots"}])
    )
    assert fields.frame.share_promised.tolist() == [0.5, 0.25, 1.0]
    assert "bad_share" in kinds(fields, "mended")


def test_made_ids_do_not_depend_on_the_order_of_rows(tmp_path):
    frame = table([{}, {"crop": "cotton"}, {"geometry": square(0), "crop": "cotton"}])
    there = clean(tmp_path, frame).frame
    back = clean(tmp_path, frame.iloc[::-1]).frame
    assert there.index.is_unique
    assert {i: r.crop for i, r in there.iterrows()} == {i: r.crop for i, r in back.iterrows()}


def test_an_id_that_comes_twice_is_told_and_made_unique(tmp_path):
    fields = clean(tmp_path, table([{"field_id": "7"}, {"field_id": "7"}, {"field_id": "8"}, {"field_id": "9"}]))
    assert fields.frame.index.is_unique
    assert {"8", "9"} < set(fields.frame.index)
    assert [f.row for f in fields.findings if f.what == "double_id"] == [1, 2]


def test_the_callers_table_is_not_changed(tmp_path):
    from sourcing.intake.fields import clean_fields
    from sourcing.intake.survey import read_survey
    from sourcing.values import Values

    table([{"geometry": None, "area_stated": "1", "village": "x"}, {"village": "x"}]).to_file(tmp_path / "fields.gpkg")
    survey = read_survey(tmp_path, season())
    before = survey.fields.frame.copy(deep=True)
    clean_fields(survey, season(), Values.load())
    pd.testing.assert_frame_equal(pd.DataFrame(before), pd.DataFrame(survey.fields.frame))


# ---------------------------------------------------------------------------------------------------------- real files


def real(name, **sections):
    file = DATA / "fields" / name
    if not file.exists():
        pytest.skip(f"{name} is not here")
    layer = {"file": str(file), **sections.pop("fields", {})}
    return file.parent, season(layers={"fields": layer}, **sections)


def test_real_smallholder_fields_by_mapping_columns_alone():
    folder, settings = real(
        "bf_koumbia_jecam_100.gpkg",
        fields={"columns": {"crop": "CropType1", "season_start": "SOS", "harvest_end": "EOS", "village": "SiteName"}},
    )
    fields = clean(folder, None, settings)
    assert fields.counts["rows"] == 100
    assert sum(fields.counts.values()) == 200
    assert (fields.set_aside.what == "no_crop").sum() == 8
    assert (fields.set_aside.what == "not_a_crop").sum() == 17
    assert fields.villages.name.tolist() == ["Koumbia"]
    whole = gpd.read_file(folder / "bf_koumbia_jecam_100.gpkg").set_index("Id").Area_ha
    stated = whole.loc[fields.frame.index.astype(int)].to_numpy()
    assert fields.frame.area_ha.to_numpy() == pytest.approx(stated, rel=0.03, abs=0.0006)  # theirs is on a grid
    assert set(fields.frame.harvest_end.dt.date.astype(str)) == {"2015-11-30"}


def test_real_parcels_through_a_table_of_codes():
    folder, settings = real(
        "fr_rpg_eolearn_193.gpkg",
        fields={"columns": {"crop": "code_cultu", "field_id": "id_parcel"}},
        season={"first_day": "2027-06-01"},
        crop_names={"MIS": "maize", "BTH": "wheat", "J6S": "-", "PPH": "-", "ORH": "barley"},
        crops={c: {"harvest_start": "07-01", "harvest_end": "07-31"} for c in ("maize", "wheat", "barley")},
    )
    fields = clean(folder, None, settings)
    assert fields.frame.crop.value_counts().to_dict() == {"maize": 59, "wheat": 24, "barley": 4}
    assert sum(fields.counts.values()) == 2 * 193
    assert (fields.set_aside.what == "not_a_crop").sum() == 26
    assert fields.frame.index.is_unique


def test_real_boundaries_without_a_crop_say_what_is_lacking():
    folder, settings = real("kh_ai4sf_100.gpkg")
    with pytest.raises(InputError, match=r"no column says what grows there.*columns are id, country"):
        clean(folder, None, settings)


def test_a_harvest_in_another_year_is_set_aside_and_told(tmp_path):
    rows = [{}, {}, {}, {"harvest_start": "2017-04-20", "harvest_end": "2017-05-10"}]
    fields = clean(tmp_path, table(rows))
    assert fields.set_aside[["row", "what"]].to_numpy().tolist() == [[4, "odd_date"]]
    assert "odd_date" not in kinds(clean(tmp_path, table(rows[:3])))


def test_a_survey_of_years_ago_is_told(tmp_path):
    assert "past_season" in kinds(clean(tmp_path, table([{}]), season(season={"first_day": "2029-04-01"})))
    assert "past_season" not in kinds(clean(tmp_path, table([{}]), season(season={"first_day": "2027-04-01"})))


def test_spellings_of_one_village_are_one_and_the_usual_one_is_shown(tmp_path):
    fields = clean(tmp_path, table([{"village": v} for v in ("kolo", "Kolo", "Kolo", " KOLO ")]))
    assert fields.villages.name.tolist() == ["Kolo"]


def test_areas_with_columns_called_x_and_y_stay_areas(tmp_path):
    frame = table([{"id": "4", "x": 1.0, "y": 2.0}] * 2 + [{"id": "5", "x": 1.0, "y": 2.0}])
    assert clean(tmp_path, frame).counts["rows"] == 3


def test_a_second_crop_and_counted_plants_come_through(tmp_path):
    rows = [
        {"field_id": "a", "crop_2": "tur", "share_2": "30 %", "yield_2_t_ha": "0,6"},
        {"field_id": "b", "crop_2": "", "plants": 12},
        {"field_id": "c", "crop_2": "cotton", "share_2": "1.5"},
        {"field_id": "d", "crop_2": "mealies"},
        {"field_id": "e", "crop_2": "zzzz"},
    ]
    fields = clean(tmp_path, table(rows))
    frame = fields.frame
    assert frame.crop_2.to_dict() == {"a": "pigeon_pea", "b": "", "c": "cotton", "d": ""}
    assert frame.share_2.loc["a"] == pytest.approx(0.3)
    assert frame.share_2.loc[["b", "c", "d"]].isna().all()
    assert frame.yield_2_t_ha.loc["a"] == pytest.approx(0.6)
    assert frame.plants.loc["b"] == 12
    assert only(fields, "bad_share").row == 3
    assert only(fields, "one_crop_twice").row == 4
    assert fields.set_aside.row.tolist() == [5]
    two = with_second_crops(fields, Values.load()).frame
    assert two.area_ha.loc["a+pigeon_pea"] == pytest.approx(0.3 * frame.area_ha.loc["a"])
    assert two.area_ha.loc["c+cotton"] == pytest.approx(0.5 * frame.area_ha.loc["c"])
    assert not any("+" in i for i in two.index if i[0] not in "ac")
