"""Dies on a wafer: the closed expression, counting, and how they stand to one another."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.errors import SettingsError
from dieplat.measurement.wafer import check_wafer, dies_by_formula, dies_placed
from dieplat.values.stated import WaferPlan

BARE = WaferPlan(300.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("side_mm", "expected"),
    [
        # pi 300 (300 / 4S - 1 / sqrt(2S)), recomputed: S = 100 mm2 gives 706.86 - 66.64, S = 400 gives 176.71 - 33.32.
        (10.0, 640),
        (20.0, 143),
    ],
)
def test_the_closed_expression(side_mm, expected):
    assert dies_by_formula(side_mm * 1000, side_mm * 1000, BARE) == expected


def by_grid(width, height, plan, shift_x, shift_y):
    """Whole dies of one placement, die by die: all four corners within the usable circle."""
    px, py = width + plan.scribe_um / 1000, height + plan.scribe_um / 1000
    radius = plan.usable_mm / 2
    reach = range(-int(radius / min(px, py)) - 2, int(radius / min(px, py)) + 3)
    count = 0
    for i in reach:
        for j in reach:
            x, y = (i + shift_x) * px, (j + shift_y) * py
            corners = [(x + a * width, y + b * height) for a in (0, 1) for b in (0, 1)]
            count += all(math.hypot(*corner) <= radius + 1e-9 for corner in corners)
    return count


def test_counting_agrees_with_looking_at_every_die():
    plan = WaferPlan(100.0, 2.0, 100.0)
    best = max(by_grid(9.0, 6.0, plan, a / 16, b / 16) for a in range(16) for b in range(16))
    assert dies_placed(9000, 6000, plan) == best


@given(st.floats(1.5, 12.0), st.floats(0.6, 1.6))
def test_both_counts_agree_for_dies_that_are_small_beside_the_wafer(width_mm, aspect):
    # The expression loses half a die's diagonal all round; a good placement does a few percent better or worse.
    width, height = width_mm * 1000, width_mm * 1000 * aspect
    placed, formula = dies_placed(width, height, WaferPlan()), dies_by_formula(width, height, WaferPlan())
    side = math.sqrt(width_mm * width_mm * aspect)
    assert abs(placed - formula) <= 0.4 * math.pi * 294 / side + 2  # rim dies: circumference over side
    assert placed <= math.pi * 147**2 / (side * side)


def test_scribe_and_edge_cost_dies():
    assert dies_placed(3000, 3000, WaferPlan(300, 3, 80)) < dies_placed(3000, 3000, WaferPlan(300, 0, 0))
    assert dies_by_formula(400_000, 400_000, BARE) == dies_placed(400_000, 400_000, BARE) == 0


@pytest.mark.parametrize(
    "plan", [WaferPlan(0, 0, 0), WaferPlan(100, 50, 0), WaferPlan(300, 3, -1), WaferPlan(math.nan)]
)
def test_a_wafer_that_is_none(plan):
    with pytest.raises(SettingsError, match="wafer of"):
        check_wafer(plan)
