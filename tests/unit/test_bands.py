"""Ranges of supply: what moves together, what does not, and where the doubt comes from."""

import numpy as np
import pandas as pd
import pytest

from sourcing.residue.bands import CAUSES, supply_bands, triangle
from sourcing.residue.supply import residue_supply
from sourcing.values import Values
from tests.seasons import fields, season

VALUES = Values.load()
FREE = {"ground_cover": 0.0}


def bands(rows, values=VALUES, samples=800, seed=1, **sections):
    got, own = fields(*rows), season(supply=FREE, **sections)
    return supply_bands(residue_supply(got, own, values), got, own, values, samples, seed)


def only(cause, **figures):
    """The figures with every range closed but those that feed one cause."""
    word = {"ratio": "residue_to_product", "collectable": "collectable_share", "crop_yield": "yield_t_ha"}.get(cause)
    closed = {}
    for name, fig in VALUES.figures.items():
        ends = name.rsplit(".", 1)[-1]
        if name.startswith(("crop.", "supply.")) and ends != word:
            closed[name] = 0.0 if ends.endswith("error_share") else fig.likely
    return Values.load({**closed, **figures})


def test_the_same_seed_gives_the_same_band_and_another_does_not():
    rows = [{"village": v, "crop": c} for v in "AB" for c in ("maize", "cotton")]
    one, again, other = bands(rows, seed=3), bands(rows, seed=3), bands(rows, seed=4)
    pd.testing.assert_frame_equal(one.weeks, again.weeks)
    assert not one.weeks["low_kg"].equals(other.weeks["low_kg"])


def test_bands_are_ordered_and_hold_the_likely_figure_somewhere():
    got = bands([{"village": v, "crop": c, "yield_t_ha": None} for v in "ABC" for c in ("maize", "cotton", "rice")])
    for table in (got.weeks, got.villages):
        assert (table["low_kg"] >= 0).all()
        assert (table["low_kg"] < table["mean_kg"]).all()
        assert (table["mean_kg"] < table["high_kg"]).all()
    assert got.weeks["likely_kg"].sum() == pytest.approx(got.total["likely_kg"])
    assert got.total["low_kg"] < got.total["high_kg"]
    assert got.causes["share"].sum() == pytest.approx(1.0)
    assert set(got.causes.index) == set(CAUSES)


def test_what_moves_together_does_not_average_out_and_survey_error_does():
    one = [{"village": "V0", "crop": "maize", "yield_t_ha": 1.0}]
    many = [{"village": f"V{i}", "crop": "maize", "yield_t_ha": 1.0} for i in range(100)]

    def width(rows, values):
        total = bands(rows, values).total
        return (total["high_kg"] - total["low_kg"]) / total["mean_kg"]

    ratio = only("ratio")
    assert width(many, ratio) == pytest.approx(width(one, ratio), rel=0.01)
    survey = only("survey", **{"supply.survey.yield_error_share": 0.2})
    assert width(many, survey) == pytest.approx(width(one, survey) / 10, rel=0.15)


def test_a_bad_year_is_bad_for_all_villages_without_measured_yields():
    values = only("season", **{"supply.season.yield_error_share": 0.2})
    got = bands([{"village": v, "yield_t_ha": None} for v in "AB"], values)
    spread = got.total["high_kg"] - got.total["low_kg"]
    apart = (got.villages["high_kg"] - got.villages["low_kg"]).sum()
    assert spread == pytest.approx(apart, rel=1e-9)
    # 5 to 95 % of a normal error of 0.2 is +- 1.645 x 0.2
    assert spread / got.total["mean_kg"] == pytest.approx(2 * 1.645 * 0.2, rel=0.1)
    measured = bands([{"village": v, "yield_t_ha": 1.4} for v in "AB"], values)
    assert measured.total["high_kg"] == pytest.approx(measured.total["low_kg"])


def test_one_open_figure_takes_all_the_blame():
    got = bands([{"yield_t_ha": 1.4}, {"crop": "cotton", "yield_t_ha": 0.7}], only("collectable"))
    assert got.causes.loc["collectable", "share"] == pytest.approx(1.0)
    assert got.figures["name"].str.endswith("collectable_share").all()
    assert got.figures["share"].is_monotonic_decreasing
    assert got.figures["share"].sum() == pytest.approx(1.0, abs=0.1)


def test_triangle_draws_have_the_mean_of_a_triangle():
    fig = VALUES.figure("crop.maize.stalk.residue_to_product")
    drawn = triangle(fig, (np.arange(100_000) + 0.5) / 100_000)
    assert drawn.min() >= fig.low
    assert drawn.max() <= fig.high
    assert drawn.mean() == pytest.approx((fig.low + fig.likely + fig.high) / 3, rel=1e-4)
    assert (np.diff(drawn) >= 0).all()


def test_many_villages_are_gathered_as_few(monkeypatch):
    rows = [{"village": f"V{i:02d}", "crop": c, "yield_t_ha": None} for i in range(12) for c in ("maize", "rice")]
    values = only("ratio")
    whole = bands(rows, values)
    monkeypatch.setattr("sourcing.residue.bands._BLOCK", 8_000)
    parts = bands(rows, values)
    pd.testing.assert_frame_equal(whole.weeks, parts.weeks)
    pd.testing.assert_frame_equal(whole.causes, parts.causes)
