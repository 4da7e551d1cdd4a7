"""Resistance, quality factor, capacitance and self-resonance, each with its range."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from dieplat.errors import SettingsError
from dieplat.inductance import describe_inductor, given_geometry, spiral_path
from dieplat.inductance.assumptions import METAL_NAMES, as_span, assume
from dieplat.inductance.centre_line import coarser
from dieplat.inductance.electrical import coil_quality, lanes_for
from dieplat.inductance.estimate import coil_line
from dieplat.inductance.resistance_q import METALS, resonance_hz, skin_depth_um
from dieplat.values.electrical import Surroundings

COIL = given_geometry("square", 3, 200, 8, 2)


@cache
def described(surroundings=None, *, geometry=COIL, frequency_hz=None, thickness_um=2.0):
    return describe_inductor(geometry, thickness_um=thickness_um, frequency_hz=frequency_hz, surroundings=surroundings)


def figures(*arguments, **settings):
    electrical = described(*arguments, **settings).electrical
    assert electrical is not None
    return electrical


def intervals(electrical):
    yield electrical.oxide_ff
    yield electrical.turns_ff
    yield electrical.self_resonance_hz
    yield electrical.resistance_ohm
    for point in (*electrical.curve, electrical.at):
        yield from (point.inductance_nh, point.resistance_ohm, point.quality)


def test_every_figure_lies_in_its_range_and_every_assumption_has_its_own():
    electrical = figures(frequency_hz=2.44e9)
    for interval in intervals(electrical):
        assert interval.low <= interval.value <= interval.high
        assert math.isfinite(interval.high)
    names = [line.name for line in electrical.assumed]
    for word in ("thickness", "resistivity", "oxide", "permittivity", "substrate"):
        assert any(word in name for name in names)
    for line in electrical.assumed:
        assert line.low < line.value < line.high
        assert line.source
    frequencies = [point.frequency_hz for point in electrical.curve]
    assert frequencies == sorted(frequencies)
    assert electrical.peak.quality.value == max(point.quality.value for point in electrical.curve)


def test_a_pi_model_in_numbers():
    """Q of one R, L, C and a substrate branch: C. P. Yue, S. S. Wong (1998), product form, from memory.

    Q = wL/R * Rp / (Rp + [(wL/R)^2 + 1] R) * [1 - R^2 C/L - w^2 L C], Rp and Cp the branch in parallel form.
    """
    resistance, henry, cs, cox, csi, rsi = 5.0, 6e-9, 20e-15, 80e-15, 40e-15, 300.0
    frequency = np.array([5e8, 1e9, 2e9, 3e9])
    w = 2 * math.pi * frequency
    rp = 1 / (w**2 * cox**2 * rsi) + rsi * (cox + csi) ** 2 / cox**2
    cp = cox * (1 + w**2 * (cox + csi) * csi * rsi**2) / (1 + w**2 * (cox + csi) ** 2 * rsi**2)
    c = cs + cp
    expected = (
        (w * henry / resistance)
        * rp
        / (rp + ((w * henry / resistance) ** 2 + 1) * resistance)
        * (1 - resistance**2 * c / henry - w**2 * henry * c)
    )
    branch = 1 / (1 / (1j * w * cox) + 1 / (1 / rsi + 1j * w * csi)) + 1j * w * cs
    found = coil_quality(np.full(4, resistance), np.full(4, 1e9 * henry), branch, frequency)
    assert found == pytest.approx(expected, rel=1e-12)
    assert np.all(expected > 0)


def test_quality_ends_at_self_resonance():
    frequency = np.array([1.01 * resonance_hz(5.0, 0.1)])
    parallel = 2j * math.pi * frequency * 0.1e-12
    assert coil_quality(np.array([2.0]), np.array([5.0]), parallel, frequency)[0] == 0


def test_over_a_plane_the_resonance_is_that_of_the_two_elements():
    electrical = figures(Surroundings(ground_um=6.0))
    result = described(Surroundings(ground_um=6.0))
    # 0.37 of the oxide's capacitance acts at the live end; no substrate in series.
    pf = 1e-3 * (0.37 * electrical.oxide_ff.value + electrical.turns_ff.value)
    expected = resonance_hz(result.estimate.inductance_nh, pf)
    # Read off a grid of 4001 points over four decades: 2e-3 a step, interpolated.
    assert electrical.self_resonance_hz.value == pytest.approx(expected, rel=1e-4)
    assert not any("substrate" in line.name for line in electrical.assumed)


def test_a_plane_below_lowers_the_inductance_and_is_said():
    free = described().estimate
    near = described(Surroundings(ground_um=20.0)).estimate
    far = described(Surroundings(ground_um=5000.0)).estimate
    assert near.inductance_nh < 0.8 * free.inductance_nh
    # A loop of moment m over a plane: the image takes mu0 A^2 n^2 / (2 pi (2 d)^3), here 1e-6 of L.
    assert far.inductance_nh == pytest.approx(free.inductance_nh, rel=1e-5)
    assert dict(near.budget)["depth of the ground plane"] > 0
    assert any("conducting plane 20 um below" in line for line in near.assumptions)
    with pytest.raises(SettingsError, match="ground plane"):
        describe_inductor(COIL, surroundings=Surroundings(ground_um=0.5))


def test_direct_current_resistance_is_squares_times_sheet():
    electrical = figures(Surroundings(sheet_ohm=(0.010, 0.010)))
    # 3 turns of 4 sides, 192, 172 and 152 um along the middle; each turn's last side is a pitch of 10 um shorter.
    length = 4 * (192 + 172 + 152) - 3 * 10
    # Corners: the current takes the shorter inner way, lanes share by resistance.
    assert electrical.resistance_ohm.value == pytest.approx(0.010 * length / 8, rel=1e-2)
    names = [line.name for line in electrical.assumed]
    assert "sheet resistance" in names
    assert not any("resistivity of" in name for name in names)


def test_no_quality_factor_without_a_metal():
    result = described(Surroundings(metal="none"), frequency_hz=2.44e9)
    electrical = result.electrical
    assert electrical.resistance_ohm is None
    assert electrical.peak is None
    assert all(point.quality is None and point.resistance_ohm is None for point in electrical.curve)
    plain = result.to_dict()
    assert plain["resistance_ohm"] is None
    assert plain["q_at"]["quality"] is None
    assert plain["electrical"]["curve"]["quality"] is None
    assert plain["self_resonance_hz"] > 0


def test_a_named_metal_narrows_the_range():
    unknown, copper = figures(), figures(Surroundings(metal="cu"))
    assert copper.resistance_ohm.low >= unknown.resistance_ohm.low * 0.99
    assert copper.resistance_ohm.high < unknown.resistance_ohm.high
    # The middle of copper: 1.678e-8 ohm m and the thickness assumed.
    assert copper.resistance_ohm.value / unknown.resistance_ohm.value == pytest.approx(1.678 / 2.35, rel=1e-3)


def test_skin_effect_raises_the_resistance_as_the_surface_resistance_asks():
    electrical = figures(Surroundings(metal="cu"), frequency_hz=10e9, thickness_um=4.0)
    depth = skin_depth_um(METALS["cu"].resistivity_ohm_m, 10e9)
    ratio = electrical.at.resistance_ohm.value / electrical.resistance_ohm.value
    # At least the current of one skin depth on both faces, which a conductor of 4 um exceeds by crowding.
    assert ratio > 4.0 / (2 * depth) * 0.5
    assert ratio < 4.0 / depth


def test_a_symmetric_winding_has_more_capacitance_between_turns():
    spiral = figures()
    crossed = figures(geometry=replace(COIL, symmetric=True))
    assert crossed.turns_ff.value > spiral.turns_ff.value
    assert described(geometry=replace(COIL, symmetric=True)).explanations[0].startswith("Symmetric winding")
    assert described().explanations == ()


def test_the_substrate_between_a_plane_and_an_insulator():
    """Well conducting silicon acts like a plane at the oxide's depth; a poor one stands in series."""
    oxide = (4.0, 4.0)
    good = figures(Surroundings(oxide_um=oxide, substrate_ohm_cm=(1e-3, 1e-3)))
    poor = figures(Surroundings(oxide_um=oxide, substrate_ohm_cm=(1e4, 1e4)))
    pf = 1e-3 * (0.37 * good.oxide_ff.value + good.turns_ff.value)
    expected = resonance_hz(described().estimate.inductance_nh, pf)
    assert good.self_resonance_hz.value == pytest.approx(expected, rel=1e-2)
    assert poor.self_resonance_hz.value > 1.05 * expected


def test_quality_at_low_frequency_is_reactance_over_resistance():
    electrical = figures(Surroundings(metal="al"), frequency_hz=5e7)
    at = electrical.at
    expected = 2e-9 * math.pi * 5e7 * at.inductance_nh.value / at.resistance_ohm.value
    # The capacitances take (f / f_sr)^2, some 1e-5 here.
    assert at.quality.value == pytest.approx(expected, rel=1e-3)


def test_lanes_follow_the_skin_depth():
    assert len(lanes_for(2.0, 0.2, 2.0).across) == 4
    assert len(lanes_for(10.0, 2.0, 0.7).across) == 8 * 3
    assert len(lanes_for(10.0, 2.0, 2.0).across) == 6 * 2


def test_json_keeps_the_agreed_keys_and_adds_ranges():
    result = described(frequency_hz=2.44e9)
    plain = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    for key in ("resistance_ohm", "self_resonance_hz"):
        assert plain[f"{key}_low"] < plain[key] < plain[f"{key}_high"]
    assert plain["best_estimate"] == "segment_sum"
    assert "closed forms" in plain["why_best"]
    curve = plain["electrical"]["curve"]
    assert {len(column) for column in curve.values()} == {49}
    assert plain["q_at"]["frequency_hz"] == 2.44e9
    assert plain["capacitance_at_pf"] > 0


@pytest.mark.parametrize(
    ("text", "span"), [("3:6", (3, 6)), ("4", (3.6, 4.4)), (4, (3.6, 4.4)), ([2, 8], (2, 8)), ("5:5", (5, 5))]
)
def test_ranges_as_people_write_them(text, span):
    assert as_span(text, "oxide") == pytest.approx(span)


@pytest.mark.parametrize("text", ["", "a", "6:3", "0:3", "-1", "1:2:3", "nan", "inf", True, [1], None, [1, "x"], {}])
def test_what_is_no_range_is_refused(text):
    if text == [1]:
        assert as_span(text, "oxide") == pytest.approx((0.9, 1.1))
        return
    with pytest.raises(SettingsError, match="oxide"):
        as_span(text, "oxide")


@pytest.mark.parametrize(
    ("said", "word"),
    [
        (Surroundings(metal="tin"), "metal"),
        (Surroundings(oxide_um=(0.0, 1.0)), "oxide"),
        (Surroundings(permittivity=(4.0, 3.0)), "permittivity"),
        (Surroundings(sheet_ohm=(math.nan, 1.0)), "sheet"),
        (Surroundings(substrate_ohm_cm=(-1.0, 1.0)), "substrate"),
        (Surroundings(underpass_um=math.inf), "underpass"),
        (Surroundings(ground_um=-3.0), "ground"),
    ],
)
def test_nonsense_is_refused_by_name(said, word):
    with pytest.raises(SettingsError, match=word):
        describe_inductor(COIL, surroundings=said)


@pytest.mark.parametrize("metal", METAL_NAMES)
def test_every_metal_has_a_range_about_its_value(metal):
    assumptions = assume(Surroundings(metal=metal), thickness_um=2.0)
    if metal == "none":
        assert assumptions.resistivity_ohm_m is None
    else:
        line = assumptions.resistivity_ohm_m
        assert line.low <= line.value <= line.high


def test_a_traced_round_coil_has_the_figures_of_the_ideal_one():
    ideal = given_geometry("circle", 2.5, 200, 10, 3)
    line = spiral_path(ideal, chords=150)
    traced = replace(ideal, method="image", path_um=tuple(map(tuple, line.tolist())))
    a, b = figures(geometry=ideal, frequency_hz=3e9), figures(geometry=traced, frequency_hz=3e9)
    # A pitch of drift less than the mean diameter, and fewer pieces: a percent.
    assert b.at.resistance_ohm.value == pytest.approx(a.at.resistance_ohm.value, rel=1e-2)
    assert b.at.inductance_nh.value == pytest.approx(a.at.inductance_nh.value, rel=1e-2)
    assert b.self_resonance_hz.value == pytest.approx(a.self_resonance_hz.value, rel=1e-2)


def test_fewer_pieces_keep_the_vias():
    spiral = spiral_path(given_geometry("circle", 3, 200, 8, 4), chords=60)
    lead = np.vstack([spiral, spiral[-1] + [0.0, 15.0], spiral[-1] + [-200.0, 15.0]])
    geometry = replace(given_geometry("circle", 3, 200, 8, 4), method="path", path_um=tuple(map(tuple, lead.tolist())))
    line = coil_line(geometry, thickness_um=2.0)
    fewer = coarser(line, 40)
    assert len(fewer) <= 41 < len(line.points_um)
    rises = np.diff(fewer[:, 2])
    assert np.count_nonzero(rises) == line.vias > 0
    # Vias are vertical: both ends at one place.
    assert np.abs(np.diff(fewer[:, :2], axis=0)[rises != 0]).max() < 1e-9
    assert fewer[[0, -1]] == pytest.approx(line.points_um[[0, -1]])


def test_a_heavily_doped_substrate_costs_quality_and_inductance():
    said = {"metal": "cu", "oxide_um": (4.0, 4.0)}
    light = figures(Surroundings(**said, substrate_ohm_cm=(10.0, 10.0)), frequency_hz=2.4e9)
    heavy = figures(Surroundings(**said, substrate_ohm_cm=(0.01, 0.01)), frequency_hz=2.4e9)
    assert heavy.at.quality.value < 0.8 * light.at.quality.value
    assert heavy.at.resistance_ohm.value > 1.5 * light.at.resistance_ohm.value
    assert heavy.at.inductance_nh.value < light.at.inductance_nh.value
    # The direct current knows nothing of it, but for the lanes that the curve's last frequency asks for (1e-5).
    assert heavy.resistance_ohm.value == pytest.approx(light.resistance_ohm.value, rel=1e-4)
    unknown = figures(Surroundings(metal="cu", oxide_um=(4.0, 4.0)), frequency_hz=2.4e9)
    for known in (light, heavy):
        assert unknown.at.quality.low <= known.at.quality.value <= unknown.at.quality.high
    without = figures(Surroundings(metal="none", substrate_ohm_cm=(0.01, 0.01)), frequency_hz=2.4e9)
    assert without.at.inductance_nh.value < described().estimate.inductance_nh
