"""What blur, bends, corners and dirt do to the edges of a winding, on pictures of little noise."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from dieplat.measurement.inductors import measure_inductor

sys.path.insert(0, str(Path(__file__).parent))
from inductor_drawing import draw_spiral, draw_symmetric


def measure(drawn):
    return measure_inductor(drawn.image, drawn.polygon, um_per_px_x=1.0, um_per_px_y=1.0)


def path_px(found, drawn):
    return np.asarray(found.path_um) - drawn.centre


def test_bent_edges_do_not_shrink_with_the_blur():
    """A blurred edge of radius r moves by blur^2 / (2 r) towards its centre, the first order of diffusion on a curve:
    here by 0.034 px outside and 0.05 px inside, twice that in a diameter."""
    drawn = draw_spiral(np.random.default_rng(3), "circle", 2.5, 170.0, 8.3, 6.1, blur=2.4, noise=0.5, light=0.0)
    found = measure(drawn)
    assert found.outer_um == pytest.approx(drawn.outer, abs=0.04)
    assert found.inner_um == pytest.approx(drawn.inner, abs=0.05)


@pytest.mark.parametrize("shape", ["square", "octagon"])
def test_corners_of_a_crossing_winding_are_not_cut(shape):
    """The line's outermost points are its corners; blur cuts those of a square by about a pixel."""
    drawn = draw_symmetric(np.random.default_rng(4), shape, 2, 180.0, 8.0, 8.0, blur=1.8, noise=1.0)
    farthest = np.hypot(*path_px(measure(drawn), drawn).T).max()
    turn = {"square": np.pi / 4, "octagon": np.pi / 8}[shape]
    assert farthest == pytest.approx((drawn.outer - drawn.width) / 2 / np.cos(turn), abs=0.3)


@pytest.mark.parametrize("rotation", [0.0, 1.1])
def test_a_round_spiral_begins_where_its_lead_touches_it(rotation):
    """Wide metal and a narrow gap: just before the beginning the next turn lies against the lead."""
    drawn = draw_spiral(
        np.random.default_rng(5), "circle", 2.25, 184.0, 14.6, 7.0, rotation=rotation, blur=1.3, noise=2.0
    )
    found = measure(drawn)
    assert found.turns == 2.25
    begins = np.asarray(found.path_um)[0]
    assert np.hypot(*(begins - drawn.line[0])) < 1.5
    assert found.ends_um_u * np.sqrt(found.first_end_part) < 1.5


def test_dirt_across_a_side_does_not_move_its_edges():
    """Specks of the metal's own colour on the outermost edges, over a twentieth of each side's length."""
    drawn = draw_spiral(np.random.default_rng(6), "square", 3.0, 180.0, 9.0, 9.0, blur=1.2, noise=1.0, light=0.0)
    clean = measure(drawn)
    dirty = drawn.image.copy()
    x, y = (round(c) for c in drawn.centre)
    for at in ((x + 89, y + 20), (x - 10, y + 89), (x - 89, y - 20), (x + 10, y - 89)):
        cv2.circle(dirty, at, 4, (190, 170, 120), cv2.FILLED, cv2.LINE_AA)
    found = measure(replace(drawn, image=dirty))
    assert found.turns == clean.turns == 3.0
    assert found.outer_um == pytest.approx(clean.outer_um, abs=0.03)


def test_rounding_of_a_faint_jpeg_widens_what_is_stated():
    """The same winding at a third of the contrast: rounding takes a greater part of the step."""

    def stated(contrast):
        metal = tuple(90 + contrast for _ in range(3))
        levels = ((90, 90, 90), metal, (95, 95, 95))
        drawn = draw_spiral(
            np.random.default_rng(8), "octagon", 3.0, 200.0, 9.0, 9.0, blur=1.5, noise=2.0, levels=levels
        )
        saved = cv2.imencode(".jpg", drawn.image, [cv2.IMWRITE_JPEG_QUALITY, 92])[1]
        found = measure(replace(drawn, image=cv2.imdecode(saved, cv2.IMREAD_COLOR)))
        # Four standard uncertainties: a chance of 6e-5, were they normal.
        assert abs(found.width_um - drawn.width) < 4 * found.width_um_u
        return found.width_um_u

    assert stated(30) > 1.5 * stated(90)


def test_a_short_side_where_the_winding_steps_lies_on_its_own_ring():
    """The last turn's side before the step is two fifths of its length, as the step takes the rest."""
    drawn = draw_spiral(np.random.default_rng(9), "octagon", 3.125, 150.0, 6.3, 9.0, blur=1.8, noise=2.0)
    found = measure(drawn)
    assert found.turns == 3.125
    line, true = np.asarray(found.path_um), drawn.line
    # All corners but the ends, which have an uncertainty of their own.
    assert len(line) == len(true)
    assert np.hypot(*(line[1:-1] - true[1:-1]).T).max() < 0.6
