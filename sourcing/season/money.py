"""What the season costs and earns: a ledger in whole cents, cash by week, margins, break-even points, a tornado.

Two accounts. The villages make char and sell it at the site for the char's value; they pay tenders, carriers, the wear
of barrels, quench water, the standing of barrels and the opening of sites, and, where the season charges them, moves of
barrels and deploying to villages: just what the placement charged. The workshop, where there is one, buys that char,
hauls it, and sells briquettes. Without one the char is sold as it is.

Wear is counted in the margin and is no cash; buying barrels or presses is cash and is not in the margin. So

    cash at the end = cash before + margin + wear - bought
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from sourcing.carrying.carry import modes_of
from sourcing.errors import NoPlanError
from sourcing.season.barrel import barrel_rates
from sourcing.season.works import Works, village_arrivals
from sourcing.season.workshop import Press, briquettes_per_char
from sourcing.settings import Settings
from sourcing.values import Estimate, Figure, Values

VILLAGES, WORKSHOP = "villages", "workshop"
CENTS = 100
_TINY = 1e-12
"""A metre that costs less than this share of a kilo's worth is free."""

_SHARED = ("char_value_per_kg", "wage_per_h", "barrel_price", "barrel_life_batches", "water_per_l", "barrel_week_cost",
           "site_open_cost")  # fmt: skip
_OF_WORKSHOP = ("flour_per_kg", "briquette_per_kg", "packing_per_kg", "transport_per_kg", "power_per_kwh",
                "press_life_seasons", "workshop_rent_per_week")  # fmt: skip
_TASKS = ("fill", "light", "check", "quench", "empty", "seal")


@dataclass(frozen=True)
class Money:
    """A season's money, in the season's currency."""

    currency: str
    ledger: pd.DataFrame
    """One row a week, village and part: week, cash_week, village ('' for the workshop), account, part, cents (whole
    hundredths of the currency; positive is earned), in_margin, in_cash."""
    weeks: pd.DataFrame
    """Cash by week, index week: income, outgo, net, balance [currency]."""
    parts: pd.DataFrame
    """Index (account, part): amount, per_kg_char, per_kg_sold [currency]."""
    villages: pd.DataFrame
    """Index village: char_kg, income, costs, margin, wages, work_days, households, per_household, per_work_day. The
    last two share out wages and margin."""
    break_even: pd.DataFrame
    """Index (crop, residue, mode): distance_m, the farthest level way that a kilo of residue still pays."""
    break_even_char: float
    """Price of char at which the villages' margin is nil [currency/kg]; not a number without char."""
    break_even_sold: float
    """Price of what is sold to the outside at which the whole margin is nil [currency/kg]."""
    tornado: pd.DataFrame
    """What matters most, index figure: low, high, margin_low, margin_high, swing; the placement is held. Sorted."""
    margin: float
    """All that is left after wear [currency], of villages and workshop together."""
    figures_used: tuple[str, ...]

    @property
    def lowest_balance(self) -> float:
        """Least cash at any week's end [currency]; below nothing, it must be lent."""
        return float(self.weeks["balance"].min()) if len(self.weeks) else 0.0


def season_money(
    works: Works, carries: pd.DataFrame, rates: pd.DataFrame, lots: pd.DataFrame, settings: Settings, values: Values
) -> Money:
    """The money of a season's work.

    `carries` (site_id, week, field_id, mass_kg, mode, carry_h, cost) and `lots` (mass_kg, low_kg, high_kg) are the
    plan's tables, `rates` that of :func:`sourcing.season.barrel.barrel_rates`.
    """
    ledger = _ledger(works, carries, rates, settings, values)
    amounts = _amounts(works, carries, values, settings)
    margin = int(ledger.loc[ledger["in_margin"], "cents"].sum()) / CENTS
    char_kg = float(works.site_weeks["char_kg"].sum())
    shop = works.workshop
    sold_kg = float(shop.weeks["sold_kg"].sum()) if shop is not None else char_kg
    price = "money.briquette_per_kg" if shop is not None else "money.char_value_per_kg"
    own = ledger[(ledger["account"] == VILLAGES) & ledger["in_margin"]]
    spent = -int(own.loc[own["part"] != "char sold", "cents"].sum()) / CENTS
    used = {f"money.{name}" for name in (*_SHARED, *_charged(settings))} | set(works.figures_used)
    if shop is not None:
        used |= {f"money.{name}" for name in _OF_WORKSHOP} | {f"money.press_price.{p.kind}" for p in shop.presses}
    return Money(
        currency=settings.season.currency,
        ledger=ledger,
        weeks=_cash(ledger, settings),
        parts=_parts(ledger, char_kg, sold_kg),
        villages=_villages(ledger, works, carries, settings),
        break_even=_break_even(rates, lots, carries, settings, values),
        break_even_char=spent / char_kg if char_kg > 0 else float("nan"),
        break_even_sold=values[price] - margin / sold_kg if sold_kg > 0 else float("nan"),
        tornado=_tornado(amounts, lots, carries, settings, values),
        margin=margin,
        figures_used=tuple(sorted(used)),
    )


def _charged(settings: Settings) -> tuple[str, ...]:
    """Figures that count only where the season charges them."""
    moves = ("barrel_move_cost", "barrel_village_move_cost") if settings.moves.charge else ()
    return (*moves, *(("village_deploy_cost",) if settings.villages.charge else ()))


def cash_gap(money: Money, settings: Settings) -> int:
    """Cents by which cash does not follow from margin, wear and purchases; 0 when all is booked."""
    ledger = money.ledger
    cash = int(ledger.loc[ledger["in_cash"], "cents"].sum())
    margin = int(ledger.loc[ledger["in_margin"], "cents"].sum())
    wear = -int(ledger.loc[ledger["in_margin"] & ~ledger["in_cash"], "cents"].sum())
    bought = -int(ledger.loc[ledger["in_cash"] & ~ledger["in_margin"], "cents"].sum())
    end = round((float(money.weeks["balance"].iloc[-1]) if len(money.weeks) else settings.money.opening_cash) * CENTS)
    return abs(cash - (margin + wear - bought)) + abs(end - (round(settings.money.opening_cash * CENTS) + cash))


def _ledger(
    works: Works, carries: pd.DataFrame, rates: pd.DataFrame, settings: Settings, values: Values
) -> pd.DataFrame:
    v, frames = values, []
    site_weeks = works.site_weeks
    village_of = site_weeks.drop_duplicates("site_id").set_index("site_id")["village"]

    def book(part: str, frame: pd.DataFrame, account: str = VILLAGES, margin: bool = True, cash: bool = True) -> None:
        if len(frame):
            frames.append(frame.assign(part=part, account=account, in_margin=margin, in_cash=cash))

    def by_village(week: pd.Series, site: pd.Series, amount: pd.Series) -> pd.DataFrame:
        frame = pd.DataFrame({"week": week, "village": site.map(village_of), "amount": amount})
        return frame.groupby(["week", "village"], observed=True)["amount"].sum().reset_index()

    b, s = works.batches, site_weeks
    load = rates["load_kg"].reindex(pd.MultiIndex.from_frame(b[["crop", "residue"]].astype(str))).to_numpy(dtype=float)
    wear = b["residue_kg"] / load * v["money.barrel_price"] / v["money.barrel_life_batches"]
    first = s.loc[s.groupby("site_id")["week"].idxmin()] if len(s) else s
    book("char sold", by_village(s["week"], s["site_id"], s["char_kg"] * v["money.char_value_per_kg"]))
    book("tending", by_village(s["week"], s["site_id"], -s["tender_h"] * v["money.wage_per_h"]))
    book("carrying", by_village(carries["week"], carries["site_id"], -carries["cost"]))
    book("wear of barrels", by_village(b["week"], b["site_id"], -wear), cash=False)
    book("quench water", by_village(b["week"], b["site_id"], -b["water_l"] * v["money.water_per_l"]))
    book("barrels standing", by_village(s["week"], s["site_id"], -s["barrels"] * v["money.barrel_week_cost"]))
    opening = pd.Series(-v["money.site_open_cost"], index=first.index)
    book("opening sites", by_village(first["week"], first["site_id"], opening))
    if settings.moves.charge:
        brought = s["arrive"] * v["money.barrel_move_cost"]
        entered = village_arrivals(s)
        far = -entered["barrels"] * v["money.barrel_village_move_cost"]
        book("moving barrels", by_village(s["week"], s["site_id"], -brought))
        book("bringing barrels into villages", entered[["week", "village"]].assign(amount=far.astype(float)))
    if settings.villages.charge:
        begun = s.groupby("village")["week"].min().reset_index()
        book("deploying to villages", begun.assign(amount=-v["money.village_deploy_cost"]))
    if settings.money.buy_barrels and len(s):
        most = int(s.groupby("week")["barrels"].sum().max())
        bought = pd.DataFrame(
            {"week": [int(s["week"].min())], "village": "", "amount": -most * v["money.barrel_price"]}
        )
        book("barrels bought", bought, margin=False)
    if works.workshop is not None:
        for part, weekly, cash in _shop_parts(works, settings, v):
            rows = weekly[weekly != 0]
            frame = pd.DataFrame({"week": rows.index, "village": "", "amount": rows.to_numpy(dtype=float)})
            book(part, frame, WORKSHOP, cash=cash)
        shop = works.workshop
        if settings.money.buy_presses and shop.presses:
            pressing = shop.weeks.index[shop.weeks["pressed_kg"] > 0]
            price = sum(p.count * v[f"money.press_price.{p.kind}"] for p in shop.presses)
            week = int(pressing.min()) if len(pressing) else 0
            frame = pd.DataFrame({"week": [week], "village": "", "amount": -price})
            book("presses bought", frame, WORKSHOP, margin=False)
    columns = ["week", "cash_week", "village", "account", "part", "cents", "in_margin", "in_cash"]
    if not frames:
        return pd.DataFrame({c: pd.Series(dtype=bool if c.startswith("in_") else object) for c in columns}).astype(
            {"week": int, "cash_week": int, "cents": int}
        )
    ledger = pd.concat(frames, ignore_index=True)
    ledger["cents"] = np.rint(ledger["amount"].to_numpy(dtype=float) * CENTS).astype(np.int64)
    if works.workshop is not None:
        # what the workshop pays for char is to the cent what the villages are paid
        paid = ledger["part"] == "char bought"
        got = -ledger[ledger["part"] == "char sold"].groupby("week")["cents"].sum()
        ledger.loc[paid, "cents"] = ledger.loc[paid, "week"].map(got).fillna(0).astype(np.int64)
    outside = "briquettes sold" if works.workshop is not None else "char sold"
    later = np.where(ledger["part"] == outside, settings.money.paid_after_weeks, 0)
    ledger["cash_week"] = ledger["week"] + later
    return (
        ledger[ledger["cents"] != 0].sort_values(["week", "account", "village", "part"])[columns].reset_index(drop=True)
    )


def _shop_parts(works: Works, settings: Settings, v: Values) -> Iterable[tuple[str, pd.Series, bool]]:
    """Parts of the workshop's account by week, and whether each is cash."""
    shop, s = works.workshop, works.site_weeks
    assert shop is not None
    w = shop.weeks
    hauled = s.groupby("week")[["haul_h", "char_kg"]].sum()
    wage = v["money.wage_per_h"]
    yield "briquettes sold", w["sold_kg"] * v["money.briquette_per_kg"], True
    yield "char bought", -hauled["char_kg"] * v["money.char_value_per_kg"], True
    yield "hauling", -hauled["haul_h"] * _haul_cost_per_h(settings, v), True
    yield "flour", -w["flour_kg"] * v["money.flour_per_kg"], True
    yield "water", -w["water_l"] * v["money.water_per_l"], True
    yield "power", -w["power_kwh"] * v["money.power_per_kwh"], True
    yield "workshop wages", -w["work_h"] * wage, True
    yield "packing", -w["dried_kg"] * v["money.packing_per_kg"], True
    yield "transport to buyers", -w["sold_kg"] * v["money.transport_per_kg"], True
    yield "rent", -_at_work(w).astype(float) * v["money.workshop_rent_per_week"], True
    pressing = w["pressed_kg"] > 0
    wear = _press_wear(shop.presses, v)
    share = w["pressed_kg"] / w["pressed_kg"].sum() if pressing.any() else w["pressed_kg"]
    yield "wear of presses", -share * wear, False


def _at_work(weeks: pd.DataFrame) -> pd.Series:
    return weeks[["char_in_kg", "char_used_kg", "drying_kg", "dried_kg", "stock_kg"]].gt(0).any(axis=1)


def _press_wear(presses: Iterable[Press], v: Values) -> float:
    return sum(p.count * v[f"money.press_price.{p.kind}"] for p in presses) / v["money.press_life_seasons"]


def _haul_cost_per_h(settings: Settings, v: Values) -> float:
    """Cost of an hour of one person's hauling, the cart's hire shared among them [currency/h]."""
    mode = settings.works.haul_mode
    return v["money.wage_per_h"] + v[f"carry.{mode}.hire_per_hour"] / v[f"carry.{mode}.people"]


def _cash(ledger: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    cash = ledger[ledger["in_cash"]]
    weeks = range(int(cash["cash_week"].max()) + 1) if len(cash) else range(0)
    income = cash[cash["cents"] > 0].groupby("cash_week")["cents"].sum().reindex(weeks, fill_value=0)
    outgo = -cash[cash["cents"] < 0].groupby("cash_week")["cents"].sum().reindex(weeks, fill_value=0)
    net = income - outgo
    balance = net.cumsum() + round(settings.money.opening_cash * CENTS)
    frame = pd.DataFrame({"income": income, "outgo": outgo, "net": net, "balance": balance}).rename_axis("week")
    return frame / CENTS


def _parts(ledger: pd.DataFrame, char_kg: float, sold_kg: float) -> pd.DataFrame:
    amount = ledger[ledger["in_margin"]].groupby(["account", "part"])["cents"].sum() / CENTS
    frame = amount.to_frame("amount")
    frame["per_kg_char"] = frame["amount"] / char_kg if char_kg > 0 else 0.0
    frame["per_kg_sold"] = frame["amount"] / sold_kg if sold_kg > 0 else 0.0
    return frame


def _villages(ledger: pd.DataFrame, works: Works, carries: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    own = ledger[(ledger["account"] == VILLAGES) & ledger["in_margin"]]
    wide = own.pivot_table(index="village", columns="part", values="cents", aggfunc="sum", fill_value=0) / CENTS
    s = works.site_weeks
    village_of = s.drop_duplicates("site_id").set_index("site_id")["village"]
    done = s.groupby("village")[["char_kg", "tender_h", "carry_h"]].sum().reindex(wide.index)
    fields = carries.groupby(carries["site_id"].map(village_of))["field_id"].nunique().reindex(wide.index).fillna(0)
    income = wide.get("char sold", 0.0 * done["char_kg"])
    margin = wide.sum(axis=1)
    days = (done["tender_h"] + done["carry_h"]) / settings.fleet.hours_a_day
    # the hire of carts and animals is counted with the wages of those who carry: they are mostly the carriers' own
    wages = -(wide.get("tending", 0.0) + wide.get("carrying", 0.0))
    households = np.ceil(fields / settings.money.fields_a_household - 1e-9).astype(int)
    shared = margin + wages
    return pd.DataFrame(
        {
            "char_kg": done["char_kg"], "income": income, "costs": income - margin, "margin": margin, "wages": wages,
            "work_days": days, "households": households,
            "per_household": (shared / households.where(households > 0)).fillna(0.0),
            "per_work_day": (shared / days.where(days > 0)).fillna(0.0),
        }
    )  # fmt: skip


def _break_even(
    rates: pd.DataFrame, lots: pd.DataFrame, carries: pd.DataFrame, settings: Settings, values: Values
) -> pd.DataFrame:
    """Value of a kilo at the site less its work, over the cost of a metre of carrying, by residue and way."""
    wage, rows = values["money.wage_per_h"], []
    done = carries[["crop", "residue"]].drop_duplicates().sort_values(["crop", "residue"])
    for crop, residue in done.itertuples(index=False):
        rate = rates.loc[(crop, residue)]
        worth = rate["char_kg_per_kg"] * values["money.char_value_per_kg"] - rate["work_cost_per_kg"]
        name = f"crop.{crop}.{residue}"
        bulk, moisture = values[f"{name}.bulk_wet_kg_m3"], values[f"{name}.moisture_ready"]
        for mode in modes_of(settings, values):
            load = float(mode.load_kg(np.array([bulk]), np.array([moisture]))[0])
            none, km = (float(mode.trip_h(np.array([m]), np.array([m]))[0]) for m in (0.0, 1000.0))
            left = worth - none * mode.cost_per_hour(wage) / load
            metre = (km - none) / 1000.0 * mode.cost_per_hour(wage) / load
            free = metre <= _TINY * left
            far = 0.0 if left <= 0 else np.inf if free else left / metre
            rows.append((crop, residue, mode.name, far))
    return pd.DataFrame(rows, columns=["crop", "residue", "mode", "distance_m"]).set_index(["crop", "residue", "mode"])


@dataclass(frozen=True)
class _Amounts:
    """What the margin follows from when prices and figures change and the placement is held."""

    residue_kg: Mapping[tuple[str, str], float]
    carry_h: float
    carry_hire: float
    crew_h: float
    """Hours of tenders paid by the week; 0 where they are paid by the kilo [h]."""
    barrel_weeks: int
    sites: int
    villages: int
    arrivals: int
    """Barrels brought to sites, and of these"""
    entries: int
    """barrels brought into a village from outside."""
    workshop: bool
    haul_h: float
    shaped_share: float
    weeks_at_work: int
    presses: tuple[Press, ...]
    char_kg: float
    more: float = 1.0
    """Residue and carrying relative to the plan's."""
    payload: float = 1.0
    """Loads of carriers relative to the plan's."""


def _amounts(works: Works, carries: pd.DataFrame, values: Values, settings: Settings) -> _Amounts:
    b, s, shop = works.batches, works.site_weeks, works.workshop
    kilos = b.groupby(["crop", "residue"])["residue_kg"].sum()
    carry_h, cost = float(carries["carry_h"].sum()), float(carries["cost"].sum())
    char = float(s["char_kg"].sum())
    return _Amounts(
        residue_kg={(str(c), str(r)): float(kg) for (c, r), kg in kilos.items()},
        carry_h=carry_h, carry_hire=cost - carry_h * values["money.wage_per_h"],
        crew_h=float(s["tender_h"].sum()) if settings.works.crew_paid == "by_week" else 0.0,
        barrel_weeks=int(s["barrels"].sum()),
        sites=int(s["site_id"].nunique()), villages=int(s["village"].nunique()), arrivals=int(s["arrive"].sum()),
        entries=int(village_arrivals(s)["barrels"].sum()), workshop=shop is not None, haul_h=float(s["haul_h"].sum()),
        shaped_share=float(s["shaped_kg"].sum()) / char if char > 0 else 0.0,
        weeks_at_work=int(_at_work(shop.weeks).sum()) if shop is not None else 0,
        presses=shop.presses if shop is not None else (), char_kg=char,
    )  # fmt: skip


def _margin_of(a: _Amounts, settings: Settings, v: Values) -> float:
    """The whole margin with other figures, all amounts following the kilos [currency]."""
    rates, _ = barrel_rates(a.residue_kg, settings, v, settings.supply.estimate)
    kilos = np.array(list(a.residue_kg.values())) * a.more
    char = float(kilos @ rates["char_kg_per_kg"].to_numpy(dtype=float))
    wage = v["money.wage_per_h"]
    left = (
        char * v["money.char_value_per_kg"]
        - float(kilos @ rates["work_cost_per_kg"].to_numpy(dtype=float))
        - (a.carry_h * wage + a.carry_hire) * a.more / a.payload
        - a.crew_h * wage
        - a.barrel_weeks * v["money.barrel_week_cost"]
        - a.sites * v["money.site_open_cost"]
    )
    if settings.moves.charge:
        left -= a.arrivals * v["money.barrel_move_cost"] + a.entries * v["money.barrel_village_move_cost"]
    if settings.villages.charge:
        left -= a.villages * v["money.village_deploy_cost"]
    if not a.workshop:
        return left
    made = char * briquettes_per_char(v)
    mixed = char * (1 - v["works.crush.loss_share"])
    press_h = made / sum(p.count * p.kg_per_h for p in a.presses) if a.presses else 0.0
    work_h = (
        press_h * sum(p.count * p.people for p in a.presses)
        + char * a.shaped_share / v["works.crush.kg_per_h"] + mixed / v["works.mix.kg_per_h"]
        + made / v["works.dry.kg_per_h"] + made / v["works.pack.kg_per_h"]
    )  # fmt: skip
    each = v["money.briquette_per_kg"] - v["money.packing_per_kg"] - v["money.transport_per_kg"]
    return (
        left
        - char * v["money.char_value_per_kg"]
        + made * each
        - mixed * v["works.flour.per_char"] * v["money.flour_per_kg"]
        - mixed * v["works.mix.water_l_per_kg"] * v["money.water_per_l"]
        - press_h * sum(p.count * p.power_kw for p in a.presses) * v["money.power_per_kwh"]
        - work_h * wage
        - (a.haul_h * char / a.char_kg if a.char_kg > 0 else 0.0) * _haul_cost_per_h(settings, v)
        - a.weeks_at_work * v["money.workshop_rent_per_week"]
        - _press_wear(a.presses, v)
    )


def _tornado(
    amounts: _Amounts, lots: pd.DataFrame, carries: pd.DataFrame, settings: Settings, values: Values
) -> pd.DataFrame:
    """The margin with each figure, or group of figures that move together, at its low and high end."""
    base = _margin_of(amounts, settings, values)
    pairs = list(amounts.residue_kg)

    def figures(*names: str) -> _Change:
        def at(end: Estimate) -> float:
            try:
                return _margin_of(amounts, settings, _moved(values, names, end))
            except NoPlanError:  # at this end no batch fits into a day
                return float("nan")

        return at

    levers: dict[str, tuple[Figure | None, _Change]] = {}
    for name in (*_SHARED, *_charged(settings), *(_OF_WORKSHOP if amounts.workshop else ())):
        key = f"money.{name}"
        levers[key] = (values.figure(key), figures(key))
    if amounts.workshop:
        for name in ("works.flour.per_char", "works.crush.loss_share", "works.crush.kg_per_h", "works.mix.kg_per_h"):
            levers[name] = (values.figure(name), figures(name))
    for group in ("char_yield", "barrel_load_wet_kg", "moisture_ready"):
        levers[f"{group} of every residue"] = (None, figures(*(f"crop.{c}.{r}.{group}" for c, r in pairs)))
    levers["minutes of every task at the barrel"] = (None, figures(*(f"barrel.{t}.minutes" for t in _TASKS)))
    total = {end: float(lots[column].sum()) for end, column in _COLUMNS.items()}
    if total["likely"] > 0:

        def residue(end: Estimate) -> float:
            return _margin_of(replace(amounts, more=total[end] / total["likely"]), settings, values)

        levers["residue found in the fields"] = (None, residue)
    used = carries.groupby("mode")["carry_h"].sum() if "mode" in carries else pd.Series(dtype=float)
    names = [f"carry.{mode}.payload_wet_kg" for mode in used.index]
    if names and used.sum() > 0:

        def payload(end: Estimate) -> float:
            inverse = sum(
                used[m] * values[n] / values.pick(n, end) for m, n in zip(used.index, names, strict=True)
            ) / float(used.sum())
            return _margin_of(replace(amounts, payload=1 / inverse), settings, values)

        levers["loads of the carriers"] = (None, payload)
    rows = []
    for what, (figure, at) in levers.items():
        low, high = at("low"), at("high")
        swing = float(np.nanmax([low, high, base]) - np.nanmin([low, high, base]))
        ends = (figure.low, figure.high) if figure is not None else (np.nan, np.nan)
        rows.append((what, *ends, low, high, swing))
    frame = pd.DataFrame(rows, columns=["figure", "low", "high", "margin_low", "margin_high", "swing"])
    return frame.sort_values(["swing", "figure"], ascending=[False, True]).set_index("figure")


_Change = Callable[[Estimate], float]
_COLUMNS: Mapping[Estimate, str] = MappingProxyType({"low": "low_kg", "likely": "mass_kg", "high": "high_kg"})


def _moved(values: Values, names: Iterable[str], end: Estimate) -> Values:
    """The figures with some of them at one end of their range."""
    figures = dict(values.figures)
    for name in names:
        old = figures[name]
        number = float(getattr(old, end))
        figures[name] = replace(old, low=number, likely=number, high=number)
    return replace(values, figures=MappingProxyType(figures))
