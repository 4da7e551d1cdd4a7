"""Loops that weigh a tile against what is painted: which blocks are all its own, and its share in the others.

Seams and rectangles come as tables of numbers, see `dieplat.blending.mix.Scene`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Weights = npt.NDArray[np.float32]

NONE, OWN, MIXED = 0, 1, 2
"""What a block shows of the tile."""


@inner
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


@inner
def is_near_side(block: Ints, width: int, height: int, open_sides: Ints, fade: float) -> bool:
    """Whether the block lies within `fade` of a side (left, top, right, bottom) that is open."""
    return bool(
        (open_sides[0] != 0 and block[0] < fade)
        or (open_sides[1] != 0 and block[1] < fade)
        or (open_sides[2] != 0 and width - block[2] < fade)
        or (open_sides[3] != 0 and height - block[3] < fade)
    )


@inner
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
def kinds_of(
    blocks: Ints,
    width: int,
    height: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    fade: float,
    kinds: npt.NDArray[np.uint8],
) -> None:
    """Say of every block (x0, y0, x1, y1): NONE or OWN where that is plain from the seams' sides; else MIXED."""
    for number in range(len(blocks)):
        block = blocks[number]
        all_own, is_lost = True, False
        for k in range(len(seams)):
            seam = seams[k]
            if min(block[2], seam[2]) <= max(block[0], seam[0]) or min(block[3], seam[3]) <= max(block[1], seam[1]):
                continue
            side = side_of(block, seam, feathers[k], paths)
            all_own = all_own and side > 0
            whole = seam[0] <= block[0] and seam[1] <= block[1] and seam[2] >= block[2] and seam[3] >= block[3]
            is_lost = is_lost or (side < 0 and whole)
        kinds[number] = MIXED
        if all_own and not is_near_side(block, width, height, open_sides, fade):
            kinds[number] = OWN
        elif is_lost and not is_beside_hole(block, width, height, covered, fade):
            kinds[number] = NONE


@inner
def weigh_by_seams(block: Ints, seams: Ints, feathers: Floats, paths: Floats, weights: Weights) -> None:
    """Lower the weights to what the seams leave of the tile."""
    for k in range(len(seams)):
        seam = seams[k]
        slope, half, zero = np.float32((0.5 if seam[5] else -0.5) / feathers[k]), np.float32(0.5), np.float32(0.0)
        left, right = max(block[0], seam[0]), min(block[2], seam[2])
        for y in range(max(block[1], seam[1]), min(block[3], seam[3])):
            line = weights[y - block[1]]
            # The distance before it is rounded to 32 bits.
            if seam[4]:
                path = paths[seam[6] + y - seam[1]]
                for x in range(left, right):
                    weight = np.float32(x + 0.5 - path) * slope + half
                    line[x - block[0]] = min(line[x - block[0]], max(weight, zero))
            else:
                beside = paths[seam[6] + left - seam[0] :]
                for x in range(left, right):
                    weight = np.float32(y + 0.5 - beside[x - left]) * slope + half
                    line[x - block[0]] = min(line[x - block[0]], max(weight, zero))


@inner
def turn_at_sides(
    block: Ints, width: int, height: int, open_sides: Ints, fade: float, scale: np.float32, weights: Weights
) -> None:
    """Lower the weights towards the sides that are open."""
    for y in range(block[1], block[3]):
        for x in range(block[0], block[2]):
            off = fade
            off = min(off, x + 0.5) if open_sides[0] else off
            off = min(off, y + 0.5) if open_sides[1] else off
            off = min(off, width - x - 0.5) if open_sides[2] else off
            off = min(off, height - y - 0.5) if open_sides[3] else off
            weights[y - block[1], x - block[0]] -= min(np.float32(fade - off) * scale, np.float32(1.0))


@inner
def turn_at_holes(
    block: Ints,
    width: int,
    height: int,
    covered: Ints,
    fade: float,
    scale: np.float32,
    along: Ints,
    weights: Weights,
) -> None:
    """Raise the weights towards what is not painted, by the distance to its nearest pixel; 1 in it.

    `along` is scratch, as large as the block and `fade` about it.
    """
    reach = int(fade) + 1
    left, top = max(block[0] - reach, 0), max(block[1] - reach, 0)
    right, bottom = min(block[2] + reach, width), min(block[3] + reach, height)
    far = np.int64(2 * reach)
    # Distance to the nearest hole in the same row first.
    count = right - left
    for y in range(top, bottom):
        line = along[y - top]
        for x in range(count):
            line[x] = 0
        for k in range(len(covered)):
            if covered[k, 1] <= y < covered[k, 3] and covered[k, 0] < right and covered[k, 2] > left:
                for x in range(max(covered[k, 0], left) - left, min(covered[k, 2], right) - left):
                    line[x] = far
        for x in range(1, count):
            line[x] = min(line[x], line[x - 1] + 1)
        for x in range(count - 2, -1, -1):
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
def weights_of(
    blocks: Ints,
    width: int,
    height: int,
    seams: Ints,
    feathers: Floats,
    paths: Floats,
    covered: Ints,
    open_sides: Ints,
    edge: float,
    fade: float,
    along: Ints,
    weights: Weights,
) -> None:
    """Fill in the tile's weights (n, rows, columns) in n blocks (x0, y0, x1, y1), each in the corner of its square.

    See `dieplat.blending.mix.tile_weights`; for `along` see `turn_at_holes`.
    """
    scale = np.float32(1.0 / (fade - edge))
    for k in range(len(blocks)):
        block, here = blocks[k], weights[k]
        for y in range(block[3] - block[1]):
            for x in range(block[2] - block[0]):
                here[y, x] = np.float32(1.0)
        weigh_by_seams(block, seams, feathers, paths, here)
        if is_near_side(block, width, height, open_sides, fade):
            turn_at_sides(block, width, height, open_sides, fade, scale, here)
        if is_beside_hole(block, width, height, covered, fade):
            turn_at_holes(block, width, height, covered, fade, scale, along, here)
        for y in range(block[3] - block[1]):
            for x in range(block[2] - block[0]):
                here[y, x] = min(max(here[y, x], np.float32(0.0)), np.float32(1.0))
