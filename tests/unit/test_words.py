import re
from datetime import date
from pathlib import Path
from string import Formatter

import pytest

import sourcing
from sourcing.errors import UsageError
from sourcing.values import Values
from sourcing.weeks import Calendar
from sourcing.words import DRAFT, Said, languages, load_words, missing, unknown

PACKAGE = Path(sourcing.__file__).parent


def fields(text):
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


@pytest.mark.parametrize("code", languages())
def test_no_word_is_missing_or_left_over(code):
    assert missing(code) == (), f"{code} lacks: {', '.join(missing(code))}"
    assert unknown(code) == ()


@pytest.mark.parametrize("code", languages())
def test_words_fill_in_the_same_names_as_english(code):
    english, other = load_words("en").text, load_words(code).text
    wrong = [key for key in english if fields(other[key]) != fields(english[key])]
    assert wrong == []


@pytest.mark.parametrize("code", languages())
def test_numbers_and_dates_are_whole(code):
    words = load_words(code)
    assert len(words.numbers["digits"]) == 10
    assert len(words.dates["months"]) == len(words.dates["months_short"]) == 12
    assert words.day(date(2027, 5, 3))
    assert words.code == code


def test_every_language_but_english_says_that_it_is_a_draft():
    assert {code: load_words(code).status for code in languages()} == {
        code: "complete" if code == "en" else DRAFT for code in languages()
    }


def test_english_numbers():
    words = load_words("en")
    assert [words.number(v) for v in (0, 999, 1000, 1234567, -1500, -0.4)] == [
        "0", "999", "1,000", "1,234,567", "−1,500", "0",
    ]  # fmt: skip
    assert words.number(12.345, 1) == "12.3"


def test_spans_of_days():
    words = load_words("en")
    assert words.span(date(2027, 5, 3), date(2027, 5, 9)) == "3–9 May 2027"
    assert words.span(date(2027, 5, 31), date(2027, 6, 6)) == "31 May – 6 June 2027"
    assert words.span(date(2026, 12, 28), date(2027, 1, 3)) == "28 December 2026 – 3 January 2027"
    assert words.week_days(Calendar(date(2027, 5, 3), 4), 1) == "10–16 May 2027"


def test_an_unknown_language_names_those_there_are():
    with pytest.raises(UsageError, match="en"):
        load_words("xx")


def test_every_crop_and_residue_with_figures_has_a_name():
    words, values = load_words("en").text, Values.load()
    assert [crop for crop in values.crops() if f"crop.{crop}" not in words] == []
    kinds = {name.split(".")[2] for name in values.figures if name.startswith("crop.") and name.endswith(".char_yield")}
    assert len(kinds) > 5
    assert [kind for kind in sorted(kinds) if f"residue.{kind}" not in words] == []


def test_an_unknown_crop_is_said_as_it_is_written():
    assert load_words("en").of("crop", "some_new_crop") == "some new crop"
    with pytest.raises(KeyError):
        load_words("en")("no.such.word")


def test_the_map_asks_only_for_words_that_there_are():
    words = load_words("en").text
    script = "\n".join(p.read_text(encoding="utf-8") for p in sorted((PACKAGE / "web").glob("*.*")))
    asked = set(re.findall(r"\b[tw]\('([a-z_.]+)'", script))
    asked |= set(re.findall(r"'((?:now|route|legend|site)\.[a-z_]+)'", script))
    assert len(asked) > 60
    assert sorted(asked - set(words)) == []


def test_figures_have_the_decimals_they_need():
    words = load_words("en")
    shown = {50.0: "50", 1.4: "1.4", 0.25: "0.25", 1250: "1,250", 15.000000000000002: "15"}
    assert {value: words.figure(value) for value in shown} == shown
    assert load_words("fr").figure(1.4) == "1,4"
    assert load_words("mr").figure(25) == "२५"


def test_one_week_and_more():
    words = load_words("en")
    assert [words.weeks(n) for n in (0, 1, 14)] == ["0 weeks", "1 week", "14 weeks"]


def test_what_is_said_is_said_in_any_language():
    stalk = Said("sheet.residue_of", {"crop": Said("crop.maize"), "residue": Said("residue.stalk")})
    said = Said("caution.wet", {"share": 15.0, "residues": (stalk, stalk)})
    assert said.text(load_words("en")).endswith("dry it first: maize stalk, maize stalk.")
    hindi = load_words("hi")
    assert hindi.residue("maize", "stalk") in said.text(hindi)
    assert Said("crop.some_new_crop").text(hindi) == "some new crop"
