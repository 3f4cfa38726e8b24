"""The itinerary against networkx's minimum-cost flow and by hand."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from sourcing.errors import UsageError
from sourcing.placement.itinerary import STORE, itinerary


def travel(points):
    """Cost between points (the last is the store), rounded up to whole numbers so that networkx is exact."""
    points = np.asarray(points, dtype=float)
    return np.ceil(np.linalg.norm(points[:, None] - points[None], axis=2))


def test_a_barrel_goes_on_to_the_nearer_site():
    """Two barrels come from the store (10 each); one goes on to the third site (1), the other waits."""
    cost = travel([[10, 0], [0, 10], [10, 1], [0, 0]])
    trip = itinerary(np.array([[1, 0], [1, 1], [0, 1]]), cost)
    assert trip.cost == pytest.approx(21, abs=1e-6)
    moves = list(zip(trip.week, trip.origin, trip.target, trip.barrels, strict=True))
    assert moves == [(0, STORE, 0, 1), (0, STORE, 1, 1), (1, 0, 2, 1)]


def test_waiting_at_a_site_may_be_cheaper_than_the_store():
    """Needed at the far site in weeks 0 and 2: the barrel waits there through week 1."""
    trip = itinerary(np.array([[1, 0, 1]]), travel([[7, 0], [0, 0]]))
    assert trip.cost == pytest.approx(7, abs=1e-6)
    assert trip.place.tolist() == [[0, 0, 0]]
    assert trip.works.tolist() == [[True, False, True]]


def test_the_cheapest_way_of_transport_is_taken():
    cart, truck = travel([[7, 0], [0, 0]]), travel([[7, 0], [0, 0]]) * 0 + 5
    trip = itinerary(np.array([[2]]), np.array([cart, truck]))
    assert (trip.cost, trip.mode.tolist()) == (pytest.approx(10, abs=1e-6), [1])


@pytest.mark.parametrize("seed", range(6))
def test_cost_equals_networkx_minimum_cost_flow(seed):
    """The whole network in time, every move allowed in every week, by networkx's network simplex."""
    draw = np.random.default_rng(seed)
    S, T = 4, 5
    y = draw.integers(0, 3, (S, T))
    cost = travel(draw.uniform(0, 30, (S + 1, 2)))
    standing = draw.integers(0, 2, S)
    fleet = max(int(y.sum(axis=0).max()), int(standing.sum())) + int(draw.integers(0, 2))
    g = nx.DiGraph()
    begin = np.r_[standing, fleet - standing.sum()]
    for p in range(S + 1):
        g.add_node(("in", p, -1), demand=-int(begin[p]))
        for t in range(T):
            must = int(y[p, t]) if p < S else 0
            g.add_node(("in", p, t), demand=must)
            g.add_node(("out", p, t), demand=-must)
            g.add_edge(("in", p, t), ("out", p, t), weight=0)
            for q in range(S + 1):
                source = ("out", q, t - 1) if t else ("in", q, -1)
                g.add_edge(source, ("in", p, t), weight=int(cost[q, p]))
        g.add_edge(("out", p, T - 1), "end", weight=0)
    g.add_node("end", demand=fleet)
    assert itinerary(y, cost, standing, fleet).cost == pytest.approx(nx.min_cost_flow_cost(g), abs=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_every_barrel_is_somewhere_and_works_as_planned(seed):
    draw = np.random.default_rng(seed)
    y = draw.integers(0, 4, (6, 8))
    trip = itinerary(y, travel(draw.uniform(0, 30, (7, 2))))
    for t in range(8):
        assert np.bincount(trip.place[trip.works[:, t], t], minlength=6).tolist() == y[:, t].tolist()
    moved = (np.diff(np.c_[np.full(len(trip.place), STORE), trip.place], axis=1) != 0).sum()
    assert moved == trip.barrels.sum()


def test_too_small_a_fleet_is_refused():
    with pytest.raises(UsageError, match=r"3 barrels.*has 2"):
        itinerary(np.array([[3]]), np.zeros((2, 2)), fleet=2)
    with pytest.raises(UsageError, match="shape"):
        itinerary(np.array([[3]]), np.zeros((3, 3)))
