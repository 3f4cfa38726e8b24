"""The book in which a season's surveys are kept: tables in one SQLite file, or in a team's PostGIS; one code for both.

The file is `history.sqlite` in the season folder; with `history.database` the tables are in a PostgreSQL database with
PostGIS, in a schema named after the season, where a GIS sees the fields of today as the layer `fields_today`.
Everything is written in transactions by one writer at a time; a reader sees one moment.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit, urlunsplit

import sqlalchemy as sa
from sqlalchemy.types import UserDefinedType

from sourcing.errors import Finding, InputError, OutputError, UsageError
from sourcing.intake.cells import fold
from sourcing.intake.guard import short
from sourcing.settings import Settings

HISTORY_FILE = "history.sqlite"
VERSION = 1
WAIT_S = 10.0
"""A writer waits so long for another one to end [s]."""
POSTGRES = "postgresql"
_LONGEST_NAME = 63
"""Longest name of a schema in PostgreSQL [bytes]."""


class _Geometry(UserDefinedType[bytes]):
    """A shape in PostGIS, written and read as WKB in EPSG:4326."""

    cache_ok = True

    def get_col_spec(self, **_: Any) -> str:
        return "geometry(Geometry, 4326)"

    def bind_expression(self, bindvalue: sa.BindParameter[bytes]) -> Any:
        return sa.func.ST_GeomFromWKB(bindvalue, 4326, type_=self)

    def column_expression(self, colexpr: Any) -> Any:
        return sa.func.ST_AsBinary(colexpr, type_=self)


_SHAPE = sa.LargeBinary().with_variant(_Geometry(), POSTGRES)
_TABLES = sa.MetaData()


def _needed(name: str, kind: Any) -> sa.Column[Any]:
    return sa.Column(name, kind, nullable=False)


def _survey(primary: bool = True) -> sa.Column[Any]:
    return sa.Column("survey", sa.ForeignKey("surveys.id"), nullable=False, primary_key=primary, autoincrement=False)


about = sa.Table("about", _TABLES, _needed("version", sa.Integer), _needed("season", sa.Text))
surveys = sa.Table(
    "surveys", _TABLES, sa.Column("id", sa.Integer, primary_key=True, autoincrement=False),
    *(_needed(n, sa.Text) for n in ("accepted_at", "who", "note", "file", "sha256")),
    *(_needed(n, sa.Integer) for n in ("rows", "kept", "mended", "set_aside")), _needed("complete", sa.Boolean),
    *(sa.Column(n, sa.Text, nullable=False, server_default="") for n in ("undone_at", "undone_by")),
)  # fmt: skip
parts = sa.Table(
    "parts", _TABLES, *(sa.Column(n, sa.Text, primary_key=True) for n in ("sha256", "name")),
    sa.Column("part", sa.Integer, primary_key=True, autoincrement=False), _needed("data", sa.LargeBinary),
)  # fmt: skip
records = sa.Table(
    "records", _TABLES, _survey(), sa.Column("field_id", sa.Text, primary_key=True), _needed("row", sa.Integer),
    _needed("village", sa.Text), _needed("crop", sa.Text), _needed("area_ha", sa.Double),
    sa.Column("yield_t_ha", sa.Double), _needed("harvest_start", sa.Text), _needed("harvest_end", sa.Text),
    sa.Column("clear_by", sa.Text), _needed("share_promised", sa.Double),
    *(_needed(n, sa.Boolean) for n in ("estimated", "placed", "mended")),
    sa.Column("crop_2", sa.Text), *(sa.Column(n, sa.Double) for n in ("share_2", "yield_2_t_ha", "plants")),
    _needed("shape", _SHAPE), sa.Column("until", sa.ForeignKey("surveys.id")),
)  # fmt: skip
villages = sa.Table(
    "villages", _TABLES, _survey(), sa.Column("village", sa.Text, primary_key=True), _needed("name", sa.Text),
    _needed("lon", sa.Double), _needed("lat", sa.Double),
)  # fmt: skip
lineage = sa.Table(
    "lineage", _TABLES, _survey(primary=False), *(_needed(n, sa.Text) for n in ("old", "new", "relation")),
    *(_needed(n, sa.Double) for n in ("share_old", "share_new")), _needed("changes", sa.Text),
    sa.Index("lineage_survey", "survey"),
)  # fmt: skip


def standing() -> sa.ColumnElement[bool]:
    """The condition under which a record is the newest word on its field; of records joined with surveys."""
    return records.c.until.is_(None) & (surveys.c.undone_at == "")


@dataclass(frozen=True)
class Book:
    """An open history. `place` is its name for people: the file's name, or the database without any password."""

    reader: sa.Engine
    writer: sa.Engine
    place: str

    @contextlib.contextmanager
    def read(self) -> Iterator[sa.Connection]:
        """One moment of the book. Raises InputError or OutputError in clear words, as :meth:`write` does."""
        with _clear_words(self.place), self.reader.connect() as link:
            yield link

    @contextlib.contextmanager
    def write(self) -> Iterator[sa.Connection]:
        """One transaction of the only writer: all of it is kept, or nothing."""
        with _clear_words(self.place), self.writer.begin() as link:
            yield link


def history_place(folder: Path, settings: Settings) -> Path | str:
    """Where the history of a season is: a file, or the address of a database with the season's schema in it."""
    address = settings.history.database
    if not address:
        return folder / HISTORY_FILE
    parted = urlsplit(address)
    if "schema" in parse_qs(parted.query):
        return address
    name = ("sourcing_" + fold(settings.season.name).replace(" ", "_")).rstrip("_")
    if len(name.encode()) > _LONGEST_NAME:
        mark = hashlib.sha256(name.encode()).hexdigest()[:8]
        name = name.encode()[: _LONGEST_NAME - 9].decode(errors="ignore") + "_" + mark
    query = "&".join(q for q in (parted.query, f"schema={name}") if q)
    return urlunsplit(parted._replace(query=query))


@contextlib.contextmanager
def open_history(place: Path | str, season: str = "") -> Iterator[Book]:
    """Opens the history at a place, making it when it is not there. Raises InputError or OutputError in clear words."""
    with _opened(place) as (book, schema):
        if _state_of(book, schema) == "none":
            with book.write() as link:
                _make(link, schema, season)
        yield book


@contextlib.contextmanager
def open_if_there(place: Path | str) -> Iterator[Book | None]:
    """The history at a place for reading, or None where there is none yet; nothing is made."""
    if isinstance(place, Path) and not place.exists():
        yield None
        return
    with _opened(place) as (book, schema):
        yield None if _state_of(book, schema) == "none" else book


@contextlib.contextmanager
def _opened(place: Path | str) -> Iterator[tuple[Book, str]]:
    engine, shown, schema = _file_engine(place) if isinstance(place, Path) else _database_engine(place)
    kind = {} if isinstance(place, Path) else {"isolation_level": "READ COMMITTED"}
    try:
        yield Book(engine, engine.execution_options(writes=True, **kind), shown), schema
    finally:
        engine.dispose()


def _file_engine(path: Path) -> tuple[sa.Engine, str, str]:
    engine = sa.create_engine(
        sa.URL.create("sqlite", database=str(path)), connect_args={"timeout": WAIT_S}, poolclass=sa.NullPool
    )

    @sa.event.listens_for(engine, "connect")
    def begin_by_ourselves(link: Any, _: Any) -> None:
        link.isolation_level = None
        link.execute("pragma foreign_keys = on")
        link.execute("pragma synchronous = full")

    @sa.event.listens_for(engine, "begin")
    def begin(link: sa.Connection) -> None:
        link.exec_driver_sql("begin immediate" if link.get_execution_options().get("writes") else "begin")

    return engine, path.name, ""


def _database_engine(address: str) -> tuple[sa.Engine, str, str]:
    url = sa.make_url(address)
    schema = str(url.query.get("schema", "sourcing"))
    url = url.set(drivername="postgresql+psycopg").difference_update_query(["schema"])
    try:
        engine = sa.create_engine(url, poolclass=sa.NullPool, isolation_level="REPEATABLE READ")
    except ModuleNotFoundError as exc:
        raise UsageError(
            "history.database names a PostgreSQL database, for which psycopg is needed: pip install 'sourcing[team]'"
        ) from exc
    engine = engine.execution_options(schema_translate_map={None: schema})

    @sa.event.listens_for(engine, "begin")
    def begin(link: sa.Connection) -> None:
        if link.get_execution_options().get("writes"):
            link.exec_driver_sql(f"set local lock_timeout = {int(WAIT_S * 1000)}")
            link.execute(sa.select(sa.func.pg_advisory_xact_lock(sa.func.hashtext(schema))))

    shown = f"{url.host or 'this machine'}/{url.database or ''}, schema {schema}"
    return engine, shown, schema


def _state_of(book: Book, schema: str) -> str:
    """'ours' or 'none'; raises InputError for another kind of file and for one of a newer version."""
    with book.read() as link:
        tables = set(sa.inspect(link).get_table_names(schema=schema or None))
        if not tables:
            return "none"
        version = link.execute(sa.select(about.c.version)).scalar_one() if "about" in tables else None
    if version is not None and version <= VERSION:
        return "ours"
    found = "it is another kind of file" if version is None else f"it was made by a newer version ({version})"
    raise InputError(
        [
            Finding(
                "refused", book.place, None, "history_strange", found, f"a history of version {VERSION}",
                "use the version that made it, or move it away to begin anew",
            )
        ]
    )  # fmt: skip


def _make(link: sa.Connection, schema: str, season: str) -> None:
    if schema:
        link.execute(sa.schema.CreateSchema(schema, if_not_exists=True))
        if not link.execute(sa.text("select 1 from pg_extension where extname = 'postgis'")).scalar():
            link.execute(sa.text("create extension postgis"))
    if sa.inspect(link).has_table("about", schema=schema or None):
        return  # another run was quicker
    _TABLES.create_all(link, checkfirst=False)
    link.execute(about.insert().values(version=VERSION, season=season))
    if schema:
        q = link.dialect.identifier_preparer.quote_schema(schema)
        link.execute(sa.text(
            f"create view {q}.fields_today as select r.* from {q}.records r join {q}.surveys s on s.id = r.survey "
            "where r.until is null and s.undone_at = ''"
        ))  # fmt: skip


@contextlib.contextmanager
def _clear_words(place: str) -> Iterator[None]:
    try:
        yield
    except sa.exc.DBAPIError as exc:
        text = str(exc.orig).lower()
        if any(word in text for word in ("locked", "busy", "lock timeout", "could not serialize")):
            raise OutputError(f"{place} is in use by another run; wait until it has ended, and try again") from exc
        if "permission denied to create extension" in text or 'extension "postgis" is not available' in text:
            raise OutputError(
                f"{place}: PostGIS is not switched on there; ask who keeps it to run: create extension postgis"
            ) from exc
        if any(word in text for word in ("readonly", "read-only", "unable to open", "permission denied")):
            raise OutputError(f"{place} cannot be written; is the folder there, and may you write in it?") from exc
        if any(word in text for word in ("full", "disk i/o", "no space left")):
            raise OutputError(f"{place} cannot be written: the disk is full or failing; nothing was changed") from exc
        if "not a database" in text or "malformed" in text:
            raise InputError(
                [
                    Finding(
                        "refused", place, None, "history_damaged", f"the history cannot be read: {short(exc.orig)}",
                        "the history file of this season", "put back a copy, or move the file away to begin anew",
                    )
                ]
            ) from exc  # fmt: skip
        if exc.connection_invalidated or "connection" in text or "could not translate host" in text:
            raise OutputError(f"{place} cannot be reached: {short(exc.orig)}") from exc
        raise
