"""The season's work, week by week: at each site, on the way to the workshop, and in the workshop.

Nothing here decides anything that the placement decided; it says what the placement means for people's days. Work hours
follow the kilos, as the placement charges them; whole batches and whole loads are those of the sheet in a crew's hand.
:func:`imbalances` proves that kilos and barrels add up from the field to the sale.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import Geod
from scipy.optimize import linear_sum_assignment

from sourcing.errors import Finding, InputError
from sourcing.season.barrel import crew_week_h
from sourcing.season.problem import working_hours
from sourcing.season.workshop import Workshop, press_faults, workshop_imbalances, workshop_season
from sourcing.settings import Settings
from sourcing.values import Values
from sourcing.weeks import Calendar

Floats = npt.NDArray[np.float64]

_TINY = 1e-9
"""Slack when wholes are counted, so that a load that just fits is one load."""
_DAY_SLACK = 0.02
"""Share of a day that a fire may run over, before another day is counted."""
_BUSY_CREW = 0.5
"""Crews with work for less than this share of their hours at the fire are remarked upon."""
_STORE = "store"
"""Where barrels come from before the season and go to after it."""


@dataclass(frozen=True)
class Works:
    """A season's work. Weights of residue and char are dry [kg] unless the name says otherwise."""

    batches: pd.DataFrame
    """One row a site, week and residue: residue_kg, wet_kg, batches (whole, the last may be part full), barrel_h,
    tender_h, water_l, char_kg, char_form, ending."""
    site_weeks: pd.DataFrame
    """One row a site and week: village, barrels, busy, arrive, leave, tenders, tender_h (paid: work by the kilo, or all
    hours of the week where crews are paid by the week), fire_days (days on
    which fires burn), crew_h (hours that all tenders are there on those days), carriers (people), carry_h, loads,
    residue_kg, wet_kg, batches, barrel_h, water_l, water_cans, char_kg, powder_kg, shaped_kg, haul_loads, haul_h."""
    order: pd.DataFrame
    """What is carried in which order: site_id, week, order (from 1), field_id, crop, residue, mass_kg, loads, carry_h,
    distance_m, mode, clear_week, last_chance (True when the field must be clear after this week)."""
    moves: pd.DataFrame
    """Barrels on the road: week, from_site, to_site ('store' before and after the season), barrels, distance_m."""
    workshop: Workshop | None
    findings: tuple[Finding, ...]
    figures_used: tuple[str, ...]


def season_work(
    site_weeks: pd.DataFrame,
    carries: pd.DataFrame,
    rates: pd.DataFrame,
    lots: pd.DataFrame,
    calendar: Calendar,
    settings: Settings,
    values: Values,
    *,
    site_lonlat: Mapping[str, tuple[float, float]] | None = None,
    haul_m: Mapping[str, float] | None = None,
    drying_days: Sequence[float] | None = None,
) -> Works:
    """The season's work of a placement.

    `site_weeks` (site_id, village, week, barrels, busy, residue_kg, char_kg), `carries` (lot, field_id, site_id, crop,
    residue, week, mass_kg, distance_m, loads, carry_h) and `lots` (clear_week) are the plan's tables, `rates` that of
    :func:`sourcing.season.barrel.barrel_rates`. `site_lonlat` gives places in degrees, for the shortest moves of
    barrels; `haul_m` the way from each site to the workshop [m], without which no workshop is planned; `drying_days`
    the days a briquette needs to dry by week of the calendar, else the figure, longer in weeks with fewer workable
    days.
    Raises InputError for unknown kinds of press or of hauling.
    """
    _refuse_unknown(settings, values)
    used: set[str] = set()
    batches = _batches(carries, rates)
    days = working_hours(calendar, settings.fleet) / settings.fleet.hours_a_day
    sites = _site_weeks(site_weeks, carries, batches, days, settings, values["works.water.can_l"])
    used.add("works.water.can_l")
    if haul_m is not None:
        sites = _hauled(sites, haul_m, settings.works.haul_mode, values, used)
    else:
        sites = sites.assign(haul_loads=0, haul_h=0.0)
    moves = _moves(site_weeks, calendar.count, site_lonlat or {})
    findings = _idle_crews(sites)
    workshop = None
    if haul_m is not None:
        made = sites.groupby("week")[["char_kg", "shaped_kg"]].sum().reindex(range(calendar.count), fill_value=0.0)
        char, shaped = made["char_kg"].to_numpy(dtype=float), made["shaped_kg"].to_numpy(dtype=float)
        workshop, more, names = workshop_season(char, shaped, days, settings, values, drying_days)
        findings += more
        used |= set(names)
    order = _order(carries, lots)
    return Works(batches, sites, order, moves, workshop, findings, tuple(sorted(used)))


def village_arrivals(site_weeks: pd.DataFrame) -> pd.DataFrame:
    """Barrels that come into each village from outside, a week: village, week, barrels (only where there are any).

    Moves between sites of one village do not count; before the season no barrel stands anywhere.
    """
    stood = site_weeks.groupby(["village", "week"])["barrels"].sum()
    rows = []
    for (village, week), count in stood.items():
        came = int(count) - int(stood.get((village, week - 1), 0))
        if came > 0:
            rows.append((village, int(week), came))
    return pd.DataFrame(rows, columns=["village", "week", "barrels"])


def imbalances(works: Works, carries: pd.DataFrame, share: float = 1e-9) -> list[str]:
    """What does not add up, in plain words; empty when all is well.

    Checks kilos from field to batch to char to workshop to sale, and that no stock is ever below nothing. `share`: the
    room for rounding, of the amount compared.
    """
    faults = []

    def same(what: str, one: float, other: float) -> None:
        if abs(one - other) > share * max(1.0, abs(one), abs(other)):
            faults.append(f"{what}: {one:.6f} against {other:.6f}")

    same(
        "residue carried and residue in batches [kg]",
        float(carries["mass_kg"].sum()),
        works.batches["residue_kg"].sum(),
    )
    same(
        "residue in batches and at sites [kg]", works.batches["residue_kg"].sum(), works.site_weeks["residue_kg"].sum()
    )
    same("char of batches and of sites [kg]", works.batches["char_kg"].sum(), works.site_weeks["char_kg"].sum())
    moved = works.moves
    for site, rows in works.site_weeks.groupby("site_id"):
        came = moved.loc[moved["to_site"] == site, "barrels"].sum()
        left = moved.loc[moved["from_site"] == site, "barrels"].sum()
        if came != left:
            faults.append(f"site {site}: {came} barrels came and {left} left")
        if (rows["barrels"] < 0).any():
            faults.append(f"site {site}: fewer than no barrels")
    if works.workshop is not None:
        faults += workshop_imbalances(works.workshop, works.site_weeks["char_kg"].sum(), share)
    return faults


def _refuse_unknown(settings: Settings, values: Values) -> None:
    faults = press_faults(settings, values)
    mode = settings.works.haul_mode
    if f"carry.{mode}.payload_wet_kg" not in values:
        found = f"works.haul_mode is '{mode}'"
        faults.append(
            Finding(
                "refused", "season.toml", None, "unknown_mode", found, "a way of carrying", "see: sourcing values carry"
            )
        )
    if faults:
        raise InputError(faults)


def _batches(carries: pd.DataFrame, rates: pd.DataFrame) -> pd.DataFrame:
    keys = ["site_id", "week", "crop", "residue"]
    frame = carries.groupby(keys, sort=True, observed=True)["mass_kg"].sum().reset_index(name="residue_kg")
    rate = rates.reindex(pd.MultiIndex.from_frame(frame[["crop", "residue"]].astype(str))).reset_index(drop=True)
    kg = frame["residue_kg"]
    return frame.assign(
        wet_kg=kg * rate["load_wet_kg"] / rate["load_kg"],
        batches=np.ceil(kg / rate["load_kg"] - _TINY).astype(int),
        barrel_h=kg * rate["hours_per_kg"],
        tender_h=kg * rate["tender_h_per_kg"],
        water_l=kg * rate["water_l_per_kg"],
        char_kg=kg * rate["char_kg_per_kg"],
        char_form=rate["char_form"],
        ending=rate["ending"],
    )


def _site_weeks(
    site_weeks: pd.DataFrame,
    carries: pd.DataFrame,
    batches: pd.DataFrame,
    days: Floats,
    settings: Settings,
    can_l: float,
) -> pd.DataFrame:
    keys = ["site_id", "week"]
    done = batches.assign(
        powder_kg=batches["char_kg"].where(batches["char_form"] == "powder", 0.0),
        shaped_kg=batches["char_kg"].where(batches["char_form"] != "powder", 0.0),
    )
    sums = ["residue_kg", "wet_kg", "batches", "barrel_h", "tender_h", "water_l", "char_kg", "powder_kg", "shaped_kg"]
    carried = carries.groupby(keys, observed=True)[["carry_h", "loads"]].sum()
    base = site_weeks[[*keys, "village", "barrels", "busy"]]
    frame = base.join(done.groupby(keys, observed=True)[sums].sum(), on=keys).join(carried, on=keys)
    frame[[*sums, "carry_h", "loads"]] = frame[[*sums, "carry_h", "loads"]].fillna(0)
    frame = frame.sort_values(keys, kind="stable").reset_index(drop=True)
    frame[["batches", "loads"]] = frame[["batches", "loads"]].astype(int)
    hours = days[frame["week"].to_numpy(dtype=int)] * settings.fleet.hours_a_day
    need = np.divide(frame["carry_h"].to_numpy(dtype=float), hours, out=np.zeros(len(frame)), where=hours > 0)
    before = frame.groupby("site_id")["week"].shift()
    stood = frame.groupby("site_id")["barrels"].shift().where(before == frame["week"] - 1, 0).fillna(0).astype(int)
    after = frame.groupby("site_id")["week"].shift(-1)
    stays = frame.groupby("site_id")["barrels"].shift(-1).where(after == frame["week"] + 1, 0).fillna(0).astype(int)
    tenders = np.where(frame["residue_kg"] > 0, settings.works.tenders_at_site, 0)
    # barrels are used evenly, so that fires burn on as few days as they can
    offered = frame["barrels"].to_numpy(dtype=float) * settings.fleet.hours_a_day
    fire_days = np.divide(frame["barrel_h"].to_numpy(dtype=float), offered, out=np.zeros(len(frame)), where=offered > 0)
    fire_days = np.ceil(fire_days - _DAY_SLACK)
    if settings.works.crew_paid == "by_week":
        frame["tender_h"] = np.where(frame["barrels"] > 0, crew_week_h(hours, settings), 0.0)
    return frame.assign(
        tenders=tenders,
        fire_days=fire_days.astype(int),
        crew_h=tenders * fire_days * settings.fleet.hours_a_day,
        water_cans=np.ceil(frame["water_l"].to_numpy(dtype=float) / can_l - _TINY).astype(int),
        carriers=np.ceil(need - _TINY).astype(int),
        arrive=(frame["barrels"] - stood).clip(lower=0),
        leave=(frame["barrels"] - stays).clip(lower=0),
    )


def _idle_crews(sites: pd.DataFrame) -> tuple[Finding, ...]:
    """A word where crews stand by fires with little to do."""
    work = sites["tender_h"] + sites["carry_h"]
    idle = sites[(sites["crew_h"] > 0) & (work < _BUSY_CREW * sites["crew_h"])]
    if idle.empty:
        return ()
    spare = float((idle["crew_h"] - work[idle.index]).sum())
    found = (
        f"in {len(idle)} of {len(sites)} site-weeks the tenders have work, carrying included, for less than half of "
        f"the hours they must stay at the fire ({spare:.0f} hours in all, which the plan does not pay)"
    )
    return (
        Finding(
            "look", "season.toml", None, "idle_crews", found, "several barrels at a site",
            "set works.crew_paid = 'by_week', or raise fleet.least_at_site or money.site_open_cost, "
            "so that fewer sites have more barrels",
            figures=(("idle", len(idle)), ("all", len(sites)), ("hours", round(spare))),
        ),
    )  # fmt: skip


def _hauled(
    frame: pd.DataFrame, haul_m: Mapping[str, float], mode: str, values: Values, used: set[str]
) -> pd.DataFrame:
    at = {
        key: f"carry.{mode}.{key}"
        for key in ("payload_wet_kg", "volume_m3", "speed_loaded_km_h", "speed_empty_km_h", "loading_h", "people")
    }
    used |= {*at.values(), "works.char.bulk_kg_m3"}
    load = min(values[at["payload_wet_kg"]], values[at["volume_m3"]] * values["works.char.bulk_kg_m3"])
    km = frame["site_id"].map(haul_m).to_numpy(dtype=float) / 1000
    trip = km / values[at["speed_loaded_km_h"]] + km / values[at["speed_empty_km_h"]] + values[at["loading_h"]]
    loads = np.ceil(frame["char_kg"].to_numpy(dtype=float) / load - _TINY).astype(int)
    return frame.assign(haul_loads=loads, haul_h=loads * trip * values[at["people"]])


def _order(carries: pd.DataFrame, lots: pd.DataFrame) -> pd.DataFrame:
    frame = carries.assign(clear_week=lots["clear_week"].reindex(carries["lot"]).to_numpy())
    frame = frame.sort_values(
        ["site_id", "week", "clear_week", "distance_m", "field_id", "lot"],
        ascending=[True, True, True, False, True, True], kind="stable",
    ).reset_index(drop=True)  # fmt: skip
    frame["order"] = frame.groupby(["site_id", "week"]).cumcount() + 1
    frame["last_chance"] = frame["week"] >= frame["clear_week"]
    columns = [
        "site_id", "week", "order", "lot", "field_id", "crop", "residue", "mass_kg", "loads", "carry_h", "distance_m",
        "mode", "clear_week", "last_chance",
    ]  # fmt: skip
    return frame[columns]


def _moves(site_weeks: pd.DataFrame, weeks: int, lonlat: Mapping[str, tuple[float, float]]) -> pd.DataFrame:
    """Week by week the shortest way to bring barrels where they are wanted; idle ones rest where they last stood."""
    geod = Geod(ellps="WGS84")

    def metres(one: str, other: str) -> float:
        if one == other or one not in lonlat or other not in lonlat:
            return 0.0
        return float(geod.inv(*lonlat[one], *lonlat[other])[2])

    wanted = {
        int(week): {str(s): int(b) for s, b in zip(rows["site_id"], rows["barrels"], strict=True) if b > 0}
        for week, rows in site_weeks.groupby("week")
    }
    resting: list[str] = []
    out: list[tuple[int, str, str, int, float]] = []
    for week in range(weeks):
        now = wanted.get(week, {})
        stays: list[str] = []
        free = list(resting)
        missing: list[str] = []
        for site, count in sorted(now.items()):
            for _ in range(count):
                if site in free:
                    free.remove(site)
                    stays.append(site)
                else:
                    missing.append(site)
        free += [_STORE] * max(0, len(missing) - len(free))
        # a barrel from the store is taken only when no resting one is free
        far = 1 + max((metres(a, b) for a in free for b in missing), default=0.0)
        cost = np.array([[far if a == _STORE else metres(a, b) for b in missing] for a in free]).reshape(
            len(free), len(missing)
        )
        from_, to = linear_sum_assignment(cost)
        trips: dict[tuple[str, str], int] = {}
        for i, j in zip(from_, to, strict=True):
            pair = (free[i], missing[j])
            trips[pair] = trips.get(pair, 0) + 1
        out += [(week, a, b, n, metres(a, b)) for (a, b), n in sorted(trips.items())]
        kept = [site for i, site in enumerate(free) if i not in set(from_.tolist()) and site != _STORE]
        resting = stays + missing + kept
    for site in sorted(set(resting)):
        out.append((weeks, site, _STORE, resting.count(site), 0.0))
    return pd.DataFrame(out, columns=["week", "from_site", "to_site", "barrels", "distance_m"])
