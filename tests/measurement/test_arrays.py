"""Memory arrays: known lattices put in must come back, or be refused.

The truth is the recipe of each invented picture (array_pictures.py), drawn by supersampling and independent
of the
library. The uncertainty is checked against JCGM 100's meaning of a standard uncertainty.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from array_pictures import Recipe, draw

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays import measure_array

TWO_TENTHS_OF_A_PERMILLE = 2e-4
STRIPED = [
    (0.1, 0.02, 0.48, 0.98, 60.0),
    (0.1, 0.1, 0.48, 0.62, 6.0),
    (0.56, 0.4, 0.92, 0.9, -40.0),
    (0.18, 0.7, 0.4, 0.88, 40.0),
    (0.58, 0.08, 0.84, 0.28, 10.0),
]
"""A cell of which most goes on through all its column."""


def check(recipe: Recipe, found, tolerance: float = TWO_TENTHS_OF_A_PERMILLE) -> None:
    assert found.columns == sum(recipe.columns)
    assert found.rows == sum(recipe.rows)
    assert found.cells == sum(recipe.columns) * sum(recipe.rows)
    assert len(found.banks) == len(recipe.columns) * len(recipe.rows)
    assert (found.mirrored_x, found.mirrored_y) == (recipe.mirrored_x, recipe.mirrored_y)
    assert found.pitch_x_px == pytest.approx(recipe.pitch_x, rel=tolerance)
    assert found.pitch_y_px == pytest.approx(recipe.pitch_y, rel=tolerance)


def test_a_plain_array_is_counted_and_its_pitch_read():
    recipe = Recipe()
    found = measure_array(*draw(recipe))
    check(recipe, found)
    assert found.rotation_deg == pytest.approx(0.0, abs=0.004)  # 3 grey levels of noise on 450 px
    left, top, right, bottom = found.banks[0].bounds_px
    assert (left, top) == pytest.approx(np.add(recipe.offset, recipe.margin_px), abs=0.35 * recipe.pitch_y)
    assert (right - left, bottom - top) == pytest.approx(recipe.size, rel=1e-3)


@pytest.mark.parametrize("rotation_deg", [-2.0, 0.37, 1.5])
def test_rotation_is_read_to_a_few_millidegrees(rotation_deg: float):
    recipe = Recipe(rotation_deg=rotation_deg)
    found = measure_array(*draw(recipe))
    check(recipe, found)
    assert found.rotation_deg == pytest.approx(rotation_deg, abs=0.004)


@pytest.mark.parametrize(("mirrored_x", "mirrored_y"), [(True, False), (False, True), (True, True)])
def test_mirrored_cells_give_the_pitch_of_one_cell(mirrored_x: bool, mirrored_y: bool):
    recipe = Recipe(columns=(41,), rows=(37,), mirrored_x=mirrored_x, mirrored_y=mirrored_y, rotation_deg=0.6)
    check(recipe, measure_array(*draw(recipe)))


def test_straps_that_shift_the_lattice_do_not_spoil_pitch_or_count():
    recipe = Recipe(
        columns=(20, 16, 24),
        rows=(22, 30),
        straps_x=(17.3, 40.9),
        straps_y=(13.1,),
        mirrored_y=True,
        rotation_deg=-0.8,
    )
    check(recipe, measure_array(*draw(recipe)))


@pytest.mark.parametrize("strap_px", [9.1, 16.1, 23.9])
def test_metal_beside_a_bank_does_not_lengthen_it(strap_px: float):
    recipe = Recipe(
        columns=(18, 20, 18),
        rows=(17, 24),
        straps_x=(strap_px, strap_px),
        straps_y=(strap_px,),
        margin_px=0.0,
        outside="metal",
        mirrored_x=True,
        rotation_deg=0.2,
    )
    found = measure_array(*draw(recipe, factor=3))
    check(recipe, found)
    assert not any("polygon ends on cells" in remark for remark in found.remarks)


@pytest.mark.parametrize("outside", ["plain", "bright", "busy"])
def test_what_stands_around_the_array_does_not_change_the_count(outside: str):
    recipe = Recipe(outside=outside, margin_px=10.0, rotation_deg=0.9)
    check(recipe, measure_array(*draw(recipe)))


def test_colour_and_jpeg():
    recipe = Recipe(colour=True, jpeg=85, rotation_deg=0.4, seed=3)
    check(recipe, measure_array(*draw(recipe)))


@pytest.mark.parametrize("pitch", [(4.13, 5.07), (37.7, 52.3)])
def test_small_and_large_cells(pitch: tuple[float, float]):
    count = 60 if pitch[0] < 10 else 14
    recipe = Recipe(pitch_x=pitch[0], pitch_y=pitch[1], columns=(count,), rows=(count,), rotation_deg=0.3, blur_px=0.6)
    check(recipe, measure_array(*draw(recipe)))


def test_the_crop_may_lie_anywhere_on_the_mosaic():
    picture, outline = draw(Recipe())
    here = measure_array(picture, outline)
    there = measure_array(picture, shapely.affinity.translate(outline, 5000, 7000), origin_px=(5000, 7000))
    assert there.pitch_x_px == pytest.approx(here.pitch_x_px, rel=1e-9)
    assert np.subtract(there.banks[0].bounds_px, here.banks[0].bounds_px) == pytest.approx([5000, 7000, 5000, 7000])


def test_sixteen_bit_pictures_give_the_same_lattice():
    picture, outline = draw(Recipe())
    eight = measure_array(picture, outline)
    sixteen = measure_array(picture.astype(np.uint16) * 257, outline)
    assert sixteen.pitch_x_px == pytest.approx(eight.pitch_x_px, rel=1e-6)
    assert sixteen.cells == eight.cells


def test_a_cell_that_is_its_own_mirror_image_is_one_cell_and_says_so():
    blob = [(0.25, 0.25, 0.75, 0.75, 80.0)]
    recipe = Recipe(pitch_x=20.3, pitch_y=16.2, columns=(20,), rows=(20,))
    found = measure_array(*draw(recipe, blob))
    check(recipe, found)
    assert any("mirror image" in remark for remark in found.remarks)
    # The blob is symmetric along both axes: as a pair along one the cells double, along both they are four times as
    # many.
    assert found.other_factors == (2.0, 4.0)


def test_a_cell_that_is_nearly_its_own_mirror_image_is_one_cell_and_says_so():
    boxes = [(0.1, 0.15, 0.48, 0.75, 70.0), (0.58, 0.15, 0.92, 0.85, -50.0)]
    recipe = Recipe(pitch_x=20.3, pitch_y=16.2, columns=(20,), rows=(20,))
    found = measure_array(*draw(recipe, boxes))
    check(recipe, found)
    assert any("along x the cell is nearly its own mirror image" in remark for remark in found.remarks)


def test_fine_periods_that_only_a_part_of_the_picture_shows_are_not_believed():
    """The same banks at a third of the size: pairs of cells of 2.5 px, which a part may show as one cell of 5 px."""
    fine = {"pitch_x": 2.51, "pitch_y": 4.42, "columns": (10, 10, 10), "rows": (12,), "straps_x": (7.3, 7.3)}
    for seed in (0, 2, 3):
        with pytest.raises(UndecidedError):
            measure_array(*draw(Recipe(**fine, mirrored_x=True, rotation_deg=0.6, seed=seed)))


@pytest.mark.parametrize("mirrored", [False, True])
def test_small_cells_that_lean_are_told_from_pairs_that_do_not(mirrored: bool):
    """At 11 px a period blurs towards one wave; but only a pair stays its own mirror image to some thousandths."""
    boxes = [(0.1, 0.1, 0.3, 0.8, 70.0), (0.3, 0.1, 0.5, 0.8, 60.0), (0.5, 0.1, 0.85, 0.4, 30.0)]
    pitch_x = 5.55 if mirrored else 11.1
    recipe = Recipe(pitch_x, 6.3, columns=(30, 30), rows=(32,), straps_x=(16.0,), mirrored_x=mirrored, blur_px=0.9)
    found = measure_array(*draw(recipe, boxes))
    check(recipe, found)
    assert (0.5 if mirrored else 2.0) in found.other_factors


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_banks_of_few_cells_side_by_side_are_counted(seed: int):
    """Five pairs a bank: what of one bank meets the next one is out of step, and there is as much of it."""
    sides = {"pitch_x": 7.54, "pitch_y": 13.26, "columns": (10, 10, 10), "rows": (12,), "straps_x": (22.0, 22.0)}
    recipe = Recipe(**sides, mirrored_x=True, rotation_deg=0.6, seed=seed)
    check(recipe, measure_array(*draw(recipe)))


def test_a_pair_of_mirrored_cells_too_small_to_resolve_is_refused():
    """Blur hides the border inside the pair, which stays its own mirror image."""
    recipe = Recipe(pitch_x=3.6, pitch_y=9.1, columns=(60,), rows=(24,), mirrored_x=True, blur_px=1.0)
    with pytest.raises(UndecidedError, match="mirror image"):
        measure_array(*draw(recipe))


def test_uncertainties_cover_the_errors():
    """About 68 % of errors within one u, 95 % within two (JCGM 100, 6.1.2); 24 errors: at least 10 and 19.

    Binomial bounds: P(fewer than 10 of 24 at 0.68) = 0.3 %, P(fewer than 19 of 24 at 0.95) = 0.1 %.
    """
    scores = []
    for seed in range(12):
        recipe = Recipe(seed=seed, rotation_deg=0.11 * seed - 0.6, pitch_x=9.3 + 0.37 * seed, columns=(28,), rows=(24,))
        found = measure_array(*draw(recipe, factor=3))
        scores.append((found.pitch_x_px - recipe.pitch_x) / found.pitch_x_px_u)
        scores.append((found.pitch_y_px - recipe.pitch_y) / found.pitch_y_px_u)
    assert np.sum(np.abs(scores) < 1) >= 10
    assert np.sum(np.abs(scores) < 2) >= 19


def test_noise_is_refused():
    picture = np.random.default_rng(5).normal(120, 20, (300, 300)).clip(0, 255).astype(np.uint8)
    with pytest.raises(UndecidedError):
        measure_array(picture, shapely.box(10, 10, 290, 290))


def test_a_flat_picture_is_refused():
    with pytest.raises(UndecidedError, match="flat"):
        measure_array(np.full((200, 200), 90, np.uint8), shapely.box(5, 5, 195, 195))


def test_lines_without_a_second_period_are_refused():
    x = np.arange(300)
    rows = np.random.default_rng(1).normal(0, 3, (300, 300))
    picture = (120 + 60 * np.cos(2 * np.pi * x / 9.7)[None, :] + rows).clip(0, 255).astype(np.uint8)
    with pytest.raises(UndecidedError):
        measure_array(picture, shapely.box(5, 5, 295, 295))


@pytest.mark.parametrize("seed", range(6))
def test_below_four_pixels_it_is_right_or_refused(seed: int):
    rng = np.random.default_rng(seed)
    pitch = rng.uniform(1.7, 4.0, 2)
    recipe = Recipe(
        pitch_x=float(pitch[0]),
        pitch_y=float(pitch[1]),
        columns=(90,),
        rows=(80,),
        blur_px=0.4,
        seed=seed,
        rotation_deg=float(rng.uniform(-1, 1)),
        mirrored_x=bool(seed % 2),
    )
    try:
        found = measure_array(*draw(recipe, factor=6))
    except UndecidedError:
        return
    assert found.pitch_x_px == pytest.approx(recipe.pitch_x, rel=2e-3)
    assert found.pitch_y_px == pytest.approx(recipe.pitch_y, rel=2e-3)
    assert found.cells == 90 * 80


def test_a_polygon_through_the_cells_is_said_so():
    # Half a cell is cut off on every side along x: 39 periods are left.
    found = measure_array(*draw(Recipe(margin_px=-0.5 * 11.37)))
    assert found.columns == 39
    assert any("polygon ends on cells" in remark for remark in found.remarks)


@pytest.mark.parametrize("strap_px", [12.3, 16.3])
def test_straps_along_striped_cells_change_neither_period_nor_count(strap_px: float):
    """Both are alike at every lag along y, so the autocorrelation there is high between the periods too."""
    recipe = Recipe(
        pitch_x=8.83,
        pitch_y=12.23,
        columns=(38, 38),
        rows=(46, 46),
        straps_x=(strap_px,),
        straps_y=(strap_px,),
        mirrored_y=True,
        margin_px=0.0,
        outside="metal",
        rotation_deg=0.3,
    )
    check(recipe, measure_array(*draw(recipe, STRIPED)))


@pytest.mark.parametrize("share", [0.8, 0.65])
def test_cells_that_are_dim_at_the_edge_of_a_bank_still_count(share: float):
    recipe = Recipe(rows=(20,), mirrored_y=True, pitch_y=10.43)
    picture, outline = draw(recipe)
    left, _, right, bottom = (round(value) for value in outline.bounds)
    dim = picture[bottom - 27 : bottom, left:right]
    dim[:] = np.round(100 + share * (dim.astype(float) - 100))
    # The dim strip begins within a cell, which bends the last of the ten periods by some 0.05 px.
    check(recipe, measure_array(picture, outline), tolerance=1e-3)


@pytest.mark.parametrize("banks", [3, 5])
def test_equal_banks_are_never_taken_for_cells(banks: int):
    """A bank and its strap repeat as a cell does: the count must be of cells, or refused."""
    recipe = Recipe(
        columns=(6,) * banks,
        straps_x=(25.3,) * (banks - 1),
        mirrored_x=True,
        rows=(36,),
        margin_px=0.0,
        outside="metal",
    )
    try:
        # On a raster of a third of a pixel every column of cells has edges of its own, off by up to 0.17 px.
        found = measure_array(*draw(recipe, factor=12))
    except UndecidedError:
        return
    check(recipe, found)


@pytest.mark.parametrize(("per_x", "per_y"), [(1, 1), (2, 1), (2, 2)])
def test_cells_in_a_period_are_taken_as_stated_where_somebody_knows(per_x: int, per_y: int):
    blob = [(0.25, 0.25, 0.75, 0.75, 80.0)]
    recipe = Recipe(pitch_x=20.3, pitch_y=16.2, columns=(20,), rows=(20,))
    found = measure_array(*draw(recipe, blob), cells_per_period=(per_x, per_y))
    assert (found.columns, found.rows) == (20 * per_x, 20 * per_y)
    assert found.pitch_x_px == pytest.approx(20.3 / per_x, rel=TWO_TENTHS_OF_A_PERMILLE)
    assert found.pitch_y_px == pytest.approx(16.2 / per_y, rel=TWO_TENTHS_OF_A_PERMILLE)
    assert (found.mirrored_x, found.mirrored_y) == (per_x == 2, per_y == 2)
    assert any("as stated" in remark for remark in found.remarks)
    assert found.other_factors == ()


def test_a_pair_too_small_to_resolve_is_counted_once_somebody_says_that_it_is_a_pair():
    recipe = Recipe(pitch_x=3.6, pitch_y=9.1, columns=(60,), rows=(24,), mirrored_x=True, blur_px=1.0)
    check(recipe, measure_array(*draw(recipe), cells_per_period=(2, 1)))
