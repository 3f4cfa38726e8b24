"""The placement rooms on seasons small enough to be worked out another way."""

from __future__ import annotations

import importlib
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import highspy
import numpy as np
import pytest

from scripts.landscapes import landscape
from sourcing.errors import NoPlanError, UsageError
from sourcing.placement import engine, split
from sourcing.placement.check import check
from sourcing.placement.instance import IN, OUT, Villages, Wishes
from sourcing.placement.model import build
from sourcing.placement.solve import WHOLE_AT_ONCE, carries_of, solve
from tests.unit.small_seasons import brute_optimum, plain_optimum, random_season, season

ROOT = Path(__file__).resolve().parents[2]


def best(it, **more):
    plan = solve(it, gap=1e-9, seconds=30, **more)
    assert check(it, plan) == []
    assert plan.status == "optimal"
    return plan


# against other formulations


@pytest.mark.parametrize("seed", range(12))
def test_margin_equals_the_plain_model(seed):
    it = random_season(seed)
    assert best(it).value == pytest.approx(plain_optimum(it), rel=1e-6, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_char_equals_the_plain_model(seed):
    it = random_season(seed, goal="char")
    assert best(it).value == pytest.approx(plain_optimum(it), rel=1e-6, abs=1e-5)


@pytest.mark.parametrize("seed", range(12))
def test_chains_of_windows_lose_nothing_against_the_plain_model(seed):
    """One residue with many windows, some inside others, and losses: scipy's milp on kg of lot l at s in week t."""
    classes, weeks = 7, 6
    draw = np.random.default_rng(100 + seed)
    first = draw.integers(0, weeks, classes)
    last = np.minimum(first + draw.integers(0, weeks, classes), weeks - 1)
    same = {
        "class_hours_per_kg": np.full(classes, 0.1), "class_value_per_kg": np.full(classes, 0.8),
        "class_char_per_kg": np.full(classes, 0.3), "class_loss_week": np.full(classes, draw.choice([0.0, 0.05, 0.3])),
    }  # fmt: skip
    it = random_season(
        seed, lots=14, sites=3, weeks=weeks, classes=classes, class_first=first, class_last=last,
        fleet=draw.integers(1, 3, weeks), **same,
    )  # fmt: skip
    assert best(it).value == pytest.approx(plain_optimum(it), rel=1e-6, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_clear_equals_the_plain_model(seed):
    it = random_season(seed, goal="clear", clear_share=0.25, class_cost_per_kg=0.07)
    expected = plain_optimum(it)
    if np.isnan(expected):
        with pytest.raises(NoPlanError):
            solve(it)
    else:
        assert best(it).value == pytest.approx(expected, rel=1e-6, abs=1e-5)


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("goal", ["margin", "clear"])
def test_crews_paid_by_week_equal_the_plain_model(seed, goal):
    """Against scipy's milp with the cost on its own binary of a site-week, with and without a least number."""
    draw = np.random.default_rng(50 + seed)
    least = {} if seed % 2 else {"site_least": [1, 1, 1]}
    it = random_season(
        seed, lots=12, goal=goal, clear_share=0.25, site_week_cost=draw.uniform(0, 30, (3, 4)), busy_floor=0.2, **least
    )
    expected = plain_optimum(it)
    if np.isnan(expected):
        with pytest.raises(NoPlanError):
            solve(it)
    else:
        assert best(it).value == pytest.approx(expected, rel=1e-6, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_margin_equals_brute_force(seed):
    it = random_season(seed, lots=4, sites=2, weeks=2, classes=2, site_most=[2, 2], site_least=[1, 2])
    assert best(it).value == pytest.approx(brute_optimum(it), rel=1e-6, abs=1e-5)


# each rule alone, where it binds, worked by hand


def test_lot_mass_binds():
    """100 kg lie there and are worth 1 a kg; barrels for 600."""
    assert best(season()).value == pytest.approx(100)


def test_barrel_hours_bind_and_barrels_are_whole():
    """250 kg, 100 kg a barrel-week, each barrel-week costs 60: two full ones earn 80, a third would lose 10."""
    plan = best(season(lot_mass_kg=[250.0], barrel_week_cost=60.0))
    assert plan.value == pytest.approx(80)
    assert plan.barrels.tolist() == [[2]]


def test_busy_floor_binds():
    """130 kg at a floor of 0.7: two barrels would need 140 kg, so one barrel chars 100 kg."""
    plan = best(season(lot_mass_kg=[130.0], busy_floor=0.7))
    assert plan.value == pytest.approx(100)
    assert best(season(lot_mass_kg=[140.0], busy_floor=0.7)).value == pytest.approx(140)


def test_fleet_binds_in_its_week():
    """Two weeks with 300 kg each; three barrels in the first, one in the second."""
    it = season(
        lot_mass_kg=[300.0, 300.0], lot_class=[0, 1], class_first=[0, 1], class_last=[0, 1],
        class_hours_per_kg=[0.1, 0.1], class_value_per_kg=[1, 1], class_char_per_kg=[0.3, 0.3], class_loss_week=[0, 0],
        arc_lot=[0, 1], arc_site=[0, 0], site_hours=[[10.0, 10.0]], fleet=[3, 1],
    )  # fmt: skip
    assert best(it).value == pytest.approx(400)


def test_most_barrels_at_a_site_bind():
    assert best(season(lot_mass_kg=[500.0], site_most=[3])).value == pytest.approx(300)


def test_least_barrels_at_a_site_bind():
    """At least 2 barrels at 60 each or none: 150 kg leave 30; 110 kg would lose 10, so none."""
    assert best(season(lot_mass_kg=[150.0], site_least=[2], barrel_week_cost=60.0)).value == pytest.approx(30)
    assert best(season(lot_mass_kg=[110.0], site_least=[2], barrel_week_cost=60.0)).value == pytest.approx(0)


def test_crew_of_a_week_binds():
    """Two sites near two lots of 100 kg; the far way costs 0.2 a kg, a crew-week 30: one site chars both, 150.

    With crews at 10, one at each site is better: 200 - 20. In the dear week nothing pays.
    """
    it = season(
        lot_mass_kg=[100.0, 100.0], lot_class=[0, 0], arc_lot=[0, 0, 1, 1], arc_site=[0, 1, 0, 1],
        arc_cost_per_kg=[0.0, 0.2, 0.2, 0.0], site_village=[0, 0], site_hours=[[10.0], [10.0]],
        site_open_cost=[0.0, 0.0], site_least=[1, 1], site_most=[6, 6], site_week_cost=30.0,
    )  # fmt: skip
    plan = best(it)
    assert plan.value == pytest.approx(150)
    assert plan.spent == pytest.approx(50)
    assert sorted(plan.barrels.ravel().tolist()) == [0, 2]
    assert best(replace(it, site_week_cost=[10.0, 10.0])).value == pytest.approx(180)
    assert best(replace(it, site_week_cost=[[200.0], [200.0]])).value == pytest.approx(0)
    cleared = best(replace(it, goal="clear"))
    assert cleared.value == pytest.approx(50)
    # money for one crew and 75 kg of far carrying
    assert best(replace(it, wishes=Wishes(budget=45.0))).value == pytest.approx(200 - 25 - 15 - 30)


def test_opening_cost_binds():
    """One site at 70 is worth opening for 100 kg; the dearer second for its own 50 kg at 70 is not."""
    it = season(
        lot_mass_kg=[100.0, 50.0], lot_class=[0, 0], arc_lot=[0, 1], arc_site=[0, 1], site_village=[0, 0],
        site_hours=[[10.0], [10.0]], site_open_cost=[70.0, 70.0], site_least=[1, 1], site_most=[6, 6],
    )  # fmt: skip
    plan = best(it)
    assert plan.value == pytest.approx(30)
    assert plan.opened.tolist() == [True, False]


def test_window_and_loss_bind():
    """150 kg ready in week 0, 100 kg a week, a fifth lost by week 1: 100 + 50 * 0.8, and hours count what is left."""
    it = season(lot_mass_kg=[150.0], class_last=[1], class_loss_week=[0.2], site_hours=[[10.0, 10.0]], fleet=[1, 1])
    assert best(it).value == pytest.approx(140)
    big = replace(
        it, lot_mass_kg=[1000.0]
    )  # 100 kg in week 0; in week 1 125 ready kg have become the 100 kg it can char
    assert best(big).value == pytest.approx(200)
    assert best(big).x.sum() == pytest.approx(225)
    assert best(replace(it, class_last=[0])).value == pytest.approx(100)


def test_an_arc_with_a_narrower_window_binds():
    """150 kg from week 0 on, a fifth lost a week; the way opens in week 1 only, where 100 charred kg were 125 ready."""
    it = season(
        lot_mass_kg=[150.0], class_first=[0, 1], class_last=[1, 1], class_ready=[0, 0], arc_class=[1],
        class_hours_per_kg=[0.1, 0.1], class_value_per_kg=[1, 1], class_char_per_kg=[0.3, 0.3],
        class_loss_week=[0.2, 0.2], site_hours=[[10.0, 10.0]], fleet=[1, 1],
    )  # fmt: skip
    plan = best(it)
    assert plan.value == pytest.approx(100)
    assert plan.x.sum() == pytest.approx(125)
    with pytest.raises(UsageError, match="outside its lot's"):
        replace(it, lot_class=[1], class_last=[1, 1], arc_class=[0])


def test_carrying_cost_counts_what_was_ready():
    """In week 1 only: 125 ready kg, carried at 0.5, become 100 kg worth 1."""
    it = season(
        lot_mass_kg=[125.0], class_last=[1], class_loss_week=[0.2], site_hours=[[0.0, 10.0]], fleet=[1, 1],
        arc_cost_per_kg=[0.5],
    )  # fmt: skip
    assert best(it).value == pytest.approx(100 - 62.5)


def two_sites(**more):
    """Two villages, a site and 100 kg at each; the second lot is worth carrying only to its own site."""
    return season(**({
        "lot_mass_kg": [100.0, 80.0], "lot_class": [0, 0], "arc_lot": [0, 1], "arc_site": [0, 1],
        "site_village": [0, 1],
        "site_hours": [[10.0], [10.0]], "site_open_cost": [0.0, 0.0], "site_least": [1, 1], "site_most": [6, 6],
    } | more))  # fmt: skip


def test_deploy_cost_binds():
    """The second village's 80 kg do not pay for 90."""
    assert best(two_sites(villages=Villages(deploy_cost=[90.0, 90.0]))).value == pytest.approx(10)


def test_most_and_least_villages_bind():
    assert best(two_sites(villages=Villages(deploy_cost=[0.0, 0.0], most=1))).value == pytest.approx(100)
    assert best(two_sites(villages=Villages(deploy_cost=[90.0, 90.0], least=2))).value == pytest.approx(0)


def test_village_pins_bind():
    free = Villages(deploy_cost=[90.0, 90.0])
    assert best(two_sites(villages=replace(free, pin=[OUT, IN]))).value == pytest.approx(-10)


def test_site_pins_and_numbers_bind():
    assert best(two_sites(wishes=Wishes(site_pin=[OUT, 0]))).value == pytest.approx(80)
    assert best(two_sites(site_open_cost=[0, 90], wishes=Wishes(site_pin=[0, IN]))).value == pytest.approx(90)
    assert best(two_sites(wishes=Wishes(sites_most=1))).value == pytest.approx(100)
    assert best(two_sites(site_open_cost=[0, 90], wishes=Wishes(sites_least=2))).value == pytest.approx(90)


def test_fixed_and_forbidden_barrels_bind():
    fixed = Wishes(barrels_least=[[0], [2]], barrels_most=[[6], [2]])
    assert best(two_sites(fleet=[2], wishes=fixed)).value == pytest.approx(80)
    assert best(two_sites(wishes=Wishes(barrels_most=[[0], [6]]))).value == pytest.approx(80)


def test_clear_share_binds():
    """Half of 180 kg must go; carrying costs 1 a kg from the first lot, 2 from the second: 90 kg at 1."""
    it = two_sites(goal="clear", clear_share=0.5, arc_cost_per_kg=[1.0, 2.0])
    assert best(it).value == pytest.approx(90)
    assert best(replace(it, clear_share=1.0)).value == pytest.approx(260)


def test_weights_trade_goals():
    """Carrying costs 1.1 a kg, worth 1: margin alone leaves it; a weight of 0.5 on char (0.3 kg a kg) takes it."""
    it = season(goal="mix", arc_cost_per_kg=[1.1], weights=(1.0, 0.0, 0.0))
    assert best(it).value == pytest.approx(0)
    assert best(replace(it, weights=(1.0, 0.5, 0.0))).value == pytest.approx(100 * (-0.1 + 0.15))
    assert best(replace(it, weights=(1.0, 0.0, 0.2))).value == pytest.approx(100 * (-0.1 + 0.2))


# refusals


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"lot_mass_kg": [np.nan]}, "missing"),
        ({"lot_mass_kg": [-1.0]}, "below 0"),
        ({"lot_mass_kg": [1.0, 2.0]}, "shape"),
        ({"arc_lot": [3]}, "only 1"),
        ({"fleet": [1.5]}, "whole"),
        ({"class_hours_per_kg": [0.0]}, "takes time"),
        ({"class_loss_week": [1.5]}, "from 0 to 1"),
        ({"site_least": [3], "site_most": [2]}, "at least 3"),
        ({"goal": "wealth"}, "goal"),
        ({"busy_floor": 2.0}, "busy_floor"),
        ({"arc_cost_per_kg": [np.inf]}, "infinite"),
        ({"lot_mass_kg": ["many"]}, "numbers"),
    ],
)
def test_malformed_instances_are_refused(change, said):
    with pytest.raises(UsageError, match=said):
        season(**change)


def test_all_faults_are_told_at_once():
    with pytest.raises(UsageError, match=r"lot_mass_kg.*fleet"):
        season(lot_mass_kg=[-1.0], fleet=[0.5])


def test_the_impossible_is_refused_with_both_figures():
    with pytest.raises(NoPlanError, match=r"180 kg.*100 kg"):
        two_sites(goal="clear", arc_lot=[0], arc_site=[0])
    with pytest.raises(NoPlanError, match=r"7 barrels.*there are 6"):
        two_sites(site_most=[9, 9], wishes=Wishes(barrels_least=[[3], [4]]))
    with pytest.raises(NoPlanError, match="no plan"):
        solve(season(goal="clear", fleet=[0]))


def test_an_instance_cannot_be_changed():
    it = season()
    with pytest.raises(ValueError, match="read-only"):
        it.lot_mass_kg[0] = 3


# carries


@pytest.mark.parametrize("seed", range(5))
def test_carries_conserve_mass(seed):
    it = random_season(seed, lots=30, sites=4, weeks=6, classes=4)
    plan = best(it)
    along = np.bincount(plan.carry_arc, weights=plan.carry_kg, minlength=len(it.arc_lot))
    np.testing.assert_allclose(along, plan.x, rtol=1e-12, atol=1e-9)
    assert plan.carry_kg.sum() == pytest.approx(plan.work_kg.sum(), rel=1e-12)
    assert (plan.carry_kg > 0).all()


def test_the_cheapest_carries_come_first():
    it = season(
        lot_mass_kg=[100.0, 100.0], lot_class=[0, 0], class_last=[1], arc_lot=[0, 1], arc_site=[0, 0],
        arc_cost_per_kg=[0.3, 0.1], site_hours=[[10.0, 10.0]], fleet=[1, 1],
    )  # fmt: skip
    plan = best(it)
    assert list(zip(plan.carry_arc, plan.carry_week, plan.carry_kg.round(6), strict=True)) == [(1, 0, 100), (0, 1, 100)]


# the checker


def spoil(**change):
    return lambda plan: replace(plan, **{name: make(plan) for name, make in change.items()})


def more(name, at, by):
    def make(plan):
        array = getattr(plan, name).copy()
        array[at] += by
        return array

    return make


CORRUPTIONS = {
    "a barrel more than the fleet": spoil(barrels=more("barrels", (0, 0), 20)),
    "no barrels where work is done": spoil(
        barrels=lambda p: np.zeros_like(p.barrels), opened=lambda p: p.opened & False
    ),
    "a barrel idle": spoil(barrels=lambda p: np.where(p.barrels == p.barrels.max(), p.barrels + 1, p.barrels)),
    "barrels not whole": spoil(barrels=lambda p: p.barrels * 1.0),
    "a kilo that does not exist": spoil(carry_kg=more("carry_kg", 0, 500.0)),
    "a carry out of its window": spoil(carry_week=lambda p: np.roll(p.carry_week * 0 + 5, 0)),
    "a negative carry": spoil(carry_kg=lambda p: -p.carry_kg),
    "x that differs from the carries": spoil(x=more("x", 0, 5.0)),
    "work nobody carried": spoil(work_kg=more("work_kg", 0, 5.0)),
    "a value too good": spoil(value=lambda p: p.value * 1.01, bound=lambda p: p.bound * 1.02),
    "a bound below the value": spoil(bound=lambda p: p.value * 0.9),
    "opened said wrongly": spoil(opened=lambda p: ~p.opened),
    "another goal": spoil(goal=lambda p: "char"),
}


@pytest.mark.parametrize("name", CORRUPTIONS)
def test_checker_catches(name):
    it = random_season(3, lots=12, sites=3, weeks=6, classes=3, busy_floor=0.8)
    plan = best(it)
    assert plan.value > 10
    assert check(it, CORRUPTIONS[name](plan)), name


# time


def test_the_time_limit_is_kept():
    it = random_season(5, lots=4000, sites=40, weeks=20, classes=60, village_number=8, fleet=np.full(20, 60))
    began = time.monotonic()
    plan = solve(it, gap=1e-9, seconds=3)
    assert time.monotonic() - began < 3 + 3 * engine.GRACE_S
    assert check(it, plan) == []
    assert plan.bound >= plan.value


def test_rough_duals_still_give_a_bound():
    it = random_season(2)
    model = build(it)
    exact = engine.run(model, relaxed=True)
    assert engine.safe_bound(model, exact.row_duals) == pytest.approx(exact.objective, rel=1e-7)
    draw = np.random.default_rng(1)
    for _ in range(20):
        rough = exact.row_duals * draw.uniform(0.5, 1.5, len(exact.row_duals))
        assert engine.safe_bound(model, rough) <= exact.objective + 1e-6


class Doubting:
    """A solver that does not vouch for its answer; with `wrong`, its prices mean nothing."""

    def __init__(self, solver, wrong):
        self.solver, self.wrong = solver, wrong

    def getModelStatus(self):
        return highspy.HighsModelStatus.kUnknown

    def getSolution(self):
        solution = self.solver.getSolution()
        if self.wrong:
            solution.row_dual = [0.0] * len(solution.row_dual)
        return solution

    def __getattr__(self, name):
        return getattr(self.solver, name)


@pytest.mark.parametrize(("wrong", "end"), [(False, "optimal"), (True, "failed")])
def test_an_interior_point_not_vouched_for_is_taken_where_its_own_bound_is_near(wrong, end):
    model = build(random_season(5, lots=40, sites=4, weeks=6))
    solver = engine._load(model, 1e-4, 1e-9, 1, True, True, 1e-5)
    assert solver.run() == highspy.HighsStatus.kOk
    assert solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    found = engine._read(Doubting(solver, wrong), model, True, None, engine._Watch(), 0.0)
    assert found.end == end
    assert found.bound <= found.objective + 1e-3 * abs(found.objective)


def test_carries_by_lot_and_site():
    lot, site, week, kg = carries_of(it := two_sites(), best(it))
    assert sorted(zip(lot, site, week, kg.round(6), strict=True)) == [(0, 0, 0, 100), (1, 1, 0, 80)]


def test_nothing_is_printed():
    code = "from tests.unit.small_seasons import season; from sourcing.placement import solve; solve(season())"
    said = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert (said.stdout, said.stderr) == ("", "")


def test_ctrl_c_keeps_the_best_plan_so_far():
    """A real interrupt, sent while clusters are being solved."""
    it = random_season(5, lots=4000, sites=40, weeks=20, classes=60, village_number=8, fleet=np.full(20, 60))
    threading.Timer(2.5, lambda: signal.raise_signal(signal.SIGINT)).start()
    began = time.monotonic()
    plan = solve(it, gap=1e-9, seconds=60)
    assert time.monotonic() - began < 20
    assert plan.status == "interrupted"
    assert check(it, plan) == []
    assert plan.bound >= plan.value


@pytest.mark.parametrize("workers", [2])
def test_large_work_with_crews_is_split(workers):
    """Barrels are drawn together: far fewer site-weeks than barrels, and the plan passes the checker."""
    it = replace(landscape(1600, 24, scarce=True, seed=3), site_week_cost=60.0)
    with ThreadPoolExecutor(workers) as pool:
        plan = solve(it, gap=0.02, seconds=8, seed=3, map=pool.map)
    assert check(it, plan) == []
    assert plan.bound >= plan.value > 0
    assert (plan.barrels > 0).sum() < plan.barrels.sum() / 2


def test_an_effort_comes_to_the_same_plan_however_slow_the_machine():
    """One after another, and two at a time with pauses between: all the clock could tell apart."""
    it = replace(landscape(1600, 24, scarce=True, seed=3), site_week_cost=60.0)

    def paused(do, task):
        time.sleep(0.1)
        return do(task)

    with ThreadPoolExecutor(2) as pool:
        side_by_side = lambda do, tasks: pool.map(partial(paused, do), tasks)  # noqa: E731
        slowly = solve(it, gap=1e-4, seconds=600, effort_s=1.5, seed=3, map=side_by_side)
    plan = solve(it, gap=1e-4, seconds=600, effort_s=1.5, seed=3)
    assert check(it, plan) == []
    assert (plan.status, slowly.status) == ("effort", "effort")
    assert plan.value == slowly.value
    np.testing.assert_array_equal(plan.barrels, slowly.barrels)
    assert plan.effort_s == slowly.effort_s


def test_a_search_ends_with_its_effort_and_more_of_it_is_never_worse():
    model = build(random_season(5, lots=400, sites=12, weeks=12, classes=20, village_number=4, fleet=np.full(12, 20)))
    look_s = model.matrix.nnz / engine.NUMBERS_A_SECOND
    runs = [engine.run(model, gap=1e-9, effort_s=looks * look_s) for looks in (2, 2, 4, 8)]
    assert {r.end for r in runs} == {"effort"}
    assert runs[0].objective == runs[1].objective
    for less, more in pairwise(runs):
        assert more.objective <= less.objective
        assert more.bound >= less.bound
    assert [round(r.effort_s / look_s) for r in runs] == [3, 3, 5, 9]  # the look at which it ended is counted


def test_the_clock_says_that_it_ended_the_search():
    it = replace(landscape(1600, 24, scarce=True, seed=3), site_week_cost=60.0)
    plan = solve(it, gap=1e-6, seconds=3, effort_s=1e6, seed=3)
    assert plan.status == "time"


def test_a_span_of_weeks_is_improved_and_every_other_week_stands():
    """Barrels drawn at random, and a span freed: no other week changes, and what comes out is sound and no worse."""
    several = {
        "lots": 60,
        "sites": 6,
        "weeks": 12,
        "classes": 5,
        "fleet": np.full(12, 6),
        "site_least": np.ones(6, int),
    }
    it = random_season(7, **several, busy_floor=0.0, site_week_cost=2.0)
    model = build(it)
    lower, upper = model.lower.copy(), model.upper.copy()
    y, on = model.columns["y"], model.columns["on"]
    lower[y] = upper[y] = np.minimum(upper[y], np.random.default_rng(1).integers(0, 2, it.sites * it.weeks))
    lower[on] = upper[on] = lower[y] > 0
    plan = engine.run(replace(model, lower=lower, upper=upper))
    assert plan.z is not None
    spans = split.spans(it, model, np.random.default_rng(2))
    freed = [~held[y].reshape(it.sites, it.weeks)[0] for held in spans]
    assert (np.sum(freed, axis=0) >= 1).all()
    assert max(f.sum() for f in freed) < it.weeks
    work = split.Work(model, model.matrix.tocsc(), split.owners(it, model), plan.z.copy(), model.matrix @ plan.z, 1.0)
    for held in spans:
        before = work.z.copy()
        for free, piece in split.pieces(work, [np.arange(3), np.arange(3, 6)], held):
            found = engine.run(piece, gap=1e-6, start=before[free])
            assert found.z is not None
            assert found.objective <= float(piece.cost @ before[free]) + 1e-6
            work.z[free] = found.z
        np.testing.assert_allclose(work.z[held], before[held], atol=1e-6)
        work.activity = work.columns @ work.z
    assert float(model.cost @ work.z) < float(model.cost @ plan.z)
    assert split.sound(model, np.where(model.whole, np.round(work.z), work.z))


@pytest.mark.parametrize("relaxed", [False, True])
def test_ctrl_c_leaves_what_a_program_has_proven_and_nothing_else(relaxed):
    """A real interrupt a little into one large program: the bound still holds, and the run has really ended."""
    it = random_season(5, lots=4000, sites=40, weeks=20, classes=60, village_number=8, fleet=np.full(20, 60))
    model = build(it)
    least = engine.run(model, relaxed=True, interior=True).objective
    threading.Timer(0.5, lambda: signal.raise_signal(signal.SIGINT)).start()
    began = time.monotonic()
    outcome = engine.run(model, seconds=60, relaxed=relaxed)
    assert outcome.end == "interrupted"
    assert time.monotonic() - began < 0.5 + 3 * engine.GRACE_S
    assert outcome.bound <= least * (1 - 1e-6 if relaxed else 0.5)  # whole, the best is more than half as good
    if outcome.z is not None and not relaxed:
        assert outcome.objective >= least - 1e-6 * abs(least)


@pytest.mark.parametrize("crew", [0.0, 3.0], ids=["crews by the kilo", "crews by the week"])
@pytest.mark.parametrize("whole_at_once", [0, 4000])
def test_ctrl_c_at_any_step_ends_the_search_with_a_plan(monkeypatch, whole_at_once, crew):
    """The nth program is interrupted, for every n there is: no further search, and a plan that says so."""
    room = importlib.import_module("sourcing.placement.solve")
    monkeypatch.setattr(room, "WHOLE_AT_ONCE", whole_at_once)
    it = random_season(4, lots=30, sites=5, weeks=4, classes=3, site_week_cost=crew)
    real, calls = engine.run, []

    def counted(stop_at):
        def run(model, **more):
            calls.append(more.get("relaxed", False))
            if len(calls) == stop_at:
                return engine.Outcome("interrupted", None, np.inf, -np.inf, None, 0.0)
            return real(model, **more)

        return run

    monkeypatch.setattr(engine, "run", counted(0))
    solve(it, gap=1e-9, seconds=20)
    for stop_at in range(1, len(calls) + 1):
        calls.clear()
        monkeypatch.setattr(engine, "run", counted(stop_at))
        plan = solve(it, gap=1e-9, seconds=20)
        assert check(it, plan) == []
        if plan.status != "optimal":  # what settles a plan may be lost without harm
            assert plan.status == "interrupted", stop_at
            assert len(calls) <= stop_at + 8, stop_at


@pytest.mark.parametrize("workers", [1, 2])
def test_large_work_is_split_and_repeatable(workers):
    """Clusters through a thread pool's map: the same plan each time, close to what HiGHS alone proves."""
    it = landscape(1600, 24, scarce=True, seed=3)
    assert build(it).shape[1] > WHOLE_AT_ONCE
    with ThreadPoolExecutor(workers) as pool:
        plans = [solve(it, gap=0.01, seconds=40, seed=3, map=pool.map) for _ in range(2)]
    assert plans[0].gap <= 0.01
    assert check(it, plans[0]) == []
    np.testing.assert_array_equal(plans[0].barrels, plans[1].barrels)
