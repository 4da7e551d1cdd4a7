"""The search for whole-pixel offsets of two strips, and for the peaks of a correlation."""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt
import scipy.fft

from dieplat.registration.loops import Image, window_sums

LARGE_PX = 100_000
"""Overlaps of so many pixels are searched and approached at half size."""
LEAST_CONTRAST = 1e-3
"""A picture whose values scatter less than this, in percent of its brightness, shows nothing."""


def halved(picture: Image) -> Image:
    """The picture smoothed and at half its size; its pixel k lies on the picture's pixel 2 k."""
    return np.asarray(cv2.pyrDown(picture), dtype=np.float32)


def correlation_surface(
    a: Image, b: Image, predicted: tuple[float, float], search: tuple[int, int], halves: tuple[Image, Image] | None
) -> tuple[Image, tuple[int, int]] | None:
    """Correlation at every whole-pixel offset within `search` (x, y) of `predicted`.

    The template is the part of a that stays inside b at every offset searched, so that all values rest on the same
    pixels and may be compared. Returns the surface and the offset of its first element, or None if too little overlaps.

    With `halves`, both pictures `halved`, a large overlap is searched in these, at a sixth of the work. They are
    smoothed until a surface that is known at every second offset can be read between: its peaks are then right to
    0.02. What the fine grain says against a rival is left to the fit at full size that each peak gets.
    """
    (dx, dy), (rx, ry) = (round(predicted[0]), round(predicted[1])), search
    height, width = a.shape
    columns, rows = width - abs(dx) - 2 * rx, height - abs(dy) - 2 * ry
    if halves is not None and columns * rows >= LARGE_PX and min(rx, ry) >= 8:
        centre, reach = (dx // 2, dy // 2), (rx // 2, ry // 2)
        surface = _surface(*halves, centre, reach)
        if surface is None:
            return None
        between = np.array([[0.5, 0, 0], [0, 0.5, 0]])
        size = 4 * reach[0] + 1, 4 * reach[1] + 1
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        full = cv2.warpAffine(surface, between, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(full, dtype=np.float32), (2 * (centre[0] - reach[0]), 2 * (centre[1] - reach[1]))
    if columns < 16 or rows < 16:
        return None
    plain = _surface(a, b, (dx, dy), (rx, ry))
    return None if plain is None else (plain, (dx - rx, dy - ry))


def _surface(a: Image, b: Image, centre: tuple[int, int], search: tuple[int, int]) -> Image | None:
    """The correlation at offsets within `search` of `centre`; None where there is no contrast."""
    (dx, dy), (rx, ry) = centre, search
    height, width = a.shape
    x0, y0 = max(0, dx + rx), max(0, dy + ry)
    x1, y1 = min(width, width + dx - rx), min(height, height + dy - ry)
    template = a[y0:y1, x0:x1]
    # Offset (ox, oy) puts a's (x0, y0) at b's (x0 - ox, y0 - oy): the largest offset is the window's first place.
    field = b[y0 - dy - ry : y1 - dy + ry, x0 - dx - rx : x1 - dx + rx]
    found = match(template, field)
    return None if found is None else np.ascontiguousarray(found[::-1, ::-1])


def match(template: Image, field: Image) -> Image | None:
    """Normalised correlation of a template with every window of a field that it fits into; None without contrast.

    The products come from spectra no larger than the field, since the template never leaves it, the windows' sums from
    running ones (Lewis 1995, Vision Interface, 120-123).
    """
    rows, columns = template.shape
    area = rows * columns
    centred = template - template.mean(dtype=np.float64).astype(np.float32)
    # Not by the linear algebra library: it would share the sum out to threads, and round as these are many.
    power = float(np.square(centred).sum(dtype=np.float64))
    size = [scipy.fft.next_fast_len(side, real=True) for side in field.shape]
    sums, squares = window_sums(np.ascontiguousarray(field), rows, columns)
    local = squares - sums * sums / area
    least = LEAST_CONTRAST**2 * area
    if power < least or float(local.max()) < least:
        return None
    product = scipy.fft.irfft2(np.conj(scipy.fft.rfft2(centred, size)) * scipy.fft.rfft2(field, size), size)
    product = product[: sums.shape[0], : sums.shape[1]]
    return np.asarray(product / np.sqrt(power * np.maximum(local, least)), dtype=np.float32)


def local_maxima(surface: npt.NDArray[np.float32], *, floor: float, most: int) -> list[tuple[int, int]]:
    """Places (row, column) of the local maxima at or above `floor`, highest first, at most `most`."""
    top = cv2.dilate(surface, np.ones((3, 3), np.uint8))
    rows, columns = np.nonzero((surface >= top) & (surface >= floor))
    order = np.argsort(-surface[rows, columns], kind="stable")[:most]
    return [(int(rows[i]), int(columns[i])) for i in order]


def peaks_between_pixels(
    surface: npt.NDArray[np.float32], places: list[tuple[int, int]]
) -> list[tuple[float, float, float]]:
    """Row, column and height of every peak from parabolas through its neighbours, highest first."""
    found = []
    for row, column in places:
        height = float(surface[row, column])
        shift = [0.0, 0.0]
        for axis, (size, at) in enumerate(zip(surface.shape, (row, column), strict=True)):
            if 0 < at < size - 1:
                step = (1, 0) if axis == 0 else (0, 1)
                low = float(surface[row - step[0], column - step[1]])
                high = float(surface[row + step[0], column + step[1]])
                bend = low - 2 * float(surface[row, column]) + high
                if bend < 0:
                    shift[axis] = float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5))
                    height -= 0.25 * (low - high) * shift[axis]
        found.append((row + shift[0], column + shift[1], height))
    return sorted(found, key=lambda peak: -peak[2])
