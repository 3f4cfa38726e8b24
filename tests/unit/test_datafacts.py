"""How old the data is and what it covers, as every map and sheet says it."""

import os
from dataclasses import replace
from datetime import date, datetime

import pytest

from sourcing.intake.survey import read_survey
from sourcing.outputs.datafacts import data_facts, survey_days
from sourcing.settings import read_settings
from sourcing.words import languages, load_words
from tests.unit.planned import planned

MADE = date(2027, 4, 1)


def with_survey(plan, *, modified=None, days=None):
    """The plan as if its file were of a day and its rows had days of survey."""
    (first, *rest) = plan.survey.inputs
    source = {k: v for k, v in first.items() if k != "modified"} | ({"modified": modified} if modified else {})
    layer = plan.survey.fields
    if days is not None:
        layer = replace(layer, frame=layer.frame.assign(surveyed_on=(days * len(layer.frame))[: len(layer.frame)]))
    return replace(plan, survey=replace(plan.survey, inputs=(source, *rest), fields=layer))


def test_the_record_keeps_each_file_s_own_day(tmp_path):
    (tmp_path / "f.csv").write_text('crop,wkt\nmaize,"POLYGON((30 -12,30.001 -12,30.001 -12.001,30 -12))"\n')
    (tmp_path / "season.toml").write_text("[layers.fields]\nfile = 'f.csv'\n")
    stamp = datetime(2026, 11, 3, 12).timestamp()
    os.utime(tmp_path / "f.csv", (stamp, stamp))
    assert read_survey(tmp_path, read_settings(tmp_path)).inputs[0]["modified"] == "2026-11-03"
    stamp = datetime(1980, 1, 1, 12).timestamp()  # as unpacked from inputs.zip, which keeps no days
    os.utime(tmp_path / "f.csv", (stamp, stamp))
    assert "modified" not in read_survey(tmp_path, read_settings(tmp_path)).inputs[0]


def test_the_age_is_that_of_the_last_day_of_survey_and_never_of_a_copied_file():
    words = load_words("en")
    facts = data_facts(with_survey(planned(), modified="2027-02-01"), words, MADE)
    assert "fields.gpkg, rows: 24, file of 1 February 2027" in facts["survey"]
    assert facts["data_age"] == "The survey does not say on which days it was made"
    plan = with_survey(planned(), modified="2027-03-30", days=["2027-01-10", "2027-03-02", None])
    assert survey_days(plan) == (date(2027, 1, 10), date(2027, 3, 2))
    facts = data_facts(plan, words, MADE)
    assert facts["surveyed"] == "Surveyed 10 January – 2 March 2027"
    assert facts["data_age"] == "Data 30 days old when the plan was made"
    facts = data_facts(with_survey(planned()), words, MADE)
    assert facts["data_age"] == "The survey does not say on which days it was made"
    assert "file of" not in facts["survey"]


@pytest.mark.parametrize("language", languages())
def test_coverage_and_estimates_are_told_in_every_language(language):
    plan = planned()
    words = load_words(language)
    facts = data_facts(plan, words, MADE)
    assert words.number(len(plan.fields.frame)) in facts["coverage"]
    assert "estimated" not in facts
    frame = plan.fields.frame.assign(estimated=[True] * 6 + [False] * 18)
    guessed = data_facts(replace(plan, fields=replace(plan.fields, frame=frame)), words, MADE)
    assert words.number(25) in guessed["estimated"]
