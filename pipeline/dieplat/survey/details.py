"""What is read of the picture for a block, and the inductors of a survey, block by block."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError
from dieplat.inductance import describe_inductor
from dieplat.measurement.inductors import inductor_from_path, measure_inductor
from dieplat.measurement.scale_parts import scale_u
from dieplat.values import InductorGeometry, Region, Scale
from dieplat.values.electrical import Surroundings
from dieplat.values.measurements import InductorResult
from dieplat.values.stated import VERTEX_U_PX

MARGIN_PX = 24
"""Ground read around a block, so that its edges are not the crop's edges."""

MAX_CROP_PX = 16_000_000
"""Most pixels read for one block (4000 x 4000): with the working copies about 0.5 GB, whatever the mosaic."""


class Picture(Protocol):
    """What is needed of an open mosaic; `dieplat.mosaicfile.read.Mosaic` has it."""

    width_px: int
    height_px: int

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> npt.NDArray[Any]:
        """Pixels of columns x0..x1 and rows y0..y1."""
        ...


def inductor_result(
    mosaic: Picture,
    region: Region,
    conductors: Sequence[Region],
    scale: Scale,
    *,
    frequency_hz: float | None,
    thickness_um: float,
    surroundings: Surroundings,
    vertex_u_px: float = VERTEX_U_PX,
) -> InductorResult:
    """Measure one inductor: from its conductor path where there is one with a width, else from the picture.

    `conductors` are the paths that lie inside the region; for a path that stands alone, the region itself.
    A path's property `widths_um`, a width for each of its pieces, tells of a taper. Points drawn are known to
    `vertex_u_px`: so are a drawn coil's diameters, each of its ends, and its width as read between two points.

    Raises
    ------
    UndecidedError
        If the picture does not decide the geometry, the block is too large, or there are several paths.
    """
    if len(conductors) > 1:
        raise UndecidedError(f"{len(conductors)} conductor paths lie in it; keep one")
    if conductors and conductors[0].width_um is not None:
        geometry = _from_path(conductors[0], conductors[0].width_um, scale, vertex_u_px)
    elif region.kind == "conductor":
        raise UndecidedError("the path has no width; give it a property width_um")
    else:
        geometry = _from_picture(mosaic, one_polygon(region), scale)
    length_u_rel = scale_u(scale, 0.5, 0.5)  # a winding has as much length along x as along y
    return describe_inductor(
        geometry,
        thickness_um=thickness_um,
        scale_u_rel=length_u_rel,
        frequency_hz=frequency_hz,
        surroundings=surroundings,
        piece_widths_um=_piece_widths(conductors[0]) if geometry.method == "path" else None,
    )


def conductors_inside(region: Region, conductors: Sequence[Region]) -> list[Region]:
    """The conductor paths of which at least nine tenths lie in the region (leads may stick out)."""
    return [
        path for path in conductors if path.geometry.intersection(region.geometry).length >= 0.9 * path.geometry.length
    ]


def reads_pixels(region: Region, conductors: Sequence[Region]) -> bool:
    """Whether a region is measured from the picture: memory arrays, and inductors without a path that has a width."""
    if region.kind == "rf_inductor":
        return all(path.width_um is None for path in conductors)
    return region.kind == "memory_array"


def one_polygon(region: Region) -> Polygon:
    """The outline of a region that is drawn in one piece."""
    geometry: BaseGeometry = region.geometry
    if isinstance(geometry, MultiPolygon) and len(geometry.geoms) == 1:
        geometry = geometry.geoms[0]
    if not isinstance(geometry, Polygon):
        raise UndecidedError("it is drawn in several parts; draw each as a block of its own")
    return geometry


def window_of(mosaic: Picture, polygon: Polygon) -> tuple[int, int, int, int]:
    """Columns and rows (x0, y0, x1, y1) of a block and `MARGIN_PX` around it."""
    x0, y0, x1, y1 = polygon.bounds
    return (
        max(math.floor(x0) - MARGIN_PX, 0),
        max(math.floor(y0) - MARGIN_PX, 0),
        min(math.ceil(x1) + MARGIN_PX, mosaic.width_px),
        min(math.ceil(y1) + MARGIN_PX, mosaic.height_px),
    )


def size_of(window: tuple[int, int, int, int]) -> int:
    """Pixels of a window."""
    return (window[2] - window[0]) * (window[3] - window[1])


def centred_window(window: tuple[int, int, int, int], polygon: Polygon) -> tuple[int, int, int, int]:
    """A window of at most `MAX_CROP_PX` about a point inside the polygon, as near to square as it can be."""
    wide, high = window[2] - window[0], window[3] - window[1]
    side = math.isqrt(MAX_CROP_PX)
    across = min(wide, max(side, MAX_CROP_PX // high))
    down = min(high, MAX_CROP_PX // across)
    middle = polygon.centroid if polygon.contains(polygon.centroid) else polygon.representative_point()
    x0 = min(max(int(middle.x) - across // 2, window[0]), window[2] - across)
    y0 = min(max(int(middle.y) - down // 2, window[1]), window[3] - down)
    return x0, y0, x0 + across, y0 + down


def _from_path(path: Region, width_um: float, scale: Scale, vertex_u_px: float) -> InductorGeometry:
    assert isinstance(path.geometry, LineString)
    points = np.asarray(path.geometry.coords, dtype=np.float64)[:, :2]
    geometry = inductor_from_path(points * [scale.um_per_px_x, scale.um_per_px_y], width_um)
    drawn_um = vertex_u_px * math.sqrt(scale.um_per_px_x * scale.um_per_px_y)
    two_um = math.sqrt(2) * drawn_um  # a width, and both ends together, come of two points each
    return replace(geometry, outer_um_u=drawn_um, inner_um_u=drawn_um, width_um_u=two_um, ends_um_u=two_um)


def _from_picture(mosaic: Picture, polygon: Polygon, scale: Scale) -> InductorGeometry:
    window = window_of(mosaic, polygon)
    if size_of(window) > MAX_CROP_PX:
        raise UndecidedError(f"it has more than {MAX_CROP_PX / 1e6:.0f} million pixels, too many to read at once")
    return measure_inductor(
        mosaic.read(*window),
        polygon,
        um_per_px_x=scale.um_per_px_x,
        um_per_px_y=scale.um_per_px_y,
        origin_px=(window[0], window[1]),
    )


def _piece_widths(path: Region) -> list[float] | None:
    widths = path.properties.get("widths_um")
    if widths is None:
        return None
    if not isinstance(widths, list) or any(isinstance(w, bool) or not isinstance(w, (int, float)) for w in widths):
        raise UndecidedError("its conductor path has widths_um that are no list of numbers")
    return [float(width) for width in widths]
