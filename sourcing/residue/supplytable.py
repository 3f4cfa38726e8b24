"""The supply told and drawn: the chain from gross to free, weeks, the methods side by side, and a chart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from sourcing.errors import InputError, UsageError
from sourcing.intake.cells import fold
from sourcing.residue.bands import Bands
from sourcing.residue.chain import grown_by_stream, make_streams
from sourcing.residue.land import read_land
from sourcing.residue.residues import pair_table
from sourcing.residue.supply import CHAIN, Supply
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK

if TYPE_CHECKING:
    from sourcing.intake.fields import Fields

WORDS = {
    "uncollectable_kg": "cannot be collected and stays on the soil",
    "cover_kg": "is left to cover the soil",
    "fodder_kg": "feeds animals",
    "fuel_kg": "is burnt at home",
    "thatch_kg": "goes into roofs, fences and mats",
    "left_alone_kg": "is not collected this season",
    "not_promised_kg": "is not promised",
    "drying_loss_kg": "is lost while it dries",
    "past_clear_kg": "is not dry before it must be off the field",
    "outside_season_kg": "lies outside the season",
    "free_kg": "is free to take",
}
"""What each part of the chain is, in plain words."""
_MOST_COLOURS = 9
_COLOURS = ("#4477aa", "#ee6677", "#228833", "#ccbb44", "#66ccee", "#aa3377", "#994f00", "#44bb99", "#777777")


def chain_by(supply: Supply, by: Sequence[str] = ("crop",)) -> pd.DataFrame:
    """The chain from grown to free [dry kg], summed by any of 'village', 'crop', 'residue', 'field_id'."""
    known = ("village", "crop", "residue", "field_id")
    if not by or any(b not in known for b in by):
        raise UsageError(f"the chain can be summed by {', '.join(known)}, not by {', '.join(by) or 'nothing'}")
    return supply.chain.groupby(list(by), observed=True)[["grown_kg", *CHAIN]].sum()


def chain_in_short(supply: Supply, by: str = "crop") -> pd.DataFrame:
    """The chain [dry kg] in six steps, one row a crop, village or residue: grown, stays on the field, is used at home,
    is not given, is lost, is free.
    """
    chain = chain_by(supply, [by])
    return pd.DataFrame(
        {
            "grown": chain["grown_kg"],
            "stays on the field": chain["uncollectable_kg"] + chain["cover_kg"],
            "used at home": chain["fodder_kg"] + chain["fuel_kg"] + chain["thatch_kg"],
            "not given": chain["left_alone_kg"] + chain["not_promised_kg"],
            "lost": chain["drying_loss_kg"] + chain["past_clear_kg"] + chain["outside_season_kg"],
            "free": chain["free_kg"],
        }
    )


def chain_by_week(supply: Supply, fields: Fields, by: Sequence[str] = ()) -> pd.DataFrame:
    """The chain from grown to free [dry kg] by week of HARVEST (and by 'village', 'crop' or 'residue' as well).

    Index `week`: index of the season's calendar, negative for harvests before it begins. Each field's residue is
    spread evenly over its days of harvest; its losses, which fall mostly on the last weeks, are spread alike.
    """
    frame, chain = fields.frame, supply.chain
    zero = np.datetime64(supply.calendar.first_monday, "D")
    start, end = (
        (frame[c].to_numpy(dtype="datetime64[D]") - zero).astype(np.int64) for c in ("harvest_start", "harvest_end")
    )
    at = chain["field_id"].cat.codes.to_numpy()
    first, last = start[at] // DAYS_A_WEEK, end[at] // DAYS_A_WEEK
    count = last - first + 1
    row = np.repeat(np.arange(len(chain)), count)
    week = first[row] + np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    begin, stop = start[at][row], end[at][row]
    days = np.minimum(stop, week * DAYS_A_WEEK + 6) - np.maximum(begin, week * DAYS_A_WEEK) + 1
    share = days / (stop - begin + 1)
    parts = chain[["grown_kg", *CHAIN]].to_numpy()[row] * share[:, None]
    table = pd.DataFrame(parts, columns=["grown_kg", *CHAIN])
    keys = [chain[b].to_numpy()[row].astype(str) for b in by]
    names = pd.Index(week, name="week")
    return table.groupby([names, *(pd.Series(k, name=b) for k, b in zip(keys, by, strict=True))]).sum()


def weekly(supply: Supply, by: str = "crop") -> pd.DataFrame:
    """Free residue [dry kg] by the week it becomes ready: one row a week of the calendar (label), one column a crop,
    village or residue.
    """
    if by not in ("crop", "village", "residue"):
        raise UsageError(f"weeks can be shown by crop, village or residue, not by '{by}'")
    table = supply.lots.groupby(["ready_week", by], observed=True)["mass_kg"].sum().unstack(fill_value=0.0)
    table = table.reindex(range(supply.calendar.count), fill_value=0.0)
    table.columns = [str(c) for c in table.columns]
    table.index = pd.Index(supply.calendar.labels, name="week")
    return table


def sentence(supply: Supply, crop: str = "", village: str = "") -> str:
    """The chain from grown to free in one sentence: of 412 t grown, 180 t stays on the soil, and so on."""
    chain = supply.chain
    if crop:
        chain = chain[chain["crop"].astype(str) == crop]
    if village:
        chain = chain[chain["village"].astype(str) == village]
    grown = chain["grown_kg"].sum()
    parts = [f"{_tonnes(chain[c].sum())} {WORDS[c]}" for c in CHAIN[:-1] if chain[c].sum() > 0.0005 * max(grown, 1e-9)]
    of = " ".join(x for x in (crop.replace("_", " "), f"in {village}" if village else "") if x)
    start = f"Of {_tonnes(grown)} dry residue{f' of {of}' if crop else (f' {of}' if of else '')} grown"
    return f"{start}, {', '.join(parts)}{', and ' if parts else ' '}{_tonnes(chain['free_kg'].sum())} is free to take."


def _tonnes(kg: float) -> str:
    t = kg / 1000.0
    return f"{t:,.0f} t" if t >= 100 else f"{t:.1f} t" if t >= 1 else f"{kg:.0f} kg"


def methods_side_by_side(fields: Fields, settings: Settings, values: Values) -> pd.DataFrame:
    """Dry residue grown [kg] by crop with each method: the ratio at its low, likely and high, and the IPCC relations
    of 2006 and 2019; and the largest over the smallest of likely ratio and IPCC. Index crop.

    Where IPCC has no row for a crop, or the residue is part of the product, the ratio stands in. Raises InputError as
    supply does.
    """
    frame = fields.frame
    code, crops = pd.factorize(frame["crop"], sort=True)
    names = tuple(str(c) for c in crops)
    out: dict[str, pd.Series] = {}
    for column, method, estimate in (
        ("ratio_low", "ratio", "low"),
        ("ratio", "ratio", "likely"),
        ("ratio_high", "ratio", "high"),
        ("ipcc_2006", "ipcc_2006", "likely"),
        ("ipcc_2019", "ipcc_2019", "likely"),
    ):
        pairs, faults = pair_table(names, settings, values, estimate)  # type: ignore[arg-type]
        likely, _ = pair_table(names, settings, values, "likely")
        land, more, _ = read_land(frame, code, likely, settings, values, settings.layers.fields.file)
        if faults or more:
            raise InputError([*faults, *more])
        streams = make_streams(code, pairs, land["point_pair"])
        grown = grown_by_stream(land, streams, pairs, settings, values, method)
        out[column] = pd.Series(np.bincount(code[streams.field], weights=grown, minlength=len(names)), index=names)
    table = pd.DataFrame(out)
    table.index.name = "crop"
    middle = table[["ratio", "ipcc_2006", "ipcc_2019"]]
    table["apart"] = middle.max(axis=1) / middle.min(axis=1)
    return table


def shown_names(fields: Fields) -> dict[str, str]:
    """What each village is called where it is shown: its name, and its id too where another has the same name."""
    names = fields.villages["name"].astype(str)
    twice = names.duplicated(keep=False)
    return {str(v): f"{n} ({v})" if d else n for v, n, d in zip(names.index, names, twice, strict=True)}


def village_named(names: Mapping[str, str], word: str) -> str:
    """The id of the village that `word` means, by name or id, from the names by id. Raises UsageError for none."""
    known = {fold(v): v for v in names} | {fold(n): v for v, n in names.items()}
    if fold(word) not in known:
        raise UsageError(f"there is no village '{word}' in this season; its villages are {', '.join(names.values())}")
    return known[fold(word)]


def draw_supply(
    supply: Supply, path: Path, by: str = "crop", village: str = "", bands: Bands | None = None, title: str = "",
    names: Mapping[str, str] | None = None,
) -> None:  # fmt: skip
    """The weekly chart as PNG, SVG or PDF, by the ending of `path`: free residue [t dry] by the week it becomes ready,
    stacked by crop, village or residue; with `bands`, the 5 to 95 % range of each village's weeks (for one village),
    or of nothing. More than nine kinds are shown as eight and the rest. `names`: of villages, by id.
    """
    names = names or {}
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise UsageError(f"a chart is written as .png, .svg or .pdf, not as '{path.suffix}'")
    shown = supply
    if village:
        if village not in set(supply.lots["village"].astype(str)):
            raise UsageError(f"there is no residue in the village '{names.get(village, village)}'")
        mine = supply.lots[supply.lots["village"].astype(str) == village]
        shown = Supply(supply.calendar, mine, supply.chain, supply.findings, supply.figures_used)
    table = weekly(shown, by) / 1000.0
    order = table.sum().sort_values(ascending=False)
    table = table[order[order > 0].index]
    if by == "village":
        table = table.rename(columns=names)
    if table.shape[1] > _MOST_COLOURS:
        kept = table.iloc[:, : _MOST_COLOURS - 1]
        table = kept.assign(others=table.iloc[:, _MOST_COLOURS - 1 :].sum(axis=1))
    weeks = np.arange(len(table))
    drawing = Drawing(figsize=(max(6.0, min(0.22 * len(table) + 2.5, 16.0)), 4.2), layout="constrained")
    axes = drawing.subplots()
    floor = np.zeros(len(table))
    for column, colour in zip(table.columns, _COLOURS, strict=False):
        height = table[column].to_numpy()
        axes.bar(weeks, height, bottom=floor, width=0.9, color=colour, label=column.replace("_", " "))
        floor = floor + height
    if bands is not None and village:
        own = bands.weeks[bands.weeks["village"] == village]
        low, high = own["low_kg"].to_numpy() / 1000.0, own["high_kg"].to_numpy() / 1000.0
        axes.vlines(own["week"], low, high, color="#222222", linewidth=1.2, label="5 to 95 %")
    step = max(1, len(weeks) // 16)
    axes.set_xticks(weeks[::step], list(table.index[::step]), rotation=60, ha="right", fontsize=8)
    axes.set_ylabel("t dry becoming ready in the week")
    about = title or f"Free residue by week and {by}"
    axes.set_title(about + (f", {names.get(village, village)}" if village else ""), fontsize=11)
    axes.spines[["top", "right"]].set_visible(False)
    axes.margins(x=0.01)
    if table.shape[1]:
        axes.legend(fontsize=8, frameon=False, ncols=2)
    drawing.savefig(path, dpi=150, metadata={"Date": None} if path.suffix.lower() == ".svg" else None)
