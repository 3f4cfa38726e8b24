"""The sheet that hangs at a place: its clock, its chart, its tables, its water."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from matplotlib.colors import to_rgb

from sourcing.outputs.daysheet import BURNING, clock, day_sheet, days_of_site, water_source
from sourcing.outputs.pagemaps import land_of
from sourcing.outputs.pages import BAND, INK
from sourcing.outputs.programme import programme
from sourcing.season.barrel import batches_table, site_day
from tests.unit.planned import planned


def with_settings(plan, **sections):
    """The same plan under other settings; its weeks stay as they are."""
    changed = {
        name: getattr(plan.settings, name).model_copy(update=options) for name, options in sections.items()
    }  # fmt: skip
    return replace(plan, settings=plan.settings.model_copy(update=changed))


def sheet(plan):
    prog = programme(plan)
    site = plan.site_table.index[0]
    pages = list(day_sheet(prog, land_of(plan), site, "A4"))
    return prog, site, pages, [t.words for page in pages for t in page.texts]


def test_the_clock_follows_from_when_the_crew_comes():
    plan = with_settings(planned(), fleet={"day_starts": "06:30", "hours_a_day": 9.0})
    prog, _, _, said = sheet(plan)
    assert clock(prog, 75) == "07:45"
    start, end = (plan.values[f"barrel.day_{k}.minutes"] for k in ("start", "end"))
    first = f"first armful at {clock(prog, start)}"
    assert any(first in w and "home at 15:30" in w and f"empty by {clock(prog, 540 - end)}" in w for w in said)
    assert {"07:00", "15:00"} <= set(said)  # hours on the axis


def test_each_batch_is_lit_and_quenched_at_the_minute_of_the_schedule():
    prog, site, pages, said = sheet(planned())
    shown = days_of_site(prog, site)[0]
    _, tasks, _ = site_day(shown.crop, shown.residue, shown.day.barrels, prog.plan.settings, prog.plan.values)
    before = prog.plan.values["barrel.day_start.minutes"]
    lit = [clock(prog, before + t.start_min) for t in tasks if t.task == "light" and t.barrel == 0]
    out = [clock(prog, before + t.start_min) for t in tasks if t.task == "quench" and t.barrel == 0]
    page = pages[0]
    tops = [t for t in page.texts if t.words == "Barrel 1"]
    table_row = tops[1]  # the first is the chart's
    there = [t.words for t in page.texts if 0 <= t.y - table_row.y < 6 and t.x > 30]
    assert sorted(there) == sorted([*lit, *out])
    assert f"{len(lit)}" in said


def test_a_chart_bar_stands_for_each_task_of_barrels_and_people():
    prog, site, pages, _ = sheet(planned())
    tasks = sum(len(d.tasks) for d in days_of_site(prog, site))
    people = sum(t.tender >= 0 for d in days_of_site(prog, site) for t in d.tasks)
    swatches = 3 * len(days_of_site(prog, site))
    bars = [p for p in pages[0].axes.patches if p.get_zorder() == 2.6]
    assert len(bars) == tasks + people + swatches


def test_bars_are_told_apart_in_black_and_white():
    grey = sorted(sum(w * c for w, c in zip((0.299, 0.587, 0.114), to_rgb(f), strict=True))
                  for f in (INK, BURNING, BAND))  # fmt: skip
    assert grey[1] - grey[0] > 0.2
    assert grey[2] - grey[1] > 0.2


def test_the_batches_of_a_day_are_those_of_the_table_and_stars_stand_where_barrels_wait():
    prog, site, pages, _ = sheet(planned())
    shown = days_of_site(prog, site)[0]
    settings, most = prog.plan.settings, prog.plan.settings.fleet.most_at_site
    found = batches_table([(shown.crop, shown.residue)], settings, prog.plan.values, most, 3).loc[
        (shown.crop, shown.residue, 1)
    ]
    page = next(p for p in pages if any(t.words == "Batches a day here, by people and barrels" for t in p.texts))
    title = next(t for t in page.texts if t.words == "Batches a day here, by people and barrels")
    name = next(t for t in page.texts if t.words == prog.residue(shown.crop, shown.residue) and t.y > title.y)
    row = [t.words for t in sorted(page.texts, key=lambda t: t.x) if abs(t.y - name.y) < 0.1]
    want = [f"{b:.0f}" + ("\u00a0*" if w else "") for b, w in zip(found["batches"], found["waits"], strict=True)]
    assert row[1:] == ["1", *want]
    assert any("*" in w for w in want)


def test_every_residue_of_the_place_says_what_goes_into_a_barrel():
    prog, site, pages, _ = sheet(planned())
    batches = prog.works.batches[prog.works.batches["site_id"] == site]
    for crop, residue in batches[["crop", "residue"]].drop_duplicates().itertuples(index=False):
        rate = prog.plan.rates.loc[(crop, residue)]
        assert any(
            f"{rate['load_wet_kg']:.1f}" in row and "with water" in row
            for page in pages
            for t in page.texts
            if t.words == prog.residue(crop, residue)
            for row in [[o.words for o in page.texts if abs(o.y - t.y) < 0.1]]
        )


def test_sealed_wood_shows_its_first_day():
    plan = with_settings(planned(), works={"ending": "seal"})
    prog, site, _, said = sheet(plan)
    assert any("close and seal, 2 people" in w for w in said)
    assert "sealed by 14:30" in " ".join(said)
    assert any("stays shut 2 h" in w for w in said)
    shown = days_of_site(prog, site)[0]
    assert min(t.batch for t in shown.tasks) == -1  # what was sealed the day before is emptied first
    slow = replace(plan, values=replace_figure(plan.values, "barrel.sealed.minutes", 1440.0))
    shown = days_of_site(programme(slow), site)[0]
    assert shown.day.batches < shown.day.barrels
    assert {t.task for t in shown.tasks} >= {"fill", "char", "seal", "shut"}
    assert {t.batch for t in shown.tasks} == {0}


def replace_figure(values, name, number):
    figure = replace(values.figure(name), low=number, likely=number, high=number)
    return replace(values, figures={**values.figures, name: figure})


def test_water_says_where_it_comes_from_by_village_and_leaves_a_line_where_nobody_knows():
    plan = planned()
    _, site, _, said = sheet(plan)
    assert any(set(w) == {"_"} for w in said)
    village = plan.village_table.at[plan.site_table.at[site, "village"], "name"]
    water = {"comes_from": {village.upper(): "the mill"}, "litres_a_week": 900.0}
    known = with_settings(plan, works={"water_from": "the pond"}, water=water)
    assert water_source(programme(known), site) == "the mill"
    others = [
        s for s in plan.site_table.index if plan.site_table.at[s, "village"] != plan.site_table.at[site, "village"]
    ]
    assert all(water_source(programme(known), s) == "the pond" for s in others)
    said = sheet(known)[3]
    assert {"the mill", "900 l"} <= set(said)


def test_the_fullest_week_of_water_is_told_with_its_cans():
    prog, site, _, said = sheet(planned())
    work = prog.works.site_weeks[prog.works.site_weeks["site_id"] == site]
    top = work.loc[work["water_l"].idxmax()]
    assert f"{top['water_l']:,.0f} l, {top['water_cans']:.0f} cans of 20 l" in " ".join(said)


@pytest.mark.parametrize(("east", "north", "toward"), [(300, 0, "east"), (0, 300, "north"), (-200, -200, "south-west")])
def test_the_nearest_water_of_a_layer_is_told_with_its_direction(east, north, toward):
    plan = planned()
    prog, site = programme(plan), plan.site_table.index[0]
    land = land_of(plan)
    x, y = land.sites[site]
    water = np.array([shapely.Point(x + east, y + north).buffer(20), shapely.Point(x + 5000, y)], dtype=object)
    wet = replace(land, layers=(*land.layers, ("water", water, shapely.STRtree(water))))
    said = " ".join(t.words for page in day_sheet(prog, wet, site, "A4") for t in page.texts)
    far = round(np.hypot(east, north) - 20, -1)
    assert f"{far:.0f} m, {toward}" in said
