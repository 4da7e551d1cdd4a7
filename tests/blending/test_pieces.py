"""Pieces of a mosaic, each painted for itself, against the whole painted in one go: the same to the last bit."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import known_tiles
import numpy as np
import pytest

from dieplat.blending.compose import compose_bands
from dieplat.blending.mix import REACH_PX
from dieplat.blending.pieces import Pieces, find_seams, make_part, paint_piece, pieces_of, save_pieces
from dieplat.blending.place import Box
from dieplat.values import Correction, Layout, Lens, TileSet

SIZE = (240, 320)


def shaded(tile_set: TileSet, lens: Lens | None = None) -> Correction:
    """A falloff and exposures that differ, so that no two tiles agree where they overlap."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[-1:1:9j, -1:1:12j]
    flat = np.repeat((1.1 - 0.1 * (x * x + y * y))[..., None], tile_set.channels, axis=2).astype(np.float32)
    gains = rng.uniform(0.95, 1.05, (len(tile_set.tiles), tile_set.channels)).astype(np.float32)
    return Correction(flat / flat.mean(), gains, lens)


def whole(tile_set: TileSet, layout: Layout, correction: Correction) -> np.ndarray:
    return np.concatenate([band.copy() for band in compose_bands(tile_set, layout, correction, band_px=100)])


def made_in_pieces(folder: Path, pieces: Pieces, side_px: int) -> np.ndarray:
    """The mosaic from squares, the last first, its steps run side by side."""
    plan = save_pieces(pieces, folder)
    with ThreadPoolExecutor(2) as executor:
        list(executor.map(lambda number: make_part(plan, number), range(len(pieces.jobs))))
        for generation in pieces.generations():
            list(executor.map(lambda number: find_seams(plan, number), reversed(generation)))
    first = pieces.jobs[0]
    channels = () if first.shape[2] == 1 else (first.shape[2],)
    mosaic = np.zeros((pieces.height_px, pieces.width_px, *channels), first.dtype)
    for y0 in reversed(range(0, pieces.height_px, side_px)):
        for x0 in reversed(range(0, pieces.width_px, side_px)):
            box = Box(x0, y0, min(x0 + side_px, pieces.width_px), min(y0 + side_px, pieces.height_px))
            mosaic[box.cut_out] = paint_piece(plan, box)
    return mosaic


CASES = {
    "a grid": {"step": (260.3, 190.4), "jitter_px": 9.0},
    "much overlap": {"step": (100.4, 80.7), "jitter_px": 12.0},
    "a rough stage": {"step": (250.0, 180.0), "jitter_px": 45.0},
}


@pytest.mark.parametrize(("case", "side_px"), [("a grid", 97), ("much overlap", 256), ("a rough stage", 150)])
def test_pieces_of_any_size_make_the_mosaic(tmp_path: Path, case: str, side_px: int) -> None:
    options = CASES[case]
    places = known_tiles.grid_places(4, 4, step=options["step"], jitter_px=options["jitter_px"], seed=5)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=SIZE, noise=12.0)
    correction = shaded(tile_set)
    made = made_in_pieces(tmp_path, pieces_of(tile_set, layout, correction), side_px)
    np.testing.assert_array_equal(made, whole(tile_set, layout, correction))


def test_grey_16_bit_tiles_of_a_bent_lens_with_gaps_between_them(tmp_path: Path) -> None:
    lens = Lens(0.02, -0.004, np.hypot(*SIZE) / 2)
    places = known_tiles.grid_places(3, 4, step=(300.3, 225.1), jitter_px=40.0, seed=2)
    tile_set, layout = known_tiles.cut_tiles(
        tmp_path,
        lambda x, y: 90 * known_tiles.waves(x, y)[..., 0],
        places,
        size=SIZE,
        dtype="uint16",
        lens=lens,
        noise=300.0,
    )
    correction = shaded(tile_set, lens)
    made = made_in_pieces(tmp_path, pieces_of(tile_set, layout, correction), 200)
    expected = whole(tile_set, layout, correction)
    assert (expected == 0).any()
    np.testing.assert_array_equal(made, expected)


def test_the_margin_is_what_makes_a_piece_right(tmp_path: Path) -> None:
    """Without any, mixes at the rim of a piece would look at what is not there."""
    places = known_tiles.grid_places(3, 3, step=(260.3, 190.4), jitter_px=9.0)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=SIZE, noise=12.0)
    correction = shaded(tile_set)
    pieces = pieces_of(tile_set, layout, correction)
    bare = made_in_pieces(tmp_path, replace(pieces, margin_px=0), 97)
    assert (bare != whole(tile_set, layout, correction)).any()
    # Every tile of a grid of three by three meets the middle one.
    assert pieces.margin_px == 9 * REACH_PX
    generations = pieces.generations()
    assert sorted(number for generation in generations for number in generation) == list(range(9))
    assert 1 < len(generations) <= 9
    for number, generation in enumerate(generations):
        for one in generation:
            near = pieces.meeting(pieces.box(one).grown(pieces.margin_px))
            known = {other for earlier in generations[:number] for other in earlier}
            assert {other for other in near if other < one} <= known
