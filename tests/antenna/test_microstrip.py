"""Effective permittivity and impedance of microstrip lines."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.antenna.microstrip import ACCURACY_REL, effective_permittivity, impedance_ohm
from dieplat.antenna.quarter_wave import compare_with_quarter_wave
from dieplat.errors import SettingsError


def hammerstad_1975(permittivity: float, u: float) -> float:
    """E. O. Hammerstad, 5th European Microwave Conference, 1975, 268-272, as textbooks print it."""
    narrow = 0.04 * (1 - u) ** 2 if u < 1 else 0.0
    return (permittivity + 1) / 2 + (permittivity - 1) / 2 * ((1 + 12 / u) ** -0.5 + narrow)


# Recomputed from the published formulas by another program than this one, to the digits given.
@pytest.mark.parametrize(
    ("permittivity", "u", "effective", "ohm"),
    [
        (4.4, 1.911, 3.3309, 50.04),
        (4.4, 1.0, 3.1678, 71.03),
        (4.4, 0.5, 3.0499, 95.45),
        (2.2, 3.081, 1.8812, 50.02),
        (9.9, 1.0, 6.6421, 49.05),
    ],
)
def test_lines_of_the_table(permittivity, u, effective, ohm):
    found = effective_permittivity(permittivity, width_over_height=u)
    assert found == pytest.approx(effective, abs=6e-5)
    assert impedance_ohm(found, width_over_height=u) == pytest.approx(ohm, abs=6e-3)


def test_a_worked_example_of_a_textbook():
    """D. M. Pozar, Microwave Engineering, microstrip design example (numbers from memory): permittivity 2.20 and W/h
    3.081 give 50 ohm and an effective 1.87; 90 degrees at 2.5 GHz are then 21.9 mm."""
    effective = effective_permittivity(2.20, width_over_height=3.081)
    assert effective == pytest.approx(1.87, rel=0.01)
    assert impedance_ohm(effective, width_over_height=3.081) == pytest.approx(50, abs=0.3)
    wave = compare_with_quarter_wave(21_900.0, 2.5e9, velocity_factor=1 / math.sqrt(effective))
    assert wave.ratio_to_quarter_wave == pytest.approx(1.0, abs=5e-3)


@given(st.floats(1.05, 13), st.floats(0.05, 20))
def test_another_published_formula_says_nearly_the_same(permittivity, u):
    found = effective_permittivity(permittivity, width_over_height=u)
    # The older form is good to about one per cent (common practice, no source).
    assert found == pytest.approx(hammerstad_1975(permittivity, u), rel=0.015 + ACCURACY_REL)
    assert (permittivity + 1) / 2 <= found < permittivity


def test_no_board_slows_nothing():
    assert effective_permittivity(1.0, width_over_height=2.0) == 1.0


@pytest.mark.parametrize(("permittivity", "u"), [(0.5, 1.0), (math.nan, 1.0), (4.3, 0.0), (4.3, math.inf)])
def test_outside_the_formula(permittivity, u):
    with pytest.raises(SettingsError):
        effective_permittivity(permittivity, width_over_height=u)
