"""Land in tiles: residue, sites and arcs of a piece of land at a time, joined to exactly what the whole would give.

A field belongs to the tile that holds its representative point. Every stage works on the fields of one tile with the
same functions as on one machine, and looks as far beyond them as anything can matter:

    reach = limit / r        r: least level metres that a metre of any way is worth (1 on flat ground, less downhill)

for what is minimised is level metres, and a way of `limit` level metres is at most limit / r metres long. Where there
and back differ, their mean is bounded, so one of them may be twice the limit. Paths are needed `off_path_m` farther, so
that every site joins the same path as in the whole. What no piece of land can know by itself is found once and handed
on: the local coordinate system, the calendar, which paths belong to the longest connected part, and the choice among
proposed sites, which is made over the spots of all tiles together, a number a field and spot.

Joining needs no order: fields carry their own ids, spots and sites their coordinates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from sourcing.carrying.carry import Arcs, carry_arcs, modes_of, path_states
from sourcing.carrying.sites import (
    OFF_PATH,
    Sites,
    SpotReach,
    Spots,
    Verdict,
    candidate_sites,
    cell_m,
    free_by_field,
    most_residue,
    no_go_layers,
    proposed_sites,
    reach_of,
    spots_of,
    thinned,
)
from sourcing.errors import NoPlanError
from sourcing.intake.fields import Fields
from sourcing.intake.survey import RawLayer, Survey
from sourcing.network.noding import Floats, Ints
from sourcing.network.paths import Parts, PathNetwork, longest_parts, piece_of
from sourcing.network.ways import LONLAT
from sourcing.residue.supply import Supply, season_supply
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import DAYS_A_WEEK, Calendar

Map = Callable[..., Iterable[Any]]
_MARGIN_M = 2.0
"""Added to every width, far more than any rounding [m]."""


@dataclass(frozen=True)
class Tiling:
    """Square tiles in a local system, counted row by row from the lower left."""

    crs: CRS
    west: float
    south: float
    side_m: float
    across: int
    up: int

    def of(self, shapes: gpd.GeoSeries) -> Ints:
        """The tile of each shape, by its representative point."""
        points = gpd.GeoSeries(shapely.point_on_surface(shapes.to_numpy()), crs=shapes.crs).to_crs(self.crs)
        column = np.clip((points.x.to_numpy() - self.west) // self.side_m, 0, self.across - 1)
        row = np.clip((points.y.to_numpy() - self.south) // self.side_m, 0, self.up - 1)
        return np.asarray(row * self.across + column, dtype=np.int64)

    def box(self, tile: int, wider_m: float = 0.0) -> tuple[float, float, float, float]:
        """Bounds of a tile, and of so much round it [m]."""
        row, column = divmod(tile, self.across)
        x, y = self.west + column * self.side_m, self.south + row * self.side_m
        return x - wider_m, y - wider_m, x + self.side_m + wider_m, y + self.side_m + wider_m

    def __len__(self) -> int:
        return self.across * self.up


def tiling(bounds: tuple[float, float, float, float], crs: CRS, side_m: float) -> Tiling:
    """Tiles of about this side that cover bounds in longitude and latitude."""
    west, south, east, north = (
        gpd.GeoSeries([shapely.segmentize(shapely.box(*bounds), 0.05)], crs=LONLAT).to_crs(crs).total_bounds
    )
    across, up = (max(int(np.ceil(far / side_m)), 1) for far in (east - west, north - south))
    return Tiling(crs, west, south, side_m, across, up)


@dataclass(frozen=True)
class Head:
    """What every tile needs to know of the whole. Its survey has all layers but the fields' rows and the paths."""

    settings: Settings
    values: Values
    survey: Survey
    villages: gpd.GeoDataFrame
    crs: CRS
    source: Mapping[str, Any] = field(default_factory=dict)
    """Where the fields come from (of :class:`sourcing.intake.fields.Fields`)."""


@dataclass(frozen=True)
class TileLand:
    """Fields of one tile and their residue."""

    fields: Fields
    supply: Supply


def tile_land(head: Head, fields: Fields) -> TileLand | None:
    """The residue of a tile's clean fields; None where there is none. Its calendar spans what lies here alone."""
    if fields.frame.empty and head.survey.waste_points is None:
        return None
    try:
        land, supply = season_supply(head.survey, fields, head.settings, head.values)
    except NoPlanError:
        return None
    return TileLand(land, supply)


def joined_calendar(calendars: Iterable[Calendar]) -> Calendar:
    """The calendar that spans all of these. Raises NoPlanError where there is none."""
    spans = [(c.first_monday, c.monday(c.count - 1)) for c in calendars]
    if not spans:
        raise NoPlanError("no field has any residue free to take in this season")
    return Calendar.spanning(min(a for a, _ in spans), max(b for _, b in spans))


def in_calendar(settings: Settings, calendar: Calendar) -> Settings:
    """The season's settings with its days fixed to a calendar."""
    last = calendar.monday(calendar.count - 1) + timedelta(days=DAYS_A_WEEK - 1)
    days = {
        "first_day": settings.season.first_day or calendar.first_monday,
        "last_day": settings.season.last_day or last,
    }
    return settings.model_copy(update={"season": settings.season.model_copy(update=days)})


# ---------------------------------------------------------------------------------------------------------- widths


def reach_m(settings: Settings, network: PathNetwork | None) -> float:
    """How far from a field anything that can be within carrying distance of it may lie, at most [m]."""
    limit = settings.carrying.max_distance_m
    if network is None:
        return max(limit / settings.carrying.detour_factor, limit) + _MARGIN_M
    ratios = [level / network.length_m for level in (network.level_uv_m, network.level_vu_m)]
    least = min([1.0, *(float(r.min()) for r in ratios if r.size)])
    same = np.array_equal(network.level_uv_m, network.level_vu_m)
    return (1 if same else 2) * limit / least + _MARGIN_M


def used_edges(network: PathNetwork, calendar: Calendar, settings: Settings, values: Values) -> Parts:
    """Every set of edges that some way of carrying can use in some week, each with its longest connected part."""
    uses = {b"": np.ones(len(network.u), dtype=np.bool_)}
    for closed in path_states(network, calendar)[0]:
        for least_way in sorted({m.least_way for m in modes_of(settings, values)}):
            usable = (network.width >= least_way) & ~closed
            uses.setdefault(usable.tobytes(), usable)
    return longest_parts(network, uses.values())


def network_piece(
    network: PathNetwork | None, longest: Parts, bounds: tuple[float, float, float, float], wide_m: float
) -> PathNetwork | None:
    """The paths that come within `wide_m` of bounds in the network's system."""
    if network is None:
        return None
    west, south, east, north = bounds
    box = shapely.box(west - wide_m, south - wide_m, east + wide_m, north + wide_m)
    low, high = shapely.bounds(network.lines).reshape(-1, 2, 2).transpose(1, 0, 2)
    x0, y0, x1, y1 = shapely.bounds(box)
    near = (low[:, 0] <= x1) & (high[:, 0] >= x0) & (low[:, 1] <= y1) & (high[:, 1] >= y0)
    return piece_of(network, np.flatnonzero(near), longest)


def about(survey: Survey, bounds: tuple[float, float, float, float], crs: CRS, wide_m: float) -> Survey:
    """A survey with only those paths, barriers and no-go shapes, each whole, that come within `wide_m` of bounds."""
    west, south, east, north = bounds
    box = shapely.segmentize(shapely.box(west - wide_m, south - wide_m, east + wide_m, north + wide_m), 1000.0)

    def near(layer: RawLayer | None) -> RawLayer | None:
        if layer is None or layer.frame.empty or layer.frame.crs is None:
            return layer
        area = gpd.GeoSeries([box], crs=crs).to_crs(layer.frame.crs).iloc[0]
        keep = layer.frame.sindex.query(shapely.box(*area.bounds))
        return replace(layer, frame=layer.frame.iloc[np.sort(keep)])

    def all_near(layers: tuple[RawLayer, ...]) -> tuple[RawLayer, ...]:
        return tuple(x for x in map(near, layers) if x is not None)

    return replace(
        survey, barriers=near(survey.barriers), paths=near(survey.paths), no_go=all_near(survey.no_go),
        background=all_near(survey.background),
    )  # fmt: skip


def local_bounds(fields: Fields, crs: CRS) -> tuple[float, float, float, float]:
    """Bounds of all fields in a local system [m]."""
    west, south, east, north = fields.frame.geometry.to_crs(crs).total_bounds
    return float(west), float(south), float(east), float(north)


# ---------------------------------------------------------------------------------------------------------- stages


@dataclass(frozen=True)
class Piece:
    """A tile ready for places and arcs: its land, and all round it that can matter."""

    head: Head
    land: TileLand
    network: PathNetwork | None


def piece_of_land(head: Head, land: TileLand, network: PathNetwork | None, longest: Parts) -> Piece:
    """A tile with the paths, barriers and no-go ground that can matter to it."""
    bounds = local_bounds(land.fields, head.crs)
    far = reach_m(head.settings, network)
    setbacks = [0.0, *(f.likely for f in head.values.under("site.setback").values())]
    setbacks += [layer.distance_m or 0.0 for layer in head.settings.layers.no_go]
    survey = about(head.survey, bounds, head.crs, far + head.settings.carrying.off_path_m + max(setbacks))
    network = network_piece(network, longest, bounds, far + head.settings.carrying.off_path_m)
    return Piece(replace(head, survey=survey), land, network)


def tile_spots(piece: Piece) -> Spots:
    """The spots beside the fields of a tile at which barrels might stand; some lie beyond the tile's edge."""
    head, land = piece.head, piece.land
    at, _ = free_by_field(land.fields, land.supply)
    no_go = no_go_layers(head.survey, head.settings, head.values, head.crs)
    return spots_of(head.survey, land.fields, at, piece.network, head.crs, no_go, head.settings)


def joined_spots(parts: Sequence[Spots]) -> Spots:
    """The spots of all tiles, each once."""
    xy = np.concatenate([p.xy for p in parts])
    _, first = np.unique(xy, axis=0, return_index=True)
    columns = [
        np.concatenate([getattr(p.verdict, name) for p in parts])[first]
        for name in ("refused", "reason", "distance_m", "needed_m")
    ]
    return Spots(xy[first], Verdict(*columns))


def tile_reach(piece: Piece, xy: Floats) -> tuple[pd.DataFrame, pd.DataFrame]:
    """What of a tile lies within reach of the spots (S, 2): spot, field, worth; and its fields with residue: field_id,
    row, free_kg. `field` counts in the latter, so that the many pairs are small.
    """
    head, land = piece.head, piece.land
    at, free = free_by_field(land.fields, land.supply)
    near = np.flatnonzero(_within(xy, local_bounds(land.fields, head.crs), reach_m(head.settings, piece.network)))
    found = reach_of(xy[near], head.survey, land.fields, at, piece.network, head.crs, head.settings, head.values)
    pairs = pd.DataFrame({
        "spot": near[found.spot].astype(np.int32), "field": np.searchsorted(at, found.field).astype(np.int32),
        "worth": found.worth,
    })  # fmt: skip
    frame = land.fields.frame.iloc[at]
    fields = pd.DataFrame({"field_id": frame.index.to_numpy(), "row": frame["row"].to_numpy(), "free_kg": free})
    return pairs, fields


def _within(xy: Floats, bounds: tuple[float, float, float, float], far: float) -> Any:
    west, south, east, north = bounds
    x, y = xy[:, 0], xy[:, 1]
    return (x >= west - far) & (x <= east + far) & (y >= south - far) & (y <= north + far)


def chosen_sites(
    head: Head, spots: Spots, xy: Floats, refused: pd.DataFrame, parts: Sequence[tuple[pd.DataFrame, pd.DataFrame]],
    with_paths: bool,
) -> Sites:  # fmt: skip
    """The proposed sites, chosen among the thinned spots (S, 2) of all tiles together; `parts` as of `tile_reach`."""
    pairs = pd.concat([p for p, _ in parts], ignore_index=True)
    fields = pd.concat([f for _, f in parts], ignore_index=True)
    begin = np.cumsum([0, *(len(f) for _, f in parts)])[:-1]
    number = pairs["field"].to_numpy() + np.repeat(begin, [len(p) for p, _ in parts])
    in_order = fields.sort_values(["row", "field_id"], kind="stable").index.to_numpy()
    position = np.empty(len(fields), dtype=np.int64)
    position[in_order] = np.arange(len(fields))
    reach = SpotReach(pairs["spot"].to_numpy(dtype=np.int64), position[number], pairs["worth"].to_numpy(dtype=float))
    chosen = most_residue(xy, reach, fields["free_kg"].to_numpy(dtype=float)[in_order], head.settings)
    nowhere = Fields(gpd.GeoDataFrame(geometry=[], crs=LONLAT), head.villages, (), pd.DataFrame())
    frame, findings = proposed_sites(xy[chosen], len(xy), head.crs, nowhere)
    no_go = no_go_layers(head.survey, head.settings, head.values, head.crs)
    used = (*dict.fromkeys(n.figure for n in no_go), *((OFF_PATH,) if with_paths else ()))
    return Sites(frame, refused, tuple(findings), used)


def tile_arcs(piece: Piece, sites: Sites) -> Arcs:
    """The arcs of a tile's lots to all sites; `site` counts in `sites.frame`, `lot` in the tile's own lots."""
    head, land = piece.head, piece.land
    xy = shapely.get_coordinates(sites.frame.geometry.to_crs(head.crs).to_numpy()).reshape(-1, 2)
    near = np.flatnonzero(_within(xy, local_bounds(land.fields, head.crs), reach_m(head.settings, piece.network)))
    some = replace(sites, frame=sites.frame.iloc[near])
    arcs = carry_arcs(
        head.survey, land.supply, land.fields, some, piece.network, head.settings, head.values, crs=head.crs
    )
    return replace(arcs, frame=arcs.frame.assign(site=near[arcs.frame["site"].to_numpy(dtype=np.int64)]))


# ---------------------------------------------------------------------------------------------- all of it, in memory


@dataclass(frozen=True)
class TiledLand:
    """All tiles' land, sites and arcs. `arcs[k]` belongs to `tiles[k]`."""

    head: Head
    tiles: tuple[TileLand, ...]
    sites: Sites
    arcs: tuple[Arcs, ...]


@dataclass(frozen=True)
class _LandJob:
    head: Head

    def __call__(self, fields: Fields) -> TileLand | None:
        return tile_land(self.head, fields)


@dataclass(frozen=True)
class _ReachJob:
    xy: Floats

    def __call__(self, piece: Piece) -> tuple[pd.DataFrame, pd.DataFrame]:
        return tile_reach(piece, self.xy)


@dataclass(frozen=True)
class _ArcsJob:
    sites: Sites

    def __call__(self, piece: Piece) -> Arcs:
        return tile_arcs(piece, self.sites)


def parts_of(fields: Fields, tiles: Tiling) -> list[Fields]:
    """Clean fields cut into tiles, each field once; tiles without any are left out."""
    of = tiles.of(fields.frame.geometry)
    return [
        replace(fields, frame=fields.frame[of == tile], findings=(), set_aside=fields.set_aside.iloc[:0])
        for tile in np.unique(of).tolist()
    ]


def land_in_tiles(
    head: Head, parts: Iterable[Fields], network_of: Callable[[Head], PathNetwork | None], map: Map = map
) -> TiledLand:
    """Residue, sites and arcs of all parts of the land. `network_of` gives the paths of the whole."""
    parts = list(parts)
    lands = [land for land in map(_LandJob(head), parts) if land is not None]
    calendar = joined_calendar(land.supply.calendar for land in lands)
    head = replace(head, settings=in_calendar(head.settings, calendar))
    if any(land.supply.calendar != calendar for land in lands):
        lands = [land for land in map(_LandJob(head), parts) if land is not None]
    network = network_of(head)
    longest = () if network is None else used_edges(network, calendar, head.settings, head.values)
    pieces = [piece_of_land(head, land, network, longest) for land in lands]
    sites = sites_of(head, pieces, network is not None, map)
    return TiledLand(head, tuple(lands), sites, tuple(map(_ArcsJob(sites), pieces)))


def sites_of(head: Head, pieces: Sequence[Piece], with_paths: bool, map: Map = map) -> Sites:
    """The candidate sites of all tiles: the survey's own places, else proposed ones."""
    if head.survey.places is not None:
        nowhere = Fields(gpd.GeoDataFrame(geometry=[], crs=LONLAT), head.villages, (), pd.DataFrame())
        first = pieces[0].land
        return candidate_sites(head.survey, nowhere, first.supply, None, head.settings, head.values, crs=head.crs)
    spots = joined_spots(list(map(tile_spots, pieces)))
    xy, refused = thinned(spots, cell_m(spots.xy, head.settings), head.crs)
    return chosen_sites(head, spots, xy, refused, list(map(_ReachJob(xy), pieces)), with_paths)
