"""Prices of limits as a table and in words."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sourcing.placement.answers import Prices, Weighed
from sourcing.season import worth
from sourcing.season.worth import Unit, spans, worth_lines, worth_table
from sourcing.weeks import Calendar
from tests.unit.planned import planned
from tests.unit.small_seasons import season

CALENDAR = Calendar(date(2027, 5, 3), 6)
LOTS = pd.DataFrame({
    "village": ["Amberel", "Amberel", "Bysdale"], "crop": ["maize", "maize", "cotton"],
    "residue": ["cob", "cob", "stalk"], "mass_kg": [100.0, 300.0, 50.0],
})  # fmt: skip


def table(**more):
    prices = Prices(**({"barrel_week": np.zeros(6), "lot_kg": np.zeros(3)} | more))
    return worth_table(prices, CALENDAR, ["Amberel", "Bysdale"], [0, 0, 1], LOTS)


def test_weeks_whose_prices_are_alike_are_told_together():
    """Within a quarter of one another; what is below two hundredths of the dearest is nothing."""
    found = spans(np.array([0.0, 10.0, 12.0, 0.1, 20.0, 30.0]))
    assert found == [(1, 2, 11.0, 10.0, 12.0), (4, 4, 20.0, 20.0, 20.0), (5, 5, 30.0, 30.0, 30.0)]
    assert spans(np.zeros(4)) == []
    assert spans(np.full(4, 3.0)) == [(0, 3, 3.0, 3.0, 3.0)]


def test_one_more_barrel_earns_nothing_while_one_of_the_fleet_stands_idle(monkeypatch):
    """The relaxation may use what the plan leaves in the store."""
    plan = planned()
    placed = SimpleNamespace(barrels=np.array([[1, 2, 2, 0, 0, 0], [1, 0, 2, 0, 0, 0]]))
    drawn = Weighed(Prices(barrel_week=np.full(6, 5.0), lot_kg=np.zeros(len(plan.supply.lots))), np.zeros(1), 0.0)
    monkeypatch.setattr(worth, "weighed", lambda *_, **__: drawn)
    supply = SimpleNamespace(lots=plan.supply.lots, calendar=CALENDAR)
    found = worth.draw_worth(
        season(fleet=[2, 3, 4, 1, 1, 1], site_hours=[[10.0] * 6]), placed, plan.fields, supply, seconds=1
    )
    barrels = found.table[found.table["kind"] == "barrel"]
    assert barrels[["first_week", "last_week"]].to_numpy().tolist() == [
        ["2027-W18", "2027-W18"],
        ["2027-W20", "2027-W20"],
    ]
    assert found.barrel_season == 10


def test_a_barrel_by_weeks_with_its_days():
    rows = table(barrel_week=np.array([5.0, 5.0, 0, 0, 40.0, 0]))
    assert rows[["first_week", "last_week", "weeks", "worth"]].to_numpy().tolist() == [
        ["2027-W22", "2027-W22", 1, 40.0], ["2027-W18", "2027-W19", 2, 5.0],
    ]  # fmt: skip
    ((head, lines),) = worth_lines(rows, Unit("margin", "crowns"), 50.0, 6)
    assert head == "One more barrel earns about 50 crowns if it is there the whole season; a week"
    assert lines == [
        "3–16 May 2027 (2 weeks): about 5.0 crowns", "31 May – 6 June 2027: about 40 crowns",
        "in the other weeks little or nothing",
    ]  # fmt: skip


def test_residue_is_told_a_tonne_as_the_mean_of_its_kind_by_mass():
    """A quarter of the cobs of Amberel at 0.04 a kilo, three quarters at 0: 10 a tonne."""
    rows = table(lot_kg=np.array([0.04, 0.0, 0.02]))
    assert rows[["village", "about", "worth"]].to_numpy().tolist() == [
        ["Bysdale", "cotton/stalk", pytest.approx(20)], ["Amberel", "maize/cob", pytest.approx(10)],
    ]  # fmt: skip
    lines = worth_lines(rows, Unit("char", "crowns"), 0.0, 6)[1][1]
    assert lines == ["cotton stalk: about 20 kg of char, in Bysdale", "maize cob: about 10 kg of char, in Amberel"]


def test_people_water_presses_moves_money_and_shares_each_have_their_line():
    weeks = np.zeros((2, 6))
    weeks[1, 2:4] = 1.5
    water = np.zeros((3, 6))
    water[0, 0], water[1, 0] = 0.02, 0.03
    rows = table(
        crew_hour=weeks, water_litre=water, press_kg=np.array([0, 0.2, 0, 0, 0, 0]),
        move=np.array([0, 0, 7.0, 0, 0, 0]), money=0.4, fair_kg=np.array([0.0, 0.05]),
    )  # fmt: skip
    told = dict(worth_lines(rows, Unit("clear", "crowns"), 0.0, 6))
    assert told == {
        "One more barrel would earn nothing: there are enough": [],
        "One more barrel that could be brought to a site in the week saves": [
            "17–23 May 2027: about 7.0 crowns", "in the other weeks little or nothing",
        ],
        "One more hour of the crew saves": ["Bysdale, 17–30 May 2027 (2 weeks): about 1.5 crowns"],
        "100 l more of quench water a week at a site saves": ["Amberel, 3–9 May 2027: about 3.0 crowns"],
        "100 kg more of char that could be pressed in the week saves": [
            "10–16 May 2027: about 20 crowns", "in the other weeks little or nothing",
        ],
        "100 crowns more of budget saves": ["about 40 crowns"],
        "The last 100 kg of the fair share costs": ["Bysdale: about 5.0 crowns"],
    }  # fmt: skip


def test_amounts_have_as_many_digits_as_they_are_worth():
    told = [Unit("margin", "crowns").amount(v) for v in (0.0, 0.012, 0.4, 3.14159, 31.4, 31415.9)]
    assert told == ["0 crowns", "0.012 crowns", "0.40 crowns", "3.1 crowns", "31 crowns", "31,416 crowns"]
