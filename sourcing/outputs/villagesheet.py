"""The sheet of one village: its map, its weeks, what is asked of it, what it earns, whom it concerns."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import pandas as pd

from sourcing.outputs.pagemaps import Land, MapFrame, bounds_of
from sourcing.outputs.pages import MARGIN, QUIET, Page
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import GRID_HEAD_MM, GRID_ROW_MM, Shade, WeekRow, facts, grid, head, heading

MAP_MM = 104.0
MAP_HIGH_MM = (70.0, 135.0)
LEGEND_MM = 20.0
"""Room below the map for its legend [mm]."""
LEAST_ROWS = 14
"""With room for fewer rows than this the calendar of a village goes to the next page whole."""
MOST_WEEKS = 30
"""A programme longer than this shows only the village's own weeks, so that the numbers stay readable [weeks]."""


def concerned(prog: Programme) -> list[str]:
    """Villages that get a sheet: barrels stand there, or residue is fetched from there; in order of the ranking."""
    giving = set(prog.plan.carries["village"].astype(str))
    table = prog.plan.village_table
    return [str(v) for v in table.index if bool(table.at[v, "deploy"]) or str(v) in giving]


def village_sheet(prog: Programme, land: Land, village: str, paper: str) -> Iterator[Page]:
    """The page of a village; its weeks go on over further pages where it has very many places."""
    page, words = Page(paper), prog.words
    row = prog.plan.village_table.loc[village]
    y = head(
        page,
        words("sheet.village"),
        prog.village(village),
        (prog.plan.settings.season.name, _weeks_used(prog, village)),
    )
    y = page.paragraph(MARGIN, y, page.inner, _lead(prog, village, row), 10, bold=True) + 2
    top = y
    sites = [s for s in prog.site_names if prog.plan.site_table.at[s, "village"] == village]
    season_mm = (len(sites) + 6) * GRID_ROW_MM + GRID_HEAD_MM + 16 if sites else 0.0
    low = _map(page, prog, land, village, y, float(np.clip(page.bottom - y - season_mm - LEGEND_MM, *MAP_HIGH_MM)))
    x = MARGIN + MAP_MM + 6
    room = page.width - MARGIN - x
    for title, pairs in (
        ("sheet.asked", _asked(prog, village)), ("sheet.earns", _earns(prog, village)),
        ("sheet.concerns", _concerns(prog, village, row)),
    ):  # fmt: skip
        if pairs:
            top = heading(page, x, top, words(title), room)
            top = facts(page, x, top, room, pairs, room * 0.47) + 2.4
    y = max(low, top) + 3
    weeks, rows = _season(prog, village, sites) if sites else (prog.weeks, [])
    while rows:
        fit = int((page.bottom - y - GRID_HEAD_MM - 16) / GRID_ROW_MM)
        if fit < min(len(rows), LEAST_ROWS):
            yield page
            page = Page(paper)
            y = head(page, words("sheet.village"), words("sheet.continued", name=prog.village(village)))
            continue
        y = heading(page, MARGIN, y, words("sheet.season"), page.inner)
        y = grid(page, MARGIN, y, page.inner, 46, prog, weeks, rows[:fit], words("sheet.barrel_weeks"))
        y = page.paragraph(MARGIN, y + 1.5, page.inner, _key(prog), 7, colour=QUIET)
        rows = rows[fit:]
    yield page


def _weeks_used(prog: Programme, village: str) -> str:
    used = prog.plan.site_weeks.loc[prog.plan.site_weeks["village"] == village, "week"]
    return prog.days(int(used.min()), int(used.max())) if len(used) else ""


def _lead(prog: Programme, village: str, row: pd.Series) -> str:
    if not bool(row["deploy"]):
        return prog.words("sheet.gives_only")
    return prog.words.reason(row.to_dict(), prog.plan.settings.fleet.several) + "."


def _map(page: Page, prog: Programme, land: Land, village: str, y: float, high: float) -> float:
    plan, words = prog.plan, prog.words
    carries = plan.carries[plan.carries["village"] == village]
    kinds = field_kinds(prog, set(carries["field_id"]), village)
    own = np.isin(kinds, ("gives", "idle"))
    sites = [
        s for s in plan.site_table.index if plan.site_table.at[s, "village"] == village or s in set(carries["site_id"])
    ]
    spots = [land.sites[str(s)] for s in sites]
    bounds = bounds_of(land.fields[own], spots or [land.villages[village]])
    frame = MapFrame(page, (MARGIN, y, MAP_MM, high), land, bounds)
    frame.draw_ground()
    frame.draw_fields(kinds, plan.fields.frame["estimated"].to_numpy(dtype=bool))
    at_home = land.way_ends["field_id"].isin(carries["field_id"]).to_numpy(dtype=bool)
    frame.draw_ways(at_home, 0.5, straight=plan.arcs.straight_line)
    for site, (px, py) in zip(sites, spots, strict=True):
        frame.mark(px, py, prog.site_numbers[str(site)], strong=plan.site_table.at[site, "village"] == village)
    for site, (px, py) in zip(sites, spots, strict=True):
        if plan.site_table.at[site, "village"] != village:
            frame.label(px, py, prog.site_names[str(site)], gap=2.4)
    for other, (px, py) in land.villages.items():
        frame.home(px, py)
        frame.label(px, py, prog.village(other), 7, bold=True, gap=1.0)
    entries = [
        ("mark", words("sheet.legend_site")),
        ("gives", words("sheet.legend_gives")),
        ("idle", words("sheet.legend_idle")),
    ]
    if bool(plan.field_table["estimated"].any()):
        entries.append(("estimated", words("field.estimated")))
    return frame.legend(words, [*entries, ("way", words("sheet.legend_way")), ("home", words("legend.village"))])


def field_kinds(prog: Programme, giving: set[str], village: str) -> np.ndarray:
    """How each field of the land is drawn: 'gives', 'idle' (of the village, gives nothing) or 'far'."""
    frame = prog.plan.fields.frame
    gives = frame.index.isin(list(giving))
    return np.where(gives, "gives", np.where((frame["village"] == village).to_numpy(), "idle", "far"))


def _asked(prog: Programme, village: str) -> list[tuple[str, str]]:
    words, plan = prog.words, prog.plan
    given = plan.carries[plan.carries["village"] == village]
    work = prog.works.site_weeks[prog.works.site_weeks["village"] == village]
    pairs = []
    if len(given):
        fields, every = given["field_id"].nunique(), plan.village_table.at[village, "fields"]
        loads = given.groupby("mode")["loads"].sum().sort_values(ascending=False)
        by_mode = [f"{words.number(n)} {words.of('mode', str(m))}" for m, n in loads.items()]
        pairs += [
            (words("sheet.fields_giving"), words("sheet.n_of", n=words.number(fields), of=words.number(every))),
            (words("sheet.residue_given"), f"{words.tonnes(given['mass_kg'].sum())} {words('unit.t')}"),
            (words("sheet.loads"), ", ".join(by_mode)),
            (words("sheet.carry_hours"), f"{words.number(given['carry_h'].sum())} {words('sheet.hours')}"),
        ]  # fmt: skip
    if len(work):
        weekly = work.groupby("week")[["carriers", "tenders", "water_l"]].sum()
        pairs += [
            (words("sheet.carriers_most"), words.number(weekly["carriers"].max())),
            (words("sheet.tenders_most"), words.number(weekly["tenders"].max())),
            (words("sheet.tender_hours"), f"{words.number(work['tender_h'].sum())} {words('sheet.hours')}"),
            (words("sheet.crew_hours"), f"{words.number(work['crew_h'].sum())} {words('sheet.hours')}"),
            (words("sheet.water_week"), f"{words.number(weekly['water_l'].max())} {words('sheet.litres')}"),
        ]  # fmt: skip
    return pairs


def _earns(prog: Programme, village: str) -> list[tuple[str, str]]:
    table, words = prog.money.villages, prog.words
    if village not in table.index:
        return []
    row = table.loc[village]
    pairs = [
        (words("sheet.char"), f"{words.tonnes(row['char_kg'])} {words('unit.t')}"),
        (words("sheet.char_sold"), prog.money_text(row["income"])),
        (words("sheet.wages"), prog.money_text(row["wages"])),
        (words("sheet.left"), prog.money_text(row["margin"])),
        (words("sheet.per_work_day"), f"{words.number(row['per_work_day'], 1)} {prog.plan.settings.season.currency}"),
    ]
    return [*pairs, (words("sheet.note"), words("sheet.examples"))] if prog.examples else pairs


def _concerns(prog: Programme, village: str, row: pd.Series) -> list[tuple[str, str]]:
    words, plan = prog.words, prog.plan
    own = plan.field_table[plan.field_table["village"] == village]
    fields = plan.carries.loc[plan.carries["village"] == village, "field_id"].nunique()
    households = math.ceil(fields / plan.settings.money.fields_a_household - 1e-9)
    pairs = [
        (words("sheet.households"), words("sheet.about", n=words.number(households))),
        (
            words("sheet.fields_all"),
            f"{words.number(len(own))}, {words.number(own['area_ha'].sum(), 1)} {words('unit.ha')}",
        ),
    ]
    guessed = int(own["estimated"].sum())
    return [*pairs, (words("field.estimated"), words.number(guessed))] if guessed else pairs


def _season(prog: Programme, village: str, sites: list[str]) -> tuple[range, list[WeekRow]]:
    """The weeks shown, and a row a place and a row a kind of work."""
    words = prog.words
    work = prog.works.site_weeks[prog.works.site_weeks["village"] == village]
    weeks = prog.weeks
    if len(weeks) > MOST_WEEKS:
        weeks = range(int(work["week"].min()), int(work["week"].max()) + 1)
    rows = [site_row(prog, s, weeks) for s in sites]
    sums = (
        work.groupby("week")[["barrels", "carriers", "tenders", "loads", "batches", "water_l"]]
        .sum()
        .reindex(weeks, fill_value=0)
    )
    for column, key in (
        ("barrels", "sheet.all_barrels"), ("batches", "sheet.batches"), ("loads", "sheet.loads_in"),
        ("carriers", "sheet.carriers"), ("tenders", "sheet.tenders"), ("water_l", "sheet.water_l"),
    ):  # fmt: skip
        cells = [words.number(v) if v else "" for v in sums[column]]
        if column == "barrels" and len(sites) == 1:
            continue
        rows.append(WeekRow(words(key), cells, bold=column == "barrels"))
    return weeks, rows


def site_row(prog: Programme, site: str, weeks: range, label: str = "") -> WeekRow:
    """Barrels of a site in each week, dark where several are busy enough."""
    fleet = prog.plan.settings.fleet
    own = prog.plan.site_weeks[prog.plan.site_weeks["site_id"] == site].set_index("week")
    cells, shades = [], []
    for week in weeks:
        shade: Shade = ""
        if week in own.index:
            barrels, busy = int(own.at[week, "barrels"]), float(own.at[week, "busy"])
            shade = "several" if barrels >= fleet.several and busy >= fleet.busy_floor - 1e-9 else "some"
            cells.append(prog.words.number(barrels))
        else:
            cells.append("")
        shades.append(shade)
    named = label or f"{prog.site_names[site]}"
    return WeekRow(named, cells, shades, last=prog.words.number(int(own["barrels"].sum())))


def _key(prog: Programme) -> str:
    fleet = prog.plan.settings.fleet
    return prog.words(
        "sheet.key", several=prog.words.number(fleet.several), floor=prog.words.number(fleet.busy_floor * 100)
    )
