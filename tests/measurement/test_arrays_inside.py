"""Columns times rows count cells only where a bank is a full rectangle of them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import shapely
from array_pictures import Recipe, draw, framed

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_inside import NotFullError, said_of_unseen, unseen_inside

PLAIN = Recipe(pitch_x=9.3, pitch_y=10.4, columns=(14,), rows=(12,), margin_px=1.0, noise=2.0)
BANK = [(24.0, 24.0, 88.0, 88.0)]
"""Eight by eight cells of `framed`."""


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
    """All such corners were once counted as cells, without a word: the rest repeats in columns and in rows."""
    picture, outline = draw(PLAIN)
    with pytest.raises(UndecidedError, match="from side to side, show no cell"):
        measure_array(drivers(picture, columns, rows), outline)


@pytest.mark.parametrize("there", [True, False])
def test_an_outline_around_an_l_is_refused_with_what_to_draw(there: bool):
    """Whether or not there are cells where it leaves them out."""
    picture, outline = draw(PLAIN)
    picture = picture if there else drivers(picture, 4, 3)
    with pytest.raises(UndecidedError, match="draw each rectangular part as an array of its own"):
        measure_array(picture, without_corner(outline, 4, 3))


def test_a_window_that_is_not_counted_may_leave_cells_out():
    picture, outline = draw(PLAIN)
    notched = without_corner(outline, 4, 3)
    assert measure_array(picture, notched, counted=False).pitch_x_px == pytest.approx(PLAIN.pitch_x, rel=1e-3)


def test_a_grain_of_dust_within_is_said_and_its_cells_count():
    picture, outline = draw(PLAIN)
    x, y = corner_of(6, 5)
    cv2.circle(picture, (x, y), 14, 30.0, -1)
    found = measure_array(picture, outline)
    assert found.cells == 14 * 12
    assert any("of the cells counted show no cell" in remark for remark in found.remarks)


def test_a_full_bank_needs_no_word():
    found = measure_array(*draw(PLAIN))
    assert found.cells == 14 * 12
    assert found.remarks == ()


def bank_with(*gone: tuple[slice, slice]) -> np.ndarray:
    """The contrast of cells on the places of `framed`, 1 in the bank but where there are none."""
    contrast = np.zeros((14, 14))
    contrast[3:11, 3:11] = 1.0
    for places in gone:
        contrast[3:11, 3:11][places] = 0.0
    return contrast


@pytest.mark.parametrize("noise", [0.05, 0.4])
@pytest.mark.parametrize(
    ("places", "shown"),
    [
        ((slice(0, 2), slice(0, 3)), None),
        ((slice(6, 8), slice(6, 8)), None),
        ((slice(3, 5), slice(0, 8)), None),
        ((slice(0, 8), slice(2, 5)), None),
        ((slice(3, 5), slice(0, 3)), 6),
        ((slice(2, 5), slice(3, 5)), 6),
        ((slice(0, 1), slice(0, 5)), 5),
        ((slice(4, 5), slice(4, 7)), 0),
        ((slice(0, 0), slice(0, 0)), 0),
    ],
    ids=["corner", "last corner", "across", "down", "side", "middle", "thin", "few", "none"],
)
def test_where_no_cells_are_seen_decides(places: tuple[slice, slice], shown: int | None, noise: float):
    """A corner, or a strip from side to side, makes no full rectangle; what lies over cells is said."""
    frame = framed(np.random.default_rng(3), bank_with(places), noise=noise)
    if shown is None:
        with pytest.raises(NotFullError):
            unseen_inside(frame, BANK, (8, 8))
    else:
        assert unseen_inside(frame, BANK, (8, 8)) == shown


@pytest.mark.parametrize("seed", range(6))
def test_noise_hides_cells_but_makes_no_gaps(seed: int):
    frame = framed(np.random.default_rng(seed), bank_with(), noise=3.0)
    assert unseen_inside(frame, BANK, (8, 8)) == 0


def test_nothing_is_said_of_nothing():
    assert said_of_unseen(0) == []


def test_cells_that_hold_something_else_are_cells():
    """In a read-only memory a corner of cells may differ from most in a contact each."""
    frame = framed(np.random.default_rng(3), bank_with(), noise=0.05)
    contact = np.random.default_rng(4).normal(0.0, 1.0, (8, 8))
    frame.picture[24:48, 24:56] += np.kron(np.ones((3, 4)), contact)
    assert unseen_inside(frame, BANK, (8, 8)) == 0
