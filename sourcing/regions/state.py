"""The main line of large work: from a season folder to plans of its regions, tile by tile and region by region.

The stages are those of :mod:`sourcing.plan`, each a map over tiles or regions. Every process reads what it needs from
the working folder and leaves there what it finishes; nothing holds all fields at once. Stages over tiles are pure
functions of the season, so a piece that is there is right, and a restart goes on behind the last one. What changes with
every run (what all tiles must know, the regions' questions) is written anew each time, under the run's own name.
"""

from __future__ import annotations

import hashlib
import pickle
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sourcing import __version__
from sourcing.carrying.carry import Arcs
from sourcing.carrying.haul import Haul, ways_to_workshop
from sourcing.carrying.sites import Sites, Spots, Verdict, candidate_sites, cell_m, thinned
from sourcing.errors import Finding, InputError, NoPlanError, PlanFaultError
from sourcing.intake.cells import fold
from sourcing.intake.fields import Fields, clean_fields
from sourcing.intake.history import fields_to_plan, is_planned_from_history
from sourcing.intake.readers import part_box, parts_in, sha256_of
from sourcing.intake.survey import RawLayer, Survey, read_layer, read_survey
from sourcing.intake.villages import village_points
from sourcing.network.paths import Parts, PathNetwork, build_network
from sourcing.network.ways import LONLAT, local_crs
from sourcing.placement import Instance, Placement, check
from sourcing.plan import Land, Placed, Plan, drawn_up, load_values
from sourcing.regions.cut import Limits, Region, limits_of, restrict, without_least
from sourcing.regions.master import Joint, solve_regions
from sourcing.regions.store import facts_of, table_of, write_piece
from sourcing.regions.tiles import (
    Head,
    Piece,
    TileLand,
    Tiling,
    about,
    chosen_sites,
    in_calendar,
    joined_calendar,
    joined_spots,
    local_bounds,
    network_piece,
    parts_of,
    reach_m,
    tile_arcs,
    tile_land,
    tile_reach,
    tile_spots,
    tiling,
    used_edges,
)
from sourcing.residue.supply import Supply
from sourcing.residue.weather import read_weather, with_workable_days
from sourcing.season.barrel import barrel_rates
from sourcing.season.problem import Problem, residues_of, season_problem
from sourcing.settings import Layer, Settings, read_settings
from sourcing.weeks import Calendar

Tell = Callable[[str], None]
Map = Callable[..., Iterable[Any]]
WORK = "work"
FIELDS_A_TILE = 3000
"""About so many fields lie in a tile; a region is about as large."""
HALO_M = 500.0
"""So much round a tile is read to find fields taken in twice and fields that overlap [m]."""
MOST_NUMBER = 1_000_000
ARC_COLUMNS = ("lot", "site_id")


@dataclass(frozen=True)
class Hands:
    """Who does the work: `map` carries it, `count` pieces of it side by side."""

    map: Map = map
    count: int = 1


@dataclass(frozen=True)
class Whole:
    """What is known of the whole once all tiles are done."""

    head: Head
    calendar: Calendar
    sites: Sites
    haul: Haul | None
    region_of: dict[str, int]
    """Region of each village with a site."""
    tiles_of: dict[int, tuple[int, ...]]
    """Tiles that hold anything of a region's wide question, or fields of its villages."""
    wide: dict[int, tuple[str, ...]]
    """Villages of each region's wide question."""
    lots_before: dict[int, int]
    """Lots of all tiles before each tile."""
    straight_line: bool
    network: tuple[PathNetwork | None, Parts]


@dataclass(frozen=True)
class Place:
    """Where the pieces of one run are."""

    folder: Path
    run: str

    def put(self, name: str, value: Any) -> None:
        """Keeps a value of this run for the processes that work on it."""
        path = self.folder / self.run / f"{name}.pickle"
        path.parent.mkdir(exist_ok=True)
        making = path.with_suffix(f".{secrets.token_hex(4)}")
        making.write_bytes(pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL))
        making.replace(path)

    def get(self, name: str) -> Any:
        """A value of this run."""
        return _opened(self.folder / self.run / f"{name}.pickle")


@lru_cache(maxsize=6)
def _opened(path: Path) -> Any:
    """A value that this very run wrote: its folder's name is drawn anew for each run."""
    return pickle.loads(path.read_bytes())


@dataclass(frozen=True)
class Job:
    """A stage of one tile or region, ready to be sent away."""

    stage: Callable[[Place, int], Any]
    place: Place

    def __call__(self, number: int) -> Any:
        """What the stage makes of the tile or region."""
        return self.stage(self.place, number)


# ---------------------------------------------------------------------------------------------------- stages of tiles


def _name(stage: str, tile: int) -> str:
    return f"{stage}-{tile:06d}"


def clean_stage(place: Place, tile: int) -> dict[str, Any]:
    """The clean fields of a tile out of a folder of parts."""
    name = _name("fields", tile)
    if (done := facts_of(place.folder, name)) is not None:
        return done
    head, tiles, layer, folder = place.get("start")
    corners = gpd.GeoSeries([shapely.segmentize(shapely.box(*tiles.box(tile, HALO_M)), 1000.0)], crs=tiles.crs)
    box = tuple(corners.to_crs(LONLAT).total_bounds.tolist())
    raw = read_layer(folder, "fields", layer, box)
    facts: dict[str, Any] = {"fields": 0, "set_aside": 0, "findings": {}}
    if raw.rows == 0:
        write_piece(place.folder, name, {}, facts)
        return facts
    clean = clean_fields(replace(head.survey, fields=raw), head.settings, head.values)
    strange = clean.villages.index.difference(head.villages.index)
    if len(strange):
        raise InputError([Finding(
            "refused", layer.file, None, "unknown_village", f"the village layer lacks {', '.join(strange[:8])}",
            "every village of the fields in the village layer: tiles are worked on apart", "add the villages",
        )])  # fmt: skip
    mine = tiles.of(clean.frame.geometry) == tile
    facts = {"fields": int(mine.sum()), "set_aside": len(clean.set_aside), "findings": _counted(clean.findings)}
    write_piece(place.folder, name, {"fields": clean.frame[mine]} if mine.any() else {}, facts)
    return facts


def _counted(findings: Iterable[Finding]) -> dict[str, int]:
    found: dict[str, int] = {}
    for finding in findings:
        key = f"{finding.grade}/{finding.what}"
        found[key] = found.get(key, 0) + 1
    return found


def _fields(place: Place, tile: int, head: Head, stage: str = "fields") -> Fields:
    frame = table_of(place.folder, _name(stage, tile), "fields")
    return Fields(frame, head.villages, (), pd.DataFrame())


def span_stage(place: Place, tile: int) -> dict[str, Any]:
    """The weeks in which a tile has residue."""
    name = _name("span", tile)
    if (done := facts_of(place.folder, name)) is not None:
        return done
    head = place.get("start")[0]
    land = tile_land(_with_points(head, place, tile), _fields(place, tile, head))
    span = None if land is None else [str(land.supply.calendar.first_monday), land.supply.calendar.count]
    facts = {"span": span}
    write_piece(place.folder, name, {}, facts)
    return facts


def _with_points(head: Head, place: Place, tile: int) -> Head:
    """The head with only those waste points that lie in the tile."""
    points = head.survey.waste_points
    if points is None:
        return head
    tiles = place.get("start")[1]
    mine = replace(points, frame=points.frame[tiles.of(points.frame.geometry) == tile])
    return replace(head, survey=replace(head.survey, waste_points=mine if len(mine.frame) else None))


def supply_stage(place: Place, tile: int) -> dict[str, Any]:
    """The residue of a tile's fields in the whole's calendar."""
    name = _name("land", tile)
    if (done := facts_of(place.folder, name)) is not None:
        return done
    head = place.get("head")
    land = tile_land(_with_points(head, place, tile), _fields(place, tile, head))
    if land is None:
        facts: dict[str, Any] = {"lots": 0}
        write_piece(place.folder, name, {}, facts)
        return facts
    lots = land.supply.lots
    facts = {
        "lots": len(lots), "bounds": local_bounds(land.fields, head.crs), "free_kg": float(lots["mass_kg"].sum()),
        "fields": len(land.fields.frame), "used": list(land.supply.figures_used),
        "estimated": int(land.fields.frame["estimated"].sum()),
        "villages": land.fields.frame["village"].value_counts().to_dict(),
        "free_by_village": lots.groupby("village", observed=True)["mass_kg"].sum().to_dict(),
        "hectares": land.fields.frame.groupby("village")["area_ha"].sum().to_dict(),
    }  # fmt: skip
    write_piece(place.folder, name, {"fields": land.fields.frame, "lots": lots, "chain": land.supply.chain}, facts)
    return facts


def _land(place: Place, tile: int, head: Head) -> TileLand:
    calendar = place.get("calendar")
    name = _name("land", tile)
    lots, chain = (table_of(place.folder, name, t) for t in ("lots", "chain"))
    used = tuple((facts_of(place.folder, name) or {})["used"])
    return TileLand(_fields(place, tile, head, "land"), Supply(calendar, lots, chain, (), used))


def _piece(place: Place, tile: int) -> Piece:
    head = place.get("head")
    network, survey = place.get(_name("around", tile))
    return Piece(replace(head, survey=survey), _land(place, tile, head), network)


def spots_stage(place: Place, tile: int) -> None:
    """The judged spots beside a tile's fields."""
    name = _name("spots", tile)
    if facts_of(place.folder, name) is not None:
        return
    spots = tile_spots(_piece(place, tile))
    verdict = spots.verdict
    table = pd.DataFrame({
        "x": spots.xy[:, 0], "y": spots.xy[:, 1], "refused": verdict.refused, "reason": verdict.reason,
        "distance_m": verdict.distance_m, "needed_m": verdict.needed_m,
    })  # fmt: skip
    write_piece(place.folder, name, {"spots": table}, {})


def _spots(place: Place, tile: int) -> Spots:
    table = table_of(place.folder, _name("spots", tile), "spots")
    verdict = Verdict(*(table[c].to_numpy() for c in ("refused", "reason", "distance_m", "needed_m")))
    return Spots(table[["x", "y"]].to_numpy(), verdict)


def reach_stage(place: Place, tile: int) -> None:
    """What of a tile lies within reach of the thinned spots."""
    name = _name("reached", tile)
    if facts_of(place.folder, name) is not None:
        return
    pairs, fields = tile_reach(_piece(place, tile), place.get("thin"))
    write_piece(place.folder, name, {"pairs": pairs, "fields": fields}, {})


def arcs_stage(place: Place, tile: int) -> dict[str, Any]:
    """The arcs of a tile's lots to all sites."""
    name = _name("arcs", tile)
    if (done := facts_of(place.folder, name)) is not None:
        return done
    sites: Sites = place.get("sites")
    arcs = tile_arcs(_piece(place, tile), sites)
    ids, of = sites.frame.index.to_numpy(), sites.frame["village"].to_numpy()
    at = arcs.frame["site"].to_numpy(dtype=np.int64)
    village = of[at]
    lots = arcs.frame["lot"].to_numpy()
    pairs = pd.DataFrame({"lot": lots, "village": village}).drop_duplicates()
    joint = pairs.merge(pairs, on="lot")[["village_x", "village_y"]].drop_duplicates()
    frame = arcs.frame.drop(columns="site").assign(site_id=ids[at], village=village)
    facts = {
        "villages": sorted(set(village.tolist())), "pairs": joint.to_numpy().tolist(), "used": list(arcs.figures_used),
        "straight_line": arcs.straight_line,
    }  # fmt: skip
    write_piece(place.folder, name, {"arcs": frame, "unreachable": arcs.unreachable}, facts)
    return facts


# -------------------------------------------------------------------------------------------------- stages of regions


@dataclass(frozen=True)
class RegionLand:
    """A region's land as one season's: what is drawn up for it, and its question."""

    land: Land
    sites: Sites
    arcs: Arcs
    problem: Problem
    rates: pd.DataFrame
    figures_used: tuple[str, ...]
    lots: Any
    """Number of each of its lots in the whole, shape (L,)."""


def _region_frames(
    place: Place, whole: Whole, number: int, villages: Sequence[str], all_fields_of: Sequence[str]
) -> tuple[gpd.GeoDataFrame, pd.DataFrame, pd.DataFrame, Any, Any]:
    """Fields, lots and arcs of sites in some villages, and of all fields of others; and who else reaches the lots."""
    frames: list[tuple[Any, Any, Any]] = []
    outside = []
    for tile in whole.tiles_of[number]:
        lots = table_of(place.folder, _name("land", tile), "lots").assign(number=lambda t: np.arange(len(t)))
        arcs = table_of(place.folder, _name("arcs", tile), "arcs")
        before = whole.lots_before[tile]
        lots["number"] += before
        arcs["lot"] += before
        near = arcs["village"].isin(villages)
        keep = lots["number"].isin(arcs.loc[near, "lot"]) | lots["village"].astype(str).isin(all_fields_of)
        lots = lots[keep]
        fields = table_of(place.folder, _name("land", tile), "fields")
        shown = fields.index.isin(lots["field_id"].astype(str)) | fields["village"].isin(all_fields_of)
        frames.append((fields[shown], lots.astype(_TEXT), arcs[near]))
        outside.append(arcs.loc[arcs["lot"].isin(lots["number"]), ["lot", "site_id", "village", "cost_per_kg"]])
    fields, lots, arcs = (pd.concat(parts) for parts in zip(*frames, strict=True))
    lots = lots.sort_values("number", kind="stable")
    numbers = lots["number"].to_numpy()
    lots = lots.drop(columns="number").set_index(pd.RangeIndex(len(lots), name="lot"))
    for column in _TEXT:
        lots[column] = lots[column].astype("category")
    arcs = arcs.assign(lot=np.searchsorted(numbers, arcs["lot"].to_numpy()))
    return gpd.GeoDataFrame(fields, crs=LONLAT), lots, arcs, numbers, pd.concat(outside)


_TEXT = {"field_id": str, "village": str, "crop": str, "residue": str}


def region_land(place: Place, whole: Whole, number: int, villages: Sequence[str], own: bool) -> RegionLand:
    """The land of a region: of its own villages, or of its wide question."""
    home = [v for v, r in whole.region_of.items() if r == number] if own else []
    fields_frame, lots, arcs_frame, numbers, _ = _region_frames(place, whole, number, villages, home)
    head = whole.head
    mine = whole.sites.frame["village"].isin(villages)
    sites = replace(whole.sites, frame=whole.sites.frame[mine], refused=whole.sites.refused.iloc[:0], findings=())
    at = sites.frame.index.get_indexer(arcs_frame["site_id"])
    frame = arcs_frame.drop(columns=["site_id", "village"]).assign(site=at)
    columns = ["lot", "site", *(c for c in frame.columns if c not in ("lot", "site"))]
    frame = frame[columns].sort_values(["lot", "site"], kind="stable").reset_index(drop=True)
    none = pd.DataFrame({"field_id": pd.Series([], dtype=str), "reason": pd.Series([], dtype=str)})
    arcs = Arcs(frame, whole.straight_line, none, (), ())
    aside = pd.DataFrame(columns=["file", "row", "field_id", "reason"])
    fields = Fields(fields_frame, head.villages, (), aside, source=head.source)
    supply = Supply(whole.calendar, lots, pd.DataFrame(), (), ())
    settings = _wishes_here(head.settings, sites, len(whole.sites.frame), head.villages["name"])
    rates, rate_figures = barrel_rates(residues_of(supply), settings, head.values, settings.supply.estimate)
    metres = None
    if whole.haul is not None:
        metres = {k: whole.haul.metres[k] for k in sites.frame.index}
    problem = season_problem(supply, sites, arcs, rates, fields, settings, head.values, metres)
    weather = None
    if head.survey.climate is not None:
        weather = read_weather(head.survey.climate, head.settings.layers.climate)
    land = Land(head.settings, head.values, head.survey, fields, supply, None, weather)
    return RegionLand(land, sites, arcs, problem, rates, (*rate_figures, *problem.figures_used), numbers)


def _wishes_here(settings: Settings, sites: Sites, count: int, names: pd.Series) -> Settings:
    """The season's wishes as far as they concern these sites; numbers asked of the whole are open downwards.

    `names` are the villages' names by id.
    """
    wishes, villages = settings.wishes, settings.villages
    here = set(sites.frame.index)
    villages_here = {fold(str(v)) for v in sites.frame["village"].unique()}
    villages_here |= {fold(str(name)) for v, name in names.items() if fold(str(v)) in villages_here}
    fixed = [
        f for f in wishes.fixed
        if (not f.site or f.site in here) and (not f.village or fold(f.village) in villages_here)
    ]  # fmt: skip
    changed = {
        "sites_use": [s for s in wishes.sites_use if s in here],
        "sites_leave_out": [s for s in wishes.sites_leave_out if s in here],
        "fixed": fixed, "sites_least": 0,
        "sites_most": (wishes.sites_most or count) if wishes.sites_least else wishes.sites_most,
    }  # fmt: skip
    most = (villages.most or MOST_NUMBER) if villages.least else villages.most
    update = {
        "wishes": wishes.model_copy(update=changed),
        "villages": villages.model_copy(update={"least": 0, "most": most}),
    }
    return settings.model_copy(update=update)


def region_stage(place: Place, number: int) -> tuple[Limits, tuple[float, float, float, float]]:
    """A region's question, kept for this run; its limits, which are the whole's, and the bounds of its fields."""
    whole: Whole = place.get("whole")
    home = [v for v, r in whole.region_of.items() if r == number]
    wide = region_land(place, whole, number, whole.wide[number], own=False)
    limits = limits_of(wide.problem.instance)
    question = without_least(wide.problem.instance, limits)
    every = np.arange(question.sites)
    question, lots, _ = restrict(question, every)
    numbers = wide.lots[lots]
    in_home = wide.sites.frame["village"].isin(home).to_numpy()
    own, own_lots, arcs = restrict(question, np.flatnonzero(in_home))
    _, _, _, _, reached = _region_frames(place, whole, number, whole.wide[number], [])
    reached = reached.assign(region=reached["village"].map(whole.region_of))
    by = reached.groupby("lot")["region"].nunique()
    cheapest = reached.sort_values(["lot", "cost_per_kg", "site_id"], kind="stable").drop_duplicates("lot")
    owner = cheapest.set_index("lot")["region"]
    mine = numbers[own_lots]
    shared = np.flatnonzero(by.reindex(mine).to_numpy() > 1)
    region = Region(
        str(number), own, np.flatnonzero(in_home), mine, arcs, shared, question, in_home, own_lots[shared],
        owner.reindex(mine[shared]).to_numpy() == number,
    )  # fmt: skip
    place.put(_name("region", number), region)
    reached_fields = wide.land.supply.lots["field_id"].astype(str).iloc[lots[own_lots]].unique()
    frame = wide.land.fields.frame
    here = replace(wide.land.fields, frame=frame[frame.index.isin(reached_fields)])
    return limits, local_bounds(here, whole.head.crs)


@dataclass(frozen=True)
class RegionSource:
    """Where a region's question is read from."""

    place: Place
    number: int

    def __call__(self) -> Region:
        """The region, as it was kept for this run."""
        found: Region = self.place.get(_name("region", self.number))
        return found


@dataclass(frozen=True)
class RegionPlanned:
    """What a region's plan comes to, for the whole's overview and proof."""

    number: int
    villages: pd.DataFrame
    totals: dict[str, float]
    barrels: Any
    """Barrels standing in each week, shape (T,)."""
    shared_kg: pd.Series
    """What it takes of each shared lot, by the lot's number in the whole [kg]."""
    shared_mass_kg: pd.Series
    faults: tuple[str, ...]


def region_plan(place: Place, number: int, placement: Placement, made_at: datetime) -> tuple[Plan, RegionPlanned]:
    """A region's whole plan from its placement."""
    whole: Whole = place.get("whole")
    region: Region = place.get(_name("region", number))
    home = [v for v, r in whole.region_of.items() if r == number]
    here = region_land(place, whole, number, home, own=True)
    it = without_least(here.problem.instance, limits_of(here.problem.instance))
    placement = _work_of(it, placement)
    faults = tuple(check(it, replace(placement, bound=np.inf if placement.goal != "clear" else -np.inf)))
    network, survey = place.get(_name("region-around", number))
    haul = whole.haul
    if haul is not None:
        mine = {k: haul.metres[k] for k in here.sites.frame.index}
        haul = replace(haul, metres=mine)
    land = replace(here.land, network=network, survey=survey)
    placed = Placed(here.rates, here.sites, here.arcs, haul, here.problem, placement, None, here.figures_used)
    planned = drawn_up(land, placed, made_at)
    taken = np.bincount(region.own.arc_lot, weights=placement.x, minlength=len(region.lots))[region.shared]
    keys = region.lots[region.shared]
    villages = planned.village_table[planned.village_table.index.isin(home)]
    totals = {k: float(v) for k, v in planned.record["totals"].items() if isinstance(v, int | float)}
    return planned, RegionPlanned(
        number, villages, totals, placement.barrels.sum(axis=0), pd.Series(taken, index=keys),
        pd.Series(region.own.lot_mass_kg[region.shared], index=keys), faults,
    )  # fmt: skip


def _work_of(it: Instance, plan: Placement) -> Placement:
    """The plan with its work told in the classes of this question; its carries are the same."""
    keys = np.stack([it.arc_site[plan.carry_arc], it.arc_classes[plan.carry_arc], plan.carry_week])
    every, which = np.unique(keys, axis=1, return_inverse=True)
    kg = np.bincount(which.reshape(-1), weights=plan.carry_kg, minlength=every.shape[1]).astype(np.float64)
    return replace(plan, work_site=every[0], work_class=every[1], work_week=every[2], work_kg=kg)


# ------------------------------------------------------------------------------------------------------ the main line


@dataclass(frozen=True)
class StatePlan:
    """A whole state, placed: where its pieces are, and what was found."""

    place: Place
    whole: Whole
    joint: Joint
    facts: dict[str, Any]

    @property
    def regions(self) -> tuple[int, ...]:
        """Numbers of the regions, in the order of `joint.plans`."""
        return tuple(sorted(set(self.whole.region_of.values())))


def place_state(folder: Path, hands: Hands, tell: Tell = lambda _: None, tile_fields: int = FIELDS_A_TILE) -> StatePlan:
    """Barrels placed for a whole state. Raises as :func:`sourcing.plan.plan_season` does."""
    tell("Reading the survey")
    place, tiles = _begin(folder, tile_fields)
    tell("Working out residue by week")
    cleaned = list(hands.map(Job(clean_stage, place), tiles))
    tiles = [t for t, f in zip(tiles, cleaned, strict=True) if f["fields"]]
    spans = list(hands.map(Job(span_stage, place), tiles))
    whole, tiles, facts = _land_of_whole(place, tiles, [s["span"] for s in spans], hands, tell)
    facts |= {"fields": sum(f["fields"] for f in cleaned), "set_aside": sum(f["set_aside"] for f in cleaned)}
    tell("Placing the barrels")
    numbers = sorted(set(whole.region_of.values()))
    asked = list(hands.map(Job(region_stage, place), numbers))
    _around_regions(place, whole, dict(zip(numbers, [box for _, box in asked], strict=True)))
    limits = _limits([limits for limits, _ in asked], whole)
    choice = whole.head.settings.placement

    def step(what: str, value: float, bound: float) -> None:
        words = {"prices": "prices between regions", "bound": "the bound on any plan"}
        if what in words:
            tell(f"Placing the barrels: {words[what]}")
        elif np.isfinite(value):
            tell(f"Placing the barrels: within {abs(bound - value) / max(abs(value), 1e-9):.1%} of the best possible")

    joint = solve_regions(
        [RegionSource(place, n) for n in numbers], limits, gap=choice.gap, seconds=choice.seconds, seed=choice.seed,
        progress=step, map=hands.map, hands=hands.count,
    )  # fmt: skip
    return StatePlan(place, whole, joint, facts)


def _limits(found: Sequence[Limits], whole: Whole) -> Limits:
    """The whole's limits: a region's, and the numbers asked for from below, which regions leave open."""
    limits = found[0]
    low = limits.low.copy()
    settings = whole.head.settings
    for name, block in limits.rows:
        least = {"site_number": settings.wishes.sites_least, "village_number": settings.villages.least}.get(name, 0)
        if least:
            low[block] = least
    return replace(limits, low=low)


def _begin(folder: Path, tile_fields: int) -> tuple[Place, list[int]]:
    """The working folder with what every tile must know at the start, and the tiles."""
    settings = read_settings(folder)
    values = load_values(folder, settings)
    layer = settings.layers.fields
    digest = hashlib.sha256(f"{__version__} {tile_fields} {settings!r}".encode())
    if settings.values_file:
        digest.update((folder / settings.values_file).read_bytes())
    parts = parts_in(folder / layer.file)
    if not parts:
        survey = read_survey(folder, settings)
        clean = fields_to_plan(folder, survey, settings, values)
        source = clean.source
        crs, bounds, rows = local_crs(clean.frame), tuple(clean.frame.total_bounds.tolist()), len(clean.frame)
        villages = clean.villages
    else:
        if is_planned_from_history(folder, settings):
            raise InputError([Finding(
                "refused", layer.file, None, "history_of_parts", "surveys were accepted, and this one is in parts",
                "parts are planned as they are, without a history", "set history.plan_from = \"files\"",
            )])  # fmt: skip
        survey, villages = _survey_of_parts(folder, settings, layer)
        source = {"from": "file", "file": layer.file}
        told = [part_box(p) for p in parts]
        boxes = np.array([b for b, n in told if b is not None and n])
        bounds = (*boxes[:, :2].min(axis=0).tolist(), *boxes[:, 2:].max(axis=0).tolist())
        rows = sum(n for _, n in told)
        crs = local_crs(gpd.GeoDataFrame(geometry=[shapely.box(*bounds)], crs=LONLAT))
    for read in survey.inputs:
        digest.update(str(read["sha256"]).encode())
    digest.update(repr(source).encode())
    tiles = _tiling(bounds, crs, rows, tile_fields)
    work = folder / WORK / digest.hexdigest()[:16]
    place = Place(work, f"run-{secrets.token_hex(6)}")
    (work / place.run).mkdir(parents=True, exist_ok=True)
    head = Head(settings, values, replace(survey, paths=None), villages, crs, source)
    place.put("start", (head, tiles, layer, folder))
    place.put("paths", survey.paths)
    if parts:
        return place, list(range(len(tiles)))
    of = tiles.of(clean.frame.geometry)
    for part, tile in zip(parts_of(clean, tiles), np.unique(of).tolist(), strict=True):
        facts = {"fields": len(part.frame), "set_aside": 0, "findings": {}}
        write_piece(work, _name("fields", tile), {"fields": part.frame}, facts)
    return place, np.unique(of).tolist()


def _tiling(bounds: tuple[float, ...], crs: Any, rows: int, tile_fields: int) -> Tiling:
    one = tiling((bounds[0], bounds[1], bounds[2], bounds[3]), crs, 1e9)
    west, south, east, north = gpd.GeoSeries([shapely.box(*bounds)], crs=LONLAT).to_crs(crs).total_bounds
    wished = max(np.sqrt((east - west) * (north - south) * tile_fields / max(rows, 1)), 1000.0)
    across = int(np.ceil((east - west) / wished)) or 1
    side = (east - west) / across + 1.0
    return replace(one, side_m=float(side), across=across, up=int(np.ceil((north - south) / side)) or 1)


def _survey_of_parts(folder: Path, settings: Settings, layer: Layer) -> tuple[Survey, gpd.GeoDataFrame]:
    """All of a survey but the rows of its fields, and its villages. Raises InputError with all that tiles need."""
    lacking = []
    if settings.layers.villages is None:
        lacking.append(("villages", "a layer of villages", "name one under [layers.villages]"))
    if settings.season.first_day is None:
        lacking.append(("season", "season.first_day", "set it: tiles are worked on apart and must agree on the year"))
    if lacking:
        raise InputError([
            Finding("refused", "season.toml", None, "needed_for_tiles", f"there is no {what}", f"{what}", remedy)
            for _, what, remedy in lacking
        ])  # fmt: skip
    nowhere = (200.0, 100.0, 200.0, 100.0)  # off the globe: the heading is read, no row
    raw = read_layer(folder, "fields", layer, nowhere)
    survey = read_survey(folder, settings, raw)
    points, _ = village_points(survey.villages)
    if points is None:
        raise InputError([Finding(
            "refused", survey.villages.file if survey.villages else "", None, "no_villages", "no village can be used",
            "named points", "mend the village layer",
        )])  # fmt: skip
    frame = gpd.GeoDataFrame(
        {"name": list(points.names)}, geometry=shapely.points(points.lon, points.lat), crs=LONLAT,
        index=pd.Index(list(points.ids), name="village_id", dtype=object),
    )  # fmt: skip
    digest = {"path": layer.file, "sha256": sha256_of(folder / layer.file), "rows": 0}
    return replace(survey, inputs=(digest, *survey.inputs)), frame


def _land_of_whole(
    place: Place, tiles: list[int], spans: list[Any], hands: Hands, tell: Tell
) -> tuple[Whole, list[int], dict[str, Any]]:
    """Residue, paths, sites and arcs of all tiles."""
    head: Head = place.get("start")[0]
    calendar = joined_calendar(Calendar(date.fromisoformat(s[0]), s[1]) for s in spans if s is not None)
    settings = in_calendar(head.settings, calendar)
    weather = None
    if head.survey.climate is not None:
        weather = read_weather(head.survey.climate, settings.layers.climate)
    settings, _ = with_workable_days(settings, calendar, head.values, weather)
    head = replace(head, settings=settings)
    place.put("head", head)
    place.put("calendar", calendar)
    lands = list(hands.map(Job(supply_stage, place), tiles))
    kept = [(t, f) for t, f in zip(tiles, lands, strict=True) if f["lots"]]
    tiles = [t for t, _ in kept]
    facts = {
        **{name: sum(f[name] for _, f in kept) for name in ("lots", "free_kg", "estimated")},
        "free_by_village": _summed(f["free_by_village"] for _, f in kept),
        "fields_by_village": _summed(f["villages"] for _, f in kept),
        "hectares": _summed(f["hectares"] for _, f in kept),
    }  # fmt: skip
    tell("Joining the paths")
    network = _network(place, head, [f["bounds"] for _, f in kept])
    longest = () if network is None else used_edges(network, calendar, settings, head.values)
    _around(place, head, {t: f["bounds"] for t, f in kept}, network, longest, "around")
    tell("Finding places for barrels")
    sites = _sites(place, head, tiles, network is not None, hands)
    place.put("sites", sites)
    tell("Measuring carrying distances")
    arcs = list(hands.map(Job(arcs_stage, place), tiles))
    whole = _whole(place, head, calendar, sites, tiles, [f for _, f in kept], arcs, network, longest)
    place.put("whole", replace(whole, network=(None, ())))
    return whole, tiles, facts


def _summed(tables: Iterable[dict[str, float]]) -> dict[str, float]:
    total: dict[str, float] = {}
    for table in tables:
        for key, value in table.items():
            total[key] = total.get(key, 0.0) + value
    return total


def _network(place: Place, head: Head, bounds: Sequence[Sequence[float]]) -> PathNetwork | None:
    """The paths of the whole, noded in this process."""
    paths: RawLayer | None = place.get("paths")
    if paths is None:
        return None
    ends = np.array(bounds)
    box = shapely.box(*ends[:, :2].min(axis=0), *ends[:, 2:].max(axis=0))
    ground = gpd.GeoDataFrame(geometry=[box], crs=head.crs).to_crs(LONLAT)
    fields = Fields(ground, head.villages, (), pd.DataFrame())
    return build_network(replace(head.survey, paths=paths), fields, head.settings, head.values, crs=head.crs)


def _around(
    place: Place, head: Head, bounds: dict[int, Any], network: PathNetwork | None, longest: Parts, name: str
) -> None:
    """Keeps for every tile or region the paths, barriers and no-go ground round it."""
    far = reach_m(head.settings, network) + head.settings.carrying.off_path_m
    setbacks = [0.0, *(f.likely for f in head.values.under("site.setback").values())]
    setbacks += [layer.distance_m or 0.0 for layer in head.settings.layers.no_go]
    for number, box in bounds.items():
        survey = about(head.survey, box, head.crs, far + max(setbacks))
        place.put(_name(name, number), (network_piece(network, longest, box, far), survey))


def _sites(place: Place, head: Head, tiles: list[int], with_paths: bool, hands: Hands) -> Sites:
    """The sites of the whole: the survey's places, or those chosen among the spots of all tiles."""
    if head.survey.places is not None:
        nowhere = Fields(gpd.GeoDataFrame(geometry=[], crs=LONLAT), head.villages, (), pd.DataFrame())
        supply = Supply(place.get("calendar"), pd.DataFrame(), pd.DataFrame(), (), ())
        return candidate_sites(head.survey, nowhere, supply, None, head.settings, head.values, crs=head.crs)
    list(hands.map(Job(spots_stage, place), tiles))
    spots = joined_spots([_spots(place, t) for t in tiles])
    xy, refused = thinned(spots, cell_m(spots.xy, head.settings), head.crs)
    place.put("thin", xy)
    list(hands.map(Job(reach_stage, place), tiles))
    names = [_name("reached", tile) for tile in tiles]
    parts = [(table_of(place.folder, n, "pairs"), table_of(place.folder, n, "fields")) for n in names]
    return chosen_sites(head, spots, xy, refused, parts, with_paths)


def _whole(
    place: Place, head: Head, calendar: Calendar, sites: Sites, tiles: list[int], lands: list[dict[str, Any]],
    arcs: list[dict[str, Any]], network: PathNetwork | None, longest: Parts,
) -> Whole:  # fmt: skip
    """The regions: villages whose point lies in the same tile, and whom else each has to look at."""
    if sites.frame.empty or not any(a["villages"] for a in arcs):
        raise NoPlanError("there is no place where a barrel may stand within reach of any residue")
    grid: Tiling = place.get("start")[1]
    used = sorted({v for a in arcs for v in a["villages"]})
    number = dict(zip(used, grid.of(head.villages.geometry.loc[used]).tolist(), strict=True))
    near: dict[str, set[str]] = {v: {v} for v in used}
    tiles_of: dict[str, set[int]] = {v: set() for v in used}
    for tile, a, land in zip(tiles, arcs, lands, strict=True):
        for one, other in a["pairs"]:
            near[one].add(other)
        for v in {*a["villages"], *land["villages"]}:
            if v in tiles_of:
                tiles_of[v].add(tile)
    wide: dict[int, tuple[str, ...]] = {}
    of_region: dict[int, tuple[int, ...]] = {}
    for region in sorted(set(number.values())):
        about_it = sorted({w for v in used if number[v] == region for w in near[v]})
        wide[region] = tuple(about_it)
        of_region[region] = tuple(sorted({t for v in about_it for t in tiles_of[v]}))
    before = np.cumsum([0, *(f["lots"] for f in lands)])[:-1]
    haul = ways_to_workshop(head.survey, sites, network, calendar, head.settings, head.values)
    straight = any(a["straight_line"] for a in arcs)
    lots_before = dict(zip(tiles, before.tolist(), strict=True))
    return Whole(head, calendar, sites, haul, number, of_region, wide, lots_before, straight, (network, longest))


def _around_regions(place: Place, whole: Whole, bounds: dict[int, Any]) -> None:
    """Keeps for every region the paths and layers round it, as its ways, its map and its sheets need them."""
    network, longest = whole.network
    head = replace(whole.head, survey=replace(whole.head.survey, paths=place.get("paths")))
    _around(place, head, bounds, network, longest, "region-around")


def proven(planned: StatePlan, found: Sequence[RegionPlanned]) -> None:
    """Refuses a joint plan that breaks what all regions share. Raises PlanFaultError."""
    faults = [f"region {f.number}: {text}" for f in found for text in f.faults]
    fleet = planned.joint.allotment.sum(axis=0)
    standing = np.sum([f.barrels for f in found], axis=0)
    faults += [f"week {t}: {standing[t]} barrels stand" for t in np.flatnonzero(standing > fleet + 1e-6)]
    taken = pd.concat([f.shared_kg for f in found]).groupby(level=0).sum()
    mass = pd.concat([f.shared_mass_kg for f in found]).groupby(level=0).first()
    over = taken[taken > mass * (1 + 1e-5) + 1e-5]
    faults += [f"lot {lot}: {kg:.3f} kg carried of {mass[lot]:.3f}" for lot, kg in over.items()]
    if faults:
        raise PlanFaultError(faults)
