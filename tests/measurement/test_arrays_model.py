"""The model of a cell: harmonics put into a picture must come back, folded ones too, and a shifted part must be seen.

The truth is a sum of cosines evaluated at the pixels, independent of the library.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_fit import Offsets, fit_lattice, refine
from dieplat.measurement.arrays_model import LOW_FREQUENCY, CellModel, displacement, fit_model, half_plane, strongest

ORDERS = np.array([[1, 0], [0, 1], [1, 1], [2, -1], [3, 0]])
VALUES = np.array([20.0, 12.0j, 5.0 - 4.0j, 3.0, 2.0 + 1.0j])


def lattice(pitch: tuple[float, float], turn_deg: float) -> np.ndarray:
    """Reciprocal vectors of square axes."""
    turn = np.deg2rad(turn_deg)
    periods = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * pitch
    return np.linalg.inv(periods)


def cosines(reciprocal: np.ndarray, size: tuple[int, int], shift: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """100 + a slope + 2 Re sum of the harmonics, at the pixels' centres; `shift` in periods."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    u, v = np.einsum("ij,jyx->iyx", reciprocal, np.stack([x, y])) - np.array(shift)[:, None, None]
    picture = 100.0 + 0.05 * x - 0.02 * y
    for (h, k), value in zip(ORDERS, VALUES, strict=True):
        picture = picture + 2.0 * (value * np.exp(2j * np.pi * (h * u + k * v))).real
    return picture.astype(np.float32)


@settings(max_examples=25, deadline=None)
@given(st.floats(4.1, 9.0), st.floats(4.1, 9.0), st.floats(-1.0, 1.0))
def test_harmonics_come_back_even_beyond_the_sampling_limit(pitch_x: float, pitch_y: float, turn_deg: float):
    """At a pitch below 6 px the third order lies beyond half a cycle a pixel and folds back."""
    reciprocal = lattice((pitch_x, pitch_y), turn_deg)
    picture = cosines(reciprocal, (120, 110))
    # Two orders that fold onto one another within a cycle over the picture cannot be told apart by anything.
    frequencies = np.concatenate([ORDERS @ reciprocal, -ORDERS @ reciprocal])
    for one, other in combinations(frequencies, 2):
        if np.abs((one - other + 0.5) % 1.0 - 0.5).max() < 2.5 / 110:
            return
    model = fit_model(picture, [(5, 5, 115, 105)], reciprocal, ORDERS)
    # The ridge takes up to its own share of each.
    assert np.abs(model.value - VALUES) == pytest.approx(0.0, abs=0.02 * np.abs(VALUES).max())


def test_noise_has_no_orders_and_is_refused():
    picture = np.random.default_rng(3).normal(100, 5, (90, 90)).astype(np.float32)
    reciprocal = lattice((7.3, 6.1), 0.2)
    found = strongest(picture, [(0, 0, 90, 90)], reciprocal)
    # Chance passes exp(-6) of them, and its mirror image comes along.
    assert len(found) <= 4
    with pytest.raises(UndecidedError, match="told from noise"):
        fit_model(picture, [(0, 0, 90, 90)], reciprocal, found[:0])


def test_a_mirror_image_keeps_both_orders_of_a_pair():
    reciprocal = lattice((9.1, 8.3), 0.0)
    picture = cosines(reciprocal, (120, 120))
    found = {tuple(order) for order in strongest(picture, [(2, 2, 118, 118)], reciprocal).tolist()}
    assert {(2, -1), (2, 1), (1, 1), (1, -1)} <= found


@settings(max_examples=20, deadline=None)
@given(st.floats(-0.04, 0.04), st.floats(-0.04, 0.04))
def test_a_shifted_part_is_seen_by_its_shift(du: float, dv: float):
    reciprocal = lattice((8.7, 7.9), 0.4)
    model = fit_model(cosines(reciprocal, (160, 150)), [(5, 5, 155, 145)], reciprocal, ORDERS)
    moved = cosines(reciprocal, (160, 150), (du, dv))
    off, _, gain = displacement(moved, (20, 30, 90, 100), reciprocal, model)
    # One linear step: what is left is of third order in the phase of the highest order, (2 pi 3 x 0.04)^3 / 6.
    assert off == pytest.approx((du, dv), abs=0.004)
    assert gain == pytest.approx(1.0, abs=0.1)


def test_a_lattice_a_little_off_is_put_right():
    true, start = lattice((8.7, 7.9), 0.4), lattice((8.72, 7.88), 0.37)
    picture = cosines(true, (240, 230))
    tiles = [(x, y, x + 36, y + 34) for x in range(4, 200, 38) for y in range(4, 190, 36)]
    found, covariance = refine(picture, [tiles], start)
    # No noise but rounding to 32 bits.
    assert np.abs(np.linalg.inv(found) - np.linalg.inv(true)).max() < 1e-4
    assert np.all(np.diag(covariance) >= 0)


def test_the_slope_and_its_uncertainty_are_those_of_a_straight_line():
    """Least squares of a line with known deviations: u(slope) = s / sqrt(sum (x - mean)^2) (JCGM 100, H.3)."""
    rng = np.random.default_rng(11)
    centre = np.stack(np.meshgrid(np.arange(8.0), np.arange(6.0)), axis=-1).reshape(-1, 2)
    scores = []
    for _ in range(400):
        off = -centre @ np.array([[1e-3, 2e-4], [-3e-4, 5e-4]]).T + rng.normal(0, 0.01, centre.shape)
        offsets = Offsets(np.zeros(len(centre), dtype=np.int64), centre, off, np.full(centre.shape, 1e-8))
        change, covariance = fit_lattice(offsets)
        scores.append((change[0, 0] - 1e-3) / np.sqrt(covariance[0, 0]))
        expected = 0.01 / np.sqrt(((centre[:, 0] - centre[:, 0].mean()) ** 2).sum())
        assert np.sqrt(covariance[0, 0]) == pytest.approx(expected, rel=0.5)  # 45 degrees of freedom: 11 % each
    # 400 draws of a standard normal: the deviation is 1 within four times 1 / sqrt(800).
    assert np.std(scores) == pytest.approx(1.0, abs=0.15)


def test_orders_are_of_one_half_plane():
    orders = {tuple(order) for order in half_plane(lattice((8.0, 9.0), 0.0)).tolist()}
    assert not any((-h, -k) in orders for h, k in orders)


@pytest.mark.parametrize("turn_deg", [-0.4, 0.4])
def test_low_orders_of_a_turned_lattice_are_as_symmetric_as_all(turn_deg: float):
    """The turn puts one of (1, 1) and (1, -1) below the limit and the other above."""
    reciprocal = lattice((4.2, 1.0 / LOW_FREQUENCY), turn_deg)
    orders = np.array([[1, 0], [0, 1], [1, 1], [1, -1]])
    split = np.abs(orders[2:] @ reciprocal).max(axis=1) < LOW_FREQUENCY
    assert split.any()
    assert not split.all()
    low = {tuple(order) for order in CellModel(orders, np.ones(4, complex)).low(reciprocal).orders.tolist()}
    assert (1, 0) in low
    assert all((h, -k) in low for h, k in low if h and k)
