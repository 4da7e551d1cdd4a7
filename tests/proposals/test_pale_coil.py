"""A winding that differs less from its plate than the plate does from the ground around it."""

import cv2
import numpy as np
import pytest

from dieplat.proposals.coils import find_coils
from dieplat.proposals.texture import texture_of

CENTRE, OUTER_PX = (150, 150), 58.0


def coil_on_a_plate(ground):
    """Three and a half round turns, in three channels, on a plate of 150 px."""
    rng = np.random.default_rng(5)
    pixels = np.empty((300, 300, 3), np.float32)
    pixels[:] = ground
    pixels[70:230, 70:230] = np.mean([ground, (2.7, 3.1, 1.6)], axis=0)  # its rim
    pixels[75:225, 75:225] = (2.7, 3.1, 1.6)
    turn = np.linspace(0.0, 7.0 * np.pi, 400)
    distance = OUTER_PX - 2.0 - 8.5 * turn / (2.0 * np.pi)
    points = np.stack([CENTRE[0] + distance * np.cos(turn), CENTRE[1] + distance * np.sin(turn)], axis=1)
    cv2.polylines(pixels, [np.int32(np.round(16 * points))], False, (1.5, 1.6, 4.5), 4, shift=4)
    return (cv2.GaussianBlur(pixels, (0, 0), 0.7) + rng.normal(0.0, 0.25, pixels.shape)).astype(np.float32)


@pytest.mark.parametrize("ground", [(2.7, 3.1, 1.6), (6.0, 6.5, 0.2)])
def test_a_winding_is_found_whatever_lies_around_its_plate(ground):
    pixels = coil_on_a_plate(ground)
    found = find_coils(pixels, texture_of(pixels), np.zeros(pixels.shape[:2], bool))
    assert len(found) == 1
    box = found[0].box
    assert 0.5 * (box.x0 + box.x1) == pytest.approx(CENTRE[0], abs=5.0)
    assert 0.5 * (box.y0 + box.y1) == pytest.approx(CENTRE[1], abs=5.0)
    # A box is drawn a seventh wider than the winding, whose turns come nearer by half a pitch a half-turn.
    assert 0.5 * box.width == pytest.approx(1.14 * (OUTER_PX - 4.25), abs=4.0)
