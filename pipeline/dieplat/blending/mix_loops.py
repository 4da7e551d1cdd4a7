"""Loops that paint a tile: which blocks are its own, the weights of the others, and the mix along the seams.

They work on rows that go round (`dieplat.blending.seam_loops.View`), so that finished rows need not be moved away.
Seams and rectangles come as tables of numbers, see `dieplat.blending.mix.Scene`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled

Rows = npt.NDArray[Any]
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Line = npt.NDArray[np.float32]

NONE, OWN, MIXED = 0, 1, 2
"""What a block shows of the tile."""


@compiled
def side_of(block: Ints, seam: Ints, feather: float, paths: Floats) -> int:
    """1 or -1 if all of the block within the seam's rectangle is the tile's own, or none of it; else 0."""
    if seam[4]:
        start, stop, low, high = block[1] - seam[1], block[3] - seam[1], max(block[0], seam[0]), min(block[2], seam[2])
        start, stop = max(start, 0), min(stop, seam[3] - seam[1])
    else:
        start, stop, low, high = block[0] - seam[0], block[2] - seam[0], max(block[1], seam[1]), min(block[3], seam[3])
        start, stop = max(start, 0), min(stop, seam[2] - seam[0])
    least, most = paths[seam[6] + start], paths[seam[6] + start]
    for k in range(seam[6] + start + 1, seam[6] + stop):
        least, most = min(least, paths[k]), max(most, paths[k])
    after = seam[5] != 0
    if least - feather >= high:
        return -1 if after else 1
    if most + feather <= low:
        return 1 if after else -1
    return 0


@compiled
def is_near_side(block: Ints, width: int, height: int, open_sides: Ints, fade: float) -> bool:
    """Whether the block lies within `fade` of a side (left, top, right, bottom) that is open."""
    return bool(
        (open_sides[0] != 0 and block[0] < fade)
        or (open_sides[1] != 0 and block[1] < fade)
        or (open_sides[2] != 0 and width - block[2] < fade)
        or (open_sides[3] != 0 and height - block[3] < fade)
    )


@compiled
def is_beside_hole(block: Ints, width: int, height: int, covered: Ints, fade: float) -> bool:
    """Whether something within `fade` of the block, and on the tile, may be unpainted."""
    reach = int(fade) + 1
    x0, y0 = max(block[0] - reach, 0), max(block[1] - reach, 0)
    x1, y1 = min(block[2] + reach, width), min(block[3] + reach, height)
    for k in range(len(covered)):
        if covered[k, 0] <= x0 and covered[k, 1] <= y0 and covered[k, 2] >= x1 and covered[k, 3] >= y1:
            return False
    return True


@compiled
def kind_of(
    block: Ints,
    width: int,
    height: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    fade: float,
) -> int:
    """NONE or OWN where that is plain from the seams' sides; else MIXED."""
    all_own, is_lost = True, False
    for k in range(len(seams)):
        seam = seams[k]
        if min(block[2], seam[2]) <= max(block[0], seam[0]) or min(block[3], seam[3]) <= max(block[1], seam[1]):
            continue
        side = side_of(block, seam, feathers[k], paths)
        all_own = all_own and side > 0
        whole = seam[0] <= block[0] and seam[1] <= block[1] and seam[2] >= block[2] and seam[3] >= block[3]
        is_lost = is_lost or (side < 0 and whole)
    if all_own and not is_near_side(block, width, height, open_sides, fade):
        return OWN
    if is_lost and not is_beside_hole(block, width, height, covered, fade):
        return NONE
    return MIXED


@compiled
def weigh(
    block: Ints,
    width: int,
    height: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    edge: float,
    fade: float,
    weights: npt.NDArray[np.float32],
) -> None:
    """Fill in the tile's weight at every pixel of a block; see `dieplat.blending.mix.tile_weights`."""
    weights[:] = np.float32(1.0)
    for k in range(len(seams)):
        seam = seams[k]
        slope = np.float32((0.5 if seam[5] else -0.5) / feathers[k])
        for y in range(max(block[1], seam[1]), min(block[3], seam[3])):
            for x in range(max(block[0], seam[0]), min(block[2], seam[2])):
                # The distance before it is rounded to 32 bits.
                off = x + 0.5 - paths[seam[6] + y - seam[1]] if seam[4] else y + 0.5 - paths[seam[6] + x - seam[0]]
                weight = np.float32(off) * slope + np.float32(0.5)
                weights[y - block[1], x - block[0]] = min(
                    weights[y - block[1], x - block[0]], max(weight, np.float32(0.0))
                )
    scale = np.float32(1.0 / (fade - edge))
    if is_near_side(block, width, height, open_sides, fade):
        for y in range(block[1], block[3]):
            for x in range(block[0], block[2]):
                off = fade
                off = min(off, x + 0.5) if open_sides[0] else off
                off = min(off, y + 0.5) if open_sides[1] else off
                off = min(off, width - x - 0.5) if open_sides[2] else off
                off = min(off, height - y - 0.5) if open_sides[3] else off
                weights[y - block[1], x - block[0]] -= min(np.float32(fade - off) * scale, np.float32(1.0))
    if is_beside_hole(block, width, height, covered, fade):
        turn_at_holes(block, width, height, covered, fade, scale, weights)
    for y in range(len(weights)):
        for x in range(weights.shape[1]):
            weights[y, x] = min(max(weights[y, x], np.float32(0.0)), np.float32(1.0))


@compiled
def turn_at_holes(
    block: Ints,
    width: int,
    height: int,
    covered: Ints,
    fade: float,
    scale: np.float32,
    weights: npt.NDArray[np.float32],
) -> None:
    """Raise the weights towards what is not painted, by the distance to its nearest pixel; 1 in it."""
    reach = int(fade) + 1
    left, top = max(block[0] - reach, 0), max(block[1] - reach, 0)
    right, bottom = min(block[2] + reach, width), min(block[3] + reach, height)
    far = np.int64(2 * reach)
    # Distance to the nearest hole in the same row first.
    along = np.empty((bottom - top, right - left), np.int64)
    for y in range(top, bottom):
        line = along[y - top]
        line[:] = 0
        for k in range(len(covered)):
            if covered[k, 1] <= y < covered[k, 3] and covered[k, 0] < right and covered[k, 2] > left:
                line[max(covered[k, 0], left) - left : min(covered[k, 2], right) - left] = far
        for x in range(1, len(line)):
            line[x] = min(line[x], line[x - 1] + 1)
        for x in range(len(line) - 2, -1, -1):
            line[x] = min(line[x], line[x + 1] + 1)
    for y in range(block[1], block[3]):
        for x in range(block[0], block[2]):
            nearest = far * far
            for other in range(max(y - reach, top), min(y + reach + 1, bottom)):
                beside = along[other - top, x - left]
                nearest = min(nearest, beside * beside + (other - y) * (other - y))
            if nearest == 0:
                weights[y - block[1], x - block[0]] = 1.0
            elif nearest < fade * fade:
                raised = min(np.float32(fade - np.sqrt(nearest)) * scale, 1.0)
                weights[y - block[1], x - block[0]] += raised


@compiled
def reflected(place: int, size: int) -> int:
    """The index of a sample that lies beyond the ends, the end samples not being repeated."""
    if size == 1:
        return 0
    place = abs(place) % (2 * size - 2)
    return place if place < size else 2 * size - 2 - place


@compiled
def blur_across(
    source: npt.NDArray[np.float32], rows: int, count: int, stride: int, taps: Line, out: npt.NDArray[np.float32]
) -> None:
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
def blur_down(source: npt.NDArray[np.float32], rows: int, count: int, taps: Line, out: npt.NDArray[np.float32]) -> None:
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
    weights: npt.NDArray[np.float32],
    fine: Line,
    middle: Line,
    times: Line,
    store: npt.NDArray[np.float32],
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
def partly(weights: npt.NDArray[np.float32]) -> tuple[int, int, int, int]:
    """The rectangle (x0, y0, x1, y1) that holds all weights that are neither 0 nor 1; empty if there are none."""
    high, wide = weights.shape
    x0, y0, x1, y1 = wide, high, 0, 0
    for y in range(high):
        for x in range(wide):
            if 0.0 < weights[y, x] < 1.0:
                x0, x1, y0, y1 = min(x0, x), max(x1, x + 1), min(y0, y), max(y1, y + 1)
    return (x0, y0, x1, y1) if x1 else (0, 0, 0, 0)


@compiled
def paint(
    under: Rows,
    uy: int,
    ux: int,
    over: Rows,
    oy: int,
    ox: int,
    width: int,
    height: int,
    channels: int,
    size: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    edge: float,
    fade: float,
    fine: Line,
    middle: Line,
    times: Line,
) -> None:
    """Paint a rectangle of `over` on `under`, block by block of `size`; see `dieplat.blending.mix.mix_over`."""
    rows, columns = (height + size - 1) // size, (width + size - 1) // size
    kinds = np.full((rows, columns), OWN, np.uint8)
    for k in range(len(covered)):
        if covered[k, 2] > covered[k, 0] and covered[k, 3] > covered[k, 1]:
            down, across = (covered[k, 3] + size - 1) // size, (covered[k, 2] + size - 1) // size
            kinds[covered[k, 1] // size : down, covered[k, 0] // size : across] = MIXED
    block, strip = np.empty(4, np.int64), np.empty(4, np.int64)
    number = 0
    for row in range(rows):
        for column in range(columns):
            if kinds[row, column] == MIXED:
                cut_block(block, row, column, size, width, height)
                kinds[row, column] = kind_of(block, width, height, seams, feathers, paths, covered, open_sides, fade)
                number += kinds[row, column] == MIXED
    reach = len(fine) + len(middle) - 2
    store = np.empty((4, size + 2 * reach, (size + 2 * reach) * channels), np.float32)
    weights = np.empty((size, size), np.float32)
    mixed = np.empty((number, size, size * channels), over.dtype)
    made = np.empty((size, size * channels), over.dtype)
    # The bands of a block look at its neighbours as they were: nothing is written before all is worked out.
    number = 0
    for row in range(rows):
        for column in range(columns):
            if kinds[row, column] != MIXED:
                continue
            cut_block(block, row, column, size, width, height)
            here = weights[: block[3] - block[1], : block[2] - block[0]]
            weigh(block, width, height, seams, feathers, paths, covered, open_sides, edge, fade, here)
            x0, y0, x1, y1 = partly(here)
            result = mixed[number]
            number += 1
            for y in range(len(here)):
                below, above = under[(uy + block[1] + y) % len(under)], over[(oy + block[1] + y) % len(over)]
                for x in range(here.shape[1]):
                    for c in range(channels):
                        a = below[(ux + block[0] + x) * channels + c]
                        b = above[(ox + block[0] + x) * channels + c]
                        result[y, x * channels + c] = b if here[y, x] == 1.0 else a
            if x1 > 0:
                strip[0], strip[1], strip[2], strip[3] = block[0] + x0, block[1] + y0, block[0] + x1, block[1] + y1
                part = here[y0:y1, x0:x1]
                mix_strip(
                    under, uy, ux, over, oy, ox, width, height, channels, strip, part, fine, middle, times, store, made
                )
                result[y0:y1, x0 * channels : x1 * channels] = made[: y1 - y0, : (x1 - x0) * channels]
    number = 0
    for row in range(rows):
        top, bottom = row * size, min((row + 1) * size, height)
        column = 0
        while column < columns:
            start = column
            left = start * size
            if kinds[row, start] == MIXED:
                right = min(left + size, width)
                for y in range(top, bottom):
                    line = under[(uy + y) % len(under)]
                    line[(ux + left) * channels : (ux + right) * channels] = mixed[
                        number, y - top, : (right - left) * channels
                    ]
                number += 1
                column += 1
                continue
            while column < columns and kinds[row, column] == kinds[row, start]:
                column += 1
            if kinds[row, start] == OWN:
                right = min(column * size, width)
                for y in range(top, bottom):
                    line, seen = under[(uy + y) % len(under)], over[(oy + y) % len(over)]
                    line[(ux + left) * channels : (ux + right) * channels] = seen[
                        (ox + left) * channels : (ox + right) * channels
                    ]


@compiled
def cut_block(block: Ints, row: int, column: int, size: int, width: int, height: int) -> None:
    """The rectangle of a block, cut to the tile."""
    block[0], block[1] = column * size, row * size
    block[2], block[3] = min((column + 1) * size, width), min((row + 1) * size, height)
