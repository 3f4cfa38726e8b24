"""A weighed plan in plain words, as tables, and the curve of barrels as a chart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing
from matplotlib.ticker import StrMethodFormatter

from sourcing.errors import OutputError, UsageError
from sourcing.season.outcome import UNPROVEN
from sourcing.season.worth import worth_lines
from sourcing.values import Figure
from sourcing.weighing.figures import Other, Weighing

MOST_PLACES = 6
"""Most places left out that are named one by one."""
MOST_NAMES = 6
"""Most places that are named where another plan differs."""
EARLY = 3.0
"""A search that ends with so many times the gap asked for ended early."""
NEXT_TO_NOTHING = 0.01
"""Barrels that earn less than this share of what the first ones earn are said to earn next to nothing."""
WHY = {
    "pinned_out": "left out by your own wish",
    "nothing_in_reach": "no residue within carrying reach",
    "carrying_too_dear": "every kilo in reach costs more to carry than its char is worth",
    "taken_elsewhere": "other places take most of the residue in reach",
    "too_little": "what is left in reach would not pay for setting up",
    "barrels_earn_more": "it would pay by itself, but barrels, people or money do better elsewhere",
    "no_residue": "no residue is free to take",
    "no_place": "no allowed place for barrels",
    "given_elsewhere": "its residue is carried to places of other villages",
    "search_ended": "the search ended before a use for its residue was found",
}
ENDED_EARLY = (
    "it would pay by itself: the search ended before it came to them, or barrels, people or money do better elsewhere"
)
"""Why places are left out that would pay, where the plan is unproven."""
AT_THE_MARGIN = (
    "For a little more or less, barrels counted as divisible: ten barrels more rarely earn ten times as much as one. "
    "Buying the barrel is not taken off."
)


def title(w: Weighing) -> str:
    """What is weighed, and how good it is proven to be."""
    what = f"{w.season}, plan {w.plan}" if w.plan else f"{w.season}, planned just now"
    word = {"margin": "margin", "clear": "cost of clearing", "char": "char"}.get(w.unit.goal, "value")
    known = w.gap <= UNPROVEN
    sure = f"no plan can be more than {w.gap:.2%} better" if known else "how much better a plan could be is not known"
    return f"{what}: {word} {w.unit.amount(w.value)}; {sure}."


def text(w: Weighing) -> str:
    """The whole of it, heading by heading; tables follow in :func:`tables`."""
    lines = [title(w)]
    if len(w.worth) or np.isfinite(w.barrel_season):
        lines += ["", "WHAT ONE MORE WOULD EARN"]
        for head, told in worth_lines(w.worth, w.unit, w.barrel_season, w.weeks):
            lines += [f"{head}{':' if told else '.'}", *(f"  {line}" for line in told)]
        lines.append(AT_THE_MARGIN)
    lines += ["", "WHAT WAS LEFT OUT", *left_out_lines(w)]
    if len(w.curve):
        lines += ["", "MORE OR FEWER BARRELS", *curve_lines(w)]
    if w.others:
        lines += ["", "OTHER PLANS", *(line for n, o in enumerate(w.others) for line in other_lines(w, o, n + 1))]
    if w.notes:
        lines += ["", *w.notes]
    return "\n".join(lines)


# What was left out ----------------------------------------------------------------------------------------------------


def left_out_lines(w: Weighing) -> list[str]:
    """Villages without barrels one by one; places in short, those nearest to being used by name."""
    lines = []
    if w.villages.empty:
        lines.append("Every village has barrels.")
    for row in w.villages.to_dict("records"):
        lines.append(f"{row['name']}: {_why(row, w)}.")
    if w.places.empty:
        return lines
    known = w.places[w.places["why"] != "pinned_out"]
    lines.append(f"Places that could have barrels and have none: {len(w.places)}.")
    said = WHY if w.gap <= UNPROVEN else {**WHY, "barrels_earn_more": ENDED_EARLY}
    lines += [f"  {n} x {said[str(why)]}" for why, n in w.places["why"].value_counts().items()]
    near = known[np.isfinite(known["cost"])].sort_values("cost", kind="stable")
    pays, costs = near[near["cost"] < 0], near[near["cost"] >= 0]
    if len(pays):
        lines.append(
            f"{len(pays)} of them would each be worth using: the search ended before it came to them. More time "
            "(placement.seconds) or a smaller placement.gap finds part of it:"
        )
        lines += [
            f"  {_place(r)}: about {w.unit.amount(-r['cost'])}" for r in pays.head(MOST_PLACES).to_dict("records")
        ]
    if len(costs):
        lines.append("Nearest to being used, and what using it as well would cost in the season:")
        lines += [
            f"  {_place(r)}: about {w.unit.amount(r['cost'])}" for r in costs.head(MOST_PLACES).to_dict("records")
        ]
    return lines


def _place(row: dict[str, Any]) -> str:
    return f"{row['site_id']} ({row['village']})"


def _why(row: dict[str, Any], w: Weighing) -> str:
    """Why a village has no barrels, and what using it would cost."""
    why, cost = str(row["why"]), float(row["cost"])
    if why == "pinned_out" and np.isfinite(cost):
        using = f"be worth about {w.unit.amount(-cost)} more" if cost < 0 else f"cost about {w.unit.amount(cost)}"
        return f"{WHY[why]}; using it would {using}"
    if cost < 0:
        return (
            f"left out only because the search ended before it came to it; using it would be worth about "
            f"{w.unit.amount(-cost)}: give it more time (placement.seconds), or name it in villages.use"
        )
    told = WHY.get(why, why.replace("_", " "))
    reach, taken = (f"{row[k] / 1000:,.1f} t" for k in ("reach_kg", "taken_kg"))
    if why == "taken_elsewhere":
        told = f"{told} of its best place, {taken} of {reach}"
    if why == "too_little" and w.unit.goal == "margin":
        short = w.unit.amount(row["fixed_cost"] - row["worth"])
        told = (
            f"{told}: {reach} in reach leave {w.unit.amount(row['worth'])} after carrying, setting up and one week "
            f"cost {w.unit.amount(row['fixed_cost'])}, {short} short"
        )
    if why == "barrels_earn_more" and w.unit.goal == "margin":
        told = f"{told}: {reach} in reach would leave {w.unit.amount(row['worth'])} after carrying"
    if np.isinf(cost):
        return f"{told}; it cannot be used at all: not even one barrel would be kept busy there"
    return told if np.isnan(cost) else f"{told}; using it all the same would cost about {w.unit.amount(cost)}"


# More or fewer barrels ------------------------------------------------------------------------------------------------


def curve_lines(w: Weighing) -> list[str]:
    """The curve told: what further barrels earn between the fleets tried, and where they stop paying."""
    rows = w.curve[w.curve["gain"].notna()]
    if rows.empty:
        return ["Only one fleet could be planned; nothing can be said of more or fewer barrels."]
    lines, before = [], w.curve["barrels"].shift()
    for at, row in rows.iterrows():
        lines.append(
            f"From {before[at]:.0f} to {row['barrels']:.0f} barrels each further one {w.unit.earns} about "
            f"{w.unit.amount(row['gain'])} in the season ({_range(row, w)})."
        )
    early = [f"{b:.0f}" for b, g in zip(w.curve["barrels"], _gaps(w), strict=True) if g > EARLY * w.gap_asked]
    if early:
        lines.append(
            f"The search for {_and(early)} barrels ended early: the plans found are not proven good, what further "
            "barrels earn is told from the bounds. Give it more --seconds."
        )
    return [*lines, stops_paying(w)]


def _gaps(w: Weighing) -> list[float]:
    """How much better than the plan found the best could be, as a share, for each fleet of the curve."""
    off = (w.curve["bound"] - w.curve["value"]).abs() / w.curve["value"].abs().clip(lower=1e-9)
    return [float(g) for g in off]


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _range(row: pd.Series, w: Weighing) -> str:
    low, high = (w.unit.amount(row[k]).removesuffix(f" {w.unit.name}") for k in ("gain_low", "gain_high"))
    return f"as proven, {low} to {high}"


def stops_paying(w: Weighing) -> str:
    """Where the next barrel stops paying, against what a barrel costs to buy."""
    rows = w.curve[w.curve["gain"].notna()]
    before = w.curve["barrels"].shift()
    price, first, last = w.barrel_price.likely, float(rows["gain"].iloc[0]), float(rows["barrels"].iloc[-1])
    if w.unit.goal in ("margin", "clear") and price > 0:
        dear = rows[rows["gain"] < price]
        told = f"the {w.unit.amount(price)} it costs to buy ({_source(w.barrel_price)})"
        if dear.empty:
            return f"Even up to {last:.0f} barrels a further one {w.unit.earns} more in one season than {told}."
        at = dear.index[0]
        start, end = float(before[at]), float(rows.loc[at, "barrels"])
        return f"Between {start:.0f} and {end:.0f} barrels a further one stops {w.unit.earning} in one season {told}."
    idle = rows[rows["gain"] < NEXT_TO_NOTHING * first]
    if idle.empty:
        return f"Even up to {last:.0f} barrels a further one helps."
    return f"From {float(before[idle.index[0]]):.0f} barrels on more of them help next to nothing."


def _source(figure: Figure) -> str:
    standing = ", an example until the season gives its own" if figure.standing == "example" else ""
    return f"{figure.name}{standing}"


def curve_frame(w: Weighing) -> pd.DataFrame:
    """The curve as a table for the terminal."""
    value = {"margin": "margin", "clear": "cost", "char": "char, kg"}.get(w.unit.goal, "value")
    at_best = "at least" if w.unit.goal == "clear" else "at most"
    shown = pd.DataFrame(
        {
            value: [f"{v:,.0f}" for v in w.curve["value"]],
            at_best: [f"{v:,.0f}" for v in w.curve["bound"]],
            f"each further barrel {w.unit.earns}": ["" if np.isnan(g) else f"{g:,.1f}" for g in w.curve["gain"]],
            "": ["this season's fleet" if int(b) == w.barrels else "" for b in w.curve["barrels"]],
        },
        index=pd.Index(w.curve["barrels"].astype(int), name="barrels"),
    )
    return shown


def draw_curve(w: Weighing, path: Path) -> None:
    """The curve as PNG, SVG or PDF, by the ending of `path`: value by fleet, found and at most, and what each further
    barrel earns beside what one costs. Raises UsageError, OutputError.
    """
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise UsageError(f"a chart is written as .png, .svg or .pdf, not as '{path.suffix}'")
    if len(w.curve) < 2:
        raise UsageError("there are fewer than two fleets to draw: allow more seconds, or name other --barrels")
    drawing = Drawing(figsize=(7.5, 6.4), layout="constrained")
    upper, lower = drawing.subplots(2, 1, sharex=True, height_ratios=[3, 2])
    barrels = w.curve["barrels"].to_numpy()
    upper.fill_between(barrels, w.curve["value"], w.curve["bound"], color="#c9c2b6", label="at best possible")
    upper.plot(barrels, w.curve["value"], marker="o", color="#1f4e5f", label="best plan found")
    here = w.curve[w.curve["barrels"] == w.barrels]
    upper.plot(
        here["barrels"], here["value"], "o", ms=11, mfc="none", mec="#b5452c", mew=2, label="this season's fleet"
    )
    upper.set_ylabel(w.unit.name)
    upper.set_ylim(bottom=0)
    upper.set_title(f"{w.season}: {_title_word(w)} by number of barrels", fontsize=11)
    gain = w.curve["gain"].to_numpy()[1:]
    lower.stairs(gain, barrels, color="#1f4e5f", fill=True, alpha=0.75)
    middle = (barrels[1:] + barrels[:-1]) / 2
    low, high = w.curve["gain_low"].to_numpy()[1:], w.curve["gain_high"].to_numpy()[1:]
    lower.vlines(middle, low, high, color="#222222", linewidth=1.2, label="as proven")
    if w.unit.goal in ("margin", "clear"):
        lower.axhline(w.barrel_price.likely, color="#b5452c", linestyle="--", label="price of a barrel")
    lower.set_ylabel(f"a further barrel {w.unit.earns}")
    lower.set_xlabel("barrels in the fleet")
    for axes in (upper, lower):
        axes.yaxis.set_major_formatter(StrMethodFormatter("{x:,.0f}"))
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(fontsize=8, frameon=False)
    drawing.supxlabel(stops_paying(w), fontsize=8, wrap=True)
    try:
        drawing.savefig(path, dpi=150, metadata={"Date": None} if path.suffix.lower() == ".svg" else None)
    except OSError as exc:
        raise OutputError(f"the chart could not be written to {path}: {exc.strerror or exc}") from exc


def _title_word(w: Weighing) -> str:
    return {"margin": "margin", "clear": "cost", "char": "char"}.get(w.unit.goal, "value")


# Other plans ----------------------------------------------------------------------------------------------------------


def other_lines(w: Weighing, other: Other, number: int) -> list[str]:
    """One other plan: what it costs against the plan weighed, and which places differ."""
    share = abs(other.loss) / max(abs(w.value), 1e-9)
    size = f"{w.unit.amount(abs(other.loss))} ({share:.2%})"
    told = f"costs {size} more" if w.unit.goal == "clear" else f"earns {size} less"
    if other.loss < 0:
        told = f"is better by {size}: the plan weighed was not the best yet"
    lines = [f"{number}. {told[0].upper()}{told[1:]}; {other.barrel_weeks_moved:,} barrel-weeks stand elsewhere."]
    for head, names in (("Without", other.gives_up), ("With", other.opens)):
        if names:
            more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
            lines.append(f"   {head} {', '.join(names[:MOST_NAMES])}{more}")
    if other.gap > w.gap + EARLY * w.gap_asked:
        lines.append(f"   Its search ended early: a plan like it could be up to {other.gap:.0%} better. --seconds")
    return lines
