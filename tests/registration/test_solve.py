"""The solver on numbers alone: random layouts, a wrong offset, honest uncertainties."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sp

from dieplat.registration.solve import inverse_diagonal, solve_positions


def grid_problem(rng: np.random.Generator, rows: int, columns: int, sigma_px: float):
    """True positions about their mean, neighbour pairs, noisy offsets and their sigmas."""
    truth = np.stack(np.meshgrid(np.arange(columns) * 640.0, np.arange(rows) * 480.0), axis=-1).reshape(-1, 2)
    truth += rng.normal(0, 5, truth.shape)
    index = np.arange(rows * columns).reshape(rows, columns)
    pairs = np.concatenate(
        [
            np.stack([index[:, :-1].ravel(), index[:, 1:].ravel()], axis=1),
            np.stack([index[:-1].ravel(), index[1:].ravel()], axis=1),
        ]
    )
    offsets = truth[pairs[:, 1]] - truth[pairs[:, 0]] + rng.normal(0, sigma_px, (len(pairs), 2))
    return truth - truth.mean(axis=0), pairs, offsets, np.tile([sigma_px**2, 0.0, sigma_px**2], (len(pairs), 1))


@pytest.mark.parametrize("shape", [(1, 2), (2, 2), (5, 7), (20, 20)])
def test_exact_offsets_give_exact_positions(shape: tuple[int, int]) -> None:
    truth, pairs, offsets, sigma = grid_problem(np.random.default_rng(0), *shape, 1e-9)
    ok = np.ones(len(pairs), bool)
    solution = solve_positions(len(truth), pairs, offsets, sigma, truth + 3.0, rejectable=ok)
    # Offsets were drawn with 1e-9 px; a sum over 20 x 20 tiles stays far below 1e-6.
    np.testing.assert_allclose(solution.position_px, truth, atol=1e-6)


def test_one_wrong_pair_is_left_out() -> None:
    truth, pairs, offsets, sigma = grid_problem(np.random.default_rng(1), 5, 6, 0.05)
    offsets[7] += (8.0, 0.0)
    ok = np.ones(len(pairs), bool)
    solution = solve_positions(len(truth), pairs, offsets, sigma, truth, rejectable=ok)
    assert not solution.used[7]
    assert solution.used.sum() == len(pairs) - 1
    # Five sigma of a single offset; positions average several.
    np.testing.assert_allclose(solution.position_px, truth, atol=0.25)


def test_stated_uncertainty_covers_the_truth() -> None:
    inside = []
    for seed in range(40):
        truth, pairs, offsets, sigma = grid_problem(np.random.default_rng(100 + seed), 4, 5, 0.1)
        solution = solve_positions(len(truth), pairs, offsets, sigma, truth, rejectable=np.ones(len(pairs), bool))
        inside.append(np.abs(solution.position_px - truth) < 1.96 * solution.position_u_px)
    # 40 x 40 coordinates, correlated within a layout: about 40 x 8 independent ones, so 95 % scatters by 1.2 % and
    # three of these are allowed.
    assert 0.914 < np.mean(inside) < 0.986


def test_a_lone_wrong_bridge_must_stay() -> None:
    pairs = np.array([[0, 1], [1, 2]])
    offsets = np.array([[100.0, 0.0], [100.0, 0.0]])
    start = np.array([[0.0, 0.0], [100.0, 0.0], [260.0, 0.0]])
    solution = solve_positions(
        3, pairs, offsets, np.tile([0.01, 0.0, 0.01], (2, 1)), start, rejectable=np.ones(2, bool)
    )
    np.testing.assert_allclose(np.diff(solution.position_px[:, 0]), [100.0, 100.0], atol=1e-9)


@pytest.mark.parametrize(("tiles", "links"), [(1, 0), (2, 1), (9, 12), (150, 320)])
def test_the_diagonal_of_an_inverse(tiles: int, links: int) -> None:
    rng = np.random.default_rng(tiles)
    matrix = np.diag(rng.uniform(0.1, 1.0, 2 * tiles))
    for _ in range(links):
        a, b = rng.choice(tiles, 2, replace=False)
        step = np.zeros((2, 2 * tiles))
        step[[0, 1], [2 * a, 2 * a + 1]], step[[0, 1], [2 * b, 2 * b + 1]] = -1.0, 1.0
        root = rng.normal(size=(2, 2)) * 10 ** rng.uniform(-1, 2)
        matrix += step.T @ root @ root.T @ step
    found = inverse_diagonal(sp.csc_matrix(matrix))
    np.testing.assert_allclose(found, np.diag(np.linalg.inv(matrix)), rtol=1e-8)
