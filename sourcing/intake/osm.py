"""What GDAL's OpenStreetMap layers hold beside ways, and tags that it keeps as one text.

GDAL reads an extract (`.osm.pbf`, `.osm`) as layers; `lines` holds ways, but also rivers, railways and fences, and
puts less usual tags into `other_tags` as `"key"=>"value"` pairs.
"""

from __future__ import annotations

import re
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd

from sourcing.errors import Finding
from sourcing.intake.survey import RawLayer

_PAIR = re.compile(r'"((?:[^"\\]|\\.)*)"=>"((?:[^"\\]|\\.)*)"')
NOT_CROSSED = ("river", "canal")
"""Waters that nobody crosses off a path; a stream or a ditch can be stepped over."""
NO_ACCESS = ("no", "private")
ON_FOOT = ("yes", "designated", "permissive")


def is_osm(frame: gpd.GeoDataFrame) -> bool:
    """Whether a table is one of GDAL's OpenStreetMap layers."""
    return {"osm_id", "other_tags"} <= set(frame.columns)


def tags(text: object) -> dict[str, str]:
    """The tags of one row of `other_tags`."""
    return dict(_PAIR.findall(text)) if isinstance(text, str) else {}


def osm_ways(layer: RawLayer) -> tuple[RawLayer, list[Finding]]:
    """The ways of an OpenStreetMap `lines` layer with their direction and level as columns, and what was left out.

    Any other layer comes back as it is. Ways that the public may not use, on foot either, are left out.
    """
    frame = layer.frame
    if not is_osm(frame):
        return layer, []
    found = [tags(t) for t in frame["other_tags"]]
    is_way = _given(frame, "way") if "way" in frame else np.zeros(len(frame), dtype=bool)
    shut = np.array([t.get("access") in NO_ACCESS and t.get("foot") not in ON_FOOT for t in found], dtype=bool)
    findings = []
    if not is_way.all():
        findings.append(_look(
            layer, "not_ways", f"{int((~is_way).sum())} of {len(frame)} lines are no ways (rivers, railways, fences …)",
        ))  # fmt: skip
    if (is_way & shut).any():
        findings.append(_look(layer, "no_access", f"{int((is_way & shut).sum())} ways are private or closed to all"))
    one_way = {"yes": "yes", "true": "yes", "1": "yes", "-1": "-1"}
    frame = frame.assign(
        one_way=[one_way.get(t.get("oneway", ""), "") for t in found], level=[t.get("layer", "") for t in found]
    )
    return replace(layer, frame=frame[is_way & ~shut].reset_index(drop=True)), findings


def osm_barriers(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The rivers, canals, fences and walls among an OpenStreetMap layer; any other table comes back as it is."""
    if not is_osm(frame):
        return frame
    water = frame["waterway"].isin(NOT_CROSSED) if "waterway" in frame else pd.Series(False, index=frame.index)
    fence = _given(frame, "barrier") if "barrier" in frame else np.zeros(len(frame), dtype=bool)
    return frame[water.to_numpy() | fence].reset_index(drop=True)


def _given(frame: gpd.GeoDataFrame, column: str) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    return np.array([isinstance(c, str) and c.strip() != "" for c in frame[column]], dtype=bool)


def _look(layer: RawLayer, what: str, found: str) -> Finding:
    return Finding(
        "look", layer.file, None, what, found, "ways that people may use", "they are left out; nothing to do"
    )
