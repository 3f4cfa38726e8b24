"""What must hold of every replay."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.season.stress import CAUSES, _first_come, _triangle, replay_season
from sourcing.season.works import season_work
from sourcing.values import Values
from tests.unit.season_of_work import CALENDAR, placed, season

VALUES = Values.load()


@settings(max_examples=12, deadline=None)
@given(st.lists(st.floats(0, 1), min_size=10, max_size=10), st.sets(st.sampled_from(CAUSES)), st.integers(0, 99))
def test_percentiles_in_order_and_plan_reached_without_chance(shares, causes, seed):
    chosen = season(stress={"replays": 40, "seed": seed})
    weeks, carries, rates, lots = placed(VALUES, chosen)
    for name in ("taken_kg", "mass_kg", "carry_h", "cost"):
        carries[name] = carries[name] * shares
    work = season_work(weeks, carries, rates, lots, CALENDAR, chosen, VALUES)
    found = replay_season(weeks, carries, rates, lots, work, CALENDAR, chosen, VALUES, causes=sorted(causes))
    assert (found.season["p10"] <= found.season["p50"] + 1e-9).all()
    assert (found.season["p50"] <= found.season["p90"] + 1e-9).all()
    assert found.chances["chance"].between(0, 1).all()
    assert (found.char_kg >= 0).all()
    if not causes:
        for name in ("residue_kg", "char_kg", "margin"):
            assert found.season.loc[name, "mean"] == pytest.approx(found.season.loc[name, "plan"], rel=1e-8, abs=1e-6)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 3), st.floats(0, 100), st.floats(0.01, 5)), min_size=1, max_size=12),
    st.lists(st.floats(0, 200), min_size=4, max_size=4),
)
def test_first_come_never_passes_the_room_and_leaves_none_unused(groups, room):
    groups = sorted(groups, key=lambda g: g[0])
    site = np.array([g[0] for g in groups])
    wanted = np.array([[g[1] for g in groups]])
    each = np.array([g[2] for g in groups])
    room = np.array([room])
    done = _first_come(wanted, each, room, site)
    assert (done <= wanted + 1e-9).all()
    assert (done >= 0).all()
    for s in range(4):
        here = site == s
        spent, need = (done * each)[0, here].sum(), (wanted * each)[0, here].sum()
        assert spent == pytest.approx(min(need, room[0, s]), abs=1e-6)


@settings(max_examples=50, deadline=None)
@given(st.floats(0, 1), st.floats(1, 4), st.integers(0, 1000))
def test_the_triangle_stays_between_its_ends(low, high, seed):
    draw = np.random.default_rng(seed).random((500, 1))
    found = _triangle(draw, np.array([low]), np.array([high]))
    assert (found >= low - 1e-9).all()
    assert (found <= high + 1e-9).all()
    if high > low + 0.1:
        assert found.mean() == pytest.approx((low + 1 + high) / 3, abs=0.12 * (high - low) + 1e-6)
