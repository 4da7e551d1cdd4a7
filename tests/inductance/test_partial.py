"""Partial inductances against published closed forms and direct quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import dblquad

from dieplat.inductance.partial import (
    Filaments,
    bar_self_inductance,
    filament_pair_nh,
    hoer_love_bar,
    mean_distance,
    mean_log_distance,
    self_matrix,
)

# Exact bars, uniform current: adaptive quadrature and the expression of C. Hoer, C. Love, J. Res. NBS 69C(2),
# 127-137 (1965) agreed on these digits; both computed apart from this package.
BARS = [
    (1000, 10, 1, 1.140858),
    (200, 4, 2, 0.188225),
    (100, 10, 1, 0.068635),
    (50, 10, 3, 0.026089),
    (20, 2, 2, 0.011409),
    (10, 10, 1, 0.002788),
]


@pytest.mark.parametrize(("length", "w", "t", "expected"), BARS)
def test_bar_self_inductance(length, w, t, expected):
    assert float(bar_self_inductance(length, w, t)) == pytest.approx(expected, abs=6e-7)


def test_both_forms_of_the_exact_bar_agree():
    length = np.array([10.5, 20.0, 40.0, 80.0])
    w, t = np.full(4, 10.0), np.full(4, 3.0)
    # The sum loses (l / section)^4 eps, about 1e-11 here.
    assert bar_self_inductance(length, w, t) == pytest.approx(hoer_love_bar(length, w, t), rel=1e-10)


@pytest.mark.parametrize(("length", "w", "t"), [(1000, 10, 1), (200, 4, 2), (100, 10, 1), (50, 5, 5)])
def test_bar_against_the_handbook_formula(length, w, t):
    # F. E. Terman, Radio Engineers' Handbook (1943), from memory: approximate, 0.02 to 0.4 % for l >= 5 w.
    handbook = 2e-4 * length * (math.log(2 * length / (w + t)) + 0.5 + 0.2235 * (w + t) / length)
    assert float(bar_self_inductance(length, w, t)) == pytest.approx(handbook, rel=4e-3)


def test_slender_bar_stays_smooth_where_the_direct_sum_fails():
    # l/w = 1e5: the direct sum would lose 1e20 eps. Thin-limit: mean of ln r of a square is ln(0.447049 w)
    # (E. B. Rosa, F. W. Grover, Bull. Bur. Stand. 8 (1912), from memory).
    expected = 2e-4 * 1e5 * (math.log(2e5) - math.log(0.447049) - 1)
    assert float(bar_self_inductance(1e5, 1.0, 1.0)) == pytest.approx(expected, rel=1e-6)


def test_mean_distance_of_a_square():
    # Known constant of geometric probability, (2 + sqrt 2 + 5 asinh 1) / 15.
    assert float(mean_distance(1.0, 1.0)) == pytest.approx((2 + math.sqrt(2) + 5 * math.asinh(1)) / 15, rel=1e-12)


def test_mean_log_distance_of_known_sections():
    def gmd(du, dv, w, t):
        one = np.ones(1)
        return math.exp(float(mean_log_distance(du * one, dv * one, w * one, t * one, w * one, t * one)[0]))

    # J. C. Maxwell, Treatise (1873), art. 692, from memory: thin strip 0.22313 w; square 0.44705 a;
    # two strips edge to edge 0.89252 w.
    assert gmd(0, 0, 1.0, 1e-3) == pytest.approx(math.exp(-1.5) * (1 + math.pi / 3 * 1e-3), rel=1e-5)
    assert gmd(0, 0, 1.0, 1.0) == pytest.approx(0.44705, abs=6e-6)
    assert gmd(1.0, 0, 1.0, 1e-4) == pytest.approx(0.89252, abs=1e-4)


def test_near_and_far_means_meet():
    one = np.ones(1)
    near = mean_log_distance(8.129 * one, 0 * one, one, 0.3 * one, one, 0.5 * one)
    far = mean_log_distance(8.131 * one, 0 * one, one, 0.3 * one, one, 0.5 * one)
    # The first term left out is <u^4> / (4 d^4) with <u^4> = 1/15 for two equal widths: 4.1e-6 at d = 8.
    assert float(far[0] - near[0]) == pytest.approx(math.log(8.131 / 8.129), abs=4.1e-6)


def _bars(pieces, w, t):
    starts, ends = (np.array(side, dtype=float) for side in zip(*pieces, strict=True))
    return Filaments(starts, ends, np.full(len(pieces), float(w)), np.full(len(pieces), float(t)))


def test_a_bar_cut_to_pieces_adds_up():
    whole = float(bar_self_inductance(100, 10, 1))
    side = _bars([((0, -2.5, 0), (100, -2.5, 0)), ((0, 2.5, 0), (100, 2.5, 0))], 5, 1)
    # Aligned ends need the mean distance across the sections: six-point quadrature has it to some 1e-4, and
    # it is some 2 % of the whole here.
    assert self_matrix(side).sum() / 4 == pytest.approx(whole, rel=2e-6)
    flat = _bars([((0, 0, -0.25), (100, 0, -0.25)), ((0, 0, 0.25), (100, 0, 0.25))], 10, 0.5)
    assert self_matrix(flat).sum() / 4 == pytest.approx(whole, rel=2e-6)
    # End to end the quadrature meets the cone of the distance at the joint: 1e-4 of the joint's small share.
    long = _bars([((0, 0, 0), (30, 0, 0)), ((30, 0, 0), (41, 0, 0)), ((41, 0, 0), (100, 0, 0))], 10, 1)
    assert self_matrix(long).sum() == pytest.approx(whole, rel=1e-4)


def test_equal_parallel_filaments():
    # F. W. Grover, Inductance Calculations (1946), ch. 5, from memory.
    length, d = 10.0, 3.0
    grover = 2e-4 * (length * math.asinh(length / d) - math.hypot(length, d) + d)
    a, b = np.array([0, 0, 0.0]), np.array([length, 0, 0])
    shift = np.array([0, d, 0])
    assert filament_pair_nh(a, b, a + shift, b + shift) == pytest.approx(grover, rel=1e-12)
    assert filament_pair_nh(a, b, b + shift, a + shift) == pytest.approx(-grover, rel=1e-12)


def test_offset_parallel_filaments_by_quadrature():
    a, b = np.array([0, 0, 0.0]), np.array([7.0, 0, 0])
    c, d = np.array([4.0, 2.0, 1.0]), np.array([15.0, 2.0, 1.0])
    value, _ = dblquad(lambda x, y: 1 / math.sqrt((x - y) ** 2 + 5), 4, 15, 0, 7, epsabs=1e-12)
    assert filament_pair_nh(a, b, c, d) == pytest.approx(1e-4 * value, rel=1e-10)


def test_filaments_meeting_at_an_angle():
    # F. W. Grover (1946), ch. 7, from memory: filaments l, m from a common point, their far ends R apart:
    # M = 2e-4 cos(e) [l atanh(m / (l + R)) + m atanh(l / (m + R))].
    length, m, angle = 12.0, 5.0, math.radians(50)
    end = np.array([m * math.cos(angle), m * math.sin(angle), 0])
    r = math.dist((length, 0, 0), end)
    grover = length * math.atanh(m / (length + r)) + m * math.atanh(length / (m + r))
    value = filament_pair_nh(np.zeros(3), np.array([length, 0, 0]), np.zeros(3), end)
    assert value == pytest.approx(2e-4 * math.cos(angle) * grover, rel=1e-12)


def _neumann(p1, q1, p2, q2, count=40):
    """Neumann's double integral by Gauss-Legendre; exact to rounding for filaments well apart."""
    x, weight = np.polynomial.legendre.leggauss(count)
    x, weight = (x + 1) / 2, weight / 2
    first = p1 + x[:, None] * (q1 - p1)
    second = p2 + x[:, None] * (q2 - p2)
    distance = np.linalg.norm(first[:, None] - second[None], axis=2)
    return 1e-4 * float((q1 - p1) @ (q2 - p2)) * float(weight @ (1 / distance) @ weight)


corner = st.tuples(*[st.floats(-5, 5)] * 3).map(np.array)


@settings(max_examples=200, deadline=None)
@given(corner, corner, corner, corner)
def test_skewed_filaments_by_quadrature(p1, q1, p2, q2):
    # G. A. Campbell, Phys. Rev. 5 (1915), closed form of Neumann's integral, from memory; kept 12 um apart.
    p2, q2 = p2 + np.array([0, 0, 22]), q2 + np.array([0, 0, 22])
    l1, l2 = np.linalg.norm(q1 - p1), np.linalg.norm(q2 - p2)
    if min(l1, l2) < 0.1:
        return
    # Scaled by l1 l2 / distance, the size of the integral itself; rounding near parallel costs 1e-8.
    scale = 1e-4 * l1 * l2 / 12
    assert abs(filament_pair_nh(p1, q1, p2, q2) - _neumann(p1, q1, p2, q2)) < 1e-8 * scale


@pytest.mark.parametrize("angle", [1e-9, 0.9e-8, 1.1e-8, 1e-7, 1e-6, 1e-4, 1e-2])
def test_nearly_parallel_filaments_stay_stable(angle):
    p1, q1 = np.array([0, 0, 0.0]), np.array([10.0, 0, 0])
    p2 = np.array([1.0, 3.0, 0.5])
    q2 = p2 + 8 * np.array([math.cos(angle), math.sin(angle), 0])
    assert filament_pair_nh(p1, q1, p2, q2) == pytest.approx(_neumann(p1, q1, p2, q2), rel=3e-8)


def test_perpendicular_filaments_do_not_couple():
    value = filament_pair_nh(np.zeros(3), np.array([5.0, 0, 0]), np.array([2.0, -1, 0]), np.array([2.0, 4, 0]))
    assert value == 0.0
