"""Sets up what the tests need and runs them all:  python3 scripts/test.py

Words after the command go to pytest:  python3 scripts/test.py tests/unit -k weeks
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

from setup_env import environment, run

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


def wanted_from_debian() -> list[str]:
    """Debian's packages that the tests want and that are not there: a browser, and PostgreSQL with PostGIS."""
    wanted = [] if any(shutil.which(name) for name in BROWSERS) else ["chromium"]
    postgis = list(Path("/usr/share/postgresql").glob("*/extension/postgis.control"))
    return wanted if postgis else [*wanted, "postgresql", "postgresql-postgis", "postgresql-postgis-scripts"]


def fetch_from_debian() -> None:
    """Installs them where apt can; elsewhere the tests that want them say that they were left out."""
    wanted = wanted_from_debian()
    if not wanted or not shutil.which("apt-get"):
        return
    as_root = [] if hasattr(os, "geteuid") and os.geteuid() == 0 else ["sudo", "-n"]
    if as_root and not shutil.which("sudo"):
        return
    print(f"Installing for the tests: {', '.join(wanted)} …", flush=True)
    quiet = {"stdout": subprocess.DEVNULL, "env": {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}}
    if subprocess.call([*as_root, "apt-get", "update", "-qq"], **quiet) == 0:
        for name in wanted:
            subprocess.call([*as_root, "apt-get", "install", "-y", "-qq", "--no-install-recommends", name], **quiet)


if __name__ == "__main__":
    python = environment("test")
    fetch_from_debian()
    words = sys.argv[1:]
    if not words:
        run(python, "-m", "ruff", "check", "sourcing", "scripts", "tests")
        run(python, "-m", "ruff", "format", "--check", "sourcing", "scripts", "tests")
        run(python, "-m", "mypy")
    run(python, "-m", "pytest", *(words or ["-n", "2"]))
