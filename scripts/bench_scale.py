"""How planning grows with the land: a made-up register of fields, planned in tiles and regions.

    python scripts/bench_scale.py 10000 100000 --workers 1 2 --into FOLDER

For each number of fields and of workers: seconds of the land stages and of the placement, the most memory that each
process held, the proven gap, and a mark of the plan, the same for the same plan; at the end how time grows from one
size to the next. The register is drawn from a seed (see `register` below), has crop codes but no survey and no yields
of its own, and lies in a folder of GeoParquet parts.
One residue a crop is collected, and each crop is harvested within three weeks, so a field has three or four lots; with
all residues and the long windows of a regional calendar it has over twenty, and takes as many times longer.
Registers are kept in FOLDER and made once. `--kill N` ends a worker at random every N seconds.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import math
import random
import resource
import shutil
import threading
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import psutil
import shapely

from sourcing.regions.cluster import hands
from sourcing.regions.state import place_state
from sourcing.regions.store import write_parts

FIELD_HA = 1.5
SHARE_FIELDS = 0.62
"""Share of the land that is fields; the rest is fallow, bush and houses."""
FIELDS_A_VILLAGE = 400
FIELDS_A_SITE = 100
CODES = {"MAI": "maize", "COT": "cotton", "SOR": "sorghum", "PIG": "pigeon_pea"}
SEASON = """
[season]
name = "Made-up register of {fields} fields"
region = "southern_africa"
first_day = 2027-04-05
last_day = 2027-11-28

[layers.fields]
file = "register"
columns = {{ crop = "code" }}
fixed = {{ estimated = "yes" }}

[layers.villages]
file = "villages.parquet"

[crop_names]
MAI = "maize"
COT = "cotton"
SOR = "sorghum"
PIG = "pigeon_pea"

[supply]
residues = ["maize/stalk", "cotton/stalk", "sorghum/stalk", "pigeon_pea/stalk"]

[crops.maize]
harvest_start = "04-26"
harvest_end = "05-16"

[crops.sorghum]
harvest_start = "05-17"
harvest_end = "06-06"

[crops.cotton]
harvest_start = "06-14"
harvest_end = "07-04"

[crops.pigeon_pea]
harvest_start = "07-26"
harvest_end = "08-15"

[carrying]
max_distance_m = 1500

[sites]
spacing_m = 800
most_places = {sites}

[fleet]
barrels = {barrels}

[placement]
seconds = {seconds}
gap = 0.03
"""


def register(fields: int, folder: Path, seconds: float, seed: int = 1) -> None:
    """A season folder with a register of so many fields, block by block, so that it is never held whole."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "register").mkdir(parents=True)
    draw = np.random.default_rng(seed)
    cell = math.sqrt(FIELD_HA * 1e4 / SHARE_FIELDS)
    across = math.ceil(math.sqrt(fields))
    block = 140  # cells; a block's side
    crs = "+proj=tmerc +lat_0=-14.5 +lon_0=31 +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m"
    left, part = fields, 0
    for row in range(0, across, block):
        for column in range(0, across, block):
            x, y = (m.ravel() for m in np.meshgrid(
                np.arange(column, min(column + block, across)), np.arange(row, min(row + block, across))
            ))  # fmt: skip
            x, y = x[:left], y[:left]
            left -= len(x)
            if not len(x):
                continue
            middle = (np.column_stack([x, y]) - across / 2 + draw.uniform(0.35, 0.65, (len(x), 2))) * cell
            area = np.minimum(draw.lognormal(math.log(FIELD_HA) - 0.12, 0.5, len(x)), 2.2) * 1e4
            wide = np.sqrt(area * draw.uniform(0.6, 1.6, len(x)))
            half = np.column_stack([wide, area / wide]) / 2
            half = np.minimum(half, 0.49 * cell)
            low, high = middle - half, middle + half
            shapes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
            code = draw.choice(list(CODES), len(x), p=[0.4, 0.25, 0.2, 0.15])
            frame = gpd.GeoDataFrame({"code": code}, geometry=shapes, crs=crs).to_crs(4326)
            write_parts(frame, folder / "register", f"block-{part:05d}")
            part += 1
    villages = max(fields // FIELDS_A_VILLAGE, 2)
    side = math.ceil(math.sqrt(villages))
    at = np.array([(i, j) for i in range(side) for j in range(side)], dtype=float)[:villages]
    at = ((at + draw.uniform(0.2, 0.8, at.shape)) / side - 0.5) * across * cell
    names = [f"Village {k:05d}" for k in range(villages)]
    points = gpd.GeoDataFrame({"name": names}, geometry=shapely.points(at), crs=crs).to_crs(4326)
    points.to_parquet(folder / "villages.parquet")
    text = SEASON.format(fields=fields, sites=max(fields // FIELDS_A_SITE, 4), barrels=max(fields // 40, 4),
                         seconds=seconds)  # fmt: skip
    (folder / "season.toml").write_text(text, encoding="utf-8")


class Watch:
    """Most memory that this process and each worker held [MB], and, if asked for, an end of workers at random."""

    def __init__(self, kill_every: float) -> None:
        self.most: dict[int, float] = {}
        self.killed = 0
        self.kill_every, self.done = kill_every, False
        self.thread = threading.Thread(target=self.look, daemon=True)

    def workers(self) -> list[psutil.Process]:
        """Processes of this one that do its work."""
        found = psutil.Process().children(recursive=True)
        return [p for p in found if p.is_running() and "spawn_main" in " ".join(p.cmdline())]

    def look(self) -> None:
        last = time.monotonic()
        while not self.done:
            for process in [psutil.Process(), *psutil.Process().children(recursive=True)]:
                try:
                    held = process.memory_info().rss / 1e6
                except psutil.Error:
                    continue
                self.most[process.pid] = max(self.most.get(process.pid, 0.0), held)
            if self.kill_every and time.monotonic() - last > self.kill_every:
                last = time.monotonic()
                try:
                    victims = self.workers()
                    if victims:
                        random.choice(victims).kill()
                        self.killed += 1
                except psutil.Error:
                    pass
            time.sleep(0.5)


def measure(folder: Path, workers: int, kill_every: float, fresh: bool) -> dict[str, object]:
    """One run: times, memory, gap."""
    if fresh:
        shutil.rmtree(folder / "work", ignore_errors=True)
    watch = Watch(kill_every)
    stages: list[tuple[str, float]] = []
    with hands(workers) as many:
        watch.thread.start()
        began = time.monotonic()

        def tell(doing: str) -> None:
            name = doing.split(":")[0]
            if not stages or stages[-1][0] != name:
                stages.append((name, time.monotonic() - began))

        placed = place_state(folder, many, tell)
        spent = time.monotonic() - began
        watch.done = True
        watch.thread.join()
    placing = next(at for name, at in stages if name == "Placing the barrels")
    return {
        "workers": workers,
        "fields": placed.facts["fields"],
        "sites": len(placed.whole.sites.frame),
        "lots": placed.facts["lots"],
        "regions": len(placed.regions),
        "land_s": round(placing, 1),
        "placing_s": round(spent - placing, 1),
        "all_s": round(spent, 1),
        "value": round(placed.joint.value),
        "bound": round(placed.joint.bound),
        "gap": round(placed.joint.gap, 4),
        "rounds": placed.joint.rounds,
        "plan": hashlib.sha256(b"".join(p.barrels.tobytes() for p in placed.joint.plans)).hexdigest()[:12],
        "killed": watch.killed,
        "most_mb": sorted((round(v) for v in watch.most.values() if v > 100), reverse=True),
        "stages": [(n, round(t, 1)) for n, t in stages],
        "own_most_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3),
    }


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    words.add_argument("fields", type=int, nargs="+")
    words.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    words.add_argument("--into", type=Path, required=True)
    words.add_argument(
        "--seconds", type=float, default=0.0, help="for the placement; 0: 6 s for each 1,000 fields, at least 60"
    )
    words.add_argument("--kill", type=float, default=0.0)
    words.add_argument("--keep", action="store_true", help="go on from finished tiles")
    asked = words.parse_args()
    found = []
    for fields in asked.fields:
        folder = asked.into / f"register-{fields}"
        seconds = asked.seconds or max(60.0, fields * 6e-3)
        if not (folder / "season.toml").exists():
            register(fields, folder, seconds)
        for workers in asked.workers:
            result = measure(folder, workers, asked.kill, not asked.keep)
            found.append(result)
            print(json.dumps(result), flush=True)
    for workers in asked.workers:
        mine = sorted((r for r in found if r["workers"] == workers), key=lambda r: r["fields"])
        for one, two in itertools.pairwise(mine):
            for what in ("land_s", "all_s"):
                power = math.log(two[what] / one[what]) / math.log(two["fields"] / one["fields"])
                print(
                    f"{workers} workers, {one['fields']:,} to {two['fields']:,} fields: {what} grows as n^{power:.2f}"
                )


if __name__ == "__main__":
    main()
