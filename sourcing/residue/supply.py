"""From fields to residue by week: dry kg by field, residue and week, ready, clear-by, losses and range.

Everything is reckoned on columns: a *stream* is one residue of one field, a *lot* what one week's harvest of a stream
gives. The chain from gross to free is kept for every stream and sums to what was grown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sourcing.errors import Finding, InputError, NoPlanError
from sourcing.residue.chain import (
    Streams,
    cover_need,
    grown_by_stream,
    make_streams,
    range_of,
    split,
    unknown_in_uses,
    village_uses,
)
from sourcing.residue.land import read_land
from sourcing.residue.mixed import with_second_crops, with_waste_points
from sourcing.residue.residues import Array, Pairs, loss_week_of, pair_table, refuse
from sourcing.residue.slopes import field_slopes
from sourcing.residue.weather import MOST_DAYS, drying, read_weather
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK, Calendar

if TYPE_CHECKING:
    from sourcing.intake.fields import Fields
    from sourcing.intake.survey import Survey

CHAIN = (
    "uncollectable_kg",
    "cover_kg",
    "fodder_kg",
    "fuel_kg",
    "thatch_kg",
    "left_alone_kg",
    "not_promised_kg",
    "drying_loss_kg",
    "past_clear_kg",
    "outside_season_kg",
    "free_kg",
)
"""Parts of what was grown [dry kg], in order; they sum to grown_kg."""

_FIRST_MONDAY = 4  # 1970-01-05, counted in days from 1970-01-01


@dataclass(frozen=True)
class Supply:
    """The residue of a season.

    `lots`, index lot: field_id, village, crop, residue, ready_week, clear_week (last week in which it may be
    charred), mass_kg, low_kg, high_kg (dry kg free to take at ready_week), loss_week (share lost each further week),
    moisture_ready (wet basis), bulk_wet_kg_m3 (loose), estimated. `chain`, one row a field and residue: grown_kg and
    its parts :data:`CHAIN` [dry kg].
    """

    calendar: Calendar
    lots: pd.DataFrame
    chain: pd.DataFrame
    findings: tuple[Finding, ...]
    figures_used: tuple[str, ...]


def season_supply(survey: Survey, fields: Fields, settings: Settings, values: Values) -> tuple[Fields, Supply]:
    """The supply of a whole survey, and the fields it is of: second crops as fields of their own, waste points as
    rows, slopes where there is an elevation raster, and drying by the weather where there is a climate table.

    Raises what :func:`residue_supply` and the readers raise.
    """
    land = with_waste_points(with_second_crops(fields, values), survey.waste_points, settings, values)
    slopes, notes = (None, ()) if survey.elevation is None else field_slopes(land, survey.elevation, values)
    supply = residue_supply(land, settings, values, survey.climate, slopes)
    return land, replace(supply, findings=(*notes, *supply.findings))


def residue_supply(
    fields: Fields,
    settings: Settings,
    values: Values,
    climate: pd.DataFrame | None = None,
    slopes: pd.Series | None = None,
) -> Supply:
    """Lots of residue by field, residue and week.

    dry kg = area x yield x ratio x dry share x share that can be collected, less cover, fodder, fuel and thatch,
    times the share promised; spread evenly over the days of harvest; ready after its drying days; lost after its
    clear-by day. `climate` (see :mod:`sourcing.residue.weather`) replaces drying days by drying towards equilibrium
    with the air. `slopes` [m/m] by field_id makes steep fields keep more cover.
    Raises InputError for impossible figures, all at once; NoPlanError when nothing at all is left to take.
    """
    frame = fields.frame
    file = settings.layers.fields.file
    crop_code, crops = pd.factorize(frame["crop"], sort=True)
    pairs, faults = pair_table(tuple(str(c) for c in crops), settings, values, settings.supply.estimate)
    land, more, looks = read_land(frame, crop_code, pairs, settings, values, file)
    faults += more
    faults += unknown_in_uses(fields.villages, settings, values)
    if faults:
        raise InputError(faults)
    streams = make_streams(crop_code, pairs, land["point_pair"])
    uses = village_uses(frame, fields.villages, streams, pairs, settings)
    need = cover_need(frame, crop_code, land, pairs, settings, values, slopes)
    grown = grown_by_stream(land, streams, pairs, settings, values)
    parts = split(streams, grown, streams.collectable(pairs), streams.serves_cover(pairs), need, uses)
    free = parts["free_kg"]
    taken = pairs.taken[streams.pair]
    promised = land["share_promised"][streams.field]
    parts["left_alone_kg"] = np.where(taken, 0.0, free)
    parts["not_promised_kg"] = np.where(taken, free * (1.0 - promised), 0.0)
    at_harvest = free - parts["left_alone_kg"] - parts["not_promised_kg"]
    low, high = range_of(land, streams, pairs, settings, values, grown, need, uses, free)

    dried = None
    if climate is not None:
        begin = int(land["start"].min())
        weather = read_weather(climate, settings.layers.climate)
        dried = (*drying(weather, pairs, begin, int(land["end"].max()), values, settings.layers.climate), begin)
    lots = _harvest(land, streams, at_harvest, pairs, settings, dried)
    first, last = _span(lots, settings)
    calendar = Calendar.spanning(first, last)
    lots, lost = _within(lots, calendar, at_harvest)
    if not len(lots["mass"]):
        raise NoPlanError(
            f"no residue can be charred between {calendar.monday(0)} and {calendar.label(calendar.count - 1)}: all of "
            "it is gone before, or ready after. Widen season.first_day and season.last_day."
        )
    parts |= lost
    parts["free_kg"] = np.bincount(lots["stream"], weights=lots["mass"], minlength=len(grown)).astype(np.float64)
    chain = _chain_frame(frame, streams, pairs, grown, parts)
    looks += _lost_findings(chain, file) + _crowded_uses(uses, settings, file)
    used = (*pairs.used, *_general_figures(settings, values, climate is not None, slopes is not None))
    return Supply(calendar, _lot_frame(frame, chain, streams, pairs, lots, low, high), chain, tuple(looks), used)


def _general_figures(settings: Settings, values: Values, climate: bool, slopes: bool) -> list[str]:
    """Names of the figures of no particular crop that were used."""
    wanted = ["supply.survey.yield_error_share", "supply.survey.area_error_share"]
    wanted += ["supply.cover.litter_coefficient_ha_kg"]
    wanted += ["supply.cover.surviving_share"] if settings.supply.cover_at == "sowing" else []
    wanted += [f"supply.slope.{n}" for n in values.under("supply.slope")] if slopes else []
    wanted += [f"supply.rain.{n}" for n in values.under("supply.rain")] if climate else []
    wanted += ["ipcc.2006.guard_yield_dry_t_ha"] if settings.supply.ratio_method == "ipcc_2006" else []
    return wanted


def _harvest(
    land: dict[str, Any],
    streams: Streams,
    at_harvest: Array,
    pairs: Pairs,
    settings: Settings,
    dried: tuple[npt.NDArray[np.int32], Array, int] | None,
) -> dict[str, Any]:
    """One lot a stream and week of harvest, with its ready and last week (weeks since 1970-01-05) and mass [kg].

    A week's residue counts as cut on the last day of harvest in that week. The last week is the last one whose
    working days all lie on or before the clear-by day.
    """
    useful = np.flatnonzero(at_harvest > 0)
    start, end, clear = (land[key][streams.field[useful]] for key in ("start", "end", "clear"))
    first = (start - _FIRST_MONDAY) // DAYS_A_WEEK
    count = (end - _FIRST_MONDAY) // DAYS_A_WEEK - first + 1
    which = np.repeat(np.arange(len(useful), dtype=np.int32), count)
    offset = np.arange(len(which), dtype=np.int32) - np.repeat((np.cumsum(count) - count).astype(np.int32), count)
    week = (first[which] + offset).astype(np.int32)
    monday = week * DAYS_A_WEEK + _FIRST_MONDAY
    cut = np.minimum(end[which], monday + DAYS_A_WEEK - 1)
    days = cut - np.maximum(start[which], monday) + 1
    share = days / (end - start + 1)[which]
    pair = streams.pair[useful]
    loss = loss_week_of(pairs)[pair]
    if dried is None:
        wait = np.ceil(pairs.p["drying_days"][pair])[which]
        kept = ((1.0 - loss) ** (pairs.p["drying_days"][pair] / DAYS_A_WEEK))[which]
    else:
        wait, kept = (table[pair[which], cut - dried[2]] for table in dried[:2])
    ready = ((cut + wait - _FIRST_MONDAY) // DAYS_A_WEEK).astype(np.int32)
    idle = DAYS_A_WEEK - math.ceil(settings.fleet.days_a_week)
    none = np.iinfo(np.int64).min
    known = clear != none
    last_known = (np.where(known, clear, 0) + idle + 1 - _FIRST_MONDAY) // DAYS_A_WEEK - 1
    last = np.where(known[which], last_known[which], ready + settings.supply.collection_weeks - 1).astype(np.int32)
    last = np.where(wait > MOST_DAYS, ready - 1, last)  # never dry: nothing to wait for
    at_cut = at_harvest[useful][which] * share
    return {
        "stream": useful.astype(np.int32)[which],
        "ready": ready,
        "last": last,
        "cut_mass": at_cut,
        "mass": at_cut * kept,
        "loss": loss[which],
    }


def _span(lots: dict[str, Any], settings: Settings) -> tuple[date, date]:
    """First and last day planned: the season's own, else from the first ready week to the last week of any lot."""
    first, last = settings.season.first_day, settings.season.last_day
    alive = lots["last"] >= lots["ready"]
    if (first is None or last is None) and not alive.any():
        raise NoPlanError(
            "no residue is left to take: what is grown stays on the soil, is spoken for, or is not dry before its "
            "clear-by day. `sourcing supply` shows the chain from gross to free."
        )
    zero = date(1970, 1, 5)
    if first is None:
        first = zero + timedelta(weeks=int(lots["ready"][alive].min()))
    if last is None:
        last = max(first, zero + timedelta(weeks=int(lots["last"][alive].max()), days=DAYS_A_WEEK - 1))
    if last < first:
        found = f"the season ends on {last}, before it begins on {first}"
        raise InputError([refuse("season_turned", found, "last_day on or after first_day", "mend [season]")])
    return first, last


def _within(lots: dict[str, Any], calendar: Calendar, at_harvest: Array) -> tuple[dict[str, Any], dict[str, Any]]:
    """The lots that can be charred inside the calendar, in week indices, and by stream what is lost otherwise [kg].

    Residue that is ready before the calendar begins waits for it and decays meanwhile.
    """
    begin = (calendar.first_monday - date(1970, 1, 5)).days // DAYS_A_WEEK
    size = len(at_harvest)
    stream, mass = lots["stream"], lots["mass"]
    dead = lots["last"] < lots["ready"]
    ready = lots["ready"] - begin
    last = np.minimum(lots["last"] - begin, calendar.count - 1)
    outside = ~dead & ((last < 0) | (ready >= calendar.count))
    wait = np.maximum(-ready, 0)
    waited = mass if not wait.any() else mass * (1.0 - lots["loss"]) ** wait
    inside = ~dead & ~outside
    waste = np.where(outside, mass, np.where(inside, mass - waited, 0.0))
    lost = {
        "drying_loss_kg": np.bincount(stream, weights=lots["cut_mass"] - mass, minlength=size),
        "past_clear_kg": np.bincount(stream, weights=np.where(dead, mass, 0.0), minlength=size),
        "outside_season_kg": np.bincount(stream, weights=waste, minlength=size),
    }
    keep = inside & (waited > 0)
    return {
        "stream": stream[keep],
        "ready": np.maximum(ready[keep], 0).astype(np.int64),
        "last": last[keep].astype(np.int64),
        "mass": waited[keep],
    }, lost


def _lot_frame(
    frame: pd.DataFrame,
    chain: pd.DataFrame,
    streams: Streams,
    pairs: Pairs,
    lots: dict[str, Any],
    low: Array,
    high: Array,
) -> pd.DataFrame:
    stream = lots["stream"]
    field, pair = streams.field[stream], streams.pair[stream]
    return pd.DataFrame(
        {
            **{name: chain[name].array.take(stream) for name in ("field_id", "village", "crop", "residue")},
            "ready_week": lots["ready"],
            "clear_week": lots["last"],
            "mass_kg": lots["mass"],
            "low_kg": lots["mass"] * low[stream],
            "high_kg": lots["mass"] * high[stream],
            "loss_week": loss_week_of(pairs)[pair],
            "moisture_ready": pairs.p["moisture_ready"][pair],
            "bulk_wet_kg_m3": pairs.p["bulk_wet_kg_m3"][pair],
            "estimated": frame["estimated"].to_numpy(dtype=bool)[field],
        },
        index=pd.RangeIndex(len(stream), name="lot"),
        copy=False,
    )


def _chain_frame(
    frame: pd.DataFrame, streams: Streams, pairs: Pairs, grown: Array, parts: dict[str, Array]
) -> pd.DataFrame:
    names = _names(frame, streams, pairs)
    return pd.DataFrame({**names, "grown_kg": grown, **{key: parts[key] for key in CHAIN}}, copy=False)


def _names(frame: pd.DataFrame, streams: Streams, pairs: Pairs) -> dict[str, Any]:
    """Names as categories: one copy of each word, whatever the number of rows."""
    field, pair = streams.field, streams.pair
    village, villages = pd.factorize(frame["village"].astype(str), sort=True)
    crop_code = {c: i for i, c in enumerate(pairs.crops)}
    kinds = tuple(dict.fromkeys(pairs.residue))
    crop_of = np.array([crop_code[c] for c in pairs.crop], dtype=np.int32)
    kind_of = np.array([kinds.index(r) for r in pairs.residue], dtype=np.int32)
    return {
        "field_id": pd.Categorical.from_codes(field.astype(np.int32), frame.index.astype(str)),
        "village": pd.Categorical.from_codes(village[field].astype(np.int32), villages),
        "crop": pd.Categorical.from_codes(crop_of[pair], list(pairs.crops)),
        "residue": pd.Categorical.from_codes(kind_of[pair], list(kinds)),
    }


def _crowded_uses(uses: dict[str, Array], settings: Settings, file: str) -> list[Finding]:
    """A word where a village's own shares and the figures for the rest come to more than there is."""
    over = uses["fodder"] + uses["fuel"] + uses["thatch"] > 1.0 + 1e-9
    if settings.supply.estimate != "likely" or not over.any():
        return []
    found = f"fodder, fuel and thatch come to more than all of it for {int(over.sum())} residues of fields"
    return [Finding("look", file, None, "uses_over_one", found, "shares that sum to at most 1",
                    "they share what there is, and none is free; give all three in supply.village_uses")]  # fmt: skip


def _lost_findings(chain: pd.DataFrame, file: str) -> list[Finding]:
    out = []
    for column, what, told, remedy in (
        ("past_clear_kg", "lost_past_clear", "is not dry before its clear-by day and counts as lost",
         "collect earlier, dry faster, or check the clear-by days"),
        ("outside_season_kg", "lost_outside_season", "falls outside the planned season and counts as lost",
         "widen season.first_day and season.last_day"),
    ):  # fmt: skip
        lost = chain[chain[column] > 0]
        if len(lost):
            pairs = lost[["crop", "residue"]].drop_duplicates().astype(str).itertuples(index=False)
            kinds = ", ".join(sorted(f"{crop}/{residue}" for crop, residue in pairs))
            fields = lost["field_id"].nunique()
            found = f"{lost[column].sum() / 1000:.1f} t dry of {kinds} on {fields} fields {told}"
            out.append(Finding("look", file, None, what, found, "residue that can be charred in time", remedy))
    return out
