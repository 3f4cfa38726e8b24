import re
import shutil
import subprocess
from dataclasses import replace

import matplotlib
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from sourcing import console
from sourcing.errors import OutputError, UsageError
from sourcing.outputs import pages as pages_room
from sourcing.outputs.pagemaps import land_of
from sourcing.outputs.pages import (
    TICK_BOX,
    Column,
    Page,
    column_widths,
    held,
    lacking,
    letters,
    plain,
    table,
    width,
    wrapped,
)
from sourcing.outputs.programme import programme
from sourcing.outputs.sheets import PDF_OPTIONS, proof, sheet_pages, write_sheets
from sourcing.outputs.sitesheet import site_sheet
from sourcing.outputs.villagesheet import village_sheet
from sourcing.words import languages, load_words
from tests.unit.planned import planned, renamed, spoken, without_barrels

LONG = "Long-Hamlet-Upon-The-River-Bend-Beyond-The-Second-Ford & Sons"
DEVANAGARI = "कृष्णापुर क्षेत्र"
ODD_NAMES = (f"$\\alpha$ {LONG}", f"{DEVANAGARI} <b>")


def pages_of(plan, paper="A4"):
    return list(sheet_pages(programme(plan), paper))


def said(page):
    return [t.words for t in page.texts]


def overlaps(page):
    """Pairs of lines of text whose letters lie over each other."""
    boxes = [(t.words, *t.box) for t in page.texts]
    slack = 0.15
    return [
        (a[0], b[0])
        for i, a in enumerate(boxes)
        for b in boxes[i + 1 :]
        if a[1] + slack < b[1] + b[3] and b[1] + slack < a[1] + a[3]
        and a[2] + slack < b[2] + b[4] and b[2] + slack < a[2] + a[4]
    ]  # fmt: skip


def off_the_page(page):
    return [t.words for t in page.texts
            if t.x < 5 or t.x + t.box[2] > page.width - 5 or t.box[1] < 5 or t.y > page.height - 5]  # fmt: skip


MANY_SCRIPTS = ("ক্ষেত্রপুর, శ్రీకాకుళం, கொட்டை", "کشتزار پنبہ / ភូមិស្រែ / บ้านน้ำ")

CASES = {
    "plain": lambda: planned(),
    "no paths": lambda: planned(paths=False),
    "one field": lambda: planned(1, 1, paths=False),
    "odd names": lambda: renamed(planned(), *ODD_NAMES),
    "no barrels": lambda: without_barrels(planned()),
    "Hindi": lambda: spoken(renamed(planned(), DEVANAGARI, LONG), "hi"),
    "Bengali": lambda: spoken(planned(), "bn"),
    "many scripts": lambda: renamed(planned(), *MANY_SCRIPTS),
    "French": lambda: spoken(planned(), "fr"),
}


@pytest.mark.parametrize("case", CASES)
def test_no_text_lies_over_another_or_off_the_page(case):
    pages = pages_of(CASES[case]())
    assert [(i, pair) for i, page in enumerate(pages) for pair in overlaps(page)] == []
    assert [(i, words) for i, page in enumerate(pages) for words in off_the_page(page)] == []


@pytest.mark.parametrize("language", languages())
def test_every_language_gives_all_pages(language):
    assert len(pages_of(spoken(planned(), language))) >= len(pages_of(planned()))


def test_the_check_for_overlaps_finds_one():
    page = Page()
    page.text(20, 20, "one line", 8)
    page.text(22, 21, "and another", 8)
    page.text(20, 26, "and one below", 8)
    assert overlaps(page) == [("one line", "and another")]
    page.text(200, 50, "over the edge", 20)
    assert off_the_page(page) == ["over the edge"]


def test_there_is_a_page_for_each_village_and_each_place():
    plan = planned()
    prog = programme(plan)
    titles = [max(page.texts, key=lambda t: t.size).words for page in pages_of(plan)]
    for name in (*plan.village_table.loc[plan.village_table["deploy"], "name"], *prog.site_names.values()):
        assert name in titles
    assert set(prog.site_names) == set(plan.site_table.index)
    assert len(set(prog.site_names.values())) == len(prog.site_names)


def test_no_farmer_is_named():
    assert "Somebody" not in " ".join(w for page in pages_of(planned()) for w in said(page))


def test_the_title_page_says_what_the_record_says():
    plan = planned()
    text = " ".join(said(pages_of(plan)[0]))
    total = plan.record["totals"]
    assert f"{total['residue_kg'] / 1000:.1f} t" in text
    assert f"at most {total['most_barrels']} barrels" in text
    assert f"{total['loads']:,} loads" in text
    assert "Proven to be" in text
    assert "Trial $x_1$ & <season>" in text
    spoken_cautions = " ".join(c.split(" ")[0] for c in plan.record["cautions"])
    assert all(first in text for first in spoken_cautions.split(" "))


def test_the_calendar_holds_the_barrels_of_the_plan():
    plan = planned()
    prog = programme(plan)
    (page, *_) = [p for p in pages_of(plan) if "Calendar of the barrels" in said(p)]
    for site, rows in plan.site_weeks.groupby("site_id"):
        label = next(t for t in page.texts if t.words == prog.site_names[site])
        row = [t for t in page.texts if abs(t.y - label.y) < 2.5 and t.x > 60]
        cells = sorted(row, key=lambda t: t.x)
        assert [int(t.words) for t in cells] == [*rows.sort_values("week")["barrels"], rows["barrels"].sum()]


def test_a_place_tells_its_weeks_and_every_field_it_gets():
    plan = planned()
    prog = programme(plan)
    pages = pages_of(plan)
    for site, name in prog.site_names.items():
        own = [p for p in pages if max(p.texts, key=lambda t: t.size).words in (name, f"{name}, continued")]
        text = {w for page in own for w in said(page)}
        assert set(plan.carries.loc[plan.carries["site_id"] == site, "field_id"]) <= text
        work = plan.works.site_weeks[plan.works.site_weeks["site_id"] == site]
        assert f"{work['loads'].sum():,}" in text
        assert f"{work['batches'].sum():,}" in text
        lat, lon = plan.site_table.loc[site, ["lat", "lon"]]
        assert f"{abs(lat):.5f}° S, {abs(lon):.5f}° E" in text
        assert any("50 m from houses" in w for w in text)


def test_a_place_with_many_weeks_goes_on_over_pages():
    plan = planned()
    site = plan.site_table.index[0]
    prog = programme(plan)
    work = prog.works.site_weeks
    many = pd.concat([work[work["site_id"] == site].iloc[[0]].assign(week=w, batches=5000 + w) for w in range(70)])
    prog = replace(prog, works=replace(prog.works, site_weeks=many))
    pages = list(site_sheet(prog, land_of(plan), site, "A4"))
    text = {w for page in pages for w in said(page)}
    assert {f"{5000 + w:,}" for w in range(70)} <= text
    assert [pair for page in pages for pair in overlaps(page)] == []
    assert [words for page in pages for words in off_the_page(page)] == []


def test_a_village_with_many_places_goes_on_over_pages():
    plan = planned()
    village = plan.village_table.index[0]
    row = plan.site_table[plan.site_table["village"] == village].iloc[[0]]
    table = pd.concat([row.rename(index={row.index[0]: f"s{i}"}) for i in range(90)])
    names = {f"s{i}": f"Place {i}" for i in range(90)}
    prog = replace(programme(plan), plan=replace(plan, site_table=table), site_names=names, site_numbers=names)
    land = land_of(plan)
    spot = next(iter(land.sites.values()))
    pages = list(village_sheet(prog, replace(land, sites=dict.fromkeys(names, spot)), village, "A4"))
    labels = [w for page in pages for w in said(page)]
    assert set(names.values()) <= set(labels)
    assert [words for page in pages for words in off_the_page(page)] == []


def test_a_village_is_told_what_is_asked_and_households_not_names():
    plan = planned()
    village = plan.village_table.index[0]
    page = next(
        p for p in pages_of(plan) if max(p.texts, key=lambda t: t.size).words == plan.village_table.at[village, "name"]
    )
    text = said(page)
    fields = plan.carries.loc[plan.carries["village"] == village, "field_id"].nunique()
    assert f"{fields} of {plan.village_table.at[village, 'fields']}" in text
    assert f"about {fields}" in text
    assert f"{plan.money.villages.at[village, 'income']:,.0f} crowns" in text
    assert any("examples" in w for w in text)


@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("A3", (842, 1191))])
def test_sheets_are_written_on_their_paper(paper, points, tmp_path):
    path = tmp_path / "sheets.pdf"
    write_sheets(planned(), path, paper)
    found = re.findall(rb"/MediaBox \[ 0 0 ([\d.]+) ([\d.]+) \]", path.read_bytes())
    assert len(found) == len(pages_of(planned()))
    assert {tuple(sorted(round(float(n)) for n in box)) for box in found} == {points}


@pytest.mark.parametrize(("gap", "proven"), [(0.3, True), (0.7, False), (3.0, False)])
def test_terminal_and_sheets_agree_on_what_is_proven(gap, proven):
    plan = planned()
    solve = {**plan.record["solve"], "gap": gap}
    prog = programme(replace(plan, record={**plan.record, "solve": solve}))
    assert ("not proven" not in proof(prog)) == proven
    assert ("is not known" not in console.proof(solve)) == proven


@pytest.mark.parametrize(("status", "told"), [("time", True), ("effort", False), ("within_gap", False)])
def test_the_terminal_says_when_the_clock_ended_the_search(status, told):
    solve = {**planned().record["solve"], "gap": 0.12, "status": status}
    assert ("all the time allowed" in console.proof(solve)) == told
    assert "12 % better" in console.proof(solve)


def test_text_in_the_pdf_can_be_searched(tmp_path):
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    path = tmp_path / "sheets.pdf"
    write_sheets(renamed(planned(), *ODD_NAMES), path)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True, text=True).stdout
    for words in (
        "The decision for the season",
        "Trial $x_1$ & <season>",
        "F0-00",
        "Safety at the barrels",
        "$\\alpha$",
    ):
        assert words in text
    assert text.count("\f") == len(pages_of(planned()))


def test_the_same_plan_gives_the_same_file(tmp_path):
    for name in ("a.pdf", "b.pdf"):
        write_sheets(planned(), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_an_unknown_paper_and_an_unwritable_place_are_told(tmp_path):
    with pytest.raises(UsageError, match="A5"):
        write_sheets(planned(), tmp_path / "x.pdf", "A5")
    with pytest.raises(OutputError, match="sheets"):
        write_sheets(planned(), tmp_path / "nowhere" / "x.pdf")


# --- pages ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", ["Plain words, 1,234 kg", "Sanwé – Bètiga", "कृष्णापुर क्षेत्र में", *MANY_SCRIPTS])
@pytest.mark.parametrize("bold", [False, True])
def test_measured_width_is_what_matplotlib_draws(words, bold):
    figure = Figure(dpi=720)
    text = figure.add_artist(Text(0, 0, words, fontproperties=letters(words, 20, bold), parse_math=False))
    drawn = text.get_window_extent(FigureCanvasAgg(figure).get_renderer()).width / 720 * 25.4
    assert width(words, 20, bold) == pytest.approx(drawn, rel=0.03)


def test_no_name_in_a_usual_script_lacks_letters():
    assert lacking(" ".join([*MANY_SCRIPTS, DEVANAGARI, "Ðŵ Ёж Ωμ"])) == frozenset()


def test_letters_that_cannot_be_printed_are_told(monkeypatch):
    monkeypatch.setattr(pages_room, "own_family", lambda _: "")
    name = "ગામ \u200dtwo"
    assert lacking(name) == set("ગામ")
    plan = renamed(planned(), name, "Bysdale")
    text = [" ".join(said(page)) for page in pages_of(plan)]
    assert "Letters that could not be printed: Gujarati." in text[0]
    assert "\ufffd" in " ".join(text)
    assert "ગ" not in " ".join(text)
    assert "could not be printed" not in " ".join(said(pages_of(planned())[0]))


def test_wrapped_lines_fit_and_lose_nothing():
    text = f"a few words and {'x' * 300} and {DEVANAGARI * 9} end"
    lines = wrapped(text, 40, 9)
    assert all(width(line, 9) <= 40.02 for line in lines)
    assert "".join("".join(lines).split()) == "".join(text.split())


def test_text_that_steers_is_made_plain():
    assert plain("a\u202eb\x00c\n d\te") == "abc d e"
    assert plain(held("3 May")) == "3\u00a0May"
    assert wrapped(held("3 May"), 2, 8) != ["3", "May"]


def test_a_table_goes_on_where_it_was_broken():
    columns = [Column("Name"), Column("Number", "right"), Column("Done", "center")]
    rows = [("band",), *((f"row {i}", str(i), TICK_BOX) for i in range(100))]
    widths = column_widths(columns, rows, 100, 8)
    assert sum(widths) == pytest.approx(100)
    done, seen = 0, []
    while done < len(rows):
        page = Page()
        _, drawn = table(page, 10, 20, columns, rows[done:], widths, page.bottom, 8)
        assert drawn > 0
        assert all(t.y <= page.bottom for t in page.texts)
        seen += [w for w in said(page) if w.startswith("row")]
        done += drawn
    assert seen == [f"row {i}" for i in range(100)]


SPOKEN = {
    "Devanagari": "सब कुछ छोटा काट दें, और ज़मीन बिल्कुल न जलाएँ, कूटने से ऊँचे ढेर नहीं",
    "Bengali": "সব কিছু ছোট করে কাটুন, মাটি ভেজান, ক্ষেত্রপুর গ্রামে আগুন নয়",
    "Arabic": "کشتزار پنبہ مَدرسة الماء قریب رکھیں",
    "Telugu": "శ్రీకాకుళం క్షేత్రం నీళ్ళు దగ్గర ఉంచండి",
}


def gaps(dots, least):
    """Middles of the empty columns between words, wider than `least` dots."""
    ink = np.flatnonzero((np.asarray(dots.convert("L")) < 128).any(axis=0))
    ends = np.flatnonzero(np.diff(ink) > least)
    return (ink[ends] + ink[ends + 1]) / 2


@pytest.mark.parametrize("script", SPOKEN)
def test_words_of_every_script_stand_in_the_pdf_where_they_stand_on_the_screen(script, tmp_path):
    """Words in the middle of a page full of letters: the same gaps between words as in a picture of the page."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed")
    page, dpi = Page(), 200
    for i, words in enumerate([*load_words("hi").text.values()][-60:]):
        page.text(12, 110 + 2.5 * i, words, 6)
    page.text(12, 30, SPOKEN[script], 22)
    page.figure.savefig(tmp_path / "page.png", dpi=dpi)
    with matplotlib.rc_context(PDF_OPTIONS), PdfPages(tmp_path / "page.pdf") as pdf:
        pdf.savefig(page.figure)
    subprocess.run(["pdftoppm", "-r", str(dpi), "-png", "-singlefile", "page.pdf", "printed"], cwd=tmp_path, check=True)
    places = []
    for name in ("page.png", "printed.png"):
        with Image.open(tmp_path / name) as picture:
            places.append(gaps(picture.crop((0, 120, picture.width, 300)), 14 if script == "Arabic" else 9))
    screen, printed = places
    assert len(screen) >= SPOKEN[script].count(" ") - 1
    assert len(printed) == len(screen)
    assert np.abs(printed - screen).max() < 0.02 * (screen[-1] - screen[0])
