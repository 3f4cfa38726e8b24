"""Supply told and drawn, and the estimate of what nobody surveyed."""

import numpy as np
import pandas as pd
import pytest

from sourcing.errors import UsageError
from sourcing.residue.bands import supply_bands
from sourcing.residue.coverage import unsurveyed_supply
from sourcing.residue.supply import CHAIN, residue_supply
from sourcing.residue.supplytable import (
    WORDS,
    chain_by,
    chain_by_week,
    draw_supply,
    methods_side_by_side,
    sentence,
    shown_names,
    village_named,
    weekly,
)
from sourcing.values import Values
from tests.seasons import fields, season

VALUES = Values.load()
ROWS = [
    {"village": "A", "crop": "maize"},
    {"village": "A", "crop": "cotton", "yield_t_ha": 0.8, "harvest_start": "2027-06-02", "harvest_end": "2027-07-20"},
    {"village": "B", "crop": "maize", "yield_t_ha": None, "share_promised": 0.5},
]


@pytest.fixture(scope="module")
def made():
    return residue_supply(fields(*ROWS), season(), VALUES)


@pytest.mark.parametrize("by", [("crop",), ("village",), ("village", "crop"), ("residue",)])
def test_chains_sum_to_the_same_whole(made, by):
    table = chain_by(made, by)
    assert table["grown_kg"].sum() == pytest.approx(made.chain["grown_kg"].sum())
    np.testing.assert_allclose(table[list(CHAIN)].sum(axis=1), table["grown_kg"], rtol=1e-9)
    with pytest.raises(UsageError):
        chain_by(made, ("colour",))


@pytest.mark.parametrize("by", [(), ("village",), ("crop", "village")])
def test_chains_by_week_sum_too(made, by):
    table = chain_by_week(made, fields(*ROWS), by)
    assert table["grown_kg"].sum() == pytest.approx(made.chain["grown_kg"].sum())
    np.testing.assert_allclose(table[list(CHAIN)].sum(axis=1), table["grown_kg"], rtol=1e-9)
    weeks = table.index.get_level_values("week")
    first = (pd.Timestamp("2027-05-03").date() - made.calendar.first_monday).days // 7
    assert weeks.min() == first


def test_weekly_is_the_lots(made):
    table = weekly(made, "village")
    assert list(table.index) == list(made.calendar.labels)
    assert table.to_numpy().sum() == pytest.approx(made.lots["mass_kg"].sum())
    with pytest.raises(UsageError):
        weekly(made, "colour")


def test_every_part_of_the_chain_has_words(made):
    assert set(WORDS) == set(CHAIN)
    text = sentence(made)
    assert text.startswith("Of ")
    assert text.endswith("is free to take.")
    grown = made.chain["grown_kg"].sum() / 1000
    assert f"{grown:.1f} t dry residue grown" in text
    assert "of maize in B" in sentence(made, crop="maize", village="B")


def test_methods_side_by_side():
    table = methods_side_by_side(fields(*ROWS, {"crop": "rice", "yield_t_ha": 2.4}), season(), VALUES)
    assert (table["ratio_low"] <= table["ratio"]).all()
    assert (table["ratio"] <= table["ratio_high"]).all()
    # rice straw: paddy 2.4 t/ha; 2006 0.95 x 2.136 + 2.46, 2019 1.4 x 2.136; husk is always by its ratio
    husk = 2400 * 0.22 * 0.91
    assert table.loc["rice", "ipcc_2006"] == pytest.approx(1000 * (0.95 * 2.136 + 2.46) + husk)
    assert table.loc["rice", "ipcc_2019"] == pytest.approx(1000 * 1.4 * 2.136 + husk)
    assert table.loc["rice", "apart"] == pytest.approx(4.489 / 2.99, rel=0.2)


def test_charts_are_drawn(made, tmp_path):
    bands = supply_bands(made, fields(*ROWS), season(), VALUES, samples=50)
    for name in ("a.png", "b.svg", "c.pdf"):
        draw_supply(made, tmp_path / name, by="village")
        assert (tmp_path / name).stat().st_size > 2000
    draw_supply(made, tmp_path / "d.svg", village="A", bands=bands)
    text = (tmp_path / "d.svg").read_text(encoding="utf-8")
    assert "<svg" in text
    with pytest.raises(UsageError, match="no residue in the village"):
        draw_supply(made, tmp_path / "e.png", village="Z")
    with pytest.raises(UsageError, match=r"\.bmp"):
        draw_supply(made, tmp_path / "e.bmp")


def test_villages_are_found_and_shown_by_name(made):
    names = shown_names(fields(*ROWS))
    assert names == {"A": "A", "B": "B"}
    called = {"n": "Ndoko", "m": "Mbeta-sur-Rive"}
    assert [village_named(called, w) for w in ("Ndoko", "ndoko", "N", "mbeta sur rive")] == ["n", "n", "n", "m"]
    with pytest.raises(UsageError, match="no village 'Kivu' in this season; its villages are Ndoko, Mbeta-sur-Rive"):
        village_named(called, "Kivu")


def sampled(count, share, seed=0, **supply):
    rng = np.random.default_rng(seed)
    rows = [{"village": "A", "area_ha": a} for a in rng.uniform(0.2, 1.0, count)]
    settings = season(supply={"surveyed": {"A": share}, "residues": ["maize/cob"], **supply})
    got = fields(*rows)
    return unsurveyed_supply(residue_supply(got, settings, VALUES), got, settings)


def test_the_rest_is_off_unless_asked_for():
    assert sampled(20, 0.5).empty
    assert sampled(20, 1.0, estimate_unsurveyed=True).empty


def test_the_rest_is_in_proportion_and_less_sure_with_fewer_fields():
    many, few = sampled(400, 0.5, estimate_unsurveyed=True), sampled(8, 0.5, estimate_unsurveyed=True)
    for table in (many, few):
        cob = table[table["residue"] == "cob"].iloc[0]
        assert cob["estimated_kg"] == pytest.approx(cob["surveyed_kg"])
        assert 0 <= cob["low_kg"] < cob["estimated_kg"] < cob["high_kg"]

    def width(table):
        cob = table[table["residue"] == "cob"].iloc[0]
        return (cob["high_kg"] - cob["low_kg"]) / cob["estimated_kg"]

    assert width(few) > 3 * width(many)


def test_the_interval_holds_as_often_as_it_says():
    """Fields drawn from a known village: the truth of the rest lies inside in about 90 of 100 draws."""
    rng = np.random.default_rng(5)
    village = rng.gamma(2.0, 0.4, 60)
    settings = season(supply={"surveyed": {"A": 0.25}, "estimate_unsurveyed": True, "residues": ["maize/cob"]})
    per_ha = residue_supply(fields({"village": "A"}), settings, VALUES).chain.set_index("residue").loc["cob", "free_kg"]
    inside = 0
    for _ in range(150):
        order = rng.permutation(60)
        got = fields(*[{"village": "A", "area_ha": a} for a in village[order[:15]]])
        cob = unsurveyed_supply(residue_supply(got, settings, VALUES), got, settings).set_index("residue").loc["cob"]
        inside += cob["low_kg"] <= village[order[15:]].sum() * per_ha <= cob["high_kg"]
    assert 0.80 <= inside / 150 <= 0.97
