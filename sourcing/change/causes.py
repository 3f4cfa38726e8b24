"""Why the value of two plans differs: one change after another is made to the first season, and it is planned again.

The order is fixed and told: fields new and gone, fields changed, yields, prices and figures, settings and fleet, paths
and ground, places and all else. Each part is the value with the change less the value without it, so the parts sum to
the whole difference exactly; in another order the parts may differ, their sum does not. A plan is only proven to
within its gap, so each part has a range in which the true one lies, and a part whose range holds zero is too small to
tell.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from sourcing.errors import InputError, NoPlanError
from sourcing.intake.fields import Fields
from sourcing.intake.history import fields_to_plan
from sourcing.intake.survey import RawLayer, Survey, read_survey
from sourcing.plan import Tell, land_of, load_values, place_barrels
from sourcing.settings import Settings, read_settings
from sourcing.values import Values

NEW, CHANGED, YIELDS, FIGURES, SETTINGS, PATHS, PLACES = (
    "fields new and gone", "fields changed", "yields", "prices and figures", "settings and fleet", "paths and ground",
    "places, heaps, weather and all else",
)  # fmt: skip
ORDER = (NEW, CHANGED, YIELDS, FIGURES, SETTINGS, PATHS, PLACES)
LET_GO, STAY = "no longer near the plan before", "staying near the plan in force"
PATH_LAYERS = ("paths", "barriers", "gates", "elevation")
PLACE_LAYERS = ("places", "no_go", "villages", "workshop", "waste_points", "climate")
YIELD_SETTINGS = ("yield_t_ha", "yield_counts")
NOT_FOR_THE_PLAN = ("layers", "values", "values_file", "crop_names", "map", "stress", "climate", "outputs")
ONE_TO_ONE = ("same", "changed", "redrawn", "moved")


@dataclass(frozen=True)
class Season:
    """A season as read: what a plan is made of."""

    settings: Settings
    values: Values
    survey: Survey
    fields: Fields


@dataclass(frozen=True)
class Cause:
    """One part of the difference in value, in the unit of the goal."""

    step: str
    difference: float
    low: float
    high: float
    """The true part lies from `low` to `high`, by what is proven of the plans before and after."""
    told: str
    """What changed, in a few words."""

    @property
    def sure(self) -> bool:
        """Whether the part is larger than what the plans' gaps leave open."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class _Worth:
    value: float
    low: float
    high: float
    """The best possible plan is worth from `low` to `high`."""


def read_season(folder: Path, record: dict[str, Any]) -> Season:
    """The season a plan was made from, with the figures of its record where the built-in ones have changed since."""
    settings = read_settings(folder)
    values = load_values(folder, settings)
    figures = dict(values.figures)
    for row in record["values_used"]:
        known = figures.get(row["name"])
        if known is not None and (known.low, known.likely, known.high) != (row["low"], row["value"], row["high"]):
            figures[row["name"]] = replace(known, low=row["low"], likely=row["value"], high=row["high"])
    values = replace(values, figures=MappingProxyType(figures))
    survey = read_survey(folder, settings)
    return Season(settings, values, survey, fields_to_plan(folder, survey, settings, values))


def causes(
    a: Season, b: Season, record_a: dict[str, Any], record_b: dict[str, Any], lineage: pd.DataFrame,
    tell: Tell = lambda _: None,
) -> tuple[Cause, ...]:  # fmt: skip
    """The parts of the difference in value between two plans, in order; only what differs has a part.

    `lineage` is how the fields hang together (:func:`sourcing.intake.lineage.match_fields`). The first and last
    values are the plans' own. A season that cannot be planned half-way gives one part for two changes together.
    """
    steps = _steps(a, b, lineage)
    stages: list[tuple[str, str, Season]] = [(name, told, season) for name, told, season in steps]
    if "near" in record_a:
        stages.insert(0, (LET_GO, f"the first plan stayed near {record_a['near']['plan']}", a))
    if "near" in record_b:
        stages.append((STAY, record_b["near"]["plan"], b))
    before, after = _recorded(record_a), _recorded(record_b)
    found: list[Cause] = []
    names: list[str] = []
    words: list[str] = []
    for position, (name, told, season) in enumerate(stages):
        names.append(name)
        words.append(told)
        if position == len(stages) - 1:
            worth: _Worth | None = after
        else:
            tell(f"Planning again: {name}")
            worth = _planned(season)
        if worth is None:
            continue
        found.append(_cause(" and ".join(names), "; ".join(w for w in words if w), before, worth))
        before, names, words = worth, [], []
    if not stages and after.value != before.value:
        found.append(_cause("the same season, planned twice", "only the search for the best plan went otherwise",
                            before, after))  # fmt: skip
    return tuple(found)


def _recorded(record: dict[str, Any]) -> _Worth:
    solve, value = record["solve"], float(record["totals"]["value"])
    return _worth(value, value + float(solve["bound"]) - float(solve["value"]))


def _worth(value: float, bound: float) -> _Worth:
    return _Worth(value, min(value, bound), max(value, bound))


def _planned(season: Season) -> _Worth | None:
    try:
        land = land_of(season.settings, season.values, season.survey, season.fields)
        placement = place_barrels(land).placement
    except (InputError, NoPlanError):
        return None
    return _worth(placement.value, placement.bound)


def _cause(name: str, told: str, before: _Worth, after: _Worth) -> Cause:
    return Cause(name, after.value - before.value, after.low - before.high, after.high - before.low, told)


# The steps ------------------------------------------------------------------------------------------------------------


def _steps(a: Season, b: Season, lineage: pd.DataFrame) -> list[tuple[str, str, Season]]:
    """The changes from the first season to the second that there are: name, what changed, season with it."""
    makers: tuple[tuple[str, Callable[[Season, Season, pd.DataFrame], Season], str], ...] = (
        (NEW, _with_new_fields, _told_new(lineage)),
        (CHANGED, _with_changed_fields, _told_changed(a, b, lineage)),
        (YIELDS, _with_yields, _told_yields(a, b, lineage)),
        (FIGURES, _with_figures, _told_figures(a, b)),
        (SETTINGS, _with_settings, _told_settings(a, b)),
        (PATHS, _with_paths, _told_layers(a, b, PATH_LAYERS)),
        (PLACES, lambda _, other, __: other, _told_layers(a, b, PLACE_LAYERS)),
    )
    now, found = a, []
    for name, make, told in makers:
        if told:
            now = make(now, b, lineage)
            found.append((name, told, now))
    return found


def _with_frame(season: Season, frame: gpd.GeoDataFrame, other: Season) -> Season:
    """The season with other fields; villages that it does not know come from the other season."""
    known = season.fields.villages
    more = other.fields.villages
    villages = gpd.GeoDataFrame(
        pd.concat([known, more[~more.index.isin(known.index)]]), geometry="geometry", crs=known.crs
    )
    return replace(season, fields=replace(season.fields, frame=frame, villages=villages.rename_axis(known.index.name)))


def _with_new_fields(now: Season, b: Season, lineage: pd.DataFrame) -> Season:
    frame, other = now.fields.frame, b.fields.frame
    gone = lineage.loc[lineage["relation"] == "gone", "old"]
    new = other.loc[lineage.loc[lineage["relation"] == "new", "new"]]
    left = frame[~frame.index.isin(gone)]
    taken = set(left.index)
    ids = [_free_id(str(i), taken) for i in new.index]
    return _with_frame(now, _joined(left, new.set_axis(pd.Index(ids, name=frame.index.name), axis=0)), b)


def _free_id(wanted: str, taken: set[Any]) -> str:
    while wanted in taken:
        wanted += "+"
    taken.add(wanted)
    return wanted


def _with_changed_fields(now: Season, b: Season, lineage: pd.DataFrame) -> Season:
    """The fields of the second season, with the yields of the first where field and crop are the same."""
    frame = b.fields.frame.copy()
    pairs = _yield_pairs(lineage, now.fields.frame, frame)
    frame.loc[pairs["new"], "yield_t_ha"] = now.fields.frame.loc[pairs["old"], "yield_t_ha"].to_numpy()
    return _with_frame(now, frame, b)


def _with_yields(now: Season, b: Season, lineage: pd.DataFrame) -> Season:
    both = {**now.settings.crops}
    for crop in {*now.settings.crops, *b.settings.crops}:
        theirs = b.settings.crops.get(crop)
        mine = both.get(crop, theirs)
        if mine is not None:
            update = {k: None if theirs is None else getattr(theirs, k) for k in ("yield_t_ha",)}
            update |= {"yield_counts": "" if theirs is None else theirs.yield_counts}
            both[crop] = mine.model_copy(update=update)
    settings = now.settings.model_copy(update={"crops": both})
    return replace(_with_frame(now, b.fields.frame, b), settings=settings)


def _with_figures(now: Season, b: Season, _: pd.DataFrame) -> Season:
    return replace(now, values=b.values)


def _with_settings(now: Season, b: Season, _: pd.DataFrame) -> Season:
    return replace(now, settings=b.settings.model_copy(update={"layers": now.settings.layers}))


def _with_paths(now: Season, b: Season, _: pd.DataFrame) -> Season:
    layers = now.settings.layers.model_copy(update={k: getattr(b.settings.layers, k) for k in PATH_LAYERS})
    survey = replace(now.survey, **{k: getattr(b.survey, k) for k in PATH_LAYERS})
    return replace(now, survey=survey, settings=now.settings.model_copy(update={"layers": layers}))


def _joined(left: gpd.GeoDataFrame, more: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    if more.empty:
        return left
    if left.empty:
        return more
    joined = pd.concat([left, more.astype(left.drop(columns="geometry").dtypes.to_dict())])
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=left.crs).rename_axis(left.index.name)


def _yield_pairs(lineage: pd.DataFrame, old: gpd.GeoDataFrame, new: gpd.GeoDataFrame) -> pd.DataFrame:
    """Fields that are one and the same and have the same crop."""
    one = lineage[lineage["relation"].isin(ONE_TO_ONE) & lineage["old"].isin(old.index)]
    same = old.loc[one["old"], "crop"].to_numpy() == new.loc[one["new"], "crop"].to_numpy()
    return one[same]


# What changed, in words -----------------------------------------------------------------------------------------------


def _told_new(lineage: pd.DataFrame) -> str:
    counts = lineage["relation"].value_counts()
    new, gone = int(counts.get("new", 0)), int(counts.get("gone", 0))
    return ", ".join(f"{n} {word}" for n, word in ((new, "new"), (gone, "gone")) if n)


def _told_changed(a: Season, b: Season, lineage: pd.DataFrame) -> str:
    more = lineage["changes"].str.split().map(lambda names: any(n != "yield_t_ha" for n in names))
    plain = int((lineage["relation"].eq("changed") & more).sum())
    parts = [f"{plain} with other crop, dates, village or share"] if plain else []
    for relation, side, word in (
        ("redrawn", "new", "walked anew"), ("moved", "new", "found elsewhere"), ("split", "old", "divided"),
        ("merged", "new", "put together from others"),
    ):  # fmt: skip
        count = lineage.loc[lineage["relation"] == relation, side].nunique()
        if count:
            parts.append(f"{count} {word}")
    drawn = lineage[lineage["relation"].isin(("same", "changed"))]
    old = a.fields.frame.loc[drawn["old"], "area_ha"].to_numpy(dtype=float)
    new = b.fields.frame.loc[drawn["new"], "area_ha"].to_numpy(dtype=float)
    if slight := int((~np.isclose(old, new, rtol=1e-6)).sum()):
        parts.append(f"{slight} drawn slightly otherwise")
    rearranged = lineage.loc[lineage["relation"] == "rearranged", "new"].nunique()
    return ", ".join([*parts, *([f"{rearranged} drawn in place of others"] if rearranged else [])])


def _told_yields(a: Season, b: Season, lineage: pd.DataFrame) -> str:
    pairs = _yield_pairs(lineage, a.fields.frame, b.fields.frame)
    old = a.fields.frame.loc[pairs["old"], "yield_t_ha"].to_numpy(dtype=float)
    new = b.fields.frame.loc[pairs["new"], "yield_t_ha"].to_numpy(dtype=float)
    count = int((~np.isclose(old, new, rtol=1e-9, equal_nan=True)).sum())
    crops = [
        crop for crop in sorted({*a.settings.crops, *b.settings.crops})
        if _yield_of(a.settings, crop) != _yield_of(b.settings, crop)
    ]  # fmt: skip
    parts = [f"{count} {'field' if count == 1 else 'fields'}"] if count else []
    return ", ".join([*parts, *(f"the usual yield of {crop}" for crop in crops)])


def _yield_of(settings: Settings, crop: str) -> tuple[object, ...]:
    one = settings.crops.get(crop)
    return (None, "") if one is None else tuple(getattr(one, k) for k in YIELD_SETTINGS)


def changed_figures(a: Values, b: Values) -> tuple[str, ...]:
    """Names of the figures that differ between two seasons."""
    names = sorted({*a.figures, *b.figures})
    return tuple(n for n in names if _span(a, n) != _span(b, n))


def _span(values: Values, name: str) -> tuple[float, ...]:
    return () if name not in values else tuple(getattr(values.figure(name), k) for k in ("low", "likely", "high"))


def _told_figures(a: Season, b: Season) -> str:
    names = changed_figures(a.values, b.values)
    shown = [f"{n} {a.values[n]:g} to {b.values[n]:g}" if n in a.values and n in b.values else n for n in names[:3]]
    return ", ".join([*shown, *([f"{len(names) - 3} more"] if len(names) > 3 else [])])


def _told_settings(a: Season, b: Season) -> str:
    names = changed_settings(a.settings.model_dump(mode="json"), b.settings.model_dump(mode="json"))
    return ", ".join([*names[:3], *([f"{len(names) - 3} more"] if len(names) > 3 else [])])


def changed_settings(a: dict[str, Any], b: dict[str, Any]) -> list[str]:
    """Options that differ and may change a plan, with both values: 'fleet.barrels 40 to 30'."""
    found = []
    for section in sorted({*a, *b} - set(NOT_FOR_THE_PLAN)):
        one, other = a.get(section, {}), b.get(section, {})
        for option in sorted({*one, *other}):
            mine, theirs = one.get(option), other.get(option)
            if section == "crops":
                mine, theirs = (
                    {k: v for k, v in (d or {}).items() if k not in YIELD_SETTINGS and v} or None
                    for d in (mine, theirs)
                )
            if (section == "season" and option in ("name", "language", "currency")) or mine == theirs:
                continue
            short = all(isinstance(v, int | float | str | bool | None) for v in (mine, theirs))
            found.append(f"{section}.{option} {_said(mine)} to {_said(theirs)}" if short else f"{section}.{option}")
    return found


def _said(value: object) -> str:
    return "none" if value in (None, "") else str(value)


def _told_layers(a: Season, b: Season, kinds: tuple[str, ...]) -> str:
    """The layers of these kinds that differ: in how they are read, or in their rows."""
    return ", ".join(k.replace("_", " ") for k in kinds if _identity(a, k) != _identity(b, k) and not _alike(a, b, k))


def _alike(a: Season, b: Season, kind: str) -> bool:
    """Whether a layer has the same rows in both seasons, though its file was written anew."""
    one, other = getattr(a.survey, kind), getattr(b.survey, kind)
    if kind in ("elevation", "climate") or one is None or other is None:
        return False
    mine, theirs = (raw if isinstance(raw, tuple) else (raw,) for raw in (one, other))
    if kind == "no_go" and [x.kind for x in a.settings.layers.no_go] != [x.kind for x in b.settings.layers.no_go]:
        return False
    if kind == "no_go" and [x.distance_m for x in a.settings.layers.no_go] != [
        x.distance_m for x in b.settings.layers.no_go
    ]:
        return False
    return len(mine) == len(theirs) and all(_same_rows(x, y) for x, y in zip(mine, theirs, strict=True))


def _same_rows(one: RawLayer, other: RawLayer) -> bool:
    left, right = one.frame, other.frame
    if left.crs != right.crs or dict(one.units) != dict(other.units):
        return False
    rows = [pd.DataFrame(f.drop(columns=f.geometry.name)) for f in (left, right)]
    return rows[0].equals(rows[1]) and bool((left.geometry.to_wkb() == right.geometry.to_wkb()).all())


def _identity(season: Season, kind: str) -> object:
    """What a layer is: the content of its file and how its columns are read, whatever the file is called."""
    named = getattr(season.settings.layers, kind)
    sums = {str(i["path"]): i["sha256"] for i in season.survey.inputs}
    several = named if isinstance(named, list) else [named] if named else []
    return [
        (sums[one], "") if isinstance(one, str)
        else (sums[one.file], one.model_dump_json(exclude={"file"}))
        for one in several
    ]  # fmt: skip
