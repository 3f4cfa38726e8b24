"""The record of a plan, `plan.json`: everything a later reader, script or comparison needs, in plain values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from sourcing import __version__
from sourcing.errors import Finding
from sourcing.intake.survey import Survey
from sourcing.placement import Placement
from sourcing.season.climate import Climate
from sourcing.season.money import Money
from sourcing.season.outcome import Outcome, site_names
from sourcing.season.stress import Stress
from sourcing.season.works import Works
from sourcing.season.workshop import Workshop
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import Calendar
from sourcing.words import load_words


def plan_record(
    settings: Settings,
    values: Values,
    survey: Survey,
    findings: Iterable[Finding],
    set_aside: int,
    calendar: Calendar,
    placement: Placement,
    out: Outcome,
    carries: pd.DataFrame,
    figures_used: Iterable[str],
    cautions: Iterable[str],
    made_at: datetime,
    works: Works,
    money: Money,
    climate: Climate,
    stress: Stress,
) -> dict[str, Any]:
    """The plan as plain values with the keys DEVELOPERS.md lists; every number is finite."""
    grades = Counter(f.grade for f in findings)
    return {
        "version": __version__,
        "made_at": made_at.isoformat(timespec="seconds"),
        "settings": settings.model_dump(mode="json"),
        "inputs": list(survey.inputs),
        "findings": {
            "kept": len(out.field_table),
            "mended": grades["mended"],
            "look": grades["look"],
            "set_aside": set_aside,
        },
        "weeks": list(calendar.labels),
        "solve": {
            "goal": placement.goal,
            "status": placement.status,
            "value": _number(placement.value),
            "bound": _number(placement.bound),
            "gap": _number(placement.gap),
            "seconds": round(float(placement.seconds), 3),
        },
        "totals": totals(placement, out, carries),
        "villages": _with_weeks(out.village_table, out.site_weeks, "village", calendar),
        "sites": _called(_with_weeks(out.site_table, out.site_weeks, "site_id", calendar), out, settings),
        "work": _work(works, calendar),
        "carries": _carries(carries, calendar),
        "money": _money(money, calendar),
        "workshop": None if works.workshop is None else _workshop(works.workshop, calendar),
        "climate": _climate(climate),
        "chances": _chances(stress),
        "values_used": [_figure(values, name) for name in sorted(set(figures_used))],
        "cautions": list(cautions),
    }


def totals(placement: Placement, out: Outcome, carries: pd.DataFrame) -> dict[str, float]:
    """The season in a few figures. `value` is in the unit of the goal; masses are dry [kg], char as made [kg]."""
    weeks = out.site_weeks
    busy = float((weeks["barrels"] * weeks["busy"]).sum())
    found = {
        "fields": len(out.field_table),
        "area_ha": out.field_table["area_ha"].sum(),
        "residue_free_kg": out.field_table["free_kg"].sum(),
        "residue_kg": carries["mass_kg"].sum(),
        "char_kg": out.site_table["char_kg"].sum(),
        "villages_with_barrels": int(out.village_table["deploy"].sum()),
        "sites": len(out.site_table),
        "most_barrels": int(weeks.groupby("week")["barrels"].sum().max()) if len(weeks) else 0,
        "barrel_weeks": int(weeks["barrels"].sum()),
        "barrel_weeks_busy": busy,
        "several_weeks": int(out.site_table["several_weeks"].sum()),
        "loads": int(carries["loads"].sum()),
        "carry_km": (carries["loads"] * carries["distance_m"] * 2).sum() / 1000,
        "carry_h": carries["carry_h"].sum(),
        "carry_cost": carries["cost"].sum(),
        "value": placement.value,
    }
    if placement.goal == "margin":
        found["margin"] = placement.value
    return {name: _number(value) for name, value in found.items()}


def _called(rows: list[dict[str, Any]], out: Outcome, settings: Settings) -> list[dict[str, Any]]:
    """Sites with what maps and sheets call them, in the season's language."""
    words = load_words(settings.season.language)
    names = site_names(out.site_table, out.village_table["name"], words)
    return [{**row, "called": names[row["id"]]} for row in rows]


def _with_weeks(table: pd.DataFrame, weeks: pd.DataFrame, key: str, calendar: Calendar) -> list[dict[str, Any]]:
    work = weeks.assign(used=weeks["barrels"] * weeks["busy"])
    wide = {
        name: work.pivot_table(index=key, columns="week", values=name, aggfunc="sum", fill_value=0)
        .reindex(index=table.index, columns=range(calendar.count), fill_value=0)
        .to_numpy(dtype=float)
        for name in ("barrels", "used")
    }
    share = np.divide(wide["used"], wide["barrels"], out=np.zeros_like(wide["used"]), where=wide["barrels"] > 0)
    rows = []
    for position, (identity, row) in enumerate(zip(table.index, table.to_dict("records"), strict=True)):
        plain = {str(k): _plain(v) for k, v in row.items()}
        barrels = [int(b) for b in np.rint(wide["barrels"][position])]
        rows.append(
            {
                "id": str(identity),
                **plain,
                "barrels_by_week": barrels,
                "busy_by_week": share[position].round(4).tolist(),
            }
        )
    return rows


def _carries(carries: pd.DataFrame, calendar: Calendar) -> list[dict[str, Any]]:
    labels = calendar.labels
    return [
        {
            "field": row.field_id, "site": row.site_id, "crop": row.crop, "residue": row.residue,
            "week": labels[row.week], "taken_kg": round(row.taken_kg, 3), "mass_kg": round(row.mass_kg, 3),
            "distance_m": round(row.distance_m, 1), "mode": row.mode, "loads": int(row.loads),
            "carry_h": round(row.carry_h, 3), "cost": round(row.cost, 4),
        }
        for row in carries.itertuples()
    ]  # fmt: skip


def _work(works: Works, calendar: Calendar) -> list[dict[str, Any]]:
    """The work at each site in each week, as the works table has it."""
    table = works.site_weeks.rename(columns={"site_id": "site"})
    labels = [calendar.label(int(week)) for week in table["week"]]
    return [
        {**{str(k): _plain(v) for k, v in row.items()}, "week": label}
        for label, row in zip(labels, table.to_dict("records"), strict=True)
    ]


def _money(money: Money, calendar: Calendar) -> dict[str, Any]:
    """Margin, break-even prices, amounts by part, and cash by week [currency]; `weeks` are the weeks of the cash."""
    parts = money.parts.reset_index()
    return {
        "currency": money.currency,
        "margin": _number(money.margin),
        "break_even_char": _number(money.break_even_char) if np.isfinite(money.break_even_char) else None,
        "parts": [{str(k): _plain(v) for k, v in row.items()} for row in parts.to_dict("records")],
        "weeks": [calendar.label(int(w)) for w in money.weeks.index],
        "balance_by_week": [_number(float(v)) for v in money.weeks["balance"]],
    }


def _workshop(workshop: Workshop, calendar: Calendar) -> dict[str, Any]:
    """Presses, and by week what comes in, is pressed, sold and in stock [kg]."""
    weeks = workshop.weeks.reset_index()
    labels = [calendar.label(int(w)) for w in weeks["week"]]
    return {
        "presses": [{"kind": p.kind, "count": int(p.count)} for p in workshop.presses],
        "weeks": [
            {**{str(k): _plain(v) for k, v in row.items()}, "week": label}
            for label, row in zip(labels, weeks.to_dict("records"), strict=True)
        ],
    }


def _climate(climate: Climate) -> dict[str, Any]:
    """Energy and air: each figure with low, likely, high and unit."""
    tables = {"energy": climate.energy, "warming": climate.warming, "smoke": climate.smoke}
    found: dict[str, Any] = {
        name: {str(i): {str(k): _plain(v) for k, v in row.items()} for i, row in table.to_dict("index").items()}
        for name, table in tables.items()
    }
    return {"gwp": climate.gwp, **found, "notes": list(climate.notes)}


def _chances(stress: Stress) -> dict[str, Any]:
    """How sure the season is: what the whole may come to, and how sure each site is."""
    season = stress.season.to_dict("index")
    sites = stress.sites[["sureness", "chance", "char_p10", "char_p50", "char_p90"]].to_dict("index")
    return {
        "replays": stress.replays,
        "causes": list(stress.causes),
        "season": {str(i): {str(k): _plain(v) for k, v in row.items()} for i, row in season.items()},
        "by_cause": {} if stress.spread is None else _table(stress.spread),
        "villages": _table(stress.villages),
        "sites": {str(i): {str(k): _plain(v) for k, v in row.items()} for i, row in sites.items()},
    }


def _table(frame: pd.DataFrame) -> dict[str, dict[str, Any]]:
    """Rows by their index, in plain values."""
    return {str(i): {str(k): _plain(v) for k, v in row.items()} for i, row in frame.to_dict("index").items()}


def _figure(values: Values, name: str) -> dict[str, Any]:
    figure = values.figure(name)
    parts = name.split(".")
    return {
        "name": name, "crop": parts[1] if parts[0] == "crop" else "", "value": figure.likely, "low": figure.low,
        "high": figure.high, "unit": figure.unit, "source": figure.source, "place": figure.place,
        "standing": figure.standing, "overridden": figure.overridden,
    }  # fmt: skip


def _plain(value: Any) -> Any:
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    return _number(float(value)) if isinstance(value, float | np.floating) else str(value)


def _number(value: float) -> float:
    """A finite number rounded to what is worth keeping. Raises ValueError for anything else."""
    if not np.isfinite(value):
        raise ValueError("a figure of the plan is not a finite number")
    return int(value) if isinstance(value, int | np.integer) else round(float(value), 6)
