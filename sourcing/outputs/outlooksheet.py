"""The sheets of chances and air: how sure the season is, by village, place and week; what it gives and spares."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from sourcing.outputs.pages import MARGIN, QUIET, Column, Page, column_widths, table
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import GRID_HEAD_MM, GRID_ROW_MM, Shade, WeekRow, grid, head, heading

SIZE = 7.2
LEAST_ROW_MM = 3.7
"""Rows of a calendar are at least this high [mm]."""
MOST_WEEKS_ACROSS = 40
"""Weeks of a calendar on one page."""


def outlook_sheet(prog: Programme, paper: str) -> Iterator[Page]:
    """How sure the season is, by village, site and week; what it gives and spares. None where no barrel stands."""
    if not prog.site_names:
        return
    words, stress = prog.words, prog.plan.stress
    choice = prog.plan.settings.stress
    page = Page(paper)
    y = head(page, prog.plan.settings.season.name, words("chance.title"))
    lead = words(
        "chance.lead", n=words.number(stress.replays),
        causes=", ".join(words.of("cause", cause) for cause in stress.causes),
    )  # fmt: skip
    y = page.paragraph(MARGIN, y, page.inner, lead, 8) + 1.5
    y = _block(page, y, words("chance.season"), *_season_table(prog), page.inner)
    y = _block(page, y, words("chance.villages"), *_sure_villages(prog), page.inner)
    for title, columns, rows in (
        (words("chance.causes"), *_causes_table(prog)),
        (words("air.energy"), *_range_table(prog, prog.plan.climate.energy)),
        (words("air.warming"), *_range_table(prog, prog.plan.climate.warming)),
        (words("air.smoke"), *_range_table(prog, prog.plan.climate.smoke)),
    ):
        if y + 8 + 5 * (len(rows) + 1) > page.bottom:
            yield page
            page = Page(paper)
            y = head(page, prog.plan.settings.season.name, words("sheet.continued", name=words("chance.title")))
        if rows:
            y = _block(page, y, title, columns, rows, page.inner)
        if rows and title == words("chance.causes"):
            y = page.paragraph(MARGIN, y - 2.4, page.inner, words("chance.causes_note"), 6.8, colour=QUIET) + 2
    note = words("air.note", gwp=stress_edition(prog))
    if y + 12 > page.bottom:
        yield page
        page = Page(paper)
        y = head(page, prog.plan.settings.season.name, words("sheet.continued", name=words("chance.title")))
    page.paragraph(MARGIN, y, page.inner, note, 7, colour=QUIET)
    yield page
    named = {"firm": words.number(choice.firm * 100), "likely": words.number(choice.likely * 100)}
    yield from _sure_calendar(prog, paper, words("chance.sites_note", **named))


def stress_edition(prog: Programme) -> str:
    """The edition of the warming potentials, such as 'AR6'."""
    return prog.plan.climate.gwp.replace("_", " + ").upper()


def _block(
    page: Page, y: float, title: str, columns: list[Column], rows: list[tuple[str, ...]], most: float
) -> float:  # fmt: skip
    y = heading(page, MARGIN, y, title, most)
    return (
        table(page, MARGIN, y, columns, rows, column_widths(columns, rows, most, SIZE), page.bottom + 60, SIZE)[0] + 3
    )


def _season_table(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    words, season = prog.words, prog.plan.stress.season
    keys = ("what", "plan", "p10", "p50", "p90")
    columns = [Column(words(f"chance.col_{k}"), "left" if k == "what" else "right", k == "what") for k in keys]
    rows = []
    for name, row in season.iterrows():
        cells = [row[k] for k in ("plan", "p10", "p50", "p90")]
        money = name == "margin"
        said = [prog.money_text(c) if money else f"{words.tonnes(c)} {words('unit.t')}" for c in cells]
        rows.append((words(f"chance.{name}"), *said))
    return columns, rows


def _sure_villages(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    words, table_, sites = prog.words, prog.plan.stress.villages, prog.plan.stress.sites
    keys = ("village", "char_p10", "char_p50", "char_p90", "margin_p10", "margin_p50", "margin_p90", "places")
    columns = [Column(words(f"chance.col_{k}"), "left" if k in ("village", "places") else "right", k == "village")
               for k in keys]  # fmt: skip
    rows = []
    order = [v for v in prog.plan.village_table.index if v in table_.index]
    for village in order:
        r, own = table_.loc[village], sites.loc[sites["village"] == village, "sureness"].value_counts()
        named = ", ".join(f"{words.number(int(own[s]))} {words(f'sure.{s}')}" for s in ("firm", "likely", "doubtful")
                          if s in own)  # fmt: skip
        rows.append((
            prog.village(str(village)), *(words.tonnes(r[f"char_p{p}"]) for p in (10, 50, 90)),
            *(words.number(r[f"margin_p{p}"]) for p in (10, 50, 90)), named,
        ))  # fmt: skip
    return columns, rows


def _causes_table(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    """What each cause alone does, the strongest first."""
    words, spread = prog.words, prog.plan.stress.spread
    keys = ("cause", "char_spread", "margin_spread", "share")
    columns = [Column(words(f"chance.col_{k}"), "left" if k == "cause" else "right", k == "cause") for k in keys]
    if spread is None:
        return columns, []
    rows: list[tuple[str, ...]] = [
        (
            words.of("cause", str(cause)), f"{words.tonnes(row['char_spread'])} {words('unit.t')}",
            prog.money_text(row["margin_spread"]), words.number(100 * row["share"]),
        )
        for cause, row in spread.iterrows()
    ]  # fmt: skip
    return columns, rows


def _range_table(prog: Programme, frame: pd.DataFrame) -> tuple[list[Column], list[tuple[str, ...]]]:
    words = prog.words
    keys = ("what", "low", "likely", "high", "unit")
    columns = [Column(words(f"air.col_{k}"), "left" if k in ("what", "unit") else "right", k == "what") for k in keys]
    rows = []
    for name, row in frame.iterrows():
        digits = 1 if row["likely"] < 100 and name != "char_kg" else 0
        ends = (words.number(row[k], digits) for k in ("low", "likely", "high"))
        rows.append((words(f"air.{name}"), *ends, words.of("airunit", str(row["unit"]).replace(" ", "_"))))
    return columns, rows


def _sure_calendar(prog: Programme, paper: str, note: str) -> Iterator[Page]:
    """For each place and week the chance that as many barrels as are asked for are kept busy; dark where firm."""
    words, stress, settings = prog.words, prog.plan.stress, prog.plan.settings
    several = settings.fleet.several
    asked = stress.chances[stress.chances["n"] == np.minimum(several, stress.chances["barrels"])]
    wide = asked.pivot_table(index="site_id", columns="week", values="chance")
    for first in range(prog.weeks.start, prog.weeks.stop, MOST_WEEKS_ACROSS):
        weeks = range(first, min(first + MOST_WEEKS_ACROSS, prog.weeks.stop))
        rows: list[WeekRow] = []
        for site in prog.site_names:
            if site not in wide.index:
                continue
            own = wide.loc[site].reindex(weeks)
            shades: list[Shade] = [_sure_shade(c, settings.stress.firm, settings.stress.likely) for c in own]
            cells = [words.number(np.floor(100 * c + 1e-9)) if np.isfinite(c) else "" for c in own]
            sure = str(stress.sites.at[site, "sureness"])
            rows.append(WeekRow(prog.site_names[site], cells, shades, last=words(f"sure.{sure}")))
        title = words("chance.sites")
        while rows:
            page = Page(paper, lying=True)
            y = head(page, prog.plan.settings.season.name, title, (prog.days(weeks[0], weeks[-1]),))
            y = page.paragraph(MARGIN, y, page.inner, note, 7.5, colour=QUIET) + 1
            room = page.bottom - y - GRID_HEAD_MM
            high = min(max(room / len(rows), LEAST_ROW_MM), GRID_ROW_MM)
            fit = max(int(room / high + 1e-6), 2)
            grid(page, MARGIN, y, page.inner, 52, prog, weeks, rows[:fit], words("chance.over"), high)
            rows = rows[fit:]
            title = words("sheet.continued", name=words("chance.sites"))
            yield page


def _sure_shade(chance: float, firm: float, likely: float) -> Shade:
    if not np.isfinite(chance):
        return ""
    return "several" if chance >= firm else "some" if chance >= likely else ""
