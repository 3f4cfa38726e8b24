"""Runs killed with SIGKILL at random moments, and two runs at once: nothing earlier is harmed, and the next run works.

SOURCING_KILLS says how many moments of a plan, and of an intake, are tried; with it every kill is followed by a whole
run.
"""

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest
from click.testing import CliRunner

from sourcing.cli import main
from sourcing.intake.book import HISTORY_FILE, open_history
from sourcing.intake.history import fields_today, fingerprint, surveys
from tests.unit.two_surveys import SEASON, fields, season

ASKED = os.environ.get("SOURCING_KILLS", "")
PLAN_KILLS, INTAKE_KILLS = (int(ASKED), int(ASKED)) if ASKED else (2, 2)
TEXT = SEASON.replace("seconds = 30", "seconds = 5") + "[stress]\nreplays = 20\n[outputs]\nkeep_inputs = true\n"


def start(*words):
    # a group of its own, so that helpers of the run die with it
    return subprocess.Popen(
        [sys.executable, "-m", "sourcing", *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True,
    )  # fmt: skip


def run(*words):
    """A whole run, in this process."""
    done = CliRunner().invoke(main, [str(w) for w in words])
    return done.exit_code, done.stdout, done.stderr


def killed(seconds, *words):
    """Starts a run and kills it after so long: how long it ran until it ended by itself [s], none where it was cut."""
    begun = time.monotonic()
    child = start(*words)
    with suppress(subprocess.TimeoutExpired):
        child.wait(seconds)
    ended = None if child.poll() is None else time.monotonic() - begun
    with suppress(ProcessLookupError):
        os.killpg(child.pid, signal.SIGKILL)
    child.communicate()
    return ended


class Moments:
    """Random moments of a run [s], drawn anew from its shorter length when a run has ended before its moment."""

    def __init__(self, seed, length_s, least, most):
        self.chance = random.Random(seed)
        self.length_s, self.least, self.most = length_s, least, most
        self.tried = self.cut = 0

    def wanted(self, turns):
        """Whether to try again: until so many were tried and one run was cut, however loaded the machine is."""
        return self.tried < turns or (not self.cut and self.tried < turns + 8)

    def kill(self, *words):
        ended = killed(self.chance.uniform(self.least, self.most) * self.length_s, *words)
        self.tried += 1
        if ended is None:
            self.cut += 1
        else:
            self.length_s = min(0.8 * self.length_s, ended)


def state_of(folder):
    with open_history(folder / HISTORY_FILE) as book:
        return fingerprint(fields_today(book)), [(s.id, s.undone_at) for s in surveys(book)]


def plans_of(folder):
    """Every finished plan folder, as the hashes of its files."""
    return {
        plan.name: {f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in sorted(plan.iterdir())}
        for plan in sorted((folder / "plans").glob("[0-9]*"))
    }


@pytest.fixture(scope="module")
def worked(tmp_path_factory):
    """A season with an accepted survey and one plan, and how long that plan took [s]."""
    folder = season(tmp_path_factory.mktemp("killed") / "s", fields().iloc[[0, 1, 12, 13]], TEXT)
    assert run("accept", folder)[0] == 0
    begun = time.monotonic()
    first = start("plan", folder)
    _, err = first.communicate()
    assert first.returncode == 0, err
    return folder, time.monotonic() - begun


def test_a_plan_killed_at_any_moment_harms_nothing_and_the_next_one_is_whole(worked):
    folder, seconds = worked
    moments = Moments(1, seconds, 0, 1)
    before, history = plans_of(folder), state_of(folder)
    files = set(next(iter(before.values())))
    while moments.wanted(PLAN_KILLS):
        moments.kill("plan", folder)
        now = plans_of(folder)
        assert {name: now[name] for name in before} == before
        for name in now:  # a run that was quick enough has left a whole plan, never a part of one
            assert {f.rsplit("-", 2)[0] for f in now[name]} == {f.rsplit("-", 2)[0] for f in files}
            json.loads((folder / "plans" / name / "plan.json").read_text())
        assert state_of(folder) == history
        before = now
        if ASKED:
            assert run("plan", folder)[0] == 0
            before = plans_of(folder)
    assert moments.cut > 0
    code, _, err = run("plan", folder)
    assert code == 0, err
    assert len(plans_of(folder)) == len(before) + 1


def test_an_intake_killed_at_any_moment_leaves_the_history_before_or_after_it(worked):
    folder, _ = worked
    frame = fields().iloc[[0, 1, 12, 13]]
    begun = time.monotonic()
    start("history", folder).communicate()
    moments = Moments(2, time.monotonic() - begun, 0.4, 1.4)
    while moments.wanted(INTAKE_KILLS):
        frame = frame.assign(yield_t_ha=2.0 + moments.tried / 100)
        frame.to_file(folder / "fields.gpkg")
        before = state_of(folder)
        moments.kill("accept", folder)
        after = state_of(folder)
        if after[1] == before[1]:
            assert after == before
            code, _, err = run("accept", folder)
            assert code == 0, err
        else:
            assert len(after[1]) == len(before[1]) + 1
            code, _, err = run("accept", folder)
            assert code == 1
            assert "accepted on" in err
        assert state_of(folder)[0] != before[0]
        assert run("undo", folder)[0] == 0
        assert state_of(folder)[0] == before[0]
    assert moments.cut > 0


def test_two_runs_at_once_do_not_mix(worked):
    """Two plans and two intakes of one file at once: two whole plans, one intake, and a clear word for the other."""
    folder, _ = worked
    fields().iloc[[0, 1, 12]].to_file(folder / "fields.gpkg")
    before, known = plans_of(folder), state_of(folder)[1]
    runs = [start("accept", folder) for _ in range(2)]
    told = [r.communicate() for r in runs]
    assert sorted(r.returncode for r in runs) == [0, 1], told
    assert "accepted on" in "".join(err for _, err in told)
    assert len(state_of(folder)[1]) == len(known) + 1
    runs = [start("plan", folder, "--json") for _ in range(2)]
    told = [r.communicate() for r in runs]
    assert [r.returncode for r in runs] == [0, 0], told
    made = {Path(json.loads(out)["folder"]).name for out, _ in told}
    now = plans_of(folder)
    assert set(now) == set(before) | made
    assert len(made) == 2
    assert {name: now[name] for name in before} == before
    files = {frozenset(now[name]) for name in made}
    assert len(files) == 1
