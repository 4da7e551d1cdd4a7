"""The angle between camera and stage."""

from __future__ import annotations

import numpy as np
import pytest

from dieplat.registration.turn import stage_turn

CELLS = [(row, column) for row in range(4) for column in range(5)]


def places(turn_deg: float, scatter_px: float, seed: int, skew_deg: float = 0.0) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    first, second = np.radians(turn_deg), np.radians(turn_deg + skew_deg)
    across, down = 640 * np.array([np.cos(first), np.sin(first)]), 480 * np.array([-np.sin(second), np.cos(second)])
    backlash = [np.array([3.0, 0.0]) * (-1) ** row for row, _ in CELLS]
    found = [c * across + r * down + lag + rng.normal(0, scatter_px, 2) for (r, c), lag in zip(CELLS, backlash)]  # noqa: B905
    return [(float(x), float(y)) for x, y in found]


@pytest.mark.parametrize("turn_deg", [0.25, -3.0])
def test_an_exact_stage_tells_its_turn(turn_deg: float) -> None:
    found = stage_turn(CELLS, places(turn_deg, 0.0, 0))
    assert found is not None
    assert found[0] == pytest.approx(turn_deg, abs=1e-9)


def test_the_uncertainty_covers_the_turn() -> None:
    z = []
    for seed in range(60):
        found = stage_turn(CELLS, places(0.25, 4.0, seed))
        assert found is not None
        z.append((found[0] - 0.25) / found[1])
    # Sixty draws of a standard variable: their root mean square scatters by 9 %, of which three are allowed.
    assert 0.73 < np.sqrt(np.mean(np.square(z))) < 1.27


def test_axes_that_are_not_square_are_uncertain_by_that() -> None:
    found = stage_turn(CELLS, places(0.2, 0.01, 1, skew_deg=0.2))
    assert found is not None
    assert abs(found[0] - 0.3) < 0.11
    assert found[1] == pytest.approx(0.1, rel=0.05)


def test_a_single_row_does_not_tell() -> None:
    assert stage_turn([(0, c) for c in range(8)], [(640.0 * c, 0.0) for c in range(8)]) is None
