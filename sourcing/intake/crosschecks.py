"""Fields looked at together: swapped coordinates, strays, doubles, overlaps, slivers, stated against measured area.

Only what is certain is acted upon (coordinates whose two numbers are swapped, the very same field twice, a stray that
lies in another country); the rest is told, for a person to look at.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from sourcing import geodesy
from sourcing.geodesy import Floats, Geometries
from sourcing.intake.ledger import Ledger, Mask
from sourcing.values import Values

_FEW = 0.1
"""Strays are set aside while they are at most this share of the rows; with more, there are two surveys in the file."""
_PAIRS_AT_ONCE = 200_000
_ALL_OF_IT = 0.95


def unswap(
    shapes: Geometries, village_lon: Floats | None, village_lat: Floats | None, values: Values, ledger: Ledger
) -> Geometries:
    """Shapes whose longitude and latitude stand in each other's place, turned round; strays set aside.

    Judged by how far a shape lies from the middle (median) of the village points, else of all shapes. A shape is only
    turned when that brings it home.
    """
    there = ~shapely.is_missing(shapes)
    if not there.any():
        return shapes
    box = shapely.bounds(shapes)  # not the centroid: that of a crossed ring can lie anywhere
    lon, lat = (box[:, 0] + box[:, 2]) / 2, (box[:, 1] + box[:, 3]) / 2
    if village_lon is not None and village_lat is not None and len(village_lon):
        home, by = (float(np.median(village_lon)), float(np.median(village_lat))), "the villages"
        reach = float(geodesy.distances_m(village_lon, village_lat, *_same(home, len(village_lon))).max())
    else:
        home, by = (float(np.nanmedian(lon)), float(np.nanmedian(lat))), "the other fields"
        reach = 0.0
    most = values["survey.field.far_from_survey_m"] + reach
    far_m = _from_home(lon, lat, home)
    away = there & (far_m > most)
    if not away.any():
        return shapes
    turned_m = _from_home(lat, lon, home)
    swapped = away & (turned_m <= most)
    shown = np.full(len(shapes), "", dtype=object)
    for i in np.flatnonzero(away):
        shown[i] = f"it lies {far_m[i] / 1000:.0f} km from {by} (at longitude {lon[i]:.4f}, latitude {lat[i]:.4f})"
    if swapped.any():
        told = np.array(
            [f"{t}; with the two numbers swapped it lies among them" if t else "" for t in shown], dtype=object
        )
        ledger.mark("mended", swapped, "swapped_coordinates", told, "longitude first", "mend the order in the survey")
        shapes = shapes.copy()
        shapes[swapped] = shapely.transform(shapes[swapped], lambda xy: xy[:, ::-1])
        away &= ~swapped
    if not away.any():
        return shapes
    hints = _sign_hints(lon, lat, home, most, away)
    few = away.sum() <= max(1.0, _FEW * there.sum()) and there.sum() > 2
    if few:
        ledger.mark("set_aside", away, "far_from_survey", shown, f"a place within {most / 1000:.0f} km", hints)
        shapes = shapes.copy()
        shapes[away] = None
    else:
        share = away.sum() / there.sum()
        ledger.whole_file(
            "look", "far_from_survey", f"{share:.0%} of the fields lie more than {most / 1000:.0f} km from {by}",
            "fields and villages in one region", "check the coordinate systems (crs under [layers])",
        )  # fmt: skip
    return shapes


def _same(place: tuple[float, float], count: int) -> tuple[Floats, Floats]:
    return np.full(count, place[0]), np.full(count, place[1])


def _from_home(lon: Floats, lat: Floats, home: tuple[float, float]) -> Floats:
    result = np.full(len(lon), np.inf)
    good = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90) & (np.abs(lon) <= 180)
    result[good] = geodesy.distances_m(lon[good], lat[good], *_same(home, int(good.sum())))
    return result


def _sign_hints(
    lon: Floats, lat: Floats, home: tuple[float, float], most: float, away: Mask
) -> npt.NDArray[np.object_]:
    hints = np.full(len(lon), "check the coordinates and the coordinate system", dtype=object)
    for x, y, text in (
        (lon, -lat, "is a minus (south) missing or too many in the latitude?"),
        (-lon, lat, "is a minus (west) missing or too many in the longitude?"),
        (-lon, -lat, "are the signs of both numbers wrong?"),
    ):
        hints[away & (_from_home(x, y, home) <= most)] = text
    return hints


def doubles(
    geometry: Geometries,
    area_ha: Floats,
    crop: npt.NDArray[np.object_],
    surveyed: npt.NDArray[np.datetime64],
    ledger: Ledger,
) -> Mask:
    """Sets aside the very same field taken in twice; tells of one shape with two crops. Returns rows of shared shapes.

    Of rows with the same shape and crop the one surveyed last is kept, else the first.
    """
    rows = np.flatnonzero(ledger.kept & ~shapely.is_missing(geometry))
    shared = np.zeros(len(geometry), dtype=bool)
    middle = shapely.centroid(geometry[rows])
    key = pd.DataFrame(
        {
            "x": np.round(shapely.get_x(middle), 7),
            "y": np.round(shapely.get_y(middle), 7),
            "a": np.round(area_ha[rows], 4),
        }
    )
    rows = rows[key.duplicated(keep=False).to_numpy()]
    if len(rows) == 0:
        return shared
    same = pd.DataFrame({"row": rows, "shape": shapely.to_wkb(shapely.normalize(geometry[rows]), hex=True)})
    same["crop"] = crop[rows]
    same["number"] = ledger.rows[rows]
    same["day"] = np.where(np.isnat(surveyed[rows]), np.datetime64("1900-01-01"), surveyed[rows])
    same = same.sort_values(["day", "number"], ascending=[False, True], kind="stable")
    again = same.duplicated(["shape", "crop"], keep="first")
    first = same.drop_duplicates(["shape", "crop"]).set_index(["shape", "crop"]).number.to_dict()
    shown = np.full(len(geometry), "", dtype=object)
    twice = np.zeros(len(geometry), dtype=bool)
    for r, shape, name in same[again][["row", "shape", "crop"]].itertuples(index=False):
        twice[r] = True
        shown[r] = f"it has the same shape and crop as row {first[shape, name]}"
    ledger.mark("set_aside", twice, "double", shown, "each field once", "nothing, if it is the same field")
    rest = same[~again]
    shared[rest[rest.duplicated("shape", keep=False)].row.to_numpy()] = True
    ledger.mark(
        "look", shared, "one_shape_two_crops", "another row has the same shape with another crop: both count",
        "a shape for each crop, or one crop", "draw each crop's part, if the field is parted",
    )  # fmt: skip
    return shared


def overlaps(geometry: Geometries, area_ha: Floats, skip: Mask, values: Values, ledger: Ledger) -> None:
    """Tells of fields that lie partly in each other: which, how much, and what share of the smaller one."""
    rows = np.flatnonzero(ledger.kept & ~shapely.is_missing(geometry) & ~skip)
    if len(rows) < 2:
        return
    shapes = geometry[rows]
    tree = shapely.STRtree(shapes)
    least = values["survey.field.overlap_share"]
    flat = shapely.area(shapes)
    found: list[tuple[int, int, float]] = []
    for start in range(0, len(rows), _PAIRS_AT_ONCE // 8):
        part = np.arange(start, min(start + _PAIRS_AT_ONCE // 8, len(rows)))
        one, other = tree.query(shapes[part])
        one = part[one]
        keep = one < other
        one, other = one[keep], other[keep]
        if len(one) == 0:
            continue
        shared = shapely.area(shapely.intersection(shapes[one], shapes[other])) / np.minimum(flat[one], flat[other])
        big = shared > least
        found += zip(one[big].tolist(), other[big].tolist(), shared[big].tolist(), strict=True)
    if not found:
        return
    texts: dict[int, list[str]] = {}
    inside = np.zeros(len(geometry), dtype=bool)
    partly = np.zeros(len(geometry), dtype=bool)
    for a, b, share in found:
        i, j = rows[a], rows[b]
        if ledger.rows[i] > ledger.rows[j]:
            i, j = j, i
        common = share * min(area_ha[i], area_ha[j])
        texts.setdefault(int(j), []).append(
            f"it ({area_ha[j]:.3g} ha) and row {ledger.rows[i]} ({area_ha[i]:.3g} ha) share {common:.3g} ha, "
            f"{share:.0%} of the smaller"
        )
        (inside if share >= _ALL_OF_IT else partly)[j] = True
    shown = np.full(len(geometry), "", dtype=object)
    for r, told in texts.items():
        shown[r] = "; ".join(told[:3]) + (f"; and {len(told) - 3} more" if len(told) > 3 else "")
    ledger.mark(
        "look", inside, "inside_another", shown, "fields beside each other", "one of them may be the other's part"
    )
    ledger.mark(
        "look",
        partly & ~inside,
        "overlap",
        shown,
        f"at most {least:.0%} of the smaller shared",
        "find the true boundary",
    )


def slivers(geometry: Geometries, area_ha: Floats, values: Values, ledger: Ledger) -> None:
    """Tells of shapes so narrow that they are leftovers of drawing: area over half the perimeter."""
    rows = np.flatnonzero(ledger.kept & ~shapely.is_missing(geometry))
    width = np.full(len(geometry), np.inf)
    width[rows] = area_ha[rows] * geodesy.M2_A_HA / np.maximum(geodesy.perimeters_m(geometry[rows]) / 2, 1e-9)
    least = values["survey.field.sliver_width_m"]
    narrow = width < least
    shown = np.full(len(geometry), "", dtype=object)
    for i in np.flatnonzero(narrow):
        shown[i] = f"it is about {width[i]:.2f} m wide on average"
    ledger.mark("look", narrow, "sliver", shown, f"at least {least:g} m", "check that it is a field")


def stated_area(stated_ha: Floats, area_ha: Floats, placed: Mask, values: Values, ledger: Ledger) -> None:
    """Tells of fields whose stated area is far from the measured one, and in which unit it would fit."""
    most = values["survey.field.stated_difference_share"]
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = stated_ha / area_ha
        odd = ledger.kept & ~placed & np.isfinite(ratio) & ((ratio > 1 + most) | (ratio < 1 - most))
    if not odd.any():
        return
    units = {name.split(".")[0]: figure.likely for name, figure in values.under("unit.area").items()}
    shown = np.full(len(stated_ha), "", dtype=object)
    remedy = np.full(len(stated_ha), "check the boundary, the number, the unit", dtype=object)
    for i in np.flatnonzero(odd):
        fits = [u for u, ha in units.items() if abs(ratio[i] * ha - 1) < 0.05 and u != "hectare"]
        hint = f"; in {' or '.join(fits)} it would fit" if fits else ""
        shown[i] = f"{stated_ha[i]:.3g} ha are stated and {area_ha[i]:.3g} ha measured{hint}"
        if fits:
            remedy[i] = f'if all are stated so, set units = {{ area_stated = "{fits[0]}" }} under [layers.fields]'
    ledger.mark(
        "look",
        odd,
        "area_differs",
        shown,
        f"a difference of at most {most:.0%}",
        remedy,
    )


def far_from_village(
    lon: Floats, lat: Floats, village: npt.NDArray[np.object_], points: pd.DataFrame, values: Values, ledger: Ledger
) -> None:
    """Tells of fields far from the village they are said to belong to. `points`: index village_id; lon, lat."""
    rows = np.flatnonzero(ledger.kept & np.isfinite(lon) & (village != ""))
    if len(rows) == 0:
        return
    place = points.index.get_indexer(pd.Index(village[rows]))
    at_lon, at_lat = points.lon.to_numpy()[place], points.lat.to_numpy()[place]
    far = np.full(len(lon), 0.0)
    far[rows] = geodesy.distances_m(lon[rows], lat[rows], at_lon, at_lat)
    most = values["survey.field.far_from_village_m"]
    odd = far > most
    shown = np.full(len(lon), "", dtype=object)
    for i in np.flatnonzero(odd):
        shown[i] = f"it lies {far[i] / 1000:.1f} km from its village '{village[i]}'"
    ledger.mark(
        "look", odd, "far_from_village", shown, f"at most {most / 1000:g} km", "check the village's name and the shape"
    )
