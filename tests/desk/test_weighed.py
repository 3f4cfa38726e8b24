"""A finished plan asked at the desk: weighed and drawn as the commands do; and a run stopped before it had a plan."""

import json
import re
import shutil
from html import unescape

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from sourcing.cli import main
from sourcing.desk import jobs, views, work
from sourcing.desk.app import guarded_pages
from sourcing.desk.front import Desk
from sourcing.desk.planpages import PLANS_A_PAGE
from sourcing.desk.shelf import Shelf
from sourcing.desk.store import read_json, write_json
from sourcing.plan import NO_PLAN_YET
from sourcing.words import load_words
from tests.desk.conftest import CHANGE, HOST, OWN, SECRET
from tests.desk.test_jobs import set_options, thinned

WAIT_S = 120
PNG = b"\x89PNG"


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A small season with a plan, and a desk on it."""
    home = tmp_path_factory.mktemp("home")
    season = thinned(home / "small", 80)
    set_options(season, {("placement", "gap"): 0.3, ("fleet", "barrels"): 4})
    jobs.start(season, "plan", {})
    job = jobs.wait(season, WAIT_S)
    assert (job.state, job.problems) == ("done", ())
    with TestClient(guarded_pages(Desk(Shelf(home)), SECRET, frozenset({HOST})), base_url=f"http://{HOST}",
                    follow_redirects=False) as client:  # fmt: skip
        yield season, job.result, client


def test_a_plan_is_weighed_as_the_command_weighs_it(planned):
    season, name, asked = planned
    at = f"/s/small/plans/{name}"
    assert "Weigh this plan" in asked.get(f"{at}/worth", headers=OWN).text
    assert asked.post(f"{at}/weigh", headers=CHANGE, data={"others": "many"}).status_code == 422
    assert asked.post("/s/small/plans/none/weigh", headers=CHANGE, data={}).status_code == 404
    assert asked.get(f"{at}/barrels.png", headers=OWN).status_code == 404
    before = {p.name: p.read_bytes() for p in season.plan(name).iterdir()}
    assert asked.post(f"{at}/weigh", headers=CHANGE, data={"others": "0"}).status_code == 303
    job = jobs.wait(season, WAIT_S)
    assert (job.state, job.problems) == ("done", ())
    kept = read_json(work.weighed_file(season.work, name))
    command = CliRunner().invoke(main, ["weigh", str(season.plan(name)), "--json"])
    assert kept["all"] == json.loads(command.stdout)
    page = asked.get(f"{at}/worth", headers=OWN).text
    assert "What one more would earn" in page
    assert {p.name: p.read_bytes() for p in season.plan(name).iterdir()} == before
    write_json(work.weighed_file(season.work, name), {**kept, "sha256": "of another plan"})
    assert "What one more would earn" not in asked.get(f"{at}/worth", headers=OWN).text


def test_any_week_is_a_picture_to_take_away_the_same_as_the_command_draws(planned, tmp_path):
    season, name, asked = planned
    week = read_json(season.plan(name) / "plan.json")["weeks"][2]
    assert f'<option value="{week}"' in asked.get(f"/s/small/plans/{name}/files", headers=OWN).text
    answer = asked.get(f"/s/small/plans/{name}/week.png", headers=OWN, params={"week": week})
    assert f'filename="week-{week}.png"' in answer.headers["content-disposition"]
    target = tmp_path / "week.png"
    told = CliRunner().invoke(main, ["picture", str(season.plan(name)), "--week", week, "--to", str(target)])
    assert told.exit_code == 0, told.output
    assert answer.content[:4] == PNG
    assert answer.content == target.read_bytes()
    for wrong in ("../../x", "1999-W01", ""):
        answer = asked.get(f"/s/small/plans/{name}/week.png", headers=OWN, params={"week": wrong})
        assert answer.status_code == 422


def test_stopped_before_a_first_plan_nothing_is_written_and_the_page_says_so(home, asked, monkeypatch):
    season = Shelf(home).season("valley")

    def stopped(*_):
        raise KeyboardInterrupt(NO_PLAN_YET)

    monkeypatch.setattr(work, "plan_season", stopped)
    monkeypatch.setattr(work, "_watch", lambda *_: None)
    season.work.mkdir()
    write_json(season.work / jobs.JOB_FILE, {"id": "x", "kind": "plan", "args": {}, "began": "", "state": "starting"})
    work.main(season.folder, "x")
    job = jobs.current(season)
    assert (job.state, job.problems) == ("stopped", (NO_PLAN_YET,))
    assert season.plans() == {}
    assert "no plan was written" in asked.get("/s/valley/work", headers=OWN).text


def test_what_a_plan_says_is_said_in_words_and_the_telling_week_is_chosen(planned):
    season, name, asked = planned
    at, words = f"/s/small/plans/{name}", load_words("en")
    record = read_json(season.plan(name) / "plan.json")
    air = asked.get(f"{at}/air", headers=OWN).text
    for key in (k for part in ("energy", "warming", "smoke") for k in record["climate"][part]):
        assert words(f"air.{key}") in unescape(air)
    assert not re.search(r"ncv|co own|kg CO2e", air)
    chances = unescape(asked.get(f"{at}/chances", headers=OWN).text)
    for cause in record["chances"]["causes"]:
        assert words(f"cause.{cause}") in chances
    assert words("chance.col_p10") in chances
    assert "P10" not in chances
    calendar = views.calendar(record, words)
    called = views.names_of_sites(record, words)
    villages = {v["id"]: v["name"] for v in record["villages"]}
    assert {row[:2] for row in calendar.rows} == {(called[s["id"]], villages[s["village"]]) for s in record["sites"]}
    drawn = next(f for f in season.plan_files(name) if f.startswith("week-"))
    files = asked.get(f"{at}/files", headers=OWN).text
    assert f'<option value="{drawn.removeprefix("week-").removesuffix(".png")}" selected>' in files


def test_a_long_list_of_plans_is_shown_in_pages_and_each_record_read_once(planned, monkeypatch):
    season, name, asked = planned
    read = []
    monkeypatch.setattr(views, "read_record", lambda plan: read.append(plan.name) or read_json(plan / "plan.json"))
    record = {**read_json(season.plan(name) / "plan.json"), "carries": []}
    added = [f"2020-01-{number:02d}-080000" for number in range(1, 3 * PLANS_A_PAGE // 2)]
    for other in added:
        write_json(season.folder / "plans" / other / "plan.json", record)
    try:
        shown = [re.findall(r'href="/s/small/plans/([^"/]+)"', asked.get(f"/s/small/plan?page={p}", headers=OWN).text)
                 for p in (1, 2, 1, 2)]  # fmt: skip
        assert [len(s) for s in shown[:2]] == [PLANS_A_PAGE, len(added) + 1 - PLANS_A_PAGE]
        assert {*shown[0], *shown[1]} == {*added, name}
        assert sorted(read) == sorted(set(read))
        assert shown[2:] == shown[:2]
    finally:
        for other in added:
            shutil.rmtree(season.folder / "plans" / other)
