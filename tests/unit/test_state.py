"""Large work from a season folder: tiles, regions, finished pieces, worker processes."""

import json
import os
import shutil
import signal
import threading
import time
from concurrent.futures import Future
from datetime import UTC, datetime

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

from sourcing.cli import main
from sourcing.errors import InputError, PlanFaultError, UsageError
from sourcing.plan import place_barrels, read_land
from sourcing.regions import master, state
from sourcing.regions.cluster import DaskMap, hands
from sourcing.regions.overview import write_state
from sourcing.regions.state import Hands, Job, place_state, proven
from sourcing.regions.store import facts_of, table_of, write_parts, write_piece
from tests.walks import METRES

SEASON = """
[season]
name = "Register"
first_day = 2027-04-05
last_day = 2027-07-04

[layers.fields]
file = "{fields}"
columns = {{ crop = "code" }}
fixed = {{ estimated = "yes" }}

[layers.villages]
file = "villages.gpkg"

[layers.paths]
file = "paths.gpkg"

[crop_names]
M = "maize"
C = "cotton"

[supply]
residues = ["maize/stalk", "cotton/stalk"]

[crops.maize]
harvest_start = "04-12"
harvest_end = "04-25"

[crops.cotton]
harvest_start = "05-03"
harvest_end = "05-16"

[carrying]
max_distance_m = 600

[sites]
spacing_m = 700

[fleet]
barrels = 6

[stress]
replays = 10

[placement]
seconds = 20
gap = 0.05
"""


def register(folder, parts=True):
    """A register without a survey: 220 fields on 3 km, two villages, a cross of ways; in parts or in one file."""
    folder.mkdir()
    draw = np.random.default_rng(5)
    at = draw.uniform(-1500, 1500, (220, 2))
    shapes = shapely.box(*(at - 40).T, *(at + 40).T)
    fields = gpd.GeoDataFrame({"code": draw.choice(["M", "C"], 220)}, geometry=shapes, crs=METRES).to_crs(4326)
    if parts:
        assert write_parts(fields, folder / "fields", rows=60) == 4
    else:
        fields.to_file(folder / "fields.gpkg")
    homes = gpd.GeoDataFrame(
        {"name": ["West", "East"]}, geometry=shapely.points([[-900, 0], [900, 0]]), crs=METRES
    ).to_crs(4326)
    homes.to_file(folder / "villages.gpkg")
    ways = [shapely.LineString([(-1600, y), (1600, y)]) for y in (-900, 0, 900)]
    ways += [shapely.LineString([(x, -1600), (x, 1600)]) for x in (-800, 800)]
    gpd.GeoDataFrame({"way": ["track"] * 5}, geometry=ways, crs=METRES).to_crs(4326).to_file(folder / "paths.gpkg")
    text = SEASON.format(fields="fields" if parts else "fields.gpkg")
    (folder / "season.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module", autouse=True)
def little_effort():
    """Ends every search here long before the clock, so that plans can be compared."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(master, "EFFORT_SHARE", 0.05)
        yield


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    folder = register(tmp_path_factory.mktemp("state") / "register")
    return folder, place_state(folder, Hands(), tile_fields=60)


def test_a_register_in_parts_is_placed_as_the_same_register_in_one_file(planned, tmp_path):
    _, found = planned
    whole = place_barrels(read_land(register(tmp_path / "whole", parts=False)))
    assert len(found.regions) == 2
    assert found.facts["fields"] == 220
    assert found.facts["free_kg"] == pytest.approx(whole.problem.instance.lot_mass_kg.sum())
    assert found.whole.sites.frame.geometry.geom_equals_exact(whole.sites.frame.geometry, 1e-9).all()
    assert found.joint.value <= whole.placement.bound * (1 + 1e-6)
    assert found.joint.bound >= whole.placement.value * (1 - 1e-6)
    assert found.joint.gap < 0.6


def test_every_field_of_a_register_counts_as_estimated_everywhere(planned, tmp_path):
    folder, found = planned
    target, record = write_state(found, folder, datetime(2027, 3, 1, tzinfo=UTC), Hands())
    assert record["estimated_fields"] == record["totals"]["fields"] == 220
    page = (target / "overview.html").read_text(encoding="utf-8")
    assert "West" in page
    assert "stimated, not surveyed: 100" in page
    total = 0.0
    for region in record["regions"]:
        assert f'href="{region["folder"]}/map.html"' in page
        own = json.loads((target / region["folder"] / "plan.json").read_text(encoding="utf-8"))
        total += own["totals"]["char_kg"]
        for name in ("map.html", "plan.gpkg", "plan.xlsx", "sheets.pdf"):
            assert (target / region["folder"] / name).stat().st_size > 0
    assert record["totals"]["char_kg"] == pytest.approx(total, rel=1e-6)
    assert "http:" not in page.replace("http://www.w3.org", "")
    assert len(page) < 1_000_000


def test_a_joint_plan_that_takes_a_lot_twice_or_uses_too_many_barrels_is_refused(planned):
    _, found = planned
    weeks = found.joint.allotment.shape[1]
    row = state.RegionPlanned(
        0, pd.DataFrame(), {}, np.full(weeks, 99), pd.Series([60.0], [7]), pd.Series([100.0], [7]), ()
    )
    with pytest.raises(PlanFaultError) as told:
        proven(found, [row, row])
    assert "lot 7: 120" in str(told.value)
    assert "198 barrels stand" in str(told.value)


def test_a_restart_goes_on_behind_the_last_finished_tile(planned, monkeypatch):
    folder, found = planned
    done = []
    monkeypatch.setattr(state, "clean_fields", lambda *a: done.append("cleaned"))
    monkeypatch.setattr(state, "tile_land", lambda *a: done.append("supply"))
    monkeypatch.setattr(state, "tile_arcs", lambda *a: done.append("arcs"))
    again = place_state(folder, Hands(), tile_fields=60)
    assert done == []
    assert again.joint.value <= found.joint.bound * (1 + 1e-6)
    assert again.whole.sites.frame.equals(found.whole.sites.frame)


def test_a_piece_appears_whole_or_not_at_all_and_is_never_made_twice(tmp_path):
    write_piece(tmp_path, "one", {"t": pd.DataFrame({"a": [1]})}, {"n": 1})
    write_piece(tmp_path, "one", {"t": pd.DataFrame({"a": [2]})}, {"n": 2})
    assert facts_of(tmp_path, "one") == {"n": 1}
    assert table_of(tmp_path, "one", "t")["a"].tolist() == [1]
    with pytest.raises(ZeroDivisionError):
        write_piece(tmp_path, "two", _breaking(), {})
    assert [p.name for p in tmp_path.iterdir()] == ["one"]


def _breaking():
    class Table(pd.DataFrame):
        def to_parquet(self, *a, **k):
            raise ZeroDivisionError

    return {"t": Table()}


def test_a_register_in_parts_needs_villages_and_a_first_day(tmp_path):
    folder = register(tmp_path / "r")
    text = (folder / "season.toml").read_text().replace("first_day = 2027-04-05\n", "")
    (folder / "season.toml").write_text(text.replace('[layers.villages]\nfile = "villages.gpkg"\n', ""))
    with pytest.raises(InputError) as told:
        place_state(folder, Hands(), tile_fields=60)
    assert {f.found for f in told.value.findings} == {"there is no a layer of villages", "there is no season.first_day"}


def test_more_workers_without_dask_say_what_to_install(monkeypatch):
    import builtins

    real = builtins.__import__

    def without(name, *a, **k):
        if name in ("dask", "distributed"):
            raise ImportError(name)
        return real(name, *a, **k)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError, match=r"sourcing\[cluster\]"), hands(2):
        pass
    with hands(1) as alone:
        assert alone == Hands()


def slow_square(number):
    time.sleep(0.3)
    return number * number


@pytest.mark.filterwarnings("ignore")
def test_a_killed_worker_costs_time_only(tmp_path):
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    with hands(2) as many:
        assert many.count == 2
        pids = list(many.map.client.run(os.getpid).values())  # processes of this test alone

        def kill():
            time.sleep(0.5)
            os.kill(pids[0], signal.SIGKILL)

        thread = threading.Thread(target=kill)
        thread.start()
        assert list(many.map(slow_square, range(12))) == [n * n for n in range(12)]
        thread.join()
        assert many.map.client.submit(slow_square, 3).result() == 9


@pytest.mark.filterwarnings("ignore")
def test_worker_processes_plan_what_one_process_plans(planned, tmp_path):
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    folder, found = planned
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("work", "plans"))
    with hands(2) as many:
        again = place_state(copy, many, tile_fields=60)
    assert again.whole.sites.frame.equals(found.whole.sites.frame)
    assert again.whole.lots_before == found.whole.lots_before
    assert again.facts == found.facts
    assert (again.joint.value, again.joint.bound) == (found.joint.value, found.joint.bound)
    for mine, theirs in zip(again.joint.plans, found.joint.plans, strict=True):
        np.testing.assert_array_equal(mine.barrels, theirs.barrels)


def test_the_command_plans_in_tiles_and_says_where_the_overview_is(planned, monkeypatch):
    folder, found = planned
    monkeypatch.setattr("sourcing.cli.place_state", lambda *a: found)
    record = {
        "season": "Register", "solve": {"gap": 0.1, "seconds": 3.0}, "regions": [], "estimated_fields": 220,
        "totals": {"residue_kg": 5e4, "residue_free_kg": 9e4, "char_kg": 1e4, "most_barrels": 4, "fields": 220},
    }  # fmt: skip
    monkeypatch.setattr("sourcing.cli.write_state", lambda *a: (folder / "plans" / "x", record))
    said = CliRunner().invoke(main, ["plan", str(folder), "--workers", "1"])
    assert said.exit_code == 0, said.output
    assert "overview.html" in said.output
    assert "220 of 220 fields are estimated" in said.output
    refused = CliRunner().invoke(main, ["plan", str(folder), "--workers", "1", "--near", str(folder)])
    assert refused.exit_code == 2


def test_a_lost_cluster_is_told_in_plain_words_with_what_to_do():
    """What a Dask client's futures raise when its scheduler is gone."""

    class Lost:
        def map(self, function, items, **options):
            done, gone = Future(), Future()
            done.set_result(1)
            gone.cancel()
            return [done, gone]

        def cancel(self, futures):
            """Nobody is there any more."""

    answers = DaskMap(Lost())(abs, [1, 2])
    assert next(answers) == 1
    with pytest.raises(UsageError, match="finished tiles are kept"):
        next(answers)


def test_a_stage_travels_as_a_job(tmp_path):
    place = state.Place(tmp_path, "run-x")
    place.put("a", {"n": 3})
    assert Job(lambda p, k: p.get("a")["n"] * k, place)(4) == 12


def test_tiles_are_planned_from_the_accepted_surveys_too(tmp_path):
    folder = register(tmp_path / "r", parts=False)
    assert CliRunner().invoke(main, ["accept", str(folder)]).exit_code == 0
    whole = gpd.read_file(folder / "fields.gpkg")
    whole.iloc[:50].to_file(folder / "fields.gpkg")  # a file that nobody accepted
    assert place_state(folder, Hands(), tile_fields=60).facts["fields"] == 220
    parts = register(tmp_path / "p")
    (folder / "history.sqlite").rename(parts / "history.sqlite")
    with pytest.raises(InputError, match="plan_from"):
        place_state(parts, Hands(), tile_fields=60)
