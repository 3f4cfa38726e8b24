"""The array door against published optima: p-median and capacitated warehouse location.

Source: J. E. Beasley, OR-Library; pmed1-40 (European Journal of Operational Research 21, 1985, 270-273) and cap41-134
(European Journal of Operational Research 33, 1988, 387-399). Files and optima are read from the shared data.
"""

from __future__ import annotations

import re
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import shortest_path

from sourcing.placement.check import check
from sourcing.placement.instance import Instance, Wishes
from sourcing.placement.solve import solve

FACILITY = Path(__file__).resolve().parents[3] / "shared" / "data" / "facility"
needs_data = pytest.mark.skipif(not FACILITY.is_dir(), reason="the shared facility data is not here")
CAPS = sorted(p.stem for p in FACILITY.glob("cap[0-9]*.txt")) or ["cap41"]


def season(mass, cost, hours, weeks=1, **more):
    """Customers as lots (one class a week, demand `mass`), warehouses as sites, `cost` a kg of shape (L, S)."""
    L, S = cost.shape
    lots = np.tile(np.arange(L), weeks)
    lot, site = np.meshgrid(np.arange(L * weeks), np.arange(S), indexing="ij")
    return Instance(
        lot_mass_kg=np.tile(mass, weeks), lot_class=np.repeat(np.arange(weeks), L),
        class_first=np.arange(weeks), class_last=np.arange(weeks), class_hours_per_kg=np.ones(weeks),
        class_value_per_kg=np.zeros(weeks), class_char_per_kg=np.ones(weeks), class_loss_week=np.zeros(weeks),
        arc_lot=lot.ravel(), arc_site=site.ravel(), arc_cost_per_kg=cost[lots].ravel(),
        arc_hours_per_kg=np.zeros(L * S * weeks), site_village=np.zeros(S), site_hours=np.tile(hours[:, None], weeks),
        **{"site_open_cost": np.zeros(S), "site_least": np.ones(S), "site_most": np.ones(S), "fleet": np.full(weeks, S),
           "goal": "clear", "clear_share": 1.0} | more,
    )  # fmt: skip


def read_pmed(name):
    numbers = (FACILITY / f"{name}.txt").read_text().split()
    n, m, p = (int(v) for v in numbers[:3])
    edges = np.array(numbers[3 : 3 + 3 * m], dtype=int).reshape(m, 3)
    length = {}
    for a, b, c in edges:
        length[min(a, b) - 1, max(a, b) - 1] = c  # the last cost of a repeated edge wins
    ends = np.array(list(length))
    graph = csr_matrix((list(length.values()), (ends[:, 0], ends[:, 1])), shape=(n, n))
    return shortest_path(graph, directed=False), p


def read_cap(name):
    numbers = (FACILITY / f"{name}.txt").read_text().split()
    m, n = int(numbers[0]), int(numbers[1])
    sites = np.array(numbers[2 : 2 + 2 * m], dtype=float).reshape(m, 2)
    rest = np.array(numbers[2 + 2 * m :], dtype=float).reshape(n, m + 1)
    demand, whole_cost = rest[:, 0], rest[:, 1:]  # a cost is for the customer's whole demand
    return demand, whole_cost / demand[:, None], sites[:, 0], sites[:, 1]


def optimum(file, name):
    return float(re.search(rf"^{name}\s+([\d.]+)", (FACILITY / file).read_text(), re.M).group(1))


@needs_data
@pytest.mark.parametrize("name", [f"pmed{i}" for i in range(1, 11)])
def test_p_median(name):
    distance, p = read_pmed(name)
    n = len(distance)
    it = season(np.ones(n), distance, np.full(n, float(n)), wishes=Wishes(sites_least=p, sites_most=p))
    plan = solve(it, gap=1e-6, seconds=120)
    assert plan.status == "optimal"
    assert plan.value == pytest.approx(optimum("pmedopt.txt", name), abs=1e-4)
    assert plan.opened.sum() == p
    assert check(it, plan) == []


@needs_data
@pytest.mark.parametrize("name", CAPS)
def test_capacitated_warehouse(name):
    demand, cost, capacity, opening = read_cap(name)
    it = season(demand, cost, capacity, site_open_cost=opening)
    plan = solve(it, gap=1e-7, seconds=60)
    assert plan.value == pytest.approx(optimum("capopt.txt", name), abs=2e-3)
    assert plan.status == "optimal"
    assert check(it, plan) == []


@needs_data
@pytest.mark.parametrize("weeks", [2, 3])
def test_equal_weeks_multiply_the_optimum(weeks):
    """Opening charged weekly (as a cost a barrel-week), moves free: T equal weeks cost T times one."""
    demand, cost, capacity, opening = read_cap("cap71")
    it = season(demand, cost, capacity, weeks=weeks, barrel_week_cost=opening)
    plan = solve(it, gap=1e-7, seconds=60)
    assert plan.value == pytest.approx(weeks * optimum("capopt.txt", "cap71"), rel=1e-7)
    assert check(it, plan) == []


def spopt_tools():
    """spopt warns on import of things that are not ours."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pulp = pytest.importorskip("pulp")
        locate = pytest.importorskip("spopt.locate")
    return pulp, locate


@pytest.mark.parametrize("seed", range(3))
def test_spopt_agrees_on_p_median(seed):
    """spopt (the PySAL library for location models), p-median from a cost matrix."""
    pulp, locate = spopt_tools()
    draw = np.random.default_rng(seed)
    points, p = draw.uniform(0, 100, (30, 2)), 4
    cost = np.linalg.norm(points[:, None] - points[None, :12], axis=2)
    demand = draw.integers(1, 20, 30).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = locate.PMedian.from_cost_matrix(cost, demand, p_facilities=p).solve(pulp.HiGHS(msg=False))
    it = season(demand, cost, np.full(12, demand.sum()), wishes=Wishes(sites_least=p, sites_most=p))
    plan = solve(it, gap=1e-9)
    assert plan.value == pytest.approx(other.problem.objective.value(), rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_spopt_agrees_on_maximal_cover(seed):
    """spopt, maximal covering: the most demand within a radius of p sites; ours with arcs within the radius only."""
    pulp, locate = spopt_tools()
    draw = np.random.default_rng(seed)
    points, p, radius = draw.uniform(0, 100, (40, 2)), 3, 18.0
    cost = np.linalg.norm(points[:, None] - points[None, :15], axis=2)
    demand = draw.integers(1, 20, 40).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = locate.MCLP.from_cost_matrix(cost, demand, service_radius=radius, p_facilities=p)
        other = model.solve(pulp.HiGHS(msg=False))
    near = np.argwhere(cost <= radius)
    none = np.zeros(len(near))
    whole = season(demand, cost, np.full(15, demand.sum()), wishes=Wishes(sites_most=p), goal="mix", weights=(0, 0, 1))
    it = replace(whole, arc_lot=near[:, 0], arc_site=near[:, 1], arc_cost_per_kg=none, arc_hours_per_kg=none)
    plan = solve(it, gap=1e-9)
    assert plan.value == pytest.approx(other.problem.objective.value(), rel=1e-6)
    assert check(it, plan) == []
