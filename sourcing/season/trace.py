"""Where a figure of a plan comes from: reckoned again from the plan's own record, part by part, down to its sources.

Names are those of plan.json: `totals.char_kg`, `village.ID.residue_kg`, `site.ID.barrel_weeks`, or a figure of the
trade such as `crop.cotton.stalk.char_yield`. Nothing but the record is read, so a plan can be traced long after its
season's files have changed.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from sourcing.carrying.haul import haul_cost_per_kg
from sourcing.errors import UsageError
from sourcing.season.barrel import barrel_rates, crew_week_h
from sourcing.season.problem import days_of_week
from sourcing.season.works import village_arrivals
from sourcing.settings import Settings, settings_from
from sourcing.values import Figure, Values

Record = Mapping[str, Any]
_MOST_PARTS = 12
_CARRY = ["field", "site", "crop", "residue", "week", "mass_kg", "distance_m", "mode", "loads", "carry_h", "cost"]
_SLACK = 1e-3
"""Share by which a figure reckoned again may differ from the record, whose carries are rounded."""


@dataclass(frozen=True)
class Part:
    """One term of a figure."""

    words: str
    amount: float
    """Signed, in the figure's unit."""


@dataclass(frozen=True)
class Trace:
    """A figure of a plan and all that it follows from."""

    figure: str
    value: float
    unit: str
    words: str
    """How it is reckoned, in one sentence."""
    parts: tuple[Part, ...]
    """The terms, largest first; they sum to the figure unless it is a mean or a count."""
    reckoned: float
    """The figure reckoned again from the parts."""
    figures: tuple[Figure, ...]
    """Figures of the trade that enter."""
    inputs: tuple[str, ...]
    """The files it was surveyed in, with the first part of their SHA-256."""

    @property
    def agrees(self) -> bool:
        """Whether the figure reckoned again is the one recorded."""
        return abs(self.reckoned - self.value) <= _SLACK * max(1.0, abs(self.value))

    def lines(self) -> list[str]:
        """The trace in plain lines."""
        out = [f"{self.figure} = {_shown(self.value)} {self.unit}", f"  {self.words}"]
        shown = self.parts[:_MOST_PARTS]
        out += [f"    {_shown(part.amount):>14}  {part.words}" for part in shown]
        rest = self.parts[_MOST_PARTS:]
        if rest:
            out.append(f"    {_shown(sum(p.amount for p in rest)):>14}  {len(rest)} smaller ones together")
        if self.parts:
            told = "as recorded" if self.agrees else f"but the record says {_shown(self.value)}"
            out.append(f"    {_shown(self.reckoned):>14}  reckoned again, {told}")
        for f in self.figures:
            span = "" if f.low == f.high else f" ({f.low:g} to {f.high:g})"
            source = f", {f.source}" + (f", {f.place}" if f.place else "") if f.source else ""
            out.append(f"  with {f.name} = {f.likely:g}{span} {f.unit}: {f.standing}{source}")
        out += [f"  from {name}" for name in self.inputs]
        return out


def trace(record: Record, figure: str) -> Trace:
    """Where `figure` of a plan's record comes from. Raises UsageError, naming the nearest names, when there is none."""
    used = {row["name"]: row for row in record["values_used"]}
    if figure in used:
        found = _figure(used[figure])
        words = "A figure of the trade" + (", set by this season." if found.overridden else ".")
        return Trace(figure, found.likely, found.unit, words, (), found.likely, (found,), ())
    scope, name = _scope(record, figure)
    kind = _KINDS.get(name)
    value = scope.row.get(name)
    if kind is None or not isinstance(value, int | float) or isinstance(value, bool):
        known = [f"totals.{n}" for n in record["totals"] if n in _KINDS]
        near = difflib.get_close_matches(figure, [*known, *used], n=3, cutoff=0.5)
        raise UsageError(
            f"nothing is known of '{figure}'"
            + (f"; near it: {', '.join(near)}" if near else "")
            + ". There are totals.NAME, village.ID.NAME and site.ID.NAME, with NAME one of "
            + f"{', '.join(sorted(_KINDS))}, and every figure of the trade under values_used"
        )
    parts = sorted(kind.parts(scope), key=lambda p: -abs(p.amount))
    reckoned = kind.total(scope, parts)
    patterns = kind.figures(scope)
    names = [n for n in used if any(_matches(n, pattern) for pattern in patterns)]
    return Trace(
        figure, float(value), kind.unit(scope), kind.words, tuple(parts), reckoned,
        tuple(_figure(used[n]) for n in sorted(names)), inputs_of(record),
    )  # fmt: skip


def inputs_of(record: Record) -> tuple[str, ...]:
    """The files of a record, each once, with the first part of their SHA-256."""
    return tuple(dict.fromkeys(f"{row['path']} (sha256 {str(row['sha256'])[:12]}…)" for row in record["inputs"]))


@dataclass(frozen=True)
class _Scope:
    """The part of a record that a figure is about."""

    record: Record
    row: Mapping[str, Any]
    carries: pd.DataFrame
    sites: tuple[Mapping[str, Any], ...]

    @property
    def settings(self) -> Settings:
        """The season's settings as recorded."""
        return settings_from(dict(self.record["settings"]))

    def pairs(self) -> list[tuple[str, str]]:
        """The residues carried, in order."""
        kinds = self.carries[["crop", "residue"]].drop_duplicates().sort_values(["crop", "residue"])
        return [(str(c), str(r)) for c, r in kinds.itertuples(index=False)]

    def rates(self) -> pd.DataFrame:
        """What a kilo takes and gives at the barrels, from the recorded figures."""
        settings = self.settings
        return barrel_rates(self.pairs(), settings, self.values(), settings.supply.estimate)[0]

    def values(self) -> Values:
        """The figures of the trade as recorded; those that no part of the plan used are the package's own."""
        return recorded_values(self.record)

    def value(self, name: str) -> float:
        """A recorded figure of the trade."""
        return float(next(row["value"] for row in self.record["values_used"] if row["name"] == name))


def recorded_values(record: Record) -> Values:
    """The figures of the trade of a record; those that no part of the plan used are the package's own."""
    known = Values.load()
    figures = dict(known.figures) | {row["name"]: _figure(row) for row in record["values_used"]}
    return replace(known, figures=MappingProxyType(figures))


@dataclass(frozen=True)
class _Kind:
    """How one named figure is reckoned."""

    words: str
    unit: Callable[[_Scope], str]
    parts: Callable[[_Scope], list[Part]]
    figures: Callable[[_Scope], list[str]]
    total: Callable[[_Scope, list[Part]], float] = lambda _scope, parts: sum(p.amount for p in parts)


def _scope(record: Record, figure: str) -> tuple[_Scope, str]:
    head, _, rest = figure.partition(".")
    identity, _, name = rest.rpartition(".")
    carries = pd.DataFrame(record["carries"], columns=_CARRY)
    sites = tuple(record["sites"])
    if head == "totals":
        return _Scope(record, record["totals"], carries, sites), rest
    if head in ("village", "site"):
        rows = {str(row["id"]): row for row in record[f"{head}s"]}
        if identity in rows:
            key = "village" if head == "village" else "id"
            here = tuple(s for s in sites if str(s[key]) == identity)
            at = carries[carries["site"].isin([s["id"] for s in here])]
            return _Scope(record, rows[identity], at, here), name
    return _Scope(record, {}, carries, sites), figure


def _figure(row: Mapping[str, Any]) -> Figure:
    return Figure(
        row["name"], float(row["low"]), float(row["value"]), float(row["high"]), row["unit"], "", row["source"],
        row["place"], row["standing"], "", bool(row["overridden"]),
    )  # fmt: skip


def _matches(name: str, pattern: str) -> bool:
    return name == pattern or (pattern.endswith(".") and name.startswith(pattern))


def _said(crop: object, residue: object) -> str:
    return f"{crop} {residue}".replace("_", " ")


def _residue(scope: _Scope) -> list[Part]:
    grouped = scope.carries.groupby(["crop", "residue"]).agg(kg=("mass_kg", "sum"), fields=("field", "nunique"))
    return [Part(f"{_said(c, r)} from {row.fields} fields", float(row.kg)) for (c, r), row in _rows(grouped)]


def _char(scope: _Scope) -> list[Part]:
    kilos = scope.carries.groupby(["crop", "residue"])["mass_kg"].sum()
    rates = scope.rates()["char_kg_per_kg"]
    return [
        Part(
            f"{_said(c, r)}: {_shown(float(kg))} kg dry, times {rates[(c, r)]:g} kg char a kg",
            float(kg * rates[(c, r)]),
        )
        for (c, r), kg in kilos.items()
    ]


def _by_mode(column: str) -> Callable[[_Scope], list[Part]]:
    def parts(scope: _Scope) -> list[Part]:
        grouped = scope.carries.groupby("mode").agg(sum=(column, "sum"), loads=("loads", "sum"))
        return [
            Part(f"{str(m).replace('_', ' ')}, {int(row.loads)} loads", float(row.sum)) for m, row in _rows(grouped)
        ]

    return parts


def _km(scope: _Scope) -> list[Part]:
    both_ways = scope.carries["loads"] * scope.carries["distance_m"] * 2 / 1000
    by_mode = both_ways.groupby(scope.carries["mode"]).sum()
    return [Part(f"{str(mode).replace('_', ' ')}, there and back", float(km)) for mode, km in by_mode.items()]


def _mean_m(scope: _Scope) -> list[Part]:
    c = scope.carries
    total = float(c["mass_kg"].sum())
    share = (c["mass_kg"] * c["distance_m"]).groupby(c["site"]).sum()
    kilos = c.groupby("site")["mass_kg"].sum()
    return [
        Part(f"{_shown(float(kilos[site]))} kg to {site} over {_shown(metres / kilos[site])} m", float(metres) / total)
        for site, metres in share.items()
        if kilos[site] > 0
    ]


def _site_sum(reckon: Callable[[Mapping[str, Any], Settings], float]) -> Callable[[_Scope], list[Part]]:
    def parts(scope: _Scope) -> list[Part]:
        settings = scope.settings
        found = [Part(f"{s['id']} in {s['village']}", reckon(s, settings)) for s in scope.sites]
        return [part for part in found if part.amount]

    return parts


def _several(site: Mapping[str, Any], settings: Settings) -> float:
    pairs = zip(site["barrels_by_week"], site["busy_by_week"], strict=True)
    return float(sum(b >= settings.fleet.several and busy >= settings.fleet.busy_floor - _SLACK for b, busy in pairs))


def _margin(scope: _Scope) -> list[Part]:
    kilos = scope.carries.groupby(["crop", "residue"])["mass_kg"].sum()
    rates = scope.rates()
    char = float((kilos * rates["char_kg_per_kg"]).sum())
    price, week, opening = (
        scope.value(f"money.{n}") for n in ("char_value_per_kg", "barrel_week_cost", "site_open_cost")
    )
    stood = sum(sum(s["barrels_by_week"]) for s in scope.sites)
    worked = "tenders' wages, wear, water" if scope.settings.works.crew_paid == "by_kilo" else "wear, water"
    return [
        *_moves_and_villages(scope),
        *_crews(scope),
        Part(f"{_shown(char)} kg of char at {price:g} a kg", char * price),
        Part(f"work at the barrels: {worked}", -float((kilos * rates["work_cost_per_kg"]).sum())),
        Part(f"carrying {_shown(float(scope.carries['carry_h'].sum()))} h", -float(scope.carries["cost"].sum())),
        Part(f"{stood} barrel-weeks at {week:g}", -stood * week),
        Part(f"{len(scope.sites)} sites opened at {opening:g}", -len(scope.sites) * opening),
    ]


def _crews(scope: _Scope) -> list[Part]:
    """Tenders, where they are paid for every week in which a site has a barrel."""
    settings = scope.settings
    if settings.works.crew_paid == "by_kilo":
        return []
    week_h = np.array([days_of_week(w, settings.fleet) * settings.fleet.hours_a_day for w in scope.record["weeks"]])
    there = np.array([s["barrels_by_week"] for s in scope.sites]).reshape(-1, len(week_h)) > 0
    hours = float((there @ crew_week_h(week_h, settings)).sum())
    return [
        Part(f"crews at sites for {there.sum()} weeks, {_shown(hours)} h", -hours * scope.value("money.wage_per_h"))
    ]


def _moves_and_villages(scope: _Scope) -> list[Part]:
    """Moves of barrels and deploying to villages, where the season charges them."""
    settings, parts = scope.settings, []
    weeks = pd.DataFrame(
        [(s["id"], s["village"], w, b) for s in scope.sites for w, b in enumerate(s["barrels_by_week"]) if b > 0],
        columns=["site_id", "village", "week", "barrels"],
    )
    if settings.moves.charge:
        near, far = scope.value("money.barrel_move_cost"), scope.value("money.barrel_village_move_cost")
        came = sum(max(0, b - a) for s in scope.sites for a, b in pairwise([0, *s["barrels_by_week"]]))
        entered = int(village_arrivals(weeks)["barrels"].sum())
        parts = [
            Part(f"{came} barrels brought to sites at {near:g}", -came * near),
            Part(f"{entered} barrels brought into villages at {far:g}", -entered * far),
        ]
    if settings.works.limits_plan:
        char, metres = (np.array([float(s[name]) for s in scope.sites]) for name in ("char_kg", "haul_m"))
        cost = float((char * haul_cost_per_kg(metres, settings, scope.values())).sum())
        parts.append(Part(f"hauling {_shown(char.sum())} kg of char to the workshop", -cost))
    if settings.villages.charge:
        each, count = scope.value("money.village_deploy_cost"), weeks["village"].nunique()
        parts.append(Part(f"{count} villages at {each:g}", -count * each))
    return parts


def _rows(frame: pd.DataFrame) -> list[tuple[Any, Any]]:
    return list(zip(frame.index, frame.itertuples(index=False), strict=True))


def _villages(scope: _Scope) -> list[Part]:
    kept = sorted({str(s["village"]) for s in scope.sites if any(s["barrels_by_week"])})
    return [Part(village, 1.0) for village in kept]


def _fullest_week(scope: _Scope) -> list[Part]:
    weeks = scope.record["weeks"]
    totals = [sum(s["barrels_by_week"][week] for s in scope.sites) for week in range(len(weeks))]
    if not totals or max(totals) == 0:
        return []
    full = totals.index(max(totals))
    return [
        Part(f"{s['id']} in {weeks[full]}", float(s["barrels_by_week"][full]))
        for s in scope.sites
        if s["barrels_by_week"][full]
    ]


def _unit(unit: str) -> Callable[[_Scope], str]:
    return lambda _scope: unit


def _currency(scope: _Scope) -> str:
    return scope.settings.season.currency


def _supply_figures(scope: _Scope) -> list[str]:
    return [
        "supply.",
        *(f"crop.{c}.{r}." for c, r in scope.pairs()),
        *(f"crop.{c}.yield_t_ha" for c, _ in scope.pairs()),
    ]


def _char_figures(scope: _Scope) -> list[str]:
    return [f"crop.{c}.{r}.char_yield" for c, r in scope.pairs()]


def _carry_figures(scope: _Scope) -> list[str]:
    modes = sorted(set(scope.carries["mode"].astype(str)))
    return ["money.wage_per_h", *(f"carry.{mode}." for mode in modes)]


def _margin_figures(scope: _Scope) -> list[str]:
    rest = ["money.", "barrel.", *(f"crop.{c}.{r}.barrel_load_wet_kg" for c, r in scope.pairs())]
    return [*rest, *_char_figures(scope), *_carry_figures(scope)]


def _none(_scope: _Scope) -> list[str]:
    return []


def _no_parts(_scope: _Scope) -> list[Part]:
    return []


def _free(scope: _Scope) -> list[Part]:
    return [Part(str(v["id"]), float(v["residue_free_kg"])) for v in scope.record["villages"]]


_BARREL_WEEKS = _site_sum(lambda site, _settings: float(sum(site["barrels_by_week"])))
_BUSY = _site_sum(
    lambda site, _settings: float(
        sum(b * busy for b, busy in zip(site["barrels_by_week"], site["busy_by_week"], strict=True))
    )
)

_KINDS: Mapping[str, _Kind] = MappingProxyType(
    {
        "residue_kg": _Kind(
            "Dry residue carried and charred: the kilos of every carry, after what is lost while it waits.",
            _unit("kg"), _residue, _supply_figures,
        ),
        "char_kg": _Kind(
            "Dry residue charred times the char yield of its kind.", _unit("kg"), _char, _char_figures
        ),
        "loads": _Kind("Whole loads of every carry.", _unit("loads"), _by_mode("loads"), _carry_figures),
        "carry_h": _Kind(
            "Hours of carriers: loads times loading and the way there and back.", _unit("h"), _by_mode("carry_h"),
            _carry_figures,
        ),
        "carry_cost": _Kind(
            "Hours of carriers times their wage, and the hire of carts and animals.", _currency, _by_mode("cost"),
            _carry_figures,
        ),
        "carry_km": _Kind("Loads times the way there and back.", _unit("km"), _km, _none),
        "mean_carry_m": _Kind("Mean way of a kilo, one way, from inside the field.", _unit("m"), _mean_m, _none),
        "barrel_weeks": _Kind("Barrels standing, summed over weeks.", _unit("barrel-weeks"), _BARREL_WEEKS, _none),
        "barrel_weeks_busy": _Kind(
            "Barrels standing times the share of their hours in use.", _unit("barrel-weeks"), _BUSY,
            lambda scope: ["barrel.", *(f"crop.{c}.{r}.char_minutes" for c, r in scope.pairs())],
        ),
        "several_weeks": _Kind(
            "Weeks with at least fleet.several barrels busy to fleet.busy_floor, summed over sites.",
            _unit("site-weeks"), _site_sum(_several), _none,
        ),
        "fields": _Kind(
            "Fields that the plan was made for.", _unit("fields"),
            lambda scope: [Part(str(v["id"]), float(v["fields"])) for v in scope.record["villages"]], _none,
        ),
        "area_ha": _Kind(
            "Area of the fields that the plan was made for, on the ellipsoid; plan.gpkg holds it field by field.",
            _unit("ha"), _no_parts, _none, lambda scope, _parts: float(scope.row["area_ha"]),
        ),
        "residue_free_kg": _Kind(
            "Dry residue free to take in all fields, summed over villages.", _unit("kg"), _free, _supply_figures
        ),
        "value": _Kind(
            "What the best plan was looked for: with goal 'margin' the margin, else see solve.goal.", _currency,
            lambda scope: _margin(scope) if scope.record.get("solve", {}).get("goal", "margin") == "margin" else [],
            _margin_figures,
        ),
        "sites": _Kind(
            "Sites that have a barrel in any week.", _unit("sites"), _site_sum(lambda _site, _settings: 1.0), _none
        ),
        "villages_with_barrels": _Kind("Villages with a barrel in any week.", _unit("villages"), _villages, _none),
        "most_barrels": _Kind("Barrels of the fullest week, the first such.", _unit("barrels"), _fullest_week, _none),
        "margin": _Kind(
            "What the char is worth at the sites, less work at the barrels, carrying, standing and opening.", _currency,
            _margin, _margin_figures,
        ),
    }
)  # fmt: skip


def _shown(number: float) -> str:
    return f"{number:,.0f}" if abs(number) >= 1000 else f"{number:,.4g}"
