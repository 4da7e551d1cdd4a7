"""What of a tile need not be resampled, since its neighbours show it in any case.

Where two tiles overlap widely a seam does not need the whole width: either tile gives up the outer part of it, as
if it were smaller, and what is never made costs neither time nor memory.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dieplat.blending.place import Box, is_beside, is_diagonal

KEPT_PX = 160
"""So much of an overlap stays: a hundred pixels for the seam to wander in, besides the strips that it keeps off."""

_AROUND_PX = 32
"""A part is only given up where it and so much around it is covered without it: more than any fade is wide."""


def trimmed(boxes: Sequence[Box], mosaic: Box) -> list[Box]:
    """Every tile's rectangle without what its neighbours cover amply.

    All together cover what they covered before. Neighbours still overlap by `KEPT_PX`, or as before if that is less.

    Parameters
    ----------
    boxes : sequence of Box
        Where the tiles lie in the mosaic.
    mosaic : Box
        The whole of it; beyond it nothing need be covered.
    """
    table, now = np.array(boxes).reshape(-1, 4), list(boxes)
    for index, box in enumerate(boxes):
        reach = box.grown(_AROUND_PX)
        meets = (table[:, :2] < reach[2:]) & (table[:, 2:] > reach[:2])
        others = [number for number in np.flatnonzero(meets.all(axis=1)).tolist() if number != index]
        for side, by in enumerate(_excess(box, [boxes[number] for number in others])):
            here = now[index]
            kept = [*here]
            kept[side] += by if side < 2 else -by
            rest, gone = Box(*kept), [*here]
            gone[(side + 2) % 4] = kept[side]
            if by > 0 and is_covered(
                Box(*gone).grown(_AROUND_PX).cut(mosaic), [rest, *(now[number] for number in others)]
            ):
                now[index] = rest
    return now


def _excess(box: Box, others: Sequence[Box]) -> tuple[int, int, int, int]:
    """How much may go at the left, top, right and bottom so that half of what is too much of any overlap there goes."""
    overlaps: tuple[list[int], ...] = ([], [], [], [])
    for other in others:
        common = box.cut(other)
        if common.is_empty or is_diagonal(box, other):
            continue
        if is_beside(box, other):
            overlaps[0 if other.x0 < box.x0 else 2].append(common.x1 - common.x0)
        else:
            overlaps[1 if other.y0 < box.y0 else 3].append(common.y1 - common.y0)
    left, top, right, bottom = (max(min(widths, default=0) - KEPT_PX, 0) // 2 for widths in overlaps)
    return left, top, right, bottom


def is_covered(box: Box, others: Sequence[Box]) -> bool:
    """Whether every pixel of the box lies in one of the others."""
    if box.is_empty:
        return True
    for number, other in enumerate(others):
        common = box.cut(other)
        if common.is_empty:
            continue
        left = (
            Box(box.x0, box.y0, box.x1, common.y0),
            Box(box.x0, common.y1, box.x1, box.y1),
            Box(box.x0, common.y0, common.x0, common.y1),
            Box(common.x1, common.y0, box.x1, common.y1),
        )
        return all(is_covered(part, others[number + 1 :]) for part in left)
    return False
