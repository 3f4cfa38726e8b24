"""Finished pieces on disk, and fields in folders of GeoParquet parts: what lets a large plan stop and go on.

A piece is a folder of tables that appears whole or not at all; what is there is never made again. Pieces are written
by the processes that made them, so only names travel.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow.parquet

FACTS = "facts.json"
PART_ROWS = 20_000
"""Rows of one part of a folder of parts, at most."""


def write_piece(folder: Path, name: str, tables: Mapping[str, pd.DataFrame], facts: Mapping[str, Any]) -> None:
    """Writes a piece of some tables and facts, whole or not at all. One that is there already stays."""
    folder.mkdir(parents=True, exist_ok=True)
    making = Path(tempfile.mkdtemp(prefix=".making-", dir=folder))
    try:
        for key, table in tables.items():
            table.to_parquet(making / f"{key}.parquet")
        (making / FACTS).write_text(json.dumps(facts, ensure_ascii=False), encoding="utf-8")
        with contextlib.suppress(FileExistsError, NotADirectoryError):
            if not (folder / name).exists():
                os.rename(making, folder / name)  # noqa: PTH104 - one atomic step is the point
    except OSError:
        if not (folder / name).exists():  # somebody else finished the same piece meanwhile
            raise
    finally:
        shutil.rmtree(making, ignore_errors=True)


def facts_of(folder: Path, name: str) -> dict[str, Any] | None:
    """The facts of a piece; None where it is not finished."""
    path = folder / name / FACTS
    if not path.is_file():
        return None
    found: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return found


def table_of(folder: Path, name: str, table: str) -> Any:
    """A table of a piece, with shapes where it has any."""
    path = folder / name / f"{table}.parquet"
    about = pyarrow.parquet.read_schema(path).metadata or {}
    return gpd.read_parquet(path) if b"geo" in about else pd.read_parquet(path)


def write_parts(frame: gpd.GeoDataFrame, folder: Path, name: str = "part", rows: int = PART_ROWS) -> int:
    """Writes a table into a folder of GeoParquet parts, what lies together in the same part; how many parts it made.

    Parts are ordered along a Hilbert curve and say their bounds, so that a box is read from few of them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    order = frame.hilbert_distance().to_numpy().argsort(kind="stable") if len(frame) else []
    count = 0
    for begin in range(0, len(frame), rows):
        part = frame.iloc[order[begin : begin + rows]]
        part.to_parquet(folder / f"{name}-{count:05d}.parquet", index=False, write_covering_bbox=True)
        count += 1
    return count
