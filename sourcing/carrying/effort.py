"""What carrying asks of people: power by Pandolf's equation, loads against the published limits, heat.

An effort figure, not a measurement: the equation is too low for heavy loads, and no free share of a head-load is
taken.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from sourcing.carrying.carry import Mode
from sourcing.network.walking import KM_H_OF_M_S, pandolf_w
from sourcing.values import Values
from sourcing.words import Said


def on_body(mode: Mode, values: Values) -> bool:
    """Whether people bear the load themselves."""
    return values.figures.get(f"carry.{mode.name}.on_body") is not None


def effort_table(
    arcs: pd.DataFrame, modes: Mapping[str, Mode], values: Values, terrain: str = "dirt", grade_pct: float = 0.0
) -> pd.DataFrame:
    """What each way of carrying on the body asks of one person, for the heaviest load among the arcs.

    `arcs`: a table with mode and load_wet_kg. `terrain`: a name under `carry.effort.terrain`. Index mode; columns
    load_wet_kg (one person's share), speed_km_h, power_w (loaded, on that ground and grade), empty_w, hard (above
    `carry.effort.hard_work_w`).
    """
    body, eta = values["carry.effort.carrier_kg"], values[f"carry.effort.terrain.{terrain}"]
    rows = []
    for name, load in arcs.groupby("mode", sort=True)["load_wet_kg"].max().items():
        mode = modes[str(name)]
        if not on_body(mode, values):
            continue
        share = float(load) / mode.people
        loaded = float(pandolf_w(body, share, mode.speed_loaded_km_h / KM_H_OF_M_S, grade_pct, eta, values))
        empty = float(pandolf_w(body, 0.0, mode.speed_empty_km_h / KM_H_OF_M_S, grade_pct, eta, values))
        hard = loaded > values["carry.effort.hard_work_w"]
        rows.append((name, share, mode.speed_loaded_km_h, loaded, empty, hard))
    columns = ["mode", "load_wet_kg", "speed_km_h", "power_w", "empty_w", "hard"]
    return pd.DataFrame(rows, columns=columns).set_index("mode")


def load_cautions(arcs: pd.DataFrame, modes: Mapping[str, Mode], values: Values) -> tuple[Said, ...]:
    """Cautions where the heaviest load that a person bears exceeds a published limit; none where no load does.

    `arcs`: the arcs or carries of a plan, with mode and load_wet_kg [kg as it lies, a load].
    """
    limit = {k: values[f"carry.limit.{k}_kg"] for k in ("young_or_old", "woman", "lift", "man", "never")}
    out = []
    for name, row in effort_table(arcs, modes, values).iterrows():
        load, mode = float(row["load_wet_kg"]), Said(f"load.{name}")
        over = [k for k in ("never", "man", "woman", "young_or_old") if load > limit[k]]
        if over:
            lifted = over[0] == "woman" and load > limit["lift"]
            figures = {"kg": round(load), "most": limit[over[0]]} | ({"lift": limit["lift"]} if lifted else {})
            out.append(Said(f"caution.load_{'lift' if lifted else over[0]}", {"load": mode, **figures}))
        if row["hard"]:
            out.append(Said("caution.hard_work", {"load": mode, "power": round(float(row["power_w"]))}))
    return tuple(out)


def heat_cautions(temperature_c: pd.Series, busy_weeks: pd.Index, values: Values) -> tuple[Said, ...]:
    """A caution where residue is carried in hot weeks.

    `temperature_c`: mean temperature by week index; `busy_weeks`: the weeks with carrying.
    """
    hot = values["carry.heat.caution_c"]
    known = temperature_c.reindex(busy_weeks).dropna()
    weeks = int((known > hot).sum())
    if not weeks:
        return ()
    figures = {"weeks": weeks, "of": len(busy_weeks), "limit": hot, "most": round(float(known.max()))}
    return (Said("caution.heat", figures),)
