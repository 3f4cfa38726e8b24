"""An invented piece of land and a made-up plan on it, seeded: for tests of what is drawn and written.

Nothing here is optimised; barrels, loads and weeks are thrown by a seeded generator, but hang together: what a site
chars in a week was carried there, from fields that were ready.
"""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
import shapely.affinity
from scipy.spatial import KDTree
from shapely.geometry import LineString, MultiPolygon, Point, Polygon

from sourcing.settings import settings_from
from sourcing.weeks import Calendar
from sourcing.words import Said

CRS = "EPSG:32630"
LOCAL = (600_000.0, 1_230_000.0)
NAMES = ["Tielba", "Korogho", "Sanwé", "Dafina Nord", "Ourbono", "Bètiga", "Mankoro", "Yelsé", "Fankani", "Loubré"]
CROPS = ["maize", "cotton", "sorghum", "pigeon_pea", "groundnut"]
CAUTIONS = (
    "Open fire: keep 15 m from houses, thatch, standing crop and trees; never in strong wind; water and sand at hand.",
    "Carbon monoxide cannot be smelt: never char indoors or in a hollow; stand upwind.",
    "Smoke: mask over nose and mouth; children and the sick stay away.",
    "Burns: thick gloves, closed shoes, cotton clothes; the barrel stays hot for hours.",
    "Char lights again: quench it fully, spread it, and leave it a day before bagging.",
    "Heavy loads: 20 kg a trip at most; two lift a barrel.",
)


def landscape(
    n_fields: int = 420, n_villages: int = 8, weeks: int = 22, seed: int = 3, names: list[str] | None = None,
    language: str = "en", odd: bool = True, fast: bool = False,
) -> Any:  # fmt: skip
    """A made-up plan with the attributes that maps and sheets read. `odd` adds a hole, a second part and a speck."""
    rng = np.random.default_rng(seed)
    side = max(1500.0, (n_fields * 6500.0 * 2.1) ** 0.5)
    calendar = Calendar(date(2027, 10, 4), weeks)
    names = (names or NAMES)[:n_villages]
    names = names + [f"Hamlet {i}" for i in range(len(names), n_villages)]
    village_ids = [f"v{i:02d}" for i in range(n_villages)]
    homes = _spread(rng, n_villages, side)
    river = _river(rng, side)
    fields = _fields(rng, n_fields, side, homes, river, odd, fast)
    n_fields = len(fields)
    centre = shapely.get_coordinates(shapely.centroid(fields))
    nearest = KDTree(homes).query(centre)[1]
    crop = np.array(CROPS)[(rng.integers(0, 3, n_fields) + nearest) % len(CROPS)]
    ready = np.clip(rng.normal(3 + 2.2 * (nearest % 5), 1.2, n_fields).round(), 0, weeks - 4).astype(int)
    clear = np.clip(ready + rng.integers(3, 8, n_fields), 0, weeks - 1)
    area = shapely.area(fields) / 10_000
    free = area * rng.uniform(700, 1900, n_fields)

    sites_xy, site_village = _sites(rng, homes, side)
    site_ids = [f"s{i:03d}" for i in range(len(sites_xy))]
    straight, near = KDTree(sites_xy).query(centre)
    reach = straight * 1.25
    goes = (reach < 900) & (rng.random(n_fields) < 0.85)
    week = np.minimum(ready + rng.integers(0, 4, n_fields), clear)
    carried = np.where(goes, free * rng.choice([1.0, 1.0, 0.9, 0.4], n_fields), 0.0)
    field_ids = [f"F{i:05d}" for i in range(n_fields)]

    carries = pd.DataFrame({
        "lot": np.flatnonzero(goes), "field_id": np.array(field_ids)[goes], "site_id": np.array(site_ids)[near[goes]],
        "village": np.array(village_ids)[nearest[goes]], "crop": crop[goes], "residue": "stalk", "week": week[goes],
        "mass_kg": carried[goes], "taken_kg": carried[goes], "distance_m": reach[goes], "mode": "head_load",
        "loads": np.ceil(carried[goes] / 15), "carry_h": carried[goes] / 15 * reach[goes] * 2 / 3600,
        "cost": carried[goes] * 0.4,
    })  # fmt: skip
    by = carries.groupby(["site_id", "week"], as_index=False)["mass_kg"].sum()
    barrels = np.clip(np.ceil(by["mass_kg"] / 1400), 1, 6).astype(int)
    site_weeks = pd.DataFrame({
        "site_id": by["site_id"], "week": by["week"], "barrels": barrels,
        "busy": np.clip(by["mass_kg"] / 1400 / barrels, 0.15, 1.0), "residue_kg": by["mass_kg"],
        "char_kg": by["mass_kg"] * 0.22,
    })  # fmt: skip

    to_wgs = _to_wgs()
    site_points = to_wgs(shapely.points(sites_xy))
    village_points = to_wgs(shapely.points(homes))
    opened = sorted(set(site_weeks["site_id"]))
    several = site_weeks[(site_weeks["barrels"] >= 3) & (site_weeks["busy"] >= 0.5)].groupby("site_id").size()
    mean_carry = (
        carries.assign(part=carries["mass_kg"] * carries["distance_m"]).groupby("site_id")["part"].sum()
        / carries.groupby("site_id")["mass_kg"].sum()
    )  # fmt: skip
    site_table = pd.DataFrame({
        "village": [village_ids[site_village[site_ids.index(s)]] for s in opened],
        "name": [f"Threshing floor {site_ids.index(s) + 1}" for s in opened],
        "lon": [site_points[site_ids.index(s)].x for s in opened],
        "lat": [site_points[site_ids.index(s)].y for s in opened],
        "residue_kg": site_weeks.groupby("site_id")["residue_kg"].sum().reindex(opened).to_numpy(),
        "char_kg": site_weeks.groupby("site_id")["char_kg"].sum().reindex(opened).to_numpy(),
        "mean_carry_m": mean_carry.reindex(opened).to_numpy(),
        "first_week": site_weeks.groupby("site_id")["week"].min().reindex(opened).to_numpy(),
        "several_weeks": several.reindex(opened, fill_value=0).to_numpy(),
        "barrel_weeks": site_weeks.groupby("site_id")["barrels"].sum().reindex(opened).to_numpy(),
    }, index=pd.Index(opened, name="site_id"))  # fmt: skip
    per_village = site_table.groupby("village")[["residue_kg", "char_kg", "several_weeks", "barrel_weeks"]].sum()
    village_table = pd.DataFrame({
        "name": names, "lon": shapely.get_x(village_points), "lat": shapely.get_y(village_points),
        "deploy": [v in per_village.index for v in village_ids],
        "fields": np.bincount(nearest, minlength=n_villages),
        "residue_free_kg": np.bincount(nearest, weights=free, minlength=n_villages),
        **{c: per_village[c].reindex(village_ids, fill_value=0).to_numpy() for c in per_village},
        "mean_carry_m": site_table.groupby("village")["mean_carry_m"].mean().reindex(village_ids).to_numpy(),
    }, index=pd.Index(village_ids, name="village_id"))  # fmt: skip
    village_table["residue_given_kg"] = carries.groupby("village")["mass_kg"].sum().reindex(village_ids, fill_value=0)
    village_table["most_barrels"] = 6
    village_table["reason"] = [
        "several" if r.several_weeks else "some" if r.deploy else "too_little" for r in village_table.itertuples()
    ]
    ranked = ["several_weeks", "barrel_weeks", "residue_free_kg"]
    village_table = village_table.sort_values(ranked, ascending=False, kind="stable")
    field_frame = gpd.GeoDataFrame(
        {
            "row": range(1, n_fields + 1), "village": np.array(village_ids)[nearest], "crop": crop, "area_ha": area,
            "estimated": (nearest == n_villages - 1) & (n_villages > 1),
        },
        geometry=to_wgs(fields), crs="EPSG:4326", index=pd.Index(field_ids, name="field_id"),
    )  # fmt: skip
    field_table = pd.DataFrame({
        "village": field_frame["village"], "crop": crop, "area_ha": area, "free_kg": free, "carried_kg": carried,
        "lost_kg": free - carried, "ready_week": ready, "clear_week": clear,
        "first_carried_week": np.where(goes, week, -1), "last_carried_week": np.where(goes, week, -1),
        "estimated": field_frame["estimated"],
    }, index=field_frame.index)  # fmt: skip
    routes = gpd.GeoDataFrame(
        {
            "field_id": carries["field_id"], "site_id": carries["site_id"], "mass_kg": carries["mass_kg"],
            "distance_m": carries["distance_m"], "minutes": carries["distance_m"] / 60,
        },
        geometry=to_wgs(np.array(
            [_bend(centre[i], sites_xy[near[i]]) for i in np.flatnonzero(goes)] or [], dtype=object
        )), crs="EPSG:4326",
    )  # fmt: skip
    survey = SimpleNamespace(
        fields=_layer("fields", [river]), paths=_layer("paths", _tracks(rng, homes, sites_xy)),
        barriers=_layer("barriers", [river]),
        no_go=(
            _layer("water", [river.buffer(28)]), _layer("houses", _houses(rng, homes)),
            _layer("forest", [_blob(rng, side * 0.82, side * 0.2, side * 0.11)]),
        ),
        background=(), places=None, workshop=_layer("workshop", [Point(homes[0] + [90, -60])]), waste_points=None,
        inputs=({"path": "fields.gpkg", "sha256": "0" * 64, "rows": n_fields + 6},), elevation=None,
    )  # fmt: skip
    settings = settings_from({
        "season": {"name": "Dry season 2027, made-up land", "language": language, "currency": "francs"},
        "layers": {"fields": {"file": "fields.gpkg"}, "no_go": [
            {"file": "water.gpkg", "kind": "water"}, {"file": "houses.gpkg", "kind": "house"},
            {"file": "forest.gpkg", "kind": "forest"}]},
    })  # fmt: skip
    total = float(site_weeks["residue_kg"].sum())
    record = {
        "made_at": "2027-09-20T10:00:00+00:00",
        "findings": {"kept": n_fields, "mended": 3, "set_aside": 6},
        "totals": {"residue_kg": total, "char_kg": total * 0.22},
    }
    return SimpleNamespace(
        settings=settings, calendar=calendar,
        fields=SimpleNamespace(
            frame=field_frame, findings=(), set_aside=pd.DataFrame({"row": range(6)}),
            villages=gpd.GeoDataFrame({"name": names}, geometry=village_points, crs="EPSG:4326", index=village_ids),
        ),
        arcs=SimpleNamespace(straight_line=False), network=None, survey=survey, site_weeks=site_weeks,
        site_table=site_table, village_table=village_table, carries=carries, field_table=field_table, routes=routes,
        cautions=tuple(Said("caution.other", {"text": text}) for text in CAUTIONS), record=record,
    )  # fmt: skip


def _layer(name: str, shapes: list[Any]) -> Any:
    moved = shapely.transform(np.asarray(shapes, dtype=object), lambda xy: xy + LOCAL)
    frame = gpd.GeoDataFrame({"row": range(1, len(shapes) + 1)}, geometry=moved, crs=CRS)
    return SimpleNamespace(name=name, file=f"{name}.gpkg", sha256="0" * 64, rows=len(shapes), frame=frame)


def _to_wgs() -> Any:
    def change(shapes: Any) -> Any:
        moved = shapely.transform(np.asarray(shapes, dtype=object), lambda xy: xy + LOCAL)
        return gpd.GeoSeries(moved, crs=CRS).to_crs("EPSG:4326").to_numpy()

    return change


def _spread(rng: np.random.Generator, n: int, side: float) -> Any:
    if n > 60:
        across = int(np.ceil(n**0.5))
        grid = np.stack(np.divmod(np.arange(n), across), axis=1) + 0.5
        return (grid + rng.uniform(-0.25, 0.25, grid.shape)) * side / across
    points: list[Any] = [np.array([side / 2, side / 2])] if n == 1 else []
    gap = side / (n**0.5 + 0.6)
    while len(points) < n:
        p = rng.uniform(0.1 * side, 0.9 * side, 2)
        if all(np.hypot(*(p - q)) > gap for q in points):
            points.append(p)
        gap *= 0.995
    return np.array(points)


def _river(rng: np.random.Generator, side: float) -> LineString:
    t = np.linspace(-0.05, 1.05, 60)
    return LineString(np.stack([t * side, side * (0.46 + 0.1 * np.sin(4.1 * t) + 0.035 * np.sin(13 * t + 1))], axis=1))


def _fields(
    rng: np.random.Generator, n: int, side: float, homes: Any, river: LineString, odd: bool, fast: bool
) -> Any:  # fmt: skip
    if fast:
        return _round_fields(rng, n, side)
    seeds = rng.uniform(0, side, (int(n * 2.1) + 30, 2))
    pull = rng.random(len(seeds)) < 0.75
    at = homes[rng.integers(0, len(homes), len(seeds))]
    seeds[pull] = at[pull] + rng.normal(0, side * 0.1, (int(pull.sum()), 2))
    seeds = np.array([s for s in seeds if 0 < s[0] < side and 0 < s[1] < side])
    cells = shapely.get_parts(shapely.voronoi_polygons(shapely.multipoints(seeds)))
    size = shapely.area(cells)
    cells = cells[(size > 900) & (size < 26_000)]
    village_ground = shapely.union_all(shapely.buffer(shapely.points(homes), 70))
    cells = shapely.difference(shapely.buffer(cells, -2.5, join_style="mitre"), river.buffer(36))
    cells = shapely.difference(cells, village_ground)
    cells = cells[(shapely.get_type_id(cells) == 3) & (shapely.area(cells) > 600)]
    cells = cells[rng.permutation(len(cells))[:n]]
    if odd and len(cells) > 4:
        big = int(np.argmax(shapely.area(cells)))
        cells[big] = cells[big].difference(cells[big].centroid.buffer(12))
        cells[(big + 1) % len(cells)] = MultiPolygon(
            [cells[(big + 1) % len(cells)], Polygon([(5, 5), (45, 5), (45, 40), (5, 40)])]
        )
        tiny = (big + 2) % len(cells)
        cells[tiny] = cells[tiny].centroid.buffer(0.2)
    return cells


def _round_fields(rng: np.random.Generator, n: int, side: float) -> Any:
    across = int(np.ceil(n**0.5))
    at = np.stack(np.divmod(np.arange(n), across), axis=1) * (side / across) + side / across / 2
    angle = np.sort(rng.uniform(0, 2 * np.pi, (n, 8)), axis=1)
    reach = rng.uniform(0.28, 0.46, (n, 8)) * side / across
    ring = at[:, None, :] + np.stack([np.cos(angle), np.sin(angle)], axis=2) * reach[:, :, None]
    return shapely.polygons(ring)


def _sites(rng: np.random.Generator, homes: Any, side: float) -> Any:
    xy, village = [], []
    for v, home in enumerate(homes):
        for k in range(1 + (v * 7 + 2) % 3):
            angle = 2.1 * k + v
            xy.append(home + np.array([np.cos(angle), np.sin(angle)]) * (180 + 160 * k))
            village.append(v)
    return np.array(xy), village


def _bend(a: Any, b: Any) -> LineString:
    half = (a + b) / 2 + np.array([-(b - a)[1], (b - a)[0]]) * 0.12
    return LineString([a, (a * 0.4 + half * 0.6), half, b * 0.75 + half * 0.25, b])


def _tracks(rng: np.random.Generator, homes: Any, sites: Any) -> list[Any]:
    out = []
    for i, a in enumerate(homes):
        order = np.argsort(((homes - a) ** 2).sum(axis=1))[1:4]
        out += [_wander(rng, a, homes[j]) for j in order if j > i or rng.random() < 0.2]
    out += [_wander(rng, homes[np.argmin(((homes - s) ** 2).sum(axis=1))], s) for s in sites]
    return out


def _wander(rng: np.random.Generator, a: Any, b: Any) -> LineString:
    t = np.linspace(0, 1, max(4, int(np.hypot(*(b - a)) / 90)))
    across = np.array([-(b - a)[1], (b - a)[0]])
    sway = (np.sin(t * np.pi) * rng.normal(0, 0.09) + np.sin(t * np.pi * 3) * rng.normal(0, 0.03))[:, None]
    return LineString(a + t[:, None] * (b - a) + sway * across)


def _houses(rng: np.random.Generator, homes: Any) -> list[Any]:
    out = []
    for home in homes:
        for dx, dy in rng.normal(0, 38, (int(rng.integers(8, 26)), 2)):
            out.append(
                shapely.affinity.rotate(
                    shapely.box(home[0] + dx, home[1] + dy, home[0] + dx + 9, home[1] + dy + 7), rng.uniform(0, 90)
                )
            )
    return out


def _blob(rng: np.random.Generator, x: float, y: float, r: float) -> Polygon:
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    reach = r * (1 + 0.25 * np.sin(3 * t + 1) + 0.12 * np.sin(7 * t))
    return Polygon(np.stack([x + reach * np.cos(t), y + reach * np.sin(t)], axis=1))
