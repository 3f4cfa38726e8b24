"""What was fetched in weeks already worked comes off the fields: a new plan has it only as it was fetched.

Residue that the plan in force fetched in weeks that have begun becomes lots of its own, each for the one place and the
one week of its fetching; what is left of the field is free only in the weeks that are planned anew. A field that was
divided since gives by its parts, fields put together give together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from sourcing.carrying.carry import Arcs
from sourcing.carrying.sites import Sites
from sourcing.errors import Finding
from sourcing.intake.fields import Fields
from sourcing.intake.lineage import match_fields
from sourcing.residue.supply import Supply
from sourcing.season.near import Near
from sourcing.weeks import monday

STREAM = ["field_id", "crop", "residue"]
_NOTHING_KG = 1e-6
WORTH_TELLING_KG = 1.0


@dataclass(frozen=True)
class Fetched:
    """What was fetched already."""

    lots: pd.DataFrame
    """Index lot (of the supply it came with): site_id and week of the fetching."""
    first_open_week: int
    """First week planned anew; what was not fetched yet is free from it on."""
    kg: float
    """Fetched in weeks worked and taken off the fields [dry kg as it lay when ready]."""
    unknown_kg: float
    """Fetched from fields, or of residues, that are not there any more as the fields are now known [dry kg]."""

    @property
    def facts(self) -> dict[str, Any]:
        """For the record of the plan."""
        return {"fetched_kg": round(self.kg, 3), "fetched_unknown_kg": round(self.unknown_kg, 3)}


def after_fetching(supply: Supply, fields: Fields, near: Near) -> tuple[Supply, Fetched | None]:
    """The supply with what was fetched in weeks worked as lots of their own; None where no week was worked."""
    if near.from_day is None:
        return supply, None
    calendar, lots = supply.calendar, supply.lots
    first_open = sum(calendar.monday(w) < near.from_day for w in range(calendar.count))
    worked = near.carries[[monday(w) < near.from_day for w in near.carries["week"]]]
    worked = worked.sort_values("week", kind="stable")
    parts = _parts(near.fields, fields.frame, set(worked["field"]))
    order = lots.sort_values("ready_week", kind="stable").index
    streams = {
        tuple(map(str, key)): lots.index.get_indexer(at)
        for key, at in pd.Series(order, order).groupby([lots.loc[order, c].astype(str) for c in STREAM]).groups.items()
    }
    number = {label: w for w, label in enumerate(calendar.labels)}
    left = lots["mass_kg"].to_numpy(dtype=float).copy()
    loss = lots["loss_week"].to_numpy(dtype=float)
    pieces: list[tuple[int, str, int, int, float]] = []
    unknown = kg = 0.0
    for row in worked.itertuples():
        wanted = float(row.taken_kg)
        for new, share in parts.get(str(row.field), ()):
            part = float(row.taken_kg) * share
            for at in streams.get((new, str(row.crop), str(row.residue)), ()):
                take = min(part, left[at])
                if take > _NOTHING_KG:
                    left[at] -= take
                    part, wanted, kg = part - take, wanted - take, kg + take
                    if row.week in number:
                        lain = _weeks_lain(row.mass_kg / row.taken_kg, loss[at])
                        pieces.append((int(at), str(row.site), number[row.week], lain, take))
        unknown += max(wanted, 0.0)
    whole, taken = _split(lots, left, pieces)
    told = () if unknown < WORTH_TELLING_KG else (_unknown(unknown, near.name),)
    return replace(supply, lots=whole, findings=(*supply.findings, *told)), Fetched(taken, first_open, kg, unknown)


def _parts(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame, used: set[str]) -> dict[str, list[tuple[str, float]]]:
    """For each old field the fields that it is now, each with its share of the old one; shares sum to 1."""
    links = match_fields(old, new)
    links = links[links["old"].isin(used) & (links["new"] != "")]
    one = links["relation"].isin(["same", "changed", "redrawn", "moved"])
    weight = links["share_old"].where(~one, 1.0)
    share = weight / weight.groupby(links["old"]).transform("sum")
    found: dict[str, list[tuple[str, float]]] = {}
    for before, after, part in zip(links["old"], links["new"], share, strict=True):
        found.setdefault(str(before), []).append((str(after), float(part)))
    return found


def _weeks_lain(kept: float, loss_week: float) -> int:
    """Weeks that residue lay before it was fetched, from the share of it that was not lost."""
    return round(math.log(kept) / math.log1p(-loss_week)) if 0 < kept < 1 and 0 < loss_week < 1 else 0


def _split(
    lots: pd.DataFrame, left: np.ndarray, pieces: list[tuple[int, str, int, int, float]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The lots with what is left of them, and after them what was fetched; and where and when that was."""
    table = pd.DataFrame(pieces, columns=["at", "site_id", "week", "lain", "kg"])
    table = table.groupby(["at", "site_id", "week", "lain"], as_index=False)["kg"].sum()
    mass = lots["mass_kg"].to_numpy(dtype=float)
    keep = left > _NOTHING_KG
    rest = _of_mass(lots[keep], left[keep] / mass[keep])
    at = table["at"].to_numpy(dtype=np.int64)
    fetched = _of_mass(lots.iloc[at], table["kg"].to_numpy(dtype=float) / mass[at])
    week = table["week"].to_numpy(dtype=np.int64)
    lain = table["lain"].to_numpy(dtype=np.int64)
    fetched = fetched.assign(ready_week=np.maximum(week - lain, 0), clear_week=week)
    whole = pd.concat([rest, fetched], ignore_index=True).rename_axis("lot")
    return whole, table[["site_id", "week"]].set_axis(whole.index[len(rest) :], axis=0)


def _of_mass(lots: pd.DataFrame, share: np.ndarray) -> pd.DataFrame:
    return lots.assign(**{name: lots[name].to_numpy(dtype=float) * share for name in ("mass_kg", "low_kg", "high_kg")})


def _unknown(kg: float, plan: str) -> Finding:
    return Finding(
        "look", plan, None, "fetched_unknown",
        f"{kg / 1000:,.2f} t dry were fetched in weeks worked that the fields, as now known, cannot have given",
        "fields from which something was fetched", "nothing, if the survey is right: it could not be taken off a field",
    )  # fmt: skip


def as_fetched(arcs: Arcs, fetched: Fetched | None, sites: Sites) -> Arcs:
    """The ways of carrying, with what was fetched only to where and when it was, and the rest only from now on."""
    if fetched is None:
        return arcs
    frame = arcs.frame
    there = fetched.lots.reindex(frame["lot"])
    was = there["week"].notna().to_numpy()
    place = sites.frame.index.get_indexer(there["site_id"])
    week = there["week"].fillna(-1).to_numpy(dtype=np.int64)
    first = np.maximum(frame["first_week"].to_numpy(dtype=np.int64), fetched.first_open_week)
    last = frame["last_week"].to_numpy(dtype=np.int64)
    frame = frame.assign(first_week=np.where(was, week, first), last_week=np.where(was, week, last))
    keep = np.where(was, frame["site"].to_numpy() == place, last >= first)
    return replace(arcs, frame=frame[keep].reset_index(drop=True))
