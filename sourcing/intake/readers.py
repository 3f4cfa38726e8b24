"""Reads one file of places, whatever its form, into a plain table with shapes; judges nothing that is in it.

Any vector file GDAL reads, GeoParquet, KML and KMZ, GPX, and spreadsheets and CSV with WKT, XForms geoshape text
(latitude first), or longitude and latitude columns. Hostile files (archives that blow up, XML with entities, files
that point elsewhere) are refused before they are opened, in bounded time and memory.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
import tempfile
import warnings
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow.parquet
import pyogrio
import shapely
from pyproj import CRS

from sourcing.errors import Finding, InputError
from sourcing.intake.cells import BLANK_WORDS, as_numbers, as_text, fold
from sourcing.intake.guard import MOST_UNPACKED, STAY_AT_HOME, check_before_opening, look, refuse, short

MOST_ROWS = 5_000_000
MOST_COLUMNS = 2_000
TABLES = frozenset({".csv", ".tsv", ".txt", ".xlsx", ".xlsm"})
PARQUET = frozenset({".parquet", ".geoparquet", ".pq"})
_OVER = "\x00cells beyond the heading"
_SIBLINGS = (".dbf", ".shx", ".prj", ".cpg", ".qix")


@dataclass(frozen=True)
class Table:
    """A file as read: `frame` with its own column names and, where it has shapes, a CRS; findings on the whole file.

    `frame` has a range index. `has_shapes` is False when neither the format nor any column gave a shape. `numbers`
    are the row numbers in the file (the first data row is 1) where blank rows were passed over; None: all in order.
    """

    frame: gpd.GeoDataFrame
    has_shapes: bool
    findings: tuple[Finding, ...] = ()
    numbers: npt.NDArray[np.int64] | None = None


def sha256_of(path: Path) -> str:
    """Hash of a file; of a shapefile with its sibling files; of a folder with all that is in it, names included."""
    digest = hashlib.sha256()
    if path.is_dir():
        parts = sorted(p for p in path.rglob("*") if p.is_file())
    elif path.suffix.lower() == ".shp":
        parts = sorted(p for p in path.parent.glob(f"{path.stem}.*") if p.suffix.lower() in (".shp", *_SIBLINGS))
    else:
        parts = [path]
    for part in parts:
        if len(parts) > 1:
            digest.update(part.name.encode())
        with part.open("rb") as stream:
            while block := stream.read(1 << 20):
                digest.update(block)
    return digest.hexdigest()


Box = tuple[float, float, float, float]
"""West, south, east, north [degrees]."""


def read_table(
    path: Path,
    file: str,
    layer: str = "",
    crs: str = "",
    shape_columns: Mapping[str, Sequence[str]] | None = None,
    box: Box | None = None,
) -> Table:
    """The table in a file, or in a folder of GeoParquet files; with `box`, of such a folder only what comes into it.

    `file` is its name as the user knows it; `layer` the layer or sheet, '' for the first; `crs` says the coordinate
    system of a file that does not. `shape_columns` gives the headings that may hold the 'geometry', 'lon' and 'lat'
    of a plain table. Raises InputError, with one finding, when the file cannot be read or is refused.
    """
    pyogrio.set_gdal_config_options(STAY_AT_HOME)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            check_before_opening(path, file)
            table = _read_any(path, file, layer, crs, shape_columns or {}, box)
            plain = not table.has_shapes
            table = _with_shapes(table, shape_columns or {})
            table = _with_crs(table, file, crs, plain)
        except InputError:
            raise
        except MemoryError:
            raise refuse(file, "too_big", "it does not fit into memory", "a smaller file", "split it") from None
        except Exception as exc:
            raise refuse(
                file, "unreadable", f"it cannot be read: {short(exc)}", "a file as its ending says",
                "open it in the program that made it and save it again",
            ) from exc  # fmt: skip
    notes = dict.fromkeys(short(w.message) for w in caught if not issubclass(w.category, DeprecationWarning))
    said = tuple(look(file, "reader_note", n, "a file without oddities", "check the rows it concerns") for n in notes)
    if len(table.frame) > MOST_ROWS:
        raise refuse(file, "too_big", f"{len(table.frame)} rows", f"at most {MOST_ROWS}", "split the file")
    return replace(table, findings=said + table.findings)


def _read_any(
    path: Path, file: str, layer: str, crs: str, shape_columns: Mapping[str, Sequence[str]], box: Box | None
) -> Table:
    if parts_in(path):
        return _read_parts(path, file, box)
    suffix = path.suffix.lower()
    if suffix in (".zip", ".kmz") and (inner := _only_table(path)):
        with tempfile.TemporaryDirectory() as folder:
            with zipfile.ZipFile(path) as archive, archive.open(inner) as source:
                unpacked = Path(folder) / f"table{PurePosixPath(inner).suffix.lower()}"
                with unpacked.open("wb") as target:
                    shutil.copyfileobj(source, target)
            return read_table(unpacked, f"{file} ({inner})", layer, crs, shape_columns)
    if suffix in PARQUET:
        return _read_parquet(path, file)
    if suffix in TABLES:
        return _read_plain(path, file, layer)
    if suffix == ".kml":
        return _read_layers(path, file, layer, wanted=None)
    if suffix == ".gpx":
        return _read_gpx(path, file, layer)
    return _read_vector(path, file, layer)


def _only_table(path: Path) -> str:
    """The one table in an archive that holds nothing else to read; '' for anything else, such as a shapefile.

    In a KMZ that is doc.kml, else its first KML.
    """
    names = _members(path)
    if path.suffix.lower() == ".kmz":
        found = [n for n in names if n.lower().endswith(".kml")]
        return min(found, key=lambda n: (n.lower() != "doc.kml", found.index(n)), default="")
    tables = [n for n in names if PurePosixPath(n).suffix.lower() in TABLES | PARQUET | {".kml", ".gpx"}]
    return tables[0] if len(tables) == 1 and not _vector_members(path) else ""


def _members(path: Path) -> list[str]:
    with zipfile.ZipFile(path) as archive:
        return [m.filename for m in archive.infolist() if not m.is_dir() and not m.filename.startswith("__MACOSX")]


def _vector_members(path: Path) -> list[str]:
    kinds = (".shp", ".gpkg", ".geojson", ".json", ".fgb")
    return [n for n in _members(path) if PurePosixPath(n).suffix.lower() in kinds]


def _source(path: Path, layer: str) -> str | Path:
    """What GDAL is asked to open: the file, or the vector file within an archive (the one called like the layer)."""
    if path.suffix.lower() != ".zip":
        return path
    inside = _vector_members(path)
    chosen = next((n for n in inside if PurePosixPath(n).stem == layer), inside[0] if inside else "")
    return f"/vsizip/{path.resolve()}/{chosen}"


# ------------------------------------------------------------------------------------------------------------ formats


def _read_parquet(path: Path, file: str) -> Table:
    about = pyarrow.parquet.ParquetFile(path).metadata
    unpacked = sum(about.row_group(i).total_byte_size for i in range(about.num_row_groups))
    if about.num_rows > MOST_ROWS or unpacked > MOST_UNPACKED:
        found = f"{about.num_rows} rows that unpack to {unpacked / 1e9:.1f} GB"
        raise refuse(file, "too_big", found, f"at most {MOST_ROWS} rows", "split the file")
    try:
        frame = gpd.read_parquet(path)
    except ValueError:  # a parquet file without geo metadata: a plain table
        return Table(gpd.GeoDataFrame(pd.read_parquet(path)).reset_index(drop=True), has_shapes=False)
    return Table(frame.reset_index(drop=True), has_shapes=True)


def parts_in(path: Path) -> list[Path]:
    """The GeoParquet files of a folder that holds one table in parts, in order of name; none for anything else."""
    if not path.is_dir():
        return []
    return sorted(p for p in path.iterdir() if p.suffix.lower() in PARQUET)


def part_box(path: Path) -> tuple[Box | None, int]:
    """Bounds of a GeoParquet file in its own system, where it says them, and how many rows it has."""
    about = pyarrow.parquet.ParquetFile(path).metadata
    told = json.loads((about.metadata or {}).get(b"geo", b"{}"))
    box = told.get("columns", {}).get(told.get("primary_column", ""), {}).get("bbox")
    return (tuple(box) if box and len(box) == 4 else None), about.num_rows


def _read_parts(path: Path, file: str, box: Box | None) -> Table:
    """One table out of a folder of GeoParquet files; a file that lies off the box is not opened beyond its heading.

    Rows are numbered through all files, whatever is read of them. A box needs longitude and latitude.
    """
    frames, numbers, before = [], [], 0
    for part in parts_in(path):
        bounds, rows = part_box(part)
        off = box is not None and bounds is not None and (
            bounds[2] < box[0] or bounds[0] > box[2] or bounds[3] < box[1] or bounds[1] > box[3]
        )  # fmt: skip
        if not off:
            check_before_opening(part, f"{file}/{part.name}")
            frame = _read_parquet(part, f"{file}/{part.name}").frame
            number = np.arange(before + 1, before + rows + 1, dtype=np.int64)
            if box is not None:
                if frame.crs is None or not frame.crs.is_geographic:
                    raise refuse(file, "no_box", f"its system is {frame.crs}", "longitude and latitude (EPSG:4326)",
                                 "write it in EPSG:4326")  # fmt: skip
                inside = frame.geometry.intersects(shapely.box(*box)).to_numpy()
                frame, number = frame[inside], number[inside]
            frames.append(frame)
            numbers.append(number)
        before += rows
    if not frames:
        first = _read_parquet(parts_in(path)[0], file).frame
        return Table(first.iloc[:0], has_shapes=True, numbers=np.zeros(0, dtype=np.int64))
    whole = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs=frames[0].crs)
    return Table(whole, has_shapes=True, numbers=np.concatenate(numbers))


def _read_vector(path: Path, file: str, layer: str) -> Table:
    source = _source(path, layer)
    name, findings = _choose_layer(path, file, layer)
    if path.suffix.lower() == ".zip" and not layer and len(inside := _vector_members(path)) > 1:
        found = f"it holds {', '.join(inside[:8])}; '{inside[0]}' was read"
        findings = (*findings, look(file, "many_layers", found, "one of them", "set layer under [layers]"))
    count = pyogrio.read_info(source, layer=name)["features"]
    if count > MOST_ROWS:
        raise refuse(file, "too_big", f"{count} rows", f"at most {MOST_ROWS}", "split the file")
    frame = pyogrio.read_dataframe(source, layer=name, fid_as_index=False)
    if not isinstance(frame, gpd.GeoDataFrame):
        return Table(gpd.GeoDataFrame(frame), has_shapes=False, findings=findings)
    return Table(frame, has_shapes=True, findings=findings)


def _layers(path: Path, layer: str) -> list[str]:
    return [str(n) for n, _ in pyogrio.list_layers(_source(path, layer))]


def _choose_layer(path: Path, file: str, layer: str) -> tuple[str, tuple[Finding, ...]]:
    names = _layers(path, layer)
    if layer:
        if layer not in names:
            found = f"it has no layer '{layer}'; its layers are {', '.join(names) or '(none)'}"
            raise refuse(file, "no_layer", found, "one of its layers", "set layer under [layers]")
        return layer, ()
    if not names:
        raise refuse(file, "no_layer", "it has no layer", "one layer at least", "export it again")
    if len(names) == 1:
        return names[0], ()
    found = f"it has {len(names)} layers ({', '.join(names[:8])}); '{names[0]}' was read"
    return names[0], (look(file, "many_layers", found, "one layer, or its name", "set layer under [layers]"),)


def _read_layers(path: Path, file: str, layer: str, wanted: Iterable[str] | None) -> Table:
    """All layers of a file one after another, as KML keeps one layer a folder."""
    names = _layers(path, layer)
    if layer:
        names = [_choose_layer(path, file, layer)[0]]
    elif wanted is not None:
        names = [n for n in names if n in set(wanted)]
    frames = []
    for name in names:
        frame = pyogrio.read_dataframe(path, layer=name)
        if isinstance(frame, gpd.GeoDataFrame) and len(frame):
            frames.append(frame.dropna(axis="columns", how="all").assign(folder=name))
    if not frames:
        return Table(gpd.GeoDataFrame({"geometry": gpd.GeoSeries([], crs="EPSG:4326")}), has_shapes=True)
    crs = frames[0].crs
    whole = pd.concat([pd.DataFrame(f) for f in frames], ignore_index=True)
    if "geometry" not in whole.columns:
        whole["geometry"] = None
    return Table(gpd.GeoDataFrame(whole, geometry="geometry", crs=crs), has_shapes=True)


def _read_gpx(path: Path, file: str, layer: str) -> Table:
    """Tracks and routes, each a row; points only where there is neither."""
    if layer:
        return _read_layers(path, file, layer, wanted=None)
    table = _read_layers(path, file, "", wanted=("tracks", "routes"))
    if len(table.frame) == 0:
        return _read_layers(path, file, "", wanted=("waypoints",))
    points = pyogrio.read_info(path, layer="waypoints", force_feature_count=True)["features"]
    if not points:
        return table
    found = f"beside its tracks and routes it has waypoints ({points}), which were not read"
    note = look(file, "waypoints", found, "one kind", 'nothing, or set layer = "waypoints" under [layers] for them')
    return replace(table, findings=(*table.findings, note))


def _read_plain(path: Path, file: str, sheet: str) -> Table:
    if path.suffix.lower() in (".xlsx", ".xlsm"):
        frame, findings = _read_sheet(path, file, sheet)
    else:
        frame, findings = _read_csv(path, file)
    if len(frame.columns) > MOST_COLUMNS:
        found = f"{len(frame.columns)} columns"
        raise refuse(file, "too_big", found, f"at most {MOST_COLUMNS}", "keep the columns that matter")
    # Formulas that were never worked out come as blanks; a row of nothing else is passed over, its number kept.
    filled = np.zeros(len(frame), dtype=bool)
    for name in frame.columns:
        filled |= (frame[name].notna() & (frame[name].astype(str).str.strip() != "")).to_numpy(dtype=bool)
    numbers = np.flatnonzero(filled).astype(np.int64) + 1
    body = frame[filled].reset_index(drop=True)
    return Table(gpd.GeoDataFrame(body), has_shapes=False, findings=findings, numbers=numbers)


def decode(data: bytes) -> tuple[str, str]:
    """Text of bytes and the name of the encoding: by its mark, else UTF-8, else Windows-1252, else Latin-1."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16"), "utf-16"
    for name in ("utf-8-sig", "cp1252"):
        try:
            return data.decode(name), name
        except UnicodeDecodeError:
            continue
    return data.decode("latin-1"), "latin-1"


def _read_csv(path: Path, file: str) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    findings: list[Finding] = []
    text, encoding = decode(path.read_bytes())
    if encoding not in ("utf-8-sig",):
        found = f"the text is not UTF-8; it was read as {encoding}"
        findings.append(look(file, "encoding", found, "UTF-8", "check that accents read well, or save as UTF-8"))
    if "\x00" in text:
        raise refuse(file, "unreadable", "it holds zero bytes: not a text table", "CSV text", "export it again")
    first = next((line for line in text.splitlines() if line.strip()), "")
    if first.lower().startswith("sep="):
        text = text.split("\n", 1)[1] if "\n" in text else ""
        separator = first[4:5] or ","
    else:
        separator = max(",;\t|", key=_outside_quotes(first).count)
    text = text.lstrip("\r\n")
    try:
        heading = csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True)
        names = next(heading, [])
    except csv.Error as exc:
        raise refuse(file, "unreadable", f"its heading cannot be read: {exc}", "a heading", "mend it") from exc
    if len(names) > MOST_COLUMNS:
        raise refuse(file, "too_big", f"{len(names)} columns", f"at most {MOST_COLUMNS}", "keep those that matter")
    names = [n.strip().strip("\ufeff") for n in names]
    while names and not names[-1]:
        names.pop()
    names = _unique([n or f"column {i + 1}" for i, n in enumerate(names)])
    try:
        frame = pd.read_csv(
            io.StringIO(text), sep=separator, dtype=str, keep_default_na=False, skipinitialspace=True,
            skip_blank_lines=False, header=None, skiprows=heading.line_num, names=[*names, _OVER],
        )  # fmt: skip
    except pd.errors.EmptyDataError:
        raise refuse(file, "empty_file", "it holds no row", "a heading and rows", "save it again") from None
    except (pd.errors.ParserError, csv.Error) as exc:
        raise refuse(
            file, "unreadable", f"its rows do not fit its heading: {short(exc)}", "as many cells as headings",
            "mend the line named; quote cells that hold the separator; delete lines above the headings",
        ) from exc  # fmt: skip
    over = frame.pop(_OVER)
    if not isinstance(frame.index, pd.RangeIndex):  # every row has at least two cells too many
        over = pd.Series(["…"] * len(frame))
    long = np.flatnonzero((over.notna() & (over.str.strip() != "")).to_numpy(dtype=bool)) + 1
    if len(long):
        found = f"{len(long)} rows have more cells than the heading (rows {', '.join(map(str, long[:8]))})"
        raise refuse(
            file, "unreadable", found, f"{len(names)} cells in each row",
            "quote cells that hold the separator, such as a decimal comma; delete lines above the headings",
        )  # fmt: skip
    return frame, tuple(findings)


def _outside_quotes(line: str) -> str:
    return re.sub(r'"[^"]*"', "", line)


def _read_sheet(path: Path, file: str, sheet: str) -> tuple[pd.DataFrame, tuple[Finding, ...]]:
    """The first sheet, or the one named: as many rows as have anything in them; formulas by their last value."""
    import openpyxl

    book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    try:
        if sheet and sheet not in book.sheetnames:
            found = f"it has no sheet '{sheet}'; its sheets are {', '.join(book.sheetnames)}"
            raise refuse(file, "no_layer", found, "one of its sheets", "set layer under [layers]")
        findings: list[Finding] = []
        if not sheet and len(book.sheetnames) > 1:
            found = f"it has sheets {', '.join(book.sheetnames)}; '{book.sheetnames[0]}' was read"
            findings.append(look(file, "many_layers", found, "one sheet, or its name", "set layer under [layers]"))
        rows: list[tuple[Any, ...]] = []
        blank_run = 0
        for cells in book[sheet or book.sheetnames[0]].iter_rows(values_only=True, max_col=MOST_COLUMNS):
            if not any(_filled(c) for c in cells):
                blank_run += 1
                if blank_run > 10_000:
                    break
            else:
                blank_run = 0
            rows.append(tuple(cells))
            if len(rows) > MOST_ROWS:
                raise refuse(file, "too_big", f"more than {MOST_ROWS} rows", "fewer", "split the file")
    finally:
        book.close()
    while rows and not any(_filled(c) for c in rows[-1]):
        rows.pop()
    while rows and not any(_filled(c) for c in rows[0]):
        rows.pop(0)
    if not rows:
        raise refuse(file, "empty_file", "the sheet is empty", "a heading and rows", "name the right sheet as layer")
    width = max(len(r) for r in rows)
    names = [str(c).strip() if c is not None else "" for c in rows[0]] + [""] * (width - len(rows[0]))
    unnamed = [i for i in range(width) if not names[i] and any(_filled(r[i]) for r in rows[1:] if i < len(r))]
    headings = sum(map(bool, names))
    if len(unnamed) > headings:  # a title over the table, or headings of several rows
        plural = "s" * (headings != 1)
        raise refuse(
            file, "no_headings", f"its first row has {headings} heading{plural} over {headings + len(unnamed)} columns "
            f"that hold something ({', '.join(n for n in names if n)})",
            "one row of headings, one over each column, and nothing above it",
            "delete the rows above the headings and unmerge their cells",
        )  # fmt: skip
    for i in unnamed:
        names[i] = f"column {i + 1}"
    keep = [i for i, n in enumerate(names) if n]
    body = [[r[i] if i < len(r) else None for i in keep] for r in rows[1:]]
    frame = pd.DataFrame(body, columns=_unique([names[i] for i in keep]), dtype=object)
    formulas = int(sum(frame[c].map(lambda v: isinstance(v, str) and v.startswith("=")).sum() for c in frame))
    if formulas:
        found = f"{formulas} cells hold formula text in place of a value"
        findings.append(look(file, "formula", found, "plain values", "paste the column as values"))
    return frame, tuple(findings)


def _filled(cell: object) -> bool:
    return cell is not None and str(cell).strip() != ""


def _unique(names: list[str]) -> list[str]:
    seen: dict[str, int] = {}
    out = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        out.append(name if seen[name] == 1 else f"{name}.{seen[name] - 1}")
    return out


# ------------------------------------------------------------------------------------------------------------- shapes


def _with_shapes(table: Table, columns: Mapping[str, Sequence[str]]) -> Table:
    """Shapes of a plain table: from a column of WKT or geoshape text, or from longitude and latitude columns."""
    if table.has_shapes:
        return table
    frame = pd.DataFrame(table.frame)
    folded = {fold(str(c)): c for c in reversed(list(frame.columns))}

    def heading(name: str) -> Any:
        return next((folded[fold(h)] for h in columns.get(name, ()) if fold(h) in folded), None)

    if (written := heading("geometry")) is not None:
        text = as_text(frame[written])
        shapes, bad = shapes_from_text(text)
        rest = frame.drop(columns=[written])
        found = gpd.GeoDataFrame(rest.assign(geometry_text=np.where(bad, text, "")), geometry=gpd.GeoSeries(shapes))
        return replace(table, frame=found, has_shapes=True)
    lon, lat = heading("lon"), heading("lat")
    if lon is not None and lat is not None:
        x, _ = as_numbers(frame[lon])
        y, _ = as_numbers(frame[lat])
        points = np.full(len(frame), None, dtype=object)
        there = np.isfinite(x) & np.isfinite(y)
        points[there] = shapely.points(x[there], y[there])
        return replace(table, frame=gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(points)), has_shapes=True)
    empty = np.full(len(frame), None, dtype=object)
    return replace(table, frame=gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(empty)))


_GEOSHAPE = re.compile(r"\s*-?\d+(?:\.\d+)?\s+-?\d+(?:\.\d+)?(?:\s+-?[\d.]+){0,2}\s*(?:;|$)")


def shapes_from_text(text: npt.NDArray[np.object_]) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.bool_]]:
    """Shapes from WKT, or from XForms geoshape, geotrace and geopoint text (latitude longitude altitude accuracy; …).

    Returns the shapes (None where blank or unreadable) and which cells were unreadable. XForms: an areas's last point
    equals its first, a trace's does not, and a single point is a point.
    """
    shapes = np.full(len(text), None, dtype=object)
    blank = np.array([str(t).strip().lower() in BLANK_WORDS for t in text], dtype=bool)
    geoshape = np.array([bool(_GEOSHAPE.match(str(t))) for t in text], dtype=bool) & ~blank
    wkt = ~blank & ~geoshape
    shapes[wkt] = shapely.from_wkt([_tidy_wkt(str(t)) for t in text[wkt]], on_invalid="ignore")
    shapes[geoshape] = [geoshape_to_shape(str(t)) for t in text[geoshape]]
    return shapes, np.asarray(~blank & shapely.is_missing(shapes))


def _tidy_wkt(text: str) -> str:
    return re.sub(r"^\s*SRID=\d+;", "", text, flags=re.IGNORECASE)


def geoshape_to_shape(text: str) -> Any:
    """The shape that XForms geoshape, geotrace or geopoint text draws, as longitude, latitude; None when unreadable."""
    points = []
    for part in text.strip().strip(";").split(";"):
        words = part.split()
        if not 2 <= len(words) <= 4:
            return None
        try:
            latitude, longitude = float(words[0]), float(words[1])
        except ValueError:
            return None
        points.append((longitude, latitude))
    if len(points) == 1:
        return shapely.Point(points[0])
    if len(points) >= 4 and points[0] == points[-1]:
        return shapely.Polygon(points)
    return shapely.LineString(points)


def _with_crs(table: Table, file: str, crs: str, plain: bool) -> Table:
    frame = table.frame
    if not table.has_shapes:
        return table
    if crs:
        try:
            wanted = CRS.from_user_input(crs)
        except Exception as exc:
            raise refuse(
                file, "bad_crs", f"'{crs}' is not a coordinate system: {short(exc)}", "a code such as EPSG:32644",
                "mend crs under [layers]",
            ) from exc  # fmt: skip
        if frame.crs is None:
            return replace(table, frame=frame.set_crs(wanted))
        if frame.crs != wanted:
            found = f"the file says {_crs_name(frame)}, the season says {crs}; the file was believed"
            note = look(file, "two_crs", found, "one coordinate system", "take crs out of the season file")
            return replace(table, findings=(*table.findings, note))
        return table
    if frame.crs is not None:
        return table
    xy = shapely.get_coordinates(frame.geometry.to_numpy())
    finite = xy[np.isfinite(xy).all(axis=1)]
    inside = (np.abs(finite[:, 0]) <= 180) & (np.abs(finite[:, 1]) <= 180)
    degrees = len(finite) == 0 or bool(inside.mean() > 0.5)
    if plain and degrees:
        found = "a table cannot say its coordinate system; longitude and latitude (WGS 84) were taken"
        note = look(file, "crs_assumed", found, "longitude, latitude", "set crs under [layers] if it is another")
        return replace(table, frame=frame.set_crs("EPSG:4326"), findings=(*table.findings, note))
    low, high = (finite.min(axis=0), finite.max(axis=0)) if len(finite) else (np.zeros(2), np.zeros(2))
    span = f"x {low[0]:,.0f} to {high[0]:,.0f}, y {low[1]:,.0f} to {high[1]:,.0f}"
    hint = "these look like degrees: crs = 'EPSG:4326' may be right" if degrees else "these look like metres on a grid"
    raise refuse(
        file, "no_crs", f"the file does not say its coordinate system ({span}; {hint})",
        "a coordinate system in the file, or named in the season",
        "set crs under [layers], such as 'EPSG:32644'; ask whoever made the file",
    )  # fmt: skip


def _crs_name(frame: gpd.GeoDataFrame) -> str:
    epsg = frame.crs.to_epsg() if frame.crs is not None else None
    return f"EPSG:{epsg}" if epsg else str(frame.crs.name if frame.crs is not None else "none")
