"""The measurements of a survey that look at the picture: inductors and memory arrays, block by block."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, MultiPolygon, Polygon, box
from shapely.geometry.base import BaseGeometry

from dieplat.errors import UndecidedError
from dieplat.inductance import describe_inductor
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.inductors import inductor_from_path, measure_inductor
from dieplat.measurement.placement import VERTEX_U_PX
from dieplat.measurement.scale_parts import scale_u
from dieplat.values import ArrayLattice, InductorGeometry, Region, Scale
from dieplat.values.electrical import Surroundings
from dieplat.values.measurements import ArrayResult, InductorResult

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
    `vertex_u_px`: so are a drawn coil's diameters, and its width as read between two points.

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
        geometry = _from_picture(mosaic, _single(region), scale)
    length_u_rel = scale_u(scale, 0.5, 0.5)  # a winding has as much length along x as along y
    return describe_inductor(
        geometry,
        thickness_um=thickness_um,
        scale_u_rel=length_u_rel,
        frequency_hz=frequency_hz,
        surroundings=surroundings,
        piece_widths_um=_piece_widths(conductors[0]) if geometry.method == "path" else None,
    )


def array_result(mosaic: Picture, region: Region, scale: Scale) -> tuple[ArrayResult, str | None]:
    """Measure one memory array; the text, if any, says that only a window of it was looked at.

    A block of more than `MAX_CROP_PX` is measured in a window at its centre, so that memory stays bounded.
    The pitch is then that of the window, and the counts are None: gaps between banks outside the window are
    not seen, so dividing the block's size by the pitch would be a guess.

    Raises
    ------
    UndecidedError
        If the picture does not decide the lattice, or the block has several parts.
    """
    polygon = _single(region)
    window = _window(mosaic, polygon)
    remark = None
    if _size(window) > MAX_CROP_PX:
        window = _centred(window, polygon)
        inside = polygon.intersection(box(*window))
        if not isinstance(inside, Polygon):
            raise UndecidedError("it is too large to read at once and not in one piece; draw its banks one by one")
        polygon = inside
        remark = (
            f"more than {MAX_CROP_PX / 1e6:.0f} million pixels: the pitch comes from a window of "
            f"{window[2] - window[0]} x {window[3] - window[1]} px at the centre, cells were not counted; "
            "draw its banks one by one to count them"
        )
    lattice = measure_array(mosaic.read(*window), polygon, origin_px=(window[0], window[1]))
    return _array_in_um(lattice, scale, whole=remark is None), remark


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


def _single(region: Region) -> Polygon:
    geometry: BaseGeometry = region.geometry
    if isinstance(geometry, MultiPolygon) and len(geometry.geoms) == 1:
        geometry = geometry.geoms[0]
    if not isinstance(geometry, Polygon):
        raise UndecidedError("it is drawn in several parts; draw each as a block of its own")
    return geometry


def _window(mosaic: Picture, polygon: Polygon) -> tuple[int, int, int, int]:
    x0, y0, x1, y1 = polygon.bounds
    return (
        max(math.floor(x0) - MARGIN_PX, 0),
        max(math.floor(y0) - MARGIN_PX, 0),
        min(math.ceil(x1) + MARGIN_PX, mosaic.width_px),
        min(math.ceil(y1) + MARGIN_PX, mosaic.height_px),
    )


def _size(window: tuple[int, int, int, int]) -> int:
    return (window[2] - window[0]) * (window[3] - window[1])


def _centred(window: tuple[int, int, int, int], polygon: Polygon) -> tuple[int, int, int, int]:
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
    return replace(geometry, outer_um_u=drawn_um, inner_um_u=drawn_um, width_um_u=math.sqrt(2) * drawn_um)


def _from_picture(mosaic: Picture, polygon: Polygon, scale: Scale) -> InductorGeometry:
    window = _window(mosaic, polygon)
    if _size(window) > MAX_CROP_PX:
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


def _array_in_um(lattice: ArrayLattice, scale: Scale, *, whole: bool) -> ArrayResult:
    """A lattice in pixels with square axes turned by `rotation_deg` becomes one in micrometres."""
    cosine = math.cos(math.radians(lattice.rotation_deg))
    sine = math.sin(math.radians(lattice.rotation_deg))
    pitch_x_um, pitch_x_um_u = _pitch(lattice.pitch_x_px, lattice.pitch_x_px_u, (cosine, sine), scale)
    pitch_y_um, pitch_y_um_u = _pitch(lattice.pitch_y_px, lattice.pitch_y_px_u, (sine, cosine), scale)
    area = lattice.pitch_x_px * lattice.pitch_y_px * scale.um_per_px_x * scale.um_per_px_y
    area_u = math.hypot(
        area * lattice.pitch_x_px_u / lattice.pitch_x_px,
        area * lattice.pitch_y_px_u / lattice.pitch_y_px,
        scale_u(scale, area, area),
    )
    banks = tuple(
        {"bounds_px": list(bank.bounds_px), "columns": bank.columns, "rows": bank.rows} for bank in lattice.banks
    )
    return ArrayResult(
        pitch_x_um=pitch_x_um,
        pitch_x_um_u=pitch_x_um_u,
        pitch_y_um=pitch_y_um,
        pitch_y_um_u=pitch_y_um_u,
        cell_area_um2=area,
        cell_area_um2_u=area_u,
        columns=lattice.columns if whole else None,
        rows=lattice.rows if whole else None,
        cells=lattice.cells if whole else None,
        banks=len(banks) if whole else None,
        rotation_deg=lattice.rotation_deg,
        mirrored_x=lattice.mirrored_x,
        mirrored_y=lattice.mirrored_y,
        bank_list=banks,
        remarks=lattice.remarks,
    )


def _pitch(pitch_px: float, pitch_px_u: float, direction: tuple[float, float], scale: Scale) -> tuple[float, float]:
    """A pitch along `direction` (parts along x and y) in micrometres, with the scale in its uncertainty."""
    part_x, part_y = direction[0] * scale.um_per_px_x, direction[1] * scale.um_per_px_y
    um_per_px = math.hypot(part_x, part_y)
    pitch_um = pitch_px * um_per_px
    from_scale = scale_u(scale, pitch_um * (part_x / um_per_px) ** 2, pitch_um * (part_y / um_per_px) ** 2)
    return pitch_um, math.hypot(pitch_px_u * um_per_px, from_scale)
