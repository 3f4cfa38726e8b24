"""Planning again near a plan in force: what is kept, what changing costs, which sites stay possible."""

import json
from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from click.testing import CliRunner

from sourcing import plan as plan_room
from sourcing.change.telling import near_words
from sourcing.cli import main
from sourcing.errors import NoPlanError
from sourcing.plan import place_barrels, read_land
from sourcing.season.near import KEPT, read_near
from sourcing.weeks import Calendar
from sourcing.words import load_words
from tests.unit.two_surveys import CRS, SEASON, fields, planned, season


def barrels_of(plan):
    record = json.loads((plan / "plan.json").read_text())
    return {s["id"]: dict(zip(record["weeks"], s["barrels_by_week"], strict=True)) for s in record["sites"]}


def fewer():
    """The second survey: a poor yield in Bysdale, two fields of Amberel gone."""
    frame = fields().iloc[2:].reset_index(drop=True)
    frame.loc[frame["village"] == "Bysdale", "yield_t_ha"] = 1.0
    return frame


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    return planned(season(tmp_path_factory.mktemp("first") / "s", fields()))


def test_where_changing_is_dear_and_nothing_changed_nothing_moves(first, tmp_path):
    text = SEASON + '[values]\n"money.change_barrel_week" = 1000\n'
    again = planned(season(tmp_path / "s", fields(), text), "--near", str(first))
    assert barrels_of(again) == barrels_of(first)
    near = json.loads((again / "plan.json").read_text())["near"]
    assert near["barrel_weeks_more"] == near["barrel_weeks_fewer"] == near["sites_new"] == near["price"] == 0


def test_weeks_already_begun_are_kept_and_the_sites_of_the_plan_in_force_stay_possible(first, tmp_path):
    folder = season(tmp_path / "s", fewer())
    free, close = planned(folder), planned(folder, "--near", str(first), "--from", "2027-05-26")
    before, after = barrels_of(first), barrels_of(close)
    worked = [w for w in next(iter(before.values())) if w <= "2027-W21"]  # W21 begins on Monday 24 May, before the day
    assert "2027-W21" in worked
    for site, weeks in before.items():
        assert all(after[site][w] == weeks[w] for w in worked)
    near = json.loads((close / "plan.json").read_text())["near"]
    assert near["weeks_kept"] == len(worked)
    assert near["kept_as_worked"]

    def moved(plan):
        now = barrels_of(plan)
        sites = {*before, *now}
        weeks = {w for s in (before, now) for table in s.values() for w in table}
        return sum(abs(now.get(s, {}).get(w, 0) - before.get(s, {}).get(w, 0)) for s in sites for w in weeks)

    assert moved(close) < moved(free)
    values = [json.loads((p / "plan.json").read_text()) for p in (free, close)]
    assert values[1]["totals"]["margin"] <= values[0]["solve"]["bound"] + 1e-6
    assert values[1]["totals"]["margin"] == pytest.approx(values[1]["solve"]["value"] + near["price"], abs=1e-5)


def test_a_wish_for_a_village_does_not_undo_weeks_already_worked(first, tmp_path):
    """No barrels in Amberel any more: its worked weeks stay as they were, the later ones are empty."""
    gone = '[[wishes.fixed]]\nvillage = "Amberel"\nfirst_day = 2027-05-03\nlast_day = 2027-12-31\nmost = 0\n'
    folder = season(tmp_path / "s", fewer(), SEASON + gone)
    before = barrels_of(first)
    after = barrels_of(planned(folder, "--near", str(first), "--from", "2027-05-26"))
    of = {s["id"]: s["village"] for s in json.loads((first / "plan.json").read_text())["sites"]}
    amberel = [s for s, village in of.items() if "mberel" in str(village)]
    assert amberel
    for site in amberel:
        later = {w: n for w, n in after.get(site, {}).items() if w > "2027-W21"}
        assert not any(later.values())
        assert all(after[site][w] == n for w, n in before[site].items() if w <= "2027-W21")


def test_without_a_price_staying_near_is_worth_as_much_as_planning_freely(first, tmp_path):
    free = SEASON + '[values]\n"money.change_barrel_week" = 0\n"money.change_site" = 0\n'
    land = read_land(season(tmp_path / "s", fewer(), free.replace("gap = 0.01", "gap = 0.0001")))
    near = place_barrels(land, near=read_near(first)).placement
    alone = place_barrels(land).placement
    assert near.value >= alone.value * (1 - 2e-4)  # it may choose from more places


def test_kept_sites_are_candidates_of_their_own_origin_and_judged_by_todays_distances(first, tmp_path):
    near = read_near(first)
    house = gpd.GeoSeries.from_xy(near.sites["lon"].iloc[:1], near.sites["lat"].iloc[:1], crs="EPSG:4326").to_crs(CRS)
    text = SEASON + '[[layers.no_go]]\nfile = "house.gpkg"\nkind = "house"\n'
    folder = season(tmp_path / "s", fewer(), text)
    gpd.GeoDataFrame(geometry=house.to_numpy(), crs=CRS).to_file(folder / "house.gpkg")
    land = read_land(folder)
    placed = place_barrels(land, near=read_near(first, date(2027, 5, 26)))
    frame = placed.sites.frame
    assert set(near.sites.index) <= set(frame.index)
    assert (frame["origin"] == KEPT).sum() >= 1
    banned = frame.index.get_loc(near.sites.index[0])
    weeks = placed.placement.barrels[banned]
    begun = np.array([land.supply.calendar.monday(w) < date(2027, 5, 26) for w in range(len(weeks))])
    assert weeks[begun].sum() == near.barrels.iloc[0].reindex(np.array(land.supply.calendar.labels)[begun]).sum() > 0
    assert weeks[~begun].sum() == 0  # a house stands there now
    assert any(f.what == "too_near" and "plan.json" in f.file for f in placed.sites.findings)


def test_worked_weeks_stay_though_the_fields_as_now_known_bear_little_and_what_was_fetched_is_told(first, tmp_path):
    close = planned(
        season(tmp_path / "s", fields().assign(yield_t_ha=0.2)), "--near", str(first), "--from", "2027-05-26"
    )
    near = json.loads((close / "plan.json").read_text())["near"]
    assert near["kept_as_worked"]
    assert near["fetched_unknown_kg"] > 1000
    told = f"{near['fetched_unknown_kg'] / 1000:,.2f} t more were fetched than the fields, as they are now known"
    assert told in near_words(near)
    assert "t more were fetched" not in near_words({**near, "fetched_unknown_kg": 0.2})
    before, after = barrels_of(first), barrels_of(close)
    for site, weeks in before.items():
        assert all(after[site][w] == n for w, n in weeks.items() if w <= "2027-W21")


def test_worked_weeks_that_the_fleet_of_today_does_not_bear_are_loosened_and_told(first, tmp_path):
    close = planned(
        season(tmp_path / "s", fields(), SEASON.replace("barrels = 8", "barrels = 3")), "--near", str(first),
        "--from", "2027-05-26",
    )  # fmt: skip
    record = json.loads((close / "plan.json").read_text())
    assert not record["near"]["kept_as_worked"]
    assert max(map(sum, zip(*(s["barrels_by_week"] for s in record["sites"]), strict=True))) == 3
    assert any("could not be kept" in c for c in record["cautions"])


def test_what_was_fetched_stays_fetched_though_the_survey_now_says_a_later_harvest(first, tmp_path):
    frame = fields()
    frame["harvest_start"], frame["harvest_end"] = "2027-05-31", "2027-06-20"
    text = SEASON.replace('currency = "crowns"', 'currency = "crowns"\nfirst_day = 2027-05-03')
    close = planned(season(tmp_path / "s", frame, text), "--near", str(first), "--from", "2027-05-26")
    near = json.loads((close / "plan.json").read_text())["near"]
    assert near["kept_as_worked"]
    assert near["fetched_kg"] > 1000
    assert near["fetched_unknown_kg"] == 0


def test_near_reads_what_the_plan_wrote(first):
    near = read_near(first)
    record = json.loads((first / "plan.json").read_text())
    assert near.barrels.to_numpy().sum() == record["totals"]["barrel_weeks"]
    assert list(near.barrels.columns) == record["weeks"]
    assert Calendar(date(2027, 5, 3), 2).labels == ("2027-W18", "2027-W19")


def test_misuse_gets_clear_words(first, tmp_path):
    folder = season(tmp_path / "s", fields())
    done = CliRunner().invoke(main, ["plan", str(folder), "--from", "2027-05-26"])
    assert done.exit_code == 2
    assert "--near" in done.stderr
    done = CliRunner().invoke(main, ["plan", str(folder), "--near", str(tmp_path / "nowhere")])
    assert done.exit_code == 2
    assert "no plan folder" in done.stderr
    assert not (folder / "plans").exists()


def test_where_all_places_take_too_long_only_those_of_the_plan_in_force_are_looked_at(first, tmp_path, monkeypatch):
    real, tried = plan_room.best_placement, []

    def in_a_hurry(instance, choice, tell):
        tried.append(instance.sites)
        if len(tried) == 1:
            raise NoPlanError("no plan was found in the time there was")
        return real(instance, choice, tell)

    monkeypatch.setattr(plan_room, "best_placement", in_a_hurry)
    near = read_near(first)
    placed = place_barrels(read_land(season(tmp_path / "s", fewer())), near=near)
    assert tried[0] > tried[1] == len(near.sites)
    assert set(placed.sites.frame.index) == set(near.sites.index)
    assert "Only the places" in placed.stayed.cautions[0].text(load_words("en"))


def test_what_was_fetched_in_worked_weeks_is_fetched_once_and_just_as_it_was(first, tmp_path):
    """With a survey in which two fields were divided and one has half the yield of before."""
    frame = fields()
    frame.loc[3, "yield_t_ha"] = 1.5
    west, south, east, north = frame.geometry[0].bounds
    halves = [shapely.box(west, south, west + 44, north), shapely.box(west + 44, south, east, north)]
    parts = frame.loc[[0, 0]].assign(field_id=["A00a", "A00b"], geometry=halves)
    frame = gpd.GeoDataFrame(pd.concat([frame.drop(0), parts], ignore_index=True), crs=CRS)
    close = planned(season(tmp_path / "s", frame), "--near", str(first), "--from", "2027-05-26")
    before, after = (carried(p) for p in (first, close))
    assert json.loads((close / "plan.json").read_text())["near"]["kept_as_worked"]
    worked = before[before["week"] <= "2027-W21"]
    assert len(worked)
    names = {"A00a": "A00", "A00b": "A00"}
    again = after[after["week"] <= "2027-W21"].assign(field=lambda t: t["field"].replace(names))
    by = ["field", "site", "crop", "residue", "week"]
    sums = [t.groupby(by)["taken_kg"].sum() for t in (worked, again)]
    whole = sums[0].drop("A03", level="field", errors="ignore")
    assert sums[1].drop("A03", level="field", errors="ignore").to_dict() == pytest.approx(whole.to_dict(), abs=0.01)
    free = read_land(tmp_path / "s").supply.lots.groupby("field_id")["mass_kg"].sum()
    assert (after.groupby("field")["taken_kg"].sum() <= free.reindex(after["field"].unique()).sort_index() + 0.01).all()


def carried(plan):
    return pd.DataFrame(json.loads((plan / "plan.json").read_text())["carries"])
