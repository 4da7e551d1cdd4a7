"""Places where a bank's lattice has a cell, or would have one, compared with its mean cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.measurement.arrays_frame import Frame

Matrix = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]
Rectangle = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class BankLattice:
    """A bank on the frame: its rectangle and a cell in whole samples (x, y), and its mean period (n_y, n_x) by the
    frame's phase."""

    frame: Frame
    low: tuple[int, int]
    high: tuple[int, int]
    cell: tuple[int, int]
    period: Matrix

    @property
    def pixels(self) -> float:
        """Pixels of the picture in a cell."""
        x, y = self.frame.step_x, self.frame.step_y
        return abs(float(x[0] * y[1] - x[1] * y[0])) * self.cell[0] * self.cell[1]

    def cells_along(self, axis: int) -> int:
        """Cells along x (axis 0) or y (axis 1), one at least."""
        return max(round((self.high[axis] - self.low[axis]) / self.cell[axis]), 1)


def lattice_of(frame: Frame, rectangle: Rectangle, cell: tuple[int, int]) -> BankLattice:
    """The places of a bank. rectangle : (left, top, right, bottom) in samples of the frame; cell : samples (x, y)."""
    left, top, right, bottom = (round(value) for value in rectangle)
    return BankLattice(frame, (left, top), (right, bottom), cell, frame.mean_period(left, top, right, bottom))


def line(bank: BankLattice, axis: int, start: int) -> tuple[Places, Places]:
    """Samples (rows (N, h, 1), columns (N, 1, w)) of the cells of a column (axis 0) or row (axis 1) of them that begins
    at a sample along that axis."""
    other = bank.cell[1 - axis]
    count = bank.cells_along(1 - axis)
    along = bank.low[1 - axis] + other * np.arange(count)
    across = np.full(count, start)
    first_column, first_row = (across, along) if axis == 0 else (along, across)
    columns = first_column[:, None, None] + np.arange(bank.cell[0])[None, None, :]
    rows = first_row[:, None, None] + np.arange(bank.cell[1])[None, :, None]
    return rows, columns


def share(plane: npt.NDArray[np.generic], rows: Places, columns: Places) -> Matrix:
    """Mean of a plane over each place (N,); nothing is there beyond the plane."""
    height, width = plane.shape
    there = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    values = plane[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)] * there
    return np.asarray(values.mean(axis=(1, 2)), dtype=np.float64)


def likeness_of(bank: BankLattice, rows: Places, columns: Places) -> tuple[Matrix, Matrix]:
    """Correlation of each place (N,) with the mean cell, and its contrast as a multiple of that one's.

    Lines that run along either axis are left out: those that cells share may go on beyond them, and a strap's rim may
    lie as a cell's.
    """
    height, width = bank.frame.picture.shape
    seen = bank.frame.picture[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)].astype(np.float64)
    n_x, n_y = bank.frame.samples
    mean = bank.period[rows % n_y, columns % n_x]
    seen, mean = _crossed(seen), _crossed(mean)
    product, power = (seen * mean).sum(axis=(1, 2)), np.maximum((mean**2).sum(axis=(1, 2)), 1e-12)
    size = np.sqrt(np.maximum((seen**2).sum(axis=(1, 2)), 1e-12) * power)
    return product / size, product / power


def _crossed(places: Matrix) -> Matrix:
    """What is left of places (N, h, w) without the means of their rows and of their columns."""
    places = places - places.mean(axis=1, keepdims=True)
    return np.asarray(places - places.mean(axis=2, keepdims=True))
