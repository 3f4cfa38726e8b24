"""A season file changed option by option, its comments and its order kept; what was changed outside is never lost."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import tomlkit

from sourcing.desk.shelf import Season, names_outside
from sourcing.desk.store import digest, held, write_whole
from sourcing.errors import Finding, InputError, UsageError
from sourcing.intake.keep import named_files
from sourcing.options import toml_text
from sourcing.settings import Settings, parse_settings

Path_ = tuple[str, ...]
"""Where an option stands, such as ('fleet', 'barrels')."""
Changes = Mapping[Path_, Any]
"""New plain values of options; None takes an option out, so that its default holds."""


class ChangedOutsideError(UsageError):
    """The season file is not what it was when the page was opened."""


@dataclass(frozen=True)
class SeasonText:
    """A season file as it is now: its text and hash, and its settings or why there are none."""

    text: str
    digest: str
    raw: dict[str, Any]
    settings: Settings | None
    faults: tuple[Finding, ...] = ()


def read_text(season: Season) -> SeasonText:
    """The season file as it is now; a faulty one comes with its faults."""
    try:
        data = season.file.read_bytes()
        text = data.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as exc:
        fault = Finding("refused", season.file.name, None, "unreadable", f"it cannot be read: {exc}", "UTF-8 text",
                        "save it as UTF-8 in your editor")  # fmt: skip
        return SeasonText("", digest(season.file), {}, None, (fault,))
    known = digest(season.file)
    try:
        settings = parse_settings(text)
    except InputError as exc:
        try:
            raw = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            raw = {}
        return SeasonText(text, known, raw, None, exc.findings)
    return SeasonText(text, known, tomllib.loads(text), settings)


def changed(text: str, changes: Changes) -> str:
    """The text of a season file with some options changed; all else, comments too, as it was."""
    for path, value in changes.items():
        before = tomllib.loads(text)
        if value_at(before, path) == value and (value is not None or not _has(before, path)):
            continue
        after = _with(before, path, value)
        ways = (_uncommented, _appended, _by_document)
        tried = (way(text, path, value, before) for way in ways)
        plain = next((t for t in tried if t is not None and _reads_as(t, after)), "")
        if not plain:
            raise UsageError(f"{'.'.join(path)} could not be changed in the season file; change it there by hand")
        text = plain
    return text


def save(season: Season, text: str, seen: str) -> str:
    """Saves a season file that was `seen` with this hash; returns its new hash.

    Raises ChangedOutsideError when it has changed since, InputError when the text is faulty, UsageError when it newly
    names a file outside the season. In all of these nothing is written.
    """
    settings = parse_settings(text)
    with held(season.work / "save.lock"):
        now = read_text(season)
        if now.digest != seen:
            raise ChangedOutsideError("The season file was changed elsewhere since this page was opened.")
        known = named_files(now.settings).values() if now.settings is not None else ()
        if outside := names_outside(season, settings, known):
            raise UsageError(f"'{outside[0]}' lies outside the season's folder; put the file into it first")
        write_whole(season.file, text.encode("utf-8"))
        return digest(season.file)


def change(season: Season, changes: Changes, seen: str) -> str:
    """Changes options in the season file; see :func:`save`."""
    return save(season, changed(read_text(season).text, changes), seen)


def value_at(raw: Mapping[str, Any], path: Path_) -> Any:
    """The plain value at a path; None where there is none."""
    found: Any = raw
    for key in path:
        if not isinstance(found, Mapping) or key not in found:
            return None
        found = found[key]
    return found


def _has(raw: Mapping[str, Any], path: Path_) -> bool:
    parent = value_at(raw, path[:-1]) if len(path) > 1 else raw
    return isinstance(parent, Mapping) and path[-1] in parent


def _with(raw: Mapping[str, Any], path: Path_, value: Any) -> dict[str, Any]:
    """A copy of plain values with one changed; a table that loses its last option stays, empty."""
    copy = dict(raw)
    if len(path) > 1:
        inner = copy.get(path[0], {})
        copy[path[0]] = _with(inner if isinstance(inner, Mapping) else {}, path[1:], value)
    elif value is None:
        copy.pop(path[0], None)
    else:
        copy[path[0]] = value
    return copy


def _reads_as(text: str, wanted: Mapping[str, Any]) -> bool:
    try:
        return bool(_pruned(tomllib.loads(text)) == _pruned(wanted))
    except tomllib.TOMLDecodeError:
        return False


def _pruned(value: Any) -> Any:
    """Without empty tables, which mean the same as none."""
    if isinstance(value, Mapping):
        inner = {k: _pruned(v) for k, v in value.items()}
        return {k: v for k, v in inner.items() if v != {} and v != []}
    return [_pruned(v) for v in value] if isinstance(value, list) else value


def _uncommented(text: str, path: Path_, value: Any, before: Mapping[str, Any]) -> str | None:
    """The option put where the season file already explains it: over its commented default, or below its heading.

    None where that cannot be: the option is set already, or its table has no heading of its own.
    """
    if value is None or isinstance(value, dict) or _is_rows(value) or len(path) < 2 or _has(before, path):
        return None
    lines = text.splitlines(keepends=True)
    head = next((i for i, line in enumerate(lines) if _heading(line) == ".".join(path[:-1])), None)
    if head is None:
        return None
    end = next((i for i in range(head + 1, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
    key = _key(path[-1])
    new = f"{key} = {plain_text(value)}\n"
    asked = re.compile(rf"#\s*{re.escape(key)}\s*=")
    for i in range(head + 1, end):
        if asked.match(lines[i].strip()):
            return "".join([*lines[:i], new, *lines[i + 1 :]])
    if not lines[head].endswith("\n"):
        lines[head] += "\n"
    return "".join([*lines[: head + 1], new, *lines[head + 1 :]])


def _heading(line: str) -> str:
    match = re.match(r"\s*\[([A-Za-z0-9_.-]+)\]\s*(#.*)?$", line)
    return match[1] if match else ""


def plain_text(value: Any) -> str:
    """A plain value as TOML text on one line; days as days."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(str(k))} = {plain_text(v)}" for k, v in value.items()) + " }" if value else "{}"
    return value.isoformat() if hasattr(value, "isoformat") else toml_text(value)


def _appended(text: str, path: Path_, value: Any, before: Mapping[str, Any]) -> str | None:
    """A new table, or new rows of one, put at the end of the file; None for anything that stands in it already."""
    known = [r for r in value_at(before, path) or [] if isinstance(r, dict)] if _is_rows(value) else []
    if value is None or (_has(before, path) and not (known and value[: len(known)] == known)):
        return None
    end = text if text.endswith("\n") or not text else text + "\n"
    head = ".".join(_key(k) for k in path)
    if _is_rows(value):
        blocks = [f"\n[[{head}]]\n" + _lines(row) for row in value[len(known) :]]
    elif isinstance(value, dict):
        inner = {k: v for k, v in value.items() if isinstance(v, dict)}
        own = {k: v for k, v in value.items() if k not in inner}
        blocks = [f"\n[{head}]\n" + _lines(own)] if own else []
        blocks += [f"\n[{head}.{_key(k)}]\n" + _lines(v) for k, v in inner.items()]
    elif len(path) > 1:
        blocks = [f"\n[{'.'.join(_key(k) for k in path[:-1])}]\n" + _lines({path[-1]: value})]
    else:
        return None
    return end + "".join(blocks)


def _lines(row: Mapping[str, Any]) -> str:
    return "".join(f"{_key(k)} = {plain_text(v)}\n" for k, v in row.items())


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else toml_text(name)


def _is_rows(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _by_document(text: str, path: Path_, value: Any, before: Mapping[str, Any]) -> str | None:
    """Any change, made in the parsed document; comments beside what stays are kept."""
    document = tomlkit.parse(text)
    table: Any = document
    for key in path[:-1]:
        if key not in table:
            if value is None:
                return text
            table[key] = tomlkit.table(is_super_table=len(path) > 2 and key == path[0])
        table = table[key]
    key = path[-1]
    if value is None:
        if key in table:
            del table[key]
    elif _is_rows(value) and isinstance(table.get(key), tomlkit.items.AoT):
        rows = table[key]
        for _ in range(len(rows) - len(value)):
            del rows[len(rows) - 1]
        for i, row in enumerate(value):
            if i < len(rows):
                _fill(rows, i, row)
            else:
                rows.append(_table_of(row))
    elif _is_rows(value):
        rows = tomlkit.aot()
        for row in value:
            rows.append(_table_of(row))
        table[key] = rows
    elif isinstance(value, dict) and key in table:
        _fill(table, key, value)
    else:
        table[key] = _table_of(value) if isinstance(value, dict) else value
    return tomlkit.dumps(document)


def _fill(table: Any, key: Any, value: Mapping[str, Any]) -> None:
    """A table's members changed one by one, so that comments beside those that stay are kept."""
    inner = table[key]
    for k in [k for k in inner if k not in value]:
        del inner[k]
    for k, v in value.items():
        if isinstance(v, dict) and k in inner:
            _fill(inner, k, v)
        elif k not in inner or inner[k] != v:
            inner[k] = _inline(v)


def _table_of(row: Mapping[str, Any]) -> Any:
    made = tomlkit.table()
    for k, v in row.items():
        made[k] = _inline(v)
    return made


def _inline(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    table = tomlkit.inline_table()
    table.update(value)
    return table
