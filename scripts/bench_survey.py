"""Times the intake of surveys: read, clean, accept into a history, and accept a changed survey after it.

    python scripts/bench_survey.py 10000 100000 1000000
    python scripts/bench_survey.py 10000 100000 --database postgresql://user@host/database?schema=bench

With several counts it says how the time grows: 1.00 is as the number of fields does. Peak memory is the process's own,
so counts go from small to large.
"""

import argparse
import resource
import sys
import tempfile
import time
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from sourcing.intake.book import HISTORY_FILE, open_history
from sourcing.intake.fields import clean_fields
from sourcing.intake.history import accept, fields_today
from sourcing.intake.survey import read_survey
from sourcing.settings import settings_from
from sourcing.values import Values

CORNERS = 8


def write(path, count, changed):
    """Fields as uneven eight-cornered shapes on a grid; `changed`: a tenth with another crop, a tenth redrawn."""
    random = np.random.default_rng(1)
    at = np.arange(count)
    side = int(np.ceil(count**0.5))
    turn = np.linspace(0, 2 * np.pi, CORNERS, endpoint=False)
    reach = 0.0003 + 0.00015 * random.random((count, CORNERS))
    lon = 30 + (at % side)[:, None] * 0.001 + reach * np.cos(turn)
    lat = -15 + (at // side)[:, None] * 0.001 + reach * np.sin(turn)
    crop = random.choice(["mealies", "Jowar", "kapas", "tur"], count)
    if changed:
        crop[: count // 10] = "kapas"
        lon[count // 2 : count // 2 + count // 10] += 1e-5
    data = {"field_id": [f"f{i}" for i in at], "crop": crop, "village": [f"V{i % 300}" for i in at]}
    shapes = shapely.polygons(np.stack([lon, lat], axis=2))
    dates = {"harvest_start": "2027-04-20", "harvest_end": "2027-05-10"}
    gpd.GeoDataFrame({**data, **dates}, geometry=shapes, crs="EPSG:4326").to_parquet(path)


def take(folder, place, name, values):
    """Reads, cleans and accepts one survey; returns the seconds of each and the changes."""
    settings = settings_from({"layers": {"fields": {"file": name}}})
    times = [time.perf_counter()]
    survey = read_survey(folder, settings)
    times.append(time.perf_counter())
    fields = clean_fields(survey, settings, values)
    times.append(time.perf_counter())
    with open_history(place) as book:
        changes = accept(book, survey, fields, folder, datetime(2027, 5, 1), "bench")
    times.append(time.perf_counter())
    return np.diff(times), changes


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("counts", nargs="*", type=int, default=[10_000], help="numbers of fields")
    parser.add_argument("--database", default="", help="an empty schema of a PostGIS in place of the file")
    asked = parser.parse_args()
    values = Values.load()
    totals = {}
    print("fields, survey, read [s], clean [s], accept and compare [s], processor [s], peak memory [GB], changes")
    for count in asked.counts:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            place = f"{asked.database}_{count}" if asked.database else folder / HISTORY_FILE
            for turn, changed in ((1, False), (2, True)):
                write(folder / f"{turn}.parquet", count, changed)
                worked = time.process_time()
                (read, clean, accepted), changes = take(folder, place, f"{turn}.parquet", values)
                peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
                told = changes.relation.value_counts().to_dict()
                totals[count] = time.process_time() - worked
                seconds = f"{read:.1f}, {clean:.1f}, {accepted:.1f}, {totals[count]:.1f}"
                print(f"{count}, {turn}, {seconds}, {peak:.2f}, {told}", flush=True)
            begun = time.perf_counter()
            with open_history(place) as book:
                size = len(fields_today(book).frame)
            print(f"{count}: fields of today read in {time.perf_counter() - begun:.1f} s ({size})", flush=True)
    for small, large in pairwise(sorted(totals)):
        power = np.log(totals[large] / totals[small]) / np.log(large / small)
        print(f"from {small} to {large} fields: processor time grows with the power {power:.2f} of their number")


if __name__ == "__main__":
    main()
