"""A tile corrected and moved to whole mosaic pixels."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from dieplat.blending.shift_loop import move_rows
from dieplat.blending.unbend_loop import unbend_rows
from dieplat.errors import MosaicError
from dieplat.tiles.read import Picture, read_picture
from dieplat.values import Lens

Pixels = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]

REACH_PX = 4
"""Samples that a filter uses on either side; so close to its edge a tile leans on mirrored pixels."""

_BAND = 0.3
"""Waves up to this many cycles a pixel are kept: optics pass hardly any shorter, and eight samples suffice."""

_BANK_STEPS = 2048
"""Places within a pixel for which the filter is worked out beforehand."""


_MOST_SPARE = 4


class Spare:
    """Arrays whose pixels are no longer needed, for the next tile: fresh memory costs as much as the arithmetic.

    Safe to share between threads; in another process it is empty.
    """

    def __init__(self) -> None:
        self._kept: deque[Pixels] = deque(maxlen=_MOST_SPARE)

    def __getstate__(self) -> dict[str, Any]:
        return {}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self._kept = deque(maxlen=_MOST_SPARE)

    def give(self, pixels: Pixels) -> None:
        """Nobody looks at these pixels any more."""
        self._kept.append(pixels)

    def take(self, shape: tuple[int, ...], dtype: str) -> Pixels:
        """An array whose content is arbitrary."""
        while True:
            try:
                kept = self._kept.pop()
            except IndexError:
                return np.empty(shape, dtype)
            if kept.shape == shape and kept.dtype == dtype:
                return kept


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
    flat_spacing: int = 1
    """`inverse_flat` (n, W, C) holds every so manieth row of a tile; those between are interpolated."""
    spare: Spare | None = None

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
    return _unbend(picture, fx, fy, job.lens, job)


def enlarged_inverse(
    flat: npt.NDArray[np.float32], shape: tuple[int, int, int], *, spacing: int = 1
) -> npt.NDArray[np.float32]:
    """1 / flat at the size of a tile, (n, w, C), from its coarse grid of cells, in every `spacing`-th row.

    The rows go from the first to the last or the next beyond it.

    A cubic spline through the cells' centres, going on beyond the outermost: a flat that ended there level
    would be wrong by a per cent at a tile's edge.
    """
    height, width, channels = shape
    rows_at: Floats = np.arange(0.5, height + spacing - 1, spacing)
    down = _spline(flat.shape[0], height, rows_at)
    across = _spline(flat.shape[1], width, np.arange(0.5, width))
    rows = np.einsum("ijc,xj->ixc", flat.astype(np.float64), across, optimize=True)
    full = down.astype(np.float32) @ rows.reshape(len(rows), -1).astype(np.float32)
    inverse: npt.NDArray[np.float32] = np.reciprocal(full, out=full).reshape(-1, width, channels)
    return inverse


def _spline(cells: int, size: int, places: Floats) -> Floats:
    """Matrix (places, cells) that takes values at the centres of cells, which share `size`, to those places."""
    if cells == 1:
        return np.ones((len(places), 1))
    centres = (np.arange(cells) + 0.5) * (size / cells)
    matrix: Floats = CubicSpline(centres, np.eye(cells))(places)
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
    """The tile moved right by fx and down by fy, both within half a pixel."""
    height, width, channels = job.shape
    (across, anchor_x), (down, anchor_y) = shift_filter(fx), shift_filter(fy)
    out = np.empty(job.shape, job.dtype) if job.spare is None else job.spare.take(job.shape, job.dtype)
    move_rows(
        picture.reshape(height, width * channels),
        job.inverse_flat.reshape(len(job.inverse_flat), width * channels),
        job.flat_spacing,
        across.astype(np.float32),
        anchor_x,
        down.astype(np.float32),
        anchor_y,
        np.tile(job.gains.astype(np.float32), width),
        channels,
        out.reshape(height, width * channels),
    )
    return out


def _inner_share(lens: Lens) -> float:
    """By how much a tile must shrink about its centre so that the lens's picture of it lies on the sensor."""
    share = 1.0
    for _ in range(60):
        share = min(1.0, 1.0 / (1.0 + lens.k1 * share**2 + lens.k2 * share**4))
    return share


def _unbend(picture: Pixels, fx: float, fy: float, lens: Lens, job: TileJob) -> Patch:
    """Move as `_shift` does and take the lens's distortion out, about the tile's centre.

    The patch is the largest rectangle of the tile's own proportions that lies on the picture.
    """
    height, width, channels = job.shape
    left, top = (math.ceil((1.0 - _inner_share(lens)) * size / 2) for size in (width, height))
    shape = (height - 2 * top, width - 2 * left, channels)
    out = np.empty(shape, job.dtype) if job.spare is None else job.spare.take(shape, job.dtype)
    unbend_rows(
        picture.reshape(job.shape),
        job.inverse_flat,
        job.flat_spacing,
        filter_bank(),
        left,
        top,
        (fx, fy),
        (lens.k1, lens.k2, 1.0 / lens.norm_px**2),
        job.gains.astype(np.float32),
        out,
    )
    return Patch(job.x0 + left, job.y0 + top, out)


@cache
def filter_bank() -> npt.NDArray[np.float32]:
    """Weights (n, 8) of the samples -3 to 4 for places k / (n - 1) after sample 0, as `shift_filter` has them.

    The nearest entry is right to 1/4096 px, a shift by less than 0.04 % of a wave's height at 0.25 cycles a pixel.
    """
    shares = np.linspace(0.0, 1.0, _BANK_STEPS + 1)
    rows = [shift_filter(-share)[0] if share <= 0.5 else shift_filter(1.0 - share)[0] for share in shares]
    # The same filter at 0 begins a sample earlier.
    rows[0] = np.roll(rows[0], -1)
    return np.array(rows, dtype=np.float32)
