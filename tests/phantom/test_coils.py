"""The drawn inductors have the dimensions that their description promises."""

import math

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import unary_union

from dieplat.phantom.inductor import draw_spiral, draw_symmetric, inner_diameter_um, spiral_path


def flat_to_flat(shape, angle):
    """Extent of a shape along one direction."""
    points = np.vstack([np.asarray(p.exterior.coords) for p in getattr(shape, "geoms", [shape])])
    along = points @ np.array([math.cos(angle), math.sin(angle)])
    return along.max() - along.min()


def winding(shape, turns, outer, width, spacing):
    path = spiral_path(shape, turns, outer, width, spacing)
    return LineString(path).buffer(0.5 * width, cap_style="flat", join_style="mitre")


@pytest.mark.parametrize(("shape", "sides"), [("square", 4), ("hexagon", 6), ("octagon", 8)])
def test_the_outer_diameter_is_reached_in_every_flat_direction(shape, sides):
    metal = winding(shape, 3.0, 200.0, 8.0, 4.0)
    for k in range(sides // 2):
        assert flat_to_flat(metal, 2.0 * math.pi * k / sides) == pytest.approx(200.0, abs=1e-9)


@pytest.mark.parametrize("shape", ["square", "hexagon", "octagon"])
def test_the_inner_diameter_of_whole_turns_follows_the_published_relation(shape):
    # Mohan, Hershenson, Boyd, Lee, IEEE J. Solid-State Circuits 34 (1999) 1419: d_out - d_in = 2 n w + 2
    # (n-1) s.
    metal = winding(shape, 4.0, 240.0, 9.0, 3.5)
    inner = inner_diameter_um(4.0, 240.0, 9.0, 3.5)
    assert inner == pytest.approx(240.0 - 2 * 4 * 9.0 - 2 * 3 * 3.5)
    sides = {"square": 4, "hexagon": 6, "octagon": 8}[shape]
    # Across the middle of two opposite sides the free length is the inner diameter.
    for k in range(sides // 2):
        angle = 2.0 * math.pi * k / sides
        ray = LineString([np.array([math.cos(angle), math.sin(angle)]) * r for r in (-300.0, 300.0)])
        free = [part for part in ray.difference(metal).geoms if part.distance(Point(0, 0)) < 1e-6]
        assert free[0].length == pytest.approx(inner, abs=1e-9)


def test_half_a_turn_more_gives_the_mean_of_both_directions():
    metal = winding("square", 2.5, 160.0, 8.0, 4.0)
    cross = [LineString([(-200, 0), (200, 0)]), LineString([(0, -200), (0, 200)])]
    origin = LineString([(0, 0), (1e-9, 0)])
    free = [next(p for p in ray.difference(metal).geoms if p.distance(origin) < 1e-6).length for ray in cross]
    assert np.mean(free) == pytest.approx(inner_diameter_um(2.5, 160.0, 8.0, 4.0), abs=1e-9)


def test_a_square_turn_has_the_length_worked_by_hand():
    # One turn, centre line square of side 92: three full sides, and the last one stops a pitch of 12 short.
    path = LineString(spiral_path("square", 1.0, 100.0, 8.0, 4.0))
    assert path.length == pytest.approx(4 * 92.0 - 12.0)


@pytest.mark.parametrize("shape", ["square", "hexagon", "octagon", "circle"])
@pytest.mark.parametrize("turns", [2.0, 3.5])
def test_neighbouring_turns_keep_the_spacing(shape, turns):
    width, spacing = 7.0, 3.0
    coil = draw_spiral(shape, turns, 220.0, width, spacing, centre_um=(0.0, 0.0))
    path = np.asarray(coil.path_um)
    segments = [LineString(path[i : i + 2]) for i in range(len(path) - 1)]
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    apart = [
        segments[i].distance(segments[j])
        for i in range(0, len(segments), 3 if shape == "circle" else 1)
        for j in range(i + 2, len(segments))
        if along[j] - along[i + 1] > 75.0
    ]
    # A circle's jog runs slanting over 45 degrees: on the innermost ring, of radius 60, its slope is
    # 10 / 47, and the distance across is the pitch times the cosine of that, 0.978.
    assert min(apart) == pytest.approx(width + spacing, rel=0.025 if shape == "circle" else 1e-9)
    assert isinstance(unary_union(coil.metal), Polygon)


def test_a_circle_is_as_wide_as_it_says():
    metal = winding("circle", 4.0, 180.0, 6.0, 4.0)
    # Chords of 1.5 degrees fall short of the circle by 1 - cos(0.75 deg) = 8.6e-5 at most; the cap adds as
    # little.
    for angle in np.radians([0.0, 30.0, 77.0, 120.0]):
        assert flat_to_flat(metal, angle) == pytest.approx(180.0, rel=1e-4)


def test_the_path_of_a_symmetric_winding_is_one_line_over_every_half_ring():
    coil = draw_symmetric(220.0, 9.0, 4.0, turns=3, centre_um=(5.0, -3.0))
    path = np.asarray(coil.path_um)
    np.testing.assert_allclose(path[0] - (5.0, -3.0), (path[-1] - (5.0, -3.0)) * (-1.0, 1.0), atol=1e-9)
    rings = [220.0 - 9.0 - 2 * k * 13.0 for k in range(3)]
    full = sum(ring * 8 * math.tan(math.pi / 8) for ring in rings)
    # Crossings and the gap at the ports replace pieces of the rings; they differ by less than their own
    # width.
    assert LineString(path).length == pytest.approx(full, abs=2 * 13.0 * 4)
    metal = unary_union(coil.metal)
    assert flat_to_flat(metal, 0.0) == pytest.approx(220.0, abs=1e-5)


def test_turns_that_are_no_whole_number_of_sides_are_refused():
    with pytest.raises(ValueError, match="whole number of sides"):
        spiral_path("square", 2.4, 100.0, 8.0, 4.0)
