"""Compiled loops of the registration: each goes through memory once, row by row, where arrays would do so many times.

Rows are C-contiguous, so that the compiler can take many pixels at a time.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from dieplat.compiled import compiled, inner

Image = npt.NDArray[np.float32]
Sums = npt.NDArray[np.float64]


@inner
def _add_line(line: Image, weight: float, sums: Sums, squares: Sums) -> None:
    for j in range(line.size):
        value = np.float64(line[j])
        sums[j] += weight * value
        squares[j] += weight * value * value


@compiled
def window_sums(field: Image, rows: int, columns: int) -> tuple[Sums, Sums]:
    """Sums of the values and of their squares over every window of `rows` by `columns` that lies inside a field.

    Parameters
    ----------
    field : ndarray of shape (H, W), float32, C-contiguous
        The picture.
    rows, columns : int
        Size of the windows.

    Returns
    -------
    tuple of ndarray of shape (H - rows + 1, W - columns + 1), float64
        By the window's first row and column.
    """
    down, across = field.shape[0] - rows + 1, field.shape[1] - columns + 1
    sums, squares = np.empty((down, across)), np.empty((down, across))
    of_columns, squares_of_columns = np.zeros(field.shape[1]), np.zeros(field.shape[1])
    for row in range(rows - 1):
        _add_line(field[row], 1.0, of_columns, squares_of_columns)
    for top in range(down):
        _add_line(field[top + rows - 1], 1.0, of_columns, squares_of_columns)
        total, square = 0.0, 0.0
        for j in range(columns - 1):
            total += of_columns[j]
            square += squares_of_columns[j]
        for left in range(across):
            total += of_columns[left + columns - 1]
            square += squares_of_columns[left + columns - 1]
            sums[top, left], squares[top, left] = total, square
            total -= of_columns[left]
            square -= squares_of_columns[left]
        _add_line(field[top], -1.0, of_columns, squares_of_columns)
    return sums, squares


@inner
def _even_row(line: npt.NDArray[np.generic], gain: Image, out: Image) -> None:
    for j in range(gain.size):
        out[j + 4] = np.float32(line[j]) * gain[j]


@inner
def _mirror_ends(line: Image) -> None:
    last = line.size - 5
    for k in range(4):
        line[3 - k] = line[5 + k]
        line[last + 1 + k] = line[last - 1 - k]


@inner
def _along_row(line: Image, taps: Image, out: Image) -> None:
    t0, t1, t2, t3, t4 = taps[0], taps[1], taps[2], taps[3], taps[4]
    for j in range(out.size):
        near = t4 * line[j + 4] + t3 * (line[j + 3] + line[j + 5]) + t2 * (line[j + 2] + line[j + 6])
        out[j] = near + t1 * (line[j + 1] + line[j + 7]) + t0 * (line[j] + line[j + 8])


@inner
def _across_rows(ring: Image, first: int, taps: Image, level: np.float32, out: Image, total: Image) -> None:
    """Nine rows of a ring from `first` on, weighted, plus a level; added to `total` as well."""
    t0, t1, t2, t3, t4 = taps[0], taps[1], taps[2], taps[3], taps[4]
    r0, r1, r2 = ring[first % 9], ring[(first + 1) % 9], ring[(first + 2) % 9]
    r3, r4, r5 = ring[(first + 3) % 9], ring[(first + 4) % 9], ring[(first + 5) % 9]
    r6, r7, r8 = ring[(first + 6) % 9], ring[(first + 7) % 9], ring[(first + 8) % 9]
    for j in range(out.size):
        near = level + t4 * r4[j] + t3 * (r3[j] + r5[j]) + t2 * (r2[j] + r6[j])
        value = near + t1 * (r1[j] + r7[j]) + t0 * (r0[j] + r8[j])
        out[j] = value
        total[j] += value


@inner
def _fours(total: Image, out: Image) -> None:
    """Means of four columns of four rows; the rows' sums are cleared."""
    for j in range(out.size):
        k = 4 * j
        out[j] = np.float32(0.0625) * (total[k] + total[k + 1] + total[k + 2] + total[k + 3])
    for j in range(total.size):
        total[j] = 0


@compiled
def smoothed(
    tile: npt.NDArray[np.generic],
    gain: Image,
    corner: tuple[int, int],
    fine: Image,
    small: Image,
    taps_x: Image,
    taps_y: Image,
    level: float,
) -> None:
    """Smooth a part of a tile times its gain, and reduce it to a quarter, in one pass.

    Parameters
    ----------
    tile : ndarray of shape (H, W), C-contiguous
        Grey.
    gain : ndarray of shape (H, W), float32, C-contiguous
        What the tile is multiplied by.
    corner : tuple of int
        First (row, column) of the part.
    fine : ndarray of shape (h, w), float32, C-contiguous
        Filled with the part, smoothed, plus `level`. Beyond its rim the part is mirrored, the rim itself not repeated.
    small : ndarray of shape (h // 4, w // 4), float32, C-contiguous
        Filled with the means of four by four values of `fine`.
    taps_x, taps_y : ndarray of shape (9,), float32
        Symmetric filters along the rows and across them.
    level : float
        See above.
    """
    (rows, columns), (top, left) = fine.shape, corner
    even = np.empty(columns + 8, dtype=np.float32)
    ring = np.empty((9, columns), dtype=np.float32)
    total = np.zeros(columns, dtype=np.float32)
    for i in range(-4, rows + 4):
        row = top + (-i if i < 0 else i if i < rows else 2 * rows - 2 - i)
        _even_row(tile[row][left : left + columns], gain[row][left : left + columns], even)
        _mirror_ends(even)
        _along_row(even, taps_x, ring[(i + 9) % 9])
        out = i - 4
        if out >= 0:
            _across_rows(ring, out + 5, taps_y, np.float32(level), fine[out], total)
            if out % 4 == 3:
                _fours(total, small[out // 4])


@compiled
def over_background(fine: Image, wide: Image, row_of: npt.NDArray[np.intp], share: Image) -> None:
    """Turn every pixel of `fine` into its excess over the background, in percent.

    Parameters
    ----------
    fine : ndarray of shape (H, W), float32, C-contiguous
        The picture; overwritten.
    wide : ndarray of shape (h, W), float32, C-contiguous
        Rows of the background, fewer than the picture's.
    row_of : ndarray of shape (H,), intp
        The background's row at or above each of the picture's, below its last one.
    share : ndarray of shape (H,), float32
        Weight of the row after that.
    """
    for row in range(fine.shape[0]):
        line, above, below = fine[row], wide[row_of[row]], wide[row_of[row] + 1]
        lower = share[row]
        upper = np.float32(1) - lower
        for j in range(line.size):
            line[j] = np.float32(100) * line[j] / (upper * above[j] + lower * below[j]) - np.float32(100)


@inner
def _differences_of_sums(high: Sums, low: Sums, out: Sums) -> None:
    for j in range(out.size):
        out[j] = high[j] - low[j]


@inner
def _scores_left(
    line: Image, sum_a: Sums, square_a: Sums, sum_b: Sums, square_b: Sums, rows: int, floor: float, out: Image
) -> None:
    """Offsets 1 - W to -1: the first columns of a lie on the last ones of b."""
    width = sum_a.size - 1
    for k in range(out.size):
        columns = k + 1
        area = float(rows * columns)
        in_a, in_b = sum_a[columns], sum_b[width] - sum_b[width - columns]
        power_a = max(square_a[columns] - in_a * in_a / area, area * floor)
        power_b = max(square_b[width] - square_b[width - columns] - in_b * in_b / area, area * floor)
        out[k] = (line[k] - in_a * in_b / area) / math.sqrt(power_a * power_b + 1e-12)


@inner
def _scores_right(
    line: Image, sum_a: Sums, square_a: Sums, sum_b: Sums, square_b: Sums, rows: int, floor: float, out: Image
) -> None:
    """Offsets 0 to W - 1: the last columns of a lie on the first ones of b."""
    width = sum_a.size - 1
    for k in range(out.size):
        area = float(rows * (width - k))
        in_a, in_b = sum_a[width] - sum_a[k], sum_b[width - k]
        power_a = max(square_a[width] - square_a[k] - in_a * in_a / area, area * floor)
        power_b = max(square_b[width - k] - in_b * in_b / area, area * floor)
        out[k] = (line[k] - in_a * in_b / area) / math.sqrt(power_a * power_b + 1e-12)


@compiled
def coarse_scores(product: Image, sums_a: Sums, squares_a: Sums, sums_b: Sums, squares_b: Sums, floor: float) -> Image:
    """Normalised correlation of two pictures of one size at every offset, on just the pixels that overlap there.

    Parameters
    ----------
    product : ndarray of shape (h, w), float32
        Circular correlation of the pictures padded with zeros: at [y mod h, x mod w] for offset (x, y).
    sums_a, squares_a, sums_b, squares_b : ndarray of shape (H + 1, W + 1), float64
        Running sums of their values and of the squares, with a row and a column of zeros first.
    floor : float
        Least variance that counts.

    Returns
    -------
    ndarray of shape (2 H - 1, 2 W - 1), float32
        For offsets from 1 - H and 1 - W on.
    """
    height, width = sums_a.shape[0] - 1, sums_a.shape[1] - 1
    score = np.empty((2 * height - 1, 2 * width - 1), dtype=np.float32)
    rows = np.empty((4, width + 1))
    for dy in range(1 - height, height):
        # The overlap's rows in a, and in b.
        top, bottom = max(dy, 0), min(dy, 0) + height
        _differences_of_sums(sums_a[bottom], sums_a[top], rows[0])
        _differences_of_sums(squares_a[bottom], squares_a[top], rows[1])
        _differences_of_sums(sums_b[bottom - dy], sums_b[top - dy], rows[2])
        _differences_of_sums(squares_b[bottom - dy], squares_b[top - dy], rows[3])
        # Left of the other picture, from the widest offset inwards, and then right of it.
        line, out = product[dy % product.shape[0]], score[dy + height - 1]
        count, negative = bottom - top, line[line.size - width + 1 :]
        _scores_left(negative, rows[0], rows[1], rows[2], rows[3], count, floor, out[: width - 1])
        _scores_right(line[:width], rows[0], rows[1], rows[2], rows[3], count, floor, out[width - 1 :])
    return score


@inner
def _add_weighted(line: Image, weight: np.float32, out: Image) -> None:
    for j in range(out.size):
        out[j] += weight * np.float32(line[j])


@compiled
def area_means(picture: npt.NDArray[np.generic], channels: int, size: tuple[int, int]) -> Image:
    """Mean of every block of a picture cut into equal blocks, pixels on their borders shared by area.

    Parameters
    ----------
    picture : ndarray of shape (H, W * channels), C-contiguous
        Rows of pixels, the channels of each together.
    channels : int
        Values of a pixel.
    size : tuple of int
        Rows and columns of blocks.

    Returns
    -------
    ndarray of shape (rows, columns, channels), float32
    """
    height, width = picture.shape[0], picture.shape[1] // channels
    tall, wide = height / size[0], width / size[1]
    means = np.zeros((size[0], size[1], channels), dtype=np.float32)
    line = np.empty(width * channels, dtype=np.float32)
    for row in range(size[0]):
        line[:] = 0
        for i in range(int(row * tall), min(math.ceil((row + 1) * tall), height)):
            covered = min(i + 1.0, (row + 1) * tall) - max(float(i), row * tall)
            _add_weighted(picture[i], np.float32(covered / (tall * wide)), line)
        for column in range(size[1]):
            for j in range(int(column * wide), min(math.ceil((column + 1) * wide), width)):
                part = np.float32(min(j + 1.0, (column + 1) * wide) - max(float(j), column * wide))
                for channel in range(channels):
                    means[row, column, channel] += part * line[j * channels + channel]
    return means
