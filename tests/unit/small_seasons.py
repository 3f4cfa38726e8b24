"""Small invented seasons for the placement tests, and the obvious model of them to compare with."""

from __future__ import annotations

import itertools

import numpy as np
from scipy.optimize import LinearConstraint, linprog, milp
from scipy.sparse import coo_matrix

from sourcing.placement.instance import Crew, Instance, Moves, Previous, Villages, Water, Wishes, Workshop


def season(**more) -> Instance:
    """One lot of 100 kg, one site, one week of 10 hours, 0.1 h a kg (100 kg a barrel-week), worth 1 a kg."""
    base = {
        "lot_mass_kg": [100.0], "lot_class": [0], "class_first": [0], "class_last": [0], "class_hours_per_kg": [0.1],
        "class_value_per_kg": [1.0], "class_char_per_kg": [0.3], "class_loss_week": [0.0],
        "arc_lot": [0], "arc_site": [0], "arc_cost_per_kg": [0.0], "arc_hours_per_kg": [0.0],
        "site_village": [0], "site_hours": [[10.0]], "site_open_cost": [0.0], "site_least": [1],
        "site_most": [6], "fleet": [6],
    }  # fmt: skip
    base |= more
    if "arc_lot" in more and "arc_cost_per_kg" not in more:
        base["arc_cost_per_kg"] = np.zeros(len(more["arc_lot"]))
    if "arc_lot" in more and "arc_hours_per_kg" not in more:
        base["arc_hours_per_kg"] = np.zeros(len(more["arc_lot"]))
    return Instance(**base)


def random_season(seed: int, lots=8, sites=3, weeks=4, classes=3, village_number=2, **more) -> Instance:
    """A season drawn at random, of a size the obvious model can solve."""
    draw = np.random.default_rng(seed)
    first = draw.integers(0, weeks, classes)
    last = np.minimum(first + draw.integers(0, 3, classes), weeks - 1)
    pairs = np.array([(lot, s) for lot, s in itertools.product(range(lots), range(sites)) if draw.random() < 0.7])
    pairs = pairs.reshape(-1, 2).astype(int)
    base = {
        "lot_mass_kg": draw.uniform(20, 200, lots), "lot_class": draw.integers(0, classes, lots), "class_first": first,
        "class_last": last, "class_hours_per_kg": draw.uniform(0.05, 0.2, classes),
        "class_value_per_kg": draw.uniform(0.2, 1.2, classes), "class_char_per_kg": draw.uniform(0.2, 0.35, classes),
        "class_loss_week": draw.uniform(0, 0.2, classes), "arc_lot": pairs[:, 0], "arc_site": pairs[:, 1],
        "arc_cost_per_kg": draw.uniform(0, 0.4, len(pairs)), "arc_hours_per_kg": draw.uniform(0.01, 0.1, len(pairs)),
        "site_village": draw.integers(0, village_number, sites), "site_hours": draw.uniform(5, 15, (sites, weeks)),
        "site_open_cost": draw.uniform(0, 40, sites), "site_least": draw.integers(1, 3, sites),
        "site_most": draw.integers(3, 5, sites), "fleet": draw.integers(2, 6, weeks),
        "busy_floor": draw.choice([0.0, 0.4, 0.8]),
        "barrel_week_cost": draw.uniform(0, 3),
    }  # fmt: skip
    return Instance(**(base | more))


def everything(seed=3) -> Instance:
    """Two villages with two sites each, and a rule of every kind."""
    draw = np.random.default_rng(seed)
    S, T, K, V, L = 4, 6, 4, 2, 40
    return random_season(
        seed, lots=L, sites=S, weeks=T, classes=K, village_number=V, busy_floor=0.5,
        fleet=np.full(T, 5), site_least=np.ones(S),
        site_open_cost=np.full(S, 5.0), site_village=[0, 0, 1, 1], site_week_cost=np.full((S, T), 1.0),
        villages=Villages(deploy_cost=np.full(V, 10.0), least=1, most=2),
        moves=Moves(site_cost=np.full(S, 2.0), village_cost=np.full(V, 3.0), most=np.full(T, 3), stay_weeks=2),
        crew=Crew(hours=draw.uniform(20, 30, (V, T)), class_tender_hours_per_kg=np.full(K, 0.05)),
        water=Water(litres=np.full((S, T), 150.0), class_litres_per_kg=np.full(K, 0.6)),
        workshop=Workshop(press_kg=np.full(T, 60.0), store_kg=30.0, site_haul_cost_per_kg=np.full(S, 0.05)),
        wishes=Wishes(budget=400.0, lot_village=np.arange(L) % V, fair_share=np.full(V, 0.1)),
        previous=Previous(barrels=np.ones((S, T)), barrel_week_price=0.5, site_price=1.0, worked=[1, 0, 0, 0, 0, 0]),
    )  # fmt: skip


def plain_optimum(it: Instance) -> float:
    """The optimum of the obvious model, kg of each lot charred at each site in each week, solved by scipy's milp."""
    triples = [
        (a, t) for a in range(len(it.arc_lot))
        for t in range(it.class_first[it.lot_class[it.arc_lot[a]]], it.class_last[it.lot_class[it.arc_lot[a]]] + 1)
    ]  # fmt: skip
    n, S, T = len(triples), it.sites, it.weeks
    width = n + 2 * S * T + S
    y, on, opened = n, n + S * T, n + 2 * S * T
    cost, upper = np.zeros(width), np.full(width, np.inf)
    margin = np.zeros(n)
    left = np.zeros(n)
    for j, (a, t) in enumerate(triples):
        k = it.lot_class[it.arc_lot[a]]
        left[j] = (1 - it.class_loss_week[k]) ** (t - it.class_first[k])
        margin[j] = it.class_value_per_kg[k] * left[j] - it.arc_cost_per_kg[a]
    klass = it.lot_class[it.arc_lot[[a for a, _ in triples]]] if n else np.zeros(0, dtype=int)
    sign = -1.0
    if it.goal == "margin":
        cost[:n] = -margin
    elif it.goal == "char":
        cost[:n] = -it.class_char_per_kg[klass] * left
    elif it.goal == "clear":
        sign = 1.0
        cost[:n] = [it.arc_cost_per_kg[a] for a, _ in triples] + it.class_cost[klass] * left
    if it.goal != "char":
        cost[y : y + S * T] = np.repeat(it.barrel_cost, T)
        cost[on:opened] = (np.zeros((S, T)) + it.site_week_cost).ravel()
        cost[opened:] = it.site_open_cost
    rows, low, high = [], [], []

    def row(entries, lo, hi):
        rows.append(entries), low.append(lo), high.append(hi)

    for lot in range(len(it.lot_mass_kg)):
        row([(j, 1.0) for j, (a, _) in enumerate(triples) if it.arc_lot[a] == lot], -np.inf, it.lot_mass_kg[lot])
    for t in range(T):
        row([(y + s * T + t, 1.0) for s in range(S)], -np.inf, it.fleet[t])
    for s, t in itertools.product(range(S), range(T)):
        at = s * T + t
        work = [(j, it.class_hours_per_kg[klass[j]] * left[j]) for j, (a, w) in enumerate(triples)
                if w == t and it.arc_site[a] == s]  # fmt: skip
        row([*work, (y + at, -it.site_hours[s, t])], -np.inf, 0)
        row([*work, (y + at, -it.busy_floor * it.site_hours[s, t])], 0, np.inf)
        row([(y + at, 1.0), (on + at, -float(it.site_least[s]))], 0, np.inf)
        row([(y + at, 1.0), (on + at, -float(it.site_most[s]))], -np.inf, 0)
        row([(on + at, 1.0), (opened + s, -1.0)], -np.inf, 0)
    if it.goal == "clear":
        row([(j, 1.0) for j in range(n)], it.clear_share * it.lot_mass_kg.sum(), np.inf)
    upper[on:] = 1
    where = [(i, j, v) for i, entries in enumerate(rows) for j, v in entries]
    matrix = coo_matrix(
        ([v for *_, v in where], ([i for i, *_ in where], [j for _, j, _ in where])), shape=(len(rows), width)
    ).tocsr()
    whole = np.r_[np.zeros(n), np.ones(width - n)]
    answer = milp(cost, integrality=whole, bounds=(np.zeros(width), upper),
                  constraints=LinearConstraint(matrix, low, high), options={"mip_rel_gap": 1e-9})  # fmt: skip
    return float(sign * answer.fun) if answer.status == 0 else np.nan


def brute_optimum(it: Instance) -> float:
    """Best margin over every table of barrels there could be, each a linear program. For tiny seasons only."""
    S, T = it.sites, it.weeks
    klass = it.lot_class[it.arc_lot]
    arcs = [(a, t) for a, k in enumerate(klass) for t in range(it.class_first[k], it.class_last[k] + 1)]
    choices = [[0, *range(it.site_least[s], it.site_most[s] + 1)] for s in range(S) for _ in range(T)]
    best = -np.inf
    for table in itertools.product(*choices):
        y = np.array(table).reshape(S, T)
        if (y.sum(axis=0) > it.fleet).any():
            continue
        fixed = (it.barrel_cost[:, None] * y).sum() + it.site_open_cost[y.any(axis=1)].sum()
        c, A, b = [], [], []
        left = [(1 - it.class_loss_week[it.lot_class[it.arc_lot[a]]]) **
                (t - it.class_first[it.lot_class[it.arc_lot[a]]]) for a, t in arcs]  # fmt: skip
        for (a, _), f in zip(arcs, left, strict=True):
            c.append(it.arc_cost_per_kg[a] - it.class_value_per_kg[it.lot_class[it.arc_lot[a]]] * f)
        for lot, mass in enumerate(it.lot_mass_kg):
            A.append([float(it.arc_lot[a] == lot) for a, _ in arcs]), b.append(mass)
        for s, t in itertools.product(range(S), range(T)):
            hours = [it.class_hours_per_kg[it.lot_class[it.arc_lot[a]]] * f if (it.arc_site[a], w) == (s, t) else 0.0
                     for (a, w), f in zip(arcs, left, strict=True)]  # fmt: skip
            A.append(hours), b.append(it.site_hours[s, t] * y[s, t])
            A.append([-h for h in hours]), b.append(-it.busy_floor * it.site_hours[s, t] * y[s, t])
        answer = linprog(c, A_ub=A, b_ub=b) if arcs else None
        if answer is not None and answer.status == 0:
            best = max(best, -answer.fun - fixed)
        elif answer is None and not (it.busy_floor and y.any()):
            best = max(best, -fixed)
    return float(best)
