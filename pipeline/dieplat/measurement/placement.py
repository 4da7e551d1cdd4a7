"""How well drawn vertices and edges are known, and everything that a quantity measured on a mosaic depends on."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from dieplat.measurement.lens_left import bend_u_px, lens_left
from dieplat.measurement.propagation import Measured, Quantity, Source, linear, measured, variable
from dieplat.measurement.scale_parts import parts_of
from dieplat.measurement.tile_network import correlation_factor, tiles_under
from dieplat.values import Layout, Scale
from dieplat.values.stated import EDGE_U_PX, VERTEX_U_PX

Array = npt.NDArray[np.float64]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Placement:
    """Standard uncertainties of what was drawn, in mosaic pixels.

    vertex_u_px : of each coordinate of each vertex, independent of its neighbours. 0.5 px: a vertex is set by
        hand on the pixel that shows the corner, or its neighbour (common practice, no source). 0 for outlines that are
        known exactly.
    edge_u_px : of an offset common to all edges, which no number of vertices averages away: where on the
        blurred edge the outline is drawn. Uniform within a quarter pixel to either side (JCGM 100, 4.3.7), so
        0.144 px (choice of ours; nothing published for drawn outlines).
    layout : the solved tile positions, if known; their uncertainties move vertices tile by tile.
    grid_px : the step to which coordinates were rounded, 0 if they were not: uniform within half a step.
    found : vertices that were found in the picture instead: their own standard uncertainties along x and y.
    found_edge_u_px : of an offset common to all edges between two found vertices that are not a die's.
    sawn : those of the found vertices that are the corners of a die that nobody drew.
    sawn_edge_u_px : of an offset common to the edges between two of these.
    """

    vertex_u_px: float = VERTEX_U_PX
    edge_u_px: float = EDGE_U_PX
    layout: Layout | None = None
    grid_px: float = 0.0
    found: Mapping[Point, Point] = field(default_factory=dict)
    found_edge_u_px: float = 0.0
    sawn: frozenset[Point] = frozenset()
    sawn_edge_u_px: float = 0.0

    def offsets(self, points_px: Array) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """Which edges of a closed ring, from point i (N, 2) to the next, were found, and which of them are a die's."""
        points = [*map(tuple, points_px.tolist())]
        known = [np.array([point in some for point in points]) for some in (self.found, self.sawn)]
        found, sawn = (one & np.roll(one, -1) for one in known)
        return found, sawn & found


DEFAULT = Placement()


class Inputs:
    """The variables behind all quantities of one mosaic; quantities from one `Inputs` keep what they share.

    Attributes
    ----------
    scale, placement
    um_x, um_y, skew : Quantity
        Micrometres a pixel along x and y, and the angle between the axes from 90 degrees (radians).
    edge : Quantity
        The offset (px, outwards) that all drawn edges have in common; `found_edge` that of edges found in the picture.
    """

    def __init__(self, scale: Scale, placement: Placement = DEFAULT) -> None:
        self.scale, self.placement = scale, placement
        parts = parts_of(scale)
        causes = [variable(part.u, part.name) for part in parts]
        self.um_x = scale.um_per_px_x * (1.0 + linear([part.on_x for part in parts], causes))
        self.um_y = scale.um_per_px_y * (1.0 + linear([part.on_y for part in parts], causes))
        self.skew = linear([part.on_angle for part in parts], causes)
        self.edge = variable(placement.edge_u_px, "edges")
        self.found_edge = variable(placement.found_edge_u_px, "edges found")
        self._sawn_edge = variable(placement.sawn_edge_u_px, "sawn rim")
        self._vertices: dict[Point, tuple[Quantity, Quantity]] = {}
        layout = placement.layout if placement.layout is not None and placement.layout.tiles else None
        self._layout = layout
        self._factor = None if layout is None else correlation_factor(layout)
        self.sources = _sources(scale, placement, joined=self._factor is not None)
        if layout is not None:
            self._tiles = [[variable(1.0, "tile positions") for _ in layout.tiles] for _ in "xy"]
            self._spread = np.array([[tile.x_px_u, tile.y_px_u] for tile in layout.tiles])
            self._lens = lens_left(layout)
            self._bends = [variable(1.0, "lens of the tiles") for _ in self._lens.factor.T]

    def measured(self, quantity: Quantity, unit: str) -> Measured:
        """A quantity with its budget over this mosaic's sources."""
        return measured(quantity, self.sources, unit=unit)

    def vertex(self, point: Point) -> tuple[Quantity, Quantity]:
        """The errors (x, y; px) of one drawn point; the same coordinates are the same point."""
        if point not in self._vertices:
            own = self.placement.found.get(point)
            ux, uy = own if own is not None else (self.placement.vertex_u_px,) * 2
            name = "vertices" if own is None else "vertices found"
            x, y = variable(ux, name), variable(uy, name)
            if own is None and self.placement.grid_px > 0.0:
                step_u = self.placement.grid_px / math.sqrt(12.0)
                x, y = x + variable(step_u, "pixel size"), y + variable(step_u, "pixel size")
            self._vertices[point] = (x, y)
        return self._vertices[point]

    def moved(self, points_px: Array, gradient: Array) -> Quantity:
        """First-order change of a quantity by the errors of points: drawing, tile positions, distortion.

        points_px, gradient : ndarray (N, 2); the gradient is in the unit of the quantity a pixel.
        """
        distinct, place = np.unique(points_px, axis=0, return_inverse=True)
        summed = np.zeros_like(distinct)
        np.add.at(summed, place.reshape(-1), gradient)
        errors = [item for x, y in distinct.tolist() for item in self.vertex((x, y))]
        return linear(summed.ravel().tolist(), errors) + self.carried(distinct, summed)

    def carried(self, distinct: Array, summed: Array) -> Quantity:
        """The same for distinct points that nobody drew, by the errors of their tiles alone."""
        change: Quantity = linear([], [])
        if self._layout is None or len(distinct) == 0:
            return change
        nearest = tiles_under(distinct, self._layout)
        by_tile = np.zeros_like(self._spread)
        np.add.at(by_tile, nearest, summed)
        # Where the derivatives of one tile's vertices cancel but for rounding, the tile has no part in it.
        by_tile[np.abs(by_tile) < 1e-12 * np.abs(summed).sum()] = 0.0
        by_tile *= self._spread
        for axis in (0, 1):
            terms = by_tile[:, axis] if self._factor is None else by_tile[:, axis] @ self._factor
            change = change + linear(terms.tolist(), self._tiles[axis][: len(terms)])
        pulls = self._lens.pulls(distinct, nearest)
        return change + linear(np.sum(summed * pulls, axis=(1, 2)).tolist(), self._bends)

    def offset(self, points_px: Array, lengths: Array) -> Quantity:
        """Change of a quantity by the offset of a closed ring's edges.

        lengths (N,) are the derivatives by the offset of each edge, from point i to point i + 1.
        """
        if not self.placement.found:
            return float(lengths.sum()) * self.edge
        found, sawn = self.placement.offsets(points_px)
        by = ((~found, self.edge), (found & ~sawn, self.found_edge), (sawn, self._sawn_edge))
        return sum((float(lengths[which].sum()) * edge for which, edge in by if which.any()), start=linear([], []))


def _sources(scale: Scale, placement: Placement, *, joined: bool) -> tuple[Source, ...]:
    """The lines of a budget, in their order; `joined`: the tiles' covariance is known."""
    sources = list({part.name: Source(part.name, part.kind, part.note) for part in parts_of(scale)}.values())
    sources.append(Source("vertices", "B", f"each coordinate {placement.vertex_u_px:.3g} px, independent"))
    if placement.grid_px > 0.0:
        note = f"coordinates rounded to {placement.grid_px:g} px: uniform within half of that"
        sources.append(Source("pixel size", "B", note))
    sources.append(Source("edges", "B", f"an offset of {placement.edge_u_px:.3g} px common to all edges"))
    if placement.found:
        sources.append(Source("vertices found", "A", "vertices found in the picture, each as it was found"))
    if placement.found_edge_u_px > 0.0:
        note = f"an offset of {placement.found_edge_u_px:.3g} px common to all edges found in the picture"
        sources.append(Source("edges found", "B", note))
    if placement.sawn_edge_u_px > 0.0:
        note = f"an offset of {placement.sawn_edge_u_px:.3g} px common to the found die's sides: rim, blur, tone curve"
        sources.append(Source("sawn rim", "B", note))
    if placement.layout is not None and placement.layout.tiles:
        note = "vertices on one tile move together; tiles taken as independent"
        if joined:
            note = "vertices on one tile move together; tiles correlated as their overlaps join them"
        sources.append(Source("tile positions", "A", note))
        note = f"radial distortion left in the tiles, {bend_u_px(placement.layout):.2g} px at a corner"
        sources.append(Source("lens of the tiles", "B", note))
    return tuple(sources)
