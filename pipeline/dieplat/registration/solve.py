"""All tile positions from all offsets: robust weighted least squares with its covariance. Numbers in, numbers out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components, reverse_cuthill_mckee
from scipy.sparse.linalg import SuperLU, splu

from dieplat.registration.shared_noise import NO_COUPLING, Coupling

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.intp]

REJECT_SIGMA = 6.0
HUBER_SIGMA = 3.0
SMALL_PX = 0.05
"""A pair that misfits by less is never left out: that much is no wrong place, whatever its stated uncertainty."""
MEDIAN_CHI2 = 2 * float(np.log(2))
"""Median of chi-square with two degrees of freedom: what the square of a misfit should be half of the time."""
USUAL_FACTOR = 1.0
"""Observed over stated variance of a pair's offset, over phantoms of every kind: little is missing from the latter."""
USUAL_FREEDOM = 16.0
"""Degrees of freedom that `USUAL_FACTOR` counts for: sets scatter about it by about a third."""
NUDGE = 1e-3
"""Part of what shared noise adds by which the normal equations are changed to see what comes of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Common:
    """Unknowns that all pairs share, such as the lens's.

    change : ndarray of shape (P, 2, K)
        How the offset of every pair changes (x, y) with each of them.
    normal, side : ndarrays of shape (K, K) and (K,)
        What is known of them from elsewhere, as normal equations.
    """

    change: Array
    normal: Array
    side: Array


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Positions (N, 2) about their mean, standard uncertainties (N, 2), residuals (P, 2), which pairs were used (P,).

    `variance_factor` is the ratio of observed to stated variance of the pairs. `common` (K,) are the shared unknowns
    and `common_cov` (K, K) is their covariance; both are empty where there are none.
    """

    position_px: Array
    position_u_px: Array
    residual_px: Array
    used: Flags
    variance_factor: float
    common: Array
    common_cov: Array


def solve_positions(
    tiles: int,
    pairs: Indices,
    offsets_px: Array,
    cov_px2: Array,
    start_px: Array,
    *,
    rejectable: Flags,
    common: Common | None = None,
    coupling: Coupling = NO_COUPLING,
) -> Solution:
    """Solve position[b] - position[a] + change @ common = offset for all pairs.

    Parameters
    ----------
    tiles : int
    pairs : ndarray of shape (P, 2)
        Indices a, b.
    offsets_px : ndarray of shape (P, 2)
        Offsets, x and y.
    cov_px2 : ndarray of shape (P, 3)
        Their covariances xx, xy, yy.
    start_px : ndarray of shape (tiles, 2)
        First positions; they only tell which pairs are gross outliers at the start.
    rejectable : ndarray of shape (P,), bool
        False for pairs that must always count (the stage's predictions, the user's ties). They are taken at their
        word; the variance of the others is scaled by what their loops say of it.
    common : Common, optional
        Shared unknowns and how offsets change with them.
    coupling : Coupling, optional
        Which pairs share noise. It does not change the weights, which lose next to nothing by that, but what the loops
        say of the variance and the uncertainties.

    Returns
    -------
    Solution
        Uncertainties are those of a position against the mean of all (inner constraint, a free network; Koch, Parameter
        Estimation and Hypothesis Testing in Linear Models, 1999) and contain those of the shared unknowns.

    Notes
    -----
    Iteratively reweighted least squares with the weights of Geman and McClure (1985); pairs beyond `REJECT_SIGMA`
    robust deviations at the end are left out, the rest is solved with the weights of Huber (1964). The variance factor
    is the a-posteriori one of the loops, drawn towards `USUAL_FACTOR` where there are few: the mean of a scaled inverse
    chi-square prior's posterior scale (Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 2.6); but never below it.
    """
    if common is None:
        common = Common(np.zeros((len(pairs), 2, 0)), np.zeros((0, 0)), np.zeros(0))
    system = _System(tiles, pairs, offsets_px, _inverse(cov_px2), common)
    unknown = np.concatenate([(start_px - start_px.mean(axis=0)).ravel(), np.zeros(len(common.side))])
    if len(common.side):
        unknown[2 * tiles :] = np.linalg.solve(common.normal, common.side)
    for iteration in range(12):
        z2 = system.misfit(unknown)
        # Start wide, so that a first position that is off does not throw out good pairs.
        width2 = _scale2(z2, rejectable) * REJECT_SIGMA**2 * (4.0 if iteration < 4 else 1.0)
        unknown = system.solve(np.where(rejectable, geman_mcclure(z2, width2), 1.0))
    z2 = system.misfit(unknown)
    scale2 = _scale2(z2, rejectable)
    small = np.abs(system.residual(unknown)).max(axis=1, initial=0.0) < SMALL_PX
    used = ~rejectable | (z2 < REJECT_SIGMA**2 * scale2) | small
    used |= _bridges(tiles, pairs, used)
    weight = used.astype(np.float64)
    for _ in range(4):
        unknown = system.solve(weight)
        z2 = system.misfit(unknown)
        weight = np.where(rejectable, huber(z2, HUBER_SIGMA**2 * scale2), 1.0) * used
    counted = used & rejectable
    freedom = _freedom(tiles, pairs[counted], len(common.side)) - system.taken_up(weight, coupling)
    factor = _variance_factor((weight * z2)[counted], freedom)
    weight = np.where(rejectable, weight / factor, weight)
    unknown = system.solve(weight)
    position_u, common_cov = system.uncertainty(weight, coupling)
    position = unknown[: 2 * tiles].reshape(tiles, 2)
    residual = system.residual(unknown)
    return Solution(position, position_u, residual, used, factor, unknown[2 * tiles :], common_cov)


def geman_mcclure(z2: Array, width2: float) -> Array:
    """Weights that fall to nothing far out, for squared misfits."""
    return np.asarray(1 / (1 + z2 / width2) ** 2, dtype=np.float64)


def huber(z2: Array, width2: float) -> Array:
    """Weights that let a misfit beyond the width pull no harder than at it."""
    return np.asarray(np.sqrt(width2 / np.maximum(z2, width2)), dtype=np.float64)


def _scale2(z2: Array, rejectable: Flags) -> float:
    return max(1.0, float(np.median(z2[rejectable])) / MEDIAN_CHI2) if rejectable.any() else 1.0


def _inverse(cov_px2: Array) -> Array:
    xx, xy, yy = cov_px2.T
    inverse = np.stack([np.stack([yy, -xy], axis=-1), np.stack([-xy, xx], axis=-1)], axis=-2)
    return np.asarray(inverse / (xx * yy - xy * xy)[:, None, None], dtype=np.float64)


def _freedom(tiles: int, pairs: Indices, common: int) -> int:
    """How many numbers pairs say more than positions and shared unknowns can follow."""
    graph = sp.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(tiles, tiles))
    parts = int(connected_components(graph, directed=False)[0])
    return max(2 * (len(pairs) - (tiles - parts)) - common, 0)


def _variance_factor(z2: Array, freedom: float) -> float:
    seen = float((USUAL_FREEDOM * USUAL_FACTOR + z2.sum()) / (USUAL_FREEDOM + max(freedom, 0.0)))
    # Loops cannot show that less is right: what a tile brings into all its pairs alike, as the compression of a
    # repeating pattern does, closes every loop (memories among the phantoms: a third less in loops, nothing in places).
    return max(seen, USUAL_FACTOR)


class _System:
    """The linear system; unknowns are x and y of tile 0, of tile 1, ... and then the shared ones."""

    def __init__(self, tiles: int, pairs: Indices, offsets: Array, inverse: Array, common: Common) -> None:
        self._tiles, self._inverse, self._common = tiles, inverse, common
        count = len(pairs)
        rows = np.repeat(np.arange(2 * count), 2)
        axis = np.array([0, 1])
        columns = (2 * pairs[:, None, :] + axis[None, :, None]).ravel()
        steps = sp.csr_matrix((np.tile([-1.0, 1.0], 2 * count), (rows, columns)), shape=(2 * count, 2 * tiles))
        shared = sp.csr_matrix(common.change.reshape(2 * count, len(common.side)))
        self._design = sp.csr_matrix(sp.hstack([steps, shared]))
        self._offsets = offsets.ravel()

    def residual(self, unknown: Array) -> Array:
        """Offset minus what the unknowns give, (P, 2)."""
        return np.asarray(self._offsets - self._design @ unknown, dtype=np.float64).reshape(-1, 2)

    def misfit(self, unknown: Array) -> Array:
        """Squared residual of every pair in stated standard deviations (of both axes together)."""
        residual = self.residual(unknown)
        return np.asarray(np.einsum("pi,pij,pj->p", residual, self._inverse, residual), dtype=np.float64)

    def _weighted(self, weight: Array) -> sp.csr_matrix:
        blocks = self._inverse * weight[:, None, None]
        count = len(blocks)
        store = sp.bsr_matrix((blocks, np.arange(count), np.arange(count + 1)), shape=(2 * count, 2 * count))
        return sp.csr_matrix(self._design.T @ store)

    def _normal(self, weight: Array) -> sp.csc_matrix:
        """What is observed in the normal matrix, the shared unknowns last."""
        return sp.csc_matrix(self._weighted(weight) @ self._design)

    def _coupled(self, weight: Array, coupling: Coupling) -> sp.csc_matrix:
        """What noise that pairs share adds to the covariance of the normal equations' right side."""
        one, other = coupling.between.T
        strength = coupling.correlation * np.sqrt(weight[one] * weight[other])
        root = _root(self._inverse)
        blocks = np.einsum("c,cij,cjk->cik", strength, root[one], root[other])
        count = len(self._inverse)
        rows, columns = (
            2 * one[:, None, None] + np.array([[[0], [1]]]),
            2 * other[:, None, None] + np.array([[[0, 1]]]),
        )
        places = np.broadcast_to(rows, blocks.shape).ravel(), np.broadcast_to(columns, blocks.shape).ravel()
        half = sp.csr_matrix((blocks.ravel(), places), shape=(2 * count, 2 * count))
        return sp.csc_matrix(self._design.T @ (half + half.T) @ self._design)

    def _factors(self, normal: sp.csc_matrix) -> tuple[SuperLU, Array, Array]:
        """Positions eliminated first, with tile 0 held, so that what is shared does not fill the sparse system.

        The factors of the positions' own normal matrix, its inverse times their coupling to what is shared (Schur
        complement), and the covariance of what is shared.
        """
        own, shared = slice(2, 2 * self._tiles), slice(2 * self._tiles, None)
        held = splu(sp.csc_matrix(normal[own, own]), permc_spec="MMD_AT_PLUS_A")
        coupling = normal[own, shared].toarray()
        through = held.solve(coupling)
        rest = normal[shared, shared].toarray() + self._common.normal - coupling.T @ through
        return held, through, np.asarray(np.linalg.inv(rest), dtype=np.float64)

    def solve(self, weight: Array) -> Array:
        """Weighted least squares; positions about their mean."""
        split = 2 * self._tiles
        unknown = np.zeros(split + len(self._common.side))
        if self._tiles < 2:
            return unknown
        weighted = self._weighted(weight)
        side = np.asarray(weighted @ self._offsets)
        side[split:] += self._common.side
        held, through, cov = self._factors(sp.csc_matrix(weighted @ self._design))
        unknown[split:] = cov @ (side[split:] - through.T @ side[2:split])
        unknown[2:split] = held.solve(side[2:split]) - through @ unknown[split:]
        for axis in range(2):
            own = unknown[axis:split:2]
            own -= own.mean()
        return unknown

    def taken_up(self, weight: Array, coupling: Coupling) -> float:
        """By how much less the pairs' squared misfits come to, because noise that they share moves a tile as a whole.

        With normal matrix N and coupled part M that is the trace of M / N: the change of log det N with N. Pairs of the
        stage are in N, too, and hardly matter there: they are so much weaker than pictures.
        """
        if self._tiles < 2 or not len(coupling.correlation):
            return 0.0
        normal = self._normal(weight)
        change = NUDGE * self._coupled(weight, coupling)
        return (self._log_det(sp.csc_matrix(normal + change)) - self._log_det(normal)) / NUDGE

    def _log_det(self, normal: sp.csc_matrix) -> float:
        held, _, cov = self._factors(normal)
        return float(np.log(np.abs(held.U.diagonal())).sum() - np.linalg.slogdet(cov)[1])

    def uncertainty(self, weight: Array, coupling: Coupling) -> tuple[Array, Array]:
        """Standard uncertainty of each position against the mean of all, and the covariance of what is shared.

        With normal matrix N and coupled part M the covariance is 1/N + (1/N) M (1/N) (least squares with weights other
        than the inverse covariance). The second part is how 1/N changes with N against M, and comes from changing it.
        """
        if self._tiles < 2:
            return np.zeros((self._tiles, 2)), np.zeros((len(self._common.side), len(self._common.side)))
        normal = self._normal(weight)
        variance, cov = self._covariance(normal)
        if len(coupling.correlation):
            change = NUDGE * self._coupled(weight, coupling)
            less = self._covariance(sp.csc_matrix(normal - change))
            variance = variance + (less[0] - variance) / NUDGE
            cov = cov + (less[1] - cov) / NUDGE
        return np.sqrt(np.maximum(variance, 0.0)), cov

    def _covariance(self, normal: sp.csc_matrix) -> tuple[Array, Array]:
        """Variances of the positions about their mean and the covariance of what is shared, of a normal matrix."""
        tiles = self._tiles
        held, through, cov = self._factors(normal)
        size = 2 * tiles - 2
        diagonal = np.zeros(2 * tiles)
        diagonal[2:] = inverse_diagonal(sp.csc_matrix(normal[2 : 2 * tiles, 2 : 2 * tiles]))
        diagonal[2:] += np.einsum("ik,kl,il->i", through, cov, through)
        variance = np.zeros((tiles, 2))
        for axis in range(2):
            # Off the mean: the diagonal of the pseudo-inverse from the inverse that holds tile 0.
            every = np.zeros(size)
            every[axis::2] = 1.0 / tiles
            mean = held.solve(every) + through @ (cov @ (through.T @ every))
            row_mean = np.concatenate([[0.0], mean[axis::2]])
            variance[:, axis] = diagonal[axis::2] - 2 * row_mean + row_mean.mean()
        return variance, cov


def _root(matrix: Array) -> Array:
    """The symmetric root of symmetric, positive definite matrices (n, 2, 2) (Cayley and Hamilton)."""
    middle = np.sqrt(np.linalg.det(matrix))[:, None, None]
    trace = np.trace(matrix, axis1=1, axis2=2)[:, None, None]
    return np.asarray((matrix + middle * np.eye(2)) / np.sqrt(trace + 2 * middle), dtype=np.float64)


def inverse_diagonal(matrix: sp.csc_matrix) -> Array:
    """The diagonal of the inverse of a sparse, symmetric, positive definite matrix (n, n).

    Unknowns are put in an order in which each meets only near ones (reverse Cuthill-McKee; George and Liu, Computer
    Solution of Large Sparse Positive Definite Systems, 1981), so that blocks along the diagonal meet only the next
    one. The inverse's own blocks then follow one from the other, from the last to the first (Takahashi, Fagan and Chen
    1973; Meurant 1992, SIAM J. Matrix Anal. Appl. 13, 707-728): for a grid of R by C tiles, R >= C, in R C^3 steps.
    """
    size = matrix.shape[0]
    order = np.asarray(reverse_cuthill_mckee(sp.csr_matrix(matrix), symmetric_mode=True), dtype=np.intp)
    near = sp.csr_matrix(matrix)[order][:, order]
    entries = near.tocoo()
    width = max(int(np.abs(entries.row - entries.col).max(initial=0)), 8)
    starts = range(0, size, width)

    def block(row: int, column: int) -> Array:
        return np.asarray(near[row : row + width, column : column + width].toarray(), dtype=np.float64)

    inverses: list[Array] = []
    for start in starts:
        own = block(start, start)
        if inverses:
            below = block(start, start - width)
            own -= below @ inverses[-1] @ below.T
        inverses.append(np.asarray(np.linalg.inv(own), dtype=np.float64))
    diagonal = np.zeros(size)
    last = inverses[-1]
    for number in range(len(inverses) - 1, -1, -1):
        start = starts[number]
        if number + 1 < len(inverses):
            through = inverses[number] @ block(start, start + width)
            last = inverses[number] + through @ last @ through.T
        diagonal[order[start : start + width]] = np.diag(last)
    return diagonal


def _bridges(tiles: int, pairs: Indices, used: Flags) -> Flags:
    """Rejected pairs that alone hold parts together must stay, or the system has no solution."""
    kept = np.zeros(len(pairs), dtype=bool)
    while True:
        mask = used | kept
        graph = sp.coo_matrix((np.ones(mask.sum()), (pairs[mask, 0], pairs[mask, 1])), shape=(tiles, tiles))
        parts, label = connected_components(graph, directed=False)
        crossing = np.nonzero(~mask & (label[pairs[:, 0]] != label[pairs[:, 1]]))[0]
        if parts <= 1 or len(crossing) == 0:
            return kept
        kept[crossing[0]] = True
