"""Pixels weighed by what their errors share: generalised least squares on a bank's pixels.

Plain least squares takes stains and grain for noise of single pixels, and lets them move the cells of short banks by
several times what they must. With S the covariance of the errors of all pixels, least squares on S^(-1/2) times pixels
and columns is best among all linear readings (A. C. Aitken, Proc. R. Soc. Edinburgh 55, 42-48, 1935, from memory). Here
S is a part that is each pixel's own and a part that falls with the distance along x and along y, as a product of both:
the eigenvectors of a rectangle of pixels are then products of two small matrices'. Were S wrong, the fit would be worse
than need be and still not off; what it is sure of is told from what it leaves (`arrays_alike`), not from S.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import toeplitz

from dieplat.measurement.arrays_alike import Left

Matrix = npt.NDArray[np.float64]

REACH_PX = 32
"""How far errors may be alike (choice of ours: weights need not be exact)."""
LEAST_SHARE, MOST_SHARE = 0.05, 0.98
"""Of the variance, that must be alike for weights to matter, and that may be (choices of ours: of white noise in small
banks 0.02 to 0.04 seems alike by chance)."""
LEAST_VARIANCE = 1.0 / 12.0
"""Of a pixel, in levels: rounding to whole ones leaves that much (JCGM 100, F.2.2.1); what is less is no noise but a
model's own."""


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """S over the variance of a pixel: 1 - share of its own, `share` alike; along_x, along_y (REACH_PX,) say how alike
    pixels at distances 0, 1, ... along an axis are."""

    share: float
    along_x: Matrix
    along_y: Matrix

    def whitened(self, place: Matrix, columns: Matrix) -> Matrix:
        """S^(-1/2) columns (K, M), up to a rotation, for pixels at `place` (2, N), columns (N, M).

        Pixels of their bounding rectangle that are not among them count as free of errors.
        """
        planes, (across, down), size = self._planes(place, columns)
        return np.asarray((down.T @ planes @ across / np.sqrt(size)).reshape(len(planes), -1).T)

    def divided(self, place: Matrix, columns: Matrix) -> Matrix:
        """S^-1 columns (N, M), likewise."""
        planes, (across, down), size = self._planes(place, columns)
        back = down @ ((down.T @ planes @ across) / size) @ across.T
        x, y = _corner(place)
        return np.asarray(back[:, y, x].T)

    def _planes(self, place: Matrix, columns: Matrix) -> tuple[Matrix, tuple[Matrix, Matrix], Matrix]:
        """Columns as pictures (M, H, W), eigenvectors across and down, and the eigenvalues of S (H, W)."""
        x, y = _corner(place)
        planes = np.zeros((columns.shape[1], int(y.max()) + 1, int(x.max()) + 1))
        planes[:, y, x] = columns.T
        (across_value, across), (down_value, down) = (
            _eigen(like, length) for like, length in ((self.along_x, planes.shape[2]), (self.along_y, planes.shape[1]))
        )
        size = 1.0 - self.share + self.share * np.outer(down_value, across_value)
        return planes, (across, down), size


def weights_of(banks: Sequence[Left]) -> Weights | None:
    """How alike errors are, from what a fit leaves of all banks; None where hardly at all."""
    alike = [_alike(banks, axis) for axis in (0, 1)]
    variance = max(0.5 * (alike[0][0] + alike[1][0]), 1e-12)
    # Errors that are alike fall from zero with the square of the distance: what 1 and 2 pixels have leads to 0.
    shared = [max(one[1], 0.0) ** (4 / 3) / max(one[2], 0.25 * one[1], 1e-12) ** (1 / 3) for one in alike]
    share = min(float(np.mean(shared)) / variance, MOST_SHARE)
    if not share > LEAST_SHARE or variance < LEAST_VARIANCE:
        return None
    taper = 1.0 - np.arange(REACH_PX) / REACH_PX
    along = []
    for one in alike:
        like = np.clip(one / (share * variance), -1.0, 1.0) * taper
        like[0] = 1.0
        along.append(like)
    return Weights(share, along[0], along[1])


def _alike(banks: Sequence[Left], axis: int) -> Matrix:
    """Mean product of what is left of two pixels, by their distance along one axis (REACH_PX,)."""
    sums, pairs = np.zeros(REACH_PX), np.zeros(REACH_PX)
    for bank in banks:
        x, y = _corner(bank.place)
        planes = np.zeros((2, int(y.max()) + 1, int(x.max()) + 1))
        planes[:, y, x] = np.stack([bank.miss, np.ones_like(bank.miss)])
        planes = planes if axis == 0 else planes.swapaxes(1, 2)
        for far in range(min(REACH_PX, planes.shape[2])):
            products = planes[..., : planes.shape[2] - far] * planes[..., far:]
            sums[far] += products[0].sum()
            pairs[far] += products[1].sum()
    return np.asarray(sums / np.maximum(pairs, 1.0))


def _corner(place: Matrix) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Whole pixels from the corner of their bounding rectangle."""
    x, y = np.rint(place - place.min(axis=1, keepdims=True)).astype(np.intp)
    return x, y


def _eigen(like: Matrix, length: int) -> tuple[Matrix, Matrix]:
    """Eigenvalues, none below 0, and eigenvectors of how alike the pixels of a line are."""
    row = np.zeros(max(length, len(like)))
    row[: len(like)] = like
    value, vector = np.linalg.eigh(toeplitz(row[:length]))
    return np.maximum(value, 0.0), vector
