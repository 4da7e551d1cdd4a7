"""Drawn outlines as rings of points: what of an area each vertex and each edge carries."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

Array = npt.NDArray[np.float64]

ON_EDGE_PX = 1e-6
"""Nearer to an outline than this is on it: coordinates of overlaid outlines are rounded to some 1e-11 px."""
SHARPEST_COS = -0.97
"""A corner so sharp (within 14 degrees of folding back) has no mitre: an offset there moves its two edges only."""


@dataclass(frozen=True, slots=True, eq=False)
class Ring:
    """A closed ring.

    points : (N, 2), the last not repeated.
    sign : with which the ring's own signed shoelace area counts: outlines add, holes take away.
    outward : (N,), by how much an outward offset of all drawn edges moves edge i (from point i to i + 1) so that the
        area grows: 1 as a rule, 0 for an edge between two blocks that are summed, -1 for what a block leaves free.
    """

    points: Array
    sign: float
    outward: Array


def rings_of(geometry: BaseGeometry) -> Iterator[Ring]:
    """Every ring of a Polygon or MultiPolygon."""
    parts = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    for part in parts:
        if not isinstance(part, Polygon) or part.is_empty:
            continue
        for number, ring in enumerate([part.exterior, *part.interiors]):
            points = np.asarray(ring.coords, dtype=np.float64)[:-1, :2]
            wanted = 1.0 if number == 0 else -1.0
            yield Ring(points, math.copysign(1.0, shoelace(points)) * wanted, np.ones(len(points)))


def rings_of_sum(geometries: Sequence[BaseGeometry]) -> list[Ring]:
    """The rings of several outlines. An edge that two of them share is one drawn line: its offset adds to one what it
    takes from the other."""
    rings = [ring for geometry in geometries for ring in rings_of(geometry)]
    seen: dict[tuple[float, ...], list[tuple[int, int]]] = {}
    for number, ring in enumerate(rings):
        for edge, key in enumerate(_edge_keys(ring)):
            facing = seen.get((*key[2:], *key[:2]))
            if facing:
                other, where = facing.pop()
                ring.outward[edge] = rings[other].outward[where] = 0.0
            else:
                seen.setdefault(key, []).append((number, edge))
    return rings


def _edge_keys(ring: Ring) -> list[tuple[float, ...]]:
    """Start and end of every edge, with what the ring encloses always on the same hand."""
    ends = np.roll(ring.points, -1, axis=0)
    pair = (ring.points, ends) if ring.sign > 0 else (ends, ring.points)
    return [tuple(row) for row in np.concatenate(pair, axis=1).tolist()]


def rings_left(left: BaseGeometry, whole: BaseGeometry) -> list[Ring]:
    """The rings of what blocks leave free of `whole`: its own edges outwards, the blocks' edges inwards."""
    rings = []
    for ring in rings_of(left):
        middle = 0.5 * (ring.points + np.roll(ring.points, -1, axis=0))
        own = shapely.distance(shapely.points(middle), whole.boundary) < ON_EDGE_PX
        rings.append(replace(ring, outward=np.where(own, 1.0, -1.0)))
    return rings


def uncovered(whole: BaseGeometry, parts: Sequence[BaseGeometry]) -> BaseGeometry:
    """What of `whole` no part covers: a Polygon or MultiPolygon, possibly empty."""
    left = whole.difference(shapely.union_all(list(parts)))
    pieces = [piece for piece in shapely.get_parts(left) if isinstance(piece, Polygon)]
    return MultiPolygon(pieces)


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


def edge_lengths(points: Array) -> Array:
    """Length of every edge of a ring, from point i to point i + 1."""
    return np.asarray(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1))


def mitre_growth(ring: Ring) -> Array:
    """By how much an outward offset of one unit lengthens the ring, a share to every corner: 2 tan(turn / 2).

    The sum is 8 for a square and 2 pi for a circle (Steiner's formula). Holes, whose edges then move inwards, and
    corners that point inwards count negative.
    """
    step = np.roll(ring.points, -1, axis=0) - ring.points
    size = np.linalg.norm(step, axis=1, keepdims=True)
    along = np.divide(step, size, out=np.zeros_like(step), where=size > 0)
    before = np.roll(along, 1, axis=0)
    sine = before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0]
    cosine = np.sum(before * along, axis=1)
    growth = np.divide(2.0 * sine, 1.0 + cosine, out=np.zeros_like(sine), where=cosine > SHARPEST_COS)
    return np.asarray(ring.sign * growth, dtype=np.float64)
