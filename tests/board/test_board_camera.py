"""The camera over a board, against OpenCV's arithmetic and against itself."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dieplat.board.camera import frame_of, to_board, to_picture
from dieplat.board.fit import Usual, fit_camera
from dieplat.board.lengths import path_length
from dieplat.errors import AnnotationError
from dieplat.values.board import KnownShape

SIZE = (1600, 1200)
FRAME = frame_of(SIZE)
UNKNOWNS = np.array([math.log(40_000.0), math.radians(4), math.radians(-6), math.log(2.2), 0.015])
CORNERS_UM = np.array([[-20e3, -14e3], [20e3, -14e3], [20e3, 14e3], [-20e3, 14e3]])


@pytest.mark.parametrize("above_um", [0.0, 1500.0])
def test_places_are_those_of_opencv(above_um):
    """OpenCV's projectPoints: its radii are in focal lengths, ours in half diagonals of the picture."""
    scale, focal, k1 = math.exp(UNKNOWNS[0]), math.exp(UNKNOWNS[3]), UNKNOWNS[4]
    pixels = focal * FRAME.half_px
    matrix = np.array([[pixels, 0, SIZE[0] / 2], [0, pixels, SIZE[1] / 2], [0, 0, 1.0]])
    solid = np.column_stack([CORNERS_UM, np.full(4, -above_um)])
    turn = np.array([UNKNOWNS[1], UNKNOWNS[2], 0.0])
    place = np.array([0.0, 0.0, scale * focal])
    theirs, _ = cv2.projectPoints(solid, turn, place, matrix, np.array([k1 * focal**2, 0, 0, 0]))
    ours = to_picture(UNKNOWNS, CORNERS_UM, FRAME, above_um)
    np.testing.assert_allclose(ours, theirs.reshape(-1, 2), atol=1e-6)


@given(
    st.floats(-0.2, 0.2), st.floats(-0.2, 0.2), st.floats(1.0, 5.0), st.floats(-0.08, 0.08),
    st.lists(st.tuples(st.floats(-25e3, 25e3), st.floats(-18e3, 18e3)), min_size=1, max_size=6),
)  # fmt: skip
def test_back_and_forth(tilt_x, tilt_y, focal, k1, places):
    unknowns = np.array([math.log(40_000.0), tilt_x, tilt_y, math.log(focal), k1])
    there = to_picture(unknowns, np.array(places), FRAME)
    np.testing.assert_allclose(to_board(unknowns, there, FRAME), places, atol=1e-3)


def test_four_known_points_show_the_tilt():
    shape = KnownShape("holes", to_picture(UNKNOWNS, CORNERS_UM, FRAME), CORNERS_UM, above_u_um=0.0)
    camera = fit_camera([shape], size_px=SIZE)
    path = np.array([[-10e3, -5e3], [-10e3, 5e3], [9e3, 5e3]])
    length, budget = path_length(camera, to_picture(UNKNOWNS, path, FRAME), point_u_px=0.5)
    u = math.hypot(*(line.u for line in budget))
    assert abs(length - 29e3) < u
    assert u < 0.01 * length
    total = sum((part for _, _, part in camera.parts), np.zeros((5, 5)))
    np.testing.assert_allclose(total, camera.covariance)


def test_two_points_leave_the_tilt_open_and_say_so():
    ends = np.array([[-15e3, 12e3], [15e3, 12e3]])
    shape = KnownShape("part", to_picture(UNKNOWNS, ends, FRAME), ends, above_u_um=0.0)
    camera = fit_camera([shape], size_px=SIZE)
    path = np.array([[0.0, -12e3], [0.0, 0.0]])
    length, budget = path_length(camera, to_picture(UNKNOWNS, path, FRAME), point_u_px=0.5)
    by_name = {line.name: line.u for line in budget}
    u = math.hypot(*by_name.values())
    assert abs(length - 12e3) < 3 * u
    assert by_name["tilt, as usual"] > 0.5 * u > 0.01 * length


def test_what_lies_above_the_board_looks_larger():
    """A ruler 2 mm thick at 100 mm is seen 2 per cent too large; said, it is taken out."""
    straight = np.array([math.log(40_000.0), 0.0, 0.0, math.log(2.5), 0.0])  # the camera is 100 mm away
    marks = np.column_stack([np.arange(-15e3, 15.1e3, 5e3), np.full(7, 10e3)])
    seen = to_picture(straight, marks, FRAME, above_um=2000.0)
    known = {"points_px": seen, "points_um": marks, "above_u_um": 0.0}
    usual = Usual(tilt_u_deg=1e-3, focal_mm=2.5 * 21.63, k1_u=1e-6)
    path = to_picture(straight, np.array([[-10e3, 0.0], [10e3, 0.0]]), FRAME)

    def length(above_um: float) -> float:
        camera = fit_camera([KnownShape("ruler", above_um=above_um, **known)], size_px=SIZE, usual=usual)
        return path_length(camera, path, point_u_px=0.5)[0]

    assert length(2000.0) == pytest.approx(20e3, rel=1e-4)
    assert length(0.0) == pytest.approx(20e3 * 0.98, rel=1e-3)


def test_known_things_that_contradict_one_another_are_refused():
    shape = KnownShape("holes", to_picture(UNKNOWNS, CORNERS_UM, FRAME), CORNERS_UM * [1.0, 1.3], above_u_um=0.0)
    marks = np.column_stack([np.arange(-15e3, 15.1e3, 5e3), np.zeros(7)])
    ruler = KnownShape("ruler", to_picture(UNKNOWNS, marks, FRAME), marks, above_u_um=0.0)
    with pytest.raises(AnnotationError, match="contradict one another"):
        fit_camera([shape, ruler], size_px=SIZE)


def test_a_known_length_of_a_few_pixels_is_none():
    shape = KnownShape("dot", np.array([[10.0, 10.0], [14.0, 12.0]]), np.array([[0.0, 0.0], [100.0, 0.0]]))
    with pytest.raises(AnnotationError, match="something longer"):
        fit_camera([shape], size_px=SIZE)
