"""Which village each field belongs to, and where the villages are.

A field's own village counts first, matched with the village layer whatever the case and accents. A field without one
goes to the nearest village point. Without a village layer a village lies in the middle of its fields; with neither, all
fields belong to one village that is named after the season.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from rapidfuzz import fuzz, process

from sourcing import geodesy
from sourcing.errors import Finding
from sourcing.geodesy import Floats
from sourcing.intake.cells import as_text, fold
from sourcing.intake.ledger import Ledger, Mask
from sourcing.intake.survey import RawLayer

_ALIKE = 85.0
"""Likeness (0 to 100) from which two village names are asked about."""
_MOST_ASKED = 3000
"""Most villages whose names are compared with each other."""


@dataclass(frozen=True)
class Villages:
    """`of_row`: village id of each row ('' where set aside). `frame`: index village_id; name, geometry (point)."""

    of_row: npt.NDArray[np.object_]
    frame: gpd.GeoDataFrame


@dataclass(frozen=True)
class Points:
    """Villages of a layer: ids, names, folded names, longitude and latitude [degrees]."""

    ids: tuple[str, ...]
    names: tuple[str, ...]
    lon: Floats
    lat: Floats

    @property
    def keys(self) -> dict[str, int]:
        """Folded id or name to position; a name wins over an id."""
        return {fold(t): i for i, t in reversed([*enumerate(self.names), *enumerate(self.ids)])} | {
            fold(n): i for i, n in reversed(list(enumerate(self.names)))
        }


def village_points(layer: RawLayer | None) -> tuple[Points | None, tuple[Finding, ...]]:
    """The villages of a layer and what is odd about it; None without a layer, or without one usable point."""
    if layer is None:
        return None, ()
    frame = layer.frame
    names = as_text(frame["name"])
    shapes = gpd.GeoSeries(shapely.force_2d(frame.geometry.to_numpy()), crs=frame.crs).to_crs("EPSG:4326").to_numpy()
    middle = shapely.point_on_surface(shapes)
    lon, lat = shapely.get_x(middle), shapely.get_y(middle)
    good = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lon) <= 180) & (np.abs(lat) <= 90) & (names != "")
    rows = frame["row"].to_numpy(dtype=np.int64)
    findings = [
        Finding(
            "set_aside", layer.file, int(r), "bad_village", "it has no name or no point", "a named point", "mend it"
        )
        for r in rows[~good]
    ]
    ids = as_text(frame["village_id"]) if "village_id" in frame.columns else names
    if "village_id" in frame.columns and (len(set(ids[good])) < good.sum() or (ids[good] == "").any()):
        ids = names
    chosen, seen = [], set()
    for i in np.flatnonzero(good):
        key = fold(ids[i])
        if key in seen:
            found = f"the village '{names[i]}' is there twice; the first is used"
            findings.append(
                Finding("look", layer.file, int(rows[i]), "double_village", found, "each village once", "drop one")
            )
            continue
        seen.add(key)
        chosen.append(i)
    if not chosen:
        return None, tuple(findings)
    slugs = [slug(str(ids[i])) for i in chosen]
    points = Points(tuple(slugs), tuple(str(names[i]) for i in chosen), lon[chosen], lat[chosen])
    return points, tuple(findings)


def slug(name: str) -> str:
    """A village's id from its name: folded, words joined by a stroke."""
    return fold(name).replace(" ", "-") or "village"


def place_villages(
    frame: pd.DataFrame, lon: Floats, lat: Floats, weight: Floats, points: Points | None, season: str, ledger: Ledger
) -> Villages:
    """The village of each row. `lon`, `lat`: middle of each field, NaN where it has none; `weight` [ha].

    Only rows not set aside are given a village; rows with neither a village nor a place are set aside here.
    """
    kept = ledger.kept
    has_place = np.isfinite(lon) & np.isfinite(lat)
    written = as_text(frame["village"]) if "village" in frame.columns else np.full(len(frame), "", dtype=object)
    if points is None and kept.any() and not (written[kept] != "").any():
        ledger.whole_file(
            "look", "no_villages", "no field says its village and there is no village layer; all belong to one village",
            "a village column or a village layer", "map the village column, or name a village layer",
        )  # fmt: skip
        written = np.full(len(frame), season, dtype=object)
    codes, unique = pd.factorize(pd.Series([fold(str(w)) for w in written], dtype=object))
    known = points.keys if points is not None else {}
    names: list[str] = list(points.names) if points is not None else []
    ids: list[str] = list(points.ids) if points is not None else []
    taken = set(ids)
    position = np.full(len(unique) + 1, -1, dtype=np.int64)
    added: list[int] = []
    present = set(codes[kept & (codes >= 0)])
    usual = _usual_spelling(codes[kept], written[kept])
    for k, key in enumerate(unique):
        if key == "" or k not in present:
            continue
        if key in known:
            position[k] = known[key]
        else:
            position[k] = len(names)
            added.append(len(names))
            names.append(usual[k])
            ids.append(_free(slug(usual[k]), taken))
            taken.add(ids[-1])
    _ask_about_names(names, added, points, ledger)
    village = position[codes]
    village_lon, village_lat = _where(points, names, village, kept & has_place, lon, lat, weight)
    village = _nearest_for_blank(village, kept, has_place, lon, lat, village_lon, village_lat, names, ledger, written)
    lost = kept & (village < 0)
    ledger.mark(
        "set_aside", lost, "no_place", "it has neither a shape nor a village", "one of the two", "write the village"
    )
    if points is None:  # the fields that had no village of their own do not move the villages
        village_lon, village_lat = _where(points, names, position[codes], kept & has_place, lon, lat, weight)
    homeless = np.isnan(village_lon)
    if homeless.any():
        rows = kept & (village >= 0) & homeless[np.maximum(village, 0)]
        shown = np.array([f"nothing says where the village '{w}' is" for w in written], dtype=object)
        ledger.mark(
            "set_aside", rows, "village_nowhere", shown, "a point in the village layer, or a field with a shape",
            "add the village to the village layer",
        )  # fmt: skip
    there = np.flatnonzero(~homeless)
    result = gpd.GeoDataFrame(
        {"name": [names[i] for i in there]},
        geometry=shapely.points(village_lon[there], village_lat[there]),
        index=pd.Index([ids[i] for i in there], name="village_id", dtype=object),
        crs="EPSG:4326",
    )
    id_array = np.array([*ids, ""], dtype=object)
    of_row = np.where(ledger.kept, id_array[village], "")
    return Villages(of_row, result)


def _usual_spelling(codes: npt.NDArray[np.int64], written: npt.NDArray[np.object_]) -> dict[int, str]:
    """The spelling used most for each village; of equally frequent ones the first in the alphabet."""
    count = pd.DataFrame({"code": codes, "word": written}).value_counts(sort=False).rename("n").reset_index()
    best = count.sort_values(["n", "word"], ascending=[False, True], kind="stable").drop_duplicates("code")
    return {int(c): str(w) for c, w in zip(best["code"], best["word"], strict=True)}


def _free(wanted: str, taken: set[str]) -> str:
    number, name = 2, wanted
    while name in taken:
        name, number = f"{wanted}-{number}", number + 1
    return name


def _ask_about_names(names: list[str], added: list[int], points: Points | None, ledger: Ledger) -> None:
    if len(names) > _MOST_ASKED:
        return
    folded = [fold(n) for n in names]
    for i in added:
        others = [f for j, f in enumerate(folded) if j < i] if points is None else folded[: len(points.names)]
        near = process.extractOne(folded[i], others, scorer=fuzz.ratio, score_cutoff=_ALIKE)
        if near is not None:
            ledger.whole_file(
                "look", "village_names_alike",
                f"villages '{names[i]}' and '{names[near[2]]}' have nearly the same name",
                "one spelling a village", "make them one in the survey if they are one",
            )  # fmt: skip
        elif points is not None:
            ledger.whole_file(
                "look", "village_not_in_layer",
                f"village '{names[i]}' is not in the village layer; the middle of its fields stands for it",
                "every village in the layer", "add it, or mend the name",
            )  # fmt: skip


def _where(
    points: Points | None, names: list[str], village: npt.NDArray[np.int64], use: Mask, lon: Floats, lat: Floats,
    weight: Floats,
) -> tuple[Floats, Floats]:  # fmt: skip
    rows = use & (village >= 0)
    middle = geodesy.middles(lon[rows], lat[rows], village[rows], len(names), np.maximum(weight[rows], 1e-9))
    if points is not None:
        middle[: len(points.names), 0] = points.lon
        middle[: len(points.names), 1] = points.lat
    return middle[:, 0], middle[:, 1]


def _nearest_for_blank(
    village: npt.NDArray[np.int64], kept: Mask, has_place: Mask, lon: Floats, lat: Floats, village_lon: Floats,
    village_lat: Floats, names: list[str], ledger: Ledger, written: npt.NDArray[np.object_],
) -> npt.NDArray[np.int64]:  # fmt: skip
    blank = kept & has_place & (village < 0)
    there = np.flatnonzero(np.isfinite(village_lon))
    if not blank.any() or len(there) == 0:
        return village
    village = village.copy()
    village[blank] = there[geodesy.nearest(lon[blank], lat[blank], village_lon[there], village_lat[there])]
    if not (written != "").any():
        ledger.whole_file(
            "look", "village_by_nearness", "no field says its village; each was given to the nearest village point",
            "a village column", "map the village column if there is one",
        )  # fmt: skip
    else:
        shown = np.array(
            [
                f"it says no village; '{names[v]}' is the nearest" if b else ""
                for v, b in zip(village, blank, strict=True)
            ],
            dtype=object,
        )
        ledger.mark("mended", blank, "village_by_nearness", shown, "its village", "write the village")
    return village
