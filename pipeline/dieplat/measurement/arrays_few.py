"""The coarse lattice of an array whose banks hold few periods along one axis, by how alike its rows are.

Along the other axis the cells are many, so the autocorrelation has that period. A whole row of the picture then is a
pattern of many cells, which meets its like only a period further on: two periods say as much as many do of a single
cell. Banks beside one another may be out of step, for every row has the same steps in it.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
from scipy import ndimage

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_period import period_along

Array = npt.NDArray[np.float64]
FloatArray = npt.NDArray[np.float32]

LEAST_PX = 6
"""Shortest period looked for: below, neighbouring rows are alike by blur."""
ALIKE = 0.7
"""Correlation from which a stretch of rows counts as met again; cells of invented arrays have 0.88 to 0.96 (the limit
is a choice of ours, no source)."""
STRETCH = 1.25
"""Periods that such a stretch must be long, as it is from three periods in a bank on: parts of a cell are met again
within it, over about as many rows as they are apart."""
LEAST_SHARE, NO_RIVAL = 0.42, 0.15
"""Share of all rows that must be met again a period further on (of three in a bank two are, less the straps), and from
which a shorter period is possible: then whole banks may be what is met."""
STANDS_OUT = 3.0
MOST_PX = 1_000_000
"""Larger masks are not looked at: such an array has many cells along both axes."""


def lattice_of_few(image: FloatArray, mask: npt.NDArray[np.bool_]) -> tuple[Array, Array, float] | None:
    """Period vectors near the x and the y axis, and how alike the rows are; None where the picture does not show them.

    image : ndarray (H, W), float32, grey in any unit; mask : ndarray (H, W), bool, true where it counts.
    """
    if mask.sum() > MOST_PX:
        return None
    for axis in ("x", "y"):
        try:
            known, _ = period_along(image, mask, axis)
        except UndecidedError:
            continue
        turned = image if axis == "x" else np.ascontiguousarray(image.T)
        inside = mask if axis == "x" else np.ascontiguousarray(mask.T)
        along = known if axis == "x" else known[::-1]
        rows = _rows(turned, inside, math.degrees(math.atan2(along[1], along[0])))
        found = None if rows is None else _period_of(rows)
        if found is not None:
            length, alike = found
            # The unknown axis stands upright on the known one.
            other = length * np.array([-known[1], known[0]]) / np.hypot(*known)
            if axis == "x":
                return known, other, alike
            return -other, known, alike
    return None


def _rows(image: FloatArray, mask: npt.NDArray[np.bool_], angle_deg: float) -> Array | None:
    """Rows along the known axis, without what all rows or all columns share and without what stands out."""
    height, width = image.shape
    turn = cv2.getRotationMatrix2D((width / 2 - 0.5, height / 2 - 0.5), angle_deg, 1.0)
    level = cv2.warpAffine(image, turn, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    inside = cv2.warpAffine(mask.astype(np.float32), turn, (width, height)) > 0.99
    across, down = inside.sum(axis=0), inside.sum(axis=1)
    rows = level[np.ix_(down > 0.6 * down.max(), across > 0.6 * across.max())].astype(np.float64)
    if min(rows.shape) < 3 * LEAST_PX:
        return None
    rows = _crossed(rows)
    limit = STANDS_OUT * float(np.median(np.abs(rows)))
    return _crossed(np.clip(rows, -limit, limit))


def _crossed(rows: Array) -> Array:
    rows = rows - rows.mean(axis=0)
    return np.asarray(rows - rows.mean(axis=1, keepdims=True), dtype=np.float64)


def _period_of(rows: Array) -> tuple[float, float] | None:
    """Length of the period in rows, to a part of one, and the correlation of what is met again."""
    power = (rows**2).sum(axis=1)
    lags = np.arange(LEAST_PX, len(rows) // 2 + 1)
    share, alike = (np.zeros(len(lags)) for _ in range(2))
    for index, lag in enumerate(lags):
        window = max(3, int(lag) // 2)
        product = ndimage.uniform_filter1d((rows[:-lag] * rows[lag:]).sum(axis=1), window)
        size = ndimage.uniform_filter1d(np.sqrt(power[:-lag] * power[lag:]), window)
        likeness = product / np.maximum(size, 1e-12)
        met = _in_stretches(likeness > ALIKE, STRETCH * lag)
        share[index] = met.mean()
        alike[index] = likeness[met].mean() if met.any() else 0.0
    possible = np.flatnonzero(share >= NO_RIVAL)
    if not len(possible):
        return None
    best = int(possible[0])
    # Up the slope to the peak of the share weighed with the likeness.
    merit = share * alike
    while best + 1 < len(lags) and merit[best + 1] > merit[best]:
        best += 1
    if share[best] < LEAST_SHARE:
        return None
    return float(lags[best]) + _peak(merit, best), float(alike[best])


def _in_stretches(met: npt.NDArray[np.bool_], least: float) -> npt.NDArray[np.bool_]:
    """Of true places those in stretches of at least so many."""
    number, count = ndimage.label(met)
    if not count:
        return met
    return np.asarray((np.bincount(number.ravel()) >= least)[number] & met, dtype=np.bool_)


def _peak(merit: Array, best: int) -> float:
    """Place of a parabola's peak through three points, from the middle one."""
    if not 0 < best < len(merit) - 1:
        return 0.0
    left, middle, right = merit[best - 1 : best + 2]
    bend = left - 2 * middle + right
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) if bend < 0 else 0.0
