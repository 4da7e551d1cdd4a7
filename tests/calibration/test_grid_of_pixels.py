"""Sharp lines whose pitch is nearly a whole number of pixels: the grid's error is read out of them, or stated.

J. Anderson and I. R. King, Publ. Astron. Soc. Pacific 112, 1360 (2000) describe the same error of stars' places, and
the same remedy: a shape that is held against pixels as they are (from memory).
"""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from synthetic_ruler import Ruler, as_uint8, draw

from dieplat.calibration import find_ruling
from dieplat.calibration.sampling import Grid, mixing_of, phase_error_px
from dieplat.calibration.template import Box, nearest_box


@pytest.mark.parametrize("blur", [0.35, 0.45, 0.6])
@pytest.mark.parametrize(
    ("pitch", "angle"), [(20.95, -0.19), (19.04, 0.15), (17.06, 0.5), (16.97, -0.31), (21.02, 0.0)]
)
def test_a_pitch_of_nearly_whole_pixels(pitch, angle, blur):
    ruler = Ruler(
        pitch_px=pitch, angle_deg=angle, width_px=480, height_px=360, line_width_px=3.0, blur_px=blur, noise=2.0
    )
    found = find_ruling(as_uint8(draw(ruler)))
    u_rel = math.hypot(found.pitch_px_fit_u, found.pitch_px_distortion_u) / found.pitch_px
    error = found.pitch_px / pitch - 1.0
    # A division of 10 um that is known to 0.002 um is known to 2e-4; a curve through the samples was off by up to 9e-4.
    assert abs(error) < 2e-4
    assert abs(error) < 4.5 * u_rel


@given(width=st.floats(1.5, 6.0), blur=st.floats(0.4, 1.0), shift=st.floats(-0.5, 0.5), pitch=st.floats(14.0, 22.0))
@settings(max_examples=40, deadline=None)
def test_the_box_that_was_drawn_is_found(width, blur, shift, pitch):
    """A line's width and blur, and its place to 0.01 px, from noiseless samples; starts are off by up to 0.1 px."""
    assume(abs(2.0 * pitch - round(2.0 * pitch)) > 0.05)  # else all lines lie alike on the pixels and tell one thing
    true = 12.0 + shift + pitch * np.arange(20)
    samples = np.arange(int(true[-1]) + 13)
    profile = -3.0 * Box(width, blur).value(samples[:, None] - true).sum(axis=1)
    off = 0.1 * np.cos(np.arange(20))
    found = nearest_box(profile, true + off, 0.5 * width + 0.5)
    assert found is not None
    box, places = found
    # The width and the blur of a line as narrow as its blur are nearly one thing.
    assert box.blur_px == pytest.approx(blur, abs=0.03)
    assert box.width_px == pytest.approx(width, abs=0.15)
    inside = slice(2, -2)
    assert np.abs(places - true)[inside].max() < 0.02


def test_a_shape_that_is_no_box_is_none():
    samples = np.arange(400.0)
    wave = np.sin(samples / 1.7) + np.sin(samples / 2.9)
    assert nearest_box(wave, np.arange(20.0, 380.0, 18.3), 3.0) is None


@given(offset=st.floats(-6.0, 6.0), width=st.floats(1.0, 6.0), blur=st.floats(0.3, 2.0))
def test_the_slope_of_a_box(offset, width, blur):
    box, step = Box(width, blur), 1e-5
    at = np.array([offset - step, offset, offset + step])
    value = box.value(at)
    assert box.slope(at)[1] == pytest.approx((value[2] - value[0]) / (2 * step), abs=1e-5)


def test_readings_at_all_phases_leave_nothing_of_the_error():
    """A line that leans by just one pixel over its readings: their errors cancel."""
    t = (np.arange(10) + 0.5) * 10.0
    step, mixing = mixing_of(math.atan(0.01), 0.0, t, np.full(10, 10.0))
    grid = Grid(step, mixing.mean(keepdims=True), 0.01)
    assert np.abs(grid.columns(np.array([3.3]))).max() < 1e-3
    upright = Grid(1.0, np.ones(1, complex), 0.01)
    assert np.hypot(*upright.columns(np.array([3.3]))[0]) == pytest.approx(1.0)


def test_sharper_lines_may_be_further_off():
    errors = [phase_error_px(blur) for blur in (0.3, 0.45, 0.6, 1.0)]
    assert errors == sorted(errors, reverse=True)
    assert phase_error_px(None) > 5 * errors[0]
