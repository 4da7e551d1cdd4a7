"""Pairs searched only as far as the stage scatters are those of the wide search; what stays open is searched widely."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from dieplat.registration import measuring
from dieplat.registration.measuring import measure_pairs, spread_pairs, without_strays
from dieplat.registration.overlap import Measured, measure_overlap
from dieplat.registration.pixels import PixelCache
from dieplat.registration.stage import grid_pairs
from dieplat.values.offsets import Hypothesis, PairOffsets, StageModel
from dieplat.values.tiles import Tile, TileSet

ROWS, COLUMNS = 7, 8
SIZE = (240, 320)
STEP, DROP = (210.0, 2.0), (-3.0, 150.0)
Widths = dict[tuple[int, int], list[int]]


@pytest.fixture(scope="module")
def die() -> np.ndarray:
    rng = np.random.default_rng(5)
    plain = cv2.GaussianBlur(rng.normal(0, 1, (1300, 1950)).astype(np.float32), (0, 0), 2.0)
    return 120 + 30 * plain / plain.std()


def survey_of(
    die: np.ndarray, monkeypatch: pytest.MonkeyPatch, slipped: int | None
) -> tuple[TileSet, list[tuple[int, int]], PixelCache, np.ndarray, Widths]:
    """Tiles of a stage that scatters by two pixels; one tile may have slipped by 21 px. Widths asked for, by pair."""
    rng = np.random.default_rng(6)
    grid = [(row, column) for row in range(ROWS) for column in range(COLUMNS)]
    place = np.array([(c * STEP[0] + r * DROP[0] + 60, c * STEP[1] + r * DROP[1] + 20) for r, c in grid])
    place = np.round(place + rng.normal(0, 2, place.shape)).astype(int)
    if slipped is not None:
        place[slipped, 0] += 21
    pictures = {
        Path(f"{index}.tif"): np.clip(die[y : y + SIZE[0], x : x + SIZE[1]] + rng.normal(0, 3, SIZE), 0, 255).astype(
            np.uint8
        )
        for index, (x, y) in enumerate(place)
    }
    tiles = tuple(
        Tile(str(path), path, row=row, column=column, order=order)
        for order, (path, (row, column)) in enumerate(zip(pictures, grid, strict=True))
    )
    asked: Widths = {}

    def watched(pair: tuple[int, int], **given: object) -> Measured:
        asked.setdefault(pair, []).append(given["search"][0])  # type: ignore[index]
        return measure_overlap(pair, **given)  # type: ignore[arg-type]

    monkeypatch.setattr(measuring, "measure_overlap", watched)
    tile_set = TileSet(
        tiles,
        rows=ROWS,
        columns=COLUMNS,
        width_px=SIZE[1],
        height_px=SIZE[0],
        channels=1,
        dtype="uint8",
        grid_source="names",
    )
    cache = PixelCache(list(pictures), capacity=COLUMNS + 12, read=pictures.__getitem__)
    return tile_set, grid_pairs(grid), cache, place, asked


FIRST = StageModel(STEP, DROP, (0.0, 0.0), (10.0, 10.0), 24)


def test_most_pairs_are_searched_narrowly_and_all_come_out_right(
    die: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    tile_set, pairs, cache, place, asked = survey_of(die, monkeypatch, None)
    grid = [(tile.row, tile.column) for tile in tile_set.tiles]
    _, measured = measure_pairs(tile_set, grid, pairs, FIRST, cache, None, None)
    first = set(spread_pairs(grid, pairs))
    assert len(first) < len(pairs)
    assert [(m.offsets.a, m.offsets.b) for m in measured] == pairs
    narrow = [pair for pair in pairs if pair not in first and len(asked[pair]) == 1]
    # Places scatter by 2 px, offsets by 2.8: one in fifty lies in the outer quarter of 3.5 deviations on either axis.
    assert len(narrow) > 0.8 * (len(pairs) - len(first))
    assert all(asked[pair][0] < asked[next(iter(first))][0] for pair in narrow)
    for m in measured:
        (only,) = m.offsets.hypotheses
        assert (only.dx_px, only.dy_px) == pytest.approx(place[m.offsets.b] - place[m.offsets.a], abs=0.05)


def test_a_tile_that_slipped_is_found_by_the_wide_search(die: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    grid = [(row, column) for row in range(ROWS) for column in range(COLUMNS)]
    pairs = grid_pairs(grid)
    first = spread_pairs(grid, pairs)
    slipped = next(
        i for i in range(len(grid)) if not any(i in pair for pair in first) and sum(i in pair for pair in pairs) == 4
    )
    tile_set, pairs, cache, place, asked = survey_of(die, monkeypatch, slipped)
    _, measured = measure_pairs(tile_set, grid, pairs, FIRST, cache, None, None)
    for m in measured:
        pair = (m.offsets.a, m.offsets.b)
        if slipped in pair:
            assert len(asked[pair]) >= 2
            best = m.offsets.hypotheses[0]
            assert (best.dx_px, best.dy_px) == pytest.approx(place[pair[1]] - place[pair[0]], abs=0.05)


def test_a_tile_more_hardly_changes_which_pairs_come_first() -> None:
    grid = [(row, column) for row in range(20) for column in range(15)]
    fewer = grid[:-1]
    before, after = set(spread_pairs(fewer, grid_pairs(fewer))), set(spread_pairs(grid, grid_pairs(grid)))
    assert len(before - after) <= 4
    assert 4 * measuring.BLOCKS >= len(after) > 2 * measuring.BLOCKS


def test_few_pairs_come_first_all() -> None:
    grid = [(row, column) for row in range(2) for column in range(3)]
    assert spread_pairs(grid, grid_pairs(grid)) == grid_pairs(grid)


def place(unlike: float, misfit_pct: float, cost: float = 0.0) -> Hypothesis:
    return Hypothesis(210.0, 0.0, 0.99, cost, (1e-5, 0.0, 1e-5), misfit_pct, unlike)


def pair_of(number: int, *hypotheses: Hypothesis) -> Measured:
    return Measured(PairOffsets(number, number + 1, hypotheses, (210.0, 0.0)))


def test_a_place_where_pictures_differ_far_more_than_elsewhere_is_none() -> None:
    usual = [pair_of(i, place(0.0005, 0.2)) for i in range(9)]
    # One pad on its neighbour: alike, but not within the noise.
    stray = pair_of(20, place(0.13, 4.1))
    # The other pairs differ in one way only: blur leaves more of strong contrast, noise more of weak.
    strong, faint = pair_of(30, place(0.008, 2.5)), pair_of(40, place(0.3, 0.8))
    kept = without_strays([*usual, stray, strong, faint])
    assert kept[:9] == usual
    assert kept[9].offsets.hypotheses == ()
    assert kept[10:] == [strong, faint]


def test_of_several_places_only_those_that_are_borne_out_are_left() -> None:
    usual = [pair_of(i, place(0.0005, 0.2)) for i in range(9)]
    mixed = pair_of(20, place(0.2, 5.0), place(0.001, 0.3, cost=3.0), place(0.001, 0.3, cost=10.0))
    *_, left = without_strays([*usual, mixed])
    assert [h.cost for h in left.offsets.hypotheses] == [0.0, 7.0]
