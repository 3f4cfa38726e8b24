"""From lots, paths and sites to carry arcs: metres, hours, loads and cost a kilo, for every pair worth considering.

A trip is there loaded and back empty. A load is filled until it weighs or measures as much as the way of carrying
takes, whichever comes first. Each lot and site gets the way of carrying that costs least, on the way that costs least.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from pyproj import CRS

from sourcing.carrying.ground import Ground, Pairs, build_ground, pairs_within, pairs_without_paths, routes_from_site
from sourcing.carrying.leaving import Origins, mean_distance_m, origins, straight_legs
from sourcing.carrying.sites import Sites
from sourcing.errors import Finding, InputError
from sourcing.intake.fields import Fields
from sourcing.intake.survey import Survey
from sourcing.network.noding import Floats, Geometries, Ints
from sourcing.network.paths import PathNetwork
from sourcing.network.ways import LONLAT, TRACK, local_crs, local_lines
from sourcing.residue.supply import Supply
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import Calendar

ARC_COLUMNS = [
    "lot", "site", "distance_m", "mode", "carry_h_per_kg", "cost_per_kg", "load_kg", "load_wet_kg", "trip_h",
    "first_week", "last_week",
]  # fmt: skip
WAGE = "money.wage_per_h"
OFF_PATH = "carry.off_path.speed_factor"
_M_A_KM = 1000.0


@dataclass(frozen=True)
class Mode:
    """A way of carrying; every number from the figures `carry.NAME.*`."""

    name: str
    payload_wet_kg: float
    volume_m3: float
    speed_loaded_km_h: float
    speed_empty_km_h: float
    loading_h: float
    """Filling, tying and emptying one load [h]."""
    people: float
    hire_per_hour: float
    """For the cart, animal or cycle, without the people [currency/h]."""
    least_way: int
    """Narrowest way it can use: 0 any, 1 single file, 2 cart width."""

    def cost_per_hour(self, wage: float) -> float:
        """All that an hour of carrying costs [currency/h]."""
        return self.people * wage + self.hire_per_hour

    def load_kg(self, bulk_wet_kg_m3: Floats, moisture: Floats) -> Floats:
        """Dry mass of one load [kg]: as it lies, less its water."""
        return np.asarray(self.load_wet_kg(bulk_wet_kg_m3) * (1 - moisture))

    def load_wet_kg(self, bulk_wet_kg_m3: Floats) -> Floats:
        """Mass of one load as it lies [kg]: payload or volume, whichever is reached first."""
        return np.asarray(np.minimum(self.payload_wet_kg, self.volume_m3 * bulk_wet_kg_m3))

    def trip_h(self, in_m: Floats, out_m: Floats) -> Floats:
        """Hours of one load with its way back and its loading [h], from level metres there and back."""
        loaded = in_m / (_M_A_KM * self.speed_loaded_km_h)
        empty = out_m / (_M_A_KM * self.speed_empty_km_h)
        return np.asarray(self.loading_h + loaded + empty)


@dataclass(frozen=True)
class Arcs:
    """Lot and site pairs worth considering."""

    frame: pd.DataFrame
    """One row a (lot, site), sorted: lot, site (position in Sites.frame), distance_m (one way, along the ground),
    mode, carry_h_per_kg [worker-hours a dry kg, round trip, loading included], cost_per_kg [currency a dry kg],
    load_kg [dry kg a load], load_wet_kg [kg a load as it lies], trip_h [h a load, round trip], first_week, last_week
    (the longest run of weeks in the lot's window in which the way is open; the figures are those of the dearest week
    in it)."""
    straight_line: bool
    """True when distances are straight lines times the detour factor, for want of paths."""
    unreachable: pd.DataFrame
    """Fields with residue but no site: field_id, reason."""
    findings: tuple[Finding, ...]
    figures_used: tuple[str, ...]
    state_of_week: Ints = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    """Which state of the paths holds in each week (weeks,)."""
    by_state: tuple[pd.DataFrame, ...] = ()
    """The arcs of each state of the paths, as in `frame` but without the weeks."""


def modes_of(settings: Settings, values: Values) -> tuple[Mode, ...]:
    """The ways of carrying that the season has. Raises InputError for a name without figures."""
    known = sorted({name.split(".")[0] for name in values.under("carry") if name.endswith(".payload_wet_kg")})
    faults = [
        Finding(
            "refused", "season.toml", None, "unknown_mode", f"carrying.modes names '{mode}'", ", ".join(known),
            "choose among these",
        )
        for mode in settings.carrying.modes
        if mode not in known
    ]  # fmt: skip
    if not settings.carrying.modes:
        faults.append(Finding(
            "refused", "season.toml", None, "no_mode", "carrying.modes is empty", ", ".join(known), "name at least one",
        ))  # fmt: skip
    if faults:
        raise InputError(faults)

    def mode(name: str) -> Mode:
        get = {k: fig.likely for k, fig in values.under(f"carry.{name}").items()}
        return Mode(
            name, get["payload_wet_kg"], get["volume_m3"], get["speed_loaded_km_h"], get["speed_empty_km_h"],
            get["loading_h"], get["people"], get["hire_per_hour"], int(get["least_way"]),
        )  # fmt: skip

    return tuple(mode(name) for name in dict.fromkeys(settings.carrying.modes))


def mode_figures(modes: Iterable[Mode], values: Values) -> tuple[str, ...]:
    """Names of the figures that the modes rest on."""
    return (*(f"carry.{m.name}.{k}" for m in modes for k in values.under(f"carry.{m.name}")), WAGE)


def carry_arcs(
    survey: Survey,
    supply: Supply,
    fields: Fields,
    sites: Sites,
    network: PathNetwork | None,
    settings: Settings,
    values: Values,
    crs: CRS | None = None,
) -> Arcs:
    """Every lot and site within `carrying.max_distance_m` (and `max_cost_per_kg`), each with its cheapest carrying.

    The distance counts in level metres: climbs, rough ground and the way inside the field as the level path that takes
    as long, which is what is minimised; so nothing that is cheaper is left out for something dearer. `crs` is the local
    system where there are no paths; left out, one of the fields' own. Raises InputError for unknown modes.
    """
    modes = modes_of(settings, values)
    place = _Place.of(survey, fields, sites, network, settings, crs)
    with_lots = _fields_with_lots(supply, fields)
    states, state_of_week = path_states(network, supply.calendar)
    used = (*mode_figures(modes, values), OFF_PATH)
    if network is not None:
        used = (*used, *network.figures_used)
    by_state = [_ways(place, with_lots, network, closed, modes, settings, values) for closed in states]
    count = len(sites.frame)
    frames = [_cheapest(supply, with_lots, fields, count, ways, modes, settings, values[WAGE]) for ways in by_state]
    frame = _over_the_season(frames, state_of_week, supply, count)
    unreachable = _unreachable(frame, frames, supply, fields, with_lots, by_state[0], settings)
    findings = (*place.findings, *_season_findings(frames, state_of_week, supply, unreachable))
    return Arcs(frame, network is None, unreachable, findings, tuple(dict.fromkeys(used)), state_of_week, tuple(frames))


@dataclass(frozen=True)
class _Place:
    """Fields, sites and barriers as geometries in one local system."""

    crs: CRS
    fields: Origins
    sites: Geometries
    barriers: Geometries
    findings: tuple[Finding, ...]

    @classmethod
    def of(
        cls, survey: Survey, fields: Fields, sites: Sites, network: PathNetwork | None, settings: Settings,
        crs: CRS | None = None,
    ) -> _Place:  # fmt: skip
        if network is not None or crs is None:
            crs = local_crs(fields.frame) if network is None else network.crs
        from_fields, findings = origins(fields, survey.gates, crs, settings.carrying.snap_m)
        spots = np.asarray(sites.frame.geometry.to_crs(crs).to_numpy(), dtype=object)
        return cls(crs, from_fields, spots, local_lines(survey.barriers, crs), tuple(findings))


def _fields_with_lots(supply: Supply, fields: Fields) -> Ints:
    """Positions of the fields that have any lot, sorted."""
    at = fields.frame.index.get_indexer(supply.lots["field_id"].unique())
    return np.sort(at).astype(np.int64)


def path_states(network: PathNetwork | None, calendar: Calendar) -> tuple[list[npt.NDArray[np.bool_]], Ints]:
    """The distinct states of the paths over the season, each as closed edges (E,), and the state of each week."""
    if network is None:
        return [np.zeros(0, dtype=np.bool_)], np.zeros(calendar.count, dtype=np.int64)
    by_week = network.closed(calendar).T
    distinct, first, which = np.unique(by_week, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first, kind="stable")
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return [distinct[k][network.closure] for k in order], rank[which.reshape(-1)].astype(np.int64)


def ground_for(
    network: PathNetwork,
    closed: npt.NDArray[np.bool_],
    least_way: int,
    fields: Origins,
    sites: Geometries,
    barriers: Geometries,
    settings: Settings,
    values: Values,
) -> Ground:
    """The paths that a carrier who needs `least_way` can use when the `closed` edges (E,) are, with all joined."""
    usable = (network.width >= least_way) & ~closed
    wheels = least_way >= TRACK
    off = settings.carrying.off_path_m
    return build_ground(network, usable, wheels, fields, sites, off, values[OFF_PATH], barriers)


@dataclass(frozen=True)
class _Way:
    """What carriers of one width can reach; field positions count in the fields with lots."""

    ground: Ground | None
    pairs: Pairs


def _ways(
    place: _Place,
    with_lots: Ints,
    network: PathNetwork | None,
    closed: npt.NDArray[np.bool_],
    modes: tuple[Mode, ...],
    settings: Settings,
    values: Values,
) -> dict[int, _Way]:
    """What is within reach for each `least_way` among the modes."""
    carrying = settings.carrying
    fields = place.fields[with_lots]
    limit = carrying.max_distance_m
    wanted = sorted({m.least_way for m in modes})
    if network is None:
        pairs = pairs_without_paths(
            fields, place.sites, place.barriers, carrying.detour_factor, values[OFF_PATH], limit
        )
        return dict.fromkeys(wanted, _Way(None, pairs))
    done: dict[bytes, _Way] = {}
    found = {}
    for least_way in wanted:
        usable = (network.width >= least_way) & ~closed
        ruled = least_way >= TRACK and bool(network.one_way[usable].any())
        key = usable.tobytes() + bytes([ruled])
        if key not in done:
            ground = ground_for(network, closed, least_way, fields, place.sites, place.barriers, settings, values)
            done[key] = _Way(ground, pairs_within(ground, fields, place.sites, limit, carrying.off_path_m))
        found[least_way] = done[key]
    return found


def _cheapest(
    supply: Supply,
    with_lots: Ints,
    fields: Fields,
    count: int,
    ways: dict[int, _Way],
    modes: tuple[Mode, ...],
    settings: Settings,
    wage: float,
) -> pd.DataFrame:
    """The cheapest mode for every lot and site in one state of the paths; `count` is the number of sites."""
    lots = supply.lots
    codes = {k: w.pairs.field * count + w.pairs.site for k, w in ways.items()}
    every = np.unique(np.concatenate(list(codes.values())))
    pair_field, pair_site = every // max(count, 1), every % max(count, 1)
    lot_field = np.searchsorted(with_lots, fields.frame.index.get_indexer(lots["field_id"]))
    by_field = np.argsort(lot_field, kind="stable")
    first = np.searchsorted(lot_field[by_field], pair_field)
    size = np.searchsorted(lot_field[by_field], pair_field, side="right") - first
    pair = np.repeat(np.arange(len(every)), size)
    lot = by_field[first[pair] + np.arange(len(pair)) - np.repeat(np.cumsum(size) - size, size)]
    bulk = lots["bulk_wet_kg_m3"].to_numpy(dtype=float)
    moisture = lots["moisture_ready"].to_numpy(dtype=float)
    best = {
        "cost_per_kg": np.full(len(pair), np.inf),
        **{k: np.zeros(len(pair)) for k in ("distance_m", "carry_h_per_kg", "load_kg", "load_wet_kg", "trip_h")},
        "mode": np.full(len(pair), -1, dtype=np.int64),
    }
    for number, mode in enumerate(modes):
        pairs = ways[mode.least_way].pairs
        at = np.searchsorted(every, codes[mode.least_way])
        trip, metres = np.full(len(every), np.inf), np.zeros(len(every))
        trip[at], metres[at] = mode.trip_h(pairs.in_m, pairs.out_m), pairs.distance_m
        load = mode.load_kg(bulk, moisture)[lot]
        loads_per_kg = np.divide(1.0, load, out=np.full(len(load), np.inf), where=load > 0)
        hours = trip[pair] * loads_per_kg
        cost = hours * mode.cost_per_hour(wage)
        better = cost < best["cost_per_kg"]
        new = {
            "cost_per_kg": cost, "distance_m": metres[pair], "carry_h_per_kg": hours * mode.people, "load_kg": load,
            "load_wet_kg": mode.load_wet_kg(bulk)[lot],
            "trip_h": trip[pair], "mode": np.full(len(pair), number),
        }  # fmt: skip
        for key, value in new.items():
            best[key][better] = value[better]
    dearest = settings.carrying.max_cost_per_kg
    keep = np.flatnonzero(np.isfinite(best["cost_per_kg"]) & (best["cost_per_kg"] <= (dearest or np.inf)))
    keep = keep[np.lexsort((pair_site[pair[keep]], lot[keep]))]
    names = np.array([m.name for m in modes], dtype=object)
    frame = pd.DataFrame({"lot": lot[keep].astype(np.int64), "site": pair_site[pair[keep]].astype(np.int64)})
    for column in ARC_COLUMNS[2:-2]:
        frame[column] = pd.array(names[best["mode"][keep]], dtype="str") if column == "mode" else best[column][keep]
    return frame


def _over_the_season(frames: list[pd.DataFrame], state_of_week: Ints, supply: Supply, count: int) -> pd.DataFrame:
    """One row a (lot, site): the longest open run of weeks in the lot's window, with its dearest week's figures."""
    ready = supply.lots["ready_week"].to_numpy(dtype=np.int64)
    clear = supply.lots["clear_week"].to_numpy(dtype=np.int64)
    if len(frames) == 1:
        lot = frames[0]["lot"].to_numpy()
        return frames[0].assign(first_week=ready[lot], last_week=clear[lot])[ARC_COLUMNS]
    codes = [f["lot"].to_numpy() * count + f["site"].to_numpy() for f in frames]
    every = np.unique(np.concatenate(codes))
    lot = every // max(count, 1)
    row = np.full((len(every), len(frames)), -1, dtype=np.int64)
    cost = np.full((len(every), len(frames)), np.inf)
    for state, (code, frame) in enumerate(zip(codes, frames, strict=True)):
        at = np.searchsorted(every, code)
        row[at, state] = np.arange(len(frame))
        cost[at, state] = frame["cost_per_kg"].to_numpy()
    run = np.zeros(len(every), dtype=np.int64)
    longest, ends = np.zeros(len(every), dtype=np.int64), np.full(len(every), -1, dtype=np.int64)
    for week, state in enumerate(state_of_week.tolist()):
        open_ = np.isfinite(cost[:, state]) & (ready[lot] <= week) & (week <= clear[lot])
        run = np.where(open_, run + 1, 0)
        longer = run > longest
        longest[longer], ends[longer] = run[longer], week
    begins = ends - longest + 1
    dearest, state_of = np.full(len(every), -1.0), np.full(len(every), -1, dtype=np.int64)
    for state in range(len(frames)):
        so_far = np.concatenate([[0], np.cumsum(state_of_week == state)])
        there = (longest > 0) & (so_far[ends + 1] - so_far[np.maximum(begins, 0)] > 0)
        more = there & (np.where(np.isfinite(cost[:, state]), cost[:, state], -1.0) > dearest)
        dearest[more], state_of[more] = cost[more, state], state
    found = []
    for state, frame in enumerate(frames):
        mine = np.flatnonzero(state_of == state)
        rows = frame.iloc[row[mine, state]]
        found.append(rows.assign(first_week=begins[mine], last_week=ends[mine]))
    return pd.concat(found).sort_values(["lot", "site"], kind="stable").reset_index(drop=True)[ARC_COLUMNS]


# ----------------------------------------------------------------------------------------------------------- reports


def _fields_of(frames: list[pd.DataFrame], supply: Supply) -> pd.Series:
    """Ids of the fields that have a lot in any of the arc tables."""
    return supply.lots["field_id"].iloc[np.unique(np.concatenate([f["lot"].to_numpy() for f in frames]))]


def _unreachable(
    frame: pd.DataFrame,
    frames: list[pd.DataFrame],
    supply: Supply,
    fields: Fields,
    with_lots: Ints,
    ways: dict[int, _Way],
    settings: Settings,
) -> pd.DataFrame:
    ids = fields.frame.index[with_lots]
    missing = np.flatnonzero(~ids.isin(_fields_of([frame], supply)))
    ground = ways[min(ways)].ground
    carrying = settings.carrying
    far = f"no site within {carrying.max_distance_m:g} m"
    reasons = [f"{far} (straight line times {carrying.detour_factor:g})"] * len(missing)
    if ground is not None:
        joined = {int(t): int(n) for t, n in zip(ground.fields.thing[::-1], ground.fields.node[::-1], strict=True)}
        parts_with_sites = set(ground.part[ground.sites.node].tolist())
        for k, position in enumerate(missing.tolist()):
            if ground.fields.blocked[position]:
                reasons[k] = "every path near it lies across a barrier"
            elif position not in joined:
                reasons[k] = f"no path within {carrying.off_path_m:g} m of it"
            elif int(ground.part[joined[position]]) not in parts_with_sites:
                reasons[k] = "its path is not connected to any site's path"
            else:
                reasons[k] = f"{far} along the paths"
    shut = ids[missing].isin(_fields_of(frames, supply))
    reasons = [
        "every way is closed in the weeks of its residue" if s else r for r, s in zip(reasons, shut, strict=True)
    ]
    budget = "" if carrying.max_cost_per_kg is None else f", or carrying costs more than {carrying.max_cost_per_kg:g}"
    return pd.DataFrame(
        {
            "field_id": pd.array(ids[missing].to_numpy(), dtype="str"),
            "reason": pd.array([r + budget for r in reasons], dtype="str"),
        }
    )


def _season_findings(
    frames: list[pd.DataFrame], state_of_week: Ints, supply: Supply, unreachable: pd.DataFrame
) -> tuple[Finding, ...]:
    """Villages that no site is open to in some weeks of their season; and how many fields no site reaches."""
    found = []
    lots = supply.lots
    if len(unreachable):
        for reason, group in unreachable.groupby("reason", sort=True):
            found.append(Finding(
                "look", "paths", None, "unreachable",
                f"{len(group)} fields with residue reach no site: {reason}", "a site within reach of every field",
                "add places or paths, or raise carrying.max_distance_m",
            ))  # fmt: skip
    village = lots["village"].to_numpy()
    ready, clear = lots["ready_week"].to_numpy(), lots["clear_week"].to_numpy()
    ever = np.unique(np.concatenate([f["lot"].to_numpy() for f in frames]))
    for state, frame in enumerate(frames):
        if len(frames) == 1:
            break
        weeks = np.flatnonzero(state_of_week == state)
        here = np.isin(np.arange(len(lots)), ever)
        waiting = here & np.array([((weeks >= a) & (weeks <= b)).any() for a, b in zip(ready, clear, strict=True)])
        open_now = np.isin(np.arange(len(lots)), frame["lot"].to_numpy())
        for name in np.unique(village[waiting]):
            mine = waiting & (village == name)
            shut = mine & ~open_now
            if not shut.any():
                continue
            share = (
                "cut off from every site"
                if shut.sum() == mine.sum()
                else (f"partly cut off: {int(shut.sum())} of {int(mine.sum())} lots reach no site")
            )
            found.append(Finding(
                "look", "paths", None, "cut_off",
                f"{name} is {share} in {_runs(weeks, supply.calendar)}, when paths are closed",
                "a way that is open in the weeks of the residue", "place barrels on its side, or carry before then",
            ))  # fmt: skip
    return tuple(found)


def _runs(weeks: Ints, calendar: Calendar) -> str:
    breaks = np.flatnonzero(np.diff(weeks) > 1)
    starts, ends = np.concatenate([[0], breaks + 1]), np.concatenate([breaks, [len(weeks) - 1]])
    return ", ".join(
        calendar.label(int(weeks[a])) + ("" if a == b else f" to {calendar.label(int(weeks[b]))}")
        for a, b in zip(starts, ends, strict=True)
    )


# ------------------------------------------------------------------------------------------------------------ routes


def carry_routes(
    carries: pd.DataFrame,
    survey: Survey,
    fields: Fields,
    sites: Sites,
    network: PathNetwork | None,
    settings: Settings,
    values: Values,
    calendar: Calendar | None = None,
) -> gpd.GeoDataFrame:
    """The way of every field and site that appear together in `carries`, one row each, in EPSG:4326.

    `carries` has field_id, site_id, mass_kg, distance_m and mode, and week where `calendar` is given (then the way is
    the one open in the week of the most mass). Columns: field_id, site_id, mass_kg, distance_m, minutes (loaded walk
    one way, from inside the field), geometry (from the field's edge to the site).
    """
    place = _Place.of(survey, fields, sites, network, settings)
    modes = {m.name: m for m in modes_of(settings, values)}
    keys = ["field_id", "site_id"]
    heaviest = carries.sort_values([*keys, "mass_kg"], ascending=[True, True, False], kind="stable")
    table = heaviest.drop_duplicates(keys)[[*keys, "distance_m", "mode", *(["week"] if "week" in carries else [])]]
    table = table.merge(carries.groupby(keys)["mass_kg"].sum().reset_index(), on=keys).reset_index(drop=True)
    field_at = fields.frame.index.get_indexer(table["field_id"])
    site_at = sites.frame.index.get_indexer(table["site_id"])
    lines: npt.NDArray[np.object_] = np.full(len(table), None, dtype=object)
    minutes = np.zeros(len(table))
    if network is None:
        lines[:] = straight_legs(place.fields.exits[field_at], place.sites[site_at])
        inside = mean_distance_m(place.fields.land[field_at], shapely.get_coordinates(lines)[::2])
        level = shapely.length(lines) * settings.carrying.detour_factor + inside / values[OFF_PATH]
        speed = np.array([modes[m].speed_loaded_km_h for m in table["mode"]], dtype=float)
        minutes[:] = 60 * level / (_M_A_KM * speed)
    else:
        states, state_of_week = [np.zeros(len(network.u), dtype=np.bool_)], np.zeros(0, dtype=np.int64)
        if calendar is not None and "week" in table:
            states, state_of_week = path_states(network, calendar)
        state = state_of_week[table["week"].to_numpy(dtype=int)] if len(state_of_week) else np.zeros(len(table), int)
        access = np.array([modes[m].least_way for m in table["mode"]], dtype=np.int64)
        for s, least_way in sorted(set(zip(state.tolist(), access.tolist(), strict=True))):
            mine = np.flatnonzero((state == s) & (access == least_way))
            here = np.unique(field_at[mine])
            loads_from = place.fields[here]
            ground = ground_for(
                network, states[s], least_way, loads_from, place.sites, place.barriers, settings, values
            )
            for site in np.unique(site_at[mine]).tolist():
                rows = mine[site_at[mine] == site]
                wanted = np.searchsorted(here, field_at[rows])
                courses = routes_from_site(
                    ground, site, wanted, loads_from, place.sites, settings.carrying.off_path_m,
                    2 * settings.carrying.max_distance_m,
                )  # fmt: skip
                for row, k in zip(rows.tolist(), wanted.tolist(), strict=True):
                    if k not in courses:
                        raise LookupError(f"no way from {table['field_id'][row]} to {table['site_id'][row]}")
                    lines[row] = shapely.linestrings(courses[k][0])
                    minutes[row] = 60 * courses[k][1] / (_M_A_KM * modes[table["mode"][row]].speed_loaded_km_h)
    geometry = gpd.GeoSeries(lines, crs=place.crs).to_crs(LONLAT)
    out = table[[*keys, "mass_kg", "distance_m"]].assign(minutes=minutes)
    return gpd.GeoDataFrame(out, geometry=geometry, crs=LONLAT)


def route(
    field_id: str,
    site_id: str,
    survey: Survey,
    fields: Fields,
    sites: Sites,
    network: PathNetwork | None,
    settings: Settings,
    values: Values,
    mode: str = "",
) -> shapely.LineString:
    """The way a load takes from one field to one site, in EPSG:4326, by `mode` (left out, the season's first).

    Raises LookupError when there is no way, KeyError for an unknown field or site.
    """
    for name, frame in ((field_id, fields.frame), (site_id, sites.frame)):
        if name not in frame.index:
            raise KeyError(name)
    one = pd.DataFrame(
        {
            "field_id": [field_id],
            "site_id": [site_id],
            "mass_kg": [0.0],
            "distance_m": [0.0],
            "mode": [mode or settings.carrying.modes[0]],
        }
    )
    line: shapely.LineString = carry_routes(one, survey, fields, sites, network, settings, values).geometry.iloc[0]
    return line
