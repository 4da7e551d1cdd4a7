"""Lengths of paths and quarter waves."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from shapely.geometry import LineString

from dieplat.errors import SettingsError
from dieplat.measurement.placement import Inputs
from dieplat.measurement.traces import compare_with_quarter_wave, measure_length
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


# Free-space quarter wave c0/(4 f) and the same over sqrt(eps), in mm; recomputed table, c0 exact (SI).
@pytest.mark.parametrize(
    ("mhz", "quarter_mm", "eps", "shorter_mm"),
    [
        (2400, 31.228, 2.7, 19.005),
        (2441.75, 30.694, 3.0, 17.721),
        (2450, 30.591, 3.33, 16.764),
        (2483.5, 30.178, 4.4, 14.387),
        # D. M. Pozar, "Microwave Engineering", microstrip example, from memory: 90 degrees at 2.5 GHz with
        # eps_eff = 1.87 is 21.9 mm.
        (2500, 29.979, 1.8712, 21.92),
    ],
)
def test_quarter_waves(mhz, quarter_mm, eps, shorter_mm):
    wave = compare_with_quarter_wave(shorter_mm * 1000, mhz * 1e6, velocity_factor=1 / math.sqrt(eps))
    assert wave.quarter_wave_um == pytest.approx(quarter_mm * 1000, abs=0.6)
    assert wave.ratio_to_quarter_wave == pytest.approx(1.0, abs=6e-4)  # half a unit of the printed 21.92


def test_factors_that_were_not_given_are_not_assumed():
    free = compare_with_quarter_wave(10_000.0, 2.4e9)
    assert (free.velocity_factor, free.shortening_factor) == (None, None)
    assert free.ratio_to_quarter_wave == pytest.approx(10_000 / free.quarter_wave_um)
    assert "no factor was given" in free.assumption
    given_both = compare_with_quarter_wave(10_000.0, 2.4e9, velocity_factor=0.5, shortening_factor=0.8)
    assert given_both.ratio_to_quarter_wave == pytest.approx(free.ratio_to_quarter_wave / 0.4)
    assert "velocity factor 0.5 and shortening factor 0.8" in given_both.assumption


@pytest.mark.parametrize("frequency", [0.0, -1.0, math.nan, math.inf])
def test_bad_frequencies(frequency):
    with pytest.raises(SettingsError, match="frequency"):
        compare_with_quarter_wave(1.0, frequency)


@pytest.mark.parametrize(
    "factors",
    [
        {"velocity_factor": 0.0},
        {"velocity_factor": 1.2},
        {"velocity_factor": math.nan},
        {"shortening_factor": -1.0},
        {"shortening_factor": math.inf},
    ],
)
def test_bad_factors(factors):
    with pytest.raises(SettingsError, match=next(iter(factors))):
        compare_with_quarter_wave(1.0, 1e9, **factors)
