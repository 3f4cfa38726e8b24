"""The surveyed fields as plain columns, checked: what is refused, and what needs a look."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding
from sourcing.residue.residues import Array, Ints, Pairs, refuse, to_field_weight
from sourcing.settings import Settings
from sourcing.values import Values

_MOST_FINDINGS = 200


def read_land(
    frame: pd.DataFrame, crop_code: Ints, pairs: Pairs, settings: Settings, values: Values, file: str
) -> tuple[dict[str, Any], list[Finding], list[Finding]]:
    """The fields as plain columns, checked: what is refused and what needs a look."""
    refused: list[Finding] = []
    looks: list[Finding] = []
    rows = frame["row"].to_numpy() if "row" in frame else np.arange(1, len(frame) + 1)
    ids = frame.index.to_numpy()

    def tell(mask: npt.NDArray[np.bool_], what: str, found: Any, expected: Any, remedy: str, look: bool) -> None:
        where = np.flatnonzero(mask)
        out = looks if look else refused
        grade = "look" if look else "refused"
        for i in where[:_MOST_FINDINGS]:
            out.append(Finding(grade, file, int(rows[i]), what, found(i), expected(i), remedy, str(ids[i])))  # type: ignore[arg-type]
        if len(where) > _MOST_FINDINGS:
            rest = f"and {len(where) - _MOST_FINDINGS} more rows alike"
            out.append(Finding(grade, file, None, what, rest, expected(where[0]), remedy))  # type: ignore[arg-type]

    area = frame["area_ha"].to_numpy(dtype=np.float64)
    given = frame["yield_t_ha"].to_numpy(dtype=np.float64)
    promised = frame["share_promised"].to_numpy(dtype=np.float64)
    start = _days(frame["harvest_start"])
    end = _days(frame["harvest_end"])
    clear = _days(frame["clear_by"])
    none = np.iinfo(np.int64).min
    tell(~(np.isfinite(area) & (area > 0)), "bad_area", lambda i: f"area {area[i]:g} ha", lambda i: "more than 0 ha",
         "mend the shape", look=False)  # fmt: skip
    tell(~((promised >= 0) & (promised <= 1)), "bad_share", lambda i: f"share promised {promised[i]:g}",
         lambda i: "from 0 to 1", "write 80 % as 0.8", look=False)  # fmt: skip
    missing = (start == none) | (end == none)
    tell(missing, "no_dates", lambda i: "no harvest dates", lambda i: "first and last day of harvest",
         "give dates, or a region with a crop calendar", look=False)  # fmt: skip
    tell(~missing & (end < start), "dates_turned", lambda i: f"harvest from {_iso(start[i])} to {_iso(end[i])}",
         lambda i: "an end on or after the start", "turn them round", look=False)  # fmt: skip
    has_clear = clear != none
    tell(~missing & has_clear & (clear < start), "clear_before_harvest",
         lambda i: f"clear-by {_iso(clear[i])} before harvest from {_iso(start[i])}",
         lambda i: "a clear-by day after the harvest", "mend one of the dates", look=False)  # fmt: skip
    tell(~missing & has_clear & (clear >= start) & (clear < end), "clear_in_harvest",
         lambda i: f"clear-by {_iso(clear[i])} before the harvest ends on {_iso(end[i])}",
         lambda i: "a clear-by day after the harvest", "what is cut too late counts as lost", look=True)  # fmt: skip
    yields = given.copy()
    for i, crop in enumerate(pairs.crops):
        own = settings.crops.get(crop)
        if own is not None and own.yield_counts:
            mine = crop_code == i
            yields[mine] = to_field_weight(given[mine], crop, settings, values, refused)
            looks.append(Finding("mended", file, None, "yield_converted",
                                 f"yields of {crop} counted as {own.yield_counts}", "product at field weight",
                                 "converted with the figure "
                                 f"product.{crop}.{own.yield_counts}.share"))  # fmt: skip
    if pairs.crops:
        bands = [_band(values, crop) for crop in pairs.crops]
        lowest, highest, most = (np.array([b[j] for b in bands])[crop_code] for j in range(3))
        tell((yields <= 0) | (yields > most), "yield_impossible", lambda i: f"yield {yields[i]:g} t/ha",
             lambda i: f"more than 0 and at most {most[i]:g} t/ha for {pairs.crops[crop_code[i]]}",
             "check the unit (kg/ha?) and the product", look=False)  # fmt: skip
        tell((yields > 0) & (yields <= most) & ((yields < lowest) | (yields > highest)), "yield_odd",
             lambda i: f"yield {yields[i]:g} t/ha",
             lambda i: f"{lowest[i]:g} to {highest[i]:g} t/ha for {pairs.crops[crop_code[i]]}",
             "used; if it counts milled rice, lint, kernels or copra, set yield_counts", look=True)  # fmt: skip
        yields = np.where(np.isnan(yields), pairs.c["yield_t_ha"][crop_code], yields)
    for problem in settings.supply.village_uses:
        total = sum(x or 0.0 for x in (problem.fodder, problem.fuel, problem.thatch))
        if total > 1.0 + 1e-9:
            refused.append(refuse("shares_over_one", f"uses of village '{problem.village or 'all'}' sum to {total:g}",
                                   "at most 1", "mend supply.village_uses"))  # fmt: skip
    plants = _optional(frame, "plants")
    flow = _optional(frame, "flow_kg_week")
    tell(plants < 0, "bad_plants", lambda i: f"{plants[i]:g} plants", lambda i: "none or more", "count", look=False)
    tell(flow < 0, "bad_flow", lambda i: f"{flow[i]:g} kg a week", lambda i: "none or more", "weigh it", look=False)
    point_pair, unknown = _points(frame, pairs)
    tell(unknown, "unknown_residue", lambda i: f"residue '{frame['flow_residue'].iloc[i]}'",
         lambda i: "CROP/RESIDUE as in `sourcing values`", "name it so", look=False)  # fmt: skip
    land = {
        "plants": plants,
        "flow_kg_week": np.nan_to_num(flow),
        "point_pair": point_pair,
        "area_ha": area,
        "yield_t_ha": yields,
        "yield_given": ~np.isnan(given) | np.isfinite(plants) | (point_pair >= 0),
        "share_promised": promised,
        "start": start,
        "end": end,
        "clear": clear,
        "product_kg": area * yields * 1000.0,
        "crop": crop_code,
    }
    return land, refused, looks


def _optional(frame: pd.DataFrame, name: str) -> Array:
    """A column that fields may have, as numbers; NaN where there is none."""
    return frame[name].to_numpy(dtype=np.float64) if name in frame else np.full(len(frame), np.nan)


def _points(frame: pd.DataFrame, pairs: Pairs) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """The pair of each waste point (N,), -1 for fields; and which rows name a residue that nobody knows."""
    if "flow_residue" not in frame:
        return np.full(len(frame), -1), np.zeros(len(frame), dtype=bool)
    number = {f"{c}/{r}": i for i, (c, r) in enumerate(zip(pairs.crop, pairs.residue, strict=True))}
    named = frame["flow_residue"].fillna("").astype(str).to_numpy()
    pair = np.array([number.get(n, -1) for n in named], dtype=np.int64)
    return pair, (named != "") & (pair < 0)


def _band(values: Values, crop: str) -> tuple[float, float, float]:
    if f"crop.{crop}.yield_t_ha" not in values:
        return math.nan, math.nan, math.nan
    fig = values.figure(f"crop.{crop}.yield_t_ha")
    most = f"crop.{crop}.yield_most_t_ha"
    return fig.low, fig.high, (values[most] if most in values else math.inf)  # noqa: SIM401 - not a dict


def _days(column: pd.Series) -> Ints:
    """Days since 1970-01-01; the least integer where missing."""
    return np.asarray(column.to_numpy(dtype="datetime64[D]").astype(np.int64))


def _iso(day: Any) -> str:
    return str(np.datetime64(int(day), "D"))
