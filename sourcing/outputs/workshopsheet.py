"""The sheet of the workshop: its presses, its weeks, its stocks, and which place sends how much char."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import pandas as pd

from sourcing.outputs.pages import INK, MARGIN, QUIET, Column, Page, column_widths, table, width
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import GRID_HEAD_MM, GRID_ROW_MM, WeekRow, facts, grid, head, heading
from sourcing.season.workshop import Workshop

CHART_MM = 34.0
SIZE = 7.0
GAP_MM = 8.0
LEAST_KG = 0.5
"""Weeks in which less than this moves are left out [kg]."""
LEAST_ROW_MM = 3.7
"""Rows of a calendar are at least this high [mm]."""
MOST_WEEKS_ACROSS = 45
"""Weeks of a calendar on one page."""
WEEK_KEYS = ("week", "char_in", "loads_in", "store", "flour", "water", "pressed", "press_h", "people", "floor", "dried",
             "bags", "stock", "sold", "limit")  # fmt: skip


def workshop_sheet(prog: Programme, paper: str) -> Iterator[Page]:
    """The pages of the workshop; none where the season has none."""
    shop, words = prog.works.workshop, prog.words
    if shop is None or shop.weeks.empty:
        return
    page = Page(paper)
    y = head(page, prog.plan.settings.season.name, words("shop.title"), (words("shop.kind"),))
    half = (page.inner - GAP_MM) / 2
    left = heading(page, MARGIN, y, words("shop.have"), half)
    left = facts(page, MARGIN, left, half, _presses(prog, shop), half * 0.5, 7.5)
    x = MARGIN + half + GAP_MM
    right = heading(page, x, y, words("shop.season"), half)
    right = facts(page, x, right, half, _season(prog, shop), half * 0.5, 7.5)
    y = heading(page, MARGIN, max(left, right) + 2, words("shop.chart"), page.inner)
    y = _chart(page, prog, shop, y) + 3
    columns, rows = _week_table(prog, shop)
    title = words("shop.weeks")
    while rows:
        widths = column_widths(columns, rows, page.inner, SIZE)
        y = heading(page, MARGIN, y, title, page.inner)
        y, done = table(page, MARGIN, y, columns, rows, widths, page.bottom - 5, SIZE)
        rows = rows[done:]
        y = page.paragraph(MARGIN, y + 0.8, page.inner, words("shop.weeks_note"), 6.6, colour=QUIET)
        yield page
        page = Page(paper)
        y = head(page, prog.plan.settings.season.name, words("sheet.continued", name=words("shop.title")))
    yield from _sources(prog, page, y, paper)
    yield from _rounds(prog, paper)


def _presses(prog: Programme, shop: Workshop) -> list[tuple[str, str]]:
    """What must be there: presses, people, room, binder."""
    words, w = prog.words, shop.weeks
    hours = w["press_h"].max()
    chosen = "shop.presses_given" if prog.plan.settings.works.presses else "shop.presses_found"
    kinds = "; ".join(
        words("shop.press", n=words.number(p.count), kind=words.of("press", p.kind), kg=words.number(p.kg_per_h, 1),
              people=words.number(p.people))
        for p in shop.presses
    ) or words("shop.no_press")  # fmt: skip
    most = w.loc[w["work_h"].idxmax()]
    return [
        (words(chosen), kinds),
        (words("shop.people"), words.number(_people(prog, most))),
        (words("shop.press_most"), f"{words.number(hours)} {words('sheet.hours')}"),
        (words("shop.floor"), f"{words.number(w['floor_m2'].max())} m²"),
        (words("shop.store"), words("shop.store_said", area=words.number(w["store_m2"].max()),
                                    kg=words.number((w["char_resting_kg"] + w["char_store_kg"]).max()))),
        (words("shop.dry"), words("shop.days", n=words.number(prog.plan.values["works.dry.days"]))),
        (words("shop.held"), _held_back(prog, w)),
    ]  # fmt: skip


def _season(prog: Programme, shop: Workshop) -> list[tuple[str, str]]:
    """What goes in and comes out over the season."""
    words, w, kg = prog.words, shop.weeks, prog.words("unit.kg")
    pressing = w.index[w["pressed_kg"] > LEAST_KG]
    when = prog.days(int(pressing.min()), int(pressing.max())) if len(pressing) else "–"
    power = float(w["power_kwh"].sum())
    out = [
        (words("shop.when"), when),
        (words("shop.char"), f"{words.number(w['char_in_kg'].sum())} {kg}"),
        (words("shop.flour"), f"{words.number(w['flour_kg'].sum())} {kg}"),
        (words("shop.water"), f"{words.number(w['water_l'].sum())} {words('sheet.litres')}"),
        (words("shop.made"), f"{words.number(w['dried_kg'].sum())} {kg}"),
        (words("shop.bags"), words("shop.bags_said", n=words.number(w["bags"].sum()),
                                   kg=words.number(prog.plan.values["works.pack.bag_kg"]))),
        (words("shop.work"), f"{words.number(w['work_h'].sum())} {words('sheet.hours')}"),
    ]  # fmt: skip
    return [*out, (words("shop.power"), f"{words.number(power)} kWh")] if power > 0 else out


def _people(prog: Programme, row: pd.Series) -> float:
    """People that a week's work takes, at its working hours."""
    hours = prog.plan.settings.fleet.days_a_week * prog.plan.settings.fleet.hours_a_day
    return float(-(-row["work_h"] // hours)) if hours > 0 else 0.0


def _held_back(prog: Programme, weeks: pd.DataFrame) -> str:
    """In how many weeks what held the work back."""
    counts = weeks[weeks["pressed_kg"] > LEAST_KG]["limit"].value_counts()
    return "; ".join(f"{prog.words.of('limit', str(kind))}: {prog.words.number(int(n))}" for kind, n in counts.items())


def _shown(weeks: pd.DataFrame) -> pd.DataFrame:
    moved = weeks[["char_in_kg", "pressed_kg", "dried_kg", "sold_kg", "stock_kg", "char_store_kg"]].max(axis=1)
    busy = weeks.index[moved > LEAST_KG]
    return weeks.loc[busy.min() : busy.max()] if len(busy) else weeks.iloc[:0]


def _week_table(prog: Programme, shop: Workshop) -> tuple[list[Column], list[tuple[str, ...]]]:
    words = prog.words
    loads = prog.works.site_weeks.groupby("week")["haul_loads"].sum()
    columns = [Column(words(f"shop.col_{k}"), "left" if k == "limit" else "right", k == "week") for k in WEEK_KEYS]
    rows: list[tuple[str, ...]] = []
    shown = _shown(shop.weeks)
    for week, w in shown.iterrows():
        at = int(str(week))
        first = prog.plan.calendar.monday(at)
        rows.append((
            f"{prog.week_number(at)}, {prog.short_day(first)}", words.number(w["char_in_kg"]),
            words.number(int(loads.get(at, 0))), words.number(w["char_resting_kg"] + w["char_store_kg"]),
            words.number(w["flour_kg"]), words.number(w["water_l"]), words.number(w["pressed_kg"]),
            words.number(w["press_h"]), words.number(_people(prog, w)), words.number(w["floor_m2"]),
            words.number(w["dried_kg"]), words.number(w["bags"]), words.number(w["stock_kg"]),
            words.number(w["sold_kg"]), words.of("limit", str(w["limit"])),
        ))  # fmt: skip
    sums = shown[["char_in_kg", "flour_kg", "water_l", "pressed_kg", "dried_kg", "bags", "sold_kg"]].sum()
    rows.append((
        words("sheet.season_sum"), words.number(sums["char_in_kg"]), words.number(int(loads.sum())), "",
        words.number(sums["flour_kg"]), words.number(sums["water_l"]), words.number(sums["pressed_kg"]), "", "", "",
        words.number(sums["dried_kg"]), words.number(sums["bags"]), "", words.number(sums["sold_kg"]), "",
    ))  # fmt: skip
    return columns, rows


def _chart(page: Page, prog: Programme, shop: Workshop, y: float) -> float:
    """Briquettes pressed each week as bars, what the presses can do as a line. Returns where it ends [mm]."""
    words, shown = prog.words, _shown(shop.weeks)
    if shown.empty:
        return y
    fleet = prog.plan.settings.fleet
    can = sum(p.count * p.kg_per_h for p in shop.presses) * fleet.days_a_week * fleet.hours_a_day
    most = max(float(shown["pressed_kg"].max()), can, 1.0)
    left, low, tall = MARGIN + 12, y + CHART_MM - 8, CHART_MM - 11
    bar = min((page.width - MARGIN - left) / len(shown), 14.0)
    right = left + bar * len(shown)
    for tick in _ticks(most):
        foot = low - tick / most * tall
        page.lines([[(left, foot), (right, foot)]], 0.3, "#c9ced3")
        page.text(left - 1.2, foot + 0.8, words.number(tick), 6.5, align="right", colour=QUIET)
    for i, (week, w) in enumerate(shown.iterrows()):
        high = w["pressed_kg"] / most * tall
        if high > 0:
            page.box(
                left + (i + 0.14) * bar, low - high, bar * 0.72, high, fill="#5b6a79", edge=INK, thick=0.4, over=2.6
            )
        page.text(left + (i + 0.5) * bar, low + 2.8, prog.week_number(int(str(week))), 6, align="center", colour=QUIET)
    foot = low - can / most * tall
    page.lines([[(left, foot), (right, foot)]], 1.1, INK)
    said = words("shop.can", kg=words.number(can))
    page.box(left, low + 5, 3.4, 2.4, fill="#5b6a79", edge=INK, thick=0.4)
    page.text(left + 4.6, low + 7, words("shop.bars"), 6.5, colour=QUIET)
    x = left + 4.6 + width(words("shop.bars"), 6.5) + 5
    page.lines([[(x, low + 6.2), (x + 3.4, low + 6.2)]], 1.1, INK)
    page.text(x + 4.6, low + 7, said, 6.5, colour=QUIET)
    return y + CHART_MM


def _ticks(most: float) -> Sequence[int]:
    """Round numbers from 0 on, at most six of them."""
    step = next(s * 10**p for p in range(12) for s in (1, 2, 5) if most / (s * 10**p) <= 5)
    return range(0, int(most) + 1, step)


def _sources(prog: Programme, page: Page, y: float, paper: str) -> Iterator[Page]:
    """Which place sends how much char how far, in two columns."""
    words, plan = prog.words, prog.plan
    sums = prog.works.site_weeks.groupby("site_id")[["char_kg", "shaped_kg", "haul_loads", "haul_h"]].sum()
    first = prog.works.site_weeks[prog.works.site_weeks["char_kg"] > 0].groupby("site_id")["week"].agg(["min", "max"])
    keys = ("from", "when", "way", "char_kg", "loads", "hours")
    columns = [Column(words(f"shop.col_{k}"), "left" if k in ("from", "when") else "right", k == "from") for k in keys]
    rows = []
    for site in prog.site_names:
        if site not in first.index:
            continue
        s, span = sums.loc[site], first.loc[site]
        rows.append((
            prog.site_names[site],
            f"{prog.short_day(plan.calendar.monday(int(span['min'])))} – {prog.sunday(int(span['max']))}",
            f"{words.number(round(float(plan.site_table.at[site, 'haul_m']), -1))} {words('unit.m')}",
            words.number(s["char_kg"]), words.number(s["haul_loads"]), words.number(s["haul_h"]),
        ))  # fmt: skip
    title = words("shop.sources", mode=words.of("mode", plan.settings.works.haul_mode))
    half = (page.inner - GAP_MM) / 2
    widths = column_widths(columns, rows, half, SIZE)
    while rows:
        y = heading(page, MARGIN, y, title, page.inner)
        for x in (MARGIN, MARGIN + half + GAP_MM):
            _, done = table(page, x, y, columns, rows, widths, page.bottom, SIZE)
            rows = rows[done:]
            if not rows:
                break
        yield page
        page = Page(paper)
        y = head(page, plan.settings.season.name, words("sheet.continued", name=words("shop.title")))


def _rounds(prog: Programme, paper: str) -> Iterator[Page]:
    """Loads of char to fetch from each place in each week: a calendar, lying."""
    words, work = prog.words, prog.works.site_weeks
    loads = work.pivot_table(index="site_id", columns="week", values="haul_loads", aggfunc="sum", fill_value=0)
    loads = loads.reindex(columns=range(prog.weeks.start, prog.weeks.stop), fill_value=0)

    def row(label: str, counts: pd.Series, bold: bool = False) -> WeekRow:
        cells = [words.number(int(n)) if n else "" for n in counts]
        return WeekRow(label, cells, bold=bold, last=words.number(int(counts.sum())))

    rows = [row(prog.site_names[s], loads.loc[s]) for s in prog.site_names if s in loads.index and loads.loc[s].any()]
    rows.append(row(words("sheet.all_sites"), loads.sum(), bold=True))
    title = words("shop.rounds")
    for first in range(prog.weeks.start, prog.weeks.stop, MOST_WEEKS_ACROSS):
        weeks = range(first, min(first + MOST_WEEKS_ACROSS, prog.weeks.stop))
        at = slice(first - prog.weeks.start, weeks.stop - prog.weeks.start)
        left = [replace(r, cells=r.cells[at]) for r in rows]
        while left:
            page = Page(paper, lying=True)
            y = head(page, prog.plan.settings.season.name, title, (prog.days(weeks[0], weeks[-1]),))
            room = page.bottom - y - GRID_HEAD_MM
            high = min(max(room / len(left), LEAST_ROW_MM), GRID_ROW_MM)
            fit = max(int(room / high + 1e-6), 2)
            grid(page, MARGIN, y, page.inner, 52, prog, weeks, left[:fit], words("shop.col_loads"), high)
            left = left[fit:]
            title = words("sheet.continued", name=words("shop.rounds"))
            yield page
