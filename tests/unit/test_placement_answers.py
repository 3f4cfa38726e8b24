"""Prices, curves, other plans, reasons and conflicts, on toys worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.errors import NoPlanError
from sourcing.placement import answers, engine
from sourcing.placement.answers import (
    alternatives,
    cheapest_to_change,
    conflict,
    fleet_curve,
    held,
    left_out,
    prices,
    shortfalls,
    smallest_conflict,
    weighed,
    wishes_of,
)
from sourcing.placement.check import check
from sourcing.placement.instance import IN, OUT, Crew, Moves, Previous, Villages, Water, Wishes, Workshop
from sourcing.placement.model import build
from sourcing.placement.solve import solve
from tests.unit.small_seasons import random_season, season
from tests.unit.test_placement_blocks import weekly


def test_a_barrel_week_and_a_kilo_have_their_price():
    """300 kg in week 0 with two barrels: a third would char 100 kg. 100 kg in week 1: one more kg would be charred."""
    found = prices(weekly([300, 100], fleet=[2, 2]))
    assert found.barrel_week == pytest.approx([100, 0])
    assert found.lot_kg == pytest.approx([0, 1])
    assert found.crew_hour is None


def test_each_limit_has_its_price():
    """The one limit that binds, at what one more unit lets one char."""
    crew = Crew(hours=[[20.0]], class_tender_hours_per_kg=[0.25])
    assert prices(season(crew=crew)).crew_hour == pytest.approx(np.array([[4.0]]))
    assert prices(season(water=Water([[10.0]], [0.5]))).water_litre == pytest.approx(np.array([[2.0]]))
    assert prices(season(workshop=Workshop([15.0], 0.0))).press_kg == pytest.approx([1 / 0.3])
    it = season(arc_cost_per_kg=[0.5], wishes=Wishes(budget=20.0))
    assert prices(it).money == pytest.approx(1.0)
    few = weekly([[300], [200]], moves=Moves(site_cost=[0, 0], most=[1]))
    assert prices(few).move == pytest.approx([100])


@pytest.mark.parametrize("seed", range(4))
def test_prices_foretell_a_little_more_of_the_relaxation(seed):
    """Against the relaxation itself, solved again with a few more kg in each lot."""
    it = random_season(seed)
    more = replace(it, lot_mass_kg=it.lot_mass_kg + 1e-3)
    here, there = (engine.run(build(i), relaxed=True).objective for i in (it, more))
    assert here - there == pytest.approx(prices(it).lot_kg.sum() * 1e-3, rel=0.05, abs=1e-4)


def test_prices_at_the_sites_of_a_plan():
    """Opening the second site does not pay; at the plan's one site, a barrel more would char 100 kg."""
    it = weekly([[300], [50]], fleet=[2], site_open_cost=[10, 60])
    plan = solve(it, gap=1e-9)
    assert plan.opened.tolist() == [True, False]
    assert prices(it, plan).barrel_week == pytest.approx([100])


def test_prices_given_a_plan_know_only_its_sites_where_opening_is_free():
    """No opening cost: at the plan's one site, all of whose 100 kg are charred, a further barrel-week earns nothing."""
    it = weekly([[100], [80]], fleet=[2], wishes=Wishes(site_pin=[0, OUT]))
    plan = solve(it, gap=1e-9)
    free = replace(it, wishes=Wishes())
    assert prices(free, plan).barrel_week == pytest.approx([0])
    assert prices(replace(free, fleet=[1])).barrel_week[0] >= 80 - 1e-6


def test_a_plan_made_again_from_its_barrels():
    """Two barrels for the week of 300 kg, none for that of 100: 200 kg, and nothing is proven of other barrels."""
    it = weekly([300, 100], fleet=[2, 2], site_open_cost=[10])
    plan = held(it, np.array([[2, 0]]))
    assert check(it, plan) == []
    assert plan.value == pytest.approx(200 - 10)
    assert plan.gap == np.inf
    with pytest.raises(NoPlanError, match="not possible"):
        held(it, np.array([[3, 0]]))
    with pytest.raises(NoPlanError, match="not possible"):
        held(replace(it, site_most=[1]), np.array([[2, 0]]))


def test_a_plan_made_again_is_never_worse_than_it_was():
    it = random_season(3, lots=30, sites=4, weeks=5)
    plan = solve(it, gap=0.2)
    again = held(it, plan.barrels)
    assert (again.barrels == plan.barrels).all()
    assert plan.value - 1e-6 <= again.value <= plan.bound + 1e-6


def shortfall(it, *groups):
    """By solving again and by prices, which must agree in these toys."""
    plan = solve(it, gap=1e-9)
    duals, sites = weighed(it, plan).row_duals, [np.array(g) for g in groups]
    exact = list(shortfalls(it, plan, duals, sites))
    assert list(shortfalls(it, plan, duals, sites, exact_upto=0)) == pytest.approx(exact, abs=0.01)
    return exact


def test_what_using_a_site_would_cost():
    """One barrel, 150 kg at the first site, 80 at the second: there it would char 80 where it chars 100."""
    it = weekly([[150], [80]], fleet=[1])
    assert shortfall(it, [1]) == pytest.approx([20])
    assert shortfall(replace(it, site_open_cost=[0, 7]), [1]) == pytest.approx([27])


def test_what_using_a_village_would_cost_counts_its_own_costs_once():
    """Two sites with 80 and 70 kg in the second village; deploying there costs 30, bringing a barrel 5 and 2."""
    it = weekly(
        [[150], [80], [70]], fleet=[1], site_village=[0, 1, 1], villages=Villages(deploy_cost=[0.0, 30.0]),
        moves=Moves(site_cost=[5.0, 5.0, 5.0], village_cost=[2.0, 2.0]),
    )  # fmt: skip
    assert shortfall(it, [1, 2]) == pytest.approx([(100 - 7) - (80 - 7) + 30])


def test_a_site_that_cannot_keep_one_barrel_busy_cannot_be_used():
    it = weekly([[150], [30], [60]], fleet=[1], busy_floor=0.5)
    assert shortfall(it, [1], [2]) == pytest.approx([np.inf, 40])


def test_a_site_left_out_that_would_pay_is_told_below_zero():
    """Two barrels, but only the first site was looked at: the second barrel finds no work there."""
    it = weekly([[100], [80]], fleet=[2])
    plan = solve(replace(it, wishes=Wishes(site_pin=[0, OUT])), gap=1e-9)
    assert list(shortfalls(it, plan, weighed(it, plan).row_duals, [np.array([1])])) == pytest.approx([-80])
    clear = replace(it, goal="clear", clear_share=0.4, arc_cost_per_kg=[0.2, 0.1])
    dear = solve(replace(clear, wishes=Wishes(site_pin=[0, OUT])), gap=1e-9)
    (cost,) = shortfalls(clear, dear, weighed(clear, dear).row_duals, [np.array([1])])
    assert cost == pytest.approx(7.2 - 14.4)


def test_curve_of_value_against_barrels():
    points = fleet_curve(weekly([[250, 250]], fleet=[4, 4]), [1, 2, 3, 4], gap=1e-9)
    assert [p.value for p in points] == pytest.approx([200, 400, 500, 500])


def test_curve_never_falls_even_with_a_wide_gap():
    it = random_season(7, lots=60, sites=5, weeks=6, classes=5)
    values = [p.value for p in fleet_curve(it, range(1, 7), gap=0.3, seconds=5)]
    assert values == sorted(values)


def test_curve_takes_a_plan_that_is_known():
    it = weekly([[250, 250]], fleet=[4, 4])
    known = solve(replace(it, fleet=[2, 2]), gap=1e-9)  # a plan for fewer barrels, to be told from a new one
    assert [p.value for p in fleet_curve(it, [2, 4], known=known, gap=1e-9)] == pytest.approx([400, 400])


def test_curve_leaves_out_what_is_impossible():
    it = season(goal="clear", lot_mass_kg=[250.0], fleet=[4])
    assert [p.barrels for p in fleet_curve(it, [1, 2, 3, 4])] == [3, 4]


def test_alternatives_are_different_and_told_at_their_cost():
    """Three sites with 100, 80 and 70 kg and one barrel: the next plans use the second and the third site."""
    it = weekly([[100], [80], [70]], fleet=[1])
    best = solve(it, gap=1e-9)
    others = list(alternatives(it, best, count=2, apart=2, gap=1e-9))
    assert [o.loss for o in others] == pytest.approx([20, 30])
    assert [o.differs for o in others] == [2, 2]
    assert others[0].placement.opened.tolist() == [False, True, False]


def test_an_alternative_better_than_a_poor_best_has_a_loss_below_zero():
    it = weekly([[100], [80]], fleet=[1])
    poor = solve(replace(it, wishes=Wishes(site_pin=[OUT, 0])), gap=1e-9)
    (other,) = alternatives(it, poor, count=1, apart=2, gap=1e-9)
    assert other.loss == pytest.approx(-20)
    clear = replace(it, goal="clear", clear_share=0.4, arc_cost_per_kg=[0.1, 0.2])
    best = solve(clear, gap=1e-9)
    (other,) = alternatives(clear, best, count=1, apart=2, gap=1e-9)
    assert other.loss == pytest.approx(72 * 0.1)


@pytest.mark.parametrize("seed", range(4))
def test_in_large_seasons_other_plans_are_sought_near_the_best(monkeypatch, seed):
    """Sites cheapest to change are changed: each plan obeys every rule and is as far apart as asked from all before."""
    it = random_season(seed, lots=40, sites=6, weeks=4, classes=4, busy_floor=0.0, fleet=[6] * 4)
    best = solve(it, gap=1e-9)
    behind = weighed(it, best)
    closed = np.flatnonzero(~best.opened)
    opening = np.full(6, np.nan)
    opening[closed] = list(shortfalls(it, best, behind.row_duals, [np.array([s]) for s in closed]))
    order = cheapest_to_change(it, best, behind, opening)
    assert sorted(order) == list(range(6))
    monkeypatch.setattr(answers, "WHOLE_AT_ONCE", 0)
    others = list(alternatives(it, best, count=2, apart=2, order=order, gap=1e-9))
    assert others
    avoid = (best.opened,)
    for other in others:
        wished = replace(it, wishes=Wishes(avoid=avoid, apart=2))
        assert check(wished, other.placement) == []
        assert other.loss >= -1e-6
        avoid = (*avoid, other.placement.opened)
    exact = next(alternatives(it, best, count=1, apart=2, gap=1e-9))
    assert others[0].loss >= exact.loss - 1e-6


def test_sites_pinned_by_wishes_are_not_changed():
    it = weekly([[100], [80], [70]], fleet=[2], wishes=Wishes(site_pin=[IN, OUT, 0]))
    best = solve(it, gap=1e-9)
    assert cheapest_to_change(it, best, weighed(it, best), np.full(3, np.nan)) == [2]


def test_why_a_site_was_left_out():
    """Six sites, one barrel, one week."""
    it = weekly(
        [[100], [90], [80], [0], [50], [100]], fleet=[1], site_open_cost=[0, 0, 85, 0, 0, 0],
        arc_cost_per_kg=[0, 0, 0, 0, 1.5, 0], wishes=Wishes(site_pin=[0, 0, 0, 0, 0, OUT]),
    )  # fmt: skip
    reasons = {r.site: r.why for r in left_out(it, solve(it, gap=1e-9))}
    assert reasons == {
        1: "barrels_earn_more", 2: "too_little", 3: "nothing_in_reach", 4: "carrying_too_dear", 5: "pinned_out",
    }  # fmt: skip


def test_a_site_whose_residue_others_take():
    it = season(
        arc_lot=[0, 0], arc_site=[0, 1], arc_cost_per_kg=[0.0, 0.1], site_village=[0, 0], site_hours=[[10.0], [10.0]],
        site_open_cost=[0, 0], site_least=[1, 1], site_most=[6, 6], barrel_week_cost=1.0,
    )  # fmt: skip
    (reason,) = left_out(it, solve(it, gap=1e-9))
    assert (reason.site, reason.why, reason.reach_kg, reason.taken_kg) == (
        1,
        "taken_elsewhere",
        100,
        pytest.approx(100),
    )


# conflicts


def test_no_conflict_where_a_plan_is_possible():
    assert conflict(weekly([[100], [80]], wishes=Wishes(budget=0.0))) == ()


def test_the_smallest_conflict_is_found():
    """All must be cleared (250 kg), one barrel chars 100; the budget is ample and the water too."""
    it = season(goal="clear", lot_mass_kg=[250.0], fleet=[1], wishes=Wishes(budget=1e6), water=Water([[1e6]], [1.0]))
    assert conflict(it) == ("fleet", "clear_share")
    with pytest.raises(NoPlanError):
        solve(it)


def test_three_wishes_that_conflict_only_together():
    """Both sites in, at a deploy cost of 60 each, with 100 to spend, is possible only if one village would do."""
    it = weekly(
        [[100], [80]], villages=Villages(deploy_cost=[60.0, 60.0], least=2),
        wishes=Wishes(budget=100.0, sites_most=2),
    )  # fmt: skip
    assert conflict(it) == ("budget", "villages_least")


def test_a_smaller_conflict_is_preferred_to_a_larger():
    """Two conflicts: busy floor with barrels by name (nothing to burn there); and the larger one of share and fleet."""
    it = weekly([[100], [0]], busy_floor=0.5, wishes=Wishes(barrels_least=[[0], [1]], sites_most=1, site_pin=[IN, 0]))
    found = conflict(it)
    assert set(found) == {"busy_floor", "barrels_least"}


@given(st.lists(st.sets(st.sampled_from("abcde"), min_size=1), max_size=4), st.integers(0, 31))
@settings(deadline=None)
def test_the_smallest_conflict_of_any_is_found_and_what_cannot_be_told_is_never_called_one(conflicts, blind):
    """Wishes conflict where they hold one of some drawn sets; brute force over all 32. Blind: some are not told."""

    def possible(kept):
        if kept != frozenset("abcde") and sum(1 << "abcde".index(n) for n in kept) == blind:
            return None
        return not any(c <= kept for c in conflicts)

    found = smallest_conflict("abcde", possible)
    if not conflicts:
        assert found == ()
    else:
        assert any(c <= set(found) for c in conflicts)
        sure = [c for c in conflicts if possible(frozenset(c)) is not None]
        assert len(found) <= min(map(len, sure), default=5)


def test_a_conflict_in_no_time_is_not_guessed():
    it = season(goal="clear", lot_mass_kg=[250.0], fleet=[1])
    assert conflict(it, seconds=0.0) == ()


def test_in_large_seasons_a_conflict_is_found_by_the_relaxation(monkeypatch):
    monkeypatch.setattr(answers, "WHOLE_AT_ONCE", 0)
    it = season(goal="clear", lot_mass_kg=[250.0], fleet=[1], wishes=Wishes(budget=1e6), water=Water([[1e6]], [1.0]))
    assert conflict(it) == ("fleet", "clear_share")


def test_every_wish_can_be_taken_away():
    S, T = 2, 1
    it = weekly(
        [[100], [80]], busy_floor=0.1, site_least=[2, 2], goal="clear", clear_share=0.1,
        villages=Villages(deploy_cost=[0, 0], pin=[0, 0], least=1, most=2),
        moves=Moves(site_cost=[0, 0], most=[9], stay_weeks=2),
        crew=Crew(hours=np.full((2, 1), 99.0), class_tender_hours_per_kg=[0.0]),
        water=Water(np.full((S, T), 99.0), [0.1]), workshop=Workshop([99.0], 0.0), previous=Previous(np.zeros((S, T))),
        wishes=Wishes(
            site_pin=[0, 0], barrels_least=np.zeros((S, T)), barrels_most=np.full((S, T), 6), sites_least=1,
            sites_most=2, budget=1e6, village_least=np.zeros((S, T)), village_most=np.full((S, T), 6),
            lot_village=[0, 1], fair_share=[0.1, 0.1], avoid=(np.zeros(2, dtype=bool),),
        ),
    )  # fmt: skip
    names = wishes_of(it)
    assert len(names) == 22
    bare = it
    for take_away in names.values():
        bare = take_away(bare)
    assert set(wishes_of(bare)) == {"fleet"}
    assert check(bare, solve(bare)) == []
