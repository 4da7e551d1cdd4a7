"""What lies within the banks: places of cells that show none, as under dirt, or where a bank is no full rectangle.

A count is columns times rows. A bank of which a corner is missing, or that a strap parts, repeats like a whole one in
its other rows and columns; only its own places tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_frame import Frame
from dieplat.measurement.arrays_places import BankLattice, Rectangle, lattice_of, likeness_of, line, share

Matrix = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

UNLIKE = 0.7
"""Correlation with the mean cell, as a share of the bank's median place, below which a place shows no cell. Of 19 000
places of clean invented arrays of 4 px and more, 8 were below that (0.04 %), and where drivers stood for cells nearly
all (the limit is a choice of ours, no source)."""
GONE = 0.5
"""The same of such places together, below which they show none: 0.4 and less where drivers stood for cells; cells of a
read-only memory that differ in what they hold are more alike (the limit is a choice of ours, no source)."""
SCATTER = 4.5
"""Standard deviations of the places' own scatter that such a place must lie below the median as well."""
OUTSIDE = 0.2
"""Share of a place within the polygon below which the outline leaves it out (a choice of ours, no source)."""
FEWEST = 4
"""Places, one beside the other, from which it is said that they show no cell: fewer are grains of dust (a choice of
ours, no source)."""
FULL = 0.8
"""Share of its bounding box from which what shows no cell, two places deep at least, is a rectangle; an ellipse fills
0.79 (a choice of ours, no source)."""


class NotFullError(UndecidedError):
    """A bank is no full rectangle of cells: neither another lattice nor a cleaned picture changes that."""


def unseen_inside(frame: Frame, rectangles: Sequence[Rectangle], cell: tuple[int, int]) -> int:
    """Places of cells within the banks that show none, in groups of `FEWEST` and more.

    rectangles : (left, top, right, bottom) of each bank, in samples of the frame; cell : samples (x, y) of a cell.

    Raises
    ------
    NotFullError
        If a rectangle of such places takes a bank's corner or runs from side to side, or the outline leaves one out.
    """
    count = 0
    for rectangle in rectangles:
        bank = lattice_of(frame, rectangle, cell)
        likeness, outside = _likeness(bank)
        unlike = likeness < UNLIKE
        if _deep(outside).any():
            raise NotFullError(
                f"memory array: the outline leaves out {outside.sum()} cells of a bank of {outside.shape[1]} x "
                f"{outside.shape[0]}, so it is no full rectangle; draw each rectangular part as an array of its own"
            )
        for group in _gone(_deep(unlike), likeness):
            if _takes_a_part(group):
                raise NotFullError(
                    f"memory array: {group.sum()} places of a bank of {unlike.shape[1]} x {unlike.shape[0]} cells, at "
                    "a corner or from side to side, show no cell; draw each rectangular part as an array of its own, "
                    "or photograph it clean if something lies there"
                )
        count += sum(int(group.sum()) for group in _gone(unlike, likeness))
    return count


def said_of_unseen(count: int) -> list[str]:
    """The remark on places that count as cells though they show none."""
    if not count:
        return []
    return [f"{count} of the cells counted show no cell; look whether dirt lies there, or something that is no cell"]


def _likeness(bank: BankLattice) -> tuple[Matrix, BoolArray]:
    """How like the mean cell every place (rows, columns) of a bank is, as a share of the median place: 1 within the
    places' scatter, and 0 where the polygon leaves it out; and where it does."""
    seen, inside = [], []
    for row in range(bank.cells_along(1)):
        places = line(bank, 1, bank.low[1] + row * bank.cell[1])
        seen.append(likeness_of(bank, *places)[0])
        inside.append(share(bank.frame.mask, *places))
    correlation, outside = np.array(seen), np.array(inside) < OUTSIDE
    middle = float(np.median(correlation))
    scatter = 1.4826 * float(np.median(np.abs(correlation - middle)))
    relative = np.where(correlation < middle - SCATTER * scatter, correlation / max(middle, 1e-12), 1.0)
    return np.where(outside, 0.0, relative), outside


def _gone(places: BoolArray, likeness: Matrix) -> Iterator[BoolArray]:
    """Groups of places, side by side and not too few, that together are like no cell."""
    numbers, count = ndimage.label(places)
    sizes = np.bincount(numbers.ravel(), minlength=count + 1)
    means = np.bincount(numbers.ravel(), likeness.ravel(), minlength=count + 1) / np.maximum(sizes, 1)
    for number in 1 + np.flatnonzero((sizes[1:] >= FEWEST) & (means[1:] < GONE)):
        yield numbers == number


def _deep(places: BoolArray) -> BoolArray:
    """Those that are part of two by two at least."""
    return np.asarray(ndimage.binary_opening(places, np.ones((2, 2), dtype=bool)))


def _takes_a_part(group: BoolArray) -> bool:
    """Whether a group is a rectangle at a corner, or from one side to the opposite one."""
    rows, columns = np.flatnonzero(group.any(axis=1)), np.flatnonzero(group.any(axis=0))
    top, bottom = rows[0] == 0, rows[-1] == len(group) - 1
    left, right = columns[0] == 0, columns[-1] == group.shape[1] - 1
    box = (rows[-1] - rows[0] + 1) * (columns[-1] - columns[0] + 1)
    at_corner = (top or bottom) and (left or right)
    across = (top and bottom) or (left and right)
    return bool(group.sum() >= FULL * box and (at_corner or across))
