"""Dirt and scratches hide parts of arrays and rows of pads; what stands beside them tells where they are."""

import cv2
import numpy as np
import pytest

from dieplat.proposals.fields import find_memories
from dieplat.proposals.pads import find_pads
from dieplat.proposals.texture import goes_on, repeats, texture_of


def memory(*, pale=1.0, scratched=False):
    """Four banks of cells of 7 by 8 px on bare ground, with a strap between; the upper two `pale` in contrast."""
    rng = np.random.default_rng(2)
    pixels = np.full((420, 560), 3.0, np.float32)
    for top, contrast in ((60, pale), (200, 1.0)):
        for left in (60, 256):
            for y in range(top, top + 128, 8):
                for x in range(left, left + 182, 7):
                    pixels[y + 1 : y + 6, x + 1 : x + 4] += 4.0 * contrast
                    pixels[y + 4 : y + 7, x + 4 : x + 6] -= 2.0 * contrast
    if scratched:
        cv2.line(pixels, (60, 165), (220, 130), 12.0, 6)
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.8) + rng.normal(0, 0.1, pixels.shape)
    return pixels[..., None].astype(np.float32)


def arrays(pixels):
    texture = texture_of(pixels)
    return find_memories(pixels, texture, repeats(pixels, texture), np.zeros(pixels.shape[:2], bool))


@pytest.mark.parametrize("fault", [{}, {"scratched": True}, {"pale": 0.85}])
def test_banks_of_one_array_are_one_proposal(fault):
    found = arrays(memory(**fault))
    assert len(found) == 1
    box = found[0].box
    # Sides within half a cell of the outermost cells.
    assert (box.x0, box.y0, box.x1, box.y1) == pytest.approx((60, 60, 438, 328), abs=4.5)


def row_of_banks(fault, third=256):
    """Three banks of cells of 7 by 8 px side by side, x 60 to 346 and y 60 to 164; the third one soiled, or parts of
    cells scattered without order below all three, y 172 to 232."""
    rng = np.random.default_rng(2)
    pixels = np.full((300, 460), 3.0, np.float32)
    for left in (60, 158, third):
        for y in range(60, 164, 8):
            for x in range(left, left + 90, 7):
                pixels[y + 1 : y + 6, x + 1 : x + 4] += 4.0
                pixels[y + 4 : y + 7, x + 4 : x + 6] -= 2.0
    if fault == "scratch and dirt":
        cv2.line(pixels, (252, 84), (318, 64), 12.0, 2)
        cv2.circle(pixels, (284, 144), 11, -6.0, -1)
        cv2.line(pixels, (262, 98), (290, 160), 12.0, 2)
    if fault == "fibre":
        for ends in (((250, 150), (300, 110)), ((300, 110), (352, 80))):
            cv2.line(pixels, *ends, -4.0, 8)
        cv2.line(pixels, (262, 66), (340, 154), -4.0, 3)
    if fault == "no order below":
        for y, x in zip(rng.integers(172, 225, 290), rng.integers(60, 340, 290), strict=True):
            pixels[y + 1 : y + 6, x + 1 : x + 4] = 7.0
            pixels[y + 4 : y + 7, x + 4 : x + 6] = 1.0
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.8) + rng.normal(0, 0.1, pixels.shape)
    return pixels[..., None].astype(np.float32)


@pytest.mark.parametrize("fault", ["none", "scratch and dirt", "fibre", "no order below"])
def test_an_array_reaches_to_its_end_beneath_dirt(fault):
    found = arrays(row_of_banks(fault))
    assert len(found) == 1
    box = found[0].box
    assert (box.x0, box.y0, box.x1, box.y1) == pytest.approx((60, 60, 346, 164), abs=4.5)


def test_arrays_of_the_same_cells_that_bare_ground_parts_stay_two():
    found = sorted((box.x0, box.x1) for box in (field.box for field in arrays(row_of_banks("none", third=290))))
    assert np.array(found) == pytest.approx(np.array([(60, 248), (290, 380)]), abs=4.5)


@pytest.mark.parametrize("fault", ["none", "scratch and dirt", "fibre"])
@pytest.mark.parametrize("turn", [0, 1, 2, 3])
def test_cells_go_on_in_a_soiled_bank_and_not_on_the_ground(fault, turn):
    pixels = row_of_banks(fault)
    inside, third, ground = pixels[60:164, 60:249], pixels[60:164, 249:346], pixels[164:261, 60:346]
    if turn == 1:  # the other way round
        inside, third = inside[:, ::-1], third[:, ::-1]
    if turn == 2:  # the bank beside it mirrored
        third = third[:, ::-1]
    if turn == 3:
        inside, third = inside[::-1], third[::-1]
    assert goes_on(inside, third) > 0.4
    assert goes_on(inside.transpose(1, 0, 2), ground[:, :189].transpose(1, 0, 2)) < 0.15


@pytest.mark.parametrize("cut", range(7))
def test_cells_go_on_in_a_bank_as_wide_as_the_array_wherever_its_last_cell_is_cut(cut):
    pixels = row_of_banks("none")
    assert goes_on(pixels[60:164, 158:249], pixels[60:164, 249 : 347 - cut]) > 0.6


PAD = 40


def rim(*, dirty=(), without=()):
    """Two rows of ten pads, top and bottom; `dirty` ones are spotted, `without` ones are not there."""
    rng = np.random.default_rng(4)
    pixels = np.full((420, 760), 2.0, np.float32)
    for row, top in ((0, 14), (1, 366)):
        for column in range(10):
            left = 60 + 66 * column
            if (row, column) in without:
                continue
            pixels[top : top + PAD, left : left + PAD] = 8.0
            pixels[top + 4 : top + PAD - 4, left + 4 : left + PAD - 4] = 9.5
            if (row, column) in dirty:
                for _ in range(7):
                    x, y = rng.integers(4, PAD - 4, 2)
                    cv2.circle(pixels, (left + int(x), top + int(y)), 3, 5.0, -1)
    pixels = cv2.GaussianBlur(pixels, (0, 0), 0.8) + rng.normal(0, 0.1, pixels.shape)
    return pixels[..., None].astype(np.float32)


def middles(pixels):
    return sorted(
        (round(box.x0 + box.x1) // 2, round(box.y0 + box.y1) // 2) for box in find_pads(pixels, texture_of(pixels))
    )


def test_a_dirty_pad_at_the_end_of_a_row_is_found_by_the_one_across():
    found = middles(rim(dirty=[(1, 9)]))
    assert len(found) == 20
    assert any(abs(x - 674) <= 3 and abs(y - 386) <= 3 for x, y in found)


def test_two_clean_pads_of_a_row_and_the_other_row_tell_where_the_dirty_ones_are():
    assert len(middles(rim(dirty=[(1, column) for column in range(10) if column not in (2, 6)]))) == 20


def test_no_pad_is_made_up_at_the_end_of_a_shorter_row():
    assert len(middles(rim(without=[(1, 9)]))) == 19


@pytest.mark.parametrize("noise", [0.3, 0.5, 0.7])
def test_even_spots_between_the_grain_of_a_pad_do_not_hide_the_pad(noise):
    pixels = rim()
    grain = np.random.default_rng(9).normal(0, noise, pixels.shape)
    assert len(middles((pixels + grain).astype(np.float32))) == 20
