"""Radial distortion of the objective, from how an offset changes along an overlap."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.registration.correlate import Image, refine
from dieplat.values.correction import Lens
from dieplat.values.offsets import PairOffsets

PARTS = 4
"""Windows along an overlap; each gives one offset."""
FEWEST_OFFSETS = 12
SIGNIFICANT = 6.0
"""k1 is taken for real when it is this many standard uncertainties from zero."""
LEAST_SHIFT_PX = 0.05
"""A distortion that moves no pixel of a tile by this much is not worth resampling for."""


def undistorted(picture: Image, lens: Lens) -> Image:
    """The picture as a lens without distortion would show it, at the same scale in the middle."""
    height, width = picture.shape[:2]
    x = (np.arange(width, dtype=np.float32) + 0.5 - width / 2)[None, :]
    y = (np.arange(height, dtype=np.float32) + 0.5 - height / 2)[:, None]
    r2 = (x * x + y * y) / np.float32(lens.norm_px**2)
    stretch = 1 + np.float32(lens.k1) * r2 + np.float32(lens.k2) * r2 * r2
    map_x, map_y = x * stretch + np.float32(width / 2 - 0.5), y * stretch + np.float32(height / 2 - 0.5)
    return np.asarray(
        cv2.remap(picture, map_x, map_y, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE), dtype=np.float32
    )


def offsets_along(a: Image, b: Image, pair: PairOffsets) -> npt.NDArray[np.float64]:
    """Offsets of windows along an overlap.

    Returns an array (n, 4): dx, dy measured in the window, and the change of dx, dy per unit of k1 there.

    Notes
    -----
    A place at p from the middle of tile a lies at q = p - D from that of b. Each is seen displaced by k1 r^2 times its
    own radius vector (Brown 1971, Photogrammetric Engineering 37, 855-866), so the offset seen is
    D + k1 (r_p^2 p - r_q^2 q): linear in k1, and not the same all along the overlap.
    """
    height, width = a.shape
    best = pair.hypotheses[0]
    across = abs(best.dx_px) > abs(best.dy_px)
    rows = []
    for part in range(PARTS):
        low, high = (round(k * (height if across else width) / PARTS) for k in (part, part + 1))
        window = (slice(low, high), slice(None)) if across else (slice(None), slice(low, high))
        fit = refine(a[window], b[window], best.dx_px, best.dy_px)
        if fit is None or fit.correlation < 0.5 or max(fit.cov_px2[0], fit.cov_px2[2]) > 0.05**2:
            continue
        x0, x1 = max(0.0, fit.dx_px), min(width, width + fit.dx_px)
        y0, y1 = max(0.0, fit.dy_px), min(height, height + fit.dy_px)
        if across:
            y0, y1 = max(low, y0), min(high, y1)
        else:
            x0, x1 = max(low, x0), min(high, x1)
        x, y = np.linspace(x0, x1, 9) - width / 2, np.linspace(y0, y1, 9) - height / 2
        rows.append((fit.dx_px, fit.dy_px, *_change(x, y, fit.dx_px, fit.dy_px, math.hypot(width, height) / 2)))
    return np.array(rows, dtype=np.float64).reshape(-1, 4)


def _change(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], dx: float, dy: float, norm: float
) -> tuple[float, float]:
    px, py = np.meshgrid(x, y)
    qx, qy = px - dx, py - dy
    r2, s2 = (px * px + py * py) / norm**2, (qx * qx + qy * qy) / norm**2
    return float((r2 * px - s2 * qx).mean()), float((r2 * py - s2 * qy).mean())


def estimate_k1(along: Sequence[npt.NDArray[np.float64]]) -> tuple[float, float] | None:
    """k1 and its standard uncertainty from the windows of several pairs, by robust least squares.

    Each pair has an offset of its own; what is common is how offsets change along the overlap. Cauchy weights; the
    uncertainty is scaled by the scatter of the residuals. None when there are too few windows.
    """
    useful = [rows for rows in along if len(rows) >= 3]
    if sum(len(rows) for rows in useful) < FEWEST_OFFSETS:
        return None
    measured = np.concatenate([(rows[:, :2] - rows[:, :2].mean(axis=0)).ravel() for rows in useful])
    change = np.concatenate([(rows[:, 2:] - rows[:, 2:].mean(axis=0)).ravel() for rows in useful])
    k1, weight = 0.0, np.ones_like(measured)
    for _ in range(20):
        k1 = float((weight * change * measured).sum() / (weight * change * change).sum())
        residual = measured - k1 * change
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-3)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2)
    variance = float((weight * residual**2).sum() / weight.sum())
    return k1, math.sqrt(variance / float((weight * change * change).sum()))


def is_worth_removing(k1: float, k1_u: float, norm_px: float) -> bool:
    """Whether k1 is significant and moves the corners of a tile noticeably."""
    return abs(k1) > SIGNIFICANT * k1_u and abs(k1) * norm_px > LEAST_SHIFT_PX
