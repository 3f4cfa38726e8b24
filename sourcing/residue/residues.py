"""The figures of every crop and residue in use, laid out as columns, so that fields are reckoned all at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sourcing.errors import Finding, UsageError
from sourcing.residue.ratios import field_weight, ratio_to_field_weight
from sourcing.settings import Settings
from sourcing.values import Estimate, Values

Array = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_LOWERS = ("fodder_share", "fuel_share", "thatch_share", "loss_week_field", "loss_week_cover", "ratio_moisture")
"""Figures of which more means less supply."""
_PROPERTIES = (
    "residue_to_product",
    "ratio_moisture",
    "moisture_ready",
    "drying_days",
    "drying_rate_day",
    "moisture_harvest",
    "bulk_wet_kg_m3",
    "collectable_share",
    "loss_week_field",
    "loss_week_cover",
    "fodder_share",
    "fuel_share",
    "thatch_share",
    "lies_in_field",
    "serves_cover",
    "above_ground_share",
)
_LIKELY_ALWAYS = frozenset(_PROPERTIES[2:7] + _PROPERTIES[-3:])
"""Figures that the estimate does not move: moistures, drying, bulk density and codes."""


@dataclass(frozen=True)
class Pairs:
    """The figures of every crop and residue in use, as columns: pair k is `residue[k]` of `crop[k]`.

    `first` and `count` (C,) say which pairs a crop owns; `p` holds a column (K,) a property, `c` a column (C,).
    """

    crops: tuple[str, ...]
    crop: tuple[str, ...]
    residue: tuple[str, ...]
    first: Ints
    count: Ints
    p: dict[str, Array]
    c: dict[str, Array]
    dry_ratio: npt.NDArray[np.bool_]
    taken: npt.NDArray[np.bool_]
    used: tuple[str, ...]


def pair_table(
    crops: tuple[str, ...], settings: Settings, values: Values, estimate: Estimate
) -> tuple[Pairs, list[Finding]]:
    """The figures of these crops as columns, at one end of their range, and every fault found in them.

    With `estimate` 'low' each figure is taken at the end that gives less residue, with 'high' at the other.
    """
    faults: list[Finding] = []
    method = settings.supply.ratio_method
    other: Estimate = {"low": "high", "likely": "likely", "high": "low"}[estimate]  # type: ignore[assignment]
    p: dict[str, list[float]] = {name: [] for name in (*_PROPERTIES, "per_plant_dry_kg")}
    c: dict[str, list[float]] = {
        n: [] for n in ("yield_t_ha", "dry_share", "cover", "litter", "slope", "intercept", "ratio_19")
    }
    crop_of: list[str] = []
    residues: list[str] = []
    used: list[str] = []
    dry, first, count = [], [], []
    for crop in crops:
        names = values.residues(crop)
        first.append(len(residues))
        count.append(len(names))
        if not names:
            faults.append(refuse("no_figures", f"no figures for the crop '{crop}'", "a crop of `sourcing values`",
                                  "map it under [crop_names], or add its figures with values_file"))  # fmt: skip
            for column in c.values():
                column.append(math.nan)
            continue
        for key, name, end in (
            ("yield_t_ha", f"crop.{crop}.yield_t_ha", estimate),
            ("dry_share", f"crop.{crop}.dry_share", "likely"),
            ("cover", f"crop.{crop}.cover_coefficient_ha_kg", estimate),
            ("litter", f"crop.{crop}.litter_kg_ha", estimate),
        ):
            c[key].append(_figure(values, name, end, faults, used))
        own = settings.crops.get(crop)
        if own is not None and own.yield_t_ha is not None:
            c["yield_t_ha"][-1] = float(to_field_weight(np.array([own.yield_t_ha]), crop, settings, values, faults)[0])
        for key, name, wanted in (
            ("slope", f"ipcc.2006.{crop}.slope", "ipcc_2006"),
            ("intercept", f"ipcc.2006.{crop}.intercept", "ipcc_2006"),
            ("ratio_19", f"ipcc.2019.{crop}.ratio", "ipcc_2019"),
        ):
            known = name in values
            c[key].append(values[name] if known else math.nan)
            if known and method == wanted:
                used.append(name)
        for residue in names:
            crop_of.append(crop)
            residues.append(residue)
            base = f"crop.{crop}.{residue}"
            for key in _PROPERTIES:
                end = other if key in _LOWERS else estimate
                if key in _LIKELY_ALWAYS:
                    end = "likely"
                p[key].append(_figure(values, f"{base}.{key}", end, faults, used))
            each = f"{base}.per_plant_dry_kg"
            p["per_plant_dry_kg"].append(values.pick(each, estimate) if each in values else math.nan)
            basis = values.figure(f"{base}.residue_to_product").basis if f"{base}.residue_to_product" in values else ""
            dry.append(basis == "dry")
            try:
                p["residue_to_product"][-1] = ratio_to_field_weight(
                    p["residue_to_product"][-1], basis or "as_received", crop, values
                )
            except UsageError as exc:
                faults.append(refuse("bad_basis", str(exc), "a ratio against product at field weight", "convert it"))
    chosen = {*settings.supply.residues, *settings.supply.not_collected}
    known_names = {f"{c}/{r}" for c in values.crops() for r in values.residues(c)}
    for name in sorted(chosen - known_names):
        faults.append(refuse("unknown_residue", f"residue '{name}'", "CROP/RESIDUE as in `sourcing values`", "mend"))
    taken = [
        (not settings.supply.residues or f"{a}/{b}" in settings.supply.residues)
        and f"{a}/{b}" not in settings.supply.not_collected
        for a, b in zip(crop_of, residues, strict=True)
    ]
    table = Pairs(
        crops,
        tuple(crop_of),
        tuple(residues),
        np.array(first, dtype=np.int64),
        np.array(count, dtype=np.int64),
        {k: np.array(v, dtype=np.float64) for k, v in p.items()},
        {k: np.array(v, dtype=np.float64) for k, v in c.items()},
        np.array(dry, dtype=bool),
        np.array(taken, dtype=bool),
        tuple(dict.fromkeys(used)),
    )
    faults += _impossible_pairs(table, estimate)
    return table, faults


def _figure(values: Values, name: str, end: str, faults: list[Finding], used: list[str]) -> float:
    if name not in values:
        faults.append(refuse("no_figure", f"there is no figure '{name}'", "a figure", "add it with values_file"))
        return math.nan
    used.append(name)
    return values.pick(name, end)  # type: ignore[arg-type]


def _impossible_pairs(pairs: Pairs, estimate: Estimate) -> list[Finding]:
    out = []
    uses = sum(pairs.p[f"{name}_share"] for name in ("fodder", "fuel", "thatch"))
    over = np.flatnonzero(np.asarray(uses) > 1.0 + 1e-9).tolist() if estimate == "likely" else []
    for k in over:
        found = f"{pairs.crop[k]}/{pairs.residue[k]}: fodder, fuel and thatch sum to {np.asarray(uses)[k]:g}"
        out.append(refuse("shares_over_one", found, "at most 1", "mend the figures"))
    for k, (crop, residue) in enumerate(zip(pairs.crop, pairs.residue, strict=True)):
        for key in ("moisture_ready", "ratio_moisture"):
            if pairs.p[key][k] >= 1.0:
                out.append(refuse("impossible", f"{crop}/{residue}: {key} {pairs.p[key][k]:g}",
                                   "moisture on wet basis below 1", "write 12 % as 0.12"))  # fmt: skip
        if pairs.p["residue_to_product"][k] < 0 or pairs.p["drying_days"][k] < 0:
            out.append(refuse("impossible", f"{crop}/{residue}: a ratio or drying time below zero", "zero or more",
                               "mend the figure"))  # fmt: skip
    for i, crop in enumerate(pairs.crops):
        own = slice(int(pairs.first[i]), int(pairs.first[i] + pairs.count[i]))
        total = float(pairs.p["above_ground_share"][own].sum())
        if total > 1.0 + 1e-9:
            out.append(refuse("shares_over_one", f"{crop}: above_ground_share sums to {total:g}", "at most 1",
                               "mend the figures"))  # fmt: skip
    return out


def loss_week_of(pairs: Pairs) -> Array:
    """Share lost a week by pair (K,): in the field where it lies there, else under cover."""
    return np.where(pairs.p["lies_in_field"] > 0.5, pairs.p["loss_week_field"], pairs.p["loss_week_cover"])


def per_product(table: Pairs) -> Array:
    """Dry residue a product at field weight, up to a constant of the crop (K,)."""
    ratio = table.p["residue_to_product"]
    return np.asarray(np.where(table.dry_ratio, ratio, ratio * (1.0 - table.p["ratio_moisture"])))


def to_field_weight(given: Array, crop: str, settings: Settings, values: Values, faults: list[Finding]) -> Array:
    """Yields [t/ha] as product at field weight, where the season counts the crop's yield as another product."""
    own = settings.crops.get(crop)
    if own is None or not own.yield_counts:
        return given
    try:
        return field_weight(given, crop, own.yield_counts, values)
    except UsageError as exc:
        faults.append(refuse("bad_yield_counts", str(exc), "a product of that crop", f"mend crops.{crop}"))
        return given


def refuse(what: str, found: str, expected: str, remedy: str) -> Finding:
    """A finding that stops the work, about a figure or an option rather than a row."""
    return Finding("refused", "figures", None, what, found, expected, remedy)
