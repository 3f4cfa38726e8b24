"""Plan folders: each plan is written into a new folder that appears whole or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sourcing.errors import OutputError

PLANS = "plans"
UNFINISHED = ".unfinished-"
ABANDONED_S = 24 * 3600.0
"""An unfinished folder that nothing was written into for so long was left by a run that was killed [s]."""


@dataclass
class PlanFolder:
    """A plan folder in the making: `work` is written into; `final` is known once it is published."""

    work: Path
    final: Path


@contextlib.contextmanager
def new_plan_folder(season: Path, made_at: datetime) -> Iterator[PlanFolder]:
    """Yields a folder to write into, which takes its final name only when all is written.

    When the work inside fails or is interrupted, nothing is left behind. Two runs at once never share a folder:
    the later one gets the next free name. Raises OutputError in words when the season folder cannot be written to.
    """
    plans = season / PLANS
    try:
        plans.mkdir(exist_ok=True)
        work = Path(tempfile.mkdtemp(prefix=UNFINISHED, dir=plans))
        _clear_away(plans, work.stat().st_mtime)
    except OSError as exc:
        raise OutputError(f"cannot write into {plans}: {exc.strerror}. Choose a folder that you may write to.") from exc
    target = PlanFolder(work, work)
    try:
        yield target
        target.final = _publish(work, plans, made_at)
    except OSError as exc:
        raise OutputError(f"the plan could not be written into {plans}: {exc.strerror or exc}") from exc
    finally:
        shutil.rmtree(work, ignore_errors=True)


def _clear_away(plans: Path, now: float) -> None:
    """Removes what killed runs left behind; what a run may still be writing into stays."""
    for left in plans.glob(f"{UNFINISHED}*"):
        with contextlib.suppress(OSError):
            if now - left.stat().st_mtime > ABANDONED_S:
                shutil.rmtree(left, ignore_errors=True)


def latest_plan(season: Path) -> Path | None:
    """The newest finished plan of a season, by name; None when there is none."""
    found = sorted(p for p in (season / PLANS).glob("[0-9]*") if p.is_dir())
    return found[-1] if found else None


def _publish(work: Path, plans: Path, made_at: datetime) -> Path:
    stem = made_at.strftime("%Y-%m-%d-%H%M%S")
    work.chmod(0o755)
    for number in range(1, 1000):
        target = plans / (stem if number == 1 else f"{stem}-{number}")
        if target.exists():
            continue
        with contextlib.suppress(FileExistsError):
            os.rename(work, target)  # noqa: PTH104 - one atomic step is the point
            return target
    raise OutputError(f"there are a thousand plans called {stem} in {plans}")
