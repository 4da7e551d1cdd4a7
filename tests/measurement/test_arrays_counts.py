"""Counts of banks by their edges and their neighbours; lengths in cells of ten samples."""

from __future__ import annotations

import numpy as np
import pytest

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_banks import Extent
from dieplat.measurement.arrays_cell import refuse_stripes
from dieplat.measurement.arrays_counts import counts


def bank(start: tuple[float, float], stop: tuple[float, float], *, cut: bool = False) -> Extent:
    """A bank whose first and last edge lie between these places, in cells."""
    (a, b), (c, d) = start, stop
    return Extent((10 * a, 10 * b), (10 * c, 10 * d), cut, False)


SURE = bank((2.0, 2.2), (22.0, 22.2))
OPEN = bank((24.0, 24.2), (44.36, 44.58))


def test_an_unclear_bank_holds_as_many_as_its_neighbours() -> None:
    """Its edges say 20.16 to 20.58 cells: 0.16 off 20, 0.42 off 21."""
    (one, _, nothing), (other, _, remark) = counts([SURE, OPEN], 10.0, "x")
    assert (one, other) == (20, 20)
    assert nothing is None
    assert "as many as all others hold" in remark


def test_a_bank_whose_end_looks_like_its_gap_holds_as_many_as_its_neighbours() -> None:
    """20.58 to 21.94 cells: 21 and 22 both fit, and the middle lies nearer the wrong one."""
    wide, sure = bank((3.76, 4.84), (25.42, 25.70)), bank((26.9, 27.1), (48.6, 49.1))
    assert [one[0] for one in counts([wide, sure], 10.0, "x")] == [22, 22]
    with pytest.raises(UndecidedError, match="look like its gaps, so it holds 21 or 22"):
        counts([wide], 10.0, "x")


def test_a_whole_number_that_is_only_just_missed_is_a_rival() -> None:
    """32.98 to 33.84 cells: 33 fits and 34 is missed by 0.16, but the middle lies between them (seed 11404 of
    bench/array_figures.py with pitch 2 to 4 px has 34)."""
    wide = bank((6.96, 7.74), (40.72, 40.80))
    with pytest.raises(UndecidedError, match="33 or 34"):
        counts([wide, wide], 10.0, "x")


@pytest.mark.parametrize(
    "banks",
    [
        [OPEN],
        [OPEN, OPEN],
        [SURE, bank((24.0, 24.2), (44.45, 44.66))],
        [SURE, bank((24.0, 24.2), (44.36, 44.58), cut=True)],
        [SURE, bank((46.0, 46.2), (67.0, 67.2)), OPEN],
        [bank((2.0, 2.2), (21.0, 21.2)), OPEN],
    ],
    ids=["alone", "none is sure", "too far off", "cut by the outline", "neighbours differ", "neighbours hold 19"],
)
def test_what_the_neighbours_do_not_settle_is_refused(banks: list[Extent]) -> None:
    with pytest.raises(UndecidedError, match="not a whole number"):
        counts(banks, 10.0, "x")


@pytest.mark.parametrize(("slant", "refused"), [(1, True), (0, False)])
def test_one_wave_aslant_is_no_lattice_of_cells(slant: int, refused: bool) -> None:
    y, x = np.mgrid[:24, :24] / 24
    period = (np.cos(2 * np.pi * (x + slant * y)) + 0.2 * np.cos(2 * np.pi * y)).astype(np.float32)
    if refused:
        with pytest.raises(UndecidedError, match="slanting stripes"):
            refuse_stripes(period)
    else:
        refuse_stripes(period)
