"""A tile painted over what is there: copied on its side of the seams, mixed in a narrow strip along them.

A narrow mix cannot show a thing twice, as a wide one would wherever two tiles disagree by a pixel or two. What
is left of a step in brightness is spread over the whole of the strip, fine detail passes over in a quarter of
it: Burt and Adelson's splining of bands, each over a width that suits its waves [1]_. The pixels beyond the
strip are one tile's own.

.. [1] P. J. Burt, E. H. Adelson, "A multiresolution spline with application to image mosaics", ACM
   Transactions on Graphics 2 (1983) 217-236. doi:10.1145/245.247
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.blending.mix_loops import mix_blocks, put_blocks
from dieplat.blending.place import Box
from dieplat.blending.seam import EDGE_PX, FEATHER_PX, Seam
from dieplat.blending.seam_loops import View
from dieplat.blending.weight_loops import MIXED, OWN, kinds_of, weights_of

_BLOCK_PX = 64
"""The tile is painted in blocks of this size; those that no seam or edge touches are only copied or left."""

_BANDS = ((9, 1.5, 4.0), (13, 2.6, 2.0))
"""Bands of detail: the blur (size and sigma in pixels, each upon the one before) that ends the band towards
broader structure, and how many times narrower than the whole strip its mix is. What is left is mixed over the
whole strip."""

_FADE_PX = EDGE_PX + 2.0 * FEATHER_PX
"""So far from an edge that no seam covers a tile is used in full."""

Weights = npt.NDArray[np.float32]
Table = npt.NDArray[np.int64]
Sides = tuple[bool, bool, bool, bool]


class Scene(NamedTuple):
    """What decides over a tile's weights, in its own pixels and as tables of numbers for the loops.

    seams (S, 7): rectangle (x0, y0, x1, y1), runs down, tile after it, where its path begins in `paths`;
    feathers (S,): half widths of their mixes; covered (B, 4): rectangles that are painted already;
    open_sides (4,): left, top, right, bottom, whether the mosaic goes on beyond that side.
    """

    width: int
    height: int
    seams: npt.NDArray[np.int64]
    feathers: npt.NDArray[np.float64]
    paths: npt.NDArray[np.float64]
    covered: npt.NDArray[np.int64]
    open_sides: npt.NDArray[np.int64]


def scene_of(whole: Box, *, seams: Sequence[Seam], covered: Sequence[Box], open_sides: Sides) -> Scene:
    """The tables of a tile that lies at `whole` in its own pixels."""
    starts = np.cumsum([0, *(len(seam.at_px) for seam in seams)])
    table = [
        (*seam.box, seam.runs_down, seam.after, start) for seam, start in zip(seams, starts.tolist(), strict=False)
    ]
    return Scene(
        whole.x1 - whole.x0,
        whole.y1 - whole.y0,
        np.array(table, np.int64).reshape(-1, 7),
        np.array([seam.feather_px for seam in seams], np.float64),
        np.concatenate([np.zeros(0), *(seam.at_px for seam in seams)]),
        np.array(covered, np.int64).reshape(-1, 4),
        np.array(open_sides, np.int64),
    )


def mix_over(
    under: View,
    pixels: View,
    *,
    seams: Sequence[Seam],
    covered: Sequence[Box],
    open_sides: Sides,
    clip: Box | None = None,
) -> None:
    """Paint a tile over a mosaic, in place.

    Parameters
    ----------
    under : View
        The mosaic where the tile lies; changed.
    pixels : View
        The tile, of the same size.
    seams : sequence of Seam
        The tile is shown where it lies on its own side of all of them.
    covered : sequence of Box
        The rectangles that are painted already, in the tile's pixels and cut to the tile.
    open_sides : tuple of bool
        Left, top, right, bottom: whether the mosaic goes on beyond that side of the tile.
    clip : Box, optional
        Only what lies in it, in the tile's pixels, is painted, to the same values as with all the rest. `under` and
        `pixels` are looked at in it and, on the tile, `REACH_PX` about it; the rest of them need not be there.
    """
    whole = Box(0, 0, under.width, under.height)
    scene = scene_of(whole, seams=seams, covered=covered, open_sides=open_sides)
    owned, blocks = _sorted_blocks(scene, whole if clip is None else clip)
    weights = _weights(blocks, scene)
    place = (*under[:3], *pixels[:3], under.width, under.height, under.channels)
    mixed = np.empty((len(blocks), _BLOCK_PX, _BLOCK_PX * under.channels), pixels.rows.dtype)
    side = _BLOCK_PX + 2 * REACH_PX
    store = np.empty((4, side, side * under.channels), np.float32)
    mix_blocks(*place, blocks, weights, _TAPS[0], _TAPS[1], _TIMES, store, mixed)
    put_blocks(*place, owned, blocks, weights, mixed)


def _sorted_blocks(scene: Scene, clip: Box) -> tuple[Table, Table]:
    """Rectangles (n, 4) that are the tile's own, and blocks that are mixed, from a grid of them."""
    low, high = (clip.x0, clip.y0, clip.x0, clip.y0), (clip.x1, clip.y1, clip.x1, clip.y1)
    left, top = clip.x0 // _BLOCK_PX, clip.y0 // _BLOCK_PX
    down, across = -(-clip.y1 // _BLOCK_PX) - top, -(-clip.x1 // _BLOCK_PX) - left
    rows, columns = (grid.ravel() for grid in np.mgrid[top : top + down, left : left + across])
    grid = np.clip(np.stack([columns, rows, columns + 1, rows + 1], axis=-1) * _BLOCK_PX, low, high)
    # Where nothing is painted yet all is the tile's own.
    met = (grid[:, None, :2] < scene.covered[:, 2:]) & (grid[:, None, 2:] > scene.covered[:, :2])
    touched = met.all(axis=2).any(axis=1)
    kinds = np.full(len(grid), OWN, np.uint8)
    kinds[touched] = _kinds(np.ascontiguousarray(grid[touched]), scene)
    own = (kinds == OWN).reshape(down, across)
    # In runs along the rows.
    edges = np.diff(np.pad(own, ((0, 0), (1, 1))).astype(np.int8), axis=1)
    (row, start), (_, stop) = np.nonzero(edges == 1), np.nonzero(edges == -1)
    places = np.stack([left + start, top + row, left + stop, top + row + 1], axis=-1) * _BLOCK_PX
    runs = np.clip(places, low, high)
    return runs, np.ascontiguousarray(grid[kinds == MIXED])


def _kinds(blocks: Table, scene: Scene) -> npt.NDArray[np.uint8]:
    kinds = np.empty(len(blocks), np.uint8)
    kinds_of(blocks, *scene, _FADE_PX, kinds)
    return kinds


def _weights(blocks: Table, scene: Scene) -> Weights:
    """Weights (n, rows, columns), as large as the largest block; beyond a smaller one they are not set."""
    wide, high = ((blocks[:, i + 2] - blocks[:, i]).max(initial=1) for i in (0, 1))
    weights = np.empty((len(blocks), int(high), int(wide)), np.float32)
    reach = 2 * (int(_FADE_PX) + 1)
    along = np.empty((int(high) + reach, int(wide) + reach), np.int64)
    weights_of(blocks, *scene, EDGE_PX, _FADE_PX, along, weights)
    return weights


def tile_weights(
    block: Box, whole: Box, *, seams: Sequence[Seam], covered: Sequence[Box], open_sides: Sides
) -> Weights | float:
    """Weights of a tile over a block of itself; a single 0.0 or 1.0 if they are plainly all alike.

    As the seams say, but turning away from the edge of the tile, and of the paint: without that a seam that
    ends inside the picture, or an edge that no seam covers, would show as a line. Within `EDGE_PX` of such an
    edge filters leaned on mirrored pixels; from there to `_FADE_PX` the weight changes as beside a seam.
    """
    scene = scene_of(whole, seams=seams, covered=covered, open_sides=open_sides)
    place = np.array([block], np.int64)
    kind = _kinds(place, scene)[0]
    if kind != MIXED:
        return 1.0 if kind == OWN else 0.0
    weights: Weights = _weights(place, scene)[0]
    return weights


def _taps(size: int, sigma: float) -> npt.NDArray[np.float32]:
    """Weights of a Gaussian, from its middle outwards."""
    taps: npt.NDArray[np.float32] = cv2.getGaussianKernel(size, sigma)[size // 2 :, 0].astype(np.float32)
    return taps


_TAPS = tuple(_taps(size, sigma) for size, sigma, _ in _BANDS)
_TIMES = np.array([times for _, _, times in _BANDS], np.float32)

REACH_PX = sum(len(taps) - 1 for taps in _TAPS)
"""A mixed pixel depends on pixels so far from it and no farther."""
