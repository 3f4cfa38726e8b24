"""Moisture: wet and dry basis, equilibrium with the air, and drying towards it.

Wet basis counts water a mass as it lies; dry basis counts water a dry mass. Fuel standards use the wet basis,
equilibrium equations the dry one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def dry_basis(wet: npt.ArrayLike) -> Array:
    """Moisture a dry mass [kg/kg] from moisture on wet basis [0-1): w / (1 - w)."""
    w = np.asarray(wet, float)
    return np.asarray(w / (1.0 - w), float)


def wet_basis(dry: npt.ArrayLike) -> Array:
    """Moisture on wet basis [0-1) from moisture a dry mass [kg/kg]: u / (1 + u)."""
    u = np.asarray(dry, float)
    return np.asarray(u / (1.0 + u), float)


def wet_mass_kg(dry_kg: npt.ArrayLike, moisture: npt.ArrayLike) -> Array:
    """Mass as it lies [kg] of dry mass [kg] at a moisture on wet basis [0-1)."""
    return np.asarray(np.asarray(dry_kg, float) / (1.0 - np.asarray(moisture, float)), float)


def equilibrium_moisture(humidity: npt.ArrayLike, temperature_c: npt.ArrayLike) -> Array:
    """Moisture [kg/kg dry basis] that wood comes to in air of relative humidity [0-1] and temperature [degC].

    Hailwood-Horrobin form with the Celsius coefficients of Simpson 1973, Wood Handbook Eq. 4-5. Straw lies 1 to 3
    points higher above 80 % humidity. Humidity is held to 0-0.98, where the fit ends.
    """
    t = np.asarray(temperature_c, float)
    w = 349.0 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    return _hailwood_horrobin(np.asarray(humidity, float), w, k, k1, k2)


def equilibrium_moisture_f(humidity: npt.ArrayLike, temperature_f: npt.ArrayLike) -> Array:
    """As :func:`equilibrium_moisture`, with the Fahrenheit coefficients of Simpson 1973 [degF]; kept as a check."""
    t = np.asarray(temperature_f, float)
    w = 330.0 + 0.452 * t + 0.00415 * t**2
    k = 0.791 + 0.000463 * t - 0.000000844 * t**2
    k1 = 6.34 + 0.000775 * t - 0.0000935 * t**2
    k2 = 1.09 + 0.0284 * t - 0.0000904 * t**2
    return _hailwood_horrobin(np.asarray(humidity, float), w, k, k1, k2)


def _hailwood_horrobin(h: Array, w: Array, k: Array, k1: Array, k2: Array) -> Array:
    kh = k * np.clip(h, 0.0, 0.98)
    top = k1 * kh + 2.0 * k1 * k2 * kh**2
    return np.asarray(18.0 / w * (kh / (1.0 - kh) + top / (1.0 + k1 * kh + k1 * k2 * kh**2)), float)


def drying_step(moisture: Array, equilibrium: Array, rate_day: npt.ArrayLike, days: float = 1.0) -> Array:
    """Moisture [kg/kg dry basis] after `days` in air of one equilibrium: (M - Me) falls by exp(-k t), thin-layer
    (Lewis) form with k [1/day]. Approaches the equilibrium from either side and never passes it.
    """
    return np.asarray(equilibrium + (moisture - equilibrium) * np.exp(-np.asarray(rate_day, float) * days), float)
