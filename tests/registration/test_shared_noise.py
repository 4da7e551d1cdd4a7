"""Offsets that rest on the same pixels of a tile: their correlation, and what it does to positions."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from dieplat.registration.shared_noise import Coupling, shared_noise
from dieplat.registration.solve import solve_positions

SIZE_PX = 30, 20


def corners_of(rows: int, columns: int, step_px: tuple[int, int]) -> np.ndarray:
    places = np.meshgrid(np.arange(columns) * step_px[0], np.arange(rows) * step_px[1])
    return np.stack(places, axis=-1).reshape(-1, 2).astype(float)


def overlapping(corners: np.ndarray) -> np.ndarray:
    near = [
        (a, b) for a, b in combinations(range(len(corners)), 2) if (np.abs(corners[b] - corners[a]) < SIZE_PX).all()
    ]
    return np.array(near)


def noisy_errors(rng: np.random.Generator, corners: np.ndarray, pairs: np.ndarray, times: int) -> np.ndarray:
    """Errors (times, P, 2) of offsets that are means over the overlap of what the noise of both tiles pulls."""
    errors = np.empty((times, len(pairs), 2))
    places = corners.astype(int)
    for time in range(times):
        pull = rng.normal(size=(len(corners), SIZE_PX[1], SIZE_PX[0], 2))
        for number, (a, b) in enumerate(pairs):
            x, y = places[b] - places[a]
            width, height = SIZE_PX[0] - abs(x), SIZE_PX[1] - abs(y)
            of_a = pull[a, max(0, y) :, max(0, x) :][:height, :width]
            of_b = pull[b, max(0, -y) :, max(0, -x) :][:height, :width]
            errors[time, number] = (of_b - of_a).mean(axis=(0, 1))
    return errors


@pytest.fixture(scope="module")
def grid() -> tuple[np.ndarray, np.ndarray, np.ndarray, Coupling]:
    """Nine tiles that overlap by two fifths, their pairs, errors of these, and how they should be coupled."""
    corners = corners_of(3, 3, (18, 12))
    pairs = overlapping(corners)
    errors = noisy_errors(np.random.default_rng(0), corners, pairs, 1200)
    return corners, pairs, errors, shared_noise(pairs, corners, SIZE_PX, np.ones(len(pairs)))


def test_correlation_is_that_of_simulated_noise(grid) -> None:
    _, pairs, errors, coupling = grid
    # Both axes see independent draws of the same thing.
    seen = np.corrcoef(np.concatenate([errors[..., 0], errors[..., 1]]).T)
    stated = np.eye(len(pairs))
    for (one, other), value in zip(coupling.between, coupling.correlation, strict=True):
        stated[one, other] = stated[other, one] = value
    # A correlation from 2,400 draws scatters by 0.02; of some 200 none should be off by 4.5 times as much.
    assert np.abs(seen - stated).max() < 0.09
    assert np.sqrt(np.square(seen - stated).mean()) < 0.023
    assert np.abs(stated - np.eye(len(pairs))).max() > 0.2


def test_pairs_without_a_common_place_are_not_coupled() -> None:
    corners = np.array([[0.0, 0.0], [20.0, 0.0], [40.0, 0.0]])
    assert len(shared_noise(np.array([[0, 1], [1, 2]]), corners, SIZE_PX, np.ones(2)).correlation) == 0


def test_two_ends_of_a_chain_pull_a_tile_opposite_ways() -> None:
    corners = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0]])
    coupling = shared_noise(np.array([[0, 1], [1, 2]]), corners, SIZE_PX, np.ones(2))
    # 10 of 20 columns are common: the noise of the middle tile moves one offset up where it moves the other down.
    np.testing.assert_allclose(coupling.correlation, [-10 / (2 * 20)])


def test_uncertainty_is_the_scatter_of_positions_with_shared_noise(grid) -> None:
    corners, pairs, errors, coupling = grid
    true = corners - corners.mean(axis=0)
    overlaps = np.prod(np.array(SIZE_PX) - np.abs(corners[pairs[:, 1]] - corners[pairs[:, 0]]), axis=1)
    cov = np.stack([2 / overlaps, 0 * overlaps, 2 / overlaps], axis=-1)
    found, stated, alone = [], [], []
    for error in errors[:150]:
        offsets = true[pairs[:, 1]] - true[pairs[:, 0]] + error
        every = np.ones(len(pairs), bool)
        solution = solve_positions(len(true), pairs, offsets, cov, true, rejectable=every, coupling=coupling)
        found.append(solution.position_px - true)
        stated.append(solution.position_u_px)
        alone.append(solve_positions(len(true), pairs, offsets, cov, true, rejectable=every).position_u_px)
    scatter = np.sqrt(np.mean(np.square(found)))
    # 150 layouts of 16 independent numbers: the scatter is known to 1.5 %.
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(scatter, rel=0.05)
    assert np.sqrt(np.mean(np.square(alone))) < 0.85 * scatter


def test_covariance_is_that_of_the_whole_matrices() -> None:
    rng = np.random.default_rng(5)
    corners = corners_of(2, 3, (18, 12))
    pairs = overlapping(corners)
    count, tiles = len(pairs), len(corners)
    spread = rng.normal(size=(count, 2, 2))
    full = 0.01 * (spread @ spread.transpose(0, 2, 1) + np.eye(2))
    coupling = shared_noise(pairs, corners, SIZE_PX, np.ones(count))
    offsets = corners[pairs[:, 1]] - corners[pairs[:, 0]]
    cov = np.stack([full[:, 0, 0], full[:, 0, 1], full[:, 1, 1]], axis=-1)
    # The stage's word is not scaled, so that the variance factor stays out of it.
    solution = solve_positions(tiles, pairs, offsets, cov, corners, rejectable=np.zeros(count, bool), coupling=coupling)
    design = np.zeros((2 * count, 2 * tiles))
    sigma = np.zeros((2 * count, 2 * count))
    weights = np.zeros((2 * count, 2 * count))
    roots = []
    for matrix in full:
        values, vectors = np.linalg.eigh(matrix)
        roots.append(vectors * np.sqrt(values) @ vectors.T)
    for number, (a, b) in enumerate(pairs):
        own = slice(2 * number, 2 * number + 2)
        design[own, 2 * a : 2 * a + 2], design[own, 2 * b : 2 * b + 2] = -np.eye(2), np.eye(2)
        sigma[own, own], weights[own, own] = full[number], np.linalg.inv(full[number])
    for (one, other), value in zip(coupling.between, coupling.correlation, strict=True):
        block = value * roots[one] @ roots[other]
        sigma[2 * one : 2 * one + 2, 2 * other : 2 * other + 2] = block
        sigma[2 * other : 2 * other + 2, 2 * one : 2 * one + 2] = block.T
    estimator = np.linalg.pinv(design.T @ weights @ design) @ design.T @ weights
    expected = np.sqrt(np.diag(estimator @ sigma @ estimator.T)).reshape(-1, 2)
    np.testing.assert_allclose(solution.position_u_px, expected, rtol=1e-3)


def test_parts_that_only_the_stage_joins_are_judged_by_their_own_loops(grid) -> None:
    corners, pairs, errors, _ = grid
    apart = np.concatenate([corners, np.add(corners, (1000.0, 0.0))])
    both = np.concatenate([pairs, pairs + len(corners), [[2, 9]]])
    pictures = np.arange(len(both)) < 2 * len(pairs)
    coupling = shared_noise(both, apart, SIZE_PX, pictures.astype(float))
    overlaps = np.prod(np.array(SIZE_PX) - np.abs(corners[pairs[:, 1]] - corners[pairs[:, 0]]), axis=1)
    # As of real tiles, offsets are good to thousandths of a pixel, the stage to some.
    variance = np.append(np.tile(2e-6 / overlaps, 2), 25.0)
    cov = np.stack([variance, 0 * variance, variance], axis=-1)
    factors = []
    for one, other in zip(errors[:40], errors[40:80], strict=True):
        noise = 1e-3 * np.concatenate([one, other, [[0.0, 0.0]]])
        offsets = apart[both[:, 1]] - apart[both[:, 0]] + noise
        factors.append(
            solve_positions(
                len(apart), both, offsets, cov, apart, rejectable=pictures, coupling=coupling
            ).variance_factor
        )
    # Right uncertainties were stated: the factor, never below 1, scatters by some tenths at the most.
    assert np.median(factors) < 1.2
