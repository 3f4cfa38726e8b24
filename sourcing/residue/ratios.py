"""How much residue a harvest leaves: three published ways from yield to dry residue, kept apart by their basis.

A residue-to-product ratio counts air-dry residue at its stated moisture against product at field weight; the IPCC
relations count dry residue against dry product. Nothing here mixes the two. Products that are counted another way
(milled rice, lint, kernels, copra) are brought to field weight first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sourcing.errors import UsageError
from sourcing.values import Values

Array = npt.NDArray[np.float64]

RATIO_BASES = ("as_received", "dry")
"""What a residue-to-product ratio may count: 'as_received' residue at its stated moisture a field weight of product,
'dry' dry residue a dry product. 'as_received/NAME' counts against a product named in the figures product.CROP.NAME."""


def dry_from_ratio(product_kg: Array, ratio: Array, moisture: Array) -> Array:
    """Dry residue [kg] from product at field weight [kg] and an as-received ratio [kg/kg] stated at `moisture`
    (wet basis, 0-1): product x ratio x (1 - moisture). All of one shape.
    """
    return product_kg * ratio * (1.0 - moisture)


def dry_from_dry_ratio(product_kg: Array, dry_share: Array, ratio: Array) -> Array:
    """Dry residue [kg] from product at field weight [kg], its dry share [0-1] and a dry ratio [kg dry/kg dry].

    This is the form of the 2019 Refinement to the IPCC Guidelines, Vol 4 Ch 11 Table 11.1A (R_AG).
    """
    return product_kg * dry_share * ratio


def above_ground_line(dry_yield_t_ha: Array, slope: Array, intercept: Array) -> Array:
    """Above-ground dry residue [t/ha] = slope x dry yield [t/ha] + intercept; nothing where the yield is nothing.

    IPCC 2006 Guidelines, Vol 4 Ch 11 Table 11.2. The intercept makes the ratio run to infinity at low yields:
    see :func:`above_ground_guarded`.
    """
    y = np.asarray(dry_yield_t_ha, dtype=np.float64)
    return np.where(y > 0.0, slope * y + intercept, 0.0)


def above_ground_guarded(dry_yield_t_ha: Array, slope: Array, intercept: Array, guard_t_ha: float) -> Array:
    """As :func:`above_ground_line`, but below `guard_t_ha` [t/ha dry] in proportion to yield, through zero.

    Continuous at the guard and rising throughout, so that a poor field never shows more residue than a good one.
    """
    y = np.maximum(np.asarray(dry_yield_t_ha, dtype=np.float64), 0.0)
    at_guard = (slope * guard_t_ha + intercept) / guard_t_ha
    return np.where(y < guard_t_ha, y * at_guard, slope * y + intercept)


def field_weight(yield_t_ha: Array, crop: str, counted_as: str, values: Values) -> Array:
    """A yield [t/ha] counted as another product (milled rice, cotton lint), as product at field weight [t/ha].

    Uses the figure product.CROP.NAME.share [kg a kg at field weight]. Raises UsageError when there is none.
    """
    name = f"product.{crop}.{counted_as}.share"
    if name not in values:
        known = sorted(k.split(".")[0] for k in values.under(f"product.{crop}"))
        raise UsageError(f"{crop} cannot be counted as '{counted_as}'; known: {', '.join(known) or 'none'}")
    return np.asarray(yield_t_ha, dtype=np.float64) / values[name]


def ratio_to_field_weight(ratio: float, basis: str, crop: str, values: Values) -> float:
    """A ratio [kg/kg] stated against another product ('as_received/milled') as one against product at field weight.

    Raises UsageError for a basis that nobody can convert.
    """
    if basis in RATIO_BASES:
        return ratio
    head, _, product = basis.partition("/")
    name = f"product.{crop}.{product}.share"
    if head != "as_received" or name not in values:
        raise UsageError(f"a ratio on the basis '{basis}' cannot be used for {crop}; known: {', '.join(RATIO_BASES)}")
    return ratio * values[name]
