"""The process in which the desk's longer work is done: it calls what the commands call, and tells how far it is.

Run as `python -m sourcing.desk.work FOLDER JOB`; what is to be done stands in the season's job file.
"""

from __future__ import annotations

import _thread
import json
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import date, datetime
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import pyogrio
import shapely

from sourcing.carrying.sites import candidate_sites
from sourcing.change.compare import Comparison, compare
from sourcing.change.telling import details, overall, title, to_tell, unproven, why, write_comparison
from sourcing.change.twosided import write_two_sided_map
from sourcing.desk.jobs import JOB_FILE, LOCK_FILE, stop_file
from sourcing.desk.seasonfile import change, read_text, value_at
from sourcing.desk.shelf import WORK, Season, stamp
from sourcing.desk.store import HeldError, digest, held, read_json, write_json
from sourcing.errors import InputError, NoPlanError, SourcingError, UsageError
from sourcing.intake.book import history_place, open_history
from sourcing.intake.cropnames import NOT_A_CROP, CropNames
from sourcing.intake.fields import Fields, clean_fields
from sourcing.intake.guess import describe
from sourcing.intake.history import accept, logged_in, surveys
from sourcing.intake.keep import RECORD_FILE
from sourcing.intake.mend import BY_HAND, LAYER, read_rows, write_mended
from sourcing.intake.readers import TABLES, read_table, sha256_of
from sourcing.intake.sendback import findings_places, findings_table, write_send_back
from sourcing.intake.survey import Survey, read_layer, read_survey
from sourcing.network.closing import close_way
from sourcing.outputs.folder import PLANS
from sourcing.outputs.write import write_plan
from sourcing.placement import engine, split
from sourcing.plan import load_values, plan_season, read_land
from sourcing.season.near import read_near
from sourcing.season.worth import worth_lines
from sourcing.settings import SEASON_FILE, Settings, read_settings
from sourcing.values import Values
from sourcing.weighing.figures import Weighing, weigh
from sourcing.weighing.telling import AT_THE_MARGIN, curve_frame, curve_lines, draw_curve, left_out_lines, other_lines
from sourcing.weighing.telling import title as weighed_title

PLACING = "Placing the barrels"
PLAN_STAGES = ("Reading the survey", "Working out residue by week", "Joining the paths", "Finding places for barrels",
               "Measuring carrying distances", PLACING, "Working out the season's work and money",
               "Replaying the season against chance", "Drawing prices", "Drawing up the plan",
               "Writing the plan")  # fmt: skip
TELL_S = 0.2
"""Least time between two tellings of one stage [s]; the last one is always told."""
AGAIN_S = 6.0
"""Stopping is asked for again after this long, where only a part of the search had stopped [s]."""
LOOK_S = 20.0 * 60
"""Reading files and judging rows is given up after this long [s]."""
MOST_SHAPES = 4_000
"""Up to so many fields are drawn as areas on the map for choosing; above it, as boxes, told by two corners."""
WAYS_FILE = "ways.gpkg"
"""The path layer of a what-if in which ways are closed."""
CHECK_FILE, ROWS_FILE, SEND_BACK_FILE, LAND_FILE = "check.json", "rows.json", "send-back.xlsx", "land.json"
COMPARED = "compared"
WEIGHED = "weighed"
KEEPING = "Keeping the survey"
WEIGHED_NOW = "Writing what was found"
NOTHING_KEPT = "Stopped before there was anything to keep. Nothing was changed."

Tell = Callable[[str], None]


class Told:
    """What the job's file says, rewritten as the work goes."""

    def __init__(self, work: Path, job: dict[str, Any], stages: int) -> None:
        self.path = work / JOB_FILE
        self.facts = {**job, "state": "running", "stage": 0, "stages": stages}
        self.last = 0.0
        self.stage = ""
        self.lock = threading.Lock()
        self.later: threading.Timer | None = None
        self.over = False

    def __call__(self, doing: str) -> None:
        """Tells what is being done: 'stage' or 'stage: how far'."""
        named = doing.split(":")[0]
        fresh = named != self.stage
        if fresh:
            self.facts["stage"] += 1
            self.stage = named
        self.facts["doing"] = doing
        if fresh or time.monotonic() - self.last >= TELL_S:
            self._write()
        elif self.later is None:
            self.later = threading.Timer(TELL_S, self._write)
            self.later.daemon = True
            self.later.start()

    def _write(self) -> None:
        with self.lock:
            self.last, self.later = time.monotonic(), None
            if not self.over:
                write_json(self.path, self.facts)

    def end(self, state: str, result: str = "", problems: tuple[str, ...] = ()) -> None:
        """Tells how it ended."""
        with self.lock:
            self.over = True
            write_json(self.path, {**self.facts, "state": state, "result": result, "problems": list(problems)})


def main(folder: Path, job: str) -> None:
    """Does one job of a season; how it ends stands in the job's file."""
    work = folder / WORK
    facts = read_json(work / JOB_FILE) or {}
    if facts.get("id") != job:
        return
    kind, args = str(facts.get("kind")), dict(facts.get("args", {}))
    doer, stages = JOBS[kind]
    told = Told(work, facts, stages)
    try:
        with held(work / LOCK_FILE):
            told("Starting")
            told.facts["stage"] = 0
            _watch(stop_file(work, job), told, kind)
            try:
                told.end("done", doer(folder, args, told))
            except KeyboardInterrupt as exc:
                told.end("stopped", problems=(str(exc) or NOTHING_KEPT,))
            except InputError as exc:
                told.end("failed", problems=tuple(f.sentence() for f in exc.findings))
            except NoPlanError as exc:
                told.end("failed", problems=(f"No plan is possible: {exc}",))
            except SourcingError as exc:
                told.end("failed", problems=(str(exc),))
            except Exception as exc:
                told.end("failed", problems=(f"A fault of ours: {type(exc).__name__}: {exc}. Nothing was changed.",))
                raise
    except HeldError:
        return


def _watch(stop: Path, told: Told, kind: str) -> None:
    """Looks for the wish to stop, which then arrives as Ctrl-C does; once the barrels are placed it comes too late."""
    late = (*PLAN_STAGES[PLAN_STAGES.index(PLACING) + 1 :], KEEPING, WEIGHED_NOW)
    began = time.monotonic()
    heard = -AGAIN_S

    def arrives(_: int, frame: FrameType | None) -> None:
        nonlocal heard
        if told.stage in late or (told.stage == PLACING and not _may_stop(frame)):
            return  # it is sent again in a moment
        heard = time.monotonic()
        raise KeyboardInterrupt

    def look() -> None:
        while told.stage not in late:
            if kind == "weigh" and heard > 0:
                return  # it ends what it does and keeps what it has; a second wish would lose that
            too_long = kind in ("look", "check", "mend", "accept") and time.monotonic() - began > LOOK_S
            if (stop.exists() or too_long) and time.monotonic() - heard > AGAIN_S:
                _interrupt()
            time.sleep(0.1)

    signal.signal(signal.SIGINT, arrives)
    threading.Thread(target=look, daemon=True).start()


def _may_stop(frame: FrameType | None) -> bool:
    """Whether the search is just waiting, where it takes Ctrl-C as the end of its time and keeps what it has."""
    chain = []
    while frame is not None:
        chain.append(frame.f_code)
        frame = frame.f_back
    if engine._wait.__code__ in chain:
        return True
    innermost = Path(chain[0].co_filename) if chain else Path()
    waiting = innermost.name == "threading.py" or innermost.parent.name == "futures"
    return waiting and split._wave.__code__ in chain


def _interrupt() -> None:
    """Ctrl-C for the main thread, even while it waits."""
    if hasattr(signal, "pthread_kill") and (ident := threading.main_thread().ident) is not None:
        signal.pthread_kill(ident, signal.SIGINT)
    else:
        _thread.interrupt_main()


# Jobs -----------------------------------------------------------------------------------------------------------------


def _plan(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Plans the season as `sourcing plan` does; the result is the plan's name."""
    near = None
    if args.get("near"):
        day = date.fromisoformat(args["from_day"]) if args.get("from_day") else None
        near = read_near(folder / args["near"], day)
    made_at = datetime.now().astimezone()
    planned = plan_season(folder, made_at, tell, near)
    tell("Writing the plan")
    target, _ = write_plan(planned, folder, made_at)
    return target.name


def _what_if(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Plans a what-if season and sets it beside the plan in force; the result is the comparison's name."""
    name = _plan(folder, args, tell)
    try:
        return _compare(folder, {"a": args["a"], "b": f"plans/{name}", "quick": True}, tell) if args.get("a") else name
    except KeyboardInterrupt:
        return name


def _compare(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Compares two plan folders as `sourcing compare` does; the result is the name under which it is kept."""
    first, second = folder / args["a"], folder / args["b"]
    found = compare(first, second, quick=bool(args.get("quick")), tell=tell)
    tell("Writing the comparison")
    name = f"{first.resolve().name}__{second.resolve().name}"
    target = folder / WORK / COMPARED / name
    target.mkdir(parents=True, exist_ok=True)
    write_comparison(found, target / "comparison.xlsx")
    write_two_sided_map(found, target / "both_plans.html")
    write_json(target / "comparison.json", _told_comparison(found, args))
    return name


def _accept(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Takes the survey into the season's history as `sourcing accept` does; the result is its number there."""
    settings = read_settings(folder)
    tell("Reading the survey")
    survey = read_survey(folder, settings)
    tell("Judging the rows")
    fields = clean_fields(survey, settings, load_values(folder, settings))
    tell(KEEPING)
    with open_history(history_place(folder, settings), settings.season.name) as book:
        who = str(args["who"]) or logged_in()
        accept(book, survey, fields, folder, datetime.now().astimezone(), who, str(args["note"]), args["complete"])
        return str(surveys(book)[-1].id)


def weighed_file(work: Path, plan: str) -> Path:
    """Where what was found when a plan was weighed is kept."""
    return work / WEIGHED / f"{plan}.json"


def chart_file(work: Path, plan: str) -> Path:
    """Where the curve of barrels of a weighed plan is drawn."""
    return work / WEIGHED / f"{plan}.png"


def _weigh(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Weighs a plan as `sourcing weigh` does; the result is the plan's name."""
    name = str(args["plan"])
    plan = folder / PLANS / name
    mark = digest(plan / RECORD_FILE)
    found = weigh(plan, curve=bool(args["curve"]), others=int(args["others"]), tell=tell)
    tell(WEIGHED_NOW)
    target = weighed_file(folder / WORK, name)
    target.parent.mkdir(parents=True, exist_ok=True)
    drawn = len(found.curve) > 1
    if drawn:
        draw_curve(found, chart_file(folder / WORK, name))
    write_json(target, {"sha256": mark, "chart": drawn, **_told_weighing(found), "all": found.as_dict()})
    return name


def _told_weighing(w: Weighing) -> dict[str, Any]:
    """A weighed plan in the words of the command, part by part."""
    known = len(w.worth) or np.isfinite(w.barrel_season)
    fleets = curve_frame(w) if len(w.curve) else None
    return {
        "title": weighed_title(w), "notes": list(w.notes), "margin": AT_THE_MARGIN if known else "",
        "worth": worth_lines(w.worth, w.unit, w.barrel_season, w.weeks) if known else [],
        "left_out": left_out_lines(w), "curve": curve_lines(w) if len(w.curve) else [],
        "fleets": [] if fleets is None else [["barrels", *(str(c) or "remark" for c in fleets.columns)],
                                             *([str(i), *map(str, row)] for i, *row in fleets.itertuples())],
        "others": [other_lines(w, o, n + 1) for n, o in enumerate(w.others)],
    }  # fmt: skip


def _told_comparison(found: Comparison, args: dict[str, Any]) -> dict[str, Any]:
    tables = {name: {"columns": [str(frame.index.name or ""), *map(str, frame.columns)],
                     "rows": [[str(i), *map(_cell, row)] for i, row in zip(frame.index, frame.to_numpy(dtype=object),
                                                                           strict=True)]}
              for name, frame in details(found)}  # fmt: skip
    first = [("Before anything is told", lines)] if (lines := unproven(found)) else []
    told = [*first, *to_tell(found)]
    return {
        "a": args["a"], "b": args["b"], "title": title(found), "to_tell": told, "overall": overall(found),
        "why": why(found), "tables": tables, "all": found.as_dict(), "currency": found.b.currency,
    }  # fmt: skip


def _cell(value: Any) -> Any:
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else ""
    return int(value) if isinstance(value, int | np.integer) else str(value)


def _look(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """What is in a survey file: its layers, and each column with some cells; kept by the file's hash."""
    name = str(args["file"])
    tell(f"Looking at {name}")
    path = folder / name
    layers = _layers(path)
    crops = Values.load().crops()
    told = []
    for layer in layers:
        table = read_table(path, name, layer)
        frame = table.frame
        headings = [c for c in frame.columns if not (table.has_shapes and c == frame.geometry.name)]
        columns = describe(frame[[c for c in headings if c != "geometry_text"]], crops)
        told.append({"name": layer, "rows": len(frame), "shapes": _kind_of_shapes(frame) if table.has_shapes else "",
                     "columns": [asdict(h) for h in columns]})  # fmt: skip
    write_json(look_file(folder / WORK, name), {"sha256": sha256_of(path), "facts": _facts(path), "layers": told})
    return name


def look_file(work: Path, name: str) -> Path:
    """Where what is in a file is kept."""
    return work / "looked" / (name.replace("/", "!") + ".json")


def _facts(path: Path) -> list[int]:
    facts = path.stat()
    return [facts.st_size, facts.st_mtime_ns]


def _layers(path: Path) -> list[str]:
    if path.suffix.lower() in TABLES | {".parquet", ".geoparquet", ".pq", ".kmz", ".zip"}:
        return [""]
    try:
        found = [str(name) for name in pyogrio.list_layers(path)[:, 0]]
    except Exception:
        return [""]
    return found or [""]


def _kind_of_shapes(frame: Any) -> str:
    kinds = {str(k) for k in frame.geometry.geom_type.dropna().unique()}
    if any("Polygon" in k for k in kinds):
        return "areas"
    return "lines" if any("Line" in k for k in kinds) else "points" if kinds else ""


def _check(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """What was found in the survey, as `sourcing check` tells it; kept with what it rests on."""
    season = Season("", folder, None)
    settings, base = read_settings(folder), stamp(season, read_settings(folder), digest(folder / SEASON_FILE))
    values = load_values(folder, settings)
    tell("Reading the survey")
    survey = read_survey(folder, settings)
    tell("Judging the rows")
    fields = clean_fields(survey, settings, values)
    tell("Writing down what was found")
    write_send_back(folder / WORK / SEND_BACK_FILE, survey.fields, fields.findings)
    told = sorted({f.row for f in fields.findings if f.row is not None and f.file == survey.fields.file})
    if "fields" in (value_at(read_text(season).raw, ("layers",)) or {}):
        rows = read_rows(folder, settings.layers.fields, told)
        write_json(folder / WORK / ROWS_FILE, {str(number): cells for number, cells in rows.items()})
    write_json(folder / WORK / CHECK_FILE, {"stamp": base, **_checked(survey, fields, settings, values)})
    return ""


def _mend(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Puts one row right in a copy of the survey, makes the season use that copy, and checks it again."""
    season = Season("", folder, None)
    now = read_text(season)
    if now.settings is None:
        raise InputError(now.faults)
    layer = now.settings.layers.fields
    tell("Writing the mended copy")
    name = write_mended(folder, layer, int(args["row"]), dict(args["cells"]))
    changes: dict[tuple[str, ...], Any] = {("layers", "fields", "file"): name}
    ending = Path(name).suffix
    changes["layers", "fields", "layer"] = LAYER if ending == ".gpkg" else None
    if BY_HAND in args["cells"].values():
        changes["crop_names", BY_HAND] = NOT_A_CROP
    change(season, {p: v for p, v in changes.items() if v != value_at(now.raw, p)}, now.digest)
    return _check(folder, {}, tell)


def _checked(survey: Survey, fields: Fields, settings: Settings, values: Values) -> dict[str, Any]:
    table = findings_table(fields.findings)
    by_crop = fields.frame.groupby("crop")["area_ha"].agg(["size", "sum"]).sort_values("sum", ascending=False)
    places = findings_places(survey.fields, fields.findings)
    at = dict(zip(places["row"].astype(int), zip(places.geometry.x, places.geometry.y, strict=True), strict=True))
    rows = json.loads(table.to_json(orient="records"))
    for row in rows:
        if row["file"] == survey.fields.file and row["row"] in at:
            row["at"] = [round(v, 6) for v in at[row["row"]]]
    return {
        "kept": len(fields.frame), "set_aside": len(fields.set_aside), "area_ha": float(fields.frame["area_ha"].sum()),
        "villages": [{"id": str(i), "name": str(n)} for i, n in fields.villages["name"].items()],
        "crops": [[str(c), int(n), float(a)] for c, n, a in by_crop.itertuples()],
        "words": _unknown_words(survey, settings, values), "findings": rows,
        "file": survey.fields.file,
        "counts": {str(k): int(v) for k, v in table["grade"].value_counts().items()},
    }  # fmt: skip


def _unknown_words(survey: Survey, settings: Settings, values: Values) -> list[dict[str, Any]]:
    """Crop words that are not understood: how many rows, and what they may mean."""
    column = survey.fields.frame["crop"].dropna().astype(str).str.strip()
    counts = column[column != ""].value_counts()
    known = CropNames(values.crops(), settings.crop_names).resolve(str(w) for w in counts.index)
    return [
        {"word": w, "rows": int(counts[w]), "proposals": list(m.proposals)}
        for w, m in known.items() if m.what == "unknown_crop"
    ]  # fmt: skip


def _land(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """The land for choosing on a map: villages, places where barrels may stand and may not, ways, fields."""
    season = Season("", folder, None)
    base = stamp(season, read_settings(folder), digest(folder / SEASON_FILE))
    land = read_land(folder, tell)
    tell("Finding places for barrels")
    found = candidate_sites(land.survey, land.fields, land.supply, land.network, land.settings, land.values)
    villages = [
        {"id": str(i), "name": str(r.name), "at": _lon_lat(r.geometry)}
        for i, r in zip(land.fields.villages.index, land.fields.villages[["name", "geometry"]].itertuples(index=False),
                        strict=True)
    ]  # fmt: skip
    sites = [
        {"id": str(i), "name": str(r.name), "village": str(r.village), "at": _lon_lat(r.geometry)}
        for i, r in zip(found.frame.index, found.frame.to_crs("EPSG:4326")[["name", "village", "geometry"]]
                        .itertuples(index=False), strict=True)
    ]  # fmt: skip
    refused = [
        {"name": str(r["name"]), "reason": str(r["reason"]), "at": _lon_lat(shapely.from_wkt(r["geometry"]))}
        for r in found.refused.to_dict("records")
    ]
    write_json(folder / WORK / LAND_FILE, {
        "stamp": base, "villages": villages, "sites": sites, "refused": refused[:MOST_SHAPES],
        "fields": list(_outlines(land.fields.frame)), "paths": _ways(land.survey),
    })  # fmt: skip
    return ""


def _close(folder: Path, args: dict[str, Any], tell: Tell) -> str:
    """Closes a way at one spot, in a path layer of the what-if's own, and draws the land anew."""
    season = Season("", folder, None)
    now = read_text(season)
    if now.settings is None:
        raise InputError(now.faults)
    if now.settings.layers.paths is None:
        raise UsageError("this season has no path layer, so no way can be closed")
    tell("Closing the way")
    ways = close_way(read_layer(folder, "paths", now.settings.layers.paths), float(args["lon"]), float(args["lat"]))
    working = folder / f".writing-{WAYS_FILE}"
    working.unlink(missing_ok=True)
    ways.to_file(working, layer="ways", driver="GPKG", engine="pyogrio")
    working.replace(folder / WAYS_FILE)
    paths = value_at(now.raw, ("layers", "paths"))
    if paths != {"file": WAYS_FILE}:
        changes: dict[tuple[str, ...], Any] = {("layers", "paths", key): None for key in paths}
        change(season, {**changes, ("layers", "paths", "file"): WAYS_FILE}, now.digest)
    return _land(folder, {}, tell)


def _lon_lat(point: Any) -> list[float]:
    return [round(float(point.x), 6), round(float(point.y), 6)]


def _outlines(frame: Any) -> Iterator[list[Any]]:
    shapes = frame.geometry.to_numpy()
    if len(shapes) > MOST_SHAPES:
        yield from shapely.bounds(shapes).round(5).reshape(-1, 2, 2).tolist()
        return
    for shape in shapely.simplify(shapes, 2e-5):
        for ring in shapely.get_rings(shape)[:1]:
            yield shapely.get_coordinates(ring).round(6).tolist()


def _ways(survey: Survey) -> list[list[list[float]]]:
    if survey.paths is None or survey.paths.frame.crs is None:
        return []
    shapes = survey.paths.frame.to_crs("EPSG:4326").geometry.to_numpy()
    lines = shapely.get_parts(shapes[~shapely.is_missing(shapes)])[: 4 * MOST_SHAPES]
    return [shapely.get_coordinates(s).round(6).tolist() for s in shapely.simplify(lines, 2e-5)]


JOBS: dict[str, tuple[Callable[[Path, dict[str, Any], Told], str], int]] = {
    "plan": (_plan, len(PLAN_STAGES)),
    "what_if": (_what_if, len(PLAN_STAGES) + 4),
    "compare": (_compare, 11),
    "look": (_look, 1),
    "check": (_check, 3),
    "mend": (_mend, 4),
    "land": (_land, 4),
    "close": (_close, 5),
    "accept": (_accept, 3),
    "weigh": (_weigh, 11),
}
"""What the desk can have done, and in how many stages."""


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
