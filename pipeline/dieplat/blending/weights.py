"""How much of a tile goes into each pixel: 1 inside, falling to 0 over a few pixels along seams and edges.

A narrow mix hides the last of a step in brightness and cannot show a thing twice, as a wide one would
wherever two tiles disagree by a pixel or two. The pixels beyond it are one tile's own.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

FEATHER_PX = 8.0
"""Half the width of the mix along a seam, and the width of it along a tile's edge."""

Weights = npt.NDArray[np.float32]


def edge_weights(valid: npt.NDArray[np.bool_], *, feather_px: float) -> Weights:
    """Rise from the edge of a tile's valid pixels, 0 outside them, 1 from `feather_px` inwards."""
    distance = cv2.distanceTransform(np.pad(valid, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1]
    weights: Weights = np.clip(distance / feather_px, 0.0, 1.0).astype(np.float32)
    return weights


def hole_weights(covered: npt.NDArray[np.bool_], *, feather_px: float) -> Weights:
    """1 where nothing is yet, falling to 0 within `feather_px` of it."""
    if covered.all():
        return np.zeros(covered.shape, np.float32)
    distance = cv2.distanceTransform(covered.astype(np.uint8), cv2.DIST_L2, 3)
    weights: Weights = np.clip(1.0 - distance / feather_px, 0.0, 1.0).astype(np.float32)
    return weights


def seam_weights(
    seam_px: npt.NDArray[np.float64], width_px: int, *, feather_px: float, right: bool
) -> Weights:
    """Weight of the picture on the right (or left) of a seam that runs from top to bottom.

    Parameters
    ----------
    seam_px : ndarray of shape (M,)
        The seam's x in every row, as `seam.find_seam` gives it.
    width_px : int
        Columns of the overlap.
    feather_px : float
        Half the width of the mix, measured across.
    right : bool
        Whether the weight is that of the picture on the right.

    Returns
    -------
    ndarray of shape (M, width_px), float32
    """
    x_px = np.arange(width_px) + 0.5
    ramp = 0.5 + (x_px - seam_px[:, None]) / (2.0 * feather_px)
    return np.clip(ramp if right else 1.0 - ramp, 0.0, 1.0).astype(np.float32)
