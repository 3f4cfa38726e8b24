"""A real PostgreSQL with PostGIS, started for the tests in a temporary folder, and stopped when they end."""

from __future__ import annotations

import atexit
import os
import shutil
import subprocess
import tempfile
from functools import cache
from itertools import count
from pathlib import Path

import pytest

_NUMBERS = count(1)
_OWNER = "postgres"


def new_database() -> str:
    """The address of an empty schema in the tests' own database; or the test is skipped and says why."""
    found = _cluster()
    if not found.startswith("postgresql://"):
        pytest.skip(found)
    return f"{found}&schema=trial_{os.getpid()}_{next(_NUMBERS)}"


@cache
def _cluster() -> str:
    """Starts the server once for this process; its address, or in words why there is none."""
    home = max(Path("/usr/lib/postgresql").glob("*/bin/initdb"), default=None)
    if home is None:
        return "PostgreSQL is not installed"
    version = home.parent.parent.name
    if not Path(f"/usr/share/postgresql/{version}/extension/postgis.control").exists():
        return "PostGIS is not installed"
    try:
        import psycopg  # noqa: F401
    except ModuleNotFoundError:
        return "psycopg is not installed"
    as_owner: list[str] = []
    if os.geteuid() == 0:  # the server refuses to be run by root
        if not shutil.which("runuser") or subprocess.call(["id", _OWNER], stdout=-3, stderr=-3):
            return f"there is no user {_OWNER} to run PostgreSQL"
        as_owner = ["runuser", "-u", _OWNER, "--"]
    folder = Path(tempfile.mkdtemp(prefix="sourcing-pg-"))
    if as_owner:
        shutil.chown(folder, _OWNER)
    data = folder / "data"

    def run(*command: object) -> None:
        done = subprocess.run([*as_owner, *map(str, command)], capture_output=True, text=True, cwd=folder)
        if done.returncode:
            raise RuntimeError(f"{command}: {done.stderr}")

    run(home, "-D", data, "-U", "tests", "--auth=trust", "--no-sync", "-E", "UTF8", "--locale=C.UTF-8")
    options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c max_connections=40"
    run(home.with_name("pg_ctl"), "-D", data, "-w", "-l", folder / "log", "-o", options, "start")

    def stop() -> None:
        subprocess.run([*as_owner, str(home.with_name("pg_ctl")), "-D", str(data), "-m", "immediate", "stop"],
                       capture_output=True, cwd="/")  # fmt: skip
        shutil.rmtree(folder, ignore_errors=True)

    atexit.register(stop)
    return f"postgresql://tests@/postgres?host={folder}"
