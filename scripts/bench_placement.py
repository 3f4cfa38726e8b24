"""The placement room and the plain model, side by side, on invented landscapes.

    python scripts/bench_placement.py                       # all sizes, about an hour and a half on two cores
    python scripts/bench_placement.py --upto 5000           # the small ones
    python scripts/bench_placement.py --upto 20000 --only ours --rules everything

Plain: kg of each lot charred at each site in each week, handed to HiGHS directly (scripts/landscapes.py). Ours:
sourcing.placement.solve with a pool of as many threads as there are cores. Each run has a process of its own, so that
its peak memory can be told. Values are margins; a gap is (bound - value) / value, each model against its own bound.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from scripts.landscapes import landscape, plain_model
from sourcing.placement import check, engine, solve
from sourcing.placement.model import linear_model

# fields, sites: gap asked of ours [share] and seconds allowed, bare; then the same with everything on
SIZES = {
    (2000, 30): ((0.005, 60), (0.01, 60)),
    (5000, 60): ((0.005, 120), (0.01, 180)),
    (20000, 200): ((0.01, 180), (0.02, 400)),
    (100000, 1000): ((0.02, 900), (0.03, 1800)),
}
PLAIN_GAP, PLAIN_UPTO = 0.01, 5000


def ours(fields: int, sites: int, scarce: bool, everything: bool, seed: int, _: float) -> dict:
    it = landscape(fields, sites, scarce=scarce, everything=everything, seed=seed)
    gap, seconds = SIZES[fields, sites][everything]
    steps = []
    began = time.monotonic()
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        plan = solve(it, gap=gap, seconds=seconds, seed=1, map=pool.map,
                     progress=lambda *step: steps.append((step[0], time.monotonic() - began)))  # fmt: skip
    spent = time.monotonic() - began
    relaxed = next((t for name, t in steps if name == "relaxed"), None)
    return {"seconds": spent, "value": plan.value, "bound": plan.bound, "gap": plan.gap, "status": plan.status,
            "relaxed": relaxed, "faults": len(check(it, plan))}  # fmt: skip


def plain(fields: int, sites: int, scarce: bool, everything: bool, seed: int, seconds: float) -> dict:
    it = landscape(fields, sites, scarce=scarce, everything=everything, seed=seed)
    began = time.monotonic()
    cost, lower, upper, whole, matrix, low, high = plain_model(it)
    model = replace(linear_model(cost, lower, upper, matrix, low, high), whole=whole)
    found = engine.run(model, seconds=seconds, gap=PLAIN_GAP)
    spent = time.monotonic() - began
    value, bound = -found.objective, -found.bound
    gap = (bound - value) / abs(value) if np.isfinite([value, bound]).all() and value else np.inf
    return {"seconds": spent, "value": value, "bound": bound, "gap": gap, "status": found.end, "relaxed": None,
            "faults": 0, "columns": model.shape[1]}  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--upto", type=int, default=100_000, help="most fields")
    parser.add_argument("--only", choices=("plain", "ours"))
    parser.add_argument("--rules", choices=("bare", "everything"))
    parser.add_argument("--plain-seconds", type=float, default=600, help="most seconds for the plain model")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--one", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        name, *numbers = json.loads(args.one)
        found = {"plain": plain, "ours": ours}[name](*numbers)
        found["mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(json.dumps(found))
        return
    head = f"{'fields/sites':>14} {'barrels':>7} {'rules':>10} {'model':>5} {'seconds':>8} {'relaxed':>8} {'MB':>6}"
    print(f"{head} {'value':>12} {'bound':>12} {'gap':>8}  status")
    for everything in (False, True):
        if args.rules and (args.rules == "everything") != everything:
            continue
        for fields, sites in SIZES:
            for scarce in (False, True):
                for name in ("plain", "ours"):
                    too_large = name == "plain" and fields > PLAIN_UPTO
                    if fields > args.upto or (args.only and name != args.only) or too_large:
                        continue
                    job = json.dumps([name, fields, sites, scarce, everything, args.seed, args.plain_seconds])
                    run = subprocess.run([sys.executable, __file__, "--one", job], capture_output=True, text=True)
                    label = f"{fields}/{sites}".rjust(14) + f" {'scarce' if scarce else 'ample':>7}"
                    label += f" {'everything' if everything else 'bare':>10} {name:>5}"
                    if run.returncode:
                        print(label, "failed:", run.stderr.strip().splitlines()[-1])
                        continue
                    r = json.loads(run.stdout)
                    relaxed = f"{r['relaxed']:8.1f}" if r["relaxed"] else " " * 8
                    faults = f", {r['faults']} faults" if r["faults"] else ""
                    print(f"{label} {r['seconds']:8.1f} {relaxed} {r['mb']:6.0f} {r['value']:12.1f} {r['bound']:12.1f} "
                          f"{r['gap']:8.3%}  {r['status']}{faults}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
