"""The convention of turns and diameters, and what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import LineString

from dieplat.errors import SettingsError
from dieplat.inductance import given_geometry, spiral_path
from dieplat.inductance.path import Section, lanes_of_path


def _length(path):
    return float(np.sum(np.linalg.norm(np.diff(path, axis=0), axis=1)))


def test_one_square_turn():
    path = spiral_path(given_geometry("square", 1, 100, 10, 5))
    # Three sides of 90 um between corners; the fourth is shortened by one pitch, 15 um.
    assert np.linalg.norm(np.diff(path, axis=0), axis=1) == pytest.approx([90, 90, 90, 75])


@pytest.mark.parametrize("shape", ["square", "hexagon", "octagon"])
@pytest.mark.parametrize("turns", [1, 2, 2.5, 4])
def test_flat_to_flat_diameters(shape, turns):
    """Diameters over the drawn metal, S. S. Mohan et al. (1999): inner = outer - 2nw - 2(n-1)s."""
    geometry = given_geometry(shape, turns, 300, 10, 4)
    sides = {"square": 4, "hexagon": 6, "octagon": 8}[shape]
    path = spiral_path(geometry)
    assert len(path) == turns * sides + 1
    # Distance of every side's own line from the centre, outer metal edge and inner metal edge.
    step = np.diff(path, axis=0)
    apothem = np.abs(path[:-1, 0] * step[:, 1] - path[:-1, 1] * step[:, 0]) / np.linalg.norm(step, axis=1)
    assert apothem[0] + apothem[sides // 2 if turns > 0.5 else 0] + 10 == pytest.approx(geometry.outer_um)
    assert apothem[-1] + apothem[-1 - sides // 2] - 10 == pytest.approx(geometry.inner_um)
    assert geometry.inner_um == pytest.approx(300 - 20 * turns - 8 * (turns - 1))


def test_a_fraction_of_a_side_is_that_fraction_of_its_length():
    whole = spiral_path(given_geometry("octagon", 2.125, 250, 10, 2))
    half = spiral_path(given_geometry("octagon", 2.0625, 250, 10, 2))
    assert len(whole) == len(half)
    assert _length(half[-2:]) == pytest.approx(_length(whole[-2:]) / 2)


def test_length_grows_without_jumps():
    turns = np.arange(0.2, 3.0, 0.01)
    lengths = np.array([_length(spiral_path(given_geometry("hexagon", n, 200, 8, 2))) for n in turns])
    steps = np.diff(lengths)
    # A turn is at most 6 * 192 / sqrt(3) um long, and a step is a hundredth of one.
    assert steps.min() > 0
    assert steps.max() < 1.05 * 0.01 * 6 * 192 / math.sqrt(3)


def test_a_circle_given_starts_at_its_largest_radius_and_measured_at_its_mean():
    given = given_geometry("circle", 2.5, 200, 10, 2)
    path = spiral_path(given)
    radius = np.hypot(*path.T)
    # The chords are drawn 1 + (pi/48)^2/6 farther out, so that the line keeps the spiral's length.
    assert radius[0] == pytest.approx(95, rel=1e-3)
    assert radius[-1] == pytest.approx(95 - 2.5 * 12, rel=1e-3)
    measured = np.hypot(*spiral_path(replace(given, method="image")).T)
    assert np.mean(measured[:49]) == pytest.approx(95, rel=1e-3)
    assert np.mean(measured[-49:]) == pytest.approx((given.inner_um + 10) / 2, rel=1e-3)


def test_lanes_of_a_mitred_corner_keep_their_distance():
    path = np.array([(0, 0), (50, 0), (50, 40), (90, 80)], dtype=float)
    filaments, mitre = lanes_of_path(path, 6, 1, Section.grid(3))
    starts = filaments.start_um.reshape(3, 3, 3)
    ends = filaments.end_um.reshape(3, 3, 3)
    assert np.allclose(starts[:, 1:], ends[:, :-1])
    centre = LineString(path)
    for lane, offset in ((0, 2.0), (2, 2.0)):
        middles = (starts[lane] + ends[lane]) / 2
        for x, y, _ in middles:
            assert centre.distance(LineString([(x, y), (x, y + 1e-9)])) == pytest.approx(offset, abs=1e-6)
    assert np.allclose(mitre[1], (-1, 1))


BAD = [
    {"turns": 0},
    {"turns": -1},
    {"turns": math.nan},
    {"outer_um": math.inf},
    {"outer_um": -5},
    {"width_um": 0},
    {"spacing_um": -1},
    {"spacing_um": 0},
    {"turns": 9},
    {"shape": "triangle"},
]


@pytest.mark.parametrize("change", BAD)
def test_sizes_that_no_spiral_has_are_refused_with_one_line(change):
    numbers = {"shape": "square", "turns": 3, "outer_um": 200, "width_um": 10, "spacing_um": 2} | change
    with pytest.raises(SettingsError) as caught:
        given_geometry(**numbers)
    assert "\n" not in str(caught.value)
    assert "inductor" in str(caught.value)


def test_no_room_for_the_last_partial_turn_is_refused():
    geometry = given_geometry("square", 6.2, 160, 8, 5)
    assert geometry.inner_um > 0
    with pytest.raises(SettingsError, match="no room"):
        spiral_path(geometry)
