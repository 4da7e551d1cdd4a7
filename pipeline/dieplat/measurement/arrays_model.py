"""A bank's cells as a sum of harmonics, fitted to the picture's own pixels.

Within a tile of a bank the picture is taken as a slow ground (a plane) plus, for every order (h, k),
c exp(2 pi i (h u + k v)) and its conjugate, with (u, v) = G (x, y) the lattice coordinates of a pixel's centre.
Every term is a function of x times one of y, so that sums over a rectangle are products of sums over its sides.
Nothing is resampled: orders beyond the sampling limit are terms like all others, at the frequency at which they
fold back, and spoil neither the cell's symmetry nor its place.

Sources: linear least squares, C. L. Lawson, R. J. Hanson, Solving Least Squares Problems (1974); elimination of the
ground by the Schur complement (both from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError

FloatArray = npt.NDArray[np.float32]
Complex = npt.NDArray[np.complex128]
Matrix = npt.NDArray[np.float64]
Tile = tuple[int, int, int, int]
"""Pixels (x0, y0, x1, y1), stops excluded."""

HIGHEST_ORDER = 6
HIGHEST_FREQUENCY = 0.85
"""Orders that a lens of this kind hardly passes are left out; per axis, in cycles a pixel."""
LOW_FREQUENCY = 0.36
MOST_ORDERS = 48
_STANDS_OUT = 6.0
"""Power above the picture's noise from which an order is kept; chance alone passes 1 in 400 (exp(-6))."""
_RIDGE = 1e-4
"""Share of a tile's pixels added to the diagonal, so that orders folded onto one another do not fight; times
1 + (f / 0.5)^8, so that the lower one explains the picture."""


@dataclass(frozen=True, slots=True, eq=False)
class CellModel:
    """Coefficients `value` (K,) of `orders` (K, 2), of one half plane."""

    orders: npt.NDArray[np.int64]
    value: Complex

    def low(self, reciprocal: Matrix) -> CellModel:
        """The orders below `LOW_FREQUENCY` alone, which even a picture without any blur shows without folding.

        An order stays with its mirror image (h, -k), which a turned lattice may put on the other side of the limit.
        """
        highest = np.maximum(*(np.abs((self.orders * (1, sign)) @ reciprocal).max(axis=1) for sign in (1, -1)))
        kept = highest < LOW_FREQUENCY
        return CellModel(self.orders[kept], self.value[kept])

    def period(self, samples: tuple[int, int]) -> FloatArray:
        """The mean period (n_y, n_x), sampled finely enough for every order."""
        n_x, n_y = samples
        u, v = np.arange(n_x) / n_x, np.arange(n_y) / n_y
        across = np.exp(2j * np.pi * np.outer(self.orders[:, 0], u))
        down = np.exp(2j * np.pi * np.outer(v, self.orders[:, 1]))
        return np.asarray(2.0 * ((down * self.value) @ across).real, dtype=np.float32)


def half_plane(reciprocal: Matrix) -> npt.NDArray[np.int64]:
    """Every order of one half plane up to the highest order and frequency."""
    pairs = [
        (h, k)
        for h in range(HIGHEST_ORDER + 1)
        for k in range(-HIGHEST_ORDER, HIGHEST_ORDER + 1)
        if (h > 0 or k > 0) and np.abs(np.array([h, k]) @ reciprocal).max() < HIGHEST_FREQUENCY
    ]
    if not pairs:
        raise UndecidedError("memory array: every harmonic of the lattice lies beyond the sampling limit")
    return np.array(pairs, dtype=np.int64)


def strongest(grey: FloatArray, tiles: Sequence[Tile], reciprocal: Matrix) -> npt.NDArray[np.int64]:
    """The orders that stand out from noise in the sum over all tiles, at most `MOST_ORDERS`."""
    orders = half_plane(reciprocal)
    if len(orders) == 0:
        return orders
    total = np.zeros(len(orders), dtype=np.complex128)
    energy = 0.0
    pixels = 0
    for tile in tiles:
        part = _levelled(grey, tile)
        across, down = _waves(orders, reciprocal, tile)
        total += np.einsum("kx,ky,yx->k", across.conj(), down.conj(), part, optimize=True)
        energy += float((part**2).sum())
        pixels += part.size
    power = np.abs(total) ** 2 / max(energy, 1e-12)
    ranked = np.argsort(power)[::-1][:MOST_ORDERS]
    kept = {tuple(order) for order in orders[ranked[power[ranked] > _STANDS_OUT]].tolist()}
    # A mirror image swaps (h, k) and (h, -k): one without the other would make a symmetric cell lopsided.
    return np.array([order for order in orders.tolist() if {(order[0], order[1]), (order[0], -order[1])} & kept])


def fit_model(grey: FloatArray, tiles: Sequence[Tile], reciprocal: Matrix, orders: npt.NDArray[np.int64]) -> CellModel:
    """Fit one set of coefficients to all tiles, each tile with a plane of its own as ground.

    Raises
    ------
    UndecidedError
        If no order stands out from noise.
    """
    if len(orders) == 0 or not tiles:
        raise UndecidedError("memory array: the cells are too unlike one another to be told from noise")
    count = 2 * len(orders)
    normal = np.zeros((count, count), dtype=np.complex128)
    right = np.zeros(count, dtype=np.complex128)
    pixels = 0
    for tile in tiles:
        x0, y0, x1, y1 = tile
        part = np.asarray(grey[y0:y1, x0:x1], dtype=np.float64)
        across, down = _waves(orders, reciprocal, tile)
        across, down = np.concatenate([across, across.conj()]), np.concatenate([down, down.conj()])
        ground_x, ground_y = _ground(x1 - x0), _ground(y1 - y0)
        plane_x, plane_y = ground_x[[0, 1, 0]], ground_y[[0, 0, 1]]
        sums = np.einsum("kx,ky,yx->k", across.conj(), down.conj(), part, optimize=True)
        ground = np.einsum("kx,ky,yx->k", plane_x, plane_y, part, optimize=True)
        inner = (plane_x @ plane_x.T) * (plane_y @ plane_y.T)
        mixed = (across.conj() @ plane_x.T) * (down.conj() @ plane_y.T)
        solved = np.linalg.solve(inner, np.column_stack([ground, mixed.conj().T]))
        normal += (across.conj() @ across.T) * (down.conj() @ down.T) - mixed @ solved[:, 1:]
        right += sums - mixed @ solved[:, 0]
        pixels += part.size
    ridge = ridge_of(pixels, np.abs(orders @ reciprocal).max(axis=1))
    solution = np.linalg.solve(normal + np.diag(np.concatenate([ridge, ridge])), right)
    return CellModel(orders, np.asarray(solution[: len(orders)], dtype=np.complex128))


def ridge_of(pixels: int, frequency: Matrix) -> Matrix:
    """What is added to the diagonal for orders of these frequencies (cycles a pixel); see `_RIDGE`."""
    return np.asarray(_RIDGE * pixels * (1.0 + (frequency / 0.5) ** 8), dtype=np.float64)


def displacement(grey: FloatArray, tile: Tile, reciprocal: Matrix, model: CellModel) -> tuple[Matrix, Matrix, float]:
    """How far a tile's cells lie from the model in periods (u, v), its covariance, and their contrast (model: 1).

    One step of Gauss and Newton: the tile is compared with the model, its two derivatives, and a plane.
    """
    x0, y0, x1, y1 = tile
    part = np.asarray(grey[y0:y1, x0:x1], dtype=np.float64)
    across, down = _waves(model.orders, reciprocal, tile)
    weighted = (2.0 * model.value[:, None]) * across
    turned = 2j * np.pi * weighted
    images = [
        (down.T @ weighted).real,
        -(down.T @ (turned * model.orders[:, :1])).real,
        -(down.T @ (turned * model.orders[:, 1:])).real,
    ]
    ground_x, ground_y = _ground(x1 - x0), _ground(y1 - y0)
    planes = [
        np.outer(ground_y[0], ground_x[0]),
        np.outer(ground_y[0], ground_x[1]),
        np.outer(ground_y[1], ground_x[0]),
    ]
    design = np.stack([image.ravel() for image in (*images, *planes)], axis=1)
    normal = design.T @ design
    normal[np.diag_indices(6)] *= 1.0 + 1e-9
    inverse = np.linalg.inv(normal)
    solution = inverse @ (design.T @ part.ravel())
    residual = part.ravel() - design @ solution
    variance = float(residual @ residual) / max(part.size - 6, 1)
    gain = float(solution[0])
    scale = gain if abs(gain) > 0.05 else 0.05
    return solution[1:3] / scale, variance * inverse[1:3, 1:3] / scale**2, gain


def _waves(orders: npt.NDArray[np.int64], reciprocal: Matrix, tile: Tile) -> tuple[Complex, Complex]:
    """exp(2 pi i f x) along x (K, W) and along y (K, H) for every order, at the pixels' indices."""
    x0, y0, x1, y1 = tile
    frequency = orders @ reciprocal
    across = np.exp(2j * np.pi * np.outer(frequency[:, 0], np.arange(x0, x1)))
    down = np.exp(2j * np.pi * np.outer(frequency[:, 1], np.arange(y0, y1)))
    return across, down


def _ground(length: int) -> Matrix:
    """1 and a slope from -1 to 1."""
    return np.stack([np.ones(length), np.linspace(-1.0, 1.0, length)])


def _levelled(grey: FloatArray, tile: Tile) -> Matrix:
    x0, y0, x1, y1 = tile
    part = np.asarray(grey[y0:y1, x0:x1], dtype=np.float64)
    rows, columns = _ground(y1 - y0), _ground(x1 - x0)
    part = part - part.mean()
    part = part - np.outer(np.ones(y1 - y0), columns[1] * (part @ columns[1]).mean() / (columns[1] @ columns[1]))
    return np.asarray(part - np.outer(rows[1] * (rows[1] @ part).mean() / (rows[1] @ rows[1]), np.ones(x1 - x0)))
