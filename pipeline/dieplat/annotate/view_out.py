"""The view of the page as a picture to show: blocks, names, scale bar and legend, drawn as in the report."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely.affinity import affine_transform, translate
from shapely.geometry import box as rectangle
from shapely.geometry.base import BaseGeometry

from dieplat.annotate.image_request import ImageRequest
from dieplat.annotate.picture import ShownPicture, shown_pixels
from dieplat.errors import SettingsError
from dieplat.report import drawing
from dieplat.report.drawing import Canvas
from dieplat.report.labels import Label, plan_labels
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
    sheet = _Sheet(shown, (x0, y0, x1, y1), factor, (width_px, height_px), scale)
    kept = [region for region in regions if region.kind not in hidden]
    return np.concatenate(list(sheet.bands(kept, legend=legend, names=names, rows=height_px)))


def whole_in_bands(
    shown: ShownPicture,
    regions: Sequence[Region],
    *,
    width_px: int,
    scale: Scale | None,
    legend: bool = True,
    names: bool = True,
) -> tuple[int, Iterator[npt.NDArray[np.uint8]]]:
    """The whole mosaic with its blocks at any width, from top to bottom.

    Returns
    -------
    int
        Height of the result, the strip with scale bar and legend included.
    iterator of ndarray of shape (h, width_px, 3), uint8
        Memory holds one of them.
    """
    mosaic = shown.mosaic
    factor = width_px / mosaic.width_px
    size = width_px, max(1, round(mosaic.height_px * factor))
    sheet = _Sheet(shown, (0, 0, mosaic.width_px, mosaic.height_px), factor, size, scale)
    return size[1] + sheet.strip_px(regions, legend=legend), sheet.bands(regions, legend=legend, names=names)


_BAND_ROWS = 800
"""Rows drawn at a time: a multiple of the hatches' period, so that they go on from band to band."""


@dataclass(frozen=True, slots=True, eq=False)
class _Sheet:
    """A part of a mosaic to be drawn at `factor` times its size."""

    shown: ShownPicture
    part: tuple[int, int, int, int]
    factor: float
    size: tuple[int, int]
    scale: Scale | None

    @property
    def text_px(self) -> float:
        return max(14.0, self.size[0] / 75)

    def strip_px(self, regions: Sequence[Region], *, legend: bool) -> int:
        return round(3.1 * self.text_px) if self.scale is not None or (legend and regions) else 0

    def bands(
        self, regions: Sequence[Region], *, legend: bool, names: bool, rows: int = _BAND_ROWS
    ) -> Iterator[npt.NDArray[np.uint8]]:
        """The picture with blocks and names, then the strip with scale bar and legend."""
        width_px, height_px = self.size
        x0, y0, _, _ = self.part
        window = rectangle(0, 0, width_px, height_px)
        shapes = []
        for region in sorted(regions, key=lambda one: -one.geometry.area):
            placed = affine_transform(
                region.geometry, [self.factor, 0, 0, self.factor, -x0 * self.factor, -y0 * self.factor]
            ).intersection(window)
            if not placed.is_empty:
                shapes.append((region, placed))
        labels = self._labels(shapes) if names else ()
        for top in range(0, height_px, rows):
            yield self._band(top, min(top + rows, height_px), rows, shapes, labels)
        strip_px = self.strip_px(regions, legend=legend)
        if strip_px:
            kinds = [kind for kind in STYLES if any(region.kind == kind for region in regions)] if legend else []
            yield self._strip(strip_px, kinds)

    def _labels(self, shapes: Sequence[tuple[Region, BaseGeometry]]) -> Sequence[Label]:
        plan = plan_labels(
            [(region.name, shape) for region, shape in shapes if region.kind not in ("die", "conductor")],
            width_px=self.size[0],
            height_px=self.size[1],
            text_size=drawing.text_size,
            largest_px=1.15 * self.text_px,
            smallest_px=0.6 * self.text_px,
        )
        return plan.labels

    def _band(
        self,
        top: int,
        bottom: int,
        rows: int,
        shapes: Sequence[tuple[Region, BaseGeometry]],
        labels: Sequence[Label],
    ) -> npt.NDArray[np.uint8]:
        width_px, height_px = self.size
        x0, y0, x1, y1 = self.part
        # As many whole mosaic rows as the band touches, and the band cut from them.
        first = y0 + math.floor((y1 - y0) * top / height_px)
        last = min(y1, y0 + math.ceil((y1 - y0) * bottom / height_px))
        high = max(1, round((last - first) * height_px / (y1 - y0)))
        request = ImageRequest(x0, first, x1, last, width_px, high, 0, grey=False, format="png")
        picture = as_rgb8(shown_pixels(self.shown.mosaic, request, self.shown.tone))
        # Always as high as a whole band: hatches count from the lower edge.
        canvas = Canvas(width_px, rows)
        canvas.picture(picture, 0, (first - y0) * height_px / (y1 - y0) - top)
        margin = 3 * self.text_px
        for region, shape in shapes:
            _, low, _, far = shape.bounds
            if low - margin < bottom and far + margin > top:
                moved = translate(shape, 0, -top)
                canvas.region(moved, style_of(region.kind), width_px=max(1.5, self.text_px / 11))
        for label in labels:
            canvas.name(label, dy=-top)
        return canvas.pixels()[: bottom - top]

    def _strip(self, strip_px: int, kinds: Sequence[str]) -> npt.NDArray[np.uint8]:
        canvas = Canvas(self.size[0], strip_px)
        left = 0.6 * self.text_px
        if self.scale is not None:
            um_per_px = self.scale.um_per_px_x / self.factor
            box, length_um = drawing.scale_bar_box(um_per_px, self.size[0], strip_px, text_px=self.text_px)
            canvas.scale_bar(um_per_px, box, length_um)
            left = box[2] + self.text_px
        _legend(canvas, kinds, left, strip_px / 2, self.text_px, self.size[0])
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
