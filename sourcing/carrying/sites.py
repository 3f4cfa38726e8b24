"""Places where barrels may stand: the survey's own, or proposed along the paths; and why every other may not.

A place keeps clear of houses, crops, forest and the like by the setbacks of `site.setback.*`, or by more where the
season asks for more. Proposed places are chosen one after another, each adding the most residue within reach, no two
closer than the spacing.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from scipy.spatial import cKDTree

from sourcing.carrying.ground import build_ground, pairs_within, pairs_without_paths
from sourcing.carrying.leaving import origins
from sourcing.errors import Finding, InputError
from sourcing.intake.fields import Fields
from sourcing.intake.survey import RawLayer, Survey
from sourcing.network.noding import Floats, Geometries, Ints
from sourcing.network.paths import PathNetwork
from sourcing.network.ways import LONLAT, local_crs, local_lines, lonlat, to_local
from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.values import Values

OFF_PATH = "carry.off_path.speed_factor"
REFUSED_COLUMNS = ["name", "origin", "reason", "distance_m", "needed_m", "geometry"]
_CELLS_A_SPACING = 2.0
_SPOTS_A_PLACE = 12
_WIDEN = 1.2


@dataclass(frozen=True)
class Sites:
    """Candidate places."""

    frame: gpd.GeoDataFrame
    """EPSG:4326, index site_id, sorted by it: village, name, origin ('user' or 'proposed'), geometry Point."""
    refused: pd.DataFrame
    """Places that may not be used: name, origin, reason, distance_m (measured), needed_m, geometry (WKT, lon lat)."""
    findings: tuple[Finding, ...]
    figures_used: tuple[str, ...]


@dataclass(frozen=True)
class NoGo:
    """Ground of one kind, and how far a barrel must keep from it [m]."""

    kind: str
    needed_m: float
    figure: str
    shapes: Geometries


def candidate_sites(
    survey: Survey,
    fields: Fields,
    supply: Supply,
    network: PathNetwork | None,
    settings: Settings,
    values: Values,
    crs: CRS | None = None,
) -> Sites:
    """The places where barrels may stand: those of the survey if it has a layer of places, else proposed ones.

    `crs` is the local system where there are no paths; left out, one of the fields' own.
    Raises InputError for a no-go layer of unknown kind or without a coordinate system.
    """
    if network is not None or crs is None:
        crs = local_crs(fields.frame) if network is None else network.crs
    no_go = no_go_layers(survey, settings, values, crs)
    if survey.places is not None:
        frame, refused, findings = _users(survey.places, crs, no_go, fields)
    else:
        frame, refused, findings = _proposed(survey, fields, supply, network, crs, no_go, settings, values)
    used = tuple(dict.fromkeys(n.figure for n in no_go))
    if survey.places is None and network is not None:
        used = (*used, OFF_PATH)
    return Sites(frame, refused, tuple(findings), used)


# ------------------------------------------------------------------------------------------------------- setbacks


def no_go_layers(survey: Survey, settings: Settings, values: Values, crs: CRS) -> list[NoGo]:
    """The no-go ground of a season in a local system. Raises InputError for a kind without a figure."""
    found, faults = [], []
    kinds = sorted({name.split(".")[0] for name in values.under("site.setback")})
    for raw, layer in zip(survey.no_go, settings.layers.no_go, strict=True):
        figure = f"site.setback.{layer.kind}.distance_m"
        if figure not in values:
            faults.append(Finding(
                "refused", "season.toml", None, "unknown_kind", f"a no_go layer has kind '{layer.kind}'",
                ", ".join(kinds), "choose one of these",
            ))  # fmt: skip
            continue
        needed = max(values[figure], layer.distance_m or 0.0)
        found.append(NoGo(layer.kind, needed, figure, to_local(raw, crs)))
    if faults:
        raise InputError(faults)
    return found


@dataclass(frozen=True)
class Verdict:
    """Why points are refused, if they are."""

    refused: npt.NDArray[np.bool_]
    reason: npt.NDArray[np.object_]
    distance_m: Floats
    needed_m: Floats


def _judge(points: Geometries, no_go: list[NoGo]) -> Verdict:
    """The setback that each point (n,) falls short of by the most."""
    n = len(points)
    verdict = Verdict(np.zeros(n, bool), np.full(n, "", dtype=object), np.full(n, np.nan), np.full(n, np.nan))
    short = np.zeros(n)
    for layer in no_go:
        usable = layer.shapes[~(shapely.is_missing(layer.shapes) | shapely.is_empty(layer.shapes))]
        if not len(usable) or not n:
            continue
        tree = shapely.STRtree(usable)
        if layer.needed_m > 0:
            (at, _), far = tree.query_nearest(
                points, max_distance=layer.needed_m, return_distance=True, all_matches=False
            )
        else:
            at = np.unique(tree.query(points, predicate="intersects")[0])
            far = np.zeros(len(at))
        lacking = layer.needed_m - far
        # Exactly at the setback is far enough; inside the ground itself never is.
        worse = ((lacking > 0) | (far == 0)) & ((lacking > short[at]) | ~verdict.refused[at])
        at, far, lacking = at[worse], far[worse], lacking[worse]
        verdict.refused[at] = True
        verdict.distance_m[at], verdict.needed_m[at], short[at] = far, layer.needed_m, lacking
        kind = layer.kind.replace("_", " ")
        for k, d in zip(at.tolist(), far.tolist(), strict=True):
            where = f"on ground of kind '{kind}'" if d == 0 else f"{d:.1f} m from ground of kind '{kind}'"
            verdict.reason[k] = f"{where}; {layer.needed_m:g} m must be kept"
    return verdict


def _refused_table(names: list[str], origin: str, points: Geometries, verdict: Verdict, crs: CRS) -> pd.DataFrame:
    bad = np.flatnonzero(verdict.refused)
    place = lonlat(shapely.get_coordinates(points[bad]), crs)
    table = pd.DataFrame(
        {
            "name": pd.array([names[k] for k in bad.tolist()], dtype="str"),
            "origin": pd.array([origin] * len(bad), dtype="str"),
            "reason": pd.array(verdict.reason[bad].tolist(), dtype="str"),
            "distance_m": verdict.distance_m[bad],
            "needed_m": verdict.needed_m[bad],
            "geometry": pd.array([f"POINT ({x:.7f} {y:.7f})" for x, y in place.tolist()], dtype="str"),
        }
    )
    return table.sort_values(["name", "geometry"], kind="stable").reset_index(drop=True)


# --------------------------------------------------------------------------------------------- the survey's places


def _users(
    layer: RawLayer, crs: CRS, no_go: list[NoGo], fields: Fields
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, list[Finding]]:
    findings: list[Finding] = []
    shapes = to_local(layer, crs)
    rows = layer.frame["row"].to_numpy() if "row" in layer.frame else np.arange(1, len(shapes) + 1)
    there = ~(shapely.is_missing(shapes) | shapely.is_empty(shapes))
    for row in rows[~there].tolist():
        findings.append(_told(layer, int(row), "no_place", "there is no point", "a point", "give one", "set_aside"))
    shapes, frame, rows = shapes[there], layer.frame[there], rows[there]
    points = np.where(shapely.get_type_id(shapes) == 0, shapes, shapely.point_on_surface(shapes))
    names = _texts(frame, "name")
    villages, told = _villages(points, _texts(frame, "village"), crs, fields, layer, rows)
    findings += told
    ids = _ids(_texts(frame, "site_id"), names, points, crs)
    order = sorted(range(len(ids)), key=lambda k: (ids[k], int(rows[k])))
    keep: list[int] = []
    for k in order:
        if keep and ids[keep[-1]] == ids[k]:
            findings.append(_told(
                layer, int(rows[k]), "twice", f"place '{ids[k]}' is given twice", "each place once",
                "give it another name, or delete it", "set_aside",
            ))  # fmt: skip
        else:
            keep.append(k)
    chosen = np.array(keep, dtype=np.int64)
    points = points[chosen]
    verdict = _judge(points, no_go)
    shown = [names[k] or ids[k] for k in keep]
    refused = _refused_table(shown, "user", points, verdict, crs)
    for k in np.flatnonzero(verdict.refused).tolist():
        findings.append(_told(
            layer, int(rows[chosen[k]]), "too_near", f"place '{shown[k]}' is {verdict.reason[k]}",
            "a place that keeps its distances", "choose another spot, or correct the layer", "set_aside",
        ))  # fmt: skip
    good = np.flatnonzero(~verdict.refused)
    at = chosen[good].tolist()
    made = _frame([ids[k] for k in at], [villages[k] for k in at], [shown[k] for k in good.tolist()], "user",
                  points[good], crs)  # fmt: skip
    return made, refused, findings


def _ids(given: list[str], names: list[str], points: Geometries, crs: CRS) -> list[str]:
    """The user's id, else the name where it is the only one of its kind, else name and place, else place."""
    codes = _codes(points, crs)
    ids = []
    for own, name, code in zip(given, names, codes, strict=True):
        alone = name and names.count(name) == 1
        ids.append(own or (name if alone else f"{name} {code}".strip()))
    return ids


def _codes(points: Geometries, crs: CRS) -> list[str]:
    """A place as text, to about a metre: latitude and longitude with their hemispheres."""
    place = lonlat(shapely.get_coordinates(points), crs)
    return [
        f"{'S' if lat < 0 else 'N'}{abs(lat):.5f}{'W' if lon < 0 else 'E'}{abs(lon):.5f}"
        for lon, lat in place.round(5).tolist()
    ]


def _villages(
    points: Geometries, given: list[str], crs: CRS, fields: Fields, layer: RawLayer | None, rows: Ints
) -> tuple[list[str], list[Finding]]:
    """The village of each point: the one the user names, else the nearest."""
    villages = fields.villages
    if villages.empty or not len(points):
        return given, []
    known = {str(v).casefold(): str(v) for v in villages.index}
    if "name" in villages:
        known = {str(n).casefold(): str(v) for v, n in villages["name"].items()} | known
    ids = villages.index.astype(str).to_numpy()
    tree = shapely.STRtree(villages.geometry.to_crs(crs).to_numpy())
    at, hit = tree.query_nearest(points, all_matches=False)
    nearest = dict(zip(at.tolist(), ids[hit].tolist(), strict=True))
    found, told = [], []
    for k, text in enumerate(given):
        village = known.get(text.casefold(), "") if text else ""
        if text and not village and layer is not None:
            told.append(_told(
                layer, int(rows[k]), "unknown_village", f"village '{text}' has no fields", "a village of the fields",
                f"counted with the nearest, {nearest.get(k, '')}; correct the name", "look",
            ))  # fmt: skip
        found.append(village or nearest.get(k, ""))
    return found, told


def _frame(
    ids: list[str], villages: list[str], names: list[str], origin: str, points: Geometries, crs: CRS
) -> gpd.GeoDataFrame:
    place = lonlat(shapely.get_coordinates(points), crs)
    frame = gpd.GeoDataFrame(
        {
            "village": pd.array(villages, dtype="str"),
            "name": pd.array(names, dtype="str"),
            "origin": pd.array([origin] * len(ids), dtype="str"),
        },
        geometry=gpd.points_from_xy(place[:, 0], place[:, 1]),
        index=pd.Index(ids, dtype="str", name="site_id"),
        crs=LONLAT,
    )
    return frame.sort_index()


def _texts(frame: gpd.GeoDataFrame, column: str) -> list[str]:
    if column not in frame:
        return [""] * len(frame)
    return ["" if pd.isna(c) else str(c).strip() for c in frame[column]]


def _told(layer: RawLayer, row: int, what: str, found: str, expected: str, remedy: str, grade: str) -> Finding:
    return Finding(grade, layer.file, row, what, found, expected, remedy)  # type: ignore[arg-type]


# ------------------------------------------------------------------------------------------------ proposed places


@dataclass(frozen=True)
class Spots:
    """Spots beside fields at which a barrel might stand, judged by the no-go ground; S of them."""

    xy: Floats
    """In the local system (S, 2) [m]."""
    verdict: Verdict


@dataclass(frozen=True)
class SpotReach:
    """What lies within reach of spots, one row a field and spot."""

    spot: Ints
    field: Ints
    """Position in the fields (their frame)."""
    worth: Floats
    """1 where the field lies at the spot, 0 at the carrying limit."""


def _proposed(
    survey: Survey,
    fields: Fields,
    supply: Supply,
    network: PathNetwork | None,
    crs: CRS,
    no_go: list[NoGo],
    settings: Settings,
    values: Values,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, list[Finding]]:
    at, free = free_by_field(fields, supply)
    looked_at = spots_of(survey, fields, at, network, crs, no_go, settings)
    spots, refused = thinned(looked_at, cell_m(looked_at.xy, settings), crs)
    reach = reach_of(spots, survey, fields, at, network, crs, settings, values)
    of_field = np.zeros(len(fields.frame))
    of_field[at] = free
    chosen = most_residue(spots, reach, of_field, settings)
    frame, findings = proposed_sites(spots[chosen], len(spots), crs, fields)
    return frame, refused, findings


def free_by_field(fields: Fields, supply: Supply) -> tuple[Ints, Floats]:
    """Positions of the fields that have residue, sorted, and how much [kg]."""
    mass = supply.lots.groupby("field_id", observed=True)["mass_kg"].sum()
    at = fields.frame.index.get_indexer(mass.index)
    order = np.argsort(at)
    return at[order].astype(np.int64), mass.to_numpy(dtype=float)[order]


def spots_of(
    survey: Survey, fields: Fields, at: Ints, network: PathNetwork | None, crs: CRS, no_go: list[NoGo],
    settings: Settings,
) -> Spots:  # fmt: skip
    """The spots near the fields at these positions. Those of all fields are those of any parts of them together."""
    shapes = origins(fields, survey.gates, crs, settings.carrying.snap_m)[0].exits[at]
    points = _spots_beside_fields(shapes) if network is None else _spots_on_paths(network, shapes, settings)
    return Spots(shapely.get_coordinates(points).reshape(-1, 2), _judge(points, no_go))


def proposed_sites(xy: Floats, looked_at: int, crs: CRS, fields: Fields) -> tuple[gpd.GeoDataFrame, list[Finding]]:
    """Chosen spots as sites, each of its nearest village; a finding where there are none among those looked at."""
    points = np.asarray(shapely.points(xy), dtype=object)
    villages, _ = _villages(points, [""] * len(points), crs, fields, None, np.arange(len(points)))
    ids = _codes(points, crs)
    findings = []
    if not len(points):
        findings.append(Finding(
            "look", "sites", None, "no_places", f"no place could be proposed among {looked_at} spots looked at",
            "ground near fields and paths that keeps its distances",
            "give a layer of places, or look at the refused ones and the no-go layers",
        ))  # fmt: skip
    return _frame(ids, villages, ids, "proposed", points, crs), findings


def _spots_on_paths(network: PathNetwork, shapes: Geometries, settings: Settings) -> Geometries:
    """Points along the paths, never farther apart than half the spacing, within carrying distance of a field."""
    step = settings.sites.spacing_m / _CELLS_A_SPACING
    pieces = np.maximum(np.ceil(network.length_m / step).astype(np.int64), 1)
    edge = np.repeat(np.arange(len(pieces)), pieces)
    nth = np.arange(len(edge)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    on_edges = shapely.line_interpolate_point(network.lines[edge], nth / pieces[edge], normalized=True)
    spots = np.concatenate([shapely.points(network.xy), on_edges[nth > 0]])
    if not len(shapes):
        return spots[:0]
    near = shapely.STRtree(shapes).query_nearest(spots, max_distance=settings.carrying.max_distance_m)[0]
    return np.asarray(spots[np.unique(near)], dtype=object)


def _spots_beside_fields(shapes: Geometries) -> Geometries:
    """The corner of each field that comes first from west to east."""
    if not len(shapes):
        return shapes
    xy, of = shapely.get_coordinates(shapes, return_index=True)
    order = np.lexsort((xy[:, 1], xy[:, 0], of))
    _, first = np.unique(of[order], return_index=True)
    return np.asarray(shapely.points(xy[order[first]]), dtype=object)


def cell_m(xy: Floats, settings: Settings) -> float:
    """Side of the square cells from which one spot each is looked at [m].

    Half the spacing; more where that would be far more spots than places are wanted, which then lie far apart anyway.
    """
    cell = settings.sites.spacing_m / _CELLS_A_SPACING
    while len(np.unique(np.floor(xy / cell), axis=0)) > _SPOTS_A_PLACE * settings.sites.most_places:
        cell *= _WIDEN
    return cell


def thinned(spots: Spots, cell_m: float, crs: CRS) -> tuple[Floats, pd.DataFrame]:
    """One allowed spot (n, 2) a square cell, nearest its middle; where none is allowed, one is told as refused."""
    xy, verdict = spots.xy, spots.verdict
    cell = np.floor(xy / cell_m)
    off = np.hypot(*(xy - (cell + 0.5) * cell_m).T).round(3) if len(xy) else np.zeros(0)
    order = np.lexsort((xy[:, 1], xy[:, 0], off, verdict.refused, cell[:, 1], cell[:, 0]))
    _, first = np.unique(cell[order], axis=0, return_index=True)
    best = order[first]
    bad = best[verdict.refused[best]]
    part = Verdict(verdict.refused[bad], verdict.reason[bad], verdict.distance_m[bad], verdict.needed_m[bad])
    points = np.asarray(shapely.points(xy[bad]), dtype=object)
    refused = _refused_table(_codes(points, crs), "proposed", points, part, crs)
    return xy[best[~verdict.refused[best]]], refused


def reach_of(
    xy: Floats,
    survey: Survey,
    fields: Fields,
    at: Ints,
    network: PathNetwork | None,
    crs: CRS,
    settings: Settings,
    values: Values,
) -> SpotReach:
    """Which of the fields at these positions lie within reach of the spots (S, 2)."""
    carrying = settings.carrying
    limit = carrying.max_distance_m
    from_fields = origins(fields, survey.gates, crs, carrying.snap_m)[0][at]
    barriers, spots = local_lines(survey.barriers, crs), np.asarray(shapely.points(xy), dtype=object)
    if network is None:
        pairs = pairs_without_paths(from_fields, spots, barriers, carrying.detour_factor, values[OFF_PATH], limit)
    else:
        every = np.ones(len(network.u), dtype=np.bool_)
        ground = build_ground(
            network, every, False, from_fields, spots, carrying.off_path_m, values[OFF_PATH], barriers
        )
        pairs = pairs_within(ground, from_fields, spots, limit, carrying.off_path_m)
    worth = 1 - (pairs.in_m + pairs.out_m) / 2 / limit
    return SpotReach(pairs.site, at[pairs.field], worth)


def most_residue(xy: Floats, reach: SpotReach, free_kg: Floats, settings: Settings) -> Ints:
    """Positions of the chosen spots among (S, 2), sorted; `free_kg` is by field position.

    Greedy: each next spot is the one that brings the most residue nearer, residue counting less the farther it is
    (1 at the spot, 0 at the carrying limit). Gains only shrink as spots are added, so stale ones are looked at again
    only when they come to the top.
    """
    order = np.lexsort((reach.field, reach.spot))
    field, worth = reach.field[order], reach.worth[order]
    first = np.searchsorted(reach.spot[order], np.arange(len(xy) + 1))
    tree = cKDTree(xy) if len(xy) else None
    had = np.zeros(len(free_kg))

    def gain(spot: int) -> float:
        mine = slice(first[spot], first[spot + 1])
        return float(np.dot(free_kg[field[mine]], np.maximum(worth[mine] - had[field[mine]], 0)))

    heap = [(-round(gain(s), 3), s) for s in range(len(xy))]
    heapq.heapify(heap)
    closed = np.zeros(len(xy), dtype=np.bool_)
    chosen: list[int] = []
    while heap and len(chosen) < settings.sites.most_places and tree is not None:
        stale, spot = heapq.heappop(heap)
        if closed[spot]:
            continue
        now = -round(gain(spot), 3)
        if now >= 0:
            continue
        if now > stale and heap and (now, spot) > heap[0]:
            heapq.heappush(heap, (now, spot))
            continue
        chosen.append(spot)
        mine = slice(first[spot], first[spot + 1])
        had[field[mine]] = np.maximum(had[field[mine]], worth[mine])
        closed[tree.query_ball_point(xy[spot], settings.sites.spacing_m * (1 - 1e-9))] = True
    return np.array(sorted(chosen), dtype=np.int64)
