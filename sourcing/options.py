"""The options of a season as a table and as a commented season file, both generated from `settings`."""

from __future__ import annotations

import json
import textwrap
import types
import typing
from dataclasses import dataclass
from typing import Any

from pydantic.fields import FieldInfo

from sourcing.settings import Layer, NoGoLayer, Section, Settings

EXAMPLES = {
    "crop_names": ['# "mealies" = "maize"', '# "bare land" = "-"        # not a crop: set aside'],
    "crops": ["# [crops.maize]", "# yield_t_ha = 1.4", '# harvest_start = "04-15"', '# harvest_end = "06-10"'],
    "values": ['# "money.char_value_per_kg" = 0.25'],
    "layers.no_go": ["# [[layers.no_go]]", '# file = "houses.gpkg"', '# kind = "house"'],
    "layers.background": ["# [[layers.background]]", '# file = "water.gpkg"'],
    "layers.fields.columns": [
        '# crop = "main_crop"',
        '# village = "hamlet"',
        '# harvest_start = "reaped_from"',
    ],
}
"""What a table with free names looks like; shown as comments in a new season file."""
UNNAMED_FILE = "fields.gpkg"
"""What a new season file calls the survey until someone names it."""


@dataclass(frozen=True)
class Option:
    """One option: where it stands, its default as TOML text, the kinds of value it takes, its meaning."""

    section: str
    name: str
    kind: str
    default: str
    meaning: str

    @property
    def path(self) -> str:
        """The option's full name, such as 'fleet.barrels'."""
        return f"{self.section}.{self.name}" if self.section else self.name


def options() -> tuple[Option, ...]:
    """Every option of a season, in the order of the file."""
    return tuple(_walk(Settings, ""))


def section_meanings() -> dict[str, str]:
    """What each group of options is about, by the group's name."""
    return dict(_meanings(Settings, ""))


def season_text() -> str:
    """A whole season file: every option with its meaning, commented out at its default."""
    lines = [
        "# A season. Options stand at their defaults; take the # away to change one.",
        "# Check it with:  sourcing check FOLDER      Plan it with:  sourcing plan FOLDER",
        "",
    ]
    meanings = section_meanings()
    for section, members in _sections().items():
        if section in ("", "layers"):
            continue
        needed, layer = section == "layers.fields", section.startswith("layers.")
        lines += _comment(meanings[section])
        lines.append(f"[{section}]" if needed or not layer else f"# [{section}]")
        if layer and not needed:
            lines += ['# file = "…"', "# (and layer, crs, columns, as for the fields)", ""]
            continue
        for option in members:
            lines += _comment(option.meaning)
            if needed and option.name == "file":
                lines.append(f'file = "{UNNAMED_FILE}"')
            elif option.path in EXAMPLES:
                lines += [f"# [{option.path}]", *EXAMPLES[option.path]]
            else:
                lines.append(f"# {option.name} = {option.default or '…'}")
        lines.append("")
    for option in options():
        if option.path in EXAMPLES and option.section in ("", "layers"):
            head = [] if option.path in ("crops", "layers.no_go", "layers.background") else [f"[{option.path}]"]
            lines += [*_comment(option.meaning), *head, *EXAMPLES[option.path], ""]
    return "\n".join(lines)


def _sections() -> dict[str, list[Option]]:
    found: dict[str, list[Option]] = {}
    for option in options():
        found.setdefault(option.section, []).append(option)
    return found


def _walk(model: type[Section], section: str) -> typing.Iterator[Option]:
    for name, info in model.model_fields.items():
        inner = _inner_section(info.annotation)
        path = f"{section}.{name}" if section else name
        if inner is not None:
            yield from _walk(inner, path)
        else:
            yield Option(section, name, _kind(info), _default(info), " ".join((info.description or "").split()))


def _meanings(model: type[Section], section: str) -> typing.Iterator[tuple[str, str]]:
    for name, info in model.model_fields.items():
        inner = _inner_section(info.annotation)
        if inner is not None:
            path = f"{section}.{name}" if section else name
            yield path, " ".join((info.description or inner.__doc__ or "").split())
            yield from _meanings(inner, path)


def _inner_section(annotation: Any) -> type[Section] | None:
    for part in (annotation, *typing.get_args(annotation)):
        if isinstance(part, type) and issubclass(part, Section) and typing.get_origin(annotation) not in (list, dict):
            return part
    return None


def _default(info: FieldInfo) -> str:
    return "" if info.is_required() or info.default is None else toml_text(info.default)


def toml_text(value: Any) -> str:
    """A plain value as TOML text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(str(k))} = {toml_text(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_text(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def _kind(info: FieldInfo) -> str:
    return f"{_kind_of(info.annotation)} {_limits(info.metadata)}".strip()


def _limits(metadata: typing.Iterable[Any]) -> str:
    signs = {"ge": "≥", "gt": ">", "le": "≤", "lt": "<"}
    return ", ".join(f"{sign} {getattr(m, key)}" for m in metadata for key, sign in signs.items() if hasattr(m, key))


def _kind_of(annotation: Any) -> str:
    origin, args = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Literal:
        return " | ".join(map(str, args))
    if origin in (typing.Union, types.UnionType):
        return " or ".join(_kind_of(a) for a in args if a is not type(None))
    if origin is typing.Annotated:
        inner = [m for part in args[1:] for m in getattr(part, "metadata", [part])]
        return f"{_kind_of(args[0])} {_limits(inner)}".strip()
    if origin is list:
        return f"list of {_kind_of(args[0])}"
    if origin is dict:
        return f"table of {_kind_of(args[0])} = {_kind_of(args[1])}"
    names = {
        str: "text",
        int: "whole number",
        float: "number",
        bool: "true or false",
        Layer: "layer",
        NoGoLayer: "layer",
    }
    return names.get(annotation, getattr(annotation, "__name__", str(annotation)))


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, width=98, initial_indent="# ", subsequent_indent="# ") if text else []
