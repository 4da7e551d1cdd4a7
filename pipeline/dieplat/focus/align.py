"""Bring the pictures of a focus series over each other: side shift and magnification, to sub-pixel."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

LOOK_WIDTH_PX = 320
REACH = 0.06
"""Largest side shift that is looked for, as a share of the picture's sides."""
SAME_FIELD = 0.25
"""Correlation of reduced pictures from which on they show the same field; unlike fields stay below a third of it."""
LARGEST_MAGNIFICATION = 0.03
SMOOTH_PX = 1.0
BACKGROUND_PX = 30.0
PATCHES = (9, 7)
"""Patches across and down, each of which measures the shift by itself. Smaller ones lose more to those too poor."""
RIM_PX = 10
"""Left free around the patches, for their shifts."""
LEVELS = (4, 2, 1)
NEGLIGIBLE_PX = 0.02
"""A displacement below this everywhere is left alone: resampling would cost more than it brings."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """Where the reference's places are seen in a picture: q = magnification p + shift, both from the centre.

    `shift_px` is (x, y). `u_px` is the standard uncertainty of the displacement at a corner of the picture, the
    largest; `correlation` that of the reduced pictures.
    """

    magnification: float
    shift_px: tuple[float, float]
    u_px: float
    correlation: float

    def is_negligible(self, width_px: int, height_px: int) -> bool:
        """Whether no pixel moves by as much as `NEGLIGIBLE_PX`."""
        grown = abs(self.magnification - 1) * math.hypot(width_px, height_px) / 2
        return grown + math.hypot(*self.shift_px) < NEGLIGIBLE_PX


def first_look(reference: Image, moving: Image) -> tuple[float, float, float]:
    """Whole-picture shift (x, y) of `moving` in pixels and its correlation, from reduced pictures."""
    height, width = reference.shape
    factor = max(1.0, width / LOOK_WIDTH_PX)
    size = (round(width / factor), round(height / factor))
    a, b = (_band_pass(cv2.resize(one, size, interpolation=cv2.INTER_AREA)) for one in (reference, moving))
    rx, ry = max(2, math.ceil(REACH * size[0])), max(2, math.ceil(REACH * size[1]))
    template = a[ry:-ry, rx:-rx]
    if float(template.std()) < 1e-3 or float(b.std()) < 1e-3:
        return 0.0, 0.0, 0.0
    surface = np.nan_to_num(cv2.matchTemplate(b, template, cv2.TM_CCOEFF_NORMED))
    row, column = np.unravel_index(int(surface.argmax()), surface.shape)
    return float(column - rx) * factor, float(row - ry) * factor, float(surface[row, column])


def align(reference: Image, moving: Image) -> Alignment | None:
    """Shift and magnification of `moving` against `reference`; None if they do not show the same field.

    Parameters
    ----------
    reference, moving : ndarray of shape (H, W), float32
        Grey pictures of the same size.

    Notes
    -----
    Patches spread over the picture measure their own shifts by least squares on the pixels with gain and level free
    (Lucas and Kanade 1981; Baker and Matthews 2004), from coarse to fine. Shift and magnification are a weighted
    least-squares fit to them, in which patches far off the others count little (Cauchy weights). Defocus is
    symmetric and so shifts no patch; a patch that is blurred in either picture is only less certain.
    """
    x, y, correlation = first_look(reference, moving)
    if correlation < SAME_FIELD:
        return None
    theta = np.array([0.0, x, y])
    u_px = math.inf
    for level in LEVELS:
        if level > 1 and min(reference.shape) / level < 120:
            continue
        a, b = (_band_pass(_reduced(one, level)) for one in (reference, moving))
        for _ in range(2 if level == 1 else 1):
            found = _fit_patches(a, b, theta / (1.0, level, level))
            if found is None:
                return None
            theta, u_px = found[0] * (1.0, level, level), found[1] * level
    if abs(theta[0]) > LARGEST_MAGNIFICATION:
        return None
    return Alignment(1.0 + float(theta[0]), (float(theta[1]), float(theta[2])), u_px, correlation)


def _reduced(grey: Image, level: int) -> Image:
    if level == 1:
        return grey
    height, width = grey.shape
    # A whole number of blocks, cut evenly, so that the centre stays the centre.
    top, left = (height % level) // 2, (width % level) // 2
    even = grey[top : top + height - height % level, left : left + width - width % level]
    return np.asarray(cv2.resize(even, None, fx=1 / level, fy=1 / level, interpolation=cv2.INTER_AREA), np.float32)


def _band_pass(grey: Image) -> Image:
    """Without shading and pixel noise, in percent of the local brightness."""
    fine = cv2.GaussianBlur(grey, (0, 0), SMOOTH_PX)
    wide = cv2.GaussianBlur(grey, (0, 0), BACKGROUND_PX)
    return np.asarray((fine - wide) * (100.0 / (wide + 24.0)), dtype=np.float32)


def _fit_patches(a: Image, b: Image, theta: Floats) -> tuple[Floats, float] | None:
    """Magnification less 1 and shift from all patches, starting at `theta`, and the uncertainty at a corner."""
    height, width = a.shape
    across, down = PATCHES
    w, h = (width - 2 * RIM_PX) // across, (height - 2 * RIM_PX) // down
    rows = []
    for i in range(down):
        for j in range(across):
            left, top = RIM_PX + j * w, RIM_PX + i * h
            centre = (left + (w - width) / 2, top + (h - height) / 2)
            start = (theta[0] * centre[0] + theta[1], theta[0] * centre[1] + theta[2])
            seen = _patch_shift(a, b, (left, top, w, h), start)
            if seen is not None:
                rows.append((*centre, *seen))
    if len(rows) < 2:
        return None
    data = np.array(rows)
    # Unknowns: magnification less 1, shift x, shift y; every patch gives two equations.
    zero, one = np.zeros(len(data)), np.ones(len(data))
    design = np.vstack([np.column_stack([data[:, 0], one, zero]), np.column_stack([data[:, 1], zero, one])])
    value, sigma = np.concatenate([data[:, 2], data[:, 3]]), np.concatenate([data[:, 4], data[:, 5]])
    if len(data) < 6:
        design = design[:, 1:]
    weight = np.ones(len(value))
    fit = np.zeros(design.shape[1])
    for _ in range(20):
        scaled = design * (np.sqrt(weight) / sigma)[:, None]
        fit = np.linalg.lstsq(scaled, value * np.sqrt(weight) / sigma, rcond=None)[0]
        z = (value - design @ fit) / sigma
        spread = max(1.0, 1.4826 * float(np.median(np.abs(z))))
        weight = 1 / (1 + (z / (2 * spread)) ** 2)
    cov = np.linalg.inv(scaled.T @ scaled) * spread**2
    corner = np.array([[width / 2, 1, 0], [height / 2, 0, 1]])[:, 3 - design.shape[1] :]
    u_px = math.sqrt(float(np.einsum("ij,jk,ik->", corner, cov, corner)))
    return np.concatenate([np.zeros(3 - len(fit)), fit]), u_px


def _patch_shift(
    a: Image, b: Image, patch: tuple[int, int, int, int], start: tuple[float, float]
) -> tuple[float, float, float, float] | None:
    """Shift (x, y) of one patch (left, top, width, height of a) with its standard uncertainties, or None."""
    left, top, w, h = patch
    inner = a[top : top + h, left : left + w]
    za = inner - inner.mean()
    x, y = start
    for _ in range(6):
        ix, iy = round(x), round(y)
        x0, y0 = left + ix - 5, top + iy - 5
        if x0 < 0 or y0 < 0 or x0 + w + 10 > b.shape[1] or y0 + h + 10 > b.shape[0]:
            return None
        field = b[y0 : y0 + h + 10, x0 : x0 + w + 10]
        moved = cv2.sepFilter2D(field, cv2.CV_32F, _taps(x - ix), _taps(y - iy))[5:-5, 5:-5]
        zb = moved - moved.mean()
        aa, bb, ab = float(np.vdot(za, za)), float(np.vdot(zb, zb)), float(np.vdot(za, zb))
        if min(aa, bb) < 1e-4 * za.size or ab < 0.3 * math.sqrt(aa * bb):
            return None
        # The sharper one is scaled to the other, so that neither's detail weighs more.
        residual = za * np.float32(math.sqrt(bb / aa)) - zb
        gx, gy = cv2.Scharr(moved, cv2.CV_32F, 1, 0) / 32, cv2.Scharr(moved, cv2.CV_32F, 0, 1) / 32
        normal = np.array([[np.vdot(gx, gx), np.vdot(gx, gy)], [np.vdot(gx, gy), np.vdot(gy, gy)]], dtype=np.float64)
        variance = max(float(np.vdot(residual, residual)) / za.size, 1e-9) * 4 * np.pi * SMOOTH_PX**2
        # A weak prior at the start keeps an edge that runs along one axis from sliding.
        cov = np.linalg.inv(normal / variance + np.eye(2))
        step = cov @ (
            np.array([np.vdot(gx, residual), np.vdot(gy, residual)]) / variance + (start[0] - x, start[1] - y)
        )
        x, y = x + float(np.clip(step[0], -1, 1)), y + float(np.clip(step[1], -1, 1))
        if abs(x - start[0]) > 3 or abs(y - start[1]) > 3:
            return None
        if np.abs(step).max() < 2e-3:
            break
    return x, y, math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])


def _taps(shift_px: float) -> Floats:
    """Nine taps that read a row at i + shift: Lagrange's polynomial (Laakso et al. 1996)."""
    factors = np.where(np.eye(9, dtype=bool), 1.0, (shift_px - _NODES) / _SPACING)
    return np.asarray(factors.prod(axis=1), dtype=np.float64)


_NODES = np.arange(-4.0, 5.0)
_SPACING = np.where(np.eye(9, dtype=bool), 1.0, _NODES[:, None] - _NODES[None, :])
