"""A lane network fine enough for skin and proximity effect: full lanes where they are near, three where far."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely

from dieplat.inductance.partial import Array, Filaments, bar_self_inductance
from dieplat.inductance.path import Section, lanes_of_path
from dieplat.inductance.segment_sum import LaneNetwork, length_per_area, summed_pairs

_FAR = 2.06
"""Pieces whose centre lines stay farther apart than this many widths couple alike over the width, to second
order: their lanes' coupling is interpolated from three lanes (1e-3 of ln(distance) at this distance)."""

_FAR_IMAGE = 4.12
"""The same for a piece and an image: their coupling also changes over the thickness, which the three lanes
leave out (2e-3 of the resistance at 10 GHz over a plane one width below)."""

_NODES = np.array([-0.4330127, 0.0, 0.4330127])
"""Where those three lie over the width: the points of least error for a parabola (Chebyshev)."""


def graded_section(across: int, deep: int) -> Section:
    """Lanes that narrow towards the edges, where the current crowds as 1 / sqrt(distance): cosine spacing."""
    return Section.grid(_cosine(across), _cosine(deep))


def _cosine(count: int) -> Array:
    return np.asarray(-0.5 * np.cos(np.pi * np.arange(count + 1) / count))


def fine_network(
    path_um: Array,
    width_um: float | Array,
    thickness_um: float,
    section: Section,
    *,
    ground_depth_um: float | None = None,
) -> LaneNetwork:
    """The lanes of `section` along a path; parameters as in `lane_network`.

    The time goes with the number of pieces times the square of the lanes, not with the square of both.
    """
    pieces, lanes = len(path_um) - 1, len(section.across)
    full, _ = lanes_of_path(path_um, width_um, thickness_um, section)
    thin = np.full(3, 1e-3)
    coarse, _ = lanes_of_path(path_um, width_um, thickness_um, Section(_NODES, np.zeros(3), thin, np.ones(3)))
    widths = np.broadcast_to(np.asarray(width_um, dtype=np.float64), pieces)
    p, q = np.triu_indices(pieces)
    near = _distance(path_um, p, q) < _FAR * np.maximum(widths[p], widths[q])
    apart = near & (p != q)

    matrix = _lanes_between(full, full, p[apart], q[apart], lanes)
    matrix += _parabola(section, _lanes_between(coarse, coarse, p[~near], q[~near], 3))
    matrix += matrix.T
    matrix += _own(full, pieces, lanes)
    if ground_depth_um is not None:
        height = np.zeros(len(path_um)) if path_um.shape[1] < 3 else path_um[:, 2]
        rise = 2 * ground_depth_um + np.minimum(height[:-1], height[1:])[p] + np.minimum(height[:-1], height[1:])[q]
        near = np.hypot(_distance(path_um, p, q), rise) < _FAR_IMAGE * np.maximum(widths[p], widths[q])
        image = np.zeros_like(matrix)
        for some, factor in ((p == q, 0.5), (p != q, 1.0)):
            both = _lanes_between(full, full.mirrored(-ground_depth_um), p[near & some], q[near & some], lanes)
            far = _lanes_between(coarse, coarse.mirrored(-ground_depth_um), p[~near & some], q[~near & some], 3)
            both += _parabola(section, far)
            image += factor * (both + both.T)
        matrix -= image
    return LaneNetwork(matrix, length_per_area(full, lanes), section.wide * section.thick)


def _distance(path_um: Array, p: npt.NDArray[np.intp], q: npt.NDArray[np.intp]) -> Array:
    flat = path_um[:, :2]
    lines = np.asarray(shapely.linestrings(np.stack([flat[:-1], flat[1:]], axis=1)))
    return np.asarray(shapely.distance(lines[p], lines[q]))


def _lanes_between(
    first: Filaments, second: Filaments, p: npt.NDArray[np.intp], q: npt.NDArray[np.intp], lanes: int
) -> Array:
    """Every lane of the pieces p with every lane of the pieces q, summed for each pair of lanes."""
    pieces = len(first.width_um) // lanes
    lane = np.repeat(np.arange(lanes), pieces)
    a, b = (side.ravel()[:, None] * pieces for side in np.indices((lanes, lanes)))
    return summed_pairs(first, (a + p).ravel(), second, (b + q).ravel(), lane, lanes)


def _own(full: Filaments, pieces: int, lanes: int) -> Array:
    """Lanes of one and the same piece, self-inductances included."""
    a, b = np.triu_indices(lanes, 1)
    piece = np.arange(pieces)
    lane = np.repeat(np.arange(lanes), pieces)
    i, j = (side[:, None] * pieces + piece for side in (a, b))
    matrix = summed_pairs(full, i.ravel(), full, j.ravel(), lane, lanes)
    lengths = np.linalg.norm(full.end_um - full.start_um, axis=1)
    alone = bar_self_inductance(lengths, full.width_um, full.thickness_um)
    return np.asarray(matrix + matrix.T + np.diag(alone.reshape(lanes, pieces).sum(axis=1)))


def _parabola(section: Section, values: Array) -> Array:
    """Values at the three nodes, (3, 3), interpolated to the lanes of a section, (K, K)."""
    x, n = section.across, _NODES
    weights = np.stack(
        [
            (x - n[1]) * (x - n[2]) / ((n[0] - n[1]) * (n[0] - n[2])),
            (x - n[0]) * (x - n[2]) / ((n[1] - n[0]) * (n[1] - n[2])),
            (x - n[0]) * (x - n[1]) / ((n[2] - n[0]) * (n[2] - n[1])),
        ],
        axis=1,
    )
    return np.asarray(weights @ values @ weights.T)
