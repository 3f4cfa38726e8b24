"""Where the figures come from, how old the data is and how much it covers: what stands on every map and sheet."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from sourcing.intake.cells import as_dates
from sourcing.plan import Plan
from sourcing.words import Words


def data_facts(plan: Plan, words: Words, made: date) -> dict[str, str]:
    """Sentences by name: survey, surveyed, data_age, coverage, estimated, straight; only those that there is cause for.

    `made`: the day on which the plan was made. The data is as old as its last day of survey; where the survey has no
    days, its age is not known: the day of its file may be that of a copy.
    """
    facts: dict[str, str] = {}
    source: Mapping[str, Any] = plan.survey.inputs[0] if plan.survey.inputs else {"path": ""}
    named = {"file": Path(str(source["path"])).name, "rows": words.number(source.get("rows") or 0)}
    if changed := source.get("modified"):
        day = date.fromisoformat(str(changed)[:10])
        facts["survey"] = words("facts.survey_dated", date=words.day(day), **named)
    else:
        facts["survey"] = words("facts.survey", **named)
    if days := survey_days(plan):
        facts["surveyed"] = words(
            "facts.surveyed", days=words.day(days[1]) if days[0] == days[1] else words.span(*days)
        )
        facts["data_age"] = words("facts.data_age", n=words.number(max((made - days[1]).days, 0)))
    else:
        facts["data_age"] = words("facts.no_days")
    frame, aside = plan.fields.frame, len(plan.fields.set_aside)
    estimated = int(frame["estimated"].sum())
    surveyed = len(frame) - estimated
    free, done = float(plan.village_table["residue_free_kg"].sum()), float(plan.site_weeks["residue_kg"].sum())
    facts["coverage"] = words(
        "facts.coverage", used=words.number(surveyed), all=words.number(surveyed + aside), aside=words.number(aside),
        share=words.number(100 * done / free if free else 0),
    )  # fmt: skip
    if estimated:
        facts["estimated"] = words("facts.estimated", share=words.number(100 * estimated / len(frame)))
    if plan.arcs.straight_line:
        facts["straight"] = words("route.straight")
    return facts


def survey_days(plan: Plan) -> tuple[date, date] | None:
    """The first and the last day of survey, where the survey's rows have days."""
    frame = plan.survey.fields.frame
    if "surveyed_on" not in frame.columns:
        return None
    days = as_dates(frame["surveyed_on"]).days
    known = days[~np.isnat(days)]
    return (known.min().item(), known.max().item()) if len(known) else None
