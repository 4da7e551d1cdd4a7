"""Loops that weigh a tile against what is painted: which blocks are all its own, and its share in the others.

Seams and rectangles come as tables of numbers, see `dieplat.blending.mix.Scene`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Weights = npt.NDArray[np.float32]

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
    weights: Weights,
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
    weights: Weights,
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
def kinds_of(
    size: int,
    width: int,
    height: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    fade: float,
) -> npt.NDArray[np.uint8]:
    """What every block of `size` shows of the tile: NONE, OWN or MIXED; OWN where nothing is painted yet."""
    rows, columns = (height + size - 1) // size, (width + size - 1) // size
    kinds = np.full((rows, columns), OWN, np.uint8)
    for k in range(len(covered)):
        if covered[k, 2] > covered[k, 0] and covered[k, 3] > covered[k, 1]:
            down, across = (covered[k, 3] + size - 1) // size, (covered[k, 2] + size - 1) // size
            kinds[covered[k, 1] // size : down, covered[k, 0] // size : across] = MIXED
    block = np.empty(4, np.int64)
    for row in range(rows):
        for column in range(columns):
            if kinds[row, column] == MIXED:
                block[0], block[1] = column * size, row * size
                block[2], block[3] = min((column + 1) * size, width), min((row + 1) * size, height)
                kinds[row, column] = kind_of(block, width, height, seams, feathers, paths, covered, open_sides, fade)
    return kinds


@compiled
def weights_of(
    blocks: Ints,
    size: int,
    width: int,
    height: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    edge: float,
    fade: float,
) -> Weights:
    """The tile's weights (n, size, size) in n blocks (x0, y0, x1, y1), each in the corner of its square."""
    weights = np.zeros((len(blocks), size, size), np.float32)
    for k in range(len(blocks)):
        block = blocks[k]
        here = weights[k, : block[3] - block[1], : block[2] - block[0]]
        weigh(block, width, height, seams, feathers, paths, covered, open_sides, edge, fade, here)
    return weights
