"""Areas, perimeters and sides of drawn outlines, with their uncertainties.

A = 1/2 sum(x_i y_{i+1} - x_{i+1} y_i); dA/dx_i = (y_{i+1} - y_{i-1})/2, dA/dy_i = (x_{i-1} - x_{i+1})/2
(M. Jansson, C.-G. Persson, "Uncertainty in area determination", KTH; G. Navratil, "Precision of area
computation", 2003). An offset e of all edges adds e times the perimeter.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from shapely.affinity import scale as stretch
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.measurement.placement import Array, Measured, Placement, measured
from dieplat.values import Scale

DEFAULT = Placement()


def rings_of(geometry: BaseGeometry) -> Iterator[tuple[Array, float]]:
    """Every ring of a Polygon or MultiPolygon as (points (N, 2) without the repeated last one, sign).

    The sign is that with which the ring's own signed shoelace area counts: outlines add, holes take away.
    """
    parts = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    for part in parts:
        if not isinstance(part, Polygon) or part.is_empty:
            continue
        for number, ring in enumerate([part.exterior, *part.interiors]):
            points = np.asarray(ring.coords, dtype=np.float64)[:-1, :2]
            wanted = 1.0 if number == 0 else -1.0
            yield points, math.copysign(1.0, shoelace(points)) * wanted


def shoelace(points: Array) -> float:
    """Signed area of a ring (N, 2), in squared units of the points.

    One vertex is subtracted first: far from the origin the products lose digits (J. D. Cook, 2018).
    """
    x, y = (points - points[0]).T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def area_gradient(points: Array) -> Array:
    """Derivatives of `shoelace` by the vertices: ndarray (N, 2)."""
    step = np.roll(points, -1, axis=0) - np.roll(points, 1, axis=0)
    return 0.5 * np.stack([step[:, 1], -step[:, 0]], axis=1)


def length_gradient(points: Array, *, closed: bool) -> tuple[float, Array, tuple[float, float]]:
    """Length of a path (N, 2), its derivatives by the vertices, and its parts along x and y.

    The parts are dL/d ln(sx) = sum(dx^2/l) and dL/d ln(sy) = sum(dy^2/l); they add up to the length.
    Segments of no length have no direction and no part in the derivatives.
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
    return float(lengths.sum()), gradient, (float(along[0]), float(along[1]))


def measure_area(geometries: Sequence[BaseGeometry], scale: Scale, *, placement: Placement = DEFAULT) -> Measured:
    """Area of one outline, or the sum of several, in square micrometres.

    Parameters
    ----------
    geometries : sequence of Polygon or MultiPolygon, in mosaic pixels
        Vertices with the same coordinates are taken as one drawn point, so blocks that share an edge are
        correlated as they should be. Scale and edge offset are common to all and add linearly.
    scale : Scale
    placement : Placement, optional

    Returns
    -------
    Measured
        In um2, with the budget lines "scale", "vertices", "edges" and, with a layout, "tile positions".
    """
    to_um2 = scale.um_per_px_x * scale.um_per_px_y
    points, gradients = [np.zeros((1, 2))], [np.zeros((1, 2))]
    area_px = perimeter_px = 0.0
    for geometry in geometries:
        for ring, sign in rings_of(geometry):
            area_px += sign * shoelace(ring)
            points.append(ring)
            gradients.append(sign * area_gradient(ring))
            perimeter_px += length_gradient(ring, closed=True)[0]
    value = area_px * to_um2
    return measured(
        value,
        "um2",
        np.concatenate(points),
        np.concatenate(gradients) * to_um2,
        along=(value, value),
        edge=perimeter_px * to_um2,
        scale=scale,
        placement=placement,
    )


def measure_perimeter(geometry: BaseGeometry, scale: Scale, *, placement: Placement = DEFAULT) -> Measured:
    """Length of all rings of an outline, holes included, in micrometres.

    An offset e of the edges changes the length of a convex ring by about 2 pi e (Steiner's formula).
    """
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    points, gradients = [], []
    total = edge = along_x = along_y = 0.0
    for ring, _ in rings_of(geometry):
        length, gradient, along = length_gradient(ring * per_px, closed=True)
        points.append(ring)
        gradients.append(gradient * per_px)
        total += length
        along_x, along_y = along_x + along[0], along_y + along[1]
        edge += 2.0 * math.pi * float(np.sqrt(per_px.prod()))
    return measured(
        total,
        "um",
        np.concatenate(points),
        np.concatenate(gradients),
        along=(along_x, along_y),
        edge=edge,
        scale=scale,
        placement=placement,
    )


def measure_sides(geometry: BaseGeometry, scale: Scale, *, placement: Placement = DEFAULT) -> tuple[Measured, Measured]:
    """Width and height of an outline in micrometres: the sides of its smallest turned rectangle.

    The width is the side that lies nearer to the x axis. Each side has two ends: two vertices that err
    independently and the common edge offset twice.
    """
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    in_um = stretch(geometry, xfact=per_px[0], yfact=per_px[1], origin=(0, 0))
    box = np.asarray(shapely.oriented_envelope(in_um).exterior.coords)[:3]  # type: ignore[attr-defined]
    sides = []
    for start, end in ((box[0], box[1]), (box[1], box[2])):
        ends_um = np.stack([start, end])
        length, gradient, along = length_gradient(ends_um, closed=False)
        per_px_along = float(np.hypot(*(gradient[1] * per_px)))
        sides.append(
            measured(
                length,
                "um",
                ends_um / per_px,
                gradient * per_px,
                along=along,
                edge=2.0 * per_px_along,
                scale=scale,
                placement=placement,
            )
        )
        if len(sides) == 1:
            first_is_width = along[0] >= along[1]
    return (sides[0], sides[1]) if first_is_width else (sides[1], sides[0])


def share_of(part: Measured, whole: Measured) -> tuple[float, float]:
    """Share of an area in another and its standard uncertainty.

    Both areas carry the same scale, so it cancels; only the placement terms remain. They are combined as
    independent, which is the cautious choice for edges that might err in the same direction.
    """
    share = part.value / whole.value
    relative = math.hypot(part.u_without_scale / part.value, whole.u_without_scale / whole.value)
    return share, share * relative


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


def uncovered(whole: BaseGeometry, parts: Sequence[BaseGeometry]) -> BaseGeometry:
    """What of `whole` no part covers: a Polygon or MultiPolygon, possibly empty."""
    left = whole.difference(shapely.union_all(list(parts)))
    pieces = [piece for piece in shapely.get_parts(left) if isinstance(piece, Polygon)]
    return MultiPolygon(pieces)
