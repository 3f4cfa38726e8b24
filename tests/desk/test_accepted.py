"""Surveys that come again, at the desk: accepted and taken back as the commands do it, and never two at once."""

import json
import re

from click.testing import CliRunner

from sourcing.cli import main
from sourcing.desk import jobs
from sourcing.desk.seasonfile import changed
from sourcing.desk.shelf import Shelf
from sourcing.intake.history import fingerprint
from sourcing.plan import read_land
from tests.desk.conftest import CHANGE, FIELDS, OWN

WAIT_S = 120
PAGE = "/s/valley/accepted"


def accept(asked, home, **form):
    assert asked.post("/s/valley/accept", headers=CHANGE, data=form).headers["location"] == "/s/valley/work"
    return jobs.wait(Shelf(home).season("valley"), WAIT_S)


def told(home, command, *more):
    answer = CliRunner().invoke(main, [command, str(home / "valley"), *more, "--json"])
    assert answer.exit_code == 0, answer.output
    return json.loads(answer.stdout)


def second_survey(home):
    """The same fields, one with another crop."""
    path = home / "valley" / "season.toml"
    (home / "valley" / "later.csv").write_text(FIELDS.replace("a,Ndizi,maize", "a,Ndizi,cotton"), encoding="utf-8")
    text = changed(path.read_text(encoding="utf-8"), {("layers", "fields", "file"): "later.csv"})
    path.write_text(text, encoding="utf-8")


def test_surveys_are_accepted_listed_and_taken_back_as_the_commands_do(home, asked):
    assert "Plans are made from the files" in asked.get(PAGE, headers=OWN).text
    job = accept(asked, home, who="Amina", note="<b>walked</b>")
    assert (job.state, job.result, job.problems) == ("done", "1", ())
    second_survey(home)
    assert "later.csv is not accepted yet" in asked.get(PAGE, headers=OWN).text
    accept(asked, home, complete="yes")
    first, second = told(home, "history")
    assert (first["who"], first["note"], first["complete"]) == ("Amina", "<b>walked</b>", False)
    assert (second["file"], second["complete"]) == ("later.csv", True)
    page = asked.get(PAGE, headers=OWN).text
    for survey in (first, second):
        assert f"<td>{survey['changed']}<br>" in page
    assert "&lt;b&gt;walked" in page
    assert "<b>walked" not in page
    assert "later.csv is accepted already: it is survey 2" in page
    detail = asked.get(f"{PAGE}?survey=2", headers=OWN).text
    assert "crop maize, now cotton" in detail

    # The same file twice is refused as the command refuses it, and a file put in with the command is seen.
    again = accept(asked, home)
    assert again.state == "failed"
    assert "later.csv" in again.problems[0]

    # Taking back asks first; the answer names the survey that was shown.
    asking = asked.get(f"{PAGE}?undo=2", headers=OWN).text
    shown = re.search(r'name="survey" value="([^"]+)"', asking)[1]
    assert len(told(home, "history")) == 2
    assert not told(home, "history")[1]["undone_at"]
    assert asked.get("/s/valley/undo", headers=OWN).status_code == 404
    assert asked.post("/s/valley/undo", headers=CHANGE, data={}).status_code == 422
    assert asked.post("/s/valley/undo", headers=CHANGE, data={"survey": shown}).status_code == 303
    assert [bool(s["undone_at"]) for s in told(home, "history")] == [False, True]
    assert asked.post("/s/valley/undo", headers=CHANGE, data={"survey": shown}).status_code == 422  # a second window
    assert [bool(s["undone_at"]) for s in told(home, "history")] == [False, True]
    assert "later.csv is not accepted yet" in asked.get(PAGE, headers=OWN).text


def test_a_what_if_is_planned_from_the_same_surveys_and_changes_no_history(home, asked):
    accept(asked, home)
    second_survey(home)
    asked.post("/s/valley/what-if", headers=CHANGE, data={"name": "more", "act": "more"})
    assert asked.post("/s/valley~more/accept", headers=CHANGE, data={}).status_code == 422
    assert asked.post("/s/valley~more/undo", headers=CHANGE, data={}).status_code == 422
    assert 'action="/s/valley/accept"' in asked.get("/s/valley~more/accepted", headers=OWN).text
    mine, theirs = (read_land(folder, lambda _: None) for folder in (home / "valley", home / "valley/what-if/more"))
    assert mine.fields.source["from"] == "history"
    assert fingerprint(mine.fields) == fingerprint(theirs.fields)
    assert len(told(home, "history")) == 1
