"""Small seasons for tests of the supply rooms: fields as the field room gives them, without shapes."""

from types import SimpleNamespace

import pandas as pd

from sourcing.settings import settings_from

COLUMNS = {
    "village": "Ndizi",
    "crop": "maize",
    "area_ha": 1.0,
    "yield_t_ha": 2.0,
    "harvest_start": "2027-05-03",
    "harvest_end": "2027-05-30",
    "clear_by": "2027-10-15",
    "share_promised": 1.0,
    "estimated": False,
}


def fields(*rows, **common):
    """Fields from rows that say only what differs; dates as text, None for missing."""
    table = [{**COLUMNS, **common, **row} for row in (rows or ({},))]
    frame = pd.DataFrame(table)
    if "row" not in frame:
        frame["row"] = range(1, len(frame) + 1)
    for name in ("harvest_start", "harvest_end", "clear_by"):
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[s]")
    frame["yield_t_ha"] = frame["yield_t_ha"].astype(float)
    ids = frame.pop("field_id") if "field_id" in frame else [f"f{i}" for i in range(len(frame))]
    frame.index = pd.Index(ids, name="field_id")
    villages = pd.DataFrame({"name": frame["village"].unique()}, index=frame["village"].unique())
    return SimpleNamespace(frame=frame, villages=villages)


def season(**sections):
    """Settings with the needed layer named."""
    return settings_from({"layers": {"fields": {"file": "fields.gpkg"}}, **sections})
