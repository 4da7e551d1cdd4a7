"""Divisions too faint to be found one by one: looked for between lines, never between the gaps."""

import numpy as np
import pytest

from dieplat.calibration import find_ruling, measure_scale
from dieplat.calibration.lattice import Lattice, hidden_divisions
from dieplat.calibration.template import line_template
from dieplat.phantom.make import draw_micrometer, plan_phantom
from dieplat.phantom.scenario import scenario_for

PITCH_PX = 20.0
NODES = np.arange(480.0)


def lines(first_px, pitch_px, depth):
    """A profile of dark lines 4 px wide."""
    nearest = (NODES - first_px + 0.5 * pitch_px) % pitch_px - 0.5 * pitch_px
    return -depth * np.exp(-0.5 * (nearest / 1.7) ** 2)


def divisions(profile, first_px):
    """What is found by a numbering that begins at `first_px`."""
    count = int((NODES[-1] - first_px) / PITCH_PX)
    straight = np.polynomial.Polynomial([-first_px / PITCH_PX, 1.0 / PITCH_PX])
    lattice = Lattice(straight, 1.0, count + 1, first_px, first_px + count * PITCH_PX)
    return hidden_divisions(profile, lattice, line_template(profile, lattice.places()[1], PITCH_PX))


@pytest.mark.parametrize("first_px", [20.0, 30.0], ids=["lines are numbered", "gaps are numbered"])
@pytest.mark.parametrize(("faint", "expected"), [(0.0, 1), (0.1, 2)])
def test_a_numbering_of_gaps_is_no_finer_ruling(first_px, faint, expected):
    grain = np.random.default_rng(1).normal(0.0, 0.003, NODES.shape)
    profile = lines(20.0, PITCH_PX, 1.0) + lines(30.0, PITCH_PX, faint) + grain
    assert divisions(profile, first_px) == expected


def test_a_plain_picture_whose_gaps_were_numbered_has_its_own_pitch():
    """Broad gaps between these lines stood out as clearly as the lines, and half the pitch was read."""
    small = {"rows": 3, "columns": 3, "tile_width_px": 480, "tile_height_px": 360}
    scenario = scenario_for("ordinary", **small, fine=3, um_per_px_ratio_y=0.9999483583662797)
    truth = plan_phantom(scenario, seed=54028)
    picture = draw_micrometer(truth, scenario)
    assert find_ruling(picture).pitch_px * truth.frame.um_per_px_x == pytest.approx(truth.pitch_true_um, rel=2e-4)
    scale = measure_scale(picture, pitch_um=truth.pitch_um, pitch_um_u=truth.pitch_u_um)
    assert abs(scale.um_per_px_x - truth.frame.um_per_px_x) < 3.0 * scale.um_per_px_x_u
