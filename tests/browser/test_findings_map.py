"""The map of what was found, in a real browser cut off from the network."""

import pytest

from sourcing.outputs.findingsmap import write_findings_map
from tests.unit.test_findingsmap import HOSTILE, survey

pytestmark = pytest.mark.browser


def test_a_mark_tells_its_findings_as_text_and_kinds_can_be_hidden(opener, tmp_path):
    raw, fields = survey(tmp_path)
    write_findings_map(raw, fields, "Trial", tmp_path / "found.html")
    seen = opener(tmp_path / "found.html")
    assert seen.js("found.marks.filter((m) => found.map.hasLayer(m.circle)).length") == 3
    number = seen.js("found.marks.findIndex((m) => m.kinds.includes('unknown_crop'))")
    seen.js("(n) => { found.marks[n].circle.openPopup(); }", number)
    seen.until("document.querySelector('.leaflet-popup-content')")
    assert HOSTILE in seen.text(".leaflet-popup-content")
    assert seen.js("document.querySelectorAll('.leaflet-popup-content img').length") == 0
    seen.page.locator("#none").click()
    assert seen.js("found.marks.filter((m) => found.map.hasLayer(m.circle)).length") == 0
    seen.page.locator("#kinds input[value=no_consent]").check()
    assert seen.js("found.marks.filter((m) => found.map.hasLayer(m.circle)).length") == 1
    assert [u for u in seen.asked if not u.startswith(("file:", "data:"))] == []
    assert seen.trouble == []
