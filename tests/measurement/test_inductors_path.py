"""Inductor geometry from a drawn centre line."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dieplat.errors import AnnotationError
from dieplat.measurement.inductors import inductor_from_path
from dieplat.phantom.make import plan_phantom
from dieplat.phantom.scenario import scenario_for

sys.path.insert(0, str(Path(__file__).parent))
from inductor_drawing import drifting_spiral, stepped_spiral


def test_a_square_spiral_of_three_turns():
    line = stepped_spiral(4, 3.0, 200.0, 8.0, 2.0)
    found = inductor_from_path(line, 8.0)
    assert (found.shape, found.method, found.symmetric) == ("square", "path", False)
    assert found.turns == pytest.approx(3.0, abs=0.02)
    # The corner where each turn steps in by 10 um is the eighth part of a side or less.
    assert found.outer_um == pytest.approx(200.0, abs=1.0)
    # Mohan et al. 1999: 200 - 2 * 3 * 8 - 2 * 2 * 2.
    assert found.inner_um == pytest.approx(144.0, abs=1.5)
    assert found.spacing_um == pytest.approx(2.0, abs=0.01)
    assert np.array(found.path_um) == pytest.approx(line)


@given(
    sides=st.sampled_from([4, 6, 8]),
    quarters=st.integers(6, 20),
    width=st.floats(4, 12),
    spacing=st.floats(2, 8),
    rotation=st.floats(-1.5, 1.5),
    shift=st.tuples(st.floats(-500, 500), st.floats(-500, 500)),
)
@settings(max_examples=25, deadline=None)
def test_turned_and_shifted_polygons(sides, quarters, width, spacing, rotation, shift):
    turns = quarters / 4
    outer = 2 * turns * (width + spacing) + 120
    c, s = np.cos(rotation), np.sin(rotation)
    line = stepped_spiral(sides, turns, outer, width, spacing) @ np.array([[c, s], [-s, c]]) + shift
    found = inductor_from_path(line, width)
    assert found.shape == {4: "square", 6: "hexagon", 8: "octagon"}[sides]
    # The ends are seen from the line's own centroid, which lies off the rings' centre by less than a pitch.
    assert found.turns == pytest.approx(turns, abs=0.06)
    assert found.spacing_um == pytest.approx(spacing, abs=0.2)
    assert found.outer_um == pytest.approx(outer, abs=0.5 * (width + spacing))


def test_a_circle():
    found = inductor_from_path(drifting_spiral(3.5, 200.0, 8.0, 4.0), 8.0)
    assert found.shape == "circle"
    assert found.turns == pytest.approx(3.5, abs=0.02)
    assert found.spacing_um == pytest.approx(4.0, abs=0.2)


@pytest.mark.parametrize("width", [None, 0.0, -3.0, float("nan")])
def test_a_width_is_needed(width):
    with pytest.raises(AnnotationError, match="width_um"):
        inductor_from_path(stepped_spiral(4, 2.0, 100.0, 8.0, 4.0), width)


def test_a_line_that_does_not_wind_is_refused():
    with pytest.raises(AnnotationError, match="wind"):
        inductor_from_path([(0, 0), (10, 0), (20, 1), (30, 0), (40, 5)], 2.0)


def test_a_width_wider_than_the_pitch_is_refused():
    with pytest.raises(AnnotationError, match=r"overlap|neighbouring"):
        inductor_from_path(stepped_spiral(4, 3.0, 200.0, 8.0, 2.0), 30.0)


@pytest.mark.parametrize("seed", [2, 8, 15])
def test_a_drawn_symmetric_winding_has_its_true_diameters(seed: int) -> None:
    """Crossings pull the middle of the line aside; distances between opposite sides do not notice."""
    truth = plan_phantom(scenario_for("ordinary"), seed=seed)
    facts, drawn = truth.to_dict(), truth.blocks_document()
    um_per_px = facts["um_per_px"]
    line = next(f for f in drawn["features"] if f["properties"]["kind"] == "conductor")
    true = next(
        block["inductor"] for block in facts["blocks"] if line["properties"]["name"].startswith(block["name"] + " ")
    )
    assert true["symmetric"]
    found = inductor_from_path(np.array(line["geometry"]["coordinates"]) * um_per_px, line["properties"]["width_um"])
    assert found.outer_um == pytest.approx(true["outer_um"], rel=1e-5)
    assert found.inner_um == pytest.approx(true["inner_um"], rel=1e-5)
