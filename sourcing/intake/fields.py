"""Raw survey rows into clean fields: mended, or set aside with the reason; nothing vanishes.

Every row of the file is afterwards in exactly one of three heaps: kept as it was, mended, set aside. Every check looks
at every row, so that a row with three faults tells all three at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from sourcing import geodesy
from sourcing.errors import Finding, InputError
from sourcing.geodesy import Floats, Geometries
from sourcing.intake.cells import as_dates, as_numbers, as_text, as_yes_no
from sourcing.intake.cropnames import NOT_A_CROP, CropNames
from sourcing.intake.crosschecks import doubles, far_from_village, overlaps, slivers, stated_area
from sourcing.intake.harvest import harvest_days
from sourcing.intake.ledger import Ledger, Mask
from sourcing.intake.shapes import Shapes, clean_shapes
from sourcing.intake.survey import RawLayer, Survey
from sourcing.intake.units import stated_area_ha, yield_t_ha
from sourcing.intake.villages import place_villages, village_points
from sourcing.settings import Settings
from sourcing.values import Values


@dataclass(frozen=True)
class Fields:
    """Clean fields, their villages, and what was found on the way.

    `frame` (EPSG:4326, index field_id): row, village (id), crop (our name), area_ha (geodesic), yield_t_ha (NaN: the
    crop's default), harvest_start, harvest_end, clear_by (datetime64; clear_by may be NaT), share_promised (0 to 1),
    estimated, placed (no shape was surveyed: a disc of the stated area stands for it), mended, geometry; where the
    survey has them also crop_2 ('' for none), share_2 (of the ground, 0 to 1), yield_2_t_ha and plants (a count), NaN
    for not said.
    `villages` (EPSG:4326, index village_id): name, geometry (point).
    `set_aside`: file, row, field_id, what (the first reason's kind), reason and kinds (all of them).
    `counts`: rows = kept + mended + set_aside, always.
    `source`: where the fields come from, once that is decided (see :mod:`sourcing.intake.history`).
    """

    frame: gpd.GeoDataFrame
    villages: gpd.GeoDataFrame
    findings: tuple[Finding, ...]
    set_aside: pd.DataFrame
    counts: Mapping[str, int] = field(default_factory=dict)
    source: Mapping[str, Any] = field(default_factory=dict)


def clean_fields(survey: Survey, settings: Settings, values: Values) -> Fields:
    """Clean fields from a survey. Raises InputError on unknown crops in the season file or an unknown year."""
    raw = survey.fields
    frame = raw.frame
    ledger = Ledger(raw.file, frame["row"].to_numpy(dtype=np.int64), _user_ids(frame))
    crop = _crops(raw, settings, values, ledger)
    stated = stated_area_ha(raw, values, ledger)
    yields = yield_t_ha(raw, crop, values, ledger)
    points, village_findings = village_points(survey.villages)
    at = (points.lon, points.lat) if points is not None else (None, None)
    shapes = clean_shapes(raw, stated, values, ledger, *at)
    harvest = harvest_days(frame, crop, settings, values, ledger)
    promised = _promised(frame, settings, ledger)
    more = _second_crops(raw, crop, settings, values, ledger)
    _consent(frame, settings, ledger)
    estimated = _estimated(frame)
    lon, lat = _middles(shapes)
    villages = place_villages(frame, lon, lat, shapes.area_ha, points, settings.season.name, ledger)
    geometry, area = _place(shapes, stated, villages.of_row, villages.frame, ledger)
    shared = doubles(shapes.geometry, area, crop, _surveyed(frame), ledger)
    overlaps(shapes.geometry, area, shared, values, ledger)
    slivers(shapes.geometry, area, values, ledger)
    stated_area(stated, area, shapes.to_place, values, ledger)
    far_from_village(lon, lat, villages.of_row, _lon_lat(villages.frame), values, ledger)
    kept = ledger.kept
    ids = field_ids(ledger, geometry, crop)
    clean = gpd.GeoDataFrame(
        {
            "row": ledger.rows[kept], "village": villages.of_row[kept], "crop": crop[kept], "area_ha": area[kept],
            "yield_t_ha": yields[kept], "harvest_start": harvest.start[kept].astype("datetime64[s]"),
            "harvest_end": harvest.end[kept].astype("datetime64[s]"),
            "clear_by": harvest.clear_by[kept].astype("datetime64[s]"), "share_promised": promised[kept],
            "estimated": estimated[kept], "placed": shapes.to_place[kept], "mended": ledger.mended[kept],
            **{name: column[kept] for name, column in more.items()},
        },
        geometry=geometry[kept], crs="EPSG:4326", index=pd.Index(ids, name="field_id", dtype=object),
    )  # fmt: skip
    findings = (*survey.findings, *village_findings, *ledger.findings)
    return Fields(clean, villages.frame, findings, ledger.set_aside_table(), ledger.counts())


def _surveyed(frame: gpd.GeoDataFrame) -> npt.NDArray[np.datetime64]:
    if "surveyed_on" not in frame.columns:
        return np.full(len(frame), np.datetime64("NaT", "D"), dtype="datetime64[D]")
    return as_dates(frame["surveyed_on"]).days


def _lon_lat(points: gpd.GeoDataFrame) -> pd.DataFrame:
    return pd.DataFrame({"lon": points.geometry.x, "lat": points.geometry.y}, index=points.index)


def _user_ids(frame: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    return as_text(frame["field_id"]) if "field_id" in frame.columns else np.full(len(frame), "", dtype=object)


def _crops(
    raw: RawLayer, settings: Settings, values: Values, ledger: Ledger, column: str = "crop"
) -> npt.NDArray[np.object_]:
    """Our name of the crop of each row. A row whose words are not understood is set aside; so is one without a crop,
    but for the column of the second crop, where none is none.
    """
    names = CropNames(values.crops(), settings.crop_names)
    if bad := names.bad_targets():
        raise InputError(
            [
                Finding(
                    "refused", "season.toml", None, "unknown_crop", f"crop_names names '{c}', which has no figures",
                    f"one of {', '.join(values.crops())}, or '-'", "mend crop_names, or add the crop's figures",
                )
                for c in bad
            ]
        )  # fmt: skip
    codes, unique = pd.factorize(pd.Series(as_text(raw.frame[column]), dtype=object))
    means = names.resolve(str(u) for u in unique)
    ordered = [means[str(u)] for u in unique]
    crop: npt.NDArray[np.object_] = np.array([m.crop for m in ordered] or [""], dtype=object)[codes]
    first = column == "crop"
    for what in ("no_crop", "not_a_crop", "no_figures", "unknown_crop") if first else ("no_figures", "unknown_crop"):
        texts, remedies = [], []
        for word, m in zip(unique, ordered, strict=True):
            texts.append(m.reason if first else f"of the second crop, {m.reason}")
            near = " or ".join(f"'{p}'" if p != NOT_A_CROP else "no crop" for p in m.proposals)
            hint = f"; is it {near}?" if near else ""
            remedies.append(_CROP_REMEDY[what].format(word=word) + (hint if what == "unknown_crop" else ""))
        mask = np.array([m.what == what for m in ordered] or [False], dtype=bool)[codes]
        ledger.mark(
            "set_aside", mask, what, np.array(texts or [""], dtype=object)[codes], "a crop with figures",
            np.array(remedies or [""], dtype=object)[codes],
        )  # fmt: skip
    return crop


def _second_crops(
    raw: RawLayer, crop: npt.NDArray[np.object_], settings: Settings, values: Values, ledger: Ledger
) -> dict[str, npt.NDArray[Any]]:
    """The columns of a second crop and of counted plants, as far as the survey has them."""
    found: dict[str, npt.NDArray[Any]] = {}
    if "crop_2" in raw.frame.columns:
        second = _crops(raw, settings, values, ledger, "crop_2")
        ledger.mark(
            "mended", (second == crop) & (second != ""), "one_crop_twice",
            "the second crop is the first again; one crop was taken", "another crop, or none", "mend the second crop",
        )  # fmt: skip
        found["crop_2"] = np.where(second == crop, "", second)
        share, bad = _shares(raw.frame, "share_2", ledger)
        with np.errstate(invalid="ignore"):
            odd = (found["crop_2"] != "") & (bad | (share <= 0) | (share >= 1))
        ledger.mark(
            "mended", odd, "bad_share", "the second crop's share of the ground cannot be; half was taken",
            "more than 0 and less than 1", "mend the share",
        )  # fmt: skip
        found["share_2"] = np.where(odd | (found["crop_2"] == ""), np.nan, share)
        found["yield_2_t_ha"] = yield_t_ha(raw, found["crop_2"], values, ledger, "yield_2_t_ha")
    if "plants" in raw.frame.columns:
        count, bad = as_numbers(raw.frame["plants"])
        with np.errstate(invalid="ignore"):
            odd = bad | (count < 0)
        ledger.mark(
            "mended", odd, "bad_count", "the count of plants is no number; the area was taken", "a count", "count again"
        )
        found["plants"] = np.where(odd, np.nan, count)
    return found


_CROP_REMEDY = {
    "no_crop": "write the crop",
    "not_a_crop": "nothing, unless a crop does grow there",
    "no_figures": "add the crop's figures in a values_file, or leave it aside",
    "unknown_crop": 'mend the word, or add "{word}" to [crop_names]',
}


def _shares(frame: gpd.GeoDataFrame, name: str, ledger: Ledger) -> tuple[Floats, Mask]:
    """Shares [0-1, NaN for blank], also written in percent, and which cells are no numbers."""
    if name not in frame.columns:
        return np.full(len(frame), np.nan), np.zeros(len(frame), dtype=bool)
    column = frame[name]
    text = None if pd.api.types.is_numeric_dtype(column.dtype) else as_text(column)
    if text is not None:
        percent = np.array([t.endswith("%") for t in text], dtype=bool)
        numbers, bad = as_numbers(pd.Series([t.rstrip("% ") for t in text], dtype=object))
    else:
        numbers, bad = as_numbers(column)
        percent = np.zeros(len(frame), dtype=bool)
    with np.errstate(invalid="ignore"):
        if not percent.any() and (numbers > 1).mean() > 0.2:
            percent[:] = True
            ledger.whole_file(
                "look", "share_in_percent", f"shares in {name} go above 1; all were taken for percent",
                "0 to 1, or with %", "check the column",
            )  # fmt: skip
        return np.where(percent, numbers / 100, numbers), bad


def _promised(frame: gpd.GeoDataFrame, settings: Settings, ledger: Ledger) -> Floats:
    default = settings.supply.default_share_promised
    if "share_promised" not in frame.columns:
        return np.full(len(frame), default)
    column = frame["share_promised"]
    share, bad = _shares(frame, "share_promised", ledger)
    with np.errstate(invalid="ignore"):
        odd = bad | (share < 0) | (share > 1)
        none = share == 0
    shown = np.array([f"the share promised is '{v}'" for v in column.astype(str)], dtype=object) if odd.any() else ""
    ledger.mark(
        "mended", odd, "bad_share",
        shown if isinstance(shown, str) else np.array([f"{s}; {default:.0%} was taken" for s in shown], dtype=object),
        "a share from 0 to 1, or 0 % to 100 %", "mend the share",
    )  # fmt: skip
    ledger.mark(
        "set_aside", none, "nothing_promised", "the household gives none of its residue", "a share above 0",
        "nothing, unless the household does give some",
    )  # fmt: skip
    return np.where(odd | np.isnan(share), default, share)


def _consent(frame: gpd.GeoDataFrame, settings: Settings, ledger: Ledger) -> None:
    if "consent" not in frame.columns or not settings.supply.needs_consent:
        return
    yes, no, other = as_yes_no(frame["consent"])
    ledger.mark(
        "set_aside", no, "no_consent", "the household does not agree", "consent", "nothing, unless the household agrees"
    )
    if other.any():
        shown = np.array([f"consent is '{t}', neither yes nor no" for t in as_text(frame["consent"])], dtype=object)
        ledger.mark("set_aside", other, "unclear_consent", shown, "yes or no", "ask the household")
    ledger.mark("look", ~yes & ~no & ~other, "missing_consent", "consent is blank", "yes or no", "ask the household")


def _estimated(frame: gpd.GeoDataFrame) -> Mask:
    if "estimated" not in frame.columns:
        return np.zeros(len(frame), dtype=bool)
    return as_yes_no(frame["estimated"])[0]


def _middles(shapes: Shapes) -> tuple[Floats, Floats]:
    """Middle of each shape; of a row that is to be placed, the point the survey gives; NaN where nothing is known."""
    middle = shapely.centroid(shapes.geometry)
    lon, lat = shapely.get_x(middle), shapely.get_y(middle)
    return np.where(np.isnan(lon), shapes.lon, lon), np.where(np.isnan(lat), shapes.lat, lat)


def _place(
    shapes: Shapes, stated_ha: Floats, village: npt.NDArray[np.object_], villages: gpd.GeoDataFrame, ledger: Ledger
) -> tuple[Geometries, Floats]:
    """Discs of the stated area for rows without a shape: at their own point, else at their village."""
    rows = np.flatnonzero(shapes.to_place & ledger.kept)
    geometry, area = shapes.geometry.copy(), shapes.area_ha.copy()
    if len(rows) == 0:
        return geometry, area
    at = villages.geometry.reindex(village[rows]).to_numpy()
    own = np.isfinite(shapes.lon[rows])
    lon = np.where(own, shapes.lon[rows], shapely.get_x(at))
    lat = np.where(own, shapes.lat[rows], shapely.get_y(at))
    geometry[rows] = geodesy.discs(lon, lat, stated_ha[rows])
    area[rows] = stated_ha[rows]
    reach = _reach_m(villages, village, shapes)
    shown = np.full(len(geometry), "", dtype=object)
    for i, is_own in zip(rows, own, strict=True):
        if is_own:
            shown[i] = f"it has a point and a stated area of {stated_ha[i]:.3g} ha, no boundary; a disc stands for it"
        else:
            far = reach.get(str(village[i]), float("nan"))
            told = (
                f"the village's other fields reach {far:.0f} m from it" if np.isfinite(far) else "how far is not known"
            )
            shown[i] = (
                f"it has a stated area of {stated_ha[i]:.3g} ha and no shape; a disc at its village stands for it "
                f"and may lie far from the truth ({told})"
            )
    mask = np.zeros(len(geometry), dtype=bool)
    mask[rows] = True
    ledger.mark("mended", mask, "placed", shown, "the field's boundary", "walk the boundary")
    return geometry, area


def _reach_m(villages: gpd.GeoDataFrame, village: npt.NDArray[np.object_], shapes: Shapes) -> dict[str, float]:
    """How far the shapes of each village lie from its point, at most [m]."""
    there = ~shapely.is_missing(shapes.geometry) & (village != "")
    if not there.any():
        return {}
    middle = shapely.centroid(shapes.geometry[there])
    at = villages.geometry.reindex(village[there]).to_numpy()
    far = geodesy.distances_m(shapely.get_x(middle), shapely.get_y(middle), shapely.get_x(at), shapely.get_y(at))
    return {str(k): float(v) for k, v in pd.Series(far).groupby(village[there]).max().items()}


def field_ids(ledger: Ledger, geometry: Geometries, crop: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Unique ids of the kept rows: the survey's own where they are unique, else made from the middle and the crop.

    Made ids do not depend on the order of rows.
    """
    kept = ledger.kept
    own = ledger.ids
    filled = own != ""
    repeated = np.zeros(len(own), dtype=bool)
    repeated[kept] = filled[kept] & pd.Series(own[kept]).duplicated(keep=False).to_numpy()
    if repeated.sum() > 0.5 * kept.sum():
        ledger.whole_file(
            "look", "ids_not_unique", "most rows share their field_id with others; ids were made from place and crop",
            "an id of its own for each field", "map field_id to the right column",
        )  # fmt: skip
        filled = np.zeros(len(own), dtype=bool)
    elif repeated.any():
        shown = np.array([f"field_id '{i}' is there more than once" for i in own], dtype=object)
        ledger.mark("look", repeated, "double_id", shown, "an id of its own for each field", "mend the id")
    result = np.where(filled, own, "").astype(object)
    todo = np.flatnonzero(kept & (~filled | repeated))
    if len(todo):
        middle = shapely.centroid(geometry[todo])
        made = [
            f"{lat:.5f}_{lon:.5f}_{c}"
            for lon, lat, c in zip(shapely.get_x(middle), shapely.get_y(middle), crop[todo], strict=True)
        ]
        result[todo] = [f"{own[i]}_{m}" if filled[i] else m for i, m in zip(todo, made, strict=True)]
    kept_ids = result[kept]
    again = np.flatnonzero(pd.Series(kept_ids).duplicated(keep=False).to_numpy())
    if len(again):
        shapes = shapely.to_wkb(geometry[kept][again], hex=True)
        taken = set(kept_ids)
        order = sorted(range(len(again)), key=lambda k: (kept_ids[again[k]], shapes[k], ledger.rows[kept][again[k]]))
        count: dict[str, int] = {}
        for k in order:
            wanted = str(kept_ids[again[k]])
            count[wanted] = count.get(wanted, 0) + 1
            if count[wanted] > 1:
                name = f"{wanted}-{count[wanted]}"
                while name in taken:
                    name += "x"
                taken.add(name)
                kept_ids[again[k]] = name
    return np.asarray(kept_ids, dtype=object)
