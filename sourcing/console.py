"""What the command shows on the terminal: progress, findings, figures and errors in plain words."""

from __future__ import annotations

import contextlib
import math
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from sourcing.change.telling import counted
from sourcing.errors import Finding, InputError, NoPlanError, SourcingError
from sourcing.intake.sendback import summary
from sourcing.intake.survey import Column
from sourcing.options import Option, section_meanings
from sourcing.plan import Plan
from sourcing.season.outcome import UNPROVEN
from sourcing.season.worth import COLUMNS, Unit, barrel_line

MOST_VILLAGES = 15

out = Console(highlight=False, soft_wrap=True)
err = Console(highlight=False, soft_wrap=True, stderr=True)


def say_error(exc: SourcingError) -> None:
    """A known error in plain words, on the error stream."""
    if isinstance(exc, InputError):
        err.print("The input needs mending:")
        for finding in exc.findings:
            err.print("  " + finding.sentence(), markup=False)
    elif isinstance(exc, NoPlanError):
        err.print(f"No plan is possible: {exc}", markup=False)
    else:
        err.print(str(exc), markup=False)


def show_findings(findings: Iterable[Finding], every: bool) -> None:
    """Findings in one line a kind, or every one."""
    found = tuple(findings)
    if every:
        for finding in found:
            out.print(f"{finding.grade.replace('_', ' ')}: {finding.sentence()}", markup=False)
        return
    for line in summary(found):
        out.print(line, markup=False)
    reasons = {(f.file, f.row, f.what) for f in found if f.grade == "set_aside"}
    if len(reasons) > len({(file, row) for file, row, _ in reasons}):
        out.print("Some rows are set aside for more than one reason.", markup=False)
    if found:
        out.print(
            "\n--all shows every finding; --map FILE.html draws them; --send-back FILE.xlsx writes the rows to mend.",
            markup=False,
        )


def show_figures(found: Sequence[Mapping[str, Any]]) -> None:
    """Figures of the trade, a line each: name, likely value and unit, range, standing, source."""
    width = max(len(str(row["name"])) for row in found)
    for row in found:
        span = "" if row["low"] == row["high"] else f" ({row['low']:g} to {row['high']:g})"
        source = f": {row['source']}" if row["source"] else ""
        unit = "" if row["unit"] == "1" else f" {row['unit']}"
        show_text(f"{row['name']:<{width}}  {row['likely']:g}{unit}{span}; {row['standing']}{source}")


def show_options(found: Iterable[Option]) -> None:
    """Options of a season, each with its kind, its default and what it means; those of every layer only once."""
    meanings = section_meanings()
    for option in found:
        if option.section in meanings and option.section.startswith("layers.") and option.section != "layers.fields":
            if option.name == "file":
                show_text(f"{option.section}  [file, layer, crs … as under layers.fields]")
                show_text(f"    {meanings[option.section]}")
            continue
        default = f" = {option.default}" if option.default else ""
        show_text(f"{option.path}{default}  [{option.kind}]\n    {option.meaning}")


def show_columns(found: Iterable[Column]) -> None:
    """Columns that the layers of a survey may have, each with its kind, what it means and other names it goes by."""
    layer = ""
    for column in found:
        if column.layer != layer:
            layer = column.layer
            show_text(f"{layer}:")
        unit = f", {column.unit}" if column.unit else ""
        also = f" Known too as: {', '.join(column.also)}." if column.also else ""
        needed = "; needed" if column.needed else ""
        show_text(
            f"  {column.name}  [{column.type.replace('_', ' or ')}{unit}{needed}]\n"
            f"    {column.meaning}. Example: {column.example}.{also}"
        )


def show_text(text: str) -> None:
    """Lines of text; on a terminal those that are too long are broken between words and set in."""
    for line in text.splitlines():
        if not out.is_terminal or len(line) <= out.width:
            out.print(line, markup=False)
            continue
        inset = " " * (len(line) - len(line.lstrip()) + 4)
        out.print(textwrap.fill(line, out.width - 1, subsequent_indent=inset, break_long_words=False), markup=False)


def table_of(*heads: str, title: str = "", first_whole: bool = False) -> Table:
    """An empty table in which nothing is ever cut short: what is too wide is broken over lines, headings between words.

    `first_whole`: the first column, which names the row, is not broken either.
    """
    made = Table(title=title, title_justify="left")
    for i, head in enumerate(heads):
        least = max((len(word) for word in head.split()), default=1)
        made.add_column(escape(head), overflow="fold", min_width=least, no_wrap=first_whole and i == 0)
    return made


def show_table(frame: pd.DataFrame, title: str = "", digits: int = 1) -> None:
    """A table with numbers to `digits` decimals; the index is the first column."""
    heads = [str(head).replace("_", " ") for head in (frame.index.name or "", *frame.columns)]
    table = table_of(*heads, title=title, first_whole=True)
    for column in table.columns[1:]:
        column.justify = "right"
    for name, *row in frame.itertuples(name=None):  # each column keeps its kind: counts stay whole
        cells = [f"{v:,.{digits}f}" if isinstance(v, float) else escape(str(v)) for v in row]
        table.add_row(escape(str(name)), *cells)
    out.print(table)


def show_changes(count: int, told: Sequence[tuple[str, str, str, str]]) -> None:
    """Changes of fields as a table: what became of it, the old field, the new one, what differs; some of `count`."""
    if not told:
        return
    part = "" if len(told) == count else f": {len(told)} of {count:,} (--all: all)"
    title = f"Fields that changed{part}"
    table = table_of("", "before", "now", "what differs", title=title)
    for row in told:
        table.add_row(*(escape(cell) for cell in row))
    out.print(table)


def fields_from(source: Mapping[str, Any], findings: Iterable[Finding]) -> str:
    """Where the fields of a plan come from, in one line."""
    if source.get("from") != "history":
        return f"Fields: as {source['file']} has them." if "file" in source else ""
    surveys = source["surveys"]
    last = f"{surveys[-1]['file']}, accepted {surveys[-1]['at'][:10]}"
    told = f"Fields: those of today from {len(surveys)} accepted survey{'s' * (len(surveys) > 1)} (the last: {last})."
    waiting = [f.file for f in findings if f.what == "not_accepted"]
    return f"{told} {waiting[0]} was NOT accepted and is not in this plan." if waiting else told


def show_plan(planned: Plan, folder: Path) -> None:
    """A plan's decision on one screen."""
    record = planned.record
    total, solve, money = record["totals"], record["solve"], planned.settings.season.currency
    out.print(f"[bold]{escape(planned.settings.season.name)}[/bold]")
    out.print(
        f"{total['residue_kg'] / 1000:,.0f} t of {total['residue_free_kg'] / 1000:,.0f} t dry residue charred to "
        f"{total['char_kg'] / 1000:,.1f} t of char, at {counted(total['sites'], 'site')} in "
        f"{counted(total['villages_with_barrels'], 'village')}, with up to "
        f"{counted(total['most_barrels'], 'barrel')} at once."
    )
    out.print(fields_from(planned.fields.source, planned.findings), markup=False)
    if "margin" in total:
        out.print(f"Margin before overheads: {total['margin']:,.0f} {escape(money)}.")
        left = record["money"]["margin"]
        if abs(left - total["margin"]) >= 1:
            out.print(f"Left over, villages and workshop: {left:,.0f} {escape(money)}.")
    char = record["chances"]["season"]["char_kg"]
    out.print(
        f"Rain, yields, survey error and people allowed for: {char['p10'] / 1000:,.1f} to {char['p90'] / 1000:,.1f} t "
        f"of char in eight seasons of ten ({record['chances']['replays']:,} replays)."
    )
    out.print(f"Carrying: {total['loads']:,} loads, {total['carry_h']:,.0f} hours.")
    out.print(proof(solve))
    table = table_of(
        "Village", "Weeks with several barrels busy", "Barrel-weeks", "Residue, t", "Char, t", "Mean carry, m",
        title="Villages that keep several barrels busy, " + f"{record['weeks'][0]} to {record['weeks'][-1]}",
        first_whole=True,
    )  # fmt: skip
    for row in planned.village_table.head(MOST_VILLAGES).itertuples():
        table.add_row(
            escape(str(row.name)), str(row.several_weeks), str(row.barrel_weeks), f"{row.residue_kg / 1000:,.1f}",
            f"{row.char_kg / 1000:,.1f}", f"{row.mean_carry_m:,.0f}" if row.deploy else "–",
        )  # fmt: skip
    out.print(table)
    prices = record["prices"]
    if prices["one_more_barrel_all_season"] is not None:
        unit = Unit(solve["goal"], money)
        rows = pd.DataFrame(prices["rows"], columns=COLUMNS)
        told = barrel_line(rows, unit, prices["one_more_barrel_all_season"])
        out.print(f"{told} More of this kind: sourcing weigh {folder}", markup=False)
    for caution in record["cautions"]:
        out.print(f"! {caution}", markup=False)
    out.print(f"\nMap: {(folder / 'map.html').resolve()}", markup=False)
    out.print(f"All files: {folder.resolve()}", markup=False)


def show_state(record: Mapping[str, Any], folder: Path) -> None:
    """The plan of a whole state on one screen."""
    total = record["totals"]
    out.print(f"[bold]{escape(record['season'])}[/bold]")
    out.print(
        f"{total['residue_kg'] / 1000:,.0f} t of {total['residue_free_kg'] / 1000:,.0f} t dry residue charred to "
        f"{total['char_kg'] / 1000:,.1f} t of char, in {len(record['regions'])} regions, with up to "
        f"{counted(total['most_barrels'], 'barrel')} at once."
    )
    if record["estimated_fields"]:
        out.print(f"{record['estimated_fields']:,} of {total['fields']:,} fields are estimated, not surveyed.")
    out.print(proof(record["solve"]))
    table = table_of("Region", "Villages", "Most barrels", "Residue, t", "Char, t", first_whole=True)
    for region in record["regions"]:
        mine = region["totals"]
        table.add_row(
            escape(region["folder"]), str(len(region["villages"])), str(max(region["barrels_by_week"], default=0)),
            f"{mine.get('residue_kg', 0) / 1000:,.1f}", f"{mine.get('char_kg', 0) / 1000:,.1f}",
        )  # fmt: skip
    out.print(table)
    out.print(f"\nMap: {(folder / 'overview.html').resolve()}", markup=False)
    out.print(f"All files: {folder.resolve()}", markup=False)


def proof(solve: Mapping[str, Any]) -> str:
    """How good the plan is proven to be, in words, and whether it was the clock that ended the search."""
    seconds = f"{solve['seconds']:,.0f} s"
    if solve["gap"] > UNPROVEN:
        return f"No better plan was found in {seconds}; how much better one could be is not known: give it more time."
    said = f"No plan can be more than {math.ceil(solve['gap'] * 1000) / 10:g} % better; that took {seconds}"
    if solve.get("status") == "time":
        return f"{said}, all the time allowed: on a less busy machine, or with more time, it may come out better."
    return f"{said}."


@contextlib.contextmanager
def progress(stages: int, quiet: bool) -> Iterator[Callable[[str], None]]:
    """A bar that says what is being done; silent for scripts and where there is no terminal.

    What is told is 'stage' or 'stage: how far'; each new stage moves the bar on.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as bar:
        task = bar.add_task("Starting", total=stages)

        stage = ""

        def tell(doing: str) -> None:
            nonlocal stage
            named = doing.split(":")[0]
            bar.update(task, advance=int(named != stage), description=doing)
            stage = named

        yield tell
