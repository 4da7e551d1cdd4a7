"""Exact area coverage of pixels by intervals, rectangles and polygons.

Each function takes coordinates in pixels (pixel i covers i..i+1) and returns the covered fraction of every
pixel, so
that an edge lies where it was put to within floating point, at any sub-pixel position.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from dieplat.phantom.cuts import CutAxis

Float = npt.NDArray[np.float64]


def interval_coverage(starts: npt.ArrayLike, ends: npt.ArrayLike, length: int) -> Float:
    """Covered fraction of `length` pixels by disjoint intervals [start, end]."""
    steps = np.zeros(length + 2)
    for position, sign in ((starts, 1.0), (ends, -1.0)):
        at = np.clip(np.atleast_1d(np.asarray(position, dtype=np.float64)), 0.0, float(length))
        cell = np.floor(at).astype(np.intp)
        part = at - cell
        steps += sign * np.bincount(cell, weights=1.0 - part, minlength=length + 2)
        steps += sign * np.bincount(cell + 1, weights=part, minlength=length + 2)
    return np.cumsum(steps)[:length]


def rectangle_coverage(rects: Float, height: int, width: int) -> Float:
    """Covered fraction by rectangles (N, 4) as x0, y0, x1, y1; overlaps add up to at most 1.

    Every corner adds its share to four cells of the second difference of the picture; two running sums give
    the areas.
    """
    stride = width + 2
    x_edges = np.clip(rects[:, (0, 2)], 0.0, float(width))
    y_edges = np.clip(rects[:, (1, 3)], 0.0, float(height))
    x_cell = np.floor(x_edges).astype(np.intp)
    y_cell = np.floor(y_edges).astype(np.intp)
    x_part = x_edges - x_cell
    y_part = y_edges - y_cell
    index, weight = [], []
    for i in (0, 1):
        for j in (0, 1):
            sign = 1.0 if i == j else -1.0
            for down in (0, 1):
                wy = y_part[:, i] if down else 1.0 - y_part[:, i]
                for right in (0, 1):
                    wx = x_part[:, j] if right else 1.0 - x_part[:, j]
                    index.append((y_cell[:, i] + down) * stride + x_cell[:, j] + right)
                    weight.append(sign * wy * wx)
    flat = np.bincount(np.concatenate(index), weights=np.concatenate(weight), minlength=(height + 2) * stride)
    grid = flat.reshape(height + 2, stride)
    np.cumsum(grid, axis=0, out=grid)
    np.cumsum(grid, axis=1, out=grid)
    return np.clip(grid[:height, :width], 0.0, 1.0)


def polygon_coverage(polygon: Polygon, height: int, width: int) -> Float:
    """Covered fraction by a polygon with holes, in pixel coordinates.

    Green's theorem on each pixel: every edge is split where it crosses the pixel grid, and a piece adds the
    area
    between itself and the right-hand side of its row.
    """
    return _segment_coverage(*_segments(polygon), height, width)


def cut_polygon_coverage(polygon: Polygon, rows: CutAxis, columns: CutAxis) -> Float:
    """Covered fraction of the cells of two cut axes (rows.cells, columns.cells) by a polygon in pixel coordinates."""
    start, end = _segments(polygon)
    for axis, cuts in ((1, rows), (0, columns)):
        if cuts.cells > cuts.pixels:
            # Between two cuts a piece stays straight when cells are counted instead of pixels.
            start, end = _split(start, end, axis, cuts.lines_px)
    x, y = columns.to_cells, rows.to_cells
    start, end = (np.column_stack([x(at[:, 0]), y(at[:, 1])]) for at in (start, end))
    return _segment_coverage(start, end, rows.cells, columns.cells)


def _segment_coverage(start: Float, end: Float, height: int, width: int) -> Float:
    """Covered fraction within closed rings, given as segments (N, 2) each from start to end, holes the other way."""
    for axis in (1, 0):
        low, high = (float(pick([start[:, axis], end[:, axis]])) for pick in (np.min, np.max))
        start, end = _split(start, end, axis, np.arange(np.floor(low), np.ceil(high) + 1.0))
    middle = 0.5 * (start + end)
    rise = end[:, 1] - start[:, 1]
    row = np.floor(middle[:, 1]).astype(np.intp)
    keep = (row >= 0) & (row < height) & (middle[:, 0] < width) & (rise != 0.0)
    row, rise, x = row[keep], rise[keep], np.maximum(middle[keep, 0], 0.0)
    column = np.floor(x).astype(np.intp)
    part = x - column
    stride = width + 2
    index = np.concatenate([row * stride + column, row * stride + column + 1])
    weight = np.concatenate([rise * (1.0 - part), rise * part])
    grid = np.bincount(index, weights=weight, minlength=height * stride).reshape(height, stride)
    covered = np.abs(np.cumsum(grid, axis=1)[:, :width])
    return np.clip(covered, 0.0, 1.0)


def _segments(polygon: Polygon) -> tuple[Float, Float]:
    """Where all edges of a polygon start and end, the outer ring one way and holes the other."""
    turned = orient(polygon, 1.0)
    rings = [np.asarray(ring.coords)[:, :2] for ring in (turned.exterior, *turned.interiors)]
    return np.concatenate([ring[:-1] for ring in rings]), np.concatenate([ring[1:] for ring in rings])


def _split(start: Float, end: Float, axis: int, lines: Float) -> tuple[Float, Float]:
    """Split segments where coordinate `axis` passes one of the lines, which ascend."""
    a, b = start[:, axis], end[:, axis]
    first = np.searchsorted(lines, np.minimum(a, b), side="right")
    beyond = np.searchsorted(lines, np.maximum(a, b), side="left")
    inner = np.maximum(beyond - first, 0)
    owner = np.repeat(np.arange(len(a)), inner + 1)
    piece = np.arange(len(owner)) - np.repeat(np.cumsum(inner + 1) - (inner + 1), inner + 1)
    rising = (b >= a)[owner]
    # What is shorter than any number here can tell has no line within it, but for its own end.
    span = np.where(np.abs(b - a) < 1e-300, 1.0, b - a)[owner]
    # Piece j ends at the j-th line met on the way, counted from the segment's start.
    met = np.where(rising, first[owner] + piece, beyond[owner] - 1 - piece)
    last = piece == inner[owner]
    stop = np.where(last, 1.0, (lines[np.where(last, 0, met)] - a[owner]) / span)
    begin = np.where(piece == 0, 0.0, np.roll(stop, 1))
    step = (end - start)[owner]
    origin = start[owner]
    return origin + step * begin[:, None], origin + step * stop[:, None]
