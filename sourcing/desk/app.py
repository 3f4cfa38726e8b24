"""The desk as a server on this machine: its addresses, its gate, and how it is opened."""

from __future__ import annotations

import contextlib
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, Response
from starlette.routing import Route

from sourcing.desk import historypages, planpages, settingspages, surveypages, weighpages
from sourcing.desk.front import (
    LANGUAGE_COOKIE,
    Desk,
    Form,
    changing,
    go,
    one,
    reading,
    show,
    trouble,
)  # fmt: skip
from sourcing.desk.gate import KEY, App, Gate
from sourcing.desk.shelf import Shelf
from sourcing.errors import UsageError
from sourcing.outputs.fonts import PAGE_FAMILY, SCRIPTS, Script, face_css, script_faces
from sourcing.outputs.maps import leaflet_text
from sourcing.words import languages

ASSETS = {"desk.css": "text/css", "desk.js": "text/javascript", "choose.js": "text/javascript"}
LEAFLET = {"leaflet.js": "text/javascript", "leaflet.css": "text/css"}
LETTERS = "letters.css"
KEPT = {"cache-control": "private, max-age=3600"}
LOOPBACK = "127.0.0.1"
SECRET_BYTES = 32


@reading
def help_page(request: Request) -> Response:
    """Help in plain words."""
    return show(request, "help.html", part="help")


@changing
def choose_language(request: Request, form: Form) -> Response:
    """Keeps the language of the desk in this browser."""
    code, back = one(form, "language"), one(form, "back")
    if code not in languages():
        raise LookupError(code)
    safe = back.startswith("/") and not back.startswith(("//", "/\\"))
    answer = go() if not safe else Response(status_code=303, headers={"location": back.split("?")[0]})
    answer.set_cookie(LANGUAGE_COOKIE, code, httponly=True, samesite="strict", max_age=365 * 24 * 3600)
    return answer


async def asset(request: Request) -> Response:
    """A file of the desk's own: style, script."""
    name = request.path_params["name"]
    if name in ASSETS:
        return Response(_asset(name), media_type=f"{ASSETS[name]}; charset=utf-8")
    if name in LEAFLET:
        return Response(leaflet_text(name), media_type=f"{LEAFLET[name]}; charset=utf-8", headers=KEPT)
    if name == LETTERS:
        return Response(_letters(), media_type="text/css; charset=utf-8", headers=KEPT)
    if name in _letter_files():
        return FileResponse(_letter_files()[name][2], media_type="font/ttf", headers=KEPT)
    return HTMLResponse("", 404)


@cache
def _letter_files() -> dict[str, tuple[Script, str, Path]]:
    """Font files of scripts that this machine may not have, as they are, by the name under which they are asked for.

    A browser fetches one only for a page that has letters of its script.
    """
    return {
        f"{script.name}-{number}{path.suffix}": (script, weight, path)
        for script in SCRIPTS
        for number, (weight, path) in enumerate(script_faces(script))
    }  # fmt: skip


@cache
def _letters() -> str:
    """Style rules for the letters of `_letter_files`."""
    found = _letter_files()
    # a family a script: faces of one family but of different weights would hide each other
    family = {script.name: f"{PAGE_FAMILY} {script.name}" for script, _, _ in found.values()}
    css = "".join(face_css(s, weight, f"/assets/{name}", family[s.name]) for name, (s, weight, _) in found.items())
    families = "".join(f'"{name}",' for name in family.values())
    return f"{css}:root{{--letters:{families}system-ui}}\n"


@cache
def _asset(name: str) -> str:
    return (files("sourcing") / "web" / "desk" / name).read_text(encoding="utf-8")


async def _nothing_here(request: Request, exc: Exception) -> Response:
    return trouble(request, 404, "There is nothing here", ["Go back, or begin at the list of seasons."])


async def _not_taken(request: Request, exc: Exception) -> Response:
    return trouble(request, 400, "That could not be read", [f"At most {20} files, or a form of the desk, are taken."])


async def _too_large(request: Request, exc: Exception) -> Response:
    return trouble(request, 413, "That is too large", [str(getattr(exc, "detail", ""))])


async def _our_fault(request: Request, exc: Exception) -> Response:
    told = ["This is a fault of ours, not of yours. Nothing that was saved is lost.", f"{type(exc).__name__}: {exc}"]
    return trouble(request, 500, "That went wrong", told)


def _get(path: str, page: Callable[..., object]) -> Route:
    return Route(path, page, methods=["GET"])


def _post(path: str, page: Callable[..., object]) -> Route:
    return Route(path, page, methods=["POST"])


def routes() -> list[Route]:
    """Every address of the desk."""
    s, survey, settings, plan = "/s/{season}", surveypages, settingspages, planpages
    return [
        _get("/", survey.seasons),
        _post("/new", survey.new_season),
        _get("/help", help_page),
        _post("/language", choose_language),
        _get("/assets/{name}", asset),
        _get(f"{s}/survey", survey.survey),
        _post(f"{s}/files", survey.take_files),
        _get(f"{s}/survey/{{role}}", survey.layer),
        _post(f"{s}/survey/{{role}}", survey.save_layer),
        _post(f"{s}/survey/{{role}}/look", survey.look_into),
        _get(f"{s}/findings", survey.findings),
        _post(f"{s}/check", survey.check),
        _get(f"{s}/row/{{row}}", survey.row),
        _post(f"{s}/row/{{row}}", survey.save_row),
        _post(f"{s}/crop-words", survey.crop_words),
        _get(f"{s}/send-back.xlsx", survey.send_back),
        _get(f"{s}/file", survey.season_file),
        _post(f"{s}/file", survey.save_season_file),
        _get(f"{s}/settings/{{page}}", settings.settings),
        _post(f"{s}/settings/{{page}}", settings.save_settings),
        _get(f"{s}/figures", settings.figures),
        _post(f"{s}/figures", settings.save_figures),
        _get(f"{s}/choose", settings.choose),
        _post(f"{s}/choose", settings.save_choice),
        _get(f"{s}/land.json", settings.land),
        _post(f"{s}/land", settings.draw_land),
        _post(f"{s}/close", settings.close),
        _get(f"{s}/findings.json", survey.findings_on_map),
        _get(f"{s}/accepted", historypages.accepted),
        _post(f"{s}/accept", historypages.accept_survey),
        _post(f"{s}/undo", historypages.undo_survey),
        _get(f"{s}/plan", plan.run),
        _post(f"{s}/plan", plan.start_run),
        _get(f"{s}/work", plan.work),
        _get(f"{s}/job.json", plan.job_state),
        _post(f"{s}/stop", plan.stop_run),
        _get(f"{s}/plans/{{plan}}", plan.plan),
        _get(f"{s}/plans/{{plan}}/week.png", weighpages.week_picture),
        _get(f"{s}/plans/{{plan}}/barrels.png", weighpages.chart),
        _post(f"{s}/plans/{{plan}}/weigh", weighpages.start_weighing),
        _get(f"{s}/plans/{{plan}}/{{tab}}", plan.plan),
        _get(f"{s}/plans/{{plan}}/files/{{file}}", plan.plan_file),
        _get(f"{s}/compare", plan.compare),
        _post(f"{s}/compare", plan.start_compare),
        _get(f"{s}/compared/{{name}}", plan.compared),
        _get(f"{s}/compared/{{name}}/{{file}}", plan.compared_file),
        _get(f"{s}/what-if", plan.what_if),
        _post(f"{s}/what-if", plan.new_what_if),
        _post(f"{s}/adopt", plan.adopt),
    ]


def pages(desk: Desk) -> Starlette:
    """The desk's pages, without a gate before them."""
    app = Starlette(
        routes=routes(),
        exception_handlers={404: _nothing_here, 405: _nothing_here, 400: _not_taken, 413: _too_large, 500: _our_fault},
    )
    app.router.redirect_slashes = False
    app.state.desk = desk
    return app


def guarded_pages(desk: Desk, secret: str, hosts: frozenset[str], cookie: str = "desk") -> App:
    """The desk's pages behind their gate."""
    return Gate(pages(desk), secret, hosts, cookie)


@dataclass(frozen=True)
class Opened:
    """A desk about to be served: the address that opens it, and where it listens."""

    address: str
    others: tuple[str, ...]
    """Addresses for other machines of the network, where that was asked for."""
    server: uvicorn.Server
    listener: socket.socket

    def serve(self) -> None:
        """Serves until it is stopped."""
        self.server.run(sockets=[self.listener])


def open_desk(folder: Path, *, port: int = 0, language: str = "", network: bool = False) -> Opened:
    """Makes the desk of a folder ready to serve, on this machine only unless `network`.

    Raises UsageError when there is no such folder, or the port is taken.
    """
    if not folder.is_dir():
        raise UsageError(f"there is no folder {folder}: make it (empty is enough), or name the one with your seasons")
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.bind(("0.0.0.0" if network else LOOPBACK, port))
    except OSError as exc:
        raise UsageError(f"port {port} is in use: leave --port out, or choose another") from exc
    chosen = listener.getsockname()[1]
    secret = secrets.token_urlsafe(SECRET_BYTES)
    machines = _addresses() if network else ()
    names = (LOOPBACK, "localhost", *machines)
    hosts = frozenset(f"{name}:{chosen}" for name in names)
    desk = Desk(Shelf(folder.resolve()), language, network)
    app = guarded_pages(desk, secret, hosts, f"desk_{chosen}")
    config = uvicorn.Config(app, log_level="warning", access_log=False, server_header=False, date_header=True,
                            limit_concurrency=64, timeout_keep_alive=20, lifespan="off")  # fmt: skip
    address = f"http://{{}}:{chosen}/?{KEY}={secret}"
    return Opened(
        address.format(LOOPBACK), tuple(address.format(m) for m in machines), uvicorn.Server(config), listener
    )


def _addresses() -> tuple[str, ...]:
    """Addresses of this machine in its networks (IPv4)."""
    found = []
    with contextlib.suppress(OSError):
        found = [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return tuple(dict.fromkeys(a for a in found if not a.startswith("127.")))


def show_in_browser(address: str) -> None:
    """Opens the desk in the browser of this machine, without waiting for it."""
    threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
