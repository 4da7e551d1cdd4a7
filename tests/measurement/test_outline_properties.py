"""What must not change an area's uncertainty, and what neighbours have in common."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Polygon, box

from dieplat.measurement.areas import measure_area, measure_left, measure_perimeter, share_of
from dieplat.measurement.placement import Inputs, Placement
from dieplat.measurement.tile_network import correlation_factor
from dieplat.values import Layout, PairLink, PlacedTile, Scale, ScalePart

PARTS = (
    ScalePart("line fit", 4e-4, "1", "A"),
    ScalePart("ratio of the axes", 5e-4, "1", "B", "", 0.0, 1.0),
    ScalePart("angle of the axes", 5e-4, "1", "B", "", 0.0, 0.0, 1.0),
)
SCALE = Scale(0.5, 0.5 * 4e-4, 0.5, 0.5 * math.hypot(4e-4, 5e-4), 10.0, 0.0, 100, 0.0, "ruler", budget=PARTS)


@st.composite
def convex(draw):
    """Convex polygons of 4 to 9 vertices, 40 to 200 px wide."""
    count = draw(st.integers(4, 9))
    steps = draw(st.lists(st.floats(0.3, 1.0), min_size=count, max_size=count))
    angles = 2 * math.pi * np.cumsum(steps) / sum(steps)
    wide, high = draw(st.floats(20, 100)), draw(st.floats(20, 100))
    return [(300 + wide * math.cos(a), 300 + high * math.sin(a)) for a in angles]


@given(convex(), st.data())
def test_splitting_a_block_between_two_of_its_corners_changes_neither_sum_nor_uncertainty(points, data):
    first = data.draw(st.integers(0, len(points) - 3))
    last = data.draw(st.integers(first + 2, len(points) - 1 if first else len(points) - 2))
    one = Polygon(points[first : last + 1])
    other = Polygon(points[last:] + points[: first + 1])
    inputs = Inputs(SCALE)
    whole, parts = measure_area([Polygon(points)], inputs), measure_area([one, other], inputs)
    assert parts.value == pytest.approx(whole.value, rel=1e-9)
    for line, same in zip(parts.budget, whole.budget, strict=True):
        assert line.u == pytest.approx(same.u, rel=1e-9, abs=1e-12 * whole.value)
    added = measure_area([one], inputs).quantity + measure_area([other], inputs).quantity
    assert added.std_dev >= 0.0
    vertices = sum(v**2 for k, v in added.error_components().items() if k.tag == "vertices")
    assert math.sqrt(vertices) == pytest.approx({line.name: line.u for line in whole.budget}["vertices"], rel=1e-9)


@given(convex(), st.floats(-1e3, 1e3), st.floats(-1e3, 1e3))
def test_a_share_does_not_depend_on_where_the_die_lies(points, dx, dy):
    block, die = Polygon(points), box(150, 150, 450, 450)
    shares = []
    for move in ((0.0, 0.0), (dx, dy)):
        inputs = Inputs(SCALE)
        areas = [measure_area([translate(shape, *move)], inputs) for shape in (block, die)]
        shares.append(share_of(*areas))
    assert shares[1] == pytest.approx(shares[0], rel=1e-7)


@given(convex(), st.floats(0, 360))
def test_turning_an_outline_on_square_pixels_changes_nothing_that_pixels_cannot_tell(points, degrees):
    square = Scale(0.5, 1e-4, 0.5, 1e-4, 10.0, 0.0, 100, 0.0, "ruler")
    one = measure_area([Polygon(points)], Inputs(square))
    two = measure_area([rotate(Polygon(points), degrees)], Inputs(square))
    assert (two.value, two.u) == pytest.approx((one.value, one.u), rel=1e-9)


@given(convex())
def test_no_scale_is_left_in_a_share(points):
    inputs = Inputs(SCALE, Placement(vertex_u_px=0.0, edge_u_px=0.0))
    areas = [measure_area([shape], inputs) for shape in (Polygon(points), box(150, 150, 450, 450))]
    assert areas[0].u > 0
    assert share_of(*areas)[1] <= 1e-12


def test_the_whole_die_as_one_block_is_all_of_it_for_certain():
    inputs = Inputs(SCALE)
    die = measure_area([box(10, 10, 400, 300)], inputs)
    assert share_of(measure_area([box(10, 10, 400, 300)], inputs), die) == pytest.approx((1.0, 0.0), abs=1e-12)


@settings(max_examples=30)
@given(st.floats(0.05, 0.95), st.floats(0.0, 0.4))
def test_what_is_left_beside_one_block_is_the_die_less_the_block(part, edge_u):
    # Within the die, corners apart: then difference of areas and area of the difference are the same quantity.
    die, block = box(0, 0, 400, 300), box(20, 20, 20 + 360 * part, 20 + 260 * part)
    inputs = Inputs(SCALE, Placement(edge_u_px=edge_u))
    left = measure_left(die, [block], inputs)
    apart = measure_area([die], inputs).quantity - measure_area([block], inputs).quantity
    assert left.value == pytest.approx(apart.nominal_value, rel=1e-12)
    assert left.u == pytest.approx(apart.std_dev, rel=1e-9)


def test_an_edge_offset_of_a_sum_counts_a_common_edge_not_at_all():
    one, two = box(0, 0, 100, 50), box(100, 0, 160, 50)
    pixels = Scale(1.0, 0.0, 1.0, 0.0, 10.0, 0.0, 10, 0.0, "pixels")
    inputs = Inputs(pixels, Placement(0.0, 0.1))
    assert measure_area([one, two], inputs).u == pytest.approx(0.1 * (2 * 160 + 2 * 50), rel=1e-12)


@pytest.mark.parametrize(
    ("shape", "growth"),
    [
        (box(0, 0, 30, 20), 8.0),
        (Polygon([(math.cos(a), math.sin(a)) for a in np.arange(200) * math.pi / 100]), 2 * math.pi),
        (Polygon(box(0, 0, 30, 20).exterior.coords, [box(5, 5, 9, 9).exterior.coords[::-1]]), 0.0),
        (MultiPolygon([box(0, 0, 3, 3), box(5, 5, 8, 8)]), 16.0),
    ],
)
def test_an_edge_offset_lengthens_a_perimeter_by_its_corners(shape, growth):
    # 8 a unit for a rectangle's square corners, 2 pi for a circle (Steiner's formula), a hole takes its own away.
    pixels = Scale(1.0, 0.0, 1.0, 0.0, 10.0, 0.0, 10, 0.0, "pixels")
    result = measure_perimeter(shape, Inputs(pixels, Placement(0.0, 0.1)))
    # A polygon of 200 corners differs from the circle by pi^2 / (3 * 200^2) = 8e-5.
    assert result.u == pytest.approx(0.1 * growth, rel=2e-4, abs=1e-12)


def row_of_tiles(count, u=0.3, linked=True):
    tiles = tuple(PlacedTile(f"t{i}", 100.0 * i, 0.0, u, u, "overlap") for i in range(count))
    pairs = tuple(PairLink(f"t{i}", f"t{i + 1}", 100.0, 0.0, 0.0, linked) for i in range(count - 1))
    return Layout(100 * count, 100, 100, 100, tiles, pairs, (), 0.1)


def test_tiles_in_a_chain_err_together_with_their_neighbours():
    # Three tiles in a row, equal links: L+ = ((5, -1, -4), (-1, 2, -1), (-4, -1, 5)) / 9.
    factor = correlation_factor(row_of_tiles(3))
    assert factor is not None
    expected = np.array([[1, -1 / math.sqrt(10), -0.8], [0, 1, -1 / math.sqrt(10)], [0, 0, 1]])
    assert (factor @ factor.T)[np.triu_indices(3)] == pytest.approx(expected[np.triu_indices(3)], abs=1e-12)


def test_without_links_tiles_are_independent():
    assert correlation_factor(row_of_tiles(3, linked=False)) is None
    assert correlation_factor(row_of_tiles(1)) is None


def test_two_linked_tiles_move_apart_by_twice_what_either_moves():
    # About their mean, two tiles err equally and oppositely: a width across both has 2 u, not sqrt(2) u.
    block = box(20, 20, 180, 80)
    pixels = Scale(1.0, 0.0, 1.0, 0.0, 10.0, 0.0, 10, 0.0, "pixels")
    for linked, factor in ((True, 2.0), (False, math.sqrt(2.0))):
        inputs = Inputs(pixels, Placement(0.0, 0.0, row_of_tiles(2, linked=linked)))
        lines = {line.name: line.u for line in measure_area([block], inputs).budget}
        assert lines["tile positions"] == pytest.approx(factor * 0.3 * 60, rel=1e-9)
