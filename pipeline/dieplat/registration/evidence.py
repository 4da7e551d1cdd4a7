"""Which of several places of an overlap the pictures themselves prefer, once all that repeats is left out."""

from __future__ import annotations

import math
from collections.abc import Sequence
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


def log_likelihoods(a: Image, b: Image, offsets_px: Sequence[tuple[float, float]]) -> Array:
    """Log-likelihood of every place of b against a, in nats; only differences between them mean anything.

    Parameters
    ----------
    a, b : ndarray of shape (H, W), float32
        Band-passed grey pictures.
    offsets_px : sequence of (dx, dy)
        Places to compare, all with about the same overlap.

    Returns
    -------
    ndarray of shape (len(offsets_px),)
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
    return np.array([_at_place(coarse_a, coarse_b, dx / STEP_PX, dy / STEP_PX) for dx, dy in offsets_px])


def _coarse(image: Image) -> Image:
    return np.ascontiguousarray(cv2.GaussianBlur(image, (0, 0), BLUR_PX)[::STEP_PX, ::STEP_PX], dtype=np.float32)


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
    # Fading out joins neighbouring frequencies: fewer of them are independent.
    squared = taper * taper
    independent = float(squared.mean() ** 2 / np.square(squared).mean())
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
