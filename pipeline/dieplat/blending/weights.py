"""How much of a tile goes into each pixel: 1 inside, falling to 0 over a few pixels along seams and edges.

A narrow mix hides the last of a step in brightness and cannot show a thing twice, as a wide one would
wherever two tiles disagree by a pixel or two. The pixels beyond it are one tile's own.
"""

from __future__ import annotations

import cv2
import numpy as np
import numpy.typing as npt

FEATHER_PX = 8.0
"""Half the width of the mix along a seam."""

EDGE_PX = 6.0
"""Reach of the resampling filter: so close to its edge a tile is partly guessed."""

Weights = npt.NDArray[np.float32]
Sides = tuple[bool, bool, bool, bool]


def edge_penalty(present: npt.NDArray[np.bool_], *, open_sides: Sides) -> Weights:
    """How close a pixel is to the edge of what is present: 1 at the edge, 0 well inside.

    The outermost `EDGE_PX` leaned on mirrored pixels when they were resampled and count as the edge itself;
    from there the penalty falls over twice `FEATHER_PX`, as steeply as a seam. Where nothing is present it
    is 1.

    Parameters
    ----------
    present : ndarray of shape (M, N), bool
        Valid pixels of a tile, or painted pixels of the mosaic.
    open_sides : tuple of bool
        Left, top, right, bottom: whether what lies beyond that side is to count as absent.
    """
    left, top, right, bottom = open_sides
    padded = np.ones((present.shape[0] + 2, present.shape[1] + 2), np.uint8)
    # A side that does not count is taken for continued; fractional places leave its last line empty.
    kept = np.s_[0 if top else 1 : None if bottom else -1, 0 if left else 1 : None if right else -1]
    padded[1:-1, 1:-1][kept] = present[kept]
    padded[:, 0] &= not left
    padded[0] &= not top
    padded[:, -1] &= not right
    padded[-1] &= not bottom
    if padded.all():
        return np.zeros(present.shape, np.float32)
    distance = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1]
    ramp = 1.0 - (distance - EDGE_PX) / (2.0 * FEATHER_PX)
    penalty: Weights = np.clip(ramp, 0.0, 1.0).astype(np.float32)
    penalty[~present] = 1.0
    return penalty


def settle(seam: Weights, *, tile: npt.NDArray[np.bool_], under: npt.NDArray[np.bool_], open_sides: Sides) -> Weights:
    """Weights of a tile over what is painted: as the seams say, but turning away from the edge of either.

    Without this a seam that ends inside the picture, or an edge that no seam covers, would show as a line.

    Parameters
    ----------
    seam : ndarray of shape (M, N), float32
        Weights from the seams alone.
    tile, under : ndarray of shape (M, N), bool
        Where the tile has pixels, and where there is paint already.
    open_sides : tuple of bool
        Left, top, right, bottom: whether the mosaic goes on beyond that side of the tile.
    """
    weights = seam - edge_penalty(tile, open_sides=open_sides)
    # Beyond the tile's own sides the paint's edge is of no concern.
    weights += edge_penalty(under, open_sides=(False, False, False, False))
    np.clip(weights, 0.0, 1.0, out=weights)
    weights[~under] = 1.0
    weights[~tile] = 0.0
    return weights


def seam_weights(seam_px: npt.NDArray[np.float64], width_px: int, *, feather_px: float, right: bool) -> Weights:
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
