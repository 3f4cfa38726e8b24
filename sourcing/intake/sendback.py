"""What was found, as tables for people: all findings, a short summary, where they lie, and a file to send back.

The file to send back holds the rows that need a hand, as they were written, with what was found and an empty column
for the right word; text in it stays text, whatever it begins with.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import xlsxwriter

from sourcing.errors import Finding, OutputError
from sourcing.intake.cells import as_text
from sourcing.intake.survey import RawLayer, columns_of

GRADES = ("refused", "set_aside", "mended", "look")
"""From the gravest to the lightest."""
TABLE_COLUMNS = ("grade", "file", "row", "field_id", "what", "found", "expected", "remedy")
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_ROWS_NAMED = 8


def findings_table(findings: Iterable[Finding]) -> pd.DataFrame:
    """All findings as a table, the gravest first, then by file and row; `row` is empty for a whole file."""
    frame = pd.DataFrame([f.as_dict() for f in findings], columns=list(TABLE_COLUMNS))
    frame["row"] = frame["row"].astype("Int64")
    order = frame["grade"].map({g: i for i, g in enumerate(GRADES)})
    frame = frame.assign(order=order).sort_values(["order", "file", "row", "what"], kind="stable", na_position="first")
    return frame.drop(columns="order").reset_index(drop=True)


def summary(findings: Iterable[Finding]) -> list[str]:
    """One line for each kind of finding of each file: how many rows, the first of them, one example, what to do."""
    groups: dict[tuple[int, str, str], list[Finding]] = {}
    for f in findings:
        groups.setdefault((GRADES.index(f.grade), f.file, f.what), []).append(f)
    lines = []
    for (grade, file, what), members in sorted(groups.items()):
        first = members[0]
        if first.row is None and len(members) == 1:
            lines.append(f"{GRADES[grade].replace('_', ' ')}: {first.sentence()}")
            continue
        rows = list(dict.fromkeys(str(f.row) for f in members if f.row is not None))  # a row may have several
        named = ", ".join(rows[:_ROWS_NAMED]) + ("…" if len(rows) > _ROWS_NAMED else "")
        count = f"{len(rows)} row{'s' if len(rows) > 1 else ''} ({named})" if rows else f"{len(members)} times"
        kind = what.replace("_", " ")
        lines.append(
            f"{GRADES[grade].replace('_', ' ')}: {file}: {kind}: {count}, such as: {first.found}. To do: {first.to_do}"
        )
    return lines


def findings_places(raw: RawLayer, findings: Iterable[Finding]) -> gpd.GeoDataFrame:
    """The findings on rows of a layer that have a usable place, as points (EPSG:4326) with the findings' columns."""
    table = findings_table(f for f in findings if f.file == raw.file and f.row is not None)
    shapes = gpd.GeoSeries(shapely.force_2d(raw.frame.geometry.to_numpy()), crs=raw.frame.crs)
    if raw.frame.crs is not None:
        shapes = shapes.to_crs("EPSG:4326")
    middle = shapely.centroid(shapes.to_numpy())
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    with np.errstate(invalid="ignore"):
        good = np.isfinite(x) & np.isfinite(y) & (np.abs(x) <= 180) & (np.abs(y) <= 90)
    place = pd.Series(np.where(good, middle, None), index=raw.frame["row"].to_numpy())
    points = place.reindex(table["row"].astype("int64").to_numpy()).to_numpy()
    found = gpd.GeoDataFrame(table, geometry=points, crs="EPSG:4326")
    return found[~found.geometry.isna()].reset_index(drop=True)


def to_send_back(raw: RawLayer, findings: Iterable[Finding]) -> pd.DataFrame:
    """The rows of a layer that need a hand, as they were written: one line a row, all its findings in it.

    Columns: row, then the survey's own columns as text, then needs ('set aside', 'mended' or 'look'), found, to_do,
    and an empty `correction`.
    """
    chosen = [f for f in findings if f.file == raw.file and f.row is not None]
    if not chosen:
        return pd.DataFrame(columns=["row", "needs", "found", "to_do", "correction"])
    by_row: dict[int, list[Finding]] = {}
    for f in chosen:
        by_row.setdefault(int(f.row or 0), []).append(f)
    rows = sorted(by_row)
    known = [c for c in columns_of(raw.name) if c in raw.frame.columns and c != "geometry"]
    written = raw.frame.set_index("row")[known].reindex(rows)
    out = pd.DataFrame({"row": rows})
    for name in known:
        out[name] = as_text(written[name].reset_index(drop=True))
    gravest = [min(by_row[r], key=lambda f: GRADES.index(f.grade)).grade for r in rows]
    out["needs"] = [g.replace("_", " ") for g in gravest]
    out["found"] = ["; ".join(dict.fromkeys(f.found for f in by_row[r])) for r in rows]
    out["to_do"] = ["; ".join(dict.fromkeys(f.remedy for f in by_row[r])) for r in rows]
    out["correction"] = ""
    return out


def safe_csv(frame: pd.DataFrame) -> str:
    """CSV text in which no cell is taken for a formula by a spreadsheet: such cells get a leading apostrophe."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([_tame(c) for c in frame.columns])
    for row in frame.itertuples(index=False):
        writer.writerow([_tame(v) for v in row])
    return stream.getvalue()


def _tame(value: object) -> object:
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    text = str(value)
    if isinstance(value, str) and text.startswith(_FORMULA_STARTS):
        return "'" + text
    return value


def write_findings(path: Path, findings: Iterable[Finding]) -> None:
    """Writes all findings as a table in CSV. Raises OutputError when it cannot."""
    try:
        path.write_text(safe_csv(findings_table(findings)), encoding="utf-8-sig", newline="")
    except OSError as exc:
        raise OutputError(f"{path} could not be written: {exc.strerror or exc}") from exc


def write_send_back(path: Path, raw: RawLayer, findings: Iterable[Finding]) -> int:
    """Writes the file to send back as a spreadsheet; returns its number of rows. Raises OutputError when it cannot."""
    frame = to_send_back(raw, findings)
    try:
        with path.open("wb") as stream, xlsxwriter.Workbook(stream, {"in_memory": True}) as book:
            sheet = book.add_worksheet("to correct")
            bold, wrap = book.add_format({"bold": True}), book.add_format({"text_wrap": True, "valign": "top"})
            for c, name in enumerate(frame.columns):
                sheet.write_string(0, c, str(name), bold)
                sheet.set_column(c, c, 60 if name in ("found", "to_do") else 16, wrap)
            for r, row in enumerate(frame.itertuples(index=False), start=1):
                for c, value in enumerate(row):
                    if isinstance(value, int | np.integer):
                        sheet.write_number(r, c, int(value))
                    else:
                        sheet.write_string(r, c, str(value))
            sheet.freeze_panes(1, 1)
    except OSError as exc:
        raise OutputError(f"{path} could not be written: {exc}") from exc
    return len(frame)
