"""Square, hexagon, octagon or circle, and where: the frame in which every side becomes a straight band."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from scipy import optimize

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.metal import Image
from dieplat.measurement.inductor.surroundings import Winding
from dieplat.measurement.inductor.unwrap import Floats, Frame, unwrap

SHAPES = {4: "square", 6: "hexagon", 8: "octagon", 0: "circle"}
# Least lead of the best shape's sharpness over the next: below it the two cannot be told apart.
LEAST_LEAD = 0.02
LEAST_SHARPNESS = 0.35


def find_frame(winding: Winding, squeeze: tuple[float, float]) -> tuple[Frame, float]:
    """Find centre, number of sides and rotation, and the greatest distance worth looking at.

    In the right frame all columns of one side agree. The sharpness of a frame is the share of the unrolled
    picture's variance that its sides' mean columns keep; the shape with the greatest wins.

    Raises
    ------
    UndecidedError
        If no shape is sharp, or two are alike.
    """
    smooth = np.asarray(cv2.GaussianBlur(winding.soft, (0, 0), 1.0), dtype=np.float32)
    x, y, reach = winding.x, winding.y, winding.reach
    found = sorted((_best(smooth, x, y, reach, sides, squeeze) for sides in SHAPES), key=lambda item: -item[0])
    (best, frame), (second, other) = found[0], found[1]
    if best < LEAST_SHARPNESS:
        raise UndecidedError("no square, hexagon, octagon or circle fits the winding")
    if best - second < LEAST_LEAD * best:
        raise UndecidedError(
            f"the winding may be a {SHAPES[frame.sides]} or a {SHAPES[other.sides]}: not told by the picture"
        )
    return frame, reach


def _sharpness(image: Image, frame: Frame, distance: Floats, columns: int, drift_px: float = 0.0) -> float:
    """Between-distance share of the variance, side by side; the columns next to the corners are left out.

    `drift_px` is how far a round spiral moves out in a whole turn. (A straight side's tilt does the same.)
    """
    count = frame.sides or 8
    step = 2 * np.pi / count
    places = 0.88 * step * ((np.arange(columns) + 0.5) / columns - 0.5)
    angle = (frame.normal + step * np.arange(count)[:, None] + places[None, :]).ravel()
    drift = np.tile(places, count) * drift_px / (2 * np.pi)
    stack = unwrap(image, frame, angle, distance[:, None] + drift).reshape(len(distance), count, columns)
    grand = float(stack.mean())
    total = float(((stack - grand) ** 2).sum())
    between = float(((stack.mean(axis=2) - grand) ** 2).sum()) * columns
    return between / total if total > 0 else 0.0


def _best(
    image: Image, x0: float, y0: float, reach: float, sides: int, squeeze: tuple[float, float]
) -> tuple[float, Frame]:
    distance = np.arange(0.12 * reach, reach, 1.0)
    columns = max(8, round(0.7 * 2 * np.pi * reach / (sides or 8) / 3))
    if sides:
        turn = 2 * np.pi / sides
        grid = np.arange(0, turn, np.radians(3.0))
        scores = [_sharpness(image, Frame(x0, y0, sides, a, squeeze), distance, columns) for a in grid]
        start = float(grid[int(np.argmax(scores))])
    else:
        start = 0.0

    def loss(p: Floats) -> float:
        if not sides:
            return -_sharpness(image, Frame(x0 + p[0], y0 + p[1], 0, 0.0, squeeze), distance, columns, 4 * p[2])
        frame = Frame(x0 + p[0], y0 + p[1], sides, start + p[2] / reach, squeeze)
        return -_sharpness(image, frame, distance, columns)

    simplex = np.array([[0, 0, 0], [3, 0, 0], [0, 3, 0], [0, 0, 2]], dtype=float)
    starts = (simplex,) if sides else (simplex, simplex * [1, 1, -1])
    settings: list[Any] = [{"xatol": 0.05, "fatol": 1e-5, "maxfev": 120, "initial_simplex": first} for first in starts]
    fits = [optimize.minimize(loss, np.zeros(3), method="Nelder-Mead", options=each) for each in settings]
    fit = min(fits, key=lambda one: float(one.fun))
    normal = start + fit.x[2] / reach * bool(sides)
    return -float(fit.fun), Frame(x0 + fit.x[0], y0 + fit.x[1], sides, normal, squeeze)
