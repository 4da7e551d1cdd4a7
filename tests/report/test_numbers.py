"""Rounding by uncertainty, units, and round scale bars."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.report.numbers import (
    area_with_u,
    bar_label,
    leading,
    length,
    percent,
    plain,
    round_step,
    rounded,
    turned,
    with_micro,
    with_u,
)


def test_a_value_is_rounded_to_the_place_of_its_uncertainty() -> None:
    # JCGM 100:2008, 7.2.6: 10.057 62 ohm with u = 27 milliohm is stated as 10.058 ohm (from memory).
    assert with_u(10.05762, 0.027, coverage=1) == "10.058 ± 0.027"


def test_the_guides_mass_standard_is_stated_as_the_guide_states_it() -> None:
    # JCGM 100:2008, 7.2.4: m = (100.021 47 +- 0.000 79) g from u = 0.35 mg and k = 2.26 (from memory).
    assert with_u(100.02147, 0.00035, coverage=2.26) == "100.02147 ± 0.00079"


@pytest.mark.parametrize(
    ("value", "u", "said"),
    [
        (2.0, 0.06, "2.00 ± 0.12"),
        (1234567.0, 12345.0, "1\u202f235\u202f000 ± 25\u202f000"),
        (5.0, 0.0498, "5.00 ± 0.10"),  # U = 0.0996 rounds up into the next decade
        (-3.2, 0.5, "−3.2 ± 1.0"),
        (0.004, 0.5, "0.0 ± 1.0"),
        (None, 0.1, "–"),
        (math.nan, 0.1, "–"),
        (12.3456, None, "12.35"),
        (12.3456, 0.0, "12.35"),
    ],
)
def test_values_with_uncertainty(value: float | None, u: float | None, said: str) -> None:
    assert with_u(value, u) == said


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e4))
def test_what_is_printed_lies_within_half_a_step_of_the_value(value: float, u: float) -> None:
    text, expanded = (float(part.replace("\u202f", "").replace("−", "-")) for part in with_u(value, u).split(" ± "))
    assert abs(expanded - 2 * u) <= 0.05 * 2 * u * (1 + 1e-9)
    # Two figures of U leave steps of at most a tenth of U's leading figure.
    assert abs(text - value) <= 0.05 * expanded * (1 + 1e-9) + 1e-12


@given(st.floats(1e-3, 1e7))
def test_scale_bars_are_one_two_or_five(maximum: float) -> None:
    step = round_step(maximum)
    assert step <= maximum * (1 + 1e-9) < step * 2.5 * (1 + 1e-9)
    lead = step / 10.0 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(lead - choice) for choice in (1, 2, 5)) < 1e-6


@pytest.mark.parametrize(("maximum", "step"), [(1.0, 1), (1.99, 1), (2.0, 2), (4.9, 2), (1000, 1000), (730, 500)])
def test_round_steps(maximum: float, step: float) -> None:
    assert round_step(maximum) == pytest.approx(step)


def test_no_scale_bar_for_nothing() -> None:
    with pytest.raises(ValueError, match="above 0"):
        round_step(0.0)


def test_units_follow_the_size() -> None:
    assert area_with_u(229600.0, 700.0) == ("0.2296 ± 0.0014", "mm²")
    assert area_with_u(625.0, 2.5) == ("625.0 ± 5.0", "µm²")
    assert length(1234.5) == "1.234 mm"  # half to even
    assert length(999.94) == "999.9 µm"
    assert bar_label(200.0) == "200 µm"
    assert bar_label(1000.0) == "1 mm"


def test_shares() -> None:
    assert percent(0.1234) == "12.3 %"
    assert percent(0.0001) == "< 0.1 %"
    assert percent(0.0) == "0.0 %"
    assert percent(None) == "–"


def test_plain_numbers_keep_four_figures() -> None:
    assert plain(0.0123456) == "0.01235"
    assert plain(123456.0) == "123\u202f456"
    assert rounded(-0.001, 2) == "0.00"


def test_a_turn_is_said_with_its_direction_and_without_a_sign() -> None:
    assert turned(0.412, 0.011) == "0.412 ± 0.022° clockwise"
    assert turned(-0.4277, 0.013) == "0.428 ± 0.026° anticlockwise"
    assert turned(-0.42684) == "0.427° anticlockwise"


def test_units_in_text_of_the_library_are_written_as_people_read_them() -> None:
    assert with_micro("overlap by 12 um2; streets of 80 um, see um_per_px") == (
        "overlap by 12 µm²; streets of 80 µm, see um_per_px"
    )
    assert with_micro("metal 2.8 um, rectangular +/- 50%") == "metal 2.8 µm, rectangular ± 50%"


def test_an_estimated_count_claims_three_figures() -> None:
    assert [leading(count) for count in (58437, 1234, 99, 0)] == ["58\u202f400", "1\u202f230", "99", "0"]
