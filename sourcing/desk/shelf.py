"""The seasons, plans and files that a browser may name: looked up in listings, never joined from what it sends."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sourcing.errors import UsageError
from sourcing.intake.keep import RECORD_FILE, named_files
from sourcing.outputs.folder import PLANS
from sourcing.settings import SEASON_FILE, Settings

WORK = ".desk"
"""Folder in a season in which the desk keeps what it can make again; may be deleted when no desk is open."""
WHAT_IF = "what-if"
"""Folder in a season that holds its what-if seasons."""
LONGEST_NAME = 60
READ_ENDINGS = frozenset({
    ".gpkg", ".zip", ".geojson", ".json", ".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".kml", ".kmz", ".gpx", ".parquet",
    ".geoparquet", ".fgb", ".tif", ".tiff", ".shp", ".shx", ".dbf", ".prj", ".cpg", ".qix",
})  # fmt: skip
"""Endings of files that may be dropped in."""
SIDE_ENDINGS = frozenset({".shx", ".dbf", ".prj", ".cpg", ".qix"})
RASTERS = frozenset({".tif", ".tiff"})
_NAME = re.compile(r"[^\W_][\w .()+-]*", re.UNICODE)
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)


@dataclass(frozen=True)
class Season:
    """A season that the desk shows. `key` names it in addresses; a what-if season lies inside the season `base`."""

    key: str
    folder: Path
    base: Season | None = None

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name

    @property
    def root(self) -> Path:
        """The folder that every file of the season must lie in."""
        return self.folder if self.base is None else self.base.folder

    @property
    def file(self) -> Path:
        """The season file."""
        return self.folder / SEASON_FILE

    @property
    def work(self) -> Path:
        """Where the desk keeps what it can make again."""
        return self.folder / WORK

    def files(self) -> dict[str, Path]:
        """Survey files of the season by the name that the season file uses for them, in order of name."""
        found = {p.name: p for p in _entries(self.folder) if _is_survey(p, self.root)}
        if self.base is not None:
            back = os.path.relpath(self.base.folder, self.folder)
            found |= {f"{Path(back).as_posix()}/{n}": p for n, p in self.base.files().items()}
        return dict(sorted(found.items(), key=lambda item: item[0].casefold()))

    def plans(self) -> dict[str, Path]:
        """Finished plans by name, the newest first."""
        names = [p for p in _entries(self.folder / PLANS) if p.is_dir() and _inside(p, self.root)]
        return {p.name: p for p in sorted(names, reverse=True) if (p / RECORD_FILE).is_file()}

    def plan(self, name: str) -> Path:
        """A plan by its name. Raises LookupError."""
        return self.plans()[name]

    def plan_files(self, name: str) -> dict[str, Path]:
        """The files of a plan by name."""
        return {p.name: p for p in _entries(self.plan(name)) if p.is_file() and not p.is_symlink()}


@dataclass(frozen=True)
class Shelf:
    """A folder that holds seasons, or that is one."""

    home: Path

    @property
    def alone(self) -> bool:
        """Whether the folder is itself a season, and the only one."""
        return (self.home / SEASON_FILE).is_file()

    def seasons(self) -> dict[str, Season]:
        """Seasons by key, each followed by its what-if seasons."""
        folders = [self.home] if self.alone else [p for p in _entries(self.home) if _inside(p, self.home)]
        found: dict[str, Season] = {}
        for folder in sorted(folders, key=lambda p: p.name.casefold()):
            if not (folder / SEASON_FILE).is_file():
                continue
            season = Season(folder.name or "season", folder)
            found.setdefault(season.key, season)
            for inner in sorted(_entries(folder / WHAT_IF)):
                if (inner / SEASON_FILE).is_file() and _inside(inner, folder):
                    key = f"{season.key}~{inner.name}"
                    found.setdefault(key, Season(key, inner, season))
        return found

    def season(self, key: str) -> Season:
        """A season by its key. Raises LookupError."""
        return self.seasons()[key]

    def what_ifs(self, season: Season) -> list[Season]:
        """The what-if seasons of a season."""
        return [s for s in self.seasons().values() if s.base is not None and s.base.key == season.key]


def new_folder_name(text: str) -> str:
    """A name that may become a folder or a file. Raises UsageError, in words, for any other."""
    name = " ".join(text.split())
    if not name:
        raise UsageError("Give it a name.")
    if len(name) > LONGEST_NAME or not _NAME.fullmatch(name) or _RESERVED.fullmatch(name) or name.endswith("."):
        raise UsageError(
            f"A name has at most {LONGEST_NAME} letters, digits, blanks, dots, hyphens and brackets, and begins with a "
            "letter or digit."
        )
    return name


def new_file_name(text: str) -> str:
    """The name under which a file dropped in is kept: its last part only. Raises UsageError for one not taken."""
    last = text.replace("\\", "/").rsplit("/", 1)[-1].strip()
    ending = Path(last).suffix.lower()
    if ending not in READ_ENDINGS:
        known = ", ".join(sorted(READ_ENDINGS - SIDE_ENDINGS))
        raise UsageError(f"Files with the ending '{ending[:12]}' are not taken. Taken are {known}.")
    stem = re.sub(r"[^\w .()+-]", "_", last[: -len(ending)], flags=re.UNICODE).strip(" .")
    stem = re.sub(r"^[\W_]+", "", stem)[: LONGEST_NAME - len(ending)].strip(" .") or "survey"
    if _RESERVED.fullmatch(stem):
        stem = f"file {stem}"
    return stem + ending


def free_name(folder: Path, name: str) -> str:
    """`name`, or with a number where there is a file of that name already."""
    stem, ending = Path(name).stem, Path(name).suffix
    number = 1
    while (folder / name).exists():
        number += 1
        name = f"{stem} ({number}){ending}"
    return name


def names_outside(season: Season, settings: Settings, known: Iterable[str]) -> list[str]:
    """Files that settings name and that lie outside the season, but for those `known` before."""
    root = season.root.resolve()
    taken = set(known)
    names = dict.fromkeys(named_files(settings).values())
    return [n for n in names if n not in taken and not (season.folder / n).resolve().is_relative_to(root)]


def stamp(season: Season, settings: Settings, digest: str) -> dict[str, Any]:
    """What a reckoning rests on: the season file's hash, and size and time of each file it names."""
    found: dict[str, Any] = {SEASON_FILE: digest}
    for name in sorted(set(named_files(settings).values())):
        try:
            facts = (season.folder / name).stat()
            found[name] = [facts.st_size, facts.st_mtime_ns]
        except OSError:
            found[name] = None
    return found


def _entries(folder: Path) -> list[Path]:
    try:
        return [p for p in folder.iterdir() if not p.name.startswith(".") and p.name.isprintable()]
    except OSError:
        return []


def _inside(path: Path, home: Path) -> bool:
    return path.resolve().is_relative_to(home.resolve())


def _is_survey(path: Path, root: Path) -> bool:
    return path.is_file() and path.suffix.lower() in READ_ENDINGS - SIDE_ENDINGS and _inside(path, root)
