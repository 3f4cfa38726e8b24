"""Geodesic areas against published values.

Planimeter tests: geographiclib 2.1, geographiclib/test/test_geodesic.py (C. F. F. Karney), latitude first there.
Antarctica and the holed square: pyproj's documentation of Geod (the first also in GeographicLib's geodesic.h).
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import Proj

from sourcing.geodesy import areas_ha, discs, distances_m, mend_rings, middles, ring_areas_m2
from tests.surveys import DATA

ANTARCTICA = (
    [-72.9, -71.9, -74.9, -74.3, -77.5, -77.4, -71.7, -65.9, -65.7,
     -66.6, -66.9, -69.8, -70.0, -71.0, -77.3, -77.9, -74.7],
    [-74, -102, -102, -131, -163, 163, 172, 140, 113, 88, 59, 25, -4, -14, -33, -46, -61],
)  # fmt: skip
PLANIMETER = [
    ("north ring", [(89, 0), (89, 90), (89, 180), (89, 270)], 24952305678.0, 1),
    ("south ring", [(-89, 0), (-89, 90), (-89, 180), (-89, 270)], 24952305678.0, 1),
    ("diamond on the equator", [(0, -1), (-1, 0), (0, 1), (1, 0)], 24619419146.0, 1),
    ("octant", [(90, 0), (0, 0), (0, 90)], 63758202715511.0, 1),
    ("pole crossing", [(89, 0.1), (89, 90.1), (89, -179.9)], 12476152838.5, 1),
    ("nothing enclosed", [(9, 0.00000000000001), (9, 180), (9, 0)], 0.0, 1),
    ("Planimeter15", [(2, 1), (1, 2), (3, 3)], 18454562325.45119, 0.5),
    ("Antarctica", list(zip(*ANTARCTICA, strict=True)), 13376856682207.406, 1),
]


@pytest.mark.parametrize(("name", "corners", "m2", "within"), PLANIMETER, ids=[p[0] for p in PLANIMETER])
@pytest.mark.parametrize("turned", [False, True])
def test_published_polygons_whichever_way_they_are_drawn(name, corners, m2, within, turned):
    ring = shapely.LinearRing([(lon, lat) for lat, lon in (corners[::-1] if turned else corners)])
    assert ring_areas_m2(np.array([ring]))[0] == pytest.approx(m2, abs=within)
    assert areas_ha(np.array([shapely.Polygon(ring)]))[0] == pytest.approx(m2 / 10_000, abs=within / 10_000)


def test_latitude_taken_for_longitude_would_be_noticed():
    """The trap of the published tests: the same numbers the other way round give another area."""
    corners = np.array([(2, 1), (1, 2), (3, 3)])[:, ::-1] * [1, 10]
    right, wrong = shapely.Polygon(corners), shapely.Polygon(corners[:, ::-1])
    assert areas_ha(np.array([right]))[0] != pytest.approx(areas_ha(np.array([wrong]))[0], rel=1e-3)


def test_the_holed_square_of_the_pyproj_documentation():
    """pyproj, Geod.geometry_area_perimeter: prints 944373881400."""
    holed = shapely.Polygon([(1, 1), (10, 1), (10, 10), (1, 10)], [[(1, 2), (3, 4), (5, 2)]])
    drawn_the_other_way = shapely.Polygon(holed.exterior.coords[::-1], [holed.interiors[0].coords[::-1]])
    assert areas_ha(np.array([holed, drawn_the_other_way])) == pytest.approx([94437388.1400] * 2, abs=0.0001)


def test_parts_and_holes_add_up():
    outer, inner = [(0, 0), (0, 10), (10, 10), (10, 0)], [(1, 1), (1, 2), (2, 2), (2, 1)]
    holed, full, plug = shapely.Polygon(outer, [inner]), shapely.Polygon(outer), shapely.Polygon(inner)
    area = areas_ha(np.array([holed, full, plug, shapely.MultiPolygon([holed, plug])]))
    assert area[0] == pytest.approx(area[1] - area[2], rel=1e-12)
    assert area[3] == pytest.approx(area[1], rel=1e-12)


def test_what_is_no_area_has_none():
    given = np.array([None, shapely.Point(1, 1), shapely.Polygon(), shapely.LineString([(0, 0), (1, 1)])], dtype=object)
    assert areas_ha(given).tolist() == [0, 0, 0, 0]


def test_published_areas_of_real_parcels():
    """193 parcels of the French register with their published area, in hectares with two decimals.

    The register counts areas on its grid (EPSG:2154), where they are about 0.18 % too small at this latitude; PROJ's
    own areal scale of that grid turns the geodesic area into the published one.
    """
    file = DATA / "fields" / "fr_rpg_eolearn_193.gpkg"
    if not file.exists():
        pytest.skip("the real parcels are not here")
    parcels = gpd.read_file(file)
    shapes = parcels.to_crs("EPSG:4326").geometry
    middle = shapes.representative_point()
    scale = Proj("EPSG:2154").get_factors(middle.x, middle.y).areal_scale
    area, published = areas_ha(shapes.to_numpy()), parcels.surf_parc.to_numpy()
    assert np.abs(area * scale - published).max() < 0.006
    assert np.abs(area / published - 1)[published > 1].max() < 0.006


def test_a_disc_has_the_area_asked_for_anywhere():
    lon, lat = np.array([30.0, 179.9999, -3.8, 10.0]), np.array([-15.0, 5.0, 11.2, 65.0])
    wanted = np.array([0.1, 1.0, 2.5, 40.0])
    flat = areas_ha(discs(lon, lat, wanted))
    assert flat == pytest.approx(wanted, rel=1e-5)


def test_the_middle_of_points_on_both_sides_of_the_date_line_lies_between_them():
    middle = middles(np.array([179.9, -179.9]), np.array([10.0, 10.0]), np.zeros(2, dtype=np.int64), 1, np.ones(2))
    assert abs(middle[0, 0]) == pytest.approx(180, abs=1e-6)


def test_one_minute_of_latitude_is_about_a_nautical_mile():
    """1852 m is by definition the mean minute; on the ellipsoid it runs from 1843 m to 1862 m."""
    assert distances_m(np.array([30.0]), np.array([45.0]), np.array([30.0]), np.array([45 + 1 / 60]))[
        0
    ] == pytest.approx(1852, abs=10)


def test_a_bow_tie_keeps_both_loops_and_a_boundary_walked_twice_counts_once():
    bow = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    ring = [(0, 0), (2, 0), (2, 2), (0, 2)]
    twice = shapely.Polygon([*ring, *ring])
    mended = mend_rings(np.array([bow, twice], dtype=object))
    assert mended[0].area == pytest.approx(2)
    assert mended[1].area == pytest.approx(4)
