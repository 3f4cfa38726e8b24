"""The surveys of a season, kept one after another in one book, and the fields of today from all of them.

Each accepted survey is kept unchanged: when, who, the file itself with its hash, every clean field. The fields of
today are the newest word on each field: what a newer survey says of a field (the same, redrawn, split, merged; or that
nothing can be had from it) stands in place of what was said before; fields it does not speak of stay. The last survey
can be undone. Everything is written in transactions: a killed run leaves the book as it was.
"""

from __future__ import annotations

import getpass
import hashlib
import zlib
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import sqlalchemy as sa

from sourcing.errors import Finding, InputError, OutputError, UsageError
from sourcing.intake import book as tables
from sourcing.intake.book import Book, history_place, open_history, open_if_there, standing
from sourcing.intake.fields import Fields, clean_fields
from sourcing.intake.ledger import ASIDE_COLUMNS
from sourcing.intake.lineage import COLUMNS, match_fields
from sourcing.intake.readers import sha256_of
from sourcing.intake.survey import Survey
from sourcing.intake.villages import Points, village_points
from sourcing.settings import Settings
from sourcing.values import Values

_PART_BYTES = 64 * 1024**2
_ROWS_AT_ONCE = 20_000
_MOST_NAMES = 2_000
"""Up to so many fields are asked for by name; of more, all are read."""
SAYS_NOTHING_LEFT = frozenset(
    {"not_a_crop", "no_consent", "unclear_consent", "nothing_promised", "nothing_grown", "no_figures"}
)
"""Reasons to set a row aside that are a word on the field: what was known of it before no longer holds."""
_RECORD = tuple(c.name for c in tables.records.columns if c.name not in ("survey", "until"))
_NUMBERS = ("share_2", "yield_2_t_ha", "plants")
_DAYS = ("harvest_start", "harvest_end", "clear_by")


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

    @property
    def counts(self) -> bool:
        """Whether it was not undone."""
        return not self.undone_at


def logged_in() -> str:
    """Who is logged in on this machine, for whoever is not named; '' where that is not known."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return ""


def surveys(book: Book) -> tuple[Accepted, ...]:
    """All surveys ever accepted, the oldest first, those undone among them."""
    with book.read() as link:
        return _surveys(link)


def _surveys(link: sa.Connection) -> tuple[Accepted, ...]:
    rows = link.execute(sa.select(tables.surveys).order_by(tables.surveys.c.id)).mappings()
    return tuple(Accepted(at=r["accepted_at"], **{k: v for k, v in r.items() if k != "accepted_at"}) for r in rows)


def accept(
    book: Book, survey: Survey, fields: Fields, folder: Path, at: datetime, who: str, note: str = "",
    complete: bool = False,
) -> pd.DataFrame:  # fmt: skip
    """Takes a survey into the history and returns what it changed (see :func:`sourcing.intake.lineage.match_fields`).

    `at` is the time, `who` the person or machine that accepts. With `complete` the survey speaks of all fields there
    are: fields it does not have are gone. Without, they stay as they were. Raises InputError when the very same file
    was accepted already and not undone.
    """
    raw = survey.fields
    with book.write() as link:
        known = _surveys(link)
        for before in known:
            if before.sha256 == raw.sha256 and before.counts:
                raise InputError([_twice(raw.file, before)])
        old = _today(link)
        matches = match_fields(old.frame, fields.frame)
        number = max((s.id for s in known), default=0) + 1
        counted = {n: fields.counts[n] for n in ("rows", "kept", "mended", "set_aside")}
        link.execute(
            tables.surveys.insert().values(
                id=number, accepted_at=at.isoformat(timespec="seconds"), who=_plain(who), note=_plain(note),
                file=_plain(raw.file), sha256=raw.sha256, complete=complete, **counted,
            )
        )  # fmt: skip
        _keep_file(link, folder / raw.file, raw.sha256)
        replaced = set(matches.old[matches.relation != "gone"]) - {""}
        gone = set(matches.old[matches.relation == "gone"])
        over = gone if complete else gone & _withdrawn(survey, fields, old.frame.loc[sorted(gone)])
        matches = matches[(matches.relation != "gone") | matches.old.isin(over)].reset_index(drop=True)
        _close(link, number, sorted(replaced | over), old.frame)
        _keep_fields(link, number, fields)
        told = matches[COLUMNS].itertuples(index=False, name=None)
        _insert(link, tables.lineage, ({"survey": number, **dict(zip(COLUMNS, t, strict=True))} for t in told))
    return matches


def _insert(link: sa.Connection, table: sa.Table, rows: Iterable[dict[str, Any]]) -> None:
    left = iter(rows)
    while some := list(islice(left, _ROWS_AT_ONCE)):
        link.execute(table.insert(), some)


def _plain(text: object) -> str:
    """Text that every store can keep: no zero bytes, no halves of letters."""
    return str(text).replace("\x00", "\ufffd").encode("utf-8", "replace").decode("utf-8")


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


def _close(link: sa.Connection, number: int, ids: list[str], old: gpd.GeoDataFrame) -> None:
    records = tables.records
    chosen = old.loc[ids, ["survey", "recorded_as"]]
    rows = [{"of": int(s), "name": str(i)} for s, i in chosen.itertuples(index=False)]
    if rows:
        of, name = records.c.survey == sa.bindparam("of"), records.c.field_id == sa.bindparam("name")
        link.execute(records.update().where(of & name).values(until=number), rows)


def _keep_fields(link: sa.Connection, number: int, fields: Fields) -> None:
    frame = fields.frame
    columns: dict[str, Any] = {
        name: _blank(frame[name]) if name in frame.columns else [None] * len(frame)
        for name in _RECORD
        if name not in ("field_id", "shape")
    }
    columns |= {"field_id": [_plain(i) for i in frame.index], "village": [_plain(v) for v in frame["village"]]}
    columns |= {"shape": shapely.to_wkb(frame.geometry.to_numpy())}
    names = list(columns)
    rows = zip(*columns.values(), strict=True)
    _insert(link, tables.records, ({"survey": number, **dict(zip(names, row, strict=True))} for row in rows))
    places = zip(fields.villages.index, fields.villages["name"], fields.villages.geometry, strict=True)
    _insert(
        link, tables.villages,
        ({"survey": number, "village": _plain(v), "name": _plain(n), "lon": p.x, "lat": p.y} for v, n, p in places),
    )  # fmt: skip


def _blank(column: pd.Series) -> list[Any]:
    """Cells as plain values, None for a blank; days as ISO text."""
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        column = column.dt.strftime("%Y-%m-%d")
    return [None if v != v else v for v in column.astype(object)]


def _keep_file(link: sa.Connection, path: Path, sha256: str) -> None:
    """The file as it came (a shapefile with its siblings), pressed together, once for each hash.

    Raises InputError when it is not the file that was read any more.
    """
    parts = tables.parts
    if link.execute(sa.select(parts.c.part).where(parts.c.sha256 == sha256).limit(1)).first():
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
                row = {"sha256": sha256, "name": member.name, "part": part, "data": zlib.compress(block, 6)}
                link.execute(parts.insert().values(**row))
                part += 1
    if sha256_of(path) != sha256:
        raise InputError(
            [
                Finding(
                    "refused", path.name, None, "file_changed", "the file was changed while it was read",
                    "a file that stays as it is", "run it again",
                )
            ]
        )  # fmt: skip


def original_files(book: Book, survey: int) -> dict[str, bytes]:
    """The files of an accepted survey, byte for byte as they came, by name. Raises UsageError for an unknown survey."""
    parts = tables.parts
    files: dict[str, bytes] = {}
    with book.read() as link:
        sha256 = _known(link, survey).sha256
        query = sa.select(parts.c.name, parts.c.data).where(parts.c.sha256 == sha256)
        for name, data in link.execute(query.order_by(parts.c.name, parts.c.part)):
            files[name] = files.get(name, b"") + zlib.decompress(data)
    return files


def write_originals(book: Book, survey: int, folder: Path) -> tuple[Path, ...]:
    """Writes the files of an accepted survey into a folder, as they came; what is there already is left as it is.

    Raises UsageError when a file of that name is there already, OutputError when one cannot be written.
    """
    files = {folder / Path(name).name: data for name, data in original_files(book, survey).items()}
    if there := [str(p) for p in files if p.exists()]:
        raise UsageError(f"{', '.join(there)} is there already; it is left as it is: name another folder")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, data in files.items():
            path.write_bytes(data)
    except OSError as exc:
        raise OutputError(f"{folder} cannot be written: {exc.strerror or exc}") from exc
    return tuple(files)


def _known(link: sa.Connection, survey: int) -> Accepted:
    found = next((s for s in _surveys(link) if s.id == survey), None)
    if found is None:
        raise UsageError(f"there is no survey {survey} in the history")
    return found


def undo(book: Book, at: datetime, who: str) -> Accepted:
    """Takes back the last survey that counts: the fields are as they were before it. It stays in the history, marked.

    Raises UsageError when there is none.
    """
    records, kept = tables.records, tables.surveys
    with book.write() as link:
        last = next((s for s in reversed(_surveys(link)) if s.counts), None)
        if last is None:
            raise UsageError("there is no survey to undo")
        link.execute(records.update().where(records.c.until == last.id).values(until=None))
        when = at.isoformat(timespec="seconds")
        link.execute(kept.update().where(kept.c.id == last.id).values(undone_at=when, undone_by=_plain(who)))
        return _known(link, last.id)


def fields_today(book: Book) -> Fields:
    """The newest word on each field, as clean fields ready to plan with; `frame` has also survey and recorded_as.

    A field_id that two surveys use for different fields gets the number of its survey added.
    """
    with book.read() as link:
        return _today(link)


def count_today(book: Book) -> int:
    """How many fields :func:`fields_today` has."""
    with book.read() as link:
        chosen = sa.select(sa.func.count()).select_from(tables.records.join(tables.surveys, _of(tables.records)))
        return int(link.execute(chosen.where(standing())).scalar_one())


def _today(link: sa.Connection) -> Fields:
    found = _records(link, standing())
    return _as_fields(found, _villages(link, tables.surveys.c.undone_at == ""))


def fields_of(book: Book, survey: int, names: Collection[str] | None = None) -> Fields:
    """The clean fields of one accepted survey, as they were when it came; at least those of `names` if a few are given.

    Raises UsageError for an unknown survey.
    """
    with book.read() as link:
        _known(link, survey)
        found = _records(link, (tables.records.c.survey == survey) & _among(tables.records.c.field_id, names))
        return _as_fields(found, _villages(link, tables.surveys.c.id == survey))


def fields_replaced(book: Book, survey: int, names: Collection[str] | None = None) -> Fields:
    """The fields that an accepted survey replaced or took out, by the names they had; none once it is undone.

    At least those of `names` if a few are given.
    """
    if names is not None:
        names = [part for name in names for part in (name, name.rpartition("@")[0])]
    with book.read() as link:
        _known(link, survey)
        found = _records(link, (tables.records.c.until == survey) & _among(tables.records.c.field_id, names))
        replaced = _as_fields(found, _villages(link, tables.surveys.c.id < survey))
        table = tables.lineage
        named = sa.select(table.c.old).where((table.c.survey == survey) & _among(table.c.old, names))
        old = set(link.execute(named).scalars())
    plain = replaced.frame["recorded_as"]
    then = np.where(plain.isin(old), plain, plain + "@" + replaced.frame["survey"].astype(str))
    return replace(replaced, frame=replaced.frame.set_axis(pd.Index(then, name="field_id", dtype=object), axis=0))


def _records(link: sa.Connection, chosen: sa.ColumnElement[bool]) -> pd.DataFrame:
    records = tables.records
    query = sa.select(records.c.survey, *(records.c[n] for n in _RECORD)).join(tables.surveys, _of(records))
    rows = link.execute(query.where(chosen).order_by(records.c.survey, records.c.row)).all()
    return pd.DataFrame([tuple(r) for r in rows], columns=["survey", *_RECORD])


def _among(column: sa.Column[Any], names: Collection[str] | None) -> sa.ColumnElement[bool]:
    if names is None or len(names) > _MOST_NAMES:
        return sa.true()
    return column.in_(sorted(set(names)))


def _of(table: sa.Table) -> sa.ColumnElement[bool]:
    return tables.surveys.c.id == table.c.survey


def _villages(link: sa.Connection, chosen: sa.ColumnElement[bool]) -> pd.DataFrame:
    """The newest place of each village, of one survey or of all that count."""
    places = tables.villages
    query = sa.select(places.c.village, places.c.name, places.c.lon, places.c.lat).join(tables.surveys, _of(places))
    rows = link.execute(query.where(chosen).order_by(places.c.survey)).all()
    frame = pd.DataFrame([tuple(r) for r in rows], columns=["village", "name", "lon", "lat"])
    return frame.drop_duplicates("village", keep="last")


def changes_of(book: Book, survey: int) -> pd.DataFrame:
    """What an accepted survey changed: rows of old, new, relation, share_old, share_new, changes."""
    table = tables.lineage
    with book.read() as link:
        _known(link, survey)
        rows = link.execute(sa.select(*(table.c[n] for n in COLUMNS)).where(table.c.survey == survey)).all()
    frame = pd.DataFrame([tuple(r) for r in rows], columns=COLUMNS)
    return frame.sort_values(["old", "new"], kind="stable").reset_index(drop=True)


def change_counts(book: Book, survey: int) -> dict[str, tuple[int, int]]:
    """How many old and how many new fields each relation has among what an accepted survey changed."""
    table = tables.lineage
    with book.read() as link:
        _known(link, survey)
        sides = (sa.func.count(side.distinct()) for side in (table.c.old, table.c.new))
        chosen = sa.select(table.c.relation, *sides).where(table.c.survey == survey).group_by(table.c.relation)
        return {relation: (int(old), int(new)) for relation, old, new in link.execute(chosen)}


def fields_to_plan(folder: Path, survey: Survey, settings: Settings, values: Values) -> Fields:
    """The fields that a season is planned from: those of today where surveys were accepted, else the survey's file's.

    `source` of the fields says which it was; what was found says it too where it is the history. With
    history.plan_from = 'files' it is always the file. Raises what cleaning and opening the history raise.
    """
    if settings.history.plan_from == "history":
        with open_if_there(history_place(folder, settings)) as book:
            if book is not None and (known := _counted(book)):
                return _from_history(book, known, survey, settings, values)
    source = {"from": "file", "file": survey.fields.file, "sha256": survey.fields.sha256}
    return replace(clean_fields(survey, settings, values), source=source)


def is_planned_from_history(folder: Path, settings: Settings) -> bool:
    """Whether a season is planned from the fields of today rather than from its files."""
    if settings.history.plan_from != "history":
        return False
    with open_if_there(history_place(folder, settings)) as book:
        return book is not None and bool(_counted(book))


def _counted(book: Book) -> tuple[Accepted, ...]:
    return tuple(s for s in surveys(book) if s.counts)


def _from_history(
    book: Book, known: tuple[Accepted, ...], survey: Survey, settings: Settings, values: Values
) -> Fields:
    today, raw, last = fields_today(book), survey.fields, known[-1]
    today = replace(today, villages=_with_layer(today.villages, village_points(survey.villages)[0]))
    told = [
        Finding(
            "look", book.place, None, "from_history",
            f"the plan's {len(today.frame):,} fields are those of today from {len(known)} accepted "
            f"survey{'s' if len(known) > 1 else ''}, the last one {last.file} of {last.at[:10]}",
            "the newest word on each field", "nothing; history.plan_from = \"files\" plans from the files instead",
        )
    ]  # fmt: skip
    accepted = next((s for s in known if s.sha256 == raw.sha256), None)
    if accepted is None:
        told.append(
            Finding(
                "look", raw.file, None, "not_accepted", "this file was not accepted, so nothing in it is in the plan",
                "a survey that was accepted", "if it is good: sourcing accept, then plan again",
            )
        )  # fmt: skip
        return replace(today, findings=tuple(told), source=_source(book, known))
    now = clean_fields(survey, settings, values)
    if fingerprint(now) != fingerprint(fields_of(book, accepted.id)):
        told.append(
            Finding(
                "look", raw.file, None, "read_otherwise",
                "the season file or the figures read this survey otherwise than when it was accepted; the plan has it "
                "as it was read then", "a survey read as it is now", "sourcing undo, then sourcing accept",
            )
        )  # fmt: skip
    counts = {**today.counts, "rows": today.counts["rows"] + len(now.set_aside), "set_aside": len(now.set_aside)}
    return replace(
        today, findings=(*told, *now.findings), set_aside=now.set_aside, counts=counts, source=_source(book, known)
    )


def _with_layer(villages: gpd.GeoDataFrame, points: Points | None) -> gpd.GeoDataFrame:
    """The villages with those of the season's own layer where and as it has them."""
    if points is None:
        return villages
    layer = gpd.GeoDataFrame(
        {"name": list(points.names)}, geometry=shapely.points(points.lon, points.lat), crs="EPSG:4326",
        index=pd.Index(points.ids, name="village_id", dtype=object),
    )  # fmt: skip
    rest = villages[~villages.index.isin(layer.index)]
    return gpd.GeoDataFrame(pd.concat([layer, rest]) if len(rest) else layer, geometry="geometry", crs="EPSG:4326")


def _source(book: Book, known: tuple[Accepted, ...]) -> dict[str, Any]:
    """Where the fields come from, as the record of a plan has it; no names of people."""
    told = [{"id": s.id, "at": s.at, "file": s.file, "sha256": s.sha256} for s in known]
    return {"from": "history", "place": book.place, "surveys": told}


def snapshot(book: Book, source: Mapping[str, Any], path: Path) -> bool:
    """Copies what the fields of today are made from into a new history file: no old words, no original files.

    Returns whether the history is still at `source`, as :func:`fields_to_plan` found it; nothing is copied if not.
    """
    kept = tables.surveys
    with book.read() as old:
        if _source(book, tuple(s for s in _surveys(old) if s.counts)) != source:
            return False
        with open_history(path) as copy, copy.write() as new:
            for table, chosen in ((kept, kept.c.undone_at == ""), (tables.records, standing()),
                                  (tables.villages, kept.c.undone_at == "")):  # fmt: skip
                query = sa.select(table) if table is kept else sa.select(table).join(kept, _of(table))
                _insert(new, table, map(dict, old.execute(query.where(chosen).order_by(*table.primary_key)).mappings()))
    return True


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
    for name in _DAYS:
        out[name] = frame[name].to_numpy(dtype="datetime64[s]")
    out["share_promised"] = frame["share_promised"].to_numpy(dtype=np.float64)
    for name in ("estimated", "placed", "mended"):
        out[name] = frame[name].to_numpy(dtype=bool)
    if frame["crop_2"].notna().any():
        out["crop_2"] = frame["crop_2"].fillna("").to_numpy(dtype=object)
    for name in _NUMBERS:
        if frame[name].notna().any() or (name != "plants" and "crop_2" in out):
            out[name] = frame[name].to_numpy(dtype=np.float64)
    out["survey"] = frame["survey"].to_numpy(dtype=np.int64)
    out["recorded_as"] = ids.to_numpy(dtype=object)
    shapes = shapely.from_wkb(frame["shape"].to_numpy(dtype=object))
    clean = gpd.GeoDataFrame(
        out, geometry=shapes, crs="EPSG:4326", index=pd.Index(names, name="field_id", dtype=object)
    )
    places = gpd.GeoDataFrame(
        {"name": villages["name"].to_numpy(dtype=object)},
        geometry=shapely.points(villages["lon"].to_numpy(dtype=float), villages["lat"].to_numpy(dtype=float)),
        crs="EPSG:4326", index=pd.Index(villages["village"].to_numpy(dtype=object), name="village_id", dtype=object),
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
    more = [n for n in ("crop_2", *_NUMBERS) if n in frame.columns and frame[n].notna().any()]
    said = [frame[n] for n in ("village", "crop", "yield_t_ha", *_DAYS, "share_promised", *more)]
    rows = zip(frame.index, frame["area_ha"], shapes, *said, strict=True)
    lines = sorted(f"{i}|{a:.9f}|{s}|{'|'.join(map(str, rest))}" for i, a, s, *rest in rows)
    return hashlib.sha256("\n".join(lines).encode("utf-8", "replace")).hexdigest()
