"""How the errors of tile positions hang together: the covariance of the network of overlaps."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.linalg import lsqr
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
    return _pull(points_px - tile_centres(layout)[nearest], layout, power)


def _pull(away_px: Array, layout: Layout, power: int) -> Array:
    away = away_px / (0.5 * float(np.hypot(layout.tile_width_px, layout.tile_height_px)))
    return np.asarray(away * np.sum(away**2, axis=-1, keepdims=True) ** (power // 2), dtype=np.float64)


def stretch_by_lens(layout: Layout, *, power: int = 3) -> Array:
    """Displacement (N, 2) of the tiles, against their mean, for the distortion of `radial_pull` that nobody took out.

    A point in an overlap is pulled in both tiles, by less or more; the mean of the difference is what the offset of the
    pair is off by, and the network of offsets takes it on in least squares (tiles of no overlap stay).
    """
    number = {tile.name: i for i, tile in enumerate(layout.tiles)}
    joins = [(number[p.a], number[p.b]) for p in layout.pairs if p.used and p.a in number and p.b in number]
    if not joins:
        return np.zeros((len(number), 2))
    size = np.array([layout.tile_width_px, layout.tile_height_px], dtype=np.float64)
    places = tile_centres(layout)
    offsets = np.array([_offset_by_lens(places[b] - places[a], size, layout, power) for a, b in joins])
    rows = np.repeat(np.arange(len(joins)), 2)
    columns = np.array(joins).ravel()
    steps = coo_array((np.tile([-1.0, 1.0], len(joins)), (rows, columns)), shape=(len(joins), len(number)))
    moved = [lsqr(steps, offset, atol=1e-10, btol=1e-10)[0] for offset in offsets.T]
    return np.asarray(np.stack(moved, axis=1), dtype=np.float64)


def _offset_by_lens(offset: Array, size: Array, layout: Layout, power: int) -> Array:
    start, end = np.maximum(0.0, offset), np.minimum(size, size + offset)
    inside = start + (end - start) * (np.arange(9)[:, None] + 0.5) / 9
    in_first = np.stack(np.meshgrid(*inside.T), axis=-1) - 0.5 * size
    change = _pull(in_first, layout, power) - _pull(in_first - offset, layout, power)
    return np.asarray(change.mean(axis=(0, 1)), dtype=np.float64)
