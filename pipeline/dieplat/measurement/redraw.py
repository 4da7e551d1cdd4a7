"""Every input of a mosaic's measurements drawn anew, and areas and sides evaluated in full for each draw.

The second method beside first-order propagation: it shares with it what the inputs are and how they are distributed,
not how a result is computed from them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from shapely.geometry.base import BaseGeometry

from dieplat.measurement.lens_left import lens_left, lens_was_fitted
from dieplat.measurement.outlines import Ring, mitre_growth, rings_left, rings_of, rings_of_sum, uncovered
from dieplat.measurement.placement import Placement
from dieplat.measurement.scale_parts import parts_of
from dieplat.measurement.sides import SideEdges, find_sides
from dieplat.measurement.tile_network import correlation_factor, tiles_under
from dieplat.values import Scale

Array = npt.NDArray[np.float64]


class Redraw:
    """Draws of everything that is common to the quantities of one mosaic.

    Parameters
    ----------
    geometries : sequence of shapely geometries
        All outlines that will be asked for; points with the same coordinates are one drawn point.
    scale, placement
        Normal distributions, but for the edge offset, rounding and a distortion that was not seen, which are uniform.
    draws : int
    rng : Generator
    """

    def __init__(
        self,
        geometries: Sequence[BaseGeometry],
        scale: Scale,
        placement: Placement,
        *,
        draws: int,
        rng: np.random.Generator,
    ) -> None:
        self.draws, self._scale = draws, scale
        relative = np.zeros((3, draws))
        for part in parts_of(scale):
            relative += np.array([[part.on_x], [part.on_y], [part.on_angle]]) * (part.u * rng.standard_normal(draws))
        self.um_x, self.um_y = scale.um_per_px_x * (1 + relative[0]), scale.um_per_px_y * (1 + relative[1])
        self.skew = relative[2]
        half = math.sqrt(3.0)
        self._edge = half * placement.edge_u_px * rng.uniform(-1, 1, draws)
        self._found_edge = half * placement.found_edge_u_px * rng.uniform(-1, 1, draws)
        self._placement = placement
        points = np.concatenate([ring.points for geometry in geometries for ring in rings_of(geometry)])
        distinct = np.unique(points, axis=0)
        self._row = {tuple(point): number for number, point in enumerate(distinct.tolist())}
        self._vertices = distinct + _vertex_errors(distinct, placement, draws, rng)
        self._sawn_edge = half * placement.sawn_edge_u_px * rng.uniform(-1, 1, draws)

    def points(self, points_px: Array) -> Array:
        """Draws (draws, N, 2) of drawn points."""
        rows = [self._row[tuple(point)] for point in points_px.tolist()]
        return self._vertices[:, rows]

    def area(self, geometries: Sequence[BaseGeometry]) -> Array:
        """Draws (draws,) of an area or a sum of areas in square micrometres."""
        return self._area(rings_of_sum(geometries))

    def left(self, whole: BaseGeometry, parts: Sequence[BaseGeometry]) -> Array:
        """Draws of what of `whole` no part covers, which must be among the geometries."""
        return self._area(rings_left(uncovered(whole, parts), whole))

    def knows_left(self, whole: BaseGeometry, parts: Sequence[BaseGeometry]) -> bool:
        """Whether all corners of what is left were drawn, and none arose where outlines cross."""
        rings = rings_left(uncovered(whole, parts), whole)
        return all(tuple(point) in self._row for ring in rings for point in ring.points.tolist())

    def _area(self, rings: Sequence[Ring]) -> Array:
        total = np.zeros(self.draws)
        for ring in rings:
            drawn = self.points(ring.points)
            x, y = np.moveaxis(drawn - drawn[:, :1], -1, 0)
            total += 0.5 * ring.sign * np.sum(x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y, axis=1)
            offset = self._offset(ring.points)
            lengths = np.linalg.norm(np.roll(drawn, -1, axis=1) - drawn, axis=2)
            total += np.sum(ring.outward * lengths * offset, axis=1)
            # A corner between edges that move by e and f outwards gains e f tan(turn / 2).
            pair = ring.outward * np.roll(ring.outward, 1) * offset * np.roll(offset, 1, axis=1)
            total += 0.5 * np.sum(mitre_growth(ring) * pair, axis=1)
        return np.asarray(total * self.um_x * self.um_y * np.cos(self.skew), dtype=np.float64)

    def _offset(self, points_px: Array) -> Array:
        """Draws (draws, N) of the outward offset of every edge of a ring."""
        found, sawn = self._placement.offsets(points_px)
        of_found = np.where(sawn, self._sawn_edge[:, None], self._found_edge[:, None])
        return np.where(found, of_found, self._edge[:, None])

    def sides(self, die: BaseGeometry) -> tuple[Array, Array] | None:
        """Draws of a die's width and height (um); None where it has no straight sides."""
        per_px = np.array([self._scale.um_per_px_x, self._scale.um_per_px_y])
        found = find_sides(die, per_px)
        if found is None:
            return None
        points = next(rings_of(die)).points
        drawn, offset = self.points(points), self._offset(points)
        x = self.um_x[:, None] * drawn[..., 0] + np.sin(self.skew)[:, None] * self.um_y[:, None] * drawn[..., 1]
        y = self.um_y[:, None] * np.cos(self.skew)[:, None] * drawn[..., 1]
        in_um = np.stack([x, y], axis=-1)
        right, left, bottom, top = (self._reach(in_um, offset, side, per_px) for side in found)
        return right + left, bottom + top

    def _reach(self, in_um: Array, offset: Array, side: SideEdges, per_px: Array) -> Array:
        start, end = in_um[:, side.edges], in_um[:, (side.edges + 1) % in_um.shape[1]]
        length = np.linalg.norm(end - start, axis=2)
        middle = 0.5 * (start + end) @ side.normal
        moved = offset[:, side.edges] * float(np.hypot(*(side.normal * per_px)))
        return np.asarray(np.sum(length * (middle + moved), axis=1) / length.sum(axis=1), dtype=np.float64)


def _vertex_errors(points: Array, placement: Placement, draws: int, rng: np.random.Generator) -> Array:
    """Draws (draws, N, 2) of what moves each point: drawing, rounding, tile positions, distortion."""
    own = [placement.found.get((x, y)) for x, y in points.tolist()]
    spread = np.array([u if u is not None else (placement.vertex_u_px,) * 2 for u in own])
    errors = spread * rng.standard_normal((draws, len(points), 2))
    drawn = np.array([u is None for u in own])
    errors[:, drawn] += 0.5 * placement.grid_px * rng.uniform(-1, 1, (draws, int(drawn.sum()), 2))
    layout = placement.layout
    if layout is None or not layout.tiles:
        return errors
    nearest = tiles_under(points, layout)
    factor = correlation_factor(layout)
    unit = rng.standard_normal((draws, len(layout.tiles) if factor is None else factor.shape[1], 2))
    if factor is not None:
        unit = np.einsum("ij,kjl->kil", factor, unit)
    moves = unit * np.array([[tile.x_px_u, tile.y_px_u] for tile in layout.tiles])
    pulls = lens_left(layout).pulls(points, nearest)
    size = (draws, len(pulls))
    bend = rng.standard_normal(size) if lens_was_fitted(layout) else math.sqrt(3.0) * rng.uniform(-1, 1, size)
    return np.asarray(errors + moves[:, nearest] + np.einsum("dm,mnk->dnk", bend, pulls), dtype=np.float64)
