"""What every page of the desk has in common: its frame, its language, and how a request becomes a season and a form."""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from sourcing.desk.jobs import Job, current
from sourcing.desk.seasonfile import ChangedOutsideError, SeasonText, read_text
from sourcing.desk.shelf import Season, Shelf, stamp
from sourcing.desk.store import HeldError, kept_json
from sourcing.desk.wording import Tongue, preferred, tongue
from sourcing.errors import InputError, SourcingError
from sourcing.words import languages, load_words

LANGUAGE_COOKIE = "desk_language"
MOST_FIELDS = 6_000
MOST_FILES = 20
SAID: Mapping[str, str] = {
    "saved": "Saved into the season file.",
    "same": "Nothing was different, so nothing was changed.",
    "made": "The season is made.",
    "taken": "The files are in the season's folder.",
    "stopping": "It stops as soon as the best plan so far is safe.",
    "accepted": "The survey is accepted. From now on plans know it.",
    "undone": "The survey is taken back. The fields are as they were before it.",
    "adopted": "Taken over into the season. Plan it again to see it in full.",
}
"""What a page may say after a change, by a short word in its address."""

Form = Mapping[str, list[str]]


@dataclass(frozen=True)
class Desk:
    """What the desk is opened on."""

    shelf: Shelf
    language: str = ""
    """Language of the desk; '' for the browser's."""
    network: bool = False
    """Whether it answers other machines of the network too."""
    pages: Environment = field(default_factory=lambda: _environment())


def _environment() -> Environment:
    folder = Path(str(files("sourcing") / "web" / "desk"))
    found = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.globals["address"] = address
    return found


def address(*parts: object, **query: object) -> str:
    """An address of the desk from its parts, each quoted; empty queries are left out."""
    asked = {k: v for k, v in query.items() if v not in (None, "")}
    path = "/" + "/".join(quote(str(p), safe="~") for p in parts)
    return path + (f"?{urlencode(asked)}" if asked else "")


def desk_of(request: Request) -> Desk:
    """The desk that a request came to."""
    found: Desk = request.app.state.desk
    return found


def season_of(request: Request) -> Season:
    """The season in the address. Raises LookupError."""
    return desk_of(request).shelf.season(request.path_params["season"])


def tongue_of(request: Request) -> Tongue:
    """The language that a request is answered in."""
    asked = request.cookies.get(LANGUAGE_COOKIE, "")
    chosen = asked if asked in languages() else desk_of(request).language
    return tongue(chosen or preferred(request.headers.get("accept-language", "")))


def show(request: Request, template: str, status: int = 200, **named: Any) -> Response:
    """A page of the desk."""
    desk, speak = desk_of(request), tongue_of(request)
    season: Season | None = named.get("season")
    said = SAID.get(request.query_params.get("said", ""), "")
    frame = {
        "_": speak, "lang": speak.words.code, "draft": speak.words.code != "en", "said": said and speak(said),
        "tongues": [(code, load_words(code).name) for code in languages()], "here": request.url.path, "part": "",
        "season": season, "job": current(season) if season is not None else Job(), "network": desk.network,
        "alone": desk.shelf.alone, "title": "",
    }  # fmt: skip
    return HTMLResponse(desk.pages.get_template(template).render({**frame, **named}), status)


def go(*parts: object, **query: object) -> Response:
    """On to another page of the desk, after a change."""
    return RedirectResponse(address(*parts, **query), 303)


Reader = Callable[[Request], Response]
Changer = Callable[[Request, Form], Response]


def reading(page: Reader) -> Callable[[Request], Any]:
    """A page that only shows; what cannot be shown becomes a page that says why."""

    @functools.wraps(page)
    async def answer(request: Request) -> Response:
        return await run_in_threadpool(guarded, request, lambda: page(request))

    return answer


def changing(page: Changer) -> Callable[[Request], Any]:
    """A page that a form is sent to."""

    @functools.wraps(page)
    async def answer(request: Request) -> Response:
        async with request.form(max_files=0, max_fields=MOST_FIELDS) as form:
            texts = texts_of(form)
        return await run_in_threadpool(guarded, request, lambda: page(request, texts))

    return answer


def texts_of(form: FormData) -> dict[str, list[str]]:
    """The texts of a form, by name; files are left out."""
    found: dict[str, list[str]] = {}
    for name, value in form.multi_items():
        if not isinstance(value, UploadFile):
            found.setdefault(name, []).append(value)
    return found


def one(form: Form, name: str) -> str:
    """The one text of a name; '' where there is none."""
    return (form.get(name) or [""])[0].strip()


def guarded(request: Request, page: Callable[[], Response]) -> Response:
    """What a page answers; what goes wrong on purpose becomes a page that says what to do."""
    try:
        return page()
    except LookupError:
        return trouble(request, 404, "There is nothing here", ["It may have been moved or renamed."])
    except HeldError as exc:
        return trouble(request, 409, "Something is under way", [str(exc)])
    except ChangedOutsideError as exc:
        return trouble(request, 409, "Nothing was overwritten", [str(exc), "Go back, load the page again, and repeat."])
    except InputError as exc:
        return trouble(request, 422, "This needs mending", [f.sentence() for f in exc.findings])
    except SourcingError as exc:
        return trouble(request, 422, "This cannot be done", [str(exc)])


def trouble(request: Request, status: int, heading: str, told: list[str]) -> Response:
    """A page that says what is wrong and what to do."""
    with_season: dict[str, Any] = {}
    try:
        if "season" in request.path_params:
            with_season = {"season": season_of(request)}
    except LookupError:
        pass
    return show(request, "trouble.html", status, heading=heading, told=told, **with_season)


def page_number(request: Request) -> int:
    """The page of a long table that is asked for."""
    text = request.query_params.get("page", "1")
    return int(text) if text.isdecimal() and len(text) < 7 else 1


def fresh(season: Season, text: SeasonText, name: str) -> tuple[dict[str, Any] | None, bool]:
    """What the desk kept of a season under `name`, and whether it rests on the files as they are now."""
    kept = kept_json(season.work / name)
    if not isinstance(kept, dict) or text.settings is None:
        return (kept if isinstance(kept, dict) else None), False
    return kept, kept.get("stamp") == stamp(season, text.settings, text.digest)


def season_text(season: Season) -> SeasonText:
    """The season file as it is now."""
    return read_text(season)
