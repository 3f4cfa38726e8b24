"""A tiny placed season for the tests of work, money, climate and chances: two sites, three residues, six weeks."""

from datetime import date

import numpy as np
import pandas as pd

from sourcing.season.barrel import barrel_rates
from sourcing.settings import settings_from
from sourcing.weeks import Calendar

CALENDAR = Calendar(date(2027, 3, 1), 6)
PLACES = {"north": (35.0, -14.0), "south": (35.01, -14.01)}
HAUL = {"north": 3000.0, "south": 1000.0}
PAIRS = [("cotton", "stalk"), ("rice", "straw"), ("maize", "stalk")]


def season(**sections):
    """Settings with crews paid by the kilo, unless `sections` say otherwise."""
    works = {"crew_paid": "by_kilo", **sections.get("works", {})}
    return settings_from({"layers": {"fields": {"file": "f.gpkg"}}, **sections, "works": works})


def lots_table(values):
    rows = [
        # field, village, crop, residue, ready, clear, kg, loss a week
        ("f1", "v1", "cotton", "stalk", 0, 2, 3000.0, 0.0),
        ("f2", "v1", "cotton", "stalk", 0, 4, 2500.0, 0.01),
        ("f3", "v1", "rice", "straw", 1, 3, 800.0, 0.0),
        ("f4", "v2", "rice", "straw", 2, 5, 900.0, 0.02),
        ("f5", "v2", "maize", "stalk", 2, 4, 700.0, 0.0),
    ]
    names = ["field_id", "village", "crop", "residue", "ready_week", "clear_week", "mass_kg", "loss_week"]
    frame = pd.DataFrame(rows, columns=names)
    frame["low_kg"], frame["high_kg"] = frame["mass_kg"] * 0.7, frame["mass_kg"] * 1.3
    frame["moisture_ready"] = [
        values[f"crop.{c}.{r}.moisture_ready"] for c, r in zip(frame["crop"], frame["residue"], strict=True)
    ]
    frame["estimated"] = False
    frame.index.name = "lot"
    return frame


def placed(values, settings):
    """(site_weeks, carries, rates, lots) as a plan would hold them."""
    lots = lots_table(values)
    rates, _ = barrel_rates(PAIRS, settings, values)
    taken = [
        # lot, site, week, taken kg
        (0, "north", 0, 1800.0), (0, "north", 1, 1200.0), (1, "north", 1, 600.0), (1, "north", 2, 1900.0),
        (2, "north", 2, 300.0), (2, "north", 3, 500.0), (3, "south", 3, 500.0), (3, "south", 4, 400.0),
        (4, "south", 3, 300.0), (4, "south", 4, 400.0),
    ]  # fmt: skip
    carries = pd.DataFrame(taken, columns=["lot", "site_id", "week", "taken_kg"]).join(
        lots[["field_id", "village", "crop", "residue", "ready_week", "loss_week"]], on="lot"
    )
    carries["mass_kg"] = carries["taken_kg"] * (1 - carries["loss_week"]) ** (carries["week"] - carries["ready_week"])
    carries["distance_m"] = 200.0 + 100 * carries["lot"]
    carries["mode"] = "head_load"
    carries["loads"] = np.ceil(carries["taken_kg"] / 17).astype(int)
    carries["carry_h"] = carries["taken_kg"] * 0.01
    carries["cost"] = carries["carry_h"] * values["money.wage_per_h"]
    rated = carries.join(rates[["hours_per_kg", "char_kg_per_kg"]], on=["crop", "residue"])
    rated["char_kg"] = rated["mass_kg"] * rated["char_kg_per_kg"]
    rated["barrel_h"] = rated["mass_kg"] * rated["hours_per_kg"]
    weeks = rated.groupby(["site_id", "week"])[["mass_kg", "char_kg", "barrel_h"]].sum().reset_index()
    offered = settings.fleet.hours_a_day * settings.fleet.days_a_week
    weeks["barrels"] = np.ceil(weeks["barrel_h"] / offered).astype(int)
    weeks["busy"] = weeks["barrel_h"] / (weeks["barrels"] * offered)
    weeks["village"] = weeks["site_id"].map({"north": "v1", "south": "v2"})
    weeks = weeks.rename(columns={"mass_kg": "residue_kg"})
    columns = ["site_id", "village", "week", "barrels", "busy", "residue_kg", "char_kg"]
    return weeks[columns], carries, rates, lots
