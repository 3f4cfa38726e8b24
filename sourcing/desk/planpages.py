"""Pages on planning: the run, the plans, their comparison, and what would be if."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from sourcing.desk import jobs, views
from sourcing.desk.forms import in_words
from sourcing.desk.front import (
    Form,
    address,
    changing,
    desk_of,
    fresh,
    go,
    one,
    page_number,
    reading,
    season_of,
    season_text,
    show,
    tongue_of,
)  # fmt: skip
from sourcing.desk.gate import PAGE_POLICY
from sourcing.desk.seasonfile import Changes, change, changed, read_text, value_at
from sourcing.desk.shelf import WHAT_IF, Season, new_folder_name
from sourcing.desk.store import kept_json, write_whole
from sourcing.desk.weighpages import MOST_OTHERS, WORTH, weighed_of
from sourcing.desk.work import CHECK_FILE, COMPARED, WAYS_FILE
from sourcing.errors import UsageError
from sourcing.intake.book import history_place
from sourcing.intake.keep import named_files
from sourcing.outputs.folder import PLANS
from sourcing.outputs.tables import LAYERS_FILE
from sourcing.plan import load_values
from sourcing.settings import SEASON_FILE, Settings, parse_settings
from sourcing.values import Values

TABS = {
    "": "In short", "map": "Map", "villages": "Villages", "places": "Places", "calendar": "Calendar",
    "carrying": "Carrying", "money": "Money", "chances": "Chances", "air": "Energy and air",
    WORTH: "What is worth more", "figures": "Figures used", "files": "Files to take away",
}  # fmt: skip
NOTES = {
    "places": "The way is that of a kilo on average, one way: along the ground from where the residue lies in the "
              "field to the place, the way inside the field included.",
    "calendar": "Barrels that stand at each place in each week.",
    "carrying": "Metres are one way, from where the residue lies in the field, on average, to the place. Where loads "
                "say 0, the residue fills up loads of the row above it.",
    "figures": "Every figure of the trade that the plan rests on, with its range, its source and how well it is known. "
               "Set your own under Settings, Prices and figures.",
}  # fmt: skip
"""What is to be known of a table before it is read."""
PLANS_A_PAGE = 10
TOP = 8
"""Villages named on the first page of a plan."""
FILES = {
    "map.html": "The map for the village meeting: one file, opens with no internet",
    "sheets.pdf": "Printed sheets: the decision, the wall calendar, a page a village, a page a place",
    "plan.xlsx": "Every table as a spreadsheet",
    "message.txt": "The plan in a few lines, for the chat group",
    "places.gpx": "Places and ways for a hand-held receiver",
    "plan.kml": "Places and ways for other maps",
    "plan.gpkg": "Layers for a geographic information system",
    "plan.json": "Every figure, for scripts and the donor",
    "inputs.zip": "What the plan was made from. Holds people's names: do not pass it on",
}
"""What a plan folder holds, in the order in which it is shown."""
WEEK_FILE = "The map of one week as a picture, for a slide or the chat group"
SHOWN_INLINE = {
    "map.html": "text/html; charset=utf-8",
    "sheets.pdf": "application/pdf",
    "message.txt": "text/plain; charset=utf-8",
}
PDF_POLICY = "default-src 'none'; object-src 'self'; style-src 'unsafe-inline'; frame-ancestors 'self'"
COMPARED_FILES = {"comparison.xlsx": "application/octet-stream", "both_plans.html": "text/html; charset=utf-8"}
PRICE = ("values", "money.char_value_per_kg")


@reading
def run(request: Request) -> Response:
    """Whether the season can be planned, and the button."""
    season = season_of(request)
    text = season_text(season)
    checked, current = fresh(season, text, CHECK_FILE)
    plans = season.plans()
    at = views.cut(len(plans), page_number(request), PLANS_A_PAGE)
    rows = _plan_rows(list(plans.items())[at.first : at.last], request)
    return show(request, "run.html", season=season, part="plan", text=text, checked=checked, fresh=current,
                plans=rows, known=list(plans), at=at)  # fmt: skip


def _plan_rows(plans: list[tuple[str, Path]], request: Request) -> list[dict[str, Any]]:
    """Plans, each with its first figures."""
    words = tongue_of(request).words
    rows = []
    for name, path in plans:
        record = views.short_of(path)
        total = record["totals"]
        rows.append({"name": name, "char": words.tonnes(total["char_kg"]), "sites": words.number(total["sites"]),
                     "villages": words.number(total["villages_with_barrels"]),
                     "barrels": words.number(total["most_barrels"]),
                     "margin": words.number(total["margin"]) if "margin" in total else "",
                     "currency": record["currency"], "status": record["solve"]["status"],
                     "best": views.how_good(record)})  # fmt: skip
    return rows


@changing
def start_run(request: Request, form: Form) -> Response:
    """Starts planning in a process of its own."""
    season = season_of(request)
    args: dict[str, Any] = {}
    if near := one(form, "near"):
        season.plan(near)
        args["near"] = f"{PLANS}/{near}"
        if day := one(form, "from_day"):
            try:
                args["from_day"] = date.fromisoformat(day).isoformat()
            except ValueError as exc:
                raise UsageError(f"'{day}' is not a day.") from exc
    if season.base is not None and not near and (base := next(iter(season.base.plans()), "")):
        back = Path(os.path.relpath(season.base.folder, season.folder)).as_posix()
        jobs.start(season, "what_if", {"a": f"{back}/{PLANS}/{base}"})
    else:
        jobs.start(season, "plan", args)
    return go("s", season.key, "work")


@reading
def work(request: Request) -> Response:
    """What is under way, told as it goes."""
    season = season_of(request)
    job = jobs.current(season)
    limit = season_text(season).settings
    return show(request, "work.html", season=season, part="plan" if job.kind in ("plan", "what_if") else "", job=job,
                onward=_onward(season, job), seconds=limit.placement.seconds if limit is not None else 0)  # fmt: skip


@reading
def job_state(request: Request) -> Response:
    """What is under way, for the page's script."""
    season = season_of(request)
    job = jobs.current(season)
    return JSONResponse({**job.as_dict(), "onward": _onward(season, job)})


def _onward(season: Season, job: jobs.Job) -> str:
    """Where the page goes on to when the work is done."""
    ways = {
        "plan": ("plans", job.result), "what_if": ("compared", job.result), "compare": ("compared", job.result),
        "check": ("findings",), "mend": ("findings",), "land": ("choose",),
        "close": ("choose",), "weigh": ("plans", job.result, WORTH), "accept": ("accepted",),
        "look": ("survey", str(job.args.get("role", ""))),
    }  # fmt: skip
    if job.state != "done" or job.kind not in ways:
        return ""
    if job.kind == "what_if" and "__" not in job.result:
        return address("s", season.key, "plans", job.result)
    asked = {"file": str(job.args.get("file", ""))} if job.kind == "look" else {}
    if job.kind == "accept":
        asked = {"said": "accepted", "survey": job.result}
    return address("s", season.key, *ways[job.kind], **asked)


@changing
def stop_run(request: Request, form: Form) -> Response:
    """Stops what is under way; a plan keeps the best found so far."""
    season = season_of(request)
    jobs.stop(season, one(form, "job"))
    return go("s", season.key, "work", said="stopping")


@reading
def plan(request: Request) -> Response:
    """A plan, one side of it at a time."""
    season = season_of(request)
    name, tab = request.path_params["plan"], request.path_params.get("tab", "")
    if tab not in TABS:
        raise LookupError(tab)
    record = views.record_of(season.plan(name))
    speak = tongue_of(request)
    others = [n for n in season.plans() if n != name]
    files = season.plan_files(name)
    message = files["message.txt"].read_text(encoding="utf-8") if "message.txt" in files and tab == "files" else ""
    named = {"season": season, "part": "plan", "plan": name, "tab": tab, "tabs": TABS, "record": record,
             "others": others, "made": record.get("made_at", ""), "files": _told_files(files), "message": message,
             "notes_of": NOTES, "in_words": in_words, **_tab(record, tab, request, speak.words)}  # fmt: skip
    if tab == WORTH:
        named |= {"weighed": weighed_of(season, name), "kept": "inputs.zip" in files, "most_others": MOST_OTHERS}
    if tab == "files":
        named["weeks"] = views.weeks(record, speak.words, date.today()) if LAYERS_FILE in files else []
    return show(request, "plan.html", **named)


def _told_files(files: dict[str, Path]) -> list[tuple[str, str, int]]:
    known = [n for n in FILES if n in files]
    rest = [n for n in files if n not in FILES]
    told = {n: WEEK_FILE for n in rest if n.startswith("week-")} | FILES
    return [(n, told.get(n, ""), files[n].stat().st_size) for n in (*known, *rest)]


def _tab(record: dict[str, Any], tab: str, request: Request, words: Any) -> dict[str, Any]:
    """What one side of a plan shows."""
    if tab == "":
        return {"decision": views.decision(record, words), "good": views.how_good(record),
                "top": [v for v in views.ranking(record, words) if v["deploy"]][:TOP],
                "cautions": record["cautions"]}  # fmt: skip
    if tab == "villages":
        return {"ranking": views.ranking(record, words)}
    if tab == "places":
        return {"table": views.places(record, words)}
    if tab == "calendar":
        return {"table": views.calendar(record, words)}
    if tab == "carrying":
        at = views.cut(len(record["carries"]), page_number(request))
        return {"table": views.carries(record, words, at), "at": at}
    if tab == "money":
        table, weeks = views.money(record, words)
        return {"table": table, "weeks": weeks, "money": record["money"]}
    if tab == "chances":
        found = record["chances"]
        return {"table": views.chances(record, words), "causes": [words.of("cause", c) for c in found["causes"]],
                "sure": views.places(record, words), "replays": words.number(found["replays"])}  # fmt: skip
    if tab == "air":
        return {"tables": views.air(record, words), "notes": record["climate"]["notes"]}
    if tab == "figures":
        at, sources = views.cut(len(record["values_used"]), page_number(request)), Values.load().sources
        rows = [
            {**{k: f[k] for k in ("name", "value", "low", "high", "unit")}, "standing": f["standing"].replace("_", " "),
             "source": sources[f["source"]].title if f["source"] in sources else f["source"]}
            for f in record["values_used"][at.first : at.last]
        ]  # fmt: skip
        return {"table": views.plain_table(rows, words), "at": at}
    return {}


@reading
def plan_file(request: Request) -> Response:
    """A file of a plan: shown in the page where it can be, else taken away."""
    season = season_of(request)
    name = request.path_params["file"]
    path = season.plan_files(request.path_params["plan"])[name]
    take = bool(request.query_params.get("take"))
    return _file(path, SHOWN_INLINE.get(name), take)


def _file(path: Path, kind: str | None, take: bool) -> Response:
    """A file; a page of a plan keeps the policy it carries, in a world apart."""
    if kind is None or take:
        return FileResponse(path, filename=path.name, media_type="application/octet-stream")
    headers = {"content-security-policy": PAGE_POLICY} if kind.startswith("text/html") else {}
    if kind == "application/pdf":
        headers = {"content-security-policy": PDF_POLICY}
    return FileResponse(path, media_type=kind, headers=headers, content_disposition_type="inline", filename=path.name)


# Comparing ------------------------------------------------------------------------------------------------------------


@reading
def compare(request: Request) -> Response:
    """Which two plans to set side by side, and what has been compared before."""
    season = season_of(request)
    done = []
    for folder in sorted((season.work / COMPARED).glob("*__*"), reverse=True):
        if found := kept_json(folder / "comparison.json"):
            done.append({"name": folder.name, "title": found["title"][0]})
    known = list(_comparable(request, season))
    first = request.query_params.get("first", "")
    if first not in known:
        first = next(iter([*list(season.plans())[1:2], *known]), "")
    second = next((n for n in known if n != first), "")
    return show(request, "compare.html", season=season, part="compare", known=known, done=done, first=first,
                second=second)  # fmt: skip


def _comparable(request: Request, season: Season) -> dict[str, Path]:
    """Plans that can be set beside each other, by what a page calls them: of the season, its base and its what-ifs."""
    found = dict(season.plans())
    if season.base is not None:
        found |= {f"{season.base.name}: {n}": p for n, p in season.base.plans().items()}
    for other in desk_of(request).shelf.what_ifs(season):
        found |= {f"{other.name}: {n}": p for n, p in other.plans().items()}
    return found


@changing
def start_compare(request: Request, form: Form) -> Response:
    """Has two plans compared, in a process of its own."""
    season = season_of(request)
    known = _comparable(request, season)
    first, second = known[one(form, "first")], known[one(form, "second")]
    if first == second:
        raise UsageError("Choose two different plans.")
    a, b = (Path(os.path.relpath(p, season.folder)).as_posix() for p in (first, second))
    jobs.start(season, "compare", {"a": a, "b": b, "quick": not one(form, "why")})
    return go("s", season.key, "work")


def _compared(request: Request) -> tuple[Season, Path]:
    season = season_of(request)
    known = {p.name: p for p in (season.work / COMPARED).glob("*__*") if p.is_dir()}
    return season, known[request.path_params["name"]]


@reading
def compared(request: Request) -> Response:
    """Two plans side by side: what to tell the villages, what differs, and why."""
    season, folder = _compared(request)
    found = kept_json(folder / "comparison.json")
    if not isinstance(found, dict):
        raise LookupError(folder.name)
    words = tongue_of(request).words
    tell = [(head, _for_the_desk(lines)) for head, lines in found["to_tell"]]
    totals = views.totals(found["all"]["totals"], words)
    shown = request.query_params.get("table", "")
    tables = views.compared(found["tables"], words)
    chosen = next((t for n, t in tables if n == shown), None)
    at = views.cut(len(chosen.rows) if chosen else 0, page_number(request))
    return show(request, "compared.html", season=season, part="compare", name=folder.name, title=found["title"][0],
                overall=_for_the_desk(found["overall"]), why=_for_the_desk(found["why"]), tell=tell,
                totals=totals, tables=[n for n, _ in tables], shown=shown, chosen=chosen, at=at)  # fmt: skip


def _for_the_desk(lines: list[str]) -> list[str]:
    """Lines of a comparison, without what only helps at a terminal."""
    kept = [line for line in lines if not any(mark in line for mark in ("--table", "--quick", "sourcing plan"))]
    return [in_words(line) for line in kept]


@reading
def compared_file(request: Request) -> Response:
    """A file of a comparison."""
    _, folder = _compared(request)
    name = request.path_params["file"]
    kind = COMPARED_FILES[name]
    if not (folder / name).is_file():
        raise LookupError(name)
    return _file(folder / name, kind if kind.startswith("text/html") else None, bool(request.query_params.get("take")))


# What if --------------------------------------------------------------------------------------------------------------


@reading
def what_if(request: Request) -> Response:
    """What-if seasons of a season, and the form for a new one."""
    season = season_of(request)
    season = season.base or season
    text = season_text(season)
    checked = kept_json(season.work / CHECK_FILE) or {}
    price = load_values(season.folder, text.settings).figure(PRICE[1]) if text.settings is not None else None
    return show(request, "what_if.html", season=season, part="what_if", text=text, rows=_what_if_rows(request, season),
                villages=checked.get("villages", []), price=price, plans=list(season.plans()))  # fmt: skip


def _what_if_rows(request: Request, season: Season) -> list[dict[str, Any]]:
    rows = []
    for s in desk_of(request).shelf.what_ifs(season):
        plans = list(s.plans())
        found = sorted((s.work / COMPARED).glob("*__*"))
        rows.append({"key": s.key, "name": s.name, "plan": plans[0] if plans else "",
                     "compared": found[-1].name if found else "", "differs": _differences(season, s)})  # fmt: skip
    return rows


def _differences(season: Season, other: Season) -> list[str]:
    """What a what-if season has otherwise than its season, as 'option = value'."""
    found = []
    for path, value in _changes_from(season, other).items():
        name = in_words(".".join(path))
        found.append(f"{name} = {value}" if value is not None else f"{name}: as by default")
    if value_at(read_text(other).raw, ("layers", "paths", "file")) == WAYS_FILE:
        found.append("ways closed on the map")
    return found


def _changes_from(season: Season, other: Season) -> Changes:
    mine, theirs = _leaves(read_text(season).raw), _leaves(read_text(other).raw)
    return {p: theirs.get(p) for p in (*theirs, *(p for p in mine if p not in theirs))
            if mine.get(p) != theirs.get(p) and p[0] != "layers" and p != ("values_file",)}  # fmt: skip


def _leaves(raw: dict[str, Any], at: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    found: dict[tuple[str, ...], Any] = {}
    for key, value in raw.items():
        if isinstance(value, dict):
            found |= _leaves(value, (*at, key))
        else:
            found[(*at, key)] = value
    return found


@changing
def new_what_if(request: Request, form: Form) -> Response:
    """Makes a what-if season: the season as it is, with a few things changed; the season itself stays as it is."""
    season = season_of(request)
    season = season.base or season
    name = new_folder_name(one(form, "name"))
    text = season_text(season)
    if text.settings is None:
        raise UsageError("The season file needs mending first.")
    folder = season.folder / WHAT_IF / name
    wanted = changed(_moved(text.text, text, season, folder), _wished(form, text.raw))
    parse_settings(wanted)
    folder.parent.mkdir(exist_ok=True)
    try:
        folder.mkdir()
    except FileExistsError as exc:
        raise UsageError(f"There is a what-if '{name}' already. Choose another name.") from exc
    _take_history(season, text.settings, folder)
    write_whole(folder / SEASON_FILE, wanted.encode("utf-8"))
    key = f"{season.key}~{name}"
    if one(form, "act") == "more":
        return go("s", key, "settings", "barrels", said="made")
    base = next(iter(season.plans()), "")
    made = desk_of(request).shelf.season(key)
    if base:
        jobs.start(made, "what_if", {"a": f"../../{PLANS}/{base}"})
    else:
        jobs.start(made, "plan", {})
    return go("s", key, "work")


def _take_history(season: Season, settings: Settings, folder: Path) -> None:
    """Gives a what-if the accepted surveys of its season, as they are now; those of a database it reads there."""
    place = history_place(season.folder, settings)
    if isinstance(place, Path) and place.is_file():
        with closing(sqlite3.connect(place)) as mine, closing(sqlite3.connect(folder / place.name)) as theirs:
            mine.backup(theirs)


def _wished(form: Form, raw: dict[str, Any]) -> Changes:
    """The changes that the short form of a what-if asks for."""
    from sourcing.desk.forms import filled_number

    changes: dict[tuple[str, ...], Any] = {}
    for field, path in (("barrels", ("fleet", "barrels")), ("price", PRICE)):
        if text := one(form, field):
            changes[path] = filled_number(text)
    if out := [v for v in form.get("no_barrels", ()) if v]:
        before = list(value_at(raw, ("villages", "leave_out")) or [])
        changes["villages", "leave_out"] = [*before, *(v for v in out if v not in before)]
        if use := value_at(raw, ("villages", "use")):
            changes["villages", "use"] = [v for v in use if v not in out] or None
    if keep := [v for v in form.get("no_residue", ()) if v]:
        rows = [r for r in value_at(raw, ("supply", "village_uses")) or [] if r.get("village") not in keep]
        changes["supply", "village_uses"] = [
            *rows,
            *({"village": v, "fodder": 1.0, "fuel": 0.0, "thatch": 0.0} for v in keep),
        ]
    return changes


def _moved(text: str, now: Any, season: Season, folder: Path) -> str:
    """The season's text with the files it names found from another folder."""
    back = os.path.relpath(season.folder, folder)
    raw = now.raw
    changes: dict[tuple[str, ...], Any] = {}
    for at, name in named_files(now.settings).items():
        if Path(name).is_absolute():
            continue
        there = f"{Path(back).as_posix()}/{name}"
        path = tuple(str(p) for p in at)
        if len(at) == 4:
            rows = changes.setdefault(path[:2], [dict(r) for r in value_at(raw, path[:2]) or []])
            rows[int(at[2])]["file"] = there
        else:
            changes[path] = there
    return changed(text, changes)


@changing
def adopt(request: Request, form: Form) -> Response:
    """Takes what a what-if season changed over into the season itself."""
    other = season_of(request)
    if other.base is None:
        raise UsageError("This is no what-if.")
    base = other.base
    changes = dict(_changes_from(base, other))
    if (ways := value_at(read_text(other).raw, ("layers", "paths", "file"))) == WAYS_FILE:
        old = value_at(read_text(base).raw, ("layers", "paths")) or {}
        changes |= {("layers", "paths", k): None for k in old if k != "file"}
        changes["layers", "paths", "file"] = f"{WHAT_IF}/{other.name}/{ways}"
    change(base, changes, one(form, "seen") or season_text(base).digest)
    return go("s", base.key, "plan", said="adopted")
