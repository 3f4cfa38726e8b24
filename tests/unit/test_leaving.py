"""Where a load comes from: the mean way inside a field, where it is left, and the leg from there."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from sourcing.carrying.leaving import mean_distance_m, straight_legs

CORNER = (math.sqrt(2) + math.log(1 + math.sqrt(2))) / 3
"""Mean distance from the points of a unit square to its corner: the known integral ('square point picking'), from
memory; tests below confirm it by sampling."""
ROUND = shapely.Point(0, 0).buffer(1, quad_segs=256)


def mean_of(shape, x, y):
    return float(mean_distance_m(np.array([shape], dtype=object), np.array([[x, y]]))[0])


def sampled(shape, x, y, across=400):
    """The same by brute force: the mean over a fine grid of points inside."""
    west, south, east, north = shape.bounds
    at = (np.arange(across) + 0.5) / across
    gx, gy = (m.ravel() for m in np.meshgrid(west + at * (east - west), south + at * (north - south)))
    inside = shapely.contains_xy(shape, gx, gy)
    return float(np.hypot(gx[inside] - x, gy[inside] - y).mean())


@pytest.mark.parametrize(
    ("shape", "x", "y", "want"),
    [
        (shapely.box(0, 0, 1, 1), 0, 0, CORNER),
        (shapely.box(0, 0, 1, 1), 0.5, 0.5, CORNER / 2),
        (shapely.box(500_000, 8_300_000, 500_100, 8_300_100), 500_100, 8_300_000, 100 * CORNER),
        (shapely.box(0, 0, 2000, 1e-6), 0, 0, 1000),  # a strip is a line: half its length
        (ROUND, 0, 0, 2 / 3),  # to the middle of a disc: two thirds of its radius
        (ROUND, 1, 0, 32 / (9 * math.pi)),  # to its rim: 32 r / 9 pi, a known integral, from memory
    ],
)
def test_known_mean_distances(shape, x, y, want):
    assert mean_of(shape, x, y) == pytest.approx(want, rel=1e-3)


def test_holes_parts_and_order_of_corners_are_reckoned_as_they_lie():
    ring = shapely.Polygon([(0, 0), (9, 0), (9, 6), (0, 6)], [[(2, 2), (2, 4), (5, 4), (5, 2)]])
    corner = shapely.Polygon([(0, 0), (8, 0), (8, 2), (2, 2), (2, 9), (0, 9)])
    parts = shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(5, 5, 8, 6)])
    for shape in (ring, corner, parts):
        for x, y in ((0, 0), (4, 3), (-3, 12)):
            assert mean_of(shape, x, y) == pytest.approx(sampled(shape, x, y), rel=3e-3)
            assert mean_of(shape.reverse(), x, y) == pytest.approx(mean_of(shape, x, y), rel=1e-12)


def test_what_has_no_area_lies_where_it_is_left():
    things = np.array(
        [shapely.Point(3, 4), shapely.MultiPoint([(0, 0), (1, 1)]), shapely.box(0, 0, 1, 1)], dtype=object
    )
    got = mean_distance_m(things, np.array([[0.0, 0.0], [1.0, 1.0], [0.0, 0.0]]))
    assert got.tolist() == pytest.approx([0, 0, CORNER])
    assert mean_distance_m(things[:0], np.zeros((0, 2))).shape == (0,)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(3, 9))
def test_the_mean_lies_between_the_nearest_and_the_farthest_point_and_above_that_of_the_middle(seed, corners):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    star = shapely.Polygon(np.column_stack([np.cos(angle), np.sin(angle)]) * rng.uniform(20, 90, (corners, 1))).buffer(
        0
    )
    if star.area < 1:
        return
    x, y = rng.uniform(-150, 150, 2)
    spot, got = shapely.Point(x, y), mean_of(star, x, y)
    assert spot.distance(star) <= got <= shapely.hausdorff_distance(spot, star) + 1e-9
    assert got >= spot.distance(star.centroid) - 1e-9  # the mean of distances is no less than that to the mean
    assert mean_of(shapely.affinity.translate(star, 1e5, -2e5), x + 1e5, y - 2e5) == pytest.approx(got, rel=1e-6)


def legs(shape, target):
    (leg,) = straight_legs(np.array([shape], dtype=object), np.array([target], dtype=object))
    return [tuple(round(v, 6) for v in xy) for xy in leg.coords]


def test_a_field_is_left_by_the_middle_of_its_long_side_and_not_by_a_corner():
    field, path = shapely.box(0, 10, 100, 30), shapely.LineString([(-500, 0), (500, 0)])
    assert legs(field, path) == [(50, 10), (50, 0)]
    slanting = shapely.LineString([(-500, -20), (500, 6)])  # the corner on the right is nearest to it
    (x, y), _ = legs(field, slanting)
    assert y == 10
    assert 45 < x < 55


def test_a_path_through_a_field_a_site_in_it_and_a_bent_field_are_met_where_they_lie():
    field = shapely.box(0, 0, 100, 40)
    assert legs(field, shapely.LineString([(-50, 20), (500, 20)])) == [(50, 20), (50, 20)]
    assert legs(field, shapely.Point(10, 10)) == [(10, 10), (10, 10)]
    # Bent like a horseshoe, its middle on open ground: the straight way from there to the site touches no field.
    horseshoe = shapely.box(0, 0, 90, 90).difference(shapely.box(20, 20, 70, 90))
    assert legs(horseshoe, shapely.Point(45, 200)) in ([(20, 90), (45, 200)], [(70, 90), (45, 200)])
    # Gates are points: the nearest counts.
    assert legs(shapely.MultiPoint([(0, 0), (100, 0)]), shapely.Point(80, -30)) == [(100, 0), (80, -30)]
