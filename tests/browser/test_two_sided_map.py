"""Two plans on one map, in a real browser: both panes show the same view, and nothing is asked for."""

import pytest

from sourcing.change.compare import compare
from sourcing.change.twosided import write_two_sided_map
from tests.unit.two_surveys import fields, planned, season


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    home = tmp_path_factory.mktemp("two-sided")
    one = planned(season(home / "a", fields()))
    other = planned(season(home / "b", fields().iloc[:15]))
    write_two_sided_map(compare(one, other, quick=True), home / "both.html")
    return home / "both.html"


def test_moving_one_pane_moves_the_other_and_the_page_asks_for_nothing(chromium, page_file):
    context = chromium.new_context(offline=True, viewport={"width": 1000, "height": 700})
    page = context.new_page()
    asked, trouble = [], []
    page.on("request", lambda r: asked.append(r.url))
    page.on("pageerror", lambda e: trouble.append(str(e)))
    page.on("console", lambda m: trouble.append(m.text) if m.type == "error" else None)
    page.goto(page_file.as_uri())
    views = "twoSided.map((m) => [m.getZoom(), m.getCenter().lat, m.getCenter().lng])"
    before = page.evaluate(views)
    box = page.locator("#right").bounding_box()
    page.mouse.move(box["x"] + 150, box["y"] + 150)
    page.mouse.down()
    page.mouse.move(box["x"] + 230, box["y"] + 200, steps=5)
    page.mouse.up()
    page.wait_for_timeout(600)
    page.locator("#left .leaflet-control-zoom-in").click()
    page.wait_for_timeout(600)
    left, right = page.evaluate(views)
    assert left == pytest.approx(right, abs=1e-6)
    assert left[0] > before[0][0]
    assert left[1:] != pytest.approx(before[0][1:], abs=1e-6)
    assert trouble == []
    assert [u for u in asked if not u.startswith(("file:", "data:"))] == []
    assert page.locator("#key li").count() >= 2
    context.close()
