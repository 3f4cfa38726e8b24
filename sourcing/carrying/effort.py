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


def load_cautions(arcs: pd.DataFrame, modes: Mapping[str, Mode], values: Values) -> tuple[str, ...]:
    """Cautions where the heaviest load that a person bears exceeds a published limit; none where no load does.

    `arcs`: the arcs or carries of a plan, with mode and load_wet_kg [kg as it lies, a load].
    """
    limit = {k: values[f"carry.limit.{k}_kg"] for k in ("young_or_old", "woman", "lift", "man", "never")}
    out = []
    for name, row in effort_table(arcs, modes, values).iterrows():
        load = float(row["load_wet_kg"])
        what = f"A {str(name).replace('_', ' ')} reaches {load:.0f} kg a person"
        if load > limit["never"]:
            out.append(f"{what}: nobody should ever carry more than {limit['never']:g} kg. Make smaller loads.")
        elif load > limit["man"]:
            out.append(f"{what}, more than the {limit['man']:g} kg that is the reference for men of 20 to 45 years. "
                       "Make smaller loads.")  # fmt: skip
        elif load > limit["woman"]:
            out.append(f"{what}: too much for women, and for men under 20 or over 45 ({limit['woman']:g} kg)"
                       + (f", and more than the {limit['lift']:g} kg that one person should lift alone."
                          if load > limit["lift"] else "."))  # fmt: skip
        elif load > limit["young_or_old"]:
            out.append(f"{what}: too much for women under 20 or over 45 ({limit['young_or_old']:g} kg); give them "
                       "smaller bundles.")  # fmt: skip
        if row["hard"]:
            out.append(f"Carrying a {str(name).replace('_', ' ')} is hard work (about {row['power_w']:.0f} W): "
                       "take turns and rest.")  # fmt: skip
    return tuple(out)


def heat_cautions(temperature_c: pd.Series, busy_weeks: pd.Index, values: Values) -> tuple[str, ...]:
    """A caution where residue is carried in hot weeks.

    `temperature_c`: mean temperature by week index; `busy_weeks`: the weeks with carrying.
    """
    hot = values["carry.heat.caution_c"]
    known = temperature_c.reindex(busy_weeks).dropna()
    weeks = int((known > hot).sum())
    if not weeks:
        return ()
    return (
        f"In {weeks} of {len(busy_weeks)} weeks of carrying the mean temperature is above {hot:g} °C (up to "
        f"{known.max():.0f} °C): carry in the cool hours, with water and shade.",
    )
