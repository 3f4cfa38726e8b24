"""Measures the shortest paths of `sourcing.network.reach` beside networkx and scipy, on one generated path network.

    python3 scripts/bench_paths.py            the comparison at 100,000 nodes, and growth up to a million
    python3 scripts/bench_paths.py --quick    10,000 nodes only

Prints milliseconds a site for a budget of 2 km, how many times faster than each other way, whether the answers are
the same to the last bit, and the exponents with which time and memory grow (1 = linearly).
"""

import argparse
import json
import resource
import time
from pathlib import Path

import networkx as nx
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra

from sourcing.network.reach import Arcs, search_from_nodes

BUDGET_M = 2000.0
SPACING_M = 165.0


def footpaths(count, seed=1):
    """A footpath network of about `count` nodes: a shaken grid of 165 m with one link in thirty missing."""
    rng = np.random.default_rng(seed)
    side = round(count**0.5)
    xy = SPACING_M * (
        np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1) + rng.uniform(-0.3, 0.3, (side, side, 2))
    )
    node = np.arange(side * side).reshape(side, side)
    u = np.concatenate([node[:, :-1].ravel(), node[:-1].ravel()])
    v = np.concatenate([node[:, 1:].ravel(), node[1:].ravel()])
    keep = rng.random(len(u)) > 1 / 30
    u, v = u[keep], v[keep]
    flat = xy.reshape(-1, 2)
    length = np.hypot(*(flat[u] - flat[v]).T) * rng.uniform(1.0, 1.15, len(u))
    return side * side, u, v, length


def as_arcs(n, u, v, length):
    arcs, order = Arcs.build(n, np.concatenate([u, v]), np.concatenate([v, u]))
    return arcs, np.concatenate([length, length])[order]


def timed(work, times=1):
    """Least wall-clock and least processor seconds of a few runs, and the last answer."""
    wall, cpu, out = [], [], None
    for _ in range(times):
        begin, spent = time.perf_counter(), time.process_time()
        out = work()
        wall.append(time.perf_counter() - begin)
        cpu.append(time.process_time() - spent)
    return min(wall), min(cpu), out


def read_out(matrix, sites):
    """scipy's distances on the whole graph, and which nodes were reached."""
    dense = dijkstra(matrix, indices=sites, limit=BUDGET_M)
    return dense, np.nonzero(np.isfinite(dense))


def compare(nodes, site_counts, checks):
    n, u, v, length = footpaths(nodes)
    arcs, weight = as_arcs(n, u, v, length)
    rng = np.random.default_rng(2)
    cold, *_ = timed(lambda: search_from_nodes(arcs, weight, np.array([0]), 100.0))
    print(f"{n:,} nodes, {len(u):,} edges, budget {BUDGET_M:g} m; loading or compiling the loop once: {cold:.2f} s")
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_weighted_edges_from(zip(u.tolist(), v.tolist(), length.tolist(), strict=True))
    matrix = csr_array((np.concatenate([length] * 2), (np.concatenate([u, v]), np.concatenate([v, u]))), shape=(n, n))
    rows = []
    for count in site_counts:
        sites = rng.choice(n, count, replace=False)
        ours = timed(lambda sites=sites: search_from_nodes(arcs, weight, sites, BUDGET_M), 5)
        some, few, many = sites[:checks], sites[: max(checks // 2, 20)], sites[:500]
        theirs = timed(
            lambda some=some: [nx.single_source_dijkstra_path_length(graph, int(s), cutoff=BUDGET_M) for s in some], 2
        )
        whole = timed(lambda many=many: read_out(matrix, many), 2)
        singly = timed(lambda few=few: [read_out(matrix, [s]) for s in few], 2)
        found = ours[2]
        for k, expected in enumerate(theirs[2]):
            mine = found.start == k
            got = dict(zip(found.node[mine].tolist(), found.weight[mine].tolist(), strict=True))
            assert got == expected, "networkx disagrees"
        for k, expected in enumerate(whole[2][0]):
            mine = found.start == k
            assert np.isfinite(expected).sum() == mine.sum(), "scipy disagrees"
            assert np.allclose(expected[found.node[mine]], found.weight[mine]), "scipy disagrees"
        ways = {"ours": (ours, count), "networkx": (theirs, len(some)), "scipy, 500 at once": (whole, len(many)),
                "scipy, one by one": (singly, len(few))}  # fmt: skip
        print(f"  {count:,} sites, {len(found.node) / count:.0f} nodes within reach of each; the same answers")
        for name, (spent, done) in ways.items():
            wall, cpu = (1000 * s / done for s in spent[:2])
            times = f"{wall / (1000 * ours[0] / count):5.1f} / {cpu / (1000 * ours[1] / count):5.1f} times ours"
            print(f"    {name:20} {wall:.4f} ms a site by the clock, {cpu:.4f} of processor; {times}")
            rows.append({"nodes": n, "sites": count, "way": name, "wall_ms": wall, "cpu_ms": cpu})
    return rows


def growth(sizes, sites_list):
    """Exponents: time over sites at a fixed network, time over nodes at fixed sites, memory over answers."""
    rows = []
    n, u, v, length = footpaths(100_000)
    arcs, weight = as_arcs(n, u, v, length)
    rng = np.random.default_rng(3)
    for count in sites_list:
        sites = rng.choice(n, count, replace=False)
        seconds, _, found = timed(lambda sites=sites: search_from_nodes(arcs, weight, sites, BUDGET_M), 3)
        held = sum(a.nbytes for a in (found.start, found.node, found.weight, found.length_m))
        rows.append({"sites": count, "seconds": seconds, "answers": len(found.node), "bytes": held})
        print(f"  {count:6,} sites: {seconds:.3f} s, {len(found.node):,} answers, {held / 1e6:.1f} MB")
    x = np.log([r["sites"] for r in rows])
    by_sites = np.polyfit(x, np.log([r["seconds"] for r in rows]), 1)[0]
    memory = np.polyfit(np.log([r["answers"] for r in rows]), np.log([r["bytes"] for r in rows]), 1)[0]
    print(f"  time grows with sites to the power {by_sites:.2f}, memory with answers to the power {memory:.2f}")
    sized = []
    for nodes in sizes:
        n, u, v, length = footpaths(nodes)
        made, _, (arcs, weight) = timed(lambda g=(n, u, v, length): as_arcs(*g))
        sites = np.random.default_rng(4).choice(n, n // 100, replace=False)
        seconds, *_ = timed(lambda a=arcs, w=weight, s=sites: search_from_nodes(a, w, s, BUDGET_M), 3)
        sized.append({"nodes": n, "sites": len(sites), "seconds": seconds, "sorting_s": made})
        print(f"  {n:9,} nodes, {len(sites):6,} sites (1 in 100): {seconds:.3f} s, rows sorted in {made:.2f} s")
    power = np.polyfit(np.log([r["nodes"] for r in sized]), np.log([r["seconds"] for r in sized]), 1)[0]
    print(f"  time grows with the network, one site a hundred nodes, to the power {power:.2f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  most memory of the whole run: {peak:.0f} MB")
    return {"by_sites": by_sites, "memory": memory, "by_nodes": power, "rows": rows, "sized": sized, "peak_mb": peak}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="10,000 nodes only")
    parser.add_argument("--json", type=Path, help="also write the figures here")
    args = parser.parse_args()
    if args.quick:
        out = {"compare": compare(10_000, [100], 50)}
    else:
        out = {
            "compare": compare(100_000, [500, 5000], 200),
            "growth": growth([10_000, 30_000, 100_000, 300_000, 1_000_000], [500, 1000, 2000, 5000, 10_000, 20_000]),
        }
    if args.json:
        args.json.write_text(json.dumps(out, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
