"""Makes the virtual environment that demo.py and test.py use, once; a second call finds it ready."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PINS = ROOT / "scripts" / "pins.txt"
LEAST_PYTHON = (3, 11)


def environment(extra: str = "") -> Path:
    """The environment's Python, with the pinned dependencies and the package installed. `extra` may be 'test'."""
    if sys.version_info < LEAST_PYTHON:
        found = ".".join(map(str, sys.version_info[:3]))
        raise SystemExit(f"Python 3.11 or newer is needed; this is {found} ({sys.executable}).")
    home = ROOT / ".venv"
    python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    stamp = home / f"ready-{extra or 'plain'}"
    wanted = hashlib.sha256(
        b"".join([PINS.read_bytes(), (ROOT / "pyproject.toml").read_bytes(), str(home).encode()])
    ).hexdigest()
    if python.exists() and stamp.exists() and stamp.read_text() == wanted:
        return python
    print(f"Setting up {home} (once; needs the internet) …", flush=True)
    if not python.exists():
        venv.EnvBuilder(with_pip=True).create(home)
    target = f"{ROOT}[{extra}]" if extra else str(ROOT)
    run(python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-c", str(PINS), "-e", target)
    stamp.write_text(wanted)
    return python


def run(*command: str | Path) -> None:
    """Runs a command; stops with its exit code when it fails."""
    code = subprocess.call([str(part) for part in command], cwd=ROOT)
    if code:
        raise SystemExit(code)
