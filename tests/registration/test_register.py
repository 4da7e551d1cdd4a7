"""Registration against known places: real photographs and lattices cut into tiles, and blank overlaps."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import skimage.data
import tifffile
from cutting import Cut, cut_tiles, errors_px

from dieplat.errors import RegistrationError
from dieplat.phantom import make_phantom
from dieplat.phantom.die import DiePlan
from dieplat.phantom.scenario import PRESETS
from dieplat.registration.assemble import Tie
from dieplat.registration.overview import survey_tiles
from dieplat.registration.register import place_in_grid, register
from dieplat.tiles.discover import discover_tiles
from dieplat.values.layout import Layout


def lay_out(folder: Path, *, ties: tuple[Tie, ...] = (), workers: int = 2) -> Layout:
    """The registration stages on a folder, as the workflow joins them."""
    tile_set = discover_tiles(folder)
    with ThreadPoolExecutor(workers) as executor:
        kept, views, _ = survey_tiles(tile_set.tiles, executor=executor)
        by_name = {tile.name: view for tile, view in zip(kept, views, strict=True)}
        tile_set = place_in_grid(tile_set, views, executor=executor)
        return register(tile_set, by_name, ties=ties, executor=executor)


def errors_of(layout: Layout, cut: Cut) -> np.ndarray:
    return errors_px({tile.name: (tile.x_px, tile.y_px) for tile in layout.tiles}, cut)


def enlarged(picture: np.ndarray, factor: float) -> np.ndarray:
    return cv2.resize(picture.astype(np.float32), None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)


# Photographs that the scikit-image wheel carries: retina (CC0, smooth: few features), gravel (CC0, repetitive texture),
# Hubble deep field (NASA, public domain: sparse points).
PHOTOGRAPHS = {
    "retina": (skimage.data.retina, 1.2, 4, 4, (400, 400)),
    "gravel": (skimage.data.gravel, 3.0, 4, 4, (400, 400)),
    "deep field": (skimage.data.hubble_deep_field, 1.5, 3, 4, (400, 360)),
}


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_photographs_cut_at_known_places_come_back_together(name: str, tmp_path: Path) -> None:
    photograph, factor, rows, columns, tile = PHOTOGRAPHS[name]
    picture = enlarged(photograph(), factor)
    cut = cut_tiles(picture, tmp_path, rows=rows, columns=columns, tile=tile, rng=np.random.default_rng(7))
    layout = lay_out(tmp_path)
    errors = errors_of(layout, cut)
    assert all(tile.placed_by == "overlap" and not tile.ambiguous for tile in layout.tiles)
    # 0.1 px is what an offset must reach for areas; a noise of 3/255 alone allows 0.02 px here.
    assert np.sqrt((errors**2).mean()) < 0.1


def test_capture_order_with_a_lost_picture_is_enough(tmp_path: Path) -> None:
    picture = enlarged(skimage.data.gravel(), 3.0)
    cut = cut_tiles(
        picture,
        tmp_path,
        rows=4,
        columns=4,
        tile=(400, 400),
        serpentine_names=True,
        missing=((1, 2),),
        rng=np.random.default_rng(3),
    )
    layout = lay_out(tmp_path)
    assert np.abs(errors_of(layout, cut)).max() < 0.3


def test_shuffled_names_are_sorted_out_by_the_pictures(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    cut = cut_tiles(enlarged(skimage.data.gravel(), 3.0), tmp_path, rows=3, columns=4, tile=(400, 400), rng=rng)
    shuffled = [f"IMG_{number:04d}.tif" for number in rng.permutation(len(cut.names)) + 1]
    for old, new in zip(cut.names, shuffled, strict=True):
        (tmp_path / old).rename(tmp_path / new)
    layout = lay_out(tmp_path)
    assert np.abs(errors_of(layout, Cut(shuffled, cut.corner_px))).max() < 0.3


def memory_layout(folder: Path, seed: int, die: DiePlan) -> tuple[Layout, np.ndarray]:
    """Layout of a memory phantom, and the error of every tile against the median of all that are stated firmly."""
    truth = make_phantom(folder, seed=seed, preset="memory", rows=3, columns=4, die=die)
    layout = lay_out(folder / "tiles")
    corners = {tile["name"]: (tile["x_px"], tile["y_px"]) for tile in truth.to_dict()["tiles"]}
    errors = np.array([np.subtract((tile.x_px, tile.y_px), corners[tile.name]) for tile in layout.tiles])
    firm = [not tile.ambiguous for tile in layout.tiles]
    return layout, errors - np.median(errors[firm], axis=0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [611, 621])
def test_overlaps_of_memory_array_do_not_shift_a_tile_by_a_cell(seed: int, tmp_path: Path) -> None:
    layout, errors = memory_layout(tmp_path / "phantom", seed, PRESETS["memory"].die)
    assert not any(tile.ambiguous for tile in layout.tiles)
    assert np.abs(errors).max() < 0.5


@pytest.mark.slow
def test_memory_without_grain_is_reserved_and_never_silently_off(tmp_path: Path) -> None:
    """Cells that repeat to the last grey level, but for noise: no method can tell one from the next."""
    plain = replace(PRESETS["memory"].die, dirt=0.0, texture=0.0)
    layout, errors = memory_layout(tmp_path / "phantom", 731, plain)
    firm = np.array([not tile.ambiguous and tile.placed_by == "overlap" for tile in layout.tiles])
    assert firm.sum() > len(firm) / 2
    assert not firm.all()
    assert np.abs(errors[firm]).max() < 0.5


def test_a_blank_corner_is_placed_by_the_stage_and_says_so(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    picture = enlarged(skimage.data.gravel(), 3.0)
    picture[:460, :460] = 120.0
    cut = cut_tiles(picture, tmp_path, rows=4, columns=4, tile=(400, 400), rng=rng)
    layout = lay_out(tmp_path)
    tile = next(tile for tile in layout.tiles if tile.name == "r00_c00.tif")
    error = errors_of(layout, cut)[cut.names.index(tile.name)]
    assert tile.placed_by == "stage"
    assert tile.x_px_u > 1.0
    assert tile.y_px_u > 1.0
    # Three standard uncertainties of a stage that scatters by 4 px.
    assert abs(error[0]) < 3 * tile.x_px_u
    assert abs(error[1]) < 3 * tile.y_px_u


def test_a_tile_that_only_small_pictures_placed_is_left_out_unless_full_ones_bear_it_out(tmp_path: Path) -> None:
    picture = enlarged(skimage.data.gravel(), 3.0)
    cut = cut_tiles(picture, tmp_path, rows=3, columns=3, tile=(400, 400), rng=np.random.default_rng(21))
    elsewhere = enlarged(skimage.data.brick(), 3.0)[:400, :400]
    tifffile.imwrite(tmp_path / cut.names[8], elsewhere.clip(0, 255).astype(np.uint8))
    tile_set = discover_tiles(tmp_path)
    kept, views, _ = survey_tiles(tile_set.tiles)
    by_name = {tile.name: view for tile, view in zip(kept, views, strict=True)}
    believed = register(tile_set, by_name)
    assert [tile.placed_by for tile in believed.tiles if tile.name == cut.names[8]] == ["stage"]
    unproven = replace(tile_set, tiles=tuple(replace(tile, unproven=True) for tile in tile_set.tiles))
    tie = Tie(0, 1, float(np.diff(cut.corner_px[:2, 0])[0]), float(np.diff(cut.corner_px[:2, 1])[0]), 0.5)
    for ties in ((), (tie,)):
        layout = register(unproven, by_name, ties=ties)
        assert [tile.name for tile in layout.tiles] == cut.names[:8]
        assert [(one.name, "full size" in one.reason) for one in layout.skipped] == [(cut.names[8], True)]


def test_what_hangs_on_one_pair_is_left_out_if_small_pictures_placed_it(tmp_path: Path) -> None:
    picture = enlarged(skimage.data.gravel(), 3.0)
    missing = ((1, 2), (1, 3), (2, 2), (2, 3), (2, 4), (2, 5))
    cut = cut_tiles(
        picture, tmp_path, rows=3, columns=6, tile=(300, 300), missing=missing, rng=np.random.default_rng(22)
    )
    # Four tiles at the right close a loop of their own, but r00_c02 and r00_c03 alone hold it to the others.
    tile_set = discover_tiles(tmp_path)
    kept, views, _ = survey_tiles(tile_set.tiles)
    by_name = {tile.name: view for tile, view in zip(kept, views, strict=True)}
    assert len(register(tile_set, by_name).tiles) == 12
    unproven = replace(tile_set, tiles=tuple(replace(tile, unproven=True) for tile in tile_set.tiles))
    layout = register(unproven, by_name)
    hanging = {f"r0{row}_c0{column}.tif" for row in (0, 1) for column in (2, 3, 4, 5)} & set(cut.names)
    assert {one.name for one in layout.skipped} == hanging
    assert np.abs(errors_px({t.name: (t.x_px, t.y_px) for t in layout.tiles}, without(cut, hanging))).max() < 0.1


def test_a_set_of_which_most_hangs_on_single_pairs_is_refused(tmp_path: Path) -> None:
    cut_tiles(
        enlarged(skimage.data.gravel(), 3.0),
        tmp_path,
        rows=1,
        columns=4,
        tile=(300, 300),
        rng=np.random.default_rng(23),
    )
    tile_set = discover_tiles(tmp_path)
    kept, views, _ = survey_tiles(tile_set.tiles)
    unproven = replace(tile_set, tiles=tuple(replace(tile, unproven=True) for tile in kept))
    with pytest.raises(RegistrationError, match="only 1 of 4 pictures"):
        register(unproven, {tile.name: view for tile, view in zip(kept, views, strict=True)})


def without(cut: Cut, names: set[str]) -> Cut:
    left = [i for i, name in enumerate(cut.names) if name not in names]
    return Cut([cut.names[i] for i in left], cut.corner_px[left])


def test_a_tie_places_a_blank_tile(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    picture = enlarged(skimage.data.gravel(), 3.0)
    picture[:460, :460] = 120.0
    cut = cut_tiles(picture, tmp_path, rows=4, columns=4, tile=(400, 400), rng=rng)
    names = [tile.name for tile in discover_tiles(tmp_path).tiles]
    a, b = names.index("r00_c00.tif"), names.index("r00_c01.tif")
    gap = cut.corner_px[cut.names.index("r00_c01.tif")] - cut.corner_px[cut.names.index("r00_c00.tif")]
    layout = lay_out(tmp_path, ties=(Tie(a, b, float(gap[0]), float(gap[1]), 0.3),))
    tile = next(tile for tile in layout.tiles if tile.name == "r00_c00.tif")
    assert tile.placed_by == "tie"
    assert np.abs(errors_of(layout, cut)[cut.names.index(tile.name)]).max() < 0.3


def test_workers_do_not_change_the_numbers(tmp_path: Path) -> None:
    cut_tiles(
        enlarged(skimage.data.gravel(), 2.0),
        tmp_path,
        rows=2,
        columns=3,
        tile=(300, 300),
        rng=np.random.default_rng(1),
    )
    assert lay_out(tmp_path, workers=1) == lay_out(tmp_path, workers=4)


def test_a_lens_that_cannot_be_told_is_stated_where_overlaps_contradict_one_another(tmp_path):
    """Small tiles on a die with little in their overlaps, and a lens of k1 = -0.017 that moves tiles by 3.5 px."""
    size = {"rows": 3, "columns": 3, "tile_width_px": 480, "tile_height_px": 360}
    truth = make_phantom(tmp_path / "die", seed=41225, preset="lens", **size)
    tile_set = discover_tiles(tmp_path / "die/tiles")
    kept, views, _ = survey_tiles(tile_set.tiles)
    layout = register(tile_set, {tile.name: view for tile, view in zip(kept, views, strict=True)})
    assert layout.lens is not None
    assert (layout.lens["k1"], layout.lens["k1_u"]) == (0.0, 0.01)
    assert "contradict one another" in layout.notes[0]
    true = {tile.name: (tile.x_px, tile.y_px) for tile in truth.tiles}
    off = np.array([np.subtract((tile.x_px, tile.y_px), true[tile.name]) for tile in layout.tiles])
    off -= off.mean(axis=0)
    stated = np.array([(tile.x_px_u, tile.y_px_u) for tile in layout.tiles])
    assert np.abs(off).max() > 2.0
    assert np.abs(off / stated).max() < 3.0


def test_a_stage_with_backlash_is_looked_for_on_both_sides_of_its_step(tmp_path: Path) -> None:
    """Rows that go back and forth by 24 px, and arrays whose straps repeat: two thirds of the true step looked likelier
    while the pictures were compared on one side only, and rows came out 106 px off."""
    size = {"rows": 3, "columns": 3, "tile_width_px": 480, "tile_height_px": 360}
    truth = make_phantom(tmp_path / "die", seed=52084, preset="memory", **size)
    layout = lay_out(tmp_path / "die/tiles")
    true = {tile.name: (tile.x_px, tile.y_px) for tile in truth.tiles}
    off = np.array([np.subtract((tile.x_px, tile.y_px), true[tile.name]) for tile in layout.tiles])
    assert not any(tile.ambiguous for tile in layout.tiles)
    assert np.abs(off - np.median(off, axis=0)).max() < 0.05
