"""The angle between the camera's axes and those along which the stage moves, from where tiles lie."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FEWEST_TILES = 6


def stage_turn(
    cells: Sequence[tuple[int, int]], places_px: Sequence[tuple[float, float]]
) -> tuple[float, float] | None:
    """The turn (degrees, x towards y) of the stage's axes against the camera's, and its standard uncertainty.

    Parameters
    ----------
    cells : sequence of tuple of int
        (row, column) of every tile.
    places_px : sequence of tuple of float
        Where its corner lies.

    Returns
    -------
    tuple of float, or None
        None where fewer than six tiles, or a single row or column, leave it open.

    Notes
    -----
    Least squares on places with a step a column, a step a row and a backlash of rows travelled in opposite directions;
    the scatter of the stage about these gives the uncertainty. A turn without shear turns both steps alike: their
    angles to the nearest axis of the camera are averaged by their weights, and if they differ by more than they
    scatter, because the stage's axes are not square, half the difference adds to the uncertainty.
    """
    rows, columns = np.array(cells, dtype=np.float64).reshape(-1, 2).T
    if len(rows) < FEWEST_TILES or np.ptp(rows) == 0 or np.ptp(columns) == 0:
        return None
    design = np.stack([np.ones_like(rows), columns, rows, np.where(rows % 2 == 0, 0.5, -0.5)], axis=-1)
    if np.linalg.matrix_rank(design) < 4:
        design = design[:, :3]
    places = np.array(places_px, dtype=np.float64)
    freedom = len(rows) - design.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    found, *_ = np.linalg.lstsq(design, places, rcond=None)
    residual = places - design @ found
    scatter = residual.T @ residual / freedom
    share = np.linalg.inv(design.T @ design)
    angles, variances = zip(*(_angle(found[k], scatter * share[k, k]) for k in (1, 2)), strict=True)
    # Of axes that scatter not at all both count alike.
    weight = 1 / (np.array(variances) + 1e-18)
    mean = float(weight @ np.array(angles) / weight.sum())
    difference = abs(angles[0] - angles[1])
    beyond = difference / 2 if difference > 3 * math.sqrt(sum(variances)) else 0.0
    return math.degrees(mean), math.degrees(math.hypot(1 / math.sqrt(weight.sum()), beyond))


def _angle(step: npt.NDArray[np.float64], cov: npt.NDArray[np.float64]) -> tuple[float, float]:
    """Angle of a step to the nearest axis, and its variance, in radians."""
    x, y = step
    angle = math.atan2(y, x)
    across = np.array([-y, x]) / (x * x + y * y)
    quarter = math.pi / 2
    return angle - quarter * round(angle / quarter), float(across @ cov @ across)
