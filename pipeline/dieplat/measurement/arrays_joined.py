"""Banks together: one bank seen as two is joined; what cannot be told, or contradicts its neighbours, is refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from dieplat.errors import UndecidedError

SAME = 0.35
"""Cells by which a bank's edge may be misplaced (the limit that the tests hold), so up to which two banks touch."""
NARROWEST = 0.7
"""Cells of gap from which banks are surely apart: twice that."""
SEEN_GAP = SAME
"""Cells that hold the pattern of neither bank, wherever their edges lie, from which a narrower gap is believed as well:
what one edge may be misplaced by beyond the interval that the picture leaves it."""
OUT_OF_STEP = 0.15
"""Cells from a whole number by which banks are moved against one another that no single bank explains: steps between
banks' mean periods are right to 0.01 cells on invented arrays, and tiles fit together to 0.1 (a choice of ours, no
source)."""

IN_STEP = 0.02
"""Cells by which banks that are parts of one may be out of step: steps are right to 0.001 cells on invented arrays, and
tiles meet to some hundredths of a pixel (a choice of ours, no source)."""
HIDDEN = 3
"""Cells, one beside the other, that a hair may hide (a choice of ours, no source)."""

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class PlacedBank:
    """A bank in cells of one lattice: where its first cell begins, and how many columns and rows it has.

    `reach` (left, top, right, bottom) is the farthest that the picture lets its edges lie; by `SAME` if not given.
    `step` (x, y) is where its pattern lies against that of another bank, the same for all, modulo a cell.
    `cut` (x, y) says along which axes the polygon cuts it, so that what is counted is no whole bank.
    """

    left: float
    top: float
    columns: int
    rows: int
    reach: Bounds | None = None
    step: tuple[float, float] | None = None
    cut: tuple[bool, bool] = (False, False)

    @property
    def right(self) -> float:
        """Where its last column ends."""
        return self.left + self.columns

    @property
    def bottom(self) -> float:
        """Where its last row ends."""
        return self.top + self.rows

    @property
    def farthest(self) -> Bounds:
        """The farthest that its edges may lie."""
        if self.reach is not None:
            return self.reach
        return self.left - SAME, self.top - SAME, self.right + SAME, self.bottom + SAME


def joined(banks: Sequence[PlacedBank], *, counted: bool = True) -> list[PlacedBank]:
    """Join banks of equal width or height that touch without any gap.

    Raises
    ------
    UndecidedError
        If banks overlap or have a gap between them that is too narrow to be told from none. Where they are `counted`,
        also if two that lie side by side or one above the other differ by a single column or row, as a miscount makes
        them (but where the polygon cuts one), or if banks look like some under a hair.
    """
    left = list(banks)
    while (pair := _touching(left)) is not None:
        one, other = pair
        left = [bank for bank in left if bank not in pair]
        left.append(_together(one, other))
    for one, other in combinations(left, 2):
        across, down = _gaps(one, other)
        if max(across, down) < NARROWEST and _seen_gap(one, other) < SEEN_GAP and not _out_of_step(one, other):
            raise UndecidedError(
                "memory array: neighbouring banks cannot be told apart at their strap; measure them one by one"
            )
    if counted:
        _refuse_nearly_equal(left)
        _refuse_parted(left)
        _refuse_covered(left)
    return sorted(left, key=lambda bank: (round(bank.top), bank.left))


def _refuse_parted(banks: Sequence[PlacedBank]) -> None:
    """Refuse what a hair across a bank leaves of it: two banks in step, some whole cells apart, where not all in line
    with them are as large. Straps may be as wide as whole cells, between equal banks, or several alike; but not where
    the two and what lies between are just as large as another bank."""
    for axis in (0, 1):
        parted = [pair for pair in combinations(banks, 2) if _parts_of_one(*pair, axis)]
        for one, other in parted:
            beside = _in_line(one, banks, axis)
            alike = [pair for pair in parted if all(bank in beside for bank in pair)]
            sizes = {_size(bank, axis) for bank in beside}
            cells = round(_gaps(one, other)[axis])
            whole = _size(one, axis) + cells + _size(other, axis)
            if len(sizes) > 1 and (len(alike) == 1 or whole in sizes):
                raise UndecidedError(
                    f"memory array: along {'xy'[axis]} banks of unlike size are in step just {cells} "
                    f"cell{'s' * (cells > 1)} apart, so something may lie over cells between; measure them one by one"
                )


def _refuse_covered(banks: Sequence[PlacedBank]) -> None:
    """Refuse a bank that is some cells smaller than another in line with it, beside a gap that is wider by as many."""
    for axis in (0, 1):
        for bank in banks:
            gaps = [(_gaps(*pair)[axis], bank in pair) for pair in _neighbours(_in_line(bank, banks, axis), axis)]
            for cells in _fewer(bank, banks, axis):
                wider = [mine - other for mine, beside in gaps if beside for other, _ in gaps]
                if any(abs(more - cells) < SAME for more in wider):
                    raise UndecidedError(
                        f"memory array: along {'xy'[axis]} a bank has {cells} cell{'s' * (cells > 1)} fewer than the "
                        "others, and the gap beside it is wider by as many, so something may lie over cells there; "
                        "photograph it clean, or measure the banks one by one"
                    )


def _in_line(bank: PlacedBank, banks: Sequence[PlacedBank], axis: int) -> list[PlacedBank]:
    """Banks beside one along an axis, and itself, in their order."""
    beside = [other for other in banks if other is bank or _gaps(bank, other)[1 - axis] < 0.0]
    return sorted(beside, key=lambda other: (other.left, other.top)[axis])


def _neighbours(line: Sequence[PlacedBank], axis: int) -> list[tuple[PlacedBank, PlacedBank]]:
    """Pairs of banks next to one another in a line."""
    return [pair for pair in pairwise(line) if _gaps(*pair)[axis] > 0.0]


def _fewer(bank: PlacedBank, banks: Sequence[PlacedBank], axis: int) -> set[int]:
    """By how many cells a bank is smaller than others in line with it, where a hair may hide as many."""
    differences = {_size(other, axis) - _size(bank, axis) for other in _in_line(bank, banks, axis)}
    return {cells for cells in differences if 1 <= cells <= HIDDEN}


def said_of_sizes(banks: Sequence[PlacedBank]) -> list[str]:
    """The remark on banks in line that differ by so few cells that something may cover them."""
    found = []
    for axis, what in enumerate(("columns", "rows")):
        short = [bank for bank in banks if _fewer(bank, banks, axis)]
        if short:
            sizes = sorted({_size(bank, axis) for one in short for bank in _in_line(one, banks, axis)})
            found.append(
                f"banks in line hold {' and '.join(map(str, sizes))} {what}; look whether they differ, or something "
                "covers cells there"
            )
    return found


def said_of_steps(banks: Sequence[PlacedBank]) -> list[str]:
    """The remark on banks that stand as one bank under a hair would be seen: in step, and a few whole cells apart."""
    found = []
    for axis, what in enumerate(("columns", "rows")):
        gaps = {round(_gaps(*pair)[axis]) for pair in combinations(banks, 2) if _parts_of_one(*pair, axis)}
        if gaps:
            apart = " or ".join(str(gap) for gap in sorted(gaps))
            unit = what if max(gaps) > 1 else what[:-1]
            found.append(
                f"banks are in step, just {apart} {unit} apart, as straps of that width leave them; look whether it is "
                "a strap, or something covers cells there"
            )
    return found


def _size(bank: PlacedBank, axis: int) -> int:
    return (bank.columns, bank.rows)[axis]


def _parts_of_one(one: PlacedBank, other: PlacedBank, axis: int) -> bool:
    """Whether banks in line along an axis are in step, and a few whole cells apart."""
    if one.step is None or other.step is None:
        return False
    gaps = _gaps(one, other)
    moved, cells = one.step[axis] - other.step[axis], round(gaps[axis])
    in_step = abs(moved - round(moved)) < IN_STEP and abs(gaps[axis] - cells) < SAME
    return in_step and 1 <= cells <= HIDDEN and gaps[1 - axis] < 0.0


def _gaps(one: PlacedBank, other: PlacedBank) -> tuple[float, float]:
    """Distances between two banks along x and y; negative where they overlap."""
    return _gap(one.left, one.right, other.left, other.right), _gap(one.top, one.bottom, other.top, other.bottom)


def _together(one: PlacedBank, other: PlacedBank) -> PlacedBank:
    a, b = one.farthest, other.farthest
    reach = (min(a[0], b[0]), min(a[1], b[1]), max(a[2], b[2]), max(a[3], b[3]))
    return PlacedBank(
        min(one.left, other.left),
        min(one.top, other.top),
        one.columns if _aligned(one, other) else one.columns + other.columns,
        one.rows + other.rows if _aligned(one, other) else one.rows,
        None if one.reach is None or other.reach is None else reach,
        one.step,
        (one.cut[0] or other.cut[0], one.cut[1] or other.cut[1]),
    )


def _seen_gap(one: PlacedBank, other: PlacedBank) -> float:
    """Cells between two banks, wherever their edges lie."""
    return max(_seen_gaps(one, other))


def _seen_gaps(one: PlacedBank, other: PlacedBank) -> tuple[float, float]:
    a, b = one.farthest, other.farthest
    return _gap(a[0], a[2], b[0], b[2]), _gap(a[1], a[3], b[1], b[3])


def _out_of_step(one: PlacedBank, other: PlacedBank) -> bool:
    """Whether the patterns of two banks, whose edges do not meet wherever they lie, are moved against one another by a
    part of a cell, and the gap as placed is that part and whole cells: it then is no bank's, however narrow."""
    if one.step is None or other.step is None:
        return False
    seen = _seen_gaps(one, other)
    axis = seen.index(max(seen))
    step = other.step[axis] - one.step[axis]
    if (other.left, other.top)[axis] > (one.left, one.top)[axis]:
        gap = (other.left - one.right, other.top - one.bottom)[axis]
    else:
        step, gap = -step, (one.left - other.right, one.top - other.bottom)[axis]
    moved, missed = (abs(value - round(value)) for value in (step, gap - step))
    return seen[axis] > 0.0 and moved > OUT_OF_STEP and missed < SAME


def _refuse_nearly_equal(banks: Sequence[PlacedBank]) -> None:
    """Refuse two that lie side by side or one above the other, over half of the smaller, and differ by one."""
    for one, other in combinations(banks, 2):
        across, down = _gaps(one, other)
        stacked, level = across < -0.5 * min(one.columns, other.columns), down < -0.5 * min(one.rows, other.rows)
        for axis, what in enumerate(("columns", "rows")):
            sizes = _size(one, axis), _size(other, axis)
            cut = one.cut[axis] or other.cut[axis]
            if (stacked or level) and abs(sizes[0] - sizes[1]) == 1 and not cut:
                where = "one above the other" if stacked else "side by side"
                raise UndecidedError(
                    f"memory array: banks {where} seem to have {sizes[0]} and {sizes[1]} {what}, so one of them may be "
                    "miscounted; measure them one by one"
                )


def _touching(banks: Sequence[PlacedBank]) -> tuple[PlacedBank, PlacedBank] | None:
    """Two banks that are one: one above the other with equal columns, or, if there are none, side by side with equal
    rows. One direction first, or a grid of parts could end as brickwork."""
    pairs = list(combinations(banks, 2))
    for one, other in pairs:
        if _aligned(one, other) and abs(_gap(one.top, one.bottom, other.top, other.bottom)) < SAME:
            return one, other
    for one, other in pairs:
        level = abs(one.top - other.top) < SAME and one.rows == other.rows
        if level and abs(_gap(one.left, one.right, other.left, other.right)) < SAME:
            return one, other
    return None


def _aligned(one: PlacedBank, other: PlacedBank) -> bool:
    return abs(one.left - other.left) < SAME and one.columns == other.columns


def _gap(a0: float, a1: float, b0: float, b1: float) -> float:
    """Distance between two intervals; negative where they overlap."""
    return max(a0, b0) - min(a1, b1)
