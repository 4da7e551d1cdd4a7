"""report.html: one file with every picture inside it, that asks nothing of any network."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from shapely.geometry.base import BaseGeometry

from dieplat import __version__
from dieplat.files import write_bytes
from dieplat.mosaicfile.read import Mosaic, open_mosaic
from dieplat.report import figures
from dieplat.report.content import build_content
from dieplat.report.crops import crop_banks, crop_block, crop_cells, crop_winding
from dieplat.report.folder import REPORT, Outputs, as_written, read_outputs
from dieplat.report.lattice import drawn_lattice
from dieplat.report.page import Shown, rendered, shown
from dieplat.report.palette import STYLES, style_of
from dieplat.report.preview import draw_blocks, legend_entries
from dieplat.report.ruling_chart import ruling_charts
from dieplat.report.winding import drawn_winding

MAP_PX = 1800
PICTURED = 12
"""At most so many inductors and arrays are pictured; all are listed. Keeps the file below about 3 MB."""


def write_report(folder: Path, out: Path | None = None) -> Path:
    """Write the report on the survey in `folder` to `out` (report.html there if None) and return its path.

    Raises what `read_outputs` raises when a part is missing or damaged.
    """
    path = out if out is not None else folder / REPORT
    with as_written(folder):
        page = render(read_outputs(folder))
    write_bytes(path, page.encode("utf-8"))
    return path


def render(outputs: Outputs) -> str:
    """The page as text."""
    content = build_content(outputs, version=__version__)
    block_map, unplaced = _block_map(outputs)
    return rendered(
        "report.html.j2",
        content=content,
        block_map=block_map,
        unplaced=unplaced,
        legend=_legend(outputs),
        share_bar=figures.share_bar(content.shares) if content.shares else None,
        fair_px=figures.FAIR_PX,
        poor_px=figures.POOR_PX,
        tile_map=figures.tile_map(outputs.layout) if outputs.layout and outputs.layout["tiles"] else None,
        ruling_charts=ruling_charts(outputs.scale),
        shades=figures.shade_legend(outputs.layout) if outputs.layout else [],
        pictures=_close_ups(outputs),
    )


def _block_map(outputs: Outputs) -> tuple[Shown, tuple[str, ...]]:
    drawn = draw_blocks(outputs, longest_px=MAP_PX)
    named = (
        [f"{region.name} ({style_of(region.kind).label})" for region in outputs.regions.regions]
        if outputs.regions
        else []
    )
    alt = "The stitched photograph of the chip"
    if named:
        listed = ", ".join(named[:20]) + (f" and {len(named) - 20} more" if len(named) > 20 else "")
        alt += f" with {len(named)} outlined regions: {listed}"
    return shown(drawn.picture, alt), drawn.unplaced


def _legend(outputs: Outputs) -> list[tuple[str, str]]:
    present = {style.label: text for style, text in legend_entries(outputs)}
    return [(kind, present[style.label]) for kind, style in STYLES.items() if style.label in present]


def _close_ups(outputs: Outputs) -> dict[str, list[Shown]]:
    """Pictures by block name, for the first inductors and arrays."""
    if outputs.regions is None:
        return {}
    shapes = {(region.name, region.kind): region.geometry for region in outputs.regions.regions}
    um_per_px = (float(outputs.scale["um_per_px_x"]), float(outputs.scale["um_per_px_y"]))
    pictures: dict[str, list[Shown]] = {}
    counts = {"inductor": 0, "array": 0}
    with open_mosaic(outputs.mosaic) as mosaic:
        for block in outputs.measurements.get("blocks") or ():
            shape = shapes.get((block["name"], block["kind"]))
            what = "inductor" if block.get("inductor") else "array" if block.get("array") else None
            if shape is None or what is None or counts[what] >= PICTURED or not _on(mosaic, shape):
                continue
            counts[what] += 1
            pictures[block["name"]] = _of_block(mosaic, block, shape, what, um_per_px)
    return pictures


def _of_block(
    mosaic: Mosaic, block: Mapping[str, Any], shape: BaseGeometry, what: str, um_per_px: tuple[float, float]
) -> list[Shown]:
    name = block["name"]
    if what != "array":
        close = crop_block(mosaic, shape, block["kind"], um_per_px[0])
        pictures = [shown(close, f"Close-up of {name} with its outline and a scale bar")]
        winding = drawn_winding(block["inductor"], um_per_px)
        if winding is not None:
            found = crop_winding(mosaic, shape, winding, um_per_px[0])
            alt = f"{name} with the edges and the centre line of the conductor as they were found, and a scale bar"
            pictures.append(shown(found, alt))
        return pictures
    lattice = drawn_lattice(block["array"], um_per_px)
    close = crop_banks(mosaic, shape, lattice, um_per_px[0])
    cells = crop_cells(mosaic, shape, lattice, um_per_px[0])
    count = len(lattice.banks)
    framed = f"{count} counted {'bank' if count == 1 else 'banks'} framed" if count else "its outline"
    return [
        shown(close, f"Close-up of {name} with {framed} and a scale bar"),
        shown(cells, f"Some cells of {name}, enlarged, with the lattice that was counted and a scale bar"),
    ]


def _on(mosaic: Mosaic, shape: BaseGeometry) -> bool:
    x0, y0, x1, y1 = shape.bounds
    return bool(x1 > 0 and y1 > 0 and x0 < mosaic.width_px and y0 < mosaic.height_px)
