"""Paths that cross themselves, taper, close or come in very short pieces."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from dieplat.errors import SettingsError
from dieplat.inductance import estimate_inductance, given_geometry, lane_network, spiral_path
from dieplat.inductance.centre_line import centre_line
from dieplat.inductance.crossings import with_underpasses
from dieplat.inductance.partial import bar_self_inductance

CROSS = np.array([(0, 0), (100, 0), (100, 60), (50, 60), (50, -60)], dtype=float)


def heights(level):
    return level.points_um[:, 2]


def test_the_later_run_of_a_lone_crossing_goes_below():
    level = with_underpasses(CROSS, 8.0, depth_um=3.0)
    assert (level.crossings, level.vias) == (1, 2)
    # Square crossing of 8 um strips: half a width of the upper one, and a quarter width more.
    below = level.points_um[heights(level) < 0]
    assert below == pytest.approx(np.array([(50, 6, -3), (50, -6, -3)]))
    # What is on top is the line itself.
    assert np.ptp(level.points_um[:, :2], axis=0) == pytest.approx(np.ptp(CROSS, axis=0))
    assert list(level.piece[:3]) == [0, 1, 2]
    assert set(level.piece[3:]) == {3}


def test_the_lead_goes_under_all_turns_whichever_end_comes_first():
    spiral = spiral_path(given_geometry("square", 4, 300, 10, 4))
    lead = np.vstack([spiral, spiral[-1] + [0.0, 30.0], spiral[-1] + [-300.0, 30.0]])
    for path in (lead, lead[::-1]):
        level = with_underpasses(path, 10.0, depth_um=3.0)
        assert level.crossings == 4
        # One long underpass: down once, up once.
        assert level.vias == 2
        low = level.points_um[heights(level) < 0]
        assert np.ptp(low[:, 1]) < 1e-9
        assert np.ptp(low[:, 0]) == pytest.approx(3 * 14 + 10 + 5)


def test_an_underpass_to_the_end_of_the_line_needs_one_via_only():
    level = with_underpasses(np.array([(0, 0), (100, 0), (100, 60), (50, 60), (50, -2)], dtype=float), 8.0, depth_um=3)
    assert level.vias == 1
    assert heights(level)[-1] == -3


def test_runs_that_are_over_and_under_by_turns():
    """A zigzag weaves through a straight run; nowhere do two runs meet on one level."""
    path = np.array([(0, 0), (200, 0), (200, 40), (170, -40), (140, 40), (110, -40), (80, 40)], dtype=float)
    level = with_underpasses(path, 4.0, depth_um=2.5)
    assert level.crossings == 4
    for x, y in ((185, 0), (155, 0), (125, 0), (95, 0)):
        here = {round(z, 6) for z in _levels_at(level.points_um, x, y)}
        assert here == {0.0, -2.5}


def _levels_at(points, x, y):
    for a, b in pairwise(points):
        d = b[:2] - a[:2]
        length = np.hypot(*d)
        if length < 1e-9:
            continue
        t = np.dot([x - a[0], y - a[1]], d) / length**2
        if 0 <= t <= 1 and abs(d[0] * (y - a[1]) - d[1] * (x - a[0])) / length < 1e-6:
            yield a[2]


def test_a_figure_of_eight_is_more_than_its_two_loops():
    """Side by side in one plane, loops of one sense weaken each other; an eight turns opposite ways, so they add.

    The sign follows from Neumann's integral: the two nearest sides run the same way (Grover 1946, from memory).
    """
    crossed = np.array([(50, -50), (100, 0), (50, 50), (-50, -50), (-100, 0), (-50, 50), (50, -50)], float)
    level = with_underpasses(crossed, 3.0, depth_um=2.0)
    assert level.crossings == 1
    whole = lane_network(level.points_um, 3.0, 1.0, across=3).shared()
    square = np.array([(0, 0), (50, 50), (100, 0), (50, -50), (0, 0)], float)
    loop = lane_network(square, 3.0, 1.0, across=3).shared()
    assert 2 * loop < whole < 2.3 * loop


def test_no_crossing_leaves_the_line_flat():
    level = with_underpasses(spiral_path(given_geometry("octagon", 3, 250, 10, 2)), 10.0, depth_um=3.0)
    assert (level.crossings, level.vias) == (0, 0)
    assert not heights(level).any()


def test_a_line_that_runs_back_over_itself_is_refused():
    with pytest.raises(SettingsError, match="back over itself"):
        with_underpasses(np.array([(0, 0), (100, 0), (100, 50), (60, 50), (60, 0), (20, 0)], float), 5.0, depth_um=3)


def traced(path, width=10.0):
    geometry = given_geometry("square", 3, 300, width, 4)
    return replace(geometry, method="path", path_um=tuple(map(tuple, np.asarray(path, float).tolist())))


def test_an_underpass_enters_the_estimate_its_budget_and_its_remarks():
    spiral = spiral_path(given_geometry("square", 3, 300, 10, 4))
    lead = np.vstack([spiral, spiral[-1] + [0.0, 30.0], spiral[-1] + [-300.0, 30.0]])
    estimate = estimate_inductance(traced(lead), thickness_um=2.0)
    budget = dict(estimate.budget)
    assert 0 < budget["depth of the underpass"] < 0.01 * estimate.inductance_nh
    assert any("crosses itself 3 times; one run was led 3 um below" in line for line in estimate.remarks)
    deep = estimate_inductance(traced(lead), thickness_um=2.0, underpass_um=6.0)
    assert abs(deep.inductance_nh - estimate.inductance_nh) < 3 * budget["depth of the underpass"] + 1e-3
    with pytest.raises(SettingsError, match="underpass"):
        estimate_inductance(traced(lead), thickness_um=2.0, underpass_um=1.5)


def test_a_traced_closed_loop_has_no_open_ends():
    a = 200.0
    loop = [(0, 0), (a, 0), (a, a), (0, a), (0, 0)]
    geometry = replace(given_geometry("square", 1, a + 10, 10, 4), method="path", path_um=tuple(loop))
    estimate = estimate_inductance(geometry, thickness_um=1.0)
    # Square loop, centre line 200 um, 10 x 1 um: independent numeric solution 0.58141 nH (computed, reference 4).
    assert estimate.inductance_nh == pytest.approx(0.58141, rel=1e-3)
    assert dict(estimate.budget)["ends"] == 0
    # Mitred NBS formula (Circular 74 / Terman, from memory), itself 0.14 % off here.
    handbook = 8e-4 * a * (math.log(a / 11) + 0.2235 * 11 / a + 0.726)
    assert estimate.inductance_nh == pytest.approx(handbook, rel=1.6e-3)


def test_a_taper_lies_between_its_narrow_and_its_wide_version():
    path = spiral_path(given_geometry("square", 3, 300, 12, 8))
    narrow, wide = (lane_network(path, w, 2.0, across=5) for w in (6.0, 12.0))
    widths = np.linspace(12, 6, len(path) - 1)
    taper = lane_network(path, widths, 2.0, across=5)
    assert wide.shared() < taper.shared() < narrow.shared()
    same = lane_network(path, np.full(len(path) - 1, 6.0), 2.0, across=5)
    assert same.inductance_nh == pytest.approx(narrow.inductance_nh)
    # Direct-current resistance: squares, summed over the pieces; mitred corners cut 1 % or less.
    step = np.linalg.norm(np.diff(path, axis=0), axis=1)
    assert 1 / np.sum(1 / taper.length_per_area) * 2.0 == pytest.approx(np.sum(step / widths), rel=1e-2)


def test_two_bars_of_unlike_width_in_line_are_the_exact_bars_and_their_mutual():
    path = np.array([(0, 0), (100, 0), (300, 0)], float)
    network = lane_network(path, np.array([10.0, 4.0]), 1.0, across=1)
    parts = bar_self_inductance([100.0, 200.0], [10.0, 4.0], [1.0, 1.0])
    # Two filaments end to end (Grover 1946, ch. 5, from memory): M = 1e-4 [(a+b) ln(a+b) - a ln a - b ln b].
    mutual = 1e-4 * (300 * math.log(300) - 100 * math.log(100) - 200 * math.log(200))
    # Sections 1/10 of the shorter bar change their mutual inductance by some 5 % of itself, 0.5 % of the whole.
    assert network.shared() == pytest.approx(parts.sum() + 2 * mutual, rel=5e-3)


def test_widths_piece_by_piece_reach_the_estimate():
    path = spiral_path(given_geometry("square", 3, 300, 10, 4))
    even = estimate_inductance(traced(path))
    taper = estimate_inductance(traced(path), piece_widths_um=np.linspace(10, 6, len(path) - 1).tolist())
    assert taper.inductance_nh > even.inductance_nh
    # As the picture gives them, with points in the middle of sides that the sum leaves out.
    middles = 0.5 * (path[1:] + path[:-1])
    dense = np.insert(path, np.arange(1, len(path)), middles, axis=0)
    seen = replace(traced(dense), piece_widths_um=tuple(np.repeat(np.linspace(10, 6, len(path) - 1), 2)))
    assert estimate_inductance(seen).inductance_nh == pytest.approx(taper.inductance_nh, rel=1e-6)
    for widths in ([10.0], [0.0] * (len(path) - 1), [math.nan] * (len(path) - 1)):
        with pytest.raises(SettingsError, match="width"):
            estimate_inductance(traced(path), piece_widths_um=widths)
    with pytest.raises(SettingsError, match="no path"):
        estimate_inductance(given_geometry("square", 3, 300, 10, 4), piece_widths_um=[10.0])


@pytest.mark.parametrize("pieces", [3, 30, 200])
def test_very_short_pieces_add_up_to_the_exact_bar(pieces):
    """A bar cut at random places is the bar; exact value by adaptive quadrature (computed): 0.188225 nH."""
    cuts = np.sort(np.concatenate([[0.0, 200.0], np.random.default_rng(1).uniform(0, 200, pieces)]))
    bar = np.column_stack([cuts, np.zeros_like(cuts)])
    # Six digits are quoted.
    assert lane_network(bar, 4, 2, across=3).shared() == pytest.approx(0.188225, rel=6e-6)


def test_a_piece_without_length_changes_nothing():
    path = np.array([(0, 0), (50, 0), (50, 0), (50, 80)], float)
    with_it = lane_network(path, 5, 1, across=2).shared()
    assert with_it == pytest.approx(lane_network(path[[0, 1, 3]], 5, 1, across=2).shared(), rel=2e-2)
    assert math.isfinite(with_it)


def test_a_noisy_line_is_simplified_before_crossings_are_looked_for():
    spiral = spiral_path(given_geometry("octagon", 3, 250, 10, 2))
    rng = np.random.default_rng(3)
    dense = np.concatenate([np.linspace(a, b, 60, endpoint=False) for a, b in pairwise(spiral)])
    line = centre_line(traced(dense + rng.normal(0, 0.03, dense.shape)), underpass_um=3.0)
    assert len(line.points_um) <= 161
    assert line.crossings == 0


@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_a_traced_bend_does_not_lose_its_size_to_chords(noise):
    geometry = given_geometry("circle", 3.5, 83, 4, 3)
    dense = spiral_path(geometry, chords=240)
    traced_line = dense + np.random.default_rng(1).normal(0, noise, dense.shape)
    path = tuple(map(tuple, traced_line.tolist()))
    line = centre_line(replace(geometry, method="image", path_um=path), underpass_um=3.0)
    assert len(line.points_um) <= 161
    full = lane_network(dense[::2], 4, 2).shared()
    # Chords from point to point would read 3e-3 low; fitted ones leave noise and the method's own 1e-3.
    assert lane_network(line.points_um, 4, 2).shared() == pytest.approx(full, rel=1e-3)
    assert line.points_um[[0, -1], :2] == pytest.approx(traced_line[[0, -1]])


def test_corners_stay_where_they_are_traced():
    square = spiral_path(given_geometry("square", 2, 200, 10, 5))
    dense = np.concatenate([np.linspace(a, b, 50, endpoint=False) for a, b in pairwise(square)] + [square[-1:]])
    line = centre_line(traced(dense), underpass_um=3.0)
    assert line.points_um[:, :2] == pytest.approx(square, abs=1e-6)
