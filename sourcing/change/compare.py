"""Two plans side by side: what differs in fields, villages, sites, weeks and value, and why.

Read from two plan folders. Weeks are ISO labels, so that seasons of different length compare. `_a` is the first plan,
`_b` the second; differences are second less first.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
from pyproj import Geod

from sourcing.change.causes import Cause, Season, causes, read_season
from sourcing.intake.keep import fields_of_plan, kept_season, read_record
from sourcing.intake.lineage import match_fields
from sourcing.plan import Tell

FIELD_COLUMNS = ("village", "crop", "area_ha", "yield_t_ha", "harvest_start", "harvest_end", "clear_by")
AREA_DIFFERS = 1e-3
"""Share from which two areas of a field are said to differ."""
TOTALS = (
    "fields", "area_ha", "residue_free_kg", "residue_kg", "char_kg", "value", "margin", "villages_with_barrels",
    "sites", "most_barrels", "barrel_weeks", "several_weeks", "loads", "carry_h", "carry_cost",
)  # fmt: skip
_GEOD = Geod(ellps="WGS84")


@dataclass(frozen=True)
class Side:
    """One of the two plans, as far as it is compared."""

    name: str
    made_at: str
    season: str
    currency: str
    goal: str
    gap: float
    """How much better, as a share, a plan could at most be."""
    record: dict[str, Any]
    fields: gpd.GeoDataFrame
    """EPSG:4326, index field_id: village, crop, area_ha and what else is known."""


@dataclass(frozen=True)
class Comparison:
    """What differs between two plans. Masses are dry kilograms, char as made; weeks are ISO labels."""

    a: Side
    b: Side
    totals: pd.DataFrame
    """Index figure: a, b, difference."""
    villages: pd.DataFrame
    """Index village: name, and for both plans barrel_weeks, most_barrels, residue_kg, sites, first_week, last_week
    ('' none), fields_fetched; fields_come and fields_go (fields of the village whose residue is newly fetched, and no
    longer fetched); relation: 'comes', 'goes', 'changes', 'gives' (only whose residue is fetched changes), 'same',
    'none'."""
    village_weeks: pd.DataFrame
    """village (of the site), week, barrels_a, barrels_b, residue_a_kg, residue_b_kg; only weeks with any."""
    sites: pd.DataFrame
    """site_a, site_b ('' none), village, relation ('stays', 'moves', 'comes', 'goes'), distance_m, and for both plans
    barrel_weeks, residue_kg, lon, lat."""
    weeks: pd.DataFrame
    """Index week: barrels_a, barrels_b, barrels_come and barrels_go (sums over sites), residue_a_kg, residue_b_kg."""
    fields: pd.DataFrame
    """field_a, field_b, relation, changes, and for both plans village, crop, area_ha, fetched_kg, and yields and days
    where they are known. Fields in which nothing differs are left out."""
    counts: dict[str, int]
    """Fields by what became of them."""
    causes: tuple[Cause, ...]
    causes_told: str
    """Why there are no causes; '' where there are."""

    @property
    def value_difference(self) -> float:
        """Value of the second plan less that of the first, in the unit of the goal."""
        return float(self.b.record["totals"]["value"]) - float(self.a.record["totals"]["value"])

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values, for JSON."""
        return {
            "a": _side_facts(self.a),
            "b": _side_facts(self.b),
            "value_difference": self.value_difference,
            "totals": _rows(self.totals.reset_index()),
            "villages": _rows(self.villages.reset_index()),
            "village_weeks": _rows(self.village_weeks),
            "sites": _rows(self.sites),
            "weeks": _rows(self.weeks.reset_index()),
            "fields": _rows(self.fields),
            "counts": self.counts,
            "causes": [
                {
                    "step": c.step, "difference": c.difference, "low": c.low, "high": c.high, "sure": c.sure,
                    "told": c.told,
                }
                for c in self.causes
            ],
            "causes_told": self.causes_told,
        }  # fmt: skip


def compare(a: Path, b: Path, *, quick: bool = False, tell: Tell = lambda _: None) -> Comparison:
    """Compares two plan folders. `quick` leaves out the planning again that tells why the values differ.

    Raises UsageError for what is no plan folder, InputError for kept inputs that are damaged.
    """
    with contextlib.ExitStack() as stack:
        tell("Reading the plans")
        one, season_a = _read(a, stack)
        other, season_b = _read(b, stack)
        tell("Matching the fields")
        lineage = match_fields(one.fields, other.fields)
        found: tuple[Cause, ...] = ()
        told = _why_no_causes(one, other, season_a, season_b, quick)
        if not told and season_a is not None and season_b is not None:
            found = causes(season_a, season_b, one.record, other.record, lineage, tell)
    tell("Setting side by side")
    sites = match_sites(_sites_of(one.record), _sites_of(other.record), _near_m(other.record))
    return Comparison(
        a=one, b=other, totals=_totals(one.record, other.record), villages=_villages(one, other, sites, lineage),
        village_weeks=_village_weeks(one.record, other.record), sites=sites,
        weeks=_weeks(one.record, other.record, sites), fields=_fields(one, other, lineage),
        counts=_counts(lineage), causes=found, causes_told=told,
    )  # fmt: skip


def _read(plan: Path, stack: contextlib.ExitStack) -> tuple[Side, Season | None]:
    record = read_record(plan)
    folder = stack.enter_context(kept_season(plan))
    season = None if folder is None else read_season(folder, record)
    fields = fields_of_plan(plan) if season is None else season.fields.frame
    options = record["settings"]["season"]
    solve = record["solve"]
    side = Side(
        plan.resolve().name, str(record.get("made_at", "")), options["name"], options["currency"], solve["goal"],
        float(solve["gap"]), record, fields,
    )  # fmt: skip
    return side, season


def _why_no_causes(one: Side, other: Side, a: Season | None, b: Season | None, quick: bool) -> str:
    if quick:
        return "not asked for (--quick)"
    lacking = [side.name for side, season in ((one, a), (other, b)) if season is None]
    if lacking:
        return f"{' and '.join(lacking)} did not keep what it was made from"
    if one.goal != other.goal:
        return f"the plans have different goals, '{one.goal}' and '{other.goal}'"
    return ""


def _side_facts(side: Side) -> dict[str, Any]:
    return {
        "name": side.name, "made_at": side.made_at, "season": side.season, "currency": side.currency,
        "goal": side.goal, "gap": side.gap,
    }  # fmt: skip


# Tables ---------------------------------------------------------------------------------------------------------------


def _totals(a: dict[str, Any], b: dict[str, Any]) -> pd.DataFrame:
    names = [n for n in TOTALS if n in a["totals"] and n in b["totals"]]
    table = pd.DataFrame(
        {"a": [float(a["totals"][n]) for n in names], "b": [float(b["totals"][n]) for n in names]},
        index=pd.Index(names, name="figure"),
    )
    return table.assign(difference=table["b"] - table["a"])


def _sites_of(record: dict[str, Any]) -> pd.DataFrame:
    """Index site id: village, name, lon, lat, barrel_weeks, residue_kg."""
    columns = ["village", "name", "lon", "lat", "barrel_weeks", "residue_kg"]
    rows = [[s[c] for c in columns] for s in record["sites"]]
    frame = pd.DataFrame(rows, columns=columns, index=pd.Index([s["id"] for s in record["sites"]], name="site_id"))
    return frame.astype({"lon": float, "lat": float, "barrel_weeks": int, "residue_kg": float})


def _near_m(record: dict[str, Any]) -> float:
    """Sites nearer together than this are one place that was moved [m]: the spacing of proposed places."""
    return float(record["settings"]["sites"]["spacing_m"])


def match_sites(a: pd.DataFrame, b: pd.DataFrame, near_m: float) -> pd.DataFrame:
    """Which site of one plan is which of the other: by id, else the nearest one within `near_m` [m].

    `a` and `b`: index site id; village, lon, lat, barrel_weeks, residue_kg. Returns :attr:`Comparison.sites`.
    """
    same = a.index.intersection(b.index)
    pairs: list[tuple[str, str]] = [(str(s), str(s)) for s in same]
    left, right = a.drop(same), b.drop(same)
    if len(left) and len(right):
        far = _far_m(left, right)
        order = sorted(
            (float(far[i, j]), str(left.index[i]), str(right.index[j])) for i, j in np.argwhere(far <= near_m).tolist()
        )
        for _, one, other in order:
            if one in left.index and other in right.index:
                pairs.append((one, other))
                left, right = left.drop(one), right.drop(other)
    pairs += [(str(s), "") for s in left.index] + [("", str(s)) for s in right.index]
    rows = []
    for one, other in pairs:
        x, y = (a.loc[one] if one else None), (b.loc[other] if other else None)
        known = y if y is not None else x
        assert known is not None
        distance = 0.0
        if x is not None and y is not None:
            distance = float(_GEOD.inv(x["lon"], x["lat"], y["lon"], y["lat"])[2])
        relation = "comes" if x is None else "goes" if y is None else "stays" if distance < 1 else "moves"
        row: dict[str, Any] = {
            "site_a": one, "site_b": other, "village": str(known["village"]), "relation": relation,
            "distance_m": round(distance, 1),
        }  # fmt: skip
        for end, site in (("a", x), ("b", y)):
            row[f"barrel_weeks_{end}"] = 0 if site is None else int(site["barrel_weeks"])
            row[f"residue_{end}_kg"] = 0.0 if site is None else float(site["residue_kg"])
            row[f"lon_{end}"] = None if site is None else float(site["lon"])
            row[f"lat_{end}"] = None if site is None else float(site["lat"])
        rows.append(row)
    columns = [
        "site_a", "site_b", "village", "relation", "distance_m", "barrel_weeks_a", "barrel_weeks_b", "residue_a_kg",
        "residue_b_kg", "lon_a", "lat_a", "lon_b", "lat_b",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values(["village", "relation", "site_a", "site_b"], kind="stable").reset_index(drop=True)


def _far_m(a: pd.DataFrame, b: pd.DataFrame) -> npt.NDArray[np.float64]:
    one, other = np.meshgrid(np.arange(len(a)), np.arange(len(b)), indexing="ij")
    at = [frame[c].to_numpy()[i.ravel()] for frame, i in ((a, one), (b, other)) for c in ("lon", "lat")]
    return np.asarray(_GEOD.inv(*at)[2], dtype=np.float64).reshape(one.shape)


def _by_week(record: dict[str, Any]) -> pd.DataFrame:
    """One row a site and week with barrels or carries: site, village, week, barrels, residue_kg."""
    village = {s["id"]: s["village"] for s in record["sites"]}
    barrels = pd.DataFrame(
        [
            (s["id"], w, n)
            for s in record["sites"]
            for w, n in zip(record["weeks"], s["barrels_by_week"], strict=True)
            if n
        ],
        columns=["site", "week", "barrels"],
    )  # fmt: skip
    carried = pd.DataFrame(
        [(c["site"], c["week"], c["mass_kg"]) for c in record["carries"]], columns=["site", "week", "residue_kg"]
    )
    carried = carried.groupby(["site", "week"], as_index=False)["residue_kg"].sum()
    both = barrels.merge(carried, on=["site", "week"], how="outer").fillna({"barrels": 0, "residue_kg": 0.0})
    return both.assign(village=both["site"].map(village), barrels=both["barrels"].astype(int))


def _village_weeks(a: dict[str, Any], b: dict[str, Any]) -> pd.DataFrame:
    sums = [
        _by_week(r).groupby(["village", "week"])[["barrels", "residue_kg"]].sum() for r in (a, b)
    ]  # fmt: skip
    one, other = (
        s.rename(columns={"barrels": f"barrels_{end}", "residue_kg": f"residue_{end}_kg"})
        for s, end in zip(sums, ("a", "b"), strict=True)
    )
    both = one.join(other, how="outer").fillna(0)
    both = both.astype({"barrels_a": int, "barrels_b": int}).sort_index().reset_index()
    return both[["village", "week", "barrels_a", "barrels_b", "residue_a_kg", "residue_b_kg"]]


def _weeks(a: dict[str, Any], b: dict[str, Any], sites: pd.DataFrame) -> pd.DataFrame:
    labels = sorted({*a["weeks"], *b["weeks"]})
    wide, mass = [], []
    for record, column in ((a, "site_a"), (b, "site_b")):
        place = {s: i for i, s in enumerate(sites[column]) if s}
        table = np.zeros((len(sites), len(labels)), dtype=np.int64)
        for site in record["sites"]:
            table[place[site["id"]], [labels.index(w) for w in record["weeks"]]] = site["barrels_by_week"]
        wide.append(table)
        carried = _by_week(record).groupby("week")["residue_kg"].sum()
        mass.append(carried.reindex(labels, fill_value=0.0).to_numpy(dtype=float))
    off = wide[1] - wide[0]
    return pd.DataFrame(
        {
            "barrels_a": wide[0].sum(axis=0), "barrels_b": wide[1].sum(axis=0),
            "barrels_come": np.maximum(off, 0).sum(axis=0), "barrels_go": np.maximum(-off, 0).sum(axis=0),
            "residue_a_kg": mass[0], "residue_b_kg": mass[1],
        },
        index=pd.Index(labels, name="week"),
    )  # fmt: skip


def _villages(a: Side, b: Side, sites: pd.DataFrame, lineage: pd.DataFrame) -> pd.DataFrame:
    parts = []
    for side, end in ((a, "a"), (b, "b")):
        weeks = _by_week(side.record)
        table = pd.DataFrame(
            {"name": [v["name"] for v in side.record["villages"]]}, index=[v["id"] for v in side.record["villages"]]
        )
        standing = weeks[weeks["barrels"] > 0]
        by_week = standing.groupby(["village", "week"])["barrels"].sum()
        spans = standing.groupby("village")["week"].agg(["min", "max"])
        village = side.fields["village"]
        fetched = {c["field"] for c in side.record["carries"]}
        known = village[village.index.isin(fetched)]
        table[f"barrel_weeks_{end}"] = standing.groupby("village")["barrels"].sum()
        table[f"most_barrels_{end}"] = by_week.groupby("village").max()
        table[f"residue_{end}_kg"] = weeks.groupby("village")["residue_kg"].sum()
        table[f"fields_fetched_{end}"] = known.value_counts()
        table[f"sites_{end}"] = standing.groupby("village")["site"].nunique()
        table[f"first_week_{end}"], table[f"last_week_{end}"] = spans["min"], spans["max"]
        parts.append(table)
    names = parts[1].pop("name").combine_first(parts[0].pop("name"))
    both = parts[0].join(parts[1], how="outer")
    both.insert(0, "name", names.reindex(both.index))
    for column in both.columns:
        if column.startswith(("first_week", "last_week")):
            both[column] = both[column].astype(object).where(both[column].notna(), "")
        elif column.endswith("_kg"):
            both[column] = both[column].astype(float).fillna(0.0)
        elif column != "name":
            both[column] = both[column].fillna(0).astype(int)
    both["fields_come"], both["fields_go"] = (
        counts.reindex(both.index, fill_value=0).astype(int) for counts in _fetched_otherwise(a, b, lineage)
    )
    changed = _changed_villages(a.record, b.record) | set(
        sites.loc[sites["relation"].isin(("moves", "comes", "goes")), "village"]
    )
    both["relation"] = [
        _relation(row.barrel_weeks_a, row.barrel_weeks_b, str(v) in changed, bool(row.fields_come or row.fields_go))
        for v, row in zip(both.index, both.itertuples(), strict=True)
    ]
    return both.rename_axis("village")


def _relation(before: int, after: int, changed: bool, gives: bool) -> str:
    if before and after and changed:
        return "changes"
    if bool(before) == bool(after):
        return "gives" if gives else "same" if after else "none"
    return "comes" if after else "goes"


def _fetched_otherwise(a: Side, b: Side, lineage: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Fields by village whose residue is fetched in the second plan but was not in the first, and the other way."""
    fetched_a, fetched_b = _fetched(a.record), _fetched(b.record)
    pairs = lineage[(lineage["old"] != "") & (lineage["new"] != "")]
    kin_b = set(pairs.loc[pairs["old"].isin(fetched_a), "new"])
    kin_a = set(pairs.loc[pairs["new"].isin(fetched_b), "old"])
    come = b.fields.loc[b.fields.index.isin(set(fetched_b) - kin_b), "village"].value_counts()
    go = a.fields.loc[a.fields.index.isin(set(fetched_a) - kin_a), "village"].value_counts()
    return come, go


def _changed_villages(a: dict[str, Any], b: dict[str, Any]) -> set[str]:
    """Villages whose number of barrels differs in some week."""
    weeks = _village_weeks(a, b)
    return set(weeks.loc[weeks["barrels_a"] != weeks["barrels_b"], "village"])


def _counts(lineage: pd.DataFrame) -> dict[str, int]:
    """Fields by what became of them; split counts old fields, all else new ones (gone: old ones)."""
    found = {}
    for relation, rows in lineage.groupby("relation"):
        side = "old" if relation in ("gone", "split") else "new"
        found[str(relation)] = int(rows[side].nunique())
    return found


def _fields(a: Side, b: Side, lineage: pd.DataFrame) -> pd.DataFrame:
    table = lineage[["old", "new", "relation", "changes"]].rename(columns={"old": "field_a", "new": "field_b"})
    for side, end in ((a, "a"), (b, "b")):
        rows = side.fields.drop(columns="geometry").reindex(table[f"field_{end}"])
        for column in FIELD_COLUMNS:
            if column in rows:
                table[f"{column}_{end}"] = rows[column].to_numpy()
        table[f"fetched_{end}_kg"] = table[f"field_{end}"].map(_fetched(side.record)).fillna(0.0).to_numpy(dtype=float)
    drawn = np.abs(table["area_ha_b"] - table["area_ha_a"]) > AREA_DIFFERS * table["area_ha_a"]
    one = table["relation"].isin(("same", "changed", "redrawn"))
    table["changes"] = np.where(drawn & one, ("area_ha " + table["changes"]).str.strip(), table["changes"])
    differs = (table["relation"] != "same") | (table["changes"] != "")
    pairs = [(f"{c}_a", f"{c}_b") for c in FIELD_COLUMNS if f"{c}_a" in table and f"{c}_b" in table]
    order = [
        "field_a",
        "field_b",
        "relation",
        "changes",
        *(c for p in pairs for c in p),
        "fetched_a_kg",
        "fetched_b_kg",
    ]
    return table.loc[differs, order].reset_index(drop=True)


def _fetched(record: dict[str, Any]) -> dict[str, float]:
    frame = pd.DataFrame([(c["field"], c["mass_kg"]) for c in record["carries"]], columns=["field", "kg"])
    return {str(k): float(v) for k, v in frame.groupby("field")["kg"].sum().items()}


def _rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """A table as plain rows: days as text, blanks as None."""
    shown = frame.copy()
    for column in shown.columns:
        if pd.api.types.is_datetime64_any_dtype(shown[column].dtype):
            shown[column] = shown[column].dt.strftime("%Y-%m-%d")
    plain = shown.astype(object)
    return [{str(k): v for k, v in row.items()} for row in plain.where(shown.notna(), None).to_dict("records")]
