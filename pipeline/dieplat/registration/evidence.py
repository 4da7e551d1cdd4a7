"""Which of several places of an overlap the pictures themselves prefer, once all that repeats is left out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt
import scipy.fft

from dieplat.registration.correlate import Image, overlap_windows

Array = npt.NDArray[np.float64]

STEP_PX = 2
BLUR_PX = 2.0
"""Evidence lies in coarse structure; a blur and every second pixel keep it, at a quarter of the work."""
RINGS_PER_PX = (0.004, 0.02, 0.04, 0.06, 0.08)
"""Bounds of the rings of spatial frequency, in cycles a pixel of the tile. Each has a coherence of its own."""
TAPER = 0.15
"""Part of a window at either end that is faded out: less lets strong lines of a lattice leak into their surroundings,
more gives away pixels."""
PEAK_POWER = 5.0
"""A frequency this many times above the median power at its distance from zero belongs to something that repeats."""
FEWEST_BINS = 6
BINS_OF_MEDIAN = 24
LEAST_WINDOW_PX = 16
CHANCE_SIGMAS = 1.0
"""A difference between two places that noise often makes is none."""
MOST_CHANGES = 6
"""So often a better place than the best so far may turn up when places are compared with it."""


@dataclass(frozen=True, slots=True, eq=False)
class _Bins:
    """The low frequencies of a window: cycles a coarse pixel along x and y, number of the ring (or -1), of the median.

    `rows` and `across` are where they lie in the window's spectrum: these rows of it, and so many of its columns.
    `circles` are the places, counted through, that lie at about the same distance from zero.
    """

    fx: Array
    fy: Array
    ring: npt.NDArray[np.intp]
    radius: npt.NDArray[np.intp]
    rows: npt.NDArray[np.intp]
    across: int
    circles: tuple[npt.NDArray[np.intp], ...]


def log_likelihoods(a: Image, b: Image) -> Callable[[Sequence[tuple[float, float]]], Array]:
    """Log-likelihood of places of b against a, in nats; only differences between them mean anything.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32
        Band-passed grey pictures.

    Returns
    -------
    callable
        Takes places (dx, dy) to compare, all with about the same overlap, and gives an array of as many values;
        -inf where too little overlaps.

    Notes
    -----
    Two pictures of one place agree in whatever is there once only: grain, dirt, a worn edge. A lattice agrees with
    itself at every multiple of its pitch, and a slight misfit of it outweighs all grain, so its lines are left out of
    both spectra. For what is left, taken as Gaussian with a coherence g in every ring of n frequencies, the likelihood
    at its best g is -n ln(1 - g^2) (Knapp and Carter 1976, IEEE Trans. ASSP 24, 320-327; Carter 1987, Proc. IEEE 75,
    236-255). A negative coherence counts as none.
    """
    coarse_a, coarse_b = _coarse(a), _coarse(b)
    return lambda places: np.array([_at_place(coarse_a, coarse_b, dx / STEP_PX, dy / STEP_PX) for dx, dy in places])


def leads(a: Image, b: Image, offsets_px: Sequence[tuple[float, float]], *, hopeless: float) -> Array:
    """Log-likelihood of every place of b against a over that of the best, in nats: 0 for this, negative for the others.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32
        Band-passed grey pictures.
    offsets_px : sequence of (dx, dy)
        Places to compare, the most likely first if that is known.
    hopeless : float
        A place that is farther behind than this is not looked at again.

    Returns
    -------
    ndarray of shape (len(offsets_px),)
        -inf where too little overlaps.

    Notes
    -----
    Two places are compared on the same pixels of a, by the frequencies in which b differs from one to the other by more
    than noise. What both show alike, such as an edge that they differ along, then says nothing; by the coherence of
    either alone it would count, with its noise, for either. For Gaussian noise of variance v in a - b the logarithm of
    the ratio is (|a - q|^2 - |a - p|^2) / v; every ring's is weighted with the part of |p - q|^2 that is no noise
    (Wiener 1949, Extrapolation, Interpolation, and Smoothing of Stationary Time Series).
    """
    found = np.zeros(len(offsets_px))
    if len(found) < 2:
        return found
    smooth_a, smooth_b = _smooth(a), _smooth(b)
    best = 0
    for _ in range(MOST_CHANGES):
        worth = [i for i in range(len(found)) if i != best and found[i] > found[best] - hopeless]
        ahead = {i: _over(smooth_a, smooth_b, offsets_px[i], offsets_px[best]) for i in worth}
        found[best] = 0.0
        for i, lead in ahead.items():
            found[i] = lead
        if found.max() <= 0:
            break
        best = int(found.argmax())
        found -= found[best]
    return found


def _over(a: Image, b: Image, one: tuple[float, float], other: tuple[float, float]) -> float:
    """Log-likelihood of one place of b over another; the pictures are smooth."""
    whole = [(round(x), round(y)) for x, y in (one, other)]
    height, width = min(a.shape[0], b.shape[0]), min(a.shape[1], b.shape[1])
    left, top = (max(0, *(corner[axis] for corner in whole)) for axis in (0, 1))
    right = min(width, *(width + x for x, _ in whole))
    bottom = min(height, *(height + y for _, y in whole))
    if min(right - left, bottom - top) < LEAST_WINDOW_PX:
        return -np.inf
    rows, columns = (scipy.fft.prev_fast_len(side // STEP_PX, real=True) for side in (bottom - top, right - left))
    taper, bins = _taper((rows, columns)), _bins((rows, columns))

    def cut(picture: Image, x: int, y: int) -> Image:
        return picture[y : y + STEP_PX * rows : STEP_PX, x : x + STEP_PX * columns : STEP_PX]

    window, shown = cut(a, left, top), [cut(b, left - x, top - y) for x, y in whole]
    gain = float(window.std()) / max(float(np.hypot(*(view.std() for view in shown))) / math.sqrt(2), 1e-9)
    fa = _spectrum(window, taper, bins)
    # The windows are cut at whole pixels; the rest of the shift is a slope of the phase.
    p, q = (
        gain * _spectrum(view, taper, bins) * np.exp(-2j * np.pi / STEP_PX * (bins.fx * (x - ix) + bins.fy * (y - iy)))
        for view, (x, y), (ix, iy) in zip(shown, (one, other), whole, strict=True)
    )
    once = ~_repeating(_power(fa) + (_power(p) + _power(q)) / 2, bins)
    rest_p, rest_q, change = _power(fa - p), _power(fa - q), _power(p - q)
    independent = _independent(taper)
    total = 0.0
    for ring in range(len(RINGS_PER_PX) - 1):
        inside = once & (bins.ring == ring)
        count = float(inside.sum())
        if count * independent < FEWEST_BINS:
            continue
        of_p, of_q = float(rest_p[inside].sum()), float(rest_q[inside].sum())
        noise = max(min(of_p, of_q), 1e-12) / count
        by_chance = noise * (1 + CHANCE_SIGMAS / math.sqrt(count * independent))
        told_apart = max(0.0, 1 - by_chance / max(float(change[inside].mean()), 1e-12))
        total += told_apart * independent * (of_q - of_p) / noise
    return total


def _independent(taper: Image) -> float:
    """Which part of the frequencies are independent: fading out joins neighbouring ones."""
    squared = taper * taper
    return float(squared.mean() ** 2 / np.square(squared).mean())


def _smooth(image: Image) -> Image:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), BLUR_PX), dtype=np.float32)


def _coarse(image: Image) -> Image:
    return np.ascontiguousarray(_smooth(image)[::STEP_PX, ::STEP_PX], dtype=np.float32)


def _at_place(a: Image, b: Image, dx: float, dy: float) -> float:
    ix, iy = round(dx), round(dy)
    shape = min(a.shape[0], b.shape[0]), min(a.shape[1], b.shape[1])
    windows = overlap_windows(shape, ix, iy)
    if windows is None:
        return -np.inf
    va, vb = a[windows[0]], b[windows[1]]
    # A row or two less, so that the sides have no large prime factor: some transforms would take thrice as long.
    rows, columns = (scipy.fft.prev_fast_len(side, real=True) for side in va.shape)
    va, vb = va[:rows, :columns], vb[:rows, :columns]
    taper = _taper((rows, columns))
    bins = _bins((rows, columns))
    fa, fb = _spectrum(va, taper, bins), _spectrum(vb, taper, bins)
    power_a, power_b = _power(fa), _power(fb)
    once = ~_repeating(power_a + power_b, bins)
    # The window is cut at whole pixels; the rest of the shift is a slope of the phase.
    turn = np.exp(-2j * np.pi * (bins.fx * (dx - ix) + bins.fy * (dy - iy)))
    cross = (fa * np.conj(fb * turn)).real
    independent = _independent(taper)
    total = 0.0
    for ring in range(len(RINGS_PER_PX) - 1):
        inside = once & (bins.ring == ring)
        count = float(inside.sum()) * independent
        norm = float(np.sqrt(power_a[inside].sum() * power_b[inside].sum()))
        if count < FEWEST_BINS or norm <= 0:
            continue
        coherence = min(max(float(cross[inside].sum()) / norm, 0.0), 0.999)
        total -= count * float(np.log(1 - coherence**2))
    return total


def _spectrum(window: Image, taper: Image, bins: _Bins) -> npt.NDArray[np.complex64]:
    """The low frequencies of a faded-out window."""
    along = scipy.fft.rfft((window - window.mean()) * taper, axis=1)[:, : bins.across]
    return np.asarray(scipy.fft.fft(along, axis=0)[bins.rows], dtype=np.complex64)


def _power(spectrum: npt.NDArray[np.complex64]) -> Array:
    return np.asarray(spectrum.real.astype(np.float64) ** 2 + spectrum.imag.astype(np.float64) ** 2, dtype=np.float64)


@lru_cache(maxsize=8)
def _taper(shape: tuple[int, int]) -> Image:
    """What fades a window out towards its rim, float32."""
    return np.asarray(np.outer(_tapered(shape[0]), _tapered(shape[1])), dtype=np.float32)


def _tapered(size: int) -> Array:
    """A cosine-tapered window (Tukey 1967; Harris 1978, Proc. IEEE 66, 51-83)."""
    window = np.ones(size)
    fade = max(int(size * TAPER), 2)
    ramp = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
    window[:fade] *= ramp
    window[-fade:] *= ramp[::-1]
    return window


@lru_cache(maxsize=32)
def _bins(shape: tuple[int, int]) -> _Bins:
    # Whole circles of the medians about all the rings, and the neighbours of their lines.
    reach = math.ceil(RINGS_PER_PX[-1] * STEP_PX * 2 * BINS_OF_MEDIAN) / (2 * BINS_OF_MEDIAN)
    down, across = (min(math.ceil(reach * side) + 2, side // 2) for side in shape)
    rows = np.r_[:down, shape[0] - down : shape[0]]
    fy = np.asarray(np.fft.fftfreq(shape[0])[rows, None], dtype=np.float64)
    fx = np.asarray(np.fft.rfftfreq(shape[1])[None, :across], dtype=np.float64)
    distance = np.hypot(fy, fx)
    ring = np.searchsorted(np.array(RINGS_PER_PX) * STEP_PX, distance) - 1
    ring[ring == len(RINGS_PER_PX) - 1] = -1
    radius = np.minimum((distance * 2 * BINS_OF_MEDIAN).astype(np.intp), BINS_OF_MEDIAN - 1)
    circles = tuple(np.flatnonzero(radius == k) for k in range(BINS_OF_MEDIAN))
    return _Bins(fx, fy, ring, radius, rows, across, circles)


def _repeating(power: Array, bins: _Bins) -> npt.NDArray[np.bool_]:
    """Lines far above the others at their distance from zero, with their neighbours."""
    flat = power.ravel()
    median = np.array([_median(flat[circle]) if len(circle) else 0.0 for circle in bins.circles])
    peak = (power > PEAK_POWER * median[bins.radius]).astype(np.uint8)
    grown = cv2.dilate(np.fft.fftshift(peak, axes=0), np.ones((3, 3), np.uint8))
    return np.asarray(np.fft.ifftshift(grown, axes=0) > 0)


def _median(values: Array) -> float:
    """NumPy's own takes ten times as long for so few."""
    ranked = np.sort(values)
    return 0.5 * float(ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2])
