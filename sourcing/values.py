"""Every number of the trade, with its range, unit, basis, source and standing.

The numbers live in `sourcing/data/figures/*.csv`, one a row, the sources in `sourcing/data/sources/*.toml`, the crop
calendars in `sourcing/data/figures/calendar.csv`. A row without low, likely, high, unit and standing is not loaded,
nor is one whose standing claims a source it does not name. A season may replace any figure, by name or by a CSV of
the same columns; a replaced figure says so wherever it is shown.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import cache, cached_property
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from sourcing.errors import Finding, InputError
from sourcing.weeks import month_day

COLUMNS = ("name", "low", "likely", "high", "unit", "basis", "source", "place", "standing", "note")
CALENDAR_COLUMNS = (
    "region",
    "crop",
    "season",
    "harvest_start",
    "harvest_end",
    "clear_by",
    "source",
    "place",
    "standing",
    "note",
)
CALENDAR_FILE = "calendar.csv"

STANDINGS: Mapping[str, str] = MappingProxyType(
    {
        "seen": "published, and the publisher's own page was seen",
        "second_hand": "published, seen in a page or code that cites it",
        "reproduced": "reproduces a printed total, or follows exactly from figures that were seen",
        "memory": "published, but from memory: the page was not seen",
        "practice": "common practice, no source",
        "assumed": "assumed here",
        "example": "an example to be replaced: a price or a local matter",
        "exact": "exact by definition",
        "own": "set by this season",
    }
)
"""How far each figure can be trusted, best first."""
_NEEDS_SOURCE = frozenset({"seen", "second_hand", "reproduced", "memory"})

Estimate = Literal["low", "likely", "high"]


@dataclass(frozen=True)
class Figure:
    """One number of the trade: `low` <= `likely` <= `high`, all in `unit`."""

    name: str
    low: float
    likely: float
    high: float
    unit: str
    basis: str
    """What the figure is counted on: '', 'dry', 'as_received', 'wet_basis', 'field_weight' …"""
    source: str
    """Key of a :class:`Source`; empty for common practice, assumptions and definitions."""
    place: str
    """Where in the source: a table, page or address."""
    standing: str
    """One of :data:`STANDINGS`."""
    note: str
    overridden: bool = False
    """True when the season replaced the built-in figure."""


@dataclass(frozen=True)
class Source:
    """A publication that figures come from."""

    key: str
    title: str
    authors: str
    year: str
    address: str


@dataclass(frozen=True)
class CropWindow:
    """When a crop is harvested in a region and when its residue must be off the field; days as 'MM-DD'.

    `clear_by` is empty where no day is known.
    """

    region: str
    crop: str
    season: str
    harvest_start: str
    harvest_end: str
    clear_by: str
    source: str
    place: str
    standing: str
    note: str


@dataclass(frozen=True)
class Values:
    """All figures, sources and crop calendars. Read-only; made by :meth:`load`."""

    figures: Mapping[str, Figure] = field(repr=False)
    sources: Mapping[str, Source] = field(repr=False)
    windows: tuple[CropWindow, ...] = field(repr=False)

    @classmethod
    def load(cls, overrides: Mapping[str, float] | None = None, file: Path | None = None) -> Values:
        """The built-in figures, with a season's own figures put in their place.

        `overrides` replaces low, likely and high of named figures by one number. `file` is a CSV with the columns
        of the built-in tables, of which only `name` and `likely` must be filled for a known figure; it may also add
        figures of new crops (`crop.NAME…`), which need every column. `overrides` wins over `file`.
        Raises InputError with every fault at once.
        """
        builtin = _builtin()
        figures = dict(builtin.figures)
        faults: list[Finding] = []
        if file is not None:
            _apply_file(figures, file, faults)
        for name, number in (overrides or {}).items():
            _apply_number(figures, name, number, faults)
        if faults:
            raise InputError(faults)
        return cls(MappingProxyType(figures), builtin.sources, builtin.windows)

    def __reduce__(self) -> tuple[Any, ...]:
        """How values travel to another process: read-only mappings cannot travel themselves."""
        return _read_only, (dict(self.figures), dict(self.sources), self.windows)

    def figure(self, name: str) -> Figure:
        """The figure of that name. Raises KeyError, naming the nearest known figures, when there is none."""
        try:
            return self.figures[name]
        except KeyError:
            raise KeyError(f"there is no figure '{name}'{_nearest(name, self.figures)}") from None

    def __getitem__(self, name: str) -> float:
        """The likely value of a figure, in its unit."""
        return self.figure(name).likely

    def __contains__(self, name: object) -> bool:
        return name in self.figures

    def pick(self, name: str, estimate: Estimate) -> float:
        """The low, likely or high value of a figure, in its unit."""
        return float(getattr(self.figure(name), estimate))

    def under(self, prefix: str) -> dict[str, Figure]:
        """All figures whose name begins with `prefix` and a dot, by the rest of their name."""
        start = prefix.rstrip(".") + "."
        return {name[len(start) :]: fig for name, fig in self.figures.items() if name.startswith(start)}

    @cached_property
    def _residues(self) -> dict[str, tuple[str, ...]]:
        found: dict[str, dict[str, None]] = {}
        for name in self.figures:
            parts = name.split(".")
            if parts[0] == "crop" and len(parts) == 4:
                found.setdefault(parts[1], {})[parts[2]] = None
        return {crop: tuple(names) for crop, names in found.items()}

    def crops(self) -> tuple[str, ...]:
        """Our names of all crops that have a residue, sorted."""
        return tuple(sorted(self._residues))

    def residues(self, crop: str) -> tuple[str, ...]:
        """The residues of a crop, in the order of the table; empty for an unknown crop."""
        return self._residues.get(crop, ())

    def calendar(self, region: str, crop: str) -> tuple[CropWindow, ...]:
        """The harvest windows of a crop in a region, in the order of the table; empty when none is known."""
        return tuple(w for w in self.windows if w.region == region and w.crop == crop)

    def regions(self) -> tuple[str, ...]:
        """The regions that have a crop calendar, sorted."""
        return tuple(sorted({w.region for w in self.windows}))

    def replaced(self) -> tuple[Figure, ...]:
        """The figures that this season replaced or added."""
        return tuple(f for f in self.figures.values() if f.overridden)


def rows(
    values: Values, text: str = "", standing: str = "", names: Iterable[str] | None = None
) -> list[dict[str, Any]]:
    """Figures as plain rows, for tables, CSV and JSON.

    `text`: only figures whose name, unit, note, source or place holds every word of it, whatever the case; `standing`:
    only figures of that standing; `names`: only these (such as the figures a plan used). Raises KeyError for an
    unknown standing.
    """
    if standing and standing not in STANDINGS:
        raise KeyError(f"there is no standing '{standing}'; known: {', '.join(STANDINGS)}")
    words = text.lower().split()
    chosen = values.figures.values() if names is None else [values.figure(name) for name in names]
    out = []
    for fig in chosen:
        if standing and fig.standing != standing:
            continue
        hay = " ".join((fig.name, fig.unit, fig.basis, fig.source, fig.place, fig.note)).lower()
        if all(word in hay for word in words):
            out.append(asdict(fig))
    return out


def calendar_rows(values: Values, region: str = "", crop: str = "") -> list[dict[str, str]]:
    """Crop calendars as plain rows, of one region or crop or of all."""
    chosen = (w for w in values.windows if region in ("", w.region) and crop in ("", w.crop))
    return [asdict(window) for window in chosen]


def explain(values: Values, name: str) -> str:
    """A figure in plain words, with its range, basis, standing and full source. Raises KeyError when unknown."""
    fig = values.figure(name)
    basis = f", {fig.basis.replace('_', ' ')}" if fig.basis else ""
    span = "" if fig.low == fig.likely == fig.high else f" (from {fig.low:g} to {fig.high:g})"
    lines = [fig.name, f"  {fig.likely:g}{span} {fig.unit}{basis}", f"  standing: {STANDINGS[fig.standing]}"]
    source = values.sources.get(fig.source)
    if source is not None:
        lines.append(f"  source: {source.authors} ({source.year}). {source.title}. {source.address}".rstrip())
    elif fig.source:
        lines.append(f"  source: {fig.source}")
    if fig.place:
        lines.append(f"  place: {fig.place}")
    if fig.note:
        lines.append(f"  note: {fig.note}")
    if fig.overridden:
        old = _builtin().figures.get(name)
        lines.append("  set by this season" + ("" if old is None else f"; built in: {old.likely:g} {old.unit}"))
    return "\n".join(lines)


def to_csv(figures: Iterable[Figure]) -> str:
    """Figures as CSV text with the columns that :meth:`Values.load` reads."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    for fig in figures:
        writer.writerow(asdict(fig))
    return out.getvalue()


@cache
def _builtin() -> Values:
    """The built-in tables, read once a process; nothing in them can be changed afterwards."""
    data = files("sourcing") / "data"
    return load_tables(
        {p.name: _text(p) for p in (data / "figures").iterdir() if p.name.endswith(".csv")},
        {p.name: _text(p) for p in (data / "sources").iterdir() if p.name.endswith(".toml")},
    )


def _text(path: Traversable) -> str:
    return path.read_text(encoding="utf-8-sig")


def load_tables(tables: Mapping[str, str], source_files: Mapping[str, str]) -> Values:
    """Values from the text of figure tables and source files, by file name. Raises InputError with every fault."""
    faults: list[Finding] = []
    sources: dict[str, Source] = {}
    for file, text in sorted(source_files.items()):
        for key, entry in tomllib.loads(text).items():
            if key in sources:
                faults.append(_fault(file, None, "twice", f"source '{key}' is given twice", "each key once", "rename"))
            missing = [f for f in ("title", "authors", "year", "address") if f not in entry]
            if missing:
                found = f"source '{key}' lacks {', '.join(missing)}"
                faults.append(_fault(file, None, "bad_source", found, "title, authors, year, address", "add them"))
                continue
            sources[key] = Source(key, *(str(entry[f]) for f in ("title", "authors", "year", "address")))
    figures: dict[str, Figure] = {}
    windows: list[CropWindow] = []
    for file, text in sorted(tables.items()):
        if file == CALENDAR_FILE:
            windows += _read_calendar(file, text, sources, faults)
            continue
        for row, cells in _cells(file, text, COLUMNS, faults):
            fig = _figure(file, row, cells, sources, faults)
            if fig is None:
                continue
            if fig.name in figures:
                faults.append(_fault(file, row, "twice", f"'{fig.name}' is given twice", "each name once", "drop one"))
            figures[fig.name] = fig
    if faults:
        raise InputError(faults)
    return Values(MappingProxyType(figures), MappingProxyType(sources), tuple(windows))


def _cells(
    file: str, text: str, columns: tuple[str, ...], faults: list[Finding], needed: tuple[str, ...] = ()
) -> list[tuple[int, dict[str, str]]]:
    reader = csv.DictReader(io.StringIO(text))
    head = [h.strip() for h in reader.fieldnames or ()]
    reader.fieldnames = head
    lacking = [c for c in (needed or columns) if c not in head]
    unknown = [c for c in head if c not in (*columns, "overridden")]
    if lacking or unknown:
        found = f"columns {', '.join(head) or '(none)'}"
        faults.append(_fault(file, None, "bad_columns", found, ", ".join(columns), "name the columns so"))
        return []
    out = []
    for row, cells in enumerate(reader, start=1):
        if None in cells:
            faults.append(_fault(file, row, "bad_row", "more cells than columns", ", ".join(columns), "quote commas"))
            continue
        out.append((row, {c: (cells.get(c) or "").strip() for c in columns}))
    return out


def _figure(
    file: str, row: int, cells: Mapping[str, str], sources: Mapping[str, Source] | None, faults: list[Finding]
) -> Figure | None:
    """One row as a figure, or None with its faults noted. Without `sources` any source text is taken."""
    before = len(faults)
    name = cells["name"]
    if not all(part.replace("_", "a").replace("-", "a").isalnum() for part in name.split(".")) or name != name.lower():
        faults.append(_fault(file, row, "bad_name", f"name '{name}'", "lower-case words joined by dots", "rename it"))
    numbers = []
    for column in ("low", "likely", "high"):
        try:
            number = float(cells[column])
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            found = f"'{name}': {column} is '{cells[column]}'"
            faults.append(_fault(file, row, "not_a_number", found, "a finite number", "give low, likely and high"))
        numbers.append(number)
    low, likely, high = numbers
    standing = cells["standing"]
    if standing not in STANDINGS:
        found = f"'{name}': standing '{standing}'"
        faults.append(_fault(file, row, "bad_standing", found, ", ".join(STANDINGS), "say how it is known"))
    if not cells["unit"]:
        faults.append(_fault(file, row, "no_unit", f"'{name}' has no unit", "a unit", "give one ('1' for a number)"))
    if sources is not None and cells["source"] and cells["source"] not in sources:
        found = f"'{name}': source '{cells['source']}'"
        faults.append(_fault(file, row, "unknown_source", found, "a key of sourcing/data/sources", "add the source"))
    if standing in _NEEDS_SOURCE and not cells["source"]:
        found = f"'{name}' is '{standing}' but names no source"
        faults.append(_fault(file, row, "no_source", found, "a source", "name it, or say practice or assumed"))
    if len(faults) > before:
        return None
    fig = Figure(
        name, low, likely, high, cells["unit"], cells["basis"], cells["source"], cells["place"], standing, cells["note"]
    )
    faults += _impossible(file, row, fig)
    return fig if len(faults) == before else None


def _impossible(file: str, row: int | None, fig: Figure) -> list[Finding]:
    """What no figure may be, whoever gives it."""
    out = []
    if not fig.low <= fig.likely <= fig.high:
        found = f"'{fig.name}': low {fig.low:g}, likely {fig.likely:g}, high {fig.high:g}"
        out.append(_fault(file, row, "not_ordered", found, "low <= likely <= high", "put them in order"))
    if fig.unit == "share" and not (fig.low >= 0 and fig.high <= 1):
        found = f"'{fig.name}' runs from {fig.low:g} to {fig.high:g}"
        out.append(_fault(file, row, "impossible", found, "a share from 0 to 1", "write 12 % as 0.12"))
    return out


def _read_calendar(file: str, text: str, sources: Mapping[str, Source], faults: list[Finding]) -> list[CropWindow]:
    out = []
    for row, cells in _cells(file, text, CALENDAR_COLUMNS, faults):
        window = CropWindow(**cells)
        for column in ("harvest_start", "harvest_end", "clear_by"):
            day = cells[column]
            if not day and column == "clear_by":
                continue
            try:
                month_day(day)
            except ValueError:
                faults.append(_fault(file, row, "bad_day", f"{column} is '{day}'", "MM-DD", "write it so"))
        if window.standing not in STANDINGS or (window.source and window.source not in sources):
            found = f"standing '{window.standing}', source '{window.source}'"
            faults.append(_fault(file, row, "bad_standing", found, "a known standing and source", "mend them"))
        elif window.standing in _NEEDS_SOURCE and not window.source:
            faults.append(_fault(file, row, "no_source", "no source", "a source", "name it, or say practice"))
        out.append(window)
    return out


def _apply_number(figures: dict[str, Figure], name: str, number: float, faults: list[Finding]) -> None:
    where = "[values]"
    old = figures.get(name)
    if old is None:
        found = f"there is no figure '{name}'{_nearest(name, figures)}"
        faults.append(_fault(where, None, "unknown_figure", found, "a known figure", "see: sourcing values"))
        return
    if not math.isfinite(number):
        faults.append(_fault(where, None, "not_a_number", f"'{name}' is {number}", "a finite number", "mend it"))
        return
    new = replace(old, low=number, likely=number, high=number, standing="own", overridden=True, source="", place="")
    new = replace(new, note=f"built in: {old.likely:g} ({old.low:g} to {old.high:g})")
    bad = _impossible(where, None, new)
    faults += bad
    if not bad:
        figures[name] = new


def _apply_file(figures: dict[str, Figure], file: Path, faults: list[Finding]) -> None:
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as exc:
        found = f"the file cannot be read: {exc.__class__.__name__}"
        faults.append(_fault(file.name, None, "cannot_read", found, "a UTF-8 CSV of figures", "see values_file"))
        return
    seen: set[str] = set()
    for row, cells in _cells(file.name, text, COLUMNS, faults, needed=("name", "likely")):
        name = cells["name"]
        if name in seen:
            faults.append(_fault(file.name, row, "twice", f"'{name}' is given twice", "each name once", "drop one"))
            continue
        seen.add(name)
        old = figures.get(name)
        if old is None and not name.startswith(("crop.", "ipcc.", "product.")):
            found = f"there is no figure '{name}'{_nearest(name, figures)}"
            faults.append(_fault(file.name, row, "unknown_figure", found, "a known figure", "see: sourcing values"))
            continue
        filled = dict(cells)
        for column in ("low", "high"):
            filled[column] = cells[column] or cells["likely"]
        filled["standing"] = cells["standing"] or "own"
        if old is not None:
            if cells["unit"] not in ("", old.unit):
                found = f"'{name}' in {cells['unit']}"
                faults.append(_fault(file.name, row, "wrong_unit", found, f"in {old.unit}", "convert it"))
                continue
            filled["unit"] = old.unit
            filled["basis"] = cells["basis"] or old.basis
        fig = _figure(file.name, row, filled, None, faults)
        if fig is not None:
            figures[name] = replace(fig, overridden=True)


def _nearest(name: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(name, list(known), n=3, cutoff=0.7)
    return f" (near it: {', '.join(near)})" if near else ""


def _fault(file: str, row: int | None, what: str, found: str, expected: str, remedy: str) -> Finding:
    return Finding("refused", file, row, what, found, expected, remedy)


def _read_only(figures: dict[str, Figure], sources: dict[str, Source], windows: tuple[CropWindow, ...]) -> Values:
    return Values(MappingProxyType(figures), MappingProxyType(sources), windows)
