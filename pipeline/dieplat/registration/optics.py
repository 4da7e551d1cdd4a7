"""Radial distortion of the objective: taken out of pictures, and seen in how an offset changes along an overlap."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled
from dieplat.registration.correlate import Image, overlap_windows, refine
from dieplat.registration.subpixel import RIM_PX
from dieplat.values.correction import Lens
from dieplat.values.offsets import Hypothesis, PairOffsets

Numbers = npt.NDArray[np.float64]

PARTS = 6
"""Windows along an overlap; each gives one offset."""
LEAST_CORRELATION = 0.5
LARGEST_U_PX = 0.05
"""Windows that are less certain say nothing of a lens."""
PHASES = 1024
"""Fractions of a pixel that filters are kept for: places are right to 1/2048 px, to either side alike."""
CELL_PX = 8
"""Side of the cells in which gradients are summed: the distortion hardly changes within one."""


def undistorted(picture: Image, lens: Lens) -> Image:
    """The picture as a lens without distortion would show it, at the same scale in the middle.

    Read between the pixels by Lagrange's polynomial through eight of them a row and a column: OpenCV's warp with a
    Lanczos window moves smooth structure by hundredths of a pixel too far, which a lens's offsets would take for k1.
    """
    straight = np.empty(picture.shape, dtype=np.float32)
    _straighten(
        np.ascontiguousarray(picture, dtype=np.float32), straight, _TAPS, lens.k1, lens.k2, 1.0 / lens.norm_px**2
    )
    return straight


def _taps() -> Image:
    """Filters (PHASES + 1, 8) for a place that lies k / PHASES beyond the fourth of eight pixels."""
    nodes = np.arange(-3.0, 5.0)
    at = np.arange(PHASES + 1)[:, None, None] / PHASES
    others = ~np.eye(8, dtype=np.bool_)
    top = np.where(others, at - nodes, 1.0).prod(axis=2)
    return np.asarray(top / np.where(others, nodes[:, None] - nodes, 1.0).prod(axis=1), dtype=np.float32)


_TAPS = _taps()


@compiled
def _straighten(
    picture: Image, straight: Image, taps: Image, k1: float, k2: float, per_norm2: float
) -> None:  # pragma: no cover
    """Fill `straight`: places beyond the picture take what is at its rim."""
    height, width = picture.shape
    phases = taps.shape[0] - 1
    for row in range(height):
        y = row + 0.5 - 0.5 * height
        for column in range(width):
            x = column + 0.5 - 0.5 * width
            r2 = (x * x + y * y) * per_norm2
            stretch = 1.0 + (k1 + k2 * r2) * r2
            seen_x = min(max(x * stretch + 0.5 * width - 0.5, 3.0), width - 5.0)
            seen_y = min(max(y * stretch + 0.5 * height - 0.5, 3.0), height - 5.0)
            left, top = int(seen_x), int(seen_y)
            along = taps[int((seen_x - left) * phases + 0.5)]
            down = taps[int((seen_y - top) * phases + 0.5)]
            total = np.float32(0.0)
            for i in range(8):
                line = np.float32(0.0)
                for j in range(8):
                    line += along[j] * picture[top - 3 + i, left - 3 + j]
                total += down[i] * line
            straight[row, column] = total


def offsets_along(
    a: Image,
    b: Image,
    pair: PairOffsets,
    *,
    corners_px: tuple[tuple[int, int], tuple[int, int]] = ((0, 0), (0, 0)),
    shape: tuple[int, int] | None = None,
) -> Numbers:
    """The offset of a pair, and those of windows along its overlap, with what distortion and turning change in each.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32
        Band-passed tiles, or parts of them that hold all that overlaps.
    pair : PairOffsets
        Its first hypothesis is the offset of the tiles.
    corners_px : tuple of tuple of int
        Corners (x, y) of a and b in their tiles.
    shape : tuple of int, optional
        Rows and columns of the tiles; those of `a` if not given.

    Returns
    -------
    ndarray of shape (1 + n, 11)
        The whole overlap first, then the windows. Columns: dx, dy; their covariance xx, xy, yy; the change (x, y) of
        the offset per unit of k1, and of k2; and (x, y) per radian by which tile a turns about its middle.

    Notes
    -----
    A place at p from the middle of tile a lies at q = p - D from that of b. Each is seen displaced by
    (k1 r^2 + k2 r^4) times its own radius vector (Brown 1971, Photogrammetric Engineering 37, 855-866), so the offset
    seen is D + k1 (r_p^2 p - r_q^2 q) + ...: linear in k1 and k2, and not the same all along the overlap. One offset
    for a whole window is the mean of these, each pixel weighted by its gradients, as least squares on pixels does
    (Lucas and Kanade 1981).
    """
    height, width = shape = shape or (a.shape[0], a.shape[1])
    best = pair.hypotheses[0]
    across = abs(best.dx_px) > abs(best.dy_px)
    changes = _Changes(a, best, corners_px[0], shape)
    rows = [(best.dx_px, best.dy_px, *best.cov_px2, *changes.within(slice(None), slice(None)))]
    for part in range(PARTS):
        low, high = (round(k * (height if across else width) / PARTS) for k in (part, part + 1))
        window = (slice(low, high), slice(None)) if across else (slice(None), slice(low, high))
        axis = 0 if across else 1
        first, (ax, ay) = _cut(a, corners_px[0], low, high, axis)
        second, (bx, by) = _cut(b, corners_px[1], low, high, axis)
        fit = refine(first, second, best.dx_px + bx - ax, best.dy_px + by - ay)
        if fit is None or fit.correlation < LEAST_CORRELATION or max(fit.cov_px2[0], fit.cov_px2[2]) > LARGEST_U_PX**2:
            continue
        rows.append((fit.dx_px - bx + ax, fit.dy_px - by + ay, *fit.cov_px2, *changes.within(*window)))
    return np.array(rows, dtype=np.float64)


def _cut(picture: Image, corner_px: tuple[int, int], low: int, high: int, axis: int) -> tuple[Image, tuple[int, int]]:
    """Rows (or columns, `axis` 1) of a tile from its part, and their corner (x, y) in the tile.

    What the part lacks of them is zero: it overlaps nothing.
    """
    begin, extent = corner_px[1 - axis], picture.shape[axis]
    inside = slice(max(low - begin, 0), max(high - begin, 0))
    found = picture[inside] if axis == 0 else picture[:, inside]
    missing = min(max(begin - low, 0), high - low), min(max(high - begin - extent, 0), high - low)
    if any(missing):
        found = np.pad(found, [missing, (0, 0)] if axis == 0 else [(0, 0), missing])
    return found, (corner_px[0], low) if axis == 0 else (low, corner_px[1])


class _Changes:
    """What distortion and turning change in offsets, from the gradients of tile a where b overlaps it.

    `corner_px` (x, y) is where the picture `a` begins in its tile of `shape`.
    """

    def __init__(self, a: Image, offset: Hypothesis, corner_px: tuple[int, int], shape: tuple[int, int]) -> None:
        self._shape = shape
        self._offset = offset.dx_px, offset.dy_px
        shared = overlap_windows(self._shape, round(offset.dx_px), round(offset.dy_px), margin=1)
        if shared is not None:
            (rows, columns), _ = shared
            top, bottom, left, right = rows.start, rows.stop, columns.start, columns.stop
            self._origin = top, left
            top, bottom, left, right = (
                top - corner_px[1],
                bottom - corner_px[1],
                left - corner_px[0],
                right - corner_px[0],
            )
            dx = a[top:bottom, left + 1 : right + 1] - a[top:bottom, left - 1 : right - 1]
            dy = a[top + 1 : bottom + 1, left:right] - a[top - 1 : bottom - 1, left:right]
            self._products = dx * dx, dx * dy, dy * dy

    def within(self, rows: slice, columns: slice) -> tuple[float, ...]:
        """The six numbers for a window of the tile."""
        height, width = self._shape
        top, bottom, _ = rows.indices(height)
        left, right, _ = columns.indices(width)
        dx, dy = self._offset
        inner = _overlap((bottom - top, right - left), round(dx), round(dy))
        if inner is None:
            return (0.0,) * 6
        y0, y1, x0, x1 = inner[0] + top, inner[1] + top, inner[2] + left, inner[3] + left
        size = max(1, (x1 - x0) // CELL_PX), max(1, (y1 - y0) // CELL_PX)
        cut = slice(y0 - self._origin[0], y1 - self._origin[0]), slice(x0 - self._origin[1], x1 - self._origin[1])
        xx, xy, yy = (
            cv2.resize(product[cut], size, interpolation=cv2.INTER_AREA).astype(np.float64)
            for product in self._products
        )
        x = x0 + (np.arange(size[0]) + 0.5) * (x1 - x0) / size[0] - width / 2
        y = y0 + (np.arange(size[1]) + 0.5) * (y1 - y0) / size[1] - height / 2
        px, py = np.meshgrid(x, y)
        normal = np.array([[xx.sum(), xy.sum()], [xy.sum(), yy.sum()]])
        if np.linalg.det(normal) <= 1e-6 * np.trace(normal) ** 2:
            # Edges of one direction: the plain mean.
            xx, xy, yy = np.ones_like(xx), np.zeros_like(xx), np.ones_like(xx)
            normal = np.eye(2) * xx.sum()
        found: list[float] = []
        for cx, cy in (*radial_changes(px, py, dx, dy, math.hypot(width, height) / 2), (-py, px)):
            side = (xx * cx + xy * cy).sum(), (xy * cx + yy * cy).sum()
            found.extend(map(float, np.linalg.solve(normal, np.array(side))))
        return tuple(found)


def _overlap(shape: tuple[int, int], dx: int, dy: int) -> tuple[int, int, int, int] | None:
    """Rows and columns (top, bottom, left, right) of a that a sub-pixel fit rests on."""
    room = min(shape[0] - abs(dy), shape[1] - abs(dx))
    found = overlap_windows(shape, dx, dy, margin=max(4, min(RIM_PX, room // 6)) + 4)
    if found is None:
        return None
    (rows, columns), _ = found
    return rows.start, rows.stop, columns.start, columns.stop


def radial_changes(
    px: Numbers, py: Numbers, dx_px: float, dy_px: float, norm_px: float
) -> tuple[tuple[Numbers, Numbers], tuple[Numbers, Numbers]]:
    """Change (x, y) of an offset per unit of k1, and of k2, at places from the middle of tile a."""
    qx, qy = px - dx_px, py - dy_px
    r2, s2 = (px * px + py * py) / norm_px**2, (qx * qx + qy * qy) / norm_px**2
    return (r2 * px - s2 * qx, r2 * py - s2 * qy), (r2 * r2 * px - s2 * s2 * qx, r2 * r2 * py - s2 * s2 * qy)
