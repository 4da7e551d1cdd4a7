"""What lies within the banks: places of cells that show none, as under dirt, or where a bank is no full rectangle.

A count is columns times rows. A bank of which a corner is missing, or that a strap parts, repeats like a whole one in
its other rows and columns; only its own places tell.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_places import BankLattice, likeness_of, patterns, samples_of, share

Matrix = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

UNLIKE = 0.7
"""Correlation with the mean cell, as a share of the bank's median place, below which a place is unlike the others. Of
19 000 places of clean invented arrays of 4 px and more, 8 were (0.04 %), and where drivers stood for cells nearly all
(the limit is a choice of ours, no source)."""
GONE = 0.5
"""The same, in the mean of unlike places side by side, below which they show no cell: 0.4 and less where drivers stood
for cells (the limit is a choice of ours, no source)."""
FAINT = 1.3
"""Standard deviations of a chance correlation that the limit must lie above 0: one place in ten that shows no cell is
above (normal distribution, from memory)."""
CONTENT = 0.1
"""Share of a bank's other places that may be unlike: of more, cells differ by what they hold, as in a read-only memory
(a choice of ours, no source)."""
OUTSIDE, WHOLLY = 0.5, 0.1
"""Share of a place within the polygon below which the outline leaves it out, and below which it does so on purpose
(choices of ours, no source)."""
GRAIN = 4
"""Places, one beside the other, from which it is said that they show no cell: fewer are grains of dust, but at a corner
or from side to side (a choice of ours, no source)."""
NAMED = 3
"""Groups of such places whose place is told, the largest ones."""
FULL, MOST = 0.8, 0.6
"""Share of its bounding box from which what shows no cell, two places deep at least, is a rectangle; an ellipse fills
0.79. At a corner less will do: drivers may be like cells in part (choices of ours, no source)."""


PARTS = (
    "draw each rectangular part as an array of its own, the side between them on the border of the cells and all "
    "others a few pixels outside"
)


class NotFullError(UndecidedError):
    """A bank is no full rectangle of cells: leaving dirt out of the picture must not be tried, for it fills gaps."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Of every place (rows, columns) of a bank: its correlation with the mean cell as a share of the median place,
    whether that is unlike, and whether the polygon leaves it out; whether it leaves any out wholly. `told` is false
    where cells are too faint for it."""

    bank: BankLattice
    likeness: Matrix
    unlike: BoolArray
    outside: BoolArray
    wholly: bool
    told: bool


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Places of a bank that hang together: `places` is their bounding box, whose first one is at (row, column)."""

    bank: BankLattice
    row: int
    column: int
    places: BoolArray

    @property
    def size(self) -> int:
        return int(self.places.sum())

    @property
    def at_corner(self) -> bool:
        """Whether it holds a corner of its bank."""
        (first_row, last_row), (first_column, last_column) = self._ends
        corners = np.outer([first_row, last_row], [first_column, last_column])
        return bool((self.places[np.ix_([0, -1], [0, -1])] & corners).any())

    @property
    def across(self) -> bool:
        """Whether it runs from one side to the opposite one, over more places than a grain covers."""
        lengths = self.bank.size[::-1]
        return any(all(end) and length >= GRAIN for end, length in zip(self._ends, lengths, strict=True))

    @property
    def _ends(self) -> tuple[tuple[bool, bool], tuple[bool, bool]]:
        """Whether it reaches the first and the last row, and the first and the last column."""
        (height, width), (columns, rows) = self.places.shape, self.bank.size
        return (self.row == 0, self.row + height == rows), (self.column == 0, self.column + width == columns)

    def fills(self, part: float) -> bool:
        """Whether it is at least so much of its bounding box, which is two by two at least."""
        return min(self.places.shape) > 1 and self.size >= max(GRAIN, part * self.places.size)

    def near(self, origin_px: tuple[float, float]) -> str:
        """Where its middle lies in the mosaic."""
        rows, columns = np.nonzero(self.places)
        x, y = self.bank.to_image(self.column + columns.mean() + 0.5, self.row + rows.mean() + 0.5) + origin_px
        return f"near x {x:.0f}, y {y:.0f} px"

    def deep(self) -> Iterator[_Group]:
        """Its parts that are two by two at least throughout."""
        opened = ndimage.binary_opening(self.places, np.ones((2, 2), dtype=bool))
        for part in _groups(opened, self.bank):
            yield _Group(self.bank, self.row + part.row, self.column + part.column, part.places)


def said_of_inside(banks: Sequence[BankLattice], origin_px: tuple[float, float]) -> list[str]:
    """Remarks on what the places within the banks show; `origin_px` is the picture's corner in the mosaic.

    Raises
    ------
    NotFullError
        If a rectangle of places without cells takes a bank's corner or runs from side to side, or the outline leaves
        one out.
    """
    covered: list[_Group] = []
    left_out, wholly, unsure = 0, False, False
    for bank in banks:
        seen = _look(bank)
        left_out, wholly = left_out + int(seen.outside.sum()), wholly or seen.wholly
        for group in _groups(seen.outside, bank):
            _refuse_left_out(group, origin_px)
        groups = _gone(seen) if seen.told else []
        others = int(seen.unlike.sum()) - sum(group.size for group in groups)
        if not seen.told or others > max(GRAIN, CONTENT * seen.unlike.size):
            unsure = True
            continue
        for group in groups:
            _refuse_part(group, origin_px)
        covered += groups
    remarks = _said_of_covered(covered, origin_px)
    if left_out >= GRAIN or wholly:
        remarks.append(
            f"the outline leaves out {left_out} of the cells counted; draw it outside them if they are cells, else "
            "draw each rectangular part as an array of its own"
        )
    if unsure:
        remarks.append(
            "cells are too faint or too unlike one another to see whether any is missing; look whether every bank is a "
            "full rectangle of cells"
        )
    return remarks


def _look(bank: BankLattice) -> _Seen:
    """Compare every place with the mean of the others."""
    columns, alike = np.arange(bank.size[0]), bank.alike
    rows_seen, rows_inside = [], []
    for row in range(bank.size[1]):
        places = samples_of(bank, columns, np.full_like(columns, row))
        seen, mean = patterns(bank, *places)
        others = mean - (seen - mean) / (alike - 1) if alike > 1 else mean
        rows_seen.append(likeness_of(seen, others)[0])
        rows_inside.append(share(bank.frame.mask, *places))
    correlation, inside = np.array(rows_seen), np.array(rows_inside)
    middle = float(np.median(correlation))
    limit = UNLIKE * middle
    told = alike > 1 and limit > FAINT * bank.chance
    likeness = correlation / max(middle, 1e-12)
    return _Seen(bank, likeness, correlation < limit, inside < OUTSIDE, bool((inside < WHOLLY).any()), bool(told))


def _said_of_covered(groups: Sequence[_Group], origin_px: tuple[float, float]) -> list[str]:
    if not groups:
        return []
    largest = sorted(groups, key=lambda group: -group.size)[:NAMED]
    where = "; ".join(group.near(origin_px) for group in largest)
    more = f"; {len(groups) - NAMED} more places" if len(groups) > NAMED else ""
    return [
        f"{sum(group.size for group in groups)} of the cells counted show no cell ({where}{more}); look whether dirt "
        "lies there, or something that is no cell"
    ]


def _groups(places: BoolArray, bank: BankLattice) -> Iterator[_Group]:
    """What hangs together, side by side."""
    numbers, _ = ndimage.label(places)
    for number, (rows, columns) in enumerate(ndimage.find_objects(numbers), start=1):
        yield _Group(bank, rows.start, columns.start, numbers[rows, columns] == number)


def _gone(seen: _Seen) -> list[_Group]:
    """Groups of places that on the whole show no cell: larger than grains of dust, or where parts of banks end."""
    found = []
    for group in _groups(seen.unlike, seen.bank):
        height, width = group.places.shape
        likeness = seen.likeness[group.row : group.row + height, group.column : group.column + width]
        ends = group.size > 1 and (group.at_corner or group.across)
        if (group.size >= GRAIN or ends) and float(likeness[group.places].mean()) < GONE:
            found.append(group)
    return found


def _refuse_left_out(group: _Group, origin_px: tuple[float, float]) -> None:
    """Refuse an outline around an L. A slanted one cuts a wedge, of which a remark speaks."""
    for part in group.deep():
        if part.fills(FULL) and part.size >= FULL * group.places.size:
            raise NotFullError(
                f"memory array: the outline leaves out {part.size} cells of a bank of {_dimensions(part.bank)}, "
                f"{part.near(origin_px)}; {PARTS}"
            )


def _refuse_part(group: _Group, origin_px: tuple[float, float]) -> None:
    for part in (group, *group.deep()):
        corner = part.at_corner and part.fills(MOST)
        if corner or (part.across and part.fills(FULL)):
            where = "at a corner" if corner else "from side to side"
            raise NotFullError(
                f"memory array: {part.size} places of a bank of {_dimensions(part.bank)} cells show no cell, {where} "
                f"{part.near(origin_px)}; {PARTS}, or photograph it clean if something lies there"
            )


def _dimensions(bank: BankLattice) -> str:
    return f"{bank.size[0]} x {bank.size[1]}"
