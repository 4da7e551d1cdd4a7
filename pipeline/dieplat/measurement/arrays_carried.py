"""What an array's pitch takes over from the tiles that show it: their positions and the distortion left in them."""

from __future__ import annotations

import math

import numpy as np

from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import u_of
from dieplat.values import ArrayLattice

POINTS = 9
"""Along each side of a bank: distortion of third and fifth degree is smooth between them."""


def carried_u_px(lattice: ArrayLattice, inputs: Inputs) -> tuple[float, float]:
    """Standard uncertainties of both pitches in pixels, by the displacements that `inputs` holds possible.

    The pitch is the slope of a straight line through evenly spread places of each bank, all banks with one slope:
    displacements enter with its weights (JCGM 100, H.3; propagation by 5.1.2). The scatter within the picture is not
    in it.
    """
    turn = math.radians(lattice.rotation_deg)
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    pitch = np.array([lattice.pitch_x_px, lattice.pitch_y_px])
    share = (np.arange(POINTS) + 0.5) / POINTS - 0.5
    grid = np.stack(np.meshgrid(share, share, indexing="ij"), axis=-1).reshape(-1, 2)
    along, places = [], []
    for bank in lattice.banks:
        middle = np.reshape(bank.bounds_px, (2, 2)).mean(axis=0)
        along.append(grid * (bank.columns, bank.rows) * pitch)
        places.append(middle + along[-1] @ axes)
    from_middle, points = np.concatenate(along), np.concatenate(places)
    moved = []
    for axis in (0, 1):
        slope = from_middle[:, axis] / (from_middle[:, axis] ** 2).sum()
        change = inputs.carried(points, pitch[axis] * slope[:, None] * axes[axis])
        moved.append(u_of(change))
    return moved[0], moved[1]
