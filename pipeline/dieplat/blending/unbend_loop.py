"""A tile evened out and freed of its lens's distortion, in two passes of eight samples each."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner

Rows = npt.NDArray[Any]
Table = npt.NDArray[np.float32]
Number = np.float32

PAD = 8
"""Mirrored samples kept beyond either end of a row."""


@compiled
def unbend_rows(
    source: Rows,
    inverse: Table,
    spacing: int,
    bank: Table,
    left: int,
    top: int,
    shift: tuple[float, float],
    lens: tuple[float, float, float],
    gains: Table,
    out: Rows,
) -> None:
    """Fill `out` with the source as it would be without distortion, moved by `shift`.

    Every row of the result is made in two passes (Catmull and Smith 1980, 3-D transformations of images in scanline
    order, Proc. SIGGRAPH, 279-285): first down the columns of the source, at the height where the row's picture crosses
    them; then along that line. So a pixel takes 16 samples instead of 64.

    Parameters
    ----------
    source : ndarray of shape (H, W, C), uint8 or uint16
    inverse : ndarray of shape (n, W, C), float32
        Factors of every `spacing`-th row.
    bank : ndarray of shape (n, 8), float32
        See `dieplat.blending.resample.filter_bank`.
    left, top : int
        Column and row of the moved tile where `out` begins.
    shift : (float, float)
        How far the tile is moved right and down.
    lens : (float, float, float)
        k1 and k2, and 1 / norm^2: a point at (x, y) from the centre shows at (x, y) (1 + k1 r^2 + k2 r^4).
    gains : ndarray of shape (C,), float32
    out : ndarray of shape (h, w, C)
    """
    height, width, channels = source.shape
    half_x, half_y = np.float32(0.5 * width), np.float32(0.5 * height)
    half = np.float32(0.5)
    k1, k2 = np.float32(lens[0] * lens[2]), np.float32(lens[1] * lens[2] * lens[2])
    line = np.empty((width + 2 * PAD, channels), np.float32)
    crossing = np.arange(width).astype(np.float32) + half - half_x
    place = np.empty(max(width, out.shape[1]), np.float32)
    for row in range(out.shape[0]):
        y = np.float32(row + top + 0.5 - shift[1]) - half_y
        cross(crossing, y, k1, k2)
        for j in range(width):
            place[j] = y * stretch(crossing[j], y, k1, k2) + (half_y - half)
        along_columns(source, inverse, spacing, bank, place, line[PAD : PAD + width])
        for p in range(PAD):
            for c in range(channels):
                line[PAD - 1 - p, c] = line[PAD + min(p, width - 1), c]
                line[PAD + width + p, c] = line[PAD + max(width - 1 - p, 0), c]
        for j in range(out.shape[1]):
            x = np.float32(j + left + 0.5 - shift[0]) - half_x
            place[j] = x * stretch(x, y, k1, k2) + (half_x - half)
        along_row(line, bank, place, gains, out[row])


@inner
def stretch(x: Number, y: Number, k1: Number, k2: Number) -> Number:
    """1 + k1 r^2 + k2 r^4."""
    r2 = x * x + y * y
    scale: Number = np.float32(1.0) + r2 * (k1 + r2 * k2)
    return scale


@inner
def cross(crossing: Table, y: Number, k1: Number, k2: Number) -> None:
    """Where the undistorted row at `y` crosses every column of the source: x with x (1 + k1 r^2 + k2 r^4) = column.

    `crossing` holds the answer for the row before and takes that for this row; Newton's method, twice: from a row
    away it is off by less than 0.1 px, and every step squares that and divides it by the tile's size.
    """
    one = np.float32(1.0)
    start = -np.float32(0.5) * len(crossing) + np.float32(0.5)
    for j in range(len(crossing)):
        x = crossing[j]
        for _ in range(2):
            x2 = x * x
            r2 = x2 + y * y
            scale = one + r2 * (k1 + r2 * k2)
            slope = scale + np.float32(2.0) * x2 * (k1 + np.float32(2.0) * r2 * k2)
            x = x - (x * scale - (start + np.float32(j))) / slope
        crossing[j] = x


@inner
def along_columns(source: Rows, inverse: Table, spacing: int, bank: Table, place: Table, line: Table) -> None:
    """Fill the line with the source at row `place` of every column, by eight samples down it, evened out."""
    height, width, channels = source.shape
    steps = np.float32(len(bank) - 1)
    for j in range(width):
        at = min(max(place[j], np.float32(-PAD)), np.float32(height - 1 + PAD))
        base = int(np.floor(at))
        weights = bank[int((at - np.float32(base)) * steps + np.float32(0.5))]
        knot = min(max(at / np.float32(spacing), np.float32(0.0)), np.float32(len(inverse) - 1))
        above = int(knot)
        below = min(above + 1, len(inverse) - 1)
        share = knot - np.float32(above)
        for c in range(channels):
            total = np.float32(0.0)
            if base >= 3 and base + 4 < height:
                for k in range(8):
                    total += weights[k] * np.float32(source[np.uint64(base - 3 + k), j, c])
            else:
                for k in range(8):
                    total += weights[k] * np.float32(source[mirrored(base - 3 + k, height), j, c])
            even = inverse[above, j, c]
            line[j, c] = total * (even + share * (inverse[below, j, c] - even))


@inner
def along_row(line: Table, bank: Table, place: Table, gains: Table, out: Rows) -> None:
    """Fill a row with the padded line at `place`, by eight samples along it, scaled, rounded and clipped."""
    top = np.float32(255.0 if out.itemsize == 1 else 65535.0)
    steps = np.float32(len(bank) - 1)
    last = np.float32(len(line) - 2 * PAD + 3)
    for j in range(len(out)):
        at = min(max(place[j], np.float32(-4.0)), last) + np.float32(PAD)
        base = int(at)
        weights = bank[int((at - np.float32(base)) * steps + np.float32(0.5))]
        for c in range(out.shape[1]):
            total = np.float32(0.0)
            for k in range(8):
                total += weights[k] * line[np.uint64(base - 3 + k), c]
            value = min(max(total * gains[c], np.float32(0.0)), top)
            out[j, c] = np.int32(value + np.float32(0.5))


@inner
def mirrored(place: int, size: int) -> int:
    """The index of a sample that lies beyond the ends, the end samples being repeated, at any distance."""
    place = place % (2 * size)
    return place if place < size else 2 * size - 1 - place
