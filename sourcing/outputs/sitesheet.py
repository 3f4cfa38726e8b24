"""The sheet of one place for its crew: the weeks, the fields in order, the ways, the rules that keep people safe."""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np
import pandas as pd

from sourcing.outputs.pagemaps import Land, MapFrame, bounds_of
from sourcing.outputs.pages import MARGIN, QUIET, TICK_BOX, Column, Page, column_widths, held, shortened, table
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import head, heading
from sourcing.outputs.villagesheet import field_kinds
from sourcing.season.safety import safety_sheet
from sourcing.words import Words

MAP_MM = 92.0
MAP_HIGH_MM = 84.0
GUTTER_MM = 6.0
BESIDE_MM = 28.0
"""Room for what the map's neighbours need below its height [mm]."""
LEAST_LIST_MM = 30.0
"""With less room than this the list of fields begins on the next page [mm]."""
ESSENTIAL = frozenset({
    "site.setback.house.distance_m", "safety.ring.bare_m", "safety.wind.stop_km_h", "safety.dark_h",
    "safety.people.least", "safety.water_at_hand_l", "safety.recheck_h",
})  # fmt: skip
"""Lines of the safety sheet with one of these figures stand on every place's own sheet too."""
POISON = "safety.co.limit_1h_mg_m3"
"""The topic with this figure is carbon monoxide; its first line stands there too."""


def site_sheet(prog: Programme, land: Land, site: str, paper: str) -> Iterator[Page]:
    """The page of a place; further pages where its fields do not fit on the first."""
    words, row = prog.words, prog.plan.site_table.loc[site]
    page = Page(paper)
    where = f"{abs(row['lat']):.5f}° {_half(row['lat'], 'NS')}, {abs(row['lon']):.5f}° {_half(row['lon'], 'EW')}"
    beside = (f"{words('sheet.village')}: {prog.village(str(row['village']))}", words.digits(where), str(site))
    y = head(page, words("sheet.site"), prog.site_names[site], beside)
    fields = _fields(prog, site)
    columns, rows = _week_rows(prog, site)
    widths = column_widths(columns, rows, page.inner, 7.5)
    while True:
        y, done = table(page, MARGIN, y, columns, rows, widths, page.bottom - 12, 7.5)
        rows = rows[done:]
        if not rows:
            break
        yield page
        page, y = _next_page(prog, site, paper)
    y = _moves(page, prog, site, y) + 2.5
    if y + MAP_HIGH_MM + BESIDE_MM > page.bottom:
        yield page
        page, y = _next_page(prog, site, paper)
    low = _map(page, prog, land, site, fields, y)
    x = MARGIN + MAP_MM + GUTTER_MM
    low = max(low, _safety(page, prog, x, y, page.width - MARGIN - x)) + 2.5
    if low + LEAST_LIST_MM > page.bottom:
        yield page
        page, low = _next_page(prog, site, paper)
    yield from _field_list(page, prog, site, fields, low, paper)


def _next_page(prog: Programme, site: str, paper: str) -> tuple[Page, float]:
    page = Page(paper)
    return page, head(page, prog.words("sheet.site"), prog.words("sheet.continued", name=prog.site_names[site]))


def _half(degrees: float, signs: str) -> str:
    return signs[0] if degrees >= 0 else signs[1]


def _week_rows(prog: Programme, site: str) -> tuple[list[Column], list[tuple[str, ...]]]:
    """The week table with its sums; what goes to the workshop only where there is one."""
    words = prog.words
    work = prog.works.site_weeks[prog.works.site_weeks["site_id"] == site]
    keys = ["week", "days", "barrels", "come_go", "tenders", "carriers", "fire_days", "loads_in", "residue_wet",
            "batches", "water_l", "cans", "char_kg"]  # fmt: skip
    summed = {"fire_days": "fire_days", "loads_in": "loads", "residue_wet": "wet_kg", "batches": "batches",
              "water_l": "water_l", "cans": "water_cans", "char_kg": "char_kg"}  # fmt: skip
    if prog.works.workshop is not None:
        keys, summed = [*keys, "loads_out"], {**summed, "loads_out": "haul_loads"}
    columns = [
        Column(words(f"sheet.col_{k}"), "left" if k == "days" else "right", k in ("week", "barrels")) for k in keys
    ]
    rows = []
    for w in work.to_dict("records"):
        first = prog.plan.calendar.monday(int(w["week"]))
        cells = {
            "week": prog.week_number(int(w["week"])),
            "days": held(f"{prog.short_day(first)} – {prog.sunday(int(w['week']))}"),
            "barrels": words.number(w["barrels"]), "come_go": _come_go(int(w["arrive"]), int(w["leave"]), words),
            "tenders": words.number(w["tenders"]), "carriers": words.number(w["carriers"]),
        }  # fmt: skip
        cells |= {key: words.number(w[column]) for key, column in summed.items()}
        rows.append(tuple(cells[k] for k in keys))
    sums = {key: words.number(work[column].sum()) for key, column in summed.items()}
    rows.append(tuple({**sums, "days": words("sheet.season_sum")}.get(k, "") for k in keys))
    return columns, rows


def _come_go(come: int, go: int, words: Words) -> str:
    """Barrels that come before a week and go after it, such as '+2 −1'."""
    return " ".join([*([f"+{words.number(come)}"] if come else []), *([words.number(-go)] if go else [])])


def _moves(page: Page, prog: Programme, site: str, y: float) -> float:
    words, moves = prog.words, prog.works.moves
    store = words("sheet.store")
    said = []
    for row in moves[(moves["to_site"] == site) | (moves["from_site"] == site)].itertuples():
        comes = row.to_site == site
        other = row.from_site if comes else row.to_site
        named = {"n": words.number(row.barrels), "place": prog.site_names.get(str(other), store)}
        day = prog.plan.calendar.monday(min(int(row.week), prog.plan.calendar.count))
        key = "sheet.come" if comes else "sheet.go" if row.to_site != "store" else "sheet.go_store"
        said.append(words(key, day=prog.short_day(day), **named))
    return (
        page.paragraph(MARGIN, y + 1.2, page.inner, f"{words('sheet.moves')}: {'; '.join(said)}.", 7.5) if said else y
    )


def _fields(prog: Programme, site: str) -> pd.DataFrame:
    """What is carried to a place in which order: `nth` is the field's number on the map, `wet_kg` as it lies."""
    order = prog.works.order[prog.works.order["site_id"] == site]
    lots = prog.plan.supply.lots["moisture_ready"].reindex(order["lot"]).to_numpy(dtype=float)
    routes = prog.plan.routes
    minutes = routes[routes["site_id"] == site].drop_duplicates("field_id").set_index("field_id")["minutes"]
    nth = pd.Series({f: i for i, f in enumerate(dict.fromkeys(order["field_id"]), start=1)}, dtype=int)
    keys = ["week", "field_id", "crop", "residue"]
    merged = (
        order.assign(wet_kg=order["mass_kg"] / (1 - lots))
        .groupby(keys, sort=False, observed=True)
        .agg(wet_kg=("wet_kg", "sum"), loads=("loads", "sum"), distance_m=("distance_m", "max"),
             clear_week=("clear_week", "min"), last_chance=("last_chance", "any"), order=("order", "min"),
             mode=("mode", "first"))
        .reset_index()
    )  # fmt: skip
    return merged.assign(
        minutes=minutes.reindex(merged["field_id"]).to_numpy(), nth=nth.reindex(merged["field_id"]).to_numpy()
    )


def _map(page: Page, prog: Programme, land: Land, site: str, fields: pd.DataFrame, y: float) -> float:
    plan, words = prog.plan, prog.words
    here = land.field_ids.get_indexer(fields["field_id"].unique())
    kinds = field_kinds(prog, set(fields["field_id"]), "")
    frame = MapFrame(page, (MARGIN, y, MAP_MM, MAP_HIGH_MM), land, bounds_of(land.fields[here], [land.sites[site]]))
    frame.draw_ground()
    frame.draw_fields(kinds, plan.fields.frame["estimated"].to_numpy(dtype=bool))
    frame.draw_ways((land.way_ends["site_id"] == site).to_numpy(dtype=bool), 0.9, straight=plan.arcs.straight_line)
    frame.mark(*land.sites[site], prog.site_numbers[site])
    for other, spot in land.sites.items():
        if other != site:
            frame.mark(*spot, prog.site_numbers[other], size=3.4, strong=False)
    for spot in land.villages.values():
        frame.home(*spot)
    for field_id, nth in fields.drop_duplicates("field_id")[["field_id", "nth"]].itertuples(index=False):
        middle = land.fields[land.field_ids.get_loc(field_id)].representative_point()
        if not frame.label(middle.x, middle.y, words.number(int(nth)), 6, bold=True):
            frame.label(middle.x, middle.y, words.number(int(nth)), 6, bold=True, gap=0.6)
    for village, spot in land.villages.items():
        frame.label(*spot, prog.village(village), 7, bold=True, gap=1.0)
    entries = [
        ("mark", words("sheet.legend_this")),
        ("gives", words("sheet.legend_numbered")),
        ("way", words("sheet.legend_way")),
    ]
    return frame.legend(words, [*entries, ("home", words("legend.village"))])


def _safety(page: Page, prog: Programme, x: float, y: float, most: float) -> float:
    words = prog.words
    y = heading(page, x, y, words("safety.title"), most)
    sheet = safety_sheet(prog.plan.values, words)
    poison = next((line.topic for line in sheet if POISON in line.figures), "")
    first_on_poison = next((line for line in sheet if line.topic == poison), None)
    for line in sheet:
        if line is sheet[0] or line is first_on_poison or ESSENTIAL.intersection(line.figures):
            y = page.paragraph(x, y, most, line.text, 7) + 0.7
    y = page.paragraph(x, y, most, words("sheet.safety_whole"), 7, bold=True) + 1.5
    return call_lines(page, x, y, most, sheet[-1].text, 7.5)


def call_lines(page: Page, x: float, y: float, most: float, words: str, size: float) -> float:
    """The names to write numbers beside, two on a line. Returns where they end [mm]."""
    parts = re.split(r"\s{2,}", words)
    for i in range(0, len(parts), 2):
        low = [page.paragraph(x + k * most / 2, y, most / 2 - 3, part, size) for k, part in enumerate(parts[i : i + 2])]
        y = max(low) + 1.4
    return y


FIELD_KEYS = ("nth", "field", "what", "loads", "kg", "way", "by", "done")
LIST_SIZE = 6.8


def _field_list(
    page: Page, prog: Programme, site: str, fields: pd.DataFrame, y: float, paper: str
) -> Iterator[Page]:  # fmt: skip
    """The fields in order, week by week, in two columns; goes on over as many pages as it needs."""
    words = prog.words
    columns = [
        Column(
            words(f"sheet.col_{k}"),
            "right" if k in ("nth", "loads", "kg") else "center" if k == "done" else "left",
            k in ("nth", "field"),
        )
        for k in FIELD_KEYS
    ]
    signs = _signs(fields)
    rows = _field_rows(prog, site, fields, signs)
    half = (page.inner - GUTTER_MM) / 2
    widths = column_widths(columns, rows, half, LIST_SIZE)
    while True:
        y = heading(page, MARGIN, y, words("sheet.fields_order"), page.inner)
        y = page.paragraph(MARGIN, y - 0.8, page.inner, _lead(prog, signs), 7, colour=QUIET) + 0.6
        week = ""
        for x in (MARGIN, MARGIN + half + GUTTER_MM):
            again = [(week,)] if week and rows and len(rows[0]) > 1 else []
            _, done = table(page, x, y, columns, [*again, *rows], widths, page.bottom, LIST_SIZE)
            taken = max(done - len(again), 0)
            week = next((r[0] for r in reversed(rows[:taken]) if len(r) == 1), week)
            rows = rows[taken:]
            if not rows:
                break
        yield page
        if not rows:
            return
        page, y = _next_page(prog, site, paper)
        if len(rows[0]) > 1:
            rows = [(week,), *rows]


SIGNS = ("", "*", "+", "#", "**", "++", "##")
"""Marks of the ways of carrying, the most used one first."""


def _signs(fields: pd.DataFrame) -> dict[str, str]:
    """The mark of each way of carrying to a place, by its loads."""
    loads = fields.groupby("mode", observed=True)["loads"].sum().sort_values(ascending=False)
    return {str(mode): SIGNS[min(i, len(SIGNS) - 1)] for i, mode in enumerate(loads.index)}


def _lead(prog: Programme, signs: dict[str, str]) -> str:
    """What the list's marks mean."""
    words = prog.words
    modes = "; ".join(f"{sign} {words.of('mode', mode)}".strip() for mode, sign in signs.items())
    return f"{words('sheet.fields_lead')} {words('sheet.loads_by', modes=modes)}"


def _field_rows(prog: Programme, site: str, fields: pd.DataFrame, signs: dict[str, str]) -> list[tuple[str, ...]]:
    words = prog.words
    batches = prog.works.batches[prog.works.batches["site_id"] == site]
    out: list[tuple[str, ...]] = []
    for week, group in fields.groupby("week", sort=True):
        own = batches[batches["week"] == week].sort_values("batches", ascending=False, kind="stable")
        said = ", ".join(f"{prog.residue(b.crop, b.residue)} {words.number(b.batches)}" for b in own.itertuples())
        title = words("sheet.week_days", n=prog.week_number(int(week)), days=prog.days(int(week)))
        out.append((f"{title}. {words('sheet.batches')}: {said}",))
        for f in group.itertuples():
            minutes = f", {words.number(max(f.minutes, 1))} min" if np.isfinite(f.minutes) else ""
            out.append((
                words.number(f.nth), shortened(str(f.field_id), 40), prog.residue(f.crop, f.residue),
                held(f"{words.number(f.loads)} {signs[str(f.mode)]}".strip()), words.number(max(f.wet_kg, 1.0)),
                held(f"{words.number(f.distance_m)} {words('unit.m')}{minutes}"),
                held(prog.sunday(int(f.clear_week)) + (" !" if f.last_chance else "")), TICK_BOX,
            ))  # fmt: skip
    return out
