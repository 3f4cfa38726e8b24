import json
import re
from importlib.resources import files
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

from sourcing import plan
from sourcing.cli import main
from sourcing.errors import InputError
from sourcing.intake.survey import areas_from_corners, columns_of, read_survey, schema
from tests.surveys import HARVEST, clean, kinds, season, square, table


def refused(folder, settings):
    with pytest.raises(InputError) as caught:
        read_survey(folder, settings)
    return caught.value.findings


def test_every_fault_of_every_file_comes_at_once(tmp_path):
    table([{}]).drop(columns="crop").to_file(tmp_path / "fields.gpkg")
    (tmp_path / "empty.csv").write_text("")
    settings = season(
        layers={
            "fields": {"file": "fields.gpkg", "columns": {"village": "hamlet"}},
            "villages": {"file": "nowhere.shp"},
            "places": {"file": "empty.csv"},
            "elevation": "dem.tif",
        }
    )
    found = {(f.file, f.what) for f in refused(tmp_path, settings)}
    assert found == {
        ("fields.gpkg", "missing_column"),
        ("nowhere.shp", "no_file"),
        ("empty.csv", "empty_file"),
        ("dem.tif", "no_file"),
    }


def test_a_missing_column_names_the_columns_that_are_there_and_the_nearest(tmp_path):
    table([{"croptype": "maize"}]).drop(columns="crop").to_file(tmp_path / "fields.gpkg")
    findings = refused(tmp_path, season(layers={"fields": {"file": "fields.gpkg", "columns": {"crop": "crop_type"}}}))
    assert [f.what for f in findings] == ["missing_column"]  # told once, not again as a column that nobody named
    assert "nearest are croptype" in findings[0].found


def test_a_misspelt_name_of_ours_is_refused_with_the_right_one(tmp_path):
    table([{"w": "x"}]).to_file(tmp_path / "fields.gpkg")
    findings = refused(tmp_path, season(layers={"fields": {"file": "fields.gpkg", "columns": {"vilage": "w"}}}))
    assert findings[0].what == "unknown_option"
    assert findings[0].found.endswith("the nearest are village, lat")


def checked(folder, frame, *more):
    frame.to_file(folder / "fields.gpkg")
    (folder / "season.toml").write_text('[season]\nname = "A"\n[layers.fields]\nfile = "fields.gpkg"\n')
    return CliRunner().invoke(main, ["check", str(folder), *more])


def test_a_check_counts_as_people_do(tmp_path):
    done = checked(tmp_path, table([{"village": "Ode"}]))
    assert done.exit_code == 0, done.output
    said = " ".join(done.stdout.split())
    assert re.search(r"1 field can be used \(\S+ ha, 1 village\); 0 rows set aside", said)
    assert re.search(r"maize │ 1 │", said)


def test_a_plan_stopped_before_there_is_one_is_not_written(tmp_path, monkeypatch):
    """Ctrl-C while the first bound is sought: the search gives back the plan of doing nothing, which nobody wants."""
    assert checked(tmp_path, table([{"village": "Ode"}])).exit_code == 0
    nothing = SimpleNamespace(status="interrupted", barrels=np.zeros((2, 3), dtype=int))
    monkeypatch.setattr(plan, "solve", lambda *_, **__: nothing)
    done = CliRunner().invoke(main, ["plan", str(tmp_path)])
    assert done.exit_code == 130
    assert "no plan was written" in " ".join(done.stderr.split())
    assert not list((tmp_path / "plans").glob("*"))


@pytest.mark.parametrize("more", [(), ("--json",)])
def test_a_survey_of_which_nothing_can_be_used_needs_mending(tmp_path, more):
    frame = table([{"village": "Ode"}])
    done = checked(tmp_path, frame.set_geometry(frame.geometry.translate(0, 200)), *more)
    assert done.exit_code == 1
    assert "set_aside" in done.stdout if more else "0 fields can be used" in done.stdout


def test_mapped_columns_win_over_columns_of_the_same_name(tmp_path):
    frame = table([{"crop": "wheat", "main": "cotton"}])
    frame.to_file(tmp_path / "fields.gpkg")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "fields.gpkg", "columns": {"crop": "main"}}}))
    assert fields.frame.crop.tolist() == ["cotton"]


def test_headings_match_whatever_the_case(tmp_path):
    frame = table([{"Main Crop": "cotton"}]).drop(columns="crop")
    frame.to_file(tmp_path / "fields.gpkg")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "fields.gpkg", "columns": {"crop": "main crop"}}}))
    assert fields.frame.crop.tolist() == ["cotton"]


def test_what_is_the_same_for_all_rows_needs_no_column(tmp_path):
    table([{}, {}]).drop(columns="crop").to_file(tmp_path / "fields.gpkg")
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "fields.gpkg", "fixed": {"crop": "kapas"}}}))
    assert fields.frame.crop.tolist() == ["cotton", "cotton"]


def test_the_hash_and_the_rows_of_each_file_are_kept(tmp_path):
    table([{}, {}]).to_file(tmp_path / "fields.gpkg")
    survey = read_survey(tmp_path, season())
    assert survey.inputs[0]["path"] == "fields.gpkg"
    assert survey.inputs[0]["rows"] == 2
    assert len(survey.inputs[0]["sha256"]) == 64
    assert survey.fields.frame["row"].tolist() == [1, 2]


def test_a_changed_attribute_of_a_shapefile_changes_its_hash(tmp_path):
    hashes = []
    for crop in ("maize", "wheat"):
        table([{"crop": crop}])[["crop", "geometry"]].to_file(tmp_path / "fields.shp")
        hashes.append(read_survey(tmp_path, season(layers={"fields": {"file": "fields.shp"}})).fields.sha256)
    assert hashes[0] != hashes[1]


def test_a_shapefile_without_its_coordinate_system_is_refused_with_a_hint(tmp_path):
    table([{}])[["crop", "geometry"]].to_crs("EPSG:32736").to_file(tmp_path / "fields.shp")
    (tmp_path / "fields.prj").unlink()
    settings = season(layers={"fields": {"file": "fields.shp"}})
    findings = refused(tmp_path, settings)
    assert findings[0].what == "no_crs"
    assert "metres" in findings[0].found
    told = season(layers={"fields": {"file": "fields.shp", "crs": "EPSG:32736", "fixed": HARVEST}})
    fields = clean(tmp_path, None, told)
    assert fields.frame.geometry.iloc[0].centroid.distance(square().centroid) < 1e-7


def test_a_coordinate_system_that_is_none_is_refused(tmp_path):
    (tmp_path / "fields.csv").write_text("wkt,crop\nPOINT (1 1),maize\n")
    findings = refused(tmp_path, season(layers={"fields": {"file": "fields.csv", "crs": "EPSG:0"}}))
    assert findings[0].what == "bad_crs"


@pytest.mark.parametrize(
    "name", ["fields.gpkg", "fields.shp", "fields.geojson", "fields.fgb", "fields.parquet", "fields.gml", "fields.shz"]
)
def test_the_same_fields_from_every_format(tmp_path, name):
    frame = table([{"crop": "maize"}, {"crop": "cotton"}])[["crop", "geometry"]]
    if name.endswith(".parquet"):
        frame.to_parquet(tmp_path / name)
    else:
        frame.to_file(tmp_path / name)
    fields = clean(tmp_path, None, season(layers={"fields": {"file": name, "fixed": HARVEST}}))
    assert fields.counts == {"rows": 2, "kept": 2, "mended": 0, "set_aside": 0}
    assert sorted(fields.frame.crop) == ["cotton", "maize"]
    assert shapely.equals_exact(
        fields.frame.set_index("crop").geometry["maize"].normalize(), square(0).normalize(), tolerance=1e-9
    )


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_tables_in_any_encoding_and_separator(tmp_path, separator, encoding):
    lines = [["Forme", "Culture", "Village"], [f'"{square().wkt}"', "Niébé", "Gouéré"]]
    text = "\n".join(separator.join(cells) for cells in lines) + "\n"
    (tmp_path / "fields.csv").write_bytes(text.encode(encoding))
    columns = {"geometry": "Forme", "crop": "Culture", "village": "Village"}
    settings = season(layers={"fields": {"file": "fields.csv", "columns": columns, "fixed": HARVEST}})
    fields = clean(tmp_path, None, settings)
    assert fields.frame.crop.tolist() == ["cowpea"]
    assert fields.villages.name.tolist() == ["Gouéré"]
    assert ("encoding" in kinds(fields)) == (encoding in ("cp1252", "utf-16"))


def test_geoshape_text_has_latitude_first(tmp_path):
    """XForms geoshape: 'latitude longitude altitude accuracy' joined by ';', the last point equal to the first."""
    corners = list(square().exterior.coords)
    text = "; ".join(f"{lat} {lon} 1200 4.5" for lon, lat in corners)
    pd.DataFrame([{"geoshape": text, "crop": "maize", **HARVEST}]).to_csv(tmp_path / "fields.csv", index=False)
    fields = clean(tmp_path, None, season(layers={"fields": {"file": "fields.csv"}}))
    assert fields.frame.geometry.iloc[0].equals(square())
    assert "mended" not in {f.grade for f in fields.findings}


def test_a_geotrace_is_a_walk_to_be_closed(tmp_path):
    """XForms geotrace: the same text, its last point differing from its first."""
    text = ";".join(f"{lat} {lon} 0 0" for lon, lat in list(square().exterior.coords)[:-1])
    pd.DataFrame([{"boundary": text, "crop": "maize", **HARVEST}]).to_csv(tmp_path / "fields.csv", index=False)
    settings = season(layers={"fields": {"file": "fields.csv", "columns": {"geometry": "boundary"}}})
    fields = clean(tmp_path, None, settings)
    assert "open_walk" in kinds(fields)  # the fourth side is missing: a quarter of the way
    assert fields.counts["set_aside"] == 1


def test_rows_of_corners_become_areas():
    corners = list(square().exterior.coords)[:-1] + list(square(3).exterior.coords)[:-1]
    rows = [
        {"field_id": "a" if i < 4 else "b", "crop": "maize", "lon": x, "lat": y} for i, (x, y) in enumerate(corners)
    ]
    frame = gpd.GeoDataFrame(rows, geometry=[shapely.Point(r["lon"], r["lat"]) for r in rows], crs="EPSG:4326")
    whole = areas_from_corners(frame)
    assert whole.field_id.tolist() == ["a", "b"]
    assert whole.geometry.iloc[1].equals(square(3))


def test_a_spreadsheet_with_corners_blank_rows_and_commas(tmp_path):
    rows = [
        (f, x, y, "Mealies") for f, s in (("a", square()), ("b", square(2))) for x, y in list(s.exterior.coords)[:-1]
    ]
    frame = pd.DataFrame(rows, columns=["Field No", "Longitude", "Latitude", "Crop"])
    frame["Longitude"] = [f"{v:.6f}".replace(".", ",") for v in frame["Longitude"]]
    frame.loc[3.5] = [None] * 4
    frame.sort_index().to_excel(tmp_path / "fields.xlsx", index=False)
    columns = {"field_id": "Field No", "crop": "Crop"}
    settings = season(layers={"fields": {"file": "fields.xlsx", "columns": columns, "fixed": HARVEST}})
    fields = clean(tmp_path, None, settings)
    assert fields.frame.index.tolist() == ["a", "b"]
    assert fields.frame.row.tolist() == [1, 6]
    assert fields.frame.geometry.loc["b"].equals_exact(square(2), 1e-6)


def test_the_list_of_columns_is_whole():
    assert {c.layer for c in schema()} >= {"fields", "villages", "paths", "places", "no_go", "waste_points"}
    assert all(c.meaning and c.example for c in schema())
    assert {c.type for c in schema()} == {"shape", "text", "number", "date", "yes_no", "area", "share"}
    assert columns_of("fields")["crop"].needed


READERS_OF_COLUMNS = (
    "intake/fields", "intake/units", "intake/harvest", "intake/villages", "intake/survey", "network/ways",
    "network/paths", "carrying/sites", "carrying/ground", "residue/mixed",
)  # fmt: skip


def test_every_column_that_the_code_reads_is_shown():
    """Names that rooms take out of survey layers, found in their text, against `sourcing settings columns`."""
    read = set()
    for room in READERS_OF_COLUMNS:
        text = files("sourcing").joinpath(f"{room}.py").read_text(encoding="utf-8")
        for pattern in (
            r'(?:raw|layer|points|frame)(?:\.frame)?\["(\w+)"\]',
            r'"(\w+)" (?:not )?in (?:\w+\.)*(?:frame|raw|points)\b',
            r'_(?:own|texts|shares)\((?:\w+\.)*frame, "(\w+)"',
        ):
            read |= set(re.findall(pattern, text))
    shown = {row["name"] for row in json.loads(CliRunner().invoke(main, ["settings", "columns", "--json"]).output)}
    assert {"crop_2", "share_2", "yield_2_t_ha", "plants", "t_week", "consent"} <= read | {"yield_2_t_ha"}
    assert read - {"row", "geometry_text"} <= shown
    assert {"crop_2", "share_2", "yield_2_t_ha", "plants"} <= shown
