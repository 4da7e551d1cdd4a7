"""The sub-pixel offset of two pictures by least squares on their pixels, compiled.

Rows are C-contiguous, so that the compiler can take many pixels at a time. Sums are kept in `LANES` parts that are
added up in the end: their order is fixed, and so is the result, on any machine.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner
from dieplat.registration.loops import Image, Sums

SMOOTH_PX = 1.0
"""Pre-smoothing: keeps interpolation error and the bias of noise on sub-pixel shifts well below 0.01 px."""
RIM_PX = 24
"""So near to a tile's rim the background is guessed, differently in either tile, and structure there seems to move."""
SHARED_RIM_PX = 8
"""Enough where both were cut to what they share before their backgrounds were guessed: the guesses are alike."""
START_SIGMA_PX = 0.5
"""How well the peak of the correlation is trusted where the pixels do not fix an offset, such as along an edge."""
ENOUGH_PX = 0.015
"""A last step shorter than this leaves a tenth of it: Gauss-Newton steps shrink at least so fast near the place."""
LONGEST_PX = 0.7
"""Derivatives hold near the present place only: a longer step is cut short."""
ASTRAY_PX = 2.0
TAPS = 9
LANES = 16
MOMENTS = 14
EDGE = 5
"""Pixels about a window that a shift by nine taps and a derivative reach."""
_ROWS_OF_PART = 64
"""Rows summed in single precision before they are added to the total in double."""


@inner
def moved_row(b: Image, row: int, left: int, taps_x: Image, taps_y: Image, upright: Image, out: Image) -> None:
    """One row of b, moved by the taps along y and x: out[j] comes to lie at column left + 4 + j.

    `upright` is scratch, as long as the columns used.
    """
    n, first = upright.size, row - 4
    r0, r1, r2 = b[first][left : left + n], b[first + 1][left : left + n], b[first + 2][left : left + n]
    r3, r4, r5 = b[first + 3][left : left + n], b[first + 4][left : left + n], b[first + 5][left : left + n]
    r6, r7, r8 = b[first + 6][left : left + n], b[first + 7][left : left + n], b[first + 8][left : left + n]
    w0, w1, w2, w3, w4 = taps_y[0], taps_y[1], taps_y[2], taps_y[3], taps_y[4]
    w5, w6, w7, w8 = taps_y[5], taps_y[6], taps_y[7], taps_y[8]
    for j in range(n):
        some = w0 * r0[j] + w1 * r1[j] + w2 * r2[j] + w3 * r3[j]
        upright[j] = some + w4 * r4[j] + w5 * r5[j] + w6 * r6[j] + w7 * r7[j] + w8 * r8[j]
    w0, w1, w2, w3, w4 = taps_x[0], taps_x[1], taps_x[2], taps_x[3], taps_x[4]
    w5, w6, w7, w8 = taps_x[5], taps_x[6], taps_x[7], taps_x[8]
    u = upright
    for j in range(out.size):
        some = w0 * u[j] + w1 * u[j + 1] + w2 * u[j + 2] + w3 * u[j + 3]
        out[j] = some + w4 * u[j + 4] + w5 * u[j + 5] + w6 * u[j + 6] + w7 * u[j + 7] + w8 * u[j + 8]


@inner
def _copy(line: Image, out: Image) -> None:
    for j in range(line.size):
        out[j] = line[j]


@inner
def _differences(high: Image, low: Image, out: Image) -> None:
    for j in range(high.size):
        out[j] = high[j] - low[j]


@inner
def _add_products(x_row: Image, y_row: Image, v_row: Image, u_row: Image, part: Image) -> None:
    """Add four rows and their products to their parts; the rows are whole blocks of `LANES`."""
    n = LANES
    whole = x_row.size - x_row.size % n  # so written, the compiler sees that blocks are whole
    for start in range(0, whole, n):
        for k in range(n):
            x, y, v, u = x_row[start + k], y_row[start + k], v_row[start + k], u_row[start + k]
            part[k] += x
            part[n + k] += y
            part[2 * n + k] += v
            part[3 * n + k] += u
            part[4 * n + k] += x * x
            part[5 * n + k] += x * y
            part[6 * n + k] += x * v
            part[7 * n + k] += x * u
            part[8 * n + k] += y * y
            part[9 * n + k] += y * v
            part[10 * n + k] += y * u
            part[11 * n + k] += v * v
            part[12 * n + k] += v * u
            part[13 * n + k] += u * u


@compiled
def shifted_moments(
    a: Image,
    b: Image,
    corner_a: tuple[int, int],
    corner_b: tuple[int, int],
    size: tuple[int, int],
    taps_x: Image,
    taps_y: Image,
) -> Sums:
    """Sums over a window of a, and of b moved by a fraction of a pixel, that a Gauss-Newton step rests on.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32, C-contiguous
        Pictures.
    corner_a, corner_b : tuple of int
        First (row, column) of the window in either picture.
    size : tuple of int
        Rows and columns of the window. Around it `EDGE` pixels of b more are used, which must be there.
    taps_x, taps_y : ndarray of shape (9,), float32
        Filters that move b.

    Returns
    -------
    ndarray of shape (14,), float64
        With x and y twice the derivatives of the moved b, v its value and u that of a: the sums of x, y, v, u, and of
        the products xx, xy, xv, xu, yy, yv, yu, vv, vu, uu.
    """
    rows, columns = size
    upright = np.empty(columns + 2 * EDGE, dtype=np.float32)
    ring = np.empty((3, columns + 2), dtype=np.float32)
    # Filled up with zeros to whole blocks.
    terms = np.zeros((4, -(-columns // LANES) * LANES), dtype=np.float32)
    part = np.zeros(MOMENTS * LANES, dtype=np.float32)
    total = np.zeros(MOMENTS, dtype=np.float64)
    for row in range(rows + 2):
        moved_row(b, corner_b[0] + row - 1, corner_b[1] - EDGE, taps_x, taps_y, upright, ring[row % 3])
        if row < 2:
            continue
        before, here, after = ring[(row - 2) % 3], ring[(row - 1) % 3], ring[row % 3]
        _differences(here[2 : columns + 2], here[:columns], terms[0])
        _differences(after[1 : columns + 1], before[1 : columns + 1], terms[1])
        _copy(here[1 : columns + 1], terms[2])
        _copy(a[corner_a[0] + row - 2][corner_a[1] : corner_a[1] + columns], terms[3])
        _add_products(terms[0], terms[1], terms[2], terms[3], part)
        if row % _ROWS_OF_PART == 0 or row == rows + 1:
            for m in range(MOMENTS):
                for k in range(LANES):
                    total[m] += part[m * LANES + k]
            part[:] = 0
    return total


@compiled
def shift_taps(shift_px: float) -> Image:
    """Nine filter taps that move a row of pixels right by a fraction of a pixel.

    Lagrange's polynomial through nine pixels: maximally flat, so smooth structure moves by just the shift asked for
    (Laakso et al. 1996, Splitting the unit delay, IEEE Signal Processing Magazine 13, 30-60). A normalised Lanczos
    window of this length moves it 5 % too far.
    """
    taps = np.empty(TAPS, dtype=np.float32)
    half = TAPS // 2
    for i in range(TAPS):
        value = 1.0
        for j in range(TAPS):
            if j != i:
                value *= (-shift_px - (j - half)) / (i - j)
        taps[i] = value
    return taps


@compiled
def rim_of(room_px: int, rim_px: int) -> int:
    """What a fit leaves out along the rim of an overlap `room_px` wide.

    The taps' reach is in it, so that all pixels used are the pictures' own.
    """
    return max(8, min(rim_px, room_px // 6) + 4)


@compiled
def descend(
    a: Image,
    b: Image,
    begin: tuple[float, float],
    prior: tuple[float, float],
    iterations: int,
    scale: int,
    rim_px: int,
) -> npt.NDArray[np.float64]:
    """Gauss-Newton on sum (b(x - d) - g a(x) - c)^2 from `begin`, held weakly to `prior`.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32, C-contiguous
        Pictures, reduced by `scale`; all offsets are in their pixels.
    begin, prior : tuple of float
        Offsets (x, y).
    iterations : int
        Steps at most.
    scale : int
        1 or 2.
    rim_px : int
        Left out along the overlap's rim, or a sixth of the overlap if that is less.

    Returns
    -------
    ndarray of shape (7,), float64
        Offset (x, y), correlation, covariance (xx, xy, yy) and the number of pixels; zeros where there is nothing to
        compare, no contrast, or the fit leaves the prior's place by more than `ASTRAY_PX` of the full picture.
    """
    nothing, found = np.zeros(7), np.zeros(7)
    height, width = a.shape
    x, y = begin
    for _ in range(iterations):
        ix, iy = round(x), round(y)
        rim = rim_of(min(height - abs(iy), width - abs(ix)), rim_px)
        top, left = max(0, iy) + rim, max(0, ix) + rim
        rows, columns = min(height, height + iy) - rim - top, min(width, width + ix) - rim - left
        if rows < 8 or columns < 8:
            return nothing
        sums = shifted_moments(
            a, b, (top, left), (top - iy, left - ix), (rows, columns), shift_taps(x - ix), shift_taps(y - iy)
        )
        n = rows * columns
        for i in range(4):
            for j in range(i, 4):
                sums[4 + i * (7 - i) // 2 + j] -= sums[i] * sums[j] / n
        # Sums of products about the means, of: twice the derivatives of b along x and y, b, a.
        xx, xy, xb, xa, yy, yb, ya, bb, ab, aa = sums[4:]
        if aa <= 1e-6 * n or bb <= 1e-6 * n:
            return nothing
        gain = math.sqrt(aa / bb)
        # The residual is gain * b - a.
        variance = max((2 * aa - 2 * gain * ab) / n, 1e-9) * (4 * math.pi * (SMOOTH_PX / scale) ** 2)
        weight = (scale / START_SIGMA_PX) ** 2
        along_x = (gain * xb - xa) / 2 / variance + weight * (prior[0] - x)
        along_y = (gain * yb - ya) / 2 / variance + weight * (prior[1] - y)
        nxx, nxy, nyy = xx / 4 / variance + weight, xy / 4 / variance, yy / 4 / variance + weight
        area = nxx * nyy - nxy * nxy
        step_x = (nyy * along_x - nxy * along_y) / area
        step_y = (nxx * along_y - nxy * along_x) / area
        x += min(max(step_x, -LONGEST_PX), LONGEST_PX)
        y += min(max(step_y, -LONGEST_PX), LONGEST_PX)
        found[0], found[1], found[2] = x, y, ab / math.sqrt(aa * bb)
        found[3], found[4], found[5], found[6] = nyy / area, -nxy / area, nxx / area, n
        if max(abs(x - prior[0]), abs(y - prior[1])) > ASTRAY_PX / scale:
            return nothing
        if max(abs(step_x), abs(step_y)) < ENOUGH_PX:
            break
    return found
