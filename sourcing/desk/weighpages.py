"""Pages that ask of a finished plan: what more would be worth, and a picture of any of its weeks."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import FileResponse, Response

from sourcing.desk import jobs, views
from sourcing.desk.front import Form, changing, go, one, reading, season_of
from sourcing.desk.shelf import Season
from sourcing.desk.store import digest, kept_json
from sourcing.desk.work import chart_file, weighed_file
from sourcing.errors import UsageError
from sourcing.intake.keep import RECORD_FILE
from sourcing.outputs.tables import LAYERS_FILE
from sourcing.outputs.weekpicture import scene_from, week_of, write_week_picture

WORTH = "worth"
"""The side of a plan that tells what more would be worth."""
MOST_OTHERS = 5


def weighed_of(season: Season, plan: str) -> dict[str, Any] | None:
    """What was found when this plan was weighed, as it is now; None when it was not."""
    found = kept_json(weighed_file(season.work, plan))
    if not isinstance(found, dict) or found.get("sha256") != digest(season.plan(plan) / RECORD_FILE):
        return None
    return found


@changing
def start_weighing(request: Request, form: Form) -> Response:
    """Has a plan weighed as `sourcing weigh` does, in a process of its own."""
    season, name = season_of(request), request.path_params["plan"]
    season.plan(name)
    others = one(form, "others") or "0"
    if not (others.isdecimal() and int(others) <= MOST_OTHERS):
        raise UsageError(f"Ask for at most {MOST_OTHERS} other plans.")
    jobs.start(season, "weigh", {"plan": name, "curve": bool(one(form, "curve")), "others": int(others)})
    return go("s", season.key, "work")


@reading
def chart(request: Request) -> Response:
    """The curve of barrels as a picture."""
    season, name = season_of(request), request.path_params["plan"]
    season.plan(name)
    path = chart_file(season.work, name)
    if not path.is_file() or not (weighed_of(season, name) or {}).get("chart"):
        raise LookupError(name)
    if request.query_params.get("take"):
        return FileResponse(path, media_type="application/octet-stream", filename=f"barrels-{name}.png")
    return FileResponse(path, media_type="image/png")


@reading
def week_picture(request: Request) -> Response:
    """One week of a plan as a picture to take away, as `sourcing picture` draws it."""
    season, name = season_of(request), request.path_params["plan"]
    plan = season.plan(name)
    scene = scene_from(views.record_of(plan), plan / LAYERS_FILE)
    week = week_of(scene.calendar, request.query_params.get("week", ""))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"week-{scene.calendar.label(week)}.png"
        write_week_picture(scene, week, path)
        return Response(path.read_bytes(), media_type="image/png",
                        headers={"content-disposition": f'attachment; filename="{path.name}"'})  # fmt: skip
