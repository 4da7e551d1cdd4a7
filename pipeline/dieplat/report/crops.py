"""Close-up pictures of single blocks for the report."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from shapely.affinity import affine_transform
from shapely.geometry.base import BaseGeometry

from dieplat.mosaicfile.read import Mosaic
from dieplat.report.drawing import Canvas, scale_bar_box
from dieplat.report.lattice import DrawnLattice
from dieplat.report.palette import BLACK, YELLOW, Style, style_of
from dieplat.report.picture import view
from dieplat.report.winding import DrawnWinding

CROP_PX = 640
LATTICE = Style("Counted lattice", YELLOW)
EDGES = Style("Edges found", YELLOW)
CENTRE_LINE = Style("Centre line found", BLACK, dash=(5.0, 2.5))


def crop_block(
    mosaic: Mosaic, shape: BaseGeometry, kind: str, um_per_px: float, *, longest_px: int = CROP_PX
) -> npt.NDArray[np.uint8]:
    """The surroundings of a block with its outline and a scale bar; RGB."""
    x0, y0, x1, y1 = shape.bounds
    pad = 0.12 * max(x1 - x0, y1 - y0) + 4
    return _draw(mosaic, (x0 - pad, y0 - pad, x1 + pad, y1 + pad), shape, kind, um_per_px, longest_px)


def crop_winding(
    mosaic: Mosaic, shape: BaseGeometry, winding: DrawnWinding, um_per_px: float, *, longest_px: int = CROP_PX
) -> npt.NDArray[np.uint8]:
    """An inductor with the conductor's edges and centre line as they were found, and a scale bar; RGB."""
    x0, y0, x1, y1 = shape.union(winding.centre_line).bounds
    pad = 0.04 * max(x1 - x0, y1 - y0) + 4
    window = (x0 - pad, y0 - pad, x1 + pad, y1 + pad)
    lines = ((winding.edges, EDGES), (winding.centre_line, CENTRE_LINE))
    return _draw(mosaic, window, None, "rf_inductor", um_per_px, longest_px, lines=lines)


def crop_banks(
    mosaic: Mosaic,
    shape: BaseGeometry,
    lattice: DrawnLattice,
    um_per_px: float,
    *,
    longest_px: int = CROP_PX,
) -> npt.NDArray[np.uint8]:
    """An array with its outline, and every bank framed that was counted, with a scale bar; RGB."""
    x0, y0, x1, y1 = shape.bounds
    pad = 0.06 * max(x1 - x0, y1 - y0) + 4
    window = (x0 - pad, y0 - pad, x1 + pad, y1 + pad)
    lines = ((lattice.frames(), LATTICE),)
    return _draw(mosaic, window, shape, "memory_array", um_per_px, longest_px, lines=lines)


def crop_cells(
    mosaic: Mosaic,
    shape: BaseGeometry,
    lattice: DrawnLattice,
    um_per_px: float,
    *,
    cells: int = 12,
    longest_px: int = CROP_PX,
) -> npt.NDArray[np.uint8]:
    """A corner of a bank at full resolution: some cells with the lattice over them, with a scale bar; RGB."""
    wide = min(cells * max(lattice.pitch_px), max(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1]))
    if lattice.banks:
        corner = lattice.banks[0]
        x0, y0 = corner.x_px - 0.2 * wide, corner.y_px - 0.2 * wide
    else:
        centre = shape.representative_point()
        x0, y0 = centre.x - wide / 2, centre.y - wide / 2
    window = (x0, y0, x0 + wide, y0 + wide)
    lines = ((lattice.lines_in(window), LATTICE),)
    return _draw(mosaic, window, None, "memory_array", um_per_px, longest_px, lines=lines)


def _draw(
    mosaic: Mosaic,
    window: tuple[float, float, float, float],
    shape: BaseGeometry | None,
    kind: str,
    um_per_px: float,
    longest_px: int,
    *,
    lines: Sequence[tuple[BaseGeometry, Style]] = (),
) -> npt.NDArray[np.uint8]:
    picture, factor = view(mosaic, longest_px=longest_px, window=window, enlarge=True)
    high, wide = picture.shape[:2]
    canvas = Canvas(wide, high)
    canvas.picture(picture, 0, 0)
    left, top = max(0, int(np.floor(window[0]))), max(0, int(np.floor(window[1])))
    place = [factor, 0, 0, factor, -left * factor, -top * factor]
    if shape is not None:
        canvas.outline(affine_transform(shape, place), style_of(kind))
    for geometry, style in lines:
        if not geometry.is_empty:
            canvas.outline(affine_transform(geometry, place), style, width_px=1.4)
    box, bar_um = scale_bar_box(um_per_px / factor, wide, high, share=0.3, text_px=22)
    canvas.scale_bar(um_per_px / factor, box, bar_um)
    return canvas.pixels()
