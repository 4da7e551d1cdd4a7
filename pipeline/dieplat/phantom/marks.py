"""Lettering and alignment marks."""

from __future__ import annotations

import numpy as np
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from dieplat.phantom.layers import Bounds, Colour, Sheet


def add_lettering(sheet: Sheet, text: str, corner_um: tuple[float, float], height_um: float, colour: Colour) -> float:
    """Write `text` in metal with its baseline at `corner_um`; returns its width in micrometres."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    outline = TextPath((0.0, 0.0), text, size=height_um / 0.73, prop=FontProperties(family="DejaVu Sans"))
    shape: BaseGeometry = Polygon()
    for closed in outline.to_polygons(closed_only=True):
        ring = np.asarray(closed, dtype=np.float64)
        if len(ring) >= 4:
            points = np.column_stack([corner_um[0] + ring[:, 0], corner_um[1] - ring[:, 1]])
            # Counters of letters come as rings inside rings, so even-odd is what fills them right.
            shape = shape.symmetric_difference(Polygon(points).buffer(0))
    parts = getattr(unary_union(shape), "geoms", [shape])
    for part in parts:
        sheet.area(colour, part, 0.95)
    return float(shape.bounds[2] - shape.bounds[0])


def add_marks(sheet: Sheet, inner: Bounds, scale: float, colour: Colour) -> None:
    """A cross in two opposite corners and an L in the other two."""
    x0, y0, x1, y1 = inner

    def lay(x: float, y: float, part: Bounds) -> None:
        sheet.box(colour, (x + scale * part[0], y + scale * part[1], x + scale * part[2], y + scale * part[3]))

    for x, y, toward in ((x0, y0, 26.0), (x1, y1, -26.0)):
        for part in ((-16.0, -3.0, 16.0, 3.0), (-3.0, -16.0, 3.0, 16.0)):
            lay(x + scale * toward, y + scale * toward, part)
    lay(x1, y0, (-40.0, 12.0, -12.0, 17.0))
    lay(x1, y0, (-17.0, 17.0, -12.0, 40.0))
    lay(x0, y1, (12.0, -17.0, 40.0, -12.0))
    lay(x0, y1, (12.0, -40.0, 17.0, -17.0))
