"""Supply: from fields to lots, the chain from gross to free, the calendar, and what is refused."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from sourcing.errors import InputError, NoPlanError
from sourcing.residue.supply import CHAIN, residue_supply
from sourcing.values import Values, to_csv
from tests.seasons import fields, season

VALUES = Values.load()
STALK = "crop.maize.stalk"


def supply(*rows, values=VALUES, slopes=None, **sections):
    return residue_supply(fields(*rows), season(**sections), values, slopes=slopes)


def test_one_field_by_hand():
    """2 t/ha x 1 ha x 1.4 as received x (1 - 0.15) = 2380 kg dry; 65 % can be collected; no cover, no uses asked."""
    none = [{"fodder": 0.0, "fuel": 0.0, "thatch": 0.0}]
    got = supply({"harvest_start": "2027-05-03", "harvest_end": "2027-05-09"},
                 supply={"ground_cover": 0.0, "village_uses": none, "residues": ["maize/stalk"]})  # fmt: skip
    chain = got.chain.set_index("residue").loc["stalk"]
    assert chain["grown_kg"] == pytest.approx(2000 * 1.4 * 0.85)
    assert chain["uncollectable_kg"] == pytest.approx(2380 * 0.35)
    days, loss = VALUES[f"{STALK}.drying_days"], VALUES[f"{STALK}.loss_week_field"]
    free = 2380 * 0.65 * (1 - loss) ** (days / 7)
    assert chain["free_kg"] == pytest.approx(free)
    lot = got.lots.loc[0]
    assert len(got.lots) == 1
    assert (lot["field_id"], lot["village"], lot["crop"], lot["residue"]) == ("f0", "Ndizi", "maize", "stalk")
    assert lot["mass_kg"] == pytest.approx(free)
    assert lot["low_kg"] < lot["mass_kg"] < lot["high_kg"]
    assert lot["loss_week"] == loss
    # cut by Sunday 9 May, 18 days to dry: ready on 27 May, in W21
    assert got.calendar.label(int(lot["ready_week"])) == "2027-W21"
    # clear by Friday 15 October: the last week whose six working days are over by then is W40
    assert got.calendar.label(int(lot["clear_week"])) == "2027-W40"


def test_cover_is_what_stubble_does_not_give_already():
    got = supply({}).chain.set_index("residue")
    need = -np.log(0.7) / 3.5e-4
    assert got.loc["stalk", "cover_kg"] == pytest.approx(need - 2380 * 0.35)
    assert got.loc["cob", "cover_kg"] == 0


def test_uses_are_shares_of_what_leaves_the_field_and_villages_have_their_word():
    said = [{"crop": "maize", "residue": "stalk", "fodder": 0.5}, {"village": "other", "fodder": 0.9}]
    row = supply({}, {"village": "Other"}, supply={"village_uses": said}).chain.iloc[0]
    left = row["grown_kg"] - row["uncollectable_kg"] - row["cover_kg"]
    assert row["fodder_kg"] == pytest.approx(0.5 * left)
    assert row["fuel_kg"] == pytest.approx(VALUES[f"{STALK}.fuel_share"] * left)


def test_cotton_stalk_is_no_cover_but_goes_by_its_law():
    chain = supply({"crop": "cotton", "yield_t_ha": 0.8}).chain
    assert (chain["cover_kg"] == 0).all()


def test_steep_fields_keep_more_and_the_steepest_all():
    rows = [{"field_id": n, "yield_t_ha": 2.5} for n in ("flat", "steep", "cliff", "unknown")]
    slopes = pd.Series({"flat": 0.01, "steep": 0.06, "cliff": 0.3})
    chain = supply(*rows, slopes=slopes).chain
    stalk = chain[chain["residue"] == "stalk"].set_index("field_id")["free_kg"]
    assert stalk["flat"] > stalk["steep"] >= stalk["cliff"] == 0
    assert stalk["unknown"] == stalk["flat"]


def test_harvest_spreads_over_its_days():
    got = supply({"harvest_start": "2027-05-05", "harvest_end": "2027-05-16"},
                 supply={"residues": ["maize/stalk"]}).lots  # fmt: skip
    # Wednesday to Sunday week: 5 days, then 7 days
    assert len(got) == 2
    assert got["mass_kg"].iloc[0] / got["mass_kg"].iloc[1] == pytest.approx(5 / 7)


def test_weeks_run_on_through_week_53_and_the_year_end():
    got = supply({"harvest_start": "2026-12-14", "harvest_end": "2027-01-10", "clear_by": "2027-03-31"})
    labels = got.calendar.labels
    assert "2026-W53" in labels
    assert got.chain[["free_kg"]].sum().item() == pytest.approx(got.lots["mass_kg"].sum())
    stalk = got.lots[got.lots["residue"] == "stalk"]["ready_week"]
    assert list(np.diff(stalk)) == [1, 1, 1]


def test_without_a_clear_day_the_collection_weeks_count():
    lots = supply({"clear_by": None}, supply={"collection_weeks": 3}).lots
    assert (lots["clear_week"] - lots["ready_week"] == 2).all()


def test_a_field_without_yield_takes_the_season_then_the_figure():
    grown = supply({"yield_t_ha": None}).chain["grown_kg"].iloc[0]
    assert grown == pytest.approx(1000 * VALUES["crop.maize.yield_t_ha"] * 1.4 * 0.85)
    own = supply({"yield_t_ha": None}, crops={"maize": {"yield_t_ha": 3.0}}).chain["grown_kg"].iloc[0]
    assert own == pytest.approx(3000 * 1.4 * 0.85)


def test_yields_counted_as_lint_are_brought_to_seed_cotton_with_a_word():
    got = supply({"crop": "cotton", "yield_t_ha": 0.34}, crops={"cotton": {"yield_counts": "lint"}})
    assert got.chain["grown_kg"].iloc[0] == pytest.approx(1000 * 2.2 * 0.88)
    assert "yield_converted" in {f.what for f in got.findings}


def test_a_lint_yield_taken_for_seed_cotton_is_flagged():
    got = supply({"crop": "cotton", "yield_t_ha": 0.30})
    (finding,) = [f for f in got.findings if f.what == "yield_odd"]
    assert finding.row == 1
    assert "lint" in finding.remedy
    assert "0.4 to 1.5" in finding.expected


@pytest.mark.parametrize(("method", "dry_kg"), [("ipcc_2019", 870.0 * 2 * 0.77), ("ipcc_2006", 2402.2 * 0.77)])
def test_ipcc_methods(method, dry_kg):
    """IPCC 2006 T11.2 at 2 t/ha: 2.4022 t dm/ha; 2019 T11.1A: 0.870 per t/ha. 77 % of it is leaf and stalk."""
    got = supply({"yield_t_ha": 2.4}, {"yield_t_ha": 2.0}, supply={"ratio_method": method})
    if method == "ipcc_2006":  # 2.0 t/ha x 0.87 lies below the guard of 2 t/ha dry, 2.4 above
        line = 1.03 * 2.4 * 0.87 + 0.61
        assert got.chain["grown_kg"].iloc[0] == pytest.approx(1000 * line * 0.77)
        at_guard = (1.03 * 2 + 0.61) / 2
        assert got.chain["grown_kg"].iloc[3] == pytest.approx(1000 * at_guard * 1.74 * 0.77)
    else:
        assert got.chain["grown_kg"].iloc[3] == pytest.approx(dry_kg)
    husk = supply({"crop": "rice"}, supply={"ratio_method": method}).chain.set_index("residue").loc["husk"]
    assert husk["grown_kg"] == pytest.approx(2000 * 0.22 * 0.91)  # part of the paddy: always by its ratio


def test_what_is_late_is_lost_and_told():
    got = supply({"clear_by": "2027-06-10"})
    stalk = got.chain.set_index("residue").loc["stalk"]
    assert stalk["past_clear_kg"] > 0
    (finding,) = [f for f in got.findings if f.what == "lost_past_clear"]
    assert "maize/stalk" in finding.found
    late = got.lots[got.lots["residue"] == "stalk"]
    monday = [got.calendar.monday(int(w)) for w in late["clear_week"]]
    assert all(day <= date(2027, 6, 10) for day in monday)


def test_what_lies_outside_the_season_is_lost_and_told():
    got = supply({}, season={"first_day": "2027-06-14", "last_day": "2027-06-27"})
    assert got.calendar.labels == ("2027-W24", "2027-W25")
    assert got.chain["outside_season_kg"].sum() > 0
    assert "lost_outside_season" in {f.what for f in got.findings}
    assert got.lots["ready_week"].between(0, 1).all()
    assert got.lots["clear_week"].between(0, 1).all()


def test_parts_sum_to_what_was_grown():
    got = supply({}, {"crop": "cotton", "yield_t_ha": None}, {"crop": "rice", "share_promised": 0.5},
                 supply={"not_collected": ["rice/husk"]})  # fmt: skip
    assert got.chain[list(CHAIN)].sum(axis=1).to_numpy() == pytest.approx(got.chain["grown_kg"].to_numpy(), rel=1e-9)
    rice = got.chain[got.chain["crop"] == "rice"].set_index("residue")
    assert rice.loc["husk", "free_kg"] == 0
    assert rice.loc["husk", "left_alone_kg"] > 0
    assert rice.loc["straw", "not_promised_kg"] > 0


def test_estimates_are_ordered():
    free = [supply({"yield_t_ha": None}, supply={"estimate": e}).lots["mass_kg"].sum() for e in ("likely", "high")]
    assert free[0] < free[1]
    low = supply({"yield_t_ha": None}, supply={"estimate": "low", "ground_cover": 0.0}).lots["mass_kg"].sum()
    assert low < free[0]


def test_a_season_figure_is_used_and_named():
    values = Values.load({f"{STALK}.residue_to_product": 1.0})
    got = supply({}, values=values)
    assert got.chain["grown_kg"].iloc[0] == pytest.approx(2000 * 0.85)
    assert f"{STALK}.residue_to_product" in got.figures_used
    assert len(got.figures_used) == len(set(got.figures_used))


def test_a_ratio_per_milled_rice_is_converted(tmp_path):
    file = tmp_path / "own.csv"
    file.write_text("name,likely,basis\ncrop.rice.straw.residue_to_product,1.4,as_received/milled\n", encoding="utf-8")
    got = supply({"crop": "rice"}, values=Values.load(file=file))
    assert got.chain["grown_kg"].iloc[0] == pytest.approx(2000 * 1.4 * 0.65 * (1 - 0.127))


def test_a_ratio_on_an_unknown_basis_is_refused(tmp_path):
    file = tmp_path / "own.csv"
    file.write_text("name,likely,basis\ncrop.maize.stalk.residue_to_product,1.4,per_acre\n", encoding="utf-8")
    with pytest.raises(InputError, match="per_acre"):
        supply({}, values=Values.load(file=file))


def test_impossible_rows_are_refused_all_at_once():
    with pytest.raises(InputError) as caught:
        supply(
            {"yield_t_ha": 1800.0},
            {"yield_t_ha": -1.0},
            {"harvest_end": "2027-04-01"},
            {"clear_by": "2027-04-01"},
            {"share_promised": 1.5},
            {"area_ha": 0.0},
            {"harvest_start": None},
            {"crop": "triffid"},
            supply={"village_uses": [{"village": "Ndizi", "fodder": 0.7, "fuel": 0.6}], "residues": ["maize/stem"]},
        )
    found = {(f.row, f.what) for f in caught.value.findings}
    assert found == {
        (1, "yield_impossible"), (2, "yield_impossible"), (3, "dates_turned"), (4, "clear_before_harvest"),
        (5, "bad_share"), (6, "bad_area"), (7, "no_dates"), (None, "no_figures"), (None, "shares_over_one"),
        (None, "unknown_residue"),
    }  # fmt: skip


def test_figures_that_cannot_be_are_refused_together():
    values = Values.load({f"{STALK}.fodder_share": 0.7, f"{STALK}.fuel_share": 0.6, f"{STALK}.moisture_ready": 1.0,
                          f"{STALK}.above_ground_share": 0.95})  # fmt: skip
    with pytest.raises(InputError) as caught:
        supply({}, values=values)
    assert sorted(f.what for f in caught.value.findings) == ["impossible", "shares_over_one", "shares_over_one"]


def test_names_in_options_are_checked():
    with pytest.raises(InputError) as caught:
        supply({}, supply={"surveyed": {"Elsewhere": 0.5}, "village_uses": [
            {"village": "Elsewhere"}, {"crop": "triffid"}, {"crop": "maize", "residue": "frond"}, {"village": "NDIZI"},
        ]})  # fmt: skip
    assert [f.what for f in caught.value.findings] == ["unknown_name"] * 4


def test_a_season_after_everything_is_no_plan():
    with pytest.raises(NoPlanError, match="between 2028-01-03 and"):
        supply({}, season={"first_day": "2028-01-05"})


def test_shares_of_a_village_that_crowd_out_the_figures_are_told():
    got = supply({}, supply={"village_uses": [{"crop": "maize", "residue": "stalk", "fodder": 0.95}]})
    (finding,) = [f for f in got.findings if f.what == "uses_over_one"]
    assert "1 residues" in finding.found
    row = got.chain.set_index("residue").loc["stalk"]
    assert row["free_kg"] == pytest.approx(0, abs=1e-9)
    assert row["fodder_kg"] > 5 * row["fuel_kg"]


def test_nothing_left_is_no_plan():
    with pytest.raises(NoPlanError, match="no residue is left"):
        supply({"share_promised": 0.0})


def test_every_crop_and_residue_of_the_table_can_be_planned():
    crops = VALUES.crops()
    assert len(crops) >= 25
    assert sum(len(VALUES.residues(c)) for c in crops) >= 40
    got = supply(*[{"crop": c, "yield_t_ha": None} for c in crops], supply={"ground_cover": 0.0})
    assert set(got.chain["crop"]) == set(crops)
    assert (got.chain["free_kg"] > 0).mean() > 0.95


def test_a_season_may_bring_a_crop_of_its_own(tmp_path):
    own = [f for n, f in VALUES.figures.items() if n.startswith("crop.wheat.")]
    text = to_csv(replace(f, name=f.name.replace("wheat", "teff"), source="") for f in own)
    text = text.replace(",memory,", ",own,").replace(",reproduced,", ",own,").replace(",second_hand,", ",own,")
    file = tmp_path / "own.csv"
    file.write_text(text.replace(",seen,", ",own,"), encoding="utf-8")
    values = Values.load(file=file)
    teff = supply({"crop": "teff", "yield_t_ha": 1.6}, values=values).lots["mass_kg"].sum()
    wheat = supply({"crop": "wheat", "yield_t_ha": 1.6}).lots["mass_kg"].sum()
    assert teff == pytest.approx(wheat)
