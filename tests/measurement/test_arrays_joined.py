"""Banks that touch are one; gaps too narrow to tell are refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.errors import UndecidedError
from dieplat.measurement.arrays_joined import PlacedBank, joined, said_of_sizes, said_of_steps


def test_a_bank_seen_in_parts_is_joined_along_either_axis():
    parts = [
        PlacedBank(0.1, 0.0, 10, 6),
        PlacedBank(0.0, 6.2, 10, 4),
        PlacedBank(12.5, 0.0, 3, 10),
        PlacedBank(15.4, 0.1, 7, 10),
    ]
    assert joined(parts) == [PlacedBank(0.0, 0.0, 10, 10), PlacedBank(12.5, 0.0, 10, 10)]


def test_banks_with_a_strap_stay_apart():
    parts = [PlacedBank(0.0, 0.0, 10, 6), PlacedBank(0.0, 7.2, 10, 6)]
    assert joined(parts) == parts


@pytest.mark.parametrize("gap", [-1.0, 0.5])
def test_what_cannot_be_told_is_refused(gap: float):
    with pytest.raises(UndecidedError, match="told apart"):
        joined([PlacedBank(0.0, 0.0, 10, 6), PlacedBank(0.0, 6 + gap, 10, 6)])


def test_a_narrow_strap_that_is_seen_parts_banks():
    """Edges may lie 0.1 cells beyond where they are placed: half a cell between them is surely no cell."""
    left = PlacedBank(0.0, 0.0, 4, 8, reach=(-0.1, -0.1, 4.1, 8.1))
    right = PlacedBank(4.65, 0.0, 4, 8, reach=(4.6, -0.1, 8.8, 8.1))
    assert joined([left, right]) == [left, right]
    # Where either may end anywhere in the gap, nothing is seen of it.
    with pytest.raises(UndecidedError, match="told apart"):
        joined([left, PlacedBank(4.65, 0.0, 4, 8, reach=(4.3, -0.1, 8.8, 8.1))])


@pytest.mark.parametrize(("step", "believed"), [(0.6, True), (-2.4, True), (0.0, False), (0.1, False), (0.2, False)])
@pytest.mark.parametrize("swapped", [False, True])
def test_patterns_out_of_step_part_banks_at_a_gap_hardly_seen(step: float, believed: bool, swapped: bool):
    """The gap of 0.6 cells is placed by edges that may lie so far that 0.2 are left; 0.6 is what the patterns say
    where they are moved by that, and 0.2 contradicts it."""
    upper = PlacedBank(0.0, 0.0, 10, 6, (-0.2, -0.2, 10.2, 6.2), (0.3, 0.7))
    lower = PlacedBank(0.0, 6.6, 10, 6, (-0.2, 6.4, 10.2, 12.8), (0.3, 0.7 + step))
    banks = [lower, upper] if swapped else [upper, lower]
    if believed:
        assert joined(banks) == [upper, lower]
    else:
        with pytest.raises(UndecidedError, match="told apart"):
            joined(banks)


def test_patterns_out_of_step_do_not_part_what_may_touch():
    upper = PlacedBank(0.0, 0.0, 10, 6, (-0.2, -0.2, 10.2, 6.3), (0.0, 0.0))
    lower = PlacedBank(0.0, 6.6, 10, 6, (-0.2, 6.25, 10.2, 12.8), (0.0, 0.6))
    with pytest.raises(UndecidedError, match="told apart"):
        joined([upper, lower])


def test_parts_that_are_joined_reach_as_far_as_both():
    parts = [PlacedBank(0.0, 0.0, 10, 6, (-0.2, 0, 10.2, 6.2)), PlacedBank(0.1, 6.1, 10, 4, (0, 5.9, 10.3, 10.4))]
    assert joined(parts)[0].reach == (-0.2, 0, 10.3, 10.4)


@pytest.mark.parametrize(("columns", "rows", "right"), [(11, 6, False), (10, 7, True), (10, 5, False), (9, 6, True)])
def test_neighbours_that_differ_by_one_cell_are_refused(columns: int, rows: int, right: bool):
    place = (12.0, 0.0) if right else (0.0, 8.0)
    with pytest.raises(UndecidedError, match="miscounted"):
        joined([PlacedBank(0.0, 0.0, 10, 6), PlacedBank(*place, columns, rows)])


def test_banks_that_the_polygon_cuts_may_differ_by_one():
    left, right = (PlacedBank(x, 0.0, columns, 6, cut=(True, False)) for x, columns in ((0.0, 10), (12.0, 11)))
    assert joined([left, right]) == [left, right]
    # Along y neither is cut.
    with pytest.raises(UndecidedError, match="6 and 7 rows"):
        joined([left, replace(right, rows=7)])


def test_a_window_s_banks_are_not_compared():
    parts = [PlacedBank(0.0, 0.0, 10, 6), PlacedBank(12.0, 0.0, 11, 6)]
    assert joined(parts, counted=False) == parts


def test_banks_of_plainly_unlike_size_stand():
    parts = [PlacedBank(0.0, 0.0, 10, 6), PlacedBank(0.0, 8.0, 16, 6)]
    assert joined(parts) == parts


@given(
    st.lists(st.integers(2, 9), min_size=1, max_size=5),
    st.lists(st.integers(2, 9), min_size=1, max_size=5),
    st.randoms(use_true_random=False),
)
def test_a_bank_cut_anywhere_comes_back_whole(columns: list[int], rows: list[int], rng):
    """Cut into a grid of parts, in any order: the same bank, and no cell lost."""
    parts = [
        PlacedBank(float(sum(columns[:i])), float(sum(rows[:j])), columns[i], rows[j])
        for i in range(len(columns))
        for j in range(len(rows))
    ]
    rng.shuffle(parts)
    assert joined(parts) == [PlacedBank(0.0, 0.0, sum(columns), sum(rows))]


@pytest.mark.parametrize(("gap", "step", "hidden"), [(2.0, 3.0, True), (2.0, 3.03, False), (4.0, 0.0, False)])
def test_parts_in_step_a_few_cells_apart_are_not_taken_for_banks(gap: float, step: float, hidden: bool):
    """Under a hair two cells wide a bank of eleven leaves three columns and six; straps are hardly ever in step."""
    parts = [
        PlacedBank(0.0, 0.0, 11, 8, step=(0.0, 0.0)),
        PlacedBank(15.4, 0.0, 3, 8, step=(0.4, 0.0)),
        PlacedBank(18.4 + gap, 0.0, 6, 8, step=(0.4 + step, 0.0)),
    ]
    if hidden:
        with pytest.raises(UndecidedError, match="in step just 2 cells apart"):
            joined(parts)
    else:
        assert joined(parts) == parts


def test_equal_banks_may_be_whole_cells_apart():
    parts = [PlacedBank(0.0, 0.0, 6, 8, step=(0.0, 0.0)), PlacedBank(8.0, 0.0, 6, 8, step=(2.0, 0.0))]
    assert joined(parts) == parts
    (said,) = said_of_steps(parts)
    assert "just 2 columns apart" in said
    assert "something covers cells" in said


@pytest.mark.parametrize("gap", [1.27 + 2.01, 1.27])
def test_a_bank_that_lacks_what_its_gap_has_more_is_refused(gap: float):
    """Under a hair along a strap two columns of four are gone; without, banks of unlike size are only said."""
    lefts = np.cumsum([0.0, 4 + 1.27, 2 + gap])
    parts = [PlacedBank(left, 0.0, columns, 10) for left, columns in zip(lefts, (4, 2, 4), strict=True)]
    if gap > 3.0:
        with pytest.raises(UndecidedError, match="2 cells fewer than the others, and the gap beside it is wider"):
            joined(parts)
    else:
        assert joined(parts) == parts
        assert "hold 2 and 4 columns" in said_of_sizes(parts)[0]


def test_banks_of_one_size_need_no_word_on_it():
    assert said_of_sizes([PlacedBank(0.0, 0.0, 4, 10), PlacedBank(5.3, 0.0, 4, 10), PlacedBank(0.0, 12.0, 16, 4)]) == []


def test_straps_of_parts_of_cells_need_no_word():
    """Under a hair cells stay in step; those beside a strap need not be."""
    parts = [PlacedBank(0.0, 0.0, 6, 8, step=(0.0, 0.0)), PlacedBank(0.0, 9.3, 6, 8, step=(0.0, 0.3))]
    assert joined(parts) == parts
    assert said_of_steps(parts) == []


def test_straps_of_whole_cells_part_unequal_banks_too():
    """A hair does not lie twice just as far from bank to bank."""
    parts = [
        PlacedBank(0.0, 0.0, 16, 8, step=(0.0, 0.0)),
        PlacedBank(18.0, 0.0, 16, 8, step=(0.0, 0.0)),
        PlacedBank(36.0, 0.0, 8, 8, step=(0.0, 0.0)),
    ]
    assert joined(parts) == parts


def test_parts_that_make_up_a_bank_like_the_others_are_refused():
    """Straps of whole cells, and a hair that leaves four columns and one of six."""
    parts = [PlacedBank(left, 0.0, columns, 8, step=(0.0, 0.0)) for left, columns in [(0, 6), (7, 6), (14, 4), (19, 1)]]
    with pytest.raises(UndecidedError, match="in step just 1 cell apart"):
        joined(parts)
