"""Results that show themselves in a notebook: `%load_ext dieplat.notebook`.

Nothing is imported of the notebook's own programs: the extension is handed the shell that loads it.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import Any

from dieplat.mosaicfile.read import Mosaic
from dieplat.report.numbers import area_with_u, length, plain, with_u
from dieplat.report.palette import style_of
from dieplat.report.picture import png_bytes, view
from dieplat.values import Layout, Scale
from dieplat.values.board import BoardMeasurements
from dieplat.values.measurements import BlockResult, Measurements

SHOWN_PX = 900
"""Longest side of a mosaic as a notebook shows it."""


def load_ipython_extension(shell: Any) -> None:
    """Teach a notebook's shell to show results; `%load_ext dieplat.notebook` calls it."""
    tables = shell.display_formatter.formatters["text/html"]
    tables.for_type(Measurements, measurements_html)
    tables.for_type(Scale, scale_html)
    tables.for_type(Layout, layout_html)
    tables.for_type(BoardMeasurements, board_html)
    shell.display_formatter.formatters["image/png"].for_type(Mosaic, mosaic_png)


def measurements_html(found: Measurements) -> str:
    """The die, then every block with its area, share and what else was measured of it."""
    head = ""
    if found.die is not None:
        area, unit = area_with_u(found.die.area_um2, found.die.area_um2_u)
        head = f"<p>Die {length(found.die.width_um)} by {length(found.die.height_um)}, {area} {unit}</p>"
    rows = [
        (block.name, style_of(block.kind).label, *_area(block), _share(block), _more(block)) for block in found.blocks
    ]
    notes = "".join(f"<li>{html.escape(text)}</li>" for text in found.warnings)
    table = _table(("Block", "Kind", "Area", "", "Share of the die", ""), rows)
    return f"{head}{table}<p>± is k = 2.</p>" + (f"<ul>{notes}</ul>" if notes else "")


def _area(block: BlockResult) -> tuple[str, str]:
    return area_with_u(block.area_um2, block.area_um2_u) if block.area_um2 is not None else ("", "")


def _share(block: BlockResult) -> str:
    share, u = block.share_of_die, block.share_of_die_u
    return "" if share is None else f"{with_u(100 * share, None if u is None else 100 * u)} %"


def _more(block: BlockResult) -> str:
    if block.inductor is not None:
        estimate = block.inductor.estimate
        return f"{with_u(estimate.inductance_nh, estimate.inductance_nh_u)} nH"
    if block.array is not None and block.array.cells is not None:
        return f"{block.array.columns} × {block.array.rows} = {block.array.cells} cells"
    if block.trace is not None:
        return f"{with_u(block.trace.length_um, block.trace.length_um_u)} µm"
    return ""


def scale_html(scale: Scale) -> str:
    """Both axes with their uncertainties."""
    rows = [
        ("x", with_u(scale.um_per_px_x, scale.um_per_px_x_u), "µm per pixel"),
        ("y", with_u(scale.um_per_px_y, scale.um_per_px_y_u), "µm per pixel"),
    ]
    return _table(("Axis", "Scale", ""), rows) + f"<p>{html.escape(scale.source)}; ± is k = 2.</p>"


def layout_html(layout: Layout) -> str:
    """How many tiles lie where, and those to look at."""
    doubtful = [tile.name for tile in layout.tiles if tile.ambiguous or tile.placed_by != "overlap"]
    rows = [
        ("Tiles", str(len(layout.tiles))),
        ("Mosaic", f"{layout.width_px} × {layout.height_px} px"),
        ("Overlaps disagree by (rms)", f"{plain(layout.rms_residual_px)} px"),
        ("To look at", ", ".join(doubtful) or "none"),
        ("Left out", ", ".join(item.name for item in layout.skipped) or "none"),
    ]
    return _table(("", ""), rows)


def board_html(found: BoardMeasurements) -> str:
    """The traces of a board with their verdicts."""
    rows = [
        (trace.name, f"{with_u(trace.length_um / 1e3, trace.length_um_u / 1e3)} mm", trace.how, trace.verdict)
        for trace in found.traces
    ]
    return _table(("Trace", "Length", "", "Beside a quarter wave"), rows) + "<p>± is k = 2.</p>"


def mosaic_png(mosaic: Mosaic) -> bytes:
    """The whole mosaic, small."""
    return png_bytes(view(mosaic, longest_px=SHOWN_PX)[0])


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    def line(cells: Sequence[str], tag: str) -> str:
        return "<tr>" + "".join(f"<{tag}>{html.escape(cell)}</{tag}>" for cell in cells) + "</tr>"

    titles = f"<thead>{line(head, 'th')}</thead>" if any(head) else ""
    return f"<table>{titles}<tbody>{''.join(line(row, 'td') for row in rows)}</tbody></table>"
