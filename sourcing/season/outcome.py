"""What a placement means for sites, villages and fields: the tables that maps, sheets and the record are made from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from sourcing.carrying.haul import Haul
from sourcing.carrying.sites import Sites
from sourcing.intake.fields import Fields
from sourcing.placement import Placement
from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.words import Words

UNPROVEN = 0.5
"""A plan with a wider gap than this to the best possible is called unproven everywhere [share]."""


@dataclass(frozen=True)
class Outcome:
    """A placement as tables; columns as DEVELOPERS.md lists them, one name and unit for a quantity everywhere."""

    site_weeks: pd.DataFrame
    site_table: pd.DataFrame
    village_table: pd.DataFrame
    field_table: pd.DataFrame


def outcome(
    placement: Placement,
    carries: pd.DataFrame,
    rates: pd.DataFrame,
    fields: Fields,
    supply: Supply,
    sites: Sites,
    working_h: np.ndarray,
    fleet: np.ndarray,
    settings: Settings,
) -> Outcome:
    """The tables of a placement. `working_h` are the working hours of one barrel [h] and `fleet` the barrels that there
    are, by week, shape (weeks,).
    """
    weighed = _with_rates(carries, rates)
    weeks = _site_weeks(placement, weighed, sites, working_h)
    several = _several_weeks(weeks, settings)
    site_table = _site_table(weeks, weighed, sites, several)
    field_table = _field_table(fields, supply, carries)
    villages = _village_table(fields, supply, sites, weeks, weighed, several, placement, fleet, settings)
    return Outcome(weeks, site_table, villages, field_table)


def with_ways_to_workshop(out: Outcome, haul: Haul | None) -> Outcome:
    """The same with the way from each site to the workshop, `haul_m` [m], where the season has one."""
    if haul is None:
        return out
    metres = [haul.metres[str(site)] for site in out.site_table.index]
    return replace(out, site_table=out.site_table.assign(haul_m=metres))


def _with_rates(carries: pd.DataFrame, rates: pd.DataFrame) -> pd.DataFrame:
    joined = carries.join(rates[["hours_per_kg", "char_kg_per_kg"]], on=["crop", "residue"])
    return joined.assign(
        char_kg=joined["mass_kg"] * joined["char_kg_per_kg"],
        barrel_h=joined["mass_kg"] * joined["hours_per_kg"],
        carried_m_kg=joined["mass_kg"] * joined["distance_m"],
    )


def _site_weeks(placement: Placement, weighed: pd.DataFrame, sites: Sites, working_h: np.ndarray) -> pd.DataFrame:
    """One row a site and week with barrels: barrels, busy [0-1], residue_kg [dry], char_kg."""
    site, week = np.nonzero(placement.barrels)
    frame = pd.DataFrame(
        {"site_id": sites.frame.index.to_numpy()[site], "week": week, "barrels": placement.barrels[site, week]}
    )
    done = weighed.groupby(["site_id", "week"])[["barrel_h", "mass_kg", "char_kg"]].sum()
    frame = frame.join(done, on=["site_id", "week"]).fillna({"barrel_h": 0.0, "mass_kg": 0.0, "char_kg": 0.0})
    offered = frame["barrels"].to_numpy() * working_h[frame["week"].to_numpy()]
    share = np.divide(frame["barrel_h"].to_numpy(), offered, out=np.zeros(len(frame)), where=offered > 0)
    frame = frame.assign(busy=np.minimum(share, 1.0), village=frame["site_id"].map(sites.frame["village"]))
    return frame.rename(columns={"mass_kg": "residue_kg"})[
        ["site_id", "village", "week", "barrels", "busy", "residue_kg", "char_kg"]
    ]


def _several_weeks(weeks: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """The site-weeks with several barrels that are busy enough."""
    floor = settings.fleet.busy_floor - 1e-9
    return weeks[(weeks["barrels"] >= settings.fleet.several) & (weeks["busy"] >= floor)]


def _site_table(weeks: pd.DataFrame, weighed: pd.DataFrame, sites: Sites, several: pd.DataFrame) -> pd.DataFrame:
    used = sites.frame.loc[sites.frame.index.isin(weeks["site_id"])]
    sums = weeks.groupby("site_id")[["residue_kg", "char_kg", "barrels"]].sum()
    carried = weighed.groupby("site_id")[["carried_m_kg", "mass_kg"]].sum()
    return pd.DataFrame(
        {
            "village": used["village"],
            "name": used["name"],
            "lon": used.geometry.x,
            "lat": used.geometry.y,
            "residue_kg": sums["residue_kg"].reindex(used.index),
            "char_kg": sums["char_kg"].reindex(used.index),
            "mean_carry_m": (carried["carried_m_kg"] / carried["mass_kg"]).reindex(used.index).fillna(0.0),
            "several_weeks": several.groupby("site_id").size().reindex(used.index, fill_value=0).astype(int),
            "barrel_weeks": sums["barrels"].reindex(used.index).astype(int),
            "first_week": weeks.groupby("site_id")["week"].min().reindex(used.index).astype(int),
            "last_week": weeks.groupby("site_id")["week"].max().reindex(used.index).astype(int),
        }
    ).rename_axis("site_id")


def site_numbers(site_table: pd.DataFrame, villages: pd.Index) -> pd.Series:
    """Number of each opened site within its village, from 1, by first week and residue; in the order of `villages`."""
    rank = site_table["village"].map({v: i for i, v in enumerate(villages)})
    order = ["rank", "first_week", "residue_kg"]
    table = site_table.assign(rank=rank).sort_values(order, ascending=[True, True, False], kind="stable")
    return table.groupby("village").cumcount() + 1


def site_names(site_table: pd.DataFrame, villages: pd.Series, words: Words) -> dict[str, str]:
    """What each opened site is called on every output: its own name, else its village's and its number there.

    `villages` are the villages' names by id, in the order of the ranking, in which the sites come too.
    """
    number = site_numbers(site_table, villages.index)
    table = site_table.loc[number.index]
    village = table["village"].map(villages).fillna(table["village"]).astype(str)
    return {
        str(site): name
        if name and name != str(site)
        else words("sheet.site_name", village=village[site], n=words.number(number[site]))
        for site, name in table["name"].astype(str).items()
    }


def _field_table(fields: Fields, supply: Supply, carries: pd.DataFrame) -> pd.DataFrame:
    lots = supply.lots.groupby("field_id")
    windows = lots.agg(free_kg=("mass_kg", "sum"), ready_week=("ready_week", "min"), clear_week=("clear_week", "max"))
    taken = carries.groupby("field_id").agg(
        taken_kg=("taken_kg", "sum"),
        carried_kg=("mass_kg", "sum"),
        first_carried_week=("week", "min"),
        last_carried_week=("week", "max"),
    )
    table = fields.frame[["village", "crop", "area_ha", "estimated"]].join(windows).join(taken)
    table = table.fillna({"free_kg": 0.0, "taken_kg": 0.0, "carried_kg": 0.0})
    for column in ("ready_week", "clear_week", "first_carried_week", "last_carried_week"):
        table[column] = table[column].fillna(-1).astype(int)
    table["lost_kg"] = (table["free_kg"] - table["carried_kg"]).clip(lower=0.0)
    return table.rename_axis("field_id").drop(columns="taken_kg")


def _village_table(
    fields: Fields,
    supply: Supply,
    sites: Sites,
    weeks: pd.DataFrame,
    weighed: pd.DataFrame,
    several: pd.DataFrame,
    placement: Placement,
    fleet: np.ndarray,
    settings: Settings,
) -> pd.DataFrame:
    index = fields.villages.index
    free = supply.lots.groupby("village")["mass_kg"].sum().reindex(index, fill_value=0.0)
    given = weighed.groupby("village")["mass_kg"].sum().reindex(index, fill_value=0.0)
    work = weeks.groupby("village")[["residue_kg", "char_kg", "barrels"]].sum().reindex(index, fill_value=0.0)
    at_site = weighed.assign(site_village=weighed["site_id"].map(sites.frame["village"]))
    carried = at_site.groupby("site_village")[["carried_m_kg", "mass_kg"]].sum().reindex(index, fill_value=0.0)
    mean_m = (carried["carried_m_kg"] / carried["mass_kg"].where(carried["mass_kg"] > 0)).fillna(0.0)
    table = pd.DataFrame(
        {
            "name": fields.villages["name"],
            "lon": fields.villages.geometry.x,
            "lat": fields.villages.geometry.y,
            "deploy": index.isin(weeks["village"]),
            "fields": fields.frame.groupby("village").size().reindex(index, fill_value=0).astype(int),
            "residue_free_kg": free,
            "residue_given_kg": given,
            "residue_kg": work["residue_kg"],
            "char_kg": work["char_kg"],
            "mean_carry_m": mean_m,
            "several_weeks": several.groupby("village")["week"].nunique().reindex(index, fill_value=0).astype(int),
            "barrel_weeks": work["barrels"].astype(int),
            "most_barrels": weeks.groupby(["village", "week"])["barrels"].sum().groupby("village").max()
            .reindex(index, fill_value=0).astype(int),
        }
    )  # fmt: skip
    places = sites.frame["village"].value_counts().reindex(index, fill_value=0)
    scarce = frozenset(np.flatnonzero(placement.barrels.sum(axis=0) >= fleet).tolist())
    proven = placement.gap <= UNPROVEN
    table["reason"] = [
        _reason(row, int(places[village]), scarce, proven, supply, str(village))
        for village, row in zip(table.index, table.itertuples(), strict=True)
    ]
    order = ["several_weeks", "barrel_weeks", "residue_free_kg"]
    return table.sort_values(order, ascending=False, kind="stable").rename_axis("village_id")


def _reason(row: object, places: int, full: frozenset[int], proven: bool, supply: Supply, village: str) -> str:
    """Why a village stands where it stands: one of a few fixed words, which the word files turn into sentences."""
    if row.several_weeks > 0:  # type: ignore[attr-defined]
        return "several"
    if row.deploy:  # type: ignore[attr-defined]
        return "some"
    if row.residue_free_kg <= 0:  # type: ignore[attr-defined]
        return "no_residue"
    if row.residue_given_kg > 0:  # type: ignore[attr-defined]
        return "given_elsewhere"
    if places == 0:
        return "no_place"
    lots = supply.lots[supply.lots["village"] == village]
    open_weeks = {w for a, b in zip(lots["ready_week"], lots["clear_week"], strict=True) for w in range(a, b + 1)}
    if open_weeks & full:
        return "better_elsewhere"
    return "too_little" if proven else "search_ended"
