"""Where any figure of a plan's record comes from: money, workshop, air and chances too, reckoned again from the record.

Figures of totals, villages, sites and the trade are traced by :mod:`sourcing.season.trace`. For the rest the rooms that
made them are run once more on nothing but the record, and what comes out stands beside what was recorded. Chances and
prices are told and not drawn again: they need every lot of the season, which the record leaves to the inputs kept
beside it.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from sourcing.errors import UsageError
from sourcing.season.again import Again, Found
from sourcing.season.climate import season_climate
from sourcing.season.ledgertrace import of_money, of_workshop
from sourcing.season.trace import Part, Record, Trace, inputs_of, recorded_values, trace
from sourcing.weeks import Calendar

SECTIONS = ("solve", "money", "workshop", "climate", "chances", "prices")
_NEAREST = 5


def whence(record: Record, figure: str, again: Again | None = None) -> Trace:
    """Where `figure` of a plan's record comes from. Raises UsageError, naming the nearest names, when there is none.

    `again`: the record's rooms run once more, for who asks for many figures of one record.
    """
    head = figure.partition(".")[0]
    if head not in SECTIONS:
        try:
            return trace(record, figure)
        except UsageError as exc:
            raise UsageError(f"{exc}. {_more(record)}") from None
    known = dict(_leaves(record, head))
    if figure not in known:
        near = difflib.get_close_matches(figure, known, n=_NEAREST, cutoff=0.3)
        told = f"; near it: {', '.join(near)}" if near else f": this plan has no {head}"
        raise UsageError(f"nothing is known of '{figure}'{told}")
    found = _EXPLAINED[head](again or Again(record), figure.split(".", 1)[1].split("."))
    used = {row["name"]: row for row in record["values_used"]}
    values = recorded_values(record)
    names = sorted(n for n in used if any(n == p or (p.endswith(".") and n.startswith(p)) for p in found.figures))
    parts = tuple(sorted(found.parts, key=lambda p: -abs(p.amount)))
    reckoned = found.reckoned if found.reckoned is not None else sum(p.amount for p in parts)
    value = float(known[figure])
    return Trace(
        figure, value, found.unit, found.words, parts, reckoned if parts or found.reckoned is not None else value,
        tuple(values.figure(n) for n in names), inputs_of(record),
    )  # fmt: skip


def figure_names(record: Record) -> tuple[str, ...]:
    """Names of all figures of the sections that this room explains, in the order of the record."""
    return tuple(name for head in SECTIONS for name, _ in _leaves(record, head))


def _more(record: Record) -> str:
    """What this room explains besides, in one sentence: of each section how many figures, and one of them."""
    found = {head: [name for name, _ in _leaves(record, head)] for head in SECTIONS}
    told = (f"{head}.… ({len(names)}, such as {names[0]})" for head, names in found.items() if names)
    return f"There are too: {'; '.join(told)}"


def _leaves(record: Record, head: str) -> Iterator[tuple[str, float]]:
    """Every number of a section with its name; rows of lists go by what they are rows of."""
    section = record.get(head)
    if section:
        yield from _walk(Again(record).calendar, head, section)


def _walk(calendar: Calendar, path: str, node: Any) -> Iterator[tuple[str, float]]:
    if isinstance(node, Mapping):
        for key, inner in node.items():
            yield from _walk(calendar, f"{path}.{key}", inner)
    elif isinstance(node, list):
        for at, inner in enumerate(node):
            if isinstance(inner, Mapping):
                own = {k: v for k, v in inner.items() if k not in ("account", "part", "week", "kind")}
                yield from _walk(calendar, f"{path}.{_row_name(inner, at)}", own)
            elif isinstance(inner, int | float):
                yield f"{path}.{calendar.label(at)}", inner
    elif isinstance(node, int | float) and not isinstance(node, bool):
        yield path, node


def _row_name(row: Mapping[str, Any], at: int) -> str:
    if "part" in row:
        return f"{row['account']}.{str(row['part']).replace(' ', '_')}"
    if "about" in row:  # what one more would earn
        told = (str(row[k]).replace(" ", "_") for k in ("kind", "village", "about", "first_week") if row[k])
        return ".".join(told)
    return str(row.get("week", row.get("kind", at)))


# --- the proof -------------------------------------------------------------------------------------------------------

_PROOF = MappingProxyType({
    "value": "What the plan was looked for, in the unit of solve.goal.",
    "bound": "The optimiser's proven bound: no plan of this season and these settings can be worth more, or cost less.",
    "gap": "How far the bound lies from the plan, over what the plan is worth.",
    "seconds": "How long the search took.",
})  # fmt: skip


def _of_solve(again: Again, path: list[str]) -> Found:
    """How good the plan is proven to be; only the gap follows from the record, the rest is the search's own."""
    (name,) = path
    solve = again.record["solve"]
    goal = again.settings.season.currency if solve["goal"] in ("margin", "clear") else "kg"
    if name != "gap":
        return Found(_PROOF[name], "s" if name == "seconds" else goal)
    value, bound = float(solve["value"]), float(solve["bound"])
    parts = (Part(f"solve.bound, {goal}", bound), Part(f"solve.value, {goal}", value))
    reckoned = abs(bound - value) / abs(value) if value else float(solve["gap"])
    return Found(_PROOF[name], "share", parts, reckoned=reckoned)


# --- air --------------------------------------------------------------------------------------------------------------

_AIR: Mapping[str, tuple[str, tuple[str, ...]]] = MappingProxyType({
    "char_kg": ("Char of all batches.", ()),
    "char_ncv_mj_kg": (
        "Net calorific value as burnt: heating values of the residues' char, with flour where it is pressed, less what "
        "hydrogen and water take (form of ISO 18125).",
        ("climate.char.", "climate.net.", "climate.flour."),
    ),
    "energy_gj": (
        "Kilos as burnt times their net calorific value.", ("climate.char.", "climate.net.", "climate.flour.")
    ),
    "meals": ("Char over what cooks a meal.", ("climate.meal.char_kg",)),
    "firewood_kg": (
        "Firewood that cooks the same food: energy times the char stove's efficiency over the wood stove's and the "
        "wood's heat.", ("climate.stove.", "climate.firewood."),
    ),
    "charcoal_kg": (
        "Charcoal that cooks the same food: energy times the char stove's efficiency over the other stove's and its "
        "heat.", ("climate.stove.", "climate.charcoal."),
    ),
    "open_burning_avoided": (
        "Residue that would have burnt in the field: mass, combustion factor and emission factors of methane and "
        "nitrous oxide (IPCC 2006 Volume 4), times the warming potentials.", ("climate.open.", "climate.gwp."),
    ),
    "fuel_displaced": (
        "What the displaced fuel would have given off: energy and emission factors (IPCC 2006 Volume 2), wood that "
        "grows again not counted.", ("climate.firewood.", "climate.charcoal.", "climate.gwp."),
    ),
    "barrels_own": (
        "What the barrels give off: char times the factors of their kind of kiln and of the feed's moisture.",
        ("climate.kiln.", "climate.feed.", "climate.gwp."),
    ),
    "power": ("Kilowatt-hours of the presses times the grid's factor.", ("climate.power.co2e_kg_kwh",)),
    "net": (
        "Avoided and displaced less the barrels' own and power; the low end joins little avoided and much given off.",
        (),
    ),
    "co_avoided": ("Carbon monoxide of burning in the field.", ("climate.open.",)),
    "co_own": ("Carbon monoxide of the barrels.", ("climate.kiln.", "climate.feed.")),
    "particles_avoided": ("Fine particles of burning in the field.", ("climate.open.",)),
    "particles_own": ("Particles of the barrels.", ("climate.kiln.", "climate.feed.")),
})  # fmt: skip
_OTHER_END = MappingProxyType({"low": "high", "likely": "likely", "high": "low"})


def _said(name: str) -> str:
    return name.replace("_", " ")


def _of_climate(again: Again, path: list[str]) -> Found:
    table, name, end = path
    words, figures = _AIR[name]
    whole = {"energy": again.climate.energy, "warming": again.climate.warming, "smoke": again.climate.smoke}[table]
    reckoned, unit = float(whole.at[name, end]), str(whole.at[name, "unit"])
    if name == "net":
        other = _OTHER_END[end]
        spared = (
            Part(f"{_said(k)}, {end}", float(whole.at[k, end])) for k in ("open_burning_avoided", "fuel_displaced")
        )
        given = (Part(f"{_said(k)}, {other}", -float(whole.at[k, other])) for k in ("barrels_own", "power"))
        return Found(words, unit, (*spared, *given))
    if name in ("char_ncv_mj_kg", "fuel_displaced", "power"):
        return Found(words, unit, (Part(f"{_said(name)}, {end}", reckoned),),
                      (*figures, *again.of_residues("char_hhv_mj_kg")))  # fmt: skip
    parts = []
    for (crop, residue), rows in again.works.batches.groupby(["crop", "residue"], observed=True):
        alone = season_climate(replace(again.works, batches=rows, workshop=None), again.settings, again.values)
        own = {"energy": alone.energy, "warming": alone.warming, "smoke": alone.smoke}[table]
        parts.append(Part(_said(f"{crop} {residue}"), float(own.at[name, end])))
    rest = reckoned - sum(p.amount for p in parts)
    if abs(rest) > 1e-9 * max(1.0, abs(reckoned)):
        parts.append(Part("flour in briquettes, and what is lost in crushing", rest))
    return Found(words, unit, tuple(parts), (*figures, *again.of_residues("char_yield", "moisture_ready")))


# --- chances ----------------------------------------------------------------------------------------------------------


def _of_chances(again: Again, path: list[str]) -> Found:
    record, stress = again.record["chances"], again.settings.stress
    cur, figures = again.settings.season.currency, ("stress.", *again.of_residues("char_yield"))
    drawn = (
        f" of {record['replays']} replays of the season (seed {stress.seed}), the placement held, with "
        f"{', '.join(record['causes'])} let differ; drawn again by planning from the inputs kept beside the plan."
    )
    if path == ["replays"]:
        return Found(
            "Replays of the season (stress.replays).", "replays", (Part("stress.replays", float(stress.replays)),)
        )
    name = path[-1]
    if path[0] == "season":
        what, unit = path[1], "kg" if path[1].endswith("_kg") else cur
        if name == "plan":
            return Found("As planned, reckoned without any replay.", unit, _as_planned(again, what), figures)
        said = "Mean" if name == "mean" else f"{name[1:]} in a hundred lie below: percentile"
        return Found(f"{said}{drawn}", unit, (), figures)
    if path[0] == "by_cause":
        words = {
            "char_spread": "Char between the lowest and the highest tenth when this cause alone differs.",
            "margin_spread": "What is left between the lowest and the highest tenth when this cause alone differs.",
            "share": "Share of the variance of the char, over all causes one by one.",
        }[name]
        unit = {"char_spread": "kg", "margin_spread": cur, "share": "share"}[name]
        return Found(f"{words} From a part{drawn}", unit, (), ("stress.",))
    if name == "chance":
        asked = "the lesser of fleet.several and the barrels that stand"
        return Found(
            f"Chance that {asked} are busy to fleet.busy_floor, over the place's weeks: share{drawn} Firm from "
            f"{stress.firm:g}, likely from {stress.likely:g} on.", "share", (), figures,
        )  # fmt: skip
    unit = cur if name.startswith("margin") else "kg"
    return Found(f"{name.rsplit('p', 1)[1]} in a hundred lie below: percentile{drawn}", unit, (), figures)


def _as_planned(again: Again, what: str) -> tuple[Part, ...]:
    if what == "margin":
        return tuple(Part(str(v), float(m)) for v, m in again.money.villages["margin"].items())
    by = again.works.batches.groupby(["crop", "residue"], observed=True)[what].sum()
    return tuple(Part(_said(f"{c} {r}"), float(kg)) for (c, r), kg in by.items())


def _of_prices(again: Again, path: list[str]) -> Found:
    """What one more of something would earn: told, since only the whole question gives it."""
    unit = str(again.record["prices"]["unit"])
    if path[-1] == "weeks":
        return Found("Weeks for which one price is told.", "weeks")
    if path[-1] == "amount":
        return Found("How much more of it the price is for.", "")
    return Found(
        "Drawn from the optimiser's relaxation given the plan's places: what a little more would be worth, barrels "
        "counted as divisible. `sourcing weigh` draws it again.", unit,
    )  # fmt: skip


_EXPLAINED = MappingProxyType({
    "solve": _of_solve, "money": of_money, "workshop": of_workshop, "climate": _of_climate, "chances": _of_chances,
    "prices": _of_prices,
})  # fmt: skip
