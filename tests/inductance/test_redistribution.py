"""Skin and proximity effect: one decomposition against the direct solution, and against published cases."""

from __future__ import annotations

import cmath
import math
import time

import numpy as np
import pytest

from dieplat.inductance import given_geometry, lane_network, spiral_path
from dieplat.inductance.fine_network import fine_network, graded_section
from dieplat.inductance.path import Section
from dieplat.inductance.redistribution import Redistribution
from dieplat.inductance.resistance_q import skin_depth_um

COPPER = 1.7241e-8
FREQUENCIES = np.array([1e3, 1e8, 1e9, 3e9, 1e10])


def test_one_decomposition_gives_what_solving_at_every_frequency_gives():
    path = spiral_path(given_geometry("octagon", 2.5, 160, 8, 2))
    network = lane_network(path, 8, 2, across=6, deep=2)
    direct = [network.impedance_ohm(f, COPPER) for f in FREQUENCIES]
    # Both are the same algebra; rounding of a condition number near 1e4 remains.
    assert Redistribution.of(network).impedance_ohm(FREQUENCIES, COPPER) == pytest.approx(direct, rel=1e-9)


def test_resistance_rises_and_inductance_falls_with_frequency():
    path = spiral_path(given_geometry("square", 3, 200, 8, 2))
    network = fine_network(path, 8, 2, graded_section(6, 3))
    frequency = np.geomspace(1e6, 1e11, 60)
    z = Redistribution.of(network).impedance_ohm(frequency, COPPER)
    # Foster's form of a passive network with one kind of store: both are monotone.
    assert np.all(np.diff(z.real) > 0)
    assert np.all(np.diff(z.imag / frequency) < 0)
    # At the ends: shared by resistance, and by inductance alone.
    assert z.imag[0] / (2e-9 * math.pi * frequency[0]) == pytest.approx(network.shared("dc"), rel=1e-4)
    assert z.imag[-1] / (2e-9 * math.pi * frequency[-1]) == pytest.approx(network.shared("hf"), rel=2e-3)


def test_far_pieces_from_three_lanes_are_as_good_as_all():
    path = spiral_path(given_geometry("octagon", 3, 250, 10, 2))
    for ground in (None, 12.0):
        full = lane_network(path, 10, 2, across=6, deep=2, ground_depth_um=ground)
        quick = fine_network(path, 10, 2, Section.grid(6, 2), ground_depth_um=ground)
        # 2e-4 of the coil in free space (3.33 nH), also where its image takes half of that away.
        assert quick.shared() == pytest.approx(full.shared(), abs=2e-4 * 3.33)
        a, b = (Redistribution.of(n).impedance_ohm(FREQUENCIES, COPPER) for n in (full, quick))
        # What is interpolated (1e-3 of ln distance) is a small part of the field that crowds the current.
        assert b.real == pytest.approx(a.real, rel=5e-3)
        assert b.imag == pytest.approx(a.imag, rel=1e-3)


def test_lanes_that_narrow_towards_the_edges_do_with_a_sixth_of_them():
    path = spiral_path(given_geometry("square", 1.5, 120, 10, 3))
    even = lane_network(path, 10, 2, across=30, deep=4)
    graded = fine_network(path, 10, 2, graded_section(6, 3))
    a, b = (Redistribution.of(n).impedance_ohm(FREQUENCIES, COPPER) for n in (even, graded))
    # 18 lanes against 120: 3 % at 10 GHz, where the skin depth is 0.66 um.
    assert b.real == pytest.approx(a.real, rel=3e-2)
    assert b.imag == pytest.approx(a.imag, rel=3e-3)


@pytest.mark.parametrize("ratio", [1.0, 2.0, 3.0])
def test_skin_effect_of_a_wide_strip_over_ground(ratio):
    """A plate with the field on one side: Z = (1 + j) rho / d coth((1 + j) t / d) a square.

    S. Ramo, J. R. Whinnery, T. Van Duzer, Fields and Waves in Communication Electronics; from memory.
    """
    t, rho = 4.0, 1.678e-8
    frequency = rho / (math.pi * 4e-7 * math.pi * (t / ratio * 1e-6) ** 2)
    assert skin_depth_um(rho, frequency) == pytest.approx(t / ratio)

    def relative(width):
        line = np.array([[0, 0], [100 * width, 0]])
        network = fine_network(line, width, t, graded_section(1, 12), ground_depth_um=3.0)
        return Redistribution.of(network).impedance_ohm(np.array([frequency]), rho)[0].real / (rho * 1e6 * 100 / t)

    argument = (1 + 1j) * ratio
    plate = (argument * cmath.cosh(argument) / cmath.sinh(argument)).real
    # The far side's field goes as 1 / width: extrapolated. 12 graded lanes are 0.27 to 1 um wide.
    assert 2 * relative(1400.0) - relative(700.0) == pytest.approx(plate, rel=1.5e-2)


def test_proximity_of_two_opposite_strips_grows_as_the_square_of_frequency():
    """At low frequency the added loss of eddy currents goes as f^2 (common practice, no source)."""
    path = spiral_path(given_geometry("square", 3, 200, 8, 2))
    z = Redistribution.of(fine_network(path, 8, 2, graded_section(8, 2))).impedance_ohm(
        np.array([1e3, 5e7, 1e8]), COPPER
    )
    added = z.real - z.real[0]
    assert added[2] / added[1] == pytest.approx(4.0, rel=1e-2)


def test_a_metal_of_twice_the_resistivity_needs_twice_the_frequency():
    """Z / rho depends on f / rho alone (similarity of the diffusion equation)."""
    network = fine_network(spiral_path(given_geometry("square", 2, 150, 8, 3)), 8, 2, graded_section(6, 2))
    modes = Redistribution.of(network)
    once, twice = modes.impedance_ohm(FREQUENCIES, COPPER), modes.impedance_ohm(2 * FREQUENCIES, 2 * COPPER)
    assert twice == pytest.approx(2 * once, rel=1e-12)


def test_eighteen_lanes_of_five_octagonal_turns_take_under_a_second():
    path = spiral_path(given_geometry("octagon", 5, 350, 10, 3))
    times = []
    for _ in range(2):
        start = time.process_time()
        Redistribution.of(fine_network(path, 10, 2, graded_section(6, 3))).impedance_ohm(
            np.geomspace(1e8, 1e10, 60), COPPER
        )
        times.append(time.process_time() - start)
    assert min(times) < 1.0
