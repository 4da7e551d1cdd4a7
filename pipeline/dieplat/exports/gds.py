"""The drawing as a GDSII stream file: polygons in micrometres, a layer for every kind.

GDSII's y axis points up: the lower left corner of the mosaic is the origin, so that the layout looks as the picture.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import gdstk
from shapely.affinity import affine_transform
from shapely.geometry import LineString, Point, Polygon

from dieplat.files import atomic_path
from dieplat.values import KINDS, Region, Regions, Scale

LAYERS = {kind: number for number, kind in enumerate(KINDS, 1)}
"""Layer of every kind; names are texts on the same layer, datatype 1 of text."""
UNIT_M, STEP_M = 1e-6, 1e-9
"""A unit is a micrometre; coordinates are whole nanometres."""
CELL = "DIE"
_NO_DATE = datetime(2000, 1, 1)
_LINE_UM = 1.0
"""Width of a path that states none."""


def write_gds(path: Path, regions: Regions, scale: Scale, *, height_px: int) -> None:
    """Write the regions.

    Parameters
    ----------
    path : Path
        By custom its name ends in ``.gds``. Whether it may be replaced is the caller's question.
    regions : Regions
        In mosaic pixels.
    scale : Scale
    height_px : int
        Of the mosaic.
    """
    library = gdstk.Library("dieplat", unit=UNIT_M, precision=STEP_M)
    cell = library.new_cell(CELL)
    turned = [scale.um_per_px_x, 0.0, 0.0, -scale.um_per_px_y, 0.0, height_px * scale.um_per_px_y]
    for region in regions.regions:
        _add(cell, region, turned)
    with atomic_path(path) as temporary:
        # A fixed date, so that the same drawing gives the same bytes.
        library.write_gds(temporary, max_points=8190, timestamp=_NO_DATE)


def _add(cell: gdstk.Cell, region: Region, turned: list[float]) -> None:
    layer = LAYERS[region.kind]
    shape = affine_transform(region.geometry, turned)
    for part in getattr(shape, "geoms", [shape]):
        if isinstance(part, Polygon):
            cell.add(*_areas(part, layer))
        elif isinstance(part, LineString):
            cell.add(gdstk.FlexPath(_points(part.coords), region.width_um or _LINE_UM, layer=layer, simple_path=True))
    place = shape if isinstance(shape, Point) else shape.representative_point()
    cell.add(gdstk.Label(region.name, (place.x, place.y), layer=layer, texttype=1))


def _areas(part: Polygon, layer: int) -> list[gdstk.Polygon]:
    """A polygon; one with holes is cut into polygons without, which GDSII asks for."""
    outer = gdstk.Polygon(_points(part.exterior.coords)[:-1], layer=layer)
    if not part.interiors:
        return [outer]
    holes = [gdstk.Polygon(_points(ring.coords)[:-1]) for ring in part.interiors]
    pieces: list[gdstk.Polygon] = gdstk.boolean(outer, holes, "not", precision=STEP_M / UNIT_M, layer=layer)
    return pieces


def _points(coordinates: Any) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y, *_ in coordinates]
