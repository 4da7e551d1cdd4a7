"""How blurred the picture is beside a side: what clear steps there, of metal on the die, have for a width."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_fit import CORNER_PX, PIECE_PX, Reader, sample

Array = npt.NDArray[np.float64]

NEAR_PX, FAR_PX = 10.0, 200.0
"""Where steps are looked for, from the side inwards: beyond a sawn rim, in the same tiles."""
ALONG_PX = 4
"""Lines of pixels averaged: less noise, and a slant of a degree still blurs by 0.02 px only."""
REACH_PX = 6
"""Half length of the piece of a line that is fitted; both ends must be level, so that lines and double steps are
none."""
LEVEL = 0.05
LEAST_STEP = 0.4
"""Least height of a step, as a part of the highest ones'."""
MOST_MISFIT = 0.03
"""What the fit may leave of a step (rms, over its height)."""
FEWEST = 20
"""Steps that are needed."""
MOST_PIECES = 24
"""Pieces of the side that are looked at; of longer sides every second and so on."""
LEAST_U = 0.05
"""Least relative standard uncertainty: on drawn pictures (blur of 0.5 to 1.4 px) the middle of the steps' widths lay
within 0.03 of the true one."""
ROUNDS = 12


def blur_beside(mosaic: Reader, start: Array, end: Array) -> tuple[float, float] | None:
    """Blur of sharp edges across a side, and its standard uncertainty (px), from clear steps on the right of the side.

    A step may be wider than the picture's blur, since it has a form of its own, but not narrower: the widths between
    the lower quartile and the median are taken.

    Parameters
    ----------
    mosaic : Reader
    start, end : ndarray (2,)
        The side, in mosaic pixels, with the die on its right on the screen.

    Returns
    -------
    (blur, u) or None
        Standard deviation of the normal distribution that a step is blurred with; None where there are too few.
    """
    pieces = _profiles(mosaic, start, end)
    if not pieces:
        return None
    steps = np.concatenate([_steps(lines) for lines in pieces])
    if len(steps) < FEWEST:
        return None
    height = np.abs(steps[:, -1] - steps[:, 0])
    steps = steps[height >= LEAST_STEP * float(np.percentile(height, 90))]
    blur, misfit = _fit(steps)
    blur = blur[misfit <= MOST_MISFIT]
    if len(blur) < FEWEST:
        return None
    quartile, median = (float(v) for v in np.quantile(blur, (0.25, 0.5)))
    middle = 0.5 * (quartile + median)
    # Anywhere between the two, and a little beyond (uniform, JCGM 100, 4.3.7).
    return middle, math.hypot(LEAST_U * middle, (median - quartile) / math.sqrt(3.0))


def _profiles(mosaic: Reader, start: Array, end: Array) -> list[Array]:
    """Lines of pixels (n, m, channels) from the side inwards, `ALONG_PX` averaged, piece by piece."""
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    inwards = np.array([-along[1], along[0]])
    t = np.arange(NEAR_PX, FAR_PX)
    first = np.arange(CORNER_PX, length - CORNER_PX - ALONG_PX, PIECE_PX)
    found = []
    for begin in first[:: max(math.ceil(len(first) / MOST_PIECES), 1)]:
        count = int(min(PIECE_PX, length - CORNER_PX - begin)) // ALONG_PX
        s = begin + np.arange(count * ALONG_PX)
        try:
            lines = sample(mosaic, start + s[:, None, None] * along + t[None, :, None] * inwards)
        except UndecidedError:  # it lies outside the picture
            continue
        found.append(lines.reshape(count, ALONG_PX, len(t), -1).mean(axis=1))
    return found


def _steps(lines: Array) -> Array:
    """Pieces (k, 2 REACH_PX + 2) of lines about their steps, along the step's own colour, level at both ends."""
    steepness = np.linalg.norm(np.diff(lines, axis=1), axis=2)
    found = []
    for place in range(REACH_PX, steepness.shape[1] - REACH_PX):
        near = steepness[:, place - 3 : place + 4].max(axis=1)
        part = lines[:, place - REACH_PX : place + REACH_PX + 2]
        change = part[:, -2:].mean(axis=1) - part[:, :2].mean(axis=1)
        height = np.linalg.norm(change, axis=1)
        kept = (steepness[:, place] >= near) & (height > 0.0)
        shades = np.einsum("kmc,kc->km", part[kept], change[kept] / height[kept, None])
        low, high = shades[:, :2].mean(axis=1, keepdims=True), shades[:, -2:].mean(axis=1, keepdims=True)
        ends = np.abs(np.concatenate([shades[:, :3] - low, shades[:, -3:] - high], axis=1))
        found.append(shades[(ends <= LEVEL * (high - low)).all(axis=1)])
    return np.concatenate(found)


def _fit(shades: Array) -> tuple[Array, Array]:
    """Blur and misfit (rms, over the height) of steps (k, m), each fitted by itself (Gauss and Newton)."""
    t = np.arange(shades.shape[1]) - 0.5 * (shades.shape[1] - 1)
    place, blur = np.zeros((len(shades), 1)), np.ones((len(shades), 1))
    for _ in range(ROUNDS):
        away = (t - place) / blur
        bell = np.exp(-0.5 * away**2) / (blur * math.sqrt(2.0 * math.pi))
        level = ndtr(away)
        columns = np.stack([np.ones_like(level), level, -bell, -bell * away], axis=-1)
        solved = _solve(columns, shades)
        height = np.where(np.abs(solved[:, 1:2]) > 1e-9, solved[:, 1:2], 1e-9)
        place += np.clip(solved[:, 2:3] / height, -0.5, 0.5)
        blur = np.clip(blur + np.clip(solved[:, 3:] / height, -0.3 * blur, 0.3 * blur), 0.2, 4.0)
    left = shades - np.einsum("kmj,kj->km", columns[..., :2], _solve(columns[..., :2], shades))
    return blur[:, 0], np.sqrt(np.mean(left**2, axis=1)) / np.abs(height[:, 0])


def _solve(columns: Array, values: Array) -> Array:
    normal = np.swapaxes(columns, 1, 2) @ columns + 1e-9 * np.eye(columns.shape[2])
    return np.asarray(np.linalg.solve(normal, np.einsum("kmj,km->kj", columns, values)[..., None])[..., 0])
