"""A corpus of made faults: each of them, in each kind of file, gives the finding it must, and spoils no other row."""

import numpy as np
import pandas as pd
import pytest
import shapely

from sourcing.errors import InputError
from tests.surveys import HARVEST, clean, season, square, table

BOW = shapely.Polygon([(30.05, -15), (30.051, -14.999), (30.051, -15), (30.05, -14.999)])
TWICE = shapely.Polygon([*list(square(60).exterior.coords)[:-1], *list(square(60).exterior.coords)])
_TIP = (30.0505, -14.999)
SPIKE = shapely.Polygon(
    [(30.05, -15), (30.051, -15), (30.051, -14.999), _TIP, (30.0505, -14.9), _TIP, (30.05, -14.999)]
)
OUTER_HOLE = shapely.Polygon(square(70).exterior, [square(90).exterior])
SWAPPED = shapely.transform(square(45), lambda xy: xy[:, ::-1])
WALK = shapely.LineString([*list(square(80, size=0.001).exterior.coords)[:-1], (30.0809, -15.00001)])
OPEN = shapely.LineString(list(square(80).exterior.coords)[:3])
MIXED = shapely.GeometryCollection([square(85), shapely.Point(30.085, -15)])

ROW_FAULTS = [
    # what is wrong with the row, the finding it gives, its grade
    ({"geometry": None, "area_stated": ""}, "no_geometry", "set_aside"),
    ({"geometry": shapely.Point(30.05, -15), "area_stated": ""}, "not_an_area", "set_aside"),
    ({"geometry": shapely.LineString([(30.05, -15), (30.06, -15)])}, "not_an_area", "set_aside"),
    ({"geometry": OPEN}, "open_walk", "set_aside"),
    ({"geometry": WALK}, "walk_closed", "mended"),
    ({"geometry": BOW}, "invalid_ring", "mended"),
    ({"geometry": TWICE}, "invalid_ring", "mended"),
    ({"geometry": SPIKE}, "invalid_ring", "mended"),
    ({"geometry": OUTER_HOLE}, "invalid_ring", "mended"),
    ({"geometry": SWAPPED}, "swapped_coordinates", "mended"),
    ({"geometry": square(lat=15)}, "far_from_survey", "set_aside"),
    ({"geometry": square(lon=-30)}, "far_from_survey", "set_aside"),
    ({"geometry": square(lon=0, lat=0)}, "far_from_survey", "set_aside"),
    ({"geometry": shapely.box(275000, 1456000, 275100, 1456100)}, "outside_world", "set_aside"),
    ({"geometry": square(size=5e-6)}, "nothing_left", "set_aside"),
    ({"geometry": shapely.Polygon([(30.05, -15), (30.06, -15), (30.055, -15)])}, "nothing_left", "set_aside"),
    ({"geometry": square(size=0.9)}, "giant_field", "set_aside"),
    ({"geometry": square(50, size=0.02)}, "large_field", "look"),
    ({"geometry": shapely.box(30.05, -15, 30.06, -14.999995)}, "sliver", "look"),
    ({"geometry": square(1)}, "double", "set_aside"),
    ({"geometry": square(1), "crop": "cotton"}, "one_shape_two_crops", "look"),
    ({"geometry": shapely.box(30.0014, -15, 30.0018, -14.9992)}, "inside_another", "look"),
    ({"geometry": shapely.box(30.0014, -15.0004, 30.0022, -14.9996)}, "overlap", "look"),
    ({"crop": ""}, "no_crop", "set_aside"),
    ({"crop": "Old fallow"}, "not_a_crop", "set_aside"),
    ({"crop": "maizee"}, "unknown_crop", "set_aside"),
    ({"crop": "=1+1"}, "unknown_crop", "set_aside"),
    ({"harvest_start": "", "harvest_end": ""}, "no_season", "set_aside"),
    ({"harvest_end": "31/31/2027"}, "bad_date", "set_aside"),
    ({"harvest_end": "0207-05-10"}, "bad_date", "set_aside"),
    ({"harvest_start": "2027-06-20"}, "dates_backwards", "set_aside"),
    ({"harvest_end": "2028-04-20"}, "long_harvest", "look"),
    ({"clear_by": "2027-01-01"}, "clear_before_harvest", "mended"),
    ({"clear_by": "when it rains"}, "bad_date", "set_aside"),
    ({"yield_t_ha": "900"}, "impossible_yield", "mended"),
    ({"yield_t_ha": "-2"}, "bad_yield", "mended"),
    ({"yield_t_ha": "much"}, "bad_yield", "mended"),
    ({"yield_t_ha": "0"}, "nothing_grown", "set_aside"),
    ({"share_promised": "half"}, "bad_share", "mended"),
    ({"share_promised": "140 %"}, "bad_share", "mended"),
    ({"share_promised": "0"}, "nothing_promised", "set_aside"),
    ({"consent": "hapana"}, "no_consent", "set_aside"),
    ({"consent": "later"}, "unclear_consent", "set_aside"),
    ({"consent": ""}, "missing_consent", "look"),
    ({"area_stated": "1.88"}, "area_differs", "look"),
    ({"area_stated": "minus one"}, "bad_area", "mended"),
    ({"field_id": "f1"}, "double_id", "look"),
    ({"village": ""}, "village_by_nearness", "mended"),
    ({"geometry": None, "area_stated": "1"}, "placed", "mended"),
    ({"geometry": square(lon=30.4)}, "far_from_village", "look"),
]  # fmt: skip
MORE = [({"geometry": MIXED}, "invalid_ring", "mended")]
CARRIERS = ["f.gpkg", "f.geojson", "f.csv", "f.xlsx", "f.parquet", "f.fgb"]
CLEAN = {
    "village": "A",
    "consent": "yes",
    "share_promised": "1",
    "yield_t_ha": "1.5",
    "clear_by": "2027-09-30",
    "area_stated": "0.762",
}
BAD_ROW = 13


def corpus(fault):
    """Twelve clean rows, the faulty one, one clean row."""
    rows = [{**CLEAN, "field_id": f"f{i}", "geometry": square(i)} for i in range(12)]
    rows.append({**CLEAN, "field_id": "bad", "geometry": square(40), **fault})
    rows.append({**CLEAN, "field_id": "f13", "geometry": square(13)})
    return table(rows)


def write(frame, path):
    if path.suffix in (".csv", ".xlsx"):
        plain = pd.DataFrame(frame.drop(columns="geometry"))
        plain["wkt"] = np.where(frame.geometry.isna(), "", frame.geometry.to_wkt())
        if path.suffix == ".csv":
            plain.to_csv(path, index=False)
            return
        options = {"options": {"strings_to_formulas": False}}
        with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs=options) as book:
            plain.to_excel(book, index=False)
    elif path.suffix == ".parquet":
        frame.to_parquet(path)
    elif path.suffix == ".fgb":  # without its index, which would put the rows in another order
        frame.to_file(path, SPATIAL_INDEX="NO")
    else:
        frame.to_file(path)


def name_of(value):
    return value if isinstance(value, str) else "+".join(value) if isinstance(value, dict) else ""


@pytest.mark.parametrize("carrier", CARRIERS)
@pytest.mark.parametrize(("fault", "what", "grade"), ROW_FAULTS, ids=name_of)
def test_a_faulty_row(tmp_path, fault, what, grade, carrier):
    write(corpus(fault), tmp_path / carrier)
    fields = clean(tmp_path, None, season(layers={"fields": {"file": carrier}}))
    mine = [f for f in fields.findings if f.row == BAD_ROW]
    assert (what, grade) in {(f.what, f.grade) for f in mine}
    assert all(f.file == carrier and f.found and f.expected and f.remedy for f in mine)
    counts = fields.counts
    assert counts["rows"] == 14 == counts["kept"] + counts["mended"] + counts["set_aside"]
    assert counts["set_aside"] == (1 if grade == "set_aside" else 0)
    assert (BAD_ROW in set(fields.frame.row)) == (grade != "set_aside")
    others = {f.row for f in fields.findings if f.row not in (None, BAD_ROW)}
    assert others <= {2}  # row 2 is the partner of doubles and of the id that comes twice


@pytest.mark.parametrize(("fault", "what", "grade"), MORE)
@pytest.mark.parametrize("carrier", ["f.gpkg", "f.csv", "f.parquet"])
def test_a_faulty_row_that_only_some_files_can_hold(tmp_path, fault, what, grade, carrier):
    test_a_faulty_row(tmp_path, fault, what, grade, carrier)


def test_the_corpus_is_large_enough():
    assert len(ROW_FAULTS) * len(CARRIERS) + len(MORE) * 3 >= 200


FILE_FAULTS = [
    ("f.csv", b"", "empty_file"), ("f.csv", b"\n\n\n", "empty_file"), ("f.csv", b"wkt,crop\n", "empty_file"),
    ("f.csv", b"crop\nmaize\n", "no_shapes"), ("f.csv", b"wkt\nPOINT (1 1)\n", "missing_column"),
    ("f.csv", b"wkt,crop\n1,2,3,4\n", "unreadable"), ("f.csv", b"wkt,crop\n\x00,\n", "unreadable"),
    ("f.xlsx", b"PK\x03\x04nonsense", "unreadable"), ("f.xlsx", b"plain text", "unreadable"),
    ("f.gpkg", b"SQLite format 3\x00nonsense", "unreadable"), ("f.gpkg", b"x", "unreadable"),
    ("f.kml", b"<kml><Document>", "unreadable"), ("f.kml", b"not xml", "unreadable"),
    ("f.gpx", b"<gpx></gp>", "unreadable"),
    ("f.geojson", b'{"type": "FeatureCollection"', "unreadable"), ("f.geojson", b"[]", "unreadable"),
    ("f.parquet", b"PAR1PAR1", "unreadable"), ("f.shp", b"\x00\x00\x27\x0a", "unreadable"),
    ("f.zip", b"PK", "unreadable"),
    ("f.docx", b"hello", "unreadable"),
]  # fmt: skip


@pytest.mark.parametrize(("name", "data", "what"), FILE_FAULTS)
def test_a_faulty_file(tmp_path, name, data, what):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(InputError) as caught:
        clean(tmp_path, None, season(layers={"fields": {"file": name, "fixed": HARVEST}}))
    assert what in {f.what for f in caught.value.findings}
    assert all(f.remedy and f.expected and f.file for f in caught.value.findings)
