"""The sheet that hangs at a place: its day by the clock, what goes into a barrel, its water, its char."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import shapely

from sourcing.intake.cells import fold
from sourcing.outputs.pagemaps import Land
from sourcing.outputs.pages import BAND, INK, MARGIN, QUIET, RULE, Column, Page, column_widths, held, table, width
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import facts, facts_height, head, heading
from sourcing.season.barrel import BarrelDay, DayTask, batches_table, day_chart, ending_of, site_day

ROW_MM = 4.6
"""A barrel's or a person's line in the chart of a day [mm]."""
AXIS_MM = 5.0
END_MM = 4.0
"""Room at the right of the chart for half of the last hour's words [mm]."""
LEGEND_MM = 5.5
LABEL_MM = 20.0
"""Room for 'barrel 1' at the left of the chart [mm]."""
MOST_CHARTS = 2
CLOCK_MM = 11.0
"""A column of clock times: one time wide, so that two stand one above the other [mm]."""
SIZE = 7.0
SECOND_SHARE = 0.2
"""A second residue is drawn when it has this share of a place's batches and another day [0-1]."""
MOST_PEOPLE = 3
"""The table of batches a day reaches to so many people."""
MINUTES_AN_HOUR = 60
GAP_MM = 6.0
COMPASS = ("n", "ne", "e", "se", "s", "sw", "w", "nw")
BURNING = "#9aa4ae"
HATCH_MM = 0.8
"""Distance between the strokes of a hatched bar [mm]."""


@dataclass(frozen=True)
class SiteDay:
    """A day of one residue at a place."""

    crop: str
    residue: str
    day: BarrelDay
    tasks: tuple[DayTask, ...]
    firing_min: float


def days_of_site(prog: Programme, site: str) -> tuple[SiteDay, ...]:
    """The day of a place's main residue, and of a second one where that is another day; barrels as many as stand at
    once in the weeks in which most batches are of it.
    """
    batches = prog.works.batches[prog.works.batches["site_id"] == site]
    if batches.empty:
        return ()
    kinds = batches.groupby(["crop", "residue"], observed=True)["batches"].sum().sort_values(ascending=False)
    stand = prog.works.site_weeks[prog.works.site_weeks["site_id"] == site].set_index("week")["barrels"]
    main = batches.sort_values("batches", kind="stable").drop_duplicates("week", keep="last")
    found: list[SiteDay] = []
    for (crop, residue), count in kinds.items():
        if found and count < SECOND_SHARE * kinds.sum():
            break
        own = main[(main["crop"] == crop) & (main["residue"] == residue)]["week"]
        weeks = own if len(own) else batches[(batches["crop"] == crop) & (batches["residue"] == residue)]["week"]
        barrels = max(1, int(stand.reindex(weeks).max()))
        day, tasks, firing = _drawn(str(crop), str(residue), barrels, prog)
        if not found or found[0].day.times != day.times:
            found.append(SiteDay(str(crop), str(residue), day, tasks, firing))
        if len(found) == MOST_CHARTS:
            break
    return tuple(found)


def _drawn(crop: str, residue: str, barrels: int, prog: Programme) -> tuple[BarrelDay, tuple[DayTask, ...], float]:
    """The day, its bars and its minutes; where a batch stays shut longer than a night, the bars of the first day."""
    settings, values = prog.plan.settings, prog.plan.values
    day, tasks, firing = site_day(crop, residue, barrels, settings, values)
    if 0 < max(day.batches_by_barrel) < 1:
        once = replace(day, batches_by_barrel=(1.0,) * barrels)
        tasks = tuple(t for t in day_chart(once, firing) if t.batch >= 0)
    return day, tasks, firing


def day_sheet(prog: Programme, land: Land, site: str, paper: str) -> Iterator[Page]:
    """The page that hangs at a place; a second one where it does not hold all."""
    words = prog.words
    page, y = _page(prog, site, paper, prog.site_names[site])
    days = days_of_site(prog, site)
    y = page.paragraph(MARGIN, y, page.inner, _clock_words(prog, days), 9.5, bold=True) + 2
    for shown in days:
        if y + _chart_height(shown) > page.bottom:
            yield page
            page, y = _page(prog, site, paper, words("sheet.continued", name=prog.site_names[site]))
        y = _chart(page, prog, shown, y)
    for part in (_barrel_table, _batch_table):
        columns, rows, title, note = part(prog, site)
        if not rows:
            continue
        widths = column_widths(columns, rows, page.inner, SIZE)
        needed = 6 + 5.5 + len(rows) * 4.4 + 4
        if y + needed > page.bottom:
            yield page
            page, y = _page(prog, site, paper, words("sheet.continued", name=prog.site_names[site]))
        y = heading(page, MARGIN, y, title, page.inner)
        y, _ = table(page, MARGIN, y, columns, rows, widths, page.bottom, SIZE)
        y = page.paragraph(MARGIN, y + 0.8, page.inner, note, 6.6, colour=QUIET) + 1.2
    half = (page.inner - GAP_MM) / 2
    blocks = [(words("day.water"), _water(prog, land, site)), (words("day.char"), _char(prog, site))]
    tall = max(facts_height(pairs, half, half * 0.42, SIZE) for _, pairs in blocks) + 8
    if y + tall > page.bottom:
        yield page
        page, y = _page(prog, site, paper, words("sheet.continued", name=prog.site_names[site]))
    for x, (title, pairs) in zip((MARGIN, MARGIN + half + GAP_MM), blocks, strict=True):
        low = heading(page, x, y, title, half)
        facts(page, x, low, half, pairs, half * 0.42, SIZE)
    yield page


def _page(prog: Programme, site: str, paper: str, title: str) -> tuple[Page, float]:
    page = Page(paper)
    village = prog.village(str(prog.plan.site_table.at[site, "village"]))
    beside = (f"{prog.words('sheet.village')}: {village}", prog.plan.settings.season.name)
    return page, head(page, prog.words("day.pin"), title, beside)


# --- the clock --------------------------------------------------------------------------------------------------------


def clock(prog: Programme, minutes: float) -> str:
    """A time of day from minutes after the crew has come, such as '07:25'."""
    hour, minute = map(int, prog.plan.settings.fleet.day_starts.split(":"))
    at = round(hour * MINUTES_AN_HOUR + minute + minutes)
    return prog.words.digits(f"{at // MINUTES_AN_HOUR % 24:02d}:{at % MINUTES_AN_HOUR:02d}")


def _first_min(prog: Programme) -> float:
    """From the crew's coming to the first armful [min]."""
    return prog.plan.values["barrel.day_start.minutes"]


def _clock_words(prog: Programme, days: tuple[SiteDay, ...]) -> str:
    """The crew's day in one sentence; where every batch is sealed, none is emptied by the evening."""
    hours, values = prog.plan.settings.fleet.hours_a_day, prog.plan.values
    whole = hours * MINUTES_AN_HOUR
    sealed = bool(days) and all(d.day.times.shut > 0 for d in days)
    return prog.words(
        "day.clock_seal" if sealed else "day.clock", come=clock(prog, 0), first=clock(prog, _first_min(prog)),
        last=clock(prog, whole - values["barrel.day_end.minutes"]), home=clock(prog, whole),
        people=prog.words.number(prog.plan.settings.works.tenders_at_site),
    )  # fmt: skip


# --- the chart --------------------------------------------------------------------------------------------------------


def _lines(shown: SiteDay) -> int:
    return shown.day.barrels + (0 if shown.day.times.shut else shown.day.tenders)


def _times_height(shown: SiteDay) -> float:
    return 7.5 + shown.day.barrels * 7.4 + 5


def _chart_height(shown: SiteDay) -> float:
    return 6 + AXIS_MM + _lines(shown) * ROW_MM + LEGEND_MM + _times_height(shown)


def _chart(page: Page, prog: Programme, shown: SiteDay, y: float) -> float:
    """Bars of the barrels and of the people by the clock, and the times as numbers. Returns where it ends [mm]."""
    words, day = prog.words, shown.day
    said = words(
        "day.chart", residue=prog.residue(shown.crop, shown.residue), barrels=words.number(day.barrels),
        people=words.number(day.tenders), batches=_count(prog, day.batches),
    )  # fmt: skip
    y = heading(page, MARGIN, y, said[:1].upper() + said[1:], page.inner)
    whole = prog.plan.settings.fleet.hours_a_day * MINUTES_AN_HOUR
    left, right, first = MARGIN + LABEL_MM, page.width - MARGIN - END_MM, _first_min(prog)
    scale = (right - left) / whole
    top, low = y + AXIS_MM, y + AXIS_MM + _lines(shown) * ROW_MM
    _axis(page, prog, left, scale, (top, low), whole)

    def at(minutes: float) -> float:
        return left + (first + min(minutes, whole - first)) * scale

    for barrel in range(day.barrels):
        foot = top + (barrel + 0.72) * ROW_MM
        page.text(MARGIN, foot, words("day.barrel", n=words.number(barrel + 1)), 7.5, bold=True)
    for task in shown.tasks:
        box = (at(task.start_min), top + task.barrel * ROW_MM + 0.5, at(task.end_min) - at(task.start_min), ROW_MM - 1)
        _bar(page, task.task, box)
        number = words.number(task.batch + 1)
        if task.task == "char" and width(number, 6.5, True) < box[2] - 0.4:
            page.text(box[0] + box[2] / 2, box[1] + box[3] * 0.74, number, 6.5, bold=True, align="center")
    if not day.times.shut:
        _people(page, prog, shown, top + day.barrels * ROW_MM, at)
    low = _key(page, prog, shown, low + 3.6)
    return _times(page, prog, shown, low + 2.6) + 2.5


def _count(prog: Programme, batches: float) -> str:
    """Batches a day: whole, but for those that stay shut longer than a night."""
    return prog.words.number(batches, 0 if float(round(batches, 6)).is_integer() else 1)


def _axis(page: Page, prog: Programme, left: float, scale: float, rows: tuple[float, float], whole: float) -> None:
    """Hours of the clock above, a line down at each, and the working day's frame; `rows` from top to foot [mm]."""
    top, low = rows
    full = -int(prog.plan.settings.fleet.day_starts[-2:]) % MINUTES_AN_HOUR
    for at in range(full, int(whole) + 1, MINUTES_AN_HOUR):
        x = left + at * scale
        page.lines([[(x, top - 1), (x, low)]], 0.35, RULE)
        page.text(x, top - AXIS_MM + 3, clock(prog, at), 7, align="center")
    page.lines([[(left, top), (left + whole * scale, top)], [(left, low), (left + whole * scale, low)]], 0.7, INK)


def _bar(page: Page, task: str, box: tuple[float, float, float, float]) -> None:
    """One bar: told apart in black and white."""
    x, y, w, h = box
    if w <= 0:
        return
    fill = {"fill": INK, "light": INK, "char": BURNING, "seal": INK, "shut": BAND}.get(task, "#ffffff")
    page.box(x, y, w, h, fill=fill, edge=INK, thick=0.35, over=2.6)
    if task in ("quench", "empty"):
        strokes = np.arange(x - h, x + w, HATCH_MM)
        pieces = []
        for s in strokes:
            a, b = max(s, x), min(s + h, x + w)
            if b > a:
                pieces.append([(a, y + h - (a - s)), (b, y + h - (b - s))])
        page.lines(pieces, 0.45, INK, 2.7)


def _people(page: Page, prog: Programme, shown: SiteDay, top: float, at: Callable[[float], float]) -> None:
    """When each person is called to a barrel, by the barrel's number."""
    words = prog.words
    for person in range(shown.day.tenders):
        y = top + person * ROW_MM
        page.text(MARGIN, y + 0.72 * ROW_MM, words("day.person", letter=chr(ord("A") + person)), 7.5)
        for task in shown.tasks:
            if task.tender == person:
                box = (at(task.start_min), y + 0.9, at(task.end_min) - at(task.start_min), ROW_MM - 1.8)
                _bar(page, task.task, box)
    page.lines([[(MARGIN, top), (page.width - MARGIN - END_MM, top)]], 0.35, RULE)


def _key(page: Page, prog: Programme, shown: SiteDay, foot: float) -> float:
    """What the bars mean. Returns the last line's foot [mm]."""
    words, times = prog.words, shown.day.times
    every = prog.plan.values["barrel.check.every_minutes"]
    burning = words("day.burn", every=words.number(every), minutes=words.number(times.char))
    entries = [("fill", words("day.fill")), ("char", burning)]
    if times.shut:
        hours = words.number(times.shut / MINUTES_AN_HOUR)
        entries += [("seal", words("day.seal", people=words.number(times.end_people))),
                    ("shut", words("day.shut", hours=hours)), ("empty", words("day.open"))]  # fmt: skip
    else:
        entries.append(("quench", words("day.quench")))
    x = MARGIN
    for kind, said in entries:
        wide = 7 + width(said, 6.8)
        if x + wide > page.width - MARGIN and x > MARGIN:
            x, foot = MARGIN, foot + 3.8
        _bar(page, kind, (x, foot - 2.4, 5, 2.8))
        page.text(x + 6.2, foot, said, 6.8, colour=QUIET)
        x += wide + 4
    return foot


def _times(page: Page, prog: Programme, shown: SiteDay, y: float) -> float:
    """By barrel and batch the minute to light it and the minute to end it. Returns where it ends [mm]."""
    words, first = prog.words, _first_min(prog)
    by: dict[tuple[int, int], dict[str, float]] = {}
    for task in shown.tasks:
        if task.batch >= 0:
            by.setdefault((task.barrel, task.batch), {})[task.task] = task.start_min
    count = max((batch for _, batch in by), default=-1) + 1
    if not count:
        return y
    ends = "seal" if shown.day.times.shut else "quench"
    columns = [Column("", "left", True), *(Column(words.number(b + 1), "center") for b in range(count))]
    rows = [
        (
            words("day.barrel", n=words.number(barrel + 1)),
            *(
                f"{clock(prog, first + found['light'])} {clock(prog, first + found[ends])}" if found else ""
                for found in (by.get((barrel, b), {}) for b in range(count))
            ),
        )
        for barrel in range(shown.day.barrels)
    ]
    y = page.paragraph(MARGIN, y, page.inner, words(f"day.times_{ends}"), 7.5) + 0.4
    each = min((page.inner - LABEL_MM) / count, CLOCK_MM)
    return table(page, MARGIN, y, columns, rows, [LABEL_MM, *[each] * count], page.bottom + 20, 7)[0]


# --- tables and facts -------------------------------------------------------------------------------------------------

Table = tuple[list[Column], list[tuple[str, ...]], str, str]


def _barrel_table(prog: Programme, site: str) -> Table:
    """What goes into a barrel here and what comes out, by residue, the most frequent first."""
    words, rates, plan = prog.words, prog.plan.rates, prog.plan
    batches = prog.works.batches[prog.works.batches["site_id"] == site]
    kinds = batches.groupby(["crop", "residue"], observed=True)["batches"].sum().sort_values(ascending=False)
    keys = ("what", "batches", "in_barrel", "minutes", "ending", "water_batch", "char_batch", "form")
    columns = [
        Column(words(f"day.col_{k}"), "left" if k in ("what", "ending", "form") else "right", k == "what") for k in keys
    ]
    rows: list[tuple[str, ...]] = []
    for (crop, residue), count in kinds.items():
        rate = rates.loc[(crop, residue)]
        ending = ending_of(str(crop), str(residue), plan.settings)
        rows.append((
            prog.residue(str(crop), str(residue)), words.number(count), words.number(rate["load_wet_kg"], 1),
            words.number(plan.values[f"crop.{crop}.{residue}.char_minutes"]), words(f"day.ends_{ending}"),
            words.number(rate["water_l_per_kg"] * rate["load_kg"], 1),
            words.number(rate["char_kg_per_kg"] * rate["load_kg"], 1), words(f"day.form_{rate['char_form']}"),
        ))  # fmt: skip
    return columns, rows, words("day.barrel_title"), words("day.barrel_note")


def _batch_table(prog: Programme, site: str) -> Table:
    """Batches a day of the place's main residue by people and barrels; a star where barrels wait for people."""
    words, settings = prog.words, prog.plan.settings
    days = days_of_site(prog, site)
    most = settings.fleet.most_at_site
    pairs = [(d.crop, d.residue) for d in days]
    people = max(MOST_PEOPLE, settings.works.tenders_at_site)
    found = batches_table(pairs, settings, prog.plan.values, most, people).sort_index()
    columns = [
        Column(words("day.col_what"), "left", True), Column(words("day.col_people"), "right"),
        Column(words("day.col_barrels", n=words.number(1)), "right"),
        *(Column(words.number(n), "right") for n in range(2, most + 1)),
    ]  # fmt: skip
    rows: list[tuple[str, ...]] = []
    for crop, residue in pairs:
        name = prog.residue(crop, residue)
        for k in range(1, people + 1) if not rows else (settings.works.tenders_at_site,):
            known = [
                found.loc[(crop, residue, k, n)] for n in range(1, most + 1) if (crop, residue, k, n) in found.index
            ]
            if known:  # sealing takes more than one
                cells = [_count(prog, row["batches"]) + (held(" *") if row["waits"] else "") for row in known]
                rows.append((name, words.number(k), *cells))
                name = ""
    return columns, rows, words("day.batches_title"), words("day.batches_note")


def _water(prog: Programme, land: Land, site: str) -> list[tuple[str, str]]:
    """Quench water: how much, from where, and what the season knows of water near."""
    words, settings, values = prog.words, prog.plan.settings, prog.plan.values
    work = prog.works.site_weeks[prog.works.site_weeks["site_id"] == site]
    pairs = []
    if len(work):
        top = work.loc[work["water_l"].idxmax()]
        said = words(
            "day.water_said", litres=words.number(top["water_l"]), cans=words.number(top["water_cans"]),
            size=words.number(values["works.water.can_l"]), week=prog.week_number(int(top["week"])),
        )  # fmt: skip
        day = top["water_l"] / max(int(top["fire_days"]), 1)
        pairs += [
            (words("day.water_most"), said),
            (words("day.water_day"), f"{words.number(day)} {words('sheet.litres')}"),
        ]
    pairs.append((words("day.water_from"), water_source(prog, site) or "_" * 24))
    village = str(prog.plan.site_table.at[site, "village"])
    limit = settings.water.villages.get(_named(settings.water.villages, prog, village), settings.water.litres_a_week)
    if limit is not None:
        pairs.append((words("day.water_limit"), f"{words.number(limit)} {words('sheet.litres')}"))
    if near := _nearest_water(prog, land, site):
        pairs.append((words("day.water_near"), near))
    pairs.append((words("day.water_hand"), f"{words.number(values['safety.water_at_hand_l'])} {words('sheet.litres')}"))
    return pairs


def _named(table: Mapping[str, object], prog: Programme, village: str) -> str:
    """The village as a table of the season file calls it, by its name or id; empty where it does not."""
    names = {fold(village), fold(str(prog.plan.village_table["name"].get(village, village)))}
    return next((name for name in table if fold(name) in names), "")


def water_source(prog: Programme, site: str) -> str:
    """Where a place's quench water comes from, as the season says it; empty where it does not say."""
    settings, village = prog.plan.settings, str(prog.plan.site_table.at[site, "village"])
    return settings.water.comes_from.get(_named(settings.water.comes_from, prog, village), settings.works.water_from)


def _nearest_water(prog: Programme, land: Land, site: str) -> str:
    """Straight way and direction to the nearest water that a layer shows; empty where none does."""
    spot = shapely.Point(land.sites[site])
    waters = [(shapes, tree) for kind, shapes, tree in land.layers if kind == "water"]
    near = [(float(spot.distance(shapes[tree.nearest(spot)])), shapes[tree.nearest(spot)]) for shapes, tree in waters]
    if not near:
        return ""
    far, shape = min(near, key=lambda found: found[0])
    bank = shapely.get_point(shapely.shortest_line(spot, shape), 1)
    turn = np.degrees(np.arctan2(bank.x - spot.x, bank.y - spot.y)) % 360
    toward = prog.words(f"compass.{COMPASS[round(turn / 45) % 8]}")
    return f"{prog.words.number(round(far, -1))} {prog.words('unit.m')}, {toward}"


def _char(prog: Programme, site: str) -> list[tuple[str, str]]:
    """Char: how much, in what form, where it rests, and how it gets to the workshop."""
    words, plan, values = prog.words, prog.plan, prog.plan.values
    work = prog.works.site_weeks[prog.works.site_weeks["site_id"] == site]
    top = work.loc[work["char_kg"].idxmax()] if len(work) else pd.Series(dtype=float)
    pairs = []
    if len(work):
        most = f"{words.number(top['char_kg'])} {words('unit.kg')}"
        said = words("day.in_week", amount=most, week=prog.week_number(int(top["week"])))
        pairs.append((words("day.char_most"), said))
        forms = [
            words("day.form_sum", form=words(f"day.form_{form}"), kg=words.number(work[f"{form}_kg"].sum()))
            for form in ("powder", "shaped")
            if work[f"{form}_kg"].sum() >= 1
        ]
        pairs.append((words("day.char_form"), "; ".join(forms)))
    rest = words("day.char_rest", hours=words.number(values["safety.cool.open_air_h"]))
    pairs.append((words("day.char_rests"), rest))
    if plan.works.workshop is not None and len(work):
        metres = float(plan.site_table.at[site, "haul_m"])
        pairs += [
            (words("day.haul"), words("day.haul_said", metres=words.number(round(metres, -1)),
                                      mode=words.of("mode", plan.settings.works.haul_mode))),
            (words("day.haul_loads"), words("day.haul_loads_said", loads=words.number(work["haul_loads"].sum()),
                                            most=words.number(work["haul_loads"].max()),
                                            hours=words.number(work["haul_h"].sum()))),
        ]  # fmt: skip
    return pairs
