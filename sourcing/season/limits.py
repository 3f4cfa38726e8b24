"""The season's limits and wishes as the optimiser's blocks: moves, villages, crews, water, workshop, what is fixed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.carrying.haul import haul_cost_per_kg
from sourcing.carrying.sites import Sites
from sourcing.errors import Finding, InputError
from sourcing.intake.cells import fold
from sourcing.intake.fields import Fields
from sourcing.placement import FREE, IN, OUT, Crew, Moves, Villages, Water, Wishes, Workshop
from sourcing.residue.supply import Supply
from sourcing.season.barrel import crew_week_h
from sourcing.season.workshop import briquettes_per_char
from sourcing.settings import SEASON_FILE, Settings
from sourcing.values import Values
from sourcing.weeks import Calendar

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Limits:
    """The blocks of the optimiser that this season uses; None where it does not."""

    villages: Villages | None
    moves: Moves | None
    crew: Crew | None
    water: Water | None
    workshop: Workshop | None
    wishes: Wishes
    figures_used: tuple[str, ...]


def season_limits(
    settings: Settings,
    values: Values,
    calendar: Calendar,
    fields: Fields,
    supply: Supply,
    sites: Sites,
    classes: pd.DataFrame,
    working_h: Floats,
    haul_m: Mapping[str, float] | None = None,
) -> Limits:
    """Limits and wishes of a season, in the order of `fields.villages`, `sites.frame` and `classes`.

    `classes` has tender_h_per_kg [h a dry kg charred] and water_l_per_kg [l a dry kg charred]; `working_h` are the
    working hours of a week (weeks,) [h]; `haul_m` is the way from each site to the workshop [m]. Raises InputError,
    with every fault at once, where a wish names what is not there.
    """
    names = _Names(fields, sites)
    villages = _villages(settings, values, names)
    moves = _moves(settings, values, calendar, sites, len(fields.villages))
    crew = _crew(settings, calendar, names, classes, working_h)
    water = _water(settings, calendar, names, classes, sites)
    workshop = _workshop(settings, values, sites, working_h, haul_m)
    wishes = _wishes(settings, calendar, names, supply, sites)
    for village in settings.water.comes_from:
        names.village(village, "water.comes_from")
    if names.faults:
        raise InputError(names.faults)
    used = [
        *(["money.village_deploy_cost"] if settings.villages.charge else []),
        *(["money.barrel_move_cost", "money.barrel_village_move_cost"] if settings.moves.charge else []),
    ]
    return Limits(villages, moves, crew, water, workshop, wishes, tuple(used))


class _Names:
    """Villages and sites by what the planner calls them; gathers what is not there."""

    def __init__(self, fields: Fields, sites: Sites):
        self.village_ids = [str(v) for v in fields.villages.index]
        self.villages = {fold(str(n)): i for i, n in enumerate(fields.villages["name"])}
        self.villages |= {fold(v): i for i, v in enumerate(self.village_ids)}
        self.sites = {str(s): i for i, s in enumerate(sites.frame.index)}
        place = {v: i for i, v in enumerate(self.village_ids)}
        self.village_of_site: Ints = np.array([place[str(v)] for v in sites.frame["village"]], dtype=np.int64)
        self.faults: list[Finding] = []

    def village(self, name: str, option: str) -> int | None:
        return self._known(self.villages, fold(name), name, option, "a village of this season")

    def site(self, name: str, option: str) -> int | None:
        return self._known(self.sites, name, name, option, "the id of a candidate site of this season")

    def _known(self, known: Mapping[str, int], key: str, name: str, option: str, expected: str) -> int | None:
        if key not in known:
            self.faults.append(Finding(
                "refused", SEASON_FILE, None, "unknown_name", f"{option} names '{name}', which is not there", expected,
                "correct the name, or take it out",
            ))  # fmt: skip
        return known.get(key)

    def pins(self, use: Iterable[int | None], leave: Iterable[int | None], size: int) -> Ints | None:
        wanted, banned = ([i for i in found if i is not None] for found in (use, leave))
        if not wanted and not banned:
            return None
        pin = np.full(size, FREE, dtype=np.int64)
        pin[wanted], pin[banned] = IN, OUT
        for i in sorted(set(wanted) & set(banned)):
            self.faults.append(Finding(
                "refused", SEASON_FILE, None, "pinned_both_ways", f"number {i + 1} is to be used and to be left out",
                "one of the two", "take it out of one list",
            ))  # fmt: skip
        return pin

    def by_village(self, every: float | None, some: Mapping[str, float], option: str) -> Floats | None:
        """A figure for each village; infinite where none is given, None where no village has one."""
        if every is None and not some:
            return None
        found = np.full(len(self.village_ids), np.inf if every is None else every)
        for name, figure in some.items():
            at = self.village(name, option)
            if at is not None:
                found[at] = figure
        return found


PLENTY = 1e9
"""Stands for 'as much as is wanted' where one village or site has a limit and another has none."""


def _villages(settings: Settings, values: Values, names: _Names) -> Villages | None:
    choice, count = settings.villages, len(names.village_ids)
    pin = names.pins(
        (names.village(v, "villages.use") for v in choice.use),
        (names.village(v, "villages.leave_out") for v in choice.leave_out),
        count,
    )
    if pin is None and not choice.charge and not choice.least and choice.most is None:
        return None
    cost = values["money.village_deploy_cost"] if choice.charge else 0.0
    return Villages(np.full(count, cost), pin, choice.least, choice.most)


def _moves(settings: Settings, values: Values, calendar: Calendar, sites: Sites, villages: int) -> Moves | None:
    choice, count = settings.moves, len(sites.frame)
    if not choice.charge and choice.most_a_week is None and choice.stay_weeks == 1:
        return None
    near = values["money.barrel_move_cost"] if choice.charge else 0.0
    far = values["money.barrel_village_move_cost"] if choice.charge else 0.0
    weeks = None if choice.most_a_week is None else np.full(calendar.count, float(choice.most_a_week))
    return Moves(np.full(count, near), np.full(villages, far), weeks, choice.stay_weeks)


def _crew(
    settings: Settings, calendar: Calendar, names: _Names, classes: pd.DataFrame, working_h: Floats
) -> Crew | None:
    """Hours of each village; tenders take of them what they work, or all of each week where they are paid by it."""
    hours = names.by_village(settings.crew.hours_a_week, settings.crew.villages, "crew.villages")
    if hours is None:
        return None
    by_week = np.tile(np.minimum(hours, PLENTY)[:, None], (1, calendar.count))
    week_h = crew_week_h(working_h, settings)
    tending = classes["tender_h_per_kg"].to_numpy(dtype=float) * (not week_h.any())
    return Crew(by_week, tending, week_h if week_h.any() else None)


def _water(settings: Settings, calendar: Calendar, names: _Names, classes: pd.DataFrame, sites: Sites) -> Water | None:
    litres = names.by_village(settings.water.litres_a_week, settings.water.villages, "water.villages")
    if litres is None:
        return None
    by_site = np.minimum(litres[names.village_of_site], PLENTY)
    by_week = np.tile(by_site[:, None], (1, calendar.count))
    return Water(by_week, classes["water_l_per_kg"].to_numpy(dtype=float))


def _workshop(
    settings: Settings, values: Values, sites: Sites, working_h: Floats, haul_m: Mapping[str, float] | None
) -> Workshop | None:
    works = settings.works
    if not works.limits_plan:
        return None
    if haul_m is None or not works.presses:
        missing = "no workshop layer is named" if haul_m is None else "works.presses is empty"
        raise InputError([Finding(
            "refused", SEASON_FILE, None, "no_workshop", f"works.limits_plan is set, but {missing}",
            "a workshop with presses", "name the layer and the presses, or set works.limits_plan = false",
        )])  # fmt: skip
    per_hour = sum(count * values[f"works.press.{kind}.kg_per_h"] for kind, count in works.presses.items())
    cost = haul_cost_per_kg(np.array([haul_m[str(s)] for s in sites.frame.index]), settings, values)
    return Workshop(working_h * per_hour / briquettes_per_char(values), works.char_store_kg, cost)


def _wishes(settings: Settings, calendar: Calendar, names: _Names, supply: Supply, sites: Sites) -> Wishes:
    choice, count = settings.wishes, len(sites.frame)
    pin = names.pins(
        (names.site(s, "wishes.sites_use") for s in choice.sites_use),
        (names.site(s, "wishes.sites_leave_out") for s in choice.sites_leave_out),
        count,
    )
    least = np.zeros((count, calendar.count), dtype=np.int64)
    most = np.full((count, calendar.count), settings.fleet.most_at_site, dtype=np.int64)
    in_village = (len(names.village_ids), calendar.count)
    every = max([settings.fleet.barrels, *settings.fleet.barrels_from.values()])
    village_least, village_most = np.zeros(in_village, dtype=np.int64), np.full(in_village, every, dtype=np.int64)
    for fixed in choice.fixed:
        chosen = np.ones(count, dtype=bool)
        if fixed.site:
            at = names.site(fixed.site, "wishes.fixed")
            chosen &= np.arange(count) == (-1 if at is None else at)
        if fixed.village:
            where = names.village(fixed.village, "wishes.fixed")
            chosen &= names.village_of_site == (-1 if where is None else where)
        first, last = calendar.index(fixed.first_day), calendar.index(fixed.last_day)
        weeks = np.zeros(calendar.count, dtype=bool)
        weeks[max(first, 0) : max(last + 1, 0)] = True
        if fixed.village and not fixed.site:  # the village's barrels in all, wherever in it they stand
            if where is not None:
                village_least[where, weeks] = np.maximum(village_least[where, weeks], fixed.least)
                top = village_most[where, weeks] if fixed.most is None else fixed.most
                village_most[where, weeks] = np.minimum(village_most[where, weeks], top)
            continue
        block = np.ix_(chosen, weeks)
        least[block] = np.maximum(least[block], fixed.least)
        if fixed.most is not None:
            most[block] = np.minimum(most[block], fixed.most)
    fair = settings.villages.fair_share
    place = {v: i for i, v in enumerate(names.village_ids)}
    owners = np.array([place[str(v)] for v in supply.lots["village"]], dtype=np.int64) if fair else None
    return Wishes(
        site_pin=pin,
        barrels_least=least if least.any() else None,
        barrels_most=most if (most < settings.fleet.most_at_site).any() else None,
        village_least=village_least if village_least.any() else None,
        village_most=village_most if (village_most < every).any() else None,
        sites_least=choice.sites_least,
        sites_most=choice.sites_most,
        budget=choice.budget,
        lot_village=owners,
        fair_share=np.full(len(names.village_ids), fair) if fair else None,
    )
