"""Planning again close to a plan in force: leaving it has a price, and weeks already worked are kept.

Sites are known again by their id. Sites of the plan in force stay candidates even where they would not be proposed any
more; one that no longer keeps its distances keeps only the weeks already worked.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.carrying.sites import Sites, candidate_sites
from sourcing.intake.fields import Fields
from sourcing.intake.keep import RECORD_FILE, fields_of_plan, read_record
from sourcing.intake.survey import RawLayer, Survey
from sourcing.network.paths import PathNetwork
from sourcing.placement import Instance, Placement, Previous
from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import Calendar
from sourcing.words import Said

PRICES = ("money.change_barrel_week", "money.change_site")
_CARRIED = ("field", "site", "crop", "residue", "week")
KEPT = "kept"
"""Origin of a candidate site that comes from the plan in force."""


@dataclass(frozen=True)
class Near:
    """A plan in force."""

    name: str
    """Name of its folder."""
    sites: pd.DataFrame
    """Index site_id: village, name, lon, lat."""
    barrels: pd.DataFrame
    """Index site_id, columns ISO weeks: barrels."""
    carries: pd.DataFrame
    """What it fetches: field, site, crop, residue, week (ISO label), taken_kg [dry kg as it lay when ready],
    mass_kg [dry kg as it was charred, after losses]."""
    fields: gpd.GeoDataFrame
    """Its fields, EPSG:4326, index field_id: village, crop."""
    from_day: date | None = None
    """Weeks that begin before this day are kept as they are; None: no week is."""


def read_near(plan: Path, from_day: date | None = None) -> Near:
    """The plan in force from its folder. Raises UsageError for what is no plan folder."""
    record = read_record(plan)
    sites = pd.DataFrame(
        [{k: s[k] for k in ("id", "village", "name", "lon", "lat")} for s in record["sites"]],
        columns=["id", "village", "name", "lon", "lat"],
    ).set_index("id")
    barrels = pd.DataFrame(
        [s["barrels_by_week"] for s in record["sites"]], index=sites.index, columns=record["weeks"], dtype=np.int64
    )
    carries = pd.DataFrame(
        [[*(c[k] for k in _CARRIED), c.get("taken_kg", c["mass_kg"]), c["mass_kg"]] for c in record["carries"]],
        columns=[*_CARRIED, "taken_kg", "mass_kg"],
    )
    return Near(plan.resolve().name, sites, barrels, carries, fields_of_plan(plan), from_day)


@dataclass(frozen=True)
class KeptSites:
    """Candidate sites with those of the plan in force among them."""

    sites: Sites
    refused: frozenset[str]
    """Sites of the plan in force that do not keep their distances any more."""


def with_kept_sites(
    sites: Sites, near: Near, survey: Survey, fields: Fields, supply: Supply, network: PathNetwork | None,
    settings: Settings, values: Values,
) -> KeptSites:  # fmt: skip
    """Adds the sites of the plan in force that are not candidates any more, judged by the same distances."""
    missing = near.sites[~near.sites.index.isin(sites.frame.index)]
    if missing.empty:
        return KeptSites(sites, frozenset())
    frame = gpd.GeoDataFrame(
        {"site_id": missing.index.astype(str), "name": missing["name"].to_numpy(),
         "village": missing["village"].to_numpy(), "row": np.arange(1, len(missing) + 1)},
        geometry=gpd.points_from_xy(missing["lon"], missing["lat"]), crs="EPSG:4326",
    )  # fmt: skip
    places = RawLayer("places", f"{RECORD_FILE} of {near.name}", "", len(frame), frame)
    judged = candidate_sites(replace(survey, places=places), fields, supply, network, settings, values)
    anywhere = settings.model_copy(update={"layers": settings.layers.model_copy(update={"no_go": []})})
    every = candidate_sites(replace(survey, places=places, no_go=()), fields, supply, network, anywhere, values)
    more = every.frame.assign(origin=pd.array([KEPT] * len(every.frame), dtype="str"))
    whole = gpd.GeoDataFrame(pd.concat([sites.frame, more]), geometry="geometry", crs=sites.frame.crs).sort_index()
    refused = frozenset(str(s) for s in more.index.difference(judged.frame.index))
    both = replace(sites, frame=whole.rename_axis("site_id"), findings=(*sites.findings, *judged.findings))
    return KeptSites(both, refused)


@dataclass(frozen=True)
class Stayed:
    """How close to the plan in force a new plan stays."""

    instance: Instance
    placement: Placement
    facts: dict[str, Any]
    """For the record: plan, from, weeks_kept, kept_as_worked, barrel_weeks_more, barrel_weeks_fewer, sites_new,
    sites_given_up, price [units of the goal]."""
    cautions: tuple[Said, ...]
    figures_used: tuple[str, ...]


def only_kept(kept: KeptSites, near: Near) -> KeptSites:
    """Only the sites of the plan in force, as candidates."""
    frame = kept.sites.frame
    return replace(kept, sites=replace(kept.sites, frame=frame[frame.index.isin(near.sites.index)]))


def solve_near(
    instance: Instance, near: Near, kept: KeptSites, calendar: Calendar, values: Values,
    search: Callable[[Instance], Placement], exact: bool = True,
) -> Stayed:  # fmt: skip
    """The best plan, where each barrel-week and site that differs from the plan in force costs its price.

    Weeks that begin before `near.from_day` have the barrels of the plan in force, however little the fields as they are
    now known gave them to do; with `exact` false at most those, where the wishes of today forbid them, and a caution
    says so. `search` finds the best placement of
    an instance. Raises NoPlanError.
    """
    held = near_instance(instance, near, kept, calendar, values, exact=exact)
    placement = search(held)
    cautions: list[Said] = []
    if not exact:
        cautions.append(Said("caution.near_kept", {"day": str(near.from_day), "plan": near.name}))
    last = held.previous.barrels if held.previous is not None else np.zeros_like(placement.barrels)
    outside = near.barrels.loc[:, [w for w in near.barrels.columns if w not in calendar.labels]].to_numpy()
    if outside.any():
        cautions.append(Said("caution.near_weeks", {"plan": near.name, "weeks": int(outside.sum())}))
    off = placement.barrels - last
    used, before = placement.barrels.any(axis=1), last.any(axis=1)
    facts = {
        "plan": near.name,
        "from": None if near.from_day is None else near.from_day.isoformat(),
        "weeks_kept": int(_worked(near, calendar).sum()),
        "kept_as_worked": exact,
        "barrel_weeks_more": int(np.maximum(off, 0).sum()),
        "barrel_weeks_fewer": int(np.maximum(-off, 0).sum()),
        "sites_new": int((used & ~before).sum()),
        "sites_given_up": int((before & ~used).sum()),
        "price": round(change_price(held, placement), 6),
    }
    return Stayed(held, placement, facts, tuple(cautions), (*PRICES, "money.char_value_per_kg"))


def change_price(instance: Instance, placement: Placement) -> float:
    """What leaving the plan in force was charged [units of the goal's value]; no money that anybody pays."""
    last = instance.previous
    if last is None:
        return 0.0
    moved = float(np.abs(placement.barrels - last.barrels).sum())
    sites = float((placement.barrels.any(axis=1) != last.barrels.any(axis=1)).sum())
    return moved * last.barrel_week_price + sites * last.site_price


def near_instance(
    instance: Instance, near: Near, kept: KeptSites, calendar: Calendar, values: Values, exact: bool
) -> Instance:
    """The instance with prices for leaving the plan in force and its worked weeks kept.

    `exact`: worked weeks have the barrels of the plan in force; otherwise at most those. Raises NoPlanError when more
    barrels were at work than there are or may stand there now.
    """
    ids = kept.sites.frame.index
    last = near.barrels.reindex(index=ids, columns=list(calendar.labels), fill_value=0).to_numpy(dtype=np.int64)
    worked = _worked(near, calendar)
    wishes = instance.wishes
    most = np.tile(instance.site_most[:, None], (1, instance.weeks))
    most = most if wishes.barrels_most is None else wishes.barrels_most.copy()
    least = np.zeros_like(most) if wishes.barrels_least is None else wishes.barrels_least.copy()
    gone = np.asarray(ids.isin(kept.refused))
    most[np.ix_(gone, ~worked)] = 0
    room = np.broadcast_to(instance.site_most[:, None], last.shape)
    least[:, worked] = last[:, worked] if exact else 0
    most[:, worked] = last[:, worked] if exact else np.minimum(last, room)[:, worked]
    per_unit = values["money.char_value_per_kg"] if instance.goal == "char" else 1.0
    previous = Previous(last, values[PRICES[0]] / per_unit, values[PRICES[1]] / per_unit, worked.astype(np.int64))
    if wishes.village_least is not None:
        wishes = replace(wishes, village_least=np.where(worked[None, :], 0, wishes.village_least))
    if wishes.village_most is not None:
        wishes = replace(wishes, village_most=np.where(worked[None, :], instance.fleet.max(), wishes.village_most))
    held = replace(wishes, barrels_least=least if least.any() else None, barrels_most=most)
    return replace(instance, previous=previous, wishes=held)


def _worked(near: Near, calendar: Calendar) -> npt.NDArray[np.bool_]:
    """Which weeks have begun before the day from which is planned again, shape (weeks,)."""
    if near.from_day is None:
        return np.zeros(calendar.count, dtype=bool)
    return np.array([calendar.monday(w) < near.from_day for w in range(calendar.count)], dtype=bool)
