"""What lies side by side by chance, or crosses, is neither an array nor logic; a ring beside logic is no part of it."""

import cv2
import numpy as np
import pytest

from dieplat.phantom.cells import add_logic
from dieplat.phantom.layers import Die, Sheet
from dieplat.phantom.render import DieRaster
from dieplat.proposals.fields import COVERED, REPEATING, WIDER_REPEATING, _logic_field, find_dense, find_memories
from dieplat.proposals.texture import (
    dense_level,
    found_elsewhere,
    lopsidedness,
    repeats,
    repeats_in_all,
    texture_of,
    wider_repeats,
)
from dieplat.proposals.values import Box


def seen(pixels):
    """Blurred, with noise, (h, w, 1)."""
    noise = np.random.default_rng(5).normal(0.0, 0.1, pixels.shape)
    return (cv2.GaussianBlur(pixels, (0, 0), 0.8) + noise).astype(np.float32)[..., None]


def meanders():
    """Two resistors that wind to and fro, one over the other."""
    pixels = np.full((360, 420), 3.0, np.float32)
    for top in (120, 160):
        for number in range(22):
            x, end = 140 + 5 * number, top + 30 * (number % 2)
            cv2.line(pixels, (x, top), (x, top + 30), 7.0, 2)
            cv2.line(pixels, (x, end), (x + 5, end), 7.0, 2)
    return seen(pixels)


def test_two_meanders_are_no_array():
    pixels = meanders()
    texture, nothing = texture_of(pixels), np.zeros(pixels.shape[:2], bool)
    own, wider = repeats(pixels, texture), wider_repeats(pixels)
    assert float(wider.score.max()) > WIDER_REPEATING  # a window does repeat
    assert find_memories(pixels, texture, own, nothing, repeating=REPEATING) == []
    assert find_memories(pixels, texture, wider, nothing, repeating=WIDER_REPEATING) == []


@pytest.mark.parametrize("rim", [9.0, 12.0])
def test_contacts_on_two_plates_are_no_array_though_the_rims_have_edges(rim):
    pixels = np.full((320, 360), 3.0, np.float32)
    for top in (100, 160):
        pixels[top : top + 54, 120:178] = rim
        pixels[top + 2 : top + 52, 122:176] = rim - 0.6
        for y in range(top + 5, top + 50, 6):
            for x in range(125, 174, 7):
                pixels[y : y + 2, x : x + 2] += 1.2
    pixels = seen(pixels)
    texture = texture_of(pixels)
    own = repeats(pixels, texture)
    assert float(own.score.max()) > REPEATING  # the contacts do repeat
    assert find_memories(pixels, texture, own, np.zeros(pixels.shape[:2], bool)) == []


@pytest.mark.parametrize("rim", [0.0, 0.3, 0.6])
def test_contacts_on_a_plate_are_no_array_though_its_rim_is_hardly_seen(rim):
    pixels = np.full((320, 360), 3.0, np.float32)
    pixels[100:163, 120:185] += rim
    for y in range(104, 158, 6):
        for x in range(124, 180, 6):
            pixels[y : y + 2, x : x + 2] += 4.0
    pixels = seen(pixels)
    texture = texture_of(pixels)
    own = repeats(pixels, texture)
    edges = texture.energy[100:163, 120:185]
    assert float(own.score.max()) > REPEATING  # the contacts do repeat, and have all the edges there are
    assert float(edges.mean()) > dense_level(texture)
    assert np.median(edges) > COVERED * edges.mean()
    assert find_memories(pixels, texture, own, np.zeros(pixels.shape[:2], bool)) == []


@pytest.mark.parametrize(("high", "wide"), [(1, 2), (2, 2), (3, 3), (4, 4)])
def test_few_spots_are_lopsided_as_two_levels_of_unequal_share_are(high, wide):
    # Of two levels, the share p at the upper one: (1 - 2 p) / sqrt(p (1 - p)).
    pixels = np.full((120, 120), 3.0, np.float32)
    for y in range(0, 120, 6):
        for x in range(0, 120, 6):
            pixels[y : y + high, x : x + wide] = 5.0
    share = high * wide / 36.0
    expected = abs(1.0 - 2.0 * share) / np.sqrt(share * (1.0 - share))
    assert lopsidedness(pixels[..., None]) == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize(("ground", "told"), [(3.0, True), (9.0, False), (-3.0, False)])
def test_strokes_in_a_row_and_ground_of_another_level_beside_it_are_not_logic(ground, told):
    rng = np.random.default_rng(3)
    pixels = np.full((200, 420), 3.0, np.float32)
    pixels[90:120] = ground
    for _ in range(900):
        x, y = rng.integers(40, 360), rng.integers(60, 118)
        wide, high = (10, 2) if rng.random() < 0.5 else (2, 8)
        pixels[y : y + high, x : x + wide] += 2.0
    pixels = np.clip(pixels, ground - 2.0 if ground < 0 else 3.0, max(ground, 3.0) + 2.0)
    pixels = seen(pixels)
    texture = texture_of(pixels)
    field = _logic_field(pixels, texture, [repeats(pixels, texture)], Box(60, 62, 350, 118))
    assert (field is not None) == told


@pytest.mark.parametrize(("pitch_x", "pitch_y"), [(7, 8), (4, 5), (18, 25)])
def test_cells_repeat_in_all_and_noise_does_not(pitch_x, pitch_y):
    pixels = np.full((120, 150), 3.0, np.float32)
    for y in range(0, 120, pitch_y):
        for x in range(0, 150, pitch_x):
            pixels[y : y + pitch_y // 2, x : x + pitch_x // 2] = 7.0
    assert repeats_in_all(seen(pixels)) > 0.8
    assert repeats_in_all(seen(np.full((120, 150), 3.0, np.float32))) < 0.2


@pytest.mark.parametrize("across", [(), (110, 126, 142)], ids=["corner", "with lines across"])
def test_a_corner_of_a_ring_is_not_logic(across):
    pixels = np.full((420, 520), 3.0, np.float32)
    for depth in range(60, 156, 16):
        pixels[depth : depth + 3, 60:] = 8.0
        pixels[60:, depth : depth + 3] = 8.0
    for x in across:
        pixels[20:156, x : x + 3] = 8.0
    pixels = seen(pixels)
    found = find_dense(pixels, texture_of(pixels), [repeats(pixels, texture_of(pixels))], np.zeros((420, 520), bool))
    assert [field for field in found if field.kind == "logic"] == []


def test_a_ring_near_two_blocks_of_logic_neither_joins_them_nor_belongs_to_them():
    sheet, rng = Sheet(), np.random.default_rng(3)
    width, height = 520, 520
    sheet.box((0.36, 0.29, 0.40), (0, 0, width, height))
    blocks = [(300, 60, 405, 260), (300, 270, 405, 380)]
    for bounds in blocks:
        add_logic(sheet, bounds, rng, base=(0.42, 0.36, 0.40), row_um=9.0)
    for near, wide in ((7, 3), (12, 6), (22, 12)):
        sheet.box((0.8, 0.78, 0.7), (405 + near, 20, 405 + near + wide, 500))
    flat = np.moveaxis(
        DieRaster(Die(width, height, tuple(sheet.layers), (), 0.3, 3), 1.0).window(0, 0, 520, 520), 0, -1
    )
    grey = cv2.cvtColor(np.ascontiguousarray(flat, dtype=np.float32), cv2.COLOR_RGB2GRAY)
    pixels = seen(10.0 * grey)
    texture = texture_of(pixels)
    found = find_dense(pixels, texture, [repeats(pixels, texture)], np.zeros((height, width), bool))
    logic = sorted((field.box for field in found if field.kind == "logic"), key=lambda box: box.y0)
    assert len(logic) == 2
    for box, bounds in zip(logic, blocks, strict=True):
        assert (box.x0, box.y0, box.x1, box.y1) == pytest.approx(bounds, abs=4.0)


@pytest.mark.parametrize("contrast", [4.0, 12.0])
def test_logic_is_found_beside_a_large_array_of_much_contrast(contrast):
    sheet, bounds, large = Sheet(), (360, 60, 465, 260), (20, 20, 330, 400)
    sheet.box((0.36, 0.29, 0.40), (0, 0, 520, 420))
    add_logic(sheet, bounds, np.random.default_rng(3), base=(0.42, 0.36, 0.40), row_um=9.0)
    die = Die(520, 420, tuple(sheet.layers), (), 0.3, 3)
    flat = np.ascontiguousarray(np.moveaxis(DieRaster(die, 1.0).window(0, 0, 420, 520), 0, -1), dtype=np.float32)
    pixels, taken = 10.0 * cv2.cvtColor(flat, cv2.COLOR_RGB2GRAY), np.zeros((420, 520), bool)
    x0, y0, x1, y1 = large
    for y in range(y0, y1, 8):
        for x in range(x0, x1, 7):
            pixels[y + 1 : y + 5, x + 1 : x + 4] += contrast
    taken[y0:y1, x0:x1] = True
    pixels = seen(pixels)
    texture = texture_of(pixels)
    found = find_dense(pixels, texture, [repeats(pixels, texture)], taken)
    assert [field.kind for field in found] == ["logic"]
    box = found[0].box
    assert (box.x0, box.y0, box.x1, box.y1) == pytest.approx(bounds, abs=4.0)


def test_logic_ends_at_dummy_metal_and_before_an_array_beyond_it():
    sheet, bounds = Sheet(), (60, 60, 245, 180)
    sheet.box((0.36, 0.29, 0.40), (0, 0, 420, 300))
    add_logic(sheet, bounds, np.random.default_rng(3), base=(0.42, 0.36, 0.40), row_um=9.0)
    flat = DieRaster(Die(420, 300, tuple(sheet.layers), (), 0.3, 3), 1.0).window(0, 0, 300, 420)
    pixels, taken = 10.0 * np.ascontiguousarray(flat.mean(axis=0), dtype=np.float32), np.zeros((300, 420), bool)
    for left, top, right, bottom in ((248, 40, 259, 220), (40, 184, 245, 220)):
        for y in range(top, bottom, 6):
            for x in range(left, right, 6):
                pixels[y : y + 3, x : x + 3] += 0.8
    taken[40:240, 260:] = True
    for y in range(40, 240, 8):
        for x in range(260, 420, 7):
            pixels[y + 1 : y + 5, x + 1 : x + 4] += 8.0
    pixels = seen(pixels)
    texture = texture_of(pixels)
    found = find_dense(pixels, texture, [repeats(pixels, texture)], taken)
    boxes = [(f.box.x0, f.box.y0, f.box.x1, f.box.y1) for f in found if f.kind == "logic"]
    assert len(boxes) == 1
    assert boxes[0] == pytest.approx(bounds, abs=4.0)


BETWEEN_BARS = (60, 80, 207, 197)


def pale_pattern(contrast, *, bars, dummy_metal):
    """Squares, 6 px from one to the next, beside lines of much stronger edges; within bars; beyond these, too."""
    pixels = np.full((300, 620), 3.0, np.float32)
    for left, right, top, bottom in ((60, 210, 80, 200), *(((0, 24, 2, 300), (24, 298, 266, 300)) * dummy_metal)):
        for y in range(top, bottom, 6):
            for x in range(left, right, 6):
                pixels[y : y + 3, x : x + 3] += contrast
    pixels[20:280, 300:600:8] = pixels[20:280, 301:600:8] = pixels[20:280, 302:600:8] = 9.0
    for grown in (11, 17) if bars else ():
        x0, y0, x1, y1 = BETWEEN_BARS
        cv2.rectangle(pixels, (x0 - grown, y0 - grown), (x1 - 1 + grown, y1 - 1 + grown), 9.0, 3)
    return seen(pixels)


@pytest.mark.parametrize("contrast", [3.6, 3.8])
@pytest.mark.parametrize(
    ("bars", "dummy_metal", "arrays"),
    [(False, False, 1), (True, False, 1), (True, True, 0)],
    ids=["cells on the ground", "cells between bars", "dummy metal between bars and wherever there is room"],
)
def test_a_pale_pattern_that_repeats_is_an_array_where_ground_lies_beside_it_or_where_it_is_nowhere_else(
    contrast, bars, dummy_metal, arrays
):
    pixels = pale_pattern(contrast, bars=bars, dummy_metal=dummy_metal)
    texture = texture_of(pixels)
    assert 0.8 < float(texture.energy[85:195, 65:200].mean()) / dense_level(texture) < 1.05
    found = find_memories(pixels, texture, repeats(pixels, texture), np.zeros(pixels.shape[:2], bool))
    assert len(found) == arrays
    for field in found:
        drawn, box = Box(*map(float, BETWEEN_BARS)), field.box
        shared = drawn.shared(box)
        assert shared > 0.9 * (drawn.area + box.area - shared)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_lies_everywhere_is_found_elsewhere_and_cells_of_one_place_are_not(seed):
    rng, box = np.random.default_rng(seed), Box(120.0, 90.0, 230.0, 180.0)
    tile = rng.normal(0.0, 2.0, (9, 7)).astype(np.float32)
    everywhere = np.tile(tile, (30, 60))
    once = rng.normal(0.0, 0.3, everywhere.shape).astype(np.float32)
    once[box.cut()] = everywhere[box.cut()]
    twice = once.copy()
    twice[90:180, 250:360] = everywhere[90:180, 250:360]
    assert found_elsewhere(everywhere[..., None], box, 14) > 5.0
    assert found_elsewhere(once[..., None], box, 14) == 0.0
    # Another array of the same size and the same cells, and a patch's width about it.
    assert found_elsewhere(twice[..., None], box, 14) == pytest.approx(1.0, abs=0.3)


@pytest.mark.parametrize(("bare", "told"), [(0, True), (4, False), (5, False)])
def test_lines_of_strokes_with_bare_ground_between_are_not_logic_as_writing_is_not(bare, told):
    pixels, rng = np.full((200, 400), 3.0, np.float32), np.random.default_rng(3)
    for top in (60, 98):
        for _ in range(420):
            x, y = rng.integers(60, 330), rng.integers(top, top + 30 - bare)
            wide, high = (10, 2) if rng.random() < 0.5 else (2, 8)
            pixels[y : y + high, x : x + wide] = rng.choice([6.0, 9.0])
    pixels = seen(pixels)
    texture = texture_of(pixels)
    field = _logic_field(pixels, texture, [repeats(pixels, texture)], Box(60, 56, 340, 132))
    assert (field is not None) == told
