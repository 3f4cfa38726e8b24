"""The command `sourcing`. It asks the other rooms and prints; it computes nothing."""

from __future__ import annotations

import dataclasses
import json
from datetime import date, datetime
from pathlib import Path
from typing import Any

import click

from sourcing import __version__
from sourcing.carrying.netdraw import draw_network, network_facts
from sourcing.change.compare import compare
from sourcing.change.telling import counted, details, near_words, text, write_comparison
from sourcing.change.twosided import write_two_sided_map
from sourcing.console import (
    err,
    fields_from,
    out,
    progress,
    say_error,
    show_changes,
    show_columns,
    show_figures,
    show_findings,
    show_options,
    show_plan,
    show_state,
    show_table,
    show_text,
)
from sourcing.desk.app import open_desk, show_in_browser
from sourcing.errors import NoPlanError, SourcingError, UsageError
from sourcing.intake.book import history_place, open_history, open_if_there
from sourcing.intake.changes import changes_to_tell, field_story, history_lines, told_accepted, told_of, what_changed
from sourcing.intake.fields import Fields, clean_fields
from sourcing.intake.history import accept, changes_of, count_today, logged_in, surveys, undo, write_originals
from sourcing.intake.keep import read_record
from sourcing.intake.sendback import write_findings, write_send_back
from sourcing.intake.survey import read_survey, schema
from sourcing.options import options, season_text
from sourcing.outputs.findingsmap import write_findings_map
from sourcing.outputs.tables import LAYERS_FILE
from sourcing.outputs.weekpicture import scene_from, telling_week, week_of, write_week_picture
from sourcing.outputs.write import write_plan
from sourcing.plan import Land, Plan, load_values, plan_season, read_land
from sourcing.regions.cluster import hands
from sourcing.regions.overview import write_state
from sourcing.regions.state import place_state
from sourcing.residue.bands import supply_bands
from sourcing.residue.coverage import unsurveyed_supply
from sourcing.residue.supplytable import (
    chain_by,
    chain_in_short,
    draw_supply,
    methods_side_by_side,
    sentence,
    shown_names,
    village_named,
    weekly,
)
from sourcing.season.near import read_near
from sourcing.season.whence import whence
from sourcing.settings import SEASON_FILE, read_settings
from sourcing.values import Values, explain, rows, to_csv
from sourcing.weighing.figures import SECONDS as WEIGH_SECONDS
from sourcing.weighing.figures import fleets_named, weigh
from sourcing.weighing.telling import curve_frame, draw_curve
from sourcing.weighing.telling import text as weighed_text
from sourcing.words import languages

DONE, MEND, MISUSED, NO_PLAN = 0, 1, 2, 3
EXIT_CODES = {NoPlanError: NO_PLAN, UsageError: MISUSED, SourcingError: MEND}
PLAN_STAGES = 9
COMPARE_STAGES = 10
STATE_STAGES = 7
WEIGH_STAGES = 9
MOST_CHANGES = 30

folder_argument = click.argument("folder", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON for a script.")


who_option = click.option("--who", default="", help="Who does it; left out, who is logged in on this machine.")


class Commands(click.Group):
    """Turns the project's errors into plain words and exit codes."""

    def invoke(self, ctx: click.Context) -> Any:
        """Runs a command; a known error becomes its message and its exit code."""
        try:
            return super().invoke(ctx)
        except SourcingError as exc:
            say_error(exc)
            ctx.exit(next(code for kind, code in EXIT_CODES.items() if isinstance(exc, kind)))
        except KeyboardInterrupt as exc:
            err.print(str(exc) or "Stopped. Nothing was changed.")
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
@click.option("--all", "every", is_flag=True, help="Show every finding, not one line for each kind.")
@click.option("--send-back", type=click.Path(path_type=Path), help="Write the rows that need mending into this .xlsx.")
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Draw where things were found in this .html.")
@click.option("--table", type=click.Path(path_type=Path), help="Write all findings into this .csv.")
def check(
    folder: Path, as_json: bool, every: bool, send_back: Path | None, map_file: Path | None, table: Path | None
) -> None:
    """Read the survey and report what was found in it. Writes nothing into the season folder."""
    settings = read_settings(folder)
    values = load_values(folder, settings)
    survey = read_survey(folder, settings)
    fields = clean_fields(survey, settings, values)
    with open_if_there(history_place(folder, settings)) as book:
        accepted = "" if book is None else told_accepted(book, survey)
    if send_back is not None:
        count = write_send_back(send_back, survey.fields, fields.findings)
        err.print(f"{count} rows to mend are in {send_back}.", markup=False)
    if map_file is not None:
        count = write_findings_map(survey, fields, settings.season.name, map_file)
        err.print(f"{count} rows in which something was found are drawn in {map_file}.", markup=False)
    if table is not None:
        write_findings(table, fields.findings)
        err.print(f"All findings are in {table}.", markup=False)
    if as_json:
        found = {
            "kept": len(fields.frame),
            "set_aside": len(fields.set_aside),
            "findings": [f.as_dict() for f in fields.findings],
        }
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
    else:
        _show_check(fields, accepted, every)
    if fields.frame.empty:
        click.get_current_context().exit(MEND)


def _show_check(fields: Fields, accepted: str, every: bool) -> None:
    area = fields.frame["area_ha"].sum()
    out.print(
        f"{counted(len(fields.frame), 'field')} can be used ({area:,.0f} ha, "
        f"{counted(len(fields.villages), 'village')}); {counted(len(fields.set_aside), 'row')} set aside."
    )
    if accepted:
        out.print(accepted, markup=False)
    by_crop = fields.frame.groupby("crop")["area_ha"].agg(fields="size", hectares="sum")
    if len(by_crop):
        show_table(by_crop.sort_values("hectares", ascending=False), "Fields that can be used")
    show_findings(fields.findings, every)


@main.command(name="accept")
@folder_argument
@json_option
@who_option
@click.option("--note", default="", help="A remark kept with it.")
@click.option("--complete", is_flag=True, help="It has every field there is: fields that it lacks are gone.")
@click.option("--all", "every", is_flag=True, help="Show every change.")
def accept_survey(folder: Path, as_json: bool, who: str, note: str, complete: bool, every: bool) -> None:
    """Take the season's survey into its history. From then on plans are made from the newest word on each field."""
    settings = read_settings(folder)
    survey = read_survey(folder, settings)
    fields = clean_fields(survey, settings, load_values(folder, settings))
    with open_history(history_place(folder, settings), settings.season.name) as book:
        accept(book, survey, fields, folder, datetime.now().astimezone(), who or logged_in(), note, complete)
        last = surveys(book)[-1]
        count, changed = count_today(book), what_changed(book, last.id)
        changes = changes_of(book, last.id).to_dict("records") if as_json else []
        rows = changes_to_tell(book, last.id)
        told = told_of(book, last.id, rows if every else rows[:MOST_CHANGES])
    if as_json:
        found = {"survey": dataclasses.asdict(last), "fields_today": count, "changes": changes}
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    older = count - last.kept - last.mended
    stay = f", {older:,} of them as they were known: this survey has no usable row for them" if older > 0 else ""
    out.print(
        f"Accepted {last.file} as survey {last.id}: {last.kept + last.mended:,} fields can be used, {last.set_aside:,} "
        f"rows are set aside.\nAgainst what was known: {changed}.\nToday there are {count:,} fields{stay}. "
        f"To take it back: sourcing undo {folder}", markup=False,
    )  # fmt: skip
    show_changes(len(rows), told)


@main.command()
@folder_argument
@json_option
@click.option("--survey", type=int, help="What this survey changed, field by field.")
@click.option("--field", default="", help="What each survey said of this field, and of those it came from.")
@click.option("--originals", type=click.Path(path_type=Path), help="With --survey: write its files as they came here.")
@click.option("--all", "every", is_flag=True, help="Show every change.")
def history(folder: Path, as_json: bool, survey: int | None, field: str, originals: Path | None, every: bool) -> None:
    """The surveys accepted for a season, and what each changed."""
    if originals is not None and survey is None:
        raise UsageError("--originals needs the number of the survey: --survey N")
    with open_if_there(history_place(folder, read_settings(folder))) as book:
        known = () if book is None else surveys(book)
        if book is None or not known:
            raise UsageError(f"no survey was accepted yet; sourcing accept {folder} takes the season's survey in")
        if originals is not None and survey is not None:
            for path in write_originals(book, survey, originals):
                err.print(f"Written: {path}", markup=False)
        if field:
            story = [(s.id, s.at[:10], s.file, told) for s, told in field_story(book, field)]
            found: Any = [dict(zip(("survey", "accepted", "file", "said"), row, strict=True)) for row in story]
            lines = [f"survey {i}, {at}, {file}\n  {told}" for i, at, file, told in story]
        elif survey is not None:
            found = changes_of(book, survey).to_dict("records") if as_json else []
            lines = [f"Survey {survey}: {what_changed(book, survey)}."]
        else:
            told = {s.id: what_changed(book, s.id) for s in known}
            found = [{**dataclasses.asdict(s), "changed": told[s.id]} for s in known]
            lines = history_lines(known, told)
        count, told_rows = 0, []
        if survey is not None and not field and not as_json:
            rows = changes_to_tell(book, survey)
            count, told_rows = len(rows), told_of(book, survey, rows if every else rows[:MOST_CHANGES])
    if as_json:
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    for line in lines:
        out.print(line, markup=False)
    show_changes(count, told_rows)


@main.command(name="undo")
@folder_argument
@json_option
@who_option
def undo_survey(folder: Path, as_json: bool, who: str) -> None:
    """Take the last accepted survey back: the fields are as they were before it."""
    with open_if_there(history_place(folder, read_settings(folder))) as book:
        if book is None:
            raise UsageError("no survey was accepted yet: there is nothing to undo")
        last = undo(book, datetime.now().astimezone(), who or logged_in())
        count = count_today(book)
    if as_json:
        click.echo(
            json.dumps({"survey": dataclasses.asdict(last), "fields_today": count}, ensure_ascii=False, indent=1)
        )
    else:
        out.print(f"Survey {last.id} ({last.file}) no longer counts. Today there are {count:,} fields.", markup=False)


@main.command()
@folder_argument
@json_option
@click.option("--by", type=click.Choice(["crop", "village", "residue"]), default="crop", show_default=True)
@click.option("--village", default="", help="The chart of one village only, with its range.")
@click.option("--chart", type=click.Path(path_type=Path), help="Draw the weekly chart into this .png, .svg or .pdf.")
@click.option("--ranges", is_flag=True, help="How sure the figures are, and which to measure first.")
@click.option("--methods", is_flag=True, help="What each way of reckoning residue from yield would give.")
def supply(folder: Path, as_json: bool, by: str, village: str, chart: Path | None, ranges: bool, methods: bool) -> None:
    """Residue by week, and the chain from all that is grown to what is free to take."""
    with progress(3, quiet=as_json) as tell:
        land = read_land(folder, tell)
    names = shown_names(land.fields)
    if village:
        village = village_named(names, village)
    bands = None
    if ranges or (chart is not None and village):
        bands = supply_bands(land.supply, land.fields, land.settings, land.values)
    if chart is not None:
        draw_supply(land.supply, chart, by, village, bands, land.settings.season.name, names)
        err.print(f"The chart is in {chart}.", markup=False)
    if as_json:
        found = {
            "weeks": weekly(land.supply, by).to_dict("index"),
            "chain": chain_by(land.supply, [by]).to_dict("index"),
        }
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
        return
    out.print(fields_from(land.fields.source, land.fields.findings), markup=False)
    out.print(sentence(land.supply), markup=False)
    shown_as = names if by == "village" else {}
    show_table(chain_in_short(land.supply, by).rename(index=shown_as) / 1000, "From grown to free, t dry")
    weeks = weekly(land.supply, by).rename(columns=shown_as) / 1000
    show_table(weeks[weeks.sum(axis=1) > 0], "Free residue by the week it is ready, t dry")
    rest = unsurveyed_supply(land.supply, land.fields, land.settings)
    if len(rest):
        shown = rest.set_index("village").rename(index=names).rename(columns=lambda c: str(c).replace("_kg", ", kg"))
        show_table(shown, "Estimated for fields that nobody surveyed, dry; in no other figure")
    if methods:
        told = methods_side_by_side(land.fields, land.settings, land.values)
        told = told.assign(**told.drop(columns="apart") / 1000)
        show_table(told, "Residue grown by each method, t dry; apart: the largest likely one over the smallest")
    if bands is not None:
        shown = (bands.villages / 1000).rename(index=names).rename(columns=lambda c: str(c).removesuffix("_kg"))
        show_table(shown, "Free residue by village, t dry, 5 to 95 %")
        show_table(bands.causes, "Share of the uncertainty by cause; measure the first ones first", 3)


@main.command()
@folder_argument
@json_option
@click.option("--picture", type=click.Path(path_type=Path), help="Draw the network into this .png.")
def paths(folder: Path, as_json: bool, picture: Path | None) -> None:
    """Check the path layer on its own: length, ways, parts that are cut off, what was mended."""
    with progress(4, quiet=as_json) as tell:
        land: Land = read_land(folder, tell)
    if land.network is None:
        raise UsageError("this season has no path layer; name one under [layers.paths]")
    if picture is not None:
        barriers = land.survey.barriers.frame if land.survey.barriers is not None else None
        draw_network(land.network, picture, land.fields, None, barriers, land.settings.season.name)
        err.print(f"The picture is in {picture}.", markup=False)
    facts = network_facts(land.network)
    if as_json:
        click.echo(json.dumps(facts, ensure_ascii=False, indent=1, default=str))
        return
    parts = len(facts["parts"])
    out.print(f"{facts['length_m'] / 1000:,.1f} km of path in {facts['edges']:,} pieces; {parts} separate parts.")
    for kind, metres in facts["ways"].items():
        out.print(f"  {kind}: {metres / 1000:,.1f} km", markup=False)
    for season, metres in facts["closed"].items():
        out.print(f"  closed {season}: {metres:,.0f} m", markup=False)
    for finding in land.network.findings:
        out.print(finding.sentence(), markup=False)


@main.command(name="explain")
@click.argument("plan_folder", type=click.Path(path_type=Path, exists=True))
@click.argument("figure")
@json_option
def explain_figure(plan_folder: Path, figure: str, as_json: bool) -> None:
    """Where a FIGURE of a plan comes from: its parts, the figures of the trade behind it, the files.

    FIGURE is totals.NAME, village.ID.NAME, site.ID.NAME, the name of a figure of the trade, or a path into plan.json
    such as money.parts.villages.tending.amount, workshop.weeks.2027-W20.flour_kg, climate.energy.meals.likely,
    chances.season.char_kg.p10 or solve.gap; what is misspelt is answered with the nearest names.
    """
    found = whence(read_record(plan_folder if plan_folder.is_dir() else plan_folder.parent), figure)
    if as_json:
        click.echo(json.dumps(dataclasses.asdict(found), ensure_ascii=False, indent=1, default=str))
    else:
        for line in found.lines():
            out.print(line, markup=False)


@main.command()
@click.argument("plan_folder", type=click.Path(path_type=Path))
@click.option("--week", default="", help="A week such as 2027-W21, or a day in it; left out, this week or the fullest.")
@click.option("--to", "target", type=click.Path(path_type=Path), help="The file to write; left out, beside you.")
def picture(plan_folder: Path, week: str, target: Path | None) -> None:
    """Draw one week of the plan in PLAN_FOLDER as a picture (PNG) for a slide or a chat group."""
    scene = scene_from(read_record(plan_folder), plan_folder / LAYERS_FILE)
    chosen = week_of(scene.calendar, week) if week else telling_week(scene, date.today())
    path = target or Path(f"week-{scene.calendar.label(chosen)}.png")
    write_week_picture(scene, chosen, path)
    out.print(f"The week is drawn in {path.resolve()}", markup=False)


@main.command()
@folder_argument
@json_option
@click.option("--near", type=click.Path(path_type=Path), help="Stay close to the plan in force in this plan folder.")
@click.option("--from", "from_day", type=click.DateTime(["%Y-%m-%d"]), help="Weeks begun before this day are kept.")
@click.option("--workers", type=click.IntRange(1), help="Plan large land in tiles and regions, with so many processes.")
@click.option("--cluster", default="", help="The same with the workers of a running Dask cluster: tcp://HOST:8786.")
def plan(
    folder: Path, as_json: bool, near: Path | None, from_day: datetime | None, workers: int | None, cluster: str
) -> None:
    """Plan the season: the best places for barrels, week by week, into a new folder under FOLDER/plans."""
    if workers is not None or cluster:
        if near is not None:
            raise UsageError("--near does not go with --workers or --cluster")
        return _plan_state(folder, as_json, workers or 1, cluster)
    if from_day is not None and near is None:
        raise UsageError("--from says which weeks of the plan in force are kept: name that plan with --near")
    in_force = None if near is None else read_near(near, None if from_day is None else from_day.date())
    made_at = datetime.now().astimezone()
    with progress(PLAN_STAGES + 1, quiet=as_json) as tell:
        planned = plan_season(folder, made_at, tell, in_force)
        tell("Writing the plan")
        target = _write(planned, folder, made_at)
    if as_json:
        click.echo(json.dumps({"folder": str(target), **_brief(planned)}, ensure_ascii=False, indent=1))
    else:
        show_plan(planned, target)
        if "near" in planned.record:
            out.print(near_words(planned.record["near"]), markup=False)


def _plan_state(folder: Path, as_json: bool, workers: int, cluster: str) -> None:
    made_at = datetime.now().astimezone()
    with hands(workers, cluster) as many, progress(STATE_STAGES, quiet=as_json) as tell:
        placed = place_state(folder, many, tell)
        tell("Writing the plan")
        target, record = write_state(placed, folder, made_at, many)
    if as_json:
        short = {k: record[k] for k in ("made_at", "solve", "totals")}
        click.echo(json.dumps({"folder": str(target), **short}, ensure_ascii=False, indent=1))
    else:
        show_state(record, target)


@main.command(name="compare")
@click.argument("first", type=click.Path(path_type=Path))
@click.argument("second", type=click.Path(path_type=Path))
@json_option
@click.option("--table", type=click.Path(path_type=Path), help="Write all of it into this .xlsx.")
@click.option("--map", "map_file", type=click.Path(path_type=Path), help="Draw both plans side by side in this .html.")
@click.option("--quick", is_flag=True, help="Do not plan again to find out why the values differ.")
def compare_plans(
    first: Path, second: Path, as_json: bool, table: Path | None, map_file: Path | None, quick: bool
) -> None:
    """What changes from plan folder FIRST to plan folder SECOND, what to tell the villages, and why."""
    with progress(COMPARE_STAGES, quiet=as_json) as tell:
        found = compare(first, second, quick=quick, tell=tell)
    if table is not None:
        write_comparison(found, table)
        err.print(f"All tables are in {table}.", markup=False)
    if map_file is not None:
        write_two_sided_map(found, map_file)
        err.print(f"Both plans are drawn in {map_file}.", markup=False)
    if as_json:
        click.echo(json.dumps(found.as_dict(), ensure_ascii=False, indent=1, allow_nan=False))
        return
    show_text(text(found))
    for name, frame in details(found):
        show_table(frame, name)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), default=Path())
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Port on this machine; left out, a free one.")
@click.option("--language", type=click.Choice(languages()), help="Language; left out, the browser's.")
@click.option("--no-browser", is_flag=True, help="Only say the address; open no browser.")
@click.option("--open-to-network", is_flag=True, help="Answer the machines of the same network too, such as a phone.")
def desk(folder: Path, port: int, language: str | None, no_browser: bool, open_to_network: bool) -> None:
    """Plan without a terminal: a page in the browser for the seasons in FOLDER (left out: the current folder)."""
    opened = open_desk(folder, port=port, language=language or "", network=open_to_network)
    out.print(f"The desk is open at\n  {opened.address}\nCtrl-C ends it; plans under way go on.", markup=False)
    for address in opened.others:
        out.print(f"From a phone in the same network:\n  {address}", markup=False)
    if open_to_network:
        err.print("Whoever sees such an address can read and change the seasons, and what is sent is not locked.")
    if not no_browser:
        show_in_browser(opened.address)
    opened.serve()


@main.command(name="weigh")
@folder_argument
@json_option
@click.option("--curve", is_flag=True, help="What more or fewer barrels would earn; takes minutes.")
@click.option("--barrels", default="", help="Fleets for the curve, such as 20,40,60.")
@click.option("--chart", type=click.Path(path_type=Path), help="Draw the curve into this .png, .svg or .pdf.")
@click.option("--others", type=click.IntRange(min=0), default=0, help="So many other plans that are nearly as good.")
@click.option(
    "--apart", type=click.IntRange(min=1), default=3, show_default=True, help="They differ in so many places."
)
@click.option("--seconds", type=click.FloatRange(min=1), default=WEIGH_SECONDS, show_default=True,
              help="Longest time for the curve and the other plans together.")  # fmt: skip
def weigh_plan(
    folder: Path, as_json: bool, curve: bool, barrels: str, chart: Path | None, others: int, apart: int, seconds: float
) -> None:
    """What one more barrel or hour would earn in a season or plan FOLDER, what was left out and why, and what if.

    A season is planned first; a plan folder is weighed as it is. Ctrl-C keeps what is found until then.
    """
    counts = fleets_named(barrels)
    with progress(WEIGH_STAGES, quiet=as_json) as tell:
        found = weigh(
            folder, counts=counts, curve=curve or chart is not None, others=others, apart=apart, seconds=seconds,
            tell=tell,
        )  # fmt: skip
    if chart is not None:
        draw_curve(found, chart)
        err.print(f"The chart is in {chart}.", markup=False)
    if as_json:
        click.echo(json.dumps(found.as_dict(), ensure_ascii=False, indent=1, allow_nan=False))
        return
    out.print(weighed_text(found), markup=False)
    if len(found.curve):
        show_table(curve_frame(found), "Fleets tried")


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
        show_figures(found)
        out.print("sourcing values NAME explains one figure; --csv prints them in the form a season can replace.")


@main.command()
@click.argument("about", type=click.Choice(["options", "columns"]), default="options")
@json_option
def settings(about: str, as_json: bool) -> None:
    """Show every option of season.toml, or the columns a survey may have."""
    if as_json and about == "columns":
        click.echo(json.dumps([dataclasses.asdict(c) for c in schema()], ensure_ascii=False, indent=1))
    elif as_json:
        found = [{"option": o.path, **dataclasses.asdict(o)} for o in options()]
        click.echo(json.dumps(found, ensure_ascii=False, indent=1))
    elif about == "columns":
        show_columns(schema())
    else:
        show_options(options())


def _write(planned: Plan, folder: Path, made_at: datetime) -> Path:
    target, why_not = write_plan(planned, folder, made_at)
    if why_not:
        err.print(f"The plan folder does not keep what it was made from: {why_not}.", markup=False)
    return target


def _brief(planned: Plan) -> dict[str, Any]:
    return {
        k: planned.record[k] for k in ("made_at", "fields_from", "findings", "solve", "totals", "chances", "cautions")
    }
