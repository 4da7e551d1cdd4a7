"""Texture of a sheet: edge density and direction at every place, and whether it repeats along both axes."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy import fft

from dieplat.proposals.values import Box, Image, Mask

WINDOW_PX = 32
"""Window in which a texture must repeat: four cells of 8 px."""
PADDED_PX = 48
LONGEST_PX = 14
SHORTEST_PX = 3
"""Periods that are looked for, in pixels of the level looked at."""
LEAST_CELLS = 3
"""An array has so many cells along either axis, at least."""
GRID = 240
"""Windows along the sheet's longest side, at most."""
RIM_PX = 4
"""The outline's blur reaches so far into a block."""
PATCHES, ALIKE = (0.2, 0.58, 0.86), 0.8
"""Where patches of a rectangle are taken, in parts of its sides and off the usual places of straps; what looks like it
elsewhere fits at least this part as well as it does at home."""


@dataclass(frozen=True, slots=True, eq=False)
class Texture:
    """Maps over the sheet's pixels: the structure tensor's parts, summed over the channels.

    `energy` is the mean gradient within some pixels, `coherence` how much of it points one way (0 to 1).
    """

    xx: Image
    yy: Image
    xy: Image
    energy: Image
    coherence: Image


@dataclass(frozen=True, slots=True, eq=False)
class Repeats:
    """How far windows repeat along both axes (about 1: strictly, 0.2: by chance), on a grid of `step` sheet px.

    Entry (i, j) belongs to the window whose middle is at ((j * step) + half, (i * step) + half).
    """

    score: Image
    step: int
    half: float


def texture_of(pixels: Image) -> Texture:
    """Gradients by central differences on a slightly blurred picture (structure tensor: Bigun and Granlund 1987,
    Optimal orientation detection of linear symmetry, Proc. ICCV, 433-438; from memory)."""
    parts = [np.zeros(pixels.shape[:2], np.float32) for _ in range(3)]
    for channel in range(pixels.shape[2]):
        smooth = cv2.GaussianBlur(np.ascontiguousarray(pixels[..., channel]), (0, 0), 0.7)
        across, down = (
            cv2.Sobel(smooth, cv2.CV_32F, 1, 0, scale=0.125),
            cv2.Sobel(smooth, cv2.CV_32F, 0, 1, scale=0.125),
        )
        parts[0] += across * across
        parts[1] += down * down
        parts[2] += across * down
    xx, yy, xy = parts
    energy = cv2.GaussianBlur(np.sqrt(xx + yy), (0, 0), 3.0)
    wide = [cv2.GaussianBlur(part, (0, 0), 9.0) for part in parts]
    sum_, difference = wide[0] + wide[1], np.hypot(wide[0] - wide[1], 2.0 * wide[2])
    return Texture(xx, yy, xy, energy, np.asarray(difference / (sum_ + 1e-4), np.float32))


def dense_level(texture: Texture, known: Mask | None = None) -> float:
    """Edge density from which a place belongs to a dense block: half the median of what has edges at all.

    What is `known` already does not count: a large array of much contrast says nothing of the wiring beside it.
    """
    energy = texture.energy[::4, ::4]
    if known is not None and not known[::4, ::4].all():
        energy = energy[~known[::4, ::4]]
    floor = 0.25 * float(np.percentile(energy, 95.0))
    return 0.5 * float(np.median(energy[energy > floor])) if floor > 0 else np.inf


def repeats(pixels: Image, texture: Texture) -> Repeats:
    """Score every window of a grid by its autocorrelation along x and along y; see `repeat_score`.

    Windows whose middle is hardly denser than bare ground are not looked at: dummy metal and contacts repeat too.
    """
    height, width = pixels.shape[:2]
    step = max(8, -(-max(height, width) // GRID))
    half = WINDOW_PX // 2
    if min(height, width) < WINDOW_PX:
        return Repeats(np.zeros((0, 0), np.float32), step, float(half))
    planes = np.ascontiguousarray(np.moveaxis(pixels, 2, 0))
    views = np.lib.stride_tricks.sliding_window_view(planes, (WINDOW_PX, WINDOW_PX), axis=(1, 2))
    views = views[:, ::step, ::step]
    rows, columns = (int(size) for size in views.shape[1:3])
    middle = cv2.blur(texture.energy, (9, 9))[half::step, half::step][:rows, :columns]
    dense = middle > 0.7 * dense_level(texture)
    score = np.zeros((rows, columns), np.float32)
    for row in range(rows):
        chosen = np.nonzero(dense[row, :columns])[0]
        if len(chosen):
            windows: npt.NDArray[np.float32] = views[:, row][:, chosen]
            score[row, chosen] = repeat_score(np.moveaxis(windows, 0, 1))
    return Repeats(score, step, float(half))


def wider_repeats(pixels: Image) -> Repeats:
    """`repeats` of the sheet at half its size, on the whole one's places: large cells, and mirrored pairs of them."""
    height, width = (size // 2 for size in pixels.shape[:2])
    even = np.ascontiguousarray(pixels[: 2 * height, : 2 * width])
    reduced = cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA)
    small = np.asarray(reduced, dtype=np.float32).reshape(height, width, -1)
    found = repeats(small, texture_of(small))
    return Repeats(found.score, 2 * found.step, 2 * found.half)


def repeat_score(windows: npt.NDArray[np.float32]) -> Image:
    """How far windows (N, channels, W, W) repeat along both axes, (N,).

    Row and column means are taken off first, so that lines along either axis do not count: what is left changes along
    both. Of its autocorrelation (through the power spectrum, Wiener-Khinchin), less the window's own, the rise from the
    lowest lag before to a peak is taken along x and along y; the lower of the two counts, and a high peak must be there
    too, since noise also rises.
    """
    side = windows.shape[-1]
    taper = np.hanning(side + 2)[1:-1].astype(np.float32)
    weight = taper / taper.sum()
    both = np.outer(weight, weight)
    own = fft.irfft2(np.abs(fft.rfft2(both, (PADDED_PX, PADDED_PX))) ** 2, (PADDED_PX, PADDED_PX))
    own /= own[0, 0]
    flat = _without_lines(windows, weight, weight)
    power = (np.abs(fft.rfft2(flat * both, (PADDED_PX, PADDED_PX))) ** 2).sum(axis=1)
    value = fft.irfft2(power, (PADDED_PX, PADDED_PX))
    value = np.asarray(value / np.maximum(value[:, :1, :1], 1e-9) / own, dtype=np.float32)
    across, down = _rise(value), _rise(value.transpose(0, 2, 1))
    return np.asarray(np.minimum(across, down), dtype=np.float32)


def repeats_in_all(part: Image) -> float:
    """How far a rectangle (h, w, channels) repeats as one, at lags of up to `1 / LEAST_CELLS` of its sides.

    A window may repeat by chance, where a few parts of some other kind lie side by side: it sees two of them.
    """
    height, width = part.shape[:2]
    flat = _flat(part)
    lags = height // LEAST_CELLS, width // LEAST_CELLS
    if min(lags) < SHORTEST_PX:
        return 0.0
    # Zeros to the farthest lag keep one end of the rectangle from meeting the other.
    size = fft.next_fast_len(height + lags[0] + 1, real=True), fft.next_fast_len(width + lags[1] + 1, real=True)
    value = fft.irfft2((np.abs(fft.rfft2(flat, size)) ** 2).sum(axis=0), size)
    value = value / max(float(value[0, 0]), 1e-9)
    # Of h - lag rows the sum is taken.
    value *= (height / (height - np.minimum(np.arange(size[0]), lags[0])))[:, None]
    value *= width / (width - np.minimum(np.arange(size[1]), lags[1]))
    across, down = (
        _rise(each[None].astype(np.float32), lag)[0] for each, lag in ((value, lags[1]), (value.T, lags[0]))
    )
    return float(min(across, down))


def lopsidedness(part: Image) -> float:
    """Skewness of a rectangle (h, w, channels) about its surroundings: 0 as much above as below, 2 and more: few spots.

    Along the channels' first principal component; its outermost pixels, half of which see what lies beyond, are left
    out.
    """
    picture = np.ascontiguousarray(part)
    about = cv2.blur(picture, (LONGEST_PX + 1, LONGEST_PX + 1)).reshape(part.shape)
    values = (picture - about)[RIM_PX:-RIM_PX, RIM_PX:-RIM_PX].reshape(-1, part.shape[2])
    if not len(values):
        return 0.0
    values = values - values.mean(axis=0)
    line = values @ np.linalg.eigh(values.T @ values)[1][:, -1]
    return float(abs((line**3).mean()) / max(float((line**2).mean()) ** 1.5, 1e-12))


def goes_on(inside: Image, added: Image) -> float:
    """How far what follows an array (h, w, channels) along x, (h, t, channels), shows its cells: 1 fully, 0 not.

    Its outermost part, at most half as wide as the array, is laid over the array at every place across, as it is and
    mirrored, as banks may be. Counted is how often both are on the same side of what is about them, less how often not:
    dirt, however dark, counts by its area.
    """
    wide = max(min(added.shape[1], inside.shape[1] // 2), 1)
    one, other = _above(inside), _above(added[:, -wide:])
    places = range(inside.shape[1] - wide + 1)
    return max(float((one[:, lag : lag + wide] * way).mean()) for way in (other, other[:, ::-1]) for lag in places)


def found_elsewhere(pixels: Image, box: Box, side: int) -> float:
    """How much of the sheet (h, w, channels) beyond a rectangle looks like it, in parts of its area.

    Patches of `side` px, at most its shorter side, are laid over all of the sheet (normalised cross-correlation: J. P.
    Lewis 1995, Fast template matching, Vision Interface, 120-123; from memory). The one counts that is most at home in
    the rectangle: others may lie on a strap or under dirt. A place looks like the rectangle where, within half a side,
    that patch fits nearly as well.
    """
    height, width = pixels.shape[:2]
    side = min(side, int(box.short))
    picture, around = np.ascontiguousarray(pixels), np.ones((side | 1, side | 1), np.uint8)
    away = np.ones((height, width), dtype=bool)
    away[box.grown(side, width, height).cut()] = False
    best, share = 0.0, 0.0
    for down in PATCHES:
        for across in PATCHES:
            y, x = (
                int(a + part * max(b - a - side, 0.0))
                for a, b, part in ((box.y0, box.y1, down), (box.x0, box.x1, across))
            )
            patch = picture[y : y + side, x : x + side]
            fit = cv2.matchTemplate(picture, patch, cv2.TM_CCOEFF_NORMED)
            fit[max(y - 2, 0) : y + 3, max(x - 2, 0) : x + 3] = 0.0  # the patch itself
            fits = np.zeros((height, width), np.float32)
            fits[side // 2 :, side // 2 :][: fit.shape[0], : fit.shape[1]] = fit
            fits = cv2.dilate(fits, around)
            at_home = float(np.median(fits[box.cut()]))
            if at_home > best:
                best = at_home
                share = float(np.count_nonzero(away & (fits > ALIKE * at_home))) / box.area
    return share


def _above(part: Image) -> Image:
    """Where a rectangle (h, w, channels), without row and column means, is above (1) or below (-1) what is about."""
    flat = np.ascontiguousarray(np.moveaxis(_flat(part), 0, 2), dtype=np.float32)
    about = cv2.blur(flat, (LONGEST_PX + 1, LONGEST_PX + 1)).reshape(flat.shape)
    return np.asarray(np.sign(flat - about), dtype=np.float32)


def _flat(part: Image) -> Image:
    """A rectangle (h, w, channels) without its row and column means, clipped, channels first."""
    down, across = (np.full(size, 1.0 / size, np.float32) for size in part.shape[:2])
    return np.asarray(_without_lines(np.moveaxis(part, 2, 0)[None], down, across)[0], dtype=np.float32)


def _without_lines(windows: Image, down: Image, across: Image) -> Image:
    """Windows (N, channels, H, W) without their row and column means (weights `across` and `down`), and clipped."""
    flat = windows - np.einsum("ncij,j->nci", windows, across)[..., None]
    flat = flat - np.einsum("ncij,i->ncj", flat, down)[:, :, None, :]
    # Dirt and scratches stand out; they must not outweigh the cells beneath.
    limit = 2.5 * flat.std(axis=(1, 2, 3), keepdims=True)
    return np.asarray(np.clip(flat, -limit, limit), dtype=np.float32)


def _rise(value: Image, longest: int = LONGEST_PX) -> Image:
    """The rise along the last axis, but at most 1.6 times the peak; lags off the axis by a pixel are looked at too."""
    beside = np.max([value[:, lag, : longest + 1] for lag in (0, 1, -1)], axis=0)[:, SHORTEST_PX:]
    lowest = np.minimum.accumulate(value[:, 0, : longest + 1], axis=1)[:, SHORTEST_PX - 1 : -1]
    return np.asarray(np.minimum((beside - lowest).max(axis=1), 1.6 * beside.max(axis=1)), dtype=np.float32)
