"""Worked examples of the GUM (JCGM 100:2008, annex H) by the code that measures areas, and by drawing (JCGM 101)."""

import math

import numpy as np
import pytest
from uncertainties import umath

from dieplat.measurement.montecarlo import Input, draw, draw_correlated, tolerance_of, trials_of, validate
from dieplat.measurement.propagation import (
    Source,
    contributions,
    correlated,
    correlation,
    effective_dof,
    linear,
    measured,
    u_of,
    value_of,
    variable,
)

# H.1, end gauge (nm, degrees C), as reproduced in the documentation of a national institute's calculator (GUM_H1):
# l = ls + d - ls (da th + as dth). Estimate, standard uncertainty, shape, degrees of freedom.
THIRD = math.sqrt(3.0)
END_GAUGE = (
    Input("ls", 50_000_623.0, 25.0, "normal", 18),
    Input("d mean", 215.0, 5.8, "normal", 24),
    Input("d random", 0.0, 3.9, "normal", 5),
    Input("d systematic", 0.0, 6.7, "normal", 8),
    Input("as", 11.5e-6, 2e-6 / THIRD, "uniform"),
    Input("da", 0.0, 1e-6 / THIRD, "uniform", 50),
    Input("dth", 0.0, 0.05 / THIRD, "uniform", 2),
    Input("th mean", -0.1, 0.2),
    Input("th cyclic", 0.0, 0.5 / math.sqrt(2.0), "arcsine"),
)


def end_gauge(v):
    d = v["d mean"] + v["d random"] + v["d systematic"]
    return v["ls"] + d - v["ls"] * (v["da"] * (v["th mean"] + v["th cyclic"]) + v["as"] * v["dth"])


def test_end_gauge_of_the_gum():
    inputs = {item.name: variable(item.u, item.name, value=item.value) for item in END_GAUGE}
    length = end_gauge(inputs)
    assert round(value_of(length)) == 50_000_838
    assert round(u_of(length)) == 32
    assert u_of(length) == pytest.approx(31.66, abs=0.005)
    parts = contributions(length)
    printed = {"ls": 25.0, "dth": 16.599, "d systematic": 6.7, "d mean": 5.8, "d random": 3.9, "da": 2.887}
    for name, nanometres in printed.items():
        # ls (1 - as dth) and da th are products; what is printed is rounded to the last digit shown.
        assert parts[name] == pytest.approx(nanometres, abs=0.006)
    dof = {item.name: item.dof for item in END_GAUGE}
    # Printed 16.7, truncated to 16, from components rounded to 25, 9.7, 2.9 and 16.6 nm; unrounded 16.75.
    assert effective_dof(length, dof) == pytest.approx(16.7, abs=0.06)
    assert int(effective_dof(length, dof)) == 16
    difference = linear([1, 1, 1], [inputs[name] for name in ("d mean", "d random", "d systematic")])
    assert u_of(difference) == pytest.approx(9.7, abs=0.05)
    assert effective_dof(difference, dof) == pytest.approx(25.4, abs=0.05)


def test_end_gauge_by_drawing_shows_the_terms_of_second_order():
    # H.1.7: with the second-order terms u = 34 nm. First order misses them, and JCGM 101 clause 8 says so.
    drawn = end_gauge(draw(END_GAUGE, 400_000, np.random.default_rng(3)))
    trials = trials_of(drawn)
    assert trials.u == pytest.approx(33.8, abs=0.15)  # 33.8 recomputed; 4 standard errors of 4e5 draws
    assert round(trials.u) == 34
    assert not validate("l", 50_000_838.0, 31.66, drawn, digits=2).agrees
    assert validate("l", 50_000_838.0, 31.66, drawn, digits=1).agrees  # 3 x 10^1 nm: within 5 nm


READINGS = np.array(  # H.2, table H.2: V, mA, rad (from memory; means, u and correlations are the printed ones)
    [
        [5.007, 19.663, 1.0456],
        [4.994, 19.639, 1.0438],
        [5.005, 19.640, 1.0468],
        [4.990, 19.685, 1.0428],
        [4.999, 19.678, 1.0433],
    ]
)


def test_resistance_and_reactance_of_the_gum():
    mean, covariance = READINGS.mean(axis=0), np.cov(READINGS.T) / 5
    assert mean == pytest.approx([4.9990, 19.6610, 1.04446], abs=5e-6)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.0032, 0.0095, 0.00075], abs=5e-5)
    v, i, phi = correlated(mean, covariance, "readings")
    assert correlation(v, i, phi)[np.triu_indices(3, 1)] == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)
    amps = i / 1000
    r, x, z = v * umath.cos(phi) / amps, v * umath.sin(phi) / amps, v / amps
    assert [round(value_of(q), 3) for q in (r, x, z)] == [127.732, 219.847, 254.260]
    # The GUM prints 0.071, 0.295 and 0.236 (from memory), from inputs that it had rounded; unrounded 0.0711, 0.2956
    # and 0.2363 (recomputed).
    assert [u_of(q) for q in (r, x, z)] == pytest.approx([0.0711, 0.2956, 0.2363], abs=5e-5)
    assert [u_of(q) for q in (r, x, z)] == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    assert correlation(r, x, z)[np.triu_indices(3, 1)] == pytest.approx([-0.588, -0.485, 0.993], abs=5e-4)


def test_resistance_and_reactance_by_drawing():
    mean, covariance = READINGS.mean(axis=0), np.cov(READINGS.T) / 5
    v, i, phi = draw_correlated(mean, covariance, 200_000, np.random.default_rng(4)).T
    x = v * np.sin(phi) / (i / 1000)
    assert validate("X", 219.847, 0.2956, x).agrees


# H.3, calibration of a thermometer (from memory; they reproduce every figure that is printed).
READ_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_C = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])


def test_thermometer_of_the_gum():
    design = np.stack([np.ones(11), READ_C - 20.0], axis=1)
    fit, (rest,), *_ = np.linalg.lstsq(design, CORRECTION_C, rcond=None)
    covariance = np.linalg.inv(design.T @ design) * rest / 9
    assert math.sqrt(rest / 9) == pytest.approx(0.0035, abs=5e-5)
    intercept, slope = correlated(fit, covariance, "fit")
    assert (value_of(intercept), u_of(intercept)) == pytest.approx((-0.1712, 0.0029), abs=5e-5)
    assert (value_of(slope), u_of(slope)) == pytest.approx((0.00218, 0.00067), abs=5e-6)
    assert correlation(intercept, slope)[0, 1] == pytest.approx(-0.930, abs=5e-4)
    at_30 = intercept + 10.0 * slope
    assert (value_of(at_30), u_of(at_30)) == pytest.approx((-0.1494, 0.0041), abs=5e-5)


def test_the_budget_has_a_line_a_source_and_names_the_largest():
    total = 2.0 * variable(0.3, "a") + variable(0.8, "b") + 5.0
    result = measured(total, [Source("a", "A", "read"), Source("b"), Source("c")], unit="um")
    assert [(line.name, line.u, line.kind) for line in result.budget] == [
        ("a", pytest.approx(0.6), "A"),
        ("b", pytest.approx(0.8), "B"),
        ("c", 0.0, "B"),
    ]
    assert result.u == pytest.approx(1.0)
    assert result.budget[1].note == "largest: 64 % of the variance"
    assert result.budget[0].note == "read"
    assert result.u_without("b") == pytest.approx(0.6)


def test_what_is_common_cancels_in_a_ratio_and_adds_in_a_sum():
    scale = variable(0.01, "scale", value=1.0)
    a, b = 3.0 * scale, 4.0 * scale
    assert u_of(a / b) == pytest.approx(0.0, abs=1e-15)
    assert u_of(a + b) == pytest.approx(0.07)


def test_a_matrix_that_is_no_covariance_is_refused():
    with pytest.raises(ValueError, match="negative eigenvalue"):
        correlated([0.0, 0.0], np.array([[1.0, 2.0], [2.0, 1.0]]), "x")


@pytest.mark.parametrize(
    ("u", "digits", "tolerance"),
    [
        # JCGM 101, 7.9.2: examples there (from memory): 0.00035 g stated with two digits is 35 x 10^-5 g, half a unit
        # 0.5 x 10^-5 g; 2 K with one digit gives 0.5 K.
        (0.00035, 2, 0.5e-5),
        (2.0, 1, 0.5),
        (0.0996, 1, 0.05),
        (99.7, 2, 5.0),
    ],
)
def test_tolerance_of_a_validation(u, digits, tolerance):
    assert tolerance_of(u, digits=digits) == pytest.approx(tolerance)


@pytest.mark.parametrize("shape", ["normal", "uniform", "arcsine"])
def test_every_shape_is_drawn_with_its_standard_uncertainty(shape):
    drawn = draw([Input("x", 2.0, 0.5, shape)], 100_000, np.random.default_rng(5))["x"]
    assert drawn.mean() == pytest.approx(2.0, abs=4 * 0.5 / math.sqrt(1e5))
    assert drawn.std() == pytest.approx(0.5, rel=0.01)
    widest = {"normal": math.inf, "uniform": math.sqrt(3) * 0.5, "arcsine": math.sqrt(2) * 0.5}[shape]
    assert np.abs(drawn - 2.0).max() <= widest


def test_an_average_of_few_readings_is_wider_than_its_u():
    # Variance of a t-distribution with nu degrees of freedom: nu / (nu - 2).
    drawn = draw([Input("x", 0.0, 1.0, "student", 8)], 400_000, np.random.default_rng(6))["x"]
    assert drawn.std() == pytest.approx(math.sqrt(8 / 6), rel=0.01)
