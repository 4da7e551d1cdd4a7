"""Places where a bank's lattice has a cell, or would have one, compared with its mean cell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.measurement.arrays_frame import Frame

Matrix = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]
Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class BankLattice:
    """A bank on the frame: its first sample and a cell in whole samples (x, y), how many columns and rows it has, and
    its mean period (n_y, n_x) by the frame's phase."""

    frame: Frame
    low: tuple[int, int]
    cell: tuple[int, int]
    size: tuple[int, int]
    period: Matrix

    @property
    def high(self) -> tuple[int, int]:
        """The sample (x, y) behind its last."""
        return self.low[0] + self.size[0] * self.cell[0], self.low[1] + self.size[1] * self.cell[1]

    @property
    def chance(self) -> float:
        """Standard deviation of a place's correlation with a cell by chance, where noise is each pixel's own: of as
        many values as a cell has pixels, less those that its rows' and columns' means take."""
        sides = (np.hypot(*step) * n for step, n in zip((self.frame.step_x, self.frame.step_y), self.cell, strict=True))
        width, height = (max(float(side) - 1.0, 1.0) for side in sides)
        return 1.0 / math.sqrt(width * height)

    @property
    def alike(self) -> int:
        """Cells that are meant to look the same, one at least: of mirrored ones every other."""
        (n_x, n_y), (width, height) = self.frame.samples, self.cell
        return max(self.size[0] * width // n_x, 1) * max(self.size[1] * height // n_y, 1)

    def to_image(self, column: float, row: float) -> Matrix:
        """Where the corner of a place lies in the picture."""
        return self.frame.to_image(self.low[0] + column * self.cell[0], self.low[1] + row * self.cell[1])


def lattice_of(frame: Frame, rectangle: Rectangle, cell: tuple[int, int]) -> BankLattice:
    """The places of a bank. rectangle : (left, top, right, bottom) in samples of the frame; cell : samples (x, y)."""
    left, top, right, bottom = rectangle
    low = round(left), round(top)
    size = max(round((right - left) / cell[0]), 1), max(round((bottom - top) / cell[1]), 1)
    period = frame.mean_period(*low, low[0] + size[0] * cell[0], low[1] + size[1] * cell[1])
    return BankLattice(frame, low, cell, size, period)


def samples_of(bank: BankLattice, column: Indices, row: Indices) -> tuple[Indices, Indices]:
    """Samples (rows (N, h, 1), columns (N, 1, w)) of places by their column (N,) and row (N,), below 0 and beyond the
    last as well."""
    rows = bank.low[1] + bank.cell[1] * row[:, None, None] + np.arange(bank.cell[1])[None, :, None]
    columns = bank.low[0] + bank.cell[0] * column[:, None, None] + np.arange(bank.cell[0])[None, None, :]
    return rows, columns


def share(plane: npt.NDArray[np.generic], rows: Indices, columns: Indices) -> Matrix:
    """Mean of a plane over each place (N,); nothing is there beyond the plane."""
    height, width = plane.shape
    there = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    values = plane[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)] * there
    return np.asarray(values.mean(axis=(1, 2)), dtype=np.float64)


def patterns(bank: BankLattice, rows: Indices, columns: Indices) -> tuple[Matrix, Matrix]:
    """What places (N, h, w) show and what the mean cell would, without the means of their rows and columns.

    Lines that cells share may go on beyond them, and a strap's rim may lie as a cell's.
    """
    height, width = bank.frame.picture.shape
    seen = bank.frame.picture[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)].astype(np.float64)
    n_x, n_y = bank.frame.samples
    return _without_lines(seen), _without_lines(bank.period[rows % n_y, columns % n_x])


def likeness_of(seen: Matrix, mean: Matrix) -> tuple[Matrix, Matrix]:
    """Correlation of each place (N,) with its mean cell, and its contrast as a multiple of that one's."""
    product, power = (seen * mean).sum(axis=(1, 2)), np.maximum((mean**2).sum(axis=(1, 2)), 1e-12)
    size = np.sqrt(np.maximum((seen**2).sum(axis=(1, 2)), 1e-12) * power)
    return product / size, product / power


def _without_lines(places: Matrix) -> Matrix:
    """What is left of places (N, h, w) without the means of their rows and of their columns."""
    places = places - places.mean(axis=1, keepdims=True)
    return np.asarray(places - places.mean(axis=2, keepdims=True))
