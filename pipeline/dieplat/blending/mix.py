"""A tile painted over what is there: copied on its side of the seams, mixed in a narrow strip along them.

A narrow mix cannot show a thing twice, as a wide one would wherever two tiles disagree by a pixel or two. What
is left of a step in brightness is spread over the whole of the strip, fine detail passes over in a quarter of
it: Burt and Adelson's splining of bands, each over a width that suits its waves [1]_. The pixels beyond the
strip are one tile's own.

.. [1] P. J. Burt, E. H. Adelson, "A multiresolution spline with application to image mosaics", ACM
   Transactions on Graphics 2 (1983) 217-236. doi:10.1145/245.247
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.blending.place import Box
from dieplat.blending.seam import EDGE_PX, FEATHER_PX, Seam

_BLOCK_PX = 64
"""The tile is painted in blocks of this size; those that no seam or edge touches are only copied or left."""

_BANDS = ((9, 1.5, 4.0), (13, 2.6, 2.0))
"""Bands of detail: the blur (size and sigma in pixels, each upon the one before) that ends the band towards
broader structure, and how many times narrower than the whole strip its mix is. What is left is mixed over the
whole strip."""

_BLUR_REACH_PX = sum(size // 2 for size, _, _ in _BANDS)
"""Pixels beyond a place that its bands depend on."""

_FADE_PX = EDGE_PX + 2.0 * FEATHER_PX
"""So far from an edge that no seam covers a tile is used in full."""

Pixels = npt.NDArray[Any]
Weights = npt.NDArray[np.float32]
Sides = tuple[bool, bool, bool, bool]


def mix_over(
    under: Pixels, pixels: Pixels, *, seams: Sequence[Seam], covered: Sequence[Box], open_sides: Sides
) -> None:
    """Paint a tile over a mosaic, in place.

    Parameters
    ----------
    under : ndarray of shape (M, N, C)
        The mosaic where the tile lies; changed.
    pixels : ndarray of shape (M, N, C)
        The tile.
    seams : sequence of Seam
        The tile is shown where it lies on its own side of all of them.
    covered : sequence of Box
        The rectangles that are painted already, in the tile's pixels and cut to the tile.
    open_sides : tuple of bool
        Left, top, right, bottom: whether the mosaic goes on beyond that side of the tile.
    """
    height, width = under.shape[:2]
    whole = Box(0, 0, width, height)
    rows, columns = -(-height // _BLOCK_PX), -(-width // _BLOCK_PX)
    touched = np.zeros((rows, columns), np.bool_)
    for box in covered:
        touched[box.y0 // _BLOCK_PX : -(-box.y1 // _BLOCK_PX), box.x0 // _BLOCK_PX : -(-box.x1 // _BLOCK_PX)] = True
    # The bands of a block look at its neighbours as they were: nothing is written before all is worked out.
    ours: list[Box] = list(_runs(~touched))
    mixed: list[tuple[Box, Weights, Box, Pixels]] = []
    for row, column in np.argwhere(touched).tolist():
        block = Box(*(side * _BLOCK_PX for side in (column, row, column + 1, row + 1))).cut(whole)
        weights = tile_weights(block, whole, seams=seams, covered=covered, open_sides=open_sides)
        if not isinstance(weights, float):
            strip = _strip(weights)
            part = strip.moved(block.x0, block.y0)
            blend = under[part.cut_out] if strip.is_empty else mixed_bands(under, pixels, weights[strip.cut_out], part)
            mixed.append((block, weights, part, blend))
        elif weights == 1.0:
            ours.append(block)
    for box in ours:
        under[box.cut_out] = pixels[box.cut_out]
    for block, weights, part, result in mixed:
        cv2.copyTo(pixels[block.cut_out], (weights == 1.0).view(np.uint8), under[block.cut_out])
        under[part.cut_out] = result


def _strip(weights: Weights) -> Box:
    """The rectangle that holds all that is neither 0 nor 1."""
    partly = (weights > 0.0) & (weights < 1.0)
    rows, columns = (np.flatnonzero(partly.any(axis=axis)) for axis in (1, 0))
    return Box(int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1) if len(rows) else Box(0, 0, 0, 0)


def _runs(free: npt.NDArray[np.bool_]) -> Iterator[Box]:
    """Runs of blocks along the rows, as boxes in pixels; they may reach beyond the tile."""
    for row, line in enumerate(free):
        edges = np.flatnonzero(np.diff(line, prepend=False, append=False))
        for start, stop in edges.reshape(-1, 2).tolist():
            yield Box(start * _BLOCK_PX, row * _BLOCK_PX, stop * _BLOCK_PX, (row + 1) * _BLOCK_PX)


def tile_weights(
    block: Box, whole: Box, *, seams: Sequence[Seam], covered: Sequence[Box], open_sides: Sides
) -> Weights | float:
    """Weights of a tile over a block of itself; a single 0.0 or 1.0 if they are all alike.

    As the seams say, but turning away from the edge of the tile, and of the paint: without that a seam that
    ends inside the picture, or an edge that no seam covers, would show as a line.
    """
    parts = [(seam, part) for seam in seams if not (part := block.cut(seam.box)).is_empty]
    sides = [(seam.side(part), part == block) for seam, part in parts]
    beside_side = _is_near_side(block, whole, open_sides)
    around = block.grown(int(_FADE_PX) + 1).cut(whole)
    beside_hole = not any(box.cut(around) == around for box in covered)
    if not beside_side and all(side > 0 for side, _ in sides):
        return 1.0
    if not beside_hole and any(side < 0 and is_whole for side, is_whole in sides):
        return 0.0
    weights = np.ones((block.y1 - block.y0, block.x1 - block.x0), np.float32)
    for seam, part in parts:
        view = weights[part.moved(-block.x0, -block.y0).cut_out]
        np.minimum(view, seam.weights(part), out=view)
    if beside_side:
        weights -= _fading(block, whole, open_sides)
    if beside_hole:
        present = _painted(around, covered)
        inner = block.moved(-around.x0, -around.y0).cut_out
        weights += _fade(cv2.distanceTransform(present, cv2.DIST_L2, 5)[inner])
        weights[present[inner] == 0] = 1.0
    np.clip(weights, 0.0, 1.0, out=weights)
    low = float(weights.min())
    return low if low == float(weights.max()) and low in (0.0, 1.0) else weights


def _fade(distance: npt.NDArray[np.float32]) -> Weights:
    """1 within `EDGE_PX` of an edge, where filters leaned on mirrored pixels, then down to 0, as a seam does."""
    faded: Weights = np.clip((np.float32(_FADE_PX) - distance) / np.float32(2.0 * FEATHER_PX), 0.0, 1.0)
    return faded


def _is_near_side(block: Box, whole: Box, open_sides: Sides) -> bool:
    left, top, right, bottom = open_sides
    return (
        (left and block.x0 < _FADE_PX)
        or (top and block.y0 < _FADE_PX)
        or (right and whole.x1 - block.x1 < _FADE_PX)
        or (bottom and whole.y1 - block.y1 < _FADE_PX)
    )


def _fading(block: Box, whole: Box, open_sides: Sides) -> Weights:
    """How close a pixel is to a side of the tile beyond which the mosaic goes on."""
    left, top, right, bottom = open_sides
    x = np.arange(block.x0, block.x1, dtype=np.float32) + 0.5
    y = np.arange(block.y0, block.y1, dtype=np.float32) + 0.5
    far = np.float32(_FADE_PX)
    along_x, along_y = np.full(x.shape, far), np.full(y.shape, far)
    for is_open, along, distance in (
        (left, along_x, x),
        (right, along_x, whole.x1 - x),
        (top, along_y, y),
        (bottom, along_y, whole.y1 - y),
    ):
        if is_open:
            np.minimum(along, distance, out=along)
    return _fade(np.minimum(along_y[:, None], along_x[None, :]))


def _painted(around: Box, covered: Sequence[Box]) -> npt.NDArray[np.uint8]:
    """1 where something is painted already. Beyond the tile's own sides that is of no concern."""
    present = np.zeros((around.y1 - around.y0, around.x1 - around.x0), np.uint8)
    for box in covered:
        part = box.cut(around)
        if not part.is_empty:
            present[part.moved(-around.x0, -around.y0).cut_out] = 1
    return present


def mixed_bands(under: Pixels, pixels: Pixels, weights: Weights, block: Box) -> Pixels:
    """A block of a mosaic with a tile mixed in, band by band; exactly either's pixels where the weight is 0 or 1.

    The mosaic takes weight times the difference of the two, of which each band has a weight of its own.
    """
    channels = under.shape[2]
    around = block.grown(_BLUR_REACH_PX).cut(Box(0, 0, under.shape[1], under.shape[0]))
    inner = block.moved(-around.x0, -around.y0).cut_out
    wide = around.cut_out
    rest = cv2.subtract(pixels[wide], under[wide], dtype=cv2.CV_32F).reshape(pixels[wide].shape)
    result = under[block.cut_out].astype(np.float32)
    for size, sigma, times in _BANDS:
        broad = cv2.GaussianBlur(rest, (size, size), sigma).reshape(rest.shape)
        steep = np.clip(0.5 + times * (weights - 0.5), 0.0, 1.0)
        result += _for_channels(steep, channels) * (rest[inner] - broad[inner])
        rest = broad
    result += _for_channels(weights, channels) * rest[inner]
    top = np.iinfo(under.dtype).max
    mixed: Pixels = np.clip(np.rint(result), 0, top).astype(under.dtype)
    return mixed


def _for_channels(weights: Weights, channels: int) -> Weights:
    """The same weights for every channel, in memory: NumPy is slow at repeating them along short axes."""
    return weights[..., None] if channels == 1 else np.asarray(cv2.merge([weights] * channels))
