"""Blocks with steps in their outline are proposed as one polygon; blocks that a street parts are not."""

import cv2
import numpy as np
import pytest
from shapely.geometry import Polygon, box
from shapely.ops import unary_union

from dieplat.phantom.cells import add_logic
from dieplat.phantom.layers import Die, Sheet
from dieplat.phantom.render import DieRaster
from dieplat.proposals.fields import Field, find_dense
from dieplat.proposals.stepped import with_steps
from dieplat.proposals.texture import repeats, texture_of
from dieplat.proposals.values import Box

WIDTH, HEIGHT = 700, 500


def wired(rectangles):
    """A sheet with rectangles of wired cells on bare ground, in units of a tenth of its range."""
    sheet, rng = Sheet(), np.random.default_rng(3)
    sheet.box((0.36, 0.29, 0.40), (0, 0, WIDTH, HEIGHT))
    for bounds in rectangles:
        add_logic(sheet, bounds, rng, base=(0.42, 0.36, 0.40), row_um=9.0)
    die = Die(WIDTH, HEIGHT, tuple(sheet.layers), (), 0.3, 3)
    flat = np.ascontiguousarray(np.moveaxis(DieRaster(die, 1.0).window(0, 0, HEIGHT, WIDTH), 0, -1))
    seen = cv2.GaussianBlur(flat, (0, 0), 0.6) + rng.normal(0, 2 / 255, flat.shape)
    low, high = np.percentile(seen, [1, 99])
    return ((np.clip(seen, low, high) - low) / (high - low) * 10 / np.sqrt(3)).astype(np.float32)


def proposed(pixels):
    texture = texture_of(pixels)
    fields = find_dense(pixels, texture, [repeats(pixels, texture)], np.zeros(pixels.shape[:2], bool))
    return with_steps(fields, pixels, np.sqrt(texture.xx + texture.yy))


@pytest.mark.parametrize(
    "rectangles",
    [
        [(100, 100, 300, 400), (300, 250, 560, 400)],
        [(100, 100, 560, 250), (100, 250, 420, 400)],
        [(100, 100, 560, 250), (250, 250, 420, 400)],
    ],
    ids=["L", "L with a wide foot", "T"],
)
def test_a_block_with_a_step_is_one_proposal(rectangles):
    found = proposed(wired(rectangles))
    assert [block.field.kind for block in found] == ["logic"]
    shape, truth = Polygon(found[0].outline), unary_union([box(*bounds) for bounds in rectangles])
    # The aim for logic is 0.8; the rectangle about the L covers 0.72 of itself.
    assert shape.intersection(truth).area / shape.union(truth).area > 0.9
    assert 6 <= len(found[0].outline) <= 8


def test_blocks_that_a_street_parts_stay_two():
    found = proposed(wired([(100, 100, 300, 400), (316, 250, 560, 400)]))
    assert len(found) == 2
    assert all(len(block.outline) == 4 for block in found)


def test_fields_of_different_kinds_or_looks_stay_apart():
    pixels = np.zeros((100, 200, 1), np.float32)
    pixels[:, 100:] = 8.0
    strength = np.ones((100, 200), np.float32)
    left, right = Box(10, 10, 100, 90), Box(100, 10, 190, 60)
    unlike = [Field("logic", left, 0.8, ""), Field("logic", right, 0.8, "")]
    kinds = [Field("logic", left, 0.8, ""), Field("memory_array", right, 0.8, "")]
    assert len(with_steps(unlike, pixels, strength)) == 2
    assert len(with_steps(kinds, np.zeros_like(pixels), strength)) == 2
    assert len(with_steps(unlike, np.zeros_like(pixels), strength)) == 1
