"""The rules beyond barrels and sites: each alone on a toy season where it binds, worked by hand."""

from __future__ import annotations

import importlib
import inspect
import itertools
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from sourcing.errors import NoPlanError, UsageError
from sourcing.placement import model as model_room
from sourcing.placement.check import check
from sourcing.placement.instance import IN, Crew, Moves, Previous, Villages, Water, Wishes, Workshop
from sourcing.placement.model import build
from sourcing.placement.solve import solve
from sourcing.placement.split import sound
from tests.unit.small_seasons import everything, random_season, season


def best(it):
    plan = solve(it, gap=1e-9, seconds=30)
    assert check(it, plan) == []
    assert plan.status == "optimal"
    return plan


def weekly(masses, sites=1, **more):
    """One site a row of `masses` (S, T), a lot ready and due in each week; 100 kg a barrel-week; worth 1."""
    masses = np.atleast_2d(np.asarray(masses, dtype=float))
    S, T = masses.shape
    return season(**({
        "lot_mass_kg": masses.ravel(), "lot_class": np.tile(np.arange(T), S), "class_first": np.arange(T),
        "class_last": np.arange(T), "class_hours_per_kg": np.full(T, 0.1), "class_value_per_kg": np.ones(T),
        "class_char_per_kg": np.full(T, 0.3), "class_loss_week": np.zeros(T), "arc_lot": np.arange(S * T),
        "arc_site": np.repeat(np.arange(S), T), "site_village": np.arange(S), "site_hours": np.full((S, T), 10.0),
        "site_open_cost": np.zeros(S), "site_least": np.ones(S), "site_most": np.full(S, 6), "fleet": np.full(T, 6),
    } | more))  # fmt: skip


# arriving, entering, most_moves, stays


def test_bringing_a_barrel_costs():
    """100 kg in weeks 0 and 1, nothing in 2, 100 in 3; bringing costs 150: not even once for 100, once for all 300.

    With a floor of busyness the barrel must leave in week 2 and come again: then 200 - 150 is best.
    """
    it = weekly([100, 100, 0, 100], moves=Moves(site_cost=[150.0]))
    assert best(it).value == pytest.approx(150)
    assert best(replace(it, busy_floor=0.5)).value == pytest.approx(50)


def test_barrels_that_stand_there_already_come_free():
    it = weekly([100, 100], moves=Moves(site_cost=[150.0], standing=[1]))
    assert best(it).value == pytest.approx(200)


def test_bringing_into_a_village_costs_more_than_within():
    """Two sites, work in week 0 at the first, in week 1 at the second, one barrel."""
    moves = Moves(site_cost=[10.0, 10.0], village_cost=[30.0])
    one = weekly([[100, 0], [0, 100]], fleet=[1, 1], site_village=[0, 0], moves=moves, busy_floor=0.5)
    assert best(one).value == pytest.approx(200 - 10 - 30 - 10)
    two = replace(one, site_village=[0, 1], moves=Moves(site_cost=[10.0, 10.0], village_cost=[30.0, 30.0]))
    assert best(two).value == pytest.approx(200 - 80)


def test_most_moves_a_week_bind():
    """Three barrels' work in each week, one barrel a week can be brought: 1 + 2 + 3."""
    it = weekly([300, 300, 300], moves=Moves(site_cost=[0.0], most=[1, 1, 1]))
    assert best(it).value == pytest.approx(600)


def test_stays_bind():
    """Work in week 0 and in week 2 at two sites with one barrel: a stay of 3 weeks keeps it at the first.

    Worth 100 at the first, 90 at the second; standing costs 5 a week: 3 weeks of standing for 100 leave 85.
    """
    it = weekly([[100, 0, 0], [0, 0, 90]], fleet=[1, 1, 1], barrel_week_cost=5.0)
    assert best(replace(it, moves=Moves(site_cost=[0.0, 0.0]))).value == pytest.approx(180)
    assert best(replace(it, moves=Moves(site_cost=[0.0, 0.0], stay_weeks=3))).value == pytest.approx(85)
    assert best(replace(it, moves=Moves(site_cost=[0.0, 0.0], stay_weeks=2))).value == pytest.approx(90 + 85)


@pytest.mark.parametrize("seed", range(4))
def test_moves_equal_brute_force(seed):
    """Every table of barrels on two sites and three weeks, 0 to 2 barrels, worked without the model."""
    draw = np.random.default_rng(seed)
    masses = draw.integers(0, 25, (2, 3)) * 10.0
    cost, standing, stay = draw.integers(0, 60, 2) * 1.0, draw.integers(0, 2, 2), int(draw.integers(1, 4))
    most = draw.integers(1, 3, 3)
    it = weekly(
        masses, fleet=[2, 2, 2], site_most=[2, 2], barrel_week_cost=7.0,
        moves=Moves(site_cost=cost, standing=standing, stay_weeks=stay, most=most),
    )  # fmt: skip
    top = -np.inf
    for table in itertools.product(range(3), repeat=6):
        y = np.array(table).reshape(2, 3)
        arrive = np.maximum(0, np.diff(np.c_[standing, y], axis=1))
        bound = [arrive[:, max(0, t - stay + 1) : t + 1].sum(axis=1) for t in range(3)]
        if (y.sum(axis=0) > 2).any() or (arrive.sum(axis=0) > most).any() or (y < np.array(bound).T).any():
            continue
        top = max(top, np.minimum(masses, 100 * y).sum() - 7 * y.sum() - (arrive * cost[:, None]).sum())
    assert best(it).value == pytest.approx(top)


# people, water, workshop, money


def test_crew_hours_bind():
    """Carrying takes 0.2 h a kg, tending 0.3 h: 40 hours char 80 kg of the near lot; the far takes 0.7."""
    crew = Crew(hours=[[40.0]], class_tender_hours_per_kg=[0.3])
    it = season(
        lot_mass_kg=[100.0, 100.0], lot_class=[0, 0], arc_lot=[0, 1], arc_site=[0, 0], arc_hours_per_kg=[0.2, 0.7],
        crew=crew,
    )  # fmt: skip
    assert best(it).value == pytest.approx(80)
    assert best(replace(it, crew=replace(crew, hours=[[80.0]]))).value == pytest.approx(130)


def test_hours_of_a_crew_that_stays_all_week_bind():
    """Two sites of 50 kg near one village: each takes 10 h of tending, however little is charred; 15 h leave one."""
    it = season(
        lot_mass_kg=[50.0, 50.0], lot_class=[0, 0], arc_lot=[0, 1], arc_site=[0, 1], arc_cost_per_kg=[0.0, 0.0],
        arc_hours_per_kg=[0.0, 0.0], site_village=[0, 0], site_hours=[[10.0], [10.0]], site_open_cost=[0.0, 0.0],
        site_least=[1, 1], site_most=[6, 6],
        crew=Crew(hours=[[15.0]], class_tender_hours_per_kg=[0.0], site_week_hours=[10.0]),
    )  # fmt: skip
    assert best(it).value == pytest.approx(50)
    assert best(replace(it, crew=replace(it.crew, hours=[[20.0]]))).value == pytest.approx(100)
    assert best(replace(it, crew=replace(it.crew, site_week_hours=None))).value == pytest.approx(100)


def test_crew_bands_never_overspend_and_say_their_error():
    """Two lots of nearly the same hours share a band, charged at the farther's: a little is left unused."""
    crew = Crew(hours=[[22.0]], class_tender_hours_per_kg=[0.0], band=1.25)
    it = season(
        lot_mass_kg=[100.0, 100.0], lot_class=[0, 0], arc_lot=[0, 1], arc_site=[0, 0], arc_hours_per_kg=[0.2, 0.22],
        crew=crew,
    )  # fmt: skip
    assert 100 <= best(it).value <= 100 + 2 / 0.22
    assert best(replace(it, crew=replace(crew, band=1.05))).value == pytest.approx(100 + 2 / 0.22)


def test_water_binds():
    it = season(water=Water(litres=[[30.0]], class_litres_per_kg=[0.5]))
    assert best(it).value == pytest.approx(60)


def test_workshop_press_and_store_bind():
    """0.3 kg char a kg; 30 pressed a week, 15 stored: week 0 can make 45 (150 kg), week 1 30 (100 kg)."""
    shop = Workshop(press_kg=[30.0, 30.0], store_kg=15.0)
    assert best(weekly([300, 300], workshop=shop)).value == pytest.approx(250)
    assert best(weekly([300, 0], workshop=shop)).value == pytest.approx(150)
    assert best(weekly([0, 300], workshop=replace(shop, store_kg=0.0))).value == pytest.approx(100)


def test_hauling_char_costs():
    """0.3 kg char a kg at 2 a kg char: each kg earns 1 - 0.6."""
    shop = Workshop(press_kg=[1000.0], store_kg=0.0, site_haul_cost_per_kg=[2.0])
    assert best(season(workshop=shop)).value == pytest.approx(40)


def test_budget_binds():
    """Carrying costs 0.2 a kg, crews 0.3 (taken off in the worth), the barrel-week 10: 40 buys 60 kg."""
    it = season(
        arc_cost_per_kg=[0.2], class_cost_per_kg=0.3, class_value_per_kg=[0.7], barrel_week_cost=10.0,
        wishes=Wishes(budget=40.0),
    )  # fmt: skip
    plan = best(it)
    assert plan.value == pytest.approx(60 * 0.5 - 10)
    assert plan.spent == pytest.approx(40)


# wishes


def test_fair_share_binds():
    """Two villages' lots at one barrel: the second, dear to carry, is owed half of its 80 kg."""
    it = season(
        lot_mass_kg=[100.0, 80.0], lot_class=[0, 0], arc_lot=[0, 1], arc_site=[0, 0], arc_cost_per_kg=[0.0, 0.5],
        fleet=[1], site_village=[0], villages=Villages(deploy_cost=[0.0, 0.0]),
    )  # fmt: skip
    assert best(it).value == pytest.approx(100)
    owed = Wishes(lot_village=[0, 1], fair_share=[0.0, 0.5])
    assert best(replace(it, wishes=owed)).value == pytest.approx(60 + 40 * 0.5)


def test_barrels_of_a_village_bind():
    """Two sites of 100 and 80 in the first village, one of 70 in the second."""
    it = weekly([[100], [80], [70]], site_village=[0, 0, 1])
    assert best(it).value == pytest.approx(250)
    assert best(replace(it, wishes=Wishes(village_most=[[1], [9]]))).value == pytest.approx(170)
    assert best(replace(it, fleet=[1], wishes=Wishes(village_least=[[0], [1]]))).value == pytest.approx(70)
    assert best(replace(it, wishes=Wishes(village_most=[[0], [9]]))).value == pytest.approx(70)
    with pytest.raises(NoPlanError, match="2 barrels are asked for in villages, but there are 1"):
        replace(it, fleet=[1], wishes=Wishes(village_least=[[1], [1]]))
    with pytest.raises(NoPlanError, match="village 1, week 0: 7 barrels are asked for, 6 may stand there"):
        replace(it, fleet=[9], wishes=Wishes(village_least=[[0], [7]]))


def test_barrels_of_a_village_bind_in_large_work_too(monkeypatch):
    """Cluster by cluster: villages stay whole, so that each obeys its own limit."""
    it = random_season(8, lots=60, sites=6, weeks=4, classes=4, village_number=3, site_village=[0, 0, 1, 1, 2, 2],
                       fleet=[6] * 4, busy_floor=0.0)  # fmt: skip
    limits = Wishes(village_least=np.full((3, 4), 1), village_most=np.full((3, 4), 2))
    exact = best(replace(it, wishes=limits)).value
    monkeypatch.setattr(importlib.import_module("sourcing.placement.solve"), "WHOLE_AT_ONCE", 0)
    plan = solve(replace(it, wishes=limits), gap=1e-6, seconds=20)
    assert check(replace(it, wishes=limits), plan) == []
    assert plan.value == pytest.approx(exact, rel=1e-4)


def test_apart_binds():
    """The best opens the first site (100); a plan one site apart opens none or the second too; two apart swaps."""
    it = weekly([[100], [80]], fleet=[1])
    first = best(it)
    assert first.opened.tolist() == [True, False]
    swapped = best(replace(it, wishes=Wishes(avoid=(first.opened,), apart=2)))
    assert swapped.value == pytest.approx(80)
    again = Wishes(avoid=(first.opened, swapped.opened), apart=1)
    assert best(replace(it, wishes=again)).value == pytest.approx(0)
    assert best(replace(it, fleet=[2], wishes=replace(again, apart=1))).value == pytest.approx(180)


def test_staying_near_last_plan_binds():
    """Last plan stood at the second site; moving earns 20 and changes two barrel-weeks and two sites."""
    it = weekly([[100], [80]], fleet=[1])
    last = Previous(barrels=[[0], [1]])
    assert best(replace(it, previous=replace(last, barrel_week_price=9.0))).value == pytest.approx(100 - 18)
    assert best(replace(it, previous=replace(last, barrel_week_price=11.0))).value == pytest.approx(80)
    assert best(replace(it, previous=replace(last, site_price=9.0))).value == pytest.approx(100 - 18)
    assert best(replace(it, previous=replace(last, site_price=11.0))).value == pytest.approx(80)


def test_weeks_already_worked_have_no_busy_floor():
    """Two barrels stood in the first week, with half a barrel's work; in the second the floor binds as ever."""
    it = weekly([[50, 50]], fleet=[2, 2], busy_floor=0.8, wishes=Wishes(barrels_least=[[2, 0]]))
    last = Previous(barrels=[[2, 2]], worked=[1, 0])
    plan = best(replace(it, previous=last))
    assert (plan.barrels.tolist(), plan.value) == ([[2, 0]], pytest.approx(50))
    with pytest.raises(NoPlanError):
        best(replace(it, previous=replace(last, worked=None)))
    assert any("the floor" in fault for fault in check(it, plan))


def test_barrels_where_last_plan_had_none_have_their_price_too():
    """Two barrels' work at the first site, where one stood: a second earns 100 and changes one barrel-week."""
    it = weekly([[200]])
    last = Previous(barrels=[[1]])
    assert best(replace(it, previous=replace(last, barrel_week_price=90.0))).value == pytest.approx(200 - 90)
    kept = best(replace(it, previous=replace(last, barrel_week_price=110.0)))
    assert (kept.value, kept.barrels.tolist()) == (pytest.approx(100), [[1]])
    none = best(replace(it, previous=Previous(barrels=[[0]], barrel_week_price=110.0)))
    assert (none.value, none.barrels.tolist()) == (pytest.approx(0), [[0]])
    fewer = best(replace(it, lot_mass_kg=[0.0], barrel_week_cost=7.0, previous=replace(last, barrel_week_price=5.0)))
    assert (fewer.value, fewer.barrels.tolist()) == (pytest.approx(-5), [[0]])


def test_doing_nothing_is_a_plan_whatever_stood_before():
    """Giving up three barrel-weeks at 5 and a site at 7 costs 22; nothing else is asked."""
    it = weekly([[100, 100]], previous=Previous(barrels=[[2, 1]], barrel_week_price=5.0, site_price=7.0))
    model = build(it)
    assert sound(model, model.lower)
    assert model.cost @ model.lower + model.offset == pytest.approx(22)


def test_the_plan_before_is_at_hand_when_there_is_no_time(monkeypatch):
    """Large work, no time for a search: the plan before, where it can be kept; else nothing."""
    solve_room = importlib.import_module("sourcing.placement.solve")
    monkeypatch.setattr(solve_room, "WHOLE_AT_ONCE", 0)
    monkeypatch.setattr(solve_room, "improve", lambda *args, **more: iter(()))
    real = solve_room.engine.run

    def hurried(model, **more):
        return real(model, **more) if more.get("relaxed") else replace(real(model, **more), z=None, end="time")

    monkeypatch.setattr(solve_room.engine, "run", hurried)
    it = weekly([[100, 100], [80, 80]], site_open_cost=[1, 1], villages=Villages(deploy_cost=[2, 2]))
    last = Previous(barrels=[[0, 0], [1, 1]], barrel_week_price=5.0, site_price=7.0)
    plan = solve(replace(it, previous=last), seconds=5)
    assert check(replace(it, previous=last), plan) == []
    assert (plan.value, plan.barrels.tolist()) == (pytest.approx(160 - 3), [[0, 0], [1, 1]])
    idle = replace(it, previous=replace(last, barrels=[[0, 0], [2, 1]]), busy_floor=0.9)
    plan = solve(idle, seconds=5)
    assert check(idle, plan) == []
    assert plan.value <= 0


def test_clear_counts_all_that_is_spent():
    shop = Workshop(press_kg=[1000.0], store_kg=0.0, site_haul_cost_per_kg=[2.0])
    it = season(
        goal="clear", clear_share=1.0, arc_cost_per_kg=[0.2], class_cost_per_kg=0.3, barrel_week_cost=5.0,
        site_open_cost=[3.0], workshop=shop, moves=Moves(site_cost=[4.0], village_cost=[6.0]),
        villages=Villages(deploy_cost=[7.0]),
    )  # fmt: skip
    plan = best(it)
    assert plan.value == pytest.approx(20 + 30 + 5 + 3 + 60 + 4 + 6 + 7)
    assert plan.spent == pytest.approx(plan.value)


# refusals


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"moves": Moves(site_cost=[1.0, 2.0])}, "moves.site_cost has shape"),
        ({"moves": Moves(site_cost=[1.0], stay_weeks=0)}, "stay_weeks"),
        ({"crew": Crew(hours=[[np.nan]], class_tender_hours_per_kg=[0.0])}, "crew.hours"),
        ({"crew": Crew([[1.0]], [0.0], site_week_hours=[1.0, 2.0])}, "site_week_hours"),
        ({"crew": Crew(hours=[[1.0]], class_tender_hours_per_kg=[0.0], band=1.0)}, "band"),
        ({"workshop": Workshop(press_kg=[1.0], store_kg=-1.0)}, "store_kg"),
        ({"wishes": Wishes(fair_share=[0.5])}, "together"),
        ({"wishes": Wishes(site_pin=[2])}, "-1, 0 and 1"),
        ({"wishes": Wishes(avoid=(np.zeros(3, dtype=bool),))}, "avoid"),
        ({"site_week_cost": -1.0}, "site_week_cost"),
        ({"site_week_cost": [[1.0, 2.0]]}, "site_week_cost has shape"),
        ({"site_week_cost": [[[1.0]]]}, "site_week_cost has shape"),
        ({"previous": Previous(barrels=[[-1]])}, "below 0"),
        ({"previous": Previous(barrels=[[1]], site_price=-1.0)}, "site_price"),
    ],
)
def test_malformed_blocks_are_refused(change, said):
    with pytest.raises(UsageError, match=said):
        season(**change)


def test_wishes_that_contradict_each_other_are_refused():
    with pytest.raises(NoPlanError, match=r"2 sites are pinned in.*at most 1"):
        weekly([[1], [1]], wishes=Wishes(site_pin=[IN, IN], sites_most=1))
    with pytest.raises(NoPlanError, match=r"at least 3 villages.*there are 2"):
        weekly([[1], [1]], villages=Villages(deploy_cost=[0, 0], least=3))


# none is missing


def chain(first, last, hours, mass=100.0, loss=0.0):
    """One residue in two lots with windows of their own at one site; 0.1 h a kg, 1 a kg, one barrel."""
    return season(
        lot_mass_kg=[mass, mass], lot_class=[0, 1], class_first=first, class_last=last, class_hours_per_kg=[0.1, 0.1],
        class_value_per_kg=[1.0, 1.0], class_char_per_kg=[0.3, 0.3], class_loss_week=[loss, loss], arc_lot=[0, 1],
        arc_site=[0, 0], site_hours=[hours], site_most=[1], fleet=[1] * len(hours),
    )  # fmt: skip


def test_nothing_of_a_chain_is_charred_before_it_is_ready():
    """Hours for 200 kg in week 0, but only one lot is there: 100 kg; the other finds no hours in week 1."""
    it = chain(first=[0, 1], last=[1, 1], hours=[20.0, 0.0])
    plan = solve(it, gap=1e-9)
    assert plan.value == pytest.approx(100)
    assert check(it, plan) == []


def test_nothing_of_a_chain_waits_past_its_week():
    """Hours for 200 kg in week 1, when the first lot is gone: 100 kg."""
    it = chain(first=[0, 0], last=[0, 1], hours=[0.0, 20.0])
    plan = solve(it, gap=1e-9)
    assert plan.value == pytest.approx(100)
    assert check(it, plan) == []


def test_each_lot_of_a_chain_loses_from_its_own_readiness():
    """10 % a week: the first lot in week 2 is worth 81, the second, ready in week 1, 90; ten hours do for both."""
    it = chain(first=[0, 1], last=[2, 2], hours=[0.0, 0.0, 20.0], loss=0.1)
    plan = solve(it, gap=1e-9)
    assert plan.value == pytest.approx(81 + 90)
    assert check(it, plan) == []


def test_every_block_of_rows_has_its_toy_test():
    """Each function of the model's BLOCKS is named, in words, by a test above or in test_placement that it binds."""
    tests = {
        "_lot_mass": "test_lot_mass_binds", "_balance": "test_window_and_loss_bind",
        "_ready": "test_nothing_of_a_chain_is_charred_before_it_is_ready",
        "_due": "test_nothing_of_a_chain_waits_past_its_week",
        "_barrel_hours": "test_barrel_hours_bind_and_barrels_are_whole", "_busy_floor": "test_busy_floor_binds",
        "_fleet": "test_fleet_binds_in_its_week", "_least_barrels": "test_least_barrels_at_a_site_bind",
        "_opening": "test_opening_cost_binds", "_deploying": "test_deploy_cost_binds",
        "_village_number": "test_most_and_least_villages_bind",
        "_village_barrels": "test_barrels_of_a_village_bind",
        "_site_number": "test_site_pins_and_numbers_bind",
        "_clear_share": "test_clear_share_binds", "_arriving": "test_bringing_a_barrel_costs",
        "_most_moves": "test_most_moves_a_week_bind", "_stays": "test_stays_bind",
        "_crew_hours": "test_crew_hours_bind",
        "_water": "test_water_binds", "_press": "test_workshop_press_and_store_bind", "_budget": "test_budget_binds",
        "_fair_share": "test_fair_share_binds", "_apart": "test_apart_binds",
        "_changes": "test_staying_near_last_plan_binds",
    }  # fmt: skip
    assert set(tests) == {block.__name__ for block in model_room.BLOCKS}
    here = inspect.getsource(inspect.getmodule(weekly)) + (Path(__file__).with_name("test_placement.py")).read_text()
    tests |= {  # what needs no rows of its own: prices and bounds of the variables
        "on": "test_crew_of_a_week_binds", "site_most": "test_most_barrels_at_a_site_bind",
        "barrels_least, barrels_most": "test_fixed_and_forbidden_barrels_bind",
        "site_pin": "test_site_pins_and_numbers_bind", "pin": "test_village_pins_bind",
        "standing": "test_barrels_that_stand_there_already_come_free",
        "arc_class": "test_an_arc_with_a_narrower_window_binds", "haul": "test_hauling_char_costs",
        "arc_cost_per_kg": "test_carrying_cost_counts_what_was_ready", "weights": "test_weights_trade_goals",
        "clear": "test_clear_counts_all_that_is_spent", "busy": "test_busy_floor_binds",
        "worked": "test_weeks_already_worked_have_no_busy_floor",
    }  # fmt: skip
    assert [t for t in tests.values() if f"def {t}(" not in here] == []


# the checker on every block


TIGHTENED = {
    "fewer villages": lambda it, p: replace(it, site_village=[0, 0, 0, 0], villages=replace(it.villages, least=2)),
    "most villages": lambda it, p: replace(it, villages=replace(it.villages, least=0, most=1)),
    "deploy cost": lambda it, p: replace(it, villages=replace(it.villages, deploy_cost=[11, 11])),
    "site move cost": lambda it, p: replace(it, moves=replace(it.moves, site_cost=np.full(4, 2.5))),
    "village move cost": lambda it, p: replace(it, moves=replace(it.moves, village_cost=np.full(2, 3.5))),
    "moves a week": lambda it, p: replace(it, moves=replace(it.moves, most=np.full(6, 0.5))),
    "stay": lambda it, p: replace(it, moves=replace(it.moves, stay_weeks=6)),
    "crew": lambda it, p: replace(it, crew=replace(it.crew, hours=it.crew.hours * 0.5)),
    "tending": lambda it, p: replace(it, crew=replace(it.crew, class_tender_hours_per_kg=np.full(4, 0.5))),
    "water": lambda it, p: replace(it, water=replace(it.water, litres=it.water.litres * 0.3)),
    "press": lambda it, p: replace(it, workshop=replace(it.workshop, press_kg=it.workshop.press_kg * 0.2)),
    "haul": lambda it, p: replace(it, workshop=replace(it.workshop, site_haul_cost_per_kg=np.full(4, 0.1))),
    "budget": lambda it, p: replace(it, wishes=replace(it.wishes, budget=p.spent * 0.9)),
    "fair share": lambda it, p: replace(it, wishes=replace(it.wishes, fair_share=np.full(2, 0.99))),
    "apart": lambda it, p: replace(it, wishes=replace(it.wishes, avoid=(p.opened,))),
    "pinned out": lambda it, p: replace(it, wishes=replace(it.wishes, site_pin=np.where(p.opened, -1, 0))),
    "village pinned out": lambda it, p: replace(it, villages=replace(it.villages, least=0, pin=[-1, -1])),
    "barrels least": lambda it, p: replace(
        it, fleet=np.full(6, 50), wishes=replace(it.wishes, barrels_least=np.where(p.barrels < 3, p.barrels + 1, 0))
    ),
    "barrels most": lambda it, p: replace(it, wishes=replace(it.wishes, barrels_most=np.maximum(p.barrels - 1, 0))),
    "price of change": lambda it, p: replace(it, previous=replace(it.previous, barrel_week_price=0.7)),
    "price of sites": lambda it, p: replace(
        it, previous=replace(it.previous, site_price=9.0, barrels=np.zeros((4, 6)))
    ),
    "village's barrels least": lambda it, p: replace(
        it, fleet=np.full(6, 50),
        wishes=replace(it.wishes, village_least=p.barrels.reshape(2, 2, 6).sum(axis=1) + 1),
    ),
    "village's barrels most": lambda it, p: replace(
        it, wishes=replace(it.wishes, village_most=np.maximum(p.barrels.reshape(2, 2, 6).sum(axis=1) - 1, 0))
    ),
    "sites most": lambda it, p: replace(it, wishes=replace(it.wishes, sites_most=1)),
    "sites least": lambda it, p: replace(it, wishes=replace(it.wishes, sites_least=4)),
    "opening cost": lambda it, p: replace(it, site_open_cost=np.full(4, 6.0)),
    "crew of a week": lambda it, p: replace(it, site_week_cost=1.5),
    "hours of a crew all week": lambda it, p: replace(
        it, crew=replace(it.crew, site_week_hours=np.full(p.barrels.shape[1], 50.0))
    ),
    "crew of one week at one site": lambda it, p: replace(
        it, site_week_cost=np.where(p.barrels == p.barrels.max(), 3, 1)
    ),
    "crew by site": lambda it, p: replace(it, site_week_cost=np.full(4, 1.5)),
    "barrel-week cost": lambda it, p: replace(it, barrel_week_cost=9.0),
    "clear": lambda it, p: replace(it, goal="clear", clear_share=0.9),
    "standing": lambda it, p: replace(it, moves=replace(it.moves, standing=np.full(4, 1))),
    "litres a kilo": lambda it, p: replace(it, water=replace(it.water, class_litres_per_kg=np.full(4, 6.0))),
    "store": lambda it, p: replace(
        it, workshop=replace(it.workshop, press_kg=it.workshop.press_kg * 0.5, store_kg=0.0)
    ),
    "whose residue": lambda it, p: replace(
        it, wishes=replace(it.wishes, lot_village=np.where(np.arange(40) == with_some_left(it, p), 1, 0),
                           fair_share=np.array([0.0, 1.0]))
    ),
    "apart by more": lambda it, p: replace(it, wishes=replace(it.wishes, avoid=(~p.opened,), apart=5)),
    "village least": lambda it, p: replace(it, villages=replace(it.villages, least=2), site_village=[0, 0, 0, 0]),
    "fleet": lambda it, p: replace(it, fleet=np.maximum(p.barrels.sum(axis=0) - 1, 0)),
    "most at a site": lambda it, p: replace(it, site_most=np.maximum(p.barrels.max(axis=1) - 1, 1)),
    "least at a site": lambda it, p: replace(it, site_least=np.full(4, 3), site_most=np.full(4, 9)),
    "working hours": lambda it, p: replace(it, site_hours=it.site_hours * 0.5),
    "busy floor": lambda it, p: replace(it, busy_floor=1.0),
    "busy floor of weeks worked": lambda it, p: replace(
        it, busy_floor=1.0, previous=replace(it.previous, worked=np.zeros(6, dtype=int))
    ),
    "barrel-hours a kilo": lambda it, p: replace(it, class_hours_per_kg=it.class_hours_per_kg * 2),
    "worth of a kilo": lambda it, p: replace(it, class_value_per_kg=it.class_value_per_kg * 0.9),
    "char of a kilo": lambda it, p: replace(it, class_char_per_kg=it.class_char_per_kg * 0.9),
    "loss a week": lambda it, p: replace(it, class_loss_week=it.class_loss_week + 0.1),
    "ready before": lambda it, p: replace(it, class_ready=np.zeros(4, dtype=int)),
    "first week": lambda it, p: replace(it, class_first=it.class_last),
    "last week": lambda it, p: replace(it, class_last=it.class_first),
    "mass of a lot": lambda it, p: replace(it, lot_mass_kg=it.lot_mass_kg * 0.5),
    "another residue": lambda it, p: replace(it, lot_class=np.roll(np.arange(4), 1)[it.lot_class]),
    "way closed": lambda it, p: closed(it, p),
    "another lot": lambda it, p: replace(it, arc_lot=np.roll(it.arc_lot, 1)),
    "another site": lambda it, p: replace(it, arc_site=(it.arc_site + 1) % 4),
    "cost of carrying": lambda it, p: replace(it, arc_cost_per_kg=it.arc_cost_per_kg + 0.1),
    "hours of carrying": lambda it, p: replace(it, arc_hours_per_kg=it.arc_hours_per_kg * 3),
    "outlay at the barrel": lambda it, p: replace(it, class_cost_per_kg=0.1),
}  # fmt: skip


def with_some_left(it, plan):
    """A lot of which something is left in the field."""
    taken = np.bincount(it.arc_lot, weights=plan.x, minlength=len(it.lot_mass_kg))
    return int(np.argmax(it.lot_mass_kg - taken))


def closed(it, plan):
    """The way of the first carry is closed in its week: its arc has a class of its own, with a narrower window."""
    arc, week = int(plan.carry_arc[0]), int(plan.carry_week[0])
    klass = int(it.lot_class[it.arc_lot[arc]])
    first, last = int(it.class_first[klass]), int(it.class_last[klass])
    assert first < last
    window = (first, week - 1) if week > first else (week + 1, last)
    grown = {
        f.name: np.r_[getattr(it, f.name), getattr(it, f.name)[klass]]
        for f in fields(it)
        if f.name.startswith("class_") and np.ndim(getattr(it, f.name)) == 1
    }
    grown |= {"class_first": np.r_[it.class_first, window[0]], "class_last": np.r_[it.class_last, window[1]]}
    tender, litres = it.crew.class_tender_hours_per_kg, it.water.class_litres_per_kg
    arc_class = it.lot_class[it.arc_lot].copy()
    arc_class[arc] = len(it.class_first)
    return replace(
        it, **grown, class_ready=np.r_[it.class_first, first], arc_class=arc_class,
        crew=replace(it.crew, class_tender_hours_per_kg=np.r_[tender, tender[klass]]),
        water=replace(it.water, class_litres_per_kg=np.r_[litres, litres[klass]]),
    )  # fmt: skip


def differing(one, other, prefix=""):
    """Names of the fields in which two questions differ, those of their blocks as 'block.field'."""
    found = set()
    for f in fields(one):
        a, b = getattr(one, f.name), getattr(other, f.name)
        if is_dataclass(a) and is_dataclass(b):
            found |= differing(a, b, f"{f.name}.")
        elif isinstance(a, tuple) and isinstance(b, tuple):
            found |= {f"{prefix}{f.name}"} if len(a) != len(b) or any(map(np.any, map(np.not_equal, a, b))) else set()
        elif (a is None) != (b is None) or not np.array_equal(a, b):
            found.add(f"{prefix}{f.name}")
    return found


@pytest.fixture(scope="module")
def whole():
    it = everything()
    plan = best(it)
    assert plan.opened.sum() >= 2
    assert plan.value > 20
    return it, plan


def test_every_field_of_the_question_is_tightened_once_for_the_checker(whole):
    """So that a new rule cannot be forgotten there. Bands are the model's own; weights have the test below."""
    it, plan = whole
    every = {f.name for f in fields(it) if not is_dataclass(getattr(it, f.name))}
    every |= {
        f"{f.name}.{g.name}" for f in fields(it) if is_dataclass(block := getattr(it, f.name)) for g in fields(block)
    }
    seen = set().union(*(differing(it, tighten(it, plan)) for tighten in TIGHTENED.values()))
    assert every - seen == {"crew.band", "weights"}


def test_checker_sees_other_weights():
    it = replace(everything(), goal="mix", weights=(1.0, 2.0, 0.1))
    plan = best(it)
    for weights in ((1.1, 2.0, 0.1), (1.0, 2.1, 0.1), (1.0, 2.0, 0.11)):
        assert check(replace(it, weights=weights), plan)


@pytest.mark.parametrize("name", TIGHTENED)
def test_checker_sees_when_a_rule_is_tightened(name, whole):
    it, plan = whole
    assert check(TIGHTENED[name](it, plan), plan), name
