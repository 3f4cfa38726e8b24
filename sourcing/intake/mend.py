"""A copy of a survey file in which one row is put right; the file as it came is never touched.

A table is copied as CSV, anything else as a GeoPackage. Headings stay as they are, so the season's columns still fit.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd

from sourcing.errors import OutputError, UsageError
from sourcing.intake.cells import as_text
from sourcing.intake.readers import TABLES, Table, read_table
from sourcing.settings import Layer

MARK = " (mended)"
LAYER = "survey"
BY_HAND = "set aside by hand"
"""What a crop's cell says in a row that a person set aside."""


def mended_name(file: str) -> str:
    """Name of the mended copy of a file; a mended copy is its own."""
    path = Path(file)
    stem = path.stem if path.stem.endswith(MARK) else path.stem + MARK
    return stem + (".csv" if path.suffix.lower() in TABLES else ".gpkg")


def read_rows(folder: Path, layer: Layer, rows: Iterable[int]) -> dict[int, dict[str, str]]:
    """The cells of some rows as text, by row and by the file's own headings. Raises UsageError for a row not there."""
    table = read_table(folder / layer.file, layer.file, layer.layer, layer.crs)
    wanted = list(dict.fromkeys(rows))
    some = table.frame.iloc[[_position(table, row) for row in wanted]]
    text = {h: as_text(some[h].reset_index(drop=True)) for h in _headings(table)}
    return {row: {h: str(cells[i]) for h, cells in text.items()} for i, row in enumerate(wanted)}


def read_row(folder: Path, layer: Layer, row: int) -> dict[str, str]:
    """The cells of one row; see :func:`read_rows`."""
    return read_rows(folder, layer, [row])[row]


def write_mended(folder: Path, layer: Layer, row: int, cells: Mapping[str, str]) -> str:
    """Writes a copy of a layer's file with some cells of one row replaced; returns its name.

    The copy lies in `folder` and is written whole or not at all. Raises UsageError for a row or heading that is not
    there, OutputError when the copy cannot be written.
    """
    table = read_table(folder / layer.file, layer.file, layer.layer, layer.crs)
    at = _position(table, row)
    frame = table.frame.copy()
    for heading, text in cells.items():
        if heading not in _headings(table):
            raise UsageError(f"there is no column '{heading}' in {layer.file}")
        frame[heading] = _replaced(frame[heading], at, text.strip())
    name = mended_name(Path(layer.file).name)
    handle, working = tempfile.mkstemp(prefix=".writing-", suffix=Path(name).suffix, dir=folder)
    os.close(handle)
    try:
        _write(frame, table, Path(working))
        Path(working).chmod(0o644)
        Path(working).replace(folder / name)
    except OSError as exc:
        raise OutputError(f"{name} cannot be written: {exc.strerror or exc}") from exc
    finally:
        Path(working).unlink(missing_ok=True)
    return name


def _position(table: Table, row: int) -> int:
    if table.numbers is None:
        if not 1 <= row <= len(table.frame):
            raise UsageError(f"there is no row {row}")
        return row - 1
    found = np.flatnonzero(table.numbers == row)
    if not len(found):
        raise UsageError(f"there is no row {row}")
    return int(found[0])


def _headings(table: Table) -> list[str]:
    shape = table.frame.geometry.name if table.has_shapes else "geometry"
    return [str(c) for c in table.frame.columns if str(c) not in (shape, "geometry_text")]


def _replaced(column: pd.Series, at: int, text: str) -> pd.Series:
    """The column with one cell replaced; it keeps its kind where the text is of that kind, else becomes text."""
    if text == "":
        kept = column.copy() if not pd.api.types.is_integer_dtype(column.dtype) else column.astype("float64")
        kept.iloc[at] = None
        return kept
    try:
        if pd.api.types.is_datetime64_any_dtype(column.dtype):
            kept = column.copy()
            kept.iloc[at] = pd.Timestamp(date.fromisoformat(text)).tz_localize(column.dt.tz)
            return kept
        if pd.api.types.is_numeric_dtype(column.dtype) and not pd.api.types.is_bool_dtype(column.dtype):
            kept = column.astype("float64")
            kept.iloc[at] = float(text.replace(",", "."))
            return kept
    except ValueError:
        pass
    words = as_text(column)
    words[at] = text
    return pd.Series(words, index=column.index, dtype=object)


def _write(frame: gpd.GeoDataFrame, table: Table, path: Path) -> None:
    if path.suffix == ".csv":
        plain = pd.DataFrame({c: as_text(frame[c]) for c in _headings(table)})
        plain.to_csv(path, index=False, encoding="utf-8")
        return
    path.unlink()
    shaped = frame.drop(columns="geometry_text", errors="ignore")
    shaped.to_file(path, layer=LAYER, driver="GPKG", engine="pyogrio")
