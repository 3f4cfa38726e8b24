"""The workshop by week: presses, stocks, drying, market."""

import numpy as np
import pytest

from sourcing.season.workshop import briquettes_per_char, cheapest_presses, workshop_imbalances, workshop_season
from sourcing.values import Values
from tests.unit.season_of_work import season

DAYS = np.full(6, 6.0)


@pytest.fixture(scope="module")
def values():
    return Values.load()


def run(values, char, shaped=None, days=DAYS, drying_days=None, **works):
    char = np.asarray(char, dtype=float)
    shaped = char if shaped is None else np.asarray(shaped, dtype=float)
    return workshop_season(char, shaped, days, season(works=works), values, drying_days)


def test_all_char_becomes_briquettes_that_are_sold(values):
    shop, findings, _ = run(values, [100, 200, 0, 50, 0, 0])
    assert findings == ()
    assert workshop_imbalances(shop, 350) == []
    assert shop.weeks["sold_kg"].sum() == pytest.approx(350 * briquettes_per_char(values))
    assert shop.weeks["stock_kg"].iloc[-1] == 0
    assert shop.weeks["flour_kg"].sum() == pytest.approx(350 * 0.98 * 0.1)


def test_char_rests_a_day_before_it_is_used(values):
    shop, _, _ = run(values, [700, 0, 0, 0, 0, 0], presses={"large_electric": 5})
    # of seven days' char the last day's rests into the next week
    assert shop.weeks.loc[0, "char_resting_kg"] == pytest.approx(100)
    assert shop.weeks.loc[1, "char_resting_kg"] == pytest.approx(0, abs=1e-9)


def test_drying_delays_the_sale(values):
    quick, _, _ = run(values, [100, 0, 0, 0, 0, 0], drying_days=[0.0] * 6)
    slow, _, _ = run(values, [100, 0, 0, 0, 0, 0], drying_days=[14.0] * 6)
    assert quick.weeks.loc[0, "sold_kg"] > 0
    assert slow.weeks.loc[0, "sold_kg"] == slow.weeks.loc[1, "sold_kg"] == 0
    assert slow.weeks.loc[2, "sold_kg"] > 0
    assert slow.weeks["floor_m2"].max() > quick.weeks["floor_m2"].max()


def test_weeks_with_fewer_workable_days_dry_more_slowly_and_press_less(values):
    wet = DAYS.copy()
    wet[0] = 2
    short, _, _ = run(values, [500, 0, 0, 0, 0, 0], days=wet, presses={"hand": 2})
    full, _, _ = run(values, [500, 0, 0, 0, 0, 0], presses={"hand": 2})
    assert short.weeks.loc[0, "pressed_kg"] == pytest.approx(full.weeks.loc[0, "pressed_kg"] / 3)
    assert short.weeks.loc[0, "dried_kg"] < full.weeks.loc[0, "dried_kg"] / 3


def test_the_week_says_what_held_it_back(values):
    few, _, _ = run(values, [1000, 0, 0, 0, 0, 0], presses={"hand": 1})
    assert few.weeks.loc[0, "limit"] == "presses"
    many, _, _ = run(values, [100, 0, 0, 0, 0, 0], presses={"large_electric": 2})
    assert many.weeks.loc[0, "limit"] == "char"
    slow, _, _ = run(values, [100, 0, 0, 0, 0, 0], presses={"large_electric": 2}, sales_kg_a_week=10)
    assert slow.weeks.loc[1, "limit"] == "market"
    assert slow.weeks["sold_kg"].max() <= 10
    assert slow.weeks["sold_kg"].sum() == pytest.approx(100 * briquettes_per_char(values))


def test_no_press_at_all_leaves_the_char_in_store_and_says_so(values):
    shop, findings, _ = run(values, [100, 0, 0, 0, 0, 0], presses={"hand": 0})
    assert [f.what for f in findings] == ["no_press"]
    assert shop.weeks["char_store_kg"].iloc[-1] == pytest.approx(100)
    assert workshop_imbalances(shop, 100) == []


def test_only_shaped_char_is_crushed(values):
    shop, _, _ = run(values, [100, 0, 0, 0, 0, 0], shaped=[25, 0, 0, 0, 0, 0])
    assert shop.weeks["crush_kg"].sum() == pytest.approx(25)


def test_chosen_presses_finish_within_the_weeks_allowed(values):
    for after in (0, 2, 6):
        shop, _, _ = run(values, [3000, 3000, 0, 0, 0, 0], press_weeks_after=after)
        busy = np.flatnonzero(shop.weeks["pressed_kg"] > 1e-6)
        assert busy.max() <= 2 + after  # the last char is ready in week 2


def test_fewer_presses_than_chosen_would_not_do(values):
    needed = 30.0
    chosen = cheapest_presses(needed, 5000, 300, values)
    rate = {k: values[f"works.press.{k}.kg_per_h"] for k in ("hand", "small_electric", "large_electric")}
    assert sum(n * rate[k] for k, n in chosen) >= needed
    # no single press can be left out
    for kind, _ in chosen:
        assert sum(n * rate[k] for k, n in chosen) - rate[kind] < needed


def test_the_cheapest_presses_are_cheapest_among_all_small_numbers(values):
    kinds = ("hand", "large_electric", "small_electric")
    rate = np.array([values[f"works.press.{k}.kg_per_h"] for k in kinds])
    people = np.array([values[f"works.press.{k}.people"] for k in kinds])
    price = np.array([values[f"money.press_price.{k}"] for k in kinds]) / values["money.press_life_seasons"]
    season_kg, season_h, needed = 800.0, 200.0, 8.0

    def cost(counts):
        if counts @ rate < needed:
            return np.inf
        left, wages = season_kg, 0.0
        for i in np.argsort(people / rate):  # the least labour a kilo first
            kg = min(left, counts[i] * rate[i] * season_h)
            wages, left = wages + kg * people[i] / rate[i] * values["money.wage_per_h"], left - kg
        return counts @ price + wages if left < 1e-9 else np.inf

    best = min(cost(np.array([a, b, c])) for a in range(9) for b in range(3) for c in range(4))
    chosen = dict(cheapest_presses(needed, season_kg, season_h, values))
    assert cost(np.array([chosen.get(k, 0) for k in kinds])) == pytest.approx(best)


def test_nothing_to_press_needs_no_press(values):
    assert cheapest_presses(0, 0, 0, values) == ()
    shop, findings, _ = run(values, np.zeros(6))
    assert shop.presses == ()
    assert findings == ()
