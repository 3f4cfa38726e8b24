"""Real smallholder fields at the desk: put in, columns as guessed, checked and planned, as the command plans them."""

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sourcing.desk import jobs
from sourcing.desk.shelf import Shelf
from sourcing.desk.store import digest, read_json
from sourcing.plan import plan_season
from tests.desk.conftest import CHANGE, OWN

FILE = Path(__file__).resolve().parents[3] / "shared" / "data" / "fields" / "bf_koumbia_jecam_100.gpkg"
WAIT_S = 300


def done(season):
    job = jobs.wait(season, WAIT_S)
    assert (job.state, job.problems) == ("done", ())
    return job


def test_the_smallholder_fields_are_planned_with_nothing_but_the_guesses(asked, home):
    if not FILE.exists():
        pytest.skip("the real fields are not beside the project")
    asked.post("/new", headers=CHANGE, data={"name": "Koumbia", "region": "west_africa", "barrels": "20"})
    season = Shelf(home).season("Koumbia")
    asked.post("/s/Koumbia/files", headers=CHANGE, files=[("files", (FILE.name, FILE.read_bytes()))])
    assert asked.post("/s/Koumbia/survey/fields/look", headers=CHANGE, data={"file": FILE.name}).status_code == 303
    done(season)
    page = asked.get(f"/s/Koumbia/survey/fields?file={FILE.name}", headers=OWN).text
    chosen = {}
    for name, body in re.findall(r'<select id="col\.(\w+)".*?>(.*?)</select>', page, re.S):
        if taken := re.search(r'<option value="([^"]+)"[^>]* selected', body):
            chosen[f"col.{name}"] = taken[1]
    assert chosen["col.crop"] == "CropType1"
    form = {"seen": digest(season.file), "file": FILE.name, **chosen}
    assert asked.post("/s/Koumbia/survey/fields", headers=CHANGE, data=form).status_code == 303
    done(season)
    kept = read_json(season.work / "check.json")
    assert kept["kept"] + kept["set_aside"] == 100
    settings = {"seen": digest(season.file), "placement.gap": "0.1", "placement.seconds": "60"}
    assert asked.post("/s/Koumbia/settings/barrels", headers=CHANGE, data=settings).status_code == 303
    assert asked.post("/s/Koumbia/plan", headers=CHANGE, data={}).status_code == 303
    made = read_json(season.plan(done(season).result) / "plan.json")
    ours = json.loads(json.dumps(plan_season(season.folder, datetime(2027, 1, 4, 8, 0, tzinfo=UTC)).record))
    assert {k for k in made if made[k] != ours[k]} <= {"made_at", "solve"}
    assert made["totals"]["char_kg"] > 0
    page = asked.get(f"/s/Koumbia/plans/{jobs.current(season).result}", headers=OWN)
    assert page.status_code == 200
