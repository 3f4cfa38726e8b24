"""The desk's longer work: the same as the commands give, told as it goes, stopped without loss, one at a time."""

import json
import os
import shutil
import signal
import time
from datetime import UTC, datetime
from pathlib import Path

import geopandas as gpd
import pytest
from click.testing import CliRunner

from sourcing.cli import main
from sourcing.desk import jobs, work
from sourcing.desk.seasonfile import changed
from sourcing.desk.shelf import Season, Shelf
from sourcing.desk.store import HeldError, is_held, read_json
from sourcing.desk.work import CHECK_FILE
from sourcing.plan import plan_season

DEMO = Path(__file__).resolve().parents[2] / "demo_maps" / "season"
WAIT_S = 120


def thinned(folder, every):
    """The demo season with every so-manieth field, under a folder of its own."""
    folder.mkdir(parents=True)
    for name in ("land.gpkg", "houses.gpkg", "relief.tif"):
        shutil.copy(DEMO / name, folder / name)
    gpd.read_file(DEMO / "survey.gpkg").iloc[::every].to_file(folder / "survey.gpkg", layer="survey")
    shutil.copy(DEMO / "season.toml", folder)
    season = Season(folder.name, folder)
    set_options(season, {("stress", "replays"): 50, ("sites", "spacing_m"): 1200, ("fleet", "barrels"): 12,
                         ("values", "money.char_value_per_kg"): 3.0, ("works", "crew_paid"): "by_kilo"})  # fmt: skip
    return season


def set_options(season, changes):
    season.file.write_text(changed(season.file.read_text(encoding="utf-8"), changes), encoding="utf-8")


def plain(record):
    """A record without what differs from run to run."""
    return {k: v for k, v in record.items() if k not in ("made_at", "solve")}


def test_check_and_plan_are_the_commands_to_the_digit(tmp_path):
    season = thinned(tmp_path / "home" / "small", 80)
    set_options(season, {("placement", "gap"): 0.3, ("fleet", "barrels"): 5})
    jobs.start(season, "check", {})
    assert jobs.wait(season, WAIT_S).state == "done"
    kept = read_json(season.work / CHECK_FILE)
    told = json.loads(CliRunner().invoke(main, ["check", str(season.folder), "--json"]).stdout)
    assert (kept["kept"], kept["set_aside"], len(kept["findings"])) == (
        told["kept"],
        told["set_aside"],
        len(told["findings"]),
    )
    assert sorted(f["found"] for f in kept["findings"]) == sorted(f["found"] for f in told["findings"])
    jobs.start(season, "plan", {})
    with pytest.raises(HeldError):
        jobs.start(season, "plan", {})
    job = jobs.wait(season, WAIT_S)
    assert (job.state, job.problems) == ("done", ())
    made = read_json(season.plan(job.result) / "plan.json")
    told = []
    ours = plan_season(season.folder, datetime(2027, 1, 4, 8, 0, tzinfo=UTC), told.append).record
    assert tuple(dict.fromkeys(text.split(":")[0] for text in told)) == work.PLAN_STAGES[:-1]
    assert plain(made) == json.loads(json.dumps(plain(ours)))
    assert {k: v for k, v in made["solve"].items() if k != "seconds"} == {
        k: v for k, v in ours["solve"].items() if k != "seconds"
    }


def test_the_last_word_on_how_far_it_is_reaches_the_page_though_words_come_quickly(tmp_path):
    told = work.Told(tmp_path, {"id": "x"}, 3)
    for text in ("Placing", "Placing: within 9 %", "Placing: within 8 %"):
        told(text)
    end = time.monotonic() + WAIT_S
    while read_json(tmp_path / jobs.JOB_FILE)["doing"] != "Placing: within 8 %":
        assert time.monotonic() < end
        time.sleep(0.02)
    told("Placing: within 7 %")
    waiting = told.later
    told.end("done", "plan")
    if waiting is not None:
        waiting.join()
    assert read_json(tmp_path / jobs.JOB_FILE)["state"] == "done"


def until_placing(season):
    end = time.monotonic() + WAIT_S
    while "within" not in (job := jobs.current(season)).doing:  # a first plan is there
        assert job.at_work, job
        assert time.monotonic() < end, job
        time.sleep(0.1)
    return job


def test_stop_keeps_the_best_plan_so_far(tmp_path):
    season = thinned(tmp_path / "home" / "long", 18)
    set_options(season, {("placement", "seconds"): 600, ("placement", "gap"): 1e-9})
    jobs.start(season, "plan", {})
    job = until_placing(season)
    assert is_held(season.work / jobs.LOCK_FILE)
    jobs.stop(season, "another job")
    assert not jobs.current(season).stopping
    jobs.stop(season, job.id)
    assert jobs.current(season).stopping
    job = jobs.wait(season, WAIT_S)
    assert (job.state, job.problems) == ("done", ())
    record = read_json(season.plan(job.result) / "plan.json")
    assert record["solve"]["status"] in ("interrupted", "optimal")
    assert record["solve"]["seconds"] < WAIT_S  # of the 600 that it was given
    assert record["totals"]["char_kg"] > 0
    assert {"map.html", "sheets.pdf", "plan.xlsx", "inputs.zip"} <= set(season.plan_files(job.result))


def test_a_killed_run_leaves_nothing_and_is_told_as_lost(home):
    season = Shelf(home).season("valley")
    jobs.start(season, "plan", {})
    end = time.monotonic() + WAIT_S
    while jobs.current(season).state != "running":
        assert time.monotonic() < end
        time.sleep(0.02)
    kill(season)
    while jobs.current(season).at_work:
        assert time.monotonic() < end
        time.sleep(0.05)
    job = jobs.current(season)
    assert job.state == "lost"
    assert "Nothing was changed" in job.problems[0]
    assert season.plans() == {}
    jobs.start(season, "check", {})
    assert jobs.wait(season, WAIT_S).state == "done"


def kill(season):
    """Ends the season's process as a power cut would: found by the folder and job in its command."""
    job = jobs.current(season).id
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and job.encode() in (entry / "cmdline").read_bytes():
            os.kill(int(entry.name), signal.SIGKILL)


def test_what_goes_wrong_is_told_with_what_to_do(home):
    season = Shelf(home).season("valley")
    (season.folder / "fields.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    jobs.start(season, "plan", {})
    job = jobs.wait(season, WAIT_S)
    assert job.state == "failed"
    assert any("To do:" in p for p in job.problems)
    assert season.plans() == {}
