"""Drawing on a picture with Matplotlib's Agg canvas, in the picture's own pixels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import FancyBboxPatch, PathPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.patheffects import withStroke
from matplotlib.textpath import TextPath
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient

from dieplat.report.labels import Label
from dieplat.report.numbers import bar_label, round_step
from dieplat.report.palette import Style

DPI = 100.0
INK = "#0B0E13"
PAPER = "#F5F7FA"
PANEL = "#12161D"
FONT = "DejaVu Sans"


def pt(px: float) -> float:
    """Picture pixels to Matplotlib's points."""
    return px * 72.0 / DPI


def text_size(text: str, size_px: float) -> tuple[float, float]:
    """(width, height) in pixels of a text in bold at a font size of `size_px`; the height is a line's."""
    return _width_per_px(text) * size_px, size_px


@lru_cache(maxsize=4096)
def _width_per_px(text: str) -> float:
    """Width of a text in bold over its font size; an outline of 100 units is exact."""
    outline = TextPath((0, 0), text or " ", size=100, prop=FontProperties(family=FONT, weight="bold"))
    return float(outline.get_extents().width) / 100


class Canvas:
    """A drawing of `width_px` by `height_px` pixels; x right, y down, one unit a pixel."""

    def __init__(self, width_px: int, height_px: int, *, background: str = PANEL) -> None:
        # Releases before 3.11 cut the product down to whole pixels, so it may not lie a last digit below.
        inches = ((width_px + 1e-6) / DPI, (height_px + 1e-6) / DPI)
        self.figure = Figure(figsize=inches, dpi=DPI, facecolor=background)
        self._agg = FigureCanvasAgg(self.figure)
        self.axes: Axes = self.figure.add_axes((0, 0, 1, 1))
        self.axes.set_xlim(0, width_px)
        self.axes.set_ylim(height_px, 0)
        self.axes.set_axis_off()

    def picture(self, image: npt.NDArray[np.uint8], x: float, y: float) -> None:
        """Put an RGB picture, unscaled, with its top-left corner at (x, y)."""
        high, wide = image.shape[:2]
        self.axes.imshow(image, extent=(x, x + wide, y + high, y), interpolation="nearest", aspect="auto", zorder=0)
        self.axes.set_xlim(0, self.figure.get_figwidth() * DPI)
        self.axes.set_ylim(self.figure.get_figheight() * DPI, 0)

    def region(self, shape: BaseGeometry, style: Style, *, width_px: float = 2.5) -> None:
        """A translucent, hatched area or a line, with a dark halo so that it stands out on any ground."""
        path = outline_of(shape)
        if path is None:
            return
        if style.hatch:
            self.axes.add_patch(PathPatch(path, facecolor=style.colour, edgecolor="none", alpha=0.20, zorder=2))
        if style.hatch:
            self.axes.add_patch(
                PathPatch(
                    path,
                    facecolor="none",
                    edgecolor=style.colour,
                    hatch=style.hatch,
                    lw=0,
                    alpha=0.40,
                    zorder=3,
                )
            )
        self.outline(shape, style, width_px=width_px)

    def outline(self, shape: BaseGeometry, style: Style, *, width_px: float = 2.5) -> None:
        """The edge alone, for a close-up whose inside must stay visible."""
        path = outline_of(shape)
        if path is None:
            return
        dashes = (0, style.dash) if style.dash else "solid"
        halo = {"facecolor": "none", "edgecolor": INK, "alpha": 0.75, "zorder": 4}
        self.axes.add_patch(PathPatch(path, lw=pt(width_px + 3), **halo))
        line = {"facecolor": "none", "edgecolor": style.colour, "ls": dashes, "zorder": 5}
        self.axes.add_patch(PathPatch(path, lw=pt(width_px), **line))

    def text(
        self,
        text: str,
        x: float,
        y: float,
        size_px: float,
        *,
        colour: str = PAPER,
        bold: bool = False,
        ha: str = "left",
    ) -> None:
        """Text whose vertical middle lies at y."""
        self.axes.text(
            x, y, text, fontsize=pt(size_px), color=colour, family=FONT, ha=ha, va="center_baseline",
            weight="bold" if bold else "normal", zorder=9, parse_math=False,
        )  # fmt: skip

    def name(self, label: Label, *, dx: float = 0.0, dy: float = 0.0) -> None:
        """A planned label, with its leader."""
        x, y = label.x + dx, label.y + dy
        if label.leader is not None:
            end = (label.leader[0] + dx, label.leader[1] + dy)
            for colour, wide, order in ((INK, 4.5, 6), (PAPER, 1.8, 7)):
                self.axes.plot([x, end[0]], [y, end[1]], color=colour, lw=pt(wide), zorder=order)
            self.axes.plot([end[0]], [end[1]], "o", ms=pt(7), mfc=PAPER, mec=INK, mew=pt(1.5), zorder=7)
        wide, high = text_size(label.text, label.size_px)
        pad = 0.24 * label.size_px
        self._plate(x - wide / 2 - pad, y - high / 2 - pad * 0.8, wide + 2 * pad, high + 1.6 * pad, pad)
        self.axes.text(
            x, y, label.text, fontsize=pt(label.size_px), color=PAPER, family=FONT, weight="bold",
            ha="center", va="center_baseline", zorder=9, parse_math=False,
            path_effects=[withStroke(linewidth=pt(label.size_px * 0.12), foreground=INK)],
        )  # fmt: skip

    def scale_bar(self, um_per_px: float, box: tuple[float, float, float, float], length_um: float) -> None:
        """A bar of `length_um` with its length in words, on a dark plate that fills `box`: x0, y0, x1, y1."""
        x0, y0, x1, y1 = box
        self._plate(x0, y0, x1 - x0, y1 - y0, 8.0)
        high = y1 - y0
        bar_px = length_um / um_per_px
        start = (x0 + x1 - bar_px) / 2
        self.axes.add_patch(
            Rectangle((start, y1 - 0.34 * high), bar_px, 0.14 * high, facecolor=PAPER, edgecolor="none", zorder=9)
        )
        self.text(bar_label(length_um), (x0 + x1) / 2, y0 + 0.34 * high, 0.40 * high, bold=True, ha="center")

    def swatch(self, x: float, y: float, wide: float, high: float, style: Style) -> None:
        """A legend's sample of a style."""
        if style.dash:
            self.region(LineString([(x, y + high / 2), (x + wide, y + high / 2)]), style, width_px=3)
        else:
            self.region(Polygon([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)]), style, width_px=2)

    def pixels(self) -> npt.NDArray[np.uint8]:
        """The finished drawing, RGB."""
        self._agg.draw()
        return np.ascontiguousarray(np.asarray(self._agg.buffer_rgba())[..., :3])

    def _plate(self, x: float, y: float, wide: float, high: float, radius: float) -> None:
        self.axes.add_patch(
            FancyBboxPatch(
                (x, y), wide, high, boxstyle=f"round,pad=0,rounding_size={radius}",
                facecolor=INK, edgecolor="none", alpha=0.72, zorder=8,
            )
        )  # fmt: skip


def scale_bar_box(
    um_per_px: float, width_px: float, height_px: float, *, share: float = 0.2, text_px: float = 30.0
) -> tuple[tuple[float, float, float, float], float]:
    """The plate (x0, y0, x1, y1) at the lower left, and the bar's round length in µm."""
    length_um = round_step(width_px * share * um_per_px)
    high = text_px * 2.3
    wide = max(length_um / um_per_px, text_size(bar_label(length_um), text_px)[0]) + text_px * 1.2
    margin = text_px * 0.6
    return (margin, height_px - margin - high, margin + wide, height_px - margin), length_um


def outline_of(shape: BaseGeometry) -> Outline | None:
    """One Matplotlib path for a geometry; holes turn the other way, so that they stay empty. Points: None."""
    vertices: list[Sequence[float]] = []
    codes: list[int] = []

    def add(points: Iterable[Sequence[float]], *, closed: bool) -> None:
        ring = [tuple(point[:2]) for point in points]
        vertices.extend(ring)
        codes.extend([int(Outline.MOVETO)] + [int(Outline.LINETO)] * (len(ring) - 1))
        if closed:
            codes[-1] = int(Outline.CLOSEPOLY)

    for part in getattr(shape, "geoms", [shape]):
        if isinstance(part, Polygon):
            turned = orient(part)
            add(turned.exterior.coords, closed=True)
            for hole in turned.interiors:
                add(hole.coords, closed=True)
        elif isinstance(part, LineString):
            add(part.coords, closed=False)
    return Outline(np.asarray(vertices, dtype=float), codes) if vertices else None
