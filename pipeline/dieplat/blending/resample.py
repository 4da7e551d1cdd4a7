"""A tile corrected and moved to whole mosaic pixels."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from dieplat.errors import MosaicError
from dieplat.tiles.read import Picture, read_picture
from dieplat.values import Lens

Pixels = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]

REACH_PX = 4
"""Samples that a filter uses on either side; so close to its edge a tile leans on mirrored pixels."""

_BAND = 0.3
"""Waves up to this many cycles a pixel are kept: optics pass hardly any shorter, and eight samples suffice."""

_STRIP_ROWS = 96
"""Rows worked on at a time: few enough to stay in the processor's cache, many against the filter's reach."""


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
    read: Callable[[Path], Picture] | None = None

    @property
    def x0(self) -> int:
        """The first mosaic column whose pixels have their centre on the tile."""
        return math.ceil(self.x_px - 0.5)

    @property
    def y0(self) -> int:
        """The first mosaic row whose pixels have their centre on the tile."""
        return math.ceil(self.y_px - 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """A tile on whole mosaic pixels, its corner at column x0, row y0: `pixels` (h, w, C)."""

    x0: int
    y0: int
    pixels: Pixels


def render_tile(job: TileJob) -> Patch:
    """Read, correct and resample a tile.

    The tile's pixel (row i, column j) has its centre at mosaic coordinate (x_px + j + 0.5, y_px + i + 0.5).
    corrected = pixel * gain / flat; all in 32-bit floating point, rounded and clipped once at the end.

    With a lens the patch may be a little smaller than the tile: the largest rectangle of the tile's own
    proportions that lies on the picture.
    """
    picture = (job.read or read_picture)(job.path)
    height, width, channels = job.shape
    if picture.shape != ((height, width) if channels == 1 else job.shape) or picture.dtype != job.dtype:
        raise MosaicError(f"{job.path}: has changed since the tiles were listed; start again")
    fx, fy = job.x_px - job.x0, job.y_px - job.y0
    if job.lens is None:
        return Patch(job.x0, job.y0, _shift(picture, fx, fy, job))
    left, top = (math.ceil((1.0 - _inner_share(job.lens)) * size / 2) for size in (width, height))
    pixels = _unbend(picture, fx, fy, job.lens, job)
    return Patch(job.x0 + left, job.y0 + top, pixels[top : height - top, left : width - left])


def enlarged_inverse(flat: npt.NDArray[np.float32], shape: tuple[int, int, int]) -> npt.NDArray[np.float32]:
    """1 / flat at the size of a tile, (h, w, C), from its coarse grid of cells.

    A cubic spline through the cells' centres, going on beyond the outermost: a flat that ended there level
    would be wrong by a per cent at a tile's edge.
    """
    height, width, channels = shape
    down, across = _spline(flat.shape[0], height), _spline(flat.shape[1], width)
    rows = np.einsum("ijc,xj->ixc", flat.astype(np.float64), across, optimize=True)
    full = down.astype(np.float32) @ rows.reshape(len(rows), -1).astype(np.float32)
    inverse: npt.NDArray[np.float32] = np.reciprocal(full, out=full).reshape(height, width, channels)
    return inverse


def _spline(cells: int, size: int) -> Floats:
    """Matrix (size, cells) that takes values at the centres of cells to the centres of pixels."""
    if cells == 1:
        return np.ones((size, 1))
    centres = (np.arange(cells) + 0.5) * (size / cells)
    matrix: Floats = CubicSpline(centres, np.eye(cells))(np.arange(size) + 0.5)
    return matrix


def shift_filter(fraction: float) -> tuple[Floats, int]:
    """Eight weights that give f(i - fraction) at i, and the index of the weight of f(i).

    Least squares over all waves up to `_BAND`, under two conditions: an even picture stays even, and a ramp
    is moved by exactly `fraction` (windowed sinc filters shift broad structure by up to 0.01 px too much).
    What is left is within 0.2 % of a wave's height up to 0.25 cycles a pixel, 0.7 % at 0.3.

    Parameters
    ----------
    fraction : float
        -0.5 to 0.5; at 0 the filter is the identity.

    References
    ----------
    .. [1] T. I. Laakso, V. Valimaki, M. Karjalainen, U. K. Laine, "Splitting the unit delay", IEEE Signal
       Processing Magazine 13 (1996) 30-60, section on general least squares. doi:10.1109/79.482137
    """
    at = np.arange(-REACH_PX, REACH_PX)
    lag = abs(fraction)
    normal = np.ones((2 * REACH_PX + 2, 2 * REACH_PX + 2))
    normal[:-2, :-2] = np.sinc(2.0 * _BAND * (at[:, None] - at[None, :]))
    normal[-1, :-2] = normal[:-2, -1] = at
    normal[-2:, -2:] = 0.0
    target = np.concatenate([np.sinc(2.0 * _BAND * (at + lag)), [1.0, -lag]])
    weights: Floats = np.linalg.solve(normal, target)[:-2]
    return (weights, REACH_PX) if fraction >= 0.0 else (weights[::-1].copy(), REACH_PX - 1)


def _shift(picture: Pixels, fx: float, fy: float, job: TileJob) -> Pixels:
    """The tile moved right by fx and down by fy, both within half a pixel.

    Strip by strip, so that shading, filters, gains and rounding find the pixels still in the cache. The
    library's own warps would round the shift to 1/32 px.
    """
    height, width, channels = job.shape
    (across, anchor_x), (down, anchor_y) = shift_filter(fx), shift_filter(fy)
    finish = _Finish(job)
    even = np.empty((_STRIP_ROWS + 2 * REACH_PX, width, channels), np.float32)
    moved = np.empty_like(even)
    inverse = job.inverse_flat.reshape(picture.shape)
    for top in range(0, height, _STRIP_ROWS):
        stop = min(top + _STRIP_ROWS, height)
        first, last = max(top - REACH_PX, 0), min(stop + REACH_PX, height)
        count = last - first
        cv2.multiply(picture[first:last], inverse[first:last], dst=even[:count], dtype=cv2.CV_32F)
        cv2.sepFilter2D(
            even[:count],
            cv2.CV_32F,
            across,
            down,
            dst=moved[:count],
            anchor=(anchor_x, anchor_y),
            borderType=cv2.BORDER_REFLECT,
        )
        finish.rows(moved[top - first : stop - first], top, stop)
    return finish.pixels


class _Finish:
    """Gains, rounding and clipping, from strips of floating point to the patch's own pixels."""

    def __init__(self, job: TileJob) -> None:
        _, width, channels = job.shape
        self.pixels: Pixels = np.empty(job.shape, job.dtype)
        self.depth = cv2.CV_8U if job.dtype == "uint8" else cv2.CV_16U
        self.gains = np.empty((_STRIP_ROWS, width, channels), np.float32)
        self.gains[:] = job.gains

    def rows(self, strip: npt.NDArray[np.float32], top: int, stop: int) -> None:
        """Finish rows `top` to `stop`; OpenCV rounds to nearest and clips."""
        cv2.multiply(strip, self.gains[: stop - top], dst=self.pixels[top:stop], dtype=self.depth)


def _inner_share(lens: Lens) -> float:
    """By how much a tile must shrink about its centre so that the lens's picture of it lies on the sensor."""
    share = 1.0
    for _ in range(60):
        share = min(1.0, 1.0 / (1.0 + lens.k1 * share**2 + lens.k2 * share**4))
    return share


def _unbend(picture: Pixels, fx: float, fy: float, lens: Lens, job: TileJob) -> Pixels:
    """Move as `_shift` does and take the lens's distortion out, about the tile's centre.

    The library's warp rounds places to 1/32 px. What it leaves out is known at every pixel and is made up for
    to first order, with the slope of the warped picture. What is left is the error of its eight Lanczos
    weights: within 1 % of the height of waves of 6 px and longer, in place 0.006 px for waves of up to 8 px and
    0.02 px for the broadest, on which a place tells least.
    """
    height, width, channels = job.shape
    finish = _Finish(job)
    even = cv2.multiply(picture, job.inverse_flat.reshape(picture.shape), dtype=cv2.CV_32F)
    # Undistorted position of every patch pixel's centre, from the tile's centre.
    x = (np.arange(width) + (0.5 - fx - width / 2)).astype(np.float32)[None, :]
    for top in range(0, height, _STRIP_ROWS):
        stop = min(top + _STRIP_ROWS, height)
        # One row more on either side, for the slope.
        y = (np.arange(top - 1, stop + 1) + (0.5 - fy - height / 2)).astype(np.float32)[:, None]
        stretch = _stretch(x, y, lens)
        places = x * stretch + np.float32(width / 2 - 0.5), y * stretch + np.float32(height / 2 - 0.5)
        map_x, map_y = (np.rint(place * np.float32(32.0)) / np.float32(32.0) for place in places)
        warped = cv2.remap(even, map_x, map_y, interpolation=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT)
        strip = warped[1:-1].copy()
        _make_up(strip[:, 1:-1], warped[1:-1, 2:], warped[1:-1, :-2], (places[0] - map_x)[1:-1, 1:-1])
        _make_up(strip, warped[2:], warped[:-2], (places[1] - map_y)[1:-1])
        finish.rows(strip.reshape(stop - top, width, channels), top, stop)
    return finish.pixels


def _stretch(x: npt.NDArray[np.float32], y: npt.NDArray[np.float32], lens: Lens) -> npt.NDArray[np.float32]:
    """1 + k1 r^2 + k2 r^4 at places from the tile's centre."""
    r2 = (x * x + y * y) * np.float32(1.0 / lens.norm_px**2)
    stretch = r2 * np.float32(lens.k2)
    stretch += np.float32(lens.k1)
    stretch *= r2
    stretch += np.float32(1.0)
    return stretch


def _make_up(
    strip: npt.NDArray[np.float32],
    ahead: npt.NDArray[np.float32],
    behind: npt.NDArray[np.float32],
    missing: npt.NDArray[np.float32],
) -> None:
    """Add to the strip its slope, from the pixels ahead and behind, times the part of a pixel that is missing."""
    slope = cv2.subtract(ahead, behind)
    parts = missing if slope.ndim == 2 else cv2.merge([missing] * slope.shape[2])
    # The slope is over two pixels.
    strip += cv2.multiply(slope, parts, dst=slope, scale=0.5)
