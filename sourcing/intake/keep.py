"""What a plan was made from, kept beside it as `inputs.zip`, so that it can be made again; and plans read back.

Unpacked, the archive is a season folder that plans by itself: season.toml, the season's own figures, every file it
names. Files that lie outside the season folder are packed under `elsewhere/`, and season.toml names them there; a plan
made from the fields of today has their history with it. The same inputs give the same archive, byte for byte.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path, PurePosixPath
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import pyogrio
import tomlkit

from sourcing.errors import InputError, UsageError
from sourcing.intake.book import HISTORY_FILE, history_place, open_history
from sourcing.intake.guard import check_before_opening, refuse, short
from sourcing.intake.history import snapshot
from sourcing.intake.readers import sha256_of
from sourcing.settings import SEASON_FILE, Layer, Settings, parse_settings, read_settings

INPUTS_FILE = "inputs.zip"
RECORD_FILE = "plan.json"
LAYERS_FILE = "plan.gpkg"
ELSEWHERE = "elsewhere"
BYTES_A_MB = 1_000_000
_BORN = (1980, 1, 1, 0, 0, 0)
_SIDES = (
    ".shx", ".dbf", ".prj", ".cpg", ".qpj", ".sbn", ".sbx", ".qix", ".shp.xml", ".tfw", ".wld", ".jgw", ".pgw", ".hdr",
    ".ovr", ".msk", ".aux.xml", ".csvt", ".dat", ".map", ".id", ".ind", ".mid", "-wal",
)  # fmt: skip
"""Endings of files that belong to another of the same name: a shapefile's parts, a raster's place, a table's types."""

Place = tuple[str | int, ...]
"""Where in season.toml a file is named, such as ('layers', 'no_go', 0, 'file')."""


def named_files(settings: Settings) -> dict[Place, str]:
    """Every file a season names, by where it names it."""
    found: dict[Place, str] = {}
    for kind in type(settings.layers).model_fields:
        named = getattr(settings.layers, kind)
        if isinstance(named, Layer):
            found["layers", kind, "file"] = named.file
        elif isinstance(named, list):
            found |= {("layers", kind, i, "file"): layer.file for i, layer in enumerate(named)}
        elif named:
            found["layers", kind] = named
    if settings.values_file:
        found["values_file",] = settings.values_file
    return found


def keep_inputs(
    folder: Path, settings: Settings, inputs: Iterable[Mapping[str, Any]], path: Path,
    fields_from: Mapping[str, Any] = MappingProxyType({}),
) -> str:  # fmt: skip
    """Packs what a plan was made from into the archive `path`. Returns '' when done, else in words why it was not.

    `settings`, `inputs` (path and sha256 of each file, as the survey read them) and `fields_from` (the fields' source)
    are what the plan was made with: a season that changed in the meantime is not kept.
    """
    choice = settings.outputs
    if not choice.keep_inputs:
        return "outputs.keep_inputs is false"
    text = (folder / SEASON_FILE).read_text(encoding="utf-8-sig")
    try:
        changed = parse_settings(text) != settings
    except InputError:
        changed = True
    if changed:
        return f"{SEASON_FILE} was changed while the plan was made"
    for known in inputs:
        source = folder / str(known["path"])
        if not source.exists() or sha256_of(source) != known["sha256"]:
            return f"{known['path']} was changed while the plan was made"
    names = named_files(settings)
    inside = _places_inside(folder, names.values())
    packed = {
        (PurePosixPath(inside[name]).parent / part.relative_to((folder / name).parent).as_posix()).as_posix(): part
        for name in names.values()
        for part in _parts(folder / name)
    }
    size = sum(part.stat().st_size for part in packed.values())
    if size > choice.keep_most_mb * BYTES_A_MB:
        return f"{size / BYTES_A_MB:,.0f} MB are more than outputs.keep_most_mb = {choice.keep_most_mb:g}"
    moved = {at: inside[name] for at, name in names.items() if inside[name] != name}
    if fields_from.get("from") != "history":
        _pack(path, _renamed(text, moved), packed)
        return ""
    if settings.history.database:
        moved["history", "database"] = ""
    with tempfile.TemporaryDirectory(prefix="sourcing-") as place:
        copy = Path(place) / HISTORY_FILE
        with open_history(history_place(folder, settings)) as book:
            if not snapshot(book, fields_from, copy):
                return "the history was changed while the plan was made"
        _pack(path, _renamed(text, moved), {**packed, HISTORY_FILE: copy})
    return ""


def _places_inside(folder: Path, names: Iterable[str]) -> dict[str, str]:
    """Each file's name in the archive: its own where it lies in the season folder, else under ELSEWHERE."""
    home = Path(os.path.normpath(folder.absolute()))
    found: dict[str, str] = {}
    outside: dict[Path, int] = {}
    for name in names:
        whole = Path(os.path.normpath(home / name))
        if whole.is_relative_to(home):
            found[name] = whole.relative_to(home).as_posix()
        else:
            number = outside.setdefault(whole.parent, len(outside) + 1)
            found[name] = f"{ELSEWHERE}/{number}/{whole.name}"
    return found


def _parts(path: Path) -> list[Path]:
    """The file, the files that belong to it by their name, or all files of a folder."""
    if path.is_dir():
        return sorted(p for p in path.rglob("*") if p.is_file())
    beside = [
        p
        for p in path.parent.glob(f"{_plain(path.stem)}*")
        if p.is_file()
        and any(p.name.lower() == (own + end).lower() for own in (path.stem, path.name) for end in _SIDES)
    ]
    return [path, *sorted(beside)]


def _plain(name: str) -> str:
    """A file name for `glob`, its special signs taken as they are."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def _renamed(text: str, moved: Mapping[Place, str]) -> str:
    """The season file with some of its file names put right; all else, comments too, as it was."""
    if not moved:
        return text
    document = tomlkit.parse(text)
    for at, name in moved.items():
        table: Any = document
        for key in at[:-1]:
            table = table[key]
        table[at[-1]] = name
    return tomlkit.dumps(document)


def _pack(path: Path, season: str, packed: Mapping[str, Path]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(_member(SEASON_FILE), season.encode())
        for name in sorted(packed):
            with packed[name].open("rb") as source, archive.open(_member(name), "w", force_zip64=True) as target:
                shutil.copyfileobj(source, target, 1 << 20)


def _member(name: str) -> zipfile.ZipInfo:
    member = zipfile.ZipInfo(name, _BORN)
    member.compress_type = zipfile.ZIP_DEFLATED
    member.create_system = 3
    member.external_attr = 0o644 << 16
    return member


def unpack_inputs(archive: Path, folder: Path) -> None:
    """Unpacks kept inputs into an empty folder. Raises InputError for an archive that is damaged or reaches outside."""
    check_before_opening(archive, archive.name)
    try:
        with zipfile.ZipFile(archive) as packed:
            packed.extractall(folder)
    except (zipfile.BadZipFile, EOFError, OSError) as exc:
        raise refuse(
            archive.name, "unreadable", f"the archive is damaged: {short(exc)}", "a whole archive", "plan again"
        ) from exc
    home = folder.resolve()
    for name in named_files(read_settings(folder)).values():
        if not (home / name).resolve().is_relative_to(home):
            raise refuse(
                archive.name, "path_trick", f"its season.toml names '{short(name)}', which lies outside it",
                "files inside the archive", "do not use this plan folder",
            )  # fmt: skip


@contextlib.contextmanager
def kept_season(plan: Path) -> Iterator[Path | None]:
    """The season that a plan was made from, unpacked for as long as the block lasts; None when it was not kept."""
    archive = plan / INPUTS_FILE
    if not archive.exists():
        yield None
        return
    with tempfile.TemporaryDirectory(prefix="sourcing-") as folder:
        unpack_inputs(archive, Path(folder))
        yield Path(folder)


def read_record(plan: Path) -> dict[str, Any]:
    """The record of a plan folder. Raises UsageError, in words, for what is no plan folder."""
    path = plan / RECORD_FILE
    if not plan.exists():
        raise UsageError(f"there is no plan folder {plan}")
    if not path.is_file():
        hint = "" if not (plan / SEASON_FILE).exists() else f"; it is a season: name a folder under {plan / 'plans'}"
        raise UsageError(f"{plan} is no plan folder: it holds no {RECORD_FILE}{hint}")
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
    except (ValueError, OSError) as exc:
        raise UsageError(f"{path} cannot be read: {short(exc)}. Plan the season again.") from exc
    lacking = [k for k in ("settings", "weeks", "totals", "solve", "villages", "sites", "carries") if k not in record] \
        if isinstance(record, dict) else ["everything"]  # fmt: skip
    if lacking:
        raise UsageError(f"{path} is not a plan's record: it lacks {', '.join(lacking)}")
    return dict(record)


def fields_of_plan(plan: Path) -> gpd.GeoDataFrame:
    """The fields of a plan folder as its layers have them (EPSG:4326, index field_id); without yields and days.

    Raises UsageError when the plan folder has no such layer.
    """
    path = plan / LAYERS_FILE
    if not path.is_file():
        raise UsageError(f"{plan} does not hold its layers ({LAYERS_FILE}). Plan the season again.")
    try:
        frame = gpd.read_file(path, layer="fields", engine="pyogrio")
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as exc:
        raise UsageError(f"{path} cannot be read. Plan the season again.") from exc
    return frame.set_index("field_id")
