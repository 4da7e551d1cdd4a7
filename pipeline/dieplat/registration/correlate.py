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
RIM_PX = 24
"""So near to a tile's rim the background is guessed, differently in either tile, and structure there seems to move."""
START_SIGMA_PX = 0.5
"""How well the peak of the correlation is trusted where the pixels do not fix an offset, such as along an edge."""
ENOUGH_PX = 0.015
"""A last step shorter than this leaves a tenth of it: Gauss-Newton steps shrink at least so fast near the place."""
LARGE_PX = 100_000
"""Overlaps of so many pixels are searched and approached at half size."""
BLOCK_PX = 16_384
"""Pixels handled at once, so that what is made of them stays in the processor's cache."""
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
    # The offset keeps noise in black areas from being blown up.
    fine = cv2.GaussianBlur(np.add(grey, np.float32(24), dtype=np.float32), (0, 0), SMOOTH_PX)
    small = cv2.resize(fine, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(small, (0, 0), BACKGROUND_PX / 4)
    wide = cv2.resize(wide, (grey.shape[1], grey.shape[0]), interpolation=cv2.INTER_LINEAR)
    cv2.divide(fine, wide, dst=fine, scale=100)
    fine -= np.float32(100)
    return np.asarray(fine, dtype=np.float32)


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

    def total(table: Floats, top: Ints, bottom: Ints, left: Ints, right: Ints) -> Image:
        rows = table[bottom] - table[top]
        return (rows.take(right, axis=1) - rows.take(left, axis=1)).astype(np.float32)

    area = np.outer(y1 - y0, x1 - x0).astype(np.float32)
    in_a, in_b = (y0, y1, x0, x1), (y0 - dy, y1 - dy, x0 - dx, x1 - dx)
    sum_a, sum_b = total(a.sums, *in_a), total(b.sums, *in_b)
    power_a = total(a.squares, *in_a) - sum_a * sum_a / area
    power_b = total(b.squares, *in_b) - sum_b * sum_b / area
    floor = area * np.float32(1e-3 * a.squares[-1, -1] / (height * width))
    power = np.maximum(power_a, floor) * np.maximum(power_b, floor)
    score = (product - sum_a * sum_b / area) / np.sqrt(power + np.float32(1e-12))
    score -= np.float32(2 * NOISE_AREA_PX**0.5) / np.sqrt(area)
    score[area < min_overlap * height * width] = -1.0
    places = local_maxima(score, floor=0.02, most=peaks)
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
    if (x1 - x0) * (y1 - y0) >= LARGE_PX and min(rx, ry) >= 8:
        return _surface_at_half_size(a, b, (dx, dy), (rx - rx % 2, ry - ry % 2))
    template = a[y0:y1, x0:x1]
    # Offset (ox, oy) puts a's (x0, y0) at b's (x0 - ox, y0 - oy): the largest offset is the window's first place.
    field = b[y0 - dy - ry : y1 - dy + ry, x0 - dx - rx : x1 - dx + rx]
    if float(template.std()) < 1e-3 or float(field.std()) < 1e-3:
        return None
    surface = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)[::-1, ::-1]
    return np.nan_to_num(surface, nan=0.0, posinf=0.0, neginf=0.0), (dx - rx, dy - ry)


def _surface_at_half_size(
    a: Image, b: Image, centre: tuple[int, int], search: tuple[int, int]
) -> tuple[npt.NDArray[np.float32], tuple[int, int]] | None:
    """The same surface from pictures of half the size, at a quarter of the work for its spectra and fewer of them.

    They are smoothed first until a surface that is known at every second offset can be read between: its peaks are
    then right to 0.02. What the fine grain says against a rival is left to the fit at full size that each peak gets.
    """
    (dx, dy), (rx, ry) = centre, search
    height, width = a.shape
    x0, y0 = max(0, dx + rx), max(0, dy + ry)
    # Even sides, so that both halve alike.
    columns, rows = (min(width, width + dx - rx) - x0) & ~1, (min(height, height + dy - ry) - y0) & ~1
    left, top = x0 - dx - rx, y0 - dy - ry
    template = cv2.pyrDown(a[y0 : y0 + rows, x0 : x0 + columns])
    field = cv2.pyrDown(b[top : top + rows + 2 * ry, left : left + columns + 2 * rx])
    if float(template.std()) < 1e-3 or float(field.std()) < 1e-3:
        return None
    surface = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)[::-1, ::-1]
    surface = np.nan_to_num(surface, nan=0.0, posinf=0.0, neginf=0.0)
    between = np.array([[0.5, 0, 0], [0, 0.5, 0]])
    full = cv2.warpAffine(
        surface,
        between,
        (2 * rx + 1, 2 * ry + 1),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(full, dtype=np.float32), (dx - rx, dy - ry)


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
    A large overlap comes near its place at half size first, where a step costs a quarter. Returns None when the overlap
    has no contrast, or the fit leaves the start by more than 2 px.
    """
    start = dx_px, dy_px
    begin = start
    whole = round(dx_px), round(dy_px)
    windows = overlap_windows((a.shape[0], a.shape[1]), *whole)
    if windows is not None and a[windows[0]].size >= LARGE_PX:
        small = [
            cv2.resize(part, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
            for part in (a[windows[0]], b[windows[1]])
        ]
        rest = (dx_px - whole[0]) / 2, (dy_px - whole[1]) / 2
        near = _descend(small[0], small[1], rest, rest, iterations, scale=2)
        if near is not None:
            begin = whole[0] + 2 * near.dx_px, whole[1] + 2 * near.dy_px
    return _descend(a, b, begin, start, iterations, scale=1)


def _descend(
    a: Image,
    b: Image,
    begin: tuple[float, float],
    prior: tuple[float, float],
    iterations: int,
    *,
    scale: int,
) -> Fit | None:
    """Gauss-Newton from `begin`, held weakly to `prior`, on pictures reduced by `scale` (offsets in their pixels)."""
    x, y = begin
    fit: Fit | None = None
    for _ in range(iterations):
        ix, iy = round(x), round(y)
        room = min(a.shape[0] - abs(iy), a.shape[1] - abs(ix))
        windows = overlap_windows((a.shape[0], a.shape[1]), ix, iy, margin=max(4, min(RIM_PX, room // 6)))
        if windows is None:
            return None
        va, vb = a[windows[0]], b[windows[1]]
        # OpenCV's own warps round a shift to 1/32 px; a separable filter does not.
        moved = cv2.sepFilter2D(vb, cv2.CV_32F, _shift_taps(x - ix), _shift_taps(y - iy))
        fit = _step(va, np.asarray(moved), (prior[0] - x, prior[1] - y), scale)
        if fit is None:
            return None
        # Derivatives hold near the present place only: a long step is cut short.
        x += float(np.clip(fit.dx_px, -0.7, 0.7))
        y += float(np.clip(fit.dy_px, -0.7, 0.7))
        if max(abs(x - prior[0]), abs(y - prior[1])) > 2 / scale:
            return None
        if max(abs(fit.dx_px), abs(fit.dy_px)) < ENOUGH_PX:
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
    taps = np.where(_OTHERS, -shift_px - _NODES, 1.0).prod(axis=1) / _SPANS
    return np.asarray(taps, dtype=np.float32)


_NODES = np.arange(-4.0, 5.0)
_OTHERS = ~np.eye(9, dtype=np.bool_)
_SPANS = np.where(_OTHERS, _NODES[:, None] - _NODES, 1.0).prod(axis=1)


_PAIRS = np.triu_indices(4)


def _step(a: Image, moved: Image, to_start: tuple[float, float], scale: int) -> Fit | None:
    """One Gauss-Newton step: how much further b must move, with correlation and covariance at the present place.

    Both have a margin of 4 px that does not count; `to_start` leads from the present place to the prior's.
    """
    rows, columns = a.shape[0] - 8, a.shape[1] - 8
    n = rows * columns
    total, gram = np.zeros(4), np.zeros((4, 4))
    block = max(1, BLOCK_PX // columns)
    store = np.empty((4, min(block, rows), columns), dtype=np.float32)
    for top in range(4, 4 + rows, block):
        bottom = min(top + block, 4 + rows)
        terms = store[:, : bottom - top] if bottom - top == store.shape[1] else np.empty_like(store[:, : bottom - top])
        np.subtract(moved[top:bottom, 5:-3], moved[top:bottom, 3:-5], out=terms[0])
        np.subtract(moved[top + 1 : bottom + 1, 4:-4], moved[top - 1 : bottom - 1, 4:-4], out=terms[1])
        terms[2], terms[3] = moved[top:bottom, 4:-4], a[top:bottom, 4:-4]
        flat = terms.reshape(4, -1)
        total += flat.sum(axis=1)
        # Ten short products: a matrix product of four rows costs twice as much.
        gram[_PAIRS] += [flat[i] @ flat[j] for i, j in zip(*_PAIRS, strict=True)]
    gram += np.triu(gram, 1).T
    # Sums of products about the means, of: twice the derivatives of b along x and y, b, a.
    gram -= np.outer(total, total) / n
    aa, bb, ab = float(gram[3, 3]), float(gram[2, 2]), float(gram[2, 3])
    if aa <= 1e-6 * n or bb <= 1e-6 * n:
        return None
    gain = np.sqrt(aa / bb)
    # The residual is gain * b - a.
    variance = max((2 * aa - 2 * gain * ab) / n, 1e-9) * (4 * np.pi * (SMOOTH_PX / scale) ** 2)
    normal = gram[:2, :2] / 4
    side = (gain * gram[:2, 2] - gram[:2, 3]) / 2
    prior = (scale / START_SIGMA_PX) ** 2
    cov = np.linalg.inv(normal / variance + prior * np.eye(2))
    step = cov @ (side / variance + prior * np.array(to_start))
    correlation = ab / np.sqrt(aa * bb)
    return Fit(float(step[0]), float(step[1]), float(correlation), (cov[0, 0], cov[0, 1], cov[1, 1]), n)
