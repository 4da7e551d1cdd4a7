"""Pixels cut where upright edges lie in them, so that a layer covers a piece of a pixel wholly or not at all.

To paint a layer with the share that it covers takes it as spread evenly over the pixel, whatever else ends there. Two
layers that end on one line would so hide 1 - (1 - c)^2 of the ground where they cover c, and the edge would seem to
lie further out; two that meet would let the ground show through. In the pieces between cuts nothing is shared out, and
their mean, weighted by size, is the pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]

DECIMALS = 6
"""Edges nearer to each other than this decimal of a pixel are one."""


@dataclass(frozen=True, slots=True, eq=False)
class CutAxis:
    """One axis of a window of whole pixels, from 0: `lines_px` (N + 1,) bound its N cells, in ascending order."""

    lines_px: Float

    @property
    def cells(self) -> int:
        """How many pieces there are."""
        return len(self.lines_px) - 1

    @property
    def pixels(self) -> int:
        """How many pixels they make up."""
        return round(float(self.lines_px[-1]))

    @property
    def middles_px(self) -> Float:
        """The middle of every cell."""
        return np.asarray(0.5 * (self.lines_px[1:] + self.lines_px[:-1]))

    @property
    def pixel_of_cells(self) -> npt.NDArray[np.intp]:
        """Which pixel every cell belongs to."""
        return np.floor(self.middles_px).astype(np.intp)

    def to_cells(self, at_px: Float) -> Float:
        """Places as counted in cells: straight within each, pixels going on on both sides of the window."""
        outside = np.minimum(at_px, 0.0) + np.maximum(at_px - self.lines_px[-1], 0.0)
        return np.asarray(np.interp(at_px, self.lines_px, np.arange(len(self.lines_px))) + outside)

    def cells_of(self, first: int, last: int) -> slice:
        """The cells of the pixels `first` to `last`, the latter not included."""
        begin, end = np.searchsorted(self.lines_px, (first, last))
        return slice(int(begin), int(end))

    def between(self, first: int, last: int) -> CutAxis:
        """The pixels `first` to `last`, the latter not included, counted from the first of them."""
        lines = self.lines_px
        return CutAxis(lines[(lines >= first) & (lines <= last)] - first)

    def means(self, values: Float32, axis: int) -> Float32:
        """The mean of every pixel from the values of its cells along `axis`."""
        if self.cells == self.pixels:
            return values
        shape = [1] * values.ndim
        shape[axis] = self.cells
        sizes = np.diff(self.lines_px).astype(values.dtype).reshape(shape)
        first = np.searchsorted(self.lines_px, np.arange(self.pixels))
        return np.asarray(np.add.reduceat(values * sizes, first, axis=axis))


def cut_axis(edges_px: Float, pixels: int) -> CutAxis:
    """The axis of so many pixels, cut at the edges (any number, in any order) that lie within."""
    inner = np.round(edges_px, DECIMALS)
    inner = inner[(inner > 0.0) & (inner < pixels)]
    return CutAxis(np.unique(np.concatenate([np.arange(pixels + 1.0), inner])))
