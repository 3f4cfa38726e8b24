"""Files changed safely: written whole or not at all, known by their hash, and held by one process at a time."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
import tempfile
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from sourcing.errors import OutputError, UsageError


class HeldError(UsageError):
    """Another window or process is at work on the same thing."""


def digest(path: Path) -> str:
    """SHA-256 of a file in hexadecimal; '' where there is none."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def write_whole(path: Path, data: bytes) -> None:
    """Writes a file so that a reader sees the old one or the new one, and a killed process leaves the old one.

    Raises OutputError in words when it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".writing-", dir=path.parent)
    except OSError as exc:
        raise OutputError(f"{path.name} cannot be written: {exc.strerror or exc}") from exc
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        if path.exists():
            Path(name).chmod(path.stat().st_mode & 0o777)
        else:
            Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as exc:
        raise OutputError(f"{path.name} cannot be written: {exc.strerror or exc}") from exc
    finally:
        Path(name).unlink(missing_ok=True)


def write_json(path: Path, value: Any) -> None:
    """A plain value as a JSON file, written whole."""
    write_whole(path, json.dumps(value, ensure_ascii=False, allow_nan=False).encode("utf-8"))


def read_json(path: Path) -> Any:
    """A JSON file; None where there is none or it cannot be read."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


@contextlib.contextmanager
def held(path: Path, wait_s: float = 5.0) -> Iterator[None]:
    """Holds the lock `path` as long as the block lasts; it falls open when the process ends, however it ends.

    Raises HeldError when another holds it for longer than `wait_s` [s].
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with contextlib.closing(sqlite3.connect(path, timeout=wait_s, isolation_level=None)) as book:
        try:
            book.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as exc:
            raise HeldError("another window or command is at work on this season; wait until it is done") from exc
        yield


def is_held(path: Path) -> bool:
    """Whether another process holds the lock `path` now."""
    if not path.exists():
        return False
    try:
        with held(path, 0.0):
            return False
    except HeldError:
        return True


def kept_json(path: Path) -> Any:
    """A JSON file that is asked for often, read again only when it has changed; not to be changed by the caller."""
    try:
        facts = path.stat()
    except OSError:
        return None
    return _kept_json(path, facts.st_mtime_ns, facts.st_size)


@lru_cache(maxsize=12)
def _kept_json(path: Path, changed_ns: int, size: int) -> Any:
    return read_json(path)
