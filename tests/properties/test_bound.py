"""The bound from parts: never less than the best plan is worth, and never worse than the relaxation's."""

from __future__ import annotations

import importlib
import signal
import threading
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.placement import engine, solve
from sourcing.placement.bound import by_parts
from sourcing.placement.instance import Instance, Moves
from sourcing.placement.model import INF, build
from sourcing.placement.split import owners, parts
from tests.unit.small_seasons import everything, plain_optimum, random_season, season

few = settings(max_examples=30, deadline=None)
seeds = st.integers(0, 10_000)


def relaxed_prices(it: Instance) -> np.ndarray:
    return engine.run(build(it), relaxed=True).row_duals


def one_part(it: Instance) -> np.ndarray:
    return np.zeros(build(it).shape[1], dtype=np.int64)


@few
@given(seeds, st.integers(1, 5), st.floats(0, 3))
def test_no_plan_is_better_whatever_the_prices_and_the_parts(seed, count, off):
    """The best plan from scipy's milp on the plain model; prices and parts drawn at random."""
    it = random_season(seed, lots=6, weeks=3)
    model, draw = build(it), np.random.default_rng(seed)
    prices = relaxed_prices(it) * draw.uniform(1 - off, 1 + off, model.shape[0])
    part = draw.integers(-1, count, model.shape[1])
    proof = by_parts(model, part, prices, gap=1e-9)
    most = plain_optimum(it)
    assert -proof.bound >= most - 1e-6 * (1 + abs(most))
    assert proof.bound >= engine.safe_bound(model, prices) - 1e-6 * (1 + abs(most))
    assert proof.effort_s >= 0


@few
@given(seeds)
def test_parts_of_sites_prove_no_less_than_the_relaxation(seed):
    it = random_season(seed, moves=Moves(site_cost=np.full(3, 2.0), stay_weeks=2))
    model = build(it)
    relaxation = engine.run(model, relaxed=True)
    proof = by_parts(model, owners(it, model), relaxation.row_duals, gap=1e-6)
    assert proof.bound >= relaxation.bound - 1e-6 * (1 + abs(relaxation.bound))


@few
@given(seeds)
def test_a_single_part_proves_all_there_is(seed):
    it = random_season(seed, lots=6, weeks=3)
    proof = by_parts(build(it), one_part(it), relaxed_prices(it), gap=1e-9, looks=10_000)
    assert -proof.bound == pytest.approx(plain_optimum(it), rel=1e-5, abs=1e-5)


def test_a_crew_is_paid_whole():
    """100 kg in each of two sites' reach, a barrel-week each, worth 100; six barrels would fit, the crew costs 60.

    The relaxation pays a sixth of each crew and promises 2 * (100 - 10); by hand it is 2 * (100 - 60).
    """
    it = season(
        lot_mass_kg=[100.0, 100.0], lot_class=[0, 0], arc_lot=[0, 1], arc_site=[0, 1], site_village=[0, 0],
        site_hours=[[10.0], [10.0]], site_open_cost=[0, 0], site_least=[1, 1], site_most=[6, 6],
        site_week_cost=[[60.0], [60.0]],
    )  # fmt: skip
    model = build(it)
    assert -engine.run(model, relaxed=True).bound == pytest.approx(180)
    proof = by_parts(model, parts(it, model, columns=1), relaxed_prices(it), gap=1e-9)
    assert -proof.bound == pytest.approx(80)


@pytest.mark.parametrize("hurry", [{"looks": 0}, {"until": -INF}])
def test_without_looks_or_time_the_relaxations_own_bound_is_left(hurry):
    it = everything()
    model, prices = build(it), relaxed_prices(it)
    proof = by_parts(model, parts(it, model, columns=1), prices, gap=1e-9, **hurry)
    full = by_parts(model, parts(it, model, columns=1), prices, gap=1e-9)
    assert engine.safe_bound(model, prices) - 1e-6 <= proof.bound <= full.bound


def test_looks_are_counted_and_the_proof_is_the_same_again():
    it = random_season(5, lots=400, sites=12, weeks=12, classes=20, village_number=4, fleet=np.full(12, 20))
    model, prices = build(it), relaxed_prices(it)
    runs = [by_parts(model, one_part(it), prices, gap=1e-9, looks=looks) for looks in (2, 2, 8)]
    assert runs[0] == runs[1]
    assert runs[2].bound >= runs[0].bound
    assert runs[2].effort_s == pytest.approx(engine.effort_of(model, 9))  # the look at which it ended is counted


def test_an_interrupt_stops_all_parts():
    it = random_season(5, lots=400, sites=12, weeks=12, classes=20, village_number=4, fleet=np.full(12, 20))
    model = build(it)
    seen = []

    def interrupted(do, tasks):
        seen.extend(tasks)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        by_parts(model, parts(it, model, columns=1), relaxed_prices(it), gap=1e-9, map=interrupted)
    assert len(seen) == 12
    assert all(task.halt.asked for task in seen)


def test_ctrl_c_is_heard_while_a_part_is_solved():
    it = random_season(5, lots=4000, sites=40, weeks=20, classes=60, village_number=8, fleet=np.full(20, 60))
    model, prices = build(it), np.zeros(build(it).shape[0])
    timer = threading.Timer(1.0, lambda: signal.raise_signal(signal.SIGINT))
    timer.start()
    began = time.monotonic()
    try:
        with pytest.raises(KeyboardInterrupt):
            by_parts(model, one_part(it), prices, gap=1e-12, looks=10_000_000)
    finally:
        timer.cancel()
    assert time.monotonic() - began < 20


def test_the_plan_of_large_work_is_proven_by_parts(monkeypatch):
    """The proof is asked for once there is a plan, not before, and not where the relaxation has proven enough."""
    room = importlib.import_module("sourcing.placement.solve")
    asked = []

    def counted(model, part, prices, **more):
        asked.append(by_parts(model, part, prices, **more))
        return asked[-1]

    monkeypatch.setattr(room, "WHOLE_AT_ONCE", 0)
    monkeypatch.setattr(room, "by_parts", counted)
    it = random_season(5, lots=400, sites=12, weeks=12, classes=20, village_number=4, fleet=np.full(12, 20))
    steps = []
    plan = solve(it, gap=1e-9, seconds=600, effort_s=8, progress=lambda *step: steps.append(step))
    assert len(asked) == 1
    assert steps[0][0] == "relaxed"
    assert steps[0][2] > -asked[0].bound >= plan.bound >= plan.value
    assert plan.effort_s >= asked[0].effort_s > 0
    solve(it, gap=0.5, seconds=600, effort_s=8)
    assert len(asked) == 1
