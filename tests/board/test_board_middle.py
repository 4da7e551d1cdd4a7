"""The middle of a conductor found on a picture."""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np
import pytest

from dieplat.board.middle import centred_path
from dieplat.values.board import BoardCamera

CAMERA = BoardCamera(
    centre_px=(300.0, 200.0),
    half_px=math.hypot(300, 200),
    um_per_half=10.0 * math.hypot(300, 200),  # 10 um a pixel, straight on
    tilt_rad=(0.0, 0.0),
    focal=2.0,
    k1=0.0,
    covariance=np.zeros((5, 5)),
    parts=(),
    residuals_px={},
)
CORNERS = np.array([[80.0, 60.0], [80.0, 300.0], [420.0, 300.0], [420.0, 100.0]])
WIDE_PX = 14


def conductor(blur_px: float, noise: float, *, dark: bool = False) -> np.ndarray:
    """A bent conductor drawn at eight times the size, so that its edges lie where they should."""
    fine = np.full((400 * 8, 600 * 8), 70, np.uint8)
    for (ax, ay), (bx, by) in itertools.pairwise(CORNERS):
        low = (min(ax, bx) - WIDE_PX / 2) * 8, (min(ay, by) - WIDE_PX / 2) * 8
        high = (max(ax, bx) + WIDE_PX / 2) * 8 - 1, (max(ay, by) + WIDE_PX / 2) * 8 - 1
        cv2.rectangle(fine, tuple(map(round, low)), tuple(map(round, high)), 190, -1)
    small = cv2.resize(fine, (600, 400), interpolation=cv2.INTER_AREA).astype(np.float32)
    seen = cv2.GaussianBlur(small, (0, 0), blur_px) + np.random.default_rng(4).normal(0, noise, small.shape)
    return np.clip(255 - seen if dark else seen, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize(("blur_px", "noise"), [(0.8, 0.0), (2.0, 4.0)])
def test_a_path_drawn_beside_the_middle_is_put_on_it(blur_px, noise, dark):
    drawn = CORNERS + np.array([[2.0, 0.5], [-1.5, 2.0], [1.0, -2.5], [-2.0, 0.3]])
    found = centred_path(
        conductor(blur_px, noise, dark=dark), drawn, camera=CAMERA, width_um=10 * WIDE_PX, hand_u_px=1.0
    )
    assert (found.found, found.pieces) == (3, 3)
    np.testing.assert_allclose(found.points_px[1:3], CORNERS[1:3], atol=0.1)
    # Ends are put on the line, and stay along it where they were drawn.
    np.testing.assert_allclose(found.points_px[[0, 3], 0], CORNERS[[0, 3], 0], atol=0.1)
    np.testing.assert_allclose(found.points_px[[0, 3], 1], drawn[[0, 3], 1], atol=0.1)
    assert found.u_px[1] < 0.15
    assert found.u_px[0] == 1.0


def test_where_no_conductor_is_the_path_stays_as_drawn():
    flat = np.full((400, 600), 90, np.uint8)
    found = centred_path(flat, CORNERS, camera=CAMERA, width_um=140.0, hand_u_px=0.5)
    assert found.found == 0
    np.testing.assert_allclose(found.points_px, CORNERS, atol=1e-6)
    assert (found.u_px == 0.5).all()
