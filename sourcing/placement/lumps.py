"""Lots lumped together: a question with far fewer arcs, whose every plan is a plan of the whole question.

Lots of one class that reach the same sites, at nearly the same cost, are lumped into one of their joint mass. It costs
on each way what its lots cost on average, so a plan that takes a share of the lump is the plan that takes that share of
each of its lots, and costs the same. Whole barrels are found many times sooner among lumps; what is carried to them is
then chosen lot by lot, which can only gain. Only where workers' hours are short may a little less be carried then.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from sourcing.placement.instance import Floats, Instance, Ints

COST_RATIO = 2.0
"""Lots are lumped when the cost of their cheapest ways differs by less than this ratio (measured on regions of a
register: 1.3 is slower for the same plans; with no ratio at all, plans are 0.5 % worse)."""
ALMOST_NOTHING = 1e-9
"""Stands for a mass or cost of 0 where a mean or a ratio is taken [kg, currency/kg]."""


def lumped(it: Instance) -> Instance:
    """The question with its lots lumped; what it says of sites, weeks and barrels stays as it is."""
    if not len(it.arc_lot):
        return it
    key = it.arc_site * len(it.class_first) + it.arc_classes
    order = np.lexsort((key, it.arc_lot))
    key, of_arc = key[order], it.arc_lot[order]
    lots, begin = np.unique(of_arc, return_index=True)
    count = np.diff(np.r_[begin, len(order)])
    lump = _lump(it, lots, key, it.arc_cost_per_kg[order], begin)
    mass = np.maximum(it.lot_mass_kg, ALMOST_NOTHING)
    place = np.arange(len(order)) - np.repeat(begin, count)  # the how-manieth arc of its lot
    _, first, arc = np.unique(
        np.repeat(lump, count) * int(count.max()) + place, return_index=True, return_inverse=True
    )  # fmt: skip
    arc = arc.reshape(-1)
    weight = np.bincount(arc, weights=mass[of_arc])
    kept = order[first]
    _, one = np.unique(lump, return_index=True)
    wishes = it.wishes
    if wishes.lot_village is not None:
        wishes = replace(wishes, lot_village=wishes.lot_village[lots[one]])
    return replace(
        it,
        lot_mass_kg=np.bincount(lump, weights=it.lot_mass_kg[lots]).astype(np.float64),
        lot_class=it.lot_class[lots[one]],
        arc_lot=np.repeat(lump, count)[first],
        arc_site=it.arc_site[kept],
        arc_cost_per_kg=np.bincount(arc, weights=(mass[of_arc] * it.arc_cost_per_kg[order])) / weight,
        arc_hours_per_kg=np.bincount(arc, weights=(mass[of_arc] * it.arc_hours_per_kg[order])) / weight,
        arc_class=None if it.arc_class is None else it.arc_class[kept],
        wishes=wishes,
    )


def _lump(it: Instance, lots: Ints, key: Ints, cost: Floats, begin: Ints) -> Ints:
    """Lump of each lot that has arcs, numbered so that the order of lots makes no difference to which are together."""
    ends = [*begin[1:].tolist(), len(key)]
    reached = [key[a:b].tobytes() for a, b in zip(begin.tolist(), ends, strict=True)]
    alike, _ = pd.factorize(np.array(reached, dtype=object))
    near = np.floor(np.log(np.maximum(np.minimum.reduceat(cost, begin), ALMOST_NOTHING)) / np.log(COST_RATIO))
    village = np.zeros(len(lots)) if it.wishes.lot_village is None else it.wishes.lot_village[lots]
    of = np.stack([alike, it.lot_class[lots], village, near.astype(np.int64)])
    _, lump = np.unique(of, axis=1, return_inverse=True)
    return np.asarray(lump.reshape(-1), dtype=np.int64)
