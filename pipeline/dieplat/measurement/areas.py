"""Areas, perimeters and shares of drawn outlines, with their uncertainties.

A = 1/2 sum(x_i y_{i+1} - x_{i+1} y_i); dA/dx_i = (y_{i+1} - y_{i-1})/2, dA/dy_i = (x_{i-1} - x_{i+1})/2
(M. Jansson, C.-G. Persson, "Uncertainty in area determination", KTH; G. Navratil, "Precision of area
computation", 2003). An offset e of all edges adds e times the perimeter.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry
from uncertainties import umath  # type: ignore[import-untyped]

from dieplat.measurement.outlines import (
    Array,
    Ring,
    area_gradient,
    edge_lengths,
    mitre_growth,
    rings_left,
    rings_of,
    rings_of_sum,
    shoelace,
    uncovered,
)
from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import Measured, Quantity


def measure_area(geometries: Sequence[BaseGeometry], inputs: Inputs) -> Measured:
    """Area of one outline, or the sum of several, in square micrometres.

    Parameters
    ----------
    geometries : sequence of Polygon or MultiPolygon, in mosaic pixels
        Vertices with the same coordinates are taken as one drawn point, edges between two such points as one drawn
        line, so blocks that share an edge are correlated as they should be.
    inputs : Inputs
        Scale and placement; common to all that is measured on one mosaic.

    Returns
    -------
    Measured
        In um2, with a budget line for every part of the scale, "vertices", "edges" and, with a layout, "tile
        positions" and "lens of the tiles".
    """
    return inputs.measured(_area(rings_of_sum(geometries), inputs), "um2")


def measure_left(whole: BaseGeometry, parts: Sequence[BaseGeometry], inputs: Inputs) -> Measured:
    """Area of what of `whole` no part covers, in square micrometres."""
    return inputs.measured(_area(rings_left(uncovered(whole, parts), whole), inputs), "um2")


def _area(rings: Sequence[Ring], inputs: Inputs) -> Quantity:
    """The shoelace sum, its change by all that moves vertices and edges, and the scale."""
    area_px: Quantity = 0.0
    points, gradients = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for ring in rings:
        points.append(ring.points)
        gradients.append(ring.sign * area_gradient(ring.points))
        area_px += ring.sign * shoelace(ring.points)
        area_px += inputs.offset(ring.points, ring.outward * edge_lengths(ring.points))
    area_px += inputs.moved(np.concatenate(points), np.concatenate(gradients))
    return area_px * inputs.um_x * inputs.um_y * umath.cos(inputs.skew)


def measure_perimeter(geometry: BaseGeometry, inputs: Inputs) -> Measured:
    """Length of all rings of an outline, holes included, in micrometres; see `mitre_growth` for the edge offset."""
    scale = inputs.scale
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    total: Quantity = 0.0
    for ring in rings_of(geometry):
        offset = inputs.offset(ring.points, mitre_growth(ring) * float(np.sqrt(per_px.prod())))
        total += path_length(ring.points, inputs, closed=True) + offset
    return inputs.measured(total, "um")


def path_length(points_px: Array, inputs: Inputs, *, closed: bool) -> Quantity:
    """Length of a path (N, 2) in micrometres, without the offset of its ends or edges."""
    scale = inputs.scale
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    length, gradient, (along_x, along_y, along_angle) = length_gradient(points_px * per_px, closed=closed)
    return (
        length
        + inputs.moved(points_px, gradient * per_px)
        + along_x * (inputs.um_x / scale.um_per_px_x - 1.0)
        + along_y * (inputs.um_y / scale.um_per_px_y - 1.0)
        + along_angle * inputs.skew
    )


def length_gradient(points: Array, *, closed: bool) -> tuple[float, Array, tuple[float, float, float]]:
    """Length of a path (N, 2), its derivatives by the vertices, and by ln(sx), ln(sy) and the angle of the axes.

    The last three are sum(dx^2/l), sum(dy^2/l), which add up to the length, and sum(dx dy/l). Segments of no length
    have no direction and no part in the derivatives.
    """
    ends = np.roll(points, -1, axis=0) if closed else points[1:]
    starts = points if closed else points[:-1]
    step = ends - starts
    lengths = np.hypot(step[:, 0], step[:, 1])
    direction = np.divide(step, lengths[:, None], out=np.zeros_like(step), where=lengths[:, None] > 0)
    gradient = np.zeros_like(points)
    gradient[: len(starts)] -= direction
    if closed:
        gradient += np.roll(direction, 1, axis=0)
    else:
        gradient[1:] += direction
    along = np.sum(step * direction, axis=0)
    return float(lengths.sum()), gradient, (float(along[0]), float(along[1]), float(step[:, 0] @ direction[:, 1]))


def share_of(part: Measured, whole: Measured) -> tuple[float, float]:
    """Share of an area in another and its standard uncertainty, both from the same `Inputs`.

    The gradient is taken jointly: the scale is common and cancels, and so does what both owe to a common vertex, tile
    or edge offset.
    """
    share = part.quantity / whole.quantity
    return part.value / whole.value, float(getattr(share, "std_dev", 0.0))


def overlaps_of(geometries: Sequence[BaseGeometry], *, least_px2: float = 1.0) -> list[tuple[int, int, float]]:
    """Pairs (i, j) of outlines that overlap by more than `least_px2`, with the overlap in square pixels."""
    if not geometries:
        return []
    tree = shapely.STRtree(geometries)
    first, second = tree.query(geometries, predicate="intersects")
    found = []
    for i, j in sorted(zip(first.tolist(), second.tolist(), strict=True)):
        if i < j:
            area = float(geometries[i].intersection(geometries[j]).area)
            if area > least_px2:
                found.append((i, j, area))
    return found
