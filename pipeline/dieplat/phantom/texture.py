"""Texture that belongs to the die: the same grain and stains wherever a tile looks at the same place."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Float32 = npt.NDArray[np.float32]


class Texture:
    """Noise fields over the whole raster of a die, read window by window.

    Grain is the sum of two tables with sides that have no common divisor, so it does not repeat within a
    die. Slow
    fields are smooth interpolations of coarse random lattices.
    """

    def __init__(self, seed: int, fine: int = 1) -> None:
        """`fine`: points of the raster along a pixel of the picture, whose grain and stains keep their size."""
        self._fine = fine
        rng = np.random.default_rng([seed, 71])
        self._grain = [rng.standard_normal(sides).astype(np.float32) for sides in ((509, 521), (397, 401))]
        self._slow = {step: rng.standard_normal((3, 211, 223)).astype(np.float32) for step in (9, 47, 260, 700)}

    def grain(self, top: int, left: int, height: int, width: int) -> Float32:
        """Unit-variance grain (height, width), one pixel of the picture in size."""
        total = np.zeros((height, width), dtype=np.float32)
        for table in self._grain:
            rows = (top + np.arange(height)) // self._fine % table.shape[0]
            columns = (left + np.arange(width)) // self._fine % table.shape[1]
            total += table[np.ix_(rows, columns)]
        return total * np.float32(1.0 / np.sqrt(len(self._grain)))

    def slow(self, step: int, channel: int, top: int, left: int, height: int, width: int) -> Float32:
        """A smooth field (height, width) with structure of about `step` pixels of the picture, variance below 1."""
        lattice = self._slow[step][channel]
        row, row_part = _cells(top, height, step * self._fine, lattice.shape[0])
        column, column_part = _cells(left, width, step * self._fine, lattice.shape[1])
        across = lattice[:, column] * (1.0 - column_part) + lattice[:, (column + 1) % lattice.shape[1]] * column_part
        below = across[(row + 1) % lattice.shape[0]]
        return np.asarray(across[row] + (below - across[row]) * row_part[:, None], dtype=np.float32)


def _cells(first: int, count: int, step: int, size: int) -> tuple[npt.NDArray[np.intp], Float32]:
    at = (first + np.arange(count)) / step
    cell = np.floor(at).astype(np.intp)
    part = (at - cell).astype(np.float32)
    return cell % size, part * part * (3.0 - 2.0 * part)
