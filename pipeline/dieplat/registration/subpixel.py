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
SCORE_PX = 24
"""Side of the blocks whose pulls on an offset are taken for independent: thrice a block of JPEG."""
FEW_BLOCKS = 12
TAPS = 9
LANES = 16
MOMENTS = 14
EDGE = 5
"""Pixels about a window that a shift by nine taps and a derivative reach."""
_ROWS_OF_PART = 64
"""Rows summed in single precision before they are added to the total in double."""


@inner
def _moved_row(b: Image, row: int, left: int, taps_x: Image, taps_y: Image, upright: Image, out: Image) -> None:
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
        _moved_row(b, corner_b[0] + row - 1, corner_b[1] - EDGE, taps_x, taps_y, upright, ring[row % 3])
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


@compiled
def scores(
    a: Image,
    b: Image,
    corner_a: tuple[int, int],
    corner_b: tuple[int, int],
    size: tuple[int, int],
    taps_x: Image,
    taps_y: Image,
    means: tuple[float, float, float, float],
    gain: float,
) -> tuple[Sums, Sums, int]:
    """How the pull that the pixels of a window have on an offset scatters, and what both pictures' slopes share.

    Parameters
    ----------
    a, b, corner_a, corner_b, size, taps_x, taps_y
        As in `shifted_moments`.
    means : tuple of float
        Means over the window of the moved b's derivatives along x and y, of its values, and of a's.
    gain : float
        What b's values about their mean are multiplied by before a's are taken off.

    Returns
    -------
    tuple
        Over blocks of `SCORE_PX` pixels a side the sums of the squares of the pull along x, of its product with that
        along y, and of the squares of the latter. Over all pixels the sums of the products of derivatives, along x and
        x, x and y, y and y, of a with itself, and of a with b. The number of blocks.
    """
    rows, columns = size
    upright = np.empty(columns + 2 * EDGE, dtype=np.float32)
    ring = np.empty((3, columns + 2), dtype=np.float32)
    pulls = np.zeros((2, columns), dtype=np.float32)
    products = np.zeros((6, columns), dtype=np.float32)
    mean_x, mean_y = np.float32(means[0]), np.float32(means[1])
    level, factor = np.float32(means[3] - gain * means[2]), np.float32(gain)
    scatter, slopes, blocks = np.zeros(3), np.zeros(6), 0
    first = corner_a[1] - 1
    for row in range(rows + 2):
        _moved_row(b, corner_b[0] + row - 1, corner_b[1] - EDGE, taps_x, taps_y, upright, ring[row % 3])
        if row < 2:
            continue
        before, here, after = ring[(row - 2) % 3], ring[(row - 1) % 3], ring[row % 3]
        line = corner_a[0] + row - 2
        over, of_a, under = (
            a[line - 1][first : first + columns + 2],
            a[line][first : first + columns + 2],
            a[line + 1][first : first + columns + 2],
        )
        _add_pulls(before, here, after, of_a[1:-1], mean_x, mean_y, level, factor, pulls)
        _add_slopes(before, here, after, over, of_a, under, products)
        if (row - 1) % SCORE_PX == 0 or row == rows + 1:
            for start in range(0, columns, SCORE_PX):
                x, y = 0.0, 0.0
                for j in range(start, min(start + SCORE_PX, columns)):
                    x += pulls[0, j]
                    y += pulls[1, j]
                scatter[0], scatter[1], scatter[2] = scatter[0] + x * x, scatter[1] + x * y, scatter[2] + y * y
                blocks += 1
            for j in range(columns):
                pulls[0, j], pulls[1, j] = np.float32(0.0), np.float32(0.0)
                for k in range(6):
                    slopes[k] += products[k, j]
                    products[k, j] = np.float32(0.0)
    return scatter, slopes, blocks


@inner
def _add_pulls(
    before: Image,
    here: Image,
    after: Image,
    line: Image,
    mean_x: np.float32,
    mean_y: np.float32,
    level: np.float32,
    factor: np.float32,
    pulls: Image,
) -> None:
    for j in range(line.size):
        rest = factor * here[j + 1] + level - line[j]
        pulls[0, j] += rest * (np.float32(0.5) * (here[j + 2] - here[j]) - mean_x)
        pulls[1, j] += rest * (np.float32(0.5) * (after[j + 1] - before[j + 1]) - mean_y)


@inner
def _add_slopes(
    before: Image, here: Image, after: Image, over: Image, of_a: Image, under: Image, products: Image
) -> None:
    """Add products of twice the derivatives of a row of a and of b."""
    for j in range(products.shape[1]):
        ax, ay = of_a[j + 2] - of_a[j], under[j + 1] - over[j + 1]
        bx, by = here[j + 2] - here[j], after[j + 1] - before[j + 1]
        products[0, j] += ax * ax
        products[1, j] += ax * ay
        products[2, j] += ay * ay
        products[3, j] += ax * bx
        products[4, j] += np.float32(0.5) * (ax * by + ay * bx)
        products[5, j] += ay * by


@compiled
def quality(
    a: Image, b: Image, place: tuple[float, float], prior: tuple[float, float], rim_px: int
) -> npt.NDArray[np.float64]:
    """What an offset is worth that `descend` gave of pictures at full size, and the step to where it should be.

    Returns
    -------
    ndarray of shape (6,), float64
        Its covariance (xx, xy, yy); the coherence of both pictures' slopes in the direction in which this is least,
        from -1 to 1; the step (x, y) that is left. Zeros where nothing can be said. `descend` takes the slopes of one
        picture's noise for slopes of what it shows, so that its steps are too short, and it may end early.

    Notes
    -----
    Neighbouring pixels share their noise, by how much depends on the camera and its compression; and what does not fit
    lies where the contrast is. So the scatter of the pixels' pull on the offset is taken from blocks of pixels, which
    are independent of one another whatever happens within them (White 1980, Econometrica 48, 817-838; Liang and Zeger
    1986, Biometrika 73, 13-22), and from `FEW_BLOCKS` more that behave as smoothed white noise would. How the pull
    changes with the offset is told by slopes that both pictures share: the noise of one has slopes too, but holds
    nothing. Where both show straight lines only, nothing is shared along these, however well all fits.
    """
    height, width = a.shape
    x, y = place
    ix, iy = round(x), round(y)
    rim = rim_of(min(height - abs(iy), width - abs(ix)), rim_px)
    top, left = max(0, iy) + rim, max(0, ix) + rim
    size = min(height, height + iy) - rim - top, min(width, width + ix) - rim - left
    taps_x, taps_y = shift_taps(x - ix), shift_taps(y - iy)
    corner_b = top - iy, left - ix
    sums = shifted_moments(a, b, (top, left), corner_b, size, taps_x, taps_y)
    n = size[0] * size[1]
    mx, my, mv, mu = sums[0] / n, sums[1] / n, sums[2] / n, sums[3] / n
    xx, xy, yy = (sums[4] / n - mx * mx) * n / 4, (sums[5] / n - mx * my) * n / 4, (sums[8] / n - my * my) * n / 4
    bb, ab, aa = sums[11] / n - mv * mv, sums[12] / n - mv * mu, sums[13] / n - mu * mu
    found = np.zeros(6)
    if aa <= 1e-6 or bb <= 1e-6:
        return found
    gain = math.sqrt(aa / bb)
    pull, slopes, blocks = scores(a, b, (top, left), corner_b, size, taps_x, taps_y, (mx / 2, my / 2, mv, mu), gain)
    share = blocks / (blocks + FEW_BLOCKS)
    # The start's place is one more observation.
    variance = max(2 * aa - 2 * gain * ab, 1e-9) * (4 * math.pi * SMOOTH_PX**2)
    held = variance / START_SIGMA_PX**2
    vxx = share * pull[0] + (1 - share) * variance * xx + held * variance
    vxy = share * pull[1] + (1 - share) * variance * xy
    vyy = share * pull[2] + (1 - share) * variance * yy + held * variance
    nxx, nxy, nyy = slopes[3] / 4 + held, slopes[4] / 4, slopes[5] / 4 + held
    area = nxx * nyy - nxy * nxy
    # Slopes that disagree in some direction say nothing of it.
    if nxx <= 0 or area <= 1e-12 * nxx * nyy:
        return found
    # The inverse of the normal matrix on either side of the scatter.
    ixx, ixy, iyy = nyy / area, -nxy / area, nxx / area
    along_x = (gain * (sums[6] - mx * sums[2]) - (sums[7] - mx * sums[3])) / 2 + held * (prior[0] - x)
    along_y = (gain * (sums[9] - my * sums[2]) - (sums[10] - my * sums[3])) / 2 + held * (prior[1] - y)
    found[0] = ixx * ixx * vxx + 2 * ixx * ixy * vxy + ixy * ixy * vyy
    found[1] = ixx * ixy * vxx + (ixx * iyy + ixy * ixy) * vxy + ixy * iyy * vyy
    found[2] = ixy * ixy * vxx + 2 * ixy * iyy * vxy + iyy * iyy * vyy
    found[3] = _least_shared(slopes, 4 * xx, 4 * xy, 4 * yy)
    found[4] = ixx * along_x + ixy * along_y
    found[5] = ixy * along_x + iyy * along_y
    return found


@inner
def _least_shared(slopes: Sums, bxx: float, bxy: float, byy: float) -> float:
    """Coherence of the slopes of a and b along the direction in which they share least."""
    half, off = (slopes[3] - slopes[5]) / 2, slopes[4]
    angle = 0.5 * math.atan2(off, half) + math.pi / 2
    c, s = math.cos(angle), math.sin(angle)
    shared = c * c * slopes[3] + 2 * c * s * slopes[4] + s * s * slopes[5]
    of_a = c * c * slopes[0] + 2 * c * s * slopes[1] + s * s * slopes[2]
    of_b = c * c * bxx + 2 * c * s * bxy + s * s * byy
    return float(shared / math.sqrt(max(of_a * of_b, 1e-12)))
