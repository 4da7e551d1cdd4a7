"""What lies beside the banks: cells that no bank holds, as under a hair, and room for cells that shows none.

A hair along a bank's edge looks like the bank's end. Cells that are seen beyond it give it away; where it hides all of
them, only the room that it leaves within the outline does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_frame import Frame

Matrix = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]
Rectangle = tuple[float, float, float, float]

LIKE = 0.8
"""Correlation with the bank's mean cell, as a share of that of its own edge cells, from which a place beyond shows a
cell. On 30 clean invented arrays no place did; under painted hairs cells had 0.88 and more (the limit is a choice of
ours, no source)."""
CHANCE = 4.5
"""Standard deviations of a chance correlation, 1 / sqrt(pixels of a cell), that such a place must exceed as well: noise
that is independent from pixel to pixel does so at 3 places in a million (normal distribution, from memory)."""
CONTRAST = 2.0
"""Times by which such a cell's contrast may differ from the mean cell's (a choice of ours, no source)."""
FEWEST = 0.03
"""Share of the places along an edge, and one at least, that must show a cell (a choice of ours, no source)."""
SEEN, TAKEN = 0.8, 0.2
"""Shares of a place that must lie inside the polygon, and that may lie in a bank (choices of ours, no source)."""
_SIDES = ((0, -1, "left"), (0, 1, "right"), (1, -1, "above"), (1, 1, "below"))


@dataclass(frozen=True, slots=True, eq=False)
class _Bank:
    """A bank on the frame: its rectangle and a cell in whole samples (x, y), its mean period (n_y, n_x) by the frame's
    phase, and all banks' samples."""

    frame: Frame
    low: tuple[int, int]
    high: tuple[int, int]
    cell: tuple[int, int]
    period: Matrix
    taken: BoolArray


def room_beside(frame: Frame, rectangles: Sequence[Rectangle], cell: tuple[int, int]) -> dict[str, int]:
    """Room between the banks and the outline in which no cells are seen, in whole cells, by where it lies.

    rectangles : (left, top, right, bottom) of each bank, in samples of the frame; cell : samples (x, y) of a cell.

    Raises
    ------
    UndecidedError
        If cells are seen beside a bank that belong to none.
    """
    whole = [tuple(round(value) for value in rectangle) for rectangle in rectangles]
    taken = np.zeros(frame.picture.shape, dtype=bool)
    for left, top, right, bottom in whole:
        taken[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = True
    found: dict[str, int] = {}
    for left, top, right, bottom in whole:
        period = frame.mean_period(left, top, right, bottom)
        bank = _Bank(frame, (left, top), (right, bottom), cell, period, taken)
        for axis, sign, where in _SIDES:
            found[where] = max(found.get(where, 0), _room(bank, axis, sign, where))
    return {where: cells for where, cells in found.items() if cells}


def said_of_room(room: dict[str, int]) -> list[str]:
    """The remark on room for more cells than on the opposite side; a margin all around needs none."""
    opposite = {"left": "right", "right": "left", "above": "below", "below": "above"}
    room = {where: cells for where, cells in room.items() if cells > room.get(opposite[where], 0)}
    if not room:
        return []
    places = ", ".join(f"{cells} {where}" for where, cells in room.items())
    return [
        f"the outline has room for more cells beside those counted ({places}); look whether anything covers cells there"
    ]


def _room(bank: _Bank, axis: int, sign: int, where: str) -> int:
    """Cells of room beside a bank up to the outline; none if another bank comes first."""
    own = float(np.median(_likeness(bank, *_line(bank, axis, sign, -1))[0]))
    chance = CHANCE / math.sqrt(max(_pixels_of(bank), 1.0))
    step = 0
    while True:
        rows, columns = _line(bank, axis, sign, step)
        inside = _share(bank.frame.mask, rows, columns) >= SEEN
        free = inside & (_share(bank.taken, rows, columns) <= TAKEN)
        if 2 * free.sum() <= len(free):
            return 0 if 2 * inside.sum() > len(inside) else step
        correlation, contrast = _likeness(bank, rows[free], columns[free])
        like = (correlation > max(LIKE * own, chance)) & (contrast < CONTRAST) & (contrast > 1.0 / CONTRAST)
        if like.sum() >= max(1.0, FEWEST * len(free)):
            raise UndecidedError(
                f"memory array: beyond a bank's edge ({where}) more cells are seen, so something may lie over cells "
                "between; photograph it clean, or draw the polygon around what is free and count the rest by eye"
            )
        step += 1


def _line(bank: _Bank, axis: int, sign: int, step: int) -> tuple[Places, Places]:
    """Samples (rows (N, h, 1), columns (N, 1, w)) of the places of cells along a side, `step` cells beyond the first
    one outside."""
    size, other = bank.cell[axis], bank.cell[1 - axis]
    start = bank.high[axis] + step * size if sign > 0 else bank.low[axis] - (step + 1) * size
    count = max(round((bank.high[1 - axis] - bank.low[1 - axis]) / other), 1)
    along = bank.low[1 - axis] + other * np.arange(count)
    across = np.full(count, start)
    first_column, first_row = (across, along) if axis == 0 else (along, across)
    columns = first_column[:, None, None] + np.arange(bank.cell[0])[None, None, :]
    rows = first_row[:, None, None] + np.arange(bank.cell[1])[None, :, None]
    return rows, columns


def _share(plane: npt.NDArray[np.generic], rows: Places, columns: Places) -> Matrix:
    """Mean of a plane over each place (N,); nothing is there beyond the plane."""
    height, width = plane.shape
    there = (rows >= 0) & (rows < height) & (columns >= 0) & (columns < width)
    values = plane[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)] * there
    return np.asarray(values.mean(axis=(1, 2)), dtype=np.float64)


def _pixels_of(bank: _Bank) -> float:
    """Pixels of the picture in a cell."""
    x, y = bank.frame.step_x, bank.frame.step_y
    return abs(float(x[0] * y[1] - x[1] * y[0])) * bank.cell[0] * bank.cell[1]


def _likeness(bank: _Bank, rows: Places, columns: Places) -> tuple[Matrix, Matrix]:
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
