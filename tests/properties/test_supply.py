"""What must always hold of a supply, whatever the fields."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.errors import NoPlanError
from sourcing.residue.supply import CHAIN, residue_supply
from sourcing.values import Values
from tests.seasons import fields, season

VALUES = Values.load()
EASY = settings(deadline=None, max_examples=40)


def days(first, span):
    return st.integers(0, span).map(lambda d: str(np.datetime64(first) + d))


row = st.fixed_dictionaries(
    {
        "crop": st.sampled_from(["maize", "cotton", "rice", "pigeon_pea", "groundnut", "sugarcane"]),
        "village": st.sampled_from(["A", "B", "C"]),
        "area_ha": st.floats(0.01, 20),
        "yield_t_ha": st.one_of(st.none(), st.floats(0.05, 2.4)),
        "harvest_start": days("2026-10-01", 120),
        "share_promised": st.floats(0, 1),
        "length": st.integers(0, 80),
        "slack": st.one_of(st.none(), st.integers(0, 200)),
    }
)


def dated(rows):
    out = []
    for r in rows:
        r = dict(r)
        end = np.datetime64(r["harvest_start"]) + r.pop("length")
        slack = r.pop("slack")
        out.append({**r, "harvest_end": str(end), "clear_by": None if slack is None else str(end + slack)})
    return out


def run(rows, **sections):
    try:
        return residue_supply(fields(*rows), season(**sections), VALUES)
    except NoPlanError:
        return None


seasons = st.lists(row, min_size=1, max_size=6).map(dated)


@EASY
@given(seasons, st.floats(0, 0.9), st.sampled_from(["ratio", "ipcc_2006", "ipcc_2019"]))
def test_mass_is_conserved_and_nothing_is_negative(rows, cover, method):
    got = run(rows, supply={"ground_cover": cover, "ratio_method": method})
    if got is None:
        return
    parts = got.chain[list(CHAIN)]
    assert (parts.to_numpy() >= 0).all()
    np.testing.assert_allclose(parts.sum(axis=1), got.chain["grown_kg"], rtol=1e-9)
    np.testing.assert_allclose(got.lots["mass_kg"].sum(), got.chain["free_kg"].sum(), rtol=1e-9)
    by = got.lots.groupby(["field_id", "residue"])["mass_kg"].sum()
    want = got.chain.set_index(["field_id", "residue"])["free_kg"]
    np.testing.assert_allclose(by.to_numpy(), want.loc[by.index].to_numpy(), rtol=1e-9)
    assert (got.lots["low_kg"] <= got.lots["mass_kg"] * (1 + 1e-12)).all()
    assert (got.lots["high_kg"] >= got.lots["mass_kg"] * (1 - 1e-12)).all()


@EASY
@given(seasons)
def test_no_residue_before_harvest_or_after_clear_by(rows):
    got = run(rows)
    if got is None:
        return
    start = {f"f{i}": pd.Timestamp(r["harvest_start"]) for i, r in enumerate(rows)}
    clear = {f"f{i}": pd.Timestamp(r["clear_by"]) for i, r in enumerate(rows) if r["clear_by"]}
    for lot in got.lots.itertuples():
        assert 0 <= lot.ready_week <= lot.clear_week < got.calendar.count
        first = pd.Timestamp(got.calendar.monday(lot.ready_week))
        assert first + pd.Timedelta(days=6) >= start[lot.field_id]
        last = pd.Timestamp(got.calendar.monday(lot.clear_week))
        if lot.field_id in clear:  # all six working days lie on or before the clear-by day
            assert last + pd.Timedelta(days=5) <= clear[lot.field_id]


@EASY
@given(seasons, st.randoms())
def test_the_order_of_rows_does_not_matter(rows, random):
    rows = [{**r, "field_id": f"n{i}", "row": i + 1} for i, r in enumerate(rows)]
    turned = list(rows)
    random.shuffle(turned)
    one, other = run(rows), run(turned)
    if one is None or other is None:
        assert one is None
        assert other is None
        return
    key = ["field_id", "residue", "ready_week", "clear_week"]
    a, b = (
        g.lots.astype({"field_id": str, "village": str, "crop": str, "residue": str})
        .sort_values([*key, "mass_kg"]).reset_index(drop=True)
        for g in (one, other)
    )  # fmt: skip
    pd.testing.assert_frame_equal(a, b, check_exact=False, rtol=1e-12)
    assert one.calendar == other.calendar


@EASY
@given(seasons, st.floats(0, 0.8), st.floats(0.01, 0.15))
def test_more_cover_never_frees_more(rows, cover, more):
    less = run(rows, supply={"ground_cover": cover + more})
    more_free = run(rows, supply={"ground_cover": cover})
    if less is None:
        return
    assert less.chain["free_kg"].sum() <= more_free.chain["free_kg"].sum() * (1 + 1e-12)


@EASY
@given(seasons, st.floats(1.01, 2.0), st.sampled_from(["ratio", "ipcc_2006", "ipcc_2019"]))
def test_more_yield_never_frees_less(rows, factor, method):
    rows = [{**r, "yield_t_ha": r["yield_t_ha"] or 1.0} for r in rows]
    richer = [{**r, "yield_t_ha": r["yield_t_ha"] * factor} for r in rows]
    poor, rich = (run(r, supply={"ratio_method": method}) for r in (rows, richer))
    if poor is None:
        return
    a = poor.chain.set_index(["field_id", "residue"])["free_kg"]
    b = rich.chain.set_index(["field_id", "residue"])["free_kg"]
    assert (b >= a * (1 - 1e-12)).all()


@EASY
@given(seasons, st.floats(0.05, 1.0))
def test_half_the_land_gives_half(rows, factor):
    smaller = [{**r, "area_ha": r["area_ha"] * factor} for r in rows]
    whole, part = run(rows), run(smaller)
    if whole is None:
        assert part is None
        return
    np.testing.assert_allclose(part.chain["grown_kg"], whole.chain["grown_kg"] * factor, rtol=1e-9)
    np.testing.assert_allclose(part.chain["free_kg"], whole.chain["free_kg"] * factor, rtol=1e-9, atol=1e-12)


@EASY
@given(seasons, st.integers(1, 30))
def test_slower_drying_never_frees_more(rows, days):
    slow = Values.load({n: f.likely + days for n, f in VALUES.figures.items() if n.endswith(".drying_days")})
    try:
        late = residue_supply(fields(*rows), season(), slow)
    except NoPlanError:
        return
    soon = run(rows)
    assert late.chain["free_kg"].sum() <= soon.chain["free_kg"].sum() * (1 + 1e-12)


WAYS = {
    "residue_to_product": 1, "ratio_moisture": -1, "collectable_share": 1, "fodder_share": -1, "fuel_share": -1,
    "thatch_share": -1, "loss_week_field": -1, "loss_week_cover": -1, "drying_days": -1,
    "cover_coefficient_ha_kg": 1, "litter_kg_ha": 1, "dry_share": 1, "yield_t_ha": 1,
}  # fmt: skip


@pytest.mark.parametrize(("name", "way"), WAYS.items())
def test_every_figure_moves_supply_the_way_it_should(name, way):
    """Each figure of every crop a tenth up: no stream may move the wrong way, and some must move the right way."""
    raised = {n: f.likely * 1.1 for n, f in VALUES.figures.items() if n.endswith("." + name) and n.startswith("crop.")}
    raised = {n: min(x, 1.0) if VALUES.figure(n).unit == "share" else x for n, x in raised.items()}
    rows = [{"crop": c, "yield_t_ha": None, "clear_by": "2027-11-30"} for c in VALUES.crops()]
    before = residue_supply(fields(*rows), season(), VALUES).chain["free_kg"].to_numpy()
    after = residue_supply(fields(*rows), season(), Values.load(raised)).chain["free_kg"].to_numpy()
    assert (way * (after - before) >= -1e-9 * before).all()
    assert (way * (after - before) > 0).any()
