"""Strips are what the whole band-passed tiles show, wherever the search may look."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import tifffile

from dieplat.registration.correlate import band_pass, to_grey
from dieplat.registration.pixels import PixelCache, Strips
from dieplat.registration.stage import grid_pairs


def in_tiles(strips: Strips, shape: tuple[int, int]) -> list[np.ndarray]:
    """The strips at their places in tiles that are otherwise zero."""
    tiles = []
    for strip, (x, y) in ((strips.a, strips.a_px), (strips.b, strips.b_px)):
        tile = np.zeros(shape, dtype=np.float32)
        tile[y : y + strip.shape[0], x : x + strip.shape[1]] = strip
        tiles.append(tile)
    return tiles


@pytest.mark.parametrize("offset", [(300.4, -3.2), (-290.0, 6.0), (2.0, 250.0), (-5.0, -260.7), (301.0, 240.0)])
def test_strips_are_the_tiles_own(offset: tuple[float, float], tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    paths = [tmp_path / "a.tif", tmp_path / "b.tif"]
    for path in paths:
        tifffile.imwrite(path, rng.integers(0, 255, (320, 400, 3), dtype=np.uint8))
    cache = PixelCache(paths, capacity=2)
    search = (20, 20)
    strips = cache.strips(0, 1, offset, search)
    assert strips.a.shape == strips.b.shape
    assert strips.a.size < 0.8 * 320 * 400
    whole = [band_pass(to_grey(tifffile.imread(path))) for path in paths]
    placed = in_tiles(strips, (320, 400))
    # All that overlaps at the offsets searched, and two pixels more that a fit may drift.
    reach_x, reach_y = (round(abs(d)) - s - 2 for d, s in zip(offset, search, strict=True))
    for sign, ours, theirs in zip((1, -1), placed, whole, strict=True):
        x, y = sign * offset[0] > 0, sign * offset[1] > 0
        columns = slice(max(0, reach_x), None) if x else slice(0, 400 - max(0, reach_x))
        rows = slice(max(0, reach_y), None) if y else slice(0, 320 - max(0, reach_y))
        assert np.allclose(ours[rows, columns], theirs[rows, columns], atol=1e-3)


def test_pairs_in_reading_order_read_each_tile_once(tmp_path: Path) -> None:
    rng = np.random.default_rng(7)
    rows, columns = 4, 6
    paths = [tmp_path / f"{i}.tif" for i in range(rows * columns)]
    asked: list[Path] = []

    def read(path: Path) -> np.ndarray:
        asked.append(path)
        return rng.integers(0, 255, (64, 64), dtype=np.uint8)

    cache = PixelCache(paths, capacity=columns + 3, read=read)
    pairs = grid_pairs([(i // columns, i % columns) for i in range(rows * columns)])
    cache.expect(pairs)
    for pair in pairs:
        cache.strips(*pair, (50.0, 0.0), (4, 4))
        cache.done(pair)
    assert sorted(asked) == sorted(paths)
