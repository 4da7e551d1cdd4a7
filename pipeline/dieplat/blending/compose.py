"""Tiles painted into one picture, handed out in bands from top to bottom."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.blending.mix import mix_over
from dieplat.blending.place import Box, parting
from dieplat.blending.resample import Patch, TileJob, enlarged_inverse, render_tile
from dieplat.blending.seam import Seam, seam_between
from dieplat.errors import MosaicError
from dieplat.tiles.read import Picture
from dieplat.values import Correction, Layout, TileSet
from dieplat.work import map_in_order

_IN_FLIGHT = 4
"""Tiles read ahead; each holds one tile's pixels until it is painted."""

Pixels = npt.NDArray[Any]


def compose_bands(
    tile_set: TileSet,
    layout: Layout,
    correction: Correction,
    *,
    band_px: int = 512,
    read: Callable[[Path], Picture] | None = None,
    executor: Executor | None = None,
) -> Iterator[Pixels]:
    """Paint the tiles of a layout and yield the mosaic in bands from top to bottom.

    Tiles are painted in the order of their upper edges. Between a tile and what is painted already runs a
    seam, bent to where both agree and towards the less sharp of the two; they are mixed over `FEATHER_PX`
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
    read : callable, optional
        Gives the pixels of a tile's file; None decodes it.
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
    jobs = [replace(job, read=read) for job in tile_jobs(tile_set, layout, correction)]
    canvas = _Canvas(tile_set, layout, band_px)
    for patch in map_in_order(render_tile, jobs, executor=executor, in_flight=_IN_FLIGHT):
        yield from canvas.finish_above(patch.y0)
        canvas.paint(patch)
    yield from canvas.finish_above(layout.height_px + band_px)


def tile_jobs(tile_set: TileSet, layout: Layout, correction: Correction) -> list[TileJob]:
    """One job a placed tile, in the order of painting: by upper edge, then left edge, then name."""
    index = {tile.name: number for number, tile in enumerate(tile_set.tiles)}
    shape = (tile_set.height_px, tile_set.width_px, tile_set.channels)
    inverse_flat = enlarged_inverse(correction.flat, shape)
    jobs = []
    for placed in layout.tiles:
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
    return sorted(jobs, key=lambda job: (job.y0, job.x_px, job.path.name))


class _Canvas:
    """The rows of the mosaic that are not yet final, and the rectangles that are painted in them."""

    def __init__(self, tile_set: TileSet, layout: Layout, band_px: int) -> None:
        self.width, self.height = layout.width_px, layout.height_px
        self.band_px = band_px
        self.grey = tile_set.channels == 1
        self.top = 0
        # A tile starts less than a band below the top.
        rows = min(self.height, tile_set.height_px + band_px)
        self.pixels = np.zeros((rows, self.width, tile_set.channels), tile_set.dtype)
        self.painted: list[Box] = []

    def finish_above(self, y_px: int) -> Iterator[Pixels]:
        """Hand out whole bands that end at or above `y_px`, or at the mosaic's end."""
        self.painted = [box for box in self.painted if box.y1 > y_px]
        while self.top < self.height:
            count = min(self.band_px, self.height - self.top)
            if self.top + count > y_px:
                return
            band = self.pixels[:count].copy()
            self._drop(count)
            yield band[..., 0] if self.grey else band

    def _drop(self, count: int) -> None:
        self.top += count
        kept = max(len(self.pixels) - count, 0)
        # Row by row of bands: source and target overlap, and NumPy would copy the whole for safety.
        for start in range(0, kept, count):
            stop = min(start + count, kept)
            self.pixels[start:stop] = self.pixels[start + count : stop + count]
        self.pixels[kept:] = 0

    def paint(self, patch: Patch) -> None:
        """Paint a patch over what is there."""
        height, width = patch.pixels.shape[:2]
        box = Box(patch.x0, patch.y0, patch.x0 + width, patch.y0 + height).cut(
            Box(0, self.top, self.width, self.height)
        )
        if box.is_empty:
            return
        pixels = patch.pixels[box.y0 - patch.y0 : box.y1 - patch.y0, box.x0 - patch.x0 : box.x1 - patch.x0]
        under = self.pixels[box.y0 - self.top : box.y1 - self.top, box.x0 : box.x1]
        below = [other.cut(box).moved(-box.x0, -box.y0) for other in self.painted if not other.cut(box).is_empty]
        seams: list[Seam] = [seam_between(under, pixels, box=box, other=other) for other in parting(box, self.painted)]
        open_sides = (box.x0 > 0, box.y0 > 0, box.x1 < self.width, box.y1 < self.height)
        mix_over(under, pixels, seams=seams, covered=below, open_sides=open_sides)
        self.painted.append(box)
