"""The least visible seam between two pictures of the same place."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

CELL_PX = 4
"""The seam is sought on cells of this size, smaller than the mix along it: a sixteenth of the work."""

_CENTRING = 0.5
"""Cost at the overlap's edge, in mean differences. A tile is worst at its edge, in focus and in light."""

Floats = npt.NDArray[np.float64]


def seam_path(cost: Floats) -> npt.NDArray[np.intp]:
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
    rows, columns = cost.shape
    came_from = np.empty((rows, columns), np.int8)
    best = np.full((3, columns + 2), np.inf)
    total = cost[0].astype(np.float64)
    for row in range(1, rows):
        for shift in range(3):
            best[shift, 2 - shift : 2 - shift + columns] = total
        around = best[:, 1:-1]
        step = np.argmin(around, axis=0)
        came_from[row] = step - 1
        total = np.take_along_axis(around, step[None], axis=0)[0] + cost[row]
        best.fill(np.inf)
    path = np.empty(rows, np.intp)
    path[-1] = np.argmin(total)
    for row in range(rows - 1, 0, -1):
        path[row - 1] = path[row] + came_from[row, path[row]]
    return path


def find_seam(first: npt.NDArray[Any], second: npt.NDArray[Any], *, margin_px: float = 8.0) -> Floats:
    """Where to pass from one picture to the other, on a seam that runs from top to bottom.

    The seam follows small differences between the pictures, keeps to the middle where they tell nothing, and
    stays `margin_px` off the left and right edges where there is room.

    Parameters
    ----------
    first, second : ndarray of shape (M, N) or (M, N, C)
        The overlap as either picture shows it, same shape and dtype.
    margin_px : float, optional
        At least half the width over which the pictures will be mixed.

    Returns
    -------
    ndarray of shape (M,)
        The seam's x in every row, in pixels from the overlap's left edge (a pixel's centre lies at its index
        plus 0.5).
    """
    height, width = first.shape[:2]
    rows, columns = -(-height // CELL_PX), -(-width // CELL_PX)
    if columns < 3:
        return np.full(height, width / 2)
    difference = cv2.absdiff(first, second).astype(np.float32)
    cells = cv2.resize(difference, (columns, rows), interpolation=cv2.INTER_AREA).astype(np.float64)
    if cells.ndim == 3:
        cells = cells.max(axis=2)
    mean = float(cells.mean())
    cost = cells / mean if mean > 0 else np.zeros_like(cells)
    x_px = (np.arange(columns) + 0.5) * (width / columns)
    cost += _CENTRING * (2 * x_px / width - 1) ** 2
    outside = (x_px < margin_px) | (x_px > width - margin_px)
    if not outside.all():
        # Dearer than any path inside.
        cost[:, outside] += float(cost.max()) * (rows + 1)
    path = seam_path(cost)
    y_px = (np.arange(rows) + 0.5) * (height / rows)
    seam: Floats = np.interp(np.arange(height) + 0.5, y_px, x_px[path])
    return seam
