"""The workshop: char rests, is crushed where it kept its shape, mixed with flour paste, pressed, dried, packed, sold.

Every kilo that goes in comes out, is lost by name, or is in a stock: :func:`workshop_imbalances` proves it. Within a
week work is spread evenly over the days, so that what must rest d days leaves in the same week for a share 1 - d/7 of
it and later for the remainder.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import Bounds, LinearConstraint, milp

from sourcing.errors import Finding
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK

Floats = npt.NDArray[np.float64]
Hours = Callable[[int], float]
"""Working hours of a week, by week index [h]."""

_TINY = 1e-9
"""Slack when wholes are counted, so that a bag that just fits is one bag."""


@dataclass(frozen=True)
class Press:
    """Presses of one kind in the workshop."""

    kind: str
    count: int
    kg_per_h: float
    """Dried briquettes an hour of one press [kg/h]."""
    people: float
    power_kw: float


@dataclass(frozen=True)
class Workshop:
    """The workshop's season."""

    presses: tuple[Press, ...]
    weeks: pd.DataFrame
    """One row a week (index week, running on after the season until all is sold): char_in_kg, char_resting_kg,
    char_store_kg, store_m2, char_used_kg, crush_loss_kg, crush_kg, mix_kg, flour_kg, water_l, pressed_kg [kg at final
    moisture], press_h (all presses running), drying_kg, floor_m2, dried_kg, stock_kg, sold_kg, bags, power_kwh, work_h
    (people), limit (what held the week back: 'char', 'presses', 'market' or 'none'). Stocks are at the week's end."""


def _lagged(share_later: float, kg: float) -> list[float]:
    """Kilos leaving this week, next week, … when each must rest `share_later` weeks and comes evenly over the week."""
    whole = math.floor(share_later + _TINY)
    part = max(0.0, share_later - whole)
    return [0.0] * whole + [kg * (1 - part), kg * part]


def workshop_season(
    char_in: Floats,
    shaped_in: Floats,
    days: Floats,
    settings: Settings,
    values: Values,
    drying_days: Sequence[float] | None = None,
) -> tuple[Workshop, tuple[Finding, ...], tuple[str, ...]]:
    """The workshop's weeks, what was noticed, and the names of the figures used.

    `char_in` and `shaped_in` are the char that comes and the part of it that kept its shape, by week [kg], `days` the
    workable days by week, all of one shape (weeks,). `drying_days` by week of the calendar replaces the figure, which
    is longer in weeks with fewer workable days. The weeks run on after the season until all is pressed, dried and sold.
    """
    plant = _Plant(char_in, shaped_in, days, settings, values, drying_days)
    findings: tuple[Finding, ...] = ()
    if char_in.sum() > 0 and plant.capacity <= 0:
        findings = (
            Finding(
                "look", "season.toml", None, "no_press", "works.presses counts no press at all",
                "at least one press, or none named", "leave works.presses out to have them worked out",
            ),
        )  # fmt: skip
    weeks = pd.DataFrame(plant.run()).set_index("week")
    return Workshop(plant.presses, weeks), findings, tuple(sorted(plant.figures()))


def _clean(kg: float, dust: float) -> float:
    return 0.0 if abs(kg) <= dust else kg


class _Plant:
    """The workshop while its weeks are run through."""

    def __init__(
        self, char_in: Floats, shaped_in: Floats, days: Floats, settings: Settings, values: Values,
        drying_days: Sequence[float] | None,
    ):  # fmt: skip
        self.char_in, self.days, self.settings, self.values = char_in, days, settings, values
        self.drying_days = drying_days
        total = float(char_in.sum())
        self.total = total
        self.dust = _TINY * max(1.0, total)
        self.shaped_share = float(shaped_in.sum()) / total if total > 0 else 0.0
        self.per_char = briquettes_per_char(values)
        rest = values["works.store.cooling_days"] / DAYS_A_WEEK
        self.ready = np.zeros(len(char_in) + math.ceil(rest) + 2)
        for week, kg in enumerate(char_in):
            for later, part in enumerate(_lagged(rest, float(kg))):
                self.ready[week + later] += part
        self.presses = self._presses()
        self.capacity = sum(p.count * p.kg_per_h for p in self.presses)

    def figures(self) -> set[str]:
        """Names of the figures used."""
        kinds = {p.kind for p in self.presses}
        names = {
            f"works.{name}"
            for name in self.values.under("works")
            if "published" not in name and not name.startswith("press.") and name != "char.bulk_kg_m3"
        }
        names |= {f"works.press.{kind}.{part}" for kind in kinds for part in ("kg_per_h", "people", "power_kw")}
        if not self.settings.works.presses:
            names |= {f"money.press_price.{kind}" for kind in press_kinds(self.values)}
            names |= {"money.press_life_seasons", "money.wage_per_h"}
        return names

    def hours(self, week: int) -> float:
        """Working hours of a week [h]; after the calendar's end the usual ones."""
        fleet = self.settings.fleet
        return float((self.days[week] if week < len(self.days) else fleet.days_a_week) * fleet.hours_a_day)

    def drying(self, week: int) -> float:
        """Days a briquette needs to dry in a week [d]."""
        if self.drying_days is not None and week < len(self.drying_days):
            return float(self.drying_days[week])
        usual = self.settings.fleet.days_a_week
        workable = float(self.days[week]) if week < len(self.days) else usual
        return self.values["works.dry.days"] * (usual / workable if 0 < workable < usual else 1.0)

    def run(self) -> list[dict[str, float | str]]:
        """One row a week; stocks are at its end."""
        v, rows = self.values, []
        most = self.settings.works.sales_kg_a_week or math.inf
        resting = store = stock = 0.0
        leaving: dict[int, float] = {}
        week = 0
        while week < len(self.char_in) or self._goes_on(resting + store + sum(leaving.values()), stock):
            came = float(self.char_in[week]) if week < len(self.char_in) else 0.0
            rested = float(self.ready[week]) if week < len(self.ready) else 0.0
            resting = _clean(resting + came - rested, self.dust)
            store += rested
            room = self.capacity * self.hours(week) / self.per_char
            limit = "presses" if store > room + self.dust else "char" if store > self.dust else "none"
            used = store if store <= room + self.dust else room
            store = _clean(store - used, self.dust)
            pressed = used * self.per_char
            floor = sum(leaving.values()) + pressed * min(1.0, self.drying(week) / DAYS_A_WEEK)
            for later, part in enumerate(_lagged(self.drying(week) / DAYS_A_WEEK, pressed)):
                leaving[week + later] = leaving.get(week + later, 0.0) + part
            dried = leaving.pop(week, 0.0)
            stock += dried
            if stock > most:
                limit = "market"
            sold = min(stock, most)
            stock = _clean(stock - sold, self.dust)
            lost = used * v["works.crush.loss_share"]
            mixed = used - lost
            crushed = used * self.shaped_share
            press_h = pressed / self.capacity if self.capacity > 0 else 0.0
            work_h = (
                press_h * sum(p.count * p.people for p in self.presses)
                + crushed / v["works.crush.kg_per_h"] + mixed / v["works.mix.kg_per_h"]
                + pressed / v["works.dry.kg_per_h"] + dried / v["works.pack.kg_per_h"]
            )  # fmt: skip
            rows.append(
                {
                    "week": week, "char_in_kg": came, "char_resting_kg": resting, "char_store_kg": store,
                    "store_m2": (resting + store) / v["works.store.kg_per_m2"], "char_used_kg": used,
                    "crush_loss_kg": lost, "crush_kg": crushed, "mix_kg": mixed,
                    "flour_kg": mixed * v["works.flour.per_char"], "water_l": mixed * v["works.mix.water_l_per_kg"],
                    "pressed_kg": pressed, "press_h": press_h, "drying_kg": sum(leaving.values()),
                    "floor_m2": floor / v["works.dry.kg_per_m2"], "dried_kg": dried, "stock_kg": stock,
                    "sold_kg": sold, "bags": math.ceil(dried / v["works.pack.bag_kg"] - _TINY),
                    "power_kwh": press_h * sum(p.count * p.power_kw for p in self.presses), "work_h": work_h,
                    "limit": limit,
                }
            )  # fmt: skip
            week += 1
        return rows

    def _goes_on(self, unfinished: float, stock: float) -> bool:
        return self.capacity > 0 and (unfinished > self.dust or stock > self.dust)

    def _presses(self) -> tuple[Press, ...]:
        """The presses at hand, or the cheapest whole number that finish in time."""
        choice, v = self.settings.works, self.values
        chosen: Sequence[tuple[str, int]] = sorted(choice.presses.items())
        coming = np.flatnonzero(self.ready > 0)
        if not chosen and len(coming):
            end = int(coming.max()) + choice.press_weeks_after
            kilos = np.zeros(end + 1)
            kilos[: coming.max() + 1] = self.ready[: coming.max() + 1] * self.per_char
            left_kg = np.cumsum(kilos[::-1])[::-1]
            left_h = np.cumsum([self.hours(w) for w in range(end, -1, -1)])[::-1]
            needed = np.divide(left_kg, left_h, out=np.zeros(end + 1), where=left_h > 0).max()
            chosen = cheapest_presses(float(needed), float(kilos.sum()), float(left_h[coming.min()]), v)
        return tuple(
            Press(kind, count, *(v[f"works.press.{kind}.{part}"] for part in ("kg_per_h", "people", "power_kw")))
            for kind, count in chosen
        )


def briquettes_per_char(values: Values) -> float:
    """Kilos of dry briquettes at their final moisture a kilo of char that enters the workshop [kg/kg].

    Dry matter of the char that is not lost and of its flour, over the dry share of a briquette.
    """
    kept = 1 - values["works.crush.loss_share"]
    flour = values["works.flour.per_char"] * (1 - values["works.flour.moisture"])
    return kept * (1 + flour) / (1 - values["works.briquette.moisture"])


def press_kinds(values: Values) -> tuple[str, ...]:
    """Kinds of press that have figures, sorted."""
    return tuple(sorted({name.split(".")[0] for name in values.under("works.press")}))


def cheapest_presses(
    needed_kg_h: float, season_kg: float, season_h: float, values: Values
) -> tuple[tuple[str, int], ...]:
    """The cheapest whole number of presses by kind that make `needed_kg_h` [kg/h] together.

    Cost counts a season's share of the price and the wages of pressing `season_kg` [kg] within `season_h` [h]. A small
    mixed-integer programme: counts n whole, kilos y by kind, Σ cap n >= needed, y <= cap n hours, Σ y = season_kg.
    """
    kinds = press_kinds(values)
    if needed_kg_h <= 0 or not kinds:
        return ()
    capacity = np.array([values[f"works.press.{k}.kg_per_h"] for k in kinds])
    people = np.array([values[f"works.press.{k}.people"] for k in kinds])
    price = np.array([values[f"money.press_price.{k}"] for k in kinds]) / values["money.press_life_seasons"]
    wage = people / capacity * values["money.wage_per_h"]
    count = len(kinds)
    scale = max(season_kg, _TINY)
    cost = np.concatenate([price, wage * scale])
    rows = [
        LinearConstraint(np.concatenate([capacity, np.zeros(count)]), needed_kg_h * (1 - _TINY), np.inf),
        LinearConstraint(np.concatenate([np.zeros(count), np.ones(count)]), 1, 1),
        LinearConstraint(
            np.hstack([np.diag(-capacity * season_h / scale), np.eye(count)]), np.full(count, -np.inf), np.zeros(count)
        ),
    ]
    found = milp(
        cost, constraints=rows, integrality=np.r_[np.ones(count), np.zeros(count)],
        bounds=Bounds(np.zeros(2 * count), np.full(2 * count, np.inf)),
    )  # fmt: skip
    if found.x is None:
        raise RuntimeError(f"presses could not be chosen: {found.message}")
    whole = np.rint(found.x[:count]).astype(int)
    return tuple((kind, int(n)) for kind, n in zip(kinds, whole, strict=True) if n > 0)


def press_faults(settings: Settings, values: Values) -> list[Finding]:
    """Kinds of press that the season names and nobody knows."""
    kinds = press_kinds(values)
    return [
        Finding(
            "refused", "season.toml", None, "unknown_press", f"works.presses names '{kind}'",
            f"one of {', '.join(kinds)}", "correct it",
        )
        for kind in settings.works.presses
        if kind not in kinds
    ]  # fmt: skip


def workshop_imbalances(workshop: Workshop, char_kg: float, share: float = 1e-9) -> list[str]:
    """What does not add up in a workshop that was sent `char_kg` [kg], in plain words; empty when all is well."""
    faults, w = [], workshop.weeks
    room = share * max(1.0, char_kg)
    stocks = ["char_resting_kg", "char_store_kg", "drying_kg", "stock_kg"]
    for name in stocks:
        if (w[name] < -room).any():
            faults.append(f"{name} falls below nothing")
    if abs(w["char_in_kg"].sum() - char_kg) > room:
        faults.append("char made is not the char that came to the workshop")

    def step(stock: Floats, into: pd.Series, out: pd.Series) -> Floats:
        gap: Floats = np.diff(stock, prepend=0.0) - into.to_numpy(dtype=float) + out.to_numpy(dtype=float)
        return gap

    char_stock = (w["char_resting_kg"] + w["char_store_kg"]).to_numpy(dtype=float)
    checks = {
        "char store": step(char_stock, w["char_in_kg"], w["char_used_kg"]),
        "drying floor": step(w["drying_kg"].to_numpy(dtype=float), w["pressed_kg"], w["dried_kg"]),
        "briquettes in stock": step(w["stock_kg"].to_numpy(dtype=float), w["dried_kg"], w["sold_kg"]),
        "char used": (w["char_used_kg"] - w["crush_loss_kg"] - w["mix_kg"]).to_numpy(dtype=float),
    }
    faults += [f"{what} does not balance" for what, gap in checks.items() if np.abs(gap).max(initial=0.0) > room]
    return faults
