"""A small season on invented land, planned once: for tests of what is printed and handed to other tools."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
from shapely.geometry import LineString, Point, box

from sourcing.plan import Plan, plan_season

WHEN = datetime(2027, 4, 1, 9, 30, tzinfo=UTC)
CRS = "EPSG:32735"
X, Y = 600_000, 8_300_000
SEASON = """
[season]
name = "Trial $x_1$ & <season>"
region = "southern_africa"
currency = "crowns"
[layers.fields]
file = "fields.gpkg"
[fleet]
barrels = 8
[placement]
gap = 0.05
seconds = 30
"""
PATHS = """
[layers.paths]
file = "paths.gpkg"
"""


WORKSHOP = """
[layers.workshop]
file = "workshop.gpkg"
[works]
presses = { large_electric = 1 }
"""


@cache
def planned(villages: int = 2, fields: int = 12, paths: bool = True, workshop: bool = False) -> Plan:
    """A plan for `fields` square fields in each of `villages` villages, maize and cotton in turn."""
    rows, shapes = [], []
    for v in range(villages):
        for i in range(fields):
            west, south = X + 1500 * v + 130 * (i % 4), Y + 130 * (i // 4)
            rows.append({
                "field_id": f"F{v}-{i:02d}", "village": ["Amberel", "Bysdale"][v], "crop": ["maize", "cotton"][i % 2],
                "farmer": "Somebody Known", "yield_t_ha": 3.0, "harvest_start": "2027-05-03",
                "harvest_end": "2027-06-10",
            })  # fmt: skip
            shapes.append(box(west, south, west + 110, south + 110))
    with TemporaryDirectory() as folder:
        gpd.GeoDataFrame(rows, geometry=shapes, crs=CRS).to_file(Path(folder) / "fields.gpkg")
        if paths:
            lines = [
                LineString([(X - 50, Y + 255), (X + 2200, Y + 255)]),
                LineString([(X + 255, Y), (X + 255, Y + 500)]),
            ]
            gpd.GeoDataFrame(geometry=lines, crs=CRS).to_file(Path(folder) / "paths.gpkg")
        if workshop:
            spot = gpd.GeoDataFrame(geometry=[Point(X + 900, Y + 255)], crs=CRS)
            spot.to_file(Path(folder) / "workshop.gpkg")
        text = SEASON + (PATHS if paths else "") + (WORKSHOP if workshop else "")
        (Path(folder) / "season.toml").write_text(text, encoding="utf-8")
        return plan_season(Path(folder), WHEN)


def spoken(plan: Plan, language: str) -> Plan:
    """The same plan in another language."""
    season = plan.settings.season.model_copy(update={"language": language})
    return replace(plan, settings=plan.settings.model_copy(update={"season": season}))


def renamed(plan: Plan, *names: str) -> Plan:
    """The same plan with other names for its villages."""
    table = plan.village_table.assign(name=list(names)[: len(plan.village_table)])
    return replace(plan, village_table=table)


def without_barrels(plan: Plan) -> Plan:
    """The same season with no barrel anywhere."""
    works = replace(
        plan.works, batches=plan.works.batches.iloc[:0], site_weeks=plan.works.site_weeks.iloc[:0],
        order=plan.works.order.iloc[:0], moves=plan.works.moves.iloc[:0],
    )  # fmt: skip
    table = plan.village_table.assign(deploy=False, several_weeks=0, barrel_weeks=0, reason="too_little")
    return replace(
        plan, works=works, site_weeks=plan.site_weeks.iloc[:0], site_table=plan.site_table.iloc[:0],
        carries=plan.carries.iloc[:0], routes=plan.routes.iloc[:0], village_table=table,
    )  # fmt: skip
