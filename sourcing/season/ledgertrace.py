"""Where the figures of money and of the workshop come from: formulas in words, terms reckoned again from the record."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from sourcing.season.again import Again, Found
from sourcing.season.money import VILLAGES
from sourcing.season.trace import Part
from sourcing.season.workshop import briquettes_per_char

_PARTS: Mapping[str, tuple[str, tuple[str, ...]]] = MappingProxyType({
    "char sold": ("Char made times its value at the place.", ("money.char_value_per_kg",)),
    "tending": ("Hours of the tenders, as the season pays them, times the wage.", ("money.wage_per_h", "barrel.")),
    "carrying": ("What the carries cost: hours times the wage, and hire.", ()),
    "wear of barrels": (
        "Batches, parts of batches counted, times the price of a barrel over the batches it lasts.",
        ("money.barrel_price", "money.barrel_life_batches"),
    ),
    "quench water": (
        "Water of all batches times its price.",
        ("money.water_per_l", "barrel.quench.water_l_per_kg_char", "barrel.seal.water_l_per_batch"),
    ),
    "barrels standing": ("Barrels standing, week by week, times what one costs.", ("money.barrel_week_cost",)),
    "opening sites": ("Places opened times what opening one costs.", ("money.site_open_cost",)),
    "moving barrels": ("Barrels brought to places times what bringing one costs.", ("money.barrel_move_cost",)),
    "bringing barrels into villages": (
        "Barrels that come into a village from outside times what that costs.", ("money.barrel_village_move_cost",)
    ),
    "deploying to villages": ("Villages with barrels times what starting costs.", ("money.village_deploy_cost",)),
    "briquettes sold": ("Briquettes sold times their price.", ("money.briquette_per_kg", "works.")),
    "char bought": ("What the villages are paid for their char.", ("money.char_value_per_kg",)),
    "hauling": ("Hours of hauling times the wage, and the hire of the cart.", ("money.wage_per_h", "works.char.")),
    "flour": ("Flour mixed in times its price.", ("money.flour_per_kg", "works.flour.per_char")),
    "water": ("Water mixed in times its price.", ("money.water_per_l", "works.mix.water_l_per_kg")),
    "power": ("Kilowatt-hours of the presses times their price.", ("money.power_per_kwh", "works.press.")),
    "workshop wages": ("Hours of people in the workshop times the wage.", ("money.wage_per_h", "works.")),
    "packing": ("Briquettes dried times packing a kilo.", ("money.packing_per_kg",)),
    "transport to buyers": ("Briquettes sold times bringing a kilo to the buyer.", ("money.transport_per_kg",)),
    "rent": ("Weeks with work in the workshop times the rent.", ("money.workshop_rent_per_week",)),
    "wear of presses": (
        "Price of the presses over the seasons they last, by the kilos pressed.",
        ("money.press_price.", "money.press_life_seasons"),
    ),
})  # fmt: skip


def of_money(again: Again, path: list[str]) -> Found:
    """A figure of money: the account's part, the cash of a week, a village's share, a margin or a price."""
    head, money = path[0], again.money
    if head == "parts":
        return _part(again, path[1], path[2].replace("_", " "), path[3])
    if head == "balance_by_week":
        return _balance(again, path[1])
    if head == "villages":
        return _money_of_village(again, ".".join(path[1:-1]), path[-1])
    by_part = money.parts["amount"]
    sums = tuple(Part(f"{account}: {part}", float(v)) for (account, part), v in by_part.items())
    if head == "margin":
        return Found("All parts of both accounts, wear counted, purchases not.", money.currency, sums, ("money.",))
    unit = f"{money.currency}/kg"
    char = float(again.works.site_weeks["char_kg"].sum())
    if head == "break_even_char":
        own = money.parts.loc[VILLAGES, "amount"].drop("char sold", errors="ignore")
        parts = tuple(Part(f"{part}, for a kilo of char", -float(v) / char) for part, v in own.items())
        return Found("What the villages spend on a kilo of char.", unit, parts, ("money.", "barrel."))
    shop = again.works.workshop
    sold = char if shop is None else float(shop.weeks["sold_kg"].sum())
    price = "money.char_value_per_kg" if shop is None else "money.briquette_per_kg"
    parts = (
        Part("price", again.values[price]),
        *(Part(f"{p.words}, for a kilo sold", -p.amount / sold) for p in sums),
    )
    return Found("The price less what is left over of a kilo sold.", unit, parts, ("money.",))


def _part(again: Again, account: str, part: str, column: str) -> Found:
    words, figures = _PARTS[part]
    if part == "carrying":
        figures = again.carry_figures()
    if part == "hauling":
        figures = (*figures, f"carry.{again.settings.works.haul_mode}.")
    if part == "char sold":
        figures = (*figures, *again.of_residues("char_yield"))
    ledger = again.money.ledger
    own = ledger[(ledger["account"] == account) & (ledger["part"] == part) & ledger["in_margin"]]
    by = own.groupby("village" if account == VILLAGES else "week")["cents"].sum() / 100
    over, of, unit = 1.0, "", again.money.currency
    char = float(again.works.site_weeks["char_kg"].sum())
    if column != "amount":
        shop = again.works.workshop
        made = column == "per_kg_char" or shop is None
        over = char if made else float(shop.weeks["sold_kg"].sum())  # type: ignore[union-attr]
        of, unit = (", for a kilo of char" if column == "per_kg_char" else ", for a kilo sold"), f"{unit}/kg"
    named = [str(k) if account == VILLAGES else again.label(int(str(k))) for k in by.index]
    parts = tuple(Part(f"{name}{of}", float(v) / over) for name, v in zip(named, by, strict=True))
    return Found(words, unit, parts, figures)


def _balance(again: Again, label: str) -> Found:
    ledger, week = again.money.ledger, again.week_of(label)
    cash = ledger[ledger["in_cash"] & (ledger["cash_week"] <= week)]
    sums = cash.groupby(["account", "part"])["cents"].sum() / 100
    parts = [Part(f"{account}: {part}, up to {label}", float(v)) for (account, part), v in sums.items()]
    opening = again.settings.money.opening_cash
    return Found(
        "Cash in hand before the season and all that came in and went out up to the end of the week.",
        again.money.currency, (Part("money.opening_cash", opening), *parts) if opening else tuple(parts), ("money.",),
    )  # fmt: skip


def _money_of_village(again: Again, village: str, name: str) -> Found:
    money, works = again.money, again.works
    row = money.villages.loc[village]
    ledger = money.ledger[(money.ledger["account"] == VILLAGES) & money.ledger["in_margin"]]
    own = ledger[ledger["village"] == village].groupby("part")["cents"].sum() / 100
    here = works.site_weeks[works.site_weeks["village"] == village]
    cur = money.currency
    all_parts = tuple(Part(str(part), float(v)) for part, v in own.items())
    hours = again.settings.fleet.hours_a_day
    shared = tuple(Part(k, float(row[k])) for k in ("wages", "margin"))
    found = {
        "char_kg": Found(
            "Char of its places.", "kg",
            tuple(Part(str(s), float(v)) for s, v in here.groupby("site_id")["char_kg"].sum().items()),
            again.of_residues("char_yield"),
        ),
        "income": Found("Char sold.", cur, tuple(p for p in all_parts if p.words == "char sold"),
                         ("money.char_value_per_kg",)),
        "costs": Found("All parts but the char sold.", cur,
                        tuple(Part(p.words, -p.amount) for p in all_parts if p.words != "char sold"), ("money.",)),
        "margin": Found("All parts of its account.", cur, all_parts, ("money.",)),
        "wages": Found("Tending and carrying, hire counted.", cur,
                        tuple(Part(p.words, -p.amount) for p in all_parts if p.words in ("tending", "carrying")),
                        ("money.wage_per_h",)),
        "work_days": Found(
            "Hours of tenders and carriers over the hours of a day.", "days",
            tuple(Part(k, float(here[k].sum()) / hours) for k in ("tender_h", "carry_h")), ("barrel.",),
        ),
        "households": Found(
            f"Fields that give residue to its places over fields of a household "
            f"({again.settings.money.fields_a_household:g}), in whole households.", "households",
            (Part("households", float(row["households"])),),
        ),
        "per_household": Found("Wages and what is left over, by household.", cur,
                                tuple(Part(f"{p.words}, a household", p.amount / row["households"]) for p in shared)
                                if row["households"] > 0 else ()),
        "per_work_day": Found("Wages and what is left over, by day of work.", cur,
                               tuple(Part(f"{p.words}, a day", p.amount / row["work_days"]) for p in shared)
                               if row["work_days"] > 0 else ()),
    }  # fmt: skip
    return found[name]


# --- workshop ---------------------------------------------------------------------------------------------------------


def of_workshop(again: Again, path: list[str]) -> Found:
    """A figure of the workshop: presses of a kind, or a column of one of its weeks."""
    shop = again.works.workshop
    assert shop is not None
    if path[0] == "presses":
        count = next((float(p.count) for p in shop.presses if p.kind == path[1]), 0.0)
        given = bool(again.settings.works.presses)
        words = "Presses at hand, as the season says (works.presses)." if given else (
            "The cheapest whole number of presses that finish in time: a season's share of their price and the wages "
            "of pressing, for the kilos of the fullest stretch of weeks."
        )  # fmt: skip
        figures = ("works.press.", "money.press_price.", "money.press_life_seasons", "money.wage_per_h")
        return Found(words, "presses", (Part(path[1], count),), figures)
    return _of_shop_week(again, again.week_of(path[1]), path[2])


def _of_shop_week(again: Again, week: int, name: str) -> Found:
    """A figure of the workshop's week, from the week before and the same week's other figures."""
    shop, v = again.works.workshop, again.values
    assert shop is not None
    w = shop.weeks.loc[week]
    stocks = ("char_resting_kg", "char_store_kg", "drying_kg", "stock_kg")
    before = {k: float(shop.weeks.at[week - 1, k]) if week > 0 else 0.0 for k in stocks}
    rested = before["char_resting_kg"] + w["char_in_kg"] - w["char_resting_kg"]
    per = briquettes_per_char(v)

    def figure(part: str) -> str:
        return f"works.{part}"

    def times(of: str, by: str, unit: str, words: str, divide: bool = False) -> Found:
        factor = v[figure(by)]
        amount = float(w[of]) / factor if divide else float(w[of]) * factor
        sign = "over" if divide else "times"
        return Found(words, unit, (Part(f"{of} {float(w[of]):,.6g} {sign} {factor:g}", amount),), (figure(by),))

    recipe = tuple(map(figure, ("flour.per_char", "flour.moisture", "crush.loss_share", "briquette.moisture")))
    here = again.works.site_weeks[again.works.site_weeks["week"] == week]
    crush, mix, dry, pack = ("crush.kg_per_h", "mix.kg_per_h", "dry.kg_per_h", "pack.kg_per_h")
    people = sum(p.count * p.people for p in shop.presses)
    found = {
        "char_in_kg": lambda: Found(
            "Char that comes from the places.", "kg",
            tuple(Part(str(s), float(kg)) for s, kg in zip(here["site_id"], here["char_kg"], strict=True)),
            again.of_residues("char_yield"),
        ),
        "char_resting_kg": lambda: Found(
            "Char that still cools at the week's end; it leaves as its days are over.", "kg",
            (Part("last week's", before["char_resting_kg"]), Part("came in", float(w["char_in_kg"])),
             Part("cooled", -float(rested))), (figure("store.cooling_days"),),
        ),
        "char_store_kg": lambda: Found(
            "Cooled char that waits for the presses.", "kg",
            (Part("last week's", before["char_store_kg"]), Part("cooled", float(rested)),
             Part("used", -float(w["char_used_kg"]))),
        ),
        "store_m2": lambda: Found(
            "Char cooling and waiting, over what a square metre holds.", "m2",
            tuple(Part(k, float(w[k]) / v[figure("store.kg_per_m2")]) for k in ("char_resting_kg", "char_store_kg")),
            (figure("store.kg_per_m2"),),
        ),
        "char_used_kg": lambda: Found(
            "The lesser of the cooled char and what the presses can take in the week.", "kg",
            (Part("cooled and waiting", before["char_store_kg"] + float(rested)),
             Part("not taken by the presses", -float(w["char_store_kg"]))),
            ("works.press.", *recipe),
        ),
        "crush_loss_kg": lambda: times("char_used_kg", "crush.loss_share", "kg", "Dust and unburnt ends."),
        "crush_kg": lambda: Found(
            "Char that kept its shape, by its share of the season's char.", "kg",
            (Part("char used times that share", float(w["crush_kg"])),), again.of_residues("char_form"),
        ),
        "mix_kg": lambda: Found(
            "Char used less what is lost.", "kg",
            (Part("used", float(w["char_used_kg"])), Part("lost", -float(w["crush_loss_kg"]))),
        ),
        "flour_kg": lambda: times("mix_kg", "flour.per_char", "kg", "Flour for the char mixed."),
        "water_l": lambda: times("mix_kg", "mix.water_l_per_kg", "l", "Water for the char mixed."),
        "pressed_kg": lambda: Found(
            "Briquettes at their final moisture from the char used.", "kg",
            (Part(f"char used {w['char_used_kg']:,.6g} kg times {per:.5g} kg a kilo", float(w["char_used_kg"]) * per),),
            recipe,
        ),
        "press_h": lambda: Found(
            "Kilos pressed over what all presses make in an hour.", "h",
            (Part("hours", float(w["press_h"])),), ("works.press.",),
        ),
        "drying_kg": lambda: Found(
            "Briquettes on the drying floor at the week's end.", "kg",
            (Part("last week's", before["drying_kg"]), Part("pressed", float(w["pressed_kg"])),
             Part("dried", -float(w["dried_kg"]))), (figure("dry.days"),),
        ),
        "floor_m2": lambda: Found(
            "Briquettes that lie to dry at once in the week, over what a square metre holds.", "m2",
            (Part(f"{w['floor_m2'] * v[figure('dry.kg_per_m2')]:,.6g} kg at once", float(w["floor_m2"])),),
            (figure("dry.kg_per_m2"), figure("dry.days")),
        ),
        "dried_kg": lambda: Found(
            "Briquettes whose days of drying are over in this week.", "kg",
            (Part("last week's on the floor", before["drying_kg"]), Part("pressed", float(w["pressed_kg"])),
             Part("still drying", -float(w["drying_kg"]))), (figure("dry.days"),),
        ),
        "stock_kg": lambda: Found(
            "Briquettes dried and not sold.", "kg",
            (Part("last week's", before["stock_kg"]), Part("dried", float(w["dried_kg"])),
             Part("sold", -float(w["sold_kg"]))),
        ),
        "sold_kg": lambda: Found(
            "All that is dry, as far as the market takes it (works.sales_kg_a_week).", "kg",
            (Part("last week's stock", before["stock_kg"]), Part("dried", float(w["dried_kg"])),
             Part("left in stock", -float(w["stock_kg"]))),
        ),
        "bags": lambda: Found(
            "Briquettes dried over the kilos of a bag, in whole bags.", "bags",
            (Part(f"{w['dried_kg']:,.6g} kg dried", float(w["dried_kg"]) / v[figure("pack.bag_kg")]),),
            (figure("pack.bag_kg"),), float(math.ceil(w["dried_kg"] / v[figure("pack.bag_kg")] - 1e-9)),
        ),
        "power_kwh": lambda: Found(
            "Hours of pressing times the power of all presses.", "kWh",
            tuple(Part(f"{p.count} {p.kind.replace('_', ' ')}", float(w["press_h"]) * p.count * p.power_kw)
                  for p in shop.presses), ("works.press.",),
        ),
        "work_h": lambda: Found(
            "Hours of people: pressing, crushing, mixing, drying, packing.", "h",
            (Part("pressing", float(w["press_h"]) * people), Part("crushing", float(w["crush_kg"]) / v[figure(crush)]),
             Part("mixing", float(w["mix_kg"]) / v[figure(mix)]),
             Part("drying", float(w["pressed_kg"]) / v[figure(dry)]),
             Part("packing", float(w["dried_kg"]) / v[figure(pack)])),
            (figure(crush), figure(mix), figure(dry), figure(pack), "works.press."),
        ),
    }  # fmt: skip

    return found[name]()
