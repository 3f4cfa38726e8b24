"""When no plan is possible: the smallest set of a season's wishes that stand against each other, as they were written.

A wish is an option of season.toml that narrows what a plan may do, or one entry of such an option. It is given up by
setting the option to where it narrows nothing; then the question is put again.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import reduce
from typing import Any

from sourcing.errors import NoPlanError
from sourcing.options import options
from sourcing.placement import Instance
from sourcing.placement.answers import can_be_met, smallest_conflict
from sourcing.season.limits import PLENTY
from sourcing.settings import SEASON_FILE, Fixed, Settings

MOST_BARRELS = 100_000
"""Stands for as many barrels as are wanted."""
MOST_NAMED = 6
"""Most entries of one option that are named one by one where they could not be told apart."""
WHOLE_SHARE = 0.6
"""Share of the time for finding which options conflict; the rest is for telling their entries apart."""


@dataclass(frozen=True)
class Wish:
    """An option that narrows what a plan may do, or one entry of it."""

    option: str
    """Where it stands in season.toml, such as 'wishes.fixed'."""
    said: str
    """As the planner wrote it, with what it means."""
    without: Callable[[Settings], Settings]
    """The season without it."""
    entries: tuple[Wish, ...] = ()
    """The entries of the option one by one, where it has several."""


def wishes_in(settings: Settings) -> tuple[Wish, ...]:
    """The wishes of a season, one for each option that narrows anything, in the order of the file."""
    s, goal = settings, settings.placement.goal
    found = [
        _number("fleet.barrels", _fleet_said(s), True, barrels=MOST_BARRELS, barrels_from={}),
        _number("fleet.least_at_site", s.fleet.least_at_site, s.fleet.least_at_site > 1, least_at_site=1),
        _number("fleet.most_at_site", s.fleet.most_at_site, True, most_at_site=MOST_BARRELS),
        _number("fleet.busy_floor", s.fleet.busy_floor, s.fleet.busy_floor > 0, busy_floor=0.0),
        _number("placement.clear_share", s.placement.clear_share, goal == "clear", clear_share=0.0),
        _number("moves.most_a_week", s.moves.most_a_week, s.moves.most_a_week is not None, most_a_week=None),
        _number("moves.stay_weeks", s.moves.stay_weeks, s.moves.stay_weeks > 1, stay_weeks=1),
        _listed("villages.use", s.villages.use),
        _listed("villages.leave_out", s.villages.leave_out),
        _number("villages.least", s.villages.least, s.villages.least > 0, least=0),
        _number("villages.most", s.villages.most, s.villages.most is not None, most=None),
        _number("villages.fair_share", s.villages.fair_share, s.villages.fair_share > 0, fair_share=0.0),
        _number("crew.hours_a_week", s.crew.hours_a_week, s.crew.hours_a_week is not None, hours_a_week=None),
        _of_villages("crew.villages", s.crew.villages),
        _number("water.litres_a_week", s.water.litres_a_week, s.water.litres_a_week is not None, litres_a_week=None),
        _of_villages("water.villages", s.water.villages),
        _listed("wishes.sites_use", s.wishes.sites_use),
        _listed("wishes.sites_leave_out", s.wishes.sites_leave_out),
        _number("wishes.sites_least", s.wishes.sites_least, s.wishes.sites_least > 0, sites_least=0),
        _number("wishes.sites_most", s.wishes.sites_most, s.wishes.sites_most is not None, sites_most=None),
        _number("wishes.budget", s.wishes.budget, s.wishes.budget is not None, budget=None),
        _fixed(s.wishes.fixed),
        _number("works.limits_plan", s.works.limits_plan, s.works.limits_plan, limits_plan=False),
    ]
    return tuple(wish for wish in found if wish is not None)


def _number(option: str, value: Any, there: bool, **neutral: Any) -> Wish | None:
    section = option.split(".")[0]
    meaning = {o.path: o.meaning for o in options()}[option].split("; left out")[0].split(". ")[0].rstrip(".")
    shown = str(value).lower() if isinstance(value, bool) else f"{value:g}" if isinstance(value, float) else value
    said = f"{option} = {shown} ({meaning[0].lower()}{meaning[1:]})"
    return Wish(option, said, lambda s: _with(s, section, **neutral)) if there else None


def _fleet_said(settings: Settings) -> str:
    changes = [f"{count} from {day}" for day, count in sorted(settings.fleet.barrels_from.items())]
    return ", ".join([str(settings.fleet.barrels), *changes])


def _listed(option: str, names: Sequence[str]) -> Wish | None:
    section, field = option.split(".")

    def without(gone: frozenset[str]) -> Callable[[Settings], Settings]:
        return lambda s: _with(s, section, **{field: [n for n in getattr(getattr(s, section), field) if n not in gone]})

    return _entries(option, [(f"{option}: {n}", without(frozenset({n}))) for n in names])


def _of_villages(option: str, amounts: dict[str, float]) -> Wish | None:
    section = option.split(".")[0]

    def without(village: str) -> Callable[[Settings], Settings]:
        return lambda s: _with(s, section, villages={**getattr(s, section).villages, village: PLENTY})

    return _entries(option, [(f"{option}: {v} = {amount:g}", without(v)) for v, amount in amounts.items()])


def _fixed(every: Sequence[Fixed]) -> Wish | None:
    def without(gone: Fixed) -> Callable[[Settings], Settings]:
        return lambda s: _with(s, "wishes", fixed=[f for f in s.wishes.fixed if f != gone])

    return _entries("wishes.fixed", [(f"wishes.fixed: {_fixed_said(f)}", without(f)) for f in every])


def _fixed_said(fixed: Fixed) -> str:
    where = [f"site {fixed.site}"] if fixed.site else []
    where += [f"village {fixed.village}"] if fixed.village else []
    many = [f"at least {_barrels(fixed.least)}"] if fixed.least else []
    many += [] if fixed.most is None else ["no barrels"] if fixed.most == 0 else [f"at most {_barrels(fixed.most)}"]
    return f"{' and '.join(where) or 'every site'}, {_days(fixed.first_day, fixed.last_day)}, {', '.join(many)}"


def _days(first: date, last: date) -> str:
    return f"{first} to {last}"


def _barrels(count: int) -> str:
    return f"{count} barrel{'' if count == 1 else 's'}"


def _entries(option: str, entries: list[tuple[str, Callable[[Settings], Settings]]]) -> Wish | None:
    if not entries:
        return None
    singles = tuple(Wish(option, said, without) for said, without in entries)
    if len(singles) == 1:
        return singles[0]
    told = [w.said.removeprefix(f"{option}: ") for w in singles[:MOST_NAMED]]
    more = f" and {len(singles) - MOST_NAMED} more" if len(singles) > MOST_NAMED else ""
    return Wish(option, f"{option}: {'; '.join(told)}{more}", lambda s: _without(s, singles), singles)


def _with(settings: Settings, section: str, **change: Any) -> Settings:
    return settings.model_copy(update={section: getattr(settings, section).model_copy(update=change)})


def _without(settings: Settings, gone: Iterable[Wish]) -> Settings:
    return reduce(lambda s, wish: wish.without(s), gone, settings)


def conflicting(
    settings: Settings, instance_of: Callable[[Settings], Instance], *, seconds: float = 60.0
) -> tuple[Wish, ...]:
    """The smallest set of wishes that cannot all be met; empty where they can, or where nothing is proven in time.

    First by options, then, for those that conflict, by their entries. `instance_of` puts the question for a season; it
    may raise NoPlanError. What the ground forbids even without any wish is no conflict: empty, too.
    """
    until = time.monotonic() + seconds
    wishes = wishes_in(settings)
    if _can_be_met(_without(settings, wishes), instance_of, until) is False:
        return ()
    found = _smallest(settings, wishes, instance_of, until - (1 - WHOLE_SHARE) * seconds)
    if not any(w.entries for w in found):
        return found
    bare = _without(settings, [w for w in wishes if w not in found])
    return _smallest(bare, [e for w in found for e in (w.entries or (w,))], instance_of, until) or found


def _smallest(
    settings: Settings, wishes: Sequence[Wish], instance_of: Callable[[Settings], Instance], until: float
) -> tuple[Wish, ...]:
    names = [str(i) for i in range(len(wishes))]

    def possible(kept: frozenset[str]) -> bool | None:
        gone = [w for name, w in zip(names, wishes, strict=True) if name not in kept]
        return _can_be_met(_without(settings, gone), instance_of, until)

    return tuple(wishes[int(name)] for name in smallest_conflict(names, possible, until))


def _can_be_met(settings: Settings, instance_of: Callable[[Settings], Instance], until: float) -> bool | None:
    try:
        instance = instance_of(settings)
    except NoPlanError:
        return False
    return can_be_met(instance, seconds=max(until - time.monotonic(), 0.0))


def why_no_plan(
    settings: Settings, instance_of: Callable[[Settings], Instance], reason: str, *, seconds: float = 60.0
) -> str:
    """Why no plan is possible, for the planner: the wishes in conflict; or `reason` where there are none to name."""
    found = conflicting(settings, instance_of, seconds=seconds)
    if not found:
        return reason
    told = "".join(f"\n  {wish.said}" for wish in found)
    if len(found) == 1:
        figures = f"\n{reason[0].upper()}{reason[1:]}." if found[0].option == "placement.clear_share" else ""
        return f"this wish in {SEASON_FILE} cannot be met on this ground:{told}{figures}"
    return f"these wishes in {SEASON_FILE} cannot all be met:{told}\nChange one of them, or take it out."
