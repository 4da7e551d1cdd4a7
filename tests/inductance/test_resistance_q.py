"""Resistance, skin depth, tuning and Q against handbook values and the textbook plate."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from dieplat.errors import SettingsError
from dieplat.inductance import lane_network
from dieplat.inductance.resistance_q import (
    METALS,
    quality_factor,
    resonance_hz,
    series_resistance_ohm,
    sheet_resistance_ohm,
    skin_depth_um,
    surface_resistance_ohm,
    tuning_capacitance_pf,
)

# Skin depth sqrt(rho / (pi f mu)) in um at 1, 2.45, 5.5 and 10 GHz; surface resistance at 1 GHz in mohm/sq;
# recomputed from the formula apart from this package.
DEPTHS = [
    (1.678e-8, (2.0617, 1.3171, 0.8791, 0.6520), 8.139),
    (1.7241e-8, (2.0898, 1.3351, 0.8911, 0.6609), 8.250),
    (2.65e-8, (2.5909, 1.6552, 1.1047, 0.8193), 10.228),
    (2.82e-8, (2.6727, 1.7075, 1.1396, 0.8452), 10.551),
    (2.214e-8, (2.3681, 1.5130, 1.0098, 0.7489), 9.349),
]


@pytest.mark.parametrize(("rho", "depths", "surface"), DEPTHS)
def test_skin_depth(rho, depths, surface):
    for frequency, depth in zip((1e9, 2.45e9, 5.5e9, 10e9), depths, strict=True):
        assert skin_depth_um(rho, frequency) == pytest.approx(depth, abs=6e-5)
    assert 1e3 * surface_resistance_ohm(rho, 1e9) == pytest.approx(surface, abs=6e-4)


def test_copper_at_mains_frequency():
    # Common tables: about 8.5 mm at 60 Hz.
    assert skin_depth_um(METALS["cu-annealed"].resistivity_ohm_m, 60) == pytest.approx(8530, abs=6)


def test_annealed_copper_is_the_iacs_standard():
    # IEC 60028 (from memory): 5.80e7 S/m.
    assert 1 / METALS["cu-annealed"].resistivity_ohm_m == pytest.approx(5.80e7, rel=1e-4)


@pytest.mark.parametrize(
    ("metal", "t", "milliohm"),
    [("al", 1, 26.5), ("al", 0.5, 53), ("al-film", 2, 14.1), ("cu", 3, 5.59), ("cu", 35, 0.48)],
)
def test_sheet_resistance(metal, t, milliohm):
    sheet = sheet_resistance_ohm(METALS[metal].resistivity_ohm_m, t)
    assert 1e3 * sheet == pytest.approx(milliohm, rel=2e-3)


def test_resonance_and_tuning():
    # Recomputed from f = 1 / (2 pi sqrt(L C)) apart from this package.
    assert resonance_hz(1, 1) == pytest.approx(5.032921e9, abs=600)
    assert resonance_hz(1, 4.2) == pytest.approx(2.455814e9, abs=600)
    assert tuning_capacitance_pf(2, 2441.75e6) == pytest.approx(2.12426, abs=6e-6)
    assert resonance_hz(3.3, tuning_capacitance_pf(3.3, 1.9e9)) == pytest.approx(1.9e9)


def test_quality_factor_is_reactance_over_resistance():
    assert quality_factor(1.0, 2.0, 1e9) == pytest.approx(math.pi)


def test_low_frequency_resistance_is_squares_times_sheet():
    rho = METALS["al"].resistivity_ohm_m
    line = np.array([[0, 0], [500.0, 0]])
    resistance = lane_network(line, 10, 2, across=10, deep=2).impedance_ohm(1e3, rho).real
    assert resistance == pytest.approx(series_resistance_ohm(500, 10, sheet_resistance_ohm(rho, 2)), rel=1e-9)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0, 3.0])
def test_skin_effect_of_a_wide_strip_over_ground(ratio):
    """A plate with the field on one side: Z = (1 + j) rho / d coth((1 + j) t / d) a square.

    S. Ramo, J. R. Whinnery, T. Van Duzer, Fields and Waves in Communication Electronics; from memory.
    """
    t, rho = 4.0, 1.678e-8
    depth = t / ratio
    frequency = rho / (math.pi * 4e-7 * math.pi * (depth * 1e-6) ** 2)
    assert skin_depth_um(rho, frequency) == pytest.approx(depth)

    def relative(w):
        line = np.array([[0, 0], [100 * w, 0]])
        network = lane_network(line, w, t, across=1, deep=24, ground_depth_um=3.0)
        return network.impedance_ohm(frequency, rho).real / (rho * 1e6 * 100 / t)

    argument = (1 + 1j) * ratio
    plate = (argument * cmath.cosh(argument) / cmath.sinh(argument)).real
    # The field on the far side of a strip of finite width goes as 1 / w, up to a logarithm: extrapolated.
    # Lanes of t / 24 make a profile of steps, (ratio / 24)^2 / 3 = 0.5 %, and as much for the logarithm.
    assert 2 * relative(1400.0) - relative(700.0) == pytest.approx(plate, rel=1e-2)


@pytest.mark.parametrize("frequency", [0.0, -1.0, math.nan, math.inf])
def test_impossible_frequencies_are_refused(frequency):
    with pytest.raises(SettingsError, match="frequency"):
        tuning_capacitance_pf(1.0, frequency)
