"""Loops of the seam search: how two pictures differ, how sharp one is, and the cheapest way across."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled

Rows = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]


class View(NamedTuple):
    """A rectangle of a picture whose rows may go round: after the last comes the first.

    rows : (R, W * channels), pixels' channels side by side. y0, x0 : its corner; height, width : its size.
    """

    rows: Rows
    y0: int
    x0: int
    height: int
    width: int
    channels: int

    def part(self, top: int, left: int, height: int, width: int) -> View:
        """A smaller rectangle of it."""
        return View(self.rows, self.y0 + top, self.x0 + left, height, width, self.channels)


def view_of(picture: Rows) -> View:
    """The whole of a picture (M, N) or (M, N, C)."""
    height, width = picture.shape[:2]
    channels = 1 if picture.ndim == 2 else picture.shape[2]
    return View(np.ascontiguousarray(picture).reshape(height, width * channels), 0, 0, height, width, channels)


@compiled
def differences(
    a: Rows, ya: int, xa: int, b: Rows, yb: int, xb: int, height: int, width: int, channels: int, cell: int
) -> Floats:
    """Mean absolute difference of two pictures in every cell, of the channel that differs most, from every other row.

    Parameters
    ----------
    a, b : ndarray of shape (R, W * channels)
        As in `View`, with their corners.
    height, width, channels, cell : int
        Size of the rectangle and of a cell; cells at the right and bottom edge may be smaller.
    """
    down, across = (height + cell - 1) // cell, (width + cell - 1) // cell
    cells = np.empty((down, across))
    sums = np.empty(width * channels, np.float32)  # exact: two rows of 16 bits
    for row in range(down):
        for j in range(width * channels):
            sums[j] = np.float32(0.0)
        lines = 0
        for y in range(row * cell, min((row + 1) * cell, height), 2):
            lines += 1
            one, two = a[(ya + y) % len(a)][xa * channels :], b[(yb + y) % len(b)][xb * channels :]
            for j in range(width * channels):
                sums[j] += abs(np.float32(one[j]) - np.float32(two[j]))
        for column in range(across):
            stop = min((column + 1) * cell, width)
            most = np.float32(0.0)
            for c in range(channels):
                total = np.float32(0.0)
                for x in range(column * cell, stop):
                    total += sums[x * channels + c]
                most = max(most, total)
            cells[row, column] = most / (lines * (stop - column * cell))
    return cells


@compiled
def sharpness(
    a: Rows, ya: int, xa: int, height: int, width: int, channels: int, across: int, down: int, step: int
) -> npt.NDArray[np.float32]:
    """Mean squares of second differences over `step`, along x plus along y, in `down` x `across` windows.

    Every fourth row is looked at, in the middle channel; but the sums are taken of all, which lie side by side.
    """
    measure = np.zeros((down, across), np.float32)
    count, by = width * channels, step * channels
    beside, upright = np.empty(count, np.float32), np.empty(count, np.float32)
    for row in range(down):
        for j in range(count):
            beside[j], upright[j] = np.float32(0.0), np.float32(0.0)
        first, last = max(row * height // down, step), min((row + 1) * height // down, height - step)
        lines = 0
        for y in range((first + 3) // 4 * 4, last, 4):
            lines += 1
            line, above = a[(ya + y) % len(a)][xa * channels :], a[(ya + y - step) % len(a)][xa * channels :]
            below = a[(ya + y + step) % len(a)][xa * channels :]
            for j in range(count):
                bent = (np.float32(line[j]) - np.float32(above[j])) + (np.float32(line[j]) - np.float32(below[j]))
                upright[j] += bent * bent
            middle, right, sums = line[by:], line[2 * by :], beside[by:]
            for j in range(count - 2 * by):
                bent = (np.float32(middle[j]) - np.float32(line[j])) + (np.float32(middle[j]) - np.float32(right[j]))
                sums[j] += bent * bent
        for column in range(across):
            start, stop = column * width // across, (column + 1) * width // across
            # The outermost pixels have no neighbour on one side.
            inner = min(stop, width - step) - max(start, step)
            for x in range(start, stop):
                at = x * channels + channels // 2
                measure[row, column] += upright[at] / (max(lines, 1) * (stop - start))
                measure[row, column] += beside[at] / (max(lines, 1) * max(inner, 1))
    return measure


@compiled
def cheapest_path(cost: Floats) -> npt.NDArray[np.int64]:
    """The column of the cheapest path in every row; see `dieplat.blending.seam.seam_path`."""
    rows, columns = cost.shape
    total = np.empty((rows, columns))
    for column in range(columns):
        total[0, column] = cost[0, column]
    for row in range(1, rows):
        above, here, dear = total[row - 1], total[row], cost[row]
        for column in range(columns):
            least = above[column]
            if column > 0:
                least = min(least, above[column - 1])
            if column + 1 < columns:
                least = min(least, above[column + 1])
            here[column] = least + dear[column]
    path = np.empty(rows, np.int64)
    column = 0
    for other in range(1, columns):
        if total[rows - 1, other] < total[rows - 1, column]:
            column = other
    path[rows - 1] = column
    for row in range(rows - 2, -1, -1):
        best = max(column - 1, 0)
        for other in range(best + 1, min(column + 2, columns)):
            if total[row, other] < total[row, best]:
                best = other
        column = best
        path[row] = column
    return path
