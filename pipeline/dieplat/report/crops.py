"""Close-up pictures of single blocks for the report."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from shapely.affinity import affine_transform
from shapely.geometry.base import BaseGeometry

from dieplat.mosaicfile.read import Mosaic
from dieplat.report.drawing import Canvas, scale_bar_box
from dieplat.report.palette import style_of
from dieplat.report.picture import view

CROP_PX = 640


def crop_block(
    mosaic: Mosaic, shape: BaseGeometry, kind: str, um_per_px: float, *, longest_px: int = CROP_PX
) -> npt.NDArray[np.uint8]:
    """The surroundings of a block with its outline and a scale bar; RGB."""
    x0, y0, x1, y1 = shape.bounds
    pad = 0.12 * max(x1 - x0, y1 - y0) + 4
    return _draw(mosaic, (x0 - pad, y0 - pad, x1 + pad, y1 + pad), shape, kind, um_per_px, longest_px)


def crop_cells(
    mosaic: Mosaic,
    shape: BaseGeometry,
    pitch_px: tuple[float, float],
    um_per_px: float,
    *,
    cells: int = 12,
    longest_px: int = CROP_PX,
) -> npt.NDArray[np.uint8]:
    """A few cells in the middle of an array at full resolution, with a scale bar; RGB."""
    centre = shape.representative_point()
    half = min(cells * max(pitch_px), max(shape.bounds[2] - shape.bounds[0], shape.bounds[3] - shape.bounds[1])) / 2
    window = (centre.x - half, centre.y - half, centre.x + half, centre.y + half)
    return _draw(mosaic, window, None, "memory_array", um_per_px, longest_px)


def _draw(
    mosaic: Mosaic,
    window: tuple[float, float, float, float],
    shape: BaseGeometry | None,
    kind: str,
    um_per_px: float,
    longest_px: int,
) -> npt.NDArray[np.uint8]:
    picture, factor = view(mosaic, longest_px=longest_px, window=window, enlarge=True)
    high, wide = picture.shape[:2]
    canvas = Canvas(wide, high)
    canvas.picture(picture, 0, 0)
    if shape is not None:
        left, top = max(0, int(np.floor(window[0]))), max(0, int(np.floor(window[1])))
        moved = affine_transform(shape, [factor, 0, 0, factor, -left * factor, -top * factor])
        canvas.outline(moved, style_of(kind))
    box, bar_um = scale_bar_box(um_per_px / factor, wide, high, share=0.3, text_px=22)
    canvas.scale_bar(um_per_px / factor, box, bar_um)
    return canvas.pixels()
