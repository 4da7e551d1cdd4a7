"""The view of the page as a picture to show: blocks, names, scale bar and legend, drawn as in the report."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np
import numpy.typing as npt
from shapely.affinity import affine_transform
from shapely.geometry import box as rectangle

from dieplat.annotate.image_request import ImageRequest
from dieplat.annotate.picture import ShownPicture, shown_pixels
from dieplat.errors import SettingsError
from dieplat.report import drawing
from dieplat.report.drawing import Canvas
from dieplat.report.labels import plan_labels
from dieplat.report.palette import STYLES, style_of
from dieplat.report.picture import as_rgb8
from dieplat.values import Region, Scale

MOST_PX = 8000
LEAST_PX = 200


def draw_view(
    shown: ShownPicture,
    regions: Sequence[Region],
    *,
    box_px: tuple[float, float, float, float],
    width_px: int,
    scale: Scale | None,
    legend: bool = True,
    names: bool = True,
    hidden: Collection[str] = (),
) -> npt.NDArray[np.uint8]:
    """Draw part of a mosaic with its blocks.

    Parameters
    ----------
    regions : sequence of Region
        In mosaic pixels, in the order of drawing.
    box_px : (x0, y0, x1, y1)
        The part, in mosaic pixels; what reaches beyond the mosaic is left out.
    width_px : int
        Width of the result, 200 to 8000.
    scale : Scale, optional
        For the scale bar; without it there is none.
    legend, names : bool
    hidden : collection of str
        Kinds that are left out.

    Returns
    -------
    ndarray of shape (h, width_px, 3), uint8

    Raises
    ------
    SettingsError
        If the part holds nothing of the mosaic, or the size is out of bounds.
    """
    mosaic = shown.mosaic
    if not LEAST_PX <= width_px <= MOST_PX:
        raise SettingsError(f"width of {width_px} px: give {LEAST_PX} to {MOST_PX}")
    if not all(map(math.isfinite, box_px)):
        raise SettingsError("the view has no finite bounds; move it over the picture")
    x0, y0 = max(0, math.floor(box_px[0])), max(0, math.floor(box_px[1]))
    x1, y1 = min(mosaic.width_px, math.ceil(box_px[2])), min(mosaic.height_px, math.ceil(box_px[3]))
    if x0 >= x1 or y0 >= y1:
        raise SettingsError("the view shows nothing of the picture; move it over the picture")
    factor = width_px / (x1 - x0)
    height_px = max(1, round((y1 - y0) * factor))
    if height_px > MOST_PX:
        raise SettingsError(
            f"the view would be {height_px} px high; give a width below {width_px * MOST_PX // height_px}"
        )
    request = ImageRequest(x0, y0, x1, y1, width_px, height_px, 0, grey=False, format="png")
    picture = as_rgb8(shown_pixels(mosaic, request, shown.tone))
    text_px = max(14.0, width_px / 75)
    kept = [region for region in regions if region.kind not in hidden]
    kinds = [kind for kind in STYLES if any(region.kind == kind for region in kept)] if legend else []
    strip_px = round(3.1 * text_px) if kinds or scale is not None else 0
    canvas = Canvas(width_px, height_px + strip_px)
    canvas.picture(picture, 0, 0)
    window = rectangle(0, 0, width_px, height_px)
    shapes = []
    for region in sorted(kept, key=lambda one: -one.geometry.area):
        placed = affine_transform(region.geometry, [factor, 0, 0, factor, -x0 * factor, -y0 * factor])
        part = placed.intersection(window)
        if not part.is_empty:
            canvas.region(part, style_of(region.kind), width_px=max(1.5, text_px / 11))
            shapes.append((region.name, region.kind, part))
    if names:
        plan = plan_labels(
            [(name, shape) for name, kind, shape in shapes if kind not in ("die", "conductor")],
            width_px=width_px,
            height_px=height_px,
            text_size=drawing.text_size,
            largest_px=1.15 * text_px,
            smallest_px=0.6 * text_px,
        )
        for label in plan.labels:
            canvas.name(label)
    left = 0.6 * text_px
    if scale is not None:
        um_per_px = scale.um_per_px_x / factor
        bar_box, bar_um = drawing.scale_bar_box(um_per_px, width_px, height_px + strip_px, text_px=text_px)
        canvas.scale_bar(um_per_px, bar_box, bar_um)
        left = bar_box[2] + text_px
    _legend(canvas, kinds, left, height_px + strip_px / 2, text_px, width_px)
    return canvas.pixels()


def _legend(canvas: Canvas, kinds: Sequence[str], left: float, y: float, text_px: float, width_px: int) -> None:
    """Swatches in one row, smaller where they would not fit."""

    def needed(size: float) -> float:
        return sum(2.1 * size + drawing.text_size(STYLES[k].label, 0.92 * size)[0] + 1.2 * size for k in kinds)

    size = text_px
    while kinds and left + needed(size) > width_px and size > 6.0:
        size *= 0.93
    x = left
    for kind in kinds:
        style = STYLES[kind]
        canvas.swatch(x, y - 0.45 * size, 1.7 * size, 0.9 * size, style)
        canvas.text(style.label, x + 2.1 * size, y, 0.92 * size)
        x += 2.1 * size + drawing.text_size(style.label, 0.92 * size)[0] + 1.2 * size
