"""Areas, perimeters and sides: closed forms, published polygons, invariants, an independent library."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Polygon, box

from dieplat.measurement.areas import (
    measure_area,
    measure_perimeter,
    overlaps_of,
)
from dieplat.measurement.outlines import shoelace, uncovered
from dieplat.measurement.placement import Inputs, Placement
from dieplat.measurement.sides import measure_sides
from dieplat.values import Scale

PIXELS = Scale(1.0, 0.0, 1.0, 0.0, 10.0, 0.0, 10, 0.0, "pixels")


def scaled(sx: float, sy: float) -> Scale:
    return Scale(sx, 0.0, sy, 0.0, 10.0, 0.0, 10, 0.0, "test")


@st.composite
def outlines(draw):
    """Simple polygons: star-shaped about a centre, 3 to 12 vertices."""
    count = draw(st.integers(3, 12))
    radii = draw(st.lists(st.floats(5, 50), min_size=count, max_size=count))
    angles = 2 * math.pi * np.arange(count) / count
    centre = draw(st.tuples(st.floats(-100, 100), st.floats(-100, 100)))
    return Polygon(np.stack([np.cos(angles), np.sin(angles)], axis=1) * np.array(radii)[:, None] + centre)


# Sources named in each case; signs follow a y axis that points up, as the sources have it.
PUBLISHED = {
    "Rosetta Code task 'Shoelace formula for polygonal area'": (
        [(3, 4), (5, 11), (12, 8), (9, 5), (5, 6)],
        -30.0,
    ),
    "widely printed example, source from memory": ([(1, 6), (3, 1), (7, 2), (4, 4), (8, 5)], 16.5),
    "README example of the repository nycholas/polygon-area": ([(30, 28), (30, 33), (50, 30)], -50.0),
}


@pytest.mark.parametrize("source", PUBLISHED)
def test_published_polygon_areas(source):
    points, area = PUBLISHED[source]
    assert shoelace(np.array(points, dtype=float)) == pytest.approx(area, abs=1e-12)


def test_surveying_textbook_traverse():
    # J. Mahun, Open Access surveying library, Traverse Computations, chapter G, example 1 (N, E in feet).
    # The printed cross products, rounded to 0.1, are what the book's own sum is made of.
    north_east = np.array([[500.0, 2000.0], [323.614, 1561.426], [526.996, 1488.321], [719.336, 1686.956]])
    printed_plus = 647_228.0 + 822_865.2 + 1_070_602.9 + 843_478.0
    printed_minus = 780_713.0 + 481_641.5 + 889_019.1 + 1_438_672.0
    book = abs(printed_plus - printed_minus) / 2
    # Eight products rounded to 0.1 and coordinates rounded to 0.001: at worst 0.2 + 0.1 in the half sum.
    assert abs(shoelace(north_east)) == pytest.approx(book, abs=0.3)
    assert abs(shoelace(north_east)) == pytest.approx(102_935.7, abs=0.05)


def test_no_digits_are_lost_far_from_the_origin():
    # J. D. Cook, 2018: a right triangle with legs 2 and pi, moved away.
    far = np.array([[0.0, 0.0], [2.0, 0.0], [0.0, math.pi]]) + 1e6
    # The coordinates themselves are rounded to 2^-34 (half a spacing at 1e6), times legs of about 3.
    assert shoelace(far) == pytest.approx(math.pi, abs=1e-9)


def test_an_annulus_of_many_vertices_approaches_its_closed_form():
    angles = np.linspace(0, 2 * math.pi, 720, endpoint=False)
    circle = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    ring = Polygon(100 * circle, [50 * circle])
    n_gon = 720 / 2 * math.sin(2 * math.pi / 720)  # area of the n-gon of radius 1
    assert measure_area([ring], Inputs(PIXELS)).value == pytest.approx(n_gon * (100**2 - 50**2), rel=1e-12)


@given(outlines(), st.floats(0.05, 5), st.floats(0.05, 5))
def test_area_and_perimeter_agree_with_shapely(outline, sx, sy):
    in_um = shapely.affinity.scale(outline, sx, sy, origin=(0, 0))
    assert measure_area([outline], Inputs(scaled(sx, sy))).value == pytest.approx(in_um.area, rel=1e-9)
    assert measure_perimeter(outline, Inputs(scaled(sx, sy))).value == pytest.approx(in_um.length, rel=1e-9)


@given(outlines(), st.floats(-1e4, 1e4), st.floats(-1e4, 1e4))
def test_moving_an_outline_changes_neither_area_nor_uncertainty(outline, dx, dy):
    moved = translate(outline, dx, dy)
    one, two = measure_area([outline], Inputs(PIXELS)), measure_area([moved], Inputs(PIXELS))
    assert two.value == pytest.approx(one.value, rel=1e-9)
    assert two.u == pytest.approx(one.u, rel=1e-9)


@given(outlines())
def test_orientation_does_not_matter_and_a_turn_by_90_degrees_neither(outline):
    backwards = Polygon(list(outline.exterior.coords)[::-1])
    turned = rotate(outline, 90, origin=(0, 0))
    one = measure_area([outline], Inputs(PIXELS))
    for other in (measure_area([backwards], Inputs(PIXELS)), measure_area([turned], Inputs(PIXELS))):
        assert other.value == pytest.approx(one.value, rel=1e-9)
        assert other.u == pytest.approx(one.u, rel=1e-9)


@given(outlines(), st.floats(0.1, 0.5))
def test_a_hole_takes_its_area_away_and_adds_its_edge(outline, factor):
    hole = shapely.affinity.scale(outline, factor, factor, origin=outline.centroid)
    assume(outline.contains(hole))
    pierced = Polygon(outline.exterior.coords, [hole.exterior.coords])
    whole, taken, left = (measure_area([shape], Inputs(PIXELS)).value for shape in (outline, hole, pierced))
    assert left == pytest.approx(whole - taken, rel=1e-9)
    length = measure_perimeter(pierced, Inputs(PIXELS)).value
    assert length == pytest.approx(outline.length + hole.length, rel=1e-9)


def test_a_rasterised_count_agrees():
    # Second method: pixel centres inside. The count errs by at most about one pixel in two along the edge.
    outline = Polygon([(3.2, 4.1), (80.3, 10.7), (95.1, 70.2), (40.0, 90.9), (10.4, 50.5)])
    x, y = np.meshgrid(np.arange(100) + 0.5, np.arange(100) + 0.5)
    count = int(shapely.contains_xy(outline, x, y).sum())
    assert abs(measure_area([outline], Inputs(PIXELS)).value - count) < outline.length / 2 / math.sqrt(outline.length)


def test_parts_of_a_multipolygon_add_up():
    both = MultiPolygon([box(0, 0, 2, 2), box(5, 5, 8, 9)])
    assert measure_area([both], Inputs(PIXELS)).value == 16
    assert measure_perimeter(both, Inputs(PIXELS)).value == 8 + 14


@pytest.mark.parametrize("angle", [-80, -30, -1, 0, 5, 44, 60, 85])
def test_sides_of_a_turned_die_with_unequal_scales(angle):
    sx, sy = 0.5, 0.4
    in_um = rotate(box(0, 0, 300, 200), angle, origin=(0, 0))
    in_px = shapely.affinity.scale(in_um, 1 / sx, 1 / sy, origin=(0, 0))
    sides = measure_sides(in_px, Inputs(scaled(sx, sy)))
    expected = (300, 200) if abs(angle) < 45 else (200, 300)
    assert (sides.width.value, sides.height.value) == pytest.approx(expected, rel=1e-9)
    assert sides.rotation is not None
    turned = angle if abs(angle) < 45 else angle - math.copysign(90, angle)
    assert sides.rotation.value == pytest.approx(turned, abs=1e-9)


def test_uncertainty_of_a_size_is_that_of_two_sides_and_the_common_edge_twice():
    # A side lies where its two corners lie on average: 0.6 / sqrt(2) px a side, two sides.
    width = measure_sides(box(0, 0, 300, 200), Inputs(scaled(0.5, 0.5), Placement(0.6, 0.1))).width
    vertices, edges = 0.5 * 0.6, 0.5 * 2 * 0.1
    assert width.u == pytest.approx(math.hypot(vertices, edges), rel=1e-12)


def test_overlaps_and_what_is_left_of_the_die():
    blocks = [box(0, 0, 10, 10), box(8, 0, 20, 10), box(10, 10, 20, 20), box(19.95, 10, 30, 20)]
    assert overlaps_of(blocks) == [(0, 1, 20.0)]  # touching blocks and slivers below 1 px2 are not overlaps
    left = uncovered(box(0, 0, 40, 40), blocks)
    assert left.area == pytest.approx(1600 - shapely.union_all(blocks).area)
    assert uncovered(box(0, 0, 5, 5), blocks).is_empty
    assert measure_area([uncovered(box(0, 0, 5, 5), blocks)], Inputs(PIXELS)).value == 0
