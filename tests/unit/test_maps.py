import json
import re
from datetime import UTC, datetime
from types import SimpleNamespace

import folium
import numpy as np
import pandas as pd
import pytest

from sourcing.errors import OutputError
from sourcing.outputs import maps
from sourcing.outputs.maps import HATCH, PALETTE, SeasonFigure, policy, render_map, tile_host, write_map
from sourcing.words import Said, load_words
from tests.landscape import landscape

MADE = datetime(2027, 9, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def page():
    return render_map(landscape(), generated_at=MADE)


def data_of(page):
    return json.loads(re.search(r'<script type="application/json" id="season">(.*?)</script>', page, re.S).group(1))


def test_the_page_links_to_nothing(page):
    text = re.sub(r"<script>.*?</script>|<pre>.*?</pre>", "", page, flags=re.S)
    assert re.findall(r"""\b(?:src|href)\s*=|url\(|@import""", text) == []
    assert page.count("<!DOCTYPE html>") == 1
    assert "jquery" not in page.lower()
    assert "sourceMappingURL" not in page


def test_the_page_can_be_enlarged_and_says_its_language(page):
    assert "user-scalable" not in page
    assert '<html lang="en">' in page
    assert re.search(r"<title>[^<]*made-up land[^<]*</title>", page)
    assert page.count("<main>") == 1
    assert page.count("<h1>") == 1


def test_the_policy_allows_no_request_and_names_each_script(page):
    said = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1).replace("&#39;", "'")
    assert said.startswith("default-src 'none'")
    assert "unsafe" not in said
    assert "http" not in said
    assert said == policy(page)


def test_the_policy_names_the_host_of_tiles_and_no_other():
    assert policy("", tiles=tile_host("https://{s}.tiles.example:8443/a/{z}.png")).count("https://") == 1
    assert "img-src data: https://*.tiles.example:8443;" in policy(
        "", tiles=tile_host("https://{s}.tiles.example:8443/a")
    )
    assert "img-src data:;" in policy("", tiles=tile_host(""))


def test_the_licence_of_leaflet_is_in_the_page(page):
    assert "Volodymyr Agafonkin" in page
    assert "Redistributions of source code must retain" in page


def test_the_same_plan_gives_the_same_page(page):
    assert render_map(landscape(), generated_at=MADE) == page


def test_linked_form_links_leaflet_only():
    page = render_map(landscape(n_fields=40, n_villages=2), offline=False, generated_at=MADE)
    hosts = {re.match(r"https://[^/]+", u).group() for u in re.findall(r'(?:src|href)="(https://[^"]+)"', page)}
    assert hosts == {"https://cdn.jsdelivr.net"}
    assert len(page) < 200_000


def test_an_unknown_link_is_refused():
    figure = SeasonFigure({}, offline=True)
    figure.add_child(folium.Map(tiles=None))
    figure.header.add_child(maps.JavascriptLink("https://example.org/other.js"), name="other")
    with pytest.raises(ValueError, match=r"https://example\.org/other\.js"):
        figure.render()


HOSTILE = ["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</script><b>", "=HYPERLINK(1)"]


def test_names_from_the_survey_are_escaped():
    plan = landscape(n_fields=80, n_villages=4, names=HOSTILE)
    plan.settings = plan.settings.model_copy(
        update={"season": plan.settings.season.model_copy(update={"name": "<b>bold</b></title>"})}
    )
    plan.cautions = (Said("caution.other", {"text": "<i>hot</i>"}),)
    page = render_map(plan, generated_at=MADE)
    outside = re.sub(r"<script>.*?</script>", "", page, flags=re.S)
    for name in [*HOSTILE[:3], "<b>bold", "<i>hot"]:
        assert name not in outside
    assert sorted(v["name"] for v in data_of(page)["villages"]) == sorted(HOSTILE)


def test_no_column_of_the_survey_but_ours_is_in_the_page():
    plan = landscape(n_fields=60, n_villages=2)
    plan.fields.frame["farmer"] = "Somebody Known"
    plan.survey.paths.frame["owner"] = "Somebody Known"
    assert "Somebody" not in render_map(plan, generated_at=MADE)


def test_site_weeks_in_the_page_are_those_of_the_plan(page):
    plan, data = landscape(), data_of(page)
    got = {(s["id"], w): (b, s["busy"][w]) for s in data["sites"] for w, b in enumerate(s["barrels"]) if b}
    want = {(r.site_id, r.week): (r.barrels, round(r.busy, 3)) for r in plan.site_weeks.itertuples()}
    assert got == {k: (b, pytest.approx(v)) for k, (b, v) in want.items()}


def test_chances_are_shown_where_they_were_worked_out(page):
    assert all(site["sure"] is None for site in data_of(page)["sites"])
    plan = landscape(n_fields=60, n_villages=2)
    plan.stress = SimpleNamespace(
        sites=pd.DataFrame({"sureness": "doubtful", "chance": 0.314, "several": 3}, index=plan.site_table.index)
    )
    data = data_of(render_map(plan, generated_at=MADE))
    assert data["sites"][0]["sure"] == {"word": "doubtful", "chance": 31, "several": 3}


def test_coverage_and_age_are_told(page):
    assert "Plan made 20 September 2027" in page
    assert re.search(r"\d+ of \d+ surveyed fields used, 6 set aside", page)
    assert "are estimated, not surveyed" in page


def test_a_plan_without_paths_says_that_lines_are_straight():
    plan = landscape(n_fields=40, n_villages=2)
    plan.arcs.straight_line = True
    plan.survey.paths = None
    assert "straight lines" in re.sub(r"<script.*?</script>", "", render_map(plan, generated_at=MADE), flags=re.S)


@pytest.mark.parametrize("empty", ["no_sites", "no_fields", "one_field"])
def test_small_and_empty_plans_give_a_page(empty):
    plan = landscape(n_fields=1 if empty == "one_field" else 20, n_villages=1, odd=False)
    if empty != "one_field":
        plan.site_weeks, plan.site_table = plan.site_weeks.iloc[:0], plan.site_table.iloc[:0]
        plan.carries, plan.routes = plan.carries.iloc[:0], plan.routes.iloc[:0]
    if empty == "no_fields":
        plan.fields.frame, plan.field_table = plan.fields.frame.iloc[:0], plan.field_table.iloc[:0]
    data = data_of(render_map(plan, generated_at=MADE))
    assert data["fields"]["count"] == {"no_sites": 20, "no_fields": 0, "one_field": 1}[empty]


def test_an_unwritable_place_is_an_output_error(tmp_path):
    with pytest.raises(OutputError, match="map"):
        write_map(landscape(n_fields=20, n_villages=1), tmp_path / "nowhere" / "map.html")


# --- colours ----------------------------------------------------------------------------------------------------------
# Simulation of colour-blind sight: matrices of Machado, Oliveira, Fernandes 2009, 'A physiologically-based model for
# simulation of color vision deficiency', severity 1.0, on linear RGB (figures from memory; rows sum to one).
SIGHT = {
    "all": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
    "grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),
}


def linear(colour):
    rgb = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE 1976 L*a*b* of linear sRGB, white point D65."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ rgb
    f = xyz / np.array([0.95047, 1.0, 1.08883])
    f = np.where(f > (6 / 29) ** 3, np.cbrt(f), f / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def seen(state, sight):
    rgb = linear(PALETTE[state])
    if state in HATCH:
        colour, share = HATCH[state]
        rgb = rgb * (1 - share) + linear(colour) * share
    return lab(np.clip(SIGHT[sight] @ rgb, 0, 1))


@pytest.mark.parametrize("sight", SIGHT)
def test_states_of_fields_are_told_apart(sight):
    """Ten units of L*a*b* (2.3 is just noticeable side by side: Mahy 1994, from memory) between any two states."""
    states = list(PALETTE)
    near = {
        (a, b): round(float(np.linalg.norm(seen(a, sight) - seen(b, sight))), 1)
        for i, a in enumerate(states)
        for b in states[i + 1 :]
    }
    assert {pair: d for pair, d in near.items() if d < 10} == {}


def test_text_on_paper_has_contrast_enough():
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1
    light = lambda c: 0.2126 * linear(c)[0] + 0.7152 * linear(c)[1] + 0.0722 * linear(c)[2] + 0.05  # noqa: E731
    for ink, paper in ((maps.INK, "#ffffff"), ("#59616c", "#ffffff"), (maps.INK, "#f5a31a"), ("#8c1d5a", "#ffffff")):
        assert light(paper) / light(ink) >= 4.5


@pytest.mark.parametrize("language", ["bn", "hi", "mr", "fr", "sw"])
def test_a_page_in_another_language(language):
    words = load_words(language)
    page = render_map(landscape(n_fields=40, n_villages=2, language=language), generated_at=MADE)
    assert f'<html lang="{language}">' in page
    assert words("find.all_villages") in page
    assert words("map.draft") in page
    assert ("@font-face" in page) == (words.script != "Latin")
    assert words.day(MADE.date()) in page
    outside = re.sub(r"<script.*?</script>|<style>.*?</style>", "", page, flags=re.S)
    english = load_words("en")
    left = [
        k
        for k in ("find.search", "rank.title", "safety.title", "legend.title", "find.crop")
        if f">{english(k)}<" in outside
    ]
    assert [k for k in left if words(k) != english(k)] == []
