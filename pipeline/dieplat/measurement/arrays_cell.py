"""One period or two mirrored cells: what the mean cell says about itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float32]

MIRROR_LIKENESS = 0.9
AXES_ALIKE, AXES_UNLIKE, AXES_SURELY_UNLIKE = -0.6, -1.25, -2.0
"""Both mirror axes of a pair of cells are borders between cells, where the picture is much the same; a cell
that is
symmetric in itself has a border on one and its middle on the other. On invented cells of both kinds (blur up
to
1.2 px) the likeness of the axes is above the first for pairs, and below the second for symmetric cells."""
EQUAL_PARTS = 0.96
RESOLVED_PX = 8.0
"""Below this period a pair of cells blurs into one sinusoid and the axes say nothing."""


@dataclass(frozen=True, slots=True)
class Symmetry:
    """How a period's pattern compares with itself along one axis; correlations, -1..1.

    `mirror` : with its best mirror image. `axis` : that mirror axis, as a share of the period.
    `half`, `third` : with itself moved by half and by a third of a period.
    `axes_alike` : the pattern near one mirror axis with that near the other, half a period away.
    """

    mirror: float
    axis: float
    half: float
    third: float
    axes_alike: float


def symmetry(period: FloatArray) -> Symmetry:
    """Compare a mean period (V, n) with its mirror images and parts along the second axis.

    What does not change along the axis is left out, since it is alike in every comparison.
    """
    n = period.shape[1]
    varying = period - period.mean(axis=1, keepdims=True)
    spectrum = np.fft.fft(varying, axis=1)
    energy = float((varying**2).sum()) or 1e-12
    shifted = np.fft.ifft((np.abs(spectrum) ** 2).sum(axis=0)).real / energy
    # sum_x f(x) f(c - x) for every c is the transform of F squared.
    mirrored = np.fft.ifft((spectrum * spectrum).sum(axis=0)).real / energy
    centre = int(np.argmax(mirrored))
    third = float(np.interp(n / 3, np.arange(n), shifted))
    return Symmetry(
        mirror=float(mirrored[centre]),
        axis=centre / 2 / n,
        half=float(shifted[n // 2]),
        third=third,
        axes_alike=_axes_alike(period, centre / 2),
    )


def parts_of(period: FloatArray) -> tuple[int, int]:
    """How many equal parts (1, 2 or 3) the mean period (n_y, n_x) falls into along x and y."""

    def one(values: FloatArray) -> int:
        found = symmetry(values)
        return 3 if found.third > EQUAL_PARTS else 2 if found.half > EQUAL_PARTS else 1

    return one(period), one(np.ascontiguousarray(period.T))


def _axes_alike(period: FloatArray, axis: float) -> float:
    """1 where the strips on both mirror axes are equal, 0 where they differ as much as unrelated columns."""
    n = period.shape[1]
    half = n // 16
    near = np.arange(-half, half + 1)
    first = period[:, (round(axis) + near) % n].mean(axis=1)
    second = period[:, (round(axis + n / 2) + near) % n].mean(axis=1)
    varying = float(((period - period.mean(axis=1, keepdims=True)) ** 2).mean()) or 1e-12
    return 1.0 - float(((first - second) ** 2).mean()) / (2 * varying)
