"""What lies in the fields that nobody surveyed: an estimate by crop from the surveyed fields, kept apart from them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.stats import t as student

from sourcing.residue.chain import village_ids
from sourcing.residue.supply import Supply
from sourcing.settings import Settings

if TYPE_CHECKING:
    from sourcing.intake.fields import Fields

COLUMNS = ("village", "crop", "residue", "fields", "surveyed_kg", "low_kg", "estimated_kg", "high_kg")
SURE = 0.90
"""Share of chances that the interval is to hold."""
_FEW = 5
"""With fewer surveyed fields than this their spread is taken from the crop in all villages."""


def unsurveyed_supply(supply: Supply, fields: Fields, settings: Settings) -> pd.DataFrame:
    """Estimated free residue [dry kg] of each village's fields that the survey does not cover, by crop and residue.

    Columns :data:`COLUMNS`: the surveyed fields and their free residue, and low, estimated, high of the rest. The
    rest is estimated at surveyed x (1 - c) / c, c being `supply.surveyed` of the village; the surveyed fields are
    taken for a simple random draw of n from N = n / c, so that the error of the rest has the variance
    (N - n) s^2 N / n (Cochran 1977, Sampling Techniques, ch. 2, from memory), with s the spread between fields, and the
    interval holds in 90 of 100 cases (Student's t). It knows nothing of fields that differ because nobody went there.
    Empty unless `supply.estimate_unsurveyed` is set. Fields that are estimates themselves are not counted.
    """
    empty = pd.DataFrame({c: pd.Series(dtype=str if i < 3 else float) for i, c in enumerate(COLUMNS)})
    if not settings.supply.estimate_unsurveyed or not settings.supply.surveyed:
        return empty
    own = fields.frame.index[~fields.frame["estimated"].to_numpy(dtype=bool)]
    chain = supply.chain[["field_id", "village", "crop", "residue", "free_kg"]].astype(
        {"field_id": str, "village": str, "crop": str, "residue": str}
    )
    chain = chain[chain["field_id"].isin(own.astype(str))]
    if "flow_residue" in fields.frame:
        points = fields.frame.index[fields.frame["flow_residue"].fillna("").astype(str) != ""]
        chain = chain[~chain["field_id"].isin(points.astype(str))]
    known = village_ids(fields.villages)
    shares = {known[v.casefold()]: s for v, s in settings.supply.surveyed.items() if v.casefold() in known}
    by_kind = chain.groupby(["crop", "residue"])["free_kg"].agg(["mean", "std", "size"])
    rows = []
    for key, group in chain.groupby(["village", "crop", "residue"]):
        village, crop, residue = (str(part) for part in key)
        covered = shares.get(village, 1.0)
        if covered >= 1.0:
            continue
        free = group["free_kg"].to_numpy()
        count, total = len(free), float(free.sum())
        whole = count / covered
        spread, freedom = float(np.std(free, ddof=1)) if count >= _FEW else np.nan, count - 1
        if count < _FEW:
            kind = by_kind.loc[(crop, residue)]
            relative = kind["std"] / kind["mean"] if kind["size"] >= 2 and kind["mean"] > 0 else 1.0
            spread, freedom = float(relative) * total / count, max(int(kind["size"]) - 1, 1)
        rest = total * (1.0 - covered) / covered
        half = student.ppf(0.5 + SURE / 2, freedom) * np.sqrt((whole - count) * whole / count) * spread
        rows.append((village, crop, residue, count, total, max(rest - half, 0.0), rest, rest + half))
    return pd.DataFrame(rows, columns=list(COLUMNS)) if rows else empty
