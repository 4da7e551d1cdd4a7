"""Cells and lattice fitted together: a few periods give what their pixels hold, no more and no less.

The truth is a sum of cosines evaluated at the pixels, independent of the library.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.ndimage import gaussian_filter

from dieplat.measurement import arrays_joint
from dieplat.measurement.arrays_frame import raster, resample
from dieplat.measurement.arrays_joint import MOST_PIXELS, fit_jointly

WAVES = {(1, 0): 20.0, (0, 1): 12.0j, (1, 1): 5.0 - 4.0j, (2, -1): 3.0, (0, 2): 6.0, (3, 0): 2.0 + 1.0j}
PITCH, TURN = (12.1, 9.03), np.deg2rad(0.4)
SIZE = (140, 54)


def true_reciprocal():
    periods = np.array([[np.cos(TURN), -np.sin(TURN)], [np.sin(TURN), np.cos(TURN)]]) * PITCH
    return np.linalg.inv(periods)


def cells(size=SIZE):
    """Levels at the pixels' places on a ground that bends; five periods high."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    u, v = np.einsum("ij,jyx->iyx", true_reciprocal(), np.stack([x, y]))
    picture = 100.0 + 0.05 * x - 0.02 * y + 0.002 * (x - 60.0) ** 2
    for (h, k), value in WAVES.items():
        picture = picture + 2.0 * (value * np.exp(2j * np.pi * (h * u + k * v))).real
    return picture


def fitted(grey, off=(1.0004, 0.9993)):
    """The joint fit from a start that is off by some 1e-4 of the pitch, as the banks' parts leave it."""
    height, width = grey.shape
    polygon = shapely.box(0, 0, width, height)
    start = true_reciprocal() * np.array(off)[:, None]
    frame = resample(grey, raster(polygon, grey.shape), polygon, start)
    inverse = np.linalg.inv(np.stack([frame.step_x, frame.step_y], axis=1))
    corners = np.array([[2, 2], [width - 2, 2], [width - 2, height - 2], [2, height - 2]]) - frame.origin
    places = corners @ inverse.T
    rectangle = (*np.sort(places, axis=0)[1], *np.sort(places, axis=0)[2])
    return fit_jointly(grey, frame, [rectangle], start)


def relative(found):
    """Errors of both pitches and their standard uncertainties, relative."""
    reciprocal, covariance = found
    vectors = np.linalg.inv(reciprocal)
    return np.hypot(*vectors) / PITCH - 1.0, np.sqrt(covariance.diagonal()[[0, 3]])


def test_without_noise_the_pitch_comes_back():
    errors, _ = relative(fitted(cells().astype(np.float32)))
    # Float32 pixels and the small weight that holds folded orders apart leave some 1e-6.
    assert np.abs(errors).max() < 1e-5


def test_the_stated_uncertainty_is_the_scatter_over_noise():
    rng, noise = np.random.default_rng(8), 4.0
    scores = []
    for _ in range(20):
        grey = (cells() + rng.normal(0.0, noise, SIZE[::-1])).astype(np.float32)
        errors, u = relative(fitted(grey))
        scores.append(errors / u)
    # 40 values tell an rms of 1 to 11 %; four times that.
    assert np.sqrt(np.mean(np.square(scores))) == pytest.approx(1.0, abs=0.45)


def test_dirt_and_scratches_have_no_say():
    """A speck and a scratch on one side of a bank pull at its pitch unless they are left out."""
    clean = (cells() + np.random.default_rng(3).normal(0.0, 3.0, SIZE[::-1])).astype(np.float32)
    dirty = clean.copy()
    dirty[30:44, 112:124] = 15.0
    dirty[np.arange(10, 40), np.arange(60, 90)] += 70.0
    errors, u = relative(fitted(dirty))
    wanted, _ = relative(fitted(clean))
    # The pixels that are left out are a tenth; what they would have said scatters by a third of u.
    assert errors == pytest.approx(wanted, abs=float(u.max()))


def test_stains_move_the_pitch_by_half_of_what_they_do_without_weights(monkeypatch):
    """Stains of 3 px (standard deviation of their blur) as strong as the noise, over five periods of cells."""
    rng, scores, off = np.random.default_rng(12), [], {"weighed": [], "plain": []}
    for _ in range(16):
        stains = gaussian_filter(rng.normal(size=SIZE[::-1]), 3.0)
        noise = 3.0 * stains / stains.std() + rng.normal(0.0, 2.0, SIZE[::-1])
        grey = (cells() + noise).astype(np.float32)
        errors, u = relative(fitted(grey))
        scores.append(errors / u)
        off["weighed"].append(errors)
        with monkeypatch.context() as patch:
            patch.setattr(arrays_joint, "weights_of", lambda left: None)
            off["plain"].append(relative(fitted(grey))[0])
    weighed, plain = (np.sqrt(np.mean(np.square(values), axis=0)) for values in off.values())
    assert np.all(weighed < 0.7 * plain)
    # 32 values tell an rms of 1 to 12.5 %; it is stated a little too large where errors are alike farther than counted.
    assert 0.5 < np.sqrt(np.mean(np.square(scores))) < 1.3


def test_few_periods_with_fine_features_give_their_pitch():
    """Three periods of 25 px with waves down to 2.8 px: what a fit of too few waves leaves out leans on the pitch."""
    x, y = np.meshgrid(np.arange(72), np.arange(72))
    u, v = x / 25.2, y / 12.6
    picture = np.full(x.shape, 100.0)
    for order in range(1, 10):
        picture += 30.0 / order * np.cos(2 * np.pi * order * u + order**2) + 10.0 * np.cos(2 * np.pi * v)
    start = np.diag([1 / 25.21, 1 / 12.61])
    polygon = shapely.box(0, 0, 72, 72)
    frame = resample(picture.astype(np.float32), raster(polygon, picture.shape), polygon, start)
    low, high = ((np.array([at, at]) - frame.origin) / (frame.step_x[0], frame.step_y[1]) for at in (0.0, 72.0))
    reciprocal, _ = fit_jointly(picture.astype(np.float32), frame, [(*low, *high)], start)
    assert 1 / reciprocal.diagonal() == pytest.approx([25.2, 12.6], rel=2e-5)


def test_a_start_that_is_a_part_of_a_period_off_is_not_followed():
    assert fitted(cells().astype(np.float32), off=(1.06, 1.0)) is None


def test_large_arrays_are_left_to_their_parts():
    side = int(MOST_PIXELS**0.5) + 20
    assert fitted(cells((side, side)).astype(np.float32)) is None


def test_a_bank_two_pixels_wide_inside_its_rim_has_no_say():
    """Its ground of second degree is not to be told there: x^2 is the same as 1 for two columns."""
    start = np.diag([1 / 2.4, 1 / 5.6])
    x, y = np.meshgrid(np.arange(120), np.arange(120))
    grey = (100.0 + 20.0 * np.cos(2 * np.pi * x / 2.4) + 15.0 * np.cos(2 * np.pi * y / 5.6)).astype(np.float32)
    polygon = shapely.box(0, 0, 120, 120)
    frame = resample(grey, raster(polygon, grey.shape), polygon, start)
    wide, narrow = (
        tuple((np.array(corners) - np.tile(frame.origin, 2)) / np.tile([frame.step_x[0], frame.step_y[1]], 2))
        for corners in ((40.0, 5.0, 110.0, 115.0), (20.3, 5.0, 27.3, 115.0))
    )
    alone, both = (fit_jointly(grey, frame, banks, start) for banks in ([wide], [wide, narrow]))
    assert fit_jointly(grey, frame, [narrow], start) is None
    assert alone is not None
    assert both is not None
    assert np.array_equal(both[0], alone[0])
    assert np.array_equal(both[1], alone[1])
