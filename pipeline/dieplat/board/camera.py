"""Where a place on the board lies in the picture, and back: a pinhole, a tilted plane, one radial term.

The plane passes through the point D = scale x focal length straight ahead of the camera. With tilt none, a board
coordinate is the scale times the picture's; see Hartley and Zisserman, Multiple View Geometry, 2nd ed. 2004, chapters 6
and 8 for the pinhole and the plane, and D. C. Brown, Close-range camera calibration, Photogrammetric Engineering 37
(1971) 855-866 for the radial term (both from memory).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from dieplat.values.board import BoardCamera

Floats = npt.NDArray[np.float64]

UNDISTORT_STEPS = 12
"""Newton's steps; radial terms of a tenth are undone to the last digit in five."""


class Frame(NamedTuple):
    """The picture's middle and half of its diagonal, in pixels: the unit of radii."""

    centre_px: tuple[float, float]
    half_px: float


def frame_of(size_px: tuple[int, int]) -> Frame:
    """The frame of a picture of (width, height)."""
    width, height = size_px
    return Frame((width / 2, height / 2), 0.5 * float(np.hypot(width, height)))


def to_picture(unknowns: Floats, board_um: Floats, frame: Frame, above_um: float = 0.0) -> Floats:
    """Places in the picture of places on the board.

    Parameters
    ----------
    unknowns : ndarray of shape (5,)
        As `dieplat.values.board.CAMERA_UNKNOWNS`, the scale in micrometres per half diagonal.
    board_um : ndarray of shape (N, 2)
        Places on the plane of the traces.
    above_um : float
        How far they lie above it, towards the camera.

    Returns
    -------
    ndarray of shape (N, 2), pixels
    """
    scale, focal, k1 = float(np.exp(unknowns[0])), float(np.exp(unknowns[3])), float(unknowns[4])
    across, down, away = _axes(unknowns)
    space = np.array([0.0, 0.0, scale * focal]) + np.outer(board_um[:, 0], across) + np.outer(board_um[:, 1], down)
    space -= above_um * away
    plain = focal * space[:, :2] / space[:, 2:]
    bent = plain * (1 + k1 * np.sum(plain**2, axis=1, keepdims=True))
    picture: Floats = np.asarray(frame.centre_px) + frame.half_px * bent
    return picture


def to_board(unknowns: Floats, picture_px: Floats, frame: Frame) -> Floats:
    """Places on the plane of the traces, in micrometres, of places in the picture (N, 2)."""
    scale, focal, k1 = float(np.exp(unknowns[0])), float(np.exp(unknowns[3])), float(unknowns[4])
    across, down, away = _axes(unknowns)
    plain = _straightened((picture_px - np.asarray(frame.centre_px)) / frame.half_px, k1)
    rays = np.column_stack([plain, np.full(len(plain), focal)])
    middle = np.array([0.0, 0.0, scale * focal])
    reach = (middle @ away) / (rays @ away)
    offset = rays * reach[:, None] - middle
    return np.column_stack([offset @ across, offset @ down])


def unknowns_of(camera: BoardCamera) -> Floats:
    """The camera's unknowns, in the order of `CAMERA_UNKNOWNS`."""
    return np.array([np.log(camera.um_per_half), *camera.tilt_rad, np.log(camera.focal), camera.k1])


def _axes(unknowns: Floats) -> tuple[Floats, Floats, Floats]:
    """The board's two axes and its normal, pointing away from the camera."""
    turn = Rotation.from_rotvec([unknowns[1], unknowns[2], 0.0]).as_matrix()
    return turn[:, 0], turn[:, 1], turn[:, 2]


def _straightened(bent: Floats, k1: float) -> Floats:
    """Undo r (1 + k1 r^2) by Newton's method."""
    radius = np.hypot(bent[:, 0], bent[:, 1])
    plain = radius.copy()
    for _ in range(UNDISTORT_STEPS):
        plain -= (plain * (1 + k1 * plain**2) - radius) / np.maximum(1 + 3 * k1 * plain**2, 0.1)
    return bent * np.where(radius > 0, plain / np.where(radius > 0, radius, 1.0), 1.0)[:, None]
