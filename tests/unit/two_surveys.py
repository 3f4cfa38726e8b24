"""A small season surveyed twice on invented land, each survey planned into its own folder."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
from click.testing import CliRunner
from shapely.geometry import LineString, box

from sourcing.cli import main
from sourcing.outputs.folder import latest_plan

CRS = "EPSG:32735"
X, Y = 600_000, 8_300_000
SEASON = """# a comment to be kept
[season]
name = "Trial"
region = "southern_africa"
currency = "crowns"
[layers.fields]
file = "fields.gpkg"
[layers.paths]
file = "paths.gpkg"
[fleet]
barrels = 8
[works]
crew_paid = "by_kilo"
[placement]
gap = 0.01
seconds = 30
"""


def square(column, row, village=0, width=110):
    """A field of 110 m by 110 m in a grid of 130 m."""
    west, south = X + 1500 * village + 130 * column, Y + 130 * row
    return box(west, south, west + width, south + 110)


def fields():
    """Twelve fields in each of two villages, maize and cotton in turn."""
    rows, shapes = [], []
    for village, name in enumerate(("Amberel", "Bysdale")):
        for i in range(12):
            rows.append({
                "field_id": f"{name[0]}{i:02d}", "village": name, "crop": ["maize", "cotton"][i % 2], "yield_t_ha": 3.0,
                "harvest_start": "2027-05-03", "harvest_end": "2027-06-10",
            })  # fmt: skip
            shapes.append(square(i % 4, i // 4, village))
    return gpd.GeoDataFrame(rows, geometry=shapes, crs=CRS)


def season(folder, frame, text=SEASON):
    """A season folder with these fields."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    frame.to_file(folder / "fields.gpkg")
    lines = [LineString([(X - 50, Y + 255), (X + 2200, Y + 255)]), LineString([(X + 255, Y), (X + 255, Y + 500)])]
    gpd.GeoDataFrame(geometry=lines, crs=CRS).to_file(folder / "paths.gpkg")
    (folder / "season.toml").write_text(text, encoding="utf-8")
    return folder


def planned(folder, *words):
    """Plans a season folder by the command; returns the plan folder."""
    done = CliRunner().invoke(main, ["plan", str(folder), "--json", *words])
    assert done.exit_code == 0, done.output
    return latest_plan(folder)
