"""The season's money: what is charged, cash by week, villages, break-even points, tornado."""

import numpy as np
import pytest

from sourcing.season.money import cash_gap, season_money
from sourcing.season.works import season_work
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, HAUL, PLACES, placed, season


@pytest.fixture(scope="module")
def values():
    return Values.load()


def account(values, settings=None, haul=HAUL, **changed):
    settings = settings or season()
    weeks, carries, rates, lots = placed(values, settings)
    work = season_work(weeks, carries, rates, lots, CALENDAR, settings, values, site_lonlat=PLACES, haul_m=haul)
    return season_money(work, carries, rates, lots, settings, values), work, carries, rates


@pytest.fixture(scope="module")
def with_shop(values):
    return account(values)


@pytest.fixture(scope="module")
def char_only(values):
    return account(values, haul=None)


def test_the_villages_margin_is_what_the_placement_charges(values, char_only):
    money, work, carries, rates = char_only
    weeks = work.site_weeks
    kilos = work.batches.set_index(["crop", "residue"])["residue_kg"]
    by_hand = (
        weeks["char_kg"].sum() * values["money.char_value_per_kg"]
        - (kilos * rates["work_cost_per_kg"].reindex(kilos.index)).sum()
        - carries["cost"].sum()
        - weeks["barrels"].sum() * values["money.barrel_week_cost"]
        - 2 * values["money.site_open_cost"]
    )
    assert money.margin == pytest.approx(by_hand, abs=0.01 * len(money.ledger))


def test_crews_paid_by_the_week_are_charged_for_every_site_week(values):
    """48 working hours, two tenders, whatever is charred; wear and water stay as they were. By hand, to the cent."""
    chosen = season(works={"crew_paid": "by_week"})
    by_kilo, *_ = account(values, haul=None)
    by_week, work, carries, _ = account(values, chosen, haul=None)
    count = len(work.site_weeks)
    wage = values["money.wage_per_h"]
    part = by_week.parts["amount"]["villages"]
    assert part["tending"] == pytest.approx(-count * 48 * 2 * wage, abs=0.01 * count)
    rest = by_kilo.parts["amount"]["villages"].drop("tending")
    assert part.drop("tending").to_dict() == pytest.approx(rest.to_dict())
    assert by_week.margin == pytest.approx(rest.sum() + part["tending"], abs=0.01)
    assert by_week.tornado.loc["money.wage_per_h", "margin_low"] - by_week.margin == pytest.approx(
        (wage - values.pick("money.wage_per_h", "low")) * (count * 96 + carries["carry_h"].sum()), abs=0.5
    )
    assert cash_gap(by_week, chosen) == 0
    assert [f for f in work.findings if f.what == "idle_crews"] == []


def test_money_balances_to_the_cent(with_shop, char_only):
    for money in (with_shop[0], char_only[0]):
        assert cash_gap(money, season()) == 0
        # margin by part and by village sum to the whole, in cents
        assert round(money.parts["amount"].sum() * 100) == round(money.margin * 100)
        villages = money.parts.loc["villages", "amount"].sum()
        assert round(villages * 100) == round(money.villages["margin"].sum() * 100)


def test_what_the_workshop_pays_for_char_is_what_the_villages_get(with_shop):
    ledger = with_shop[0].ledger
    paid = ledger[ledger["part"] == "char bought"]["cents"].sum()
    got = ledger[ledger["part"] == "char sold"]["cents"].sum()
    assert paid == -got


def test_the_workshop_does_not_change_what_villages_earn(with_shop, char_only):
    assert (with_shop[0].villages["margin"] == char_only[0].villages["margin"]).all()


def test_bought_barrels_are_cash_and_not_cost(values):
    settings = season(money={"buy_barrels": True, "buy_presses": True, "opening_cash": 500.0})
    money, work, *_ = account(values, settings)
    plain, *_ = account(values)
    assert money.margin == plain.margin
    most = work.site_weeks.groupby("week")["barrels"].sum().max()
    bought = money.ledger[money.ledger["part"] == "barrels bought"]
    assert bought["cents"].tolist() == [-most * round(values["money.barrel_price"] * 100)]
    assert "presses bought" in set(money.ledger["part"])
    assert cash_gap(money, settings) == 0
    assert money.lowest_balance < plain.lowest_balance + 500


def test_late_payment_moves_cash_and_not_margin(values):
    settings = season(money={"paid_after_weeks": 3})
    late, *_ = account(values, settings)
    soon, *_ = account(values)
    assert late.margin == soon.margin
    assert late.weeks["balance"].iloc[-1] == pytest.approx(soon.weeks["balance"].iloc[-1])
    assert late.lowest_balance < soon.lowest_balance
    assert cash_gap(late, settings) == 0


def test_an_entry_left_out_is_noticed(with_shop):
    money = with_shop[0]
    broken = type(money)(**{**money.__dict__, "ledger": money.ledger.iloc[1:]})
    assert cash_gap(broken, season()) > 0


def test_break_even_prices_bring_the_margin_to_nothing(values, with_shop, char_only):
    money = char_only[0]
    at = Values.load({"money.char_value_per_kg": money.break_even_char})
    assert account(at, haul=None)[0].margin == pytest.approx(0, abs=0.2)
    assert money.break_even_sold == pytest.approx(money.break_even_char, abs=1e-4)
    shop = with_shop[0]
    at = Values.load({"money.briquette_per_kg": shop.break_even_sold})
    assert account(at)[0].margin == pytest.approx(0, abs=0.5)


def test_break_even_distance_by_hand(values, char_only):
    money, _, _, rates = char_only
    far = money.break_even.loc[("cotton", "stalk", "head_load"), "distance_m"]
    rate = rates.loc[("cotton", "stalk")]
    wet = min(
        values["carry.head_load.payload_wet_kg"],
        values["carry.head_load.volume_m3"] * values["crop.cotton.stalk.bulk_wet_kg_m3"],
    )
    load = wet * (1 - values["crop.cotton.stalk.moisture_ready"])
    hours = (
        values["carry.head_load.loading_h"]
        + far / 1000 / values["carry.head_load.speed_loaded_km_h"]
        + far / 1000 / values["carry.head_load.speed_empty_km_h"]
    )
    cost = hours * values["money.wage_per_h"] / load
    worth = rate["char_kg_per_kg"] * values["money.char_value_per_kg"] - rate["work_cost_per_kg"]
    assert far > 0
    assert cost == pytest.approx(worth)


def test_a_residue_that_never_pays_has_no_break_even_distance():
    cheap = Values.load({"money.char_value_per_kg": 0.01})
    assert (account(cheap, haul=None)[0].break_even["distance_m"] == 0).all()


def test_the_tornado_starts_from_the_plans_own_margin(values, with_shop, char_only):
    for money, haul in ((with_shop[0], HAUL), (char_only[0], None)):
        same = money.tornado.loc[["money.water_per_l"]]  # likely and low are both 0
        assert same["margin_low"].iloc[0] == pytest.approx(money.margin, abs=0.01 * len(money.ledger))
        assert (money.tornado["swing"].diff().dropna() <= 1e-9).all()
        assert np.isfinite(money.tornado[["margin_low", "margin_high", "swing"]].to_numpy()).all()
        price = money.tornado.loc["money.char_value_per_kg"]
        if haul is None:
            assert price["margin_low"] < money.margin < price["margin_high"]
        else:  # between villages and workshop only
            assert price["margin_low"] == pytest.approx(price["margin_high"])


def test_the_tornado_agrees_with_a_full_reckoning_of_a_changed_figure(values, with_shop):
    row = with_shop[0].tornado.loc["money.wage_per_h"]
    high = Values.load({"money.wage_per_h": values.pick("money.wage_per_h", "high")})
    settings = season(works={"presses": {p.kind: p.count for p in with_shop[1].workshop.presses}})
    assert row["margin_high"] == pytest.approx(account(high, settings)[0].margin, abs=1.0)


def test_day_and_household_share_wages_and_margin(with_shop):
    money, work, *_ = with_shop
    north = money.villages.loc["v1"]
    assert north["households"] == 3  # f1, f2, f3 are carried to the site of v1
    assert north["per_household"] == pytest.approx((north["wages"] + north["margin"]) / 3)
    assert north["work_days"] == pytest.approx(
        work.site_weeks.query("village == 'v1'")[["tender_h", "carry_h"]].sum().sum() / 8
    )


def test_a_season_without_work_has_no_money(values):
    settings = season()
    weeks, carries, rates, lots = placed(values, settings)
    for haul in (None, HAUL):
        work = season_work(weeks.iloc[:0], carries.iloc[:0], rates, lots, CALENDAR, settings, values, haul_m=haul)
        money = season_money(work, carries.iloc[:0], rates, lots, settings, values)
        assert money.margin == 0
        assert money.lowest_balance == 0
        assert cash_gap(money, settings) == 0


def test_figures_used_are_figures(values, with_shop):
    assert all(name in values for name in with_shop[0].figures_used)
    assert "money.briquette_per_kg" in with_shop[0].figures_used


def test_moves_and_villages_are_charged_where_the_season_charges_them(values, char_only):
    settings = season(moves={"charge": True}, villages={"charge": True})
    charged, work, *_ = account(values, settings, haul=None)
    came = work.site_weeks["arrive"].sum()
    assert came > 0
    # by hand: north stands 4, 4, 5, 3 and then none; south 4 and 5: all from outside its village
    assert came == 5 + 5
    extra = 10 * (values["money.barrel_move_cost"] + values["money.barrel_village_move_cost"])
    extra += 2 * values["money.village_deploy_cost"]
    assert charged.margin == pytest.approx(char_only[0].margin - extra, abs=0.05)
    assert cash_gap(charged, settings) == 0
    base = charged.tornado.loc["money.water_per_l", "margin_low"]
    assert base == pytest.approx(charged.margin, abs=0.01 * len(charged.ledger))
    assert "money.village_deploy_cost" in charged.figures_used
