"""Eddy currents in the substrate: a plane's image at one end, the loss of the induced field at the other."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ellipe, ellipk, j1

from dieplat.inductance import given_geometry
from dieplat.inductance.eddy import equivalent_rings, substrate_skin_depth_um, taken_by_substrate_nh
from dieplat.inductance.resistance_q import skin_depth_um

MU0 = 4e-7 * math.pi
ONE = np.ones(1)


def test_a_good_conductor_is_a_plane():
    """The mirrored ring: J. C. Maxwell, Treatise (1873), art. 701: M = mu0 a ((2/k - k) K - 2/k E)."""
    a, h = 80.0, 20.0
    m = 4 * a * a / (4 * a * a + 4 * h * h)
    k = math.sqrt(m)
    mirrored = 4e-4 * math.pi * a * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m))
    found = complex(taken_by_substrate_nh(a * ONE, ONE, h, np.array([1e-4]))[0])
    # A skin depth of 1e-4 um against 40 um.
    assert found.real == pytest.approx(mirrored, rel=1e-4)
    assert abs(found.imag) < 1e-4 * found.real


def test_weak_eddies_lose_what_the_induced_field_heats():
    """R = w^2 sigma / I^2 times the integral of A^2 over the half-space, A the loop's own vector potential.

    A = mu0 I / (pi k) sqrt(a / r) ((1 - k^2/2) K - E) (J. D. Jackson, Classical Electrodynamics, 5.5, from memory).
    """
    a, h, ohm_cm, frequency = 100e-6, 5e-6, 10.0, 2.4e9
    r = np.geomspace(1e-6, 2e-2, 1200)
    z = h + np.concatenate([[0.0], np.geomspace(1e-7, 2e-2, 900)])
    rr, zz = np.meshgrid(r, z)
    m = 4 * a * rr / ((a + rr) ** 2 + zz**2)
    k = np.sqrt(m)
    potential = MU0 / (math.pi * k) * np.sqrt(a / rr) * ((1 - m / 2) * ellipk(m) - ellipe(m))
    integral = np.trapezoid(np.trapezoid(potential**2 * 2 * math.pi * rr, r, axis=1), z)
    w = 2 * math.pi * frequency
    expected = w**2 * integral / (ohm_cm * 1e-2)
    depth = substrate_skin_depth_um(ohm_cm, np.array([frequency]))
    found = w * 1e-9 * taken_by_substrate_nh(1e6 * a * ONE, ONE, 1e6 * h, depth).imag[0]
    # First order in (a / depth)^2 = 1e-3, whose next term goes as a / depth = 3 %; the far field falls slowly.
    assert found == pytest.approx(expected, rel=6e-2)


@pytest.mark.parametrize("depth", [10.0, 100.0, 3000.0])
def test_the_quadrature(depth):
    a, h = 120.0, 4.0

    def integrand(s, part):
        u = np.sqrt(s * s + 2j / depth**2)
        return float(getattr((a * j1(s * a)) ** 2 * np.exp(-2 * s * h) * (u - s) / (u + s), part))

    edges = [0.0, *np.geomspace(1e-5, 15 / h, 60)]
    parts = [
        sum(quad(integrand, low, high, args=(part,))[0] for low, high in itertools.pairwise(edges))
        for part in ("real", "imag")
    ]
    exact = 4 * math.pi**2 * 1e-4 * complex(*parts)
    found = complex(taken_by_substrate_nh(a * ONE, ONE, h, np.array([depth]))[0])
    assert found == pytest.approx(exact, rel=1e-5)


def test_rings_have_the_turns_areas():
    radius, part = equivalent_rings(given_geometry("square", 2.5, 200, 10, 5))
    assert math.pi * radius**2 == pytest.approx(np.array([190.0, 160.0, 130.0]) ** 2)
    assert part == pytest.approx([1, 1, 0.5])
    circle, _ = equivalent_rings(given_geometry("circle", 2, 200, 10, 5))
    assert circle == pytest.approx([95, 80])


def test_two_turns_on_one_another_take_four_times_as_much():
    depth = np.array([200.0])
    once = taken_by_substrate_nh(90.0 * ONE, ONE, 5.0, depth)
    twice = taken_by_substrate_nh(np.full(2, 90.0), np.ones(2), 5.0, depth)
    assert twice == pytest.approx(4 * once)


def test_skin_depth_of_silicon():
    assert substrate_skin_depth_um(0.01, np.array([2.4e9]))[0] == pytest.approx(skin_depth_um(1e-4, 2.4e9))
