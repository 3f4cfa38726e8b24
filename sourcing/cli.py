"""The command `sourcing`. It asks the other rooms and prints; it computes nothing."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import sys
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from sourcing import __version__
from sourcing.errors import Finding, InputError, NoPlanError, SourcingError, UsageError
from sourcing.fields import clean_fields
from sourcing.folder import new_plan_folder
from sourcing.maps import write_map
from sourcing.options import options, season_text
from sourcing.plan import Plan, load_values, plan_season
from sourcing.settings import SEASON_FILE, read_settings
from sourcing.survey import read_survey, schema
from sourcing.tables import write_layers, write_record, write_workbook
from sourcing.values import Values, explain, rows, to_csv

DONE, MEND, MISUSED, NO_PLAN = 0, 1, 2, 3
EXIT_CODES = {NoPlanError: NO_PLAN, UsageError: MISUSED, SourcingError: MEND}
MOST_SHOWN = 15
PLAN_STAGES = 8

out = Console(highlight=False, soft_wrap=True)
err = Console(highlight=False, soft_wrap=True, stderr=True)

folder_argument = click.argument("folder", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for a script.")


class Commands(click.Group):
    """Turns the project's errors into plain words and exit codes."""

    def invoke(self, ctx: click.Context) -> Any:
        """Runs a command; a known error becomes its message and its exit code."""
        try:
            return super().invoke(ctx)
        except SourcingError as exc:
            _say_error(exc)
            ctx.exit(next(code for kind, code in EXIT_CODES.items() if isinstance(exc, kind)))
        except KeyboardInterrupt:
            err.print("Stopped. Nothing was changed.")
            ctx.exit(130)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="sourcing")
def main() -> None:
    """Plan the sourcing of crop residue for charring barrels.

    A season is a folder with a season.toml and the survey's files. Exit codes: 0 done, 1 the input needs mending,
    2 wrong use, 3 no plan is possible.
    """


@main.command()
@folder_argument
def start(folder: Path) -> None:
    """Make a new season folder, with every option explained in its season.toml."""
    path = folder / SEASON_FILE
    if path.exists():
        raise UsageError(f"{path} is there already; it is left as it is.")
    folder.mkdir(parents=True, exist_ok=True)
    path.write_text(season_text(), encoding="utf-8")
    out.print(f"Made {path}. Put the survey's files beside it, name them in it, then: sourcing check {folder}")


@main.command()
@folder_argument
@json_option
@click.option("--all", "show_all", is_flag=True, help="Show every finding, not only the first of each kind.")
def check(folder: Path, as_json: bool, show_all: bool) -> None:
    """Read the survey and report what was found in it. Writes nothing."""
    settings = read_settings(folder)
    values = load_values(folder, settings)
    fields = clean_fields(read_survey(folder, settings), settings, values)
    if as_json:
        found = {
            "kept": len(fields.frame),
            "set_aside": len(fields.set_aside),
            "findings": [f.as_dict() for f in fields.findings],
        }
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    area = fields.frame["area_ha"].sum()
    out.print(
        f"{len(fields.frame)} fields can be used ({area:,.0f} ha, {len(fields.villages)} villages); "
        f"{len(fields.set_aside)} rows are set aside."
    )
    by_crop = fields.frame.groupby("crop")["area_ha"].agg(["size", "sum"]).sort_values("sum", ascending=False)
    table = Table("Crop", "Fields", "Area [ha]", title="Fields that can be used")
    for crop, row in by_crop.iterrows():
        table.add_row(str(crop), f"{row['size']:.0f}", f"{row['sum']:,.1f}")
    out.print(table)
    _show_findings(fields.findings, show_all)


@main.command()
@folder_argument
@json_option
def plan(folder: Path, as_json: bool) -> None:
    """Plan the season: the best places for barrels, week by week, into a new folder under FOLDER/plans."""
    made_at = datetime.now().astimezone()
    with _progress(PLAN_STAGES + 1, quiet=as_json) as tell:
        planned = plan_season(folder, made_at, tell)
        tell("Writing the plan")
        target = _write(planned, folder, made_at)
    if as_json:
        click.echo(json.dumps({"folder": str(target), **_brief(planned)}, ensure_ascii=False, indent=1))
    else:
        _show_plan(planned, target)


@main.command()
@click.argument("words", nargs=-1)
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV, the form in which a season may replace figures.")
@click.option("--season", type=click.Path(path_type=Path), help="A season folder, to see its own figures.")
def values(words: tuple[str, ...], as_json: bool, as_csv: bool, season: Path | None) -> None:
    """Show the figures of the trade with range, unit, source and standing. WORDS narrow the list."""
    known = load_values(season, read_settings(season)) if season else Values.load()
    if len(words) == 1 and words[0] in known and not (as_json or as_csv):
        click.echo(explain(known, words[0]))
        return
    found = rows(known, *words)
    if not found:
        raise UsageError(f"no figure has all of these words in its name: {' '.join(words)}")
    if as_csv:
        click.echo(to_csv(known.figure(str(row["name"])) for row in found), nl=False)
    elif as_json:
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
    else:
        table = Table("Figure", "Low", "Likely", "High", "Unit", "Standing", "Source")
        for row in found:
            table.add_row(*(str(row[k]) for k in ("name", "low", "likely", "high", "unit", "standing", "source")))
        out.print(table)
        out.print("sourcing values NAME explains one figure; --csv prints them in the form a season can replace.")


@main.command()
@click.argument("about", type=click.Choice(["options", "columns"]), default="options")
@json_option
def settings(about: str, as_json: bool) -> None:
    """Show every option of season.toml, or the columns a survey may have."""
    if about == "columns":
        found: list[dict[str, Any]] = [dataclasses.asdict(column) for column in schema()]
        heads = list(found[0])
    else:
        found = [{"option": o.path, **dataclasses.asdict(o)} for o in options()]
        heads = ["option", "kind", "default", "meaning"]
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    table = Table(*heads, show_lines=True)
    for row in found:
        table.add_row(*(str(row[h]).replace("[", r"\[") for h in heads))
    out.print(table)


def _write(planned: Plan, folder: Path, made_at: datetime) -> Path:
    with new_plan_folder(folder, made_at) as target:
        write_record(planned, target.work / "plan.json")
        write_layers(planned, target.work / "plan.gpkg")
        write_workbook(planned, target.work / "plan.xlsx")
        write_map(planned, target.work / "map.html")
    return target.final


def _brief(planned: Plan) -> dict[str, Any]:
    return {k: planned.record[k] for k in ("made_at", "findings", "solve", "totals", "cautions")}


def _show_plan(planned: Plan, target: Path) -> None:
    record = planned.record
    total, solve, money = record["totals"], record["solve"], planned.settings.season.currency
    out.print(f"[bold]{planned.settings.season.name}[/bold]")
    out.print(
        f"{total['residue_kg'] / 1000:,.0f} t of {total['residue_free_kg'] / 1000:,.0f} t dry residue charred to "
        f"{total['char_kg'] / 1000:,.1f} t of char, at {total['sites']} sites in {total['villages_with_barrels']} "
        f"villages, with up to {total['most_barrels']} barrels."
    )
    if "margin" in total:
        out.print(f"Margin before overheads: {total['margin']:,.0f} {money}.")
    out.print(
        f"Carrying: {total['loads']:,} loads, {total['carry_h']:,.0f} hours. "
        f"Proven to be within {solve['gap']:.2%} of the best possible ({solve['seconds']:.0f} s)."
    )
    labels = planned.calendar.labels
    weeks = f"{labels[0]} to {labels[-1]}"
    table = Table(
        "Village", "Weeks with several barrels busy", "Barrel-weeks", "Residue [t]", "Char [t]", "Mean carry [m]",
        title=f"Villages that keep several barrels busy, {weeks}",
    )  # fmt: skip
    for row in planned.village_table.head(MOST_SHOWN).itertuples():
        table.add_row(
            str(row.name), str(row.several_weeks), str(row.barrel_weeks), f"{row.residue_kg / 1000:,.1f}",
            f"{row.char_kg / 1000:,.1f}", f"{row.mean_carry_m:,.0f}",
        )  # fmt: skip
    out.print(table)
    for caution in planned.cautions:
        out.print(f"! {caution}")
    out.print(f"\nMap: {(target / 'map.html').resolve()}")
    out.print(f"All files: {target.resolve()}")


def _show_findings(findings: tuple[Finding, ...], show_all: bool) -> None:
    """Findings, the first of each kind unless all are asked for."""
    kinds: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        kinds.setdefault((finding.grade, finding.what), []).append(finding)
    for (grade, what), members in kinds.items():
        out.print(f"\n[bold]{grade.replace('_', ' ')}: {what.replace('_', ' ')} ({len(members)})[/bold]")
        for finding in members if show_all else members[:1]:
            out.print("  " + finding.sentence(), markup=False)
    if not show_all and any(len(m) > 1 for m in kinds.values()):
        out.print("\nsourcing check --all shows every one.")


def _say_error(exc: SourcingError) -> None:
    if isinstance(exc, InputError):
        err.print("The input needs mending:")
        for finding in exc.findings:
            err.print("  " + finding.sentence(), markup=False)
    elif isinstance(exc, NoPlanError):
        err.print(f"No plan is possible: {exc}", markup=False)
    else:
        err.print(str(exc), markup=False)


@contextlib.contextmanager
def _progress(stages: int, quiet: bool) -> Iterator[Callable[[str], None]]:
    """A bar that says what is being done; silent for scripts and where there is no terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda _: None
        return
    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=err, transient=True) as bar:
        task = bar.add_task("Starting", total=stages)

        def tell(doing: str) -> None:
            bar.update(task, advance=1, description=doing)

        yield tell
