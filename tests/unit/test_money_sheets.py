"""The sheets of money, chances and air, and of the workshop."""

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_rgba
from shapely.geometry import Point

from sourcing.outputs.moneysheet import HIGH_END, LOW_END, TORNADO_ROWS, money_sheet
from sourcing.outputs.outlooksheet import outlook_sheet
from sourcing.outputs.programme import programme
from sourcing.outputs.sheets import sheet_pages
from sourcing.outputs.startsheet import needs_by_week, start_sheet
from sourcing.outputs.workshopsheet import workshop_sheet
from sourcing.season.money import season_money
from sourcing.season.works import season_work
from tests.unit.planned import planned, spoken, without_barrels
from tests.unit.test_sheets import off_the_page, overlaps


def words_of(pages):
    return [t.words for page in pages for t in page.texts]


def with_workshop(plan, **works):
    """The same placement with a workshop 2 km from every place."""
    settings = plan.settings.model_copy(update={"works": plan.settings.works.model_copy(update=works)})
    haul = dict.fromkeys(plan.site_table.index, 2000.0)
    places = {str(s): Point(r["lon"], r["lat"]).coords[0] for s, r in plan.site_table.iterrows()}
    lots = plan.supply.lots
    made = season_work(plan.site_weeks, plan.carries, plan.rates, lots, plan.calendar, settings, plan.values,
                       site_lonlat=places, haul_m=haul)  # fmt: skip
    money = season_money(made, plan.carries, plan.rates, lots, settings, plan.values)
    table = plan.site_table.assign(haul_m=2000.0)
    return replace(plan, settings=settings, works=made, money=money, site_table=table)


def boxes(page, colour):
    return [p for p in page.axes.patches if p.get_facecolor() == to_rgba(colour) and p.get_zorder() == 2.6]


def test_the_tornado_is_drawn_to_scale_from_the_plans_margin():
    prog = programme(planned())
    page = next(p for p in money_sheet(prog, "A4") if any(t.words == "What matters most" for t in p.texts))
    shown = prog.money.tornado[prog.money.tornado["swing"] > 0].head(TORNADO_ROWS)
    title = next(t for t in page.texts if t.words == "What matters most")
    bars = [p for c in (LOW_END, HIGH_END) for p in boxes(page, c) if p.get_y() > title.y]
    ends = shown[["margin_low", "margin_high"]].to_numpy()
    assert len(bars) == np.isfinite(ends).sum() - (ends == prog.money.margin).sum()
    spans = np.abs(ends - prog.money.margin)
    longest = max(p.get_width() for p in bars)
    wide = max(p.get_width() for p in bars if abs(p.get_y() - bars[0].get_y()) < 0.1)
    assert wide / longest == pytest.approx(np.nanmax(spans[0]) / np.nanmax(spans), rel=1e-3)
    # every bar begins or ends at the plan's own margin
    both = [{round(p.get_x(), 2), round(p.get_x() + p.get_width(), 2)} for p in bars]
    assert len(set.intersection(*both)) == 1


def test_money_says_what_the_ledger_says():
    prog = programme(planned())
    said = words_of(money_sheet(prog, "A4"))
    money = prog.money
    assert f"{money.margin:,.0f} crowns" in said
    assert f"{money.break_even_char:.2f} crowns / kg" in said
    for (_, part), row in money.parts.iterrows():
        assert prog.words.of("part", part.replace(" ", "_")) in said
        assert prog.words.number(row["amount"]) in said
    for village, row in money.villages.iterrows():
        assert prog.village(village) in said
        assert f"{row['per_work_day']:,.1f}" in said
    far = money.break_even["distance_m"].dropna()
    assert f"{np.floor(far.iloc[0] / 10) * 10:,.0f} m" in said
    assert any("examples" in w for w in said)


def test_every_part_of_the_ledger_and_every_lever_has_words():
    plan = with_workshop(planned(), presses={"large_electric": 1, "hand": 1})
    charged = plan.settings.model_copy(
        update={
            name: getattr(plan.settings, name).model_copy(update={"charge": True}) for name in ("moves", "villages")
        }
    )
    money = season_money(plan.works, plan.carries, plan.rates, plan.supply.lots, charged, plan.values)
    text = programme(plan).words.text
    assert [p for _, p in money.parts.index if f"part.{p.replace(' ', '_')}" not in text] == []
    levers = [str(n).removeprefix("money.").replace(" ", "_") for n in money.tornado.index]
    assert [n for n in levers if f"lever.{n}" not in text] == []


def test_chances_say_what_the_replays_found():
    prog = programme(planned())
    said = words_of(outlook_sheet(prog, "A4"))
    stress = prog.plan.stress
    for name in ("p10", "p50", "p90"):
        assert f"{stress.season.at['char_kg', name] / 1000:.1f} t" in said
    assert {prog.words(f"sure.{s}") for s in stress.sites["sureness"]} <= set(said)
    several = prog.plan.settings.fleet.several
    asked = stress.chances[stress.chances["n"] == np.minimum(several, stress.chances["barrels"])]
    for chance in asked["chance"]:
        assert f"{np.floor(100 * chance + 1e-9):.0f}" in said
    assert prog.words.of("cause", str(stress.spread.index[0])) in said
    energy = prog.plan.climate.energy
    assert f"{energy.at['meals', 'likely']:,.0f}" in said


def test_a_season_without_a_workshop_has_no_sheet_of_it():
    assert list(workshop_sheet(programme(planned()), "A4")) == []
    assert list(money_sheet(programme(without_barrels(planned())), "A4")) == []
    assert list(outlook_sheet(programme(without_barrels(planned())), "A4")) == []


@pytest.mark.parametrize("works", [{"presses": {"large_electric": 1}}, {}])
def test_the_workshop_says_its_presses_and_its_weeks(works):
    prog = programme(with_workshop(planned(), **works))
    said = words_of(workshop_sheet(prog, "A4"))
    shop = prog.works.workshop
    title = "Presses at hand" if works else "Presses to get: the cheapest that finish in time"
    assert title in " ".join(said)
    for p in shop.presses:
        assert f"{p.count} {prog.words.of('press', p.kind)}" in " ".join(said)
    for name in ("char_in_kg", "flour_kg", "dried_kg", "sold_kg"):
        assert f"{shop.weeks[name].sum():,.0f}" in said
    assert {"2,000 m"} <= set(said)
    loads = prog.works.site_weeks["haul_loads"].sum()
    assert said.count(f"{loads:,}") >= 2  # in the table of weeks and in the calendar of rounds


@pytest.mark.parametrize("language", ["en", "hi", "fr", "sw"])
def test_nothing_lies_over_another_with_a_workshop(language):
    prog = programme(spoken(with_workshop(planned(), presses={"large_electric": 1}), language))
    pages = list(sheet_pages(prog))
    assert [(i, pair) for i, page in enumerate(pages) for pair in overlaps(page)] == []
    assert [(i, words) for i, page in enumerate(pages) for words in off_the_page(page)] == []


def test_the_sheet_to_start_from_counts_what_the_weeks_need():
    prog = programme(with_workshop(planned(), presses={"large_electric": 1}))
    needs, work = needs_by_week(prog), prog.works.site_weeks
    first = prog.weeks.start
    assert needs.at["barrels", first] == work.loc[work["week"] == first, "barrels"].sum()
    assert needs.loc["barrels"].max() == prog.plan.record["totals"]["most_barrels"]
    assert (needs.loc["gloves"] == needs.loc["tenders"]).all()
    assert (needs.loc["beaters"] == 5 * needs.loc["places_in_use"]).all()
    means = needs[[str(k).startswith("mode.") for k in needs.index]]
    assert len(means) == prog.plan.carries["mode"].nunique()
    assert (means.sum() >= (needs.loc["carriers"] > 0)).all()
    assert needs.loc["flour"].sum() == pytest.approx(
        prog.works.workshop.weeks["flour_kg"].reindex(needs.columns).sum()
    )  # fmt: skip
    said = words_of(start_sheet(prog, "A4"))
    assert {"Barrels with lids", "People in the workshop", "Flour for the week, kg"} <= set(said)
    here = work[work["week"] == first]["site_id"]
    assert {prog.site_names[s] for s in here} <= set(said)
    assert list(start_sheet(programme(without_barrels(planned())), "A4")) == []
