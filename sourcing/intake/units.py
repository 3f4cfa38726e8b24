"""Areas and yields as people state them, in their own units."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding, InputError
from sourcing.geodesy import Floats
from sourcing.intake.cells import as_numbers, as_text, fold, number
from sourcing.intake.ledger import Ledger
from sourcing.intake.survey import RawLayer
from sourcing.values import Values

_AREA_WORDS = {
    "ha": "hectare", "hectares": "hectare", "hectare": "hectare", "hect": "hectare", "m2": "square_metre",
    "sq m": "square_metre", "sqm": "square_metre", "m²": "square_metre", "square metres": "square_metre",
    "square meters": "square_metre", "a": "are", "ares": "are", "are": "are", "km2": "square_kilometre",
    "sq km": "square_kilometre", "ac": "acre", "acre": "acre", "acres": "acre", "sq ft": "square_foot",
    "ft2": "square_foot", "sq yd": "square_yard", "yd2": "square_yard", "gaj": "square_yard", "cents": "cent",
    "gunta": "guntha", "gunthas": "guntha", "guntas": "guntha", "bighas": "bigha", "beegha": "bigha", "kattha": "katha",
    "kathas": "katha", "limas": "lima", "malimas": "lima", "feddans": "feddan", "rais": "rai",
}  # fmt: skip
_YIELD_WORDS = {
    "t ha": "tonne_per_hectare", "t": "tonne_per_hectare", "tonnes ha": "tonne_per_hectare",
    "mg ha": "tonne_per_hectare",
    "kg ha": "kilogram_per_hectare", "kgs ha": "kilogram_per_hectare", "q ha": "quintal_per_hectare",
    "qtl ha": "quintal_per_hectare", "kg acre": "kilogram_per_acre", "kg ac": "kilogram_per_acre",
    "q acre": "quintal_per_acre", "qtl acre": "quintal_per_acre", "quintal acre": "quintal_per_acre",
    "t acre": "tonne_per_acre", "quintal ha": "quintal_per_hectare",
}  # fmt: skip


def _unit_key(text: str, words: dict[str, str]) -> str:
    key = fold(text)
    return words.get(key, words.get(key.replace(" per ", " "), key.replace(" ", "_")))


def _factor(raw: RawLayer, column: str, prefix: str, tail: str, words: dict[str, str], values: Values) -> float:
    """How many of our unit one of theirs is. Raises InputError for a unit that is not known."""
    unit = raw.units.get(column, "")
    if not unit:
        return 1.0
    name = f"{prefix}.{_unit_key(unit, words)}.{tail}"
    if name in values:
        return values[name]
    known = ", ".join(sorted(k.split(".")[0] for k in values.under(prefix)))
    raise InputError(
        [
            Finding(
                "refused", raw.file, None, "unknown_unit", f"{column} is in '{unit}'", f"one of {known}",
                f"mend units.{column} under [layers.fields], or set {name} under [values]",
            )
        ]
    )  # fmt: skip


_WITH_UNIT = re.compile(r"\s*([+-]?[\d.,'\s]*\d)\s*([^\d\s].*?)\s*")


def _in_our_unit(
    column: pd.Series, factor: float, prefix: str, tail: str, words: dict[str, str], values: Values
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Numbers of a column in our unit, by `factor` or by the unit in the cell; and which cells could not be read."""
    numbers, bad = as_numbers(column)
    ours = numbers * factor
    if bad.any():
        text = as_text(column)
        for i in np.flatnonzero(bad):
            match = _WITH_UNIT.fullmatch(text[i])
            name = f"{prefix}.{_unit_key(match[2], words)}.{tail}" if match else ""
            if match and name in values:
                ours[i] = number(match[1]) * values[name]
                bad[i] = np.isnan(ours[i])
    return ours, bad


def stated_area_ha(raw: RawLayer, values: Values, ledger: Ledger) -> Floats:
    """Area as told or written [ha]; NaN where it is not. A unit in the cell ('2.5 acre') wins over the column's."""
    if "area_stated" not in raw.frame.columns:
        return np.full(len(raw.frame), np.nan)
    column = raw.frame["area_stated"]
    factor = _factor(raw, "area_stated", "unit.area", "ha", _AREA_WORDS, values)
    area, bad = _in_our_unit(column, factor, "unit.area", "ha", _AREA_WORDS, values)
    with np.errstate(invalid="ignore"):
        odd = bad | (area <= 0)
    _say(
        raw, ledger, odd, "area_stated", "bad_area", "the stated area", "left out", "an area above 0, with a known unit"
    )
    return np.where(odd, np.nan, area)


def yield_t_ha(
    raw: RawLayer, crop: npt.NDArray[np.object_], values: Values, ledger: Ledger, column: str = "yield_t_ha"
) -> Floats:
    """Yield of the product at field weight [t/ha]; NaN where none is given or it cannot be.

    A unit in the cell ('1800 kg/ha') wins over the column's. `column` may be that of the second crop, of which 0 says
    nothing about the field as a whole.
    """
    if column not in raw.frame.columns:
        return np.full(len(raw.frame), np.nan)
    factor = _factor(raw, column, "unit.yield", "t_ha", _YIELD_WORDS, values)
    result, bad = _in_our_unit(raw.frame[column], factor, "unit.yield", "t_ha", _YIELD_WORDS, values)
    first = column == "yield_t_ha"
    with np.errstate(invalid="ignore"):
        odd = bad | ((result < 0) if first else (result <= 0))
        none = (result == 0) & first
        limits = {c: values[f"crop.{c}.yield_most_t_ha"] for c in set(crop) if f"crop.{c}.yield_most_t_ha" in values}
        most = pd.Series(crop).map(limits).to_numpy(dtype=np.float64, na_value=np.nan)
        high = result > most
    name = "the yield" if first else "the second crop's yield"
    _say(raw, ledger, odd, column, "bad_yield", name, "the crop's usual yield was taken", "a number above 0")
    ledger.mark(
        "set_aside", none, "nothing_grown", "its yield is 0: nothing grew there", "a yield above 0",
        "nothing, unless there was a harvest",
    )  # fmt: skip
    if high.any():
        shown = np.array(
            [f"a yield of {y:.4g} t/ha of {c}; the crop's usual yield was taken" if h else ""
             for y, c, h in zip(result, crop, high, strict=True)], dtype=object,
        )  # fmt: skip
        ledger.mark(
            "mended", high, "impossible_yield", shown, "a yield that the crop can reach, in t/ha",
            "check the unit: kg/ha, or kg a field?",
        )  # fmt: skip
    return np.where(odd | none | high, np.nan, result)


def _say(
    raw: RawLayer,
    ledger: Ledger,
    mask: npt.NDArray[np.bool_],
    column: str,
    what: str,
    name: str,
    done: str,
    expected: str,
) -> None:
    if mask.any():
        text = as_text(raw.frame[column])
        shown = np.array([f"{name} is '{t}'; {done}" for t in text], dtype=object)
        ledger.mark("mended", mask, what, shown, expected, "mend the cell")
