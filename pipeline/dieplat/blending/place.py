"""Rectangles of whole mosaic pixels, and which of them need a seam between them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Box(NamedTuple):
    """Columns x0 to x1 and rows y0 to y1, ends excluded."""

    x0: int
    y0: int
    x1: int
    y1: int

    @property
    def is_empty(self) -> bool:
        """Whether it holds no pixel."""
        return self.x0 >= self.x1 or self.y0 >= self.y1

    @property
    def cut_out(self) -> tuple[slice, slice]:
        """The index that takes it out of a picture (rows, columns)."""
        return slice(self.y0, self.y1), slice(self.x0, self.x1)

    def cut(self, other: Box) -> Box:
        """What both have in common; empty if nothing."""
        return Box(max(self.x0, other.x0), max(self.y0, other.y0), min(self.x1, other.x1), min(self.y1, other.y1))

    def moved(self, dx: int, dy: int) -> Box:
        """The same rectangle elsewhere."""
        return Box(self.x0 + dx, self.y0 + dy, self.x1 + dx, self.y1 + dy)

    def grown(self, by: int) -> Box:
        """Larger on every side."""
        return Box(self.x0 - by, self.y0 - by, self.x1 + by, self.y1 + by)


def parting(box: Box, painted: Sequence[Box]) -> list[Box]:
    """The neighbours that a tile needs a seam with.

    None is needed with a diagonal neighbour if the neighbours beside and above (or below) it on the same
    sides are there: their seams already part the corner, and one more would end in the open.
    """
    touching = [other for other in painted if not box.cut(other).is_empty]
    side = [other for other in touching if not is_diagonal(box, other)]
    beside = {_sign(other.x0 - box.x0) for other in side if is_beside(box, other)}
    above = {_sign(other.y0 - box.y0) for other in side if not is_beside(box, other)}
    return [
        other
        for other in touching
        if not (is_diagonal(box, other) and _sign(other.x0 - box.x0) in beside and _sign(other.y0 - box.y0) in above)
    ]


def is_beside(box: Box, other: Box) -> bool:
    """Whether the neighbour lies to the left or right rather than above or below, in sizes of a tile."""
    dx, dy = _shares(box, other)
    return dx >= dy


def _sign(value: int) -> int:
    return (value > 0) - (value < 0)


def _shares(box: Box, other: Box) -> tuple[float, float]:
    """Distances along x and y in widths and heights of a tile."""
    return abs(other.x0 - box.x0) / (box.x1 - box.x0), abs(other.y0 - box.y0) / (box.y1 - box.y0)


def is_diagonal(box: Box, other: Box) -> bool:
    """Whether the neighbour lies off by more than half a tile along x and along y."""
    return min(_shares(box, other)) > 0.5
