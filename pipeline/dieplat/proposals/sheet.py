"""Lay the die flat: its sides along the axes, at a size that bounds memory whatever the mosaic's."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import shapely
from shapely.geometry import Polygon

from dieplat.measurement.outline import reduced
from dieplat.proposals.values import Floats, Image, Sheet

SHEET_PX = 1600
"""Longest side of the reduced picture: between this and twice this. Memory cells show from 3 px of it on: from 8 px of
a mosaic of 6400 px, from 20 px of one of 16000."""


def lay_flat(mosaic: Any, die: Polygon | None) -> Sheet:
    """The sheet of a mosaic: the die's smallest turned rectangle, or all of it where no die is known."""
    picture, (factor_x, factor_y) = reduced(mosaic, coarse_px=SHEET_PX)
    if die is None:
        place = np.array([[factor_x, 0.0, 0.0], [0.0, factor_y, 0.0]])
        return Sheet(_even(picture), place, 0.5 * (factor_x + factor_y), False)
    corner, along, down = _axes(die)
    step = float(np.sqrt(factor_x * factor_y))
    columns, rows = (max(round(float(np.linalg.norm(side)) / step), 8) for side in (along, down))
    place = np.column_stack([along / columns, down / rows, corner])
    # Array positions lie half a pixel before coordinates, in the sheet and in the reduced picture.
    source = np.diag([1.0 / factor_x, 1.0 / factor_y]) @ place
    source[:, 2] += source[:, :2] @ [0.5, 0.5] - 0.5
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    flat = cv2.warpAffine(picture, source, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return Sheet(_even(flat.reshape(rows, columns, -1)), place, step, True)


def _axes(die: Polygon) -> tuple[Floats, Floats, Floats]:
    """Top-left corner of the die's smallest turned rectangle, and its sides towards the right and down."""
    points = np.asarray(shapely.oriented_envelope(die).exterior.coords)[:4, :2]  # type: ignore[attr-defined]
    x, y = points.T
    if float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) < 0:
        points = points[::-1]
    steps = np.roll(points, -1, axis=0) - points
    first = int(np.argmax(steps[:, 0] / np.linalg.norm(steps, axis=1)))
    return points[first], steps[first], steps[(first + 1) % 4]


def _even(picture: Image) -> Image:
    """Every channel in units of its spread (a tenth of the range between its 1 % and 99 % levels)."""
    low, high = np.percentile(picture[::4, ::4], [1.0, 99.0], axis=(0, 1))
    spread = np.maximum(high - low, 0.02 * max(float((high - low).max()), 1e-6)) / 10.0
    flat = (np.clip(picture, low, high) - low) / spread
    # As many channels as there are, the energy of one: grey pictures and colour ones pass the same thresholds.
    return np.asarray(flat / np.sqrt(picture.shape[2]), dtype=np.float32)
