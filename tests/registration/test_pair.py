"""One pair of tiles: a known shift comes back, a lattice gives a lattice, a blank gives nothing."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.registration import phase_cross_correlation

from dieplat.registration.correlate import (
    Spectrum,
    band_pass,
    coarse_misfit,
    coarse_offsets,
    overlap_windows,
    refine,
    settle,
)
from dieplat.registration.measuring import STRAY_FACTOR, USUAL_MISFIT_PCT, USUAL_UNLIKE
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


def pads(*, seed: int) -> np.ndarray:
    """A row of equal pads with a scratch somewhere on each and speckled ground beside them."""
    rng = np.random.default_rng(seed)
    ground = cv2.GaussianBlur(rng.normal(0, 1, (700, 300)).astype(np.float32), (0, 0), 4.0)
    picture = (90 + 8 * ground / ground.std()).astype(np.float32)
    for top in range(20, 660, 80):
        picture[top : top + 50, 60:130] = 190
        x, y = int(rng.integers(70, 110)), int(rng.integers(top + 8, top + 38))
        picture[y : y + 5, x : x + 14] = 120
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def seen(picture: np.ndarray, top: int, *, blur_px: float = 0.0, seed: int) -> np.ndarray:
    """240 rows of a picture with noise, perhaps out of focus."""
    view = cv2.GaussianBlur(picture, (0, 0), blur_px) if blur_px else picture
    noise = np.random.default_rng(seed).normal(0, 3, (240, 300)).astype(np.float32)
    return np.ascontiguousarray(view[top : top + 240] + noise)


def test_what_differs_coarsely_tells_a_block_on_its_like_from_one_out_of_focus() -> None:
    picture = pads(seed=1)
    a = band_pass(seen(picture, 100, seed=2))
    sharp, dull = (band_pass(seen(picture, 100, blur_px=blur, seed=3)) for blur in (0.0, 3.0))
    like = band_pass(seen(picture, 180, seed=4))
    (of_sharp, _), (of_dull, short_dull), (of_like, short_like) = (
        coarse_misfit(a, other, 0.0, 0.0) for other in (sharp, dull, like)
    )
    assert of_sharp is not None
    assert of_dull is not None
    assert of_like is not None
    assert short_dull is not None
    assert short_like is not None
    # What a set's usual pair leaves is noise; defocus must not come near the limit, and the next pad be beyond it.
    limit, share = USUAL_MISFIT_PCT * STRAY_FACTOR**0.5, USUAL_UNLIKE * STRAY_FACTOR
    assert of_sharp < USUAL_MISFIT_PCT
    assert of_dull < limit or short_dull < share / 2
    assert of_like > limit
    assert short_like > share


def test_too_small_a_picture_tells_nothing_of_coarse_structure() -> None:
    small = np.zeros((20, 20), np.float32)
    assert coarse_misfit(small, small, 0.0, 0.0) == (None, None)
