"""What must stay on the soil: cover by mass of residue, and the mass that a wished cover needs.

Gregory 1982, Trans. ASAE 25:1333: cover = 1 - exp(-c M), with c [ha/kg] by crop and M dry residue [kg/ha].
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def ground_cover(mass_kg_ha: npt.ArrayLike, coefficient_ha_kg: npt.ArrayLike) -> Array:
    """Share of the ground covered [0-1] by dry residue [kg/ha]; `coefficient_ha_kg` by crop."""
    return np.asarray(-np.expm1(-np.asarray(coefficient_ha_kg, float) * np.asarray(mass_kg_ha, float)), float)


def cover_mass_kg_ha(cover: npt.ArrayLike, coefficient_ha_kg: npt.ArrayLike) -> Array:
    """Dry residue [kg/ha] that covers a share of the ground [0 <= cover < 1]; infinite at 1."""
    with np.errstate(divide="ignore"):
        return np.asarray(-np.log1p(-np.asarray(cover, float)) / np.asarray(coefficient_ha_kg, float), float)


def cover_by_slope(slope: Array, wished: float, steep: float, more_from: float, all_from: float) -> Array:
    """Cover to be left [0-1] by slope of the field [m/m]: `wished` on gentle ground, at least `steep` from
    `more_from`, everything (1) from `all_from`. A slope that is not known (NaN) counts as gentle.
    """
    s = np.nan_to_num(np.abs(slope), nan=0.0)
    return np.where(s >= all_from, 1.0, np.where(s >= more_from, max(wished, steep), wished))
