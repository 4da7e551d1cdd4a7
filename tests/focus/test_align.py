"""Pictures brought over each other, against known shift and magnification."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import skimage.data
from scipy.ndimage import map_coordinates

from dieplat.focus.align import align


def seen(picture: np.ndarray, magnification: float, shift: tuple[float, float], blur: float, seed: int) -> np.ndarray:
    """The picture as magnified, shifted, blurred and noisy; read with a quintic spline, which errs by far less."""
    height, width = picture.shape
    y, x = np.mgrid[0:height, 0:width].astype(float)
    back_x = (x - (width - 1) / 2 - shift[0]) / magnification + (width - 1) / 2
    back_y = (y - (height - 1) / 2 - shift[1]) / magnification + (height - 1) / 2
    moved = map_coordinates(picture, [back_y, back_x], order=5, mode="reflect").astype(np.float32)
    noise = np.random.default_rng(seed).normal(0, 3, picture.shape)
    return (cv2.GaussianBlur(moved, (0, 0), blur) + noise).astype(np.float32)


@pytest.mark.parametrize(
    ("magnification", "shift", "blur"),
    [(1.0, (0.0, 0.0), 0.6), (1.0004, (0.43, -1.27), 2.0), (0.996, (7.3, -4.6), 3.0), (1.01, (-2.5, 12.4), 1.5)],
)
def test_shift_and_magnification_come_back(magnification: float, shift: tuple[float, float], blur: float) -> None:
    picture = cv2.resize(skimage.data.gravel(), (640, 480), interpolation=cv2.INTER_CUBIC).astype(np.float32)
    base = cv2.GaussianBlur(picture, (0, 0), 0.8)
    found = align(seen(base, 1.0, (0.0, 0.0), 0.6, 1), seen(base, magnification, shift, blur, 2))
    assert found is not None
    corner = (found.magnification - magnification) * 400, math.dist(found.shift_px, shift)
    # 0.05 px at a corner, 400 px from the centre, is what fused geometry must hold.
    assert abs(corner[0]) + corner[1] < 0.05
    assert 0 < found.u_px < 0.05


def test_another_field_is_refused() -> None:
    gravel = skimage.data.gravel().astype(np.float32)
    grass = skimage.data.grass().astype(np.float32)
    assert align(gravel, grass) is None
    assert align(gravel, np.full_like(gravel, 90)) is None
