"""The printed programme: the decision, the wall calendar, a page a village, a page a place, the safety sheet."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import matplotlib
import numpy as np
from matplotlib.backends.backend_pdf import PdfPages

from sourcing.errors import OutputError
from sourcing.outputs.datafacts import data_facts
from sourcing.outputs.daysheet import day_sheet
from sourcing.outputs.fonts import names_of_scripts
from sourcing.outputs.moneysheet import money_sheet
from sourcing.outputs.outlooksheet import outlook_sheet
from sourcing.outputs.pagemaps import Land, land_of
from sourcing.outputs.pages import INK, MARGIN, QUIET, Column, Page, column_widths, held, lacking, table, width
from sourcing.outputs.programme import Programme, programme
from sourcing.outputs.sheetparts import (
    GRID_HEAD_MM,
    SHADES,
    WeekRow,
    facts,
    facts_height,
    foot,
    grid,
    head,
    heading,
)
from sourcing.outputs.sitesheet import call_lines, site_sheet
from sourcing.outputs.startsheet import start_sheet
from sourcing.outputs.villagesheet import concerned, site_row, village_sheet
from sourcing.outputs.weekpicture import overview, scene_of
from sourcing.outputs.workshopsheet import workshop_sheet
from sourcing.plan import Plan
from sourcing.season.outcome import UNPROVEN
from sourcing.season.problem import fleet_by_week
from sourcing.season.safety import safety_sheet

CHART_MM = 40.0
STACKED_MM = 140.0
"""With this much room [mm] the chart stands above the map, with less beside it."""
LEGEND_MM = 12.0
PDF_OPTIONS: dict[Any, Any] = {
    "pdf.fonttype": 42,
    "pdf.compression": 6,
    "hatch.linewidth": 0.35,
    "svg.fonttype": "none",
}


def write_sheets(plan: Plan, path: Path, paper: str = "A4") -> None:
    """The printable pages of a plan, on 'A4' or 'A3'. Raises OutputError when they cannot be written."""
    prog = programme(plan)
    left = " · ".join([plan.settings.season.name, prog.words("facts.made", date=prog.words.day(prog.made))])
    if prog.words.status != "complete":
        left += " · " + prog.words("map.draft")
    facts_of_file = {
        "Title": f"{plan.settings.season.name}",
        "Creator": "sourcing",
        "CreationDate": None,
        "ModDate": None,
    }
    try:
        with matplotlib.rc_context(PDF_OPTIONS), PdfPages(path, metadata=facts_of_file) as pdf:
            for number, page in enumerate(sheet_pages(prog, paper), start=1):
                foot(page, left, prog.words("sheet.page", n=prog.words.number(number)))
                pdf.savefig(page.figure)
    except OSError as exc:
        raise OutputError(f"the sheets could not be written to {path}: {exc}") from exc


def sheet_pages(prog: Programme, paper: str = "A4") -> Iterator[Page]:
    """All pages in order, one at a time: decision, villages, what must be there, wall calendar, money, chances, then
    village by village its places, the workshop, and the safety sheet.
    """
    land = land_of(prog.plan)
    yield title_sheet(prog, land, paper)
    yield from village_list(prog, paper)
    yield from start_sheet(prog, paper)
    if prog.site_names:
        yield from wall_calendar(prog, paper)
    yield from money_sheet(prog, paper)
    yield from outlook_sheet(prog, paper)
    for village in concerned(prog):
        yield from village_sheet(prog, land, village, paper)
        for site in prog.site_names:
            if prog.plan.site_table.at[site, "village"] == village:
                yield from site_sheet(prog, land, site, paper)
                yield from day_sheet(prog, land, site, paper)
    yield from workshop_sheet(prog, paper)
    yield from whole_safety_sheet(prog, paper)


# --- the decision -----------------------------------------------------------------------------------------------------


def title_sheet(prog: Programme, land: Land, paper: str) -> Page:
    """What, where, when, how good, and what to beware of, on one page."""
    page, words = Page(paper), prog.words
    made = words("facts.made", date=words.day(prog.made))
    y = head(page, words("sheet.decision"), prog.plan.settings.season.name, (made,))
    y = facts(page, MARGIN, y, page.inner, decision(prog), 31, 9.5) + 2
    warn = [f"•  {said.text(prog.words)}" for said in prog.plan.cautions]
    data = data_lines(prog)
    size = 7.2
    below = _lines_height(warn, page.inner, size) + _lines_height(data, page.inner, size) + 14
    room = page.bottom - y - below
    if room >= STACKED_MM:
        low = heading(page, MARGIN, y, words("sheet.chart"), page.inner)
        _chart(page, prog, MARGIN, low, page.inner, CHART_MM)
        low = heading(page, MARGIN, low + CHART_MM + 4, words("sheet.overview"), page.inner)
        overview(page, scene_of(prog, land), (MARGIN, low, page.inner, page.bottom - below - low - LEGEND_MM))
    else:
        half = (page.inner - 6) / 2
        low = heading(page, MARGIN, y, words("sheet.chart"), half)
        _chart(page, prog, MARGIN, low, half, max(room - 8, 36))
        low = heading(page, MARGIN + half + 6, y, words("sheet.overview"), half)
        overview(page, scene_of(prog, land), (MARGIN + half + 6, low, half, max(room - 12 - 2 * LEGEND_MM, 30)))
    y = page.bottom - below + 2
    y = heading(page, MARGIN, y, words("safety.title"), page.inner)
    for text in warn:
        y = page.paragraph(MARGIN, y, page.inner, text, size)
    y = heading(page, MARGIN, y + 1.5, words("facts.title"), page.inner)
    for text in data:
        y = page.paragraph(MARGIN, y, page.inner, text, size)
    return page


def _lines_height(texts: Sequence[str], most: float, size: float) -> float:
    return facts_height([("", text) for text in texts], most, 0.001, size)


def decision(prog: Programme) -> list[tuple[str, str]]:
    """The decision in labelled lines."""
    words, plan, total = prog.words, prog.plan, prog.plan.record["totals"]
    number, tonnes, table_ = words.number, words.tonnes, plan.village_table
    if not prog.site_names:
        return [(words("sheet.what"), words("sheet.nothing"))]
    fleet = int(np.max(fleet_by_week(plan.calendar, plan.settings.fleet)))
    deployed = table_[table_["deploy"]]
    places = plan.site_table["village"].value_counts()
    where = [f"{prog.village(str(v))} ({number(int(places.get(v, 0)))})" for v in deployed.index]
    most = 24
    listed = ", ".join(where[:most]) + (
        " " + words("sheet.and_more", n=number(len(where) - most)) if len(where) > most else ""
    )
    out = [
        (words("sheet.what"), words(
            "sheet.what_said", residue=tonnes(total["residue_kg"]), free=tonnes(total["residue_free_kg"]),
            char=tonnes(total["char_kg"]), most=number(total["most_barrels"]), fleet=number(fleet),
        )),
        (words("sheet.where"), words(
            "sheet.where_said", villages=number(len(deployed)), all=number(len(table_)),
            sites=number(total["sites"]), listed=listed,
        )),
        (words("sheet.when"), prog.days(prog.weeks[0], prog.weeks[-1])),
        (words("sheet.carrying"), words(
            "sheet.carrying_said", loads=number(total["loads"]), hours=number(total["carry_h"]),
            metres=number(_mean_way(prog)),
        )),
    ]  # fmt: skip
    if "margin" in total:
        said = prog.money_text(prog.money.margin)
        out.append((words("sheet.margin"), f"{said}. {words('sheet.examples')}" if prog.examples else said))
    return [*out, (words("sheet.proof"), proof(prog))]


def _mean_way(prog: Programme) -> float:
    carries = prog.plan.carries
    kilos = float(carries["mass_kg"].sum())
    return float((carries["mass_kg"] * carries["distance_m"]).sum()) / kilos if kilos else 0.0


def proof(prog: Programme) -> str:
    """How good the plan is proven to be."""
    words, solve = prog.words, prog.plan.record["solve"]
    goal = words(f"sheet.goal_{solve['goal']}") if f"sheet.goal_{solve['goal']}" in words.text else str(solve["goal"])
    gap = float(solve["gap"])
    if gap > UNPROVEN:
        return words("sheet.unproven", goal=goal)
    if gap < 1e-6:
        return words("sheet.proven_best", goal=goal)
    digits = 1 if gap >= 0.001 else 2
    return words("sheet.proven", gap=words.number(np.ceil(gap * 100 * 10**digits) / 10**digits, digits), goal=goal)


def data_lines(prog: Programme) -> list[str]:
    """Where the figures come from, how old they are, and what could not be printed."""
    words, plan, season = prog.words, prog.plan, prog.plan.settings.season
    out = list(data_facts(plan, words, prog.made).values())
    names = [
        season.name,
        season.currency,
        *plan.village_table["name"],
        *plan.site_table["name"],
        *plan.field_table.index,
    ]
    if unprintable := lacking(" ".join(map(str, names))):
        out.append(words("sheet.lacking", scripts=", ".join(names_of_scripts(unprintable))))
    return out


def _chart(page: Page, prog: Programme, x: float, y: float, w: float, h: float) -> None:
    """Barrels standing in each week as bars, dark as far as they are busy, and the fleet as a line."""
    words, plan = prog.words, prog.plan
    weeks = plan.site_weeks.assign(used=plan.site_weeks["barrels"] * plan.site_weeks["busy"])
    sums = weeks.groupby("week")[["barrels", "used"]].sum().reindex(prog.weeks, fill_value=0)
    fleet = fleet_by_week(plan.calendar, plan.settings.fleet)[prog.weeks[0] : prog.weeks[-1] + 1]
    most = max(float(sums["barrels"].max()), float(fleet.max()), 1.0)
    left, low, tall = x + 7, y + h - 9, h - 16
    bar = min((w - 7) / len(prog.weeks), 18.0)
    full, w = w, 7 + bar * len(prog.weeks)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000) if most / s <= 5)
    for tick in range(0, int(most) + 1, step):
        foot_y = low - tick / most * tall
        page.lines([[(left, foot_y), (x + w, foot_y)]], 0.3, "#c9ced3")
        page.text(left - 1.2, foot_y + 0.8, words.number(tick), 6.5, align="right", colour=QUIET)
    for i, row in enumerate(sums.itertuples()):
        at, wide = left + (i + 0.12) * bar, bar * 0.76
        if row.barrels:
            page.box(
                at,
                low - row.barrels / most * tall,
                wide,
                row.barrels / most * tall,
                fill="#dfe4e9",
                edge=INK,
                thick=0.5,
                over=2.6,
            )
            page.box(at, low - row.used / most * tall, wide, row.used / most * tall, fill="#5b6a79", over=2.7)
    page.lines([[(left + i * bar, low - n / most * tall), (left + (i + 1) * bar, low - n / most * tall)]
                for i, n in enumerate(fleet)], 1.1, INK)  # fmt: skip
    calendar, seen = plan.calendar, 0.0
    for i, week in enumerate(prog.weeks):
        monday = calendar.monday(week)
        said = words.month(monday)
        new = i == 0 or calendar.monday(week - 1).month != monday.month
        if new and left + i * bar >= seen and left + i * bar + width(said, 6.5) <= x + w + 2:
            page.lines([[(left + i * bar, low), (left + i * bar, low + 1.6)]], 0.6, INK)
            page.text(left + i * bar + 0.4, low + 3.6, said, 6.5)
            seen = left + i * bar + width(said, 6.5) + 1.5
    foot_y, at = low + 8, x
    for fill, key in (("#5b6a79", "sheet.chart_busy"), ("#dfe4e9", "sheet.chart_idle"), ("", "sheet.chart_fleet")):
        said = words(key)
        if at + 5 + width(said, 6.5) > x + full and at > x:
            at, foot_y = x, foot_y + 3.6
        if fill:
            page.box(at, foot_y - 2.2, 3.4, 2.4, fill=fill, edge=INK, thick=0.4)
        else:
            page.lines([[(at, foot_y - 1), (at + 3.4, foot_y - 1)]], 1.1, INK)
        page.text(at + 4.6, foot_y, said, 6.5, colour=QUIET)
        at += 4.6 + width(said, 6.5) + 4


# --- lists and calendars ----------------------------------------------------------------------------------------------


def village_list(prog: Programme, paper: str) -> Iterator[Page]:
    """All villages, those first that keep several barrels busy the longest, each with its reason."""
    words, plan = prog.words, prog.plan
    several = plan.settings.fleet.several
    keys = ("village", "several", "barrels_most", "when", "residue", "char", "mean_way", "reason")
    columns = [
        Column(
            words(f"sheet.col_{k}", several=words.number(several)),
            "left" if k in ("village", "when", "reason") else "right",
            k == "village",
        )
        for k in keys
    ]
    rows = []
    for village, row in plan.village_table.iterrows():
        used = plan.site_weeks.loc[plan.site_weeks["village"] == village, "week"]
        stands = bool(row["deploy"])
        calendar = plan.calendar
        when = (
            held(f"{prog.short_day(calendar.monday(int(used.min())))} – {prog.sunday(int(used.max()))}")
            if stands
            else "–"
        )
        rows.append((
            prog.village(str(village)), words.number(row["several_weeks"]) if stands else "–",
            words.number(row["most_barrels"]) if stands else "–", when,
            words.tonnes(row["residue_kg"]) if stands else "–", words.tonnes(row["char_kg"]) if stands else "–",
            words.number(row["mean_carry_m"]) if stands else "–", words.reason(row.to_dict(), several),
        ))  # fmt: skip
    widths = column_widths(columns, rows, A4_INNER, 8)
    title = words("rank.title")
    while rows:
        page = Page(paper)
        y = head(page, plan.settings.season.name, title)
        y = (
            page.paragraph(MARGIN, y, page.inner, words("rank.lead", several=words.number(several)), 8, colour=QUIET)
            + 1
        )
        _, done = table(page, MARGIN, y, columns, rows, widths, page.bottom, 8)
        rows = rows[max(done, 1) :]
        title = words("sheet.continued", name=words("rank.title"))
        yield page


A4_INNER = 210.0 - 2 * MARGIN


MOST_WEEKS_ACROSS = 45
"""Weeks of the wall calendar on one page."""


def wall_calendar(prog: Programme, paper: str) -> Iterator[Page]:
    """The whole programme for the wall: each place and week, lying pages; many weeks go on over further pages."""
    for first in range(prog.weeks.start, prog.weeks.stop, MOST_WEEKS_ACROSS):
        weeks = range(first, min(first + MOST_WEEKS_ACROSS, prog.weeks.stop))
        yield from _calendar_pages(prog, paper, _calendar_rows(prog, weeks), weeks, prog.words("sheet.calendar"))
    yield from _moves_list(prog, paper)


def _calendar_rows(prog: Programme, weeks: range) -> list[WeekRow | str]:
    rows: list[WeekRow | str] = []
    plan, words = prog.plan, prog.words
    for village in plan.village_table.index:
        sites = [s for s in prog.site_names if plan.site_table.at[s, "village"] == village]
        if sites:
            rows.append(prog.village(str(village)))
            rows += [site_row(prog, s, weeks) for s in sites]
    totals = prog.works.site_weeks.groupby("week")[["barrels", "carriers", "tenders", "char_kg"]].sum()
    totals = totals.reindex(weeks, fill_value=0)
    fleet = fleet_by_week(plan.calendar, plan.settings.fleet)
    cells = [words.number(n) if n else "" for n in totals["barrels"]]
    rows.append(words("sheet.all_sites"))
    rows.append(
        WeekRow(words("sheet.all_barrels"), cells, bold=True, last=words.number(int(plan.site_weeks["barrels"].sum())))
    )
    rows.append(
        WeekRow(words("sheet.in_store"), [words.number(int(fleet[w] - totals.at[w, "barrels"])) for w in weeks])
    )
    for column, key in (("carriers", "sheet.carriers"), ("tenders", "sheet.tenders"), ("char_kg", "sheet.char_kg")):
        rows.append(WeekRow(words(key), [words.number(v) if v else "" for v in totals[column]]))
    return rows


LEAST_WALL_ROW_MM = 4.2
"""A row of the wall calendar is at least this high: low, so that a few rows more take no other page [mm of A4]."""
WALL_ROW_MM = 7.0
"""A row of the wall calendar is at most this high [mm of A4]."""


def _calendar_pages(
    prog: Programme, paper: str, rows: list[WeekRow | str], weeks: range, title: str
) -> Iterator[Page]:  # fmt: skip
    words, fleet = prog.words, prog.plan.settings.fleet
    while rows:
        page = Page(paper, lying=True)
        y = head(page, prog.plan.settings.season.name, title, (prog.days(weeks[0], weeks[-1]),))
        fit = max(int((page.bottom - y - GRID_HEAD_MM - 6) / LEAST_WALL_ROW_MM), 2)
        here = rows[:fit]
        if len(rows) > fit and isinstance(here[-1], str):
            here = here[:-1]
        high = min((page.bottom - y - GRID_HEAD_MM - 6) / len(here), WALL_ROW_MM)
        y = grid(page, MARGIN, y, page.inner, 52, prog, weeks, here, words("sheet.barrel_weeks"), high) + 4.2
        x = MARGIN
        several = {"several": words.number(fleet.several), "floor": words.number(fleet.busy_floor * 100)}
        for shade, said in (
            ("several", words("legend.several", **several)),
            ("some", words("legend.fewer")),
        ):
            page.box(x, y - 2.6, 5, 3, fill=SHADES[shade], edge=INK, thick=0.4)
            page.text(x + 6.5, y, said, 7, colour=QUIET)
            x += 6.5 + width(said, 7) + 6
        rows = rows[len(here) :]
        title = words("sheet.continued", name=words("sheet.calendar"))
        yield page


def _moves_list(prog: Programme, paper: str) -> Iterator[Page]:
    """Barrels on the road, week by week."""
    words, store = prog.words, prog.words("sheet.store")
    columns = [
        Column(words(f"sheet.col_{k}"), "right" if k in ("barrels", "metres") else "left")
        for k in ("from", "to", "barrels", "metres")
    ]
    rows: list[tuple[str, ...]] = []
    for week, moves in prog.works.moves.groupby("week", sort=True):
        monday = prog.plan.calendar.monday(int(week))
        last = int(week) >= prog.plan.calendar.count
        rows.append((words("sheet.after_season") if last else words("sheet.before_monday", day=words.day(monday)),))
        rows += [
            (
                prog.site_names.get(str(m.from_site), store), prog.site_names.get(str(m.to_site), store),
                words.number(m.barrels), words.number(m.distance_m) if m.distance_m else "–",
            )
            for m in moves.itertuples()
        ]  # fmt: skip
    title = words("sheet.moves")
    widths = column_widths(columns, rows, (A4_INNER - 8) / 2, 7.5)
    while rows:
        page = Page(paper)
        y = head(page, prog.plan.settings.season.name, title)
        y = page.paragraph(MARGIN, y, page.inner, words("sheet.moves_lead"), 8, colour=QUIET) + 1
        for x in (MARGIN, MARGIN + A4_INNER / 2 + 4):
            _, done = table(page, x, y, columns, rows, widths, page.bottom, 7.5)
            rows = rows[done:]
            if not rows:
                break
        title = words("sheet.continued", name=words("sheet.moves"))
        yield page


def whole_safety_sheet(prog: Programme, paper: str) -> Iterator[Page]:
    """The whole safety sheet, to hang at every place."""
    words = prog.words
    page = Page(paper)
    y = free = head(page, words("sheet.hang"), words("sheet.safety_sheet"))
    topic, lines = "", safety_sheet(prog.plan.values, words)
    for line in lines:
        needed = 6 + len(line.text) / 95 * 4.6
        if y + needed > page.bottom:
            yield page
            page = Page(paper)
            y = free = head(page, words("sheet.hang"), words("sheet.continued", name=words("sheet.safety_sheet")))
        if line.topic != topic:
            topic, y = line.topic, max(y, free) + 1.4
            free = page.paragraph(MARGIN, y, 36, topic, 8.6, bold=True)
        if line is lines[-1]:
            call_lines(page, MARGIN + 40, y, page.inner - 40, line.text, 8.6)
        else:
            y = page.paragraph(MARGIN + 40, y, page.inner - 40, line.text, 8.6) + 0.8
    yield page
