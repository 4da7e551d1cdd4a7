"""Loops that paint a tile: the mix of two pictures along the seams, and copying what is the tile's own.

They work on rows that go round (`dieplat.blending.seam_loops.View`), so that finished rows need not be moved away.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner

Rows = npt.NDArray[Any]
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float32]
Line = npt.NDArray[np.float32]


@inner
def reflected(place: int, size: int) -> int:
    """The index of a sample that lies beyond the ends, the end samples not being repeated."""
    if size == 1:
        return 0
    place = abs(place) % (2 * size - 2)
    return place if place < size else 2 * size - 2 - place


@inner
def blur_across(source: Floats, rows: int, count: int, stride: int, taps: Line, out: Floats) -> None:
    """Rows filtered by symmetric taps (the middle one first), samples `stride` apart; an even number of pairs."""
    half = len(taps) - 1
    for row in range(rows):
        line, made = source[row], out[row]
        middle, one, two = line[half * stride :], line[(half - 1) * stride :], line[(half + 1) * stride :]
        three, four = line[(half - 2) * stride :], line[(half + 2) * stride :]
        for j in range(count):
            beside = taps[1] * (one[j] + two[j]) + taps[2] * (three[j] + four[j])
            made[j] = taps[0] * middle[j] + beside
        for k in range(3, half, 2):
            near, far = taps[k], taps[k + 1]
            a, b = line[(half - k) * stride :], line[(half + k) * stride :]
            c, d = line[(half - k - 1) * stride :], line[(half + k + 1) * stride :]
            for j in range(count):
                made[j] += near * (a[j] + b[j]) + far * (c[j] + d[j])


@inner
def blur_down(source: Floats, rows: int, count: int, taps: Line, out: Floats) -> None:
    """Columns filtered by symmetric taps (the middle one first); an even number of pairs."""
    half = len(taps) - 1
    for row in range(rows):
        made, middle = out[row], source[row + half]
        one, two, three, four = (
            source[row + half - 1],
            source[row + half + 1],
            source[row + half - 2],
            source[row + half + 2],
        )
        for j in range(count):
            beside = taps[1] * (one[j] + two[j]) + taps[2] * (three[j] + four[j])
            made[j] = taps[0] * middle[j] + beside
        for k in range(3, half, 2):
            near, far = taps[k], taps[k + 1]
            a, b, c, d = (
                source[row + half - k],
                source[row + half + k],
                source[row + half - k - 1],
                source[row + half + k + 1],
            )
            for j in range(count):
                made[j] += near * (a[j] + b[j]) + far * (c[j] + d[j])


@inner
def difference_of(
    under: Rows,
    uy: int,
    ux: int,
    over: Rows,
    oy: int,
    ox: int,
    width: int,
    height: int,
    channels: int,
    left: int,
    top: int,
    wide: int,
    high: int,
    difference: Floats,
) -> None:
    """Tile minus mosaic in a rectangle of the tile; both are mirrored where it goes beyond."""
    inside = left >= 0 and left + wide <= width
    for row in range(high):
        y = reflected(top + row, height)
        a, b, line = under[(uy + y) % len(under)], over[(oy + y) % len(over)], difference[row]
        if inside:
            a, b = a[(ux + left) * channels :], b[(ox + left) * channels :]
            for j in range(wide * channels):
                line[j] = np.float32(b[j]) - np.float32(a[j])
        else:
            for column in range(wide):
                x = reflected(left + column, width)
                for c in range(channels):
                    seen = np.float32(b[(ox + x) * channels + c])
                    line[column * channels + c] = seen - np.float32(a[(ux + x) * channels + c])


@inner
def partly(weights: Floats, high: int, wide: int) -> tuple[int, int, int, int]:
    """The rectangle (x0, y0, x1, y1) that holds all weights that are neither 0 nor 1; empty if there are none."""
    x0, y0, x1, y1 = wide, high, 0, 0
    for y in range(high):
        for x in range(wide):
            if 0.0 < weights[y, x] < 1.0:
                x0, x1, y0, y1 = min(x0, x), max(x1, x + 1), min(y0, y), max(y1, y + 1)
    return x0, y0, x1, y1


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
    store: Floats,
    mixed: Rows,
) -> None:
    """Fill in what blocks (n, 4) of the mosaic become where they are mixed, (n, size, size * channels).

    Nothing is written to the mosaic yet: the bands of a block look at its neighbours, and are to see them as they were.
    `store` is room for four blocks with their surroundings.
    """
    outer, inset = len(fine) - 1 + len(middle) - 1, len(middle) - 1
    difference, passed, first, second = store[0], store[1], store[2], store[3]
    top = np.float32(255.0 if mixed.itemsize == 1 else 65535.0)
    half, one, zero = np.float32(0.5), np.float32(1.0), np.float32(0.0)
    for k in range(len(blocks)):
        here, made = weights[k], mixed[k]
        x0, y0, x1, y1 = partly(here, blocks[k, 3] - blocks[k, 1], blocks[k, 2] - blocks[k, 0])
        if x1 == 0:
            continue
        left, upper, wide, high = blocks[k, 0] + x0, blocks[k, 1] + y0, x1 - x0, y1 - y0
        size = wide + 2 * outer, high + 2 * outer
        difference_of(
            under, uy, ux, over, oy, ox, width, height, channels, left - outer, upper - outer, *size, difference
        )
        blur_across(difference, high + 2 * outer, (wide + 2 * inset) * channels, channels, fine, passed)
        blur_down(passed, high + 2 * inset, (wide + 2 * inset) * channels, fine, first)
        blur_across(first, high + 2 * inset, wide * channels, channels, middle, passed)
        blur_down(passed, high, wide * channels, middle, second)
        share = passed[0]
        for row in range(high):
            for column in range(wide):
                for c in range(channels):
                    share[column * channels + c] = here[y0 + row, x0 + column]
            below, line = under[(uy + upper + row) % len(under)][(ux + left) * channels :], made[y0 + row]
            whole, broad = difference[row + outer][outer * channels :], first[row + inset][inset * channels :]
            line, broader = line[x0 * channels :], second[row]
            for j in range(wide * channels):
                weight, value = share[j], np.float32(below[j])
                steep = min(max(half + times[0] * (weight - half), zero), one)
                gentle = min(max(half + times[1] * (weight - half), zero), one)
                value += steep * (whole[j] - broad[j])
                value += gentle * (broad[j] - broader[j]) + weight * broader[j]
                line[j] = np.int32(min(max(value, zero), top) + half)


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
    owned: Ints,
    blocks: Ints,
    weights: Floats,
    mixed: Rows,
) -> None:
    """Copy the tile over the mosaic in the rectangles `owned` (n, 4), and write the blocks by their weights."""
    for k in range(len(owned)):
        count = (owned[k, 2] - owned[k, 0]) * channels
        for y in range(owned[k, 1], owned[k, 3]):
            line = under[(uy + y) % len(under)][(ux + owned[k, 0]) * channels :]
            own = over[(oy + y) % len(over)][(ox + owned[k, 0]) * channels :]
            for j in range(count):
                line[j] = own[j]
    for k in range(len(blocks)):
        for row in range(blocks[k, 3] - blocks[k, 1]):
            y, share = blocks[k, 1] + row, weights[k, row]
            line = under[(uy + y) % len(under)][(ux + blocks[k, 0]) * channels :]
            own = over[(oy + y) % len(over)][(ox + blocks[k, 0]) * channels :]
            made = mixed[k, row]
            stop = blocks[k, 2] - blocks[k, 0]
            column = 0
            while column < stop:
                first = column
                if share[first] <= 0.0:
                    while column < stop and share[column] <= 0.0:
                        column += 1
                elif share[first] >= 1.0:
                    while column < stop and share[column] >= 1.0:
                        column += 1
                    for j in range(first * channels, column * channels):
                        line[j] = own[j]
                else:
                    while column < stop and 0.0 < share[column] < 1.0:
                        column += 1
                    for j in range(first * channels, column * channels):
                        line[j] = made[j]
