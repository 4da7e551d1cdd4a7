"""preview.png: the mosaic with its blocks, names, scale bar and legend, to show to a room."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely.affinity import scale as stretched
from shapely.geometry.base import BaseGeometry

from dieplat.files import write_bytes
from dieplat.mosaicfile.read import open_mosaic
from dieplat.report import drawing
from dieplat.report.content import MANY
from dieplat.report.drawing import Canvas
from dieplat.report.folder import Outputs, as_written, read_outputs
from dieplat.report.labels import plan_labels
from dieplat.report.numbers import area_with_u, length, percent
from dieplat.report.palette import AREA_KINDS, STYLES, Style, style_of
from dieplat.report.picture import png_bytes, view
from dieplat.values import Regions

LONGEST_PX = 2400
ENLARGED_PX = 1600
MARGIN_PX = 36


@dataclass(frozen=True, slots=True)
class BlockMap:
    """The annotated picture, and the names that found no room on it."""

    picture: npt.NDArray[np.uint8]
    unplaced: tuple[str, ...]


def write_preview(folder: Path, out: Path | None = None) -> Path:
    """Draw the survey in `folder` to `out` (preview.png beside the mosaic if None) and return its path.

    Raises what `read_outputs` raises when a part is missing or damaged.
    """
    path = out if out is not None else folder / "preview.png"
    with as_written(folder):
        drawn = draw_preview(read_outputs(folder))
    write_bytes(path, png_bytes(drawn))
    return path


def draw_preview(outputs: Outputs, *, longest_px: int = LONGEST_PX) -> npt.NDArray[np.uint8]:
    """The block map in a frame, with a title line above and the legend below."""
    drawn = draw_blocks(outputs, longest_px=longest_px - 2 * MARGIN_PX)
    high, wide = drawn.picture.shape[:2]
    width_px = max(wide + 2 * MARGIN_PX, 1200)
    unit = width_px / 2400  # type grows with the frame, so that small mosaics are not all letters
    text_px = max(30.0 * unit, 20.0)
    entries = legend_entries(outputs)
    rows = _wrap(entries, width_px - 2 * MARGIN_PX, text_px)
    head_px = round(4.4 * text_px)
    foot_px = round((len(rows) * 1.7 + 0.7) * text_px) + MARGIN_PX // 2
    canvas = Canvas(width_px, head_px + high + foot_px)
    left = (width_px - wide) / 2
    canvas.picture(drawn.picture, left, head_px)
    canvas.text(outputs.title, MARGIN_PX, 1.45 * text_px, 1.65 * text_px, bold=True)
    canvas.text(_subtitle(outputs), MARGIN_PX, 3.15 * text_px, 0.95 * text_px, colour="#C3CAD5")
    for number, row in enumerate(rows):
        x = float(MARGIN_PX)
        y = head_px + high + (1.25 + 1.7 * number) * text_px
        for style, text in row:
            canvas.swatch(x, y - 0.45 * text_px, 1.7 * text_px, 0.9 * text_px, style)
            canvas.text(text, x + 2.1 * text_px, y, 0.92 * text_px)
            x += _entry_width(text, text_px)
    return canvas.pixels()


def draw_blocks(outputs: Outputs, *, longest_px: int) -> BlockMap:
    """The mosaic at `longest_px` with translucent blocks, their names and a scale bar."""
    with open_mosaic(outputs.mosaic) as mosaic:
        own_px = max(mosaic.width_px, mosaic.height_px)
        # A small mosaic is enlarged, so that names and lines have room.
        size_px = min(longest_px, max(own_px, ENLARGED_PX))
        picture, factor = view(mosaic, longest_px=size_px, enlarge=True)
    high, wide = picture.shape[:2]
    um_per_px = float(outputs.scale["um_per_px_x"]) / factor
    text_px = max(15.0, 34.0 * max(wide, high) / 2400)
    # The bar lies on a strip of its own below the picture, where it hides nothing.
    strip_px = round(3.1 * text_px)
    canvas = Canvas(wide, high + strip_px)
    canvas.picture(picture, 0, 0)
    bar_box, bar_um = drawing.scale_bar_box(um_per_px, wide, high + strip_px, text_px=text_px)
    shapes = scaled_shapes(outputs.regions, factor)
    for _, kind, shape in shapes:
        canvas.region(shape, style_of(kind), width_px=max(1.5, text_px / 11))
    for kind, shape in proposed_shapes(outputs.regions, factor):
        canvas.outline(shape, proposed_style(kind), width_px=max(1.5, text_px / 11))
    counts = Counter(kind for _, kind, _ in shapes)
    plan = plan_labels(
        [(name, shape) for name, kind, shape in shapes if kind not in ("die", "conductor")],
        inside_only={name for name, kind, _ in shapes if counts[kind] > MANY},
        width_px=wide,
        height_px=high,
        text_size=drawing.text_size,
        largest_px=1.15 * text_px,
        smallest_px=0.6 * text_px,
    )
    for label in plan.labels:
        canvas.name(label)
    canvas.scale_bar(um_per_px, bar_box, bar_um)
    return BlockMap(canvas.pixels(), plan.unplaced)


def scaled_shapes(regions: Regions | None, factor: float) -> list[tuple[str, str, BaseGeometry]]:
    """(name, kind, geometry) in picture pixels, large areas first so that small ones are drawn on top."""
    if regions is None:
        return []
    ordered = sorted(regions.regions, key=lambda region: -region.geometry.area)
    return [
        (region.name, region.kind, stretched(region.geometry, factor, factor, origin=(0, 0)))
        for region in ordered
        if not region.geometry.is_empty
    ]


def proposed_shapes(regions: Regions | None, factor: float) -> list[tuple[str, BaseGeometry]]:
    """(kind, geometry) in picture pixels of what is proposed and not accepted."""
    waiting = () if regions is None else regions.proposed
    return [(region.kind, stretched(region.geometry, factor, factor, origin=(0, 0))) for region in waiting]


def proposed_style(kind: str) -> Style:
    """The kind's colour, dashed and without a filling: seen by the tool, accepted by nobody."""
    return replace(style_of(kind), hatch="", dash=(4.0, 3.0))


def legend_entries(outputs: Outputs) -> list[tuple[Style, str]]:
    """One entry a kind that occurs: its name, how many, and its share of the die where that is known."""
    summary: Sequence[Mapping[str, Any]] = outputs.measurements.get("summary") or ()
    by_kind = {row.get("kind"): row for row in summary}
    present = {region.kind for region in outputs.regions.regions} if outputs.regions else set()
    entries = []
    for kind in (*AREA_KINDS, "trace", "conductor", "die"):
        if kind not in present:
            continue
        words = [STYLES[kind].label]
        row = by_kind.get(kind)
        if row is not None and kind in AREA_KINDS:
            words.append(f"× {row.get('count')}")
            if row.get("share_of_die") is not None:
                words.append(f"· {percent(row['share_of_die'])}")
        entries.append((STYLES[kind], " ".join(words)))
    if outputs.regions is not None and outputs.regions.proposed:
        entries.append((proposed_style("other"), f"{len(outputs.regions.proposed)} proposed, not counted"))
    return entries


def _subtitle(outputs: Outputs) -> str:
    die = outputs.measurements.get("die")
    scale = outputs.scale
    parts = []
    if die:
        text, unit = area_with_u(die.get("area_um2"), die.get("area_um2_u"))
        parts.append(f"Die {length(die.get('width_um'))} × {length(die.get('height_um'))}")
        parts.append(f"area {text} {unit} (k = 2)")
    parts.append(f"scale {scale['um_per_px_x']:.5g} µm per pixel")
    return "   ·   ".join(parts)


def _entry_width(text: str, text_px: float) -> float:
    return 2.1 * text_px + drawing.text_size(text, 0.92 * text_px)[0] + 1.5 * text_px


def _wrap(entries: Sequence[tuple[Style, str]], width_px: float, text_px: float) -> list[list[tuple[Style, str]]]:
    rows: list[list[tuple[Style, str]]] = [[]]
    used = 0.0
    for entry in entries:
        wide = _entry_width(entry[1], text_px)
        if rows[-1] and used + wide > width_px:
            rows.append([])
            used = 0.0
        rows[-1].append(entry)
        used += wide
    return rows if rows[0] else []
