"""What lies beside the banks: cells that no bank holds, as under a hair, and room for cells that shows none.

A hair along a bank's edge looks like the bank's end. Cells that are seen beyond it give it away; where it hides all of
them, only the room that it leaves within the outline does.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_places import BankLattice, Indices, likeness_of, patterns, samples_of, share

BoolArray = npt.NDArray[np.bool_]

LIKE = 0.8
"""Correlation with the bank's mean cell, as a share of that of its own edge cells, from which a place beyond shows a
cell. On 30 clean invented arrays no place did; under painted hairs cells had 0.88 and more (the limit is a choice of
ours, no source)."""
CHANCE = 4.5
"""Standard deviations of a chance correlation (`BankLattice.chance`) that such a place must exceed as well: noise
that is independent from pixel to pixel does so at 3 places in a million (normal distribution, from memory)."""
CONTRAST = 2.0
"""Times by which such a cell's contrast may differ from the mean cell's (a choice of ours, no source)."""
FEWEST = 0.03
"""Share of the places along an edge, and one at least, that must show a cell (a choice of ours, no source)."""
SEEN, TAKEN = 0.8, 0.2
"""Shares of a place that must lie inside the polygon, and that may lie in a bank (choices of ours, no source)."""
_SIDES = ((0, -1, "left"), (0, 1, "right"), (1, -1, "above"), (1, 1, "below"))


def room_beside(banks: Sequence[BankLattice]) -> dict[str, int]:
    """Room between the banks and the outline in which no cells are seen, in whole cells, by where it lies.

    Raises
    ------
    UndecidedError
        If cells are seen beside a bank that belong to none.
    """
    taken = np.zeros(banks[0].frame.picture.shape, dtype=bool)
    for bank in banks:
        (left, top), (right, bottom) = bank.low, bank.high
        taken[max(top, 0) : max(bottom, 0), max(left, 0) : max(right, 0)] = True
    found: dict[str, int] = {}
    for bank in banks:
        for axis, sign, where in _SIDES:
            found[where] = max(found.get(where, 0), _room(bank, taken, axis, sign, where))
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


def _room(bank: BankLattice, taken: BoolArray, axis: int, sign: int, where: str) -> int:
    """Cells of room beside a bank up to the outline; none if another bank comes first."""
    last = bank.size[axis] - 1 if sign > 0 else 0
    own = float(np.median(likeness_of(*patterns(bank, *_line(bank, axis, last)))[0]))
    chance = CHANCE * bank.chance
    step = 0
    while True:
        rows, columns = _line(bank, axis, last + (step + 1) * sign)
        inside = share(bank.frame.mask, rows, columns) >= SEEN
        free = inside & (share(taken, rows, columns) <= TAKEN)
        if 2 * free.sum() <= len(free):
            return 0 if 2 * inside.sum() > len(inside) else step
        correlation, contrast = likeness_of(*patterns(bank, rows[free], columns[free]))
        like = (correlation > max(LIKE * own, chance)) & (contrast < CONTRAST) & (contrast > 1.0 / CONTRAST)
        if like.sum() >= max(1.0, FEWEST * len(free)):
            raise UndecidedError(
                f"memory array: beyond a bank's edge ({where}) more cells are seen, so something may lie over cells "
                "between; photograph it clean, or draw the polygon around what is free and count the rest by eye"
            )
        step += 1


def _line(bank: BankLattice, axis: int, place: int) -> tuple[Indices, Indices]:
    """Samples of all places in one column (axis 0) or row (axis 1) of a bank or beyond it."""
    along = np.arange(bank.size[1 - axis])
    across = np.full_like(along, place)
    return samples_of(bank, across, along) if axis == 0 else samples_of(bank, along, across)
