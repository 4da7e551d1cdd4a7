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
