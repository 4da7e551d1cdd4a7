"""A tile evened out, moved by a fraction of a pixel, scaled, rounded and clipped, in one pass over its rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner

Rows = npt.NDArray[Any]
Line = npt.NDArray[np.float32]


@compiled
def move_rows(
    source: Rows,
    inverse: npt.NDArray[np.float32],
    spacing: int,
    across: Line,
    anchor_x: int,
    down: Line,
    anchor_y: int,
    gains: Line,
    channels: int,
    left: int,
    top: int,
    out: Rows,
) -> None:
    """Fill `out` with the source, from column `left` and row `top` on, times `inverse`, filtered along both axes.

    It is then multiplied by `gains`, rounded and clipped.

    Eight corrected rows wait in a ring; each is read once, and the filter down them finds them in the cache.

    Parameters
    ----------
    source : ndarray of shape (H, W * channels), uint8 or uint16
        The picture, its pixels' channels side by side.
    inverse : ndarray of shape (n, W * channels), float32
        Factors of every `spacing`-th row, from row 0 to the last or beyond it; linear in between.
    across, down : ndarray of shape (8,), float32
        Weights of the samples from `anchor_x` before a pixel (`anchor_y` above it) on. Beyond its edges the
        picture is mirrored, the outermost pixels repeated.
    gains : ndarray of shape (w * channels,), float32
    out : ndarray of shape (h, w * channels)
        What the part becomes, in the source's dtype.
    """
    height, width, samples = len(source), source.shape[1] // channels, out.shape[1]
    wide = samples + 7 * channels
    # Columns of the source that the row of the ring begins and ends with; what lies beyond the source is mirrored.
    begin, end = left - anchor_x, left - anchor_x + wide // channels
    start, stop = max(begin, 0), min(end, width)
    first, last = (start - begin) * channels, (stop - begin) * channels
    ring = np.empty((8, wide), np.float32)
    column = np.empty(wide, np.float32)
    most = np.float32(255.0 if out.itemsize == 1 else 65535.0)
    x0, x1, x2, x3, x4, x5, x6, x7 = across
    y0, y1, y2, y3, y4, y5, y6, y7 = down
    for row in range(-7, len(out)):
        line = ring[(row + 7) & 7]
        place = mirrored(top + row + 7 - anchor_y, height)
        even_row(source, inverse, spacing, place, start * channels, line[first:last])
        for x in range(begin, start):
            for c in range(channels):
                line[(x - begin) * channels + c] = line[(mirrored(x, width) - begin) * channels + c]
        for x in range(stop, end):
            for c in range(channels):
                line[(x - begin) * channels + c] = line[(mirrored(x, width) - begin) * channels + c]
        if row < 0:
            continue
        r0, r1, r2, r3 = ring[row & 7], ring[(row + 1) & 7], ring[(row + 2) & 7], ring[(row + 3) & 7]
        r4, r5, r6, r7 = ring[(row + 4) & 7], ring[(row + 5) & 7], ring[(row + 6) & 7], ring[(row + 7) & 7]
        for j in range(wide):
            near = y0 * r0[j] + y1 * r1[j] + y2 * r2[j] + y3 * r3[j]
            column[j] = near + y4 * r4[j] + y5 * r5[j] + y6 * r6[j] + y7 * r7[j]
        c0, c1, c2, c3 = column, column[channels:], column[2 * channels :], column[3 * channels :]
        c4, c5, c6, c7 = (
            column[4 * channels :],
            column[5 * channels :],
            column[6 * channels :],
            column[7 * channels :],
        )
        made = out[row]
        for j in range(samples):
            near = x0 * c0[j] + x1 * c1[j] + x2 * c2[j] + x3 * c3[j]
            value = near + x4 * c4[j] + x5 * c5[j] + x6 * c6[j] + x7 * c7[j]
            value = min(max(value * gains[j], np.float32(0.0)), most)
            made[j] = np.int32(value + np.float32(0.5))


@inner
def even_row(source: Rows, inverse: npt.NDArray[np.float32], spacing: int, row: int, first: int, line: Line) -> None:
    """One row of the source, from a sample on, times its factors; see `move_rows`."""
    knot = row // spacing
    above, below = inverse[knot][first:], inverse[min(knot + 1, len(inverse) - 1)][first:]
    share = np.float32(row - knot * spacing) / np.float32(spacing)
    seen = source[row][first:]
    for j in range(len(line)):
        line[j] = np.float32(seen[j]) * (above[j] + share * (below[j] - above[j]))


@inner
def mirrored(place: int, size: int) -> int:
    """The index of a sample that lies beyond the ends, the end samples being repeated, at any distance."""
    place = place % (2 * size)
    return place if place < size else 2 * size - 1 - place
