"""Which part of a drawn outline lies where no tile was photographed."""

from __future__ import annotations

import shapely
from shapely.geometry import box
from shapely.geometry.base import BaseGeometry

from dieplat.values import Layout

UNSEEN_PX = 4.0
"""Ground (px2; of a line, px) that may be unseen without a word: corners drawn a pixel or two beyond a tile."""


def photographed_ground(layout: Layout) -> BaseGeometry:
    """The union of all tiles' boxes in mosaic pixels; build it once and ask it about every outline."""
    width, height = layout.tile_width_px, layout.tile_height_px
    return shapely.union_all(
        [box(tile.x_px, tile.y_px, tile.x_px + width, tile.y_px + height) for tile in layout.tiles]
    )


def unseen_share(geometry: BaseGeometry, ground: BaseGeometry) -> float:
    """The share (0 to 1) of a drawn geometry that no tile shows.

    Parameters
    ----------
    geometry : shapely geometry
        An outline or a path in mosaic pixels; of a path the share is that of its length.
    ground : shapely geometry
        See `photographed_ground`.

    Returns
    -------
    float
        0 where no more than `UNSEEN_PX` is unseen.
    """
    beyond = geometry.difference(ground)
    unseen, whole = (beyond.area, geometry.area) if geometry.area > 0 else (beyond.length, geometry.length)
    return unseen / whole if unseen > UNSEEN_PX else 0.0
