"""Pages on surveys that come again: taken into the season's history, what each changed, and the last one taken back."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from sourcing.desk import jobs
from sourcing.desk.front import Form, changing, go, one, page_number, reading, season_of, season_text, show
from sourcing.desk.shelf import Season
from sourcing.desk.store import held
from sourcing.desk.views import Table, cut
from sourcing.errors import UsageError
from sourcing.intake.book import history_place, open_if_there
from sourcing.intake.changes import changes_to_tell, told_of, what_changed
from sourcing.intake.history import Accepted, count_today, logged_in, surveys, undo
from sourcing.intake.readers import sha256_of

CHANGE_HEADS = ("What became of it", "Field before", "Field now", "What differs")
UNDO_LOCK = "undo.lock"
"""Held while the last survey is taken back, so that two windows do not take back two."""


@reading
def accepted(request: Request) -> Response:
    """The surveys of a season as `sourcing history` lists them, and the form that takes this one in."""
    season = _own(request)
    text = season_text(season)
    named: dict[str, Any] = {
        "season": season, "part": "survey", "text": text, "rows": [], "today": 0, "now": None, "last": None,
        "asked": "", "shown": None, "table": None, "at": None, "file": "", "from_files": False,
    }  # fmt: skip
    if text.settings is None:
        return show(request, "accepted.html", **named)
    named["file"] = text.settings.layers.fields.file
    named["from_files"] = text.settings.history.plan_from != "history"
    place = history_place(season.folder, text.settings)
    with open_if_there(place) as book:
        if book is not None and (known := surveys(book)):
            counted = [s for s in known if s.counts]
            named |= {"rows": [(s, what_changed(book, s.id)) for s in known],
                      "last": counted[-1] if counted else None,
                      "now": _this_file(season, str(named["file"]), counted),
                      "today": count_today(book),
                      "asked": request.query_params.get("undo", "")}  # fmt: skip
            wanted = request.query_params.get("survey", "")
            if shown := next((s for s in known if str(s.id) == wanted), None):
                rows = changes_to_tell(book, shown.id)
                at = cut(len(rows), page_number(request))
                told = told_of(book, shown.id, rows[at.first : at.last])
                named |= {"shown": shown, "at": at, "table": Table(CHANGE_HEADS, tuple(told))}
    return show(request, "accepted.html", **named)


def _own(request: Request) -> Season:
    """The season whose history it is: a what-if has none of its own."""
    season = season_of(request)
    return season.base or season


def _this_file(season: Season, file: str, counted: list[Accepted]) -> Accepted | None:
    """The accepted survey that is the file in use."""
    path = season.files().get(file)
    if path is None:
        return None
    facts = path.stat()
    mark = _hash(path, facts.st_mtime_ns, facts.st_size)
    return next((s for s in counted if s.sha256 == mark), None)


@lru_cache(maxsize=8)
def _hash(path: Path, changed_ns: int, size: int) -> str:
    return sha256_of(path)


@changing
def accept_survey(request: Request, form: Form) -> Response:
    """Takes the survey into the history, in a process of its own, as `sourcing accept` does."""
    season = season_of(request)
    if season.base is not None:
        raise UsageError("A what-if has no history of its own. Accept the survey in the season itself.")
    args = {"who": one(form, "who"), "note": one(form, "note"), "complete": bool(one(form, "complete"))}
    jobs.start(season, "accept", args)
    return go("s", season.key, "work")


@changing
def undo_survey(request: Request, form: Form) -> Response:
    """Takes the last accepted survey back, if it is still the one that was shown."""
    season = season_of(request)
    if season.base is not None:
        raise UsageError("A what-if has no history of its own. Undo the survey in the season itself.")
    text = season_text(season)
    if text.settings is None:
        raise UsageError("The season file needs mending first.")
    season.work.mkdir(parents=True, exist_ok=True)
    with held(season.work / UNDO_LOCK), open_if_there(history_place(season.folder, text.settings)) as book:
        counted = [] if book is None else [s for s in surveys(book) if s.counts]
        if book is None or not counted:
            raise UsageError("There is no accepted survey to take back.")
        if f"{counted[-1].id} {counted[-1].at}" != one(form, "survey"):
            raise UsageError("The last survey is another one by now. Look at the list again; nothing was taken back.")
        undo(book, datetime.now().astimezone(), logged_in())
    return go("s", season.key, "accepted", said="undone")
