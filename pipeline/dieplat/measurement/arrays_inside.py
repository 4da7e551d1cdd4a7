"""What lies within the banks: places of cells that show none, as under dirt, or where a bank is no full rectangle.

A count is columns times rows. A bank of which a corner is missing, or that a strap parts, repeats like a whole one in
its other rows and columns; only its own places tell.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_frame import Frame
from dieplat.measurement.arrays_places import BankLattice, Rectangle, lattice_of, likeness, line, share

Matrix = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

UNLIKE = 0.7
"""Correlation with the mean cell, as a share of the bank's median place, below which a place shows no cell. Of 19 000
places of clean invented arrays of 4 px and more, 8 were below that (0.04 %), and where drivers stood for cells nearly
all (the limit is a choice of ours, no source)."""
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
        unlike, outside = _unlike(bank)
        if _deep(outside).any():
            raise NotFullError(
                f"memory array: the outline leaves out {outside.sum()} cells of a bank of {outside.shape[1]} x "
                f"{outside.shape[0]}, so it is no full rectangle; draw each rectangular part as an array of its own"
            )
        for group in _groups(_deep(unlike)):
            if _takes_a_part(group, unlike.shape):
                raise NotFullError(
                    f"memory array: {group.sum()} places of a bank of {unlike.shape[1]} x {unlike.shape[0]} cells, at "
                    "a corner or from side to side, show no cell; draw each rectangular part as an array of its own, "
                    "or photograph it clean if something lies there"
                )
        count += sum(int(group.sum()) for group in _groups(unlike) if group.sum() >= FEWEST)
    return count


def said_of_unseen(count: int) -> list[str]:
    """The remark on places that count as cells though they show none."""
    if not count:
        return []
    return [f"{count} of the cells counted show no cell; look whether dirt lies there, or something that is no cell"]


def _unlike(bank: BankLattice) -> tuple[BoolArray, BoolArray]:
    """Which places (rows, columns) of a bank show no cell, and which the polygon leaves out."""
    seen, inside = [], []
    for row in range(bank.cells_along(1)):
        places = line(bank, 1, bank.low[1] + row * bank.cell[1])
        seen.append(likeness(bank, *places)[0])
        inside.append(share(bank.frame.mask, *places))
    correlation = np.array(seen)
    middle = float(np.median(correlation))
    scatter = 1.4826 * float(np.median(np.abs(correlation - middle)))
    outside = np.array(inside) < OUTSIDE
    return (correlation < min(UNLIKE * middle, middle - SCATTER * scatter)) | outside, outside


def _deep(places: BoolArray) -> BoolArray:
    """Those that are part of two by two at least."""
    return np.asarray(ndimage.binary_opening(places, np.ones((2, 2), dtype=bool)))


def _groups(places: BoolArray) -> list[BoolArray]:
    """What hangs together, side by side."""
    numbers, count = ndimage.label(places)
    return [numbers == number + 1 for number in range(count)]


def _takes_a_part(group: BoolArray, shape: tuple[int, ...]) -> bool:
    """Whether a group is a rectangle at a corner, or from one side to the opposite one."""
    rows, columns = np.flatnonzero(group.any(axis=1)), np.flatnonzero(group.any(axis=0))
    top, bottom = rows[0] == 0, rows[-1] == shape[0] - 1
    left, right = columns[0] == 0, columns[-1] == shape[1] - 1
    box = (rows[-1] - rows[0] + 1) * (columns[-1] - columns[0] + 1)
    at_corner = (top or bottom) and (left or right)
    across = (top and bottom) or (left and right)
    return bool(group.sum() >= FULL * box and (at_corner or across))
