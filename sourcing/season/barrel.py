"""The barrel day: how long a batch takes, how many barrels a few tenders keep going, and what a kilo costs in hours.

A batch is filled, lit, charred (with a look-in now and then) and ended in one of two ways: quenched with water and
emptied at once, or sealed and left shut until it is cold. A day is a cyclic schedule of slots, each of one batch's
tending, handed round the barrels by the tenders in turn. All times are minutes; a barrel-hour is one barrel standing
one working hour, waiting included, so that barrel-hours a batch times batches never exceeds the working hours of the
placement.

The schedule. Let a batch occupy its barrel for `chain_min` = a and its tenders for `tend_min` = w. With k tenders and n
barrels a slot begins every w/k, and each barrel comes round every

    P = max(a, n w / k)

minutes. No schedule can be shorter (a barrel cannot do two batches in less than 2a, nor k tenders more work than there
is time), and this one is reached: in each slot a tender ends one batch, starts the next and makes one round of
look-ins, which is w of work in k slots of w/k. Every batch is ended in the slot at or after its time, so it is at most
w/k late.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import simpy

from sourcing.errors import NoPlanError, UsageError
from sourcing.settings import Settings
from sourcing.values import Estimate, Values

Ending = Literal["quench", "seal"]

MINUTES_AN_HOUR = 60.0
MINUTES_A_DAY = 1440.0
_TINY = 1e-9
"""Slack when whole batches are counted [share of a cycle], so that a batch that just fits is counted."""

_SLOW: dict[Estimate, Estimate] = {"low": "high", "likely": "likely", "high": "low"}
"""Times run against yields: the low estimate has the long times."""

RATE_COLUMNS = (
    "load_wet_kg", "load_kg", "char_minutes", "tend_minutes", "cycle_minutes", "batches_a_day", "batch_h",
    "hours_per_kg", "char_kg_per_kg", "tender_h_per_kg", "water_l_per_kg", "work_cost_per_kg", "char_form", "ending",
)  # fmt: skip
"""Columns of the table that :func:`barrel_rates` makes."""


@dataclass(frozen=True)
class BatchTimes:
    """The minutes of one batch in one barrel, all [min]."""

    fill: float
    light: float
    char: float
    check: float
    """One look-in of a tender."""
    checks: int
    """Look-ins while it chars."""
    end: float
    """Quenching, or putting the lid on and sealing it."""
    end_people: float
    """Tenders needed for the ending."""
    shut: float
    """Left shut after sealing; 0 after quenching."""
    empty: float

    @property
    def chain_min(self) -> float:
        """Shortest time a batch occupies its barrel [min]."""
        return self.until_ended_min + self.shut + self.empty

    @property
    def until_ended_min(self) -> float:
        """From the first armful to the end of the fire [min]."""
        return self.fill + self.light + self.char + self.end

    @property
    def tend_min(self) -> float:
        """Tenders' work a batch, each tender counted [min]."""
        return self.fill + self.light + self.check * self.checks + self.end * self.end_people + self.empty


@dataclass(frozen=True)
class BarrelDay:
    """A day of like batches at one site."""

    times: BatchTimes
    barrels: int
    tenders: int
    cycle_min: float
    """A barrel comes round every so many minutes [min]."""
    slot_min: float
    """A tender is free for the next barrel every so many minutes [min]."""
    span_min: float
    """From the first armful to an empty barrel, waiting for a tender included: at most this long [min]."""
    batches_by_barrel: tuple[float, ...]
    """Batches a day of each barrel, in the order in which they are lit; whole unless batches run over several days."""

    @property
    def batches(self) -> float:
        """Batches of the site a day."""
        return sum(self.batches_by_barrel)


@dataclass(frozen=True)
class DayTask:
    """One bar of the chart of a site's day; `start_min` and `end_min` count from the start of the work [min]."""

    barrel: int
    batch: int
    """From 0; -1 is the last of the day before."""
    task: Literal["fill", "light", "char", "quench", "seal", "shut", "empty"]
    start_min: float
    end_min: float
    tender: int
    """Which tender, from 0; -1 where nobody is needed."""


@dataclass(frozen=True)
class Interference:
    """Machines that stop at random and wait for a few repairers, in the long run (finite-source queue, exact)."""

    probabilities: tuple[float, ...]
    """Chance that exactly n machines are down, n = 0 … machines."""
    waiting: float
    """Mean number waiting for a repairer."""
    down: float
    """Mean number down, waiting or in repair."""
    running: float
    stops_per_h: float
    """Stops of all machines together [1/h]."""
    wait_h: float
    """Mean wait for a repairer [h]."""
    down_h: float
    """Mean time from stop to running again [h]."""


def interference(machines: int, repairers: int, up_h: float, repair_h: float) -> Interference:
    """The finite-source queue M/M/c//N, exactly.

    `machines` N run for a mean of `up_h` [h] between stops, `repairers` c each mend one in a mean of `repair_h` [h],
    all times exponential. The chances follow from balance between neighbouring states,
    p(n+1) min(n+1, c) / repair_h = p(n) (N - n) / up_h (Palm's machine interference; any queueing text).
    Raises UsageError for counts below one or times that are not positive.
    """
    if machines < 1 or repairers < 1 or not (up_h > 0 and repair_h > 0):
        raise UsageError(
            f"machine interference needs at least one machine and repairer and positive times, not {machines}, "
            f"{repairers}, {up_h} h, {repair_h} h"
        )
    weight = [1.0]
    for down in range(machines):
        rate = (machines - down) / up_h * repair_h / min(down + 1, repairers)
        weight.append(weight[-1] * rate)
    total = math.fsum(weight)
    p = tuple(x / total for x in weight)
    mean_down = math.fsum(n * x for n, x in enumerate(p))
    waiting = math.fsum((n - repairers) * x for n, x in enumerate(p) if n > repairers)
    running = machines - mean_down
    stops = running / up_h
    return Interference(p, waiting, mean_down, running, stops, waiting / stops, mean_down / stops)


def batch_times(
    char_minutes: float, ending: Ending, values: Values, *, wood: bool = False, estimate: Estimate = "likely"
) -> BatchTimes:
    """The minutes of a batch that chars for `char_minutes` [min], from the figures under `barrel`.

    `wood`: the residue is woody enough to stay shut a day. `estimate`: 'low' is the slow day (long times), 'high' the
    quick one, so that low always means less char.
    """
    slow = _SLOW[estimate]

    def minutes(name: str) -> float:
        return values.pick(f"barrel.{name}", slow)

    every = values.pick("barrel.check.every_minutes", estimate)
    checks = max(0, math.ceil(char_minutes / every - _TINY) - 1)
    if ending == "quench":
        end, people, shut = minutes("quench.minutes"), 1.0, 0.0
    else:
        end, people = minutes("seal.minutes"), values["barrel.seal.people"]
        shut = minutes("sealed_wood.minutes" if wood else "sealed.minutes")
    return BatchTimes(
        fill=minutes("fill.minutes"), light=minutes("light.minutes"), char=char_minutes,
        check=minutes("check.minutes"), checks=checks, end=end, end_people=people, shut=shut,
        empty=minutes("empty.minutes"),
    )  # fmt: skip


def firing_minutes(hours_a_day: float, values: Values, estimate: Estimate = "likely") -> float:
    """Minutes of a working day between setting out and the second look at the end [min]."""
    slow = _SLOW[estimate]
    spent = values.pick("barrel.day_start.minutes", slow) + values.pick("barrel.day_end.minutes", slow)
    return max(0.0, hours_a_day * MINUTES_AN_HOUR - spent)


def barrel_day(times: BatchTimes, barrels: int, tenders: int, day_min: float, *, varying: bool = False) -> BarrelDay:
    """How many batches `barrels` barrels and `tenders` tenders bring through in a day of `day_min` firing minutes.

    A quenched batch counts when its barrel is empty again by the end of the day. A sealed one counts when it is sealed
    by then; it is emptied in the morning, and where it must stay shut longer than the night, the cycle runs over
    several days and batches a day are not whole. `varying`: the cycle time is that of the finite-source queue, in which
    charring and tending times are exponential; real days lie between the two. More tenders or fewer barrels never mean
    fewer batches a barrel. Raises UsageError for counts below one, and when sealing needs more people than there are.
    """
    if barrels < 1 or tenders < 1:
        raise UsageError(f"a barrel day needs at least one barrel and one tender, not {barrels} and {tenders}")
    if times.end_people > tenders:
        raise UsageError(
            f"sealing a barrel needs {times.end_people:g} people and the site has {tenders}: raise "
            "works.tenders_at_site, or end batches with water (works.ending = 'quench')"
        )
    slot = times.tend_min / tenders
    cycle = max(times.chain_min, barrels * slot)
    if varying and times.chain_min > times.tend_min:
        up = times.chain_min - times.tend_min
        queue = interference(barrels, tenders, up / MINUTES_AN_HOUR, times.tend_min / MINUTES_AN_HOUR)
        cycle = max(cycle, barrels / queue.stops_per_h * MINUTES_AN_HOUR)
    late = min(slot, cycle - times.chain_min)
    span = times.chain_min + late
    counts: list[float] = []
    for barrel in range(barrels):
        first = barrel * slot
        if times.shut == 0:
            counts.append(_fits(day_min - first - span, cycle))
            continue
        ended = times.until_ended_min + late
        within = _fits(day_min - times.empty - first - ended, cycle)
        night = MINUTES_A_DAY - day_min
        counts.append(float(within) if times.shut <= night else _over_days(times, day_min - first, ended))
    return BarrelDay(times, barrels, tenders, cycle, slot, span, tuple(counts))


def _fits(room_min: float, cycle_min: float) -> int:
    """Batches of a barrel whose first may end as late as `room_min` after it could, one every `cycle_min`."""
    return 0 if room_min < -_TINY else math.floor(room_min / cycle_min + _TINY) + 1


def _over_days(times: BatchTimes, day_min: float, ended_min: float) -> float:
    """Batches a day of a barrel that stays shut longer than the night.

    Each cycle begins later in the day by `drift` until the day is too short; a new run begins on the next morning.
    """
    if day_min < ended_min:
        return 0.0
    days = max(1, math.floor(times.chain_min / MINUTES_A_DAY))
    drift = max(0.0, times.chain_min - days * MINUTES_A_DAY)
    if drift == 0:
        return 1.0 / days
    run = math.floor((day_min - ended_min) / drift + _TINY) + 1
    return run / (days * run + 1)


def barrels_kept_going(times: BatchTimes, tenders: int) -> int:
    """Barrels that `tenders` tenders keep going without any barrel waiting for them: the most n with n w / k <= a.

    At least one. Raises UsageError when there are no tenders.
    """
    if tenders < 1:
        raise UsageError(f"at least one tender is needed, not {tenders}")
    return max(1, math.floor(times.chain_min * tenders / times.tend_min + _TINY))


def batches_table(
    residues: Iterable[tuple[str, str]], settings: Settings, values: Values, barrels: int = 6, tenders: int = 3
) -> pd.DataFrame:
    """Batches a day of a site, by residue and ending, for 1 … `barrels` barrels and 1 … `tenders` tenders.

    Index crop, residue, tenders, barrels; columns batches (the site's a day), cycle_minutes [min], waits (True when
    barrels wait for tenders), residue_kg and char_kg (dry, a day). Sites with too few people to seal are left out.
    """
    day_min, rows = firing_minutes(settings.fleet.hours_a_day, values), []
    for crop, residue in dict.fromkeys(residues):
        name = f"crop.{crop}.{residue}"
        load = values[f"{name}.barrel_load_wet_kg"] * (1 - values[f"{name}.moisture_ready"])
        wood = f"barrel.wood.{residue}" in values
        times = batch_times(values[f"{name}.char_minutes"], ending_of(crop, residue, settings), values, wood=wood)
        for k in range(math.ceil(times.end_people), tenders + 1):
            for n in range(1, barrels + 1):
                day = barrel_day(times, n, k, day_min, varying=settings.works.times == "varying")
                waits = day.cycle_min > times.chain_min * (1 + _TINY)
                kilos = day.batches * load
                char = kilos * values[f"{name}.char_yield"]
                rows.append((crop, residue, k, n, day.batches, day.cycle_min, waits, kilos, char))
    columns = ["crop", "residue", "tenders", "barrels", "batches", "cycle_minutes", "waits", "residue_kg", "char_kg"]
    return pd.DataFrame(rows, columns=columns).set_index(["crop", "residue", "tenders", "barrels"])


def day_chart(day: BarrelDay, day_min: float) -> tuple[DayTask, ...]:
    """The bars of a day's chart, ordered by start, of the schedule that :func:`barrel_day` counts.

    Only for batches that end within the day. Each barrel's slot falls to the tenders in turn. A look-in is made in
    the slot nearest its time and has no bar. Sealed barrels stay shut from bar to bar; those sealed last are opened the
    next morning, and so the day begins with emptying those of the day before (batch -1).
    """
    times, slot, out = day.times, day.slot_min, []
    ending: Literal["quench", "seal"] = "seal" if times.shut else "quench"
    waits = day.cycle_min > times.chain_min * (1 + _TINY)
    whole = times.until_ended_min if times.shut else times.chain_min
    passed = math.ceil(whole / slot - _TINY) if waits else day.barrels
    late = min(passed * slot - whole, day.cycle_min - times.chain_min) if waits else 0.0
    for barrel, count in enumerate(day.batches_by_barrel):
        if times.shut and count >= 1:
            first = barrel * slot
            out.append(DayTask(barrel, -1, "empty", first, first + times.empty, barrel % day.tenders))
        for batch in range(int(count)):
            start = barrel * slot + batch * day.cycle_min + (times.empty if times.shut else 0.0)
            lit = start + times.fill
            charring = lit + times.light
            end_at = charring + times.char + late
            ended = end_at + times.end
            tender = (batch * day.barrels + barrel) % day.tenders
            ender = (batch * day.barrels + barrel + passed) % day.tenders
            out += [
                DayTask(barrel, batch, "fill", start, lit, tender),
                DayTask(barrel, batch, "light", lit, charring, tender),
                DayTask(barrel, batch, "char", charring, end_at, -1),
                DayTask(barrel, batch, ending, end_at, ended, ender),
            ]
            opened = ended + times.shut
            if times.shut:
                out.append(DayTask(barrel, batch, "shut", ended, min(opened, max(day_min, ended)), -1))
            if opened + times.empty <= day_min + _TINY:
                out.append(DayTask(barrel, batch, "empty", opened, opened + times.empty, ender))
    return tuple(sorted(out, key=lambda t: (t.start_min, t.barrel, t.end_min)))


def site_day(
    crop: str, residue: str, barrels: int, settings: Settings, values: Values
) -> tuple[BarrelDay, tuple[DayTask, ...], float]:
    """The day of a site that chars one residue, its chart, and the firing minutes of the day [min].

    With the season's tenders and ending, and the likely times; for the sheet that hangs at the site. The chart's
    minutes count from the first armful, `barrel.day_start.minutes` after the crew has come.
    """
    times = batch_times(
        values[f"crop.{crop}.{residue}.char_minutes"], ending_of(crop, residue, settings), values,
        wood=f"barrel.wood.{residue}" in values,
    )  # fmt: skip
    day_min = firing_minutes(settings.fleet.hours_a_day, values)
    day = barrel_day(times, barrels, settings.works.tenders_at_site, day_min)
    return day, day_chart(day, day_min), day_min


@dataclass(frozen=True)
class SimulatedDays:
    """What an event simulation of many days found."""

    batches: npt.NDArray[np.float64]
    """Batches of the site in each day, shape (days,)."""
    wait_min: float
    """Mean wait for a tender, an event [min]."""
    late_min: float
    """Mean minutes that a finished charring went on burning for want of a tender [min]."""
    tenders_busy: float
    """Share of the tenders' firing minutes spent tending [0-1]."""


def simulate_days(
    times: BatchTimes, barrels: int, tenders: int, day_min: float, *, days: int, spread: float, seed: int
) -> SimulatedDays:
    """Days of quenched batches as events, with task times that vary (gamma, `spread` = standard deviation over mean).

    Tenders take the most pressing call first: an ending, then a look-in, then a new batch. A new batch is begun only if
    it would be empty by the end of the day at its mean times. With `spread` 0 nothing is random. Raises UsageError for
    sealed batches, whose day is ruled by the clock and not by the queue.
    """
    if times.shut:
        raise UsageError("the event simulation is of quenched batches; sealed barrels wait by the clock")
    if days < 1 or not 0 <= spread < math.inf:
        raise UsageError(f"the event simulation needs at least one day and a spread of 0 or more, not {days}, {spread}")
    rng = np.random.default_rng(seed)
    counts, waits, late, busy = np.zeros(days), [0.0], [0.0], 0.0

    def takes(mean: float) -> float:
        return mean if spread == 0 or mean == 0 else float(rng.gamma(1 / spread**2, mean * spread**2))

    for day in range(days):
        env = simpy.Environment()
        crew = simpy.PriorityResource(env, capacity=tenders)
        done = [0]
        used = [0.0]

        def tend(minutes: float, pressing: int, env: Any = env, crew: Any = crew, used: Any = used) -> Any:
            asked = env.now
            with crew.request(priority=pressing) as turn:
                yield turn
                waits.append(env.now - asked)
                used[0] += minutes
                yield env.timeout(minutes)

        def barrel(env: Any = env, done: Any = done, tend: Any = tend) -> Generator[Any, Any, None]:
            while env.now + times.chain_min <= day_min + _TINY:
                yield from tend(takes(times.fill + times.light), 2)
                stretch = takes(times.char) / (times.checks + 1)
                for _ in range(times.checks):
                    yield env.timeout(stretch)
                    env.process(tend(takes(times.check), 1))
                yield env.timeout(stretch)
                due = env.now
                work = takes(times.end + times.empty)
                yield from tend(work, 0)
                late.append(env.now - work - due)
                if env.now <= day_min + _TINY:
                    done[0] += 1

        for _ in range(barrels):
            env.process(barrel())
        env.run()
        counts[day] = done[0]
        busy += used[0]
    return SimulatedDays(counts, float(np.mean(waits)), float(np.mean(late)), busy / (days * tenders * day_min))


def ending_of(crop: str, residue: str, settings: Settings) -> Ending:
    """How this residue's batches end, by the season's choices."""
    return settings.works.ending_by_residue.get(f"{crop}/{residue}", settings.works.ending)


def crew_week_h(week_h: npt.NDArray[np.float64], settings: Settings) -> npt.NDArray[np.float64]:
    """Hours of a site's tenders paid for a week in which it has a barrel [h], shape of `week_h`.

    `week_h` are working hours of the week [h]. Nothing where tenders are paid by the kilo.
    """
    by_week = settings.works.crew_paid == "by_week"
    return np.asarray(week_h * settings.works.tenders_at_site * by_week, dtype=np.float64)


def barrel_rates(
    residues: Iterable[tuple[str, str]], settings: Settings, values: Values, estimate: Estimate = "likely"
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """What a kilo of each residue takes and gives at the barrels, and the names of the figures used.

    `residues`: pairs (crop, residue). The table has one row a pair (index crop, residue), columns
    load_wet_kg [kg a batch as it lies], load_kg [dry kg a batch], char_minutes, tend_minutes, cycle_minutes [min],
    batches_a_day [a barrel and day], batch_h [barrel-hours a batch], hours_per_kg [barrel-hours a dry kg],
    char_kg_per_kg [kg char a dry kg], tender_h_per_kg [worker-hours a dry kg], water_l_per_kg [l a dry kg],
    work_cost_per_kg [currency a dry kg: tenders' wages where they are paid by the kilo, wear of the barrel, water],
    char_form ('powder' or 'shaped'), ending ('quench' or 'seal').

    The site is taken full (settings.fleet.most_at_site barrels, settings.works.tenders_at_site tenders), the slowest
    case: fewer barrels never take longer a batch. batch_h is the working day shared out over the batches that a barrel
    really brings through in it, so that whole days of batches fill the placement's hours exactly. Raises KeyError for
    a residue without figures, and NoPlanError when no batch fits into a day or a site has too few people to seal.
    """
    fleet = settings.fleet
    day_min = firing_minutes(fleet.hours_a_day, values, estimate)
    rows, used = [], set(_USED)
    for crop, residue in dict.fromkeys(residues):
        name = f"crop.{crop}.{residue}"
        figures = {
            key: f"{name}.{key}"
            for key in (
                "barrel_load_wet_kg",
                "moisture_ready",
                "char_minutes",
                "char_yield",
                "char_form",
            )
        }
        used.update(figures.values())
        ending = ending_of(crop, residue, settings)
        char_minutes = values.pick(figures["char_minutes"], _SLOW[estimate])
        wood = f"barrel.wood.{residue}" in values
        times = batch_times(char_minutes, ending, values, wood=wood, estimate=estimate)
        if times.end_people > settings.works.tenders_at_site:
            raise NoPlanError(
                f"sealing a barrel of {crop} {residue} needs {times.end_people:g} people and a site has "
                f"{settings.works.tenders_at_site}: raise works.tenders_at_site, or end batches with water"
            )
        day = barrel_day(
            times, fleet.most_at_site, settings.works.tenders_at_site, day_min,
            varying=settings.works.times == "varying",
        )  # fmt: skip
        if day.batches <= 0:
            raise NoPlanError(
                f"no batch of {crop} {residue} fits into {fleet.hours_a_day:g} working hours a day: it takes "
                f"{day.span_min:.0f} of {day_min:.0f} firing minutes"
            )
        load_wet = values.pick(figures["barrel_load_wet_kg"], estimate)
        load = load_wet * (1 - values[figures["moisture_ready"]])
        char = values.pick(figures["char_yield"], estimate)
        a_day = day.batches / day.barrels
        batch_h = fleet.hours_a_day / a_day
        tender_h = day.tenders * fleet.hours_a_day / day.batches / load
        if ending == "quench":
            water = values["barrel.quench.water_l_per_kg_char"] * char
        else:
            water = values["barrel.seal.water_l_per_batch"] / load
        by_kilo = settings.works.crew_paid == "by_kilo"
        cost = (
            (tender_h * values["money.wage_per_h"] if by_kilo else 0.0)
            + values["money.barrel_price"] / values["money.barrel_life_batches"] / load
            + water * values["money.water_per_l"]
        )
        powder = values[figures["char_form"]] < 0.5
        rows.append(
            (crop, residue, load_wet, load, char_minutes, times.tend_min, day.cycle_min, a_day, batch_h, batch_h / load,
             char, tender_h, water, cost, "powder" if powder else "shaped", ending)
        )  # fmt: skip
    frame = pd.DataFrame(rows, columns=["crop", "residue", *RATE_COLUMNS]).set_index(["crop", "residue"])
    return frame, tuple(sorted(used))


_USED = (
    "barrel.fill.minutes", "barrel.light.minutes", "barrel.check.minutes", "barrel.check.every_minutes",
    "barrel.quench.minutes", "barrel.empty.minutes", "barrel.seal.minutes", "barrel.seal.people",
    "barrel.sealed.minutes", "barrel.day_start.minutes", "barrel.day_end.minutes",
    "barrel.quench.water_l_per_kg_char", "barrel.seal.water_l_per_batch", "money.wage_per_h", "money.barrel_price",
    "money.barrel_life_batches", "money.water_per_l",
)  # fmt: skip
