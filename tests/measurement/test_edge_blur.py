"""The blur beside a side, from drawn metal whose blur is known."""

import math

import numpy as np
import pytest
from edge_pictures import picture_of
from shapely.geometry import box

from dieplat.measurement.edge_blur import blur_beside

SIDE = np.array([20.4, 314.0]), np.array([20.4, 6.0])
"""Upwards, with the die on the right."""


def die(things, blur, **more):
    return picture_of([(box(20.4, -5, 260, 330), 85.0), *things], (320, 180), ground=28.0, blur=blur, **more)


def pads():
    return [(box(48.7, y, 90.3 + 0.13 * k, y + 40), 190.0) for k, y in enumerate(range(10, 300, 60))]


@pytest.mark.parametrize("blur", [0.5, 0.8, 1.1, 1.4])
def test_pads_tell_the_blur(blur):
    found = blur_beside(die(pads(), blur, fine=4), *SIDE)
    assert found is not None
    # A pixel sums up the light over its width: a variance of 1 / 12.
    true = math.hypot(blur, math.sqrt(1 / 12))
    assert abs(found[0] - true) < 0.05 * true
    assert 0.04 * true < found[1] < 0.1 * true


def test_borders_around_some_pads_do_not_make_it_wider():
    """Every second pad has a border of a pixel and a half, as an opening in the passivation has."""
    bordered = [(box(47.2, y - 1.5, 92.0, y + 41.5), 130.0) for y in range(70, 300, 120)]
    found = blur_beside(die([*bordered, *pads()], 0.8, fine=4), *SIDE)
    true = math.hypot(0.8, math.sqrt(1 / 12))
    assert found is not None
    assert abs(found[0] - true) < 2.0 * found[1]


def test_lines_and_blank_dies_tell_nothing():
    lines = [(box(x, 0, x + 1.6, 330), 190.0) for x in range(60, 170, 9)]
    assert blur_beside(die(lines, 0.8), *SIDE) is None
    assert blur_beside(die([], 0.8), *SIDE) is None


def test_a_side_outside_the_picture_tells_nothing():
    assert blur_beside(die(pads(), 0.8), SIDE[0] - 900.0, SIDE[1] - 900.0) is None
