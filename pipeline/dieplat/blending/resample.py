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

from dieplat.blending.place import Box
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

_MOST_SPARE = 1
"""One is given back for each that is taken."""


class Spare:
    """Memory of pixels that are no longer needed, for the next tile: fresh memory costs as much as the arithmetic.

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
        if pixels.base is not None:
            self._kept.append(pixels.base)

    def take(self, shape: tuple[int, ...], dtype: str, *, most: int) -> Pixels:
        """An array whose content is arbitrary, in memory that holds up to `most` samples."""
        try:
            room = self._kept.pop()
        except IndexError:
            room = np.empty(most, dtype)
        return room[: math.prod(shape)].reshape(shape)


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
    part: Box | None = None
    """What of `box` is wanted; None if all."""

    @property
    def x0(self) -> int:
        """The first mosaic column whose pixels have their centre on the tile."""
        return math.ceil(self.x_px - 0.5)

    @property
    def y0(self) -> int:
        """The first mosaic row whose pixels have their centre on the tile."""
        return math.ceil(self.y_px - 0.5)

    @property
    def box(self) -> Box:
        """All the mosaic's pixels that the tile shows: with a lens the largest rectangle of its own proportions."""
        height, width, _ = self.shape
        if self.lens is None:
            return Box(self.x0, self.y0, self.x0 + width, self.y0 + height)
        left, top = (math.ceil((1.0 - _inner_share(self.lens)) * size / 2) for size in (width, height))
        return Box(self.x0 + left, self.y0 + top, self.x0 + width - left, self.y0 + height - top)


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

    The patch is `job.part`, or all of `job.box`.
    """
    picture = (job.read or read_picture)(job.path)
    height, width, channels = job.shape
    if picture.shape != ((height, width) if channels == 1 else job.shape) or picture.dtype != job.dtype:
        raise MosaicError(f"{job.path}: has changed since the tiles were listed; start again")
    part = job.box if job.part is None else job.part
    shape = (part.y1 - part.y0, part.x1 - part.x0, channels)
    spare = Spare() if job.spare is None else job.spare
    out = spare.take(shape, job.dtype, most=math.prod(job.shape))
    corner = part.x0 - job.x0, part.y0 - job.y0
    if job.lens is None:
        _shift(picture, job, corner, out)
    else:
        _unbend(picture, job, job.lens, corner, out)
    return Patch(part.x0, part.y0, out)


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
    """Matrix (places, cells) that takes values at the centres of cells, which share `size`, to those places.

    A cubic spline without a knot at the second and the last but one ("not-a-knot", C. de Boor, A Practical Guide to
    Splines, chapter IV; from memory); of three values a parabola, of two a line. SciPy's draws in 11 MB of libraries.
    """
    if cells == 1:
        return np.ones((len(places), 1))
    values: Floats = np.eye(cells)
    bends: Floats = np.zeros((cells, cells))
    turns = values[:-2] - 2.0 * values[1:-1] + values[2:]
    if cells == 3:
        bends[:] = turns
    elif cells > 3:
        system = turns[[0, *range(cells - 2), -1]]
        system[1:-1] += 6.0 * values[1:-1]
        bends[:] = np.linalg.solve(system, np.pad(6.0 * turns, ((1, 1), (0, 0))))
    at = places * (cells / size) - 0.5
    first = np.clip(at.astype(np.intp), 0, cells - 2)
    right = (at - first)[:, None]
    left = 1.0 - right
    matrix: Floats = left * values[first] + right * values[first + 1]
    matrix += (left**3 - left) / 6.0 * bends[first] + (right**3 - right) / 6.0 * bends[first + 1]
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


def _shift(picture: Pixels, job: TileJob, corner: tuple[int, int], out: Pixels) -> None:
    """Fill `out`, whose corner is column and row `corner` of the tile, with the tile moved to whole mosaic pixels."""
    height, width, channels = job.shape
    (across, anchor_x), (down, anchor_y) = shift_filter(job.x_px - job.x0), shift_filter(job.y_px - job.y0)
    move_rows(
        picture.reshape(height, width * channels),
        job.inverse_flat.reshape(len(job.inverse_flat), width * channels),
        job.flat_spacing,
        across.astype(np.float32),
        anchor_x,
        down.astype(np.float32),
        anchor_y,
        np.tile(job.gains.astype(np.float32), out.shape[1]),
        channels,
        *corner,
        out.reshape(len(out), -1),
    )


def _inner_share(lens: Lens) -> float:
    """By how much a tile must shrink about its centre so that the lens's picture of it lies on the sensor."""
    share = 1.0
    for _ in range(60):
        share = min(1.0, 1.0 / (1.0 + lens.k1 * share**2 + lens.k2 * share**4))
    return share


def _unbend(picture: Pixels, job: TileJob, lens: Lens, corner: tuple[int, int], out: Pixels) -> None:
    """Fill `out` as `_shift` does and take the lens's distortion out, about the tile's centre."""
    unbend_rows(
        picture.reshape(job.shape),
        job.inverse_flat,
        job.flat_spacing,
        filter_bank(),
        *corner,
        (job.x_px - job.x0, job.y_px - job.y0),
        (lens.k1, lens.k2, 1.0 / lens.norm_px**2),
        job.gains.astype(np.float32),
        out,
    )


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
