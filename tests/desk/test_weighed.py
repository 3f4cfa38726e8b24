"""A finished plan asked at the desk: weighed and drawn as the commands do; and a run stopped before it had a plan."""

import json

import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from sourcing.cli import main
from sourcing.desk import jobs, work
from sourcing.desk.app import guarded_pages
from sourcing.desk.front import Desk
from sourcing.desk.shelf import Shelf
from sourcing.desk.store import read_json, write_json
from sourcing.plan import NO_PLAN_YET
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
