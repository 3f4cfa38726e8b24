"""Figures of a plan traced to their parts, figures of the trade and files."""

import copy

import pytest

from sourcing.errors import UsageError
from sourcing.season.trace import trace
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, placed, season


@pytest.fixture(scope="module")
def record():
    """A record as plan.json holds it, of the tiny season."""
    values, settings = Values.load(), season()
    weeks, carries, rates, _ = placed(values, settings)
    kilos = carries.groupby(["crop", "residue"])["mass_kg"].sum()
    margin = (
        float((kilos * (rates["char_kg_per_kg"] * values["money.char_value_per_kg"] - rates["work_cost_per_kg"])).sum())
        - carries["cost"].sum()
        - weeks["barrels"].sum() * values["money.barrel_week_cost"]
        - 2 * values["money.site_open_cost"]
    )
    sites = []
    for site, rows in weeks.groupby("site_id"):
        barrels, busy = [0] * CALENDAR.count, [0.0] * CALENDAR.count
        for row in rows.itertuples():
            barrels[row.week], busy[row.week] = int(row.barrels), float(row.busy)
        here = carries[carries["site_id"] == site]
        sites.append(
            {
                "id": site, "village": rows["village"].iloc[0], "residue_kg": float(rows["residue_kg"].sum()),
                "char_kg": float(rows["char_kg"].sum()), "barrel_weeks": int(rows["barrels"].sum()),
                "several_weeks": int((rows["barrels"] >= 3).sum()),
                "mean_carry_m": float((here["mass_kg"] * here["distance_m"]).sum() / here["mass_kg"].sum()),
                "barrels_by_week": barrels, "busy_by_week": busy,
            }
        )  # fmt: skip
    names = [n for n in values.figures if n.split(".")[0] in ("money", "barrel", "carry", "crop")]
    figures = [
        {
            "name": n, "value": f.likely, "low": f.low, "high": f.high, "unit": f.unit, "source": f.source,
            "place": f.place, "standing": f.standing, "overridden": f.overridden,
        }
        for n in names
        for f in [values.figure(n)]
    ]  # fmt: skip
    rows = carries.rename(columns={"field_id": "field", "site_id": "site"}).to_dict("records")
    totals = {
        "residue_kg": float(carries["mass_kg"].sum()), "char_kg": float(weeks["char_kg"].sum()), "sites": 2,
        "loads": int(carries["loads"].sum()), "carry_h": float(carries["carry_h"].sum()),
        "carry_cost": float(carries["cost"].sum()), "barrel_weeks": int(weeks["barrels"].sum()),
        "barrel_weeks_busy": float((weeks["barrels"] * weeks["busy"]).sum()),
        "several_weeks": int((weeks["barrels"] >= 3).sum()), "margin": margin,
        "villages_with_barrels": 2, "most_barrels": int(weeks.groupby("week")["barrels"].sum().max()),
        "carry_km": float((carries["loads"] * carries["distance_m"] * 2).sum() / 1000),
    }  # fmt: skip
    return {
        "weeks": list(CALENDAR.labels), "settings": settings.model_dump(mode="json"),
        "inputs": [{"path": "f.gpkg", "sha256": "ab" * 32, "rows": 5}],
        "totals": totals, "sites": sites, "villages": [{**s, "id": s["village"]} for s in sites], "carries": rows,
        "values_used": figures,
    }  # fmt: skip


@pytest.mark.parametrize(
    "name",
    ["residue_kg", "char_kg", "loads", "carry_h", "carry_cost", "carry_km", "barrel_weeks", "barrel_weeks_busy",
     "several_weeks", "sites", "margin", "villages_with_barrels", "most_barrels"],
)  # fmt: skip
def test_every_total_is_reckoned_again_to_what_was_recorded(record, name):
    found = trace(record, f"totals.{name}")
    assert found.parts
    assert found.agrees
    assert "as recorded" in "\n".join(found.lines())
    assert found.inputs == ("f.gpkg (sha256 abababababab…)",)


def test_a_margin_with_crews_paid_by_the_week_is_reckoned_again(record):
    """Two tenders, 48 hours, for each site-week: what is no longer charged by the kilo is charged so."""
    values, settings = Values.load(), season(works={"crew_paid": "by_week"})
    _, carries, rates, _ = placed(values, season())
    there = sum(b > 0 for s in record["sites"] for b in s["barrels_by_week"])
    kilos = carries.groupby(["crop", "residue"])["mass_kg"].sum()
    wage = values["money.wage_per_h"]
    margin = record["totals"]["margin"] + float((kilos * rates["tender_h_per_kg"]).sum()) * wage - there * 96 * wage
    paid = {**record, "settings": settings.model_dump(mode="json"), "totals": {**record["totals"], "margin": margin}}
    found = trace(paid, "totals.margin")
    assert found.agrees
    assert f"crews at sites for {there} weeks" in "\n".join(found.lines())
    assert not trace({**record, "settings": settings.model_dump(mode="json")}, "totals.margin").agrees


@pytest.mark.parametrize("name", ["residue_kg", "char_kg", "barrel_weeks", "several_weeks", "mean_carry_m"])
@pytest.mark.parametrize("scope", ["site.north", "site.south", "village.v1", "village.v2"])
def test_figures_of_sites_and_villages_too(record, scope, name):
    assert trace(record, f"{scope}.{name}").agrees


def test_a_trace_ends_at_figures_with_their_sources(record):
    found = trace(record, "totals.char_kg")
    assert [f.name for f in found.figures] == [
        "crop.cotton.stalk.char_yield", "crop.maize.stalk.char_yield", "crop.rice.straw.char_yield",
    ]  # fmt: skip
    text = "\n".join(found.lines())
    assert "cotton stalk" in text
    assert "crop.maize.stalk.char_yield = 0.23 (0.15 to 0.29) kg/kg: seen" in text


def test_a_figure_of_the_trade_is_traced_to_its_source(record):
    found = trace(record, "barrel.sealed.minutes")
    assert found.value == 120
    assert "seen, practical_action_drum, pages 6 and 9" in "\n".join(found.lines())


def test_a_record_that_does_not_add_up_is_told(record):
    wrong = copy.deepcopy(record)
    wrong["totals"]["char_kg"] += 100
    found = trace(wrong, "totals.char_kg")
    assert not found.agrees
    assert "but the record says" in "\n".join(found.lines())


@pytest.mark.parametrize("name", ["totals.chair_kg", "village.nowhere.char_kg", "char", "", "site.north.name"])
def test_an_unknown_figure_is_refused_with_what_there_is(record, name):
    with pytest.raises(UsageError, match="nothing is known"):
        trace(record, name)
    with pytest.raises(UsageError, match=r"near it: totals\.char_kg"):
        trace(record, "totals.chair_kg")


def test_a_margin_with_moves_and_villages_charged(record):
    values = Values.load()
    charged = copy.deepcopy(record)
    charged["settings"]["moves"]["charge"] = charged["settings"]["villages"]["charge"] = True
    near, far = values["money.barrel_move_cost"], values["money.barrel_village_move_cost"]
    charged["totals"]["margin"] -= 10 * (near + far) + 2 * values["money.village_deploy_cost"]
    assert trace(charged, "totals.margin").agrees
    assert not trace({**charged, "settings": record["settings"]}, "totals.margin").agrees
