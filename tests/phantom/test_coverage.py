"""Pixel coverage is area, and area has closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Point, Polygon, box

from dieplat.phantom.coverage import interval_coverage, polygon_coverage, rectangle_coverage

inside = st.floats(0.0, 12.0, allow_nan=False)


def test_an_interval_fills_its_end_pixels_by_its_share_of_them():
    np.testing.assert_allclose(interval_coverage([1.25], [3.5], 5), [0.0, 0.75, 1.0, 0.5, 0.0], atol=1e-15)


def test_a_rectangle_covers_corner_pixels_by_the_product_of_both_shares():
    covered = rectangle_coverage(np.array([[0.5, 1.25, 2.0, 3.0]]), 4, 3)
    expected = np.outer([0.0, 0.75, 1.0, 0.0], [0.5, 1.0, 0.0])
    np.testing.assert_allclose(covered, expected, atol=1e-15)


def test_a_right_triangle_leaves_half_of_the_pixels_on_its_slope():
    covered = polygon_coverage(Polygon([(0, 0), (4, 4), (0, 4)]), 4, 4)
    np.testing.assert_allclose(covered, np.tril(np.ones((4, 4)), -1) + 0.5 * np.eye(4), atol=1e-15)


@settings(max_examples=60, deadline=None)
@given(inside, inside, inside, inside)
def test_rectangles_and_polygons_agree(x0, y0, x1, y1):
    x0, x1, y0, y1 = *sorted((x0, x1)), *sorted((y0, y1))
    if x1 - x0 < 1e-6 or y1 - y0 < 1e-6:
        return
    one = rectangle_coverage(np.array([[x0, y0, x1, y1]]), 12, 12)
    # Running sums of a few hundred terms of order one: rounding stays below 1e-12.
    np.testing.assert_allclose(one, polygon_coverage(box(x0, y0, x1, y1), 12, 12), atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(inside, inside), min_size=3, max_size=9))
def test_the_coverage_of_any_polygon_adds_up_to_its_area(points):
    hull = Polygon(points).convex_hull
    if not isinstance(hull, Polygon) or hull.area < 1e-6:
        return
    assert polygon_coverage(hull, 12, 12).sum() == pytest.approx(hull.area, abs=1e-9)


def test_each_pixel_of_a_ring_holds_the_area_that_geometry_finds_in_it():
    ring = Point(6.3, 5.8).buffer(5.0, quad_segs=16).difference(Point(6.3, 5.8).buffer(2.7, quad_segs=16))
    covered = polygon_coverage(ring, 12, 12)
    reference = [[ring.intersection(box(c, r, c + 1, r + 1)).area for c in range(12)] for r in range(12)]
    np.testing.assert_allclose(covered, reference, atol=1e-9)


def test_what_sticks_out_of_the_window_is_cut_at_its_rim():
    wide = box(-3.0, 1.0, 9.0, 2.5)
    np.testing.assert_allclose(polygon_coverage(wide, 4, 4), np.outer([0, 1, 0.5, 0], np.ones(4)), atol=1e-12)
