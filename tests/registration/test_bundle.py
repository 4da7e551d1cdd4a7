"""Positions and lens in one adjustment, on numbers alone: models chosen, derivatives, and what is stated of both."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dieplat.registration.bundle import adjust, even_change, expected_size, lens_change, windows_of
from dieplat.registration.optics import radial_changes
from dieplat.values.correction import Lens

WIDTH, HEIGHT = 800, 600
NORM = float(np.hypot(WIDTH, HEIGHT) / 2)
ROWS, COLUMNS, PARTS = 4, 5, 6
SIGMA_PX, WINDOW_SIGMA_PX = 0.004, 0.01


def made_up(k1: float, k2: float, rng: np.random.Generator):
    """A grid of tiles with noisy offsets of overlaps and of windows along them, linear in k1 and k2."""
    columns, rows = np.meshgrid(np.arange(COLUMNS), np.arange(ROWS))
    truth = np.stack([columns * 640.0, rows * 480.0], axis=-1).reshape(-1, 2) + rng.normal(0, 4, (ROWS * COLUMNS, 2))
    index = np.arange(ROWS * COLUMNS).reshape(ROWS, COLUMNS)
    pairs = np.concatenate(
        [
            np.stack([index[:, :-1].ravel(), index[:, 1:].ravel()], axis=1),
            np.stack([index[:-1].ravel(), index[1:].ravel()], axis=1),
        ]
    )
    k = np.array([k1, k2])
    offsets, changes, along = [], [], []
    for a, b in pairs:
        dx, dy = truth[b] - truth[a]
        change = even_change((dx, dy), (HEIGHT, WIDTH))
        offset = np.array([dx, dy]) + change @ k + rng.normal(0, SIGMA_PX, 2)
        rows_of = [(*offset, SIGMA_PX**2, 0, SIGMA_PX**2, *change[:, 0], *change[:, 1], 0.0, 0.0)]
        for part in np.linspace(-0.4, 0.4, PARTS):
            x, y = (dx / 2, part * HEIGHT) if dx > dy else (part * WIDTH, dy / 2)
            first, second = radial_changes(np.array(x), np.array(y), dx, dy, NORM)
            seen = np.array([dx, dy]) + k[0] * np.array(first) + k[1] * np.array(second)
            seen = seen + rng.normal(0, WINDOW_SIGMA_PX, 2)
            rows_of.append((*seen, WINDOW_SIGMA_PX**2, 0, WINDOW_SIGMA_PX**2, *first, *second, -y, x))
        offsets.append(offset)
        changes.append(change)
        along.append(np.array(rows_of, dtype=np.float64))
    return truth - truth.mean(axis=0), pairs, np.array(offsets), np.array(changes), along


def adjusted(k1: float, k2: float, seed: int):
    truth, pairs, offsets, changes, along = made_up(k1, k2, np.random.default_rng(seed))
    found = adjust(
        len(truth),
        pairs,
        offsets,
        np.tile([SIGMA_PX**2, 0, SIGMA_PX**2], (len(pairs), 1)),
        truth,
        rejectable=np.ones(len(pairs), bool),
        change=changes,
        windows=windows_of(along, present=None, norm_px=NORM),
        norm_px=NORM,
    )
    return truth, found


def test_a_known_lens_comes_back_with_the_positions() -> None:
    truth, found = adjusted(-0.012, 0.0, 0)
    assert found.lens is not None
    assert found.choice is not None
    assert found.choice.model == "k1"
    assert found.lens.k2 == 0.0
    # Four standard uncertainties.
    assert abs(found.lens.k1 + 0.012) < 4 * found.lens.k1_u < 1e-3
    assert np.abs(found.solution.position_px - truth).max() < 0.05


def test_k2_is_found_where_there_is_one() -> None:
    _, found = adjusted(0.01, -0.006, 1)
    assert found.choice is not None
    assert found.choice.model == "k1 and k2"
    assert found.lens is not None
    assert abs(found.lens.k2 + 0.006) < 4 * found.lens.k2_u


def test_no_lens_is_made_up_where_there_is_none() -> None:
    lenses = [adjusted(0.0, 0.0, 10 + seed)[1].lens for seed in range(25)]
    # What is asked for is four standard deviations: once in 16 000 sets by chance.
    assert not any(lens is None or lens.bends for lens in lenses)


@pytest.mark.parametrize("k1", [0.0, 1e-5, -2e-5])
def test_a_lens_that_is_left_alone_is_covered_by_what_is_stated(k1: float) -> None:
    lenses = [adjusted(k1, 0.0, 200 + seed)[1].lens for seed in range(20)]
    stated = [lens.k1_u for lens in lenses if lens is not None and not lens.bends]
    assert len(stated) == 20
    # One in 20 may miss. The windows tell k1 to 1e-5.
    assert sum(abs(k1) > 1.96 * u for u in stated) <= 1
    assert max(stated) < 6e-5


def test_stated_uncertainties_cover_positions_and_lens() -> None:
    inside, k1_off = [], []
    for seed in range(40):
        truth, found = adjusted(0.012, 0.0, 100 + seed)
        error = found.solution.position_px - truth
        inside.append(np.mean(np.abs(error) < 1.96 * found.solution.position_u_px))
        assert found.lens is not None
        k1_off.append((found.lens.k1 - 0.012) / found.lens.k1_u)
    # k1's error is common to a set's coordinates: each set counts for a few, its share inside scatters by about 8 %;
    # 40 sets by 1.3 %, of which three are allowed.
    assert 0.91 < np.mean(inside) < 0.99
    # Chi with 40 degrees of freedom: 1 with a deviation of 11 %.
    assert 0.65 < np.sqrt(np.mean(np.square(k1_off))) < 1.35


@given(
    k1=st.floats(-0.02, 0.02),
    k2=st.floats(-0.005, 0.005),
    along=st.floats(-0.4, 0.4),
    x=st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_the_chain_rule_through_a_present_lens(k1: float, k2: float, along: float, *, x: bool) -> None:
    """A further k in straightened pictures, against finite differences through the exact model."""
    present = Lens(k1, k2, NORM)
    offset = np.array([640.0, 3.0]) if x else np.array([-2.0, 480.0])
    place = np.array([320.0, along * HEIGHT]) if x else np.array([along * WIDTH, 240.0])

    def shown(point: np.ndarray, more: tuple[float, float]) -> np.ndarray:
        """Where a place appears in a picture taken with the lens and more, straightened by the lens alone."""
        r = np.hypot(*point) / NORM
        bent = r * (1 + (k1 + more[0]) * r**2 + (k2 + more[1]) * r**4)
        straight = bent
        for _ in range(50):
            straight = bent / (1 + k1 * straight**2 + k2 * straight**4)
        return point * straight / r

    first, second = radial_changes(place[0], place[1], offset[0], offset[1], NORM)
    row = np.array([[*offset, 1, 0, 1, *first, *second, -place[1], place[0]]], dtype=np.float64)
    change = lens_change(row, present=present, norm_px=NORM)[0]
    step = 1e-5
    for index in range(2):
        more = (step, 0.0) if index == 0 else (0.0, step)
        less = (-more[0], -more[1])
        there = place - offset
        high = shown(place, more) - shown(there, more)
        low = shown(place, less) - shown(there, less)
        # Some hundred pixels a unit; second order in a step of 1e-5 and rounding stay far below a thousandth of it.
        np.testing.assert_allclose(change[:, index], (high - low) / (2 * step), atol=0.05)


def test_too_few_windows_say_nothing_of_a_lens() -> None:
    _, _, _, _, along = made_up(0.01, 0.0, np.random.default_rng(3))
    assert windows_of(along[:1], present=None, norm_px=NORM).numbers == 0
    assert windows_of([], present=None, norm_px=NORM).numbers == 0


def test_an_odd_window_does_not_count() -> None:
    _, _, _, _, along = made_up(0.01, 0.0, np.random.default_rng(4))
    before = windows_of(along, present=None, norm_px=NORM)
    along[3][2, :2] += 0.7
    after = windows_of(along, present=None, norm_px=NORM)
    k_before, k_after = (np.linalg.solve(w.normal, w.side)[0] for w in (before, after))
    # One window of 186 may change what is found by less than it is uncertain.
    assert k_after == pytest.approx(k_before, abs=float(np.sqrt(np.linalg.inv(before.normal)[0, 0])))


def test_every_pixel_of_an_overlap_counts_alike() -> None:
    dx, dy = 640.0, -17.0
    y, x = np.mgrid[:HEIGHT, :WIDTH] + 0.5
    inside = (x > dx) & (y < HEIGHT + dy)
    first, _ = radial_changes(x[inside] - WIDTH / 2, y[inside] - HEIGHT / 2, dx, dy, NORM)
    assert even_change((dx, dy), (HEIGHT, WIDTH))[:, 0] == pytest.approx([first[0].mean(), first[1].mean()], rel=0.01)


def test_what_is_expected_of_a_size_goes_from_its_uncertainty_to_its_estimate() -> None:
    # With no more than noise in it: the mean of 1 - s is 2/3. Far above the noise the prior has nothing to say.
    assert expected_size(0.0, 2e-5) == pytest.approx(2e-5 * np.sqrt(2 / 3))
    assert expected_size(1e-3, 1e-6) == pytest.approx(1e-3, rel=1e-6)
    assert expected_size(-1e-3, 0.0) == 1e-3


@given(st.floats(0.0, 40.0))
def test_the_expected_size_is_that_of_its_definition(estimate: float) -> None:
    """By the trapezoidal rule over the logarithm of the variance, with u of 1."""
    variance = np.exp(np.linspace(-25.0, 40.0, 20_001))
    total = 1.0 + variance
    weight = variance / total * total**-0.5 * np.exp(-0.5 * estimate**2 / total)
    square = variance / total + (variance / total * estimate) ** 2
    assert expected_size(estimate, 1.0) == pytest.approx(np.sqrt(np.sum(weight * square) / np.sum(weight)), rel=1e-3)
