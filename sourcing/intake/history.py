"""The surveys of a season, kept one after another in one file, and the fields of today from all of them.

Each accepted survey is kept unchanged: when, who, the file itself with its hash, every clean field. The fields of
today are the newest word on each field: what a newer survey says of a field (the same, redrawn, split, merged; or that
nothing can be had from it) stands in place of what was said before; fields it does not speak of stay. The last survey
can be undone. Everything is written in transactions: a killed run leaves the file as it was.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sourcing.errors import Finding, InputError, OutputError, UsageError
from sourcing.intake.fields import Fields
from sourcing.intake.ledger import ASIDE_COLUMNS
from sourcing.intake.lineage import COLUMNS, match_fields
from sourcing.intake.survey import Survey

HISTORY_FILE = "history.sqlite"
_APPLICATION = 0x5352_4348
_VERSION = 1
_PART_BYTES = 64 * 1024**2
_WAIT_S = 10.0
SAYS_NOTHING_LEFT = frozenset(
    {"not_a_crop", "no_consent", "unclear_consent", "nothing_promised", "nothing_grown", "no_figures"}
)
"""Reasons to set a row aside that are a word on the field: what was known of it before no longer holds."""
_SCHEMA = """
create table surveys (
    id integer primary key, accepted_at text not null, who text not null, note text not null, file text not null,
    sha256 text not null, rows integer not null, kept integer not null, mended integer not null,
    set_aside integer not null, complete integer not null, undone_at text not null default '', undone_by text not null
    default ''
);
create table parts (sha256 text not null, name text not null, part integer not null, data blob not null,
    primary key (sha256, name, part));
create table records (
    survey integer not null references surveys (id), field_id text not null, row integer not null,
    village text not null, crop text not null, area_ha real not null, yield_t_ha real, harvest_start text not null,
    harvest_end text not null, clear_by text, share_promised real not null, estimated integer not null,
    placed integer not null, mended integer not null, shape blob not null, until integer references surveys (id),
    primary key (survey, field_id)
);
create table villages (survey integer not null references surveys (id), village text not null, name text not null,
    lon real not null, lat real not null, primary key (survey, village));
create table lineage (survey integer not null references surveys (id), old text not null, new text not null,
    relation text not null, share_old real not null, share_new real not null, changes text not null);
create index lineage_survey on lineage (survey);
"""
_COLUMNS = (
    "field_id", "row", "village", "crop", "area_ha", "yield_t_ha", "harvest_start", "harvest_end", "clear_by",
    "share_promised", "estimated", "placed", "mended", "shape",
)  # fmt: skip


@dataclass(frozen=True)
class Accepted:
    """One survey of the history. `at`: when it was accepted (ISO 8601); `undone_at`: '' while it counts."""

    id: int
    at: str
    who: str
    note: str
    file: str
    sha256: str
    rows: int
    kept: int
    mended: int
    set_aside: int
    complete: bool
    undone_at: str
    undone_by: str


@contextlib.contextmanager
def open_history(path: Path) -> Iterator[sqlite3.Connection]:
    """Opens the history, making it when it is not there. Raises InputError or OutputError in clear words."""
    with _clear_words(path):
        book = sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)
        try:
            _prepare(book, path)
            yield book
        finally:
            book.close()


@contextlib.contextmanager
def _clear_words(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.DatabaseError as exc:
        text = str(exc).lower()
        if "locked" in text or "busy" in text:
            raise OutputError(f"{path} is in use by another run; wait until it has ended, and try again") from exc
        if "readonly" in text or "unable to open" in text:
            raise OutputError(f"{path} cannot be written; is the folder there, and may you write in it?") from exc
        if "full" in text or "disk i/o" in text:
            raise OutputError(f"{path} cannot be written: the disk is full or failing; nothing was changed") from exc
        if "not a database" in text or "malformed" in text:
            raise InputError(
                [
                    Finding(
                        "refused", path.name, None, "history_damaged", f"the history cannot be read: {exc}",
                        "the history file of this season", "put back a copy, or move the file away to begin anew",
                    )
                ]
            ) from exc  # fmt: skip
        raise


def _prepare(book: sqlite3.Connection, path: Path) -> None:
    book.execute("pragma foreign_keys = on")
    book.execute("pragma synchronous = full")
    (application,) = book.execute("pragma application_id").fetchone()
    (version,) = book.execute("pragma user_version").fetchone()
    (tables,) = book.execute("select count(*) from sqlite_master").fetchone()
    if application == 0 and tables == 0:
        with _transaction(book):
            (again,) = book.execute("select count(*) from sqlite_master").fetchone()
            if again == 0:
                for statement in _SCHEMA.split(";"):
                    book.execute(statement)
                book.execute(f"pragma application_id = {_APPLICATION}")
                book.execute(f"pragma user_version = {_VERSION}")
    elif application != _APPLICATION or version > _VERSION:
        found = (
            "it is another kind of file"
            if application != _APPLICATION
            else f"it was made by a newer version ({version})"
        )
        raise InputError(
            [
                Finding(
                    "refused", path.name, None, "history_strange", found, f"a history of version {_VERSION}",
                    "use the version that made it, or move the file away to begin anew",
                )
            ]
        )  # fmt: skip


@contextlib.contextmanager
def _transaction(book: sqlite3.Connection) -> Iterator[None]:
    book.execute("begin immediate")
    try:
        yield
    except BaseException:
        if book.in_transaction:
            book.execute("rollback")
        raise
    book.execute("commit")


def surveys(book: sqlite3.Connection) -> tuple[Accepted, ...]:
    """All surveys ever accepted, the oldest first, those undone among them."""
    names = ("id", "at", "who", "note", "file", "sha256", "rows", "kept", "mended", "set_aside",
             "complete", "undone_at",
             "undone_by")  # fmt: skip
    query = "select " + ", ".join("accepted_at" if n == "at" else n for n in names) + " from surveys order by id"
    found = (dict(zip(names, r, strict=True)) for r in book.execute(query))
    return tuple(Accepted(**{**f, "complete": bool(f["complete"])}) for f in found)


def accept(
    book: sqlite3.Connection, survey: Survey, fields: Fields, folder: Path, at: datetime, who: str, note: str = "",
    complete: bool = False,
) -> pd.DataFrame:  # fmt: skip
    """Takes a survey into the history and returns what it changed (see :func:`sourcing.intake.lineage.match_fields`).

    `at` is the time, `who` the person or machine that accepts. With `complete` the survey speaks of all fields there
    are: fields it does not have are gone. Without, they stay as they were. Raises InputError when the very same file
    was accepted already and not undone.
    """
    raw = survey.fields
    with _transaction(book):
        for before in surveys(book):
            if before.sha256 == raw.sha256 and not before.undone_at:
                raise InputError([_twice(raw.file, before)])
        old = fields_today(book)
        matches = match_fields(old.frame, fields.frame)
        (last,) = book.execute("select coalesce(max(id), 0) from surveys").fetchone()
        number = int(last) + 1
        counts = fields.counts
        book.execute(
            "insert into surveys (id, accepted_at, who, note, file, sha256, rows, kept, mended, set_aside, complete) "
            "values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (number, at.isoformat(timespec="seconds"), who, note, raw.file, raw.sha256, counts["rows"], counts["kept"],
             counts["mended"], counts["set_aside"], int(complete)),
        )  # fmt: skip
        _keep_file(book, folder / raw.file, raw.sha256)
        replaced = set(matches.old[matches.relation != "gone"]) - {""}
        gone = set(matches.old[matches.relation == "gone"])
        over = gone if complete else gone & _withdrawn(survey, fields, old.frame.loc[sorted(gone)])
        matches = matches[(matches.relation != "gone") | matches.old.isin(over)].reset_index(drop=True)
        _close(book, number, sorted(replaced | over), old.frame)
        _keep_fields(book, number, fields, taken=set(old.frame.index) - replaced - over)
        book.executemany(
            "insert into lineage values (?, ?, ?, ?, ?, ?, ?)",
            ((number, *row) for row in matches[COLUMNS].itertuples(index=False)),
        )
    return matches


def _twice(file: str, before: Accepted) -> Finding:
    return Finding(
        "refused", file, None, "accepted_already",
        f"this very file was accepted on {before.at} by {before.who or 'someone'} (survey {before.id})",
        "a survey that is new", "nothing, if that is the one you mean; else name the newer file",
    )  # fmt: skip


def _withdrawn(survey: Survey, fields: Fields, old: gpd.GeoDataFrame) -> set[str]:
    """Old fields of which a row set aside by this survey says that nothing is to be had; by shape, else by name."""
    told_all = fields.set_aside["kinds"].str.split().map(lambda kinds: not SAYS_NOTHING_LEFT.isdisjoint(kinds))
    aside = fields.set_aside[told_all.astype(bool)]
    if len(aside) == 0 or len(old) == 0:
        return set()
    raw = survey.fields.frame.set_index("row").loc[aside["row"].to_numpy()]
    shapes = gpd.GeoSeries(shapely.force_2d(raw.geometry.to_numpy()), crs=raw.crs)
    shapes = (shapes.to_crs("EPSG:4326") if raw.crs is not None else shapes).to_numpy()
    good = ~shapely.is_missing(shapes) & np.isin(shapely.get_type_id(shapes), (3, 6)) & shapely.is_valid(shapes)
    told = gpd.GeoDataFrame(
        {"crop": "", "village": ""}, geometry=shapes[good], crs="EPSG:4326", index=np.flatnonzero(good)
    )
    found: set[str] = set()
    if len(told):
        matches = match_fields(old.assign(village="", crop=""), told.rename(index=lambda i: f"\x00{i}"))
        found = set(matches.old[matches.relation.isin(["same", "changed", "redrawn", "merged"])])
    names = set(aside["field_id"]) - {""}
    return found | (names & set(old.index))


def _close(book: sqlite3.Connection, number: int, ids: list[str], old: gpd.GeoDataFrame) -> None:
    chosen = old.loc[ids, ["survey", "recorded_as"]] if len(ids) else old.iloc[:0][["survey", "recorded_as"]]
    book.executemany(
        "update records set until = ? where survey = ? and field_id = ?",
        ((number, int(s), str(i)) for s, i in chosen.itertuples(index=False)),
    )


def _keep_fields(book: sqlite3.Connection, number: int, fields: Fields, taken: set[str]) -> None:
    frame = fields.frame
    text = {c: frame[c].dt.strftime("%Y-%m-%d").astype(object) for c in ("harvest_start", "harvest_end", "clear_by")}
    clear = [None if pd.isna(v) else v for v in text["clear_by"]]
    yields = [None if np.isnan(v) else float(v) for v in frame["yield_t_ha"]]
    columns = (
        frame.index.astype(str), frame["row"].astype(int).tolist(), frame["village"], frame["crop"],
        frame["area_ha"].tolist(), yields, text["harvest_start"], text["harvest_end"], clear,
        frame["share_promised"].tolist(), frame["estimated"].astype(int).tolist(), frame["placed"].astype(int).tolist(),
        frame["mended"].astype(int).tolist(), shapely.to_wkb(frame.geometry.to_numpy()),
    )  # fmt: skip
    marks = ", ".join("?" * (len(_COLUMNS) + 1))
    book.executemany(
        f"insert into records (survey, {', '.join(_COLUMNS)}) values ({marks})",
        ((number, *row) for row in zip(*columns, strict=True)),
    )
    places = fields.villages
    book.executemany(
        "insert into villages values (?, ?, ?, ?, ?)",
        zip([number] * len(places), places.index, places["name"], places.geometry.x, places.geometry.y, strict=True),
    )


def _keep_file(book: sqlite3.Connection, path: Path, sha256: str) -> None:
    """The file as it came (a shapefile with its siblings), pressed together, once for each hash."""
    if book.execute("select 1 from parts where sha256 = ?", (sha256,)).fetchone():
        return
    if path.is_dir():
        members = sorted(p for p in path.rglob("*") if p.is_file())
    elif path.suffix.lower() == ".shp":
        members = sorted(p for p in path.parent.glob(f"{path.stem}.*") if p.is_file())
    else:
        members = [path]
    for member in members:
        with member.open("rb") as stream:
            part = 0
            while block := stream.read(_PART_BYTES):
                data = (sha256, member.name, part, zlib.compress(block, 6))
                book.execute("insert into parts values (?, ?, ?, ?)", data)
                part += 1


def original_files(book: sqlite3.Connection, survey: int) -> dict[str, bytes]:
    """The files of an accepted survey, byte for byte as they came, by name. Raises UsageError for an unknown survey."""
    found = book.execute("select sha256 from surveys where id = ?", (survey,)).fetchone()
    if found is None:
        raise UsageError(f"there is no survey {survey} in the history")
    files: dict[str, bytes] = {}
    rows = book.execute("select name, data from parts where sha256 = ? order by name, part", found)
    for name, data in rows:
        files[name] = files.get(name, b"") + zlib.decompress(data)
    return files


def undo(book: sqlite3.Connection, at: datetime, who: str) -> Accepted:
    """Takes back the last survey that counts: the fields are as they were before it. It stays in the history, marked.

    Raises UsageError when there is none.
    """
    with _transaction(book):
        last = next((s for s in reversed(surveys(book)) if not s.undone_at), None)
        if last is None:
            raise UsageError("there is no survey to undo")
        book.execute("update records set until = null where until = ?", (last.id,))
        book.execute(
            "update surveys set undone_at = ?, undone_by = ? where id = ?",
            (at.isoformat(timespec="seconds"), who, last.id),
        )
        return next(s for s in surveys(book) if s.id == last.id)


def fields_today(book: sqlite3.Connection) -> Fields:
    """The newest word on each field, as clean fields ready to plan with; `frame` has also survey and recorded_as.

    A field_id that two surveys use for different fields gets the number of its survey added.
    """
    query = (
        f"select r.survey, {', '.join('r.' + c for c in _COLUMNS)} from records r join surveys s on s.id = r.survey "
        "where r.until is null and s.undone_at = '' order by r.survey, r.row"
    )
    frame = pd.DataFrame(book.execute(query).fetchall(), columns=["survey", *_COLUMNS])
    return _as_fields(frame, _villages(book))


def fields_of(book: sqlite3.Connection, survey: int) -> Fields:
    """The clean fields of one accepted survey, as they were when it came. Raises UsageError for an unknown survey."""
    if survey not in {s.id for s in surveys(book)}:
        raise UsageError(f"there is no survey {survey} in the history")
    query = f"select survey, {', '.join(_COLUMNS)} from records where survey = ? order by row"
    frame = pd.DataFrame(book.execute(query, (survey,)).fetchall(), columns=["survey", *_COLUMNS])
    return _as_fields(frame, _villages(book, survey))


def changes_of(book: sqlite3.Connection, survey: int) -> pd.DataFrame:
    """What an accepted survey changed: rows of old, new, relation, share_old, share_new, changes."""
    rows = book.execute(f"select {', '.join(COLUMNS)} from lineage where survey = ? order by old, new", (survey,))
    return pd.DataFrame(rows.fetchall(), columns=COLUMNS)


def _villages(book: sqlite3.Connection, survey: int | None = None) -> pd.DataFrame:
    """The newest place of each village, of one survey or of all that count."""
    query = (
        "select v.village, v.name, v.lon, v.lat from villages v join surveys s on s.id = v.survey "
        + ("where v.survey = ? " if survey is not None else "where s.undone_at = '' ") + "order by v.survey"
    )  # fmt: skip
    rows = book.execute(query, () if survey is None else (survey,)).fetchall()
    return pd.DataFrame(rows, columns=["village", "name", "lon", "lat"]).drop_duplicates("village", keep="last")


def _as_fields(frame: pd.DataFrame, villages: pd.DataFrame) -> Fields:
    ids = frame["field_id"].astype(object)
    again = ids.duplicated(keep=False)
    names = np.where(again, ids + "@" + frame["survey"].astype(str), ids) if len(frame) else ids.to_numpy()
    out = {
        "row": frame["row"].to_numpy(dtype=np.int64),
        "village": frame["village"].to_numpy(dtype=object),
        "crop": frame["crop"].to_numpy(dtype=object),
        "area_ha": frame["area_ha"].to_numpy(dtype=np.float64),
        "yield_t_ha": frame["yield_t_ha"].to_numpy(dtype=np.float64),
    }
    for name in ("harvest_start", "harvest_end", "clear_by"):
        out[name] = frame[name].to_numpy(dtype="datetime64[s]")
    out["share_promised"] = frame["share_promised"].to_numpy(dtype=np.float64)
    for name in ("estimated", "placed", "mended"):
        out[name] = frame[name].to_numpy(dtype=bool)
    out["survey"] = frame["survey"].to_numpy(dtype=np.int64)
    out["recorded_as"] = ids.to_numpy(dtype=object)
    shapes = shapely.from_wkb(frame["shape"].to_numpy(dtype=object))
    clean = gpd.GeoDataFrame(
        out, geometry=shapes, crs="EPSG:4326", index=pd.Index(names, name="field_id", dtype=object)
    )
    used = villages[villages["village"].isin(set(out["village"]))]
    places = gpd.GeoDataFrame(
        {"name": used["name"].to_numpy(dtype=object)},
        geometry=shapely.points(used["lon"].to_numpy(dtype=float), used["lat"].to_numpy(dtype=float)),
        crs="EPSG:4326", index=pd.Index(used["village"].to_numpy(dtype=object), name="village_id", dtype=object),
    )  # fmt: skip
    counts = {
        "rows": len(clean),
        "kept": int((~out["mended"]).sum()),
        "mended": int(out["mended"].sum()),
        "set_aside": 0,
    }
    return Fields(clean, places, (), pd.DataFrame(columns=ASIDE_COLUMNS), counts)


def fingerprint(fields: Fields) -> str:
    """A hash of what fields say, the same for the same fields in any order; to see whether two sets are one."""
    frame = fields.frame
    shapes = shapely.to_wkb(frame.geometry.to_numpy(), hex=True)
    rows = zip(frame.index, frame["crop"], frame["area_ha"], shapes, strict=True)
    lines = sorted(f"{i}|{c}|{a:.9f}|{s}" for i, c, a, s in rows)
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()
