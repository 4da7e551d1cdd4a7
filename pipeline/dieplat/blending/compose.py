"""Tiles painted into one picture, handed out in bands from top to bottom."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.blending.mix import Sides, mix_over
from dieplat.blending.place import Box, parting
from dieplat.blending.resample import Patch, Spare, TileJob, enlarged_inverse, render_tile
from dieplat.blending.seam import Seam, seam_between
from dieplat.blending.seam_loops import View, view_of
from dieplat.blending.trim import trimmed
from dieplat.errors import MosaicError
from dieplat.tiles.read import Picture
from dieplat.values import Correction, Layout, TileSet
from dieplat.work import map_in_order

_IN_FLIGHT = 4
"""Tiles read ahead; each holds one tile's pixels until it is painted."""

_FLAT_SPACING = 8
"""Rows from one row of the shading to the next. Shading bends by a few parts in a million a pixel squared, so that a
straight line between is right to 2e-5; the whole would take 23 MB, and longer to read than the tile itself."""

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

    Each tile is read once, and of wide overlaps only the middle is resampled (`dieplat.blending.trim`). Memory
    holds the mosaic's full width over the height of a tile and two bands, and a few tiles. The result does not
    depend on the executor.

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
        Consecutive rows, in the tiles' dtype; 0 where no tile lies. They are rows of the canvas, which are used
        again once the next band is asked for: copy what shall stay.

    Raises
    ------
    PictureError
        If a tile cannot be read after all.
    MosaicError
        If the layout names a tile that is not in the set.
    """
    spare = Spare()
    jobs = [replace(job, read=read, spare=spare) for job in part_jobs(tile_set, layout, correction)]
    canvas = _Canvas(tile_set, layout, band_px)
    for patch in map_in_order(render_tile, jobs, executor=executor, in_flight=_IN_FLIGHT):
        yield from canvas.finish_above(patch.y0)
        canvas.paint(patch)
        spare.give(patch.pixels)
    yield from canvas.finish_above(layout.height_px + band_px)


def tile_jobs(tile_set: TileSet, layout: Layout, correction: Correction) -> list[TileJob]:
    """One job a placed tile, in the order of painting: by upper edge, then left edge, then name."""
    index = {tile.name: number for number, tile in enumerate(tile_set.tiles)}
    shape = (tile_set.height_px, tile_set.width_px, tile_set.channels)
    inverse_flat = enlarged_inverse(correction.flat, shape, spacing=_FLAT_SPACING)
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
                flat_spacing=_FLAT_SPACING,
            )
        )
    return sorted(jobs, key=lambda job: (job.y0, job.x_px, job.path.name))


def part_jobs(tile_set: TileSet, layout: Layout, correction: Correction) -> list[TileJob]:
    """One job a placed tile with the part of it that is wanted, in the order of the upper edges of these parts."""
    jobs = tile_jobs(tile_set, layout, correction)
    parts = trimmed([job.box for job in jobs], Box(0, 0, layout.width_px, layout.height_px))
    order = sorted(range(len(jobs)), key=lambda number: (parts[number].y0, number))
    return [replace(jobs[number], part=parts[number]) for number in order]


class _Canvas:
    """The rows of the mosaic that are not yet final, and the rectangles that are painted in them.

    The rows go round: row y of the mosaic lies at y modulo their number, which is that of whole bands.
    """

    def __init__(self, tile_set: TileSet, layout: Layout, band_px: int) -> None:
        self.width, self.height, self.channels = layout.width_px, layout.height_px, tile_set.channels
        self.band_px = band_px
        self.top = 0
        # A tile starts less than a band below the top.
        rows = band_px * -(-(tile_set.height_px + band_px) // band_px)
        self.rows = np.zeros((min(rows, self.height), self.width * self.channels), tile_set.dtype)
        self.painted: list[Box] = []

    def finish_above(self, y_px: int) -> Iterator[Pixels]:
        """Hand out whole bands that end at or above `y_px`, or at the mosaic's end; each is free again at the next."""
        self.painted = [box for box in self.painted if box.y1 > y_px]
        while self.top < self.height:
            count = min(self.band_px, self.height - self.top)
            if self.top + count > y_px:
                return
            first = self.top % len(self.rows)
            band = self.rows[first : first + count]
            yield band if self.channels == 1 else band.reshape(count, self.width, self.channels)
            band[:] = 0
            self.top += count

    def paint(self, patch: Patch) -> None:
        """Paint a patch over what is there."""
        height, width = patch.pixels.shape[:2]
        box = Box(patch.x0, patch.y0, patch.x0 + width, patch.y0 + height).cut(
            Box(0, self.top, self.width, self.height)
        )
        if box.is_empty:
            return
        size = (box.y1 - box.y0, box.x1 - box.x0)
        pixels = view_of(patch.pixels).part(box.y0 - patch.y0, box.x0 - patch.x0, *size)
        under = View(self.rows, box.y0 % len(self.rows), box.x0, *size, self.channels)
        seams = seams_of(under, pixels, box=box, painted=self.painted)
        below, open_sides = surroundings(box, self.painted, (self.width, self.height))
        mix_over(under, pixels, seams=seams, covered=below, open_sides=open_sides)
        self.painted.append(box)


def seams_of(under: View, pixels: View, *, box: Box, painted: Sequence[Box]) -> list[Seam]:
    """The seams of a tile, which lies at `box` of the mosaic, with what is painted, in the order of painting."""
    return [seam_between(under, pixels, box=box, other=other) for other in parting(box, painted)]


def surroundings(box: Box, painted: Sequence[Box], size: tuple[int, int]) -> tuple[list[Box], Sides]:
    """What is painted under a tile, in its pixels, and on which sides a mosaic (width, height) goes on beyond it."""
    below = [other.cut(box).moved(-box.x0, -box.y0) for other in painted if not other.cut(box).is_empty]
    return below, (box.x0 > 0, box.y0 > 0, box.x1 < size[0], box.y1 < size[1])
