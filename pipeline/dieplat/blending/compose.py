"""Tiles painted into one picture, handed out in bands from top to bottom."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from typing import Any, NamedTuple

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.blending.resample import Patch, TileJob, enlarged_inverse, render_tile
from dieplat.blending.seam import find_seam
from dieplat.blending.weights import EDGE_PX, FEATHER_PX, Weights, seam_weights, settle
from dieplat.errors import MosaicError
from dieplat.values import Correction, Layout, TileSet
from dieplat.work import map_in_order

_IN_FLIGHT = 4
"""Tiles read ahead; each holds one tile's pixels until it is painted."""

Pixels = npt.NDArray[Any]


class _Box(NamedTuple):
    """Whole mosaic pixels: columns x0..x1, rows y0..y1, ends excluded."""

    x0: int
    y0: int
    x1: int
    y1: int


def compose_bands(
    tile_set: TileSet,
    layout: Layout,
    correction: Correction,
    *,
    band_px: int = 512,
    executor: Executor | None = None,
) -> Iterator[Pixels]:
    """Paint the tiles of a layout and yield the mosaic in bands from top to bottom.

    Tiles are painted in the order of their upper edges. Between a tile and what is painted already runs a
    seam through the middle of the overlap, bent to where both agree best; the two are mixed over `FEATHER_PX`
    either side of it and nowhere else, so that every other pixel is one tile's own, resampled once.

    Each tile is read once. Memory holds the mosaic's full width over the height of a tile and a band, and a
    few tiles. The result does not depend on the executor.

    Parameters
    ----------
    tile_set : TileSet
        The tiles; those that are not in `layout` are left out.
    layout : Layout
        Where they lie, and the mosaic's size.
    correction : Correction
        Shading, exposure and lens, applied to every tile.
    band_px : int, optional
        Rows of a band; the last may have fewer.
    executor : Executor, optional
        Reads and resamples tiles (threads or processes); None works in line.

    Yields
    ------
    ndarray of shape (h, W) or (h, W, 3)
        Consecutive rows, in the tiles' dtype; 0 where no tile lies.

    Raises
    ------
    PictureError
        If a tile cannot be read after all.
    MosaicError
        If the layout names a tile that is not in the set.
    """
    jobs = _jobs(tile_set, layout, correction)
    canvas = _Canvas(tile_set, layout, band_px)
    placed: list[_Box] = []
    for patch in map_in_order(render_tile, jobs, executor=executor, in_flight=_IN_FLIGHT):
        yield from canvas.finish_above(patch.y0)
        placed = [box for box in placed if box.y1 > patch.y0]
        box = canvas.paint(patch, placed)
        if box is not None:
            placed.append(box)
    yield from canvas.finish_above(layout.height_px + band_px)


def _jobs(tile_set: TileSet, layout: Layout, correction: Correction) -> list[TileJob]:
    """One job a placed tile, by upper edge, then left edge, then name."""
    index = {tile.name: number for number, tile in enumerate(tile_set.tiles)}
    shape = (tile_set.height_px, tile_set.width_px, tile_set.channels)
    inverse_flat = enlarged_inverse(correction.flat, shape)
    jobs = []
    for placed in sorted(layout.tiles, key=lambda one: (int(one.y_px // 1), one.x_px, one.name)):
        if placed.name not in index:
            raise MosaicError(f"{placed.name}: is in the layout but not among the tiles; make the layout again")
        number = index[placed.name]
        jobs.append(
            TileJob(
                path=tile_set.tiles[number].path,
                shape=shape,
                dtype=tile_set.dtype,
                x_px=placed.x_px,
                y_px=placed.y_px,
                inverse_flat=inverse_flat,
                gains=correction.gains[number],
                lens=correction.lens,
            )
        )
    return jobs


class _Canvas:
    """The rows of the mosaic that are not yet final."""

    def __init__(self, tile_set: TileSet, layout: Layout, band_px: int) -> None:
        self.width, self.height = layout.width_px, layout.height_px
        self.band_px = band_px
        self.grey = tile_set.channels == 1
        self.top = 0
        # A tile starts less than a band below the top, and covers a row more than it has.
        rows = min(self.height, tile_set.height_px + 1 + band_px)
        self.pixels = np.zeros((rows, self.width, tile_set.channels), tile_set.dtype)
        self.covered = np.zeros((rows, self.width), np.bool_)

    def finish_above(self, y_px: int) -> Iterator[Pixels]:
        """Hand out whole bands that end at or above `y_px`, or at the mosaic's end."""
        while self.top < self.height:
            count = min(self.band_px, self.height - self.top)
            if self.top + count > y_px:
                return
            band = self.pixels[:count].copy()
            self._drop(count)
            yield band[..., 0] if self.grey else band

    def _drop(self, count: int) -> None:
        self.top += count
        for store in (self.pixels, self.covered):
            kept = max(len(store) - count, 0)
            # Row by row of bands: source and target overlap, and NumPy would copy the whole for safety.
            for start in range(0, kept, count):
                stop = min(start + count, kept)
                store[start:stop] = store[start + count : stop + count]
            store[kept:] = 0

    def paint(self, patch: Patch, placed: list[_Box]) -> _Box | None:
        """Paint a patch over what is there; returns its box on the mosaic, None if it lies outside."""
        height, width = patch.valid.shape
        box = _Box(
            max(patch.x0, 0),
            max(patch.y0, self.top),
            min(patch.x0 + width, self.width),
            min(patch.y0 + height, self.height),
        )
        if box.x0 >= box.x1 or box.y0 >= box.y1:
            return None
        cut = np.s_[box.y0 - patch.y0 : box.y1 - patch.y0, box.x0 - patch.x0 : box.x1 - patch.x0]
        pixels, valid = patch.pixels[cut], patch.valid[cut]
        view = np.s_[box.y0 - self.top : box.y1 - self.top, box.x0 : box.x1]
        under, covered = self.pixels[view], self.covered[view]
        weights = np.ones(valid.shape, np.float32)
        for other in _parting(box, placed):
            _cut_seam(weights, pixels, under, box, other)
        open_sides = (box.x0 > 0, box.y0 > 0, box.x1 < self.width, box.y1 < self.height)
        weights = settle(weights, tile=valid, under=covered, open_sides=open_sides)
        _mix(under, pixels, weights)
        covered |= valid
        return box


def _parting(box: _Box, placed: list[_Box]) -> list[_Box]:
    """The neighbours that a tile needs a seam with.

    None is needed with a diagonal neighbour if the neighbours beside and above (or below) it on the same
    sides are there: their seams already part the corner, and one more would end in the open.
    """
    touching = [
        other
        for other in placed
        if min(box.x1, other.x1) > max(box.x0, other.x0) and min(box.y1, other.y1) > max(box.y0, other.y0)
    ]
    side = [other for other in touching if not _diagonal(box, other)]
    beside = {_sign(other.x0 - box.x0) for other in side if _is_beside(box, other)}
    above = {_sign(other.y0 - box.y0) for other in side if not _is_beside(box, other)}
    return [
        other
        for other in touching
        if not (_diagonal(box, other) and _sign(other.x0 - box.x0) in beside and _sign(other.y0 - box.y0) in above)
    ]


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)


def _shares(box: _Box, other: _Box) -> tuple[float, float]:
    """Distances along x and y in widths and heights of a tile."""
    return abs(other.x0 - box.x0) / (box.x1 - box.x0), abs(other.y0 - box.y0) / (box.y1 - box.y0)


def _diagonal(box: _Box, other: _Box) -> bool:
    return min(_shares(box, other)) > 0.5


def _is_beside(box: _Box, other: _Box) -> bool:
    dx, dy = _shares(box, other)
    return dx >= dy


def _cut_seam(weights: Weights, pixels: Pixels, under: Pixels, box: _Box, other: _Box) -> None:
    """Take from `weights` the part of the overlap that stays with what is painted already."""
    x0, y0 = max(box.x0, other.x0) - box.x0, max(box.y0, other.y0) - box.y0
    x1, y1 = min(box.x1, other.x1) - box.x0, min(box.y1, other.y1) - box.y0
    part = weights[y0:y1, x0:x1]
    ours, theirs = pixels[y0:y1, x0:x1], under[y0:y1, x0:x1]
    if _is_beside(box, other):
        after = box.x0 >= other.x0
    else:
        # The same from top to bottom on the transposed overlap.
        after = box.y0 >= other.y0
        part, ours, theirs = part.T, ours.swapaxes(0, 1), theirs.swapaxes(0, 1)
    width = part.shape[1]
    feather = min(FEATHER_PX, width / 4)
    # Where there is room the mix keeps off the strips in which edges count.
    margin = min(EDGE_PX + 3.0 * FEATHER_PX, width / 3)
    seam = find_seam(np.ascontiguousarray(theirs), np.ascontiguousarray(ours), margin_px=margin)
    np.minimum(part, seam_weights(seam, width, feather_px=feather, right=after), out=part)


def _mix(under: Pixels, pixels: Pixels, weights: Weights) -> None:
    """under += weight * (pixels - under), copying where the weight is 1."""
    cv2.copyTo(pixels, (weights == 1.0).view(np.uint8), under)
    mixed = (weights > 0.0) & (weights < 1.0)
    share = weights[mixed][:, None]
    below, above = under[mixed].astype(np.float32), pixels[mixed].astype(np.float32)
    under[mixed] = np.rint(below + share * (above - below)).astype(under.dtype)
