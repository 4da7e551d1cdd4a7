"""All tile positions from all offsets: robust weighted least squares with its covariance. Numbers in, numbers out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.sparse.linalg import splu

Array = npt.NDArray[np.float64]

REJECT_SIGMA = 6.0
FLOOR_PX = 0.008
"""Part of an offset's standard uncertainty that more pixels do not lower: JPEG blocks, unequal focus, shading."""


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Positions (N, 2) about their mean, standard uncertainties (N, 2), residuals (P, 2), which pairs were used (P,).

    `variance_factor` is the ratio of observed to stated variance of the pairs.
    """

    position_px: Array
    position_u_px: Array
    residual_px: Array
    used: npt.NDArray[np.bool_]
    variance_factor: float


def solve_positions(
    tiles: int,
    pairs: npt.NDArray[np.intp],
    offsets_px: Array,
    sigma_px: Array,
    start_px: Array,
    *,
    rejectable: npt.NDArray[np.bool_],
) -> Solution:
    """Solve position[b] - position[a] = offset for all pairs.

    Parameters
    ----------
    tiles : int
    pairs : ndarray of shape (P, 2)
        Indices a, b.
    offsets_px, sigma_px : ndarray of shape (P, 2)
        Offsets and their standard uncertainties, x and y. x and y are solved separately.
    start_px : ndarray of shape (tiles, 2)
        First positions; they only tell which pairs are gross outliers at the start.
    rejectable : ndarray of shape (P,), bool
        False for pairs that must always count (the stage's predictions, the user's ties).

    Returns
    -------
    Solution
        Uncertainties are those of a position against the mean of all (inner constraint, a free network; Koch, Parameter
        Estimation and Hypothesis Testing in Linear Models, 1999), scaled by the a-posteriori variance factor.

    Notes
    -----
    Iteratively reweighted least squares with the weights of Geman and McClure (1985); pairs beyond `REJECT_SIGMA`
    robust deviations at the end are left out and the system is solved once more with plain weights.
    """
    sigma = np.hypot(sigma_px, FLOOR_PX)
    position = start_px - start_px.mean(axis=0)
    count = len(pairs)
    weight = np.ones(count)
    for iteration in range(12):
        residual = offsets_px - (position[pairs[:, 1]] - position[pairs[:, 0]])
        z2 = ((residual / sigma) ** 2).max(axis=1)
        scale2 = max(1.0, float(np.median(z2[rejectable])) / 0.9) if rejectable.any() else 1.0
        # Start wide, so that a first position that is off does not throw out good pairs.
        width2 = scale2 * REJECT_SIGMA**2 * (4.0 if iteration < 4 else 1.0)
        weight = np.where(rejectable, 1 / (1 + z2 / width2) ** 2, 1.0)
        position = _solve(tiles, pairs, offsets_px, sigma, weight)
    residual = offsets_px - (position[pairs[:, 1]] - position[pairs[:, 0]])
    z2 = ((residual / sigma) ** 2).max(axis=1)
    scale2 = max(1.0, float(np.median(z2[rejectable])) / 0.9) if rejectable.any() else 1.0
    used = ~rejectable | (z2 < REJECT_SIGMA**2 * scale2)
    used |= _bridges(tiles, pairs, used)
    position = _solve(tiles, pairs, offsets_px, sigma, used.astype(float))
    residual = offsets_px - (position[pairs[:, 1]] - position[pairs[:, 0]])
    freedom = 2 * (int(used.sum()) - (tiles - 1))
    factor = float((((residual / sigma) ** 2)[used]).sum() / freedom) if freedom >= 4 else 1.0
    factor = max(factor, 1.0)
    uncertainty = _uncertainty(tiles, pairs, sigma, used.astype(float)) * np.sqrt(factor)
    return Solution(position, uncertainty, residual, used, factor)


def _normal(tiles: int, pairs: npt.NDArray[np.intp], weight: Array) -> sp.csc_matrix:
    rows = np.repeat(np.arange(len(pairs)), 2)
    values = np.tile([-1.0, 1.0], len(pairs))
    incidence = sp.csr_matrix((values, (rows, pairs.ravel())), shape=(len(pairs), tiles))
    return sp.csc_matrix(incidence.T @ sp.diags(weight) @ incidence)


def _solve(tiles: int, pairs: npt.NDArray[np.intp], offsets: Array, sigma: Array, weight: Array) -> Array:
    """Weighted least squares on both axes, about the mean; tile 0 is held while solving."""
    position = np.zeros((tiles, 2))
    if tiles < 2:
        return position
    for axis in range(2):
        w = weight / sigma[:, axis] ** 2
        side = np.zeros(tiles)
        np.add.at(side, pairs[:, 1], w * offsets[:, axis])
        np.add.at(side, pairs[:, 0], -w * offsets[:, axis])
        normal = _normal(tiles, pairs, w)
        position[1:, axis] = splu(sp.csc_matrix(normal[1:, 1:])).solve(side[1:])
    return np.asarray(position - position.mean(axis=0), dtype=np.float64)


def _uncertainty(tiles: int, pairs: npt.NDArray[np.intp], sigma: Array, weight: Array) -> Array:
    """Standard uncertainty of each position against the mean of all: the diagonal of the pseudo-inverse."""
    result = np.zeros((tiles, 2))
    if tiles < 2:
        return result
    for axis in range(2):
        held = splu(sp.csc_matrix(_normal(tiles, pairs, weight / sigma[:, axis] ** 2)[1:, 1:]))
        row_mean = np.concatenate([[0.0], held.solve(np.full(tiles - 1, 1.0 / tiles))])
        diagonal = np.zeros(tiles)
        for first in range(1, tiles, 256):
            block = np.arange(first, min(first + 256, tiles))
            unit = np.zeros((tiles - 1, len(block)))
            unit[block - 1, np.arange(len(block))] = 1.0
            diagonal[block] = held.solve(unit)[block - 1, np.arange(len(block))]
        result[:, axis] = np.sqrt(np.maximum(diagonal - 2 * row_mean + row_mean.mean(), 0.0))
    return result


def _bridges(tiles: int, pairs: npt.NDArray[np.intp], used: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Rejected pairs that alone hold parts together must stay, or the system has no solution."""
    kept = np.zeros(len(pairs), dtype=bool)
    while True:
        mask = used | kept
        graph = sp.coo_matrix((np.ones(mask.sum()), (pairs[mask, 0], pairs[mask, 1])), shape=(tiles, tiles))
        parts, label = sp.csgraph.connected_components(graph, directed=False)
        crossing = np.nonzero(~mask & (label[pairs[:, 0]] != label[pairs[:, 1]]))[0]
        if parts <= 1 or len(crossing) == 0:
            return kept
        kept[crossing[0]] = True
