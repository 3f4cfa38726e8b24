"""Invented landscapes for benchmarks, and the plain model of them: fields of about 1.5 ha, four crops, thirty weeks.

Nothing here is real. `landscape(fields, sites, seed=…)` gives a placement instance: fields scattered round villages,
sites spread among them, carrying up to 1.5 km as the crow flies times 1.3, barrels ample or scarce.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from sourcing.placement.instance import Crew, Instance, Moves, Villages, Workshop

WEEKS = 30
FIELD_HA = 1.5
CARRY_M = 1500.0
DETOUR = 1.3
# t/ha, barrel-hours a kg, char a kg, first harvest week, weeks of harvest, weeks until it must be gone, loss a week
RESIDUES = (
    (1.8, 0.75 / 11.0, 0.27, 1, 6, 9, 0.02),
    (2.4, 0.5 / 6.0, 0.24, 4, 6, 7, 0.03),
    (1.2, 0.75 / 12.0, 0.28, 9, 7, 10, 0.02),
    (1.5, 0.5 / 6.0, 0.23, 16, 6, 6, 0.04),
)
CHAR_PRICE, TENDER_H_PER_KG, WAGE, HOURS_A_WEEK = 0.35, 0.012, 0.6, 48.0


def landscape(fields: int, sites: int, *, scarce: bool = False, everything: bool = False, seed: int = 1) -> Instance:
    """A placement instance drawn at random; the same seed gives the same landscape."""
    draw = np.random.default_rng(seed)
    side = np.sqrt(fields * FIELD_HA * 1e4 * 1.6)
    villages = max(2, sites // 4)
    centre = draw.uniform(0, side, (villages, 2))
    home = draw.integers(0, villages, fields)
    place = np.clip(centre[home] + draw.normal(0, side / np.sqrt(villages) / 2.2, (fields, 2)), 0, side)
    area = draw.lognormal(np.log(FIELD_HA) - 0.18, 0.6, fields)
    crop = draw.choice(len(RESIDUES), fields, p=[0.35, 0.25, 0.2, 0.2])
    spot = place[draw.choice(fields, sites, replace=False)] + draw.normal(0, 40, (sites, 2))
    table = np.array(RESIDUES)[crop]
    ready = (table[:, 3] + np.floor(draw.beta(2, 2, fields) * table[:, 4])).astype(int)
    last = np.minimum(table[:, 3] + table[:, 4] + table[:, 5], WEEKS - 1).astype(int)
    mass = area * table[:, 0] * draw.lognormal(0, 0.25, fields) * 1000 * 0.25
    classes, lot_class = np.unique(np.stack([crop, ready, last], axis=1), axis=0, return_inverse=True)
    kinds = np.array(RESIDUES)[classes[:, 0]]
    near = cKDTree(spot).query_ball_point(place, CARRY_M / DETOUR)
    lot = np.repeat(np.arange(fields), [len(n) for n in near])
    site = np.concatenate([np.asarray(n, dtype=int) for n in near])
    far = np.linalg.norm(place[lot] - spot[site], axis=1) * DETOUR
    hours = (far / 1000 * (1 / 3.5 + 1 / 4.5) + 0.05) / 18.0
    _, village = cKDTree(centre).query(spot)
    _, village = np.unique(village, return_inverse=True)
    count = int(village.max()) + 1
    work = np.zeros(len(mass))
    work[np.unique(lot)] = (mass * table[:, 1])[np.unique(lot)]
    fleet = max(2, int(work.sum() / HOURS_A_WEEK / (WEEKS - 6) * (0.45 if scarce else 1.4)))
    more = {}
    if everything:
        more = {
            "villages": Villages(deploy_cost=np.full(count, 60.0)),
            "moves": Moves(
                site_cost=np.full(sites, 1.5), village_cost=np.full(count, 4.0), stay_weeks=3,
                most=np.full(WEEKS, max(2, fleet // 3)),
            ),
            "crew": Crew(
                hours=draw.uniform(0.6, 1.4, (count, WEEKS)) * 55.0 * fleet / count,
                class_tender_hours_per_kg=np.full(len(classes), TENDER_H_PER_KG),
            ),
            "workshop": Workshop(
                press_kg=np.full(WEEKS, fleet * HOURS_A_WEEK / 0.07 * 0.26 * 0.6), store_kg=fleet * 400.0,
                site_haul_cost_per_kg=draw.uniform(0.005, 0.03, sites),
            ),
        }  # fmt: skip
    return Instance(
        lot_mass_kg=mass, lot_class=lot_class.reshape(-1), class_first=classes[:, 1], class_last=classes[:, 2],
        class_hours_per_kg=kinds[:, 1], class_value_per_kg=kinds[:, 2] * CHAR_PRICE - TENDER_H_PER_KG * WAGE,
        class_char_per_kg=kinds[:, 2], class_loss_week=kinds[:, 6], arc_lot=lot, arc_site=site,
        arc_cost_per_kg=hours * WAGE, arc_hours_per_kg=hours, site_village=village,
        site_hours=np.full((sites, WEEKS), HOURS_A_WEEK), site_open_cost=np.full(sites, 25.0),
        site_least=np.ones(sites), site_most=np.full(sites, 6), fleet=np.full(WEEKS, fleet), busy_floor=0.5,
        barrel_week_cost=1.0, class_cost_per_kg=TENDER_H_PER_KG * WAGE, **more,
    )  # fmt: skip


def plain_model(it: Instance):
    """The obvious model, kg of each lot charred at each site in each week, as arrays: see `scripts/bench_placement.py`.

    Returns (cost, lower, upper, whole, matrix, row_lower, row_upper); cost is to be made least and is minus the margin.
    """
    klass = it.lot_class[it.arc_lot]
    weeks = it.class_last[klass] - it.class_first[klass] + 1
    arc = np.repeat(np.arange(len(it.arc_lot)), weeks)
    week = np.arange(len(arc)) - np.repeat(np.cumsum(weeks) - weeks, weeks) + it.class_first[klass][arc]
    kept, k = it.keep(klass[arc], week), klass[arc]
    n, sites, weeks_n = len(arc), it.sites, it.weeks
    width = n + sites * weeks_n + sites
    spot, at = it.arc_site[arc] * weeks_n + week, np.arange(sites * weeks_n)
    rows, low, high = [], [], []

    def block(count, lo, hi, *terms):
        entries = [
            sparse.csr_matrix((np.broadcast_to(v, np.shape(r)), (r, c)), shape=(count, width)) for r, c, v in terms
        ]
        rows.append(sum(entries[1:], entries[0])), low.append(np.broadcast_to(lo, count))
        high.append(np.broadcast_to(hi, count))

    x, y, opened = np.arange(n), n + at, n + sites * weeks_n + np.arange(sites)
    hours = it.class_hours_per_kg[k] * kept
    cost = np.r_[
        it.arc_cost_per_kg[arc] - it.class_value_per_kg[k] * kept, np.repeat(it.barrel_cost, weeks_n), it.site_open_cost
    ]
    block(len(it.lot_mass_kg), -np.inf, it.lot_mass_kg, (it.arc_lot[arc], x, 1.0))
    block(sites * weeks_n, -np.inf, 0, (spot, x, hours), (at, y, -it.site_hours.ravel()))
    block(sites * weeks_n, 0, np.inf, (spot, x, hours), (at, y, -it.busy_floor * it.site_hours.ravel()))
    block(weeks_n, -np.inf, it.fleet, (at % weeks_n, y, 1.0))
    block(
        sites * weeks_n,
        -np.inf,
        0,
        (at, y, 1.0),
        (at, opened[at // weeks_n], -it.site_most[at // weeks_n].astype(float)),
    )
    most = np.minimum(it.site_most[at // weeks_n], it.fleet[at % weeks_n])
    upper = np.r_[it.lot_mass_kg[it.arc_lot[arc]], most, np.ones(sites)]
    if it.moves is not None or it.crew is not None or it.workshop is not None or it.villages is not None:
        return _plain_everything(it, arc, week, k, kept, cost, upper, rows, low, high)
    whole = np.r_[np.zeros(n, bool), np.ones(width - n, bool)]
    return cost, np.zeros(width), upper, whole, sparse.vstack(rows).tocsr(), np.concatenate(low), np.concatenate(high)


def _plain_everything(it, arc, week, k, kept, cost, upper, rows, low, high):
    """The plain model with deploying, moving, staying, crew hours and the workshop, all exact by arc and week."""
    n, sites, weeks_n, villages = len(arc), it.sites, it.weeks, it.village_count
    old = len(cost)
    arrive, enter, deploy = (
        old + np.arange(sites * weeks_n),
        old + sites * weeks_n + np.arange(villages * weeks_n),
        old + sites * weeks_n + villages * weeks_n + np.arange(villages),
    )
    stock = old + sites * weeks_n + villages * weeks_n + villages + np.arange(weeks_n)
    width = int(stock[-1]) + 1
    rows = [sparse.csr_matrix((r.data, r.indices, r.indptr), shape=(r.shape[0], width)) for r in rows]

    def block(count, lo, hi, *terms):
        entries = [
            sparse.csr_matrix((np.broadcast_to(v, np.shape(r)), (r, c)), shape=(count, width)) for r, c, v in terms
        ]
        rows.append(sum(entries[1:], entries[0])), low.append(np.broadcast_to(lo, count))
        high.append(np.broadcast_to(hi, count))

    at, y, opened = np.arange(sites * weeks_n), n + np.arange(sites * weeks_n), n + sites * weeks_n + np.arange(sites)
    later = at[at % weeks_n > 0]
    block(sites * weeks_n, -np.inf, 0, (at, y, 1.0), (later, y[later - 1], -1.0), (at, arrive, -1.0))
    where = np.repeat(it.site_village, weeks_n) * weeks_n + at % weeks_n
    block(
        villages * weeks_n,
        -np.inf,
        0,
        (where, y, 1.0),
        (where[later], y[later - 1], -1.0),
        (np.arange(villages * weeks_n), enter, -1.0),
    )
    block(weeks_n, -np.inf, it.moves.most, (at % weeks_n, arrive, 1.0))
    back = [(at[at % weeks_n >= b], arrive[at[at % weeks_n >= b] - b], 1.0) for b in range(it.moves.stay_weeks)]
    block(sites * weeks_n, -np.inf, 0, (at, y, -1.0), *back)
    block(sites, -np.inf, 0, (np.arange(sites), opened, 1.0), (np.arange(sites), deploy[it.site_village], -1.0))
    hours = it.arc_hours_per_kg[arc] + it.crew.class_tender_hours_per_kg[k] * kept
    block(
        villages * weeks_n,
        -np.inf,
        it.crew.hours.ravel(),
        (it.site_village[it.arc_site[arc]] * weeks_n + week, np.arange(n), hours),
    )
    char = it.class_char_per_kg[k] * kept
    t = np.arange(weeks_n)
    block(
        weeks_n, -np.inf, it.workshop.press_kg, (week, np.arange(n), char), (t, stock, -1.0), (t[1:], stock[:-1], 1.0)
    )
    haul = it.workshop.site_haul_cost_per_kg[it.arc_site[arc]] * char
    cost = np.r_[
        cost,
        np.repeat(it.moves.site_cost, weeks_n),
        np.repeat(it.moves.village_cost, weeks_n),
        it.villages.deploy_cost,
        np.zeros(weeks_n),
    ]
    cost[:n] += haul
    upper = np.r_[
        upper,
        np.full(sites * weeks_n, 6.0),
        np.full(villages * weeks_n, it.fleet.max()),
        np.ones(villages),
        np.full(weeks_n, it.workshop.store_kg),
    ]
    whole = np.zeros(width, bool)
    whole[n:old] = True
    whole[deploy] = True
    return cost, np.zeros(width), upper, whole, sparse.vstack(rows).tocsr(), np.concatenate(low), np.concatenate(high)
