"""How far a fit through pixels is known whose errors are alike from one pixel to the next.

Stains, films and grain of a chip are broader than a pixel. A fit that takes every pixel's error as its own then states
too little. With J its columns and S the covariance of the pixels' errors, the covariance of least squares is
(J^T J)^-1 J^T S J (J^T J)^-1 (H. White, Econometrica 48, 817-838, 1980); S is taken from what the fit leaves, as a
function of the distance between two pixels, and tapered so that it stays positive (W. K. Newey, K. D. West,
Econometrica 55, 703-708, 1987; both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Matrix = npt.NDArray[np.float64]

REACH_PX = 16
"""Pixels further apart along an axis count as independent. The fit's own ground takes what is broader (choice of ours,
set on stains of 9 px)."""


@dataclass(frozen=True, slots=True, eq=False)
class Left:
    """What a fit leaves of a bank's pixels.

    place : (2, N), whole pixels.
    miss : (N,), level less fit.
    leaning : (N, M), the columns of the parameters that are wanted, rid of all others.
    variance : of a pixel, with the degrees of freedom counted.
    weight : what the fit's equations were divided by: the same, or in a weighted fit the scale of its covariance.
    """

    place: Matrix
    miss: Matrix
    leaning: Matrix
    variance: float
    weight: float


def widened(covariance: Matrix, banks: Sequence[Left]) -> Matrix:
    """The covariance (M, M) with every parameter's uncertainty as errors alike make it, never less than without."""
    middle = np.sum([_meat(bank) / bank.weight**2 for bank in banks], axis=0)
    alike = np.diag(covariance @ middle @ covariance)
    factor = np.sqrt(np.maximum(alike / np.diag(covariance), 1.0))
    return np.asarray(covariance * np.outer(factor, factor))


def _meat(bank: Left) -> Matrix:
    """J^T S J (M, M) of one bank."""
    count = bank.leaning.shape[1]
    x, y = np.rint(bank.place - bank.place.min(axis=1, keepdims=True)).astype(np.intp)
    planes = np.zeros((count + 2, int(y.max()) + 1, int(x.max()) + 1))
    planes[:, y, x] = np.vstack([bank.miss, np.ones_like(bank.miss), bank.leaning.T])
    size = tuple(length + REACH_PX for length in planes.shape[1:])
    waves = np.fft.rfft2(planes, size)

    def products(first: int, second: int) -> Matrix:
        """Sums of products of two planes at all distances below `REACH_PX`."""
        whole = np.fft.irfft2(waves[first] * np.conj(waves[second]), size)
        near = np.arange(1 - REACH_PX, REACH_PX)
        return np.asarray(whole[np.ix_(near, near)])

    pairs = np.maximum(products(1, 1), 1.0)
    taper = 1.0 - np.abs(np.arange(1 - REACH_PX, REACH_PX)) / REACH_PX
    alike = products(0, 0) / pairs * np.outer(taper, taper)
    alike *= bank.variance / alike[REACH_PX - 1, REACH_PX - 1]
    sums = [[np.sum(alike * products(2 + i, 2 + k)) for k in range(count)] for i in range(count)]
    return np.array(sums)
