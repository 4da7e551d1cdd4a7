"""By how much a camera's tone curve moves a die's edge: half height as written is not half height in light."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_form import FIT_PX, Fitted, one_step, with_rim

Array = npt.NDArray[np.float64]

LEAST_POWER = 1.0 / 2.4
"""Of light, as a camera writes it: that of sRGB but for its foot (IEC 61966-2-1). Without a tone curve it is 1."""
_MEAN = -math.log(LEAST_POWER) / (1.0 - LEAST_POWER)
_RANGE = 1.0 / LEAST_POWER - 1.0
EXPECTED = (_MEAN - 1.0) / _RANGE
SPREAD = math.sqrt(1.0 / LEAST_POWER - _MEAN**2) / _RANGE
"""What is to be expected of the shift that the least power makes, and its standard uncertainty. Shifts go nearly with
1 / power - 1, and nothing is known of the power but that it lies between both: it is uniform (JCGM 101, 6.4.2), so that
1 / power has the mean -ln(a) / (1 - a) and the mean square 1 / a. A camera without a curve is then 1.3 of this off, one
at the least power 2.3."""


def outermost(t: Array, shade: Array, middle: float, blur_px: tuple[float, float] | None) -> Fitted:
    """A die's edge about `middle`, with or without a rim."""
    return with_rim(t, shade, one_step(t, shade, middle), blur_px)


def tone_shift(t: Array, mean: Array, fitted: Fitted, blur_px: tuple[float, float] | None) -> float:
    """How much further to the left a die's edge lies than it was fitted, had it been written with `LEAST_POWER` (px).

    Parameters
    ----------
    t, mean : ndarray (m,) and (m, channels)
        Distances across and the mean shades there, 0 where no light falls.
    fitted : Fitted
        What was fitted to the shades as they are written.
    blur_px : tuple of float, optional
        Blur and its standard uncertainty, where known.

    Raises
    ------
    UndecidedError
        If the profile ends at the edge.
    """
    light = np.maximum(mean, 0.0) ** (1.0 / LEAST_POWER)
    away = t - fitted.place
    left, right = ((sign * away >= 1.0) & (sign * away <= FIT_PX) for sign in (1.0, -1.0))
    if not (left.any() and right.any()):
        raise UndecidedError("it lies at the end of what was looked at")
    step = light[left].mean(axis=0) - light[right].mean(axis=0)
    there = outermost(t, light @ step / max(float(step @ step), 1e-12), fitted.place, blur_px)
    return there.place + there.further - fitted.place - fitted.further
