"""Loops that paint a tile: the mix of two pictures along the seams, and copying what is the tile's own.

They work on rows that go round (`dieplat.blending.seam_loops.View`), so that finished rows need not be moved away.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled

Rows = npt.NDArray[Any]
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float32]
Line = npt.NDArray[np.float32]


@compiled
def reflected(place: int, size: int) -> int:
    """The index of a sample that lies beyond the ends, the end samples not being repeated."""
    if size == 1:
        return 0
    place = abs(place) % (2 * size - 2)
    return place if place < size else 2 * size - 2 - place


@compiled
def blur_across(source: Floats, rows: int, count: int, stride: int, taps: Line, out: Floats) -> None:
    """Rows filtered by symmetric taps (the middle one first), samples `stride` apart; an even number of pairs."""
    half = len(taps) - 1
    for row in range(rows):
        line, made = source[row], out[row]
        for j in range(count):
            made[j] = taps[0] * line[j + half * stride]
        for k in range(1, half, 2):
            near, far = taps[k], taps[k + 1]
            a, b = line[(half - k) * stride :], line[(half + k) * stride :]
            c, d = line[(half - k - 1) * stride :], line[(half + k + 1) * stride :]
            for j in range(count):
                made[j] += near * (a[j] + b[j]) + far * (c[j] + d[j])


@compiled
def blur_down(source: Floats, rows: int, count: int, taps: Line, out: Floats) -> None:
    """Columns filtered by symmetric taps (the middle one first); an even number of pairs."""
    half = len(taps) - 1
    for row in range(rows):
        made, middle = out[row], source[row + half]
        for j in range(count):
            made[j] = taps[0] * middle[j]
        for k in range(1, half, 2):
            near, far = taps[k], taps[k + 1]
            a, b, c, d = (
                source[row + half - k],
                source[row + half + k],
                source[row + half - k - 1],
                source[row + half + k + 1],
            )
            for j in range(count):
                made[j] += near * (a[j] + b[j]) + far * (c[j] + d[j])


@compiled
def mix_strip(
    under: Rows,
    uy: int,
    ux: int,
    over: Rows,
    oy: int,
    ox: int,
    width: int,
    height: int,
    channels: int,
    strip: Ints,
    weights: Floats,
    fine: Line,
    middle: Line,
    times: Line,
    store: Floats,
    made: Rows,
) -> None:
    """Fill `made` with the strip of the mosaic that has the tile mixed in, band by band.

    Beyond the tile's rectangle both pictures are mirrored. `store` is room for four strips with their surroundings.
    """
    high, wide = strip[3] - strip[1], strip[2] - strip[0]
    outer, inner = len(fine) - 1 + len(middle) - 1, len(middle) - 1
    difference, passed, first, second = store[0], store[1], store[2], store[3]
    count = (wide + 2 * outer) * channels
    inside = strip[0] >= outer and strip[2] + outer <= width
    for row in range(high + 2 * outer):
        y = reflected(strip[1] + row - outer, height)
        a, b, line = under[(uy + y) % len(under)], over[(oy + y) % len(over)], difference[row]
        if inside:
            a = a[(ux + strip[0] - outer) * channels :]
            b = b[(ox + strip[0] - outer) * channels :]
            for j in range(count):
                line[j] = np.float32(b[j]) - np.float32(a[j])
        else:
            for column in range(wide + 2 * outer):
                x = reflected(strip[0] + column - outer, width)
                for c in range(channels):
                    seen = np.float32(b[(ox + x) * channels + c])
                    line[column * channels + c] = seen - np.float32(a[(ux + x) * channels + c])
    blur_across(difference, high + 2 * outer, (wide + 2 * inner) * channels, channels, fine, passed)
    blur_down(passed, high + 2 * inner, (wide + 2 * inner) * channels, fine, first)
    blur_across(first, high + 2 * inner, wide * channels, channels, middle, passed)
    blur_down(passed, high, wide * channels, middle, second)
    top = np.float32(255.0 if made.itemsize == 1 else 65535.0)
    half, one, zero = np.float32(0.5), np.float32(1.0), np.float32(0.0)
    for row in range(high):
        below = under[(uy + strip[1] + row) % len(under)]
        whole, broad, broader = difference[row + outer], first[row + inner], second[row]
        for column in range(wide):
            weight = weights[row, column]
            steep = min(max(half + times[0] * (weight - half), zero), one)
            gentle = min(max(half + times[1] * (weight - half), zero), one)
            for c in range(channels):
                at = column * channels + c
                value = np.float32(below[(ux + strip[0]) * channels + at])
                value += steep * (whole[at + outer * channels] - broad[at + inner * channels])
                value += gentle * (broad[at + inner * channels] - broader[at]) + weight * broader[at]
                made[row, at] = np.int32(min(max(value, zero), top) + half)


@compiled
def partly(weights: Floats) -> tuple[int, int, int, int]:
    """The rectangle (x0, y0, x1, y1) that holds all weights that are neither 0 nor 1; empty if there are none."""
    high, wide = weights.shape
    x0, y0, x1, y1 = wide, high, 0, 0
    for y in range(high):
        for x in range(wide):
            if 0.0 < weights[y, x] < 1.0:
                x0, x1, y0, y1 = min(x0, x), max(x1, x + 1), min(y0, y), max(y1, y + 1)
    return (x0, y0, x1, y1) if x1 else (0, 0, 0, 0)


@compiled
def mix_blocks(
    under: Rows,
    uy: int,
    ux: int,
    over: Rows,
    oy: int,
    ox: int,
    width: int,
    height: int,
    channels: int,
    blocks: Ints,
    weights: Floats,
    fine: Line,
    middle: Line,
    times: Line,
) -> Rows:
    """What blocks (n, 4) of the mosaic become, (n, size, size * channels); nothing is written yet.

    The bands of a block look at its neighbours, and are to see them as they were.
    """
    size, reach = weights.shape[1], len(fine) + len(middle) - 2
    store = np.empty((4, size + 2 * reach, (size + 2 * reach) * channels), np.float32)
    mixed = np.empty((len(blocks), size, size * channels), over.dtype)
    made = np.empty((size, size * channels), over.dtype)
    strip = np.empty(4, np.int64)
    for k in range(len(blocks)):
        left, top = blocks[k, 0], blocks[k, 1]
        here, result = weights[k, : blocks[k, 3] - top, : blocks[k, 2] - left], mixed[k]
        for y in range(here.shape[0]):
            below, above = under[(uy + top + y) % len(under)], over[(oy + top + y) % len(over)]
            for x in range(here.shape[1]):
                for c in range(channels):
                    a, b = below[(ux + left + x) * channels + c], above[(ox + left + x) * channels + c]
                    result[y, x * channels + c] = b if here[y, x] == 1.0 else a
        x0, y0, x1, y1 = partly(here)
        if x1 > 0:
            strip[0], strip[1], strip[2], strip[3] = left + x0, top + y0, left + x1, top + y1
            part = here[y0:y1, x0:x1]
            mix_strip(
                under, uy, ux, over, oy, ox, width, height, channels, strip, part, fine, middle, times, store, made
            )
            result[y0:y1, x0 * channels : x1 * channels] = made[: y1 - y0, : (x1 - x0) * channels]
    return mixed


@compiled
def put_blocks(
    under: Rows,
    uy: int,
    ux: int,
    over: Rows,
    oy: int,
    ox: int,
    width: int,
    height: int,
    channels: int,
    owned: npt.NDArray[np.bool_],
    blocks: Ints,
    mixed: Rows,
) -> None:
    """Write the mixed blocks, and copy the blocks of a grid that are the tile's own, in runs along the rows."""
    size = mixed.shape[1]
    for k in range(len(blocks)):
        for y in range(blocks[k, 1], blocks[k, 3]):
            line = under[(uy + y) % len(under), (ux + blocks[k, 0]) * channels : (ux + blocks[k, 2]) * channels]
            line[:] = mixed[k, y - blocks[k, 1], : len(line)]
    for row in range(len(owned)):
        column = 0
        while column < owned.shape[1]:
            start = column
            while column < owned.shape[1] and owned[row, column]:
                column += 1
            left, right = start * size, min(column * size, width)
            for y in range(row * size, min((row + 1) * size, height)):
                line = under[(uy + y) % len(under), (ux + left) * channels : (ux + right) * channels]
                line[:] = over[(oy + y) % len(over), (ox + left) * channels : (ox + right) * channels]
            column += 1
