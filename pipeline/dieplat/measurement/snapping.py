"""Refine a drawn outline on the picture: sides to the edges they follow, corners to where those cross."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError
from dieplat.measurement.edge_fit import Choice, Edge, Reader, find_edge
from dieplat.values.stated import VERTEX_U_PX

Array = npt.NDArray[np.float64]

MOST_PX = 3.0
"""How far a vertex may move unless told otherwise: what is further away was not what the person meant."""
FLATTEST_DEG = 20.0
"""Edges that meet at less than this have no corner that they tell: the vertex then moves across them only."""
FOUND_EDGE_U_PX = 0.2 / math.sqrt(3.0)
"""Standard uncertainty of an offset common to all edges found: half height of a blurred step is not half way where a
camera's tone curve bends. For a step from 0.10 to 0.27 of full scale and a curve of power 1/2.4 the shift is 0.2 of the
blur's standard deviation, which is about a pixel; uniform within that (JCGM 100, 4.3.7)."""


@dataclass(frozen=True, slots=True)
class VertexMove:
    """What became of one vertex (px). u_before_px, u_px: standard uncertainties of x and y as drawn, and now.

    `u_px` is None where the vertex stays as drawn, and `reason` then says why. Where only one of its two sides was
    found it moves across that one; its place along it stays as it was drawn, and so does that uncertainty.
    """

    drawn_px: tuple[float, float]
    at_px: tuple[float, float]
    moved_px: float
    u_before_px: tuple[float, float]
    u_px: tuple[float, float] | None
    reason: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Snapped:
    """The refined outline, and what became of every vertex, ring by ring."""

    geometry: BaseGeometry
    moves: tuple[VertexMove, ...]

    @property
    def found(self) -> int:
        """How many vertices were found on the picture."""
        return sum(move.u_px is not None for move in self.moves)


def snap_outline(
    mosaic: Reader,
    geometry: BaseGeometry,
    *,
    most_px: float = MOST_PX,
    vertex_u_px: float = VERTEX_U_PX,
    textured: bool = False,
) -> Snapped:
    """Move an outline's vertices to the corners that the picture shows.

    Parameters
    ----------
    mosaic : Reader
        Read in crops along each side.
    geometry : Polygon or MultiPolygon
        In mosaic pixels; holes are refined too.
    most_px : float
        A vertex that would move further stays where it is.
    vertex_u_px : float
        How well the drawn vertices are known, to compare with and for what stays.
    textured : bool
        Of cells or wires, whose own metal ends in clear edges inside the block's: the block may then end anywhere
        between the place drawn and the edge found (uniform, JCGM 100, 4.3.7), which becomes part of the uncertainty.

    Returns
    -------
    Snapped
        The geometry is the same object's type, never with crossing edges: an outline that would cross itself is left as
        it was drawn.
    """
    parts = [part for part in shapely.get_parts(geometry) if isinstance(part, Polygon)]
    polygons, moves = [], []
    for part in parts:
        rings = [np.asarray(ring.coords, dtype=np.float64)[:-1, :2] for ring in (part.exterior, *part.interiors)]
        done = [_snap_ring(mosaic, ring, most_px, vertex_u_px, textured) for ring in rings]
        shell, *holes = ([move.at_px for move in ring] for ring in done)
        polygons.append(Polygon(shell, holes))
        moves += [move for ring in done for move in ring]
    refined: BaseGeometry = MultiPolygon(polygons) if isinstance(geometry, MultiPolygon) else polygons[0]
    if not refined.is_valid:
        reason = "the refined outline would cross itself"
        return Snapped(geometry, tuple(_stay(move.drawn_px, vertex_u_px, reason) for move in moves))
    return Snapped(refined, tuple(moves))


def _snap_ring(mosaic: Reader, points: Array, most_px: float, vertex_u_px: float, textured: bool) -> list[VertexMove]:
    sides = [find_side(mosaic, a, b, most_px) for a, b in zip(points, np.roll(points, -1, axis=0), strict=True)]
    before = [sides[-1], *sides[:-1]]
    return [
        _snap_vertex(point, first, second, most_px, vertex_u_px, textured)
        for point, first, second in zip(points, before, sides, strict=True)
    ]


def find_side(
    mosaic: Reader,
    start: Array,
    end: Array,
    reach_px: float,
    choice: Choice = "strongest",
    blur_px: tuple[float, float] | None = None,
) -> Edge | str:
    """The edge of a side, or in words why there is none; see `edge_fit.find_edge`."""
    try:
        return find_edge(mosaic, start, end, reach_px=reach_px, choice=choice, blur_px=blur_px)
    except UndecidedError as error:
        return str(error)


def _stay(point: tuple[float, float], u: float, reason: str) -> VertexMove:
    return VertexMove(point, point, 0.0, (u, u), None, reason)


def _snap_vertex(
    point: Array, first: Edge | str, second: Edge | str, most_px: float, vertex_u_px: float, textured: bool
) -> VertexMove:
    drawn = (float(point[0]), float(point[1]))
    edges = [edge for edge in (first, second) if isinstance(edge, Edge)]
    reasons = [edge for edge in (first, second) if isinstance(edge, str)]
    if not edges:
        return _stay(drawn, vertex_u_px, f"of its sides: {' / '.join(dict.fromkeys(reasons))}")
    at, covariance = meet(point, edges, vertex_u_px)
    moved = float(np.hypot(*(at - point)))
    if moved > most_px:
        return _stay(drawn, vertex_u_px, f"the corner found lies {moved:.1f} px away, more than {most_px:g} px")
    u = np.sqrt(np.diag(covariance) + ((at - point) ** 2 / 3.0 if textured else 0.0))
    if u.max() > 1.01 * vertex_u_px:
        return _stay(drawn, vertex_u_px, f"the corner found is known to {u.max():.2f} px only, no better than as drawn")
    reason = f"one side only: {reasons[0]}" if reasons else ""
    place = (float(at[0]), float(at[1]))
    return VertexMove(drawn, place, moved, (vertex_u_px, vertex_u_px), (float(u[0]), float(u[1])), reason)


def meet(point: Array, edges: list[Edge], vertex_u_px: float) -> tuple[Array, Array]:
    """Where the edges at a vertex cross, and its covariance; along a single edge the vertex stays as drawn.

    The two ends of a side share its error, but vertices are taken as independent afterwards. Twice the variance makes
    up for that: of a rectangle, the areas and the distances of sides are then as uncertain as its four edges make them.
    """
    normals = np.stack([edge.normal for edge in edges])
    places = np.array([float(edge.normal @ edge.point) for edge in edges])
    variances = [2.0 * edge.u_at(point) ** 2 for edge in edges]
    if len(edges) == 2:
        sine = abs(float(normals[0, 0] * normals[1, 1] - normals[0, 1] * normals[1, 0]))
        if sine < math.sin(math.radians(FLATTEST_DEG)):
            normals, places = normals.mean(axis=0, keepdims=True), places.mean(keepdims=True)
            places /= np.linalg.norm(normals)
            normals /= np.linalg.norm(normals)
            variances = [max(variances)]
    if len(normals) == 1:
        along = np.array([-normals[0, 1], normals[0, 0]])
        normals = np.vstack([normals, along])
        places = np.append(places, along @ point)
        variances = [variances[0], vertex_u_px**2]
    inverse = np.linalg.inv(normals)
    return inverse @ places, inverse @ np.diag(variances) @ inverse.T
