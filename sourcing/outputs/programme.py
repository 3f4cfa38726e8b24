"""A plan as those who carry it out will read it: names of places, weeks in use, work and money, all in one value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import pandas as pd

from sourcing.outputs.pages import shortened
from sourcing.plan import Plan
from sourcing.season.money import Money
from sourcing.season.outcome import site_names, site_numbers
from sourcing.season.works import Works
from sourcing.weeks import DAYS_A_WEEK
from sourcing.words import Words, load_words

LONGEST_NAME = 90
"""Longer names of places are shortened [signs]."""


@dataclass(frozen=True)
class Programme:
    """A plan with its words, its work, its money and the names its places go by."""

    plan: Plan
    words: Words
    works: Works
    money: Money
    weeks: range
    """From the first to the last week in which a barrel stands; the whole season when none does."""
    made: date
    site_numbers: Mapping[str, str]
    """Number of each opened site within its village, as marked on maps."""
    site_names: Mapping[str, str]
    """What each opened site is called: its own name where it has one, else village and number."""

    def village(self, village_id: str) -> str:
        """Name of a village."""
        return shortened(str(self.plan.village_table["name"].get(village_id, village_id)), LONGEST_NAME)

    def residue(self, crop: str, residue: str) -> str:
        """A residue in words, such as 'maize stalk'."""
        return self.words.residue(crop, residue)

    def week_number(self, week: int) -> str:
        """ISO number of a week."""
        return self.words.digits(str(int(self.plan.calendar.label(week).split("-W")[1])))

    def days(self, first: int, last: int | None = None) -> str:
        """The days from the Monday of one week to the Sunday of it or of another."""
        calendar = self.plan.calendar
        end = calendar.monday(first if last is None else last) + timedelta(days=DAYS_A_WEEK - 1)
        return self.words.span(calendar.monday(first), end)

    def short_day(self, day: date) -> str:
        """A day without its year, such as '3 May'."""
        return self.words.digits(f"{day.day} ") + self.words.month(day)

    def sunday(self, week: int) -> str:
        """The last day of a week, without its year."""
        return self.short_day(self.plan.calendar.monday(week) + timedelta(days=DAYS_A_WEEK - 1))

    def money_text(self, amount: float) -> str:
        """An amount with its currency."""
        return f"{self.words.number(amount)} {self.plan.settings.season.currency}"

    @property
    def examples(self) -> bool:
        """True while any price or wage is an example and not the season's own."""
        return any(f.standing == "example" for f in self.plan.values.under("money").values())


def programme(plan: Plan) -> Programme:
    """The plan with the names and words of its sheets, in the season's language."""
    used = plan.site_weeks["week"]
    weeks = range(int(used.min()), int(used.max()) + 1) if len(used) else range(plan.calendar.count)
    words = load_words(plan.settings.season.language)
    numbers = {str(s): words.number(n) for s, n in site_numbers(plan.site_table, plan.village_table.index).items()}
    made_at = plan.record.get("made_at")
    made = datetime.fromisoformat(made_at).date() if made_at else date.today()
    names = names_of(plan.site_table, plan.village_table["name"], words)
    return Programme(plan, words, plan.works, plan.money, weeks, made, numbers, names)


def names_of(site_table: pd.DataFrame, villages: pd.Series, words: Words) -> dict[str, str]:
    """What the opened sites are called, village by village; names that nobody could mean are shortened."""
    own = site_table.assign(name=[shortened(str(n), LONGEST_NAME) for n in site_table["name"]])
    return site_names(own, villages.map(lambda name: shortened(str(name), LONGEST_NAME)), words)
