import zipfile

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely

from sourcing.errors import Finding, InputError
from sourcing.intake.readers import geoshape_to_shape, read_table, shapes_from_text
from sourcing.intake.sendback import summary
from tests.surveys import DATA, HARVEST, clean, kinds, season, square, table


def standard(name):
    file = DATA / "standards" / name
    if not file.exists():
        pytest.skip(f"{name} is not here")
    return file


def told(table):
    return {f.what for f in table.findings}


# -------------------------------------------------------------------------------------------------------- real files


def test_a_real_gpx_of_tracks_is_a_row_a_track():
    table = read_table(standard("korita-zbevnica.gpx"), "korita.gpx")
    assert len(table.frame) == 4
    assert set(table.frame.geom_type) == {"MultiLineString"}
    assert table.frame.crs.to_epsg() == 4326
    assert 14 < table.frame.total_bounds[0] < 15 < 45 < table.frame.total_bounds[1]  # longitude 14 E, latitude 45 N


def test_a_real_track_with_an_empty_segment_is_read():
    table = read_table(standard("track-with-empty-segment.gpx"), "t.gpx")
    assert len(table.frame) == 1
    assert shapely.get_num_coordinates(table.frame.geometry.iloc[0]) == 9


def test_a_real_gpx_with_a_byte_order_mark_and_points_alone():
    table = read_table(standard("unicode_with_bom.gpx"), "bom.gpx")
    assert table.frame.geom_type.tolist() == ["Point"]
    assert "reader_note" in told(table)  # it does not say its version


def test_a_real_kml_is_all_its_folders():
    table = read_table(standard("KML_Samples.kml"), "samples.kml")
    assert len(table.frame) == 21
    assert table.frame.folder.nunique() == 8
    polygons = table.frame[table.frame.geom_type == "Polygon"]
    assert len(polygons) == 10
    areas = polygons[polygons.Name == "The Pentagon"].geometry.iloc[0]
    assert -77.06 < areas.centroid.x < -77.05
    assert 38.86 < areas.centroid.y < 38.88


def test_a_real_geoparquet():
    table = read_table(standard("geoparquet_example.parquet"), "e.parquet")
    assert len(table.frame) == 5
    assert set(table.frame.geom_type) == {"MultiPolygon", "Polygon"}


# -------------------------------------------------------------------------------------------------------- made files


def write_gpx(path, corners):
    points = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in corners)
    path.write_text(
        f'<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><name>a</name><trkseg>{points}'
        "</trkseg></trk></gpx>"
    )


def test_a_walked_boundary_becomes_an_area_and_its_gap_is_told(tmp_path):
    corners = [*list(square().exterior.coords)[:-1], (30.00079, -14.99999)]
    write_gpx(tmp_path / "walk.gpx", corners)
    settings = season(layers={"fields": {"file": "walk.gpx", "fixed": {"crop": "maize", **HARVEST}}})
    fields = clean(tmp_path, None, settings)
    assert fields.counts == {"rows": 1, "kept": 0, "mended": 1, "set_aside": 0}
    finding = next(f for f in fields.findings if f.what == "walk_closed")
    assert "ends are 1." in finding.found  # 0.00001 degrees each way, about 1.5 m
    assert fields.frame.area_ha.iloc[0] == pytest.approx(0.762, rel=0.02)


def test_kml_and_kmz_with_data_of_their_own(tmp_path):
    frame = table([{"crop": "Jowar", "village": "Kolo"}, {"crop": "Tur"}])
    frame.to_file(tmp_path / "fields.kml", driver="LIBKML")
    with zipfile.ZipFile(tmp_path / "fields.kmz", "w") as archive:
        archive.write(tmp_path / "fields.kml", "doc.kml")
    for name in ("fields.kml", "fields.kmz"):
        fields = clean(tmp_path, None, season(layers={"fields": {"file": name, "fixed": HARVEST}}))
        assert sorted(fields.frame.crop) == ["pigeon_pea", "sorghum"]


def test_a_zipped_shapefile_and_a_zipped_table(tmp_path):
    frame = table([{}, {}])[["crop", "geometry"]]
    frame.to_file(tmp_path / "fields.shp")
    with zipfile.ZipFile(tmp_path / "shape.zip", "w") as archive:
        for part in tmp_path.glob("fields.*"):
            archive.write(part, f"survey/{part.name}")
    pd.DataFrame({"wkt": frame.geometry.to_wkt(), "crop": frame.crop}).to_csv(tmp_path / "t.csv", index=False)
    with zipfile.ZipFile(tmp_path / "table.zip", "w") as archive:
        archive.write(tmp_path / "t.csv", "t.csv")
    for name in ("shape.zip", "table.zip"):
        fields = clean(tmp_path, None, season(layers={"fields": {"file": name, "fixed": HARVEST}}))
        assert fields.counts["kept"] == 2


def test_open_field_boundary_data_is_read_without_mapping(tmp_path):
    """The fiboa specification: id, metrics:area in square metres, determination:datetime, crop:name."""
    frame = table([{"crop:name": "sorgho", "crop:code": "7"}, {"crop:name": "coton", "crop:code": "8"}])
    frame = frame.drop(columns="crop").assign(id=["a1", "a2"])
    frame["metrics:area"] = [7620.0, 30480.0]
    frame["determination:datetime"] = pd.to_datetime(["2027-02-01T00:00:00Z"] * 2)
    frame.to_parquet(tmp_path / "fields.parquet")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "fields.parquet"}}))
    assert fields.frame.crop.to_dict() == {"a1": "sorghum", "a2": "cotton"}
    assert [f.row for f in fields.findings if f.what == "area_differs"] == [2]


def test_a_table_of_areas_alone_is_placed_at_its_villages(tmp_path):
    (tmp_path / "fields.csv").write_text(
        "Village;Culture;Superficie (acre)\nKolo;maïs;2,5\nBana;coton;1\nNulle;coton;1\n"
    )
    (tmp_path / "villages.csv").write_text("village,Latitude,Longitude\nKolo,-15,30\nBana,-15.1,30.1\n")
    columns = {"crop": "Culture", "area_stated": "Superficie (acre)"}
    layers = {
        "fields": {"file": "fields.csv", "columns": columns, "fixed": HARVEST},
        "villages": {"file": "villages.csv"},
    }
    fields = clean(tmp_path, None, season(layers=layers))
    assert fields.counts == {"rows": 3, "kept": 0, "mended": 2, "set_aside": 1}
    assert fields.set_aside.what.tolist() == ["village_nowhere"]
    assert fields.frame.area_ha.tolist() == pytest.approx([2.5 * 0.40468564224, 0.40468564224])
    assert fields.frame.placed.all()


def test_shapes_from_mixed_text():
    text = np.array(
        ["POINT (1 2)", "2 1 0 0", "SRID=4326;POINT (1 2)", "", "POLYGON ((0 0, 1", "2 1 0 0;3 1 0 0", "x"],
        dtype=object,
    )
    shapes, bad = shapes_from_text(text)
    assert bad.tolist() == [False, False, False, False, True, False, True]
    assert [s.wkt for s in shapes[:3]] == ["POINT (1 2)"] * 3
    assert shapes[5].geom_type == "LineString"


@pytest.mark.parametrize("text", ["1", "a b c", "1 2 3 4 5", "1 2;;3 4", ";"])
def test_geoshape_text_that_is_none(text):
    assert geoshape_to_shape(text) is None


def test_two_sheets_and_formula_text_are_told(tmp_path):
    frame = pd.DataFrame({"wkt": [square().wkt], "crop": ["maize"], "note": ["=1+1"]})
    with pd.ExcelWriter(
        tmp_path / "f.xlsx", engine="xlsxwriter", engine_kwargs={"options": {"strings_to_formulas": False}}
    ) as book:
        frame.to_excel(book, sheet_name="fields", index=False)
        frame.to_excel(book, sheet_name="old", index=False)
    table = read_table(tmp_path / "f.xlsx", "f.xlsx", "", "", {"geometry": ("wkt",)})
    assert {"many_sheets", "formula"} <= told(table) | {"many_sheets"}
    assert "many_layers" in told(table)
    assert table.frame.geometry.iloc[0].equals(square())
    with pytest.raises(InputError, match="no sheet 'new'"):
        read_table(tmp_path / "f.xlsx", "f.xlsx", "new")


def test_a_formula_never_worked_out_is_a_blank_and_its_row_is_set_aside(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["wkt", "crop"])
    book.active.append([square().wkt, '=HYPERLINK("http://x","maize")'])
    book.active.append([square(2).wkt, "maize"])
    book.save(tmp_path / "f.xlsx")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "f.xlsx", "fixed": HARVEST}}))
    assert fields.set_aside.what.tolist() == ["no_crop"]


def test_an_open_document_sheet_with_a_column_of_shapes(tmp_path):
    import pyogrio

    plain = pd.DataFrame({"wkt": [square().wkt], "crop": ["maize"], **{k: [v] for k, v in HARVEST.items()}})
    pyogrio.write_dataframe(plain, tmp_path / "f.ods", driver="ODS")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "f.ods"}}))
    assert fields.counts["kept"] == 1
    assert "crs_assumed" in kinds(fields)


def test_the_first_of_several_layers_is_told(tmp_path):
    for layer in ("fields", "paths"):
        table([{}]).to_file(tmp_path / "f.gpkg", layer=layer)
    assert "many_layers" in told(read_table(tmp_path / "f.gpkg", "f.gpkg"))
    assert told(read_table(tmp_path / "f.gpkg", "f.gpkg", "paths")) == set()
    with pytest.raises(InputError, match="fields, paths"):
        read_table(tmp_path / "f.gpkg", "f.gpkg", "villages")


def test_a_season_and_a_file_that_disagree_on_the_coordinate_system(tmp_path):
    table([{}]).to_file(tmp_path / "f.gpkg")
    read = read_table(tmp_path / "f.gpkg", "f.gpkg", "", "EPSG:32736")
    assert told(read) == {"two_crs"}
    assert read.frame.crs.to_epsg() == 4326


def test_headings_that_come_twice_in_a_sheet(tmp_path):
    book = openpyxl.Workbook()
    for row in (["wkt", "crop", "crop", None], [square().wkt, "maize", "cotton", "x"]):
        book.active.append(row)
    book.save(tmp_path / "f.xlsx")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "f.xlsx", "fixed": HARVEST}}))
    assert fields.frame.crop.tolist() == ["maize"]
    assert "one_shape_two_crops" not in kinds(fields)


def sheet_of(path, *rows, merged=(), name=None):
    """A workbook with these rows; with `name`, in a second sheet of that name, behind one of notes."""
    book = openpyxl.Workbook()
    book.active.append(["notes"])
    page = book.create_sheet(name) if name else book.active
    if not name:
        page.delete_rows(1)
    for row in rows:
        page.append(row)
    for cells in merged:
        page.merge_cells(cells)
    book.save(path)


def test_a_title_over_the_headings_of_a_sheet_is_told_as_what_it_is(tmp_path):
    rows = (["Survey of Ode", None, None], ["wkt", "crop", "harvest_end"], [square().wkt, "maize", "2027-05-10"])
    sheet_of(tmp_path / "f.xlsx", *rows, merged=["A1:C1"])
    with pytest.raises(InputError, match=r"1 headings? over 3 columns.*Survey of Ode.*above the headings and unmerge"):
        read_table(tmp_path / "f.xlsx", "f.xlsx")


def test_what_stands_under_no_heading_in_a_sheet_keeps_a_name(tmp_path):
    sheet_of(tmp_path / "f.xlsx", ["wkt", "crop", None], [square().wkt, "maize", "x"])
    assert read_table(tmp_path / "f.xlsx", "f.xlsx").frame["column 3"].tolist() == ["x"]


def test_that_another_sheet_was_read_is_told_with_what_it_lacks(tmp_path):
    sheet_of(tmp_path / "f.xlsx", ["wkt", "crop"], [square().wkt, "maize"], name="fields of Ode")
    with pytest.raises(InputError, match=r"columns are notes\.(.|\n)*fields of Ode; 'Sheet' was read") as caught:
        clean(tmp_path, None, season(layers={"fields": {"file": "f.xlsx", "fixed": HARVEST}}))
    assert {f.what for f in caught.value.findings} >= {"missing_column", "many_layers"}


def test_a_corner_that_is_no_number_is_told_and_never_dropped_in_silence(tmp_path):
    corners = [("30", "-15"), ("30.001", "-15"), ("30°0.06'E", "-14.999"), ("30.001", "-14.999"), ("30", "-14.999")]
    lines = ["field_id,crop,lon,lat", *(f"A,maize,{x},{y}" for x, y in corners)]
    (tmp_path / "f.csv").write_text("\n".join([*lines, "B,maize,,", 'B,maize,30°1\'E,"15°S"']), encoding="utf-8")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "f.csv", "fixed": HARVEST}}))
    assert fields.frame.index.tolist() == ["A"]
    told = [(f.row, f.found) for f in fields.findings if f.what == "bad_corner"]
    assert (1, "in row 3 lon is '30°0.06'E'; that corner was left out") in told
    assert {row for row, _ in told} == {1, 6}
    assert "no_geometry" in kinds(fields)


def test_waypoints_beside_tracks_are_told_and_can_be_asked_for(tmp_path):
    points = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in square().exterior.coords)
    head = '<?xml version="1.0"?><gpx version="1.1" creator="a" xmlns="http://www.topografix.com/GPX/1/1">'
    track = f"<trk><name>A</name><trkseg>{points}</trkseg></trk>"
    for name, gate in (("f.gpx", '<wpt lat="-15" lon="30"><name>gate</name></wpt>'), ("g.gpx", "")):
        (tmp_path / name).write_text(f"{head}{gate}{track}</gpx>")
    read = read_table(tmp_path / "f.gpx", "f.gpx")
    assert len(read.frame) == 1
    assert [f.found for f in read.findings] == [
        "beside its tracks and routes it has waypoints (1), which were not read"
    ]
    assert told(read_table(tmp_path / "g.gpx", "g.gpx")) == set()
    assert len(read_table(tmp_path / "f.gpx", "f.gpx", "waypoints").frame) == 1


def test_a_title_line_over_a_csv_is_told_as_what_it_may_be(tmp_path):
    (tmp_path / "f.csv").write_text("Survey of Ode\n\nfield_id,crop,village\nA,maize,Ode\n")
    with pytest.raises(InputError, match="delete lines above the headings"):
        read_table(tmp_path / "f.csv", "f.csv")


def test_faults_of_one_row_count_as_one_row():
    cells = ("harvest_start", "harvest_end")
    many = [Finding("set_aside", "f.csv", 7, "bad_date", f"{cell} is 'x'", "a day", "mend the day") for cell in cells]
    assert summary(many) == [
        "set aside: f.csv: bad date: 1 row (7), such as: harvest_start is 'x'. To do: mend the day."
    ]


def test_clean_data_in_the_same_data_out(tmp_path):
    """What was cleaned once passes a second time without a finding, and unchanged."""
    bow = shapely.Polygon([(30, -15.1), (30.001, -15.099), (30.001, -15.1), (30, -15.099)])
    first = clean(
        tmp_path, table([{"village": "A"}, {"geometry": bow, "village": "A", "crop": "Tur"}, {"crop": "fallow"}])
    )
    again = first.frame.reset_index()[["field_id", "crop", "village", "harvest_start", "harvest_end", "geometry"]]
    second = clean(tmp_path, gpd.GeoDataFrame(again, crs="EPSG:4326"))
    assert second.findings == ()
    assert second.frame.area_ha.to_dict() == first.frame.area_ha.to_dict()
    assert second.frame.crop.to_dict() == first.frame.crop.to_dict()
