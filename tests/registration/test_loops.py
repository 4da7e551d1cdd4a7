"""Every compiled loop against plain arrays, or the reference library."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from dieplat.registration.correlate import Spectrum, band_pass, band_pass_part, coarse_offsets
from dieplat.registration.loops import area_means, coarse_scores, over_background, smoothed, window_sums
from dieplat.registration.search import match
from dieplat.registration.subpixel import SMOOTH_PX, START_SIGMA_PX, descend, shift_taps, shifted_moments


def picture(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    return cv2.GaussianBlur(rng.normal(0, 10, shape).astype(np.float32), (0, 0), 1.5)


@pytest.mark.parametrize("size", [(130, 96), (65, 71), (8, 8)])
def test_moments_of_a_moved_window(size: tuple[int, int]) -> None:
    rng = np.random.default_rng(1)
    a, b = picture(rng, (160, 130)), picture(rng, (160, 130))
    corner_a, corner_b = (3, 9), (11, 7)
    taps = shift_taps(0.3), shift_taps(-0.45)
    moved = cv2.sepFilter2D(b.astype(np.float64), cv2.CV_64F, taps[0].astype(np.float64), taps[1].astype(np.float64))

    def window(down: int, right: int) -> np.ndarray:
        y, x = corner_b[0] + down, corner_b[1] + right
        return moved[y : y + size[0], x : x + size[1]]

    u = a[corner_a[0] : corner_a[0] + size[0], corner_a[1] : corner_a[1] + size[1]].astype(np.float64)
    terms = (window(0, 1) - window(0, -1), window(1, 0) - window(-1, 0), window(0, 0), u)
    expected = [term.sum() for term in terms]
    expected += [(terms[i] * terms[j]).sum() for i in range(4) for j in range(i, 4)]
    found = shifted_moments(a, b, corner_a, corner_b, size, *taps)
    # Single precision within blocks of 64 rows, against the sum of the terms' sizes.
    scale = np.array(
        [np.abs(t).sum() for t in terms] + [np.abs(terms[i] * terms[j]).sum() for i in range(4) for j in range(i, 4)]
    )
    assert np.all(np.abs(found - expected) < 2e-6 * scale)


@pytest.mark.parametrize("shift", [0.0, 0.25, -0.5])
def test_taps_move_polynomials_exactly(shift: float) -> None:
    taps = shift_taps(shift).astype(np.float64)
    x = np.arange(-4.0, 5.0)
    # Lagrange's polynomial through nine points is any polynomial of degree eight; four are enough to tell.
    for degree in range(5):
        assert taps @ x**degree == pytest.approx((-shift) ** degree, abs=1e-4)


def test_one_step_is_the_normal_equations() -> None:
    rng = np.random.default_rng(2)
    whole = picture(rng, (140, 150))
    a, b = whole[:120, 6:146].copy(), whole[2:122, 4:144].copy() + picture(rng, (120, 140)) / 20
    x, y, correlation, xx, xy, yy, n = descend(a, b, (-2.0, 2.0), (-1.9, 2.05), 1, 1, 24)
    rim = 118 // 6 + 4
    va = a[2 + rim : 120 - rim, rim : 138 - rim].astype(np.float64)

    def of_b(down: int, right: int) -> np.ndarray:
        return b[rim + down : 118 - rim + down, 2 + rim + right : 140 - rim + right].astype(np.float64)

    vb = of_b(0, 0)
    gain = va.std() / vb.std()
    slopes = [(of_b(0, 1) - of_b(0, -1)) / 2, (of_b(1, 0) - of_b(-1, 0)) / 2]
    design = np.stack([(slope - slope.mean()).ravel() for slope in slopes], axis=1)
    residual = (gain * (vb - vb.mean()) - (va - va.mean())).ravel()
    variance = residual.var() * 4 * np.pi * SMOOTH_PX**2
    prior = np.eye(2) / START_SIGMA_PX**2
    cov = np.linalg.inv(design.T @ design / variance + prior)
    step = cov @ (design.T @ residual / variance + prior @ (0.1, 0.05))
    assert n == va.size
    assert (x, y) == pytest.approx((-2 + step[0], 2 + step[1]), abs=1e-5)
    # The residual is a four-hundredth of the sums, in single precision, whose difference gives its variance.
    assert (xx, xy, yy) == pytest.approx((cov[0, 0], cov[0, 1], cov[1, 1]), rel=1e-3, abs=1e-9)
    assert correlation == pytest.approx(np.corrcoef(va.ravel(), vb.ravel())[0, 1], abs=1e-5)


def test_a_descent_that_goes_astray_gives_nothing() -> None:
    rng = np.random.default_rng(3)
    a = picture(rng, (120, 140))
    assert descend(a, np.zeros_like(a), (0.0, 0.0), (0.0, 0.0), 8, 1, 24)[6] == 0
    assert descend(a, a, (118.0, 0.0), (118.0, 0.0), 8, 1, 24)[6] == 0


def test_sums_over_all_windows() -> None:
    field = picture(np.random.default_rng(4), (50, 41))
    sums, squares = window_sums(field, 39, 30)
    views = np.lib.stride_tricks.sliding_window_view(field.astype(np.float64), (39, 30))
    assert np.allclose(sums, views.sum(axis=(2, 3)), atol=1e-8)
    assert np.allclose(squares, (views**2).sum(axis=(2, 3)), rtol=1e-10)


def test_matching_agrees_with_the_reference_library() -> None:
    field = picture(np.random.default_rng(5), (90, 75)) + 3
    template = field[11:81, 8:60] * 1.3 + picture(np.random.default_rng(6), (70, 52))
    found = match(template, field)
    assert found is not None
    # Spectra in single precision on either side.
    assert np.allclose(found, cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED), atol=2e-5)
    assert match(template, np.zeros_like(field)) is None
    assert match(np.ones_like(template), field) is None


def test_coarse_scores_are_correlations_of_what_overlaps() -> None:
    rng = np.random.default_rng(7)
    a, b = picture(rng, (40, 31)), picture(rng, (40, 31)) + 2
    first, second = Spectrum(a), Spectrum(b)
    product = np.fft.irfft2(first.values * np.conj(second.values), first.size).astype(np.float32)
    score = coarse_scores(product, first.sums, first.squares, second.sums, second.squares, 1e-9)
    assert score.shape == (79, 61)
    for dx, dy in [(0, 0), (5, -7), (-11, 3), (-25, -30), (22, 31)]:
        in_a = a[max(dy, 0) : 40 + min(dy, 0), max(dx, 0) : 31 + min(dx, 0)]
        in_b = b[max(-dy, 0) : 40 + min(-dy, 0), max(-dx, 0) : 31 + min(-dx, 0)]
        expected = np.corrcoef(in_a.ravel(), in_b.ravel())[0, 1]
        assert score[dy + 39, dx + 30] == pytest.approx(expected, abs=1e-4)
    assert coarse_offsets(first, first)[0][:2] == (0.0, 0.0)


def test_excess_over_an_interpolated_background() -> None:
    rng = np.random.default_rng(8)
    fine, wide = rng.uniform(50, 200, (9, 20)).astype(np.float32), rng.uniform(80, 90, (3, 20)).astype(np.float32)
    place = np.linspace(0, 2, 9)
    row_of = np.minimum(place.astype(np.intp), 1)
    between = np.array([np.interp(place, range(3), column) for column in wide.T]).T
    expected = 100 * fine / between - 100
    over_background(fine, wide, row_of, (place - row_of).astype(np.float32))
    assert np.allclose(fine, expected, atol=1e-3)


@pytest.mark.parametrize("dtype", ["uint8", "uint16", "float32"])
def test_band_pass_is_a_ratio_to_the_blurred_picture(dtype: str) -> None:
    grey = picture(np.random.default_rng(9), (101, 90)) * 4 + 120
    scale = 257 if dtype == "uint16" else 1
    given = (np.round(grey) * scale).astype(dtype)
    fine = cv2.GaussianBlur(np.round(grey) + 24, (9, 9), SMOOTH_PX)
    # Whole blocks of four by four pixels; what is left over at the end has the background of the last.
    small = fine[:100, :88].reshape(25, 4, 22, 4).mean(axis=(1, 3))
    wide = cv2.resize(cv2.GaussianBlur(small, (0, 0), 3.0), (88, 100), interpolation=cv2.INTER_LINEAR)
    wide = np.pad(wide, ((0, 1), (0, 2)), mode="edge")
    assert np.allclose(band_pass(given), 100 * fine / wide - 100, atol=2e-3)


@pytest.mark.parametrize("dtype", ["uint8", "uint16"])
@pytest.mark.parametrize(("corner", "size"), [((0, 0), (101, 90)), ((8, 12), (93, 64)), ((40, 4), (16, 86))])
def test_a_part_of_a_tile_is_band_passed_as_its_picture_is(
    dtype: str, corner: tuple[int, int], size: tuple[int, int]
) -> None:
    rng = np.random.default_rng(10)
    top = np.iinfo(dtype).max
    tile = np.clip((picture(rng, (101, 90)) * 4 + 120) * top / 255, 0, top).astype(dtype)
    gain = rng.uniform(0.7, 1.0, tile.shape).astype(np.float32)
    part = slice(corner[0], corner[0] + size[0]), slice(corner[1], corner[1] + size[1])
    expected = band_pass(tile[part] * gain[part] * np.float32(255 / top))
    # Percent of the brightness, in single precision.
    assert np.allclose(band_pass_part(tile, gain, corner, size), expected, atol=2e-3)


@pytest.mark.parametrize("shape", [(9, 9), (17, 30)])
def test_smoothing_and_reducing_is_that_of_the_reference_library(shape: tuple[int, int]) -> None:
    rng = np.random.default_rng(11)
    tile, gain = rng.integers(0, 255, (40, 50), dtype=np.uint8), rng.uniform(0.5, 1, (40, 50)).astype(np.float32)
    taps_x, taps_y = (cv2.getGaussianKernel(9, sigma, cv2.CV_32F)[:, 0] for sigma in (1.0, 1.4))
    fine, small = np.empty(shape, np.float32), np.empty((shape[0] // 4, shape[1] // 4), np.float32)
    smoothed(tile, gain, (5, 3), fine, small, taps_x, taps_y, 24.0)
    part = (tile * gain)[5 : 5 + shape[0], 3 : 3 + shape[1]]
    expected = cv2.sepFilter2D(part, cv2.CV_32F, taps_x, taps_y, delta=24)
    assert np.allclose(fine, expected, atol=1e-3)
    whole = fine[: 4 * small.shape[0], : 4 * small.shape[1]]
    assert np.allclose(small, whole.reshape(len(small), 4, -1, 4).mean(axis=(1, 3)), atol=1e-3)


@pytest.mark.parametrize(("channels", "size"), [(1, (7, 9)), (3, (12, 8)), (3, (40, 33))])
def test_area_means_agree_with_the_reference_library(channels: int, size: tuple[int, int]) -> None:
    given = np.random.default_rng(10).integers(0, 255, (40, 33, channels), dtype=np.uint8)
    expected = cv2.resize(given.astype(np.float32), size[::-1], interpolation=cv2.INTER_AREA).reshape(*size, channels)
    # Sums of 255 in single precision, in another order.
    assert np.allclose(area_means(given.reshape(40, -1), channels, size), expected, atol=1e-3)
