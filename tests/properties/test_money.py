"""Money always balances to the cent."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.season.money import cash_gap, season_money
from sourcing.season.works import season_work
from sourcing.season.workshop import briquettes_per_char
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
    # from the field to the bank: what is carried is charred, pressed and sold, and what is sold is paid, to the cent
    kilos = carries.join(rates["char_kg_per_kg"], on=["crop", "residue"])
    made = float((kilos["mass_kg"] * kilos["char_kg_per_kg"]).sum())
    part, price = ("briquettes sold", "money.briquette_per_kg") if shop else ("char sold", "money.char_value_per_kg")
    weeks_sold = (
        work.workshop.weeks["sold_kg"] if shop else work.site_weeks.groupby(["week", "village"])["char_kg"].sum()
    )
    assert weeks_sold.sum() == pytest.approx(made * (briquettes_per_char(values) if shop else 1.0), rel=1e-9)
    sales = money.ledger[money.ledger["part"] == part]
    assert sales["cents"].sum() == np.rint(weeks_sold.to_numpy() * values[price] * 100).sum()
    assert (sales["cash_week"] == sales["week"] + late).all()
    bank = chosen.money.opening_cash + money.ledger.loc[money.ledger["in_cash"], "cents"].sum() / 100
    assert money.weeks["balance"].iloc[-1] == pytest.approx(bank, abs=1e-6)
