"""Correlation of two pictures: coarse over every overlap, fine around a prediction, sub-pixel on the pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
import scipy.fft

Image = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

SMOOTH_PX = 1.0
"""Pre-smoothing: keeps interpolation error and the bias of noise on sub-pixel shifts well below 0.01 px."""
BACKGROUND_PX = 12.0
"""Structures wider than this are shading, not layout."""
START_SIGMA_PX = 0.5
"""How well the peak of the correlation is trusted where the pixels do not fix an offset, such as along an edge."""
NOISE_AREA_PX = 4 * np.pi * SMOOTH_PX**2 + 8
"""Pixels that share one independent noise value after smoothing and JPEG coding."""


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


def band_pass(grey: Image) -> Image:
    """Remove shading, exposure and pixel noise: a difference of Gaussians over the local brightness, in percent.

    The ratio cancels vignetting and exposure, which multiply, so that both pictures of a place agree in contrast.
    """
    fine = cv2.GaussianBlur(grey, (0, 0), SMOOTH_PX)
    half = cv2.resize(fine, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(half, (0, 0), BACKGROUND_PX / 4)
    wide = cv2.resize(wide, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
    # The offset keeps noise in black areas from being blown up.
    return np.asarray((fine - wide) * (np.float32(100) / (wide + np.float32(24))), dtype=np.float32)


def overlap_windows(
    shape: tuple[int, int], dx: int, dy: int, margin: int = 0
) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
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
    dy = np.arange(-height + 1, height)
    dx = np.arange(-width + 1, width)
    product = scipy.fft.irfft2(a.values * np.conj(b.values), a.size)[np.ix_(dy % a.size[0], dx % a.size[1])]
    y0, y1, x0, x1 = (
        np.maximum(dy, 0),
        np.minimum(dy, 0) + height,
        np.maximum(dx, 0),
        np.minimum(dx, 0) + width,
    )

    def total(table: npt.NDArray[np.float64], top: Ints, bottom: Ints, left: Ints, right: Ints) -> Floats:
        return np.asarray(
            table[np.ix_(bottom, right)]
            - table[np.ix_(top, right)]
            - table[np.ix_(bottom, left)]
            + table[np.ix_(top, left)]
        )

    area = np.outer(y1 - y0, x1 - x0).astype(np.float64)
    in_a, in_b = (y0, y1, x0, x1), (y0 - dy, y1 - dy, x0 - dx, x1 - dx)
    sum_a, sum_b = total(a.sums, *in_a), total(b.sums, *in_b)
    power_a = total(a.squares, *in_a) - sum_a**2 / area
    power_b = total(b.squares, *in_b) - sum_b**2 / area
    floor = 1e-3 * area * a.squares[-1, -1] / (height * width)
    power = np.maximum(power_a, floor) * np.maximum(power_b, floor)
    score = (product - sum_a * sum_b / area) / np.sqrt(power + 1e-12) - 2 / np.sqrt(area / NOISE_AREA_PX)
    score[area < min_overlap * height * width] = -1.0
    places = local_maxima(score.astype(np.float32), floor=0.02, most=peaks)
    return [(float(dx[column]), float(dy[row]), float(score[row, column])) for row, column in places]


def correlation_surface(
    a: Image, b: Image, predicted: tuple[float, float], search: tuple[int, int]
) -> tuple[npt.NDArray[np.float32], tuple[int, int]] | None:
    """Correlation at every whole-pixel offset within `search` (x, y) of `predicted`.

    The template is the part of a that stays inside b at every offset searched, so that all values rest on the same
    pixels and may be compared. Returns the surface and the offset of its first element, or None if too little overlaps.
    """
    dx, dy = round(predicted[0]), round(predicted[1])
    height, width = a.shape
    rx, ry = search
    x0, x1 = max(0, dx + rx), min(width, width + dx - rx)
    y0, y1 = max(0, dy + ry), min(height, height + dy - ry)
    if x1 - x0 < 16 or y1 - y0 < 16:
        return None
    template = a[y0:y1, x0:x1]
    # Offset (ox, oy) puts a's (x0, y0) at b's (x0 - ox, y0 - oy): the largest offset is the window's first place.
    field = b[y0 - dy - ry : y1 - dy + ry, x0 - dx - rx : x1 - dx + rx]
    if float(template.std()) < 1e-3 or float(field.std()) < 1e-3:
        return None
    surface = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)[::-1, ::-1]
    return np.nan_to_num(surface, nan=0.0, posinf=0.0, neginf=0.0), (dx - rx, dy - ry)


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


def refine(a: Image, b: Image, dx_px: float, dy_px: float, *, iterations: int = 8) -> Fit | None:
    """Sub-pixel offset by least squares on the pixels of the whole overlap, with gain and level free.

    Gauss-Newton on sum (b(x - d) - g a(x) - c)^2 (Lucas and Kanade 1981; Baker and Matthews 2004), with the start as a
    weak prior: along an edge, where the pixels say nothing, the offset stays where the correlation peaked. The
    covariance is the inverse normal matrix, with the residual variance enlarged for the correlation of smoothed noise.
    Returns None when the overlap has no contrast, or the fit leaves the start by more than 2 px.
    """
    x, y = dx_px, dy_px
    fit: Fit | None = None
    for _ in range(iterations):
        ix, iy = round(x), round(y)
        windows = overlap_windows((a.shape[0], a.shape[1]), ix, iy, margin=4)
        if windows is None:
            return None
        va, vb = a[windows[0]], b[windows[1]]
        # OpenCV's own warps round a shift to 1/32 px; a separable filter does not.
        moved = cv2.sepFilter2D(vb, cv2.CV_32F, _shift_taps(x - ix), _shift_taps(y - iy))
        fit = _step(va[4:-4, 4:-4], moved, (dx_px - x, dy_px - y))
        if fit is None:
            return None
        # Derivatives hold near the present place only: a long step is cut short.
        x += float(np.clip(fit.dx_px, -0.7, 0.7))
        y += float(np.clip(fit.dy_px, -0.7, 0.7))
        if abs(x - dx_px) > 2 or abs(y - dy_px) > 2:
            return None
        if max(abs(fit.dx_px), abs(fit.dy_px)) < 2e-3:
            break
    if fit is None:
        return None
    return Fit(x, y, fit.correlation, fit.cov_px2, fit.pixels)


def _shift_taps(shift_px: float) -> npt.NDArray[np.float32]:
    """Nine filter taps that move a row of pixels right by a fraction of a pixel.

    Lagrange's polynomial through nine pixels: maximally flat, so smooth structure moves by just the shift asked for
    (Laakso et al. 1996, Splitting the unit delay, IEEE Signal Processing Magazine 13, 30-60). A normalised Lanczos
    window of this length moves it 5 % too far.
    """
    nodes = np.arange(-4, 5)
    taps = [np.prod((-shift_px - nodes[nodes != k]) / (k - nodes[nodes != k])) for k in nodes]
    return np.array(taps, dtype=np.float32)


def _step(a: Image, moved: Image, to_start: tuple[float, float]) -> Fit | None:
    """One Gauss-Newton step: how much further b must move, with correlation and covariance at the present place.

    `moved` has a margin of 4 px around `a`; `to_start` leads from the present place to the prior's.
    """
    inner = moved[4:-4, 4:-4]
    n = a.size
    za = a - a.mean()
    zb = inner - inner.mean()
    aa, bb, ab = float(np.vdot(za, za)), float(np.vdot(zb, zb)), float(np.vdot(za, zb))
    if aa <= 1e-6 * n or bb <= 1e-6 * n:
        return None
    residual = zb * np.float32(np.sqrt(aa / bb)) - za
    gx = 0.5 * (moved[4:-4, 5:-3] - moved[4:-4, 3:-5])
    gy = 0.5 * (moved[5:-3, 4:-4] - moved[3:-5, 4:-4])
    gx, gy = gx - gx.mean(), gy - gy.mean()
    variance = max(float(np.vdot(residual, residual)) / n, 1e-9) * (4 * np.pi * SMOOTH_PX**2)
    normal = np.array([[np.vdot(gx, gx), np.vdot(gx, gy)], [np.vdot(gx, gy), np.vdot(gy, gy)]], dtype=np.float64)
    side = np.array([np.vdot(gx, residual), np.vdot(gy, residual)], dtype=np.float64)
    prior = 1 / START_SIGMA_PX**2
    cov = np.linalg.inv(normal / variance + prior * np.eye(2))
    step = cov @ (side / variance + prior * np.array(to_start))
    correlation = ab / np.sqrt(aa * bb)
    return Fit(float(step[0]), float(step[1]), float(correlation), (cov[0, 0], cov[0, 1], cov[1, 1]), n)
