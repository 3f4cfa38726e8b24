"""Pages on seasons, their survey files, and what was found in them."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from sourcing.desk import jobs
from sourcing.desk.forms import filled_number
from sourcing.desk.front import (
    MOST_FIELDS,
    MOST_FILES,
    Form,
    changing,
    desk_of,
    fresh,
    go,
    guarded,
    one,
    page_number,
    reading,
    season_of,
    season_text,
    show,
)  # fmt: skip
from sourcing.desk.seasonfile import Changes, SeasonText, change, changed, save, value_at
from sourcing.desk.shelf import RASTERS, Season, free_name, new_file_name, new_folder_name
from sourcing.desk.store import digest, kept_json, write_whole
from sourcing.desk.views import cut, matching
from sourcing.desk.work import CHECK_FILE, ROWS_FILE, SEND_BACK_FILE, look_file
from sourcing.errors import InputError, UsageError
from sourcing.intake.cells import fold
from sourcing.intake.cropnames import NOT_A_CROP
from sourcing.intake.guard import check_before_opening
from sourcing.intake.guess import Heading, guess_columns
from sourcing.intake.mend import BY_HAND, mended_name
from sourcing.intake.readers import TABLES
from sourcing.intake.survey import columns_of
from sourcing.options import UNNAMED_FILE
from sourcing.options import season_text as new_season_text
from sourcing.plan import load_values
from sourcing.settings import SEASON_FILE, Layer, parse_settings
from sourcing.values import Values

ROLES = {
    "fields": ("Fields", "The surveyed fields. Everything rests on them; all other files are welcome but not needed."),
    "villages": ("Villages", "A point for each village. Left out: the middle of its fields."),
    "paths": ("Paths", "Paths and tracks as lines. Left out: straight lines, made longer by a factor."),
    "places": ("Places for barrels", "Open ground where barrels could stand. Left out: places are proposed."),
    "barriers": ("Rivers and fences", "Lines that nobody crosses off the path."),
    "workshop": ("Workshop", "Where char is pressed into briquettes."),
    "gates": ("Gates", "Points through which fields are left."),
    "waste_points": ("Steady heaps", "Points with a steady flow of residue, such as a mill."),
}
"""Layers that a season may name once: heading and what it is for."""
SINGLE_FILES = {
    "elevation": ("Heights", "A raster of heights (GeoTIFF): slopes, hill shade, slower walking uphill."),
    "climate": ("Climate", "A table of weeks with humidity, temperature, rain and wind."),
}
FINDINGS_A_PAGE = 50
MOST_ON_MAP = 5_000
"""Findings that the map shows at most."""
FIRST_STEPS = ("region", "currency", "language")


@reading
def seasons(request: Request) -> Response:
    """All seasons, and the form for a new one."""
    desk = desk_of(request)
    rows = []
    for season in desk.shelf.seasons().values():
        text = season_text(season)
        title = text.settings.season.name if text.settings is not None else season.name
        plans = list(season.plans())
        rows.append({"season": season, "title": title, "plans": len(plans), "last": plans[0] if plans else "",
                     "faulty": text.settings is None})  # fmt: skip
    return show(request, "seasons.html", rows=rows, regions=Values.load().regions(), home=desk.shelf.home.name)


@changing
def new_season(request: Request, form: Form) -> Response:
    """Makes a season folder as `sourcing start` does, with the answers to a few questions in it."""
    desk = desk_of(request)
    if desk.shelf.alone:
        raise UsageError("The desk is opened on one season. Open it on the folder above to make another.")
    name = new_folder_name(one(form, "name"))
    answers: dict[tuple[str, ...], Any] = {("season", "name"): name}
    for key in FIRST_STEPS:
        if text := one(form, key):
            answers["season", key] = text
    if barrels := one(form, "barrels"):
        answers["fleet", "barrels"] = filled_number(barrels)
    text = changed(new_season_text(), answers)
    parse_settings(text)
    folder = desk.shelf.home / name
    try:
        folder.mkdir()
    except FileExistsError as exc:
        raise UsageError(f"There is a folder '{name}' already. Choose another name.") from exc
    write_whole(folder / SEASON_FILE, text.encode("utf-8"))
    return go("s", name, "survey", said="made")


@reading
def survey(request: Request) -> Response:
    """The files of a season: dropped in, and what each is used for."""
    season = season_of(request)
    text = season_text(season)
    named = now_named(text)
    files = season.files()
    roles = []
    for role, (label, help_text) in {**ROLES, **SINGLE_FILES}.items():
        entry = named.get(role)
        file = entry.get("file", "") if isinstance(entry, dict) else entry or ""
        there = bool(file) and (season.folder / str(file)).exists()
        layer = entry.get("layer", "") if isinstance(entry, dict) else ""
        roles.append({"role": role, "label": label, "help": help_text, "file": str(file), "there": there,
                      "layer": layer, "single": role in SINGLE_FILES})  # fmt: skip
    more = [(k, len(named.get(k, []))) for k in ("no_go", "background")]
    known = {n: p.stat().st_size for n, p in files.items()}
    needs_fields = bool(files) and not next(r["there"] for r in roles if r["role"] == "fields")
    return show(request, "survey.html", season=season, part="survey", roles=roles, files=known, more=more, text=text,
                needs_fields=needs_fields, unnamed=UNNAMED_FILE)  # fmt: skip


async def take_files(request: Request) -> Response:
    """Files dropped in: each looked at before it is kept, none put over another."""
    async with request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS) as form:
        sent = [u for u in form.getlist("files") if not isinstance(u, str) and u.filename]
        return await run_in_threadpool(guarded, request, lambda: _keep_files(request, sent))


def _keep_files(request: Request, sent: list[Any]) -> Response:
    season = season_of(request)
    if not sent:
        raise UsageError("No file was chosen.")
    names = [new_file_name(str(u.filename)) for u in sent]
    season.work.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="taking-", dir=season.work) as folder:
        for name, upload in zip(names, sent, strict=True):
            with (Path(folder) / name).open("wb") as target:
                while block := upload.file.read(1 << 20):
                    target.write(block)
        for name in names:
            check_before_opening(Path(folder) / name, name)
        kept = [_move_in(season, Path(folder) / name) for name in dict.fromkeys(names)]
    return go("s", season.key, "survey", said="taken", new="; ".join(kept))


def _move_in(season: Season, path: Path) -> str:
    """Moves a file into the season under its own name, or with a number where another has that name."""
    there = season.folder / path.name
    if there.exists() and digest(there) == digest(path):
        return path.name
    path.chmod(0o644)
    while True:
        name = free_name(season.folder, path.name)
        try:
            os.link(path, season.folder / name)
        except FileExistsError:
            continue
        except OSError:
            os.rename(path, season.folder / name)  # noqa: PTH104 - where a file system has no links
        return name


@reading
def layer(request: Request) -> Response:
    """One layer of the season: which file, and which of its columns holds what."""
    season = season_of(request)
    role = request.path_params["role"]
    text = season_text(season)
    files = season.files()
    if role in SINGLE_FILES:
        return _single(request, season, role, text)
    label, help_text = ROLES[role]
    now = value_at(text.raw, ("layers", role)) or {}
    shaped = [f for f in files if files[f].suffix.lower() not in RASTERS]
    file = request.query_params.get("file", "") or str(now.get("file", ""))
    if file not in files:
        file = next((f for f in shaped if any(w in f.lower() for w in _CALLED.get(role, ()))), "") or file
    looked = _looked(season, file, files)
    layers = [x["name"] for x in looked["layers"]] if looked else []
    chosen = request.query_params.get("layer") or (str(now.get("layer", "")) if file == now.get("file") else "")
    chosen = chosen if chosen in layers else (_likely_layer(looked, role) if looked else "")
    inside = next((x for x in looked["layers"] if x["name"] == chosen), None) if looked else None
    rows = _column_rows(role, inside, now if file == now.get("file") else {}) if inside else []
    return show(request, "layer.html", season=season, part="survey", role=role, label=label, help=help_text, now=now,
                file=file, files=shaped, looked=looked,
                layers=layers, chosen=chosen, inside=inside, rows=rows, text=text, needed=role == "fields")  # fmt: skip


def _single(request: Request, season: Season, role: str, text: Any) -> Response:
    label, help_text = SINGLE_FILES[role]
    files = season.files()
    wanted = RASTERS if role == "elevation" else TABLES
    fit = [f for f in files if files[f].suffix.lower() in wanted]
    now = value_at(text.raw, ("layers", role)) or ""
    return show(request, "single.html", season=season, part="survey", role=role, label=label, help=help_text, now=now,
                files=fit, text=text)  # fmt: skip


def _looked(season: Season, file: str, files: dict[str, Path]) -> dict[str, Any] | None:
    """What is known of a file of the season, if it has not changed since it was looked into."""
    if file not in files:
        return None
    found = kept_json(look_file(season.work, file))
    facts = files[file].stat()
    if not isinstance(found, dict) or found.get("facts") != [facts.st_size, facts.st_mtime_ns]:
        return None
    return found


_SHAPES = {"fields": "areas", "villages": "points", "paths": "lines", "places": "points", "barriers": "lines",
           "workshop": "points", "gates": "points", "waste_points": "points"}  # fmt: skip

_CALLED = {"barriers": ("barrier", "river", "fence", "wall"), "places": ("place", "site", "floor"),
           "paths": ("path", "road", "track", "way"), "villages": ("village", "hamlet", "settlement"),
           "fields": ("field", "survey", "plot", "parcel"), "waste_points": ("waste", "mill")}  # fmt: skip
"""What a layer for this is often called."""


def _likely_layer(looked: dict[str, Any], role: str) -> str:
    """The layer that most likely holds this: called like it, else with the shapes it needs, else the first."""
    layers = looked["layers"]
    words = _CALLED.get(role, (role.rstrip("s"),))
    named = [x for x in layers if any(w in x["name"].lower() for w in words)]
    fit = [x for x in layers if x["shapes"] == _SHAPES[role]]
    found: str = (named or fit or layers)[0]["name"]
    return found


def _column_rows(role: str, inside: dict[str, Any], now: dict[str, Any]) -> list[dict[str, Any]]:
    """Each of our columns with what the season says, what reads by its own name, and our guess."""
    headings = [Heading(h["name"], tuple(h["samples"]), h["filled"], h["kinds"]) for h in inside["columns"]]
    known = {n: c for n, c in columns_of(role).items() if n != "geometry"}
    guessed = guess_columns(headings, known.values())
    said = dict(now.get("columns", {}))
    fixed = dict(now.get("fixed", {}))
    units = dict(now.get("units", {}))
    rows = []
    for name, column in known.items():
        if name in ("lon", "lat") and inside["shapes"]:
            continue
        taken = said.get(name, "")
        guess = "" if taken or name in fixed else guessed.get(name, "")
        rows.append({"column": column, "said": taken, "guess": guess, "fixed": fixed.get(name, ""),
                     "unit": units.get(name, ""), "chosen": taken or guess})  # fmt: skip
    return rows


@changing
def save_layer(request: Request, form: Form) -> Response:
    """Saves which file and columns a layer has."""
    season, role = season_of(request), request.path_params["role"]
    seen = one(form, "seen")
    text = season_text(season)
    if role in SINGLE_FILES:
        file = one(form, "file")
        if file and file not in season.files():
            raise LookupError(file)
        change(season, {("layers", role): file or None}, seen)
        return go("s", season.key, "survey", said="saved")
    if role not in ROLES:
        raise LookupError(role)
    if one(form, "act") == "leave_out" and role != "fields":
        change(season, {("layers", role): None}, seen)
        return go("s", season.key, "survey", said="saved")
    file = one(form, "file")
    if file not in season.files():
        raise LookupError(file)
    before = value_at(text.raw, ("layers", role)) or {}
    kept = dict(before.get("columns", {})) if before.get("file") == file else {}
    known = columns_of(role)
    columns = {k: v for k, v in kept.items() if f"col.{k}" not in form}
    columns |= {n: one(form, f"col.{n}") for n in known if one(form, f"col.{n}")}
    fixed = {n: one(form, f"fixed.{n}") for n in known if one(form, f"fixed.{n}") and n not in columns}
    units = {n: one(form, f"unit.{n}") for n in known if one(form, f"unit.{n}")}
    wanted: dict[str, Any] = {"file": file}
    for key, value in (("layer", one(form, "layer")), ("crs", one(form, "crs"))):
        if value:
            wanted[key] = value
    wanted |= {k: v for k, v in (("columns", columns), ("fixed", fixed), ("units", units)) if v}
    changes: Changes = {("layers", role): wanted}
    if before:
        names = list(Layer.model_fields)
        changes = {("layers", role, n): wanted.get(n) for n in names if wanted.get(n) != before.get(n)}
    if not changes:
        return go("s", season.key, "survey", said="same")
    change(season, changes, seen)
    if role == "fields":
        return _check_now(season)
    return go("s", season.key, "survey", said="saved")


@changing
def look_into(request: Request, form: Form) -> Response:
    """Has a file looked into, in a process of its own."""
    season, role = season_of(request), request.path_params["role"]
    file = one(form, "file")
    if file not in season.files() or role not in ROLES:
        raise LookupError(file)
    jobs.start(season, "look", {"file": file, "role": role})
    return go("s", season.key, "work")


@reading
def findings(request: Request) -> Response:
    """What was found in the survey, a page at a time."""
    season = season_of(request)
    text = season_text(season)
    kept, current = fresh(season, text, CHECK_FILE)
    grade, what = request.query_params.get("grade", ""), request.query_params.get("what", "")
    rows = matching(kept["findings"], grade=grade, what=what) if kept else []
    at = cut(len(rows), page_number(request), FINDINGS_A_PAGE)
    kinds: dict[tuple[str, str], int] = {}
    for row in kept["findings"] if kept else ():
        kinds[row["grade"], row["what"]] = kinds.get((row["grade"], row["what"]), 0) + 1
    crops = Values.load().crops() if text.settings is None else load_values(season.folder, text.settings).crops()
    return show(request, "findings.html", season=season, part="findings", kept=kept, fresh=current, text=text,
                rows=rows[at.first : at.last], at=at, grade=grade, what=what, kinds=kinds, crops=crops,
                not_a_crop=NOT_A_CROP)  # fmt: skip


@reading
def findings_on_map(request: Request) -> Response:
    """Where findings lie, for the map; the gravest are drawn last, on top."""
    kept = kept_json(season_of(request).work / CHECK_FILE)
    if not isinstance(kept, dict):
        raise LookupError(CHECK_FILE)
    grade, what = request.query_params.get("grade", ""), request.query_params.get("what", "")
    rows = [f for f in matching(kept["findings"], grade=grade, what=what) if "at" in f][:MOST_ON_MAP]
    told = [
        {"at": f["at"], "grade": f["grade"], "words": f"{f['file']}, {f['row']}: {f['found']}. {f['remedy']}"}
        for f in rows
    ]
    return JSONResponse({"points": told[::-1]})


@changing
def check(request: Request, form: Form) -> Response:
    """Has the survey checked, in a process of its own."""
    return _check_now(season_of(request))


def _check_now(season: Season) -> Response:
    jobs.start(season, "check", {})
    return go("s", season.key, "work")


@changing
def crop_words(request: Request, form: Form) -> Response:
    """Saves what the survey's crop words mean, and checks again."""
    season = season_of(request)
    changes: Changes = {
        ("crop_names", word): meaning
        for word, meaning in zip(form.get("word", ()), form.get("means", ()), strict=False)
        if word and meaning
    }
    if not changes:
        return go("s", season.key, "findings", said="same")
    change(season, changes, one(form, "seen"))
    return _check_now(season)


def _row_of(request: Request) -> tuple[Season, SeasonText, int, dict[str, Any]]:
    """The row in the address, in a survey that was checked as it is now."""
    season = season_of(request)
    text = season_text(season)
    kept, current = fresh(season, text, CHECK_FILE)
    number = request.path_params["row"]
    if not number.isdecimal() or len(number) > 9 or text.settings is None:
        raise LookupError(number)
    if not kept or not current:
        raise UsageError("The files or the settings have changed. Check the survey again, then mend the row.")
    if season.base is not None:
        raise UsageError("Rows are mended in the season itself, not in a what-if.")
    if "fields" not in now_named(text):
        raise UsageError("The fields come from elsewhere than one file of this season; mend them there.")
    return season, text, int(number), kept


def now_named(text: SeasonText) -> dict[str, Any]:
    """The layers that the season file names, as plain values."""
    layers = text.raw.get("layers", {})
    return dict(layers) if isinstance(layers, dict) else {}


def _cells(season: Season, row: int) -> dict[str, str]:
    """The cells of a row in which something was found, as they stood when the survey was checked."""
    rows = kept_json(season.work / ROWS_FILE) or {}
    cells: dict[str, str] = rows[str(row)]
    return cells


@reading
def row(request: Request) -> Response:
    """One row of the survey with what was found in it, to be mended or set aside."""
    season, text, number, kept = _row_of(request)
    assert text.settings is not None
    layer = text.settings.layers.fields
    cells = _cells(season, number)
    known = columns_of("fields")
    named = {theirs: ours for ours, theirs in layer.columns.items() if theirs in cells}
    named |= {theirs: n for theirs in cells for n, c in known.items()
              if fold(theirs) in [fold(x) for x in (n, *c.also)] and n not in named.values()}  # fmt: skip
    rows = [{"theirs": h, "text": cells[h], "column": known[o]} for h, o in named.items() if o in known]
    found = [f for f in kept["findings"] if f["row"] == number and f["file"] == layer.file]
    return show(request, "row.html", season=season, part="findings", text=text, row=number, cells=rows, found=found,
                file=layer.file, copy=mended_name(Path(layer.file).name),
                aside="crop" in named.values())  # fmt: skip


@changing
def save_row(request: Request, form: Form) -> Response:
    """Has a row mended or set aside, in a copy of the survey."""
    season, text, number, _ = _row_of(request)
    assert text.settings is not None
    layer = text.settings.layers.fields
    cells = _cells(season, number)
    if one(form, "act") == "set_aside":
        columns = [layer.columns.get("crop", ""), *(h for h in cells if fold(h) in _crop_headings())]
        heading = next((h for h in columns if h in cells), "")
        if not heading:
            raise UsageError("The crop stands in no column of this file, so a single row cannot be set aside.")
        changes = {heading: BY_HAND}
    else:
        changes = {
            h: one(form, f"cell:{h}") for h in cells if f"cell:{h}" in form and one(form, f"cell:{h}") != cells[h]
        }
    if not changes:
        return go("s", season.key, "findings", said="same")
    jobs.start(season, "mend", {"row": number, "cells": changes})
    return go("s", season.key, "work")


def _crop_headings() -> list[str]:
    column = columns_of("fields")["crop"]
    return [fold(x) for x in (column.name, *column.also)]


@reading
def send_back(request: Request) -> Response:
    """The rows that need a hand, as a spreadsheet to send back to the surveyors."""
    path = season_of(request).work / SEND_BACK_FILE
    if not path.is_file():
        raise LookupError(SEND_BACK_FILE)
    return FileResponse(path, filename="rows_to_mend.xlsx")


@reading
def season_file(request: Request) -> Response:
    """The season file itself, as text."""
    season = season_of(request)
    text = season_text(season)
    return show(request, "file.html", season=season, part="settings", text=text, body=text.text, faults=text.faults)


@changing
def save_season_file(request: Request, form: Form) -> Response:
    """Saves the season file as text, if it can be read as one."""
    season = season_of(request)
    body = (form.get("body") or [""])[0].replace("\r\n", "\n")
    try:
        save(season, body, one(form, "seen"))
    except InputError as exc:
        text = season_text(season)
        return show(request, "file.html", 422, season=season, part="settings", text=text, body=body,
                    faults=exc.findings)  # fmt: skip
    return go("s", season.key, "file", said="saved")
