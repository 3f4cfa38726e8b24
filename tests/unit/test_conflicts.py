"""Wishes that cannot all be met, named as the planner wrote them, on three small sites of three villages."""

from datetime import date
from types import SimpleNamespace

import pytest

from sourcing.errors import NoPlanError
from sourcing.season.barrel import barrel_rates
from sourcing.season.conflicts import conflicting, why_no_plan, wishes_in
from sourcing.season.problem import residues_of, season_problem
from sourcing.settings import Settings
from sourcing.weeks import Calendar
from tests.little_seasons import VALUES, WEEKS, fields_of, places, season_settings
from tests.unit.test_limits import ARCS, LOTS


def asked(settings):
    """The question of the little season: 1500 kg of stalks in each of three villages, each with a site."""
    supply = SimpleNamespace(lots=LOTS, calendar=Calendar(date(2027, 4, 5), WEEKS))
    rates, _ = barrel_rates(residues_of(supply), settings, VALUES)
    arcs = SimpleNamespace(frame=ARCS)
    return season_problem(supply, places(), arcs, rates, fields_of(LOTS), settings, VALUES).instance


def conflict_of(**sections):
    settings = season_settings(sections, **sections.pop("fleet", {}))
    return [w.said for w in conflicting(settings, asked, seconds=20)]


def fixed(first="2027-04-05", last="2027-04-11", **more):
    return {"first_day": first, "last_day": last, **more}


def test_where_all_can_be_met_nothing_conflicts():
    assert conflict_of() == []
    assert conflict_of(villages={"use": ["v0"], "least": 2}, wishes={"budget": 1e6}) == []


def test_fixed_barrels_against_the_fleet_are_named_with_their_figures():
    """Three at one site and two at another in the same week make five, of four; the third entry is in another week."""
    wishes = {
        "fixed": [
            fixed(site="s0", least=3), fixed(village="V1", least=2),
            fixed("2027-04-19", "2027-04-25", site="s2", least=1),
        ]
    }  # fmt: skip
    assert conflict_of(wishes=wishes) == [
        "fleet.barrels = 4 (barrels in the fleet)",
        "wishes.fixed: site s0, 2027-04-05 to 2027-04-11, at least 3 barrels",
        "wishes.fixed: village V1, 2027-04-05 to 2027-04-11, at least 2 barrels",
    ]


def test_of_many_entries_only_those_that_conflict_are_named():
    found = conflict_of(villages={"use": ["v0", "v1"], "leave_out": ["v2"]}, wishes={"sites_leave_out": ["s1", "s2"]})
    assert found == ["villages.use: v1", "wishes.sites_leave_out: s1"]


def test_two_numbers_that_exclude_each_other():
    assert conflict_of(villages={"least": 3}, wishes={"sites_most": 2}) == [
        "villages.least = 3 (fewest villages with barrels)",
        "wishes.sites_most = 2 (most sites)",
    ]


def test_a_fair_share_against_crew_hours_of_one_village():
    """The fields of V0 are reached from every site, but all crews together cannot fetch so much."""
    found = conflict_of(villages={"fair_share": 0.9}, crew={"hours_a_week": 1.0, "villages": {"V1": 2.0}})
    assert found == [
        "villages.fair_share = 0.9 (share of each village's own free residue that must be collected at least [0-1])",
        "crew.hours_a_week = 1 (worker hours that each village offers a week [h])",
        "crew.villages: V1 = 2",
    ]
    assert conflict_of(villages={"fair_share": 0.9}, crew={"hours_a_week": 1.0, "villages": {"V1": 500.0}}) == []


def test_what_the_ground_forbids_is_a_conflict_of_one():
    """No residue of any village is left without barrels that may stand nowhere in any week."""
    found = conflict_of(wishes={"fixed": [fixed("2027-04-05", "2027-05-09", most=0)]}, villages={"use": ["v0"]})
    assert found == ["villages.use: v0", "wishes.fixed: every site, 2027-04-05 to 2027-05-09, no barrels"]
    settings = season_settings({"placement": {"goal": "clear", "clear_share": 1.0}})
    far = LOTS.assign(mass_kg=[1500.0, 1500.0, 5e6])

    def asked_far(s):
        supply = SimpleNamespace(lots=far, calendar=Calendar(date(2027, 4, 5), WEEKS))
        rates, _ = barrel_rates(residues_of(supply), s, VALUES)
        near = SimpleNamespace(frame=ARCS[ARCS["lot"] != 2])
        return season_problem(supply, places(), near, rates, fields_of(far), s, VALUES).instance

    with pytest.raises(NoPlanError) as told:
        asked_far(settings)
    words = why_no_plan(settings, asked_far, str(told.value), seconds=20)
    assert "this wish in season.toml cannot be met on this ground" in words
    assert "placement.clear_share = 1 " in words
    assert "only 3,000 kg lies within reach" in words


def test_a_reason_that_no_wish_brings_about_is_left_as_it_was():
    def nothing(_):
        raise NoPlanError("there is no place where a barrel may stand")

    assert why_no_plan(season_settings(), nothing, "there is no place") == "there is no place"


def test_in_no_time_nothing_is_called_a_conflict():
    settings = season_settings({"villages": {"least": 3}, "wishes": {"sites_most": 2}})
    assert conflicting(settings, asked, seconds=0.0) in ((), conflicting(settings, asked, seconds=20))


NARROWS_NOTHING = {
    "fleet": {"several", "hours_a_day", "day_starts", "days_a_week", "days_in_week"},  # how long people work
    "placement": {"goal", "gap", "seconds", "seed"}, "moves": {"charge"}, "villages": {"charge"}, "crew": set(),
    "water": {"comes_from"}, "wishes": set(),
}  # fmt: skip
ALL = {
    "fleet": {"barrels_from": {"2027-04-12": 3}, "least_at_site": 2}, "moves": {"most_a_week": 2, "stay_weeks": 2},
    "placement": {"goal": "clear"}, "crew": {"hours_a_week": 9, "villages": {"V1": 3}},
    "villages": {"use": ["v0"], "leave_out": ["v1"], "least": 1, "most": 2, "fair_share": 0.1},
    "water": {"litres_a_week": 9, "villages": {"V1": 3}}, "works": {"limits_plan": True},
    "wishes": {"sites_use": ["s0"], "sites_leave_out": ["s1"], "sites_least": 1, "sites_most": 2, "budget": 9.0,
               "fixed": [fixed(least=1)]},
}  # fmt: skip


def test_every_option_that_narrows_a_plan_is_a_wish_and_none_is_left_when_all_are_given_up():
    settings = season_settings(ALL, **ALL["fleet"])
    every = wishes_in(settings)
    named = {w.option for w in every} | {"fleet.barrels_from"}  # told with fleet.barrels
    for section, harmless in NARROWS_NOTHING.items():
        fields = set(Settings.model_fields[section].annotation.model_fields) - harmless
        assert {f"{section}.{f}" for f in fields} <= named, section
    for wish in every:
        settings = wish.without(settings)
    assert {w.option for w in wishes_in(settings)} <= {
        "fleet.barrels", "fleet.most_at_site", "placement.clear_share", "crew.villages", "water.villages",
    }  # fmt: skip
    instance = asked(settings.model_copy(update={"works": settings.works}))
    assert instance.fleet.min() > 1000
    assert instance.clear_share == 0
    assert instance.wishes.barrels_least is None
    assert instance.water.litres.min() >= 1e9
    assert instance.crew.hours.min() >= 1e9
