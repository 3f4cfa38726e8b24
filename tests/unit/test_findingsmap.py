"""The map of what was found: every finding is on it or listed, and nothing written in a survey becomes code."""

import json
import re

import pytest
from click.testing import CliRunner

from sourcing.cli import main
from sourcing.errors import OutputError, UsageError
from sourcing.intake.fields import clean_fields
from sourcing.intake.survey import read_survey
from sourcing.outputs.findingsmap import render_findings_map, write_findings_map
from sourcing.values import Values
from tests.surveys import season, square, table

HOSTILE = "</script><img src=x onerror=alert(1)>"
ROWS = [
    {"field_id": "good"},
    {"field_id": "odd", "crop": HOSTILE},
    {"field_id": "none", "geometry": None},
    {"field_id": "two", "consent": "no", "yield_t_ha": 900.0},
    {"field_id": "mild", "geometry": square(8), "yield_t_ha": 900.0},
]


def survey(folder):
    table([{"village": "A", "consent": "yes", **r} for r in ROWS]).to_file(folder / "fields.gpkg")
    raw = read_survey(folder, season())
    return raw, clean_fields(raw, season(), Values.load())


def test_every_finding_is_on_the_map_or_in_the_list(tmp_path):
    raw, fields = survey(tmp_path)
    page, count = render_findings_map(raw, fields, "Trial")
    data = json.loads(re.search(r'id="data">(.*?)</script>', page, re.S)[1])
    assert count == len(data["marks"]) == 3
    told = [t for mark in data["marks"] for t in mark["told"]]
    listed = re.findall(r"<li><b>(.*?)</b>", page)
    assert len(told) + len(listed) == len(fields.findings)
    two = next(m for m in data["marks"] if m["name"] == "two")
    assert two["grade"] == "set_aside"
    assert set(two["kinds"]) == {"no_consent", "impossible_yield"}
    assert [m["grade"] for m in data["marks"]] == ["set_aside", "set_aside", "mended"]
    assert two["at"] == pytest.approx([-14.9996, 30.0034], abs=1e-4)
    assert "it has no shape" in page
    assert len(data["outlines"]) == len(fields.frame)


def test_what_is_written_in_a_survey_stays_text_and_the_page_may_ask_for_nothing(tmp_path):
    raw, fields = survey(tmp_path)
    page, _ = render_findings_map(raw, fields, HOSTILE)
    assert HOSTILE not in page
    assert "onerror" in page
    policy = re.search(r'Content-Security-Policy" content="(.*?)"', page)[1]
    assert "default-src 'none'" in policy.replace("&#39;", "'")


def test_the_command_draws_it_and_misuse_gets_words(tmp_path):
    raw, fields = survey(tmp_path)
    (tmp_path / "season.toml").write_text('[layers.fields]\nfile = "fields.gpkg"\n')
    words = ["check", str(tmp_path), "--map", str(tmp_path / "found.html"), "--table", str(tmp_path / "found.csv")]
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 0, done.output
    assert "3 rows in which something was found" in done.stderr
    assert (tmp_path / "found.html").read_text().startswith("<!DOCTYPE html>")
    assert len((tmp_path / "found.csv").read_text().splitlines()) == len(fields.findings) + 1
    with pytest.raises(UsageError, match="html"):
        write_findings_map(raw, fields, "Trial", tmp_path / "found.png")
    with pytest.raises(OutputError, match="could not be written"):
        write_findings_map(raw, fields, "Trial", tmp_path / "no" / "found.html")
