"""Quarter waves, and what is said of a length beside one."""

from __future__ import annotations

import math

import pytest

from dieplat.antenna.bands import channel_hz
from dieplat.antenna.quarter_wave import compare_with_quarter_wave
from dieplat.errors import SettingsError


# Free-space quarter wave c0/(4 f) and the same over sqrt(eps), in mm; recomputed table, c0 exact (SI).
@pytest.mark.parametrize(
    ("mhz", "quarter_mm", "eps", "shorter_mm"),
    [
        (2400, 31.228, 2.7, 19.005),
        (2441.75, 30.694, 3.0, 17.721),
        (2450, 30.591, 3.33, 16.764),
        (2483.5, 30.178, 4.4, 14.387),
        # D. M. Pozar, "Microwave Engineering", microstrip example, from memory: 90 degrees at 2.5 GHz with
        # eps_eff = 1.87 is 21.9 mm.
        (2500, 29.979, 1.8712, 21.92),
    ],
)
def test_quarter_waves(mhz, quarter_mm, eps, shorter_mm):
    wave = compare_with_quarter_wave(shorter_mm * 1000, mhz * 1e6, velocity_factor=1 / math.sqrt(eps))
    assert wave.quarter_wave_um == pytest.approx(quarter_mm * 1000, abs=0.6)
    assert wave.ratio_to_quarter_wave == pytest.approx(1.0, abs=6e-4)  # half a unit of the printed 21.92


def test_factors_that_were_not_given_are_not_assumed():
    free = compare_with_quarter_wave(10_000.0, 2.4e9)
    assert (free.velocity_factor, free.shortening_factor) == (None, None)
    assert free.ratio_to_quarter_wave == pytest.approx(10_000 / free.quarter_wave_um)
    assert "no factor was given" in free.assumption
    given_both = compare_with_quarter_wave(10_000.0, 2.4e9, velocity_factor=0.5, shortening_factor=0.8)
    assert given_both.ratio_to_quarter_wave == pytest.approx(free.ratio_to_quarter_wave * 0.8 / 0.5)
    assert "velocity factor 0.5 and shortening factor 0.8" in given_both.assumption


def test_a_meander_by_the_rule_of_thumb():
    """Common practice, no source: 41.25 mm of meander at 0.6 count for 24.75 mm; at 0.8 of c0 a quarter wave is
    24.98 mm at 2.4 GHz and 24.55 mm at 2.442 GHz, so the verdict turns with the frequency."""
    at_2g4, at_2g442 = (
        compare_with_quarter_wave(41_250.0, f, length_um_u=50.0, velocity_factor=0.8, shortening_factor=0.6)
        for f in (2.4e9, 2.442e9)
    )
    assert 0.8 * at_2g4.quarter_wave_um == pytest.approx(24_980, abs=5)
    assert 0.8 * at_2g442.quarter_wave_um == pytest.approx(24_550, abs=5)
    assert at_2g4.ratio_to_quarter_wave == pytest.approx(24.75 / 24.98, abs=2e-4)
    assert at_2g442.ratio_to_quarter_wave == pytest.approx(24.75 / 24.55, abs=2e-4)
    assert at_2g4.quarter_wave_at_hz == pytest.approx(at_2g442.quarter_wave_at_hz)
    assert "shorter" in at_2g4.verdict
    assert "longer" in at_2g442.verdict
    assert "inside the 2.4 GHz band" in at_2g4.verdict


def test_a_range_of_a_factor_widens_the_verdict():
    exact = compare_with_quarter_wave(41_250.0, 2.4e9, velocity_factor=0.8, shortening_factor=0.6)
    spread = compare_with_quarter_wave(41_250.0, 2.4e9, velocity_factor=(0.76, 0.84), shortening_factor=(0.55, 0.65))
    assert exact.ratio_to_quarter_wave_u == 0.0
    # Rectangular distributions: half width over the square root of three (JCGM 100:2008, 4.3.7).
    expected = math.hypot(0.04 / 0.8, 0.05 / 0.6) / math.sqrt(3)
    assert spread.ratio_to_quarter_wave_u / spread.ratio_to_quarter_wave == pytest.approx(expected)
    assert "is a quarter wave within its uncertainty" in spread.verdict


def test_without_factors_the_rule_of_thumb_is_a_hint_and_no_more():
    wave = compare_with_quarter_wave(41_250.0, 2.4e9)
    assert wave.ratio_to_quarter_wave == pytest.approx(41.25 / 31.228, rel=1e-4)
    said = wave.verdict
    assert "1.32 times a quarter wave" in said
    assert "No velocity factor or shortening factor was given; common practice, no source" in said


@pytest.mark.parametrize(("number", "mhz"), [(1, 2412), (6, 2437), (13, 2472), (14, 2484)])
def test_channels_of_ieee_802_11(number, mhz):
    """IEEE 802.11-2016, channel centre frequencies at 2.4 GHz."""
    assert channel_hz(number) == mhz * 1e6


def test_no_such_channel():
    with pytest.raises(SettingsError, match="1 to 14"):
        channel_hz(15)


@pytest.mark.parametrize("frequency", [0.0, -1.0, math.nan, math.inf])
def test_bad_frequencies(frequency):
    with pytest.raises(SettingsError, match="frequency"):
        compare_with_quarter_wave(1.0, frequency)


@pytest.mark.parametrize(
    "factors",
    [
        {"velocity_factor": 0.0},
        {"velocity_factor": 1.2},
        {"velocity_factor": math.nan},
        {"shortening_factor": -1.0},
        {"shortening_factor": math.inf},
        {"velocity_factor": (0.9, 0.8)},
    ],
)
def test_bad_factors(factors):
    with pytest.raises(SettingsError, match=next(iter(factors))):
        compare_with_quarter_wave(1.0, 1e9, **factors)


@pytest.mark.parametrize(
    ("u_um", "said"), [(0.35, "(0.320222 ± 0.000022)"), (50.0, "(0.3202 ± 0.0032)"), (1560.0, "(0.32 ± 0.10)")]
)
def test_an_interval_keeps_two_figures_however_narrow_it_is(u_um, said):
    """JCGM 100:2008, 7.2.6."""
    assert said in compare_with_quarter_wave(10_000.0, 2.4e9, length_um_u=u_um).verdict


def test_what_is_exact_claims_no_interval_of_nothing():
    verdict = compare_with_quarter_wave(10_000.0, 2.4e9).verdict
    assert "(0.3202)" in verdict
    assert "±" not in verdict


def test_a_small_difference_that_counts_is_no_zero():
    wave = compare_with_quarter_wave(31_240.0, 2.4e9, length_um_u=1.0)
    assert "is within 0.037 % of a quarter wave, longer" in wave.verdict
