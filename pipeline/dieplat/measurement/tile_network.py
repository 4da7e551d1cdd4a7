"""How the errors of tile positions hang together: the covariance of the network of overlaps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from dieplat.values import Layout

Array = npt.NDArray[np.float64]

MOST_TILES = 400
"""Beyond this the factors of the covariance (tiles squared) cost more than they tell; tiles then count as independent,
which is cautious for outlines across neighbouring tiles."""


def correlation_factor(layout: Layout) -> Array | None:
    """A factor F (N, N) with F F^T the correlation matrix of the tiles' positions; None where it is not known.

    The layout states the uncertainty of every tile, and which overlaps placed it. Overlaps that were used and are alike
    in quality make a free network, whose covariance is the pseudo-inverse of the graph's Laplacian (Koch, Parameter
    Estimation and Hypothesis Testing in Linear Models, 1999); its correlations are taken, the variances stay as stated.
    Errors are against the mean of all tiles.
    """
    count = len(layout.tiles)
    if not 2 <= count <= MOST_TILES:
        return None
    number = {tile.name: i for i, tile in enumerate(layout.tiles)}
    laplacian = np.zeros((count, count))
    for pair in layout.pairs:
        if pair.used and pair.a in number and pair.b in number:
            a, b = number[pair.a], number[pair.b]
            laplacian[[a, b, a, b], [a, b, b, a]] += (1.0, 1.0, -1.0, -1.0)
    size, vectors = np.linalg.eigh(laplacian)
    held = size > 1e-9 * max(size[-1], 1.0)
    if held.sum() != count - 1:
        return None  # several networks: what the stage alone placed follows no overlaps
    factor = vectors[:, held] / np.sqrt(size[held])
    return np.asarray(factor / np.linalg.norm(factor, axis=1, keepdims=True), dtype=np.float64)


def tiles_under(points_px: Array, layout: Layout) -> npt.NDArray[np.intp]:
    """For points (N, 2) the number of the tile whose centre is nearest: every vertex moves with that tile."""
    _, nearest = cKDTree(tile_centres(layout)).query(points_px)
    return np.asarray(nearest, dtype=np.intp)


def tile_centres(layout: Layout) -> Array:
    """Centres (N, 2) in mosaic pixels."""
    corners = np.array([[tile.x_px, tile.y_px] for tile in layout.tiles], dtype=np.float64).reshape(-1, 2)
    return corners + 0.5 * np.array([layout.tile_width_px, layout.tile_height_px])


def radial_pull(points_px: Array, nearest: npt.NDArray[np.intp], layout: Layout, *, power: int = 3) -> Array:
    """Displacement (N, 2) of points for a radial distortion of one pixel at a tile's corner: r^3 or r^5 (Brown
    1971)."""
    norm = 0.5 * float(np.hypot(layout.tile_width_px, layout.tile_height_px))
    away = (points_px - tile_centres(layout)[nearest]) / norm
    return np.asarray(away * np.sum(away**2, axis=1, keepdims=True) ** (power // 2), dtype=np.float64)
