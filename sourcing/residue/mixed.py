"""Fields with two crops, and points with a steady flow of residue, as rows that supply can reckon.

Optional columns of the fields: `crop_2` (a second crop in the field), `share_2` (its share of the ground, half where
none is given), `yield_2_t_ha`, `plants` (palms, clumps or bushes counted one by one). A waste point (a mill's husk
heap, a market's leaves, a paper dealer) becomes a row with `flow_residue` and `flow_kg_week` [dry kg a week].
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd

from sourcing.errors import Finding, InputError
from sourcing.geodesy import discs
from sourcing.intake.survey import RawLayer
from sourcing.settings import Settings
from sourcing.values import Values

if TYPE_CHECKING:
    from sourcing.intake.fields import Fields

HALF = 0.5
_POINT_HA = 0.01


def with_second_crops(fields: Fields, values: Values) -> Fields:
    """Fields in which each row with a `crop_2` is two: the field's own number for the first crop, and 'NUMBER+CROP'
    for the second, on their shares of the ground. Rows without one are as they were.

    Raises InputError, all at once, for a crop nobody knows or a share that is not between 0 and 1.
    """
    frame = fields.frame
    if "crop_2" not in frame:
        return fields
    second = frame["crop_2"].fillna("").astype(str)
    both = second != ""
    share = (frame["share_2"] if "share_2" in frame else pd.Series(np.nan, frame.index)).astype(float).fillna(HALF)
    known = set(values.crops())
    faults = [
        _fault("fields", _row(frame, i), f"second crop '{second[i]}'", "a crop of `sourcing values`")
        for i in frame.index[both & ~second.isin(known)]
    ]
    faults += [
        _fault("fields", _row(frame, i), f"share of the second crop {share[i]:g}", "more than 0 and less than 1")
        for i in frame.index[both & ~((share > 0) & (share < 1))]
    ]
    if faults:
        raise InputError(faults)
    first = frame.copy()
    first.loc[both, "area_ha"] = first.loc[both, "area_ha"] * (1.0 - share[both])
    other = frame[both].copy()
    other["crop"] = second[both]
    other["area_ha"] = other["area_ha"] * share[both]
    other["yield_t_ha"] = other["yield_2_t_ha"].astype(float) if "yield_2_t_ha" in other else np.nan
    if "plants" in other:
        other["plants"] = np.nan
    other.index = pd.Index([f"{i}+{c}" for i, c in other["crop"].items()], name=frame.index.name)
    whole = pd.concat([first, other]).drop(columns=["crop_2", "share_2", "yield_2_t_ha"], errors="ignore")
    return replace(fields, frame=whole)


def with_waste_points(fields: Fields, points: RawLayer | None, settings: Settings, values: Values) -> Fields:
    """Fields and, as further rows, the waste points: numbered 'point NAME', in the village whose point lies nearest,
    flowing from the first to the last day of the season (or of all harvests, where the season does not say).

    Raises InputError, all at once, for a residue nobody knows or a flow that is no number above zero.
    """
    if points is None or points.frame.empty:
        return fields
    raw = points.frame.to_crs("EPSG:4326")
    names = raw["name"].fillna("").astype(str) if "name" in raw else pd.Series("", raw.index)
    residue = raw["residue"].astype(str).str.strip().str.lower() if "residue" in raw else pd.Series("", raw.index)
    flow = pd.to_numeric(raw["t_week"], errors="coerce") if "t_week" in raw else pd.Series(np.nan, raw.index)
    known = {f"{c}/{r}" for c in values.crops() for r in values.residues(c)}
    faults = []
    for i in raw.index:
        row = int(raw["row"][i])
        if residue[i] not in known:
            faults.append(_fault(points.file, row, f"residue '{residue[i]}'", "CROP/RESIDUE as in `sourcing values`"))
        if not flow[i] > 0:
            faults.append(_fault(points.file, row, f"{flow[i]} t a week", "dry tonnes a week, more than 0"))
    if faults:
        raise InputError(faults)
    middle = raw.geometry.representative_point()
    first, last = _flow_days(fields, settings)
    labels = [n or f"{points.name} {row}" for n, row in zip(names, raw["row"], strict=True)]
    ids = pd.Index([f"point {n}" for n in labels], name=fields.frame.index.name)
    if ids.has_duplicates or ids.isin(fields.frame.index).any():
        ids = pd.Index([f"point {n} ({row})" for n, row in zip(labels, raw["row"], strict=True)], name=ids.name)
    rows = gpd.GeoDataFrame(
        {
            "row": raw["row"].to_numpy(),
            "village": _nearest_village(fields, middle),
            "crop": residue.str.split("/").str[0].to_numpy(),
            "area_ha": _POINT_HA,
            "yield_t_ha": np.nan,
            "harvest_start": pd.Timestamp(first).as_unit("s"),
            "harvest_end": pd.Timestamp(last).as_unit("s"),
            "clear_by": pd.Series(pd.NaT, ids, dtype="datetime64[s]").to_numpy(),
            "share_promised": 1.0,
            "estimated": False,
            "flow_residue": residue.to_numpy(),
            "flow_kg_week": flow.to_numpy() * 1000.0,
        },
        index=ids,
        geometry=discs(middle.x.to_numpy(), middle.y.to_numpy(), np.full(len(raw), _POINT_HA)),
        crs="EPSG:4326",
    )
    own = fields.frame.assign(flow_residue="", flow_kg_week=np.nan)
    for column in own.columns.difference(rows.columns):
        rows[column] = pd.Series(own[column].dtype.type() if own[column].dtype == bool else None, ids)
    return replace(fields, frame=pd.concat([own, rows[own.columns]]))


def _flow_days(fields: Fields, settings: Settings) -> tuple[date, date]:
    frame = fields.frame
    first = settings.season.first_day or frame["harvest_start"].min().date()
    last = settings.season.last_day
    if last is None:
        weeks = timedelta(weeks=settings.supply.collection_weeks)
        last = max(frame["harvest_end"].max().date() + weeks, frame["clear_by"].max().date())
    return first, last


def _nearest_village(fields: Fields, points: gpd.GeoSeries) -> list[str]:
    villages = fields.villages
    lon, lat = villages.geometry.x.to_numpy(), villages.geometry.y.to_numpy()
    out = []
    for x, y in zip(points.x, points.y, strict=True):
        away = (np.cos(np.radians(y)) * (lon - x)) ** 2 + (lat - y) ** 2
        out.append(str(villages.index[int(np.argmin(away))]))
    return out


def _row(frame: pd.DataFrame, field: Hashable) -> int | None:
    return int(frame.loc[field, "row"]) if "row" in frame else None


def _fault(file: str, row: int | None, found: str, expected: str) -> Finding:
    return Finding("refused", file, row, "bad_mixed", found, expected, "mend the row")
