"""Lengths of paths."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely.geometry import LineString

from dieplat.measurement.lengths import measure_length
from dieplat.measurement.placement import Inputs
from dieplat.values import Scale

SCALE = Scale(0.5, 0.001, 0.25, 0.0005, 10.0, 0.0, 100, 0.0, "test")


def test_length_uses_each_axis_scale():
    line = LineString([(0, 0), (6, 0), (6, 16)])
    assert measure_length(line, Inputs(SCALE)).value == pytest.approx(3 + 4)


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), min_size=2, max_size=9))
def test_length_and_uncertainty_do_not_depend_on_the_direction_of_drawing(points):
    line = LineString(points)
    assume(line.length >= 1)
    one, two = measure_length(line, Inputs(SCALE)), measure_length(LineString(points[::-1]), Inputs(SCALE))
    assert two.value == pytest.approx(one.value, rel=1e-9)
    assert two.u == pytest.approx(one.u, rel=1e-9)


def test_a_point_drawn_twice_changes_nothing_but_its_own_freedom():
    once = measure_length(LineString([(0, 0), (100, 0)]), Inputs(SCALE))
    twice = measure_length(LineString([(0, 0), (0, 0), (100, 0)]), Inputs(SCALE))
    assert twice.value == once.value
    assert math.isfinite(twice.u)
