"""Radial distortion of the objective: taken out of pictures, and seen in how an offset changes along an overlap."""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled
from dieplat.registration.correlate import Image, refine
from dieplat.registration.subpixel import SHARED_RIM_PX, rim_of
from dieplat.values.correction import Lens
from dieplat.values.offsets import Hypothesis, PairOffsets

Numbers = npt.NDArray[np.float64]

PARTS = 6
"""Windows along an overlap; each gives one offset."""
LEAST_CORRELATION = 0.5
LARGEST_U_PX = 0.05
"""Windows that are less certain say nothing of a lens."""
FILTER_PX = 4
"""Reach of the filters that straighten a picture."""
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


def lost_px(lens: Lens, shape: tuple[int, int]) -> tuple[int, int]:
    """Rows and columns along the rim of a straightened picture that show nothing of their own."""
    beyond = max(0.0, lens.k1 + lens.k2)
    rows, columns = (math.ceil(beyond * side / 2) + FILTER_PX for side in shape)
    return rows, columns


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
    a: Image, b: Image, pair: PairOffsets, *, corner_px: tuple[int, int], shape: tuple[int, int]
) -> Numbers:
    """The offset of a pair, and those of windows along its overlap, with what distortion and turning change in each.

    Parameters
    ----------
    a, b : ndarray of shape (h, w), float32
        What both tiles show when they are a whole number of pixels apart, band-passed.
    pair : PairOffsets
        Its first hypothesis is the offset of the tiles; a and b were cut at the whole pixels next to it.
    corner_px : tuple of int
        Corner (x, y) of a in its tile.
    shape : tuple of int
        Rows and columns of the tiles.

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
    best = pair.hypotheses[0]
    whole = round(best.dx_px), round(best.dy_px)
    changes = _Changes(a, best, corner_px, shape)
    rows = [(best.dx_px, best.dy_px, *best.cov_px2, *changes.within((0, 0), a.shape))]
    axis = 0 if a.shape[0] > a.shape[1] else 1
    for part in range(PARTS):
        low, high = (round(k * a.shape[axis] / PARTS) for k in (part, part + 1))
        cut = np.s_[low:high] if axis == 0 else np.s_[:, low:high]
        fit = refine(a[cut], b[cut], best.dx_px - whole[0], best.dy_px - whole[1], rim_px=SHARED_RIM_PX)
        if fit is None or fit.correlation < LEAST_CORRELATION or max(fit.cov_px2[0], fit.cov_px2[2]) > LARGEST_U_PX**2:
            continue
        place = (low, 0) if axis == 0 else (0, low)
        rows.append(
            (fit.dx_px + whole[0], fit.dy_px + whole[1], *fit.cov_px2, *changes.within(place, a[cut].shape)),
        )
    return np.array(rows, dtype=np.float64)


class _Changes:
    """What distortion and turning change in offsets, from the gradients of the part of tile a that b overlaps."""

    def __init__(self, a: Image, offset: Hypothesis, corner_px: tuple[int, int], shape: tuple[int, int]) -> None:
        self._shape, self._corner = shape, corner_px
        self._offset = offset.dx_px, offset.dy_px
        dx, dy = a[1:-1, 2:] - a[1:-1, :-2], a[2:, 1:-1] - a[:-2, 1:-1]
        self._products = dx * dx, dx * dy, dy * dy

    def within(self, place: tuple[int, int], size: tuple[int, ...]) -> tuple[float, ...]:
        """The six numbers for a window of the part, at a place (row, column) and of a size (rows, columns)."""
        height, width = self._shape
        rim = rim_of(min(size), SHARED_RIM_PX)
        if min(size) <= 2 * rim:
            return (0.0,) * 6
        y0, x0 = place[0] + rim, place[1] + rim
        y1, x1 = place[0] + size[0] - rim, place[1] + size[1] - rim
        cells = max(1, (x1 - x0) // CELL_PX), max(1, (y1 - y0) // CELL_PX)
        # The products leave out the outermost pixels.
        cut = np.s_[y0 - 1 : y1 - 1, x0 - 1 : x1 - 1]
        xx, xy, yy = (
            cv2.resize(product[cut], cells, interpolation=cv2.INTER_AREA).astype(np.float64)
            for product in self._products
        )
        x = self._corner[0] + x0 + (np.arange(cells[0]) + 0.5) * (x1 - x0) / cells[0] - width / 2
        y = self._corner[1] + y0 + (np.arange(cells[1]) + 0.5) * (y1 - y0) / cells[1] - height / 2
        px, py = np.meshgrid(x, y)
        normal = np.array([[xx.sum(), xy.sum()], [xy.sum(), yy.sum()]])
        if np.linalg.det(normal) <= 1e-6 * np.trace(normal) ** 2:
            # Edges of one direction: the plain mean.
            xx, xy, yy = np.ones_like(xx), np.zeros_like(xx), np.ones_like(xx)
            normal = np.eye(2) * xx.sum()
        found: list[float] = []
        for cx, cy in (*radial_changes(px, py, *self._offset, math.hypot(width, height) / 2), (-py, px)):
            side = (xx * cx + xy * cy).sum(), (xy * cx + yy * cy).sum()
            found.extend(map(float, np.linalg.solve(normal, np.array(side))))
        return tuple(found)


def radial_changes(
    px: Numbers, py: Numbers, dx_px: float, dy_px: float, norm_px: float
) -> tuple[tuple[Numbers, Numbers], tuple[Numbers, Numbers]]:
    """Change (x, y) of an offset per unit of k1, and of k2, at places from the middle of tile a."""
    qx, qy = px - dx_px, py - dy_px
    r2, s2 = (px * px + py * py) / norm_px**2, (qx * qx + qy * qy) / norm_px**2
    return (r2 * px - s2 * qx, r2 * py - s2 * qy), (r2 * r2 * px - s2 * s2 * qx, r2 * r2 * py - s2 * s2 * qy)
