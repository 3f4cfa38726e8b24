"""Money always balances to the cent."""

from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.season.money import cash_gap, season_money
from sourcing.season.works import season_work
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, HAUL, PLACES, placed, season

prices = st.integers(0, 300).map(lambda cents: cents / 100)


@settings(max_examples=15, deadline=None)
@given(prices, prices, prices, st.booleans(), st.booleans(), st.integers(0, 4), st.booleans())
def test_cash_follows_from_margin_wear_and_purchases(char, wage, briquette, barrels, presses, late, shop):
    values = Values.load(
        {"money.char_value_per_kg": char, "money.wage_per_h": wage, "money.briquette_per_kg": briquette}
    )
    chosen = season(money={"buy_barrels": barrels, "buy_presses": presses, "paid_after_weeks": late})
    weeks, carries, rates, lots = placed(values, chosen)
    work = season_work(
        weeks, carries, rates, lots, CALENDAR, chosen, values, site_lonlat=PLACES, haul_m=HAUL if shop else None
    )
    money = season_money(work, carries, rates, lots, chosen, values)
    assert cash_gap(money, chosen) == 0
    assert round(money.parts["amount"].sum() * 100) == round(money.margin * 100)
