"""Rectangles from maps, and streets that part them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dieplat.proposals.boxes import largest_rectangle, parted, rectangles, refined
from dieplat.proposals.texture import Texture, texture_of
from dieplat.proposals.values import Box


def by_trying(mask: np.ndarray) -> int:
    """Area of the largest all-true rectangle, by trying every one."""
    rows, columns = mask.shape
    best = 0
    for y0 in range(rows):
        for x0 in range(columns):
            for y1 in range(y0 + 1, rows + 1):
                for x1 in range(x0 + 1, columns + 1):
                    if mask[y0:y1, x0:x1].all():
                        best = max(best, (y1 - y0) * (x1 - x0))
    return best


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(1, 6), st.floats(0.2, 0.95))
def test_the_largest_rectangle_is_the_largest_of_all(seed: int, rows: int, columns: int, filled: float) -> None:
    mask = np.random.default_rng(seed).random((rows, columns)) < filled
    x0, y0, x1, y1 = largest_rectangle(mask.astype(np.uint8))
    assert mask[y0:y1, x0:x1].all()
    assert (x1 - x0) * (y1 - y0) == by_trying(mask)


def test_a_hole_of_dirt_does_not_part_a_block_but_a_street_does() -> None:
    mask = np.zeros((40, 60), dtype=bool)
    mask[5:20, 5:55] = True
    mask[22:35, 5:55] = True
    mask[10:12, 30:32] = False
    found = rectangles(mask, least_side=6)
    assert sorted((box.x0, box.y0, box.x1, box.y1) for box in found) == [(5, 5, 55, 20), (5, 22, 55, 35)]


def texture_with(across: np.ndarray, down: np.ndarray) -> Texture:
    """A texture of which only the gradients across (xx) and down (yy) count."""
    return Texture(across**2, down**2, 0 * across, across, across)


def test_bare_lines_part_a_box_but_a_narrow_one_between_two_pieces_is_a_strap() -> None:
    strength = np.ones((80, 100), dtype=np.float32)
    strength[40:52] = 0.05  # a street
    strength[:, 50:54] = 0.05  # a strap
    strength[:, :9] = 0.05  # bare ground beside it
    found = parted(Box(0, 0, 100, 80), texture_with(strength, strength), 20.0)
    assert sorted((box.x0, box.y0, box.x1, box.y1) for box in found) == [(9, 0, 100, 40), (9, 52, 100, 80)]


def test_rows_of_dummy_metal_are_part_of_a_street_and_rows_of_cells_are_not() -> None:
    strength = np.ones((80, 100), dtype=np.float32)
    for top in (40, 45, 50):  # bare lines of 2 px, dots of 3 px between
        strength[top : top + 2] = 0.3
    for left in range(10, 100, 10):  # rows of 8 px
        strength[:, left : left + 2] = 0.3
    found = parted(Box(0, 0, 100, 80), texture_with(strength, strength), 20.0)
    assert sorted((box.x0, box.y0, box.x1, box.y1) for box in found) == [(0, 0, 100, 40), (0, 52, 100, 80)]


def test_lines_that_run_along_a_street_are_part_of_it() -> None:
    across, down = np.ones((80, 100), dtype=np.float32), np.ones((80, 100), dtype=np.float32)
    across[:, 70:] = down[:, 70:] = 0.05
    across[:, 72:74] = across[:, 78:80] = across[:, 90:92] = 3.0  # edges of a ring's lines
    found = parted(Box(0, 0, 100, 80), texture_with(across, down), 8.0)
    assert [(box.x0, box.y0, box.x1, box.y1) for box in found] == [(0, 0, 70, 80)]


def test_a_strap_near_a_side_parts_no_narrow_piece_off() -> None:
    strength = np.ones((80, 100), dtype=np.float32)
    strength[:, 15:20] = 0.05
    assert parted(Box(0, 0, 100, 80), texture_with(strength, strength), 20.0) == [Box(0, 0, 100, 80)]


@pytest.mark.parametrize("depth", [0.0, 0.2, 0.3])
def test_a_side_is_found_where_a_film_that_grows_thicker_dims_the_cells_before_it(depth: float) -> None:
    rng = np.random.default_rng(7)
    pixels = np.ones((140, 260), np.float32)
    for y in range(20, 120, 8):
        for x in range(30, 230, 7):
            pixels[y : y + 8, x : x + 7] = 4.0
            pixels[y + 1 : y + 6, x + 1 : x + 4] = 6.0
    film = 1.0 - depth * np.clip((np.arange(260) - 140) / 90, 0.0, 1.4) ** 2
    seen = (cv2.GaussianBlur(pixels, (0, 0), 0.8) * film + rng.normal(0, 0.1, pixels.shape)).astype(np.float32)
    box = refined(Box(36, 26, 222, 114), seen[..., None], texture_of(seen[..., None]), reach=19)
    assert (box.x0, box.x1) == pytest.approx((30, 233), abs=4)  # 29 cells of 7 px


@pytest.mark.parametrize("pitch_x", [5, 6, 7])
@pytest.mark.parametrize("base", [4.0, 8.0])
def test_sides_of_cells_lie_at_the_step_to_the_ground(pitch_x: int, base: float) -> None:
    pixels = np.full((110, 200), 1.0, np.float32)
    right, bottom = 40 + 20 * pitch_x, 30 + 8 * 6
    pixels[30:bottom, 40:right] = base
    for y in range(30, bottom, 6):
        for x in range(40, right, pitch_x):
            pixels[y + 1 : y + 5, x + 1 : x + 3] += 3.0
            pixels[y + 3 : y + 5, x + 3] -= 2.0
    pixels[30:bottom, right + 4 : right + 9] = base  # a driver behind a street of 4 px
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.7) + np.random.default_rng(8).normal(0, 0.1, pixels.shape)
    seen = pixels.astype(np.float32)[..., None]
    box = refined(Box(50, 38, right - 10, bottom - 8), seen, texture_of(seen), reach=19)
    assert (box.x0, box.y0, box.x1, box.y1) == pytest.approx((40, 30, right, bottom), abs=0.6)
