"""The lattice from all cells at once: where every part of every bank lies, and one lattice through all of it.

A bank is cut into tiles. The cells' model (arrays_model) is fitted to the whole bank; then each tile is compared
with it and says by how much its cells are off. A lattice whose pitch is right leaves no slope in that.

Source: weighted least squares with the scatter of the residuals, JCGM 100, H.3 (a straight line).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_frame import Frame
from dieplat.measurement.arrays_model import CellModel, Tile, displacement, fit_model, strongest

FloatArray = npt.NDArray[np.float32]
Matrix = npt.NDArray[np.float64]
Rectangle = tuple[float, float, float, float]
"""Samples of the frame (i0, j0, i1, j1)."""

NOT_STRAIGHT = "memory array: the cells do not keep to one straight lattice; measure the banks one by one"
RIM_PX = 1.5
"""Left out along a bank's edge: there the lens mixes cells and what stands beside them."""
_TILES = 8
"""Tiles along each side of a bank, at most."""
_LEAST_PX, _MOST_PX = 4, 192
"""Shortest and longest side of a tile; of larger parts the middle is taken, so that time is bounded."""


@dataclass(frozen=True, slots=True, eq=False)
class Offsets:
    """Of every tile: its bank, its centre in lattice coordinates, and by how many periods its cells are off."""

    bank: npt.NDArray[np.int64]
    centre: Matrix
    off: Matrix
    variance: Matrix


def tiles_of(frame: Frame, rectangle: Rectangle) -> list[Tile]:
    """Pixel rectangles inside a bank, up to `_TILES` along each side and at least two periods long."""
    inverse = np.linalg.inv(np.stack([frame.step_x, frame.step_y], axis=1))
    rim = np.abs(inverse).sum(axis=1) * RIM_PX
    i0, j0, i1, j1 = rectangle
    low, high = np.array([i0, j0]) + rim, np.array([i1, j1]) - rim
    if np.any(high <= low):
        return []
    counts = [int(np.clip((high[k] - low[k]) / (2 * frame.samples[k]), 1, _TILES)) for k in (0, 1)]
    edges = [np.linspace(low[k], high[k], counts[k] + 1) for k in (0, 1)]
    found = []
    for a, b in zip(edges[0][:-1], edges[0][1:], strict=True):
        for c, d in zip(edges[1][:-1], edges[1][1:], strict=True):
            corners = np.array([frame.to_image(i, j) for i, j in ((a, c), (b, c), (b, d), (a, d))])
            x0, x1 = max(corners[[0, 3], 0]), min(corners[[1, 2], 0])
            y0, y1 = max(corners[[0, 1], 1]), min(corners[[2, 3], 1])
            x0, x1 = _middle(x0, x1)
            y0, y1 = _middle(y0, y1)
            tile = math.ceil(x0), math.ceil(y0), math.floor(x1), math.floor(y1)
            if tile[2] - tile[0] >= _LEAST_PX and tile[3] - tile[1] >= _LEAST_PX:
                found.append(tile)
    return found


def _middle(low: float, high: float) -> tuple[float, float]:
    spare = max(high - low - _MOST_PX, 0.0) / 2
    return low + spare, high - spare


def within(tiles: Sequence[Tile], shape: tuple[int, ...]) -> list[Tile]:
    """The tiles cut to a picture's size; those that nearly vanish are left out."""
    cut = [(max(x0, 0), max(y0, 0), min(x1, shape[1]), min(y1, shape[0])) for x0, y0, x1, y1 in tiles]
    return [t for t in cut if t[2] - t[0] >= _LEAST_PX and t[3] - t[1] >= _LEAST_PX]


def refine(grey: FloatArray, banks: Sequence[Sequence[Tile]], reciprocal: Matrix) -> tuple[Matrix, Matrix]:
    """Fit one lattice to all tiles of all banks, until it stays put.

    Returns
    -------
    reciprocal : ndarray of shape (2, 2)
        The refined reciprocal vectors.
    covariance : ndarray of shape (4, 4)
        Of their relative change D (see `fit_lattice`), row by row, from the tiles' scatter about the lattice.

    Raises
    ------
    UndecidedError
        If the tiles do not keep to one lattice, or are too few.
    """
    far = np.array(grey.shape[::-1], dtype=np.float64)
    # Orders that come and go at the threshold of noise would keep the fit from settling: chosen twice, then kept.
    for attempt in range(10):
        if attempt < 2:
            orders = [strongest(grey, tiles, reciprocal) for tiles in banks]
        change, covariance = fit_lattice(measure_offsets(grey, banks, reciprocal, orders))
        reciprocal = (np.eye(2) + change) @ reciprocal
        if attempt > 0 and float(np.abs(change @ reciprocal @ far).max()) < 1e-3:
            return reciprocal, covariance
    raise UndecidedError(NOT_STRAIGHT)


def measure_offsets(
    grey: FloatArray,
    banks: Sequence[Sequence[Tile]],
    reciprocal: Matrix,
    orders: Sequence[npt.NDArray[np.int64]],
) -> Offsets:
    """Compare every tile with the model of its own bank, made of that bank's `orders`."""
    bank, centre, off, variance = [], [], [], []
    for index, (tiles, own) in enumerate(zip(banks, orders, strict=True)):
        if not tiles:
            continue
        model = fit_model(grey, tiles, reciprocal, own)
        _both_axes(model)
        for tile in tiles:
            moved, spread, gain = displacement(grey, tile, reciprocal, model)
            if not 0.3 < gain < 3.0 or np.abs(moved).max() > 0.3:
                continue
            x0, y0, x1, y1 = tile
            bank.append(index)
            centre.append(reciprocal @ np.array([(x0 + x1 - 1) / 2, (y0 + y1 - 1) / 2]))
            off.append(moved)
            variance.append(spread.diagonal())
    if len(bank) < 4:
        raise UndecidedError("memory array: too few cells along one axis to fix its pitch")
    return Offsets(np.array(bank), np.array(centre), np.array(off), np.array(variance))


def _both_axes(model: CellModel) -> None:
    for axis, name in ((0, "x"), (1, "y")):
        if not model.orders[:, axis].any():
            raise UndecidedError(
                f"memory array: no harmonic along {name} can be sampled; photograph at a higher magnification"
            )


def fit_lattice(offsets: Offsets) -> tuple[Matrix, Matrix]:
    """A slope common to all banks, an offset for each: D (2, 2) and its covariance (4, 4), row by row.

    The true reciprocal vectors are (I + D) times those that the offsets were measured with.
    """
    banks = np.unique(offsets.bank)
    own = (offsets.bank[:, None] == banks[None, :]).astype(np.float64)
    slopes = offsets.centre - offsets.centre.mean(axis=0)
    design = np.concatenate([-slopes, own], axis=1)
    free = len(design) - design.shape[1]
    change, covariance = np.zeros((2, 2)), np.zeros((4, 4))
    for axis in (0, 1):
        spread, between = offsets.variance[:, axis], 0.0
        for _ in range(8):
            weight = 1.0 / (spread + between)
            normal = design.T @ (weight[:, None] * design)
            if np.linalg.cond(normal) > 1e14:
                raise UndecidedError("memory array: too few cells along one axis to fix its pitch")
            inverse = np.linalg.inv(normal)
            solution = inverse @ (design.T @ (weight * offsets.off[:, axis]))
            residual = offsets.off[:, axis] - design @ solution
            ratio = float(weight @ residual**2) / max(free, 1)
            if free < 1 or ratio < 1.0:
                break
            # What the pixels' noise does not explain is scatter from tile to tile.
            between += (ratio - 1.0) * float((weight * (spread + between)).sum() / weight.sum())
        change[axis] = solution[:2]
        covariance[2 * axis : 2 * axis + 2, 2 * axis : 2 * axis + 2] = inverse[:2, :2]
    return change, covariance
