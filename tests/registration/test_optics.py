"""The objective's distortion: put in, found, taken out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import scipy.ndimage
import skimage.data
from hypothesis import given, settings
from hypothesis import strategies as st

from dieplat.registration.bundle import choose_lens, windows_of
from dieplat.registration.correlate import band_pass, overlap_windows
from dieplat.registration.optics import offsets_along, radial_changes, undistorted
from dieplat.registration.pair import measure_pair, settled
from dieplat.values.correction import Lens
from dieplat.values.offsets import PairOffsets

WIDTH, HEIGHT = 480, 360
NORM = float(np.hypot(WIDTH, HEIGHT) / 2)
DIE = cv2.resize(skimage.data.gravel().astype(np.float32), None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)


def seen(corner: tuple[float, float], k1: float, rng: np.random.Generator, turn_deg: float = 0.0) -> np.ndarray:
    """What a distorting camera shows with its middle over the die at `corner` + half a tile."""
    x = np.arange(WIDTH) + 0.5 - WIDTH / 2
    y = np.arange(HEIGHT) + 0.5 - HEIGHT / 2
    bent_x, bent_y = np.meshgrid(x, y)
    ux, uy = bent_x.copy(), bent_y.copy()
    for _ in range(20):  # the place on the die that appears at each pixel: invert r (1 + k1 r^2) by fixed point
        r2 = (ux**2 + uy**2) / NORM**2
        ux, uy = bent_x / (1 + k1 * r2), bent_y / (1 + k1 * r2)
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    ux, uy = cos * ux - sin * uy, sin * ux + cos * uy
    place = [uy + corner[1] + HEIGHT / 2 - 0.5, ux + corner[0] + WIDTH / 2 - 0.5]
    picture = scipy.ndimage.map_coordinates(DIE, place, order=3)
    return (picture + rng.normal(0, 2, picture.shape)).astype(np.float32)


def along_overlaps(k1: float, *, seed: int, turn_deg: float = 0.0) -> list[np.ndarray]:
    """Offsets along the overlaps of six pairs; the second tile of each is turned."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(6):
        step = (
            (375.0 + rng.normal(0, 3), rng.normal(0, 3)) if number % 2 else (rng.normal(0, 3), 275 + rng.normal(0, 3))
        )
        corner = rng.uniform(20, 500, 2)
        a = seen((corner[0], corner[1]), k1, rng)
        b = seen((corner[0] + step[0], corner[1] + step[1]), k1, rng, turn_deg)
        hypotheses = measure_pair(band_pass(a), band_pass(b), predicted_px=step, search_px=(10, 10))
        x, y = round(hypotheses[0].dx_px), round(hypotheses[0].dy_px)
        windows = overlap_windows(a.shape, x, y)
        assert windows is not None
        parts = [band_pass(np.ascontiguousarray(tile[cut])) for tile, cut in zip((a, b), windows, strict=True)]
        corner_px = max(0, x), max(0, y)
        pair = PairOffsets(0, 1, settled(hypotheses, lambda _, parts=parts: (parts[0], parts[1])), step)
        found.append(offsets_along(*parts, pair, corner_px=corner_px, shape=a.shape))
    return found


def lens_from(along: list[np.ndarray]):
    windows = windows_of(along, present=None, norm_px=NORM)
    cov = np.linalg.inv(windows.normal)
    return choose_lens(cov @ windows.side, cov, numbers=windows.numbers, norm_px=NORM)


@pytest.mark.parametrize("k1", [-0.015, 0.01])
def test_k1_comes_back(k1: float) -> None:
    found = lens_from(along_overlaps(k1, seed=3))
    assert found.model != "none"
    # 5 % is what the distortion must be known to; this first estimate is from pictures that are still bent.
    assert found.k[0] + found.k[1] == pytest.approx(k1, rel=0.05)


def test_a_lens_without_distortion_is_left_alone() -> None:
    found = lens_from(along_overlaps(0.0, seed=4))
    assert found.model == "none"
    assert found.k == (0.0, 0.0)


def test_tiles_turned_against_one_another_are_told_from_tiles_that_are_not() -> None:
    still = windows_of(along_overlaps(0.0, seed=5), present=None, norm_px=NORM)
    turned = windows_of(along_overlaps(0.0, seed=5, turn_deg=0.1), present=None, norm_px=NORM)
    assert still.turned < 0
    assert turned.turned > 10
    # Six angles, each known to a few thousandths of a degree.
    assert turned.turn_deg == pytest.approx(0.1, rel=0.1)


def test_what_was_bent_is_straight_again() -> None:
    rng = np.random.default_rng(0)
    straight, bent = seen((100.0, 100.0), 0.0, rng), seen((100.0, 100.0), 0.02, rng)
    mended = undistorted(bent, Lens(0.02, 0.0, NORM))
    inner = (slice(20, -20), slice(20, -20))
    # Two draws of a noise of 2 levels, and what two interpolations blur.
    assert np.std((mended - straight)[inner]) < 4.0
    assert np.std((bent - straight)[inner]) > 8.0


def test_straightening_reads_smooth_structure_where_it_is() -> None:
    rng = np.random.default_rng(1)
    picture = cv2.GaussianBlur(rng.normal(size=(200, 260)).astype(np.float32), (0, 0), 1.5)
    lens = Lens(-0.01, 0.002, 164.0)
    y, x = np.mgrid[:200, :260] + 0.5
    x, y = x - 130, y - 100
    r2 = (x * x + y * y) / lens.norm_px**2
    stretch = 1 + lens.k1 * r2 + lens.k2 * r2 * r2
    expected = scipy.ndimage.map_coordinates(
        picture.astype(np.float64), [y * stretch + 99.5, x * stretch + 129.5], order=5
    )
    inner = (slice(20, -20), slice(20, -20))
    difference = (undistorted(picture, lens) - expected)[inner]
    # Splines of fifth order are a second method; half of a 1/1024 px on slopes of a deviation a pixel is 0.05 %.
    assert np.std(difference) < 2e-3 * np.std(picture)


@given(
    k1=st.floats(-0.02, 0.02),
    k2=st.floats(-0.01, 0.01),
    x=st.floats(-230, 230),
    y=st.floats(-170, 170),
    dx=st.floats(-400, 400),
    dy=st.floats(-300, 300),
)
@settings(max_examples=60, deadline=None)
def test_changes_are_the_derivatives_of_offsets(k1: float, k2: float, x: float, y: float, dx: float, dy: float) -> None:
    """Analytic against central differences of the offset seen, about no distortion."""

    def offset(scale: float) -> np.ndarray:
        places = []
        for px, py in ((x, y), (x - dx, y - dy)):
            r2 = (px * px + py * py) / NORM**2
            stretch = 1 + scale * (k1 * r2 + k2 * r2 * r2)
            places.append(np.array([px, py]) * stretch)
        return places[0] - places[1]

    first, second = radial_changes(np.array(x), np.array(y), dx, dy, NORM)
    analytic = k1 * np.array(first) + k2 * np.array(second)
    step = 1e-3
    # Linear in both, so that differences are exact but for rounding of places of some hundred pixels.
    np.testing.assert_allclose(analytic, (offset(step) - offset(-step)) / (2 * step), atol=1e-7)
