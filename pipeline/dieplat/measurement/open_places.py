"""What was drawn over tiles whose place the pictures leave open: a number across them would be wrong unseen."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from dieplat.measurement.tile_network import tiles_under
from dieplat.values import Layout

STEPS = 4
"""Looks along a tile's shorter side where the ground within an outline counts, not only vertices (choice of ours)."""


def open_tiles(geometry: BaseGeometry, layout: Layout, *, inside: bool = False) -> tuple[str, ...]:
    """Names of the ambiguous tiles on which a measurement rests.

    Parameters
    ----------
    geometry : shapely geometry
        An outline or a path in mosaic pixels.
    layout : Layout
        The solved layout.
    inside : bool
        Whether all that lies between the vertices counts too, as where edges or cells are read from the picture.

    Returns
    -------
    tuple of str
        None where all lies on one tile: that one's place does not change what is measured within it.
    """
    if not any(tile.ambiguous for tile in layout.tiles):
        return ()
    points = shapely.get_coordinates(geometry)
    if inside:
        points = np.vstack([points, _between(geometry, min(layout.tile_width_px, layout.tile_height_px) / STEPS)])
    under = np.unique(tiles_under(points, layout))
    if len(under) < 2:
        return ()
    return tuple(layout.tiles[k].name for k in under if layout.tiles[k].ambiguous)


def open_in_words(tiles: tuple[str, ...]) -> str:
    """Tiles whose place is open, and what to do about it."""
    named = ", ".join(tiles[:3]) + (f" and {len(tiles) - 3} more" if len(tiles) > 3 else "")
    return (
        f"tiles whose place the pictures leave open ({named}); photograph them with more overlap, or say where they "
        "lie with a tie"
    )


def _between(geometry: BaseGeometry, step_px: float) -> npt.NDArray[np.float64]:
    """Points along the edges of a geometry and, a step apart, within it (N, 2)."""
    along = shapely.get_coordinates(shapely.segmentize(geometry, step_px))
    x0, y0, x1, y1 = geometry.bounds
    x, y = np.meshgrid(np.arange(x0, x1, step_px), np.arange(y0, y1, step_px))
    within = shapely.contains_xy(geometry, x, y)
    return np.vstack([along, np.column_stack([x[within], y[within]])])
