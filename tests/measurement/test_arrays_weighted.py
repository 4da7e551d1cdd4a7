"""Pixels weighed by what their errors share."""

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.ndimage import gaussian_filter

from dieplat.measurement.arrays_alike import Left
from dieplat.measurement.arrays_weighted import REACH_PX, Weights, weights_of

HEIGHT, WIDTH = 14, 11


def places(keep=slice(None)):
    y, x = np.mgrid[:HEIGHT, :WIDTH].reshape(2, -1)
    return np.stack([x + 40.0, y + 7.0])[:, keep]


def falling(far):
    return np.exp(-0.5 * (np.arange(REACH_PX) / far) ** 2)


def left_of(noise):
    """A fit that leaves this picture."""
    y, x = np.mgrid[: noise.shape[0], : noise.shape[1]].reshape(2, -1)
    return Left(np.stack([x, y]).astype(float), noise.ravel(), np.ones((noise.size, 1)), float(noise.var()), 1.0)


def test_sums_of_products_are_those_with_the_inverse_of_the_whole_covariance():
    weights = Weights(0.6, falling(2.0), falling(3.5))
    like_x, like_y = toeplitz(falling(2.0)[:WIDTH]), toeplitz(falling(3.5)[:HEIGHT])
    covariance = 0.4 * np.eye(HEIGHT * WIDTH) + 0.6 * np.kron(like_y, like_x)
    columns = np.random.default_rng(1).normal(size=(HEIGHT * WIDTH, 5))
    wanted = np.linalg.solve(covariance, columns)
    whitened = weights.whitened(places(), columns)
    assert whitened.T @ whitened == pytest.approx(columns.T @ wanted)
    assert weights.divided(places(), columns) == pytest.approx(wanted)


def test_pixels_that_are_left_out_have_no_say():
    """What a column has there is not asked for, and a fit of what is exact stays exact."""
    keep = np.random.default_rng(2).random(HEIGHT * WIDTH) > 0.1
    columns = np.random.default_rng(3).normal(size=(int(keep.sum()), 3))
    level = columns @ [3.0, -1.0, 0.5]
    both = Weights(0.7, falling(3.0), falling(3.0)).whitened(places(keep), np.column_stack([columns, level]))
    assert np.linalg.lstsq(both[:, :3], both[:, 3], rcond=None)[0] == pytest.approx([3.0, -1.0, 0.5])


def test_how_alike_errors_are_is_told_from_what_is_left():
    """White noise of 2 and stains of 1.5 levels, alike as exp(-d^2 / 4 s^2) where they were drawn with a blur of s."""
    rng, blur = np.random.default_rng(4), 3.0
    stains = gaussian_filter(rng.normal(size=(200, 300)), blur, mode="wrap")
    found = weights_of([left_of(rng.normal(0, 2.0, stains.shape) + 1.5 * stains / stains.std())])
    assert found is not None
    assert found.share == pytest.approx(1.5**2 / (1.5**2 + 2.0**2), abs=0.04)
    near = np.arange(1, 6)
    wanted = np.exp(-(near**2) / (4 * blur**2)) * (1 - near / REACH_PX)
    for along in (found.along_x, found.along_y):
        assert along[near] == pytest.approx(wanted, abs=0.08)


def test_errors_of_their_own_and_rounding_ask_for_no_weights():
    rng = np.random.default_rng(5)
    assert weights_of([left_of(rng.normal(0, 2.0, (200, 300)))]) is None
    assert weights_of([left_of(0.2 * gaussian_filter(rng.normal(size=(200, 300)), 3.0))]) is None
    assert weights_of([left_of(np.zeros((30, 40)))]) is None
