"""How well drawn vertices and edges are known, and how that and the scale reach a measured quantity.

Every quantity here is a function of vertex coordinates (mosaic pixels) and of the two axes' scales. Its
uncertainty is propagated to first order (JCGM 100:2008, 5.1 and 5.2) from four independent sources: the
scale, the placement of single vertices, an edge bias common to all edges, and the tiles' positions.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from dieplat.values import BudgetLine, Layout, Scale

Array = npt.NDArray[np.float64]

VERTEX_U_PX = 0.5
EDGE_U_PX = 0.25 / math.sqrt(3.0)


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Standard uncertainties of what was drawn, in mosaic pixels.

    vertex_u_px : of each coordinate of each vertex, independent of its neighbours. 0.5 px: a vertex is set by
        hand on the pixel that shows the corner, or its neighbour (common practice, no source).
    edge_u_px : of an offset common to all edges, which no number of vertices averages away: where on the
        blurred edge the outline is drawn. Uniform within a quarter pixel to either side (JCGM 100, 4.3.7), so
        0.144 px (choice of ours; nothing published for drawn outlines).
    layout : the solved tile positions, if known; their uncertainties move vertices tile by tile.
    """

    vertex_u_px: float = VERTEX_U_PX
    edge_u_px: float = EDGE_U_PX
    layout: Layout | None = None


@dataclass(frozen=True, slots=True)
class Measured:
    """A value, its standard uncertainty, the part of it that is not the scale, and the budget behind both."""

    value: float
    u: float
    u_without_scale: float
    budget: tuple[BudgetLine, ...]


def scale_known(scale: Scale) -> bool:
    """Whether the scale carries an uncertainty (NaN says that it does not)."""
    return math.isfinite(scale.um_per_px_x_u) and math.isfinite(scale.um_per_px_y_u)


def scale_u(scale: Scale, along_x: float, along_y: float) -> float:
    """Standard uncertainty that the scale gives a quantity Q.

    `along_x`, `along_y` are dQ / d ln(sx) and dQ / d ln(sy), in the unit of Q. One picture for both axes:
    the errors are fully correlated and add linearly (JCGM 100, 5.2.2 note 1). Independent axes: only the
    part common to both (the micrometer's own tolerance) adds linearly, the rest in quadrature.
    Zero where the scale's uncertainty is not known.
    """
    if not scale_known(scale):
        return 0.0
    rel_x = scale.um_per_px_x_u / scale.um_per_px_x
    rel_y = scale.um_per_px_y_u / scale.um_per_px_y
    if not scale.axes_independent:
        return abs(along_x * rel_x + along_y * rel_y)
    common = min(scale.common_u_rel, rel_x, rel_y)
    own_x2 = rel_x**2 - common**2
    own_y2 = rel_y**2 - common**2
    return math.sqrt((common * (along_x + along_y)) ** 2 + along_x**2 * own_x2 + along_y**2 * own_y2)


def vertex_u(points_px: Array, gradient: Array, u_px: float) -> float:
    """Contribution of independent vertices: u |grad Q|, a vertex shared by several outlines counting as one.

    points_px, gradient : ndarray (N, 2); the gradient is in the unit of Q a pixel.
    """
    _, place = np.unique(points_px, axis=0, return_inverse=True)
    summed = np.zeros((int(place.max()) + 1, 2))
    np.add.at(summed, place.reshape(-1), gradient)
    return u_px * float(np.sqrt(np.sum(summed**2)))


def tile_u(points_px: Array, gradient: Array, layout: Layout) -> float:
    """Contribution of the tiles' positions.

    Every vertex moves with the tile whose centre is nearest; vertices on one tile move together, tiles are
    taken as independent. So an outline on a single tile is not affected: it moves as a whole.
    """
    corners = np.array([[tile.x_px, tile.y_px] for tile in layout.tiles])
    spreads = np.array([[tile.x_px_u, tile.y_px_u] for tile in layout.tiles])
    centres = corners + 0.5 * np.array([layout.tile_width_px, layout.tile_height_px])
    _, nearest = cKDTree(centres).query(points_px)
    summed = np.zeros_like(corners)
    np.add.at(summed, nearest, gradient)
    return float(np.sqrt(np.sum((summed * spreads) ** 2)))


def measured(
    value: float,
    unit: str,
    points_px: Array,
    gradient: Array,
    *,
    along: tuple[float, float],
    edge: float,
    scale: Scale,
    placement: Placement,
) -> Measured:
    """Put a value and its sensitivities together into a `Measured` with its budget.

    `gradient` is dQ/d(vertex), unit of Q a pixel; `along` as for `scale_u`; `edge` is dQ/d(edge offset) in
    the unit of Q a pixel.
    """
    placed = [
        BudgetLine(
            "vertices",
            vertex_u(points_px, gradient, placement.vertex_u_px),
            unit,
            "B",
            f"each coordinate {placement.vertex_u_px:.3g} px, independent",
        ),
        BudgetLine(
            "edges",
            abs(edge) * placement.edge_u_px,
            unit,
            "B",
            f"an offset of {placement.edge_u_px:.3g} px common to all edges",
        ),
    ]
    if placement.layout is not None and placement.layout.tiles:
        u_tiles = tile_u(points_px, gradient, placement.layout)
        placed.append(BudgetLine("tile positions", u_tiles, unit, "A", "vertices on one tile move together"))
    lines = placed
    if scale_known(scale):
        note = "axes measured apart" if scale.axes_independent else "one value for both axes, correlated"
        lines = [BudgetLine("scale", scale_u(scale, *along), unit, "B", note), *placed]
    return Measured(value, combined(lines), combined(placed), tuple(lines))


def combined(lines: Sequence[BudgetLine]) -> float:
    """Root sum of squares of independent contributions (JCGM 100, 5.1.2)."""
    return math.sqrt(math.fsum(line.u**2 for line in lines))
