"""From what a field grows to what is free to take: soil cover, what animals, hearths and roofs need, and the rest."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding
from sourcing.residue.cover import cover_by_slope, cover_mass_kg_ha
from sourcing.residue.ratios import above_ground_guarded, dry_from_dry_ratio, dry_from_ratio
from sourcing.residue.residues import Array, Ints, Pairs, pair_table, per_product, refuse
from sourcing.settings import Settings
from sourcing.values import Estimate, Values
from sourcing.weeks import DAYS_A_WEEK


@dataclass(frozen=True)
class Streams:
    """Which field and which pair each stream belongs to (S,), each field's first stream (N,), and which streams are
    waste points (S,): residue that is gathered already, so that nothing of it stays on a field or is spoken for.
    """

    field: Ints
    pair: Ints
    first: Ints
    point: npt.NDArray[np.bool_]

    def collectable(self, pairs: Pairs) -> Array:
        """Share that can be collected by stream (S,)."""
        return np.where(self.point, 1.0, pairs.p["collectable_share"][self.pair])

    def serves_cover(self, pairs: Pairs) -> Array:
        """1 for streams that may stay as soil cover, else 0 (S,)."""
        return np.where(self.point, 0.0, pairs.p["serves_cover"][self.pair])


def make_streams(crop_code: Ints, pairs: Pairs, point_pair: Ints) -> Streams:
    """One stream a field and residue of its crop, fields in order; of a waste point only `point_pair` (N,), which is
    -1 for fields.
    """
    is_point = point_pair >= 0
    count = np.where(is_point, 1, pairs.count[crop_code])
    first = np.cumsum(count) - count
    field = np.repeat(np.arange(len(crop_code)), count)
    pair = pairs.first[crop_code][field] + np.arange(len(field)) - first[field]
    point = is_point[field]
    return Streams(field, np.where(point, point_pair[field], pair), first, point)


def figure_uses(streams: Streams, pairs: Pairs) -> dict[str, Array]:
    """Shares of fodder, fuel and thatch by stream (S,) from the figures."""
    shares = ((name, pairs.p[f"{name}_share"][streams.pair]) for name in ("fodder", "fuel", "thatch"))
    return {name: np.where(streams.point, 0.0, share) for name, share in shares}


def village_ids(villages: pd.DataFrame) -> dict[str, str]:
    """The id of a village by its id and by its name, whatever the case."""
    ids = [str(i) for i in villages.index]
    by_name = dict(zip((str(n).casefold() for n in villages["name"]), ids, strict=True)) if "name" in villages else {}
    return {**by_name, **{i.casefold(): i for i in ids}}


def unknown_in_uses(villages: pd.DataFrame, settings: Settings, values: Values) -> list[Finding]:
    """Entries of `supply.village_uses` and `supply.surveyed` that name a village, crop or residue nobody knows."""
    known = village_ids(villages)
    out = []
    for entry in settings.supply.village_uses:
        crops = [entry.crop] if entry.crop else list(values.crops())
        if entry.village and entry.village.casefold() not in known:
            out.append(_unknown("village_uses", f"village '{entry.village}'", sorted(known.values())))
        if entry.crop and entry.crop not in values.crops():
            out.append(_unknown("village_uses", f"crop '{entry.crop}'", list(values.crops())))
        elif entry.residue and not any(entry.residue in values.residues(c) for c in crops):
            out.append(
                _unknown("village_uses", f"residue '{entry.residue}'", [r for c in crops for r in values.residues(c)])
            )
    for village in settings.supply.surveyed:
        if village.casefold() not in known:
            out.append(_unknown("surveyed", f"village '{village}'", sorted(known.values())))
    return out


def _unknown(option: str, found: str, known: list[str]) -> Finding:
    shown = ", ".join(known[:8]) + (" …" if len(known) > 8 else "")
    return refuse("unknown_name", f"supply.{option} names {found}", shown, "write it as the survey does")


def village_uses(
    frame: pd.DataFrame, villages: pd.DataFrame, streams: Streams, pairs: Pairs, settings: Settings
) -> dict[str, Array]:
    """Shares of fodder, fuel and thatch by stream (S,): the figures, with the villages' own word in their place.

    Later entries of `supply.village_uses` win over earlier ones.
    """
    uses = figure_uses(streams, pairs)
    if not settings.supply.village_uses:
        return uses
    village = frame["village"].astype(str).to_numpy()
    ids = village_ids(villages)
    for entry in settings.supply.village_uses:
        pair_ok = np.array(
            [entry.crop in ("", c) and entry.residue in ("", r) for c, r in zip(pairs.crop, pairs.residue, strict=True)]
        )
        mine = pair_ok[streams.pair] & ~streams.point
        if entry.village:
            mine &= (village == ids[entry.village.casefold()])[streams.field]
        for name in uses:
            share = getattr(entry, name)
            if share is not None:
                uses[name] = np.where(mine, share, uses[name])
    return uses


def cover_need(
    frame: pd.DataFrame,
    crop_code: Ints,
    land: dict[str, Any],
    pairs: Pairs,
    settings: Settings,
    values: Values,
    slopes: pd.Series | None,
) -> Array:
    """Dry residue that each field must keep for cover [kg], counted at harvest (N,); infinite where all must stay.

    Leaf litter that is shed before harvest covers the soil too: its share of Gregory's exponent is taken off first.
    """
    wished = settings.supply.ground_cover
    cover: Array = np.full(len(frame), wished)
    if slopes is not None:
        by_field = slopes.reindex(frame.index).to_numpy(dtype=np.float64)
        cover = cover_by_slope(
            by_field,
            wished,
            values["supply.slope.ground_cover"],
            values["supply.slope.more_cover_from"],
            values["supply.slope.all_stays_from"],
        )
    estimate = settings.supply.estimate
    surviving = values.pick("supply.cover.surviving_share", estimate) if settings.supply.cover_at == "sowing" else 1.0
    coefficient = pairs.c["cover"][crop_code]
    by_litter = pairs.c["litter"][crop_code] * values.pick("supply.cover.litter_coefficient_ha_kg", estimate)
    mass = cover_mass_kg_ha(cover, coefficient) / surviving - by_litter / coefficient
    return np.asarray(np.maximum(mass, 0.0) * land["area_ha"])


def grown_by_stream(
    land: dict[str, Any], streams: Streams, pairs: Pairs, settings: Settings, values: Values, method: str = ""
) -> Array:
    """Dry residue grown by stream [kg] (S,), by the method chosen. A part of the product itself (shell, husk), and a
    crop the method has no row for, go by the residue-to-product ratio.
    """
    method = method or settings.supply.ratio_method
    product = land["product_kg"][streams.field]
    k = streams.pair
    crop = land["crop"][streams.field]
    dry_share = pairs.c["dry_share"][crop]
    by_ratio = np.where(
        pairs.dry_ratio[k],
        dry_from_dry_ratio(product, dry_share, pairs.p["residue_to_product"][k]),
        dry_from_ratio(product, pairs.p["residue_to_product"][k], pairs.p["ratio_moisture"][k]),
    )
    if method == "ratio":
        return _counted_apart(land, streams, pairs, by_ratio)
    share = pairs.p["above_ground_share"][k]
    if method == "ipcc_2019":
        whole = dry_from_dry_ratio(product, dry_share, pairs.c["ratio_19"][crop])
    else:
        area = land["area_ha"][streams.field]
        dry_yield = land["yield_t_ha"][streams.field] * dry_share
        guard = values["ipcc.2006.guard_yield_dry_t_ha"]
        whole = area * 1000.0 * above_ground_guarded(
            dry_yield, pairs.c["slope"][crop], pairs.c["intercept"][crop], guard
        )  # fmt: skip
    return _counted_apart(land, streams, pairs, np.where((share > 0) & np.isfinite(whole), whole * share, by_ratio))


def _counted_apart(land: dict[str, Any], streams: Streams, pairs: Pairs, grown: Array) -> Array:
    """Residue grown [kg] (S,) with plants counted one by one (palms, clumps) and waste points by their flow."""
    plants = land["plants"][streams.field]
    each = pairs.p["per_plant_dry_kg"][streams.pair]
    by_plant = np.isfinite(plants) & np.isfinite(each) & ~streams.point
    if by_plant.any():
        grown = np.where(by_plant, plants * each, grown)
    if streams.point.any():
        weeks = (land["end"] - land["start"] + 1) / DAYS_A_WEEK
        grown = np.where(streams.point, (land["flow_kg_week"] * weeks)[streams.field], grown)
    return grown


def split(
    streams: Streams, grown: Array, collectable_share: Array, serves: Array, need: Array, uses: dict[str, Array]
) -> dict[str, Array]:
    """What becomes of the residue grown [kg] (S,): the parts uncollectable, cover, fodder, fuel, thatch and free.

    Cover comes first: what cannot be collected and lies in the field counts towards it, and only what is still
    lacking is taken from residue that could be collected, in proportion. The household's uses are shares of what is
    then taken off the field; where they sum to more than one they share it. So nothing is counted twice and nothing
    is negative. `serves` (S,): 1 for residues that may stay as cover.
    """
    collectable = grown * collectable_share
    uncollectable = grown - collectable
    on_soil = np.add.reduceat(uncollectable * serves, streams.first)
    could = collectable * serves
    total = np.add.reduceat(could, streams.first)
    lacking = np.maximum(need - on_soil, 0.0)
    share = np.where(total > 0, np.minimum(lacking / np.where(total > 0, total, 1.0), 1.0), 0.0)
    cover = could * share[streams.field]
    left = np.maximum(collectable - cover, 0.0)
    scale = left / np.maximum(uses["fodder"] + uses["fuel"] + uses["thatch"], 1.0)
    out = {"uncollectable_kg": uncollectable, "cover_kg": cover}
    for name in ("fodder", "fuel", "thatch"):
        out[f"{name}_kg"] = uses[name] * scale
    spoken_for = out["fodder_kg"] + out["fuel_kg"] + out["thatch_kg"]
    out["free_kg"] = np.maximum(left - spoken_for, 0.0)
    return out


def range_of(
    land: dict[str, Any],
    streams: Streams,
    pairs: Pairs,
    settings: Settings,
    values: Values,
    grown: Array,
    need: Array,
    uses: dict[str, Array],
    free: Array,
) -> tuple[Array, Array]:
    """Low and high of each stream over its likely mass (S,): one cause at a time, joined as independent causes are.

    Causes: the ratio with the yield (the survey's error where a yield was given, else the crop's range), the share
    that can be collected, and the uses where the village did not give them.
    """
    if settings.supply.estimate != "likely":
        return np.ones_like(grown), np.ones_like(grown)
    ends: dict[Estimate, Array] = {}
    low_table, _ = pair_table(pairs.crops, settings, values, "low")
    high_table, _ = pair_table(pairs.crops, settings, values, "high")
    tables: dict[Estimate, Pairs] = {"low": low_table, "high": high_table}
    serves, collect = streams.serves_cover(pairs), streams.collectable(pairs)
    figures = figure_uses(streams, pairs)
    error = math.hypot(values["supply.survey.yield_error_share"], values["supply.survey.area_error_share"])
    crop = land["crop"]
    for end, table in tables.items():
        way = -1.0 if end == "low" else 1.0
        likely_ratio = per_product(pairs)
        ratio = np.divide(per_product(table), likely_ratio, out=np.ones_like(likely_ratio), where=likely_ratio > 0) - 1
        from_yield = np.where(
            land["yield_given"], way * error, table.c["yield_t_ha"][crop] / pairs.c["yield_t_ha"][crop] - 1.0
        )[streams.field]
        change = way * np.hypot(np.where(streams.point, 0.0, ratio[streams.pair]), from_yield)
        bent = grown * np.maximum(1.0 + change, 0.0)
        by_amount = split(streams, bent, collect, serves, need, uses)["free_kg"] - free
        by_share = split(streams, grown, streams.collectable(table), serves, need, uses)["free_kg"] - free
        bent_uses = figure_uses(streams, table)
        other = {n: np.where(uses[n] == figures[n], bent_uses[n], uses[n]) for n in uses}
        by_uses = split(streams, grown, collect, serves, need, other)["free_kg"] - free
        ends[end] = way * np.sqrt(by_amount**2 + by_share**2 + by_uses**2)
    safe = np.where(free > 0, free, 1.0)
    low = np.where(free > 0, np.maximum(1.0 + ends["low"] / safe, 0.0), 1.0)
    high = np.where(free > 0, 1.0 + ends["high"] / safe, 1.0)
    return low, np.minimum(high, np.where(free > 0, grown / safe, 1.0))
