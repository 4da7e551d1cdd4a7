"""Cells too large for the window in which the sheet's own pixels repeat are found on the sheet at half its size."""

import cv2
import numpy as np
import pytest

from dieplat.proposals.fields import REPEATING, WIDER_REPEATING, find_dense, find_memories
from dieplat.proposals.texture import Repeats, repeats, texture_of, wider_repeats
from dieplat.proposals.values import Box

BLOCK = (80, 90, 350, 340)


def large_cells():
    """Fifteen by ten cells of 18 by 25 px, as mirrored pairs of middling cells are in a picture of a few tiles."""
    rng = np.random.default_rng(4)
    pixels = np.full((421, 481), 3.0, np.float32)
    pixels[BLOCK[1] : BLOCK[3], BLOCK[0] : BLOCK[2]] += 6.0  # the cells' own ground, as wells and lower metal make it
    for y in range(BLOCK[1], BLOCK[3], 25):
        for x in range(BLOCK[0], BLOCK[2], 18):
            pixels[y + 1 : y + 12, x + 1 : x + 6] += 4.0
            pixels[y + 14 : y + 23, x + 3 : x + 15] -= 2.0
            pixels[y + 3 : y + 9, x + 9 : x + 16] += 2.5
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.8) + rng.normal(0, 0.1, pixels.shape)
    return pixels[..., None].astype(np.float32)


def score_inside(found: Repeats) -> float:
    rows, columns = found.score.shape
    y, x = np.mgrid[:rows, :columns] * found.step + found.half
    reach = found.half
    inside = (x > BLOCK[0] + reach) & (x < BLOCK[2] - reach) & (y > BLOCK[1] + reach) & (y < BLOCK[3] - reach)
    return float(np.median(found.score[inside]))


def test_large_cells_are_an_array_and_not_logic():
    pixels = large_cells()
    texture = texture_of(pixels)
    own, wider = repeats(pixels, texture), wider_repeats(pixels)
    assert score_inside(own) < REPEATING < WIDER_REPEATING < score_inside(wider)
    nothing = np.zeros(pixels.shape[:2], bool)
    found = find_memories(pixels, texture, wider, nothing, repeating=WIDER_REPEATING)
    assert len(found) == 1
    box = found[0].box
    # Sides within half a cell of the outermost cells.
    assert (box.x0, box.x1) == pytest.approx((BLOCK[0], BLOCK[2]), abs=9)
    assert (box.y0, box.y1) == pytest.approx((BLOCK[1], BLOCK[3]), abs=12.5)
    block = Box(*map(float, BLOCK))
    logic = [field for field in find_dense(pixels, texture, (own, wider), nothing) if field.kind == "logic"]
    assert all(field.box.shared(block) < 0.5 * block.area for field in logic)
