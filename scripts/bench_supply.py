"""How fast supply is, how it grows, and how it compares with a plain loop over groups of a table.

    python scripts/bench_supply.py            10,000 to 1,000,000 fields, 52 weeks
    python scripts/bench_supply.py 200000     up to that many

Prints seconds, peak memory and the exponent of growth. The plain loop computes the same free residue by field,
residue and week with pandas groupby and apply on 10,000 fields; both totals are printed, and must agree.
"""

import math
import resource
import subprocess
import sys
import time
from types import SimpleNamespace

import numpy as np
import pandas as pd

from sourcing.residue.cover import cover_mass_kg_ha
from sourcing.residue.supply import residue_supply
from sourcing.settings import settings_from
from sourcing.values import Values

CROPS = ["maize", "cotton", "rice", "groundnut", "pigeon_pea", "sorghum", "soybean", "sunflower"]
PLAIN = 10_000


def make_fields(count: int, seed: int = 1) -> SimpleNamespace:
    """Invented fields: eight crops, harvests of one to six weeks over half a year, some without yield."""
    rng = np.random.default_rng(seed)
    crop = rng.integers(0, len(CROPS), count)
    start = np.datetime64("2027-01-04") + rng.integers(0, 215, count)
    end = start + rng.integers(6, 42, count)
    clear = (end + rng.integers(20, 120, count)).astype("datetime64[s]")
    clear[rng.random(count) < 0.1] = np.datetime64("NaT")
    frame = pd.DataFrame(
        {
            "row": np.arange(1, count + 1),
            "village": [f"village {v}" for v in rng.integers(0, max(count // 200, 1), count)],
            "crop": np.array(CROPS)[crop],
            "area_ha": rng.gamma(2.0, 0.3, count) + 0.02,
            "yield_t_ha": np.where(rng.random(count) < 0.3, np.nan, rng.uniform(0.4, 1.5, count)),
            "harvest_start": start.astype("datetime64[s]"),
            "harvest_end": end.astype("datetime64[s]"),
            "clear_by": clear,
            "share_promised": rng.uniform(0.5, 1.0, count),
            "estimated": False,
        },
        index=pd.Index([f"F{i}" for i in range(count)], name="field_id"),
    )
    names = frame["village"].unique()
    return SimpleNamespace(frame=frame, villages=pd.DataFrame({"name": names}, index=names))


def plain(fields: SimpleNamespace, values: Values, settings) -> float:
    """Free dry residue [kg], the straightforward way: a group a field, a loop over its residues and weeks."""

    def of_field(group: pd.DataFrame) -> float:
        f = group.iloc[0]
        crop = f["crop"]
        yield_t_ha = f["yield_t_ha"]
        if math.isnan(yield_t_ha):
            yield_t_ha = values[f"crop.{crop}.yield_t_ha"]
        rest = {}
        soil = could = 0.0
        for residue in values.residues(crop):
            base = f"crop.{crop}.{residue}"
            grown = f["area_ha"] * yield_t_ha * 1000 * values[f"{base}.residue_to_product"]
            if values.figure(f"{base}.residue_to_product").basis == "dry":
                grown *= values[f"crop.{crop}.dry_share"]
            else:
                grown *= 1 - values[f"{base}.ratio_moisture"]
            taken = grown * values[f"{base}.collectable_share"]
            rest[residue] = taken
            if values[f"{base}.serves_cover"]:
                soil += grown - taken
                could += taken
        coefficient = values[f"crop.{crop}.cover_coefficient_ha_kg"]
        litter = values[f"crop.{crop}.litter_kg_ha"] * values["supply.cover.litter_coefficient_ha_kg"] / coefficient
        need = max(float(cover_mass_kg_ha(settings.supply.ground_cover, coefficient)) - litter, 0) * f["area_ha"]
        share = min(max(need - soil, 0) / could, 1) if could else 0
        total = 0.0
        for residue, taken in rest.items():
            base = f"crop.{crop}.{residue}"
            free = taken * (1 - share * values[f"{base}.serves_cover"])
            free *= 1 - sum(values[f"{base}.{use}_share"] for use in ("fodder", "fuel", "thatch"))
            free *= f["share_promised"]
            lies = values[f"{base}.lies_in_field"]
            loss = values[f"{base}.loss_week_field" if lies else f"{base}.loss_week_cover"]
            days = values[f"{base}.drying_days"]
            harvest = pd.date_range(f["harvest_start"], f["harvest_end"])
            for _, week in pd.Series(1, index=harvest).groupby(pd.Grouper(freq="W-SUN")):
                cut = week.index.max()
                ready = cut + pd.Timedelta(days=math.ceil(days))
                ready_monday = ready - pd.Timedelta(days=ready.day_of_week)
                last = ready_monday if pd.isna(f["clear_by"]) else f["clear_by"]
                if pd.isna(f["clear_by"]) or ready_monday + pd.Timedelta(days=5) <= last:
                    total += free * len(week) / len(harvest) * (1 - loss) ** (days / 7)
        return total

    return float(fields.frame.groupby(level=0).apply(of_field).sum())


def one(count: int) -> None:
    """One measurement, in a process of its own, so that the peak of memory is its own."""
    values, settings = Values.load(), settings_from({"layers": {"fields": {"file": "none"}}})
    fields = make_fields(count)
    before = time.perf_counter()
    supply = residue_supply(fields, settings, values)
    seconds = time.perf_counter() - before
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(count, seconds, peak, len(supply.lots), supply.calendar.count, float(supply.lots["mass_kg"].sum()))


def main() -> None:
    most = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    sizes = [n for n in (10_000, 30_000, 100_000, 300_000, 1_000_000) if n <= most]
    print(f"{'fields':>10} {'lots':>11} {'weeks':>6} {'seconds':>8} {'peak GB':>8}")
    seconds = []
    for count in sizes:
        out = subprocess.run(
            [sys.executable, __file__, "--one", str(count)], capture_output=True, text=True, check=True
        ).stdout.split()
        seconds.append(float(out[1]))
        print(f"{count:>10} {int(out[3]):>11} {out[4]:>6} {float(out[1]):>8.2f} {float(out[2]):>8.2f}")
    if len(sizes) > 1:
        slope = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
        print(f"seconds grow as fields to the power {slope:.2f}")
    values, settings = Values.load(), settings_from({"layers": {"fields": {"file": "none"}}})
    fields = make_fields(PLAIN)
    before = time.perf_counter()
    ours = float(residue_supply(fields, settings, values).lots["mass_kg"].sum())
    own = time.perf_counter() - before
    before = time.perf_counter()
    theirs = plain(fields, values, settings)
    loop = time.perf_counter() - before
    print(f"{PLAIN} fields: columns {own:.2f} s, plain groupby/apply {loop:.1f} s, {loop / own:.0f} times")
    print(f"free dry residue: {ours:.3f} kg and {theirs:.3f} kg")
    if not math.isclose(ours, theirs, rel_tol=1e-9):
        raise SystemExit("the two ways disagree")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(int(sys.argv[2]))
    else:
        main()
