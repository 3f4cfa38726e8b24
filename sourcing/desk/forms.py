"""Forms generated from the settings: each option with its help, unit, range and default; and what was filled in, read.

What an option means, may be and is by default stands in `settings` and nowhere else.
"""

from __future__ import annotations

import re
import tomllib
import types
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from typing import Any, Literal

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from sourcing.desk.seasonfile import Path_, plain_text, value_at
from sourcing.options import options
from sourcing.settings import Section, Settings

Shape = Literal["choice", "yes_no", "whole", "number", "day", "text", "list", "table", "rows"]

NO_SECTION = ""
PAGES: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "season": ("The season", ("season", "history", "outputs", "map")),
    "crops": ("Crops and residue", ("crop_names", "crops", "supply")),
    "land": ("Carrying and places", ("carrying", "sites", "layers.no_go", "layers.background")),
    "barrels": ("Barrels and the goal", ("fleet", "placement", "moves")),
    "villages": ("Villages and people", ("villages", "crew", "water")),
    "wishes": ("Decided beforehand", ("wishes",)),
    "work": ("Work and workshop", ("works",)),
    "money": ("Money", ("money",)),
    "chances": ("Air and chances", ("climate", "stress")),
}
"""Pages of the form: heading, and the sections or single options on it. Files and figures have pages of their own."""
ELSEWHERE = ("layers", "values", "values_file")
"""Sections and options that other pages hold."""
BLANK_ROWS = 2
MOST_ROWS = 500


@dataclass(frozen=True)
class Part:
    """One cell of a row in a table of options."""

    name: str
    label: str
    help: str
    shape: Shape
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Entry:
    """One option on a form."""

    path: Path_
    label: str
    help: str
    unit: str
    range: str
    shape: Shape
    default: str
    choices: tuple[str, ...] = ()
    proposed: tuple[str, ...] = ()
    """Words that may be chosen from, where others are allowed too."""
    parts: tuple[Part, ...] = ()
    """Columns, where the option is a table of rows; the first is the row's name where `named`."""
    named: bool = False
    least: float | None = None
    most: float | None = None

    @property
    def name(self) -> str:
        """The option's full name, as in the season file."""
        return ".".join(self.path)


@dataclass(frozen=True)
class Group:
    """A section of a form."""

    name: str
    label: str
    help: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True)
class Shown:
    """An option as a page shows it."""

    entry: Entry
    text: str
    """What stands in the file, as text; '' where the default holds."""
    set: bool
    differs: bool
    """Whether it differs from the default."""
    rows: tuple[tuple[str, ...], ...] = ()
    ticked: frozenset[str] = frozenset()
    fault: str = ""
    theirs: str = ""
    """What the file says now, where a page that was opened before says otherwise."""


def page_groups(page: str) -> tuple[Group, ...]:
    """The groups of a page, in order."""
    return tuple(_group(name) for name in PAGES[page][1])


def _group(name: str) -> Group:
    kind, info = _find(tuple(name.split(".")))
    label = _words(name.split(".")[-1])
    if kind is not None:
        help_text = _help(info.description or kind.__doc__) if info else ""
        entries = tuple(_entry((name, n), i) for n, i in kind.model_fields.items())
        return Group(name, label, help_text, entries)
    assert info is not None
    return Group(name, label, "", (_entry(tuple(name.split(".")), info),))


_COMMAND = re.compile(r" \((?:see )?`sourcing [^`]+`\)|[;:] (?:see )?`sourcing [^`]+`[^.]*| `sourcing [^`]+`[^.]*\.")


def _help(text: str | None) -> str:
    """An option's words in one line, without what only helps at a terminal."""
    return _COMMAND.sub("", " ".join((text or "").split()))


@cache
def _places() -> Mapping[str, str]:
    """Where each option stands at the desk, by its name: the page, and the option's label on it."""
    return {
        e.name: f"Settings, {label}: {e.label}"
        for page, (label, _) in PAGES.items() for group in page_groups(page) for e in group.entries
    }  # fmt: skip


@cache
def _named() -> re.Pattern[str]:
    names = sorted(map(re.escape, _places()), key=len, reverse=True)
    return re.compile(rf"(?<![\w.])(?:{'|'.join(names)})(?!\w|\.\w)")


def in_words(text: str) -> str:
    """A sentence of the engine with every option called as the desk calls it."""
    return _named().sub(lambda found: _places()[found[0]], text)


def _find(path: Path_) -> tuple[type[Section] | None, FieldInfo | None]:
    model: type[Section] = Settings
    info: FieldInfo | None = None
    for key in path:
        info = model.model_fields[key]
        inner = info.annotation
        if not (isinstance(inner, type) and issubclass(inner, Section)):
            return None, info
        model = inner
    return model, info


def _entry(path: Path_, info: FieldInfo) -> Entry:
    help_text = _help(info.description)
    shape, choices, parts, named = _shape(info.annotation)
    unit = _unit(help_text)
    least, most = _limits([*info.metadata, *_inner_metadata(info.annotation)])
    default = "" if info.is_required() or info.default is None or info.default in ({}, []) else _text(info.default)
    known = next((o.kind for o in options() if o.path == ".".join(path)), "")
    limits = re.sub(r"^(?:whole number|number|text|date|list of \S+|table of .*)\s*", "", known)
    if shape in ("choice", "yes_no", "rows", "table"):
        limits = ""
    return Entry(
        path, _words(path[-1]), help_text, unit, limits, shape, default, choices, (), parts, named, least, most
    )


def _shape(annotation: Any) -> tuple[Shape, tuple[str, ...], tuple[Part, ...], bool]:
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _shape(args[0])
    if origin in (typing.Union, types.UnionType):
        return _shape(next(a for a in args if a is not type(None)))
    if origin is typing.Literal:
        return "choice", tuple(map(str, args)), (), False
    if origin is list:
        if isinstance(args[0], type) and issubclass(args[0], Section):
            return "rows", (), _parts(args[0]), False
        return "list", (), (), False
    if origin is dict:
        if isinstance(args[1], type) and issubclass(args[1], Section):
            return "rows", (), (Part("", "Name", "", "text"), *_parts(args[1])), True
        return "table", (), (), False
    shapes: dict[Any, Shape] = {bool: "yes_no", int: "whole", float: "number", date: "day"}
    return shapes.get(annotation, "text"), (), (), False


def _parts(model: type[Section]) -> tuple[Part, ...]:
    found = []
    for name, info in model.model_fields.items():
        shape, choices, _, _ = _shape(info.annotation)
        if shape != "table":
            found.append(Part(name, _words(name), " ".join((info.description or "").split()), shape, choices))
    return tuple(found)


def _inner_metadata(annotation: Any) -> list[Any]:
    found: list[Any] = []
    for part in typing.get_args(annotation):
        if typing.get_origin(part) is typing.Annotated:
            for m in typing.get_args(part)[1:]:
                found += list(getattr(m, "metadata", [m]))
    return found


def _limits(metadata: Iterable[Any]) -> tuple[float | None, float | None]:
    least = most = None
    for m in metadata:
        for key in ("ge", "gt"):
            least = getattr(m, key, None) if getattr(m, key, None) is not None else least
        for key in ("le", "lt"):
            most = getattr(m, key, None) if getattr(m, key, None) is not None else most
    return least, most


def _unit(help_text: str) -> str:
    found = re.findall(r"[\[(](0-1|[^\[\]()]{1,24})\]", help_text)
    return found[-1].replace("0-1", "share, 0 to 1") if found else ""


def _words(name: str) -> str:
    plain = re.sub(r"_(m|h|mb|t_ha|(?<!per_)kg)$", "", name).replace("_", " ")
    return plain[:1].upper() + plain[1:]


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_text(v) for v in value)
    if isinstance(value, Mapping):
        return "\n".join(f"{k} = {_text(v)}" for k, v in value.items())
    if isinstance(value, float) and value == int(value) and abs(value) < 1e15:
        return str(int(value))
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


# What stands in the file ----------------------------------------------------------------------------------------------


def shown(entry: Entry, raw: Mapping[str, Any]) -> Shown:
    """An option as it stands in a season's plain values."""
    value = value_at(raw, entry.path)
    is_set = value is not None
    text = _text(value) if is_set and entry.shape != "rows" else ""
    rows = _rows(entry, value) if entry.shape == "rows" else ()
    ticked = frozenset(map(str, value)) if entry.shape == "list" and isinstance(value, list) else frozenset()
    if entry.shape == "list" and not is_set and entry.default:
        ticked = frozenset(entry.default.split(", "))
    differs = is_set and value not in ({}, []) and text != entry.default
    return Shown(entry, text, is_set, differs, rows, ticked)


def _rows(entry: Entry, value: Any) -> tuple[tuple[str, ...], ...]:
    if entry.named and isinstance(value, Mapping):
        return tuple(
            (str(name), *(_text(row[p.name]) if p.name in row else "" for p in entry.parts[1:]))
            for name, row in value.items()
            if isinstance(row, Mapping)
        )
    if isinstance(value, list):
        return tuple(
            tuple(_text(row[p.name]) if p.name in row else "" for p in entry.parts)
            for row in value
            if isinstance(row, Mapping)
        )
    return ()


# What was filled in ---------------------------------------------------------------------------------------------------


def filled(entry: Entry, form: Mapping[str, Sequence[str]], raw: Mapping[str, Any]) -> Any:
    """The plain value that a form gives for an option; None for the default. What cannot be read stays text.

    `form` holds the texts sent for each name; an option that the form does not hold keeps its value.
    """
    before = value_at(raw, entry.path)
    if entry.shape == "rows":
        return _filled_rows(entry, form, before)
    if entry.name not in form and f"{entry.name}#" not in form:
        return before
    texts = [t.replace("\r\n", "\n").strip() for t in form.get(entry.name, ())]
    if entry.shape == "list":
        words = [w.strip() for t in texts for w in re.split(r"[,\n]", t)]
        value: Any = list(dict.fromkeys(w for w in words if w))
        stands = before if isinstance(before, list) else entry.default.split(", ") if entry.default else []
        if set(value) == set(stands):
            return before
        return value or ([] if entry.default else None)
    text = texts[0] if texts else ""
    if text == "":
        return "" if before == "" else None
    if before is None and entry.shape in ("choice", "yes_no") and text == entry.default:
        return None
    return _value(entry.shape, text)


def _value(shape: Shape, text: str) -> Any:
    if shape == "table":
        return _table(text)
    if shape == "yes_no":
        return {"yes": True, "no": False}.get(text, text)
    if shape in ("whole", "number"):
        return filled_number(text)
    if shape == "day":
        try:
            return date.fromisoformat(text)
        except ValueError:
            return text
    return text


def filled_number(text: str) -> Any:
    """A number as people write it, with point or comma; text that is none stays text."""
    plain = text.replace("\N{MINUS SIGN}", "-").replace(" ", "").replace("\u00a0", "")
    if re.fullmatch(r"-?[0-9]+,[0-9]{1,2}", plain):
        plain = plain.replace(",", ".")
    if re.fullmatch(r"-?[0-9]{1,15}", plain):
        return int(plain)
    return float(plain) if re.fullmatch(r"-?[0-9]{0,15}\.?[0-9]{1,12}", plain) else text


def _table(text: str) -> dict[str, Any]:
    """Lines 'name = value' as a table; a line without '=' becomes a value that no option takes."""
    found: dict[str, Any] = {}
    for line in text.split("\n"):
        if not line.strip():
            continue
        name, sign, value = line.rpartition("=")
        key = (name if sign else line).strip().strip('"')
        value = value.strip().strip('"') if sign else ""
        number = filled_number(value)
        found[key] = number if sign else "(nothing after '=')"
    return found


def _filled_rows(entry: Entry, form: Mapping[str, Sequence[str]], before: Any) -> Any:
    if f"{entry.name}#" not in form:
        return before
    count = min(int(form[f"{entry.name}#"][0]) if form[f"{entry.name}#"][0].isdecimal() else 0, MOST_ROWS)
    names, rows = [], []
    for i in range(count):
        cells = {p.name: (form.get(f"{entry.name}#{i}.{p.name}", ("",))[0]).strip() for p in entry.parts}
        if not any(cells.values()) or form.get(f"{entry.name}#{i}-out"):
            continue
        name = cells.pop("", "") if entry.named else ""
        old = _old_row(entry, before, name, i)
        row = {k: v for k, v in old.items() if k not in cells}
        for part in entry.parts:
            if part.name and cells.get(part.name):
                row[part.name] = _value(part.shape, cells[part.name])
        names.append(name)
        rows.append(row)
    if entry.named:
        return dict(zip(names, rows, strict=True)) or None
    return rows or None


def _old_row(entry: Entry, before: Any, name: str, position: int) -> dict[str, Any]:
    """What the row held before, so that what the form does not show is kept."""
    if entry.named:
        return dict(before.get(name, {})) if isinstance(before, Mapping) else {}
    return dict(before[position]) if isinstance(before, list) and position < len(before) else {}


def as_table(value: Any, entry: Entry) -> Any:
    """A table whose values are text keeps numbers as the text that was written."""
    if entry.shape != "table" or not isinstance(value, dict) or not _of_text(entry.path):
        return value
    return {k: v if isinstance(v, str) else _text(v) for k, v in value.items()}


def _of_text(path: Path_) -> bool:
    _, info = _find(path)
    args = typing.get_args(info.annotation) if info is not None else ()
    return len(args) == 2 and (args[1] is str or typing.get_origin(args[1]) is typing.Literal)


def faults_by_option(text: str) -> dict[str, str]:
    """What is wrong with the text of a season file, by the full name of the option."""
    try:
        Settings.model_validate(tomllib.loads(text))
    except ValidationError as exc:
        found: dict[str, str] = {}
        for error in exc.errors():
            where = ".".join(str(p) for p in error["loc"])
            found.setdefault(where, f"{error['msg'].removeprefix('Input should be ')}")
        return found
    return {}


def fault_of(entry: Entry, faults: Mapping[str, str]) -> str:
    """What is wrong with one option, its rows and members included."""
    for where, told in faults.items():
        if where == entry.name or where.startswith(entry.name + "."):
            inner = where.removeprefix(entry.name).lstrip(".")
            return f"{inner}: {told}" if inner else told
    return ""


def with_proposals(entry: Entry, words: Iterable[str]) -> Entry:
    """The option with words to choose from."""
    return replace(entry, proposed=tuple(dict.fromkeys(words)))


def value_text(value: Any) -> str:
    """A plain value as text for people."""
    return _text(value) if not isinstance(value, list | dict) else plain_text(value)
