"""The sheet to start from: what must be there on the first Monday and at most, and the first week place by place."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from sourcing.outputs.daysheet import water_source
from sourcing.outputs.pages import MARGIN, QUIET, TICK_BOX, Column, Page, column_widths, shortened, table
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import head, heading

SIZE = 7.5
WEEKS_SHOWN = 2
"""So many first weeks are shown place by place."""
_TINY = 1e-9


def start_sheet(prog: Programme, paper: str) -> Iterator[Page]:
    """The page to start from; none where no barrel stands."""
    if not prog.site_names:
        return
    words, first = prog.words, prog.weeks.start
    page = Page(paper)
    y = head(page, prog.plan.settings.season.name, words("start.title"), (words("start.week", days=prog.days(first)),))
    y = page.paragraph(MARGIN, y, page.inner, words("start.lead"), 8, colour=QUIET) + 1.5
    for title, columns, rows in (
        (words("start.kit"), *_kit(prog)),
        (words("start.places"), *_first_weeks(prog)),
    ):
        while rows:
            if y + 24 > page.bottom:
                yield page
                page = Page(paper)
                y = head(page, prog.plan.settings.season.name, words("sheet.continued", name=words("start.title")))
            y = heading(page, MARGIN, y, title, page.inner)
            widths = column_widths(columns, rows, page.inner, SIZE)
            y, done = table(page, MARGIN, y, columns, rows, widths, page.bottom, SIZE)
            rows = rows[done:]
            y += 4
    yield page


def needs_by_week(prog: Programme) -> pd.DataFrame:
    """What is needed at once in each week: a row a kind (its key), a column a week of the programme."""
    plan, work, weeks = prog.plan, prog.works.site_weeks, list(prog.weeks)
    values, fleet = plan.values, plan.settings.fleet
    busy = work[work["residue_kg"] > 0]
    places = busy.groupby("week").size()
    people = busy.groupby("week")["tenders"].sum()
    a_day = (busy["water_l"] / busy["fire_days"].clip(lower=1)).groupby(busy["week"]).sum()
    rows: dict[str, pd.Series] = {
        "barrels": work.groupby("week")["barrels"].sum(),
        "places_in_use": places,
        "tenders": people,
        "carriers": work.groupby("week")["carriers"].sum(),
    }
    hours = fleet.hours_a_day * pd.Series({w: _days(prog, w) for w in weeks})
    carried = plan.carries.groupby(["mode", "site_id", "week"], observed=True)["carry_h"].sum().reset_index()
    for mode, own in carried.groupby("mode", observed=True):
        means = values[f"carry.{mode}.people"]
        each = np.ceil(own["carry_h"] / means / own["week"].map(hours) - _TINY)
        rows[f"mode.{mode}"] = each.groupby(own["week"]).sum()
    rows |= {
        "gloves": people,
        "beaters": places * values["safety.beaters"],
        "pumps": places * values["safety.knapsacks"],
        "water_hand": places * values["safety.water_at_hand_l"],
        "water_day": a_day,
    }
    shop = prog.works.workshop
    if shop is not None:
        people_a_cart = values[f"carry.{plan.settings.works.haul_mode}.people"]
        rows["haul_carts"] = np.ceil(work.groupby("week")["haul_h"].sum() / people_a_cart / hours - _TINY)
        own = shop.weeks[["work_h", "flour_kg"]].reindex(weeks, fill_value=0.0)
        rows["shop_people"] = np.ceil(own["work_h"] / hours - _TINY)
        rows["flour"] = own["flour_kg"]
    return pd.DataFrame({k: s.reindex(weeks, fill_value=0) for k, s in rows.items()}).T.astype(float)


def _days(prog: Programme, week: int) -> float:
    """Working days of a week, at least one so that hours can be shared out."""
    fleet = prog.plan.settings.fleet
    return max(fleet.days_in_week.get(prog.plan.calendar.label(week), fleet.days_a_week), 1.0)


def _kit(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    words, needs = prog.words, needs_by_week(prog)
    keys = ("what", "first", "most", "when", "done")
    columns = [
        Column(words(f"start.col_{k}"), "left" if k in ("what", "when") else "center" if k == "done" else "right",
               k == "what") for k in keys
    ]  # fmt: skip
    rows: list[tuple[str, ...]] = []
    for key, counts in needs.iterrows():
        if counts.max() <= 0:
            continue
        at = int(str(counts.idxmax()))
        name = str(key)
        said = words.of("mode", name.removeprefix("mode.")) if name.startswith("mode.") else words(f"start.{name}")
        if name.startswith("mode."):
            said = words("start.means", mode=said)
        if name == "haul_carts":
            said = words("start.haul_carts", mode=words.of("mode", prog.plan.settings.works.haul_mode))
        rows.append((said, words.number(counts.iloc[0]), words.number(counts.max()),
                     words("start.when", week=prog.week_number(at), day=prog.short_day(prog.plan.calendar.monday(at))),
                     TICK_BOX))  # fmt: skip
    shop = prog.works.workshop
    for press in shop.presses if shop is not None else ():
        rows.append((words.of("press", press.kind), words.number(press.count), words.number(press.count), "", TICK_BOX))
    return columns, rows


def _first_weeks(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    """Every place of the first weeks: what comes from where, who, and what is carried first."""
    words = prog.words
    keys = ("place", "barrels", "come", "tenders", "carriers", "loads", "first_field", "water", "water_from", "done")
    left = ("place", "come", "first_field", "water_from")
    columns = [
        Column(words(f"start.col_{k}"), "left" if k in left else "center" if k == "done" else "right", k == "place")
        for k in keys
    ]
    rows: list[tuple[str, ...]] = []
    for week in prog.weeks[:WEEKS_SHOWN]:
        own = _week_rows(prog, week)
        if own:
            title = words("sheet.week_days", n=prog.week_number(week), days=prog.days(week))
            rows += [(title,), *own]
    return columns, rows


def _week_rows(prog: Programme, week: int) -> list[tuple[str, ...]]:
    words = prog.words
    work = prog.works.site_weeks[prog.works.site_weeks["week"] == week].set_index("site_id")
    order = prog.works.order[prog.works.order["week"] == week].sort_values(["site_id", "order"])
    moves = prog.works.moves[prog.works.moves["week"] == week]
    rows: list[tuple[str, ...]] = []
    for site in prog.site_names:
        if site not in work.index:
            continue
        w = work.loc[site]
        came = moves[moves["to_site"] == site]
        come = ", ".join(
            f"{words.number(m.barrels)} {prog.site_names.get(str(m.from_site), words('sheet.store'))}"
            for m in came.itertuples()
        )
        own = order[order["site_id"] == site]
        field = ""
        if len(own):
            top = own.iloc[0]
            field = f"{shortened(str(top['field_id']), 30)}, {prog.residue(top['crop'], top['residue'])}"
        rows.append((
            prog.site_names[site], words.number(w["barrels"]), come, words.number(w["tenders"]),
            words.number(w["carriers"]), words.number(w["loads"]), field,
            f"{words.number(w['water_l'])} {words('sheet.litres')}", water_source(prog, site) or "_" * 10, TICK_BOX,
        ))  # fmt: skip
    return rows
