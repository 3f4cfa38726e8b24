"""The main line: from a season folder to a plan."""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from sourcing.carrying.carry import Arcs, carry_arcs, carry_routes, modes_of
from sourcing.carrying.effort import heat_cautions, load_cautions
from sourcing.carrying.haul import Haul, narrow_ways, ways_to_workshop
from sourcing.carrying.sites import Sites, candidate_sites
from sourcing.errors import Finding, NoPlanError, PlanFaultError
from sourcing.intake.fields import Fields
from sourcing.intake.history import fields_to_plan
from sourcing.intake.survey import Survey, read_survey
from sourcing.network.paths import PathNetwork, build_network
from sourcing.placement import Instance, Placement, check, solve
from sourcing.residue.supply import Supply, season_supply
from sourcing.residue.weather import Weather, read_weather, temperature_by_week, with_workable_days
from sourcing.season.barrel import barrel_rates
from sourcing.season.climate import Climate, season_climate
from sourcing.season.conflicts import why_no_plan
from sourcing.season.fetched import Fetched, after_fetching, as_fetched
from sourcing.season.money import Money, cash_gap, season_money
from sourcing.season.near import KeptSites, Near, Stayed, change_price, only_kept, solve_near, with_kept_sites
from sourcing.season.outcome import Outcome, outcome, with_ways_to_workshop
from sourcing.season.problem import Problem, carries_table, residues_of, season_problem, working_hours
from sourcing.season.record import plan_record
from sourcing.season.safety import caution_of, cautions
from sourcing.season.stress import Stress, by_cause, replay_season
from sourcing.season.works import Works, imbalances, season_work
from sourcing.season.worth import Unit, draw_worth
from sourcing.settings import PlacementSettings, Settings, read_settings
from sourcing.values import Values
from sourcing.weeks import Calendar
from sourcing.words import FIRST_LANGUAGE, Said, load_words

MOST_SECONDS_WHY = 60.0
"""Longest search for the wishes that conflict where no plan is possible [s]."""
MOST_SECONDS_PRICES = 20.0
"""Longest time for what one more barrel, hour, litre or kilo would earn [s]."""
NO_PLAN_YET = (
    "Stopped before a first plan was found, so no plan was written. Earlier plans are as they were. Plan again, and "
    "stop once it says how far from the best it is."
)
Tell = Callable[[str], None]
"""Told what is being done, in a few plain words."""


@dataclass(frozen=True)
class Plan:
    """A planned season: all that went in and all that came out."""

    settings: Settings
    values: Values
    survey: Survey
    fields: Fields
    supply: Supply
    network: PathNetwork | None
    sites: Sites
    arcs: Arcs
    placement: Placement
    calendar: Calendar
    rates: pd.DataFrame
    works: Works
    money: Money
    climate: Climate
    stress: Stress
    site_weeks: pd.DataFrame
    site_table: pd.DataFrame
    village_table: pd.DataFrame
    field_table: pd.DataFrame
    carries: pd.DataFrame
    routes: gpd.GeoDataFrame
    findings: tuple[Finding, ...]
    cautions: tuple[Said, ...]
    record: dict[str, Any]


@dataclass(frozen=True)
class Land:
    """What is known before anything is decided: the survey, the fields, the residue by week, the paths."""

    settings: Settings
    values: Values
    survey: Survey
    fields: Fields
    supply: Supply
    network: PathNetwork | None
    weather: Weather | None
    """The climate table by week, where the season names one."""
    fetched: Fetched | None = None
    """What was fetched in weeks already worked, where it is planned again near a plan in force."""


def read_land(folder: Path, tell: Tell = lambda _: None) -> Land:
    """The land of the season in a folder. Raises InputError when files need mending, with every fault at once."""
    settings = read_settings(folder)
    values = load_values(folder, settings)
    tell("Reading the survey")
    survey = read_survey(folder, settings)
    return land_of(settings, values, survey, fields_to_plan(folder, survey, settings, values), tell)


def land_of(settings: Settings, values: Values, survey: Survey, fields: Fields, tell: Tell = lambda _: None) -> Land:
    """The land of a season from its clean fields."""
    tell("Working out residue by week")
    fields, supply = season_supply(survey, fields, settings, values)
    weather = None if survey.climate is None else read_weather(survey.climate, settings.layers.climate)
    settings, notes = with_workable_days(settings, supply.calendar, values, weather)
    supply = replace(supply, findings=(*supply.findings, *notes))
    tell("Joining the paths")
    network = build_network(survey, fields, settings, values)
    return Land(settings, values, survey, fields, supply, network, weather)


@dataclass(frozen=True)
class Ground:
    """What is known of the places and the ways to them, before barrels are placed."""

    rates: pd.DataFrame
    sites: Sites
    arcs: Arcs
    haul: Haul | None
    figures_used: tuple[str, ...]

    def problem(self, land: Land, settings: Settings) -> Problem:
        """The question put to the optimiser, with the wishes of these settings. Raises NoPlanError."""
        metres = None if self.haul is None else self.haul.metres
        return season_problem(
            land.supply, self.sites, self.arcs, self.rates, land.fields, settings, land.values, metres
        )


@dataclass(frozen=True)
class Placed:
    """Where barrels stand, before anything is drawn up."""

    rates: pd.DataFrame
    sites: Sites
    arcs: Arcs
    haul: Haul | None
    problem: Problem
    placement: Placement
    stayed: Stayed | None
    figures_used: tuple[str, ...]


def place_barrels(land: Land, tell: Tell = lambda _: None, near: Near | None = None) -> Placed:
    """The best places for barrels; with `near`, close to a plan in force. Raises as :func:`plan_season` does."""
    tell("Finding places for barrels")
    sites = candidate_sites(land.survey, land.fields, land.supply, land.network, land.settings, land.values)
    if near is None:
        return _placed(land, sites, tell, None)
    kept = with_kept_sites(sites, near, land.survey, land.fields, land.supply, land.network, land.settings, land.values)
    return _placed_near(land, near, kept, tell)


def _placed_near(land: Land, near: Near, kept: KeptSites, tell: Tell) -> Placed:
    """Tries all candidate sites first, then only those of the plan in force, which are far fewer; and worked weeks kept
    just as they are first, then, where that cannot be, in part.
    """
    few = only_kept(kept, near)
    last: NoPlanError | None = None
    for exact in (True, False) if near.from_day is not None else (True,):
        for among in (kept, few):
            try:
                placed = _placed(land, among.sites, tell, (near, among, exact))
            except NoPlanError as exc:
                last = exc
                continue
            if among is few and placed.stayed is not None and len(few.sites.frame) < len(kept.sites.frame):
                told = Said("caution.near_few", {"plan": near.name})
                return replace(placed, stayed=replace(placed.stayed, cautions=(told, *placed.stayed.cautions)))
            return placed
    raise last if last is not None else NoPlanError("no plan can stay near the plan in force")


def ground_of(land: Land, sites: Sites, tell: Tell = lambda _: None) -> Ground:
    """The ways from the fields to these places, and on to the workshop."""
    settings, values = land.settings, land.values
    rates, rate_figures = barrel_rates(residues_of(land.supply), settings, values, settings.supply.estimate)
    tell("Measuring carrying distances")
    arcs = carry_arcs(land.survey, land.supply, land.fields, sites, land.network, settings, values)
    arcs = as_fetched(arcs, land.fetched, sites)
    haul = ways_to_workshop(land.survey, sites, land.network, land.supply.calendar, settings, values)
    used = (*rate_figures, *sites.figures_used, *arcs.figures_used, *(haul.figures_used if haul is not None else ()))
    return Ground(rates, sites, arcs, haul, used)


def _placed(land: Land, sites: Sites, tell: Tell, staying: tuple[Near, KeptSites, bool] | None) -> Placed:
    """The best placement among these sites; `staying` near a plan in force, with its weeks kept exactly or in part."""
    choice = land.settings.placement
    ground = ground_of(land, sites, tell)
    tell("Placing the barrels")
    stayed = None
    if staying is None:
        try:
            problem = ground.problem(land, land.settings)
            placement = best_placement(problem.instance, choice, tell)
        except NoPlanError as exc:
            tell("Looking for the wishes that conflict")
            seconds = min(choice.seconds, MOST_SECONDS_WHY)
            why = why_no_plan(
                land.settings, lambda s: ground.problem(land, s).instance, str(exc), seconds=seconds
            )  # fmt: skip
            raise NoPlanError(why) from exc
    else:
        near, kept, exact = staying
        problem = ground.problem(land, land.settings)
        stayed = solve_near(
            problem.instance, near, kept, land.supply.calendar, land.values,
            lambda it: best_placement(it, choice, tell), exact,
        )  # fmt: skip
        problem, placement = replace(problem, instance=stayed.instance), stayed.placement
    if faults := check(problem.instance, placement):
        raise PlanFaultError(faults)
    used = (*ground.figures_used, *problem.figures_used, *(stayed.figures_used if stayed is not None else ()))
    return Placed(ground.rates, sites, ground.arcs, ground.haul, problem, placement, stayed, used)


def best_placement(instance: Instance, choice: PlacementSettings, tell: Tell) -> Placement:
    """The best placement in the time the season gives, on all cores of this machine.

    Raises KeyboardInterrupt where Ctrl-C comes before there is a first plan, so that no empty plan is written.
    """

    def step(_: str, value: float, bound: float) -> None:
        if math.isfinite(value) and abs(bound - value) < abs(value):
            tell(f"Placing the barrels: within {abs(bound - value) / max(abs(value), 1e-9):.1%} of the best possible")

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        found = solve(instance, gap=choice.gap, seconds=choice.seconds, seed=choice.seed, progress=step, map=pool.map)
    if found.status == "interrupted" and not found.barrels.any():
        raise KeyboardInterrupt(NO_PLAN_YET)
    return found


def plan_season(folder: Path, made_at: datetime, tell: Tell = lambda _: None, near: Near | None = None) -> Plan:
    """The best plan for the season in a folder; with `near`, one that stays close to a plan in force.

    Raises InputError when files need mending, NoPlanError when no plan is possible, PlanFaultError when the plan
    fails the independent check.
    """
    land = read_land(folder, tell)
    if near is not None:
        supply, fetched = after_fetching(land.supply, land.fields, near)
        land = replace(land, supply=supply, fetched=fetched)
    return drawn_up(land, place_barrels(land, tell, near), made_at, tell)


def drawn_up(land: Land, placed: Placed, made_at: datetime, tell: Tell = lambda _: None) -> Plan:
    """A placement as a whole plan: its work, money, climate and chances. Raises PlanFaultError."""
    settings, values, survey, fields, supply, network = (
        land.settings, land.values, land.survey, land.fields, land.supply, land.network,
    )  # fmt: skip
    rates, sites, arcs, problem, placement = placed.rates, placed.sites, placed.arcs, placed.problem, placed.placement
    tell("Working out the season's work and money")
    carries = carries_table(placement, problem, supply, sites, arcs)
    work_h = working_hours(supply.calendar, settings.fleet)
    out = outcome(placement, carries, rates, fields, supply, sites, work_h, problem.instance.fleet, settings)
    out = with_ways_to_workshop(out, placed.haul)
    works = _work(out, carries, rates, placed.haul, supply, settings, values)
    money = season_money(works, carries, rates, supply.lots, settings, values)
    if wrong := cash_gap(money, settings):
        raise PlanFaultError([f"the cash by week and the ledger differ by {wrong} cents"])
    climate = season_climate(works, settings, values)
    tell("Replaying the season against chance")
    replayed = (out.site_weeks, carries, rates, supply.lots, works, supply.calendar, settings, values)
    stress = replace(replay_season(*replayed), spread=by_cause(*replayed))
    tell("Drawing prices")
    prices = _prices(placed, land)
    tell("Drawing up the plan")
    routes = carry_routes(carries, survey, fields, sites, network, settings, values, supply.calendar)
    roads = network.findings if network is not None else ()
    narrow = narrow_ways(placed.haul, out.site_table.index, settings)
    findings = (*fields.findings, *supply.findings, *roads, *sites.findings, *arcs.findings, *narrow, *works.findings)
    warn = cautions(carries, supply, settings, values, straight_line=arcs.straight_line)
    warn = (*warn, *(caution_of(f) for f in works.findings))
    warn = (*warn, *_heat_cautions(carries, land.weather, values, supply.calendar))
    warn = (*warn, *_load_cautions(carries, arcs, sites, settings, values))
    if placed.stayed is not None:
        warn = (*placed.stayed.cautions, *warn)
    used = (*supply.figures_used, *placed.figures_used, *works.figures_used, *money.figures_used, *climate.figures_used,
            *stress.figures_used)  # fmt: skip
    record = plan_record(
        settings, values, survey, findings, len(fields.set_aside), supply.calendar, placement, out, carries, used,
        [said.text(load_words(FIRST_LANGUAGE)) for said in warn], made_at, works, money, climate, stress,
    )  # fmt: skip
    record = {**record, "fields_from": dict(fields.source), "prices": prices}
    if placed.stayed is not None:
        record = _near_record(record, placed.stayed, {} if land.fetched is None else land.fetched.facts)
    return Plan(
        settings, values, survey, fields, supply, network, sites, arcs, placement, supply.calendar, rates, works,
        money, climate, stress, out.site_weeks, out.site_table, out.village_table, out.field_table, carries, routes,
        findings, warn, record,
    )  # fmt: skip


def _heat_cautions(
    carries: pd.DataFrame, weather: Weather | None, values: Values, calendar: Calendar
) -> tuple[Said, ...]:
    """A word where residue is carried in hot weeks; nothing is known of heat without a climate table."""
    if weather is None:
        return ()
    return heat_cautions(temperature_by_week(weather, calendar), pd.Index(carries["week"].unique()), values)


def _load_cautions(
    carries: pd.DataFrame, arcs: Arcs, sites: Sites, settings: Settings, values: Values
) -> tuple[Said, ...]:
    """A word where the plan's loads are more than people should carry."""
    pairs = carries[["lot", "mode"]].assign(site=sites.frame.index.get_indexer(carries["site_id"]))
    loads = pairs.merge(arcs.frame[["lot", "site", "load_wet_kg"]], on=["lot", "site"], how="left")
    return load_cautions(loads, {m.name: m for m in modes_of(settings, values)}, values)


def _prices(placed: Placed, land: Land) -> dict[str, Any]:
    """What one more barrel, hour, litre or kilo would earn, for the record; no rows where time ran out."""
    unit = Unit(placed.placement.goal, land.settings.season.currency)
    try:
        worth = draw_worth(
            placed.problem.instance, placed.placement, land.fields, land.supply, seconds=MOST_SECONDS_PRICES
        )
    except NoPlanError:
        return {"unit": unit.name, "one_more_barrel_all_season": None, "rows": []}
    return worth.as_dict(unit)


def _near_record(record: dict[str, Any], stayed: Stayed, fetched: dict[str, Any]) -> dict[str, Any]:
    """The record of a plan that stays near another: totals without the price of changing, which nobody pays."""
    price = change_price(stayed.instance, stayed.placement)
    clear = stayed.placement.goal == "clear"
    totals = dict(record["totals"])
    totals["value"] = round(totals["value"] + (-price if clear else price), 6)
    if "margin" in totals:
        totals["margin"] = totals["value"]
    return {**record, "totals": totals, "near": {**stayed.facts, **fetched}}


def load_values(folder: Path, settings: Settings) -> Values:
    """The figures of the trade as this season has them: built in, then the season's own file, then [values]."""
    own = folder / settings.values_file if settings.values_file else None
    return Values.load(settings.values, own)


def _work(
    out: Outcome,
    carries: pd.DataFrame,
    rates: pd.DataFrame,
    haul: Haul | None,
    supply: Supply,
    settings: Settings,
    values: Values,
) -> Works:
    """The season's work. A balance that does not close is a fault of ours."""
    places = {str(k): (float(x), float(y)) for k, x, y in out.site_table[["lon", "lat"]].itertuples(name=None)}
    works = season_work(
        out.site_weeks,
        carries,
        rates,
        supply.lots,
        supply.calendar,
        settings,
        values,
        site_lonlat=places,
        haul_m=None if haul is None else haul.metres,
    )
    if faults := imbalances(works, carries):
        raise PlanFaultError(faults)
    return works
