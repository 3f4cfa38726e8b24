"""A placement question cut into regions that share one fleet, and the plans of the regions joined again.

A region is a set of whole villages: their sites, and every lot that one of these sites reaches. A lot that several
regions reach is *shared*: it has a price of its own between them (see :mod:`sourcing.regions.master`), and belongs to
the region from which it is cheapest to fetch, which sets that price. To set it well a region looks beyond its edge: its
*wide* question also holds the villages that reach any of its lots.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any

import numpy as np

from sourcing.errors import UsageError
from sourcing.placement.instance import AXES, Bools, Floats, Instance, Ints
from sourcing.placement.model import Model
from sourcing.placement.solve import Placement, status_of

SHARED_ROWS = ("fleet", "most_moves", "budget", "site_number", "village_number")
"""Rows of the model that span regions, in the order in which limits and their prices are laid out."""
_POINTS_AT = {"arc_lot": "L", "arc_site": "S", "site_village": "V", "lot_village": "V"}


@dataclass(frozen=True)
class Limits:
    """What all regions share, laid out in the order of SHARED_ROWS: low <= sum over regions of use <= high."""

    weeks: int
    low: Floats
    """Shape (M,); the first T entries belong to the fleet."""
    high: Floats
    whole: Bools
    """Which limits count whole things, shape (M,)."""
    rows: tuple[tuple[str, slice], ...]
    """Where each kind of limit stands."""

    @property
    def fleet(self) -> Floats:
        """Barrels there are in each week, shape (T,)."""
        return self.high[: self.weeks]


@dataclass(frozen=True)
class Region:
    """One region's question. Limits in its instances are those of the whole."""

    name: str
    own: Instance
    """Its sites, and every lot they reach."""
    sites: Ints
    """Number of each of its sites in the whole."""
    lots: Ints
    """Number of each of its lots in the whole."""
    arcs: Ints
    """Number of each of its arcs in the whole."""
    shared: Ints
    """Positions of its lots that other regions reach too, shape (H,)."""
    wide: Instance
    """Its own sites and those of every village that reaches any of its lots."""
    wide_own: Bools
    """Which sites of `wide` are its own."""
    wide_shared: Ints
    """Positions in the lots of `wide` of its shared lots, shape (H,)."""
    owned: Bools
    """Which of its shared lots belong to it, shape (H,): their price is its to set."""


@dataclass(frozen=True)
class Lending:
    """What it costs to bring a barrel into a region from elsewhere. Left out of a question, barrels travel free."""

    cost: Floats
    """Cost of one barrel brought into the region [units of the goal], shape (R,)."""
    home: Ints | None = None
    """Barrels that stand in each region before the first week, shape (R,); left out, the first week's are brought free.
    """


def limits_of(it: Instance) -> Limits:
    """The limits of a whole question that its regions share. Raises UsageError for wishes that cannot be shared out."""
    faults = []
    if it.goal == "clear":
        faults.append("the goal 'clear'")
    if it.workshop is not None:
        faults.append("a workshop that limits the plan")
    if it.wishes.fair_share is not None:
        faults.append("fair shares of villages")
    if it.wishes.avoid:
        faults.append("plans to differ from")
    if faults:
        raise UsageError(f"a question with {', '.join(faults)} cannot be cut into regions")
    wishes, villages, moves = it.wishes, it.villages, it.moves
    parts: list[tuple[str, Floats, Floats, bool]] = [
        ("fleet", np.full(it.weeks, -np.inf), it.fleet.astype(np.float64), True)
    ]
    if moves is not None and moves.most is not None:
        parts.append(("most_moves", np.full(it.weeks, -np.inf), np.floor(moves.most), True))
    if wishes.budget is not None:
        parts.append(("budget", np.array([-np.inf]), np.array([float(wishes.budget)]), False))
    if wishes.sites_least or wishes.sites_most is not None:
        parts.append(("site_number", *_number(wishes.sites_least, wishes.sites_most, it.sites), True))
    if villages is not None and (villages.least or villages.most is not None):
        parts.append(("village_number", *_number(villages.least, villages.most, it.village_count), True))
    rows, at = [], 0
    for name, low, _, _ in parts:
        rows.append((name, slice(at, at + len(low))))
        at += len(low)
    return Limits(
        it.weeks,
        np.concatenate([p[1] for p in parts]),
        np.concatenate([p[2] for p in parts]),
        np.concatenate([np.full(len(p[1]), p[3]) for p in parts]),
        tuple(rows),
    )


def _number(least: int, most: int | None, there_are: int) -> tuple[Floats, Floats]:
    return np.array([float(least) if least else -np.inf]), np.array([float(there_are if most is None else most)])


def without_least(it: Instance, limits: Limits) -> Instance:
    """The question with numbers of sites and villages open downwards, so that any part of it may use none."""
    high = {name: limits.high[block] for name, block in limits.rows}
    wishes, villages = it.wishes, it.villages
    if "site_number" in high:
        wishes = replace(wishes, sites_least=0, sites_most=int(high["site_number"][0]))
    if villages is not None and "village_number" in high:
        villages = replace(villages, least=0, most=int(high["village_number"][0]))
    return replace(it, wishes=wishes, villages=villages)


def restrict(it: Instance, sites: Ints) -> tuple[Instance, Ints, Ints]:
    """The question of some sites (sorted numbers) alone; and the numbers of its lots and arcs in the whole."""
    arcs = np.flatnonzero(np.isin(it.arc_site, sites))
    kept = {"S": sites, "A": arcs, "L": np.unique(it.arc_lot[arcs]), "V": np.unique(it.site_village[sites])}
    return _part(it, kept), kept["L"], arcs


def _part(block: Any, kept: dict[str, Ints]) -> Any:
    """A block of a question with its arrays cut down to what is kept, and its numbers counted anew."""
    changed: dict[str, Any] = {}
    for field in fields(block):
        value = getattr(block, field.name)
        axes = AXES.get((type(block).__name__, field.name))
        if is_dataclass(value):
            changed[field.name] = _part(value, kept)
        elif axes is not None and value is not None and np.ndim(value):
            for axis, letter in enumerate(axes[: np.ndim(value)]):
                value = value if letter not in kept else np.take(value, kept[letter], axis=axis)
            points_at = _POINTS_AT.get(field.name)
            changed[field.name] = value if points_at is None else np.searchsorted(kept[points_at], value)
    return replace(block, **changed)


def together(regions: Sequence[Region]) -> tuple[Instance, Ints]:
    """The question of several regions as one; and the numbers of its lots in the whole.

    Sites, villages, arcs and classes follow in the order of the regions; a lot of several has the class it has in the
    first, which is the same in other words.
    """
    if len(regions) == 1:
        return regions[0].own, regions[0].lots
    every = np.concatenate([r.lots for r in regions])
    lots, first = np.unique(every, return_index=True)
    moved = {
        "arc_lot": [np.searchsorted(lots, r.lots)[r.own.arc_lot] for r in regions],
        "arc_site": _after(regions, [len(r.sites) for r in regions], "arc_site"),
        "site_village": _after(regions, [r.own.village_count for r in regions], "site_village"),
    }
    kinds = [len(r.own.class_first) for r in regions]
    moved["lot_class"] = _after(regions, kinds, "lot_class")
    moved["arc_class"] = [c + k for c, k in zip([r.own.arc_classes for r in regions], _begins(kinds), strict=True)]
    merged = {k: np.concatenate(v) for k, v in moved.items()}
    merged["lot_class"] = merged["lot_class"][first]
    whole: Instance = _one([r.own for r in regions], first, merged)
    return whole, lots


def _after(regions: Sequence[Region], sizes: list[int], name: str) -> list[Ints]:
    return [getattr(r.own, name) + begin for r, begin in zip(regions, _begins(sizes), strict=True)]


def _begins(sizes: list[int]) -> list[int]:
    return [sum(sizes[:n]) for n in range(len(sizes))]


def _one(blocks: Sequence[Any], lots: Ints, moved: dict[str, Ints]) -> Any:
    """Blocks of several regions as one; `lots` are positions in their lots put one after another."""
    changed: dict[str, Any] = {}
    for field in fields(blocks[0]):
        values = [getattr(b, field.name) for b in blocks]
        axes = AXES.get((type(blocks[0]).__name__, field.name))
        if field.name in moved:
            changed[field.name] = moved[field.name]
        elif is_dataclass(values[0]):
            changed[field.name] = _one(values, lots, moved)
        elif axes and axes[0] in "SALVK" and values[0] is not None and np.ndim(values[0]):
            every = np.concatenate(values)
            changed[field.name] = every[lots] if axes[0] == "L" else every
    return replace(blocks[0], **changed)


def use_of(it: Instance, plan: Placement, limits: Limits) -> Floats:
    """What a region's plan uses of each shared limit, shape (M,)."""
    standing = np.zeros(it.sites, dtype=np.int64)
    if it.moves is not None and it.moves.standing is not None:
        standing = it.moves.standing
    brought = np.maximum(np.diff(plan.barrels, axis=1, prepend=standing[:, None]), 0).sum(axis=0)
    uses = {
        "fleet": plan.barrels.sum(axis=0),
        "most_moves": brought,
        "budget": np.array([plan.spent]),
        "site_number": np.array([plan.opened.sum()]),
        "village_number": np.array([len(np.unique(it.site_village[plan.opened]))]),
    }
    return np.concatenate([np.asarray(uses[name], dtype=np.float64) for name, _ in limits.rows])


def cut(it: Instance, region_of_village: Ints, names: Sequence[str] = ()) -> tuple[Region, ...]:
    """The regions of a question; `region_of_village` numbers from 0, shape (V,). Raises UsageError as `limits_of`."""
    it = without_least(it, limits_of(it))
    of_site = np.asarray(region_of_village)[it.site_village]
    pair = np.unique(np.stack([it.arc_lot, of_site[it.arc_site]]), axis=1)
    reached_by = np.bincount(pair[0], minlength=len(it.lot_mass_kg))
    owner = owners_of_lots(it, of_site)
    found = []
    for number in range(int(of_site.max()) + 1):
        sites = np.flatnonzero(of_site == number)
        if not len(sites):
            continue
        own, lots, arcs = restrict(it, sites)
        mine = np.isin(it.arc_lot, lots)
        about = np.unique(it.site_village[it.arc_site[mine]])
        near = np.flatnonzero(np.isin(it.site_village, about) | (of_site == number))
        wide, wide_lots, _ = restrict(it, near)
        shared = np.flatnonzero(reached_by[lots] > 1)
        found.append(
            Region(
                names[number] if names else str(number), own, sites, lots, arcs, shared, wide,
                of_site[near] == number, np.searchsorted(wide_lots, lots[shared]), owner[lots[shared]] == number,
            )
        )  # fmt: skip
    return tuple(found)


def owners_of_lots(it: Instance, of_site: Ints) -> Ints:
    """Region of each lot: that of the site from which it is cheapest to fetch; -1 where no site reaches it."""
    order = np.lexsort((it.arc_site, it.arc_cost_per_kg, it.arc_lot))
    lots, first = np.unique(it.arc_lot[order], return_index=True)
    owner = np.full(len(it.lot_mass_kg), -1, dtype=np.int64)
    owner[lots] = of_site[it.arc_site[order[first]]]
    return owner


def shared_rows(model: Model) -> Ints:
    """The rows of a region's model that span regions, in the layout of the limits."""
    blocks = [model.rows[name] for name in SHARED_ROWS if name in model.rows]
    return np.concatenate([np.arange(b.start, b.stop) for b in blocks])


def joined(it: Instance, regions: Sequence[Region], plans: Sequence[Placement], bound: float, gap: float) -> Placement:
    """The whole's plan from a plan of each region; `bound` is the whole's, and `gap` the one asked for."""
    barrels = np.zeros((it.sites, it.weeks), dtype=np.int64)
    x = np.zeros(len(it.arc_lot))
    for region, plan in zip(regions, plans, strict=True):
        barrels[region.sites] = plan.barrels
        x[region.arcs] = plan.x
    pairs = list(zip(regions, plans, strict=True))
    value = sum(p.value for p in plans)
    share = abs(bound - value) / max(abs(value), 1e-9) if np.isfinite(bound) else np.inf
    return Placement(
        status=status_of(share, gap, "effort"),
        goal=it.goal,
        value=value,
        bound=bound,
        gap=share,
        seconds=sum(p.seconds for p in plans),
        margin=sum(p.margin for p in plans),
        char_kg=sum(p.char_kg for p in plans),
        cleared_kg=sum(p.cleared_kg for p in plans),
        spent=sum(p.spent for p in plans),
        opened=np.asarray(barrels.any(axis=1)),
        barrels=barrels,
        x=x,
        work_site=np.concatenate([r.sites[p.work_site] for r, p in pairs]),
        work_class=np.concatenate([p.work_class for p in plans]),
        work_week=np.concatenate([p.work_week for p in plans]),
        work_kg=np.concatenate([p.work_kg for p in plans]),
        carry_arc=np.concatenate([r.arcs[p.carry_arc] for r, p in pairs]),
        carry_week=np.concatenate([p.carry_week for p in plans]),
        carry_kg=np.concatenate([p.carry_kg for p in plans]),
        effort_s=sum(p.effort_s for p in plans),
    )
