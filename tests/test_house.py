"""The house is as DEVELOPERS.md says: every room is listed, and imports only rooms that stand above it."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "sourcing"
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "sourcing", "tests", "demo_maps", "scripts"}


def order():
    """Room names in order. A line `package/` is followed by its rooms, set in by two spaces; `package` is one room."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    names, package = [], ""
    for line in re.search(r"```rooms\n(.*?)```", text, re.S).group(1).splitlines():
        name = line.split()[0]
        if name.endswith("/"):
            package = name
        else:
            names.append(package + name if line.startswith("  ") else name)
    return names


def room_of(parts):
    """The room that a module belongs to, from its dotted parts below `sourcing`; None for a package's own head."""
    listed = set(order())
    return next((name for name in ("/".join(parts[:n]) for n in (1, 2)) if name in listed), None)


def rooms():
    """Room name to its files; the placement package is one room."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        if parts[-1] == "__init__" and room_of(parts) is None:
            statements = ast.parse(path.read_text(encoding="utf-8")).body[1:]
            assert all(isinstance(s, ast.Assign) for s in statements), f"{path}: a package's head holds its line only"
        elif parts[-1] != "__main__":
            found.setdefault(room_of(parts) or "/".join(parts), []).append(path)
    return found


def imported_rooms(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import"
            names = [f"{node.module}.{a.name}" for a in node.names]
        elif isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        else:
            continue
        for name in names:
            if name and name.startswith("sourcing.") and (room := room_of(name.split(".")[1:])):
                yield room


def test_every_room_is_listed_and_every_listed_room_exists():
    assert sorted(order()) == sorted(rooms())


def test_rooms_import_only_what_stands_above_them():
    place = {room: i for i, room in enumerate(order())}
    wrong = [
        f"{room} imports {other}"
        for room, files in rooms().items()
        for path in files
        for other in imported_rooms(path)
        if other in place and other != room and place[other] > place[room]
    ]
    assert wrong == []


def test_no_room_is_called_utils_and_none_imports_with_a_star():
    for files in rooms().values():
        for path in files:
            assert "util" not in path.name
            assert "import *" not in path.read_text(encoding="utf-8")


def test_the_top_level_is_as_agreed():
    here = {p.name for p in ROOT.iterdir() if not p.name.startswith(".") and not p.name.endswith(".egg-info")}
    assert here == TOP_LEVEL
