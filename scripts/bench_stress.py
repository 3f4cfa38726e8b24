"""How long a thousand replays of the demo season take.   python scripts/bench_stress.py [season folder] [replays]"""

from __future__ import annotations

import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from sourcing.plan import plan_season
from sourcing.season.barrel import barrel_rates
from sourcing.season.stress import by_cause, replay_season
from sourcing.season.works import season_work

DEMO = Path(__file__).resolve().parent.parent / "demo_maps" / "season"


def main(folder: Path, replays: int) -> None:
    plan = plan_season(folder, datetime.now(UTC))
    lots, settings, values = plan.supply.lots, plan.settings, plan.values
    pairs = [(str(c), str(r)) for c, r in lots[["crop", "residue"]].drop_duplicates().itertuples(index=False)]
    rates, _ = barrel_rates(pairs, settings, values, settings.supply.estimate)
    work = season_work(plan.site_weeks, plan.carries, rates, lots, plan.calendar, settings, values)
    print(
        f"{len(plan.fields.frame)} fields, {len(lots)} lots, {len(plan.site_table)} sites, {plan.calendar.count} weeks"
    )
    for count in (replays // 10, replays):
        chosen = settings.model_copy(update={"stress": settings.stress.model_copy(update={"replays": count})})
        args = (plan.site_weeks, plan.carries, rates, lots, work, plan.calendar, chosen, values)
        start = time.perf_counter()
        found = replay_season(*args)
        seconds, low = time.perf_counter() - start, found.season.loc["char_kg", "p10"]
        print(f"{count:6d} replays: {seconds:6.2f} s   char P10 {low:.0f} kg")
    start = time.perf_counter()
    by_cause(*args)
    print(f"every cause alone, {replays} replays shared out among them: {time.perf_counter() - start:.2f} s")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO, int(sys.argv[2]) if len(sys.argv) > 2 else 1000)
