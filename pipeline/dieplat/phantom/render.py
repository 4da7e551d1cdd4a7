"""Draw any window of a die on its own raster, and look at it from any place.

The raster is aligned with the die; pixel (0, 0) begins at the die's top-left corner, negative indices lie
outside it. Each layer's coverage is exact (`coverage`), and so is what layers that end in one pixel hide of each other
(`cuts`). Looking at it uses the cubic B-spline as the point
spread: it reproduces straight ramps exactly, so it moves no edge. With raster pixels as large as the
picture's, its zero at the sampling frequency keeps the sum over a row independent of where in a pixel an edge
lies.

Such a raster folds what is finer than it back on its own axes, and the picture's pixels, turned against it, fold it
once more: beats that no lens makes, which move pitches of arrays by up to 8e-4 and edges along the raster by up to
0.02 px. A raster of several points a pixel, seen through the same point spread, leaves less of them, at as many
times squared the work.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates, spline_filter
from shapely.affinity import affine_transform

from dieplat.phantom.coverage import cut_polygon_coverage, interval_coverage, rectangle_coverage
from dieplat.phantom.cuts import CutAxis, cut_axis
from dieplat.phantom.layers import Area, Die, Lattice, Layer, Rectangles, upright_edges
from dieplat.phantom.texture import Texture

Float = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

BLOCK_PX = 128
"""Raster pixels along a side of what is drawn at once."""

FINE = 3
"""Raster points a pixel that leave a quarter of the beats of one."""

MOUNT = np.array([0.115, 0.100, 0.090], dtype=np.float32)


@dataclass(slots=True)
class DieRaster:
    """A die at `um_per_px` micrometres a raster pixel, `fine` of them along a pixel of the picture.

    Nothing is kept but the texture tables.
    """

    die: Die
    um_per_px: float
    fine: int = 1
    texture: Texture = field(init=False)
    bounds: Float = field(init=False)
    """Where each layer lies on the raster (N, 4): x0, y0, x1, y1."""

    def __post_init__(self) -> None:
        self.texture = Texture(self.die.seed, self.fine)
        bounds = [layer.bounds_um() for layer in self.die.layers]
        self.bounds = np.array(bounds, dtype=np.float64).reshape(-1, 4) / self.um_per_px

    def window(self, top: int, left: int, height: int, width: int) -> Float32:
        """The window (3, height, width) with its first pixel at row `top`, column `left` of the raster."""
        picture = self._mount(top, left, height, width)
        for y in range(top - top % BLOCK_PX, top + height, BLOCK_PX):
            for x in range(left - left % BLOCK_PX, left + width, BLOCK_PX):
                rows = slice(max(y, top) - top, min(y + BLOCK_PX, top + height) - top)
                columns = slice(max(x, left) - left, min(x + BLOCK_PX, left + width) - left)
                self._paint_block(picture[:, rows, columns], (y, x), max(y, top) - y, max(x, left) - x)
        self._weather(picture, top, left)
        return picture

    def splines(self, top: int, left: int, height: int, width: int) -> Float32:
        """The window as the cubic B-splines' factors that `look` reads: on a fine raster after the point spread.

        The cubic B-spline of a picture's pixel is four boxes of a pixel one after the other.
        """
        if self.fine == 1:
            return self.window(top, left, height, width)
        rim = 4 * self.fine
        box = np.ones(self.fine) / self.fine
        spread = np.convolve(np.convolve(box, box), np.convolve(box, box))[:, None]
        picture = self.window(top - rim, left - rim, height + 2 * rim, width + 2 * rim)
        for channel in range(3):
            seen = cv2.sepFilter2D(picture[channel], cv2.CV_32F, spread, spread)
            picture[channel] = spline_filter(seen, order=3, output=np.float32)
        return picture[:, rim:-rim, rim:-rim]

    def _mount(self, top: int, left: int, height: int, width: int) -> Float32:
        """What the die lies on: dark, filled adhesive with bright flecks."""
        rough = self.texture.slow(9, 0, top, left, height, width)
        flecks = np.maximum(rough - 1.1, 0.0)
        shade = 1.0 + 0.35 * self.texture.slow(47, 1, top, left, height, width) + 0.2 * rough + 1.6 * flecks
        return np.asarray(np.maximum(shade, 0.1) * MOUNT[:, None, None], dtype=np.float32)

    def _weather(self, picture: Float32, top: int, left: int) -> None:
        """Film thickness, stains and grain, all multiplicative."""
        _, height, width = picture.shape
        amount = np.float32(self.die.texture)
        common = 0.010 * self.texture.grain(top, left, height, width)
        common += 0.014 * self.texture.slow(9, 1, top, left, height, width)
        common += 0.018 * self.texture.slow(47, 2, top, left, height, width)
        for channel, (fine, broad) in enumerate(((0.016, 0.040), (0.012, 0.026), (0.020, 0.048))):
            film = fine * self.texture.slow(260, channel, top, left, height, width)
            film += broad * self.texture.slow(700, channel, top, left, height, width)
            picture[channel] *= 1.0 + amount * (common + film)

    def _paint_block(self, picture: Float32, block: tuple[int, int], row: int, column: int) -> None:
        """Paint all layers on a part of a block that begins at this row and column of it.

        Blocks lie on the raster and not on the window, and are cut as a whole: every window cuts alike.
        """
        y, x = block
        x0, y0, x1, y1 = self.bounds.T
        here = np.flatnonzero((x0 < x + BLOCK_PX) & (x1 > x) & (y0 < y + BLOCK_PX) & (y1 > y))
        layers = [self.die.layers[k] for k in here]
        down, across = [np.empty(0)], [np.empty(0)]
        for layer in layers:
            on_x, on_y = upright_edges(layer)
            across.append(on_x)
            down.append(on_y)
        _, height, width = picture.shape
        rows = cut_axis(np.concatenate(down) / self.um_per_px - y, BLOCK_PX).between(row, row + height)
        columns = cut_axis(np.concatenate(across) / self.um_per_px - x, BLOCK_PX).between(column, column + width)
        cells = picture[:, rows.pixel_of_cells][:, :, columns.pixel_of_cells]
        for layer, bounds in zip(layers, self.bounds[here], strict=True):
            self._paint(cells, layer, bounds, (y + row, x + column), rows, columns)
        picture[...] = columns.means(rows.means(cells, 1), 2)

    def _paint(
        self, cells: Float32, layer: Layer, bounds: Float, corner: tuple[int, int], rows: CutAxis, columns: CutAxis
    ) -> None:
        """Paint a layer on the cells (3, rows, columns) of a part of the raster that begins at this row and column."""
        top, left = corner
        first_row, first_column = max(math.floor(bounds[1]) - top, 0), max(math.floor(bounds[0]) - left, 0)
        last_row = min(math.ceil(bounds[3]) - top, rows.pixels)
        last_column = min(math.ceil(bounds[2]) - left, columns.pixels)
        if first_row >= last_row or first_column >= last_column:
            return
        part = cells[:, rows.cells_of(first_row, last_row), columns.cells_of(first_column, last_column)]
        rows, columns = rows.between(first_row, last_row), columns.between(first_column, last_column)
        weight = self._coverage(layer, top + first_row, left + first_column, rows, columns)
        weight32 = (weight * layer.alpha).astype(np.float32)
        for channel in range(3):
            plane = part[channel]
            plane += weight32 * (np.float32(layer.colour[channel]) - plane)

    def _coverage(self, layer: Layer, top: int, left: int, rows: CutAxis, columns: CutAxis) -> Float:
        scale = 1.0 / self.um_per_px
        if isinstance(layer, Rectangles):
            rects = layer.rects_um * scale - np.array([left, top, left, top])
            seen = (rects[:, 2] > 0) & (rects[:, 0] < columns.pixels) & (rects[:, 3] > 0) & (rects[:, 1] < rows.pixels)
            x, y = (axis.to_cells(rects[seen, k::2]) for k, axis in enumerate((columns, rows)))
            return rectangle_coverage(np.column_stack([x[:, 0], y[:, 0], x[:, 1], y[:, 1]]), rows.cells, columns.cells)
        if isinstance(layer, Lattice):
            x, y = columns.to_cells(layer.x_um * scale - left), rows.to_cells(layer.y_um * scale - top)
            return np.outer(
                interval_coverage(y[:, 0], y[:, 1], rows.cells), interval_coverage(x[:, 0], x[:, 1], columns.cells)
            )
        if isinstance(layer, Area):
            moved = affine_transform(layer.polygon_um, [scale, 0.0, 0.0, scale, -left, -top])
            return cut_polygon_coverage(moved, rows, columns)
        # A spot has no edge; its value at the middle of a cell is its mean there.
        down = (top + rows.middles_px) * self.um_per_px - layer.centre_um[1]
        across = (left + columns.middles_px) * self.um_per_px - layer.centre_um[0]
        distance = np.hypot(down[:, None], across[None, :]) / layer.radius_um
        return np.asarray(np.exp(-(distance**layer.power)))


def look(raster: DieRaster, x_um: Float, y_um: Float, *, band: tuple[int, int, Float32] | None = None) -> Float32:
    """The picture (H, W, 3) at die positions `x_um`, `y_um` (H, W), each a pixel's centre.

    `band` is an already drawn window (`DieRaster.splines`) with its top and left, so that a row of tiles shares one
    drawing.
    """
    x = x_um / raster.um_per_px
    y = y_um / raster.um_per_px
    if band is None:
        top, left = int(np.floor(y.min())) - 3, int(np.floor(x.min())) - 3
        picture = raster.splines(top, left, int(np.ceil(y.max())) + 3 - top, int(np.ceil(x.max())) + 3 - left)
    else:
        top, left, picture = band
    where = np.stack([y - top - 0.5, x - left - 0.5])
    seen = np.empty((3, *x.shape), dtype=np.float32)
    for channel in range(3):
        map_coordinates(picture[channel], where, output=seen[channel], order=3, prefilter=False, mode="nearest")
    return np.ascontiguousarray(np.moveaxis(seen, 0, -1))
