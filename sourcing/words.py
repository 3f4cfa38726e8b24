"""Every word that maps, sheets and tables show, by language, with its dates and numbers.

A language is one file `sourcing/data/words/<code>.toml`; adding one is adding a file. English is complete by
definition; a word that another language does not have yet is shown in English, and a test names it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cache
from importlib.resources import files
from typing import Any

from sourcing.errors import UsageError
from sourcing.weeks import DAYS_A_WEEK, Calendar

FIRST_LANGUAGE = "en"
TENTHS_BELOW_KG = 99_500
"""From here on a mass is written in whole tonnes [kg]."""
DRAFT = "draft, not checked by a speaker"
"""The status of a word file that nobody who speaks the language has read yet."""


@dataclass(frozen=True)
class Words:
    """The words of one language, and how it writes numbers and dates."""

    code: str
    """Language tag as HTML wants it, such as 'en'."""
    name: str
    """Name of the language in itself."""
    status: str
    """'complete', or 'draft, not checked by a speaker'."""
    script: str
    """Name of the script, such as 'Latin' or 'Devanagari'; says which font a page must carry."""
    numbers: Mapping[str, Any]
    """decimal, group (signs), grouping (sizes of the groups from the right, the last repeating), digits (ten signs)."""
    dates: Mapping[str, Any]
    """months (twelve full names), months_short, and the patterns day, day_short, span, span_month, span_year."""
    text: Mapping[str, str]
    """The words by key."""

    def __call__(self, key: str, **named: object) -> str:
        """The words for `key` with {names} filled in. Raises KeyError for a key that English does not have."""
        return self.text[key].format(**named) if named else self.text[key]

    def of(self, group: str, key: str) -> str:
        """The word for one member of an open group, such as a crop; where no file names it, the key as words."""
        return self.text.get(f"{group}.{key}", key.replace("_", " ").replace("/", ", "))

    def reason(self, village: Mapping[str, Any], several: int) -> str:
        """Why a village stands where it stands in the ranking, as a sentence: `village` is a row of the plan's
        village table, `several` how many barrels count as several.
        """
        named = {
            "weeks": self.weeks(int(village["several_weeks"])), "several": self.number(several),
            "most": self.number(village["most_barrels"]), "barrel_weeks": self.number(village["barrel_weeks"]),
            "residue": self.tonnes(village["residue_kg"]), "given": self.tonnes(village["residue_given_kg"]),
            "free": self.tonnes(village["residue_free_kg"]), "metres": self.number(village["mean_carry_m"]),
        }  # fmt: skip
        return self.of("reason", str(village["reason"])).format(**named)

    def residue(self, crop: str, residue: str) -> str:
        """A residue in words, such as 'maize stalk'."""
        return self("sheet.residue_of", crop=self.of("crop", crop), residue=self.of("residue", residue))

    def figure(self, value: float) -> str:
        """A number with as many decimals as it needs, at most six figures in all."""
        plain = f"{value:.6g}"
        return self.number(value, 0 if "e" in plain else len(plain.partition(".")[2]))

    def weeks(self, count: int) -> str:
        """A number of weeks, such as '1 week' or '14 weeks'."""
        return self("unit.week_one") if count == 1 else self("unit.weeks", n=self.number(count))

    def tonnes(self, kg: float) -> str:
        """A mass [kg] in tonnes, with one decimal below 100."""
        return self.number(kg / 1000, 1 if kg < TENTHS_BELOW_KG else 0)

    def number(self, value: float, digits: int = 0) -> str:
        """A number with `digits` decimals as this language writes it."""
        whole, _, part = f"{abs(value):.{digits}f}".partition(".")
        sizes = list(self.numbers["grouping"])
        groups: list[str] = []
        while whole:
            size = sizes.pop(0) if len(sizes) > 1 else sizes[0]
            groups.insert(0, whole[-size:])
            whole = whole[:-size]
        text = self.numbers["group"].join(groups) + (self.numbers["decimal"] + part if part else "")
        sign = "\N{MINUS SIGN}" if value < 0 and any(c not in "0.," for c in text) else ""
        return sign + self.digits(text)

    def digits(self, text: str) -> str:
        """`text` with its digits written in this language's own."""
        return text.translate({ord(str(d)): sign for d, sign in enumerate(self.numbers["digits"])})

    def day(self, day: date) -> str:
        """A date, such as '3 May 2027'."""
        return self.digits(
            self.dates["day"].format(day=day.day, month=self.dates["months"][day.month - 1], year=day.year)
        )

    def span(self, first: date, last: date) -> str:
        """A run of days, as short as it can be said: '3–9 May 2027', '31 May – 6 June 2027'."""
        months = self.dates["months"]
        named = {
            "day": first.day, "month": months[first.month - 1], "year": first.year,
            "last_day": last.day, "last_month": months[last.month - 1], "last_year": last.year,
        }  # fmt: skip
        kind = "span_year" if first.year != last.year else "span_month" if first.month != last.month else "span"
        return self.digits(self.dates[kind].format(**named))

    def week_days(self, calendar: Calendar, week: int) -> str:
        """The days of a week index, Monday to Sunday."""
        monday = calendar.monday(week)
        return self.span(monday, monday + timedelta(days=DAYS_A_WEEK - 1))

    def month(self, day: date) -> str:
        """Short name of the month of a day."""
        return str(self.dates["months_short"][day.month - 1])


@dataclass(frozen=True)
class Said:
    """Something to be said in any language: the key of its words, and what is filled in."""

    key: str
    figures: Mapping[str, float | str | Said | tuple[Said, ...]] = field(default_factory=dict)
    """A number is written as the language writes numbers, a text (a name, a date) stands as it is."""

    def text(self, words: Words) -> str:
        """It in words. An open word that no file has, such as a crop of the season's own, is said as it is written."""
        if self.key not in words.text:
            return words.of(*self.key.split(".", 1))
        return words(self.key, **{name: self._filled(value, words) for name, value in self.figures.items()})

    @staticmethod
    def _filled(value: float | str | Said | tuple[Said, ...], words: Words) -> str:
        if isinstance(value, Said):
            return value.text(words)
        if isinstance(value, tuple):
            return ", ".join(one.text(words) for one in value)
        return value if isinstance(value, str) else words.figure(value)


def languages() -> tuple[str, ...]:
    """Codes of all languages that have a word file."""
    folder = files("sourcing") / "data" / "words"
    return tuple(sorted(p.name.removesuffix(".toml") for p in folder.iterdir() if p.name.endswith(".toml")))


@cache
def _raw(code: str) -> dict[str, Any]:
    return tomllib.loads((files("sourcing") / "data" / "words" / f"{code}.toml").read_text(encoding="utf-8"))


def load_words(code: str) -> Words:
    """The words of a language; what it lacks is filled with English. Raises UsageError for an unknown language."""
    if code not in languages():
        raise UsageError(f"there is no word file for the language '{code}'; there is: {', '.join(languages())}")
    raw, english = _raw(code), _raw(FIRST_LANGUAGE)
    return Words(
        code=raw["language"]["code"],
        name=raw["language"]["name"],
        status=raw["language"]["status"],
        script=raw["language"]["script"],
        numbers={**english["numbers"], **raw.get("numbers", {})},
        dates={**english["dates"], **raw.get("dates", {})},
        text={**english["words"], **raw["words"]},
    )


def missing(code: str) -> tuple[str, ...]:
    """Keys of words that English has and this language does not."""
    return tuple(sorted(set(_raw(FIRST_LANGUAGE)["words"]) - set(_raw(code)["words"])))


def unknown(code: str) -> tuple[str, ...]:
    """Keys of words that this language has and English does not: misspelt, or left behind."""
    return tuple(sorted(set(_raw(code)["words"]) - set(_raw(FIRST_LANGUAGE)["words"])))
