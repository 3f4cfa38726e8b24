"""Small made-up surveys for tests: fields as squares on a grid, written to a folder, read and cleaned."""

from pathlib import Path

import geopandas as gpd
import shapely

from sourcing.intake.fields import Fields, clean_fields
from sourcing.intake.survey import read_survey
from sourcing.settings import Settings, settings_from
from sourcing.values import Values

LON, LAT, STEP = 30.0, -15.0, 0.001
DATA = Path(__file__).resolve().parent.parent.parent / "shared" / "data"
"""Real data, beside the project; tests that need it skip where it is absent."""
HARVEST = {"harvest_start": "2027-04-20", "harvest_end": "2027-05-10"}


def square(column=0, line=0, size=0.0008, lon=LON, lat=LAT):
    """A square of about 85 m on a grid of about 107 m."""
    x, y = lon + column * STEP, lat + line * STEP
    return shapely.box(x, y, x + size, y + size)


def table(rows, crs="EPSG:4326"):
    """A table of fields; each row a dict of columns, with 'geometry' or the next square of the grid."""
    rows = [{"crop": "maize", **HARVEST, "geometry": square(i), **row} for i, row in enumerate(rows)]
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=crs)


def season(**sections) -> Settings:
    """Settings of a season whose fields are in fields.gpkg unless said otherwise."""
    layers = {"fields": {"file": "fields.gpkg"}, **sections.pop("layers", {})}
    return settings_from({"layers": layers, **sections})


def clean(folder: Path, frame=None, settings: Settings | None = None) -> Fields:
    """Writes the frame as fields.gpkg, reads the season and cleans it."""
    if frame is not None:
        frame.to_file(folder / "fields.gpkg")
    settings = settings or season()
    return clean_fields(read_survey(folder, settings), settings, Values.load())


def kinds(fields: Fields, grade: str = "") -> set[str]:
    """The kinds of finding there are, of one grade or of all."""
    return {f.what for f in fields.findings if not grade or f.grade == grade}
