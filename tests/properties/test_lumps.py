"""Lots lumped together: mass and cost are kept, and no plan among lumps is better than the best among lots."""

from __future__ import annotations

import importlib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.errors import NoPlanError
from sourcing.placement import check, solve
from sourcing.placement.instance import Crew, Instance, Wishes
from sourcing.placement.lumps import lumped
from tests.unit.small_seasons import plain_optimum, random_season

room = importlib.import_module("sourcing.placement.solve")
few = settings(max_examples=25, deadline=None)
seeds = st.integers(0, 10_000)


def crowded(seed: int, **more) -> Instance:
    """Many lots, two classes, two sites: most lots have their like."""
    return random_season(seed, lots=24, sites=2, weeks=3, classes=2, village_number=2, **more)


def sums(it: Instance, weight: np.ndarray) -> np.ndarray:
    """Sum of a figure a kg over all kg in reach of each site, by class."""
    key = it.arc_site * len(it.class_first) + it.arc_classes
    mass = it.lot_mass_kg[it.arc_lot]
    return np.bincount(key, weights=mass * weight, minlength=it.sites * len(it.class_first))


@few
@given(seeds)
def test_mass_cost_and_hours_in_reach_are_kept(seed):
    it = crowded(seed)
    few_lots = lumped(it)
    assert len(few_lots.lot_mass_kg) < len(it.lot_mass_kg)
    reached = np.unique(it.arc_lot)
    assert few_lots.lot_mass_kg.sum() == pytest.approx(it.lot_mass_kg[reached].sum())
    for name in ("arc_cost_per_kg", "arc_hours_per_kg"):
        np.testing.assert_allclose(sums(few_lots, getattr(few_lots, name)), sums(it, getattr(it, name)))
    np.testing.assert_allclose(
        sums(few_lots, np.ones(len(few_lots.arc_lot))), sums(it, np.ones(len(it.arc_lot))), rtol=1e-12
    )


@few
@given(seeds)
def test_the_best_among_lumps_is_never_better_than_the_best_among_lots(seed):
    """The latter from scipy's milp on the plain model."""
    it = crowded(seed)
    most, among = plain_optimum(it), solve(lumped(it), gap=1e-9, seconds=30).value
    assert among <= most + 1e-6 * (1 + abs(most))


@few
@given(seeds)
def test_lots_that_cost_the_same_lose_nothing_by_being_lumped(seed):
    it = crowded(seed)
    it = replace(it, arc_cost_per_kg=0.1 * (1 + it.arc_site))
    assert solve(lumped(it), gap=1e-9, seconds=30).value == pytest.approx(plain_optimum(it), rel=1e-6, abs=1e-5)


@few
@given(seeds)
def test_the_order_of_lots_and_arcs_makes_no_other_lumps(seed):
    it = crowded(seed)
    draw = np.random.default_rng(seed)
    lots, arcs = draw.permutation(len(it.lot_mass_kg)), draw.permutation(len(it.arc_lot))
    other = replace(
        it, lot_mass_kg=it.lot_mass_kg[lots], lot_class=it.lot_class[lots],
        arc_lot=np.argsort(lots)[it.arc_lot[arcs]], arc_site=it.arc_site[arcs],
        arc_cost_per_kg=it.arc_cost_per_kg[arcs], arc_hours_per_kg=it.arc_hours_per_kg[arcs],
    )  # fmt: skip
    one, two = lumped(it), lumped(other)
    np.testing.assert_allclose(np.sort(one.lot_mass_kg), np.sort(two.lot_mass_kg))
    np.testing.assert_allclose(np.sort(one.arc_cost_per_kg), np.sort(two.arc_cost_per_kg))


@few
@given(seeds, st.sampled_from(["margin", "char", "clear"]), st.booleans(), st.booleans())
def test_a_plan_found_among_lumps_is_a_plan_of_the_lots(seed, goal, crew, fair):
    """Whatever the rules, the checker finds nothing, and value and bound hold the optimum between them."""
    it = crowded(seed, goal=goal, clear_share=0.2)
    draw = np.random.default_rng(seed)
    if crew:
        it = replace(it, crew=Crew(draw.uniform(5, 30, (2, 3)), draw.uniform(0.01, 0.05, 2)))
    if fair:
        villages = draw.integers(0, 2, len(it.lot_mass_kg))
        it = replace(it, wishes=Wishes(lot_village=villages, fair_share=np.full(2, 0.1)))
    try:
        best = solve(it, gap=1e-9, seconds=30).value
    except NoPlanError:
        return
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(room, "WHOLE_AT_ONCE", 0)
        patch.setattr(room, "LUMPED_SHARE", 1.0)
        plan = solve(it, gap=1e-4, seconds=30)
    assert check(it, plan) == []
    sign = 1 if goal == "clear" else -1
    room_for = 1e-6 * (1 + abs(best))
    assert sign * plan.value >= sign * best - room_for
    assert sign * plan.bound <= sign * best + room_for
