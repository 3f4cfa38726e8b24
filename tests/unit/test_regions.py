"""Placement by regions: the bound and the value stand on either side of the best plan there is."""

import dataclasses
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.carrying.sites import candidate_sites
from sourcing.errors import UsageError
from sourcing.placement import Crew, Instance, Moves, Previous, Villages, Water, Wishes, Workshop, check, solve
from sourcing.placement.instance import AXES
from sourcing.placement.model import build
from sourcing.placement.split import owners
from sourcing.plan import ground_of, read_land
from sourcing.regions.cut import SHARED_ROWS, Lending, cut, limits_of, restrict, together
from sourcing.regions.master import allotted, largest_remainder, solve_in_regions
from tests.unit.small_seasons import everything, plain_optimum, random_season, season

DEMO = Path(__file__).resolve().parents[2] / "demo_maps" / "season"


def apart(**more):
    """Two villages far from each other, a lot of 100 kg each, the first charred in week 0, the second in week 1."""
    two = {
        "lot_mass_kg": [100.0, 100.0], "lot_class": [0, 1], "class_first": [0, 1], "class_last": [0, 1],
        "class_hours_per_kg": [0.1, 0.1], "class_value_per_kg": [1.0, 1.0], "class_char_per_kg": [0.3, 0.3],
        "class_loss_week": [0.0, 0.0], "arc_lot": [0, 1], "arc_site": [0, 1], "site_village": [0, 1],
        "site_hours": [[10.0, 10.0]] * 2, "site_open_cost": [0.0, 0.0], "site_least": [1, 1], "site_most": [6, 6],
        "fleet": [1, 1],
    }  # fmt: skip
    return season(**(two | more))


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.sampled_from(["margin", "char"]), st.integers(1, 3))
def test_value_and_bound_bracket_the_optimum_of_the_plain_model(seed, goal, regions):
    it = random_season(seed, lots=9, sites=4, village_number=3, goal=goal)
    best = plain_optimum(it)
    joint, plan = solve_in_regions(it, np.arange(it.village_count) % regions, gap=1e-3, seconds=20)
    assert check(it, plan) == []
    room = 1e-4 * max(1.0, abs(best))
    assert joint.value <= best + room
    assert joint.bound >= best - room
    assert joint.gap == pytest.approx(max(joint.bound - joint.value, 0) / max(abs(joint.value), 1e-9))
    assert (plan.barrels.sum(axis=0) <= it.fleet).all()


@settings(deadline=None, max_examples=8)
@given(st.integers(0, 10_000))
def test_with_every_shared_limit_at_once_the_checker_passes_and_the_bracket_holds(seed):
    draw = np.random.default_rng(seed)
    plain = random_season(seed, lots=8, sites=4, village_number=3)
    count, kinds = plain.village_count, len(plain.class_first)
    it = random_season(
        seed, lots=8, sites=4, village_number=3,
        villages=Villages(deploy_cost=draw.uniform(0, 20, count), most=2),
        moves=Moves(site_cost=np.full(4, 2.0), village_cost=np.full(count, 3.0), most=np.full(4, 3.0), stay_weeks=2),
        crew=Crew(hours=draw.uniform(5, 40, (count, 4)), class_tender_hours_per_kg=np.full(kinds, 0.02)),
        wishes=Wishes(budget=float(draw.uniform(20, 200)), sites_most=3),
    )  # fmt: skip
    whole = solve(it, gap=1e-6, seconds=20)
    joint, plan = solve_in_regions(it, np.arange(count), gap=1e-3, seconds=20)
    assert check(it, plan) == []
    room = 1e-4 * max(1.0, abs(whole.value))
    assert joint.value <= whole.bound + room
    assert joint.bound >= whole.value - room


def test_what_the_whole_needs_from_below_is_shared_out():
    it = apart(fleet=[2, 2], wishes=Wishes(sites_least=2), site_open_cost=[150.0, 0.0])  # the first site loses 50
    joint, plan = solve_in_regions(it, np.arange(2), gap=1e-6, seconds=10)
    assert check(it, plan) == []
    assert joint.value == pytest.approx(50.0)
    assert joint.bound >= 50.0 - 1e-6


@pytest.mark.parametrize(
    ("cost", "value"),
    # the barrel is brought to the other region for its cost where that is worth it: 100 + 100 - 30, else 100 alone
    [(0.0, 200.0), (30.0, 170.0), (150.0, 100.0)],
)
def test_a_barrel_lent_between_regions_travels_with_its_cost(cost, value):
    it = apart()
    lending = Lending(cost=np.full(2, cost))
    joint, plan = solve_in_regions(it, np.arange(2), lending=lending, gap=1e-6, seconds=10)
    assert check(it, plan) == []
    assert joint.value == pytest.approx(value)
    assert joint.bound == pytest.approx(value, abs=1e-3)
    assert joint.value == pytest.approx(plan.value - joint.lending_cost)
    assert (joint.allotment.sum(axis=0) <= it.fleet).all()
    assert (joint.allotment >= [plan.barrels[[r]].sum(axis=0) for r in range(2)]).all()


def test_barrels_that_stand_at_home_are_not_brought():
    it = apart()
    at_second = Lending(cost=np.full(2, 30.0), home=np.array([0, 1]))
    joint, _ = solve_in_regions(it, np.arange(2), lending=at_second, gap=1e-6, seconds=10)
    assert joint.value == pytest.approx(140.0)  # to the first and back again
    assert joint.lending_cost == pytest.approx(60.0)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000))
def test_the_cheapest_allotment_is_whole_and_pays_for_every_barrel_brought(seed):
    draw = np.random.default_rng(seed)
    needed = draw.integers(0, 3, (3, 4)).astype(float)
    limits = limits_of(apart(fleet=needed.sum(axis=0)[:2]))
    limits = limits.__class__(4, limits.low.repeat(2), needed.sum(axis=0) + 1, limits.whole.repeat(2), limits.rows)
    lending = Lending(cost=draw.uniform(1, 9, 3), home=draw.integers(0, 3, 3))
    cost, stands = allotted(limits, lending, needed)
    assert np.abs(stands - np.round(stands)).max() < 1e-6
    assert (stands >= needed - 1e-6).all()
    assert (stands.sum(axis=0) <= limits.fleet + 1e-6).all()
    before = np.column_stack([lending.home, stands[:, :-1]])
    assert cost == pytest.approx(float((np.maximum(stands - before, 0).sum(axis=1) * lending.cost).sum()), abs=1e-5)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000))
def test_regions_hold_every_site_arc_and_lot_once_and_make_the_whole_again(seed):
    it = random_season(seed, lots=10, sites=5, village_number=4)
    regions = cut(it, np.arange(it.village_count))
    assert sorted(np.concatenate([r.sites for r in regions])) == list(range(it.sites))
    assert sorted(np.concatenate([r.arcs for r in regions])) == list(range(len(it.arc_lot)))
    owned = [lot for r in regions for lot in r.lots[r.shared][r.owned]]
    alone = [lot for r in regions for k, lot in enumerate(r.lots) if k not in r.shared]
    assert sorted([*owned, *alone]) == sorted(set(it.arc_lot.tolist()))
    whole, lots = together(regions)
    order = np.concatenate([r.sites for r in regions])
    arcs = np.concatenate([r.arcs for r in regions])
    assert (lots[whole.arc_lot] == it.arc_lot[arcs]).all()
    assert (order[whole.arc_site] == it.arc_site[arcs]).all()
    assert (whole.lot_mass_kg == it.lot_mass_kg[lots]).all()
    assert (whole.site_hours == it.site_hours[order]).all()


def test_a_part_of_a_question_counts_its_sites_villages_and_lots_anew():
    it = apart(
        site_week_cost=[[1.0, 2.0], [3.0, 4.0]],
        villages=Villages(deploy_cost=[5.0, 7.0]),
        crew=Crew([[1.0, 2.0], [3.0, 4.0]], [0.0, 0.0]),
    )
    part, lots, arcs = restrict(it, np.array([1]))
    assert part.sites == part.village_count == 1
    assert part.villages.deploy_cost.tolist() == [7.0]
    assert part.site_week_cost.tolist() == [[3.0, 4.0]]
    assert part.crew.hours.tolist() == [[3.0, 4.0]]
    assert lots.tolist() == arcs.tolist() == [1]
    assert part.arc_lot.tolist() == part.arc_site.tolist() == part.site_village.tolist() == [0]


def test_wishes_that_cannot_be_shared_out_are_refused_together():
    it = apart(
        workshop=Workshop(press_kg=np.full(2, 10.0), store_kg=0.0),
        wishes=Wishes(lot_village=[0, 1], fair_share=[0.5, 0.5], avoid=(np.array([True, False]),)),
    )
    with pytest.raises(UsageError, match=r"workshop.*fair shares.*differ"):
        cut(it, np.arange(2))


def every_rule(goal):
    """Every rule of the model at once."""
    it = everything()
    wishes = dataclasses.replace(
        it.wishes, village_least=np.zeros((2, 6)), village_most=np.full((2, 6), 3), sites_least=1, sites_most=3,
        avoid=(np.array([True] + [False] * 3),),
    )  # fmt: skip
    crew = dataclasses.replace(it.crew, site_week_hours=np.full(6, 0.5))
    return dataclasses.replace(it, goal=goal, clear_share=0.1, crew=crew, wishes=wishes)


REFUSED = {
    "clear_share": ("the goal 'clear'", {"workshop": None, "wishes": Wishes()}, "clear"),
    "press": ("a workshop", {"wishes": Wishes()}, "margin"),
    "fair_share": ("fair shares", {"workshop": None}, "margin"),
    "apart": ("plans to differ from", {"workshop": None}, "margin"),
}


@pytest.mark.parametrize("goal", ["margin", "clear"])
def test_every_rule_that_ties_villages_together_is_shared_priced_or_refused(goal):
    """A new rule over several villages that regions know nothing of would be broken by them: it must be told here."""
    it = every_rule(goal)
    model = build(it)
    owner = owners(it, model)
    village = np.where(owner >= 0, it.site_village[np.maximum(owner, 0)], -1)
    tied = {
        name for name, block in model.rows.items()
        if any(len(np.unique(village[row.indices])) > 1 for row in model.matrix[block])
    }  # fmt: skip
    assert tied == {*SHARED_ROWS, "lot_mass", *(set(REFUSED) - (set() if goal == "clear" else {"clear_share"}))}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_shared_out_is_refused(name):
    said, without, goal = REFUSED[name]
    with pytest.raises(UsageError, match=said):
        limits_of(dataclasses.replace(every_rule(goal), **without))


def test_a_part_of_the_demo_by_regions_stands_round_the_same_part_undivided():
    """Neither can prove its best in a test's time: no plan may pass the other's bound."""
    land = read_land(DEMO)
    sites = candidate_sites(land.survey, land.fields, land.supply, land.network, land.settings, land.values)
    every = ground_of(land, sites).problem(land, land.settings).instance
    it, _, _ = restrict(every, np.flatnonzero(every.site_village % 4 == 0))
    whole = solve(it, gap=0.01, seconds=60, effort_s=3)
    joint, plan = solve_in_regions(it, np.arange(it.village_count) // 2, gap=0.01, seconds=60, effort_s=3)
    assert check(it, plan) == []
    assert 0 < joint.value <= whole.bound
    assert joint.bound >= whole.value > 0
    assert joint.gap < 0.5


def test_slow_and_many_workers_change_nothing():
    """Where the effort and not the clock ends the search: one region after another, and side by side with pauses."""
    it = random_season(11, lots=300, sites=20, weeks=8, classes=9, village_number=6, fleet=np.full(8, 14))

    def paused(function, tasks):
        def one(task):
            time.sleep(0.05)
            return function(task)

        with ThreadPoolExecutor(3) as pool:
            return list(pool.map(one, tasks))

    found = [
        solve_in_regions(it, np.arange(6), gap=1e-7, seconds=600, effort_s=1.0, map=carried, hands=hands)
        for carried, hands in ((map, 1), (paused, 3))
    ]
    assert check(it, found[0][1]) == []
    assert [joint.status for joint, _ in found] == ["effort", "effort"]
    assert found[0][0].value == found[1][0].value
    assert found[0][0].bound == found[1][0].bound
    np.testing.assert_array_equal(found[0][1].barrels, found[1][1].barrels)


def test_an_interrupted_search_gives_what_it_has_with_its_true_gap():
    it = random_season(3, lots=9, sites=4, village_number=3)
    turns = []

    def impatient(function, tasks):
        turns.append(1)
        if len(turns) > 2:
            raise KeyboardInterrupt
        return map(function, tasks)

    joint, plan = solve_in_regions(it, np.arange(it.village_count), gap=1e-3, seconds=20, map=impatient)
    best = plain_optimum(it)
    assert check(it, plan) == []
    assert joint.value <= best <= joint.bound
    assert joint.gap > 0.5
    assert joint.status == "interrupted"


def test_the_clock_says_that_it_ended_the_search_of_regions():
    it = random_season(11, lots=300, sites=20, weeks=8, classes=9, village_number=6, fleet=np.full(8, 14))
    joint, plan = solve_in_regions(it, np.arange(6), gap=1e-7, seconds=0.5, effort_s=1e6)
    assert joint.status == "time"
    assert check(it, plan) == []


@settings(deadline=None, max_examples=100)
@given(st.lists(st.lists(st.floats(0, 5), min_size=3, max_size=3), min_size=1, max_size=5), st.integers(0, 9))
def test_largest_remainders_are_whole_near_the_wish_and_within_the_total(wanted, total):
    wanted = np.array(wanted)
    shares = largest_remainder(wanted, np.full(3, float(total)))
    assert (shares == np.round(shares)).all()
    assert (shares >= 0).all()
    assert (shares.sum(axis=0) <= total).all()
    fits = wanted.sum(axis=0) <= total
    assert (np.abs(shares - wanted)[:, fits] < 1 + 1e-6).all()


def test_every_array_of_a_question_is_known_to_be_cut():
    arrays = {
        (block.__name__, f.name)
        for block in (Instance, Villages, Moves, Crew, Water, Workshop, Wishes, Previous)
        for f in dataclasses.fields(block)
        if ("Floats" in f.type or "Ints" in f.type) and f.name != "avoid"
    }
    assert arrays == set(AXES)


def test_a_village_without_a_site_counts_where_only_moves_tell_of_villages():
    it = apart(moves=Moves(site_cost=[1.0, 1.0], village_cost=[2.0, 3.0, 4.0]))
    assert it.village_count == 3
    part, _, _ = restrict(it, np.array([1]))
    assert part.moves.village_cost.tolist() == [3.0]
