"""The least visible seam between two pictures of the same place, on the side of the sharper one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.blending.place import Box, is_beside
from dieplat.blending.seam_loops import View, cheapest_path, differences, sharpness, view_of

CELL_PX = 4
"""The seam is sought on cells of this size, smaller than the mix along it: a sixteenth of the work."""

FEATHER_PX = 8.0
"""Half the width of the mix along a seam."""

EDGE_PX = 4.0
"""Reach of the resampling filter: so close to its edge a tile is partly guessed."""

_CENTRING = 0.5
"""Cost at the overlap's edge, in mean differences. A tile is worst at its edge, in focus and in light."""

_FOCUS_WINDOW_PX = 32
"""Sharpness is compared over windows of this size; noise moves the ratio there by some five per cent."""

_FOCUS_IGNORED = 0.1
"""Differences of sharpness up to this share of the sum are taken for noise."""

_FOCUS_COST = 0.15
"""Cost of showing a cell by the less sharp picture, in mean differences, at full contrast of sharpness."""

_FOCUS_STEP_PX = 2
"""Spacing of the focus measure's three samples: it then answers most to waves of 4 px, which every sub-pixel
shift keeps, and not at all to those of 2 px, which it damps."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Seam:
    """A seam across the overlap of a tile and a neighbour, in the tile's own pixels.

    box : the overlap. at_px : where the seam lies, as x of every row of the overlap if it runs down
    (`runs_down`), else as y of every column. after : whether the tile lies right of or below the seam.
    """

    box: Box
    at_px: Floats
    runs_down: bool
    after: bool

    @property
    def feather_px(self) -> float:
        """Half the width of the mix: less than usual where the overlap is narrow."""
        return min(FEATHER_PX, self._width / 4)

    @property
    def _width(self) -> int:
        return self.box.x1 - self.box.x0 if self.runs_down else self.box.y1 - self.box.y0


def seam_between(under: View, pixels: View, *, box: Box, other: Box) -> Seam:
    """Find the seam between a tile and what is painted of a neighbour.

    Parameters
    ----------
    under, pixels : View
        The mosaic under the tile, and the tile.
    box, other : Box
        Where tile and neighbour lie in the mosaic.
    """
    overlap = box.cut(other).moved(-box.x0, -box.y0)
    height, width = overlap.y1 - overlap.y0, overlap.x1 - overlap.x0
    runs_down = is_beside(box, other)
    after = box.x0 >= other.x0 if runs_down else box.y0 >= other.y0
    there, here = (view.part(overlap.y0, overlap.x0, height, width) for view in (under, pixels))
    first, second = (there, here) if after else (here, there)
    # Where there is room the mix keeps off the strips in which edges count.
    margin_px = min(EDGE_PX + 3.0 * FEATHER_PX, (width if runs_down else height) / 3)
    path = _seam(first, second, margin_px=margin_px, runs_down=runs_down)
    return Seam(overlap, path + (overlap.x0 if runs_down else overlap.y0), runs_down, after)


def find_seam(
    first: npt.NDArray[Any], second: npt.NDArray[Any], *, margin_px: float = 8.0, runs_down: bool = True
) -> Floats:
    """Where to pass from one picture to the other, on a seam that runs from top to bottom (or left to right).

    The seam follows small differences between the pictures, leaves more room to the sharper one, keeps to the
    middle where they tell nothing, and stays `margin_px` off the edges beside it where there is room.

    Parameters
    ----------
    first, second : ndarray of shape (M, N) or (M, N, C)
        The overlap as either picture shows it, same shape and dtype; `first` is kept on the left (above).
    margin_px : float, optional
        At least half the width over which the pictures will be mixed.
    runs_down : bool, optional
        Whether the seam runs from top to bottom; otherwise from left to right.

    Returns
    -------
    ndarray of shape (M,), or (N,)
        The seam's x in every row (or y in every column), in pixels from the overlap's edge (a pixel's centre
        lies at its index plus 0.5).
    """
    return _seam(view_of(first), view_of(second), margin_px=margin_px, runs_down=runs_down)


def _seam(first: View, second: View, *, margin_px: float, runs_down: bool) -> Floats:
    height, width, channels = first.height, first.width, first.channels
    length_px, width_px = (height, width) if runs_down else (width, height)
    if width_px <= 2 * CELL_PX:
        return np.full(length_px, width_px / 2)
    cells = differences(*first[:3], *second[:3], height, width, channels, CELL_PX)
    mean = float(cells.mean())
    cost = cells / mean if mean > 0 else np.zeros_like(cells)
    preference = _preference(first, second, *cells.shape)
    if not runs_down:
        cost, preference = np.ascontiguousarray(cost.T), preference.T
    # A cell left of the seam is shown by the first picture: that costs where the second is the sharper.
    cost += 2.0 * _FOCUS_COST * (np.cumsum(preference, axis=1) - 0.5 * preference)
    x_px = _cell_centres(width_px)
    cost += _CENTRING * (2 * x_px / width_px - 1) ** 2
    outside = (x_px < margin_px) | (x_px > width_px - margin_px)
    if not outside.all():
        # Dearer than any path inside.
        cost[:, outside] += float(cost.max() - cost.min()) * (len(cost) + 1)
    path = seam_path(cost)
    seam: Floats = np.interp(np.arange(length_px) + 0.5, _cell_centres(length_px), x_px[path])
    return seam


def _cell_centres(size_px: int) -> Floats:
    """Where the cells lie along a side; the last may be smaller than the others."""
    edges = np.append(np.arange(0, size_px, CELL_PX), size_px)
    centres: Floats = 0.5 * (edges[1:] + edges[:-1])
    return centres


def _preference(first: View, second: View, rows: int, columns: int) -> Floats:
    """For every cell -1 to 1: how much sharper the second picture is; 0 where they do not differ for sure."""
    a, b = _focus(first), _focus(second)
    share = (b - a) / np.maximum(a + b, 1e-6)
    share = np.copysign(np.maximum(np.abs(share) - _FOCUS_IGNORED, 0.0), share)
    cells: Floats = cv2.resize(share, (columns, rows), interpolation=cv2.INTER_LINEAR).astype(np.float64)
    return cells


def focus_measure(picture: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    """How sharp a picture is, window by window: the mean square of the modified Laplacian [1]_.

    Second differences along x and along y are squared apart and added. Every fourth line is looked at, in the
    second of three channels.

    Parameters
    ----------
    picture : ndarray of shape (M, N) or (M, N, C)

    Returns
    -------
    ndarray of shape (m, n), float32
        One value a window of `_FOCUS_WINDOW_PX`.

    References
    ----------
    .. [1] S. K. Nayar, Y. Nakagawa, "Shape from focus", IEEE Trans. Pattern Analysis and Machine Intelligence
       16 (1994) 824-831. doi:10.1109/34.308479
    """
    return _focus(view_of(picture))


def _focus(view: View) -> npt.NDArray[np.float32]:
    down, across = (max(1, round(side / _FOCUS_WINDOW_PX)) for side in (view.height, view.width))
    return sharpness(*view, across, down, _FOCUS_STEP_PX)


def seam_path(cost: Floats) -> npt.NDArray[np.int64]:
    """The cheapest path from top to bottom, one column a row, moving at most one column from row to row.

    Dynamic programming, the minimum error boundary cut of [1]_. Of equal paths the one further left.

    Parameters
    ----------
    cost : ndarray of shape (M, N)
        Cost of passing through a cell; finite.

    Returns
    -------
    ndarray of shape (M,)
        The path's column in every row.

    References
    ----------
    .. [1] A. A. Efros, W. T. Freeman, "Image quilting for texture synthesis and transfer", Proc. SIGGRAPH
       2001, 341-346. doi:10.1145/383259.383296
    """
    return cheapest_path(np.ascontiguousarray(cost))
