"""A tile corrected and moved to whole mosaic pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from dieplat.blending.weights import EDGE_PX
from dieplat.errors import MosaicError
from dieplat.tiles.read import read_picture
from dieplat.values import Lens

Pixels = npt.NDArray[Any]

_LOBES = int(EDGE_PX)
"""Lobes of the Lanczos kernel on either side. Six keep waves of 6 px and longer to within 0.2 %."""


@dataclass(frozen=True, slots=True, eq=False)
class TileJob:
    """All that it takes to make one tile's part of the mosaic, and to do so in another process."""

    path: Path
    shape: tuple[int, int, int]
    dtype: str
    x_px: float
    y_px: float
    inverse_flat: npt.NDArray[np.float32]
    gains: npt.NDArray[np.float32]
    lens: Lens | None

    @property
    def x0(self) -> int:
        """The first mosaic column that the tile may touch."""
        return math.floor(self.x_px)

    @property
    def y0(self) -> int:
        """The first mosaic row that the tile may touch."""
        return math.floor(self.y_px)


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A tile on whole mosaic pixels, its corner at column x0, row y0: `pixels` (h, w, C), `valid` (h, w).

    A pixel is valid if its centre lies on the tile.
    """

    x0: int
    y0: int
    pixels: Pixels
    valid: npt.NDArray[np.bool_]


def render_tile(job: TileJob) -> Patch:
    """Read, correct and resample a tile.

    The tile's pixel (row i, column j) has its centre at mosaic coordinate (x_px + j + 0.5, y_px + i + 0.5).
    corrected = pixel * gain / flat; all in 32-bit floating point, rounded and clipped once at the end.
    """
    picture = read_picture(job.path)
    height, width, channels = job.shape
    if picture.shape != ((height, width) if channels == 1 else job.shape) or picture.dtype != job.dtype:
        raise MosaicError(f"{job.path}: has changed since the tiles were listed; start again")
    even = cv2.multiply(picture, job.inverse_flat.reshape(picture.shape), dtype=cv2.CV_32F)
    fx, fy = job.x_px - job.x0, job.y_px - job.y0
    moved, valid = _shift(even, fx, fy) if job.lens is None else _unbend(even, fx, fy, job.lens)
    depth = cv2.CV_8U if job.dtype == "uint8" else cv2.CV_16U
    # A tuple of four is one factor a channel to OpenCV; conversion rounds to nearest and clips.
    gains = (*(float(gain) for gain in job.gains), 1.0, 1.0, 1.0)[:4]
    pixels = cv2.multiply(moved, gains, dtype=depth).reshape(*moved.shape[:2], channels)
    return Patch(job.x0, job.y0, pixels, valid)


def enlarged_inverse(flat: npt.NDArray[np.float32], shape: tuple[int, int, int]) -> npt.NDArray[np.float32]:
    """1 / flat at the size of a tile, (h, w, C), from its coarse grid of cells.

    A cubic spline through the cells' centres, going on beyond the outermost: a flat that ended there level
    would be wrong by a per cent at a tile's edge.
    """
    height, width, _ = shape
    down, across = _spline(flat.shape[0], height), _spline(flat.shape[1], width)
    full = np.einsum("yi,ijc,xj->yxc", down, flat.astype(np.float64), across, optimize=True)
    inverse: npt.NDArray[np.float32] = (1.0 / full).astype(np.float32)
    return np.ascontiguousarray(inverse)


def _spline(cells: int, size: int) -> npt.NDArray[np.float64]:
    """Matrix (size, cells) that takes values at the centres of cells to the centres of pixels."""
    if cells == 1:
        return np.ones((size, 1))
    centres = (np.arange(cells) + 0.5) * (size / cells)
    matrix: npt.NDArray[np.float64] = CubicSpline(centres, np.eye(cells))(np.arange(size) + 0.5)
    return matrix


def _shift(picture: npt.NDArray[np.float32], fx: float, fy: float) -> tuple[Pixels, npt.NDArray[np.bool_]]:
    """Move right by fx and down by fy, both 0 to 1, into a picture one row and column larger.

    Separable Lanczos filters with weights for the very shift; the library's own warps round it to 1/32 px.
    """
    larger = cv2.copyMakeBorder(picture, 0, 1, 0, 1, cv2.BORDER_REPLICATE)
    moved = cv2.sepFilter2D(larger, cv2.CV_32F, _kernel(fx), _kernel(fy), borderType=cv2.BORDER_REFLECT)
    height, width = larger.shape[:2]
    # A centre at index r of the patch is at r - f of the tile, which reaches from -0.5 to its size - 0.5.
    row = (np.arange(height) >= fy - 0.5) & (np.arange(height) < height - 1.5 + fy)
    column = (np.arange(width) >= fx - 0.5) & (np.arange(width) < width - 1.5 + fx)
    return moved, row[:, None] & column[None, :]


def _kernel(fraction: float) -> npt.NDArray[np.float64]:
    """Lanczos weights that give f(i - fraction) at i, summing to 1 so that an even picture stays even."""
    offsets = np.arange(-_LOBES, _LOBES + 1) + fraction
    weights = np.where(np.abs(offsets) < _LOBES, np.sinc(offsets) * np.sinc(offsets / _LOBES), 0.0)
    normalised: npt.NDArray[np.float64] = weights / weights.sum()
    return normalised


def _unbend(picture: npt.NDArray[np.float32], fx: float, fy: float, lens: Lens) -> tuple[Pixels, npt.NDArray[np.bool_]]:
    """Move as `_shift` does and take the lens's distortion out, about the tile's centre."""
    height, width = picture.shape[:2]
    # Undistorted position of every patch pixel's centre, from the tile's centre.
    x = np.arange(width + 1) + 0.5 - fx - width / 2
    y = np.arange(height + 1) + 0.5 - fy - height / 2
    r2 = (x[None, :] ** 2 + y[:, None] ** 2) / lens.norm_px**2
    factor = 1.0 + lens.k1 * r2 + lens.k2 * r2**2
    map_x = x[None, :] * factor + (width / 2 - 0.5)
    map_y = y[:, None] * factor + (height / 2 - 0.5)
    valid = (map_x >= -0.5) & (map_x < width - 0.5) & (map_y >= -0.5) & (map_y < height - 0.5)
    on_tile = (np.abs(x) <= width / 2)[None, :] & (np.abs(y) <= height / 2)[:, None]
    moved = cv2.remap(
        picture,
        map_x.astype(np.float32),
        map_y.astype(np.float32),
        interpolation=cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REFLECT,
    )
    return moved, valid & on_tile
