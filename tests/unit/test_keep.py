"""What a plan was made from is kept, comes back whole, and cannot reach outside."""

import json
import shutil
import zipfile
from datetime import UTC, datetime

import geopandas as gpd
import pytest

from sourcing.errors import InputError, UsageError
from sourcing.intake.keep import keep_inputs, kept_season, read_record, unpack_inputs
from sourcing.intake.survey import read_survey
from sourcing.plan import plan_season, read_land
from sourcing.settings import read_settings
from tests.unit.two_surveys import SEASON, fields, season

WHEN = datetime(2027, 4, 1, tzinfo=UTC)


def kept(folder, path):
    settings = read_settings(folder)
    return keep_inputs(folder, settings, read_survey(folder, settings).inputs, path)


def test_the_same_inputs_give_the_same_archive_and_its_text_is_untouched(tmp_path):
    folder = season(tmp_path / "s", fields())
    assert kept(folder, tmp_path / "one.zip") == ""
    (folder / "paths.gpkg").touch()
    assert kept(folder, tmp_path / "two.zip") == ""
    assert (tmp_path / "one.zip").read_bytes() == (tmp_path / "two.zip").read_bytes()
    unpack_inputs(tmp_path / "one.zip", tmp_path / "back")
    assert (tmp_path / "back" / "season.toml").read_text() == SEASON


def test_files_from_elsewhere_and_all_parts_of_a_shapefile_come_along_and_plan_the_same(tmp_path):
    folder = season(tmp_path / "s", fields())
    far = tmp_path / "far away"
    far.mkdir()
    fields().rename(columns={"harvest_start": "start", "harvest_end": "end"}).to_file(far / "fields.shp")
    (tmp_path / "near.csv").write_text("name,likely\nmoney.wage_per_h,0.7\n")
    text = 'values_file = "../near.csv"\n' + SEASON.replace('"fields.gpkg"', f'"{(far / "fields.shp").as_posix()}"')
    text = text.replace(
        "[layers.paths]", '[layers.fields.columns]\nharvest_start = "start"\nharvest_end = "end"\n[layers.paths]'
    )
    text = text.replace('"paths.gpkg"', f'"{(folder / "paths.gpkg").as_posix()}"')
    (folder / "season.toml").write_text(text)
    assert kept(folder, tmp_path / "in.zip") == ""
    with zipfile.ZipFile(tmp_path / "in.zip") as archive:
        names = set(archive.namelist())
    assert {n.rsplit(".")[-1] for n in names if "fields" in n} >= {"shp", "shx", "dbf", "prj"}
    assert "paths.gpkg" in names
    unpack_inputs(tmp_path / "in.zip", tmp_path / "back")
    assert "# a comment to be kept" in (tmp_path / "back" / "season.toml").read_text()
    one, other = plan_season(folder, WHEN), plan_season(tmp_path / "back", WHEN)
    assert one.values["money.wage_per_h"] == other.values["money.wage_per_h"] == 0.7
    assert one.record["sites"] == other.record["sites"]
    assert one.record["totals"] == other.record["totals"]


def test_links_and_layers_written_in_one_line_come_along_too(tmp_path):
    folder = season(tmp_path / "s", fields())
    (folder / "fields.gpkg").rename(tmp_path / "the real one.gpkg")
    (folder / "fields.gpkg").symlink_to(tmp_path / "the real one.gpkg")
    shutil.copy(folder / "paths.gpkg", tmp_path / "rock [1].gpkg")
    text = SEASON.replace(
        "[layers.fields]",
        '[layers]\nno_go = [{ file = "../rock [1].gpkg", kind = "other" }, { file = "./paths.gpkg", kind = "other" }]\n'
        "[layers.fields]",
    )
    (folder / "season.toml").write_text(text)
    assert kept(folder, tmp_path / "in.zip") == ""
    shutil.rmtree(folder)
    (tmp_path / "the real one.gpkg").unlink()
    unpack_inputs(tmp_path / "in.zip", tmp_path / "back")
    back = read_survey(tmp_path / "back", read_settings(tmp_path / "back"))
    assert len(back.fields.frame) == 24
    assert [raw.file for raw in back.no_go] == ["elsewhere/1/rock [1].gpkg", "paths.gpkg"]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ("[outputs]\nkeep_inputs = false\n", "keep_inputs is false"),
        ("[outputs]\nkeep_most_mb = 0.01\n", "more than outputs.keep_most_mb"),
    ],
)
def test_inputs_that_are_unwanted_or_too_large_are_not_kept_and_it_is_said_why(tmp_path, change, told):
    folder = season(tmp_path / "s", fields(), SEASON + change)
    assert told in kept(folder, tmp_path / "in.zip")
    assert not (tmp_path / "in.zip").exists()


def test_inputs_that_were_changed_while_the_plan_was_made_are_not_kept(tmp_path):
    folder = season(tmp_path / "s", fields())
    land = read_land(folder)
    fields().iloc[1:].to_file(folder / "fields.gpkg")
    assert "fields.gpkg was changed" in keep_inputs(folder, land.settings, land.survey.inputs, tmp_path / "in.zip")
    season(folder, fields(), SEASON.replace("barrels = 8", "barrels = 9"))
    assert "season.toml was changed" in keep_inputs(folder, land.settings, land.survey.inputs, tmp_path / "in.zip")


def archive_of(path, **members):
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return path


@pytest.mark.parametrize("name", ["../evil.txt", "/evil.txt", "a/../../evil.txt", "..\\evil.txt"])
def test_an_archive_that_reaches_outside_its_folder_is_refused_before_anything_is_written(tmp_path, name):
    path = archive_of(tmp_path / "inputs.zip", **{"season.toml": SEASON, name: "gotcha"})
    (tmp_path / "in" / "deep").mkdir(parents=True)
    with pytest.raises(InputError, match="outside"):
        unpack_inputs(path, tmp_path / "in" / "deep")
    assert not list(tmp_path.rglob("evil*"))
    assert not list((tmp_path / "in" / "deep").iterdir())


@pytest.mark.parametrize("file", ["/etc/hostname", "../secret.gpkg"])
def test_a_kept_season_may_not_name_files_outside_its_archive(tmp_path, file):
    path = archive_of(tmp_path / "inputs.zip", **{"season.toml": SEASON.replace("paths.gpkg", file)})
    with pytest.raises(InputError, match="outside"):
        unpack_inputs(path, tmp_path / "in")


def test_a_damaged_archive_gets_clear_words(tmp_path):
    whole = archive_of(tmp_path / "inputs.zip", **{"season.toml": SEASON, "big.bin": "x" * 50_000}).read_bytes()
    (tmp_path / "inputs.zip").write_bytes(whole[:200])
    with pytest.raises(InputError, match="damaged"), kept_season(tmp_path):
        pass
    (tmp_path / "inputs.zip").unlink()
    with kept_season(tmp_path) as nothing:
        assert nothing is None


def test_what_is_no_plan_folder_gets_clear_words(tmp_path):
    with pytest.raises(UsageError, match="no plan folder"):
        read_record(tmp_path / "nowhere")
    with pytest.raises(UsageError, match=r"holds no plan\.json"):
        read_record(tmp_path)
    (tmp_path / "season.toml").write_text(SEASON)
    with pytest.raises(UsageError, match="it is a season"):
        read_record(tmp_path)
    for text in ("{", "[1]", "{}", json.dumps({"sites": []})):
        (tmp_path / "plan.json").write_text(text)
        with pytest.raises(UsageError, match=r"plan\.json"):
            read_record(tmp_path)


def test_a_plan_folder_holds_the_survey_as_it_was(tmp_path):
    folder = season(tmp_path / "s", fields())
    assert kept(folder, tmp_path / "inputs.zip") == ""
    with kept_season(tmp_path) as back:
        assert gpd.read_file(back / "fields.gpkg").equals(gpd.read_file(folder / "fields.gpkg"))
        place = back
    assert not place.exists()
