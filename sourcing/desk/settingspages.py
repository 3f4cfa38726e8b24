"""Pages on what is decided for a season: the forms, the figures of the trade, and places chosen on the map."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from sourcing.desk import forms, jobs
from sourcing.desk.front import Form, changing, fresh, go, one, page_number, reading, season_of, season_text, show
from sourcing.desk.seasonfile import ChangedOutsideError, SeasonText, change, changed, save, value_at
from sourcing.desk.shelf import RASTERS, Season
from sourcing.desk.store import kept_json
from sourcing.desk.views import cut
from sourcing.desk.work import CHECK_FILE, LAND_FILE
from sourcing.errors import InputError, UsageError
from sourcing.plan import load_values
from sourcing.settings import parse_settings
from sourcing.values import STANDINGS, Values
from sourcing.words import languages

FIGURES_A_PAGE = 40
CHOICES = ("use", "leave_out", "")


@reading
def settings(request: Request) -> Response:
    """One page of the form."""
    season, page = season_of(request), _page(request)
    text = season_text(season)
    return _form(request, season, page, text, text.raw, {}, 200)


@changing
def save_settings(request: Request, form: Form) -> Response:
    """Saves what was filled in; a faulty form comes back as it was filled in, with what is wrong beside it."""
    season, page = season_of(request), _page(request)
    now = season_text(season)
    groups = _groups(season, page, now)
    changes = {}
    for entry in (e for g in groups for e in g.entries):
        value = forms.as_table(forms.filled(entry, form, now.raw), entry)
        if value != value_at(now.raw, entry.path):
            changes[entry.path] = value
    if not changes:
        return go("s", season.key, "settings", page, said="same")
    text = changed(now.text, changes)
    raw = tomllib.loads(text)
    if faults := forms.faults_by_option(text):
        return _form(request, season, page, now, raw, faults, 422)
    try:
        save(season, text, one(form, "seen"))
    except ChangedOutsideError as exc:
        return _form(request, season, page, season_text(season), raw, {"": str(exc)}, 409)
    return go("s", season.key, "settings", page, said="saved")


def _page(request: Request) -> str:
    page: str = request.path_params["page"]
    if page not in forms.PAGES:
        raise LookupError(page)
    return page


def _form(
    request: Request, season: Season, page: str, now: SeasonText, raw: Mapping[str, Any], faults: Mapping[str, str],
    status: int,
) -> Response:  # fmt: skip
    groups = []
    known: set[str] = set()
    for group in _groups(season, page, now):
        rows = []
        for entry in group.entries:
            entered = forms.shown(entry, raw)
            file = forms.shown(entry, now.raw)
            theirs = file.text or entry.default if status == 409 and file.text != entered.text else ""
            fault = forms.fault_of(entry, faults)
            known |= {entry.name} if fault else set()
            rows.append(replace(entered, fault=fault, theirs=theirs))
        groups.append((group, rows))
    rest = [f"{where}: {told}" if where else told for where, told in faults.items()
            if not any(where == k or where.startswith(f"{k}.") for k in known)]  # fmt: skip
    return show(request, "settings.html", status, season=season, part="settings", page=page, pages=forms.PAGES,
                groups=groups, text=now, faults=rest, blank=forms.BLANK_ROWS)  # fmt: skip


def _groups(season: Season, page: str, now: SeasonText) -> tuple[forms.Group, ...]:
    """The groups of a page, with words to choose from where some are known."""
    proposed = _proposals(season, now)
    groups = []
    for group in forms.page_groups(page):
        entries = []
        for entry in group.entries:
            words = proposed.get(entry.name, ())
            if entry.parts:
                parts = tuple(
                    replace(p, choices=proposed[f"{entry.name}.{p.name}"])
                    if f"{entry.name}.{p.name}" in proposed else p
                    for p in entry.parts
                )  # fmt: skip
                entry = replace(entry, parts=parts)
            entries.append(forms.with_proposals(entry, words))
        groups.append(replace(group, entries=tuple(entries)))
    return tuple(groups)


def _proposals(season: Season, now: SeasonText) -> dict[str, tuple[str, ...]]:
    """Words that options may hold, by the option's name: from the figures, and from the survey as last checked."""
    values = Values.load() if now.settings is None else load_values(season.folder, now.settings)
    crops = values.crops()
    residues = tuple(f"{c}/{r}" for c in crops for r in values.residues(c))
    modes = tuple(dict.fromkeys(n.split(".")[0] for n in values.under("carry") if n.endswith(".payload_wet_kg")))
    presses = tuple(dict.fromkeys(n.split(".")[0] for n in values.under("works.press")))
    setbacks = tuple(dict.fromkeys(n.split(".")[0] for n in values.under("site.setback")))
    checked = kept_json(season.work / CHECK_FILE) or {}
    villages = tuple(v["id"] for v in checked.get("villages", ()))
    grown = tuple(c[0] for c in checked.get("crops", ()))
    mine = tuple(r for r in residues if r.split("/")[0] in grown) or residues
    files = tuple(f for f, p in season.files().items() if p.suffix.lower() not in RASTERS)
    return {
        "season.region": ("none", *values.regions()), "season.language": languages(), "carrying.modes": modes,
        "works.haul_mode": modes, "supply.residues": mine, "supply.not_collected": mine, "villages.use": villages,
        "villages.leave_out": villages, "layers.no_go.file": files, "layers.background.file": files,
        "layers.no_go.kind": setbacks, "supply.village_uses.village": villages, "supply.village_uses.crop": crops,
        "wishes.fixed.village": villages, "crops.": crops, "works.presses": presses,
    }  # fmt: skip


# The figures of the trade ---------------------------------------------------------------------------------------------


@reading
def figures(request: Request) -> Response:
    """The figures of the trade, a page at a time, each with its range, source and standing."""
    return _figures(request, {}, (), 200)


def _figures(request: Request, entered: Mapping[str, str], faults: tuple[str, ...], status: int) -> Response:
    season = season_of(request)
    text = season_text(season)
    values = Values.load() if text.settings is None else load_values(season.folder, text.settings)
    builtin = Values.load()
    own = text.raw.get("values", {}) if isinstance(text.raw.get("values"), dict) else {}
    asked = request.query_params.get("q", "money").strip().lower()
    words = asked.split()
    names = [n for n in sorted(values.figures) if all(w in f"{n} {values.figure(n).note}".lower() for w in words)]
    names.sort(key=lambda n: n not in own)
    at = cut(len(names), page_number(request), FIGURES_A_PAGE)
    rows = []
    for name in names[at.first : at.last]:
        figure = builtin.figure(name) if name in builtin else values.figure(name)
        mine = entered.get(name, forms.value_text(own[name]) if name in own else "")
        rows.append({"name": name, "figure": figure, "own": mine, "set": name in own,
                     "source": values.sources[figure.source].title if figure.source in values.sources else "",
                     "standing": STANDINGS.get(figure.standing, figure.standing)})  # fmt: skip
    return show(request, "figures.html", status, season=season, part="settings", text=text, rows=rows, at=at, q=asked,
                faults=faults, own=len(own), pages=forms.PAGES, page="figures")  # fmt: skip


@changing
def save_figures(request: Request, form: Form) -> Response:
    """Saves the season's own figures."""
    season = season_of(request)
    now = season_text(season)
    own = value_at(now.raw, ("values",)) or {}
    known = Values.load() if now.settings is None else load_values(season.folder, now.settings)
    changes: dict[tuple[str, ...], Any] = {}
    entered = {}
    faults = []
    for name, texts in form.items():
        if not name.startswith("own:") or (figure := name.removeprefix("own:")) not in known:
            continue
        entered[figure] = text = texts[0].strip()
        value = forms.filled_number(text) if text else None
        if isinstance(value, str):
            faults.append(f"{figure}: '{text}' is not a number")
        elif value != own.get(figure):
            changes["values", figure] = value
    if not faults and changes:
        text = changed(now.text, changes)
        try:
            Values.load(parse_settings(text).values)
            save(season, text, one(form, "seen"))
        except ChangedOutsideError:
            raise
        except InputError as exc:
            faults = [f.sentence() for f in exc.findings]
    if faults:
        return _figures(request, entered, tuple(faults), 422)
    asked = {k: request.query_params.get(k, "") for k in ("q", "page")}
    return go("s", season.key, "figures", said="saved" if changes else "same", **asked)


# Places and villages on the map ---------------------------------------------------------------------------------------


@reading
def choose(request: Request) -> Response:
    """The map on which villages and places are asked for or left out, and a list for those who do not use a mouse."""
    season = season_of(request)
    text = season_text(season)
    land, current = fresh(season, text, LAND_FILE)
    rows = _choices(land, text) if land else []
    asked = request.query_params.get("q", "").strip().lower()
    rows = [r for r in rows if asked in f"{r['name']} {r['id']} {r.get('village', '')}".lower()]
    at = cut(len(rows), page_number(request), 60)
    return show(request, "choose.html", season=season, part="choose", land=land is not None, fresh=current, text=text,
                rows=rows[at.first : at.last], at=at, q=asked)  # fmt: skip


@reading
def land(request: Request) -> Response:
    """The land as the map draws it, with what is chosen."""
    season = season_of(request)
    text = season_text(season)
    kept = kept_json(season.work / LAND_FILE)
    if not isinstance(kept, dict):
        raise LookupError(LAND_FILE)
    chosen = {(r["kind"], r["id"]): r["choice"] for r in _choices(kept, text)}
    told = {k: kept[k] for k in ("refused", "fields", "paths")}
    for kind, name in (("village", "villages"), ("site", "sites")):
        told[name] = [{**row, "choice": chosen[kind, row["id"]]} for row in kept[name]]
    return JSONResponse(told)


def _choices(kept: Mapping[str, Any], text: SeasonText) -> list[dict[str, Any]]:
    lists = {key: set(map(str, value_at(text.raw, path) or ())) for key, path in _PATHS.items()}
    names = {v["id"]: v["name"] for v in kept["villages"]}
    rows = []
    for v in kept["villages"]:
        mine = {v["id"], v["name"]}
        choice = next((c for c in ("use", "leave_out") if mine & lists["village", c]), "")
        rows.append({"kind": "village", "id": v["id"], "name": v["name"], "village": "", "choice": choice})
    for s in kept["sites"]:
        choice = next((c for c in ("use", "leave_out") if s["id"] in lists["site", c]), "")
        rows.append({"kind": "site", "id": s["id"], "name": s["name"], "choice": choice,
                     "village": names.get(s["village"], s["village"])})  # fmt: skip
    return rows


_PATHS = {
    ("village", "use"): ("villages", "use"), ("village", "leave_out"): ("villages", "leave_out"),
    ("site", "use"): ("wishes", "sites_use"), ("site", "leave_out"): ("wishes", "sites_leave_out"),
}  # fmt: skip


@changing
def save_choice(request: Request, form: Form) -> Response:
    """Saves one choice: a village or place that must get barrels, must not, or is left to the plan."""
    season = season_of(request)
    now = season_text(season)
    kept = kept_json(season.work / LAND_FILE) or {}
    kind, identity, choice = one(form, "kind"), one(form, "id"), one(form, "choice")
    rows = kept.get({"village": "villages", "site": "sites"}.get(kind, ""), [])
    row = next((r for r in rows if r["id"] == identity), None)
    if row is None or choice not in CHOICES:
        raise UsageError("That place or village is not on the map. Draw the map again.")
    names = {identity, row["name"]} if kind == "village" else {identity}
    changes: dict[tuple[str, ...], Any] = {}
    for (of, key), path in _PATHS.items():
        if of != kind:
            continue
        before = list(value_at(now.raw, path) or [])
        after = [n for n in before if n not in names] + ([identity] if key == choice else [])
        if after != before:
            changes[path] = after or None
    if changes:
        change(season, changes, one(form, "seen"))
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"seen": season_text(season).digest, "choice": choice})
    return go("s", season.key, "choose", said="saved" if changes else "same", q=one(form, "q"), page=one(form, "page"))


@changing
def draw_land(request: Request, form: Form) -> Response:
    """Has the map for choosing drawn, in a process of its own."""
    season = season_of(request)
    jobs.start(season, "land", {})
    return go("s", season.key, "work")


@changing
def close(request: Request, form: Form) -> Response:
    """Closes a way at one spot of a what-if season."""
    season = season_of(request)
    if season.base is None:
        raise UsageError("Ways are closed in a what-if, so that the season itself stays as it is.")
    try:
        lon, lat = float(one(form, "lon")), float(one(form, "lat"))
    except ValueError as exc:
        raise UsageError("Write longitude and latitude as degrees, such as 30.51 and -15.02.") from exc
    if not (-180 <= lon <= 180 and -90 <= lat <= 90):
        raise UsageError("Longitude goes from -180 to 180 degrees, latitude from -90 to 90.")
    jobs.start(season, "close", {"lon": lon, "lat": lat})
    return go("s", season.key, "work")
