"""The map between two mosaics of one die from what they show: coarse over turns and sizes, then windows, ever finer.

The levels of a die that was taken down layer by layer differ in colour and polarity, so only the strength of edges is
compared, not their sign.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
import numpy.typing as npt
import scipy.fft

from dieplat.alignment.fit import Alignment, Pair, fit_pairs
from dieplat.errors import RegistrationError
from dieplat.mosaicfile.read import Mosaic, read_shrunk

Image = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

COARSE_PX = 512
"""Longest side of the pictures that are compared at every turn and size."""
QUARTERS_DEG = (0.0, 90.0, 180.0, 270.0)
TURNS_DEG = tuple(np.arange(-6.0, 6.01, 2.0))
"""About each quarter."""
SIZES = tuple(1.03**k for k in range(-3, 4))
"""Other magnifications that are tried about the one expected: a tenth more and less."""
STEPS = ((1.0, 1.015), (0.5, 1.0075), (0.25, 1.004))
"""Degrees and factors by which a quarter's best is then approached."""
LEVELS_PX = (1200, 2400, 4800)
"""Longest sides of the pictures in which windows are found, one after the other: bounded memory on any mosaic."""
WINDOW_PX = 160
GRID = 10
SEARCH_PX = 14
"""How far a window may lie from where the present map puts it, in pixels of the present level."""
LEAST_PEAK = 0.25
"""Correlation below which a window shows nothing in common."""
LEAST_WINDOWS = 12
CLEAR_LEAD = 1.15
"""By how much the best turn and size must lead over those that are not its neighbours."""


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """A mosaic reduced by `factor` (exactly, along both axes), as the strength of its edges."""

    edges: Image
    factor: float


class _Tried(NamedTuple):
    """A turn and magnification, how well the edges correlate at the best shift, and the full-size map."""

    score: float
    turn_deg: float
    magnification: float
    matrix: Floats


def _score(one: _Tried) -> float:
    return one.score


def align_pictures(reference: Mosaic, mosaic: Mosaic, *, magnification: float | None = None) -> Alignment:
    """Find the map from the reference's pixels to the mosaic's.

    Parameters
    ----------
    reference, mosaic : Mosaic
        Both of one die, open.
    magnification : float, optional
        Mosaic pixels a reference pixel, where it is known within a tenth; else from their physical sizes, else 1.

    Returns
    -------
    Alignment
        Its pairs are windows on a grid over the reference.

    Raises
    ------
    RegistrationError
        If no turn and size stands out, or too few windows agree.
    """
    expected = magnification or _from_physical_sizes(reference, mosaic)
    matrix = _coarse(_level(reference, COARSE_PX), _level(mosaic, COARSE_PX * expected), expected)
    if matrix is None:
        raise RegistrationError(
            f"{mosaic.path}: looks like {reference.path} at several turns, or nowhere; mark the same places in both "
            "with dieplat annotate and give --marks"
        )
    found: Alignment | None = None
    largest = max(reference.width_px, reference.height_px)
    for longest in sorted({min(size, largest) for size in LEVELS_PX}):
        pairs = _windows(_level(reference, longest), _level(mosaic, longest * expected), matrix)
        if len(pairs) < LEAST_WINDOWS:
            raise RegistrationError(
                f"{mosaic.path}: only {len(pairs)} windows of {GRID * GRID} show what {reference.path} shows; "
                "mark the same places in both with dieplat annotate and give --marks"
            )
        found = fit_pairs(pairs)
        if int(found.used.sum()) < max(LEAST_WINDOWS, len(pairs) // 3):
            raise RegistrationError(
                f"{mosaic.path}: the windows that resemble {reference.path} do not agree on one place; give --marks"
            )
        matrix = found.matrix
    assert found is not None
    return found


def _from_physical_sizes(reference: Mosaic, mosaic: Mosaic) -> float:
    if reference.um_per_px_x is None or mosaic.um_per_px_x is None:
        return 1.0
    return reference.um_per_px_x / mosaic.um_per_px_x


def _level(mosaic: Mosaic, longest_px: float) -> _Level:
    """The mosaic at a longest side of about so many pixels, from the nearest larger level of its pyramid."""
    wanted = max(mosaic.width_px, mosaic.height_px) / longest_px
    level = max(0, min(mosaic.levels - 1, math.floor(math.log2(max(wanted, 1.0)))))
    rest = max(wanted, 1.0) / 2**level
    # A picture without a pyramid may be far larger than what is wanted of it.
    shrink = max(1, math.floor(rest))
    rest /= shrink
    grey = read_shrunk(mosaic, level, mosaic.level_sizes[level], shrink)
    grey = cv2.cvtColor(grey, cv2.COLOR_RGB2GRAY) if grey.shape[2] == 3 else grey[..., 0]
    height, width = grey.shape
    if rest > 1.0:
        size = (max(1, math.ceil(width / rest)), max(1, math.ceil(height / rest)))
        # A whole pixel of the result covers exactly `rest` of the level, also at the far rim.
        corners = np.array([[rest, 0.0, (rest - 1) / 2], [0.0, rest, (rest - 1) / 2]])
        grey = cv2.GaussianBlur(grey, (0, 0), 0.45 * rest)
        grey = cv2.warpAffine(
            grey, corners, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE
        )
    return _Level(_edges(np.asarray(grey, dtype=np.float32)), max(wanted, 1.0))


def _edges(grey: Image) -> Image:
    """Strength of edges over the local brightness, its logarithm, without broad changes."""
    fine = cv2.GaussianBlur(grey, (0, 0), 1.0)
    x, y = cv2.Sobel(fine, cv2.CV_32F, 1, 0), cv2.Sobel(fine, cv2.CV_32F, 0, 1)
    wide = cv2.GaussianBlur(grey, (0, 0), 12.0)
    strength = cv2.magnitude(x, y) / np.maximum(wide, 1.0)
    strength = np.log1p(8.0 * strength)
    return np.asarray(strength - cv2.GaussianBlur(strength, (0, 0), 12.0), dtype=np.float32)


def _coarse(first: _Level, second: _Level, expected: float) -> Floats | None:
    """The turn, size and shift at which both pictures' edges correlate best, at full size; None if none leads."""
    foremost = [_best_of_quarter(first, second, quarter, expected) for quarter in QUARTERS_DEG]
    foremost.sort(key=_score, reverse=True)
    return foremost[0].matrix if foremost[0].score >= CLEAR_LEAD * foremost[1].score else None


def _best_of_quarter(first: _Level, second: _Level, quarter_deg: float, expected: float) -> _Tried:
    """The best turn and size about a quarter: a scan, and then ever finer steps about its best.

    The scan's steps are wide for the edges that are compared, so quarters are not ranked before.
    """
    scan = [(quarter_deg + fine, expected * share) for fine in TURNS_DEG for share in SIZES]
    outer = math.prod(size for _, size in STEPS)
    reach_deg = sum(turn for turn, _ in STEPS)
    shapes = [
        _frame(first, second, turn + more, size / outer)[2] for turn, size in scan for more in (-reach_deg, reach_deg)
    ]
    size = tuple(
        scipy.fft.next_fast_len(first.edges.shape[axis] + max(shape[axis] for shape in shapes), real=True)
        for axis in (0, 1)
    )
    spectrum = scipy.fft.rfft2(first.edges, size)

    def tried(turn_deg: float, magnification: float) -> _Tried:
        return _best_shift(spectrum, size, first, second, turn_deg, magnification)

    best = max((tried(*one) for one in scan), key=_score)
    for step_deg, step_size in STEPS:
        near = [
            tried(best.turn_deg + a * step_deg, best.magnification * step_size**b)
            for a in (-1, 0, 1)
            for b in (-1, 0, 1)
            if a or b
        ]
        best = max([best, *near], key=_score)
    return best


def _frame(
    first: _Level, second: _Level, turn_deg: float, magnification: float
) -> tuple[Floats, Floats, tuple[int, int]]:
    """The second picture turned and sized so, all of it: the turn, where its frame begins, its height and width."""
    angle = math.radians(turn_deg)
    # One pixel of the first picture in pixels of the second.
    step = magnification * first.factor / second.factor
    turn = step * np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    height, width = second.edges.shape
    corners = np.linalg.inv(turn) @ np.array([[0, width, width, 0], [0, 0, height, height]], dtype=np.float64)
    low, high = corners.min(axis=1), corners.max(axis=1)
    return turn, low, (math.ceil(high[1] - low[1]), math.ceil(high[0] - low[0]))


def _best_shift(
    spectrum: npt.NDArray[np.complex64],
    size: tuple[int, ...],
    first: _Level,
    second: _Level,
    turn_deg: float,
    magnification: float,
) -> _Tried:
    """The second picture turned and sized so, where it fits best."""
    turn, low, shape = _frame(first, second, turn_deg, magnification)
    sample = np.column_stack([turn, turn @ (low + 0.5) - 0.5])
    seen = cv2.warpAffine(second.edges, sample, shape[::-1], flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    # As rfft2 does it, but without a transform of the rows that are only added.
    other = scipy.fft.fft(scipy.fft.rfft(seen, size[1]), size[0], axis=0)
    product = scipy.fft.irfft2(spectrum * np.conj(other), size)
    at = np.unravel_index(int(np.argmax(product)), product.shape)
    norm = float(np.linalg.norm(first.edges)) * float(np.linalg.norm(seen))
    score = float(product[at]) / max(norm, 1e-9)
    down, across = (int(v) if v < n else int(v) - s for v, n, s in zip(at, first.edges.shape, size, strict=True))
    # seen's pixel p lies at p + (across, down) of the first picture.
    shift = turn @ (low - np.array([across, down], dtype=np.float64))
    full = np.column_stack([turn * second.factor / first.factor, shift * second.factor])
    return _Tried(score, turn_deg, magnification, np.asarray(full, dtype=np.float64))


def _windows(first: _Level, second: _Level, matrix: Floats) -> list[Pair]:
    """Windows on a grid over the first picture, each found in the second near where the map puts it."""
    height, width = first.edges.shape
    half = WINDOW_PX // 2
    reach = half + SEARCH_PX
    turn = matrix[:, :2] * first.factor / second.factor
    found = []
    for y in np.linspace(half, height - half, GRID):
        for x in np.linspace(half, width - half, GRID):
            left, top = round(x) - half, round(y) - half
            if left < 0 or top < 0 or left + WINDOW_PX > width or top + WINDOW_PX > height:
                continue
            template = first.edges[top : top + WINDOW_PX, left : left + WINDOW_PX]
            centre = np.array([left + half, top + half], dtype=np.float64)
            there = (matrix[:, :2] @ (centre * first.factor) + matrix[:, 2]) / second.factor
            if not (0 < there[0] < second.edges.shape[1] and 0 < there[1] < second.edges.shape[0]):
                continue
            sample = np.column_stack([turn, there - 0.5 + turn @ np.full(2, 0.5 - reach)])
            field = cv2.warpAffine(
                second.edges, sample, (2 * reach, 2 * reach), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
            )
            offset = _offset(template, np.asarray(field))
            if offset is None:
                continue
            place = (there + turn @ np.array(offset)) * second.factor
            here = centre * first.factor
            found.append(
                Pair((float(here[0]), float(here[1])), (float(place[0]), float(place[1])), 0.3 * second.factor)
            )
    return found


def _offset(template: Image, field: Image) -> tuple[float, float] | None:
    """Where the template lies in the field, from its middle, to a part of a pixel; None where nothing stands out."""
    if float(template.std()) < 1e-3 or float(field.std()) < 1e-3:
        return None
    surface = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)
    _, height, _, (column, row) = cv2.minMaxLoc(surface)
    last = surface.shape[0] - 1
    if not np.isfinite(height) or height < LEAST_PEAK or not (0 < row < last and 0 < column < last):
        return None
    # A lattice has many places as good: such a window decides nothing.
    rest = surface.copy()
    cv2.circle(rest, (column, row), 5, -1.0, -1)
    if float(rest.max()) > 0.9 * height:
        return None
    shift = []
    for before, middle, after in (surface[row, column - 1 : column + 2], surface[row - 1 : row + 2, column]):
        bend = before - 2 * middle + after
        shift.append(float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0)
    return column + shift[0] - last / 2, row + shift[1] - last / 2
