"""Stage, lens and sensor faults have the size that they are given."""

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from dieplat.phantom.camera import (
    MARGIN_PX,
    CameraPlan,
    Exposure,
    StagePlan,
    expose,
    exposures,
    shading,
    stage_positions,
    undistorted,
)


@pytest.mark.parametrize(("k1", "k2"), [(0.02, 0.0), (-0.02, 0.004), (0.01, -0.003)])
def test_distorting_the_undistorted_grid_gives_the_pixel_grid_back(k1, k2):
    x, y = undistorted(320, 240, k1, k2)
    half = 0.5 * np.hypot(320, 240)
    x, y = x - 160.0, y - 120.0
    r2 = (x**2 + y**2) / half**2
    seen = x * (1.0 + k1 * r2 + k2 * r2**2) + 160.0
    expected = np.arange(-MARGIN_PX, 320 + MARGIN_PX) + 0.5
    np.testing.assert_allclose(seen, np.broadcast_to(expected, seen.shape), atol=1e-9)


def test_no_distortion_leaves_the_grid_alone():
    x, _ = undistorted(64, 48, 0.0, 0.0)
    assert x[0, MARGIN_PX] == 0.5


def test_backlash_shifts_the_rows_that_travel_the_other_way():
    plan = StagePlan(error_px=0.0, backlash_px=6.0, rotation_deg=0.0)
    corners = stage_positions(3, 4, (640.0, 480.0), plan, np.random.default_rng(0))
    np.testing.assert_allclose(corners[0, :, 0] - corners[1, :, 0], 6.0)
    np.testing.assert_allclose(np.diff(corners[:, :, 1], axis=0), 480.0)


def test_a_turned_stage_climbs_along_a_row():
    plan = StagePlan(error_px=0.0, backlash_px=0.0, rotation_deg=1.0)
    corners = stage_positions(2, 3, (600.0, 450.0), plan, np.random.default_rng(0))
    assert corners[0, 2, 1] - corners[0, 0, 1] == pytest.approx(1200.0 * np.sin(np.radians(1.0)))


def test_noise_at_half_scale_has_the_size_asked_for():
    light = np.full((220 + 2 * MARGIN_PX, 240 + 2 * MARGIN_PX, 3), 0.5, dtype=np.float32)
    plan = CameraPlan(vignetting=0.0, noise=3.0 / 255.0)
    picture = expose(light, Exposure((1.0, 1.0, 1.0), 0.0), plan, np.random.default_rng(1))
    # 158400 samples: the standard deviation is known to 3 / sqrt(2 N) = 0.005; rounding to whole levels
    # adds 1/12.
    assert picture.std() == pytest.approx(np.sqrt(9.0 + 1.0 / 12.0), abs=0.03)


def test_a_tone_curve_moves_half_height_towards_the_dark_side():
    """Half way from 0.10 to 0.27 of full scale, to the power 1/2.4, lies above the mean of both as they are written, so
    that half height lies where there is less light: by 0.18 of the blur."""
    blur, power = 3.0, 1.0 / 2.4
    x = np.arange(80 + 2 * MARGIN_PX) - (39.5 + MARGIN_PX)
    light = np.repeat(np.float32(0.10 + 0.17 * ndtr(x / blur))[None, :, None], 40 + 2 * MARGIN_PX, axis=0)
    plan = CameraPlan(vignetting=0.0, noise=0.0, tone_power=power)
    row = expose(light, Exposure((1.0, 1.0, 1.0), 0.0), plan, np.random.default_rng(1))[20, :, 0].astype(float)
    assert row[:3].mean() == pytest.approx(255.0 * 0.10**power, abs=1.0)
    assert row[-3:].mean() == pytest.approx(255.0 * 0.27**power, abs=1.0)
    half = np.interp(0.5 * (row[0] + row[-1]), row, np.arange(80) - 39.5)
    light_there = (0.5 * (0.10**power + 0.27**power)) ** 2.4
    assert half == pytest.approx(blur * ndtri((light_there - 0.10) / 0.17), abs=0.06)
    assert half / blur == pytest.approx(-0.18, abs=0.02)


def test_the_corner_is_darker_by_the_vignetting():
    field = shading(800, 600, 0.22)
    assert field.max() == pytest.approx(1.0, abs=1e-4)
    assert field.min() == pytest.approx(0.78, abs=1e-3)


def test_the_drift_keeps_within_its_share():
    gains = np.array([e.gain[1] for e in exposures(30, CameraPlan(exposure_drift=0.08), np.random.default_rng(2))])
    assert 0.01 < np.ptp(gains) < 0.16
