"""Uncertainty from pixels whose errors are alike from one to the next."""

import numpy as np
import pytest
from scipy.ndimage import uniform_filter

from dieplat.measurement.arrays_alike import REACH_PX, Left, widened

SIZE = 120


def left(noise, columns):
    """What a fit of `columns` leaves of `noise`, and the covariance that pixels of their own would give it."""
    y, x = np.mgrid[:SIZE, :SIZE].reshape(2, -1)
    fit = np.linalg.lstsq(columns, noise.ravel(), rcond=None)[0]
    miss = noise.ravel() - columns @ fit
    variance = float(miss @ miss) / (miss.size - columns.shape[1])
    covariance = variance * np.linalg.inv(columns.T @ columns)
    return fit, covariance, Left(np.stack([x, y]).astype(float), miss, columns, variance, variance)


def slopes():
    y, x = np.mgrid[:SIZE, :SIZE].reshape(2, -1) / SIZE - 0.5
    return np.stack([np.cos(40 * x), np.sin(40 * x), np.cos(55 * y)], axis=1)


def test_errors_of_every_pixel_s_own_widen_nothing():
    _, covariance, bank = left(np.random.default_rng(1).normal(0, 2, (SIZE, SIZE)), slopes())
    wider = np.sqrt(np.diag(widened(covariance, [bank])) / np.diag(covariance))
    assert np.all((wider >= 1.0) & (wider < 1.15))


def test_a_mean_over_errors_alike_in_three_by_three_pixels_is_three_times_less_sure():
    """The closed form: the mean keeps the variance of the white noise, each pixel a ninth of it."""
    noise = uniform_filter(np.random.default_rng(2).normal(0, 3, (SIZE, SIZE)), 3)
    _, covariance, bank = left(noise, np.ones((SIZE**2, 1)))
    wider = float(np.sqrt(widened(covariance, [bank])[0, 0] / covariance[0, 0]))
    # The taper takes the mean of 1 - |d| / reach off, d of one to two pixels: some 5 % along either axis.
    assert wider == pytest.approx(3.0 * (1.0 - 8.0 / 9.0 / REACH_PX), rel=0.08)


def test_stated_intervals_hold_the_truth_where_stains_are_broader_than_a_pixel():
    rng, columns = np.random.default_rng(3), slopes()
    off, alone = [], []
    for _ in range(150):
        noise = uniform_filter(rng.normal(0, 3, (SIZE, SIZE)), 5, mode="wrap")
        fit, covariance, bank = left(noise, columns)
        off.append(fit / np.sqrt(np.diag(widened(covariance, [bank]))))
        alone.append(fit / np.sqrt(np.diag(covariance)))
    # 450 values, about independent: 95 % +- 1.0 %.
    assert 0.92 < np.mean(np.abs(off) < 1.96) < 0.98
    assert np.mean(np.abs(alone) < 1.96) < 0.8
