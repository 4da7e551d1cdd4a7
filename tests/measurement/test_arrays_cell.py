"""One cell or two mirrored ones: what the mean period says beside how well it is known."""

import numpy as np
import pytest

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_cell import Periods, cells_a_period, refuse_leaning

X = (np.arange(24) + 0.5) / 24


def lopsided(share):
    """A wave with its own mirror axis, and `share` of its second harmonic that has another: (4, 24)."""
    period = np.cos(2 * np.pi * X) + share * np.sin(4 * np.pi * X)
    return np.tile(period, (4, 1)).astype(np.float32)


def decide(share, steady, period_px=6.66, low=None, low_steady=None):
    whole = lopsided(share)
    low = whole if low is None else low
    found = Periods(whole, steady, low, steady if low_steady is None else low_steady)
    return cells_a_period(found, period_px, [(11.7, 12.1)], "y")


@pytest.mark.parametrize("period_px", [4.6, 6.66, 7.8])
def test_lopsided_by_more_than_chance_is_a_cell_and_less_is_left_open(period_px):
    """The second harmonic's power, 0.09^2 of the first, is what the likeness lacks: 1.6 %."""
    cells, remark = decide(0.09, 0.9998, period_px)
    assert cells == 1
    assert remark is not None
    with pytest.raises(UndecidedError, match="mirror image"):
        decide(0.09, 0.9940, period_px)


def test_low_orders_that_are_not_there_do_not_make_a_period_symmetric():
    rng = np.random.default_rng(5)
    whole = rng.normal(size=(4, 24)).astype(np.float32)
    empty = np.zeros((4, 24), np.float32)
    assert cells_a_period(Periods(whole, 0.994, empty, 0.0), 7.46, [(9.8, 10.2)], "y") == (1, None)


@pytest.mark.parametrize("angle_deg", [0.0, 2.9, -2.9])
def test_turned_periods_are_along_their_axes(angle_deg):
    turn = np.deg2rad(angle_deg)
    refuse_leaning(np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) * (2.6, 7.0))


def test_periods_of_folded_cells_run_aslant_and_are_refused():
    """Seed 8035 of bench/array_figures.py: cells of 2.62 x 2.33 px seemed to repeat along (2.68, 6.97) px."""
    with pytest.raises(UndecidedError, match="along rows and columns"):
        refuse_leaning(np.array([[2.62, 2.68], [-0.02, 6.97]]))


def coloured(moved_px, steady=0.99, period_px=9.5, grey=None):
    """A grey wave that is its own mirror image, and the same in a colour, moved by so much."""
    grey = np.tile(np.cos(2 * np.pi * X), (4, 1)).astype(np.float32) if grey is None else grey
    colour = np.tile(np.cos(2 * np.pi * (X - moved_px / period_px)), (4, 1)).astype(np.float32)
    found = Periods(grey, 0.999, grey, 0.999, ((colour, steady),))
    return cells_a_period(found, period_px, [(11.7, 12.1)], "x")


def test_a_colour_beside_the_grey_tells_one_cell():
    """Red contacts to the left and green gates to the right of a cell are not mirrored in the next one."""
    assert coloured(1.5) == (1, None)
    assert coloured(1.5, period_px=6.5) == (1, None)
    with pytest.raises(UndecidedError, match="mirror image"):
        coloured(0.0)


def test_a_colour_moved_by_the_lens_or_hardly_seen_tells_nothing():
    for told in ({"moved_px": 0.25}, {"moved_px": 1.5, "steady": 0.85}, {"moved_px": 1.5, "period_px": 5.8}):
        with pytest.raises(UndecidedError, match="mirror image"):
            coloured(**told)


def test_a_pair_in_grey_that_is_none_in_colour_is_refused():
    pair = np.tile(np.cos(4 * np.pi * X) + 0.75 * np.cos(2 * np.pi * X), (4, 1)).astype(np.float32)
    assert coloured(0.0, grey=pair) == (2, None)
    with pytest.raises(UndecidedError, match="mirror image"):
        coloured(1.5, grey=pair)
