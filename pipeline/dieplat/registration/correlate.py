"""Correlation of two pictures: coarse over every overlap, fine around a prediction, sub-pixel on the pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import scipy.fft

from dieplat.registration.loops import Image as Image
from dieplat.registration.loops import coarse_scores, over_background, smoothed
from dieplat.registration.quality import quality
from dieplat.registration.search import LARGE_PX, halved, local_maxima
from dieplat.registration.subpixel import (
    ASTRAY_PX,
    LONGEST_PX,
    RIM_PX,
    SHARED_RIM_PX,
    SMOOTH_PX,
    descend,
)

BACKGROUND_PX = 12.0
"""Structures wider than this are shading, not layout."""
LEVEL = 24.0
"""Added to all brightness, so that noise in black areas is not blown up."""
NOISE_AREA_PX = 4 * np.pi * SMOOTH_PX**2 + 8
"""Pixels that share one independent noise value after smoothing and JPEG coding."""
LAST_STEPS = 4
CLOSE_PX = 0.01
"""A last step shorter than this leaves next to nothing: it is taken by slopes that both pictures share."""
COARSE_PX = 4
COARSE_RIM = 2
"""Pixels of the coarse pictures, along their rims, that do not count."""


@dataclass(frozen=True, slots=True)
class Fit:
    """A sub-pixel offset, its correlation, its covariance (xx, xy, yy) and the overlap's pixel count."""

    dx_px: float
    dy_px: float
    correlation: float
    cov_px2: tuple[float, float, float]
    pixels: int


def to_grey(picture: npt.NDArray[np.generic]) -> Image:
    """Grey picture (H, W), float32, on a scale of 0 to 255 for either depth."""
    grey = picture
    if picture.ndim == 3:
        grey = cv2.cvtColor(np.ascontiguousarray(picture), cv2.COLOR_RGB2GRAY)
    scale = 1.0 / 257.0 if grey.dtype == np.uint16 else 1.0
    return np.asarray(grey, dtype=np.float32) * np.float32(scale)


def band_pass(grey: npt.NDArray[np.generic]) -> Image:
    """Remove shading, exposure and pixel noise: a difference of Gaussians over the local brightness, in percent.

    `grey` is (H, W), uint8, uint16 or float32 on a scale of 255. The ratio cancels vignetting and exposure, which
    multiply, so that both pictures of a place agree in contrast.
    """
    taps = _FINE / np.float32(257) if grey.dtype == np.uint16 else _FINE
    # OpenCV filters sixteen bits pixel by pixel, others many at a time.
    plain = grey.astype(np.float32) if grey.dtype == np.uint16 else grey
    fine = np.asarray(cv2.sepFilter2D(plain, cv2.CV_32F, taps, _FINE, delta=LEVEL), dtype=np.float32)
    size = max(fine.shape[1] // 4, 1), max(fine.shape[0] // 4, 1)
    small = cv2.resize(fine[: 4 * size[1], : 4 * size[0]], size, interpolation=cv2.INTER_AREA)
    return _without_background(fine, np.asarray(small, dtype=np.float32))


def band_pass_part(tile: npt.NDArray[np.generic], gain: Image, corner: tuple[int, int], size: tuple[int, int]) -> Image:
    """What `band_pass` gives of a part of a tile times its gain, in one pass through memory.

    Parameters
    ----------
    tile : ndarray of shape (H, W), uint8 or uint16
        Grey.
    gain : ndarray of shape (H, W), float32
        What the tile is multiplied by.
    corner, size : tuple of int
        First (row, column) of the part, and its rows and columns, eight at least.
    """
    fine = np.empty(size, dtype=np.float32)
    small = np.empty((size[0] // 4, size[1] // 4), dtype=np.float32)
    taps = _FINE[:, 0] / np.float32(257) if tile.dtype == np.uint16 else _FINE[:, 0]
    smoothed(tile, gain, corner, fine, small, taps, _FINE[:, 0], LEVEL)
    return _without_background(fine, small)


def _without_background(fine: Image, small: Image) -> Image:
    """The smoothed picture (overwritten) over its background; `small` is its whole blocks of four by four pixels."""
    height, width = fine.shape
    wide = cv2.GaussianBlur(small, (0, 0), BACKGROUND_PX / 4)
    # Linear between its pixels: along the rows here, between the rows as they are used.
    wide = cv2.resize(wide, (4 * small.shape[1], len(wide)), interpolation=cv2.INTER_LINEAR)
    if width > wide.shape[1]:
        wide = cv2.copyMakeBorder(wide, 0, 0, 0, width - wide.shape[1], cv2.BORDER_REPLICATE)
    if len(wide) == 1:
        wide = np.repeat(wide, 2, axis=0)
    place = np.clip((np.arange(height) + 0.5) / 4 - 0.5, 0, len(small) - 1)
    row_of = np.minimum(place.astype(np.intp), len(wide) - 2)
    over_background(fine, np.asarray(wide, dtype=np.float32), row_of, (place - row_of).astype(np.float32))
    return fine


_FINE = cv2.getGaussianKernel(9, SMOOTH_PX, cv2.CV_32F)


@dataclass(frozen=True, slots=True)
class Settled:
    """A sub-pixel offset, its covariance (xx, xy, yy) and how well it is borne out.

    `shared_sigmas` is the coherence of both pictures' slopes in the direction in which it is least, in its standard
    deviations for pictures that share none. `misfit_pct` and `unlike` are as in `Hypothesis`.
    """

    dx_px: float
    dy_px: float
    cov_px2: tuple[float, float, float]
    shared_sigmas: float
    misfit_pct: float | None
    unlike: float | None


Windows = tuple[tuple[slice, slice], tuple[slice, slice]]


def overlap_windows(shape: tuple[int, int], dx: int, dy: int, margin: int = 0) -> Windows | None:
    """Index windows of a and b that show the same place when b lies (dx, dy) from a; None when none is left."""
    height, width = shape
    x0, x1 = max(0, dx) + margin, min(width, width + dx) - margin
    y0, y1 = max(0, dy) + margin, min(height, height + dy) - margin
    if x1 - x0 < 8 or y1 - y0 < 8:
        return None
    return (slice(y0, y1), slice(x0, x1)), (slice(y0 - dy, y1 - dy), slice(x0 - dx, x1 - dx))


class Spectrum:
    """A band-passed thumbnail with its padded spectrum and running sums, made once a tile, used for all its pairs."""

    def __init__(self, image: Image) -> None:
        height, width = image.shape
        self.shape = (height, width)
        self.size = (
            scipy.fft.next_fast_len(2 * height - 1, real=True),
            scipy.fft.next_fast_len(2 * width - 1, real=True),
        )
        self.values = scipy.fft.rfft2(image, self.size)
        self.sums = np.pad(image.astype(np.float64).cumsum(0).cumsum(1), ((1, 0), (1, 0)))
        self.squares = np.pad((image.astype(np.float64) ** 2).cumsum(0).cumsum(1), ((1, 0), (1, 0)))


def coarse_offsets(
    a: Spectrum, b: Spectrum, *, peaks: int = 8, min_overlap: float = 0.05
) -> list[tuple[float, float, float]]:
    """Candidate offsets (dx, dy, score) of thumbnail b against a, best first, over every possible overlap.

    Peaks of the normalised correlation of just the pixels that overlap, at every offset at once: the products by
    spectra, the sums from running sums, since the overlap of two whole tiles is a rectangle (Lewis 1995; Padfield 2012,
    IEEE Trans. Image Processing 21, 2706-2718). The score is the correlation shrunk for small overlaps, which reach
    high values by chance: r - 2 / sqrt(independent pixels).
    """
    height, width = a.shape
    product = scipy.fft.irfft2(a.values * np.conj(b.values), a.size)
    floor = 1e-3 * float(a.squares[-1, -1]) / (height * width)
    score = coarse_scores(product, a.sums, a.squares, b.sums, b.squares, floor)
    down, across = np.arange(-height + 1, height), np.arange(-width + 1, width)
    area = np.outer(height - abs(down), width - abs(across)).astype(np.float32)
    score -= np.float32(2 * NOISE_AREA_PX**0.5) / np.sqrt(area)
    score[area < min_overlap * height * width] = -1.0
    places = local_maxima(score, floor=0.02, most=peaks)
    return [(float(across[column]), float(down[row]), float(score[row, column])) for row, column in places]


def refine(
    a: Image,
    b: Image,
    dx_px: float,
    dy_px: float,
    *,
    iterations: int = 8,
    halves: tuple[Image, Image] | None = None,
    rim_px: int = RIM_PX,
) -> Fit | None:
    """Sub-pixel offset by least squares on the pixels of the whole overlap but its rim, with gain and level free.

    Gauss-Newton on sum (b(x - d) - g a(x) - c)^2 (Lucas and Kanade 1981; Baker and Matthews 2004), with the start as a
    weak prior: along an edge, where the pixels say nothing, the offset stays where the correlation peaked. The
    covariance is the inverse normal matrix, with the residual variance enlarged for the correlation of smoothed noise.
    A large overlap comes near its place in pictures of half the size first, where a step costs a quarter; `halves` are
    these if they are there. Returns None when the overlap has no contrast, or the fit leaves the start by more than
    2 px.
    """
    a, b = np.ascontiguousarray(a), np.ascontiguousarray(b)
    start = float(dx_px), float(dy_px)
    begin = start
    if (a.shape[0] - abs(dy_px)) * (a.shape[1] - abs(dx_px)) >= LARGE_PX:
        half_a, half_b = halves if halves is not None else (halved(a), halved(b))
        begin = approach(half_a, half_b, *start, iterations=iterations) or start
    return _fit(a, b, begin, start, iterations, 1, rim_px)


def settle(a: Image, b: Image, dx_px: float, dy_px: float) -> Settled | None:
    """The last steps of a fit, in two pictures cut to what they share, from a place right to a part of a pixel.

    None where there is nothing to fit. A place that the last steps leave by more than `ASTRAY_PX` shares nothing.
    """
    fit = _fit(a, b, (dx_px, dy_px), (dx_px, dy_px), 8, 1, SHARED_RIM_PX)
    if fit is None:
        return None
    x, y = fit.dx_px, fit.dy_px
    for _ in range(LAST_STEPS):
        xx, xy, yy, shared, *steps = quality(a, b, (x, y), (dx_px, dy_px), SHARED_RIM_PX).tolist()
        x, y = (at + min(max(step, -LONGEST_PX), LONGEST_PX) for at, step in zip((x, y), steps, strict=True))
        if max(abs(x - dx_px), abs(y - dy_px)) > ASTRAY_PX:
            x, y, shared = fit.dx_px, fit.dy_px, 0.0
            break
        if max(map(abs, steps)) < CLOSE_PX:
            break
    else:
        xx, yy = xx + steps[0] ** 2, yy + steps[1] ** 2
    sigmas = shared * math.sqrt(fit.pixels / NOISE_AREA_PX)
    return Settled(x, y, (xx, xy, yy), sigmas, *coarse_misfit(a, b, x, y))


def coarse_misfit(a: Image, b: Image, dx_px: float, dy_px: float) -> tuple[float | None, float | None]:
    """Root mean square of the difference of two pictures' coarse structure, and how far its correlation is from 1.

    Noise and fine detail, of which one picture may have more because it is sharper, hardly count. The pictures are
    (dx, dy) apart, less than a pixel or so. None where they are too small.
    """
    size = a.shape[1] // COARSE_PX, a.shape[0] // COARSE_PX
    if min(size) < 3 * COARSE_RIM:
        return None, None
    # Whole blocks only: others take four times as long.
    whole = np.s_[: COARSE_PX * size[1], : COARSE_PX * size[0]]
    shift = np.array([[1, 0, dx_px / COARSE_PX], [0, 1, dy_px / COARSE_PX]])
    inner = np.s_[COARSE_RIM:-COARSE_RIM, COARSE_RIM:-COARSE_RIM]
    first, second = (
        cv2.GaussianBlur(cv2.resize(picture[whole], size, interpolation=cv2.INTER_AREA), (0, 0), 1.0)
        for picture in (a, b)
    )
    second = cv2.warpAffine(second, shift, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    one, other = (picture[inner] - picture[inner].mean() for picture in (first, second))
    power_one, power_other = float(np.square(one).mean()), float(np.square(other).mean())
    if min(power_one, power_other) <= 0:
        return None, None
    # Of pictures of equal contrast, as one place has it.
    correlation = float((one * other).mean()) / math.sqrt(power_one * power_other)
    return math.sqrt(max(2 * power_one * (1 - correlation), 0.0)), 1 - correlation


def approach(
    half_a: Image, half_b: Image, dx_px: float, dy_px: float, *, iterations: int = 8
) -> tuple[float, float] | None:
    """The offset that a fit in pictures of half the size comes to, in pixels of the whole ones; None as `refine`."""
    half = dx_px / 2, dy_px / 2
    near = _fit(half_a, half_b, half, half, iterations, 2, RIM_PX)
    return None if near is None else (2 * near.dx_px, 2 * near.dy_px)


def _fit(
    a: Image,
    b: Image,
    begin: tuple[float, float],
    prior: tuple[float, float],
    iterations: int,
    scale: int,
    rim_px: int,
) -> Fit | None:
    x, y, correlation, xx, xy, yy, pixels = descend(a, b, begin, prior, iterations, scale, rim_px).tolist()
    return Fit(x, y, correlation, (xx, xy, yy), int(pixels)) if pixels else None
