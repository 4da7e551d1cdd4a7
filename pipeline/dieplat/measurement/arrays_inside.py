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
SCATTER = 4.5
"""Standard deviations of the places' own scatter that such a place must lie below the median as well."""
GONE = 0.5
"""The same, in the mean of unlike places side by side, below which they show no cell: 0.4 and less where drivers stood
for cells (the limit is a choice of ours, no source)."""
FAINT = 1.3
"""Standard deviations of a chance correlation, 1 / sqrt(pixels of a cell), that unlike places may have at least: with a
lower limit one in ten that shows no cell would pass (normal distribution, from memory)."""
CONTENT = 0.03
"""Share of a bank's other places that may be unlike: of more, cells differ by what they hold, as in a read-only memory
(a choice of ours, no source)."""
OUTSIDE = 0.5
"""Share of a place within the polygon below which the outline leaves it out (a choice of ours, no source)."""
GRAIN = 4
"""Places, one beside the other, from which it is said that they show no cell: fewer are grains of dust, but at a corner
or from side to side (a choice of ours, no source)."""
FULL = 0.8
"""Share of its bounding box from which what shows no cell, two places deep at least, is a rectangle; an ellipse fills
0.79 (a choice of ours, no source)."""


class NotFullError(UndecidedError):
    """A bank is no full rectangle of cells, which a picture without dirt would only hide."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """Of every place (rows, columns) of a bank: its correlation with the mean cell as a share of the median place,
    whether that is unlike, and whether the polygon leaves it out. `told` is false where cells are too faint for it."""

    bank: BankLattice
    likeness: Matrix
    unlike: BoolArray
    outside: BoolArray
    told: bool


def said_of_inside(banks: Sequence[BankLattice], origin_px: tuple[float, float]) -> list[str]:
    """Remarks on what the places within the banks show; `origin_px` is the picture's corner in the mosaic.

    Raises
    ------
    NotFullError
        If a rectangle of places without cells takes a bank's corner or runs from side to side, or the outline leaves
        one out.
    """
    remarks, left_out, unsure = [], 0, False
    for bank in banks:
        seen = _look(bank)
        left_out += int(seen.outside.sum())
        _refuse_left_out(seen, origin_px)
        groups = list(_gone(seen)) if seen.told else []
        covered = np.any(groups, axis=0) if groups else np.zeros_like(seen.unlike)
        others = int((seen.unlike & ~covered).sum())
        if not seen.told or others > max(GRAIN, CONTENT * seen.unlike.size):
            unsure = True
            continue
        for group in groups:
            _refuse_part(group, bank, origin_px)
            remarks.append(
                f"{group.sum()} of the cells counted show no cell, {_near(group, bank, origin_px)}; look whether dirt "
                "lies there, or something that is no cell"
            )
    if left_out >= GRAIN:
        remarks.append(
            f"the outline leaves out {left_out} of the cells counted; draw it a few pixels outside the cells"
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
    correlation, outside = np.array(rows_seen), np.array(rows_inside) < OUTSIDE
    middle = float(np.median(correlation))
    scatter = 1.4826 * float(np.median(np.abs(correlation - middle)))
    limit = min(UNLIKE * middle, middle - SCATTER * scatter)
    told = alike > 1 and limit > FAINT / np.sqrt(max(bank.pixels, 1.0))
    return _Seen(bank, correlation / max(middle, 1e-12), correlation < limit, outside, bool(told))


def _gone(seen: _Seen) -> Iterator[BoolArray]:
    """Groups of places, side by side, that on the whole show no cell."""
    numbers, count = ndimage.label(seen.unlike)
    sizes = np.bincount(numbers.ravel(), minlength=count + 1)
    means = np.bincount(numbers.ravel(), seen.likeness.ravel(), minlength=count + 1) / np.maximum(sizes, 1)
    for number in 1 + np.flatnonzero((sizes[1:] > 1) & (means[1:] < GONE)):
        group = numbers == number
        if sizes[number] >= GRAIN or any(_lies(group)):
            yield group


def _refuse_left_out(seen: _Seen, origin_px: tuple[float, float]) -> None:
    """Refuse an outline around an L; a slanted one cuts a wedge, of which a remark speaks."""
    numbers, count = ndimage.label(_deep(seen.outside))
    for number in range(1, count + 1):
        group = numbers == number
        if _fills(group):
            raise NotFullError(
                f"memory array: the outline leaves out {group.sum()} cells of a bank of {_size(group)}, "
                f"{_near(group, seen.bank, origin_px)}; draw each rectangular part as an array of its own"
            )


def _refuse_part(group: BoolArray, bank: BankLattice, origin_px: tuple[float, float]) -> None:
    deep = _deep(group)
    if deep.any() and _fills(deep) and any(_lies(deep)):
        corner, _ = _lies(deep)
        where = "at a corner" if corner else "from side to side"
        raise NotFullError(
            f"memory array: {deep.sum()} places of a bank of {_size(group)} cells show no cell, {where} "
            f"{_near(group, bank, origin_px)}; draw each rectangular part as an array of its own, or photograph it "
            "clean if something lies there"
        )


def _deep(places: BoolArray) -> BoolArray:
    """Those that are part of two by two at least."""
    return np.asarray(ndimage.binary_opening(places, np.ones((2, 2), dtype=bool)))


def _fills(group: BoolArray) -> bool:
    """Whether a group is nearly all of its bounding box."""
    box = np.prod([np.ptp(np.flatnonzero(group.any(axis=axis))) + 1 for axis in (0, 1)])
    return bool(group.sum() >= FULL * box)


def _lies(group: BoolArray) -> tuple[bool, bool]:
    """Whether a group holds a corner of its bank, and whether it runs from one side to the opposite one, over as many
    places as no grain covers."""
    rows, columns = np.flatnonzero(group.any(axis=1)), np.flatnonzero(group.any(axis=0))
    ends = [(line[0] == 0, line[-1] == length - 1) for line, length in zip((rows, columns), group.shape, strict=True)]
    across = any(all(end) and length >= GRAIN for end, length in zip(ends, group.shape, strict=True))
    return bool(group[[0, 0, -1, -1], [0, -1, 0, -1]].any()), across


def _size(places: BoolArray) -> str:
    return f"{places.shape[1]} x {places.shape[0]}"


def _near(group: BoolArray, bank: BankLattice, origin_px: tuple[float, float]) -> str:
    """Where the middle of a group lies in the mosaic."""
    row, column = (float(place.mean()) + 0.5 for place in np.nonzero(group))
    x, y = bank.to_image(column, row) + origin_px
    return f"near x {x:.0f}, y {y:.0f} px"
