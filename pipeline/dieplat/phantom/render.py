"""Draw any window of a die on its own raster, and look at it from any place.

The raster is aligned with the die; pixel (0, 0) begins at the die's top-left corner, negative indices lie
outside it. Each layer's coverage is exact (`coverage`). Looking at it uses the cubic B-spline as the point
spread: it reproduces straight ramps exactly, so it moves no edge. With raster pixels as large as the
picture's, its zero at the sampling frequency keeps the sum over a row independent of where in a pixel an edge
lies.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates
from shapely.affinity import affine_transform

from dieplat.phantom.coverage import interval_coverage, polygon_coverage, rectangle_coverage
from dieplat.phantom.layers import Area, Die, Lattice, Layer, Rectangles
from dieplat.phantom.texture import Texture

Float = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

MOUNT = np.array([0.115, 0.100, 0.090], dtype=np.float32)


@dataclass(slots=True)
class DieRaster:
    """A die at `um_per_px` micrometres a raster pixel. Nothing is kept but the texture tables."""

    die: Die
    um_per_px: float
    texture: Texture = field(init=False)

    def __post_init__(self) -> None:
        self.texture = Texture(self.die.seed)

    def window(self, top: int, left: int, height: int, width: int) -> Float32:
        """The window (3, height, width) with its first pixel at row `top`, column `left` of the raster."""
        picture = self._mount(top, left, height, width)
        for layer in self.die.layers:
            self._paint(picture, layer, top, left)
        self._weather(picture, top, left)
        return picture

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

    def _paint(self, picture: Float32, layer: Layer, top: int, left: int) -> None:
        _, height, width = picture.shape
        x0, y0, x1, y1 = layer.bounds_um()
        first_row = max(int(np.floor(y0 / self.um_per_px)) - top, 0)
        last_row = min(int(np.ceil(y1 / self.um_per_px)) - top, height)
        first_column = max(int(np.floor(x0 / self.um_per_px)) - left, 0)
        last_column = min(int(np.ceil(x1 / self.um_per_px)) - left, width)
        if first_row >= last_row or first_column >= last_column:
            return
        covered = self._coverage(
            layer, top + first_row, left + first_column, last_row - first_row, last_column - first_column
        )
        part = picture[:, first_row:last_row, first_column:last_column]
        weight = (covered * layer.alpha).astype(np.float32)
        for channel in range(3):
            plane = part[channel]
            plane += weight * (np.float32(layer.colour[channel]) - plane)

    def _coverage(self, layer: Layer, top: int, left: int, height: int, width: int) -> Float:
        scale = 1.0 / self.um_per_px
        if isinstance(layer, Rectangles):
            rects = layer.rects_um * scale - np.array([left, top, left, top])
            seen = (rects[:, 2] > 0) & (rects[:, 0] < width) & (rects[:, 3] > 0) & (rects[:, 1] < height)
            return rectangle_coverage(rects[seen], height, width)
        if isinstance(layer, Lattice):
            x = layer.x_um * scale - left
            y = layer.y_um * scale - top
            return np.outer(interval_coverage(y[:, 0], y[:, 1], height), interval_coverage(x[:, 0], x[:, 1], width))
        if isinstance(layer, Area):
            moved = affine_transform(layer.polygon_um, [scale, 0.0, 0.0, scale, -left, -top])
            return polygon_coverage(moved, height, width)
        rows = (top + np.arange(height) + 0.5) * self.um_per_px - layer.centre_um[1]
        columns = (left + np.arange(width) + 0.5) * self.um_per_px - layer.centre_um[0]
        distance = np.hypot(rows[:, None], columns[None, :]) / layer.radius_um
        return np.asarray(np.exp(-(distance**layer.power)))


def look(raster: DieRaster, x_um: Float, y_um: Float, *, band: tuple[int, int, Float32] | None = None) -> Float32:
    """The picture (H, W, 3) at die positions `x_um`, `y_um` (H, W), each a pixel's centre.

    `band` is an already drawn window with its top and left, so that a row of tiles shares one drawing.
    """
    x = x_um / raster.um_per_px
    y = y_um / raster.um_per_px
    if band is None:
        top, left = int(np.floor(y.min())) - 3, int(np.floor(x.min())) - 3
        picture = raster.window(top, left, int(np.ceil(y.max())) + 3 - top, int(np.ceil(x.max())) + 3 - left)
    else:
        top, left, picture = band
    where = np.stack([y - top - 0.5, x - left - 0.5])
    seen = np.empty((3, *x.shape), dtype=np.float32)
    for channel in range(3):
        map_coordinates(picture[channel], where, output=seen[channel], order=3, prefilter=False, mode="nearest")
    return np.ascontiguousarray(np.moveaxis(seen, 0, -1))
