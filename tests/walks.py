"""Small made-up surveys for the tests of paths, places and carrying."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from sourcing.intake.fields import Fields
from sourcing.intake.survey import RawLayer, Survey
from sourcing.residue.supply import Supply
from sourcing.settings import settings_from
from sourcing.values import Values
from sourcing.weeks import Calendar, date

CENTRE = (30.0, -15.0)
METRES = CRS.from_proj4(
    f"+proj=tmerc +lat_0={CENTRE[1]} +lon_0={CENTRE[0]} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +no_defs"
)
VALUES = Values.load()


def layer(geometries, kind="paths", crs=METRES, **columns):
    frame = gpd.GeoDataFrame(
        {**columns, "row": np.arange(1, len(geometries) + 1)}, geometry=np.array(geometries, dtype=object), crs=crs
    )
    return RawLayer(kind, f"{kind}.gpkg", "", len(frame), frame)


def lines(*texts):
    return [shapely.from_wkt(f"LINESTRING ({t})") for t in texts]


def square(x, y, side=20.0):
    """A square field whose middle is at x, y [m]."""
    return shapely.box(x - side / 2, y - side / 2, x + side / 2, y + side / 2)


def mean_way_m(shape, x, y):
    """Mean straight distance from all over a field of four corners to x, y [m]: Gauss's rule on the corners' blend."""
    node, weight = np.polynomial.legendre.leggauss(60)
    u, v = np.meshgrid((node + 1) / 2, (node + 1) / 2)
    a, b, c, d = shapely.get_coordinates(shape)[:4]
    at = [(1 - u) * (1 - v) * a[k] + u * (1 - v) * b[k] + u * v * c[k] + (1 - u) * v * d[k] for k in (0, 1)]
    return float((np.outer(weight, weight) / 4 * np.hypot(at[0] - x, at[1] - y)).sum())


MIDDLE_OF_SIDE = mean_way_m(square(0, 0, 1), 0, 0.5)
"""Mean way out of a square field by the middle of a side, as a share of the side."""


def fields(shapes, villages=None, ids=None):
    """Fields in metres around CENTRE; all of one village unless said."""
    ids = ids or [f"f{k:03d}" for k in range(len(shapes))]
    where = gpd.GeoSeries(np.array(shapes, dtype=object), crs=METRES).to_crs(4326)
    names = villages or ["v1"] * len(shapes)
    frame = gpd.GeoDataFrame(
        {"row": np.arange(1, len(shapes) + 1), "village": names, "crop": "maize", "area_ha": 1.0},
        geometry=where.to_numpy(), index=pd.Index(ids, name="field_id", dtype="str"), crs=4326,
    )  # fmt: skip
    distinct = sorted(set(names))
    points = [where[[n == v for n in names]].union_all().centroid for v in distinct]
    places = gpd.GeoDataFrame(
        {"name": [v.upper() for v in distinct]}, geometry=points, crs=4326,
        index=pd.Index(distinct, name="village_id", dtype="str"),
    )  # fmt: skip
    return Fields(frame, places, (), pd.DataFrame(columns=["file", "row", "field_id", "what", "reason"]))


def supply(of, mass=1000.0, bulk=60.0, moisture=0.15, ready=0, clear=9, calendar=None):
    """One lot a field."""
    n = len(of.frame)
    lots = pd.DataFrame(
        {
            "field_id": of.frame.index.to_numpy(), "village": of.frame["village"].to_numpy(), "crop": "maize",
            "residue": "stalk", "ready_week": ready, "clear_week": clear, "mass_kg": np.broadcast_to(mass, n),
            "low_kg": 1.0, "high_kg": 1.0, "loss_week": 0.0, "moisture_ready": moisture,
            "bulk_wet_kg_m3": np.broadcast_to(bulk, n), "estimated": False,
        }
    )  # fmt: skip
    lots.index.name = "lot"
    return Supply(calendar or Calendar.spanning(date(2027, 5, 3), date(2027, 7, 11)), lots, pd.DataFrame(), (), ())


def season(**sections):
    return settings_from({"layers": {"fields": {"file": "f.gpkg"}}, **sections})


def survey(of, **layers):
    return Survey(fields=RawLayer("fields", "fields.gpkg", "", len(of.frame), of.frame), **layers)
