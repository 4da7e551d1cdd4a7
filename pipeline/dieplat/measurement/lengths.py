"""Lengths of drawn paths."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import LineString

from dieplat.measurement.areas import length_gradient, path_length
from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import Measured


def measure_length(line: LineString, inputs: Inputs) -> Measured:
    """Length of a path along its drawn points, in micrometres.

    The drawn line is taken as it is: a curve drawn with few points reads short. The edge offset counts once
    at each end, where the conductor stops.
    """
    per_px = np.array([inputs.scale.um_per_px_x, inputs.scale.um_per_px_y])
    points = np.asarray(line.coords, dtype=np.float64)[:, :2]
    length, _, along = length_gradient(points * per_px, closed=False)
    per_px_along = math.hypot(along[0] * per_px[0], along[1] * per_px[1]) / length
    quantity = path_length(points, inputs, closed=False) + 2.0 * per_px_along * inputs.edge
    return inputs.measured(quantity, "um")
