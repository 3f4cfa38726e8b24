"""Real files that the libraries' packages carry, taken in as if they were surveys: read or refused, every row told.

Shapes of all kinds in systems of all kinds: census tracts, lattices, counties in feet, curves, layers without a system.
"""

import importlib.util
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from sourcing.errors import InputError
from sourcing.intake.fields import clean_fields
from sourcing.intake.survey import read_survey
from sourcing.values import Values
from tests.surveys import HARVEST, clean, season

VALUES = Values.load()
ENDINGS = (".shp", ".gpkg", ".geojson", ".fgb", ".parquet")
MOST_BYTES = 3_000_000


def carried():
    """The files of places in the packages that are installed, smaller than MOST_BYTES."""
    found = []
    for package, inside in (("pyogrio", "tests/fixtures"), ("libpysal", "examples"), ("libpysal", "cg/tests/data"),
                            ("geopandas", "tests/data"), ("spopt", "tests")):  # fmt: skip
        spec = importlib.util.find_spec(package)
        if spec is None or spec.origin is None:
            continue
        folder = Path(spec.origin).parent / inside
        found += [
            (f"{package}/{p.relative_to(folder)}", p)
            for p in sorted(folder.rglob("*"))
            if p.suffix in ENDINGS and p.stat().st_size < MOST_BYTES
        ]
    return found


FILES = carried()


@pytest.mark.parametrize("path", [p for _, p in FILES], ids=[name for name, _ in FILES])
def test_a_real_file_is_refused_with_a_remedy_or_every_row_of_it_is_told(path):
    fixed = {"crop": "maize", "village": "A", **HARVEST}
    chosen = season(layers={"fields": {"file": path.name, "fixed": fixed}})
    refused = ()
    try:
        survey = read_survey(path.parent, chosen)
        fields = clean_fields(survey, chosen, VALUES)
    except InputError as exc:
        refused = exc.findings
    assert all(f.found and f.expected and f.remedy for f in refused)
    if refused:
        return
    counts = fields.counts
    assert counts["rows"] == counts["kept"] + counts["mended"] + counts["set_aside"] == survey.fields.rows
    assert sorted([*fields.frame.row, *fields.set_aside.row]) == sorted(survey.fields.frame.row)
    assert fields.frame.geometry.is_valid.all()


def test_there_are_such_files():
    if not FILES:
        pytest.skip("no installed package carries files of places")
    assert len(FILES) >= 10


@settings(deadline=None, max_examples=30)
@given(
    st.floats(-60, 60), st.floats(-170, 170), st.floats(30, 300), st.floats(30, 300), st.booleans(),
    st.integers(-50, 3000), st.floats(1, 30),
)  # fmt: skip
def test_a_geoshape_by_the_xforms_rules_is_the_field_it_was_walked_round(
    tmp_path_factory, lat, lon, width, height, blanks, altitude, accuracy
):
    """The rules: 'lat lon altitude accuracy' joined by ';', the last point is the first again; latitude first.

    The rectangle is made with a geodesic of its own, so that a swap of the two would show.
    """
    geod, corners = Geod(ellps="WGS84"), [(lon, lat)]
    for turn, far in ((90, width), (0, height), (270, width)):
        corners.append(geod.fwd(*corners[-1], turn, far)[:2])
    corners.append(corners[0])
    joined = ("; " if blanks else ";").join(f"{y:.8f} {x:.8f} {altitude} {accuracy:.1f}" for x, y in corners)
    folder = tmp_path_factory.mktemp("geoshape")
    text = f'crop,village,harvest_end,geoshape\nmaize,A,2027-05-10,"{joined}"\n'
    (folder / "f.csv").write_text(text, encoding="utf-8")
    fields = clean(folder, None, season(layers={"fields": {"file": "f.csv"}}))
    (shape,) = fields.frame.geometry
    assert shape.centroid.x == pytest.approx(sum(x for x, _ in corners[:-1]) / 4, abs=1e-5)
    assert shape.centroid.y == pytest.approx(sum(y for _, y in corners[:-1]) / 4, abs=1e-5)
    assert fields.frame.area_ha.iloc[0] == pytest.approx(width * height / 10_000, rel=2e-3)
