"""What tiles give up where they overlap widely: nothing that others do not show, and less of a wide overlap only."""

from __future__ import annotations

from pathlib import Path

import known_tiles
import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from dieplat.blending.compose import compose_bands, tile_jobs
from dieplat.blending.place import Box
from dieplat.blending.resample import render_tile
from dieplat.blending.trim import KEPT_PX, trimmed


def painted(boxes: list[Box], mosaic: Box) -> np.ndarray:
    canvas = np.zeros((mosaic.y1, mosaic.x1), bool)
    for box in boxes:
        canvas[box.cut(mosaic).cut_out] = True
    return canvas


def test_a_wide_overlap_is_halved_about_its_middle() -> None:
    """Two tiles side by side overlap by 328 px: either gives up 84, and 160 are left."""
    boxes = [Box(0, 0, 800, 600), Box(472, 0, 1272, 600)]
    assert trimmed(boxes, Box(0, 0, 1272, 600)) == [Box(0, 0, 716, 600), Box(556, 0, 1272, 600)]


def test_a_narrow_overlap_stays() -> None:
    boxes = [Box(0, 0, 800, 600), Box(700, 5, 1500, 605)]
    assert trimmed(boxes, Box(0, 0, 1500, 605)) == boxes


def test_what_nobody_else_shows_stays() -> None:
    """The second tile lies lower: below the first only it shows the left of its own, above only the first its right."""
    boxes = [Box(0, 0, 800, 600), Box(472, 90, 1272, 690)]
    assert trimmed(boxes, Box(0, 0, 1272, 690)) == boxes


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_nothing_is_lost_and_enough_stays(seed: int) -> None:
    """Grids with any overlap, a rough stage and missing tiles."""
    rng = np.random.default_rng(seed)
    step, jitter = rng.integers(150, 500, 2), rng.integers(0, 40)
    places = [
        np.array([column, row]) * step + rng.integers(-jitter, jitter + 1, 2)
        for row in range(4)
        for column in range(4)
        if rng.random() < 0.9
    ]
    boxes = [Box(x, y, x + 600, y + 500) for x, y in np.array(places).tolist()]
    mosaic = Box(0, 0, max(box.x1 for box in boxes), max(box.y1 for box in boxes))
    found = trimmed(boxes, mosaic)
    np.testing.assert_array_equal(painted(found, mosaic), painted(boxes, mosaic))
    for box, rest in zip(boxes, found, strict=True):
        assert box.cut(rest) == rest
        for other, left in zip(boxes, found, strict=True):
            gone = box.cut(other), rest.cut(left)
            # Neighbours in a row or a column of the grid lie off its line by less than half a tile.
            off = abs(other.x0 - box.x0) / 600, abs(other.y0 - box.y0) / 500
            before, after = (
                (common.x1 - common.x0) if off[0] >= off[1] else (common.y1 - common.y0) for common in gone
            )
            if not box.cut(other).is_empty and min(off) <= 0.5:
                assert after >= min(before, KEPT_PX)


def test_a_mosaic_of_wide_overlaps_is_still_its_tiles_own_pixels(tmp_path: Path) -> None:
    """Away from seams to the last bit, also right up to where a tile was trimmed; and the waves are right."""
    places = known_tiles.grid_places(3, 3, step=(320.3, 280.7), jitter_px=4, slant_px=2)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(480, 560))
    correction = known_tiles.no_correction(tile_set)
    mosaic = np.concatenate([band.copy() for band in compose_bands(tile_set, layout, correction)])
    jobs = tile_jobs(tile_set, layout, correction)
    parts = trimmed([job.box for job in jobs], Box(0, 0, layout.width_px, layout.height_px))
    assert sum(part != job.box for part, job in zip(parts, jobs, strict=True)) > 4
    own = np.zeros(mosaic.shape[:2], bool)
    for job in jobs:
        box = job.box.cut(Box(0, 0, layout.width_px, layout.height_px))
        patch = render_tile(job)
        cut = box.moved(-patch.x0, -patch.y0).cut_out
        own[box.cut_out] |= (mosaic[box.cut_out] == patch.pixels[cut]).all(axis=2)
    covered = known_tiles.under_tiles(layout) > 0
    np.testing.assert_array_equal((mosaic > 0).any(axis=2), covered)
    # Four seams of 1200 px and more, 16 px wide, at most at 45 degrees; and their turns along the tiles' ends.
    assert 0 < (covered & ~own).sum() < 1.42 * 16 * 4 * 1300
    error = np.abs(mosaic - known_tiles.on_mosaic(known_tiles.waves, layout))
    inner = known_tiles.under_tiles(layout, inset_px=22.0) > 0
    # The roundings and the ripple, as in test_compose.
    assert error[inner].max() < 0.5 + 1.66**2 * 0.5 + 0.002 * 90
