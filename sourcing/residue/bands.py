"""How sure the supply is: a range for each village and week, and which figure to go and measure first.

Sampling, seeded and on columns. What moves together is drawn once for all (a bad year is bad for every field whose
yield nobody measured; a ratio is the same everywhere); what does not is drawn apart (the error of each survey).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.residue.residues import Array
from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.values import Figure, Values

if TYPE_CHECKING:
    from sourcing.intake.fields import Fields

CAUSES = ("season", "crop_yield", "ratio", "collectable", "uses", "cover", "survey")
"""What can be otherwise than likely: the year, a crop's usual yield, its residue ratio, what can be collected, what
households use, what covers the soil, and the survey itself."""
LOW, HIGH = 0.05, 0.95
"""Ends of every band: one year in twenty is lower, one in twenty higher."""
_BLOCK = 4_000_000
_USES = ("fodder", "fuel", "thatch")


@dataclass(frozen=True)
class Bands:
    """Ranges of free residue [dry kg], 5 to 95 %, and where the doubt comes from.

    `weeks`: village, week, low_kg, likely_kg (the plan's figure), mean_kg, high_kg of residue that becomes ready in
    that week. `villages` (index village) and `total`: the same for the season. `causes` (index cause): share of
    variance of the season's total when that cause alone is not as likely (they sum to 1). `figures`: the single
    figures, worst first: name, share of variance, standing.
    """

    weeks: pd.DataFrame
    villages: pd.DataFrame
    total: Mapping[str, float]
    causes: pd.DataFrame
    figures: pd.DataFrame


@dataclass(frozen=True)
class _Cells:
    """Village and crop as one field (G,), and its residues (S,), sorted by cell."""

    village: npt.NDArray[np.int64]
    crop: npt.NDArray[np.int64]
    area_ha: Array
    given: Array
    usual: Array
    noise: Array
    stream_cell: npt.NDArray[np.int64]
    pair: npt.NDArray[np.int64]
    first: npt.NDArray[np.int64]
    grown: Array
    weekly: Array
    villages: pd.Index
    pairs: list[tuple[str, str]]
    crops: list[str]
    point: npt.NDArray[np.bool_]
    """Streams of waste points: weighed as they come, so only the survey errs (S,)."""

    def block(self, start: int, stop: int) -> _Cells:
        """The cells from `start` to `stop`, with their streams."""
        begin = self.first[start]
        end = self.first[stop] if stop < len(self.first) else len(self.stream_cell)
        cut, own = slice(start, stop), slice(begin, end)
        return _Cells(
            self.village[cut], self.crop[cut], self.area_ha[cut], self.given[cut], self.usual[cut], self.noise[cut],
            self.stream_cell[own] - start, self.pair[own], self.first[cut] - begin, self.grown[own], self.weekly[own],
            self.villages, self.pairs, self.crops, self.point[own],
        )  # fmt: skip


def supply_bands(
    supply: Supply, fields: Fields, settings: Settings, values: Values, samples: int = 1000, seed: int = 1
) -> Bands:
    """Ranges of the supply by village and week, and the share of variance by cause.

    Every figure is drawn from a triangle over its low, likely and high. A village's fields of one crop are taken as
    one field, so that the soil's cover is exact for each only where they are alike; the plan's own mass of each is
    then moved by the ratio of the drawn to the likely free residue.
    """
    cells = _cells(supply, fields, values)
    draws = _draws(cells, values, samples, seed, frozenset(CAUSES))
    by_week, by_village, total = _gather(cells, draws, settings, values, supply.calendar.count, samples)
    likely = _likely_weeks(cells)
    names = [str(v) for v in cells.villages]
    at, weeks = np.nonzero(likely > 0)
    low, mean, high = (by_week[i][at, weeks] for i in range(3))
    week_table = pd.DataFrame({"village": np.array(names)[at], "week": weeks, "low_kg": low,
                               "likely_kg": likely[at, weeks], "mean_kg": mean, "high_kg": high})  # fmt: skip
    village_table = pd.DataFrame(
        {"low_kg": by_village[0], "likely_kg": likely.sum(axis=1), "mean_kg": by_village[1], "high_kg": by_village[2]},
        index=pd.Index(names, name="village"),
    )
    ends = np.quantile(total, [LOW, HIGH])
    whole = {"low_kg": float(ends[0]), "likely_kg": float(likely.sum()), "mean_kg": float(total.mean()),
             "high_kg": float(ends[1])}  # fmt: skip
    causes, figures = _blame(cells, settings, values, samples, seed)
    return Bands(week_table, village_table, whole, causes, figures)


def _cells(supply: Supply, fields: Fields, values: Values) -> _Cells:
    frame = fields.frame
    village, villages = pd.factorize(frame["village"].astype(str), sort=True)
    chain = supply.chain
    crops = list(chain["crop"].cat.categories)
    crop = pd.Categorical(frame["crop"].astype(str), categories=crops).codes.astype(np.int64)
    pointed = frame["flow_residue"].fillna("").astype(str).to_numpy() != "" if "flow_residue" in frame else crop < 0
    kinds_of_cell = 2 * len(crops)  # a crop's fields and its waste points apart
    key = village * kinds_of_cell + crop + len(crops) * pointed
    cell_key, cell = np.unique(key, return_inverse=True)
    count = len(cell_key)
    yields = frame["yield_t_ha"].to_numpy(dtype=np.float64)
    usual = np.array([values[f"crop.{c}.yield_t_ha"] for c in crops])[crop]
    counted = frame["plants"].notna().to_numpy() if "plants" in frame else np.zeros(len(frame), dtype=bool)
    known = ~np.isnan(yields) | counted | pointed
    area = frame["area_ha"].to_numpy(dtype=np.float64)
    product = area * np.where(np.isnan(yields), usual, yields)
    area_error, yield_error = (values[f"supply.survey.{n}_error_share"] for n in ("area", "yield"))
    field_error = product * np.where(known, np.hypot(area_error, yield_error), area_error)
    pairs = sorted({(c, r) for c in crops for r in values.residues(c)})
    pair_of = {p: i for i, p in enumerate(pairs)}
    kinds = list(chain["residue"].cat.categories)
    lookup = np.array([[pair_of.get((c, r), -1) for r in kinds] for c in crops])
    chain_pair = lookup[chain["crop"].cat.codes, chain["residue"].cat.codes]
    chain_village = pd.Categorical(chain["village"].astype(str), categories=villages).codes.astype(np.int64)
    chain_kind = chain["crop"].cat.codes.to_numpy(np.int64) + len(crops) * pointed[chain["field_id"].cat.codes]
    chain_cell = np.searchsorted(cell_key, chain_village * kinds_of_cell + chain_kind)
    stream_key, stream = np.unique(chain_cell * len(pairs) + chain_pair, return_inverse=True)
    lots = supply.lots
    lot_pair = lookup[lots["crop"].cat.codes, lots["residue"].cat.codes]
    lot_village = pd.Categorical(lots["village"].astype(str), categories=villages).codes.astype(np.int64)
    lot_kind = lots["crop"].cat.codes.to_numpy(np.int64) + len(crops) * pointed[lots["field_id"].cat.codes]
    lot_cell = np.searchsorted(cell_key, lot_village * kinds_of_cell + lot_kind)
    lot_stream = np.searchsorted(stream_key, lot_cell * len(pairs) + lot_pair)
    weekly = np.zeros((len(stream_key), supply.calendar.count))
    np.add.at(weekly, (lot_stream, lots["ready_week"].to_numpy()), lots["mass_kg"].to_numpy())
    stream_cell = stream_key // len(pairs)

    def cell_sum(what: Array) -> Array:
        return np.bincount(cell, weights=what, minlength=count).astype(np.float64)

    return _Cells(
        cell_key // kinds_of_cell, cell_key % kinds_of_cell % len(crops),
        cell_sum(area), cell_sum(np.where(known, product, 0.0)),
        cell_sum(np.where(known, 0.0, product)), np.sqrt(cell_sum(field_error**2)), stream_cell,
        stream_key % len(pairs), np.searchsorted(stream_cell, np.arange(count)),
        np.bincount(stream, weights=chain["grown_kg"].to_numpy(), minlength=len(stream_key)).astype(np.float64),
        weekly, pd.Index(villages), pairs, crops, (cell_key % kinds_of_cell >= len(crops))[stream_cell],
    )  # fmt: skip


def _likely_weeks(cells: _Cells) -> Array:
    out = np.zeros((len(cells.villages), cells.weekly.shape[1]))
    np.add.at(out, cells.village[cells.stream_cell], cells.weekly)
    return out


def triangle(figure: Figure, uniform: Array) -> Array:
    """Draws from a triangle over low, likely and high, from uniform numbers in 0-1 of any shape."""
    low, mode, high = figure.low, figure.likely, figure.high
    if high <= low:
        return np.full_like(uniform, mode)
    left = (mode - low) / (high - low)
    rising = low + np.sqrt(uniform * (high - low) * (mode - low))
    falling = high - np.sqrt((1.0 - uniform) * (high - low) * (high - mode))
    return np.where(uniform < left, rising, falling)


def _draws(cells: _Cells, values: Values, samples: int, seed: int, causes: frozenset[str]) -> dict[str, Any]:
    """One number a sample, crop or pair for each cause; likely where the cause is not asked for.

    Each cause has a stream of chance of its own, so that asking for fewer causes leaves the others as they were.
    """
    chance = {cause: np.random.default_rng([seed, i]) for i, cause in enumerate(CAUSES)}
    season_error = values["supply.season.yield_error_share"]

    def of_crops(cause: str, name: str) -> Array:
        uniform = chance[cause].random((samples, len(cells.crops)))
        figures = [values.figure(f"crop.{c}.{name}") for c in cells.crops]
        if cause not in causes:
            return np.tile([f.likely for f in figures], (1, 1))
        return np.column_stack([triangle(f, uniform[:, i]) for i, f in enumerate(figures)])

    def of_pairs(cause: str, name: str) -> Array:
        uniform = chance[cause].random((samples, len(cells.pairs)))
        figures = [values.figure(f"crop.{c}.{r}.{name}") for c, r in cells.pairs]
        if cause not in causes:
            return np.tile([f.likely for f in figures], (1, 1))
        return np.column_stack([triangle(f, uniform[:, i]) for i, f in enumerate(figures)])

    season = 1.0 + season_error * chance["season"].standard_normal((samples, 1))
    ratio = of_pairs("ratio", "residue_to_product")
    usual = of_crops("crop_yield", "yield_t_ha")
    return {
        "season": np.maximum(season, 0.0) if "season" in causes else np.ones((1, 1)),
        "crop_yield": usual / np.array([values[f"crop.{c}.yield_t_ha"] for c in cells.crops]),
        "ratio": ratio / np.array([values[f"crop.{c}.{r}.residue_to_product"] for c, r in cells.pairs]),
        "collectable": of_pairs("collectable", "collectable_share"),
        "uses": np.minimum(sum(of_pairs("uses", f"{use}_share") for use in _USES), 1.0),
        "cover": of_crops("cover", "cover_coefficient_ha_kg"),
        "survey": chance["survey"] if "survey" in causes else None,
    }


def _moved(cells: _Cells, draws: dict[str, Any], settings: Settings, values: Values, samples: int) -> Array:
    """Drawn over likely free residue of each stream (samples, S)."""
    likely = _free(cells, _draws(cells, values, 1, 0, frozenset()), settings, values, 1)
    drawn = _free(cells, draws, settings, values, samples)
    return np.where(likely > 0, drawn / np.where(likely > 0, likely, 1.0), 1.0)


def _free(cells: _Cells, draws: dict[str, Any], settings: Settings, values: Values, samples: int) -> Array:
    """Free residue before promises [kg] (samples, S): :func:`sourcing.residue.chain.split` on whole cells."""
    usual = cells.usual * draws["season"] * draws["crop_yield"][:, cells.crop]
    product = cells.given + usual
    if draws["survey"] is not None:
        product = product + cells.noise * draws["survey"].standard_normal((samples, len(cells.noise)))
    likely = cells.given + cells.usual
    share = np.maximum(product, 0.0) / np.where(likely > 0, likely, 1.0)
    grown = cells.grown * share[:, cells.stream_cell] * np.where(cells.point, 1.0, draws["ratio"][:, cells.pair])
    collectable = grown * np.where(cells.point, 1.0, draws["collectable"][:, cells.pair])
    serves = np.array([values[f"crop.{c}.{r}.serves_cover"] for c, r in cells.pairs])[cells.pair] * ~cells.point
    on_soil = np.add.reduceat((grown - collectable) * serves, cells.first, axis=1)
    could = np.add.reduceat(collectable * serves, cells.first, axis=1)
    estimate = settings.supply.estimate
    surviving = values.pick("supply.cover.surviving_share", estimate) if settings.supply.cover_at == "sowing" else 1.0
    litter = np.array([values[f"crop.{c}.litter_kg_ha"] for c in cells.crops])
    exponent = -np.log1p(-settings.supply.ground_cover) / surviving
    exponent = exponent - litter * values["supply.cover.litter_coefficient_ha_kg"]
    need = cells.area_ha * np.maximum(exponent / draws["cover"], 0.0)[:, cells.crop]
    kept = np.where(could > 0, np.clip((need - on_soil) / np.where(could > 0, could, 1.0), 0.0, 1.0), 0.0)
    left = collectable * (1.0 - kept[:, cells.stream_cell] * serves)
    return np.asarray(left * (1.0 - np.where(cells.point, 0.0, draws["uses"][:, cells.pair])))


def _gather(
    cells: _Cells, draws: dict[str, Any], settings: Settings, values: Values, weeks: int, samples: int
) -> tuple[tuple[Array, Array, Array], tuple[Array, Array, Array], Array]:
    """Low, mean and high by village and week and by village, and the drawn totals (samples,), village by village."""
    count = len(cells.villages)
    by_week = tuple(np.zeros((count, weeks)) for _ in range(3))
    by_village = tuple(np.zeros(count) for _ in range(3))
    total = np.zeros(samples)
    starts = np.searchsorted(cells.village, np.arange(count + 1))
    most = max(_BLOCK // samples, 1)
    begin = 0
    while begin < count:
        end = begin + 1
        while end < count and starts[end + 1] - starts[begin] <= most // 4:
            end += 1
        part = cells.block(int(starts[begin]), int(starts[end]))
        moved = _moved(part, draws, settings, values, samples)
        own = part.village[part.stream_cell]
        for village in range(begin, end):
            mine = own == village
            drawn = moved[:, mine] @ part.weekly[mine]
            whole = drawn.sum(axis=1)
            total += whole
            active = part.weekly[mine].sum(axis=0) > 0
            ends = np.quantile(drawn[:, active], [LOW, HIGH], axis=0)
            for into, column in zip(by_week, (ends[0], drawn[:, active].mean(axis=0), ends[1]), strict=True):
                into[village, active] = column
            summary = (*np.quantile(whole, [LOW, HIGH]), whole.mean())
            by_village[0][village], by_village[2][village], by_village[1][village] = summary
        begin = end
    return by_week, by_village, total  # type: ignore[return-value]


def _blame(
    cells: _Cells, settings: Settings, values: Values, samples: int, seed: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Variance of the season's total with one cause at a time, and with one figure at a time."""
    mass = cells.weekly.sum(axis=1)
    by_cause: dict[str, float] = {}
    single: list[tuple[str, float]] = []
    for cause in CAUSES:
        draws = _draws(cells, values, samples, seed, frozenset([cause]))
        by_pair = np.zeros((samples, len(cells.pairs)))
        step = max(_BLOCK // samples // 4, 1)
        for start in range(0, len(cells.first), step):
            stop = min(start + step, len(cells.first))
            part = cells.block(start, stop)
            moved = _moved(part, draws, settings, values, samples)
            own = mass[cells.first[start] : cells.first[start] + len(part.pair)]
            for pair in np.unique(part.pair):
                mine = part.pair == pair
                by_pair[:, pair] += np.broadcast_to(moved[:, mine] @ own[mine], (samples,))
        by_cause[cause] = float(by_pair.sum(axis=1).var())
        single += _figures_of(cause, cells, values, by_pair)
    whole = sum(by_cause.values()) or 1.0
    causes = pd.DataFrame({"share": [v / whole for v in by_cause.values()]}, index=pd.Index(CAUSES, name="cause"))
    names = [n for n, _ in single]
    figures = pd.DataFrame({"name": names, "share": [v / whole for _, v in single]})
    figures["standing"] = [values.figure(n).standing for n in names]
    figures = figures[figures["share"] > 1e-9].sort_values(["share", "name"], ascending=[False, True])
    return causes.sort_values("share", ascending=False), figures.reset_index(drop=True)


def _figures_of(cause: str, cells: _Cells, values: Values, by_pair: Array) -> list[tuple[str, float]]:
    """The single figures behind a cause, with the variance that each brings; uses under the widest of the three."""
    if cause in ("season", "survey"):
        name = "supply.season.yield_error_share" if cause == "season" else "supply.survey.yield_error_share"
        return [(name, float(by_pair.sum(axis=1).var()))]
    if cause in ("crop_yield", "cover"):
        prop = "yield_t_ha" if cause == "crop_yield" else "cover_coefficient_ha_kg"
        out = []
        for crop in cells.crops:
            mine = [i for i, (c, _) in enumerate(cells.pairs) if c == crop]
            out.append((f"crop.{crop}.{prop}", float(by_pair[:, mine].sum(axis=1).var())))
        return out
    if cause == "uses":
        widest = [max(_USES, key=lambda use: _width(values, f"crop.{c}.{r}.{use}_share")) for c, r in cells.pairs]
        props = [f"{use}_share" for use in widest]
    else:
        props = [{"ratio": "residue_to_product", "collectable": "collectable_share"}[cause]] * len(cells.pairs)
    return [
        (f"crop.{c}.{r}.{prop}", float(by_pair[:, i].var()))
        for i, ((c, r), prop) in enumerate(zip(cells.pairs, props, strict=True))
    ]


def _width(values: Values, name: str) -> float:
    figure = values.figure(name)
    return figure.high - figure.low
