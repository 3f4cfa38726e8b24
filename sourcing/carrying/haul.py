"""The way of the char from each place to the workshop: along the paths where there are any."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pyproj import Geod

from sourcing.carrying.carry import OFF_PATH, ground_for, modes_of
from sourcing.carrying.ground import pairs_within
from sourcing.carrying.leaving import Origins
from sourcing.carrying.sites import Sites
from sourcing.errors import Finding
from sourcing.intake.survey import Survey
from sourcing.network.paths import PathNetwork
from sourcing.network.ways import local_lines
from sourcing.settings import SEASON_FILE, Settings
from sourcing.values import Values
from sourcing.weeks import Calendar

WGS84 = "EPSG:4326"
FOOTPATH = 0
"""Least way of people on foot, as in the figures `carry.MODE.least_way`."""
MANY = 6
"""At most so many places are named in a finding."""


@dataclass(frozen=True)
class Haul:
    """Ways from sites to the workshop."""

    metres: Mapping[str, float]
    """Metres to the nearest workshop, by site id, one way [m]."""
    narrow: frozenset[str]
    """Sites from which no way is wide enough for `works.haul_mode`."""
    figures_used: tuple[str, ...]


def ways_to_workshop(
    survey: Survey,
    sites: Sites,
    network: PathNetwork | None,
    calendar: Calendar,
    settings: Settings,
    values: Values,
) -> Haul | None:
    """The way from each candidate site to the nearest workshop; None where the season has no workshop.

    Along paths that are open all the season and wide enough for `works.haul_mode`; from places with no such way along
    any path; and where no path leads there, or none are given, the straight line times
    `carrying.detour_factor`.
    """
    if survey.workshop is None:
        return None
    shops = survey.workshop.frame.to_crs(WGS84).geometry
    spots = {str(k): (p.x, p.y) for k, p in sites.frame.geometry.items()}
    metres = straight_ways(spots, [(p.x, p.y) for p in shops], settings.carrying.detour_factor)
    mode = settings.works.haul_mode
    least = f"carry.{mode}.least_way"
    if network is None or least not in values:  # an unknown mode is refused with all else that is wrong in the season
        return Haul(metres, frozenset(), ())
    narrow: list[str] = []
    closed = np.any(network.closed(calendar), axis=1)[network.closure]
    wide, foot = (
        _along(survey, sites, network, closed, way, settings, values) for way in (int(values[least]), FOOTPATH)
    )
    for site in metres:
        if site in wide:
            metres[site] = wide[site]
        elif site in foot:
            metres[site] = foot[site]
            narrow.append(site)
    return Haul(metres, frozenset(narrow), (least, OFF_PATH))


def straight_ways(
    lonlat: Mapping[str, tuple[float, float]], workshops: Sequence[tuple[float, float]], detour_factor: float
) -> dict[str, float]:
    """Way from each site to the nearest workshop [m]: straight line on WGS 84 times the detour factor."""
    geod = Geod(ellps="WGS84")
    return {
        site: min(float(geod.inv(lon, lat, wlon, wlat)[2]) for wlon, wlat in workshops) * detour_factor
        for site, (lon, lat) in lonlat.items()
    }


def _along(
    survey: Survey,
    sites: Sites,
    network: PathNetwork,
    closed: npt.NDArray[np.bool_],
    least_way: int,
    settings: Settings,
    values: Values,
) -> dict[str, float]:
    """Metres along paths that are not closed (E,), by site id, for the sites that such a way leads to."""
    assert survey.workshop is not None
    crs = network.crs
    spots = np.asarray(sites.frame.geometry.to_crs(crs).to_numpy(), dtype=object)
    shops = np.asarray(survey.workshop.frame.geometry.to_crs(crs).to_numpy(), dtype=object)
    barriers = local_lines(survey.barriers, crs)
    heaps = Origins(spots, spots)
    ground = ground_for(network, closed, least_way, heaps, shops, barriers, settings, values)
    anywhere = float(network.length_m.sum()) * 2 + 1
    found = pairs_within(ground, heaps, shops, anywhere, settings.carrying.off_path_m)
    out: dict[str, float] = {}
    for at, far in zip(found.field, found.distance_m, strict=True):
        site = str(sites.frame.index[at])
        out[site] = min(float(far), out.get(site, np.inf))
    return out


def haul_cost_per_kg(metres: npt.NDArray[np.float64], settings: Settings, values: Values) -> npt.NDArray[np.float64]:
    """What hauling a kilo of char over each way (n,) costs, full loads taken [currency/kg]."""
    bare = settings.carrying.model_copy(update={"modes": [settings.works.haul_mode]})
    (mode,) = modes_of(settings.model_copy(update={"carrying": bare}), values)
    load = mode.load_wet_kg(np.array([values["works.char.bulk_kg_m3"]]))
    return np.asarray(mode.trip_h(metres, metres) * mode.cost_per_hour(values["money.wage_per_h"]) / load)


def narrow_ways(haul: Haul | None, sites: Iterable[object], settings: Settings) -> tuple[Finding, ...]:
    """A word where some of the sites have no way wide enough for hauling."""
    here = [str(s) for s in sites if haul is not None and str(s) in haul.narrow]
    if not here:
        return ()
    named = ", ".join(here[:MANY]) + (f" and {len(here) - MANY} more" if len(here) > MANY else "")
    mode = settings.works.haul_mode.replace("_", " ")
    return (
        Finding(
            "look", SEASON_FILE, None, "narrow_haul", f"no way for a {mode} to the workshop from {named}",
            "a way as wide, open all the season", "carry the char to the next track, or choose another works.haul_mode",
        ),
    )  # fmt: skip
