"""A scale drawn along a known length: its value, and how much worse it is than a micrometer's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.calibration.known_length import scale_from_length
from dieplat.errors import ScaleError


def test_the_worked_span() -> None:
    """1 mm over 2000 px, ends known to 0.3 px, length to 0.5 um (k = 1): u_rel = 5.43e-4.

    Arithmetic of JCGM 100:2008, 5.1.2; here besides the unseen ratio of the axes, which acts on y alone for a line
    along x.
    """
    found = scale_from_length([[0, 0], [2000, 0]], length_um=1000.0, length_um_u=0.5, end_u_px=0.3)
    assert found.um_per_px_x == 0.5
    assert found.um_per_px_x_u / 0.5 == pytest.approx(5.43e-4, rel=2e-3)
    assert found.um_per_px_y_u / 0.5 == pytest.approx(math.hypot(5.43e-4, 3e-4), rel=2e-3)
    assert [line.name for line in found.budget][:2] == ["ends set by hand", "known length"]


@given(st.floats(0, 2 * math.pi), st.floats(50, 5000))
def test_the_direction_does_not_matter(angle: float, length_px: float) -> None:
    line = [[100.0, 100.0], [100.0 + length_px * math.cos(angle), 100.0 + length_px * math.sin(angle)]]
    found = scale_from_length(line, length_um=250.0)
    assert found.um_per_px_x == pytest.approx(250.0 / length_px, rel=1e-9)
    assert found.budget[0].u == pytest.approx(0.5 * math.sqrt(2) / length_px, rel=1e-6)


def test_draws_of_the_ends_scatter_as_stated() -> None:
    rng = np.random.default_rng(4)
    line = np.array([[0.0, 0.0], [300.0, 400.0], [700.0, 400.0]])
    drawn = [scale_from_length(line + rng.normal(0, 0.5, line.shape), length_um=450.0).um_per_px_x for _ in range(3000)]
    stated = scale_from_length(line, length_um=450.0)
    assert np.std(drawn) / stated.um_per_px_x == pytest.approx(stated.budget[0].u, rel=0.05)


@pytest.mark.parametrize(
    ("line", "length", "u"),
    [
        ([[0, 0]], 10.0, 0.0),
        ([[0, 0], [5, 0]], 10.0, 0.0),
        ([[0, 0], [math.nan, 0]], 10.0, 0.0),
        ([[0, 0], [100, 0]], 0.0, 0.0),
        ([[0, 0], [100, 0]], math.inf, 0.0),
        ([[0, 0], [100, 0]], 10.0, 5.0),
    ],
)
def test_nonsense_is_refused(line: list[list[float]], length: float, u: float) -> None:
    with pytest.raises(ScaleError):
        scale_from_length(line, length_um=length, length_um_u=u)
