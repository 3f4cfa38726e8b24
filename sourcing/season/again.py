"""A plan's rooms run once more on nothing but its record, so that what they say can stand beside what was recorded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property

import pandas as pd

from sourcing.season.barrel import barrel_rates
from sourcing.season.climate import Climate, season_climate
from sourcing.season.money import Money, season_money
from sourcing.season.trace import Part, Record, recorded_values
from sourcing.season.works import Works, season_work
from sourcing.settings import Settings, settings_from
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK, Calendar


@dataclass(frozen=True)
class Found:
    """What is said of a figure."""

    words: str
    unit: str
    parts: tuple[Part, ...] = ()
    figures: tuple[str, ...] = ()
    """Names of figures of the trade, or beginnings of names that end with a point."""
    reckoned: float | None = None
    """The figure from its parts where it is not their sum."""


class Again:
    """The plan's rooms run again on its record."""

    def __init__(self, record: Record) -> None:
        self.record = record

    @cached_property
    def settings(self) -> Settings:
        """The season's settings as recorded."""
        return settings_from(dict(self.record["settings"]))

    @cached_property
    def values(self) -> Values:
        """The figures of the trade as recorded."""
        return recorded_values(self.record)

    @cached_property
    def calendar(self) -> Calendar:
        """The season's weeks."""
        labels = self.record["weeks"]
        year, week = str(labels[0]).split("-W")
        return Calendar(date.fromisocalendar(int(year), int(week), 1), len(labels))

    @cached_property
    def carries(self) -> pd.DataFrame:
        """The carries under the names that the rooms use."""
        names = [
            "field",
            "site",
            "crop",
            "residue",
            "week",
            "mass_kg",
            "distance_m",
            "mode",
            "loads",
            "carry_h",
            "cost",
        ]
        frame = pd.DataFrame(self.record["carries"], columns=names)
        frame["week"] = [self.record["weeks"].index(w) if isinstance(w, str) else w for w in frame["week"]]
        return frame.rename(columns={"field": "field_id", "site": "site_id"}).assign(lot=range(len(frame)))

    @cached_property
    def pairs(self) -> list[tuple[str, str]]:
        """The residues carried, in order."""
        kinds = self.carries[["crop", "residue"]].drop_duplicates().sort_values(["crop", "residue"])
        return [(str(c), str(r)) for c, r in kinds.itertuples(index=False)]

    @cached_property
    def rates(self) -> pd.DataFrame:
        """What a kilo takes and gives at the barrels."""
        return barrel_rates(self.pairs, self.settings, self.values, self.settings.supply.estimate)[0]

    @cached_property
    def site_weeks(self) -> pd.DataFrame:
        """Sites and weeks with barrels."""
        rows = [
            (str(s["id"]), str(s["village"]), week, int(count), float(busy))
            for s in self.record["sites"]
            for week, (count, busy) in enumerate(zip(s["barrels_by_week"], s["busy_by_week"], strict=True))
            if count > 0
        ]
        frame = pd.DataFrame(rows, columns=["site_id", "village", "week", "barrels", "busy"])
        done = self.carries.join(self.rates["char_kg_per_kg"], on=["crop", "residue"])
        done["char_kg"] = done["mass_kg"] * done["char_kg_per_kg"]
        sums = done.groupby(["site_id", "week"])[["mass_kg", "char_kg"]].sum()
        frame = frame.join(sums, on=["site_id", "week"]).fillna({"mass_kg": 0.0, "char_kg": 0.0})
        return frame.rename(columns={"mass_kg": "residue_kg"})

    @cached_property
    def lots(self) -> pd.DataFrame:
        """As many lots as carries; the record does not hold the season's own, and nothing here asks for their mass."""
        none = dict.fromkeys(("mass_kg", "low_kg", "high_kg"), 0.0)
        return pd.DataFrame({"clear_week": -1, **none}, index=range(len(self.carries)))

    @cached_property
    def works(self) -> Works:
        """The season's work."""
        haul = None
        if self.record.get("workshop") is not None:
            haul = {str(s["id"]): float(s["haul_m"]) for s in self.record["sites"]}
        return season_work(
            self.site_weeks, self.carries, self.rates, self.lots, self.calendar, self.settings, self.values, haul_m=haul
        )

    @cached_property
    def money(self) -> Money:
        """The season's money."""
        return season_money(self.works, self.carries, self.rates, self.lots, self.settings, self.values)

    @cached_property
    def climate(self) -> Climate:
        """The season's energy and air."""
        return season_climate(self.works, self.settings, self.values)

    def label(self, week: int) -> str:
        """ISO name of a week of the season or after it."""
        return self.calendar.label(week)

    def of_residues(self, *names: str) -> tuple[str, ...]:
        """Names of figures of every residue carried."""
        return tuple(f"crop.{c}.{r}.{name}" for c, r in self.pairs for name in names)

    def carry_figures(self) -> tuple[str, ...]:
        """Names of the figures of the ways of carrying in use."""
        return ("money.wage_per_h", *(f"carry.{m}." for m in sorted(set(self.carries["mode"].astype(str)))))

    def week_of(self, label: str) -> int:
        """Index of a week by its ISO name; weeks after the season go on counting."""
        year, week = label.split("-W")
        return (date.fromisocalendar(int(year), int(week), 1) - self.calendar.monday(0)).days // DAYS_A_WEEK
