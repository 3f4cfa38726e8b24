"""The desk's words in other languages: none is left behind, names in braces stay, and what is missing stays English."""

import io
import re
from pathlib import Path

import pytest
from fontTools.ttLib import TTFont

import sourcing
from sourcing.desk.wording import preferred, tongue
from sourcing.outputs.fonts import SCRIPTS
from tests.desk.conftest import CHANGE, OWN

PACKAGE = Path(sourcing.__file__).parent
SOURCES = [*(PACKAGE / "web" / "desk").glob("*.html"), *(PACKAGE / "desk").glob("*.py")]
TEXT = "\n".join(p.read_text(encoding="utf-8") for p in SOURCES)


@pytest.mark.parametrize("code", [p.stem for p in (PACKAGE / "data" / "desk_words").glob("*.toml")])
def test_every_translated_text_is_still_in_use_and_keeps_its_names(code):
    texts = tongue(code).texts
    assert len(texts) > 100
    assert [t for t in texts if f'"{t}"' not in TEXT and f"'{t}'" not in TEXT] == []
    for english, told in texts.items():
        assert set(re.findall(r"{\w+}", english)) == set(re.findall(r"{\w+}", told))


def test_what_nobody_has_translated_is_english():
    assert tongue("sw")("A sentence that no one translates {n}", n=3) == "A sentence that no one translates 3"
    assert tongue("no such language")("Seasons") == "Seasons"


@pytest.mark.parametrize(("asked", "given"), [("pt-BR,pt;q=0.9", "pt"), ("xx,mr;q=0.5", "mr"), ("", ""), ("*;q=0", "")])
def test_the_browser_s_language_is_used(asked, given):
    assert preferred(asked) == given


def test_a_chosen_language_is_kept_and_named_to_readers_of_the_page(asked):
    answer = asked.post("/language", headers=CHANGE, data={"language": "hi", "back": "/s/valley/survey?x=1"})
    assert answer.headers["location"] == "/s/valley/survey"
    kept = answer.headers["set-cookie"].split(";")[0]
    asked.cookies.clear()
    page = asked.get("/s/valley/survey", headers={**OWN, "cookie": f"{OWN['cookie']}; {kept}"})
    assert '<html lang="hi">' in page.text
    assert "सर्वेक्षण" in page.text


def test_every_script_s_letters_are_given_as_they_are_and_only_when_asked_for(asked):
    css = asked.get("/assets/letters.css", headers=OWN).text
    faces = [face for face in css.split("@font-face") if "src:" in face]
    assert {s.name for s in SCRIPTS} == {re.search(r"in this page (\w+)", f)[1] for f in faces}
    for face in faces:
        assert "unicode-range:U+" in face  # without it every page would fetch them all
        answer = asked.get(re.search(r"url\((.*?)\)", face)[1], headers=OWN)
        assert TTFont(io.BytesIO(answer.content)).getBestCmap()
