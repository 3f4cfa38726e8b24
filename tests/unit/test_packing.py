import base64
import zlib

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from sourcing.outputs.packing import read_varints, shapes_on_grid, squeeze, to_grid, trees_of, varints

GRID = "EPSG:3857"


@settings(deadline=None, max_examples=100)
@given(st.lists(st.integers(-(2**40), 2**40), max_size=60))
def test_varints_come_back_as_they_went(values):
    assert read_varints(varints(values)).tolist() == values


def test_small_numbers_take_one_byte_and_the_next_two():
    assert [len(varints([v])) for v in (0, 63, -64, 64, -65, 8191, 8192)] == [1, 1, 1, 2, 2, 2, 3]


def areas(shapes):
    """Area of each shape by the even-odd rule, from what is packed."""
    rings = np.split(shapes.xy, np.cumsum(shapes.corners)[:-1])
    polygons = [Polygon(ring) for ring in rings]
    at, out = 0, []
    for count in shapes.rings:
        area = shapely.union_all([])
        for polygon in polygons[at : at + count]:
            area = area.symmetric_difference(polygon)
        out.append(area.area)
        at += count
    return out


def test_holes_and_parts_are_kept():
    ring = Polygon([(0, 0), (100, 0), (100, 100), (0, 100)], [[(20, 20), (40, 20), (40, 40), (20, 40)]])
    two = MultiPolygon([box(200, 0, 230, 10), box(300, 0, 310, 10)])
    shapes = shapes_on_grid([ring, two, box(0, 200, 5, 205)], GRID, (0, 0))
    assert shapes.rings.tolist() == [2, 2, 1]
    assert shapes.corners.tolist() == [4, 4, 4, 4, 4]
    assert areas(shapes) == [10_000 - 400, 300 + 100, 25]


def test_a_field_smaller_than_the_grid_keeps_a_square():
    shapes = shapes_on_grid([box(0, 0, 50, 50), Point(500.2, 500.1).buffer(0.2), box(7, 7, 27, 17)], GRID, (0, 0))
    assert shapes.rings.tolist() == [1, 1, 1]
    assert areas(shapes) == [2500, 1, 200]


def test_lines_points_and_nothing():
    shapes = shapes_on_grid([LineString([(0, 0), (0.2, 0.2), (10, 0)]), Point(3, 3), Polygon()], GRID, (-5, 0))
    assert shapes.rings.tolist() == [1, 0, 0]
    assert shapes.xy.tolist() == [[5, 0], [15, 0]]
    assert shapes_on_grid([], GRID, (0, 0)).xy.shape == (0, 2)


def test_grid_is_web_mercator():
    # the edge of the projected world: 20037508.34 m (EPSG guidance note 7-2, Popular Visualisation Pseudo Mercator)
    assert to_grid(np.array([[180.0, 0.0]]), "EPSG:4326", (0, 0)).tolist() == [[20037508, 0]]
    assert to_grid(np.array([[180.0, 0.0]]), "EPSG:4326", (20037500, -7)).tolist() == [[8, 7]]


def test_ways_share_their_last_stretch():
    lines = [np.array([[0, 0], [0, 10], [5, 20]]), np.array([[0, 0], [0, 10], [-5, 20]]), np.array([[0, 0], [0, 10]])]
    trees = trees_of(lines, ["a", "a", "b"])
    assert len(trees.parent) == 4 + 2  # the trunk of site a is there once; site b keeps its own
    for line, end in zip(lines, trees.end, strict=True):
        back, node = [], end
        while node >= 0:
            back.append(trees.xy[node].tolist())
            node = trees.parent[node]
        assert back[::-1] == line.tolist()


def test_squeezed_text_is_plain_zlib_in_base64():
    assert zlib.decompress(base64.b64decode(squeeze([b"ab", b"", b"c"]))) == b"abc"


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 400), st.integers(0, 400), st.integers(2, 60)), min_size=1, max_size=20))
def test_areas_of_squares_survive(squares):
    shapes = shapes_on_grid([box(x, y, x + s, y + s) for x, y, s in squares], GRID, (13, -8))
    assert areas(shapes) == [pytest.approx(s * s) for _, _, s in squares]
