"""Grid and order as a person would read them off the names."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.tiles.names import capture_order, grid_from_names, natural_key


@pytest.mark.parametrize(
    "pattern",
    [
        "r{r:02d}_c{c:02d}",
        "row{r}-col{c}",
        "Row {r} Column {c}",
        "y{r:03d}_x{c:03d}",
        "x{c:03d}_y{r:03d}",
        "R{r}C{c}",
        "die7_50x_r{r}_c{c}",
        "X{c}00_Y{r}50",
        "tile_{r}_{c}",
        "2026-11-05 chip {r:03d}x{c:03d}",
    ],
)
def test_patterns(pattern: str) -> None:
    places = [(r, c) for r in range(3) for c in range(4) if (r, c) != (1, 2)]
    stems = [pattern.format(r=r + 1, c=c + 1) for r, c in places]
    grid = grid_from_names(stems)
    assert grid is not None
    assert (grid.rows, grid.columns) == (3, 4)
    assert grid.places == places


def test_an_empty_row_is_kept_as_a_gap() -> None:
    grid = grid_from_names(["r0_c0", "r0_c1", "r2_c0", "r2_c1"])
    assert grid is not None
    assert (grid.rows, grid.columns) == (3, 2)


def test_a_stage_step_is_divided_out() -> None:
    grid = grid_from_names(["x12400_y0300", "x12800_y0300", "x12400_y0650", "x12800_y0650"])
    assert grid is not None
    assert grid.places == [(0, 0), (0, 1), (1, 0), (1, 1)]


def test_a_name_without_a_place_among_many_with_one() -> None:
    grid = grid_from_names(["r0_c0", "r0_c1", "overview"])
    assert grid is not None
    assert grid.places == [(0, 0), (0, 1), None]


@pytest.mark.parametrize(
    "stems",
    [
        ["IMG_0001", "IMG_0002", "IMG_0003", "IMG_0004"],
        ["IMG_2024_0001", "IMG_2024_0002", "IMG_2024_0003"],
        ["run1_0001", "run1_0002", "run2_0003", "run2_0004"],
        ["10x_001_r1", "10x_002_r1", "10x_003_r1"],
        ["20240101_120101", "20240101_120103", "20240102_120107"],
        ["left", "right"],
    ],
)
def test_names_that_tell_no_grid(stems: list[str]) -> None:
    assert grid_from_names(stems) is None


def test_natural_order() -> None:
    names = ["img10.jpg", "img9.jpg", "IMG1.jpg", "img09.jpg"]
    assert sorted(names, key=natural_key) == ["IMG1.jpg", "img09.jpg", "img9.jpg", "img10.jpg"]


@given(st.lists(st.text(max_size=8), max_size=8))
def test_any_names_can_be_sorted_and_read(names: list[str]) -> None:
    ordered = sorted(names, key=natural_key)
    backwards = names[::-1]
    assert sorted(backwards, key=natural_key) == ordered
    grid = grid_from_names(ordered)
    assert grid is None or len(grid.places) == len(names)
    assert len(capture_order(ordered)) == len(names)


def test_capture_order_keeps_gaps_of_lost_pictures_only() -> None:
    assert capture_order(["a_0003", "a_0004", "a_0006"]) == [0, 1, 3]
    assert capture_order(["120001", "120512", "121033"]) == [0, 1, 2]
    assert capture_order(["left", "right"]) == [0, 1]
