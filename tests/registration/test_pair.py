"""One pair of tiles: a known shift comes back, a lattice gives a lattice, a blank gives nothing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from dieplat.registration.correlate import Spectrum, band_pass, coarse_offsets, overlap_windows, refine, settle
from dieplat.registration.pair import measure_pair, settled
from dieplat.values.offsets import Hypothesis


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


def narrow_overlap(dx: float, dy: float) -> tuple[np.ndarray, np.ndarray]:
    """Two tiles of gravel, b by (dx, dy) from a; some 40 columns of them overlap."""
    moved = shifted(GRAVEL, 200 - dx, -dy)
    return np.ascontiguousarray(GRAVEL[100:340, 60:300]), np.ascontiguousarray(moved[100:340, 260:500])


def shared_of(a: np.ndarray, b: np.ndarray, offset: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    windows = overlap_windows(a.shape, *offset)
    assert windows is not None
    first, second = (band_pass(np.ascontiguousarray(tile[cut])) for tile, cut in zip((a, b), windows, strict=True))
    return first, second


def test_a_narrow_overlap_is_settled_by_what_both_tiles_show_of_it() -> None:
    """Along the rim of either tile the background is guessed, and bars seem to move; not so where both guess alike."""
    before, after = [], []
    for number, (dx, dy) in enumerate(np.random.default_rng(5).uniform(-0.5, 0.5, (12, 2)), 1):
        a, b = narrow_overlap(200 + dx, number % 5 + dy)
        fit = refine(band_pass(a), band_pass(b), 200.0, float(number % 5))
        assert fit is not None
        start = Hypothesis(fit.dx_px, fit.dy_px, fit.correlation, 0.0, fit.cov_px2)
        (end,) = settled([start], lambda offset, a=a, b=b: shared_of(a, b, offset))
        truth = (200 + dx, number % 5 + dy)
        before.append((start.dx_px - truth[0], start.dy_px - truth[1]))
        after.append((end.dx_px - truth[0], end.dy_px - truth[1]))
        assert (end.correlation, end.cost) == (start.correlation, start.cost)
    assert np.abs(before).max() > 0.025
    # Without noise all that is left comes from guesses that are up to half a pixel apart.
    assert np.abs(after).max() < 0.01


@pytest.mark.parametrize(("sigma_px", "quality"), [(0.0, None), (1.2, None), (0.0, 85)])
def test_the_stated_covariance_is_what_offsets_scatter_by(sigma_px: float, quality: int | None) -> None:
    """Noise of single pixels, noise that neighbours share, and compression: repeated, the scatter is as stated."""
    rng = np.random.default_rng(11)
    picture = texture(rng)[:160, :300]
    errors, stated = [], []
    for _ in range(60):
        noise = rng.normal(0, 6, (2, *picture.shape)).astype(np.float32)
        seen = [picture + (cv2.GaussianBlur(n, (0, 0), sigma_px) * 3 if sigma_px else n) for n in noise]
        if quality is not None:
            coded = [cv2.imencode(".jpg", np.clip(one, 0, 255), [cv2.IMWRITE_JPEG_QUALITY, quality])[1] for one in seen]
            seen = [cv2.imdecode(one, cv2.IMREAD_GRAYSCALE).astype(np.float32) for one in coded]
        fit = settle(band_pass(seen[0]), band_pass(seen[1]), 0.0, 0.0)
        assert fit is not None
        errors.append((fit.dx_px, fit.dy_px))
        stated.append((fit.cov_px2[0], fit.cov_px2[2]))
    scatter = np.sqrt(np.mean(np.square(errors)))
    # 120 draws: 6 % for the scatter. Blocks of 24 px lose a little where neighbours share their noise.
    assert np.sqrt(np.mean(stated)) == pytest.approx(scatter, rel=0.25)


def lines_and_block(*, block: bool, seed: int) -> list[np.ndarray]:
    """Two pictures of upright lines, with the lines' ends somewhere outside; a block beside them, if asked for."""
    rng = np.random.default_rng(seed)
    picture = np.full((400, 300), 110, np.float32)
    for left in range(20, 180, 17):
        picture[:, left : left + 7] += 45
    if block:
        picture[190:230, 220:260] -= 40
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0)
    views = picture[40:280], picture[100:340]
    return [np.ascontiguousarray(view + rng.normal(0, 3, view.shape).astype(np.float32)) for view in views]


def places_of(tiles: list[np.ndarray]) -> tuple[Hypothesis, ...]:
    a, b = (band_pass(tile) for tile in tiles)
    found = measure_pair(a, b, predicted_px=(0.0, 64.0), search_px=(8, 24))
    return settled(found, lambda offset: shared_of(*tiles, offset))


@pytest.mark.parametrize("seed", range(6))
def test_straight_lines_alone_place_nothing_along_them(seed: int) -> None:
    assert places_of(lines_and_block(block=False, seed=seed)) == ()


@pytest.mark.parametrize("seed", range(3))
def test_lines_with_something_beside_them_are_placed(seed: int) -> None:
    best, *others = places_of(lines_and_block(block=True, seed=seed))
    # 40 px of an edge under noise of 3: thousandths of a pixel along the lines.
    assert (best.dx_px, best.dy_px) == pytest.approx((0.0, 60.0), abs=0.05)
    assert all(other.cost > 12 for other in others)


def test_what_is_left_of_two_pictures_of_one_place_is_their_noise() -> None:
    (best, *_) = places_of(lines_and_block(block=True, seed=7))
    # Smoothing by 1 px leaves 1 / (2 sqrt(pi)) of white noise; sqrt(2) for two pictures of 3 grey levels each, over a
    # brightness of some 130 with 24 added.
    expected = 100 * 3 * np.sqrt(2) / (2 * np.sqrt(np.pi)) / (130 + 24)
    assert best.misfit_pct == pytest.approx(expected, rel=0.15)
