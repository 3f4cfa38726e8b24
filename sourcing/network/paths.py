"""The path network: any line layer as nodes and edges in metres, with every repair and every separate part told.

The network lives in a local coordinate system of its own, a transverse Mercator of scale 1 centred on the survey, so
that feet, degrees and the border of two UTM zones make no difference. Edges carry their length, the way's width, its
direction and closed season, and the level metres that walking each way along them is worth.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import networkx as nx
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from sourcing.errors import Finding, InputError
from sourcing.intake.fields import Fields
from sourcing.intake.osm import osm_ways
from sourcing.intake.survey import RawLayer, Survey
from sourcing.network.elevation import climb, read_relief, relief_findings, smoothed
from sourcing.network.noding import Floats, Geometries, Ints, Noded, noded
from sourcing.network.walking import figures_of_walking
from sourcing.network.ways import (
    CLOSED_TO_ALL,
    LONLAT,
    closed_weeks,
    closures,
    column,
    directions,
    fault,
    levels,
    local_crs,
    local_lines,
    lonlat,
    no_lines,
    refuse_degrees_called_metres,
    refuse_elsewhere,
    refuse_wrong_crs,
    some_rows,
    usable_lines,
    widths,
)
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import Calendar

_PARTS_NAMED = 20
Parts = tuple[tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]], ...]
"""Sets of edges in use (E,), each with which of them belong to its longest connected part (E,)."""


@dataclass(frozen=True)
class PathNetwork:
    """Nodes and edges of all paths. E edges, N nodes; edge e runs from node `u[e]` to node `v[e]`."""

    file: str
    """Name of the file the paths come from."""
    crs: CRS
    """Local metric system."""
    xy: Floats
    """Nodes (N, 2) [m]."""
    u: Ints
    v: Ints
    length_m: Floats
    """Along the course of the edge (E,) [m]."""
    level_uv_m: Floats
    """Level metres that take as long as walking from u to v (E,) [m]; the length itself on flat ground."""
    level_vu_m: Floats
    """The same from v to u (E,) [m]."""
    lines: Geometries
    """Course of each edge from u to v, in `crs` (E,)."""
    way: npt.NDArray[np.str_]
    """The survey's word for the way (E,); '' where it has none."""
    width: Ints
    """0 steps, 1 single file, 2 cart width (E,)."""
    one_way: Ints
    """For wheels: 0 both ways, 1 only from u to v, -1 only from v to u (E,)."""
    closure: Ints
    """Position in `closures` of the season in which the edge is closed (E,)."""
    closures: tuple[str, ...]
    """Closed seasons as the survey gives them; the first is '' (never closed)."""
    row: Ints
    """Row of the paths file that each edge comes from (E,)."""
    part: Ints
    """Which connected part each node belongs to (N,); 0 is the one with the longest paths."""
    parts: pd.DataFrame
    """One row a part: edges, length_m, lon, lat, near (village), gap_m to the nearest other part, gap_lon, gap_lat,
    gap_part. In the order of their length."""
    repairs: pd.DataFrame
    """Every repair: what ('crossing', 'near_miss', 'repeated', 'no_line'), row, lon, lat, size_m."""
    findings: tuple[Finding, ...]
    figures_used: tuple[str, ...]
    sloped: bool
    """True when an elevation raster gave slopes."""
    typed: bool
    """True when the layer says what kind of way each line is."""
    main: Parts = ()
    """Only of a piece of a larger network: edges in use (E,), and which of them belong to the longest connected part of
    the larger one, where the same are in use there (E,). See :func:`piece_of`."""

    def graph(self) -> nx.MultiDiGraph:
        """The network as a networkx graph: nodes with x, y [m] and part; an edge each way with length_m, level_m,
        way, width, row and `edge` (position here). One-way rules are for wheels and are an attribute, not enforced.
        """
        graph = nx.MultiDiGraph(crs=self.crs.to_string())
        for node, ((x, y), part) in enumerate(zip(self.xy.tolist(), self.part.tolist(), strict=True)):
            graph.add_node(node, x=x, y=y, part=part)
        columns = (self.u, self.v, self.length_m, self.level_uv_m, self.level_vu_m, self.width, self.one_way, self.row)
        for e, (u, v, length, uv, vu, width, one_way, row) in enumerate(
            zip(*(c.tolist() for c in columns), strict=True)
        ):
            same = {"length_m": length, "way": str(self.way[e]), "width": width, "row": row, "edge": e}
            graph.add_edge(u, v, level_m=uv, one_way=one_way, **same)
            graph.add_edge(v, u, level_m=vu, one_way=-one_way, **same)
        return graph

    def main_of(self, usable: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_] | None:
        """Which edges (E,) belong to the larger network's longest part when the `usable` (E,) are in use; None where
        this is no piece of a larger one.
        """
        return next((main for used, main in self.main if np.array_equal(used, usable)), None)

    def closed(self, calendar: Calendar) -> npt.NDArray[np.bool_]:
        """Which closed season holds in which week: (closures, weeks). A week counts as closed when any day is."""
        return np.array([closed_weeks(text, calendar) for text in self.closures])


def build_network(
    survey: Survey, fields: Fields, settings: Settings, values: Values, crs: CRS | None = None
) -> PathNetwork | None:
    """The path network of a survey, or None when it has no path layer; `crs` is its local system, else one of its own.

    Raises InputError when the layer holds no line that can be used, or lies in another place than the fields.
    """
    if survey.paths is None:
        return None
    crs = local_crs(fields.frame) if crs is None else crs
    barriers = local_lines(survey.barriers, crs)
    network = network_of(survey.paths, crs, settings, fields.villages, barriers, near=fields.frame)
    return network if survey.elevation is None else with_slopes(network, survey.elevation, settings, values)


def longest_parts(network: PathNetwork, uses: Iterable[npt.NDArray[np.bool_]]) -> Parts:
    """For each set of edges in use (E,), which of them belong to its longest connected part (E,)."""
    found = []
    for usable in uses:
        used = np.flatnonzero(usable)
        longest = np.zeros(len(usable), dtype=np.bool_)
        longest[used] = edge_parts(len(network.xy), network.u[used], network.v[used], network.length_m[used]) == 0
        found.append((usable, longest))
    return tuple(found)


def piece_of(network: PathNetwork, edges: Ints, longest: Parts) -> PathNetwork:
    """The network of some edges (sorted positions), which still knows what is joined beyond them.

    `longest` are the whole's :func:`longest_parts` for every set of edges that some carrier can use in some state of
    the year.
    """
    ends = np.concatenate([network.u[edges], network.v[edges]])
    nodes, which = np.unique(ends, return_inverse=True)
    u, v = which.reshape(2, -1).astype(np.int64)
    columns = ("length_m", "level_uv_m", "level_vu_m", "lines", "way", "width", "one_way", "closure", "row")
    return replace(
        network, xy=network.xy[nodes], u=u, v=v, part=network.part[nodes],
        main=tuple((usable[edges], main[edges]) for usable, main in longest),
        **{name: getattr(network, name)[edges] for name in columns},
    )  # fmt: skip


def edge_parts(n: int, u: Ints, v: Ints, length: Floats) -> Ints:
    """The connected part of each edge (E,) between `n` nodes; 0 is the one with the longest paths."""
    joined = coo_array((np.ones(len(u), dtype=np.int8), (u, v)), shape=(n, n))
    count, label = connected_components(joined, directed=False)
    metres = np.bincount(label[u], weights=length, minlength=count)
    rank = np.empty(count, dtype=np.int64)
    rank[np.argsort(-np.round(metres, 3), kind="stable")] = np.arange(count)
    return np.asarray(rank[label[u]], dtype=np.int64)


def with_slopes(network: PathNetwork, elevation: Path, settings: Settings, values: Values) -> PathNetwork:
    """The network with level metres from an elevation raster: there and back differ on a slope.

    Raises InputError when the raster cannot be read or covers none of the paths.
    """
    carrying = settings.carrying
    relief = read_relief(elevation, network.lines, network.crs)
    relief = smoothed(relief, carrying.elevation_smooth_m, network.xy.mean(axis=0), network.crs)
    step = carrying.elevation_step_m
    uv, vu, missing = climb(network.lines, network.length_m, relief, network.crs, step, carrying.walking, values)
    findings = relief_findings(relief, network.lines, network.length_m, missing, network.crs, step)
    return replace(
        network, level_uv_m=uv, level_vu_m=vu, sloped=True, findings=(*network.findings, *findings),
        figures_used=(*network.figures_used, *figures_of_walking(carrying.walking, values)),
    )  # fmt: skip


def network_of(
    layer: RawLayer,
    crs: CRS,
    settings: Settings,
    villages: gpd.GeoDataFrame | None = None,
    barriers: Geometries | None = None,
    near: gpd.GeoDataFrame | None = None,
) -> PathNetwork:
    """The network of one line layer, in the local system `crs`.

    Columns of the layer that count, all optional: way (kind of way, such as OpenStreetMap's highway words), level
    (lines of different level do not meet where they cross), one_way ('yes', '-1'), closed (seasons such as
    '06-15..09-30'; several joined by ';'). `villages` name the places of separate parts; `near` is what the paths are
    expected to lie close to. Raises InputError.
    """
    refuse_wrong_crs(layer)
    if near is not None:
        refuse_degrees_called_metres(layer, near)
    layer, left_out = osm_ways(layer)
    lines, position, findings, told = usable_lines(layer, crs)
    findings = [*left_out, *findings]
    frame = layer.frame
    rows = frame["row"].to_numpy(dtype=np.int64) if "row" in frame else np.arange(1, len(frame) + 1)
    words = column(layer, "way")
    width = widths(words[position], layer, findings)
    open_to_some = width != CLOSED_TO_ALL
    lines, position, width = lines[open_to_some], position[open_to_some], width[open_to_some]
    if not len(lines):
        raise InputError([*findings, no_lines(layer)])
    if near is not None:
        refuse_elsewhere(layer, lines, near, crs, settings.carrying.off_path_m)
    level = levels(column(layer, "level")[position], rows[position], layer, findings)
    made = noded(lines, level, settings.carrying.snap_m, np.zeros(0, object) if barriers is None else barriers)
    seasons, closure = closures(column(layer, "closed")[position], rows[position], layer)
    one_way = directions(column(layer, "one_way")[position], rows[position], layer, findings)
    length = shapely.length(made.lines)
    source_row = rows[position]
    told += [(what, int(source_row[s]), x, y, size) for what, s, x, y, size in made.repairs]
    repairs = _repairs_table(told, crs)
    findings += _repair_findings(repairs, layer)
    part, parts = _parts(made, length, crs, villages)
    findings += _part_findings(parts, layer)
    return PathNetwork(
        layer.file, crs, made.xy, made.u, made.v, length, length, length, made.lines, words[position][made.source],
        width[made.source], np.where(made.turned, -one_way[made.source], one_way[made.source]),
        closure[made.source], seasons, source_row[made.source], part, parts, repairs, tuple(findings), (), False,
        bool((words != "").any()),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------------- parts and reports


def _parts(made: Noded, length: Floats, crs: CRS, villages: gpd.GeoDataFrame | None) -> tuple[Ints, pd.DataFrame]:
    n = len(made.xy)
    joined = coo_array((np.ones(len(made.u), dtype=np.int8), (made.u, made.v)), shape=(n, n))
    count, label = connected_components(joined, directed=False)
    edge_label = label[made.u]
    metres = np.bincount(edge_label, weights=length, minlength=count)
    order = np.argsort(-np.round(metres, 3), kind="stable")
    rank = np.empty(count, dtype=np.int64)
    rank[order] = np.arange(count)
    part = rank[label].astype(np.int64)
    edge_part = part[made.u]
    middle = np.unique(edge_part, return_index=True)[1]
    place = lonlat(
        shapely.get_coordinates(shapely.line_interpolate_point(made.lines[middle], 0.5, normalized=True)), crs
    )
    gap, other, gap_xy = _gaps(made.lines, edge_part, count)
    gap_place = lonlat(gap_xy, crs)
    near = _nearest_village(place, villages, crs)
    table = pd.DataFrame(
        {
            "edges": np.bincount(edge_part, minlength=count),
            "length_m": metres[order],
            "lon": place[:, 0],
            "lat": place[:, 1],
            "near": near,
            "gap_m": gap,
            "gap_part": other,
            "gap_lon": gap_place[:, 0],
            "gap_lat": gap_place[:, 1],
        }
    )
    table.index.name = "part"
    return part, table


def _gaps(lines: Geometries, edge_part: Ints, count: int) -> tuple[Floats, Ints, Floats]:
    """For each part the gap to the nearest other part [m], which one, and the middle of the gap."""
    gap, other, xy = np.full(count, np.nan), np.full(count, -1, dtype=np.int64), np.full((count, 2), np.nan)
    if count < 2:
        return gap, other, xy
    main = np.flatnonzero(edge_part == 0)
    rest = np.flatnonzero(edge_part != 0)
    # Part 0's own nearest is found from the others' side; the others look at every edge of a longer part.
    pairs_from, pairs_to = [], []
    tree = shapely.STRtree(lines[main])
    mine, hit = tree.query_nearest(lines[rest], all_matches=False)
    pairs_from.append(rest[mine])
    pairs_to.append(main[hit])
    small = shapely.STRtree(lines[rest])
    reach = shapely.distance(lines[rest[mine]], lines[main[hit]])
    far = np.zeros(len(rest))
    far[mine] = reach
    best_main = np.full(count, np.inf)
    np.minimum.at(best_main, edge_part[rest], far)
    mine, hit = small.query(lines[rest], predicate="dwithin", distance=np.minimum(best_main[edge_part[rest]], 1000.0))
    differ = edge_part[rest[mine]] != edge_part[rest[hit]]
    pairs_from.append(rest[mine[differ]])
    pairs_to.append(rest[hit[differ]])
    a, b = np.concatenate(pairs_from), np.concatenate(pairs_to)
    a, b = np.concatenate([a, b]), np.concatenate([b, a])
    far = shapely.distance(lines[a], lines[b])
    order = np.lexsort((b, a, far))
    of, first = np.unique(edge_part[a[order]], return_index=True)
    best = order[first]
    gap[of], other[of] = far[best], edge_part[b[best]]
    link = shapely.get_coordinates(shapely.shortest_line(lines[a[best]], lines[b[best]]))
    xy[of] = link.reshape(-1, 2, 2).mean(axis=1)
    return gap, other, xy


def _nearest_village(place: Floats, villages: gpd.GeoDataFrame | None, crs: CRS) -> list[str]:
    if villages is None or villages.empty:
        return [""] * len(place)
    points = gpd.GeoSeries(gpd.points_from_xy(place[:, 0], place[:, 1]), crs=LONLAT).to_crs(crs).to_numpy()
    at, hit = shapely.STRtree(villages.geometry.to_crs(crs).to_numpy()).query_nearest(points, all_matches=False)
    names = villages["name"].astype(str).to_numpy() if "name" in villages else villages.index.astype(str).to_numpy()
    found = [""] * len(place)
    for k, h in zip(at.tolist(), hit.tolist(), strict=True):
        found[k] = str(names[h])
    return found


def _part_findings(parts: pd.DataFrame, layer: RawLayer) -> list[Finding]:
    if len(parts) < 2:
        return []
    found = []
    whole = parts["length_m"].sum()
    for number, part in enumerate(parts.iloc[1 : 1 + _PARTS_NAMED].itertuples(), start=2):
        near = f" near {part.near}" if part.near else ""
        found.append(fault(
            layer, "separate_part",
            f"part {number} of {len(parts)}, {part.length_m:.0f} m of path ({part.length_m / whole:.1%}) at "
            f"{part.lat:.5f}, {part.lon:.5f}{near}, is not connected; a link of {part.gap_m:.1f} m at "
            f"{part.gap_lat:.5f}, {part.gap_lon:.5f} would join it",
            "paths that can all be reached from each other",
            "draw the missing link if there is one on the ground, or raise carrying.snap_m", "look",
        ))  # fmt: skip
    if len(parts) - 1 > _PARTS_NAMED:
        rest = parts.iloc[1 + _PARTS_NAMED :]
        found.append(fault(
            layer, "separate_part", f"{len(rest)} more parts, {rest['length_m'].sum():.0f} m in all, are not connected",
            "paths that can all be reached from each other", "see the table of parts", "look",
        ))  # fmt: skip
    return found


def _repairs_table(told: list[tuple[str, int, float, float, float]], crs: CRS) -> pd.DataFrame:
    table = pd.DataFrame(told, columns=["what", "row", "lon", "lat", "size_m"]).astype(
        {"row": "int64", "lon": "float64", "lat": "float64", "size_m": "float64"}
    )
    known = table["lon"].notna().to_numpy()
    place = lonlat(table.loc[known, ["lon", "lat"]].to_numpy(dtype=float), crs)
    table.loc[known, "lon"], table.loc[known, "lat"] = place[:, 0], place[:, 1]
    return table.sort_values(["what", "row", "lon", "lat"], kind="stable").reset_index(drop=True)


_REPAIRS = {
    "crossing": ("paths cross without a shared point and were joined there", "lines that meet where people can turn",
                 "nothing, or give a column 'level' where one passes over the other"),
    "near_miss": ("loose ends were joined to what lies close by", "lines that touch where paths meet",
                  "nothing, or lower carrying.snap_m if they do not meet on the ground"),
    "repeated": ("stretches drawn twice were used once", "each path drawn once", "nothing, or delete the copy"),
}  # fmt: skip


def _repair_findings(repairs: pd.DataFrame, layer: RawLayer) -> list[Finding]:
    found = []
    for what, (text, expected, remedy) in _REPAIRS.items():
        these = repairs[repairs["what"] == what]
        if these.empty:
            continue
        rows = these["row"].tolist()
        size = f", at most {these['size_m'].max():.1f} m" if what == "near_miss" else ""
        size = f", {these['size_m'].sum():.0f} m in all" if what == "repeated" else size
        found.append(fault(
            layer, what, f"{len(these)} times, {some_rows(rows)}: {text}{size}", expected, remedy, "mended",
            rows[0] if len(rows) == 1 else None,
        ))  # fmt: skip
    return found
