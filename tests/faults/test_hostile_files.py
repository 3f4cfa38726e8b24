"""Files made to do harm are refused, quickly and in little memory, with clear words."""

import contextlib
import json
import sqlite3
import time
import tracemalloc
import zipfile

import openpyxl
import pandas as pd
import pytest
import shapely

from sourcing.errors import InputError
from sourcing.intake.readers import read_table
from tests.surveys import HARVEST, clean, season, square, table

_ENTITIES = "".join(f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(9))
LAUGHS = f'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha">{_ENTITIES}]><kml><name>&j;</name></kml>'
VRT = "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>x</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
OUTSIDE = LAUGHS.split("<!ENTITY")[0] + '<!ENTITY j SYSTEM "file:///etc/hostname">]><kml><name>&j;</name></kml>'


def refused(path, what, seconds=5.0, megabytes=60):
    tracemalloc.start()
    begun = time.perf_counter()
    with pytest.raises(InputError) as caught:
        read_table(path, path.name)
    assert time.perf_counter() - begun < seconds
    assert tracemalloc.get_traced_memory()[1] < megabytes * 1e6
    tracemalloc.stop()
    (finding,) = caught.value.findings
    assert finding.what == what
    assert finding.file.startswith(path.name)
    assert finding.remedy


@pytest.mark.parametrize("text", [LAUGHS, OUTSIDE], ids=["entities within entities", "entity of another file"])
@pytest.mark.parametrize("ending", [".kml", ".gpx", ".gml"])
def test_xml_with_entities(tmp_path, text, ending):
    (tmp_path / f"f{ending}").write_text(text)
    refused(tmp_path / f"f{ending}", "xml_bomb")


@pytest.mark.parametrize("encoding", ["utf-16", "utf-8-sig"])
def test_xml_with_entities_in_another_encoding(tmp_path, encoding):
    (tmp_path / "f.kml").write_bytes(
        LAUGHS.replace('"1.0"', f'"1.0" encoding="{encoding[:6].strip("-")}"').encode(encoding)
    )
    refused(tmp_path / "f.kml", "xml_bomb")


def test_entities_within_an_archive(tmp_path):
    for ending in (".kmz", ".xlsx"):
        with zipfile.ZipFile(tmp_path / f"f{ending}", "w") as archive:
            archive.writestr("doc.kml", LAUGHS)
        refused(tmp_path / f"f{ending}", "xml_bomb")


def test_xml_nested_without_end(tmp_path):
    (tmp_path / "f.kml").write_text("<kml>" + "<Folder>" * 100_000)
    refused(tmp_path / "f.kml", "xml_bomb")


@pytest.mark.parametrize("ending", [".zip", ".kmz", ".xlsx"])
def test_an_archive_that_blows_up(tmp_path, ending):
    with (
        zipfile.ZipFile(tmp_path / f"f{ending}", "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("f.csv", "w") as out,
    ):
        for _ in range(120):
            out.write(b"0" * 1_000_000)
    refused(tmp_path / f"f{ending}", "zip_bomb")


def test_an_archive_of_very_many_files(tmp_path):
    with zipfile.ZipFile(tmp_path / "f.zip", "w") as archive:
        for i in range(10_001):
            archive.writestr(f"{i}.csv", "")
    refused(tmp_path / "f.zip", "zip_bomb")


@pytest.mark.parametrize(
    "name", ["../../evil.csv", "/etc/evil.csv", "a/../../evil.csv", "C:\\evil.csv", "..\\evil.csv"]
)
def test_an_archive_that_reaches_outside_its_folder(tmp_path, name):
    with zipfile.ZipFile(tmp_path / "f.zip", "w") as archive:
        archive.writestr(name, "wkt,crop\n")
    refused(tmp_path / "f.zip", "path_trick")
    assert not list(tmp_path.parent.rglob("evil.csv"))


def test_an_archive_that_is_cut_off(tmp_path):
    with zipfile.ZipFile(tmp_path / "g.zip", "w") as archive:
        archive.writestr("a.csv", "wkt,crop\n" * 100)
    (tmp_path / "f.zip").write_bytes((tmp_path / "g.zip").read_bytes()[:-30])
    refused(tmp_path / "f.zip", "unreadable")


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("f.vrt", VRT),
        ("f.json", VRT),
        ("f.geojson", '{"type": "gdal_streamed_alg", "command_line": "gdal vector pipeline read x"}'),
    ],
)  # fmt: skip
def test_files_that_point_elsewhere(tmp_path, name, text):
    (tmp_path / name).write_text(text)
    refused(tmp_path / name, "pointer")


def test_a_layer_that_runs_for_ever_when_read(tmp_path):
    table([{}]).to_file(tmp_path / "f.gpkg", layer="fields")
    with sqlite3.connect(tmp_path / "f.gpkg") as book:
        for (name,) in book.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            book.execute(f'drop trigger "{name}"')
        book.execute("alter table fields rename to old")
        book.execute(
            "create view fields as with recursive n(fid) as (select 1 union all select fid + 1 from n) "
            "select n.fid, old.geom, old.crop from n, old"
        )
        book.execute("update gpkg_contents set table_name = 'fields'")
    book.close()
    refused(tmp_path / "f.gpkg", "pointer")


def test_a_coordinate_system_that_would_have_to_be_fetched(tmp_path):
    data = {
        "type": "FeatureCollection",
        "crs": {"type": "link", "properties": {"href": "http://192.0.2.1/crs", "type": "ogcwkt"}},
        "features": [
            {"type": "Feature", "properties": {"crop": "maize"}, "geometry": json.loads(shapely.to_geojson(square()))}
        ],
    }
    (tmp_path / "f.geojson").write_text(json.dumps(data))
    begun = time.perf_counter()
    with contextlib.suppress(InputError):
        read_table(tmp_path / "f.geojson", "f.geojson")
    assert time.perf_counter() - begun < 5


def test_a_file_that_is_not_there_is_told_with_the_folder_looked_in(tmp_path):
    with pytest.raises(InputError) as told:
        read_table(tmp_path / "survey.gpkg", "survey.gpkg")
    assert told.value.findings[0].found == f"there is no such file in {tmp_path}"


def test_a_network_address_is_no_file(tmp_path):
    for name in ("/vsicurl/http://192.0.2.1/f.gpkg", "http://192.0.2.1/f.gpkg", "PG:host=192.0.2.1", "/vsizip/x.zip"):
        with pytest.raises(InputError, match="no such file"):
            read_table(tmp_path / name, name)


@pytest.mark.parametrize("depth", [1_000, 100_000])
def test_brackets_nested_without_end(tmp_path, depth):
    (tmp_path / "f.geojson").write_text('{"type":"Polygon","coordinates":' + "[" * depth)
    refused(tmp_path / "f.geojson", "unreadable")


def test_a_giant_field_and_absurd_coordinates_are_set_aside_quickly(tmp_path):
    n = 150_000
    many = shapely.Polygon([(30 + 0.01 * (i % 2), -15 + i * 1e-7) for i in range(n)])
    rows = [
        {"geometry": many}, {"geometry": shapely.box(-170, -80, 170, 80)},
        {"geometry": shapely.box(1e300, 1e300, 2e300, 2e300)},
        {"geometry": shapely.Polygon([(float("inf"), 0), (1, 1), (2, 0)])}, {},
    ]  # fmt: skip
    begun = time.perf_counter()
    fields = clean(tmp_path, table(rows))
    assert time.perf_counter() - begun < 15
    assert fields.counts["set_aside"] == 4
    assert fields.set_aside.what.tolist()[0] == "too_many_corners"


def test_a_tangle_of_crossing_lines_is_refused_and_a_smaller_one_mended(tmp_path):
    def star(n):
        return shapely.Polygon([(30 + 0.001 * (i * 200 % n) / n, -15 + 0.001 * (i * 173 % n) / n) for i in range(n)])

    begun = time.perf_counter()
    fields = clean(tmp_path, table([{"geometry": star(401)}, {"geometry": star(20_001)}, {"geometry": star(101)}, {}]))
    assert time.perf_counter() - begun < 20
    assert fields.set_aside[["row", "what"]].to_numpy().tolist() == [[1, "tangled"], [2, "tangled"]]
    assert fields.counts["mended"] == 1


def test_a_sheet_that_claims_a_million_columns_or_rows(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["wkt", "crop"])
    book.active.append([square().wkt, "maize"])
    book.active.cell(row=1_048_576, column=16_384, value="x")
    book.save(tmp_path / "f.xlsx")
    begun = time.perf_counter()
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "f.xlsx", "fixed": HARVEST}}))
    assert time.perf_counter() - begun < 10
    assert fields.counts["kept"] == 1


def test_a_csv_of_very_many_columns(tmp_path):
    (tmp_path / "f.csv").write_text(",".join(f"c{i}" for i in range(100_000)) + "\n1\n")
    refused(tmp_path / "f.csv", "too_big")


def test_a_csv_with_zero_bytes_and_one_with_a_line_too_long(tmp_path):
    (tmp_path / "f.csv").write_bytes(b"wkt,crop\n\x00\x00,maize\n")
    refused(tmp_path / "f.csv", "unreadable")
    (tmp_path / "g.csv").write_text("wkt,crop\nPOINT (1 1),maize,extra,cells\n")
    refused(tmp_path / "g.csv", "unreadable")
    (tmp_path / "h.csv").write_text('wkt,crop\n"POINT (1 1),maize\n')
    with pytest.raises(InputError):
        read_table(tmp_path / "h.csv", "h.csv", "", "", {"geometry": ("wkt",), "lon": (), "lat": ()})


@pytest.mark.parametrize("name", ["f.gpkg", "f.shp", "f.fgb", "f.parquet", "f.xlsx", "f.geojson"])
def test_files_cut_in_the_middle_are_refused_or_read_and_never_crash(tmp_path, name):
    frame = table([{} for _ in range(60)])[["crop", "geometry"]]
    path = tmp_path / name
    if name.endswith("parquet"):
        frame.to_parquet(path)
    elif name.endswith("xlsx"):
        pd.DataFrame({"crop": frame.crop, "wkt": frame.geometry.to_wkt()}).to_excel(path, index=False)
    else:
        frame.to_file(path)
    whole = path.read_bytes()
    for share in (0.1, 0.5, 0.9, 0.99):
        path.write_bytes(whole[: int(len(whole) * share)])
        read = None
        with contextlib.suppress(InputError):
            read = read_table(path, name)
        if read is not None:
            assert len(read.frame) < 60 or read.findings or read.frame.geometry.isna().any()
