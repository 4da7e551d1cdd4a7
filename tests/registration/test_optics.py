"""The objective's distortion: put in, found, taken out."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import skimage.data

from dieplat.registration.correlate import band_pass
from dieplat.registration.optics import estimate_k1, is_worth_removing, offsets_along, undistorted
from dieplat.registration.pair import measure_pair
from dieplat.values.correction import Lens
from dieplat.values.offsets import PairOffsets

WIDTH, HEIGHT = 480, 360
NORM = float(np.hypot(WIDTH, HEIGHT) / 2)
DIE = cv2.resize(skimage.data.gravel().astype(np.float32), None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)


def seen(corner: tuple[float, float], k1: float, rng: np.random.Generator) -> np.ndarray:
    """What a distorting camera shows with its middle over the die at `corner` + half a tile."""
    x = np.arange(WIDTH) + 0.5 - WIDTH / 2
    y = np.arange(HEIGHT) + 0.5 - HEIGHT / 2
    bent_x, bent_y = np.meshgrid(x, y)
    ux, uy = bent_x.copy(), bent_y.copy()
    for _ in range(20):  # the place on the die that appears at each pixel: invert r (1 + k1 r^2) by fixed point
        r2 = (ux**2 + uy**2) / NORM**2
        ux, uy = bent_x / (1 + k1 * r2), bent_y / (1 + k1 * r2)
    map_x = (ux + corner[0] + WIDTH / 2 - 0.5).astype(np.float32)
    map_y = (uy + corner[1] + HEIGHT / 2 - 0.5).astype(np.float32)
    picture = cv2.remap(DIE, map_x, map_y, cv2.INTER_CUBIC)
    return (picture + rng.normal(0, 2, picture.shape)).astype(np.float32)


def windows_of(k1: float, *, seed: int) -> list[np.ndarray]:
    """Offsets along the overlaps of six pairs."""
    rng = np.random.default_rng(seed)
    found = []
    for number in range(6):
        step = (
            (375.0 + rng.normal(0, 3), rng.normal(0, 3)) if number % 2 else (rng.normal(0, 3), 275 + rng.normal(0, 3))
        )
        corner = rng.uniform(20, 500, 2)
        a = band_pass(seen((corner[0], corner[1]), k1, rng))
        b = band_pass(seen((corner[0] + step[0], corner[1] + step[1]), k1, rng))
        hypotheses = measure_pair(a, b, predicted_px=step, search_px=(10, 10))
        found.append(offsets_along(a, b, PairOffsets(0, 1, hypotheses, step)))
    return found


@pytest.mark.parametrize("k1", [-0.015, 0.01])
def test_k1_comes_back(k1: float) -> None:
    found = estimate_k1(windows_of(k1, seed=3))
    assert found is not None
    # 5 % is what the distortion must be known to; the first estimate is from pictures that are still bent.
    assert found[0] == pytest.approx(k1, rel=0.05)
    assert is_worth_removing(*found, NORM)


def test_a_lens_without_distortion_is_left_alone() -> None:
    found = estimate_k1(windows_of(0.0, seed=4))
    assert found is not None
    assert not is_worth_removing(*found, NORM)


def test_what_was_bent_is_straight_again() -> None:
    rng = np.random.default_rng(0)
    straight, bent = seen((100.0, 100.0), 0.0, rng), seen((100.0, 100.0), 0.02, rng)
    mended = undistorted(bent, Lens(0.02, 0.0, NORM))
    inner = (slice(20, -20), slice(20, -20))
    # Two draws of a noise of 2 levels, and what two interpolations blur.
    assert np.std((mended - straight)[inner]) < 4.0
    assert np.std((bent - straight)[inner]) > 8.0
