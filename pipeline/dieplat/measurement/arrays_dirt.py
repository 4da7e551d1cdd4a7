"""Hairs and specks on an array: pixels unlike the cells on every side, shown as those would have them.

For finding banks only: pitches are fitted to the picture's own pixels, of which the fit leaves out what is odd.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float32]
BoolArray = npt.NDArray[np.bool_]
Vector = npt.NDArray[np.float64]

PERIODS = 5
"""Cells looked at in each direction."""
ODD = 6.0
"""Deviations (scaled to the standard deviation of a normal distribution) from which a pixel is unlike its neighbours;
beside such pixels half as many (a choice of ours, no source)."""
SWEEPS = 20
"""What runs aslant is found from its rims, some pixels a sweep; a straight hair nearly along an axis stays."""
MOST = 0.2
"""Share of the array that may be odd: beyond, the period is not one (a choice of ours, no source)."""

MOST_PX = 1_000_000
"""Pixels of the largest picture that is cleaned: a second for each 80 000 of them."""


def without_dirt(image: FloatArray, mask: BoolArray, a_x: Vector, a_y: Vector) -> tuple[FloatArray, float] | None:
    """The picture with odd pixels replaced, and their share of the mask; None if there are none or too many, or too
    large a picture.

    A pixel is odd if it differs from the median of the next cells' pixels to the left, right, above and below, each
    by itself: a strap is like itself along its length, and the last cell of a bank like those within. It is replaced
    where left and right, or above and below, agree with one another.

    image : ndarray (H, W), float32; mask : ndarray (H, W), bool; a_x, a_y : period vectors (x, y) in pixels.
    """
    if image.size > MOST_PX:
        return None
    shown = np.asarray(image, dtype=np.float32)
    odd = np.zeros(mask.shape, dtype=bool)
    deviation = 0.0
    for _ in range(SWEEPS):
        sides = [_beyond(image, odd, sign * vector) for vector in (a_x, a_y) for sign in (-1.0, 1.0)]
        apart = [np.abs(side - image) for side in sides]
        nearest = np.fmin.reduce(apart)
        known = mask & np.isfinite(nearest) & ~odd
        if not known.any():
            return None
        # Of the first sweep: without what is odd the deviation would only shrink.
        deviation = deviation or 1.4826 * min(float(np.nanmedian(each[known])) for each in apart)
        beside = cv2.dilate(odd.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
        more = known & (nearest > np.where(beside, 0.5 * ODD, ODD) * deviation)
        if not more.any():
            break
        odd |= more
    share = float(odd[mask].mean())
    if not 0.0 < share <= MOST:
        return None
    for vector in (a_x, a_y):
        before, after = (_beyond(image, odd, sign * vector) for sign in (-1.0, 1.0))
        agreed = odd & (np.abs(before - after) < ODD * deviation)
        shown = np.where(agreed, 0.5 * (before + after), shown)
    return np.asarray(shown, dtype=np.float32), share


def _beyond(image: FloatArray, odd: BoolArray, step: Vector) -> FloatArray:
    """Median of the pixels one to `PERIODS` periods further on, odd ones and what lies outside left out."""
    height, width = image.shape
    seen = []
    for count in range(1, PERIODS + 1):
        move = np.array([[1.0, 0.0, count * step[0]], [0.0, 1.0, count * step[1]]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        there = cv2.warpAffine(image, move, (width, height), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        good = cv2.warpAffine((~odd).astype(np.float32), move, (width, height), flags=flags)
        seen.append(np.where(good > 0.9, there, np.nan))
    stacked = np.sort(np.stack(seen), axis=0)
    # NaN sorts last: the median of all numbers there are.
    count = np.isfinite(stacked).sum(axis=0)
    low, high = (
        np.take_along_axis(stacked, np.maximum(index, 0)[None], axis=0)[0] for index in ((count - 1) // 2, count // 2)
    )
    return np.asarray(np.where(count > 0, 0.5 * (low + high), np.nan), dtype=np.float32)
