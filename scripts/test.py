"""Sets up what the tests need and runs them all:  python3 scripts/test.py

Words after the command go to pytest:  python3 scripts/test.py tests/unit -k weeks
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

from setup_env import environment, run

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")


def fetch_browser() -> None:
    """Installs Debian's Chromium where apt can; elsewhere the browser tests say that they were left out."""
    if any(shutil.which(name) for name in BROWSERS) or not shutil.which("apt-get"):
        return
    as_root = [] if hasattr(os, "geteuid") and os.geteuid() == 0 else ["sudo", "-n"]
    if as_root and not shutil.which("sudo"):
        return
    print("Installing Chromium for the browser tests …", flush=True)
    quiet = {"stdout": subprocess.DEVNULL, "env": {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}}
    if subprocess.call([*as_root, "apt-get", "update", "-qq"], **quiet) == 0:
        subprocess.call([*as_root, "apt-get", "install", "-y", "-qq", "--no-install-recommends", "chromium"], **quiet)


if __name__ == "__main__":
    python = environment("test")
    fetch_browser()
    words = sys.argv[1:]
    if not words:
        run(python, "-m", "ruff", "check", "sourcing", "scripts", "tests")
        run(python, "-m", "ruff", "format", "--check", "sourcing", "scripts", "tests")
        run(python, "-m", "mypy")
    run(python, "-m", "pytest", *(words or ["-n", "2"]))
