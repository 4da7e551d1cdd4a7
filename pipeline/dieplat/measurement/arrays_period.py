"""The coarse lattice of a repeating picture, from its autocorrelation.

The autocorrelation of a repeating picture peaks at every lattice vector, whatever the phase of the pattern
and
whatever stands between the banks (Wiener-Khinchin theorem; computed through the power spectrum). A candidate
is
accepted as a period only when its multiples are peaks of the same height, which keeps sub-patterns of a cell
and
fractions of a period out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from dieplat.errors import UndecidedError

FloatArray = npt.NDArray[np.float32]
Vector = npt.NDArray[np.float64]

NYQUIST_PX = 2.2
CROSSED_PX = (33, 65)
"""Lengths of the running means that take straps and lines along the axes out."""
PARTS = (2, 3)
"""Into so many parts along an axis a picture is cut where all of it shows no period; arrays of three banks occur."""
LEAST_PIXELS, PARTED_PX = 400, 150_000
PARTED_PERIOD_PX = 8.0
_WEDGE = 0.05
"""Tangent of the largest lattice rotation searched, 2.9 degrees."""
_STANDS_OUT = 3.0
_FINE = 4
_FINE_REACH_PX = 40


def flatten(image: FloatArray, mask: npt.NDArray[np.bool_], size_px: float) -> FloatArray:
    """Subtract the local mean inside `mask` (a box of `size_px`, twice); zero outside it."""
    weight = mask.astype(np.float32)
    size = (2 * round(size_px / 2) + 1,) * 2

    def smooth(values: FloatArray) -> FloatArray:
        once = cv2.blur(values, size, borderType=cv2.BORDER_CONSTANT)
        return np.asarray(cv2.blur(once, size, borderType=cv2.BORDER_CONSTANT), dtype=np.float32)

    flat = np.where(mask, image - smooth(image * weight) / np.maximum(smooth(weight), 1e-6), 0.0)
    return np.asarray(flat, dtype=np.float32)


def _crossed(image: FloatArray, mask: npt.NDArray[np.bool_], size: int) -> FloatArray:
    """Subtract the running mean along x and along y: what goes on along either axis vanishes, straps and lines too.

    Of the cells only what changes along both axes is left, which has both periods.
    """
    weight = mask.astype(np.float32)
    flat = image
    for box in ((size, 1), (1, size)):

        def smooth(values: FloatArray, box: tuple[int, int] = box) -> FloatArray:
            once = cv2.blur(values, box, borderType=cv2.BORDER_CONSTANT)
            return np.asarray(cv2.blur(once, box, borderType=cv2.BORDER_CONSTANT), dtype=np.float32)

        flat = np.where(mask, flat - smooth(flat * weight) / np.maximum(smooth(weight), 1e-6), 0.0)
        flat = np.asarray(flat, dtype=np.float32)
    return flat


def _tamed_crossed(image: FloatArray, mask: npt.NDArray[np.bool_], size: int) -> FloatArray:
    """As `_tamed`, for what changes along both axes."""
    flat = _crossed(image, mask, size)
    for _ in range(3):
        limit = _STANDS_OUT * float(np.median(np.abs(flat[mask]))) if mask.any() else 0.0
        flat = _crossed(np.clip(flat, -limit, limit), mask, size)
    return flat


def _tamed(image: FloatArray, mask: npt.NDArray[np.bool_], size_px: float) -> FloatArray:
    """Flatten a picture in which straps and dirt are no stronger than the cells themselves.

    What stands out by more than `_STANDS_OUT` times the median deviation is cut back to that, and the local
    mean, which it has pulled along, is taken anew.
    """
    flat = flatten(image, mask, size_px)
    for _ in range(3):
        limit = _STANDS_OUT * float(np.median(np.abs(flat[mask]))) if mask.any() else 0.0
        flat = flatten(np.clip(flat, -limit, limit), mask, size_px)
    return flat


def coarse_lattice(image: FloatArray, mask: npt.NDArray[np.bool_]) -> tuple[Vector, Vector, float]:
    """Find the two shortest period vectors near the picture's axes.

    Parameters
    ----------
    image : ndarray of shape (H, W), float32
        Grey picture, any unit.
    mask : ndarray of shape (H, W), bool
        True where the picture counts.

    Returns
    -------
    a_x, a_y : ndarray of shape (2,), float64
        Period vectors (x, y) in pixels, near the x and the y axis.
    strength : float
        Height of the lower of the two first peaks, as a share of the autocorrelation at lag zero.

    Raises
    ------
    UndecidedError
        If the picture shows no period along one of the axes, or one below the sampling limit.
    """
    window = _window(mask, 1024)
    level = float(np.abs(image[mask]).mean())
    part, inside = image[window], mask[window]
    for size in CROSSED_PX:
        try:
            found = _lattice_of(_tamed_crossed(part, inside, size), inside, level)
        except UndecidedError:
            continue
        # The means along the axes take periods that are no shorter than themselves with them.
        if max(np.hypot(*found[0]), np.hypot(*found[1])) < size:
            return found
    try:
        return _lattice_of(_tamed(part, inside, 64.0), inside, level)
    except UndecidedError:
        size = max(image.shape)
        step = 2 if size > 256 else 1
        if step == 1:
            raise
        # A cell may be large against the first window: try again on the whole picture, coarser.
        while size / step > 1024:
            step *= 2
        shape = (image.shape[1] // step, image.shape[0] // step)
        small = cv2.resize(image, shape, interpolation=cv2.INTER_AREA)
        small_mask = cv2.resize(mask.astype(np.float32), shape, interpolation=cv2.INTER_AREA) > 0.999
        a_x, a_y, strength = _lattice_of(_tamed(small, small_mask, max(shape) / 4), small_mask, level)
        if min(np.hypot(*a_x), np.hypot(*a_y)) < 12:
            # Averaging step x step pixels folds frequencies: a short period seen only here may be an alias.
            raise
        return a_x * step, a_y * step, strength


def period_along(image: FloatArray, mask: npt.NDArray[np.bool_], axis: str) -> tuple[Vector, float]:
    """The period vector (x, y) near the "x" or the "y" axis alone, and its height; see `coarse_lattice`.

    Raises
    ------
    UndecidedError
        If the picture shows none.
    """
    window = _window(mask, 1024)
    part, inside = image[window], mask[window]
    short, long = CROSSED_PX
    try:
        along, height = _along(_tamed_crossed(part, inside, long), inside, axis)
    except UndecidedError:
        along, height = _along(_tamed_crossed(part, inside, short), inside, axis)
    return along, height


def _along(flat: FloatArray, mask: npt.NDArray[np.bool_], axis: str) -> tuple[Vector, float]:
    value = _autocorrelation(flat, mask)
    if axis == "x":
        return _shortest_period(value, axis, _least(mask))
    upright, height = _shortest_period(value.T, axis, _least(mask))
    return upright[::-1].copy(), height


def lattice_of_parts(image: FloatArray, mask: npt.NDArray[np.bool_]) -> tuple[Vector, Vector, float] | None:
    """As `coarse_lattice`, from halves and thirds of the mask; the one that stands out most, None where none does.

    Where banks of few cells lie side by side, the cells of one meet those of the next out of step, which hides the
    period in the autocorrelation of them all. Larger masks than `PARTED_PX` are not looked at, and periods below
    `PARTED_PERIOD_PX` not believed: a pair of finer cells may pass for one where all of the picture shows neither.
    """
    found = []
    if mask.sum() <= PARTED_PX:
        for window in _parts(mask):
            try:
                lattice = coarse_lattice(image[window], mask[window])
            except UndecidedError:
                continue
            if min(np.hypot(*lattice[0]), np.hypot(*lattice[1])) >= PARTED_PERIOD_PX:
                found.append(lattice)
    return max(found, key=lambda lattice: lattice[2]) if found else None


def _parts(mask: npt.NDArray[np.bool_]) -> Iterator[tuple[slice, slice]]:
    """Stretches of a mask along either axis, each overlapping the next by half."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    y, x = slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)
    for parts in PARTS:
        for start in range(2 * parts - 1):
            for part in ((y, _stretch(x, start, parts)), (_stretch(y, start, parts), x)):
                if mask[part].sum() >= LEAST_PIXELS:
                    yield part


def _stretch(whole: slice, start: int, parts: int) -> slice:
    length = whole.stop - whole.start
    first = whole.start + start * length // (2 * parts)
    return slice(first, first + length // parts)


def _window(mask: npt.NDArray[np.bool_], size: int) -> tuple[slice, slice]:
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    middle = (int(rows[0] + rows[-1]) // 2, int(columns[0] + columns[-1]) // 2)
    y, x = (max(0, m - size // 2) for m in middle)
    return slice(y, y + size), slice(x, x + size)


def _autocorrelation(flat: FloatArray, mask: npt.NDArray[np.bool_]) -> FloatArray:
    """Autocorrelation by lag, normalised by the overlap of the mask and by lag zero; lag (0, 0) at the
    centre."""
    shape = tuple(fft.next_fast_len(2 * n, real=True) for n in flat.shape)
    power = np.abs(fft.rfft2(flat, shape)) ** 2
    overlap = np.abs(fft.rfft2(mask.astype(np.float32), shape)) ** 2
    value = fft.irfft2(power, shape)
    norm = fft.irfft2(overlap, shape)
    value = np.where(norm > 0.1 * norm[0, 0], value / np.maximum(norm, 1.0), 0.0)
    value = fft.fftshift(value / max(float(value[0, 0]), 1e-12))
    return np.asarray(value, dtype=np.float32)


def _lattice_of(flat: FloatArray, mask: npt.NDArray[np.bool_], level: float) -> tuple[Vector, Vector, float]:
    # Rounding of 32-bit sums leaves about 1e-6 of the grey level.
    if not mask.any() or float(flat[mask].std()) <= 1e-4 * level:
        raise UndecidedError("memory array: the picture is flat inside the polygon; nothing repeats there")
    value = _autocorrelation(flat, mask)
    least = _least(mask)
    across, strength_x = _shortest_period(value, "x", least)
    down, strength_y = _shortest_period(value.T, "y", least)
    return across, down[::-1].copy(), min(strength_x, strength_y)


def _least(mask: npt.NDArray[np.bool_]) -> float:
    """Least height of a peak: chance leaves 1 / sqrt(pixels), more where blur makes neighbours alike."""
    return float(np.clip(12.0 / math.sqrt(float(mask.sum())), 0.015, 0.04))


def _shortest_period(value: FloatArray, axis: str, least: float) -> tuple[Vector, float]:
    """Find the shortest period vector (along, across) in the wedge around the first axis of (across,
    along)."""
    centre = (value.shape[0] // 2, value.shape[1] // 2)
    # Further out too little of the picture meets itself; and a third of that, for two multiples to be there.
    reach = min(int(0.85 * centre[1]), int((centre[0] - 3) / _WEDGE))
    candidates = []
    for along, across, height in _fine_peaks(value, centre) + _plain_peaks(value, centre, reach):
        place = np.array([along, across])
        if 3 * along <= reach:
            candidates.append((along, across, height - _ground(value, centre, place, place)))
    candidates.sort()
    if not candidates:
        raise UndecidedError(f"memory array: no repetition along {axis} inside the polygon")
    for along, across, rise in candidates:
        highest = max(other[2] for other in candidates if other[0] <= 4 * along)
        if rise < max(0.3 * highest, least):
            continue
        vector = _confirm(value, centre, np.array([along, across]), reach)
        if vector is None:
            continue
        length = float(np.hypot(*vector))
        if length < NYQUIST_PX:
            raise UndecidedError(
                f"memory array: the period along {axis} is {length:.2f} px, below the {NYQUIST_PX} px "
                f"that sampling "
                "allows; photograph at a higher magnification"
            )
        return vector, rise
    raise UndecidedError(
        f"memory array: no period along {axis} holds over several cells; draw the polygon close around "
        f"the array, "
        "or photograph at a higher magnification"
    )


def _fine_peaks(value: FloatArray, centre: tuple[int, int]) -> list[tuple[float, float, float]]:
    """Peaks at short lags on a grid finer than a pixel, where a period is only a few samples long."""
    reach = min(_FINE_REACH_PX, centre[1] - 1)
    half = min(5, centre[0] - 1)
    part = value[centre[0] - half : centre[0] + half + 1, centre[1] : centre[1] + reach + 1]
    rows = np.arange(-2.5 * _FINE, 2.5 * _FINE + 1) / _FINE + half
    columns = np.arange(1.5 * _FINE, (reach - 4) * _FINE + 1) / _FINE
    grid = np.meshgrid(rows, columns, indexing="ij")
    fine = ndimage.map_coordinates(part, grid, order=5, mode="mirror")
    return [
        (columns[j], rows[i] - half, float(fine[i, j]))
        for i, j in _local_maxima(fine)
        if abs(rows[i] - half) <= _WEDGE * columns[j] + 0.5
    ]


def _plain_peaks(value: FloatArray, centre: tuple[int, int], reach: int) -> list[tuple[float, float, float]]:
    start = min(_FINE_REACH_PX - 6, reach)
    half = min(int(_WEDGE * reach) + 2, centre[0] - 1)
    part = value[centre[0] - half : centre[0] + half + 1, centre[1] + start : centre[1] + reach]
    return [
        (float(j + start), float(i - half), float(part[i, j]))
        for i, j in _local_maxima(part)
        if abs(i - half) <= _WEDGE * (j + start) + 0.5
    ]


def _local_maxima(grid: npt.NDArray[np.floating]) -> list[tuple[int, int]]:
    if min(grid.shape) < 3:
        return []
    inner = (ndimage.maximum_filter(grid, size=3) == grid) & (grid > 0.02)
    inner[[0, -1], :] = False
    inner[:, [0, -1]] = False
    return [(int(i), int(j)) for i, j in np.argwhere(inner)]


def _ground(value: FloatArray, centre: tuple[int, int], place: Vector, vector: Vector) -> float:
    """Mean of the autocorrelation over one candidate period about a place.

    Lines along the axis, such as metal straps and columns of cells, are alike at every lag along it and lift
    a whole ridge: only what stands above the ridge speaks for a period.
    """
    count = max(12, math.ceil(2 * float(np.hypot(*vector))))
    steps = (np.arange(count) + 0.5) / count - 0.5
    places = [centre[0] + place[1] + steps * vector[1], centre[1] + place[0] + steps * vector[0]]
    return float(ndimage.map_coordinates(value, places, order=1, mode="nearest").mean())


def _height_at(value: FloatArray, centre: tuple[int, int], vector: Vector) -> tuple[float, Vector]:
    """Height and place (along, across) of the autocorrelation's peak within a pixel or so of `vector`."""
    low = (int(vector[1]) - 9 + centre[0], int(vector[0]) - 9 + centre[1])
    high = (low[0] + 19, low[1] + 19)
    if min(low) < 0 or high[0] >= value.shape[0] or high[1] >= value.shape[1]:
        return float("nan"), vector
    part = ndimage.spline_filter(value[low[0] : high[0], low[1] : high[1]], order=5, mode="mirror")
    place, height = vector, 0.0
    for step in (0.25, 0.05):
        steps = np.arange(-5, 6) * step
        rows, columns = np.meshgrid(place[1] + steps, place[0] + steps, indexing="ij")
        places = [rows + centre[0] - low[0], columns + centre[1] - low[1]]
        fine = ndimage.map_coordinates(part, places, order=5, mode="mirror", prefilter=False)
        i, j = np.unravel_index(int(np.argmax(fine)), fine.shape)
        place, height = np.array([columns[i, j], rows[i, j]]), float(fine[i, j])
    return height, place


def _confirm(value: FloatArray, centre: tuple[int, int], vector: Vector, reach: int) -> Vector | None:
    """Follow the multiples of a candidate; None when they do not rise about equally high above the ridge."""
    height, best = _height_at(value, centre, vector)
    if not np.isfinite(height) or _higher_between(value, centre, best, height):
        return None
    # The near multiples settle the direction, without which a narrow ridge is soon missed.
    for multiple in (2, 3, 4):
        if multiple * best[0] <= reach:
            there, place = _height_at(value, centre, best * multiple)
            best = place / multiple if np.isfinite(there) else best
    if best[0] < 1:
        return None
    rises = []
    for multiple in range(1, min(12, int(reach / best[0])) + 1):
        there, place = _height_at(value, centre, best * multiple)
        if not np.isfinite(there):
            break
        rises.append(there - _ground(value, centre, place, best))
        if multiple > 4 and rises[-1] < 0.5 * rises[0]:
            break
        best = place / multiple
    if len(rises) < 3 or rises[0] <= 0:
        return None
    # A part of a period meets the whole period at one of its multiples; parts that are nearly alike are left
    # to the mean period's own judgement. Far multiples may meet the next bank with all its straps.
    if max(rises[:3]) > 1.12 * rises[0] + 0.02:
        return None
    # Narrow banks lower the near multiples in step with the lag: fewer of their cells meet one another. Of five
    # periods hardly any meets its fourth neighbour.
    return best if rises[1] >= 0.6 * rises[0] and rises[2] >= 0.45 * rises[0] else None


def _higher_between(value: FloatArray, centre: tuple[int, int], vector: Vector, height: float) -> bool:
    """Whether a higher peak lies between a candidate and its double, as beside a ridge's chance peaks."""
    steps = np.linspace(1.15, 1.85, max(8, math.ceil(2 * float(np.hypot(*vector)))))
    places = [centre[0] + steps * vector[1], centre[1] + steps * vector[0]]
    between = ndimage.map_coordinates(value, places, order=1, mode="constant")
    ground = _ground(value, centre, vector, vector)
    return bool(between.max() - ground > 1.1 * (height - ground))
