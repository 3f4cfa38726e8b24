import base64
import io
import re

import pytest
from fontTools.ttLib import TTFont

from sourcing.outputs.fonts import SCRIPTS, names_of_scripts, own_family, page_css, script_css, scripts_in, signs_of
from sourcing.words import languages, load_words

NAMES = {
    "Devanagari": "कृष्णापुर", "Bengali": "ক্ষেত্রপুর", "Tamil": "கொட்டை", "Telugu": "శ్రీకాకుళం", "Thai": "บ้านน้ำ",
    "Khmer": "ភូមិស្រែ", "Arabic": "کشتزار پنبہ",
}  # fmt: skip


def faces(css):
    return [TTFont(io.BytesIO(base64.b64decode(found))) for found in re.findall(r"base64,([A-Za-z0-9+/=]+)\)", css)]


def held(fonts):
    return set().union(*(set(font.getBestCmap()) for font in fonts))


def test_scripts_are_seen_in_a_text():
    assert [s.name for s in scripts_in("Sorrelin, Bètiga, –, ₹")] == []
    assert {name: [s.name for s in scripts_in(f"Sorrelin {text} 2")] for name, text in NAMES.items()} == {
        name: [name] for name in NAMES
    }
    assert [s.name for s in scripts_in("বাংলা। हिन्दी॥")] == ["Devanagari", "Bengali"]
    assert [s.name for s in scripts_in("বাংলা।")] == ["Bengali"]  # the danda is of no script alone
    assert page_css("Sorrelin") == ""


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda s: s.name)
def test_a_page_carries_each_script_and_the_notices_of_its_letters(script):
    css = page_css(f"Village {NAMES[script.name]}")
    fonts = faces(css)
    assert css == script_css(script)
    assert set(map(ord, NAMES[script.name])) - {0x20} <= held(fonts)
    for font in fonts:
        assert "GSUB" in font or script.name == "Thai"
        assert "Open Font License" in str(font["name"].getDebugName(13))
        assert [axis.axisTag for axis in font["fvar"].axes] == ["wght"] if "fvar" in font else len(fonts) == 2
    assert len(css) < 330_000


@pytest.mark.parametrize("code", languages())
def test_every_sign_of_our_words_can_be_shown(code):
    words = load_words(code)
    texts = [*words.text.values(), *words.dates["months"], *words.dates["months_short"], *words.numbers["digits"]]
    wanted = {ord(sign) for text in texts for sign in text if any(script.has(sign) for script in SCRIPTS)}
    assert wanted - held(faces(page_css(" ".join(texts)))) == set()
    assert bool(wanted) == (words.script != "Latin")
    assert words.script in ("Latin", *(s.name for s in scripts_in(" ".join(texts))))


def test_letters_of_other_scripts_are_looked_for_on_this_machine():
    georgian = frozenset({0x10D0, 0x10D1})  # DejaVu, which comes with matplotlib, may be among the machine's own
    found = own_family(georgian)
    assert found == "" or isinstance(found, str)
    assert own_family(frozenset({0x10FFFD})) == ""
    assert signs_of("no such file.ttf") == frozenset()


def test_scripts_have_names():
    assert names_of_scripts("ગામ") == ["Gujarati"]
    assert names_of_scripts("ሀገ中") == ["Cjk", "Ethiopic"]
