"""The history of a season through the commands: accepted, told, undone, planned from, and kept with the plan."""

import json

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

from sourcing.change.compare import compare
from sourcing.cli import main
from sourcing.intake.history import fingerprint
from sourcing.intake.keep import keep_inputs, kept_season
from sourcing.plan import read_land
from tests.postgis import new_database
from tests.unit.two_surveys import CRS, SEASON, fields, planned, season


def run(*words, code=0):
    done = CliRunner().invoke(main, [str(w) for w in words])
    assert done.exit_code == code, done.output
    return done.output if code == 0 else done.stderr


def second():
    """A field divided, one walked anew eight metres off, two put together, one fallow, one with another crop."""
    frame = fields()
    west, south, east, north = frame.geometry[4].bounds
    halves = [shapely.box(west, south, west + 60, north), shapely.box(west + 60, south, east, north)]
    parts = frame.loc[[4, 4]].assign(field_id=["A04a", "A04b"], geometry=halves)
    frame.loc[5, "geometry"] = shapely.affinity.translate(frame.geometry[5], 8, 8)
    whole = shapely.union_all(frame.geometry[[8, 9]]).convex_hull
    both = frame.loc[[8]].assign(field_id="A08+09", geometry=[whole])
    frame.loc[1, "crop"], frame.loc[11, "crop"] = "maize", "fallow"
    return gpd.GeoDataFrame(pd.concat([frame.drop([4, 8, 9]), parts, both]), crs=CRS)


@pytest.fixture(scope="module")
def twice(tmp_path_factory):
    """A season with two accepted surveys; the season file names the second."""
    folder = season(tmp_path_factory.mktemp("twice") / "s", fields())
    run("accept", folder, "--who", "Amina", "--note", "first round")
    second().to_file(folder / "june.gpkg")
    (folder / "season.toml").write_text(SEASON.replace("fields.gpkg", "june.gpkg"))
    assert "not accepted yet" in run("check", folder)
    told = run("accept", folder, "--who", "Joao")
    assert "1 gone, 1 changed, 1 walked anew, 1 divided, 1 put together, 18 as before" in told
    return folder


def test_fields_that_a_survey_says_nothing_usable_of_are_counted_when_it_is_accepted(tmp_path):
    folder = season(tmp_path / "s", fields())
    assert "Today there are 24 fields. To take" in run("accept", folder)
    fields().iloc[:10].assign(crop="cotton").to_file(folder / "fields.gpkg")
    told = run("accept", folder)
    assert "Today there are 24 fields, 14 of them as they were known: this survey has no usable row for them." in told


def test_the_history_is_told_survey_by_survey_and_field_by_field(twice):
    lines = run("history", twice).splitlines()
    assert "Amina" in lines[0]
    assert "first round" in lines[0]
    assert lines[1].strip() == "24 new"
    found = json.loads(run("history", twice, "--json"))
    assert [s["id"] for s in found] == [1, 2]
    one = run("history", twice, "--survey", 2)
    for word in ("divided", "walked anew", "put together", "55%", "crop cotton, now maize", "gone"):
        assert word in " ".join(one.split())
    links = json.loads(run("history", twice, "--survey", 2, "--json"))
    assert {(r["old"], r["new"]) for r in links if r["relation"] == "split"} == {("A04", "A04a"), ("A04", "A04b")}
    story = run("history", twice, "--field", "A04a")
    assert "survey 1" in story
    assert "divided from A04" in story
    assert "no field A04 today" in run("history", twice, "--field", "A04", code=2)
    assert "no survey 9" in run("history", twice, "--survey", 9, code=2)


def test_original_files_come_back_and_nothing_is_overwritten(twice, tmp_path):
    run("history", twice, "--survey", 1, "--originals", tmp_path / "old")
    assert (tmp_path / "old" / "fields.gpkg").read_bytes() == (twice / "fields.gpkg").read_bytes()
    assert "is there already" in run("history", twice, "--survey", 1, "--originals", tmp_path / "old", code=2)
    assert "--survey" in run("history", twice, "--originals", tmp_path, code=2)


def test_a_plan_from_the_history_says_so_and_can_be_made_again_and_compared(twice):
    plan = planned(twice)
    record = json.loads((plan / "plan.json").read_text())
    assert record["fields_from"]["from"] == "history"
    assert [s["file"] for s in record["fields_from"]["surveys"]] == ["fields.gpkg", "june.gpkg"]
    assert "Amina" not in (plan / "plan.json").read_text()
    findings = pd.read_excel(plan / "plan.xlsx", sheet_name="Findings")
    assert "fields are those of today" in findings.to_csv()
    with kept_season(plan) as again:
        assert fingerprint(read_land(again).fields) == fingerprint(read_land(twice).fields)
    assert "is survey 2" in run("check", twice)
    run("undo", twice, "--who", "Amina")
    assert "UNDONE" in run("history", twice)
    before = planned(twice)
    assert len(read_land(twice).fields.frame) == 24
    found = compare(before, plan, quick=True)
    assert found.counts == {"same": 18, "changed": 1, "gone": 1, "redrawn": 1, "split": 1, "merged": 1}
    run("accept", twice)
    assert [s["id"] for s in json.loads(run("history", twice, "--json"))] == [1, 2, 3]


def test_without_a_history_the_commands_say_what_to_do(tmp_path):
    folder = season(tmp_path / "s", fields())
    assert "sourcing accept" in run("history", folder, code=2)
    assert "nothing to undo" in run("undo", folder, code=2)
    assert not (folder / "history.sqlite").exists()
    run("accept", folder)
    assert "accepted on" in run("accept", folder, code=1)


def test_a_season_whose_history_is_in_postgis_is_planned_from_it_and_kept_without_it(tmp_path):
    address = new_database()
    folder = season(tmp_path / "s", fields(), f'{SEASON}[history]\ndatabase = "{address}"\n')
    assert "24 new" in run("accept", folder)
    second().to_file(folder / "june.gpkg")
    text = (folder / "season.toml").read_text().replace("fields.gpkg", "june.gpkg")
    (folder / "season.toml").write_text(text)
    run("accept", folder)
    assert not (folder / "history.sqlite").exists()
    land = read_land(folder)
    assert land.fields.source["from"] == "history"
    assert len(land.fields.frame) == 23
    (tmp_path / "plan").mkdir()
    archive = tmp_path / "plan" / "inputs.zip"
    assert keep_inputs(folder, land.settings, land.survey.inputs, archive, land.fields.source) == ""
    with kept_season(tmp_path / "plan") as again:
        kept = read_land(again)
        assert kept.settings.history.database == ""
        assert fingerprint(kept.fields) == fingerprint(land.fields)
    run("undo", folder)
    assert "changed while" in keep_inputs(folder, land.settings, land.survey.inputs, archive, land.fields.source)
    assert len(read_land(folder).fields.frame) == 24
