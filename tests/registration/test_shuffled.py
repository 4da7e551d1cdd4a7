"""Shuffled sets too large to compare every pair."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
from cutting import cut_tiles

from dieplat.registration.grid import find_grid
from dieplat.registration.neighbours import likely_pairs
from dieplat.registration.overview import look_at
from dieplat.registration.travel import Cell

ROWS, COLUMNS = 8, 9


@pytest.fixture(scope="module")
def shuffled(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[np.ndarray], list[Cell]]:
    """Thumbnails in a random order with their true cells."""
    folder = tmp_path_factory.mktemp("shuffled")
    picture = cv2.resize(skimage.data.gravel().astype(np.float32), (1536, 1536), interpolation=cv2.INTER_CUBIC)
    rng = np.random.default_rng(3)
    cut = cut_tiles(picture, folder, rows=ROWS, columns=COLUMNS, tile=(200, 200), overlap=0.2, rng=rng)
    order = rng.permutation(ROWS * COLUMNS)
    views = [look_at(Path(folder / cut.names[i])) for i in order]
    return [view.thumb for view in views if not isinstance(view, str)], [divmod(int(i), COLUMNS) for i in order]


def wrong(found: Sequence[Cell | None], true: Sequence[Cell]) -> int:
    gaps = [(f[0] - t[0], f[1] - t[1]) for f, t in zip(found, true, strict=True) if f is not None]
    return len(gaps) - max(gaps.count(gap) for gap in set(gaps))


def test_spots_in_common_find_most_neighbours(shuffled: tuple[list[np.ndarray], list[Cell]]) -> None:
    thumbs, cells = shuffled
    pairs = set(likely_pairs(thumbs))
    true = {
        (i, j)
        for i in range(len(cells))
        for j in range(i + 1, len(cells))
        if abs(cells[i][0] - cells[j][0]) + abs(cells[i][1] - cells[j][1]) == 1
    }
    assert len(pairs) <= 6 * len(thumbs)
    # A grid is tied together many times over: half of its neighbours are plenty.
    assert len(true & pairs) > 0.5 * len(true)


def test_a_shuffled_set_is_put_together(shuffled: tuple[list[np.ndarray], list[Cell]]) -> None:
    thumbs, cells = shuffled
    found = find_grid(range(len(cells)), thumbs)
    assert found.places_px is None
    assert wrong(found.cells, cells) == 0
    assert sum(cell is not None for cell in found.cells) >= 0.9 * len(cells)
    assert found.compared < 0.5 * len(cells) * (len(cells) - 1) / 2


def test_positions_of_the_stage_choose_the_pairs_and_place_a_blank_tile(
    shuffled: tuple[list[np.ndarray], list[Cell]],
) -> None:
    thumbs, cells = shuffled
    # Axes of the stage turned by 90 degrees and mirrored, in millimetres.
    stage = [(3.0 - 0.7 * row, 1.0 + 0.5 * column) for row, column in cells]
    blank = cells.index((3, 4))
    # One position is that of somewhere else: the pictures place that tile all the same.
    stage[cells.index((5, 5))] = (0.4, 4.0)
    seen = [np.zeros_like(thumb) if i == blank else thumb for i, thumb in enumerate(thumbs)]
    found = find_grid(range(len(cells)), seen, stage=stage)
    assert list(found.cells) == cells
    assert found.compared <= 8 * len(cells)


def test_false_positions_are_not_believed(shuffled: tuple[list[np.ndarray], list[Cell]]) -> None:
    thumbs, cells = shuffled
    rng = np.random.default_rng(4)
    stage = [(float(x), float(y)) for x, y in rng.uniform(0, 5, (len(cells), 2))]
    found = find_grid(range(len(cells)), thumbs, stage=stage)
    assert wrong(found.cells, cells) == 0
    assert sum(cell is not None for cell in found.cells) >= 0.9 * len(cells)
