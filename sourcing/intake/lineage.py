"""Which field of a newer survey is which field of an older one: the same, changed, redrawn, split, merged, new or gone.

Recognised by shape first (what share of each lies in the other), then by name. Shares are of planar area in degrees,
which for two shapes in one place are the same as shares of true area.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from sourcing.geodesy import Geometries

SAME_SHAPE = 0.98
"""Shared area over joint area from which two shapes count as the same drawing."""
ONE_TO_ONE = 0.8
"""Shared area over joint area from which two shapes are the same field, whatever lies beside them."""
BELONGS = 0.5
"""Share of one shape inside another from which they have to do with each other."""
COLUMNS = ["old", "new", "relation", "share_old", "share_new", "changes"]
RELATIONS = ("same", "changed", "redrawn", "moved", "split", "merged", "rearranged", "new", "gone")
COMPARED = ("village", "crop", "yield_t_ha", "harvest_start", "harvest_end", "clear_by", "share_promised", "estimated",
            "crop_2", "share_2", "yield_2_t_ha", "plants")  # fmt: skip
_PAIRS_AT_ONCE = 25_000

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class _Pairs:
    """Overlapping shapes: positions among the old and the new, and the share of each in the other."""

    old: Ints
    new: Ints
    share_old: npt.NDArray[np.float64]
    share_new: npt.NDArray[np.float64]

    @property
    def joint(self) -> npt.NDArray[np.float64]:
        """Shared area over joint area."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.nan_to_num(1 / (1 / self.share_old + 1 / self.share_new - 1))


def match_fields(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame) -> pd.DataFrame:
    """How two sets of clean fields hang together (frames of :class:`sourcing.intake.fields.Fields`).

    Returns rows of old, new (ids; '' for a new or a gone field), relation (one of :data:`RELATIONS`), share_old and
    share_new (share of each shape inside the other, 0 to 1), changes (names of the columns that differ, by blanks).
    Every old and every new field is in at least one row; a split or merged field in several.
    """
    links: list[tuple[Ints, Ints, str, npt.NDArray[np.float64], npt.NDArray[np.float64]]] = []
    free_old, free_new = np.ones(len(old), dtype=bool), np.ones(len(new), dtype=bool)

    def take(
        a: Ints, b: Ints, relation: str, share_a: npt.NDArray[np.float64], share_b: npt.NDArray[np.float64]
    ) -> None:
        links.append((a, b, relation, share_a, share_b))
        free_old[a] = False
        free_new[b] = False

    shape_old, shape_new = _keys(old), _keys(new)
    for with_crop in (True, False):
        a, b = _join(shape_old, shape_new, old, new, free_old, free_new, with_crop)
        take(a, b, "one", np.ones(len(a)), np.ones(len(b)))
    pairs = _overlaps(
        old.geometry.to_numpy(), new.geometry.to_numpy(), free_old & ~_placed(old), free_new & ~_placed(new)
    )
    same_crop = old["crop"].to_numpy()[pairs.old] == new["crop"].to_numpy()[pairs.new]
    for mask in (same_crop & (pairs.joint >= ONE_TO_ONE), pairs.joint >= ONE_TO_ONE):
        chosen = _best(pairs, mask & free_old[pairs.old] & free_new[pairs.new])
        take(pairs.old[chosen], pairs.new[chosen], "one", pairs.share_old[chosen], pairs.share_new[chosen])
    near = free_old[pairs.old] & free_new[pairs.new] & (np.maximum(pairs.share_old, pairs.share_new) >= BELONGS)
    for relation, chosen in _groups(pairs, np.flatnonzero(near), len(old), len(new)):
        take(pairs.old[chosen], pairs.new[chosen], relation, pairs.share_old[chosen], pairs.share_new[chosen])
    a, b = _by_name(old, new, free_old, free_new)
    take(a, b, "moved", np.zeros(len(a)), np.zeros(len(b)))
    return _table(old, new, links, free_old, free_new)


def _keys(frame: gpd.GeoDataFrame) -> npt.NDArray[np.object_]:
    return np.asarray(shapely.to_wkb(shapely.normalize(frame.geometry.to_numpy())), dtype=object)


def _placed(frame: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    return frame["placed"].to_numpy(dtype=bool) if "placed" in frame.columns else np.zeros(len(frame), dtype=bool)


def _join(
    shape_old: npt.NDArray[np.object_], shape_new: npt.NDArray[np.object_],
    old: gpd.GeoDataFrame, new: gpd.GeoDataFrame,
    free_old: npt.NDArray[np.bool_], free_new: npt.NDArray[np.bool_], with_crop: bool,
) -> tuple[Ints, Ints]:  # fmt: skip
    """Positions of the very same shapes (and crops), each used once. Discs that stand for a field count by name too."""

    def table(frame: gpd.GeoDataFrame, shape: npt.NDArray[np.object_], free: npt.NDArray[np.bool_]) -> pd.DataFrame:
        at = np.flatnonzero(free)
        out = pd.DataFrame({"at": at, "shape": shape[at]})
        out["crop"] = frame["crop"].to_numpy()[at] if with_crop else ""
        out["name"] = np.where(_placed(frame)[at], frame.index.to_numpy(dtype=object)[at], "")
        keys = ["shape", "crop", "name"]
        return out.assign(turn=out.groupby(keys, sort=False).cumcount())

    both = table(old, shape_old, free_old).merge(
        table(new, shape_new, free_new), on=["shape", "crop", "name", "turn"], suffixes=("_old", "_new")
    )
    return both["at_old"].to_numpy(dtype=np.int64), both["at_new"].to_numpy(dtype=np.int64)


def _overlaps(
    old: Geometries, new: Geometries, use_old: npt.NDArray[np.bool_], use_new: npt.NDArray[np.bool_]
) -> _Pairs:
    at_old, at_new = np.flatnonzero(use_old), np.flatnonzero(use_new)
    empty = np.zeros(0, dtype=np.int64)
    if len(at_old) == 0 or len(at_new) == 0:
        return _Pairs(empty, empty, np.zeros(0), np.zeros(0))
    tree = shapely.STRtree(old[at_old])
    flat_old, flat_new = shapely.area(old[at_old]), shapely.area(new[at_new])
    found: list[tuple[Ints, Ints, npt.NDArray[np.float64]]] = []
    for start in range(0, len(at_new), _PAIRS_AT_ONCE):
        part = at_new[start : start + _PAIRS_AT_ONCE]
        n, o = tree.query(new[part])
        shared = shapely.area(shapely.intersection(new[part][n], old[at_old][o]))
        keep = shared > 0
        found.append((o[keep], n[keep] + start, shared[keep]))
    o = np.concatenate([f[0] for f in found])
    n = np.concatenate([f[1] for f in found])
    shared = np.concatenate([f[2] for f in found])
    return _Pairs(at_old[o], at_new[n], shared / flat_old[o], shared / flat_new[n])


def _best(pairs: _Pairs, mask: npt.NDArray[np.bool_]) -> Ints:
    """Of the pairs in the mask those that are the best of both their fields, each field once."""
    at = np.flatnonzero(mask)
    order = pd.DataFrame({"at": at, "old": pairs.old[at], "new": pairs.new[at], "joint": pairs.joint[at]})
    order = order.sort_values(["joint", "old", "new"], ascending=[False, True, True], kind="stable")
    once = order[~order.duplicated("old") & ~order.duplicated("new")]
    chosen: Ints = once["at"].to_numpy(dtype=np.int64)
    return chosen


def _groups(pairs: _Pairs, at: Ints, count_old: int, count_new: int) -> list[tuple[str, Ints]]:
    """Pairs that hang together, by what became of the fields: one, split, merged, rearranged."""
    if len(at) == 0:
        return []
    size = count_old + count_new
    graph = coo_matrix((np.ones(len(at)), (pairs.old[at], count_old + pairs.new[at])), shape=(size, size))
    _, label = connected_components(graph, directed=False)
    frame = pd.DataFrame({"at": at, "group": label[pairs.old[at]], "old": pairs.old[at], "new": pairs.new[at]})
    many_old = frame.groupby("group")["old"].transform("nunique") > 1
    many_new = frame.groupby("group")["new"].transform("nunique") > 1
    kind = np.select([many_old & many_new, many_new, many_old], ["rearranged", "split", "merged"], default="one")
    return [(k, frame["at"].to_numpy(dtype=np.int64)[kind == k]) for k in ("one", "split", "merged", "rearranged")]


def _by_name(
    old: gpd.GeoDataFrame, new: gpd.GeoDataFrame, free_old: npt.NDArray[np.bool_], free_new: npt.NDArray[np.bool_]
) -> tuple[Ints, Ints]:
    """Fields with the same id and village whose shapes have nothing to do with each other."""

    def names(frame: gpd.GeoDataFrame, free: npt.NDArray[np.bool_]) -> pd.Series:
        at = np.flatnonzero(free)
        key = (
            frame.index.to_numpy(dtype=object)[at].astype(str)
            + "\x00"
            + frame["village"].to_numpy(dtype=object)[at].astype(str)
        )
        return pd.Series(at, index=key)

    one, other = names(old, free_old), names(new, free_new)
    common = one.index.intersection(other.index)
    return one.loc[common].to_numpy(dtype=np.int64), other.loc[common].to_numpy(dtype=np.int64)


def _table(
    old: gpd.GeoDataFrame, new: gpd.GeoDataFrame,
    links: list[tuple[Ints, Ints, str, npt.NDArray[np.float64], npt.NDArray[np.float64]]],
    free_old: npt.NDArray[np.bool_], free_new: npt.NDArray[np.bool_],
) -> pd.DataFrame:  # fmt: skip
    ids_old, ids_new = old.index.to_numpy(dtype=object), new.index.to_numpy(dtype=object)
    parts = []
    for a, b, relation, share_a, share_b in links:
        part = pd.DataFrame({"old": ids_old[a], "new": ids_new[b]}, dtype=object)
        part["share_old"], part["share_new"] = np.minimum(share_a, 1.0), np.minimum(share_b, 1.0)
        part["changes"] = _changes(old, new, a, b)
        with np.errstate(divide="ignore", invalid="ignore"):
            joint = np.nan_to_num(1 / (1 / part["share_old"] + 1 / part["share_new"] - 1))
        drawn = joint >= SAME_SHAPE
        plain = np.where(part["changes"] == "", "same", "changed")
        placed = _placed(old)[a] & _placed(new)[b]
        part["relation"] = (
            np.where(drawn, plain, "redrawn") if relation == "one"
            else np.where(placed, plain, relation) if relation == "moved" else relation
        )  # fmt: skip
        parts.append(part)
    gone, fresh = ids_old[free_old], ids_new[free_new]
    parts.append(
        pd.DataFrame({"old": gone, "new": "", "relation": "gone", "share_old": 0.0, "share_new": 0.0, "changes": ""})
    )
    parts.append(
        pd.DataFrame({"old": "", "new": fresh, "relation": "new", "share_old": 0.0, "share_new": 0.0, "changes": ""})
    )
    whole = pd.concat([p[COLUMNS] for p in parts if len(p)] or [pd.DataFrame(columns=COLUMNS)], ignore_index=True)
    return whole.sort_values(["old", "new"], kind="stable").reset_index(drop=True)


def _changes(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame, a: Ints, b: Ints) -> npt.NDArray[np.object_]:
    told = np.full(len(a), "", dtype=object)
    for name in COMPARED:
        if name not in old.columns or name not in new.columns:
            continue
        one, other = old[name].iloc[a].reset_index(drop=True), new[name].iloc[b].reset_index(drop=True)
        differ = ((one != other) & ~(one.isna() & other.isna())).to_numpy(dtype=bool)
        told[differ] = [f"{t} {name}".strip() for t in told[differ]]
    return told
