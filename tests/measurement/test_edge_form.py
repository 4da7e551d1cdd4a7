"""A die's edge with and without a sawn rim: where its outer border lies, and what is said where that is not to be told.

The truth is a profile of normal distributions' integrals (scipy), with the camera's noise averaged over a side.
"""

import math

import numpy as np
import pytest
from scipy.stats import norm

from dieplat.measurement.edge_form import Form, one_step, with_rim
from dieplat.measurement.outline import COMMON
from dieplat.measurement.snapping import FOUND_EDGE_U_PX

T = np.arange(-7.0, 7.01, 0.5)


def profile(blur, rim_px=0.0, part=0.0, place=0.2, seed=1):
    """A ground of 28 and a die of 85 on its left, the rim's inner border having `part` of the step between them."""
    level = (1 - part) * norm.cdf(T, place, blur) + part * norm.cdf(T, place - rim_px, blur)
    # 3 grey levels a pixel over some 500 pixels of a side.
    return 85.0 - 57.0 * level + np.random.default_rng(seed).normal(0, 0.13, len(T))


def read(shades, middle=0.2, blur_px=None):
    """The place expected, and its uncertainty."""
    found = with_rim(T, -shades, one_step(T, -shades, middle), blur_px)
    return found.place + found.further, found.further_u


def test_a_form_rises_from_nothing_to_one():
    form = Form(0.8, 2.0, 0.3)
    assert form.at(np.array([-40.0, 40.0])) == pytest.approx([0.0, 1.0], abs=1e-12)
    away = np.linspace(-4, 4, 33)
    slope = (form.at(away + 1e-5) - form.at(away - 1e-5)) / 2e-5
    assert form.slope_at(away) == pytest.approx(slope, abs=1e-8)


@pytest.mark.parametrize("known", [True, False])
@pytest.mark.parametrize("blur", [0.6, 0.9, 1.2])
def test_a_plain_edge_stays_where_it_is(blur, known):
    at, u = read(profile(blur), blur_px=(blur, 0.05 * blur) if known else None)
    # A rim of a part of a pixel would look much the same: the edge may lie further out, and that is said.
    assert -0.02 < at - 0.2 < (0.05 if known else 0.1)
    assert 0.03 < u < 0.25


@pytest.mark.parametrize("part", [0.15, 0.33])
@pytest.mark.parametrize(("blur", "rim_px"), [(0.6, 1.2), (0.6, 1.6), (0.9, 1.4), (0.9, 1.8), (1.2, 1.8), (1.2, 2.2)])
def test_with_the_blur_known_a_narrow_rim_is_told_from_it(blur, rim_px, part):
    for seed in range(4):
        at, u = read(profile(blur, rim_px, part, seed=seed), blur_px=(blur, 0.05 * blur))
        assert abs(at - 0.2) < 0.1
        assert abs(at - 0.2) < 2.0 * math.hypot(u, 0.03)


@pytest.mark.parametrize("rim_px", [0.5, 0.8, 1.1, 1.4])
@pytest.mark.parametrize("blur", [0.6, 0.9, 1.2])
def test_what_cannot_be_told_is_stated(blur, rim_px):
    """With what is stated of a found die's sides in any case: a tone curve bends their profiles."""
    alone, alone_u = read(profile(blur, rim_px, 0.33))
    assert abs(alone - 0.2) < 1.5 * math.hypot(COMMON * alone_u, FOUND_EDGE_U_PX)
    at, u = read(profile(blur, rim_px, 0.33), blur_px=(blur, 0.05 * blur))
    assert abs(at - 0.2) < 1.5 * math.hypot(COMMON * u, FOUND_EDGE_U_PX)


@pytest.mark.parametrize("blur", [0.6, 0.9, 1.2])
@pytest.mark.parametrize("rim_px", [3.0, 4.0, 4.8])
def test_a_rim_dimmer_than_half_the_die_is_found_from_its_inner_border(rim_px, blur):
    at, u = read(profile(blur, rim_px, 0.6), middle=0.2 - rim_px)
    assert abs(at - 0.2) < 0.1
    assert u < 0.1


def test_a_blur_that_is_wrong_by_far_does_not_decide():
    right, _ = read(profile(0.9, 3.0, 0.33))
    wrong, _ = read(profile(0.9, 3.0, 0.33), blur_px=(1.4, 0.35))
    assert abs(wrong - right) < 0.05
