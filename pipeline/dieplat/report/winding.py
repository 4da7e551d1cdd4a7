"""The winding that was measured, as lines to lay over a picture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import shapely
from shapely.affinity import scale as stretched
from shapely.geometry import LineString, MultiLineString
from shapely.geometry.base import BaseGeometry


@dataclass(frozen=True, slots=True, eq=False)
class DrawnWinding:
    """In mosaic pixels: the conductor's centre line from end to end, and its two edges."""

    centre_line: BaseGeometry
    edges: BaseGeometry


def drawn_winding(inductor: Mapping[str, Any], um_per_px: tuple[float, float]) -> DrawnWinding | None:
    """The winding of a block's `inductor` as measurements.json has it; None where no centre line was kept."""
    points = inductor.get("path_um") or ()
    if len(points) < 2:
        return None
    line = LineString([(float(x), float(y)) for x, y in points])
    half = 0.5 * float(inductor["width_um"])
    edges = [line.offset_curve(side * half, join_style="mitre", mitre_limit=3.0) for side in (1, -1)]
    parts = [part for edge in edges for part in shapely.get_parts(edge) if not part.is_empty]
    in_px = [
        stretched(shape, 1 / um_per_px[0], 1 / um_per_px[1], origin=(0, 0)) for shape in (line, MultiLineString(parts))
    ]
    return DrawnWinding(in_px[0], in_px[1])
