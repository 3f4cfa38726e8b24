"""How slope and load change walking: speeds of the published formulas, and the effort of carrying.

Slopes are signed everywhere: rise over run in the direction walked, positive uphill. All formulas take arrays and
give arrays of the same shape; their coefficients are figures (`carry.walk.*`, `carry.effort.*`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
import numpy.typing as npt

from sourcing.values import Values

Floats = npt.NDArray[np.float64]
Walking = Literal["tobler", "naismith_langmuir", "irmischer_clarke"]

KM_H_OF_M_S = 3.6


def tobler_km_h(slope: npt.ArrayLike, values: Values) -> Floats:
    """Walking speed [km/h] by Tobler (1993): top · exp(-decay · |slope - best|).

    Fastest, 6 km/h, on a gentle descent of 5 %; 5.04 km/h on the level. Off the path it is multiplied by the figure
    `carry.off_path.speed_factor`.
    """
    s = np.asarray(slope, dtype=float)
    top, decay, best = (values[f"carry.walk.tobler.{k}"] for k in ("top_km_h", "decay", "best_slope"))
    return np.asarray(top * np.exp(-decay * np.abs(s - best)))


def naismith_langmuir_km_h(slope: npt.ArrayLike, values: Values) -> Floats:
    """Walking speed [km/h] by Naismith (1892) uphill with Langmuir's corrections downhill.

    Time for a metre forward is the level time, plus the climb at 600 m/h; a descent between 5 and 12 degrees saves
    10 minutes for each 300 m, a steeper one costs as much. The steps at 5 and 12 degrees are the formula's own.
    """
    s = np.asarray(slope, dtype=float)
    level, climb = (values[f"carry.walk.naismith.{k}"] for k in ("level_km_h", "climb_m_h"))
    gentle, steep, descent = (values[f"carry.walk.langmuir.{k}"] for k in ("gentle_deg", "steep_deg", "descent_m_h"))
    angle = np.degrees(np.arctan(-s))
    hours_a_m = 1 / (1000 * level) + np.maximum(s, 0) / climb
    hours_a_m = hours_a_m - np.where((angle >= gentle) & (angle <= steep), -s / descent, 0.0)
    hours_a_m = hours_a_m + np.where(angle > steep, -s / descent, 0.0)
    return np.asarray(1 / (1000 * hours_a_m))


def irmischer_clarke_km_h(slope: npt.ArrayLike, values: Values, *, off_path: bool = False) -> Floats:
    """Walking speed [km/h] of men by Irmischer and Clarke (2018): base + rise · exp(-(slope - best)² / (2 width²)).

    The slope is signed (many copies take its absolute value, and then the curve never reaches its peak at -5 %), and
    the width is 30 % with the factor 2 (many copies divide by 3600 in place of 1800). Women walk at
    `carry.walk.irmischer_clarke.woman_factor` of it.
    """
    s = np.asarray(slope, dtype=float)
    part = "off_" if off_path else ""
    get = {k: values[f"carry.walk.irmischer_clarke.{k}"] for k in ("base_m_s", part + "rise_m_s", part + "best_slope")}
    width = values["carry.walk.irmischer_clarke.width"]
    bell = np.exp(-((s - get[part + "best_slope"]) ** 2) / (2 * width**2))
    return np.asarray(KM_H_OF_M_S * (get["base_m_s"] + get[part + "rise_m_s"] * bell))


SPEEDS: dict[str, Callable[[npt.ArrayLike, Values], Floats]] = {
    "tobler": tobler_km_h,
    "naismith_langmuir": naismith_langmuir_km_h,
    "irmischer_clarke": irmischer_clarke_km_h,
}
"""The speed formulas that a season may choose."""


def level_metres(length_m: Floats, slope: Floats, walking: Walking, values: Values) -> Floats:
    """Metres of level path that take as long as each stretch [m], walked in the direction in which `slope` is signed.

    A mode's own speeds are those on the level; slope changes all of them in the same proportion.
    """
    speed = SPEEDS[walking]
    return length_m * (speed(0.0, values) / speed(slope, values))


def figures_of_walking(walking: Walking, values: Values) -> tuple[str, ...]:
    """Names of the figures that a speed formula reads."""
    groups = {"naismith_langmuir": ("naismith", "langmuir")}.get(walking, (walking,))
    return tuple(f"carry.walk.{g}.{k}" for g in groups for k in values.under(f"carry.walk.{g}"))


def pandolf_w(
    body_kg: npt.ArrayLike,
    load_kg: npt.ArrayLike,
    speed_m_s: npt.ArrayLike,
    grade_pct: npt.ArrayLike,
    terrain: npt.ArrayLike,
    values: Values,
) -> Floats:
    """Metabolic power of walking with a load [W] by Pandolf, Givoni and Goldman (1977), for level and rising ground.

    M = 1.5 W + 2.0 (W + L)(L / W)² + η (W + L)(1.5 V² + 0.35 V G), W body and L load [kg], V speed [m/s], G grade [%],
    η terrain factor. It is too low by 12 to 33 % for heavy modern loads (Drain 2017). Downhill the formula is not
    valid: there the correction of Santee is subtracted, with a signed grade, which makes a step of about -9 W to
    +30 W at level; it is told here and not smoothed. No free share of a head-load is taken.
    """
    w, load, v, g, eta = np.broadcast_arrays(
        *(np.asarray(a, dtype=float) for a in (body_kg, load_kg, speed_m_s, grade_pct, terrain))
    )
    stand, carry, speed, climb = (values[f"carry.effort.pandolf.{k}"] for k in ("stand", "load", "speed", "climb"))
    divisor, offset, square = (values[f"carry.effort.santee.{k}"] for k in ("divisor", "offset_pct", "speed"))
    total = w + load
    power = stand * w + carry * total * (load / w) ** 2 + eta * total * (speed * v**2 + climb * v * g)
    correction = eta * (g * total * v / divisor - total * (g + offset) ** 2 / w + (square - v**2))
    return np.asarray(np.where(g < 0, power - correction, power))
