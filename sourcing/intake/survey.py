"""The files of a season as raw tables: every format as it is, the user's columns under our names, file and row kept.

Judges nothing that is in a row; what a file as a whole lacks (the file itself, a column, a coordinate system) is told
for all files at once.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rapidfuzz import process

from sourcing.errors import Finding, InputError
from sourcing.intake.cells import as_numbers, as_text, fold
from sourcing.intake.guard import refuse
from sourcing.intake.readers import Box, read_table, sha256_of
from sourcing.settings import Layer, Settings


@dataclass(frozen=True)
class Column:
    """A column that a survey layer may have: our `name`, what it holds, and other names it is known by."""

    layer: str
    name: str
    meaning: str
    type: str
    """shape, text, number, share, date, yes_no or area."""
    unit: str
    needed: bool
    example: str
    also: tuple[str, ...]
    also_units: Mapping[str, str]
    """Unit of an other name, where it is not `unit`."""


@dataclass(frozen=True)
class RawLayer:
    """One file as read. `frame` has our column names, `row` (the first data row is 1) and the file's own CRS."""

    name: str
    file: str
    sha256: str
    rows: int
    frame: gpd.GeoDataFrame
    units: Mapping[str, str] = field(default_factory=dict)
    """Unit of a column, as the season or the heading says it."""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class Survey:
    """All files of a season as read."""

    fields: RawLayer
    villages: RawLayer | None = None
    paths: RawLayer | None = None
    places: RawLayer | None = None
    barriers: RawLayer | None = None
    workshop: RawLayer | None = None
    waste_points: RawLayer | None = None
    gates: RawLayer | None = None
    no_go: tuple[RawLayer, ...] = ()
    background: tuple[RawLayer, ...] = ()
    climate: pd.DataFrame | None = None
    elevation: Path | None = None
    inputs: tuple[dict[str, Any], ...] = ()
    """Each file: path, sha256, rows."""
    findings: tuple[Finding, ...] = ()
    """What is odd about a file as a whole."""


@cache
def schema() -> tuple[Column, ...]:
    """The columns a survey may have, layer by layer, from data/schema.csv."""
    text = resources.files("sourcing").joinpath("data/schema.csv").read_text(encoding="utf-8")
    return tuple(
        Column(
            r["layer"], r["name"], r["meaning"], r["type"], r["unit"], r["needed"] == "yes", r["example"],
            tuple(a.split("=")[0] for a in r["also"].split("|") if a),
            {fold(a.split("=")[0]): a.split("=")[1] for a in r["also"].split("|") if "=" in a},
        )
        for r in csv.DictReader(text.splitlines())
    )  # fmt: skip


def columns_of(layer: str) -> dict[str, Column]:
    """The columns of one layer by our name; empty for a layer without a list."""
    return {c.name: c for c in schema() if c.layer == layer}


def read_survey(folder: Path, settings: Settings, fields: RawLayer | None = None) -> Survey:
    """Reads every file the season names. Raises InputError with every fault of every file at once.

    With `fields` given, that layer is not read.
    """
    faults: list[Finding] = []
    inputs: list[dict[str, Any]] = []
    notes: list[Finding] = []

    def take(kind: str, layer: Layer | None) -> RawLayer | None:
        if layer is None:
            return None
        try:
            raw = read_layer(folder, kind, layer)
        except InputError as exc:
            faults.extend(exc.findings)
            return None
        inputs.append(_source(folder, layer.file, raw.sha256, raw.rows))
        notes.extend(raw.findings)
        return raw

    layers = settings.layers
    single = {
        kind: fields if kind == "fields" and fields is not None else take(kind, getattr(layers, kind))
        for kind in ("fields", "villages", "paths", "places", "barriers", "workshop", "waste_points", "gates")
    }
    no_go = tuple(raw for layer in layers.no_go if (raw := take("no_go", layer)) is not None)
    background = tuple(raw for layer in layers.background if (raw := take("background", layer)) is not None)
    climate = _read_climate(folder, layers.climate, faults, inputs) if layers.climate else None
    elevation = _find_elevation(folder, layers.elevation, faults, inputs) if layers.elevation else None
    surveyed = single.pop("fields")
    if faults or surveyed is None:
        raise InputError(faults)
    return Survey(
        fields=surveyed, no_go=no_go, background=background, climate=climate, elevation=elevation,
        inputs=tuple(inputs), findings=tuple(notes), **single,
    )  # fmt: skip


def _source(folder: Path, file: str, sha256: str, rows: int) -> dict[str, Any]:
    """What the record keeps of an input. `modified` is the file's own day; files out of `inputs.zip` have none."""
    day = datetime.fromtimestamp((folder / file).stat().st_mtime).date()
    known = {"modified": day.isoformat()} if day.year > _UNDATED_YEAR else {}
    return {"path": file, "sha256": sha256, "rows": rows, **known}


def _read_climate(folder: Path, file: str, faults: list[Finding], inputs: list[dict[str, Any]]) -> pd.DataFrame | None:
    try:
        table = read_table(folder / file, file)
    except InputError as exc:
        faults.extend(exc.findings)
        return None
    frame = pd.DataFrame(table.frame).drop(columns="geometry", errors="ignore")
    inputs.append(_source(folder, file, sha256_of(folder / file), len(frame)))
    return frame


def _find_elevation(folder: Path, file: str, faults: list[Finding], inputs: list[dict[str, Any]]) -> Path | None:
    path = folder / file
    if not path.is_file():
        error = refuse(
            file, "no_file", f"there is no such file in {path.parent}", "a raster there", "check layers.elevation"
        )
        faults.extend(error.findings)
        return None
    inputs.append(_source(folder, file, sha256_of(path), 0))
    return path


def read_layer(folder: Path, kind: str, layer: Layer, box: Box | None = None) -> RawLayer:
    """One file of a season: `kind` is the layer's name in the season file. Raises InputError with every fault of it.

    With `box` it may be a folder of GeoParquet files, of which only what comes into the box is read; its hash is then
    left out.
    """
    path = folder / layer.file
    known = columns_of(kind)
    wanted = _shape_headings(layer, known)
    table = read_table(path, layer.file, layer.layer, layer.crs, wanted, box)
    faults: list[Finding] = []
    frame = table.frame
    theirs = [str(c) for c in frame.columns if c != frame.geometry.name]
    names = _match(layer, kind, theirs, known, faults, shaped=table.has_shapes)
    renamed = _rename(frame, names, known, keep_rest=kind != "fields")
    numbers = table.numbers if table.numbers is not None else np.arange(1, len(frame) + 1, dtype=np.int64)
    renamed["row"] = numbers
    for name, value in layer.fixed.items():
        if known and kind == "fields" and name not in known:
            faults.append(_unknown_name(layer.file, f"fixed.{name}", name, known))
        renamed[name] = value
    notes = table.findings
    if kind == "fields" and {"lon", "lat", "field_id"} <= set(renamed.columns) and not faults:
        corners, renamed = renamed, areas_from_corners(renamed)
        if len(renamed) < len(corners):
            notes = (*notes, *_corners_left_out(layer.file, corners))
    has_shapes = table.has_shapes and "geometry" in renamed.columns
    missed = {ours for ours in layer.columns if ours in known and ours not in renamed.columns}  # told already
    faults += _lacking(
        layer.file, kind, {n: c for n, c in known.items() if n not in missed}, renamed, theirs, has_shapes
    )
    if len(renamed) == 0 and kind == "fields" and box is None:
        faults += refuse(layer.file, "empty_file", "it holds no row", "one field at least", "check the file").findings
    if faults:  # that another sheet or layer was not read may be why
        raise InputError([*faults, *(note for note in notes if note.what == "many_layers")])
    units = {ours: unit for heading, ours in names.items() if (unit := _unit(heading, known.get(ours)))}
    units |= dict(layer.units)
    digest = sha256_of(path) if box is None else ""
    return RawLayer(kind, layer.file, digest, len(renamed), renamed, units, notes)


def _shape_headings(layer: Layer, known: Mapping[str, Column]) -> dict[str, tuple[str, ...]]:
    """Headings that may hold shapes in a plain table: the one that the season names, else the usual ones."""
    return {
        name: (layer.columns[name],) if name in layer.columns else (name, *(known[name].also if name in known else ()))
        for name in ("geometry", "lon", "lat")
    }


def _match(
    layer: Layer, kind: str, theirs: list[str], known: Mapping[str, Column], faults: list[Finding], shaped: bool
) -> dict[str, str]:
    """Their heading to our name: first what the season says, then our own names and the usual other ones."""
    names: dict[str, str] = {}
    folded = {fold(t): t for t in reversed(theirs)}
    for ours, heading in layer.columns.items():
        if kind == "fields" and ours not in known:
            faults.append(_unknown_name(layer.file, f"columns.{ours}", ours, known))
            continue
        if ours == "geometry" and shaped and heading not in theirs:
            continue  # already read as the shape
        found = heading if heading in theirs else folded.get(fold(heading), "")
        if not found:
            near = [m[0] for m in process.extract(heading, theirs, limit=3, score_cutoff=60)]
            hint = f"; the nearest are {', '.join(near)}" if near else ""
            columns = ", ".join(theirs[:40]) + ("…" if len(theirs) > 40 else "")
            faults += refuse(
                layer.file, "missing_column", f"there is no column '{heading}' for {ours}; columns are {columns}{hint}",
                f"the column that holds {known[ours].meaning if ours in known else ours}",
                f"mend {ours} under [layers.{kind}.columns]",
            ).findings  # fmt: skip
        elif found in names:
            found_text = f"column '{found}' is named for both {names[found]} and {ours}"
            faults += refuse(
                layer.file, "one_column_twice", found_text, "each column once", f"mend [layers.{kind}.columns]"
            ).findings
        else:
            names[found] = ours
    taken = set(names.values()) | set(layer.fixed)
    for ours, column in known.items():
        if ours in taken or (ours == "geometry" and shaped):
            continue
        for heading in (ours, *column.also):
            found = folded.get(fold(heading), "")
            if found and found not in names:
                names[found] = ours
                break
    return names


def _unknown_name(file: str, option: str, name: str, known: Mapping[str, Column]) -> Finding:
    near = [m[0] for m in process.extract(name, list(known), limit=2, score_cutoff=60)]
    hint = f"; the nearest are {', '.join(near)}" if near else ""
    return Finding(
        "refused", file, None, "unknown_option", f"the season's {option} is no column of ours{hint}",
        f"one of {', '.join(known)}", "see: sourcing settings columns",
    )  # fmt: skip


def _rename(
    frame: gpd.GeoDataFrame, names: Mapping[str, str], known: Mapping[str, Column], keep_rest: bool
) -> gpd.GeoDataFrame:
    plain = {str(c): c for c in frame.columns}
    columns: dict[str, Any] = {ours: frame[plain[theirs]].reset_index(drop=True) for theirs, ours in names.items()}
    if keep_rest:
        for heading, original in plain.items():
            if heading not in names and heading not in columns and heading not in ("row", frame.geometry.name):
                columns[heading] = frame[original].reset_index(drop=True)
    if "geometry_text" in frame.columns:
        columns["geometry_text"] = frame["geometry_text"].reset_index(drop=True)
    columns.pop("geometry", None)
    shapes = frame.geometry.to_numpy()
    return gpd.GeoDataFrame(pd.DataFrame(columns, index=pd.RangeIndex(len(frame))), geometry=shapes, crs=frame.crs)


def _lacking(
    file: str, kind: str, known: Mapping[str, Column], frame: gpd.GeoDataFrame, theirs: list[str], has_shapes: bool
) -> list[Finding]:
    out: list[Finding] = []
    columns = ", ".join(theirs[:40]) or "(none)"
    for name, column in known.items():
        if not column.needed:
            continue
        if name == "geometry":
            if not has_shapes and not (kind == "fields" and "area_stated" in frame.columns):
                out += refuse(
                    file, "no_shapes", f"no row has a shape, and no column of shapes was found; columns are {columns}",
                    "a spatial file, or a table with WKT, geoshape text, or longitude and latitude",
                    f"name the column: geometry = \"…\" under [layers.{kind}.columns]",
                ).findings  # fmt: skip
        elif name not in frame.columns:
            out += refuse(
                file, "missing_column", f"no column says {column.meaning}; columns are {columns}",
                f"a column for {name}, or the same for all rows",
                f"map one: {name} = \"their name\" under [layers.{kind}.columns]; "
                f"or {name} = \"…\" under [layers.{kind}.fixed]; if the survey does not have it yet, add it there",
            ).findings  # fmt: skip
    return out


_UNDATED_YEAR = 1980
"""The year of files out of an archive that keeps no days."""
_BRACKETED = re.compile(r"[(\[]\s*([^)\]]+?)\s*[)\]]\s*$")


def _unit(heading: str, column: Column | None) -> str:
    """The unit in a heading such as 'Area (acre)' or 'yield [kg/ha]', or known of its name; '' when there is none."""
    match = _BRACKETED.search(heading)
    return match[1] if match else (column.also_units.get(fold(heading), "") if column is not None else "")


def areas_from_corners(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Fields from rows of corners: the rows of a field_id, in order, become one area, told of by its first row.

    A table in which no field_id comes back, or that has areas already, is left as it is.
    """
    ids = as_text(frame["field_id"])
    codes, unique = pd.factorize(pd.Series(ids, dtype=object))
    named = np.array([u != "" for u in unique] or [True], dtype=bool)
    counts = np.bincount(codes, minlength=len(unique))
    kinds = shapely.get_type_id(frame.geometry.to_numpy())
    if not len(frame) or not (counts[named] > 1).any() or not np.isin(kinds, (-1, 0)).all():
        return frame
    lon, _ = as_numbers(frame["lon"])
    lat, _ = as_numbers(frame["lat"])
    first = np.full(len(unique), -1, dtype=np.int64)
    position = np.arange(len(frame))
    first[codes[::-1]] = position[::-1]
    order = np.argsort(codes, kind="stable")
    order = order[np.isfinite(lon[order]) & np.isfinite(lat[order])]
    pieces = np.split(order, np.flatnonzero(np.diff(codes[order])) + 1) if len(order) else []
    shapes = np.full(len(unique), None, dtype=object)
    for piece in pieces:
        xy = np.column_stack([lon[piece], lat[piece]])
        if len(piece) >= 3:
            shapes[codes[piece[0]]] = shapely.Polygon(xy)
        elif len(piece) == 2:
            shapes[codes[piece[0]]] = shapely.LineString(xy)
        else:
            shapes[codes[piece[0]]] = shapely.Point(xy[0])
    whole = frame.iloc[first].reset_index(drop=True).set_geometry(gpd.GeoSeries(shapes, crs=frame.crs))
    # A row without a field_id belongs to no field: each stays a row of its own, without a shape.
    if named.all():
        return whole
    loose = frame[ids == ""].reset_index(drop=True)
    blank = gpd.GeoSeries(np.full(len(loose), None, dtype=object), crs=frame.crs)
    joined = pd.concat([whole[named], loose.set_geometry(blank)], ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=frame.crs)


def _corners_left_out(file: str, frame: gpd.GeoDataFrame) -> list[Finding]:
    """Corners whose longitude or latitude is no number: each is told at the first row of its field."""
    ids = as_text(frame["field_id"])
    rows = frame["row"].to_numpy()
    first = pd.Series(rows).groupby(ids).transform("min").to_numpy()
    found = []
    for name in ("lon", "lat"):
        _, bad = as_numbers(frame[name])
        text = as_text(frame[name])
        found += [
            Finding(
                "mended", file, int(first[i]), "bad_corner",
                f"in row {rows[i]} {name} is '{text[i]}'; that corner was left out", "degrees as a number, such as "
                "30.5125", "write degrees with decimals, or walk the boundary again", ids[i],
            )
            for i in np.flatnonzero(bad & (ids != ""))
        ]  # fmt: skip
    return found
