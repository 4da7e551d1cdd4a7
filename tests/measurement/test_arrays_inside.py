"""Columns times rows count cells only where a bank is a full rectangle of them."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from array_pictures import Recipe, draw, framed
from shapely import affinity

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_frame import Frame
from dieplat.measurement.arrays_inside import NotFullError, said_of_inside
from dieplat.measurement.arrays_places import lattice_of

PLAIN = Recipe(pitch_x=9.3, pitch_y=10.4, columns=(14,), rows=(12,), margin_px=1.0, noise=2.0)


def corner_of(columns: float, rows: float) -> tuple[int, int]:
    """The pixel where the lower right corner of so many cells of `PLAIN` begins."""
    at = np.array(PLAIN.offset) + PLAIN.margin_px + (PLAIN.size[0], PLAIN.size[1])
    x, y = at - (columns * PLAIN.pitch_x, rows * PLAIN.pitch_y)
    return round(x), round(y)


def drivers(picture, columns: int, rows: int):
    """The picture with slices of drivers, alike every two cells, instead of cells in its lower right corner."""
    x, y = corner_of(columns, rows)
    changed = picture.copy()
    height, width = changed[y:, x:].shape[:2]
    slices = 110 + 40 * (np.arange(height) % round(2 * PLAIN.pitch_y) < PLAIN.pitch_y)
    cuts = 25 * (np.arange(width) % 17 < 6)
    changed[y:, x:] = cv2.GaussianBlur((slices[:, None] + cuts).astype(np.float32), (0, 0), 0.7)
    return changed


def without_corner(outline: shapely.Polygon, columns: int, rows: int) -> shapely.Polygon:
    x, y = corner_of(columns, rows)
    return outline.difference(shapely.box(x, y, x + 500, y + 500))


@pytest.mark.parametrize(("columns", "rows"), [(2, 2), (6, 2), (4, 6)])
def test_drivers_in_a_corner_are_not_counted_as_cells(columns: int, rows: int):
    """All else repeats as in a full rectangle, in columns and in rows."""
    picture, outline = draw(PLAIN)
    with pytest.raises(UndecidedError, match="show no cell, at a corner near x"):
        measure_array(drivers(picture, columns, rows), outline)


@pytest.mark.parametrize("there", [True, False])
def test_an_outline_around_an_l_is_refused_with_what_to_draw(there: bool):
    """Whether or not there are cells where it leaves them out."""
    picture, outline = draw(PLAIN)
    picture = picture if there else drivers(picture, 4, 3)
    with pytest.raises(NotFullError, match="the outline leaves out 12 cells of a bank of 14 x 12"):
        measure_array(picture, without_corner(outline, 4, 3))


def test_an_outline_with_a_small_notch_is_said():
    picture, outline = draw(PLAIN)
    found = measure_array(picture, without_corner(outline, 2, 1))
    assert found.cells == 14 * 12
    assert any("leaves out 2 of the cells counted" in remark for remark in found.remarks)


def test_parts_of_a_bank_out_of_step_are_full_each():
    """A strap of a fifth of a cell is joined; beyond it cells are as far off the lattice of those before."""
    recipe = replace(PLAIN, columns=(20,), rows=(18, 8), straps_y=(0.2 * PLAIN.pitch_y,))
    assert measure_array(*draw(recipe)).cells == 20 * 26


def test_a_slanted_outline_is_told_to_lie_outside_the_cells():
    picture, outline = draw(PLAIN)
    x0, y0, x1, y1 = outline.bounds
    slanted = shapely.Polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1 - 2.6 * PLAIN.pitch_y)])
    found = measure_array(picture, slanted)
    assert any("of the cells counted; draw it outside them" in remark for remark in found.remarks)


def test_a_window_that_is_not_counted_may_leave_cells_out():
    picture, outline = draw(PLAIN)
    notched = without_corner(outline, 4, 3)
    assert measure_array(picture, notched, counted=False).pitch_x_px == pytest.approx(PLAIN.pitch_x, rel=1e-3)


def test_a_grain_of_dust_within_is_said_with_its_place_and_its_cells_count():
    picture, outline = draw(PLAIN)
    x, y = corner_of(6, 5)
    cv2.circle(picture, (x, y), 14, 30.0, -1)
    found = measure_array(picture, affinity.translate(outline, 1000), origin_px=(1000, 0))
    assert found.cells == 14 * 12
    (said,) = [remark for remark in found.remarks if "of the cells counted show no cell" in remark]
    near_x, near_y = map(int, re.findall(r"near x (\d+), y (\d+) px", said)[0])
    assert abs(near_x - 1000 - x) < PLAIN.pitch_x
    assert abs(near_y - y) < PLAIN.pitch_y


def test_a_full_bank_needs_no_word():
    found = measure_array(*draw(PLAIN))
    assert found.cells == 14 * 12
    assert found.remarks == ()


def bank_with(*gone: tuple[slice, slice], size: int = 8) -> np.ndarray:
    """The contrast of cells in a bank with a margin of three places: 1, but 0 where there are none."""
    contrast = np.ones((size, size))
    for places in gone:
        contrast[places] = 0.0
    return np.pad(contrast, 3)


def said_of(frame: Frame, *, size: int = 8, per_period: int = 1) -> list[str]:
    """What is said of the bank of `framed`, with some cells in a period along x."""
    width = 8 // per_period
    bank = lattice_of(frame, (24.0, 24.0, 24.0 + 8 * size, 24.0 + 8 * size), (width, 8))
    return said_of_inside([bank], (0.0, 0.0))


CORNER, LAST = (slice(0, 2), slice(0, 3)), (slice(6, 8), slice(6, 8))


@pytest.mark.parametrize("noise", [0.05, 0.4])
@pytest.mark.parametrize("places", [CORNER, LAST, (slice(3, 5), slice(0, 8)), (slice(0, 8), slice(2, 5))])
def test_a_corner_or_a_strip_makes_no_full_rectangle(places: tuple[slice, slice], noise: float):
    frame = framed(np.random.default_rng(3), bank_with(places), noise=noise)
    with pytest.raises(NotFullError, match="show no cell"):
        said_of(frame)


def test_drivers_may_be_like_some_cells():
    contrast = bank_with((slice(0, 4), slice(0, 4)), size=16)
    contrast[4:6, 4:6] = 1.0
    with pytest.raises(NotFullError, match=r"12 places .* at a corner"):
        said_of(framed(np.random.default_rng(3), contrast, noise=0.2), size=16)


@pytest.mark.parametrize("noise", [0.05, 0.4])
@pytest.mark.parametrize(
    ("places", "count"),
    [
        ((slice(3, 5), slice(0, 3)), 6),
        ((slice(2, 5), slice(3, 5)), 6),
        ((slice(0, 1), slice(0, 5)), 5),
        ((slice(0, 1), slice(0, 2)), 2),
        ((slice(4, 5), slice(0, 8)), 8),
    ],
    ids=["at a side", "within", "thin", "at a corner", "one row"],
)
def test_what_may_lie_over_cells_is_said(places: tuple[slice, slice], count: int, noise: float):
    (said,) = said_of(framed(np.random.default_rng(3), bank_with(places), noise=noise))
    assert said.startswith(f"{count} of the cells counted show no cell")


def test_many_grains_are_one_remark():
    gone = [(slice(row, row + 2), slice(3 * k + 1, 3 * k + 3)) for k, row in enumerate((2, 8, 14, 4, 10))]
    (said,) = said_of(framed(np.random.default_rng(3), bank_with(*gone, size=24), noise=0.2), size=24)
    assert said.startswith("20 of the cells counted show no cell (near x ")
    assert said.count("near x") == 3
    assert "; 2 more places)" in said


@pytest.mark.parametrize("places", [(slice(4, 5), slice(4, 7)), (slice(0, 0), slice(0, 0))], ids=["few", "none"])
def test_a_small_grain_needs_no_word(places: tuple[slice, slice]):
    assert said_of(framed(np.random.default_rng(3), bank_with(places), noise=0.2)) == []


def test_a_corner_of_a_small_bank_does_not_vouch_for_itself():
    """Every other of 4 x 4 mirrored cells is a quarter of the mean that it is compared with."""
    rng = np.random.default_rng(3)
    frame = framed(rng, bank_with((slice(0, 2), slice(0, 1)), size=4), noise=0.1)
    frame.picture[24:40, 24:32] += 2.0 * np.tile(rng.normal(0.0, 1.0, (8, 8)), (2, 1))
    with pytest.raises(NotFullError, match="at a corner"):
        said_of(frame, size=4, per_period=2)


@pytest.mark.parametrize("seed", range(4))
def test_cells_of_a_dim_corner_are_cells(seed: int):
    """In so much noise their likeness is 0.6 of the others': unlike, and cells still."""
    contrast = bank_with(size=16)
    contrast[3:7, 3:8] = 0.4
    assert said_of(framed(np.random.default_rng(seed), contrast, noise=0.65), size=16) == []


@pytest.mark.parametrize("seed", range(4))
def test_noise_alone_needs_no_word(seed: int):
    """Every place is less like the mean cell than it is with no noise, and none is odd among them."""
    frame = framed(np.random.default_rng(seed), bank_with(size=16), noise=0.9)
    assert said_of(frame, size=16) == []


def test_a_round_grain_at_a_side_and_a_bent_one_at_a_corner_are_said():
    """No rectangle is missing."""
    bent = [(slice(0, 1), slice(0, 5)), (slice(0, 5), slice(0, 1))]
    for gone, count in ((bent, 9), ([(slice(4, 8), slice(1, 3)), (slice(5, 7), slice(0, 4))], 12)):
        (said,) = said_of(framed(np.random.default_rng(3), bank_with(*gone, size=16), noise=0.2), size=16)
        assert said.startswith(f"{count} of the cells counted show no cell")


@pytest.mark.parametrize(("share", "told"), [(0.05, True), (0.2, False)])
def test_few_odd_cells_are_dust_and_many_are_content(share: float, told: bool):
    contrast = bank_with(size=20)
    odd = np.random.default_rng(6).permutation(100)[: round(400 * share)]
    # Single ones, so that none is a group.
    contrast[3:23:2, 3:23:2].flat[odd] = 0.0
    said = said_of(framed(np.random.default_rng(3), contrast, noise=0.1), size=20)
    assert (said == []) == told


@pytest.mark.parametrize("ones", [0.6, 0.7, 0.8])
def test_a_memory_that_shows_what_it_holds_is_not_taken_for_one_with_gaps(ones: float):
    """A contact in each cell that holds a 1, and none in the blank rows at the end."""
    rng = np.random.default_rng(5)
    contrast = np.pad((rng.random((24, 24)) < ones).astype(float), 3)
    contrast[23:27] = 0.0
    (said,) = said_of(framed(rng, contrast, noise=0.2), size=24)
    assert "too unlike one another to see whether any is missing" in said


@pytest.mark.parametrize("seed", range(6))
def test_where_noise_would_hide_a_missing_corner_that_is_said(seed: int):
    """Never nothing: with as much noise as cells have contrast, too."""
    said = []
    for noise in (0.4, 0.7, 1.0, 1.4, 3.0):
        frame = framed(np.random.default_rng(seed), bank_with((slice(0, 6), slice(0, 8)), size=20), noise=noise)
        try:
            said.append(" ".join(said_of(frame, size=20)))
        except NotFullError:
            said.append("refused")
    assert all("refused" in text or "show no cell" in text or "too faint" in text for text in said)
    assert said[0] == "refused"


@pytest.mark.parametrize("seed", range(4))
def test_of_a_few_faint_cells_nothing_is_known(seed: int):
    (said,) = said_of(framed(np.random.default_rng(seed), bank_with(size=4), noise=6.0), size=4)
    assert "too faint" in said
