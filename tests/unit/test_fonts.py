import base64
import io
import re

from fontTools.ttLib import TTFont

from sourcing.outputs.fonts import devanagari_css, has_devanagari
from sourcing.words import languages, load_words


def test_devanagari_is_seen_in_a_text():
    assert has_devanagari("Sorrelin, गाँव")
    assert not has_devanagari("Sorrelin, Bètiga, –, ₹")


def test_the_font_holds_every_sign_of_our_words_and_its_own_notices():
    packed = re.search(r"base64,([A-Za-z0-9+/=]+)\)", devanagari_css()).group(1)
    font = TTFont(io.BytesIO(base64.b64decode(packed)))
    held = set(font.getBestCmap())
    texts = [t for code in languages() for t in [*load_words(code).text.values(), *load_words(code).dates["months"]]]
    wanted = {ord(sign) for text in texts for sign in text if has_devanagari(sign)}
    assert wanted - held == set()
    assert len(wanted) > 50
    assert "GSUB" in font
    assert [axis.axisTag for axis in font["fvar"].axes] == ["wght"]
    assert "Open Font License" in str(font["name"].getDebugName(13))
    assert len(packed) < 150_000
