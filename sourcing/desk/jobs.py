"""Work that takes longer than a page: done in a process of its own, told of as it goes, and stopped when asked.

What is under way stands in files of the season, so that a second window, or a desk started anew, sees the same.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from sourcing.desk.shelf import Season
from sourcing.desk.store import HeldError, held, is_held, read_json, write_json

JOB_FILE = "job.json"
LOCK_FILE = "job.lock"
LOG_FILE = "job.log"
START_S = 60.0
"""A process that has not begun after this long is given up [s]."""

State = Literal["none", "starting", "running", "done", "failed", "stopped", "lost"]
AT_WORK: tuple[State, ...] = ("starting", "running")


@dataclass(frozen=True)
class Job:
    """The work a season has under way, or had last."""

    id: str = ""
    kind: str = ""
    args: dict[str, Any] = field(default_factory=dict)
    began: str = ""
    state: State = "none"
    stage: int = 0
    stages: int = 1
    doing: str = ""
    result: str = ""
    problems: tuple[str, ...] = ()
    stopping: bool = False
    spent_s: float = 0.0

    @property
    def at_work(self) -> bool:
        """Whether it is still under way."""
        return self.state in AT_WORK

    def as_dict(self) -> dict[str, Any]:
        """What a page shows of it."""
        return {
            "id": self.id, "kind": self.kind, "state": self.state, "stage": self.stage, "stages": self.stages,
            "doing": self.doing, "result": self.result, "problems": list(self.problems), "stopping": self.stopping,
            "spent_s": round(self.spent_s, 1),
        }  # fmt: skip


def job_file(folder: Path) -> Path:
    """Where a season's work is told, in the desk's own folder of it."""
    return folder / JOB_FILE


def stop_file(folder: Path, job: str) -> Path:
    """The file whose being there asks a job to stop."""
    return folder / f"stop-{job}"


def current(season: Season) -> Job:
    """The work of a season as its file tells it; 'lost' where the process ended without a word."""
    found = read_json(job_file(season.work))
    if not isinstance(found, dict):
        return Job()
    known = {k: found[k] for k in Job.__dataclass_fields__ if k in found}
    job = Job(**{**known, "problems": tuple(found.get("problems", ()))})
    spent = (datetime.now(UTC) - _moment(job.began)).total_seconds()
    if not job.at_work:
        return job
    stopping = stop_file(season.work, job.id).exists()
    lost = job.state == "running" or spent > START_S
    if lost and not is_held(season.work / LOCK_FILE):
        again = read_json(job_file(season.work)) or {}  # it may have ended between the two looks
        if again.get("id") == job.id and again.get("state") in AT_WORK:
            told = "The work ended without a word: the computer was switched off, or the process was killed. "
            return Job(**{**known, "state": "lost", "problems": (told + "Nothing was changed. Start it again.",)})
        return current(season)
    return Job(**{**known, "problems": job.problems, "stopping": stopping, "spent_s": max(spent, 0.0)})


def start(season: Season, kind: str, args: dict[str, Any]) -> Job:
    """Starts work on a season. Raises HeldError when it has some under way already."""
    with held(season.work / "start.lock"):
        if (now := current(season)).at_work or is_held(season.work / LOCK_FILE):
            raise HeldError(
                f"This season has work under way already ({now.doing or now.kind}). Wait, or stop it first."
            )
        for old in season.work.glob("stop-*"):
            old.unlink(missing_ok=True)
        name = secrets.token_hex(8)
        job = {"id": name, "kind": kind, "args": args, "began": datetime.now(UTC).isoformat(),
               "state": "starting", "doing": "Starting"}  # fmt: skip
        write_json(job_file(season.work), job)
        _spawn(season, name)
    return current(season)


def stop(season: Season, job: str) -> None:
    """Asks the job to stop; a plan under way keeps the best it has found."""
    if job == current(season).id:
        write_json(stop_file(season.work, job), True)


def wait(season: Season, seconds: float) -> Job:
    """The work of a season once it has ended, or as it is after `seconds` [s]."""
    until = time.monotonic() + seconds
    while (job := current(season)).at_work and time.monotonic() < until:
        time.sleep(0.1)
    return job


def _spawn(season: Season, job: str) -> None:
    """A process in a session of its own: it outlives this one, and Ctrl-C at the desk does not reach it."""
    apart: dict[str, Any] = {"start_new_session": True}
    if os.name == "nt":
        apart = {"creationflags": getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)}
    command = [sys.executable, "-P", "-m", "sourcing.desk.work", str(season.folder.resolve()), job]
    with (season.work / LOG_FILE).open("wb") as log:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, **apart)
    threading.Thread(target=process.wait, daemon=True).start()


def _moment(text: str) -> datetime:
    with contextlib.suppress(ValueError):
        return datetime.fromisoformat(text)
    return datetime.now(UTC)
