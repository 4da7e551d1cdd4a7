"""What a sub-pixel offset is worth, told by the pixels themselves, compiled.

As in `subpixel`, rows are C-contiguous and sums are added in a fixed order.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner
from dieplat.registration.loops import Image, Sums
from dieplat.registration.subpixel import (
    EDGE,
    SMOOTH_PX,
    START_SIGMA_PX,
    moved_row,
    rim_of,
    shift_taps,
    shifted_moments,
)

SCORE_PX = 24
"""Side of the blocks whose pulls on an offset are taken for independent: thrice a block of JPEG."""
FEW_BLOCKS = 12


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
        moved_row(b, corner_b[0] + row - 1, corner_b[1] - EDGE, taps_x, taps_y, upright, ring[row % 3])
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
