"""Tiles cut from a known picture and put together again must give that picture.

Tolerances: a tile is rounded to whole levels when it is cut and again when it is resampled, by at most 1/2
each time. The first error passes through a filter on either axis; the absolute values of the weights of the
eight-sample filter sum to 1.65 at half a pixel, where the sum is largest. The mean error is far smaller:
two roundings of standard deviation 1/sqrt(12) make a mean absolute error of about 0.33. The filter's own
error on the waves drawn here is under 0.2 % of 90 levels.
"""

from __future__ import annotations

import gc
import tracemalloc
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import known_tiles
import numpy as np
import pytest
import skimage
import tifffile

from dieplat.blending.compose import compose_bands, tile_jobs
from dieplat.blending.resample import render_tile
from dieplat.errors import MosaicError, PictureError
from dieplat.tiles.read import read_picture
from dieplat.values import Correction, Layout, Lens, TileSet

INSET_PX = 22.0
"""So far within a tile a pixel is free of what the filter had to guess at that tile's edge."""

RIPPLE = 0.002 * 90
BOTH_ROUNDINGS = 0.5 + 1.66**2 * 0.5 + RIPPLE


def whole(tile_set: TileSet, layout: Layout, correction: Correction | None = None, **options: object) -> np.ndarray:
    bands = compose_bands(tile_set, layout, correction or known_tiles.no_correction(tile_set), **options)
    return np.concatenate([band.copy() for band in bands])


def photograph(name: str) -> np.ndarray:
    return read_picture(Path(skimage.__file__).parent / "data" / name)


def test_exact_waves_at_sub_pixel_places(tmp_path: Path) -> None:
    """A tenth of a pixel would make up to 6 levels here."""
    places = known_tiles.grid_places(3, 4, step=(300.3, 220.7), jitter_px=6, slant_px=3)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(280, 380))
    error = np.abs(whole(tile_set, layout) - known_tiles.on_mosaic(known_tiles.waves, layout))
    inner = known_tiles.under_tiles(layout, inset_px=INSET_PX) > 0
    assert error[inner].max() < BOTH_ROUNDINGS
    assert error[inner].mean() < 0.45


def test_one_tile_at_a_whole_place_is_itself(tmp_path: Path) -> None:
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, [(0.0, 0.0)], size=(90, 120))
    np.testing.assert_array_equal(whole(tile_set, layout), tifffile.imread(tile_set.tiles[0].path))


@pytest.mark.parametrize(
    ("name", "dtype"), [("retina.jpg", "uint8"), ("gravel.png", "uint8"), ("gravel.png", "uint16")]
)
def test_photographs(tmp_path: Path, name: str, dtype: str) -> None:
    """Retina is nearly without features, gravel is all features; both from scikit-image's wheel."""
    levels = 1 if dtype == "uint8" else 200
    part = photograph(name)[:512, :512].astype(np.float32) * levels
    truth = known_tiles.sampled(part, zoom=1.5)
    places = known_tiles.grid_places(3, 3, step=(210.4, 190.2), jitter_px=5)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, truth, places, size=(240, 270), dtype=dtype)
    error = np.abs(whole(tile_set, layout) - known_tiles.on_mosaic(truth, layout)) / levels
    inner = known_tiles.under_tiles(layout, inset_px=INSET_PX) > 0
    assert error[inner].max() < BOTH_ROUNDINGS
    assert error[inner].mean() < 0.45


def test_a_pixel_away_from_seams_is_one_tiles_own_resampled_pixel(tmp_path: Path) -> None:
    """To the last bit, noise and all, although tiles differ in brightness; what is mixed is a narrow strip."""
    places = [(0.0, 0.0), (200.3, 3.4), (1.7, 150.2), (203.1, 148.9)]
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(200, 260), noise=9.0)
    gains = np.array([[1.0], [1.03], [0.97], [1.01]], np.float32).repeat(3, axis=1)
    correction = Correction(np.ones((3, 4, 3), np.float32), gains)
    mosaic = whole(tile_set, layout, correction)
    own = np.zeros(mosaic.shape[:2], bool)
    for job in tile_jobs(tile_set, layout, correction):
        patch = render_tile(job)
        x, y = patch.x0, patch.y0
        own[y : y + 200, x : x + 260] |= (mosaic[y : y + 200, x : x + 260] == patch.pixels).all(axis=2)
    covered = known_tiles.under_tiles(layout) > 0
    single = known_tiles.under_tiles(layout) == 1
    assert own[single].all()
    # Seams: two of 350 and of 460 px, 16 px wide, at most at 45 degrees; and their turns along the tiles' ends.
    assert 0 < (covered & ~own).sum() < 1.42 * 16 * (350 + 460)


def test_no_step_at_seams_when_tiles_differ_in_brightness(tmp_path: Path) -> None:
    """A difference of 500 levels must be spread over the 16 px of the mix, whichever way the seam runs."""
    places = [(0.0, 0.0), (120.0, 0.0)]
    tile_set, layout = known_tiles.cut_tiles(
        tmp_path, lambda x, y: np.full(x.shape, 20000.0), places, size=(100, 200), dtype="uint16"
    )
    correction = Correction(np.ones((1, 1, 1), np.float32), np.array([[1.0], [1.025]], np.float32))
    mosaic = whole(tile_set, layout, correction).astype(int)
    assert mosaic.min() == 20000
    assert mosaic.max() == 20500
    # The ramp of 500 levels over 16 px measured across the seam; an inclined seam is steeper along y at most.
    assert np.abs(np.diff(mosaic, axis=1)).max() <= 500 / 16 + 1
    assert np.abs(np.diff(mosaic, axis=0)).max() <= 500 / 16 + 1


def test_shading_and_exposure_are_removed(tmp_path: Path) -> None:
    """A linear shading is exact on a grid of cells, and goes on exactly beyond their centres."""
    height, width, cells = 240, 320, (24, 32)
    x = (np.arange(width) + 0.5) / width
    shade = np.broadcast_to(0.8 + 0.4 * x, (height, width))
    flat = np.broadcast_to(0.8 + 0.4 * (np.arange(cells[1]) + 0.5) / cells[1], cells)
    gains = np.array([1.0, 1.1, 0.93, 1.04])
    places = known_tiles.grid_places(2, 2, step=(250.5, 180.25), jitter_px=3)
    tile_set, layout = known_tiles.cut_tiles(
        tmp_path,
        lambda a, b: 200 * known_tiles.waves(a, b),
        places,
        size=(height, width),
        dtype="uint16",
        gains=gains,
        shade=shade,
    )
    correction = Correction(
        np.repeat(flat[..., None], 3, axis=2).astype(np.float32),
        np.repeat(gains[:, None], 3, axis=1).astype(np.float32),
    )
    error = np.abs(whole(tile_set, layout, correction) - 200 * known_tiles.on_mosaic(known_tiles.waves, layout)) / 200
    inner = known_tiles.under_tiles(layout, inset_px=INSET_PX) > 0
    # In 8-bit levels: the filter's ripple, and the roundings of 1/200 of that.
    assert error[inner].max() < RIPPLE + BOTH_ROUNDINGS / 200


@pytest.mark.parametrize(("k1", "k2"), [(-0.03, 0.004), (0.02, 0.0)])
def test_lens_distortion_is_removed(tmp_path: Path, k1: float, k2: float) -> None:
    """Tiles drawn through the lens by inverting its formula (Newton), 1 to 3 px at the corners."""
    lens = Lens(k1, k2, norm_px=float(np.hypot(280, 380) / 2))
    places = known_tiles.grid_places(2, 3, step=(280.3, 200.7), jitter_px=5)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(280, 380), lens=lens)
    mosaic = whole(tile_set, layout, known_tiles.no_correction(tile_set, lens))
    truth = known_tiles.on_mosaic(known_tiles.waves, layout)
    error = np.abs(mosaic - truth)
    inner = known_tiles.under_tiles(layout, inset_px=INSET_PX) > 0
    # The rounding of a place to 1/4096 px in either pass moves these waves of up to one radian a pixel by 0.02 levels.
    assert error[inner].max() < BOTH_ROUNDINGS + 90 * 2 / 4096
    assert error[inner].mean() < 0.45


def test_uncovered_is_black_and_covered_is_not(tmp_path: Path) -> None:
    places = known_tiles.grid_places(3, 3, step=(170.0, 130.0), jitter_px=4)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(160, 200))
    kept = tuple(tile for number, tile in enumerate(layout.tiles) if number not in (4, 8))
    layout = replace(layout, tiles=kept)
    mosaic = whole(tile_set, layout)
    assert mosaic.shape == (layout.height_px, layout.width_px, 3)
    np.testing.assert_array_equal((mosaic > 0).any(axis=2), known_tiles.under_tiles(layout) > 0)
    truth = known_tiles.on_mosaic(known_tiles.waves, layout)
    inner = known_tiles.under_tiles(layout, inset_px=INSET_PX) > 0
    assert np.abs(mosaic - truth)[inner].max() < BOTH_ROUNDINGS


@pytest.mark.parametrize("overlap", [0.0, 0.02, 0.6])
def test_any_overlap(tmp_path: Path, overlap: float) -> None:
    """None at all, a few pixels, and so much that every point lies on many tiles."""
    step = (200 * (1 - overlap), 160 * (1 - overlap))
    places = known_tiles.grid_places(3, 4, step=step, jitter_px=1.5)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(160, 200))
    mosaic = whole(tile_set, layout)
    np.testing.assert_array_equal((mosaic > 0).any(axis=2), known_tiles.under_tiles(layout) > 0)
    inner = known_tiles.under_tiles(layout, inset_px=INSET_PX) > 0
    error = np.abs(mosaic - known_tiles.on_mosaic(known_tiles.waves, layout))
    assert error[inner].max() < BOTH_ROUNDINGS


def test_same_bytes_whatever_the_workers_and_the_bands(tmp_path: Path) -> None:
    places = known_tiles.grid_places(3, 3, step=(170.0, 130.0), jitter_px=4)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(160, 200), noise=5.0)
    expected = whole(tile_set, layout)
    executors: tuple[Executor, ...] = (ThreadPoolExecutor(1), ThreadPoolExecutor(4), ProcessPoolExecutor(1))
    for executor, band_px in zip(executors, (512, 33, 100), strict=True):
        with executor:
            np.testing.assert_array_equal(whole(tile_set, layout, executor=executor, band_px=band_px), expected)


def test_grey_bands_have_two_axes(tmp_path: Path) -> None:
    def grey(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return known_tiles.waves(x, y)[..., 0] * 200

    tile_set, layout = known_tiles.cut_tiles(tmp_path, grey, [(0.0, 0.0), (70.4, 0.3)], size=(90, 100), dtype="uint16")
    correction = known_tiles.no_correction(tile_set)
    bands = [band.copy() for band in compose_bands(tile_set, layout, correction, band_px=40)]
    assert [band.shape for band in bands] == [(40, 171), (40, 171), (11, 171)]
    assert bands[0].dtype == np.uint16


def test_memory_is_bounded_by_the_height_of_a_tile(tmp_path: Path) -> None:
    """Twice as many rows of tiles may not take more."""
    peaks = []
    for rows in (6, 12):
        # Large enough that what else the interpreter keeps does not count.
        places = [(0.3, 300.2 * row) for row in range(rows)]
        tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(400, 600))
        correction = known_tiles.no_correction(tile_set)
        gc.collect()
        tracemalloc.start()
        for _ in compose_bands(tile_set, layout, correction, band_px=64):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.05 * peaks[0]


def test_each_tile_is_read_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    places = known_tiles.grid_places(2, 3, step=(170.0, 130.0), jitter_px=4)
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, places, size=(160, 200))
    seen: list[str] = []

    def reading(path: Path) -> np.ndarray:
        seen.append(path.name)
        return read_picture(path)

    monkeypatch.setattr("dieplat.blending.resample.read_picture", reading)
    whole(tile_set, layout, band_px=20)
    assert sorted(seen) == [tile.name for tile in tile_set.tiles]


def test_what_cannot_be_composed(tmp_path: Path) -> None:
    tile_set, layout = known_tiles.cut_tiles(tmp_path, known_tiles.waves, [(0.0, 0.0), (50.0, 0.0)], size=(60, 80))
    fewer = replace(tile_set, tiles=tile_set.tiles[:1])
    with pytest.raises(MosaicError, match=r"t01\.tif: is in the layout but not among the tiles"):
        whole(fewer, layout)
    tifffile.imwrite(tile_set.tiles[1].path, np.zeros((60, 81, 3), np.uint8), photometric="rgb")
    with pytest.raises(MosaicError, match="has changed"):
        whole(tile_set, layout)
    tile_set.tiles[0].path.write_bytes(b"")
    with pytest.raises(PictureError, match="empty"):
        whole(tile_set, layout)
