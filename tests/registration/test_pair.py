"""One pair of tiles: a known shift comes back, a lattice gives a lattice, a blank gives nothing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from dieplat.registration.correlate import Spectrum, band_pass, coarse_offsets, refine
from dieplat.registration.pair import measure_pair


def shifted(picture: np.ndarray, dx: float, dy: float) -> np.ndarray:
    """The picture moved by whole spectra, exact for band-limited content (the Fourier shift theorem)."""
    fy = np.fft.fftfreq(picture.shape[0])[:, None]
    fx = np.fft.fftfreq(picture.shape[1])[None, :]
    moved = np.fft.ifft2(np.fft.fft2(picture) * np.exp(-2j * np.pi * (fx * dx + fy * dy))).real
    return moved.astype(np.float32)


GRAVEL = cv2.GaussianBlur(skimage.data.gravel().astype(np.float32), (0, 0), 1.2)


def texture(rng: np.random.Generator) -> np.ndarray:
    """A random periodic picture without waves shorter than 4 px, so that the Fourier shift of it is exact."""
    spectrum = np.fft.fft2(rng.normal(0, 1, (256, 512)))
    radius = np.hypot(np.fft.fftfreq(256)[:, None], np.fft.fftfreq(512)[None, :])
    smooth = np.fft.ifft2(spectrum * np.exp(-((radius / 0.12) ** 2)) * (radius < 0.25)).real
    return (128 + 30 * smooth / smooth.std()).astype(np.float32)


@settings(max_examples=25, deadline=None)
@given(dx=st.floats(-0.5, 0.5), dy=st.floats(-0.5, 0.5), seed=st.integers(0, 99))
def test_any_fraction_of_a_pixel_comes_back(dx: float, dy: float, seed: int) -> None:
    picture = texture(np.random.default_rng(seed))
    # b lies (200 + dx, dy) from a: what a shows at x, b shows at x - 200 - dx.
    a, b = band_pass(picture), band_pass(shifted(picture, -200 - dx, -dy))
    fit = refine(a[8:-8, 8:300], b[8:-8, 8:300], 200.0, 0.0)
    assert fit is not None
    # Lanczos interpolation and the last step of the iteration: 0.002 px.
    assert fit.dx_px == pytest.approx(200 + dx, abs=0.003)
    assert fit.dy_px == pytest.approx(dy, abs=0.003)


def test_agrees_with_the_reference_library_on_noisy_pictures() -> None:
    """scikit-image's upsampled phase correlation (Guizar-Sicairos et al. 2008, Optics Letters 33, 156-158)."""
    rng = np.random.default_rng(2)
    picture = texture(rng)
    a = picture + rng.normal(0, 3, picture.shape).astype(np.float32)
    b = shifted(picture, 2.4, -1.3) + rng.normal(0, 3, picture.shape).astype(np.float32)
    fit = refine(band_pass(a), band_pass(b), -2.0, 1.0)
    theirs = phase_cross_correlation(a, b, upsample_factor=100, normalization=None)[0]
    assert fit is not None
    # Noise of 3/255 on this contrast leaves a few thousandths; theirs moves in steps of 0.01 px.
    assert (fit.dx_px, fit.dy_px) == pytest.approx((-2.4, 1.3), abs=0.01)
    assert (fit.dx_px, fit.dy_px) == pytest.approx((theirs[1], theirs[0]), abs=0.02)


def test_a_lattice_without_grain_keeps_every_place_open() -> None:
    y, x = np.mgrid[0:300, 0:400]
    cells = (120 + 40 * np.sin(2 * np.pi * x / 8) * np.sin(2 * np.pi * y / 10)).astype(np.float32)
    rng = np.random.default_rng(0)
    a = band_pass(cells + rng.normal(0, 3, cells.shape).astype(np.float32))
    b = band_pass(cells + rng.normal(0, 3, cells.shape).astype(np.float32))
    found = measure_pair(a, b, predicted_px=(320.0, 0.0), search_px=(12, 12))
    places = {(round(h.dx_px / 4), round(h.dy_px / 5)) for h in found if h.cost < 9}
    assert len(places) >= 9


def test_a_blank_overlap_gives_nothing() -> None:
    rng = np.random.default_rng(0)
    a, b = (band_pass((120 + rng.normal(0, 3, (300, 400))).astype(np.float32)) for _ in range(2))
    assert measure_pair(a, b, predicted_px=(320.0, 0.0), search_px=(12, 12)) == ()


def test_coarse_search_needs_no_hint() -> None:
    a, b = band_pass(GRAVEL[100:350, 10:310]), band_pass(GRAVEL[97:347, 210:510])
    dx, dy, score = coarse_offsets(Spectrum(a), Spectrum(b))[0]
    assert (dx, dy) == (200, -3)
    assert score > 0.9
