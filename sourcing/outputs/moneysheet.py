"""The sheets of money: what the season costs and earns, by part, village and week, and what matters most."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from sourcing.outputs.pages import INK, MARGIN, QUIET, Column, Page, column_widths, held, table, width
from sourcing.outputs.programme import Programme
from sourcing.outputs.sheetparts import facts, head, heading

GAP_MM = 8.0
SIZE = 7.2
CASH_MM = 42.0
TORNADO_ROWS = 14
"""So many figures are drawn, those that move the margin most."""
TORNADO_ROW_MM = 5.0
LOW_END, HIGH_END = "#ffffff", "#5b6a79"


def money_sheet(prog: Programme, paper: str) -> Iterator[Page]:
    """The pages of money; none where no barrel stands."""
    if not prog.site_names:
        return
    words, money = prog.words, prog.money
    page = Page(paper)
    note = (words("sheet.examples"),) if prog.examples else ()
    y = head(page, prog.plan.settings.season.name, words("cash.title"))
    for said in note:
        y = page.paragraph(MARGIN, y, page.inner, said, 7.5, bold=True) + 1.5
    half = (page.inner - GAP_MM) / 2
    left = facts(page, MARGIN, y, half, _results(prog), half * 0.56, 7.5)
    right = facts(page, MARGIN + half + GAP_MM, y, half, _prices(prog), half * 0.56, 7.5)
    y = heading(page, MARGIN, max(left, right) + 2, words("cash.weeks", currency=money.currency), page.inner)
    y = _cash_chart(page, prog, y) + 3
    blocks = [
        (words("cash.parts"), *_part_table(prog)),
        (words("cash.villages"), *_village_table(prog)),
        (words("cash.far"), *_far_table(prog)),
    ]
    for title, columns, rows in blocks:
        shown = title
        while rows:
            if y + 30 > page.bottom:
                yield page
                page = Page(paper)
                y = head(page, prog.plan.settings.season.name, words("sheet.continued", name=words("cash.title")))
            y = heading(page, MARGIN, y, shown, page.inner)
            widths = column_widths(columns, rows, page.inner, SIZE)
            y, done = table(page, MARGIN, y, columns, rows, widths, page.bottom, SIZE)
            rows = rows[done:]
            y += 3
            if rows:
                shown = words("sheet.continued", name=title)
    tall = 16 + min(len(money.tornado), TORNADO_ROWS) * TORNADO_ROW_MM + 12
    if y + tall > page.bottom:
        yield page
        page = Page(paper)
        y = head(page, prog.plan.settings.season.name, words("sheet.continued", name=words("cash.title")))
    _tornado(page, prog, y)
    yield page


def _results(prog: Programme) -> list[tuple[str, str]]:
    """What is left, and what people earn."""
    words, money = prog.words, prog.money
    v = money.villages
    households, days = float(v["households"].sum()), float(v["work_days"].sum())
    shared = float((v["wages"] + v["margin"]).sum())
    pairs = [
        (words("cash.margin"), prog.money_text(money.margin)),
        (words("cash.margin_villages"), prog.money_text(float(v["margin"].sum()))),
        (words("cash.wages"), prog.money_text(float(v["wages"].sum()))),
    ]
    if households > 0:
        pairs.append((words("cash.household"), prog.money_text(shared / households)))
    if days > 0:
        pairs.append((words("cash.work_day"), f"{words.number(shared / days, 1)} {money.currency}"))
    low = money.lowest_balance
    said = prog.money_text(-low) if low < 0 else words("cash.none")
    return [*pairs, (words("cash.lend"), said)]


def _prices(prog: Programme) -> list[tuple[str, str]]:
    """Prices as they are and prices at which nothing is left."""
    words, money, values = prog.words, prog.money, prog.plan.values
    pairs = [
        (words("cash.char_price"), _price(prog, values["money.char_value_per_kg"])),
        (words("cash.char_even"), _price(prog, money.break_even_char)),
    ]
    if prog.works.workshop is not None:
        pairs += [
            (words("cash.briquette_price"), _price(prog, values["money.briquette_per_kg"])),
            (words("cash.briquette_even"), _price(prog, money.break_even_sold)),
        ]
    return [*pairs, (words("cash.wage"), _price(prog, values["money.wage_per_h"], "sheet.hours"))]


def _price(prog: Programme, amount: float, unit: str = "unit.kg") -> str:
    if not np.isfinite(amount):
        return "–"
    return f"{prog.words.number(amount, 2)} {prog.money.currency} / {prog.words(unit)}"


def _part_table(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    """Every part of both accounts, for a kilo of char and a kilo sold; the sums below."""
    words, parts = prog.words, prog.money.parts
    shop = prog.works.workshop is not None
    keys = ("part", "amount", "per_char", *(("per_sold",) if shop else ()))
    columns = [Column(words(f"cash.col_{k}"), "left" if k == "part" else "right", k == "part") for k in keys]
    rows: list[tuple[str, ...]] = []
    for account in ("villages", "workshop"):
        if account not in parts.index.get_level_values("account"):
            continue
        own = parts.loc[account].sort_values("amount", ascending=False)
        rows.append((words(f"cash.{account}_account"),))
        for part, row in [*own.iterrows(), (None, own.sum())]:
            said = words("cash.left") if part is None else words.of("part", str(part).replace(" ", "_"))
            cells = (said, words.number(row["amount"]), words.number(row["per_kg_char"], 3))
            rows.append((*cells, *((words.number(row["per_kg_sold"], 3),) if shop else ())))
    return columns, rows


def _village_table(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    words, table_ = prog.words, prog.money.villages
    keys = ("village", "char", "income", "costs", "margin", "wages", "households", "household", "work_day")
    columns = [Column(words(f"cash.col_{k}"), "left" if k == "village" else "right", k == "village") for k in keys]
    rows: list[tuple[str, ...]] = [
        (
            prog.village(str(village)), words.number(r["char_kg"]), words.number(r["income"]), words.number(r["costs"]),
            words.number(r["margin"]), words.number(r["wages"]), words.number(r["households"]),
            words.number(r["per_household"], 1), words.number(r["per_work_day"], 1),
        )
        for village, r in table_.sort_values("margin", ascending=False).iterrows()
    ]  # fmt: skip
    return columns, rows


def _far_table(prog: Programme) -> tuple[list[Column], list[tuple[str, ...]]]:
    """The farthest way over which a residue still pays, by way of carrying."""
    words, far = prog.words, prog.money.break_even["distance_m"]
    if far.empty:
        return [], []
    wide = far.unstack("mode")
    modes = [m for m in prog.plan.settings.carrying.modes if m in wide.columns]
    columns = [Column(words("cash.col_residue"), "left", True), *(Column(words.of("mode", m), "right") for m in modes)]
    rows = [
        (prog.residue(str(crop), str(residue)), *(_metres(prog, float(row[m])) for m in modes))
        for (crop, residue), row in wide.iterrows()
    ]
    return columns, rows


def _metres(prog: Programme, metres: float) -> str:
    if not np.isfinite(metres):
        return "–"
    return f"{prog.words.number(np.floor(metres / 10) * 10)} {prog.words('unit.m')}"


def _cash_chart(page: Page, prog: Programme, y: float) -> float:
    """Money in and out each week as bars up and down, cash in hand as a line. Returns where it ends [mm]."""
    words, weeks = prog.words, prog.money.weeks
    if weeks.empty:
        return y
    top = max(float(weeks["income"].max()), float(weeks["balance"].max()), 1.0)
    deep = min(-float(weeks["outgo"].max()), float(weeks["balance"].min()), 0.0)
    left, high, tall = MARGIN + 14, y + 1, CASH_MM - 10
    bar = min((page.width - MARGIN - left) / len(weeks), 14.0)
    right = left + bar * len(weeks)

    def at(amount: float) -> float:
        return high + (top - amount) / (top - deep) * tall

    step = _step((top - deep) / 5)
    for tick in np.arange(np.ceil(deep / step) * step, top + 1e-9, step):
        page.lines([[(left, at(tick)), (right, at(tick))]], 0.7 if abs(tick) < step / 2 else 0.3, "#c9ced3")
        page.text(left - 1.2, at(tick) + 0.8, words.number(tick), 6.5, align="right", colour=QUIET)
    page.lines([[(left, at(0)), (right, at(0))]], 0.8, INK)
    for i, (week, w) in enumerate(weeks.iterrows()):
        x, wide = left + (i + 0.18) * bar, bar * 0.64
        if w["income"] > 0:
            page.box(x, at(w["income"]), wide, at(0) - at(w["income"]), fill=HIGH_END, edge=INK, thick=0.4, over=2.6)
        if w["outgo"] > 0:
            page.box(x, at(0), wide, at(-w["outgo"]) - at(0), fill=LOW_END, edge=INK, thick=0.4, over=2.6)
        at_week = int(str(week))
        page.text(left + (i + 0.5) * bar, high + tall + 3.2, prog.week_number(at_week), 6, align="center", colour=QUIET)
    line = [(left + (i + 0.5) * bar, at(b)) for i, b in enumerate(weeks["balance"])]
    page.lines([line], 1.2, INK, 2.9)
    x, foot = left, high + tall + 8
    for kind in ("in", "out", "balance"):
        said = words(f"cash.key_{kind}")
        if kind == "balance":
            page.lines([[(x, foot - 1), (x + 3.4, foot - 1)]], 1.2, INK)
        else:
            fill = HIGH_END if kind == "in" else LOW_END
            page.box(x, foot - 2.2, 3.4, 2.4, fill=fill, edge=INK, thick=0.4)
        page.text(x + 4.6, foot, said, 6.5, colour=QUIET)
        x += 4.6 + width(said, 6.5) + 5
    return y + CASH_MM


def _step(about: float) -> float:
    """A round number near `about`: 1, 2 or 5 times a power of ten."""
    power = 10.0 ** np.floor(np.log10(max(about, 1e-9)))
    return float(next((s * power for s in (1, 2, 5) if s * power >= about), 10 * power))


def _tornado(page: Page, prog: Programme, y: float) -> float:
    """What matters most: the margin with each figure at its low and at its high end. Returns where it ends [mm]."""
    words, money = prog.words, prog.money
    shown = money.tornado[money.tornado["swing"] > 0].head(TORNADO_ROWS)
    y = heading(page, MARGIN, y, words("cash.tornado"), page.inner)
    y = page.paragraph(MARGIN, y - 0.6, page.inner, words("cash.tornado_lead"), 7, colour=QUIET) + 1
    if shown.empty:
        return y
    said = [_lever(prog, str(name), row) for name, row in shown.iterrows()]
    label = min(max(width(text, 7) for text in said) + 3, page.inner * 0.55)
    ends = shown[["margin_low", "margin_high"]].to_numpy(dtype=float)
    low, high = float(np.nanmin([np.nanmin(ends), money.margin])), float(np.nanmax([np.nanmax(ends), money.margin]))
    left, right = MARGIN + label + 8, page.width - MARGIN - 10
    scale = (right - left) / max(high - low, 1e-9)

    def at(amount: float) -> float:
        return left + (amount - low) * scale

    top, foot = y + 5, y + 5 + len(shown) * TORNADO_ROW_MM
    step = _step((high - low) / 5)
    for tick in np.arange(np.ceil(low / step) * step, high + 1e-9, step):
        page.lines([[(at(tick), top - 1), (at(tick), foot)]], 0.3, "#c9ced3")
        page.text(at(tick), y + 3, words.number(tick), 6.5, align="center", colour=QUIET)
    for i, (text, pair) in enumerate(zip(said, ends, strict=True)):
        line = top + i * TORNADO_ROW_MM
        page.text(MARGIN, line + TORNADO_ROW_MM * 0.68, text, min(7.0, 7.0 * label / max(width(text, 7) + 3, 1)))
        for amount, fill in zip(pair, (LOW_END, HIGH_END), strict=True):
            if np.isfinite(amount) and amount != money.margin:
                a, b = sorted((at(amount), at(money.margin)))
                page.box(a, line + 0.7, b - a, TORNADO_ROW_MM - 1.4, fill=fill, edge=INK, thick=0.5, over=2.6)
    page.lines([[(at(money.margin), top - 1), (at(money.margin), foot + 1)]], 1.0, INK, 2.8)
    page.text(at(money.margin), foot + 4, words("cash.as_planned", margin=prog.money_text(money.margin)), 6.8,
              bold=True, align="center" if left + 30 < at(money.margin) < right - 30 else
              "left" if at(money.margin) <= left + 30 else "right")  # fmt: skip
    x = MARGIN
    for fill, key in ((LOW_END, "cash.at_low"), (HIGH_END, "cash.at_high")):
        page.box(x, foot + 6.4, 3.4, 2.4, fill=fill, edge=INK, thick=0.4)
        page.text(x + 4.6, foot + 8.5, words(key), 6.5, colour=QUIET)
        x += 4.6 + width(words(key), 6.5) + 5
    return foot + 10


def _lever(prog: Programme, name: str, row: pd.Series) -> str:
    """A figure in words, with the range it was moved through."""
    words = prog.words
    said = words.of("lever", name.removeprefix("money.").replace(" ", "_"))
    if not np.isfinite(row["low"]):
        return said
    ends = [f"{x:.3g}".replace(".", str(words.numbers["decimal"])) for x in (row["low"], row["high"])]
    return held(f"{said}: {words.digits(ends[0])} – {words.digits(ends[1])}").replace("\u00a0", " ")
