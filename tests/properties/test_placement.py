"""What must always hold of the best placement, on invented seasons."""

from __future__ import annotations

import importlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.errors import NoPlanError
from sourcing.placement.answers import held, prices, shortfalls, weighed
from sourcing.placement.check import check
from sourcing.placement.instance import IN, OUT, Crew, Instance, Moves, Previous, Villages, Wishes
from sourcing.placement.solve import solve
from tests.unit.small_seasons import random_season

few = settings(deadline=None, max_examples=8)
seeds = st.integers(0, 10_000)


def drawn(seed: int) -> Instance:
    """A small season with most rules on."""
    draw = np.random.default_rng(seed)
    sites, weeks, classes = 3, 4, 3
    return random_season(
        seed, lots=10, sites=sites, weeks=weeks, classes=classes, site_village=[0, 0, 1],
        villages=Villages(deploy_cost=draw.uniform(0, 20, 2)),
        moves=Moves(site_cost=draw.uniform(0, 5, sites), stay_weeks=int(draw.integers(1, 4))),
        crew=Crew(hours=draw.uniform(5, 40, (2, weeks)), class_tender_hours_per_kg=np.full(classes, 0.05)),
    )  # fmt: skip


def best(it: Instance) -> float:
    plan = solve(it, gap=1e-9, seconds=30)
    assert check(it, plan) == []
    assert plan.bound >= plan.value - 1e-6 * abs(plan.value)
    return plan.value


def at_least(more: float, less: float) -> bool:
    return more >= less - 1e-6 * max(1.0, abs(less))


@few
@given(seeds)
def test_more_barrels_are_never_worse(seed):
    it = drawn(seed)
    assert at_least(best(replace(it, fleet=it.fleet + 1)), best(it))


@few
@given(seeds, st.sampled_from(["char", "clear", "mix"]))
def test_more_barrels_are_never_worse_whatever_the_goal(seed, goal):
    it = replace(drawn(seed), goal=goal, clear_share=0.1, weights=(1.0, 0.5, 0.1), busy_floor=0.0)
    try:
        fewer = best(it)
    except NoPlanError:
        return
    more = best(replace(it, fleet=it.fleet + 1))
    assert at_least(-more, -fewer) if goal == "clear" else at_least(more, fewer)


@few
@given(seeds)
def test_more_crew_is_never_worse(seed):
    it = drawn(seed)
    assert at_least(best(replace(it, crew=replace(it.crew, hours=it.crew.hours * 1.3))), best(it))


@few
@given(seeds, st.floats(0.1, 0.9))
def test_a_longer_carry_is_never_worse(seed, share):
    """Fewer arcs, the cheapest share of them, are a shorter carry budget."""
    it = drawn(seed)
    if not len(it.arc_lot):
        return
    near = it.arc_cost_per_kg <= np.quantile(it.arc_cost_per_kg, share)
    shorter = replace(
        it, arc_lot=it.arc_lot[near], arc_site=it.arc_site[near], arc_cost_per_kg=it.arc_cost_per_kg[near],
        arc_hours_per_kg=it.arc_hours_per_kg[near],
    )  # fmt: skip
    # a distance band is charged its farthest arc, so the bands are made so fine that each arc has its own
    assert at_least(best(fine(it)), best(fine(shorter)))


def fine(it: Instance) -> Instance:
    return replace(it, crew=replace(it.crew, band=1.0 + 1e-9))


@few
@given(seeds, st.integers(0, 2), st.sampled_from([IN, OUT]))
def test_a_pinned_plan_is_never_better(seed, site, pin):
    it = drawn(seed)
    pins = np.zeros(3, dtype=int)
    pins[site] = pin
    try:
        pinned = best(replace(it, wishes=Wishes(site_pin=pins)))
    except NoPlanError:
        return
    assert at_least(best(it), pinned)


@few
@given(seeds, st.data())
def test_more_decided_beforehand_is_never_better(seed, data):
    """A village in or out, barrels fixed at a site for a week, a week forbidden, fewest and most sites."""
    it = drawn(seed)
    site, week = data.draw(st.integers(0, 2)), data.draw(st.integers(0, 3))
    table = np.zeros((3, 4), dtype=int)
    table[site, week] = data.draw(st.integers(1, 2))
    village = np.where(np.arange(2) == it.site_village[site], data.draw(st.sampled_from([IN, OUT])), 0)
    decided = {
        "village": {"villages": replace(it.villages, pin=village)},
        "fixed": {"wishes": Wishes(barrels_least=table)},
        "forbidden": {"wishes": Wishes(barrels_most=np.where(table > 0, 0, 9))},
        "barrels of a village": {"wishes": Wishes(village_least=[[1] * 4, [0] * 4], village_most=[[2] * 4, [1] * 4])},
        "sites": {"wishes": Wishes(sites_least=1, sites_most=data.draw(st.integers(1, 3)))},
    }[data.draw(st.sampled_from(["village", "fixed", "forbidden", "barrels of a village", "sites"]))]
    try:
        bound = best(replace(it, **decided))
    except NoPlanError:
        return
    assert at_least(best(it), bound)


@few
@given(seeds)
def test_the_order_of_rows_does_not_matter(seed):
    """Lots, ways, sites and classes in another order."""
    it = drawn(seed)
    draw = np.random.default_rng(seed)
    lots, arcs, sites, classes = (draw.permutation(n) for n in (len(it.lot_mass_kg), len(it.arc_lot), 3, 3))
    lot, site, klass = np.argsort(lots), np.argsort(sites), np.argsort(classes)
    by_class = {n: getattr(it, n)[classes] for n in vars(it) if n.startswith("class_") and np.ndim(getattr(it, n)) == 1}
    by_site = {n: getattr(it, n)[sites] for n in ("site_village", "site_hours", "site_open_cost", "site_least",
                                                  "site_most")}  # fmt: skip
    shuffled = replace(
        it, **by_class, **by_site, lot_mass_kg=it.lot_mass_kg[lots], lot_class=klass[it.lot_class[lots]],
        arc_lot=lot[it.arc_lot[arcs]], arc_site=site[it.arc_site[arcs]], arc_cost_per_kg=it.arc_cost_per_kg[arcs],
        arc_hours_per_kg=it.arc_hours_per_kg[arcs], moves=replace(it.moves, site_cost=it.moves.site_cost[sites]),
        crew=replace(it.crew, class_tender_hours_per_kg=it.crew.class_tender_hours_per_kg[classes]),
    )  # fmt: skip
    assert best(shuffled) == pytest.approx(best(it), rel=1e-6, abs=1e-6)


@few
@given(seeds, st.sampled_from([0.5, 0.1, 0.01]), st.booleans())
def test_the_bound_is_never_below_the_best_nor_the_value_above_it(seed, gap, split):
    """However early the search may stop, whole or cluster by cluster."""
    it = drawn(seed)
    most = best(it)
    room = importlib.import_module("sourcing.placement.solve")
    with pytest.MonkeyPatch.context() as patch:
        if split:
            patch.setattr(room, "WHOLE_AT_ONCE", 0)
        plan = solve(it, gap=gap, seconds=10)
    assert check(it, plan) == []
    assert at_least(plan.bound, most)
    assert at_least(most, plan.value)
    assert plan.gap <= gap + 1e-9 or plan.status == "time"


@few
@given(seeds, st.floats(0, 30), st.floats(0, 30))
def test_a_price_on_leaving_last_plan_costs_no_more_than_keeping_it(seed, barrel_week, site):
    """Between the free optimum and what last plan itself would still be worth, in a season with other fields."""
    it = drawn(seed)
    last = solve(it, gap=1e-9, seconds=30)
    poorer = replace(it, lot_mass_kg=it.lot_mass_kg * 1.5, class_value_per_kg=it.class_value_per_kg * 0.8)
    near = replace(poorer, previous=Previous(last.barrels, barrel_week, site))
    value = best(near)
    assert at_least(best(poorer), value)
    assert at_least(value, held(near, last.barrels).value)


@few
@given(seeds)
def test_doing_nothing_is_always_a_plan_for_margin(seed):
    assert best(drawn(seed)) >= -1e-6


@few
@given(seeds)
def test_a_shorter_stay_is_never_worse(seed):
    it = drawn(seed)
    assert at_least(best(replace(it, moves=replace(it.moves, stay_weeks=1))), best(it))


@few
@given(seeds)
def test_bands_cost_little(seed):
    """Charging a band its farthest arc's hours loses no more than scaling all crews down by the band's ratio."""
    it = drawn(seed)
    coarse = replace(it, crew=replace(it.crew, band=1.25))
    short = replace(fine(it), crew=replace(it.crew, hours=it.crew.hours / 1.25, band=1.0 + 1e-9))
    assert at_least(best(fine(it)), best(coarse))
    assert at_least(best(coarse), best(short))


@few
@given(seeds)
def test_prices_are_never_negative(seed):
    found = prices(drawn(seed))
    assert found.barrel_week.min() >= 0
    assert found.lot_kg.min() >= 0
    assert found.crew_hour.min() >= 0


@few
@given(seeds)
def test_what_a_site_left_out_would_cost(seed):
    """Solved again: as planning with the site pinned in. By prices: never more, with the plan's sites, in the weeks in
    which they have barrels, and this one.
    """
    it = drawn(seed)
    plan = solve(it, gap=1e-9, seconds=30)
    behind = weighed(it, plan)
    closed = np.flatnonzero(~plan.opened)
    groups = [np.array([s]) for s in closed]
    exact = shortfalls(it, plan, behind.row_duals, groups)
    at_prices = shortfalls(it, plan, behind.row_duals, groups, exact_upto=0)
    for site, cost, never_more in zip(closed, exact, at_prices, strict=True):
        forced = pinned_to(it, np.where(np.arange(it.sites) == site, IN, 0))
        assert plan.value - cost == pytest.approx(forced, rel=1e-4, abs=1e-4)
        village = it.site_village[site]
        if village in it.site_village[plan.opened] or (it.site_village == village).sum() == 1:
            among = np.where(plan.opened, IN, OUT)
            among[site] = IN
            free = np.where(plan.barrels > 0, it.site_most[:, None], 0)
            free[site] = it.site_most[site]
            least = np.where(plan.barrels > 0, 1, 0)
            assert at_least(behind.value - never_more, pinned_to(it, among, barrels_most=free, barrels_least=least))


def pinned_to(it: Instance, pins: np.ndarray, **more: np.ndarray) -> float:
    try:
        return best(replace(it, wishes=Wishes(site_pin=pins, **more)))
    except NoPlanError:
        return -np.inf
