"""A season and a plan folder weighed: what is told agrees with planning again, and nothing is lost on the way."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from sourcing.cli import main
from sourcing.errors import NoPlanError, UsageError
from sourcing.plan import place_barrels, read_land
from sourcing.settings import settings_from
from sourcing.weighing import figures
from sourcing.weighing.figures import as_made, curve_table, fleets_named, weigh
from sourcing.weighing.telling import curve_lines, draw_curve, left_out_lines, stops_paying, text
from tests.unit.two_surveys import SEASON, fields, planned, season

EXACT = SEASON.replace("gap = 0.01", "gap = 0.0001").replace("barrels = 8", "barrels = 3")
EXACT += "[sites]\nspacing_m = 150\n"
ONE_LEFT_OUT = EXACT + '[villages]\nleave_out = ["Bysdale"]\n'


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return season(tmp_path_factory.mktemp("season") / "s", fields(), EXACT)


@pytest.fixture(scope="module")
def plan(folder):
    return planned(folder)


@pytest.fixture(scope="module")
def whole(plan):
    """Everything asked of the plan at once."""
    return weigh(plan, curve=True, counts=(1, 2, 3, 5), others=2, apart=2, seconds=40)


def best(folder, text):
    return place_barrels(read_land(season(folder, fields(), text))).placement.value


def test_a_plan_folder_is_weighed_as_it_is(plan, whole):
    record = json.loads((plan / "plan.json").read_text())
    assert whole.plan == plan.name
    assert whole.value >= record["totals"]["margin"] - 1e-6
    assert whole.value <= whole.bound <= max(record["solve"]["bound"], whole.value) + 1e-6
    assert whole.barrels == 3


def test_the_plan_itself_says_what_one_more_would_earn(plan, whole):
    prices = json.loads((plan / "plan.json").read_text())["prices"]
    assert prices["unit"] == "crowns"
    assert prices["one_more_barrel_all_season"] == pytest.approx(whole.barrel_season, abs=1e-4)
    assert len(prices["rows"]) == len(whole.worth)
    sheet = pd.read_excel(plan / "plan.xlsx", sheet_name="What one more would earn")
    assert sheet.iloc[0]["One more of"] == "barrel"
    assert sheet["Earns"].tolist() == pytest.approx(whole.worth["worth"].tolist(), abs=1e-3)


def test_a_barrel_more_is_worth_what_planning_with_it_gives_or_less(plan, whole, tmp_path):
    """Prices hold for a little more; a whole barrel more never earns more than they say, by concavity, and the gap."""
    more = best(tmp_path / "s", EXACT.replace("barrels = 3", "barrels = 4"))
    assert 0 < more - whole.value <= whole.barrel_season + (whole.gap + 1e-4) * whole.value + 10 * 10.0
    assert (whole.worth["kind"] == "barrel").any()


def test_the_curve_agrees_with_planning_each_fleet_and_knows_the_plan_itself(whole, tmp_path):
    by = whole.curve.set_index("barrels")
    assert by.loc[3, "value"] == whole.value
    again = best(tmp_path / "s", EXACT.replace("barrels = 3", "barrels = 5"))
    assert by.loc[5, "value"] == pytest.approx(again, rel=2e-4)
    gains = whole.curve.dropna()
    assert (gains["gain_low"] <= gains["gain"] + 1e-6).all()
    assert (gains["gain"] <= gains["gain_high"] + 1e-6).all()
    assert whole.curve["value"].is_monotonic_increasing


def test_other_plans_are_as_far_apart_as_asked_and_cost_what_they_say(whole):
    assert len(whole.others) == 2
    for other in whole.others:
        assert len(other.gives_up) + len(other.opens) >= 2
        assert other.loss == pytest.approx(whole.value - other.value)
        assert other.loss >= -(whole.gap + 1e-9) * whole.value


def test_what_a_place_left_out_would_cost_is_what_planning_with_it_costs(folder, whole, tmp_path):
    usable = whole.places[np.isfinite(whole.places["cost"])]
    assert len(usable)
    site, cost = usable.iloc[0]["site_id"], usable.iloc[0]["cost"]
    forced = best(tmp_path / "s", EXACT + f'[wishes]\nsites_use = ["{site}"]\n')
    assert whole.value - forced == pytest.approx(cost, abs=3e-4 * whole.value)


def test_a_village_left_out_is_told_with_its_reason(tmp_path):
    found = weigh(season(tmp_path / "s", fields(), ONE_LEFT_OUT))
    assert found.plan == ""
    row = found.villages.iloc[0]
    assert (row["name"], row["why"]) == ("Bysdale", "pinned_out")
    free = best(tmp_path / "free", EXACT)
    assert -row["cost"] == pytest.approx(free - found.value, abs=3e-4 * free)
    assert f"Bysdale: left out by your own wish; using it would be worth about {-row['cost']:,.0f} crowns more." in \
        left_out_lines(found)  # fmt: skip


def test_a_village_that_is_dear_to_work_in_is_told_with_what_it_lacks(tmp_path):
    """Deploying costs far more than the residue of one village with one field is worth."""
    frame = fields()
    frame = frame[(frame["village"] == "Amberel") | (frame["field_id"] == "B00")].reset_index(drop=True)
    dear = EXACT + '[villages]\ncharge = true\n[values]\n"money.village_deploy_cost" = 300\n'
    dear += "[carrying]\nmax_distance_m = 500\n"
    found = weigh(season(tmp_path / "s", frame, dear))
    row = found.villages.iloc[0]
    assert (row["name"], row["why"]) == ("Bysdale", "too_little")
    assert row["fixed_cost"] >= 300
    assert row["cost"] > 0
    (line,) = [told for told in left_out_lines(found) if told.startswith("Bysdale")]
    assert f"{row['fixed_cost'] - row['worth']:,.0f} crowns short" in line
    assert f"using it all the same would cost about {row['cost']:,.0f} crowns" in line


def test_the_command_tells_it_in_words_and_as_json(plan, whole, tmp_path):
    chart = tmp_path / "curve.svg"
    words = ["weigh", str(plan), "--barrels", "2,3,4", "--chart", str(chart), "--seconds", "30"]
    told = CliRunner().invoke(main, words)
    assert told.exit_code == 0, told.output
    for part in (
        "WHAT ONE MORE WOULD EARN", "One more barrel earns about", "WHAT WAS LEFT OUT", "MORE OR FEWER BARRELS",
        "From 2 to 3 barrels each further one earns about", "this season's fleet",
    ):  # fmt: skip
        assert part in told.output, part
    assert chart.read_text().startswith("<?xml")
    plain = CliRunner().invoke(main, ["weigh", str(plan), "--json"])
    found = json.loads(plain.stdout)
    assert found["value"] == pytest.approx(whole.value)
    assert found["one_more_barrel_all_season"] == pytest.approx(whole.barrel_season)
    assert found["curve"] == []
    assert {"kind", "village", "first_week", "worth"} <= set(found["worth"][0])


@pytest.mark.parametrize("kept", ["", "--near"])
def test_a_plan_that_cannot_be_put_back_says_so(kept, plan, tmp_path):
    copy = tmp_path / "copy"
    shutil.copytree(plan, copy)
    if kept:
        record = json.loads((copy / "plan.json").read_text())
        record["sites"][0]["barrels_by_week"] = [99] * len(record["weeks"])
        (copy / "plan.json").write_text(json.dumps(record))
        with pytest.raises(NoPlanError, match="cannot be put back as it is"):
            weigh(copy)
    else:
        (copy / "inputs.zip").unlink()
        with pytest.raises(UsageError, match=r"inputs\.zip"):
            weigh(copy)


def test_a_plan_is_weighed_with_the_settings_it_was_made_with_its_defaults_too(plan):
    record = json.loads((plan / "plan.json").read_text())
    kept = settings_from(record["settings"])
    record["settings"]["fleet"]["busy_floor"] = 0.25  # as if that had been the default then
    record["settings"]["layers"]["fields"]["file"] = "where_it_was_then.gpkg"
    made = as_made(kept, record)
    assert made.fleet.busy_floor == 0.25
    assert made.layers == kept.layers
    record["settings"]["fleet"]["gone_since"] = 1
    assert as_made(kept, record) == kept


def test_a_folder_that_is_not_there_is_told_as_such(tmp_path):
    with pytest.raises(UsageError, match="no season or plan folder"):
        weigh(tmp_path / "nowhere")


@pytest.mark.parametrize("text", ["a", "3,-1", "2.5", "0"])
def test_fleets_are_whole_numbers(text):
    with pytest.raises(UsageError, match="whole numbers"):
        fleets_named(text)
    assert fleets_named("") is None
    assert fleets_named("3, 5,") == (3, 5)


def test_ctrl_c_keeps_what_was_found(plan, monkeypatch):
    real = figures.fleet_curve

    def stopped(*args, **more):
        yield from list(real(*args, **more))[:2]
        raise KeyboardInterrupt

    monkeypatch.setattr(figures, "fleet_curve", stopped)
    found = weigh(plan, counts=(2, 3, 4), others=1, seconds=30)
    assert found.curve["barrels"].tolist() == [2, 3]
    assert found.others == ()
    assert "Stopped before the end" in text(found)


# words on tables made by hand


def test_what_bounds_a_larger_fleet_bounds_a_smaller_one():
    """At most 150 with 20 barrels, so also with 10; the gain of each further barrel is that of the bounds."""
    table = curve_table([(10, 90.0, 200.0), (20, 140.0, 150.0), (30, 150.0, 160.0)], "margin")
    assert table["bound"].tolist() == [150, 150, 160]
    assert table["gain"].tolist()[1:] == [0, 1]
    assert table["gain_low"].tolist()[1:] == [0, 0]
    assert table["gain_high"].tolist()[1:] == [6, 2]
    cost = curve_table([(10, 90.0, 80.0), (20, 60.0, 55.0)], "clear")
    assert cost["gain"].tolist()[1:] == [2.5]
    assert cost["gain_low"].tolist()[1:] == [2]
    assert cost["gain_high"].tolist()[1:] == [3.5]


def test_places_that_would_pay_are_not_called_worse_where_the_search_only_ended_early(whole):
    places = pd.DataFrame([{
        "site_id": "s", "village": "Amberel", "why": "barrels_earn_more", "reach_kg": 1.0, "taken_kg": 0.0,
        "worth": 1.0, "fixed_cost": 0.0, "cost": np.nan,
    }])  # fmt: skip
    proven, early = (left_out_lines(replace(whole, places=places, gap=gap)) for gap in (0.1, 3.0))
    assert "  1 x it would pay by itself, but barrels, people or money do better elsewhere" in proven
    assert any("the search ended before it came to them, or" in line for line in early)


def test_where_the_next_barrel_stops_paying(whole):
    price = replace(whole.barrel_price, likely=18.0)
    curve = curve_table([(10, 1000.0, 1000.0), (20, 1300.0, 1300.0), (40, 1400.0, 1400.0)], "margin")
    w = replace(whole, curve=curve, barrel_price=price)
    assert stops_paying(w).startswith(
        "Between 20 and 40 barrels a further one stops earning in one season the 18 crowns it costs to buy"
    )
    assert curve_lines(w)[0] == (
        "From 10 to 20 barrels each further one earns about 30 crowns in the season (as proven, 30 to 30)."
    )
    assert "Even up to 20 barrels" in stops_paying(replace(w, curve=curve.head(2)))
    poor = replace(w, curve=curve_table([(10, 500.0, 1000.0), (20, 500.0, 1300.0)], "margin"))
    assert any("The search for 10 and 20 barrels ended early" in line for line in curve_lines(poor))


def test_a_chart_needs_two_fleets_and_a_known_ending(whole, tmp_path):
    with pytest.raises(UsageError, match="fewer than two fleets"):
        draw_curve(replace(whole, curve=whole.curve.head(1)), tmp_path / "c.png")
    with pytest.raises(UsageError, match=r"\.png, \.svg or \.pdf"):
        draw_curve(whole, tmp_path / "c.doc")
    draw_curve(whole, tmp_path / "c.png")
    assert (tmp_path / "c.png").stat().st_size > 10_000
