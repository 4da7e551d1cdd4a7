"""Lengths of paths on the board, with what they rest on."""

from __future__ import annotations

import math

import numpy as np
from scipy.stats.qmc import MultivariateNormalQMC

from dieplat.board.camera import Frame, to_board, unknowns_of
from dieplat.values import BudgetLine
from dieplat.values.board import BoardCamera, Floats

STEP = 1e-5
"""Step of the numerical derivatives by a camera's unknowns, all of which are near 1 in size."""
STEP_PX = 0.01
DRAWS = 1024
"""Cameras drawn for what the derivatives leave out; quasi-random, so that the result is always the same."""

NOTES = {
    "known points": "as set by hand on the picture",
    "known lengths themselves": "as stated for the ruler or part",
    "height of the known things": "how far they lie above the traces",
    "tilt, as usual": "what the known things leave open of the camera's tilt",
    "focal length, as usual or stated": "what they leave open of the focal length",
    "distortion, as usual": "what they leave open of the lens's distortion",
    "bend": "beyond what derivatives say; from cameras drawn at random (JCGM 101)",
}


def path_length(
    camera: BoardCamera, points_px: Floats, *, point_u_px: float | Floats
) -> tuple[float, tuple[BudgetLine, ...]]:
    """Length in micrometres of a path whose corners were set by hand, and its budget.

    Between two corners the path is straight on the board, however the picture bends it.

    Parameters
    ----------
    points_px : ndarray of shape (N, 2)
        Corners in the picture.
    point_u_px : float or ndarray of shape (N,)
        Standard uncertainty of the coordinates of all of them, or of each, independent.

    Returns
    -------
    float
    tuple of BudgetLine
        In micrometres; the root of the sum of their squares is the length's standard uncertainty (JCGM 100, 5.1.2).
    """
    frame = Frame(camera.centre_px, camera.half_px)
    unknowns = unknowns_of(camera)

    def length(given: Floats) -> float:
        return float(np.hypot(*np.diff(to_board(given, points_px, frame), axis=0).T).sum())

    by_camera = np.array(
        [(length(unknowns + step) - length(unknowns - step)) / (2 * STEP) for step in STEP * np.eye(len(unknowns))]
    )
    lines = [
        BudgetLine(name, math.sqrt(max(float(by_camera @ part @ by_camera), 0.0)), "um", kind, NOTES.get(name, ""))
        for name, kind, part in camera.parts
    ]
    drawn = MultivariateNormalQMC(unknowns, camera.covariance, rng=0).random(DRAWS)
    spread = float(np.var([length(one) for one in drawn]))
    bend = math.sqrt(max(spread - float(by_camera @ camera.covariance @ by_camera), 0.0))
    lines.append(BudgetLine("tilt times focal length and the like", bend, "um", "B", NOTES["bend"]))
    by_points = _by_points(unknowns, points_px, frame)
    each = np.broadcast_to(point_u_px, len(points_px))
    u = float(np.sqrt(np.sum(each**2 * np.sum(by_points**2, axis=1))))
    told = f"{each.min():.2g}" if np.ptp(each) == 0 else f"{each.min():.2g} to {each.max():.2g}"
    lines.append(BudgetLine("the path's points", u, "um", "B", f"each coordinate {told} px, independent"))
    return length(unknowns), tuple(lines)


def _by_points(unknowns: Floats, points_px: Floats, frame: Frame) -> Floats:
    """Derivatives of the length by every coordinate of the path, in micrometres a pixel."""
    board = to_board(unknowns, points_px, frame)
    steps = np.diff(board, axis=0)
    unit = steps / np.maximum(np.hypot(steps[:, 0], steps[:, 1]), 1e-12)[:, None]
    along = np.zeros_like(board)
    along[1:] += unit
    along[:-1] -= unit
    derivatives = np.empty_like(board)
    for axis in (0, 1):
        shift = STEP_PX * np.eye(2)[axis]
        moved = to_board(unknowns, points_px + shift, frame) - to_board(unknowns, points_px - shift, frame)
        derivatives[:, axis] = np.sum(along * moved, axis=1) / (2 * STEP_PX)
    return derivatives
