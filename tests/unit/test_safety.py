"""Cautions on every output and the safety sheet."""

from types import SimpleNamespace

import pandas as pd
import pytest

from sourcing.errors import Finding
from sourcing.season.safety import caution_of, cautions, safety_sheet
from sourcing.values import Values
from sourcing.words import languages, load_words
from tests.unit.season_of_work import lots_table, placed, season


@pytest.fixture(scope="module")
def values():
    return Values.load()


def said(values, settings=None, straight_line=False, lots=None, carries=None, language="en"):
    settings = settings or season()
    carries = placed(values, settings)[1] if carries is None else carries
    supply = SimpleNamespace(lots=lots_table(values) if lots is None else lots)
    found = cautions(carries, supply, settings, values, straight_line=straight_line)
    return [caution.text(load_words(language)) for caution in found]


def test_the_dangers_that_cost_houses_and_lives_are_always_named(values):
    text = " ".join(said(values))
    for word in ("Local rules", "50 m from houses", "Sweep", "wet the ground", "gloves", "mask", "Quench fully",
                 "lidded", "lights itself again", "carbon monoxide", "wind over 25 km/h"):  # fmt: skip
        assert word in text


def test_a_season_with_its_own_figures_shows_them():
    text = " ".join(said(Values.load({"site.setback.house.distance_m": 120.0})))
    assert "120 m from houses" in text


def test_straight_lines_estimates_and_seals_are_told_only_where_they_are(values):
    plain = " ".join(said(values))
    assert "straight lines" not in plain
    assert "nobody surveyed" not in plain
    assert "shut at least" not in plain
    lots = lots_table(values).assign(estimated=True)
    full = " ".join(said(values, season(works={"ending": "seal"}), True, lots))
    assert "straight lines times 1.4" in full
    assert "nobody surveyed" in full
    assert "shut at least 2 h" in full
    by_residue = season(works={"ending_by_residue": {"cotton/stalk": "seal"}})
    assert "shut at least" in " ".join(said(values, by_residue))
    unused = season(works={"ending_by_residue": {"coconut/shell": "seal"}})
    assert "shut at least" not in " ".join(said(values, unused))


def test_wet_residue_is_named(values):
    wet = Values.load({"crop.maize.stalk.moisture_ready": 0.25})
    assert "maize stalk" in " ".join(said(wet))
    assert "maize stalk" not in " ".join(said(values))


def test_an_empty_plan_has_cautions_too(values):
    none = pd.DataFrame({"crop": [], "residue": []})
    assert len(said(values, carries=none)) >= 5


def test_the_sheet_has_no_unfilled_figure_and_every_source_is_known(values):
    sheet = safety_sheet(values, load_words("en"))
    assert len(sheet) > 20
    for line in sheet:
        assert "{" not in line.text
        assert line.source == "" or line.source in values.sources
        assert all(name in values for name in line.figures)
        if line.standing in ("seen", "second_hand", "memory"):
            assert line.source
    topics = [line.topic for line in sheet]
    assert topics == sorted(topics, key=topics.index)  # each topic once, its lines together
    text = " ".join(line.text for line in sheet)
    for word in ("beaters", "50 m from houses", "Children", "Carbon monoxide", "Cool a burn", "lidded",
                 "Shade", "Clinic", "licence"):  # fmt: skip
        assert word in text


def test_sheet_shares_are_shown_in_percent(values):
    text = " ".join(line.text for line in safety_sheet(values, load_words("en")))
    assert "under 15 % moisture" in text
    assert "humidity under 25 %" in text


@pytest.mark.parametrize("language", languages())
def test_every_language_gives_the_same_figures_of_safety(values, language):
    wet = Values.load({"crop.maize.stalk.moisture_ready": 0.25, "site.setback.house.distance_m": 73.0})
    words = load_words(language)
    told = said(wet, season(works={"ending": "seal"}), True, language=language)
    assert len(told) == len(said(wet, season(works={"ending": "seal"}), True))
    assert "{" not in " ".join(told)
    assert words.number(73) in told[1]
    assert words.residue("maize", "stalk") in " ".join(told)
    sheet, english = safety_sheet(values, words), safety_sheet(values, load_words("en"))
    assert [sorted(line.figures) for line in sheet] == [sorted(line.figures) for line in english]
    assert all(
        words.number(values[name]) in line.text for line in sheet for name in line.figures if "share" not in name
    )


def test_a_finding_without_words_of_its_own_is_told_as_it_was_found():
    found = Finding("look", "season.toml", None, "some_new_kind", "a thing is odd", "none", "look at it")
    assert caution_of(found).text(load_words("sw")) == "A thing is odd: look at it."
