"""Banks as blocks: steps between them, and parts that a hair lies between."""

from __future__ import annotations

import numpy as np
import pytest
from array_pictures import Recipe, draw

from dieplat.measurement.arrays_blocks import find_blocks, steps
from dieplat.measurement.arrays_frame import grey_of, raster, resample

STRAPPED = Recipe(8.3, 12.8, 0.0, (14, 14), (8, 8), (10.4,), (10.3,), mirrored_y=True, margin_px=2.0)


def frame_of(recipe: Recipe):
    picture, polygon = draw(recipe)
    grey = grey_of(picture)
    period = np.diag([recipe.pitch_x * (1 + recipe.mirrored_x), recipe.pitch_y * (1 + recipe.mirrored_y)])
    return resample(grey, raster(polygon, grey.shape), polygon, np.linalg.inv(period))


def test_banks_are_as_far_out_of_step_as_their_straps_are_wide():
    frame = frame_of(STRAPPED)
    blocks = find_blocks(frame)
    found = np.array(steps(frame, blocks))
    cells = found / (frame.samples[0], frame.samples[1] / 2)
    # Blocks come row by row.
    across, down = cells[1] - cells[0], cells[2] - cells[0]
    moved = np.array([across[0] - 10.4 / 8.3, across[1], down[0], down[1] - 10.3 / 12.8])
    assert len(blocks) == 4
    assert np.abs(moved - np.round(moved)).max() < 0.03


def test_a_bank_of_another_pattern_has_no_step():
    frame = frame_of(STRAPPED)
    blocks = find_blocks(frame)
    block = blocks[3]
    picture = frame.picture.copy()
    j, i = (slice(int(extent.start[0]), int(extent.stop[1])) for extent in (block.down, block.across))
    picture[j, i] = picture[j, i][:, ::-1]
    turned = type(frame)(picture, frame.mask, frame.samples, frame.origin, frame.step_x, frame.step_y)
    assert [one is None for one in steps(turned, blocks)] == [False, False, False, True]


@pytest.mark.parametrize("outside", ["plain", "metal", "bright"])
@pytest.mark.parametrize("pitch_px", [7.9, 12.0])
@pytest.mark.parametrize("cells", [1, 2])
def test_a_strap_of_whole_cells_leaves_banks_in_step_and_apart(outside, pitch_px, cells):
    recipe = Recipe(pitch_px, 11.3, 0.0, (14, 14), (16,), (cells * pitch_px,), outside=outside, seed=cells)
    assert len(find_blocks(frame_of(recipe))) == 2
