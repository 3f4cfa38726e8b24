"""What one more barrel, hour, litre, kilo or coin would earn, by place and weeks: the optimiser's prices, in words.

Prices hold at the margin: for a little more or less, barrels counted as divisible. Ten barrels more rarely earn ten
times as much as one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.intake.fields import Fields
from sourcing.placement import Instance, Placement
from sourcing.placement.answers import Prices, Weighed, weighed
from sourcing.residue.supply import Supply
from sourcing.weeks import Calendar, monday, sunday
from sourcing.words import FIRST_LANGUAGE, Words, load_words

Floats = npt.NDArray[np.float64]
LIKE = 1.25
"""Weeks whose prices differ by no more than this ratio are told together."""
LEAST_SHARE = 0.02
"""What earns less than this share of the dearest of its kind is not worth telling."""
MOST_LINES = 6
"""Most lines of one kind."""
COLUMNS = ["kind", "village", "about", "first_week", "last_week", "weeks", "amount", "unit", "worth", "least", "most"]
KINDS = ("barrel", "move", "crew", "water", "press", "residue", "budget", "fair_share")


@dataclass(frozen=True)
class Unit:
    """In what a goal is counted."""

    goal: str
    currency: str

    @property
    def name(self) -> str:
        """'kg of char', or the currency."""
        return "kg of char" if self.goal == "char" else self.currency

    @property
    def earns(self) -> str:
        """What more of something does: it earns, or, where residue is to be cleared at least cost, it saves."""
        return "saves" if self.goal == "clear" else "earns"

    @property
    def earning(self) -> str:
        """The same as a doing."""
        return "saving" if self.goal == "clear" else "earning"

    def amount(self, value: float) -> str:
        """An amount with as many digits as it is worth telling."""
        size = abs(value)
        digits = 0 if size >= 10 or size < 5e-4 else 1 if size >= 1 else 2 if size >= 0.1 else 3
        return f"{value:,.{digits}f} {self.name}"


@dataclass(frozen=True)
class Worth:
    """What one more would earn, given a plan."""

    table: pd.DataFrame
    """As :func:`worth_table` gives it."""
    barrel_season: float
    """One more barrel that is there all season."""
    behind: Weighed

    def as_dict(self, unit: Unit) -> dict[str, Any]:
        """For the record: unit, one_more_barrel_all_season, rows (what they mean: `worth_table`)."""
        rows = [
            {str(k): round(v, 6) if isinstance(v, float) else v for k, v in row.items()}
            for row in self.table.to_dict("records")
        ]
        return {"unit": unit.name, "one_more_barrel_all_season": round(self.barrel_season, 6), "rows": rows}


def draw_worth(
    instance: Instance, plan: Placement, fields: Fields, supply: Supply, *, seconds: float
) -> Worth:  # fmt: skip
    """Prices given a plan, as a table; a price on leaving an earlier plan is left aside. In weeks in which the plan
    leaves a barrel of the fleet unused, one more earns nothing. Raises NoPlanError when time runs out.
    """
    behind = weighed(replace(instance, previous=None), plan, seconds=seconds)
    all_used = plan.barrels.sum(axis=0) >= instance.fleet
    barrel_week = np.where(all_used, behind.prices.barrel_week, 0.0)
    behind = replace(behind, prices=replace(behind.prices, barrel_week=barrel_week))
    names = {str(i): str(n) for i, n in fields.villages["name"].items()}
    lots = supply.lots[["village", "crop", "residue", "mass_kg"]].astype({"crop": str, "residue": str})
    lots = lots.assign(village=lots["village"].astype(str).map(names))
    sites = instance.site_village.tolist()
    table = worth_table(behind.prices, supply.calendar, list(names.values()), sites, lots)
    return Worth(table, float(behind.prices.barrel_week.sum()), behind)


def worth_table(
    prices: Prices, calendar: Calendar, villages: Sequence[str], site_villages: Sequence[int],
    lots: pd.DataFrame,
) -> pd.DataFrame:  # fmt: skip
    """What one more unit of each limit earns, dearest first within its kind; columns COLUMNS.

    `villages` are the names in the optimiser's order, `site_villages` the village of each site; `lots` has village (its
    name), crop, residue and mass_kg for each lot. `worth` is what `amount` of `unit` more earns in each of the `weeks`,
    in units of the goal's value, from `least` to `most` over those weeks; first_week and last_week are ISO labels, ''
    where it holds for the season. Water is told where it is dearest in each village, residue as the mean of its kind.
    """
    labels = calendar.labels
    rows = [("barrel", "", "", *span, 1.0, "barrel") for span in spans(prices.barrel_week)]
    if prices.move is not None:
        rows += [("move", "", "", *span, 1.0, "barrel") for span in spans(prices.move)]
    if prices.crew_hour is not None:
        rows += _by_village("crew", prices.crew_hour, villages, 1.0, "h")
    if prices.water_litre is not None:
        dearest = np.zeros((len(villages), calendar.count))
        np.maximum.at(dearest, np.asarray(site_villages), prices.water_litre)
        rows += _by_village("water", dearest, villages, 100.0, "l")
    if prices.press_kg is not None:
        rows += [("press", "", "", *span, 100.0, "kg of char") for span in spans(prices.press_kg)]
    if prices.money:
        rows.append(("budget", "", "", -1, -1, prices.money, prices.money, prices.money, 100.0, "of money"))
    if prices.fair_kg is not None:
        rows += [
            ("fair_share", name, "", -1, -1, kg, kg, kg, 100.0, "kg dry")
            for name, kg in zip(villages, prices.fair_kg.tolist(), strict=True)
        ]
    rows += _residue(prices.lot_kg, lots)
    found = [
        (kind, village, about, labels[a] if a >= 0 else "", labels[b] if b >= 0 else "", b - a + 1 if a >= 0 else 0,
         amount, unit, amount * mean, amount * low, amount * high)
        for kind, village, about, a, b, mean, low, high, amount, unit in rows
    ]  # fmt: skip
    table = pd.DataFrame(found, columns=COLUMNS)
    dearest_of = table.groupby("kind")["worth"].transform("max")
    table = table[(table["worth"] >= LEAST_SHARE * dearest_of) & (table["worth"] > 1e-6)]
    table = table.assign(order=[KINDS.index(k) for k in table["kind"]], all=-table["worth"] * table["weeks"].clip(1))
    by = table.sort_values(["order", "all", "first_week", "village"], kind="stable")
    return by.drop(columns=["order", "all"]).reset_index(drop=True)


def spans(price: Floats) -> list[tuple[int, int, float, float, float]]:
    """Runs of weeks whose prices are alike: first and last week, mean, least and most. Runs without a price are left
    out.
    """
    found: list[tuple[int, int, float, float, float]] = []
    low = LEAST_SHARE * float(price.max(initial=0.0))
    first = 0
    while first < len(price):
        last = first
        while last + 1 < len(price) and _alike(price[first : last + 2], low):
            last += 1
        run = price[first : last + 1]
        if run.max() > max(low, 1e-9):
            found.append((first, last, float(run.mean()), float(run.min()), float(run.max())))
        first = last + 1
    return found


def _alike(run: Floats, low: float) -> bool:
    return bool(run.max() <= low or (run.min() > low and run.max() <= LIKE * run.min()))


_Row = tuple[str, str, str, int, int, float, float, float, float, str]


def _by_village(kind: str, price: Floats, villages: Sequence[str], amount: float, unit: str) -> list[_Row]:
    low = LEAST_SHARE * float(price.max(initial=0.0))
    return [
        (kind, name, "", *span, amount, unit)
        for name, weeks in zip(villages, price, strict=True)
        for span in spans(weeks)
        if span[2] > low
    ]


def _residue(price: Floats, lots: pd.DataFrame) -> list[_Row]:
    """A tonne of residue by village and kind: the mean over its lots, by their mass."""
    if lots.empty:
        return []
    of = lots.assign(worth=price * lots["mass_kg"]).groupby(["village", "crop", "residue"], observed=True, sort=True)
    sums = of[["worth", "mass_kg"]].sum()
    mean = (sums["worth"] / sums["mass_kg"].where(sums["mass_kg"] > 0)).fillna(0.0)
    return [
        ("residue", str(village), f"{crop}/{residue}", -1, -1, float(kg), float(kg), float(kg), 1000.0, "kg dry")
        for (village, crop, residue), kg in mean.items()
    ]


HEADS = {
    "barrel": "One more barrel", "move": "One more barrel that could be brought to a site in the week",
    "crew": "One more hour of the crew", "water": "100 l more of quench water a week at a site",
    "press": "100 kg more of char that could be pressed in the week",
    "residue": "One more tonne of dry residue, free to take, in fields like those that are there already,",
    "budget": "100 {currency} more of budget", "fair_share": "The last 100 kg of the fair share",
}  # fmt: skip


def barrel_line(table: pd.DataFrame, unit: Unit, barrel_season: float) -> str:
    """The one line on barrels that stands under a plan."""
    rows = table[table["kind"] == "barrel"]
    if rows.empty:
        return "One more barrel would earn nothing: there are enough."
    best = rows.loc[rows["worth"].idxmax()]
    when = week_span(str(best["first_week"]), str(best["last_week"]), load_words(FIRST_LANGUAGE))
    return (
        f"One more barrel {unit.earns} about {unit.amount(barrel_season)} if it is there the whole season, most in "
        f"{when}."
    )


def worth_lines(table: pd.DataFrame, unit: Unit, barrel_season: float, weeks: int) -> list[tuple[str, list[str]]]:
    """The table in words: for each kind a heading and its lines. `barrel_season` is what a barrel earns that is there
    for all `weeks` of the season.
    """
    words = load_words(FIRST_LANGUAGE)
    found: list[tuple[str, list[str]]] = []
    for kind in KINDS:
        rows = table[table["kind"] == kind]
        head = f"{HEADS[kind].format(currency=unit.currency)} {'costs' if kind == 'fair_share' else unit.earns}"
        if kind == "barrel":
            if rows.empty:
                found.append((f"{HEADS[kind]} would earn nothing: there are enough", []))
                continue
            head = f"{head} about {unit.amount(barrel_season)} if it is there the whole season; a week"
        if rows.empty:
            continue
        lines = _residue_lines(rows, unit, words) if kind == "residue" else _lines(rows, unit, words)
        if kind in ("barrel", "move", "press") and rows["weeks"].sum() < weeks:
            lines.append("in the other weeks little or nothing")
        found.append((head, lines))
    return found


def _lines(rows: pd.DataFrame, unit: Unit, words: Words) -> list[str]:
    """The lines of a kind that are worth most, in the order of weeks."""
    shown = rows.head(MOST_LINES).sort_values(["village", "first_week"], kind="stable")
    lines = [_line(row, unit, words) for row in shown.to_dict("records")]
    return lines if len(rows) <= MOST_LINES else [*lines, f"and {len(rows) - MOST_LINES} more, worth less in all"]


def _residue_lines(rows: pd.DataFrame, unit: Unit, words: Words) -> list[str]:
    """One line a residue: from where it is worth least to where it is worth most."""
    lines = []
    kinds = list(dict.fromkeys(rows["about"]))  # dearest first
    for about in kinds[:MOST_LINES]:
        own = rows[rows["about"] == about]
        name, best = words.residue(*str(about).split("/")), own.iloc[0]
        if len(own) == 1:
            lines.append(f"{name}: about {unit.amount(best['worth'])}, in {best['village']}")
            continue
        low = unit.amount(own["worth"].min()).removesuffix(f" {unit.name}")
        spread = f"about {low} to {unit.amount(best['worth'])}"
        lines.append(f"{name}: {spread}, most in {best['village']}, least in {own.iloc[-1]['village']}")
    return lines if len(kinds) <= MOST_LINES else [*lines, f"and {len(kinds) - MOST_LINES} other residues, worth less"]


def _line(row: dict[str, Any], unit: Unit, words: Words) -> str:
    where, amount = str(row["village"]), f"about {unit.amount(row['worth'])}"
    if not row["first_week"]:
        return f"{where}: {amount}" if where else amount
    many = f" ({row['weeks']} weeks)" if row["weeks"] != 1 else ""
    when = f"{week_span(str(row['first_week']), str(row['last_week']), words)}{many}"
    return f"{where}, {when}: {amount}" if where else f"{when}: {amount}"


def week_span(first: str, last: str, words: Words) -> str:
    """The days from the Monday of one ISO week to the Sunday of another."""
    return words.span(monday(first), sunday(last))
