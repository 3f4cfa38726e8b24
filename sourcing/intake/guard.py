"""Looks at a file before it is opened and refuses what is made to do harm, in bounded time and memory.

Archives that blow up or reach outside their folder, XML with entities, databases that work their rows out when they
are read, files that only point elsewhere. Nothing here reads a row.
"""

from __future__ import annotations

import contextlib
import re
import sqlite3
import zipfile
from pathlib import Path, PurePosixPath
from typing import Any

import defusedxml.ElementTree  # type: ignore[import-untyped]
from defusedxml.common import DefusedXmlException  # type: ignore[import-untyped]

from sourcing.errors import Finding, InputError

MOST_BYTES = 4 * 1024**3
"""Largest file read [bytes]."""
MOST_TEXT_BYTES = 1024**3
"""Largest CSV read [bytes]."""
MOST_UNPACKED = 4 * 1024**3
"""Largest unpacked size of an archive [bytes]."""
MOST_RATIO = 200
"""Largest unpacked size over packed size of an archive member bigger than :data:`RATIO_FROM`."""
RATIO_FROM = 50 * 1024**2
MOST_MEMBERS = 10_000
XML = frozenset({".kml", ".gpx", ".gml", ".xml"})
STAY_AT_HOME = {
    "GML_DOWNLOAD_SCHEMA": "NO",
    "GDAL_HTTP_PROXY": "http://127.0.0.1:9",
    "GDAL_HTTP_CONNECTTIMEOUT": "1",
    "GDAL_HTTP_TIMEOUT": "1",
    "GDAL_HTTP_MAX_RETRY": "0",
}
"""Settings of GDAL that keep a file from making it ask the network for anything."""
_POINTERS = (b"<OGRVRTDataSource", b"<VRTDataset", b"<GDAL_WMS", b"<OGRWFSDataSource", b'"gdal_streamed_alg"')


def refuse(file: str, what: str, found: str, expected: str, remedy: str) -> InputError:
    """An error about a whole file, ready to be raised."""
    return InputError([Finding("refused", file, None, what, found, expected, remedy)])


def look(file: str, what: str, found: str, expected: str, remedy: str) -> Finding:
    """A finding about a whole file that does not stop the work."""
    return Finding("look", file, None, what, found, expected, remedy)


def short(message: object) -> str:
    """A message on one line, cut when it is long."""
    text = " ".join(str(message).split())
    return text if len(text) <= 200 else text[:200] + "…"


def check_before_opening(path: Path, file: str) -> None:
    """Refuses what is not there, too big, an archive that blows up or reaches out, XML with entities, or a pointer.

    Raises InputError. Costs at most one pass over the file, in constant memory.
    """
    if not path.exists():
        raise refuse(
            file, "no_file", f"there is no such file in {path.parent}", "a file there", "check the name under [layers]"
        )
    if path.is_dir():
        parts = any(p.suffix.lower() in (".parquet", ".geoparquet", ".pq") for p in path.iterdir())
        if path.suffix.lower() != ".gdb" and not parts:
            raise refuse(
                file, "no_file", "it is a folder", "a file, or a folder of GeoParquet files", "name a file in it"
            )
        return
    size = path.stat().st_size
    if size == 0:
        raise refuse(file, "empty_file", "the file is empty (0 bytes)", "a table of rows", "save it again")
    if size > MOST_BYTES:
        raise refuse(file, "too_big", f"{size / 1e9:.1f} GB", f"at most {MOST_BYTES / 1e9:.1f} GB", "split the file")
    with path.open("rb") as stream:
        head = stream.read(4096)
    if path.suffix.lower() == ".vrt" or any(p in head for p in _POINTERS):
        raise refuse(file, "pointer", "it only points to other files", "the data itself", "name the file with the data")
    if head[:4] == b"PK\x03\x04" or path.suffix.lower() in (".zip", ".kmz", ".xlsx", ".xlsm", ".ods"):
        _check_archive(path, file)
    elif path.suffix.lower() in XML:
        with path.open("rb") as stream:
            _check_xml(stream, file)
    elif head.startswith(b"SQLite format 3\x00"):
        _check_database(path, file)
    if path.suffix.lower() in (".csv", ".tsv", ".txt") and size > MOST_TEXT_BYTES:
        found = f"a text table of {size / 1e9:.1f} GB"
        raise refuse(file, "too_big", found, f"at most {MOST_TEXT_BYTES / 1e9:.1f} GB", "save it as GeoParquet")


def _check_archive(path: Path, file: str) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            members = archive.infolist()
            if len(members) > MOST_MEMBERS:
                found = f"{len(members)} files inside"
                raise refuse(file, "zip_bomb", found, f"at most {MOST_MEMBERS}", "pack only the survey")
            total = sum(m.file_size for m in members)
            if total > MOST_UNPACKED:
                found = f"it unpacks to {total / 1e9:.1f} GB"
                raise refuse(file, "zip_bomb", found, f"at most {MOST_UNPACKED / 1e9:.1f} GB", "do not use this file")
            for m in members:
                name = m.filename.replace("\\", "/")
                if name.startswith("/") or ".." in PurePosixPath(name).parts or re.match(r"[A-Za-z]:", name):
                    found = f"it holds a file named '{short(name)}' that would land outside its folder"
                    raise refuse(file, "path_trick", found, "plain names inside", "do not use this file")
                if m.file_size > RATIO_FROM and m.file_size > MOST_RATIO * max(m.compress_size, 1):
                    found = f"'{short(name)}' unpacks to {m.file_size / max(m.compress_size, 1):.0f} times its size"
                    raise refuse(file, "zip_bomb", found, f"at most {MOST_RATIO} times", "do not use this file")
                if m.flag_bits & 1:
                    raise refuse(file, "locked", "it asks for a password", "no password", "save it without one")
            for m in members:
                if m.filename.lower().endswith((".kml", ".xml", ".rels")):
                    with archive.open(m) as stream:
                        _check_xml(stream, f"{file} ({short(m.filename)})")
    except zipfile.BadZipFile as exc:
        raise refuse(
            file, "unreadable", f"the archive is damaged: {short(exc)}", "a whole archive", "send it again"
        ) from exc


def _check_database(path: Path, file: str) -> None:
    """Refuses tables that are worked out when read (views, virtual tables): they can run for ever."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as book:
            named = {r[0] for r in book.execute("select table_name from gpkg_contents")}
            made = {
                r[0]
                for r in book.execute("select name, type, sql from sqlite_master where type in ('view', 'table')")
                if r[1] == "view" or str(r[2]).lower().lstrip().startswith("create virtual")
            }
    except sqlite3.Error:
        return  # no GeoPackage, or a damaged one: the reader says so
    if both := sorted(named & made):
        found = f"its layer '{short(both[0])}' is worked out when read (a view)"
        raise refuse(file, "pointer", found, "stored rows", "export the layer to a new file")


def _check_xml(stream: Any, file: str) -> None:
    """Reads XML through once, keeping nothing, with document types and entities forbidden."""
    try:
        depth = 0
        for event, element in defusedxml.ElementTree.iterparse(stream, events=("start", "end"), forbid_dtd=True):
            if event == "start":
                depth += 1
                if depth > 200:
                    raise refuse(file, "xml_bomb", "elements nested over 200 deep", "a plain file", "do not use it")
            else:
                depth -= 1
                element.clear()
    except DefusedXmlException as exc:
        raise refuse(
            file, "xml_bomb", "it declares a document type or entities", "plain XML", "do not use this file"
        ) from exc
    except defusedxml.ElementTree.ParseError as exc:
        raise refuse(
            file, "unreadable", f"the XML is damaged: {short(exc)}", "whole XML", "export the file again"
        ) from exc
