"""What a survey says of an inductor beyond its inductance: surroundings, underpasses, tapers."""

from __future__ import annotations

import numpy as np
import pytest
from shapely.geometry import LineString

from dieplat.errors import SettingsError
from dieplat.inductance import given_geometry, spiral_path
from dieplat.survey import measure_survey
from dieplat.values import Region, Regions, Scale
from dieplat.values.electrical import Surroundings
from dieplat.values.stated import Stated

SCALE = Scale(0.5, 0.0005, 0.5, 0.0005, 10.0, 0.0, 100, 0.0, "ruler")


class Blank:
    """A mosaic without anything on it."""

    width_px, height_px = 800, 600

    def read(self, x0, y0, x1, y1, level=0):
        return np.full((min(y1, 600) - max(y0, 0), min(x1, 800) - max(x0, 0)), 120, np.uint8)


def coil(lead=(), **properties):
    """A square spiral of 2 turns, 150 um wide, drawn at two pixels a micrometre, with a lead from its inner end."""
    line = spiral_path(given_geometry("square", 2, 150, 8, 4))
    line = np.vstack([line, line[-1] + np.reshape(lead, (-1, 2))])
    path = LineString(line / 0.5 + [400, 300])
    return Region("coil", "conductor", path, width_um=8.0, properties=properties)


def measured(region, **settings):
    result = measure_survey(Blank(), Regions((region,), "blocks"), SCALE, stated=Stated(find_die=False, **settings))
    assert result.blocks[0].inductor is not None, result.warnings
    return result.blocks[0].inductor


def test_what_was_said_reaches_the_figures():
    inductor = measured(
        coil(), frequency_hz=2.4e9, surroundings=Surroundings(metal="cu", oxide_um=(4.0, 5.0), ground_um=None)
    )
    sources = {line.name: line.source for line in inductor.electrical.assumed}
    assert sources["oxide under the metal"] == "stated"
    assert "resistivity of copper at 20 C" in sources
    plain = inductor.to_dict()
    assert plain["q_at"]["quality"]["low"] < plain["q_at"]["quality"]["value"] < plain["q_at"]["quality"]["high"]


def test_a_ground_plane_reaches_the_inductance():
    assert (
        measured(coil(), surroundings=Surroundings(ground_um=10.0)).estimate.inductance_nh
        < 0.8 * measured(coil()).estimate.inductance_nh
    )


def test_a_lead_that_leaves_under_the_turns():
    inductor = measured(coil(lead=[(0, 20), (-140, 20)]), surroundings=Surroundings(underpass_um=4.0))
    assert any("crosses itself 2 times; one run was led 4 um below" in text for text in inductor.estimate.remarks)
    assert dict(inductor.estimate.budget)["depth of the underpass"] > 0


def test_a_taper_is_read_from_the_path():
    even, taper = coil(), coil(widths_um=[8, 8, 8, 8, 6, 6, 6, 6])
    assert measured(taper).estimate.inductance_nh > measured(even).estimate.inductance_nh


@pytest.mark.parametrize("widths", ["8", [8, 8], [8, "x"], [True] * 8])
def test_a_taper_that_does_not_fit_is_said(widths):
    result = measure_survey(Blank(), Regions((coil(widths_um=widths),), "blocks"), SCALE, stated=Stated(find_die=False))
    assert result.blocks[0].inductor is None
    assert any("width" in text for text in result.warnings)


def test_nonsense_is_refused_before_any_work():
    with pytest.raises(SettingsError, match="oxide"):
        measure_survey(
            Blank(), Regions((coil(),), "blocks"), SCALE, stated=Stated(surroundings=Surroundings(oxide_um=(5.0, 4.0)))
        )


def test_a_drawn_path_is_as_uncertain_as_its_points():
    inductor = measured(coil())
    # Half a pixel a point, half a micrometre a pixel; the width lies between two points.
    assert inductor.geometry.outer_um_u == pytest.approx(0.25)
    assert inductor.geometry.width_um_u == pytest.approx(0.25 * 2**0.5)
    budget = dict(inductor.estimate.budget)
    assert budget["outer"] > 0
    assert budget["width"] > 0
    finer = (
        measure_survey(Blank(), Regions((coil(),), "b"), SCALE, stated=Stated(find_die=False, vertex_u_px=0.1))
        .blocks[0]
        .inductor
    )
    assert finer.estimate.inductance_nh_u < inductor.estimate.inductance_nh_u
