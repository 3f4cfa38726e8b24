"""A season as the optimiser's plain arrays, and the optimiser's answer as tables again."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.carrying.carry import Arcs
from sourcing.carrying.sites import Sites
from sourcing.errors import Finding, InputError, NoPlanError
from sourcing.intake.fields import Fields
from sourcing.placement import Instance, Placement, carries_of
from sourcing.residue.supply import Supply
from sourcing.season.barrel import crew_week_h
from sourcing.season.limits import season_limits
from sourcing.settings import FleetSettings, Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK, Calendar

Ints = npt.NDArray[np.int64]
CRUMB_KG = 0.5
"""Nobody walks for less: smaller carries, which optimisers leave behind, join others of their lot [dry kg]."""
CLASS_COLUMNS = ["crop", "residue", "ready_week", "clear_week", "loss_week"]


@dataclass(frozen=True)
class Problem:
    """The optimiser's arrays with the tables that say what their positions mean."""

    instance: Instance
    classes: pd.DataFrame
    """One row a class: crop, residue, ready_week, clear_week and loss_week of its lots, and the weeks first_week to
    last_week in which it may be charred (fewer where the way to the site is closed for a time)."""
    figures_used: tuple[str, ...]


def season_problem(
    supply: Supply,
    sites: Sites,
    arcs: Arcs,
    rates: pd.DataFrame,
    fields: Fields,
    settings: Settings,
    values: Values,
    haul_m: Mapping[str, float] | None = None,
) -> Problem:
    """The optimiser's arrays for a season, with its limits and wishes.

    `haul_m` is the way from each site to the workshop [m]. `rates` holds one row a (crop, residue): hours_per_kg
    [barrel-hours a dry kg], char_kg_per_kg [kg char a dry kg], work_cost_per_kg [currency a dry kg: tenders, wear,
    water], tender_h_per_kg [h], water_l_per_kg [l]. Raises NoPlanError when there is nothing to place.
    """
    lots = supply.lots
    if lots.empty:
        raise NoPlanError("no field has any residue free to take in this season; `sourcing check` says why")
    if sites.frame.empty:
        raise NoPlanError("there is no place where a barrel may stand; the plan folder's refused places say why")
    if arcs.frame.empty:
        raise NoPlanError(
            f"no residue lies within {settings.carrying.max_distance_m:g} m of any place where a barrel may stand: "
            "raise carrying.max_distance_m, or add places or paths"
        )
    weeks = supply.calendar.count
    frame = arcs.frame
    classes, lot_class, arc_class = _classes(lots, frame)
    rate = rates.loc[pd.MultiIndex.from_frame(classes[["crop", "residue"]].astype(str))]
    char = rate["char_kg_per_kg"].to_numpy(dtype=float)
    worth = char * values["money.char_value_per_kg"] - rate["work_cost_per_kg"].to_numpy(dtype=float)
    hours = working_hours(supply.calendar, settings.fleet)
    limits = season_limits(
        settings, values, supply.calendar, fields, supply, sites, classes.assign(**_of_classes(rate)), hours, haul_m
    )
    count = len(sites.frame)
    instance = Instance(
        lot_mass_kg=lots["mass_kg"].to_numpy(dtype=float),
        lot_class=lot_class,
        class_first=classes["first_week"].to_numpy(dtype=np.int64),
        class_last=np.minimum(classes["last_week"].to_numpy(dtype=np.int64), weeks - 1),
        class_ready=classes["ready_week"].to_numpy(dtype=np.int64),
        arc_class=arc_class,
        class_hours_per_kg=rate["hours_per_kg"].to_numpy(dtype=float),
        class_value_per_kg=worth,
        class_char_per_kg=char,
        class_loss_week=classes["loss_week"].to_numpy(dtype=float),
        arc_lot=frame["lot"].to_numpy(dtype=np.int64),
        arc_site=frame["site"].to_numpy(dtype=np.int64),
        arc_cost_per_kg=frame["cost_per_kg"].to_numpy(dtype=float),
        arc_hours_per_kg=frame["carry_h_per_kg"].to_numpy(dtype=float),
        site_village=fields.villages.index.get_indexer(sites.frame["village"]).astype(np.int64),
        site_hours=np.tile(hours, (count, 1)),
        site_open_cost=np.full(count, values["money.site_open_cost"]),
        site_least=np.full(count, settings.fleet.least_at_site, dtype=np.int64),
        site_most=np.full(count, settings.fleet.most_at_site, dtype=np.int64),
        fleet=fleet_by_week(supply.calendar, settings.fleet),
        busy_floor=settings.fleet.busy_floor,
        barrel_week_cost=values["money.barrel_week_cost"],
        site_week_cost=np.tile(crew_week_h(hours, settings) * values["money.wage_per_h"], (count, 1)),
        goal=settings.placement.goal,
        clear_share=settings.placement.clear_share,
        class_cost_per_kg=rate["work_cost_per_kg"].to_numpy(dtype=float),
        villages=limits.villages,
        moves=limits.moves,
        crew=limits.crew,
        water=limits.water,
        workshop=limits.workshop,
        wishes=limits.wishes,
    )
    used = ("money.char_value_per_kg", "money.site_open_cost", "money.barrel_week_cost")
    return Problem(instance, classes, (*used, *limits.figures_used))


def _of_classes(rate: pd.DataFrame) -> dict[str, npt.NDArray[np.float64]]:
    return {name: rate[name].to_numpy(dtype=float) for name in ("tender_h_per_kg", "water_l_per_kg")}


def _classes(lots: pd.DataFrame, arcs: pd.DataFrame) -> tuple[pd.DataFrame, Ints, Ints]:
    """Classes, the class of each lot (L,) and of each arc (A,): same residue, readiness and loss, same open weeks."""
    base = lots.groupby(CLASS_COLUMNS, sort=True, observed=True)
    kind = base.ngroup().to_numpy(dtype=np.int64)
    kinds = base.size().reset_index()[CLASS_COLUMNS]
    of_lot = np.stack([kind, lots["ready_week"].to_numpy(np.int64), lots["clear_week"].to_numpy(np.int64)])
    way = arcs[["first_week", "last_week"]].to_numpy(dtype=np.int64).T
    of_arc = np.vstack([kind[arcs["lot"].to_numpy(dtype=np.int64)], way])
    every, which = np.unique(np.hstack([of_lot, of_arc]), axis=1, return_inverse=True)
    which = which.reshape(-1).astype(np.int64)
    classes = kinds.iloc[every[0]].reset_index(drop=True).assign(first_week=every[1], last_week=every[2])
    return classes, which[: len(lots)], which[len(lots) :]


def residues_of(supply: Supply) -> tuple[tuple[str, str], ...]:
    """The residues there are, as (crop, residue), in order of name."""
    pairs = supply.lots[["crop", "residue"]].astype(str).drop_duplicates()
    return tuple(sorted(pairs.itertuples(index=False, name=None)))


def working_hours(calendar: Calendar, fleet: FleetSettings) -> npt.NDArray[np.float64]:
    """Working hours of one barrel in each week [h], shape (weeks,)."""
    strange = [label for label in fleet.days_in_week if not _is_week(label)]
    if strange:
        raise InputError(
            Finding(
                "refused", "season.toml", None, "not_a_week", f"fleet.days_in_week names '{label}'",
                "an ISO week such as 2027-W18", "correct the week",
            )
            for label in strange
        )  # fmt: skip
    return np.array([days_of_week(label, fleet) * fleet.hours_a_day for label in calendar.labels])


def days_of_week(label: str, fleet: FleetSettings) -> float:
    """Working days of the week named [d]."""
    return float(fleet.days_in_week.get(label, fleet.days_a_week))


def fleet_by_week(calendar: Calendar, fleet: FleetSettings) -> npt.NDArray[np.int64]:
    """Barrels in the fleet in each week, shape (weeks,). A change takes hold in the week that begins on or after it."""
    changes = sorted(fleet.barrels_from.items())
    found = []
    for week in range(calendar.count):
        before: list[tuple[date, int]] = [c for c in changes if c[0] <= calendar.monday(week)]
        found.append(before[-1][1] if before else fleet.barrels)
    return np.array(found, dtype=np.int64)


def carries_table(placement: Placement, problem: Problem, supply: Supply, sites: Sites, arcs: Arcs) -> pd.DataFrame:
    """Who carries what, one row a (lot, site, week).

    taken_kg [dry kg as it lay when ready], mass_kg [dry kg carried and charred that week, after losses],
    distance_m one way, loads (whole; what is carried from one field in one week goes together), carry_h
    [worker-hours], cost [currency]. Hours, loads and cost follow the mass
    taken, as the optimiser charges them. Carries of under CRUMB_KG go with the largest of their lot, at the same site
    where there is one; a lot with none larger is left where it lies.
    """
    lot, site, week, taken = carries_of(problem.instance, placement)
    frame = _without_crumbs(pd.DataFrame({"lot": lot, "site": site, "week": week, "taken_kg": taken}))
    lots = supply.lots[["field_id", "village", "crop", "residue", "ready_week", "loss_week"]]
    frame = frame.merge(arcs.frame, on=["lot", "site"], how="left", validate="many_to_one")
    frame = frame.join(lots, on="lot")
    waited = (frame["week"] - frame["ready_week"]).clip(lower=0)
    frame["mass_kg"] = frame["taken_kg"] * (1 - frame["loss_week"]) ** waited
    frame["loads"] = _whole_loads(frame)
    frame["carry_h"] = frame["taken_kg"] * frame["carry_h_per_kg"]
    frame["cost"] = frame["taken_kg"] * frame["cost_per_kg"]
    frame["site_id"] = sites.frame.index.to_numpy()[frame["site"].to_numpy(dtype=int)]
    columns = [
        "lot", "field_id", "site_id", "village", "crop", "residue", "week", "taken_kg", "mass_kg", "distance_m", "mode",
        "loads", "carry_h", "cost",
    ]  # fmt: skip
    return frame.sort_values(["week", "site_id", "lot"], kind="stable")[columns].reset_index(drop=True)


def _whole_loads(frame: pd.DataFrame) -> pd.Series:
    """Loads of each carry, such that those of one field, residue, site and week sum to their whole loads together."""
    loads = frame["taken_kg"] / frame["load_kg"]
    together = ["field_id", "crop", "residue", "site", "week", "mode"]
    upto = loads.groupby([frame[k] for k in together], observed=True).cumsum()
    return (np.ceil(upto - 1e-9) - np.ceil(upto - loads - 1e-9)).astype(int)


def _without_crumbs(frame: pd.DataFrame) -> pd.DataFrame:
    """Carries (lot, site, week, taken_kg) of at least CRUMB_KG, each with the crumbs that join it."""
    large = frame[frame["taken_kg"] >= CRUMB_KG].sort_values("taken_kg", ascending=False, kind="stable")
    crumbs = frame[(frame["taken_kg"] < CRUMB_KG) & (frame["taken_kg"] > 0)]
    here = pd.Series(large.index, pd.MultiIndex.from_frame(large[["lot", "site"]]))
    there = pd.Series(large.index, large["lot"])
    here, there = (s[~s.index.duplicated()] for s in (here, there))
    joins = pd.Series(here.reindex(pd.MultiIndex.from_frame(crumbs[["lot", "site"]])).to_numpy(), crumbs.index)
    joins = joins.fillna(crumbs["lot"].map(there))
    more = crumbs["taken_kg"].groupby(joins).sum()
    return large.assign(taken_kg=large["taken_kg"].add(more, fill_value=0.0)).sort_index()


def _is_week(label: str) -> bool:
    try:
        year, week = label.split("-W")
        day = date.fromisocalendar(int(year), int(week), 1)
    except ValueError:
        return False
    return day + timedelta(days=DAYS_A_WEEK) > day
