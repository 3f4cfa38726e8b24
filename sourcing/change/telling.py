"""A comparison of two plans in plain words: what a planner must tell the villages, and why the plans differ."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from sourcing.change.causes import ORDER, Cause
from sourcing.change.compare import Comparison
from sourcing.errors import OutputError, UsageError
from sourcing.outputs.tables import heading
from sourcing.season.fetched import WORTH_TELLING_KG
from sourcing.season.outcome import UNPROVEN
from sourcing.weeks import DAYS_A_WEEK, monday, sunday
from sourcing.words import FIRST_LANGUAGE, load_words

KG_A_TONNE = 1000
MOST_LINES = 20
"""Most villages named one by one under each heading."""
MOST_SPANS = 4
"""Up to so many runs of weeks are named one by one."""
MOST_PIXELS = 420
"""Widest column of the spreadsheet [pixels]."""
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
FATES = {
    "new": "new", "gone": "gone", "changed": "with other crop, yield or days", "redrawn": "walked anew",
    "moved": "found elsewhere", "split": "divided", "merged": "put together from others",
    "rearranged": "drawn in place of others",
}  # fmt: skip


def title(c: Comparison) -> list[str]:
    """Which plans are compared."""
    if c.a.season == c.b.season:
        return [f"{c.a.season}: from plan {c.a.name} to plan {c.b.name}"]
    return [f"From {c.a.season}, plan {c.a.name}, to {c.b.season}, plan {c.b.name}"]


def to_tell(c: Comparison) -> list[tuple[str, list[str]]]:
    """What to tell the villages: heading and a line for each village, the largest changes first."""
    sections = []
    table = c.villages.assign(size=(c.villages["barrel_weeks_b"] - c.villages["barrel_weeks_a"]).abs())
    table = table.sort_values(["size", "name"], ascending=[False, True], kind="stable")
    for relation, head, line in (
        ("comes", "Get barrels now", _comes), ("goes", "Get no barrels any more", _goes),
        ("changes", "Keep barrels, with changes", _changes), ("gives", "Only other fields give residue", _gives),
    ):  # fmt: skip
        rows = table[table["relation"] == relation]
        if rows.empty:
            continue
        lines = [line(str(v), row, c) for v, row in zip(rows.index, rows.to_dict("records"), strict=True)]
        if len(lines) > MOST_LINES:
            lines = [*lines[:MOST_LINES], f"and {len(lines) - MOST_LINES} more; --table FILE.xlsx lists all"]
        sections.append((f"{head} ({len(rows)})", lines))
    for relation, head in (("same", "Nothing changes"), ("none", "No barrels before or now")):
        names = [str(n) for n in table.loc[table["relation"] == relation, "name"]]
        if names:
            sections.append((f"{head} ({len(names)})", [_listed(names)]))
    return sections


def _comes(village: str, row: dict[str, Any], c: Comparison) -> str:
    return (
        f"{row['name']}: up to {_barrels(row['most_barrels_b'])}, {_span(row, 'b')}, at {_sites(row['sites_b'])}; "
        f"residue is fetched from {_fields(row['fields_fetched_b'])}"
    )


def _goes(village: str, row: dict[str, Any], c: Comparison) -> str:
    fetched = row["fields_fetched_b"]
    none = "; no field gives residue any more" if row["fields_fetched_a"] else ""
    still = f"; {_fields(fetched)} still {'gives' if fetched == 1 else 'give'} residue to sites of other villages"
    return (
        f"{row['name']}: was up to {_barrels(row['most_barrels_a'])}, {_span(row, 'a')}, at {_sites(row['sites_a'])}"
        f"{still if fetched else none}"
    )


def _changes(village: str, row: dict[str, Any], c: Comparison) -> str:
    parts = []
    for key, day, word in (("first_week", monday, "begins"), ("last_week", sunday, "ends")):
        before, after = day(row[f"{key}_a"]), day(row[f"{key}_b"])
        if weeks := (after - before).days // DAYS_A_WEEK:
            late = "later" if weeks > 0 else "earlier"
            parts.append(f"{word} {counted(abs(weeks), 'week')} {late}, {said(after)} (was {said(before)})")
    if row["most_barrels_a"] != row["most_barrels_b"]:
        parts.append(f"up to {_barrels(row['most_barrels_b'])} at once (was {row['most_barrels_a']})")
    if row["barrel_weeks_a"] != row["barrel_weeks_b"]:
        parts.append(f"{counted(row['barrel_weeks_b'], 'barrel-week')} in all (was {row['barrel_weeks_a']})")
    if row["first_week_a"] == row["first_week_b"] and (when := _other_weeks(village, c)):
        parts.append(when)
    parts += _site_words(village, c)
    if row["fields_come"] or row["fields_go"]:
        parts.append(_fetched(row))
    return f"{row['name']}: {'; '.join(parts)}"


def _gives(village: str, row: dict[str, Any], c: Comparison) -> str:
    return f"{row['name']}: {_fetched(row)}"


def _fetched(row: dict[str, Any]) -> str:
    come, go = row["fields_come"], row["fields_go"]
    if not row["fields_fetched_b"]:
        return f"no field gives residue any more ({_fields(row['fields_fetched_a'])} did)"
    parts = [f"newly from {come:,}"] if come else []
    parts += [f"no longer from {go:,}"] if go else []
    return f"residue from {_fields(row['fields_fetched_b'])}, {', '.join(parts)}"


def _other_weeks(village: str, c: Comparison) -> str:
    """When more or fewer barrels stand in a village than before: 'more barrels from Mon 3 May to Sun 16 May'."""
    weeks = c.village_weeks[c.village_weeks["village"] == village].set_index("week")
    off = (weeks["barrels_b"] - weeks["barrels_a"]).reindex(c.weeks.index, fill_value=0)
    sign = off.gt(0).astype(int) - off.lt(0).astype(int)
    runs = sign.groupby(sign.ne(sign.shift()).cumsum())
    spans = [(int(run.iloc[0]), str(run.index[0]), str(run.index[-1])) for _, run in runs if run.iloc[0]]
    if len(spans) > MOST_SPANS:
        counts = ((int((sign > 0).sum()), "more"), (int((sign < 0).sum()), "fewer"))
        return ", ".join(f"{word} barrels in {counted(n, 'week')}" for n, word in counts if n)
    told = []
    for way, word in ((1, "more"), (-1, "fewer")):
        named = [f"{said(monday(first))} to {said(sunday(last))}" for s, first, last in spans if s == way]
        if named:
            told.append(f"{word} barrels {' and '.join(named)}")
    return ", ".join(told)


def _site_words(village: str, c: Comparison) -> list[str]:
    of = c.sites[c.sites["village"] == village]
    moved = of[of["relation"] == "moves"]
    come, go = int((of["relation"] == "comes").sum()), int((of["relation"] == "goes").sum())
    parts = [f"the site moves {d:,.0f} m" for d in moved["distance_m"]] if len(moved) == 1 else []
    if len(moved) > 1:
        parts.append(f"{len(moved)} sites move, by up to {moved['distance_m'].max():,.0f} m")
    if come and go:
        parts.append(f"{counted(come, 'new site')}, {go} given up")
    elif come or go:
        parts.append(counted(come, "new site") if come else f"{counted(go, 'site')} given up")
    return parts


def overall(c: Comparison) -> list[str]:
    """The season as a whole in a few lines: fields, residue, char, barrels moved, value."""
    lines = []
    fates = [f"{n:,} {FATES[k]}" for k in FATES if (n := c.counts.get(k, 0))]
    same = c.counts.get("same", 0)
    lines.append(f"Fields: {', '.join(fates)}; {same:,} as before." if fates else f"Fields: all {same:,} as before.")
    for name, word, unit in (("residue_kg", "Residue charred", "t dry"), ("char_kg", "Char", "t")):
        before, after = c.totals.loc[name, "a"] / 1000, c.totals.loc[name, "b"] / 1000
        lines.append(f"{word}: {_more(after, before, unit, 1)}")
    before, after = c.totals.loc["barrel_weeks", "a"], c.totals.loc["barrel_weeks", "b"]
    stays = int(before) - int(c.weeks["barrels_go"].sum())
    lines.append(
        f"Barrels: {_more(after, before, 'barrel-weeks', 0)} "
        f"{stays:,} of them stand at the same site in the same week as before."
    )
    near = c.b.record.get("near")
    if near and near["plan"] == c.a.name:
        lines.append(near_words(near))
    elif stays < after:
        lines.append(f"A plan that changes less: sourcing plan SEASON --near {c.a.name}")
    return lines


def unproven(c: Comparison) -> list[str]:
    """What must be known before anything is told to anybody: plans whose search ended before they were proven good."""
    lines = []
    for side, which in ((c.a, "first"), (c.b, "second")):
        if side.gap <= float(side.record["settings"]["placement"]["gap"]):
            continue
        if side.gap > UNPROVEN:
            lines.append(
                f"Tell nobody anything yet: for the {which} plan, {side.name}, no good plan was found in its time, so "
                "what differs below is chance. Give it more time (placement.seconds), plan again, and compare again."
            )
        else:
            lines.append(
                f"Careful: a plan up to {side.gap:.1%} better than the {which} one, {side.name}, may be there, so some "
                "of what differs may be chance. More time (placement.seconds), or planning near the plan in force, "
                "makes it surer."
            )
    return lines


def near_words(facts: dict[str, Any]) -> str:
    """How close a plan stays to the plan in force, from its record."""
    kept = f"; {counted(facts['weeks_kept'], 'week')} before {facts['from']} kept" if facts["weeks_kept"] else ""
    sites = f"{counted(facts['sites_new'], 'new site')}, {facts['sites_given_up']} given up"
    told = (
        f"Against {facts['plan']}: {facts['barrel_weeks_more']:,} barrel-weeks more and "
        f"{facts['barrel_weeks_fewer']:,} fewer, {sites}{kept}."
    )
    if facts.get("fetched_kg"):
        told += f" {facts['fetched_kg'] / KG_A_TONNE:,.1f} t fetched before then are off the fields."
    if facts.get("fetched_unknown_kg", 0.0) >= WORTH_TELLING_KG:
        told += (
            f" {facts['fetched_unknown_kg'] / KG_A_TONNE:,.2f} t more were fetched than the fields, as they are now "
            "known, can have given; they are in neither the weeks nor the totals of this plan."
        )
    return told


def why(c: Comparison) -> list[str]:
    """The difference in value and its parts, in the order in which the changes were made."""
    unit = {"margin": c.b.currency, "clear": c.b.currency, "char": "kg of char"}.get(c.b.goal, "points")
    what = {"margin": "Margin", "clear": "Cost of clearing", "char": "Char"}.get(c.b.goal, "Value")
    before, after = (float(side.record["totals"]["value"]) for side in (c.a, c.b))
    if c.a.goal != c.b.goal:
        return [f"The values are not compared: {c.causes_told}."]
    if c.a.currency != c.b.currency:
        return [f"The values are not compared: one is in {c.a.currency}, the other in {c.b.currency}."]
    lines = [f"{what}: {_more(after, before, unit, 0)}"]
    if c.causes_told:
        return [*lines, f"What made the difference was not worked out: {c.causes_told}."]
    if not c.causes:
        return lines
    width = max(len(f"{x.difference:+,.0f}") for x in c.causes)
    lines += [f"  {x.difference:>+{width},.0f}  {_cause(x, abs(after))}" for x in c.causes]
    lines.append(f"  {c.value_difference:>+{width},.0f}  in all")
    lines.append(
        "These changes were made to the first season one after another, in this order, and it was planned again after "
        "each; in another order the parts may differ."
    )
    done = " and ".join(x.step for x in c.causes)
    if alike := [step for step in ORDER if step not in done]:
        lines.append(f"Nothing differs in: {'; '.join(alike)}.")
    lines.append(
        f"How far the plans can be from the best: the first {_gap(c.a.gap)}, the second {_gap(c.b.gap)}. Parts that "
        "such a difference could hide are called too small to tell."
    )
    return lines


def _cause(cause: Cause, value: float) -> str:
    told = f"{cause.step}: {cause.told}" if cause.told else cause.step
    if cause.sure:
        return told
    if cause.high - cause.low > value:
        return f"{told} - cannot be told: the plans before and after it are not proven good enough"
    return f"{told} - too small to tell (from {cause.low:+,.0f} to {cause.high:+,.0f})"


def _gap(gap: float) -> str:
    return f"at most {gap:.2%}" if gap <= UNPROVEN else "not known"


def _more(after: float, before: float, unit: str, digits: int) -> str:
    off = after - before
    if round(off, digits) == 0:
        return f"{after:,.{digits}f} {unit}, as before."
    much = f"{abs(off):,.{digits}f} {'more' if off > 0 else 'less'}"
    return f"{after:,.{digits}f} {unit}, {much} (was {before:,.{digits}f})."


def said(day: date) -> str:
    """A day as it is said to people: 'Mon 3 May'."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def _span(row: dict[str, Any], end: str) -> str:
    return f"{said(monday(row[f'first_week_{end}']))} to {said(sunday(row[f'last_week_{end}']))}"


def counted(number: int, word: str) -> str:
    """So many things, as English says it: 1 village, 2 villages."""
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def _barrels(number: int) -> str:
    return counted(number, "barrel")


def _sites(number: int) -> str:
    return counted(number, "site")


def _fields(number: int) -> str:
    return counted(number, "field")


def _listed(names: Iterable[str]) -> str:
    every = list(names)
    return ", ".join(every[:MOST_LINES]) + (f" and {len(every) - MOST_LINES} more" if len(every) > MOST_LINES else "")


def text(c: Comparison) -> str:
    """The first screen as text."""
    lines = [*title(c), *unproven(c), "", "WHAT TO TELL THE VILLAGES"]
    sections = to_tell(c)
    for head, told in sections:
        lines += [f"{head}:", *(f"  {line}" for line in told)]
    lines += ["", "THE SEASON AS A WHOLE", *overall(c), *why(c)]
    return "\n".join(lines)


def tables(c: Comparison) -> list[tuple[str, pd.DataFrame]]:
    """The sheets of the comparison's workbook, in order."""
    told = [("First", line) for line in unproven(c)]
    told += [(head, line) for head, lines in to_tell(c) for line in lines]
    told += [("The season as a whole", line.strip()) for line in (*overall(c), *why(c))]
    parts = [(x.step, x.told, x.difference, x.low, x.high, "yes" if x.sure else "too small to tell") for x in c.causes]
    return [
        ("To tell", pd.DataFrame(told, columns=["about", "what"])),
        ("Totals", c.totals.reset_index()),
        ("Why", pd.DataFrame(parts, columns=["change", "what changed", "difference", "at least", "at most", "sure"])),
        ("Villages", c.villages.reset_index()),
        ("Villages by week", c.village_weeks),
        ("Sites", c.sites),
        ("Weeks", c.weeks.reset_index()),
        ("Fields", c.fields),
    ]


def write_comparison(c: Comparison, path: Path) -> None:
    """The comparison as a spreadsheet; nothing in it is read as a formula. Raises OutputError."""
    options = {"options": {"strings_to_formulas": False, "strings_to_urls": False, "nan_inf_to_errors": True}}
    if path.suffix.lower() != ".xlsx":
        raise UsageError(f"{path.name}: a comparison is written as .xlsx")
    words = load_words(FIRST_LANGUAGE)
    try:
        with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs=options, date_format="yyyy-mm-dd") as writer:
            for name, frame in tables(c):
                shown = frame.rename(columns=lambda name: heading(str(name), words))
                for column in shown.columns[shown.dtypes.map(pd.api.types.is_datetime64_any_dtype)]:
                    shown[column] = shown[column].dt.strftime("%Y-%m-%d")
                numbers = shown.columns[shown.dtypes.map(pd.api.types.is_float_dtype)]
                shown[numbers] = shown[numbers].round(3)
                shown.to_excel(writer, sheet_name=name, index=False, freeze_panes=(1, 1))
                writer.sheets[name].autofit(MOST_PIXELS)
    except OSError as exc:
        raise OutputError(f"the comparison could not be written to {path}: {exc.strerror or exc}") from exc


def details(c: Comparison) -> list[tuple[str, pd.DataFrame]]:
    """Tables that follow the first screen: weeks, sites, fields; each of bounded length, masses in tonnes."""
    weeks = c.weeks.rename(
        columns={
            "barrels_a": "barrels before", "barrels_b": "barrels now", "barrels_come": "come", "barrels_go": "go",
        }
    )  # fmt: skip
    weeks["t before"], weeks["t now"] = weeks.pop("residue_a_kg") / 1000, weeks.pop("residue_b_kg") / 1000
    weeks = weeks.astype(object)
    found = [("Barrels and residue charred by week", weeks)]
    sites = c.sites[c.sites["relation"] != "stays"]
    if len(sites):
        first, second = (_site_names(side.record) for side in (c.a, c.b))
        villages = {str(v["id"]): str(v["name"]) for side in (c.a, c.b) for v in side.record["villages"]}
        shown = pd.DataFrame(
            {
                "": sites["relation"], "village": [villages.get(v, v) for v in sites["village"]],
                "before": [first.get(s, s) for s in sites["site_a"]],
                "now": [second.get(s, s) for s in sites["site_b"]],
                "moved, m": [f"{d:,.0f}" if d else "" for d in sites["distance_m"]],
                "barrel-weeks before": sites["barrel_weeks_a"], "barrel-weeks now": sites["barrel_weeks_b"],
            }
        ).set_index("")  # fmt: skip
        found.append((_headed("Sites that come, go or move", len(shown)), shown.head(MOST_LINES)))
    if len(c.fields):
        rows = c.fields
        weight = (rows["fetched_b_kg"] - rows["fetched_a_kg"]).abs()
        rows = rows.loc[weight.sort_values(ascending=False, kind="stable").index]
        shown = pd.DataFrame(
            {
                "": rows["relation"].map(SHORT_FATES), "before": rows["field_a"], "now": rows["field_b"],
                "differs": rows["changes"].map(_words), "ha before": _blank(rows["area_ha_a"], 2),
                "ha now": _blank(rows["area_ha_b"], 2), "t before": _blank(rows["fetched_a_kg"] / 1000, 2),
                "t now": _blank(rows["fetched_b_kg"] / 1000, 2),
            }
        ).set_index("")  # fmt: skip
        found.append((_headed("Fields that differ, most residue first", len(shown)), shown.head(MOST_LINES)))
    return found


def _site_names(record: dict[str, Any]) -> dict[str, str]:
    """What a plan's sites are called on its own map and sheets, by id."""
    return {str(site["id"]): str(site.get("called") or site["id"]) for site in record["sites"]}


WORDS = {
    "area_ha": "area", "yield_t_ha": "yield", "harvest_start": "days", "harvest_end": "days", "clear_by": "clear by",
    "share_promised": "share",
}  # fmt: skip
SHORT_FATES = {**FATES, "changed": "changed", "same": "changed", "moved": "elsewhere", "merged": "joined",
               "rearranged": "drawn anew"}  # fmt: skip


def _words(columns: str) -> str:
    return ", ".join(dict.fromkeys(WORDS.get(c, c) for c in columns.split()))


def _headed(name: str, rows: int) -> str:
    return name if rows <= MOST_LINES else f"{name}: {MOST_LINES} of {rows:,}"


def _blank(column: pd.Series, digits: int) -> list[str]:
    return ["" if pd.isna(v) else f"{v:,.{digits}f}" for v in column]
