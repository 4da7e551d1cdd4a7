"""`dieplat stitch`: a folder of tiles to one mosaic."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dieplat_cli import console

EPILOG = """Examples:

dieplat stitch tiles --out mosaic.ome.tif

dieplat stitch tiles --out mosaic.ome.tif --columns 6 --overlap 0.2 --scale scale.json"""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("stitch", epilog=EPILOG)(stitch)


def stitch(
    tiles: Annotated[Path, typer.Argument(help="Folder with the tiles.")],
    out: Annotated[Path, typer.Option("--out", help="The mosaic to write, such as mosaic.ome.tif.")],
    scale: Annotated[Path | None, typer.Option(help="scale.json, to record the pixel size.")] = None,
    columns: Annotated[int | None, typer.Option(help="Columns of the grid, if names do not tell it.")] = None,
    overlap: Annotated[float | None, typer.Option(help="Overlap of neighbours as a fraction of a tile.")] = None,
    ties: Annotated[Path | None, typer.Option(help="JSON file of places seen in two tiles.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Threads to use; all cores unless given.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over files that dieplat did not make.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the layout as JSON instead.")] = False,
) -> None:
    """Stitch a folder of overlapping tiles into one mosaic, and write layout.json beside it."""
    from dieplat.calibration.scale_file import load_scale
    from dieplat.workflow import CACHE_NAME, build_mosaic

    known = load_scale(scale) if scale is not None else None
    with console.workers(workers) as executor, console.progress_bars() as bars:
        layout = build_mosaic(
            tiles,
            out,
            um_per_px=(known.um_per_px_x, known.um_per_px_y) if known is not None else None,
            columns=columns,
            overlap=overlap,
            ties=ties,
            replace_foreign=replace,
            cache=out.with_name(CACHE_NAME),
            executor=executor,
            progress=bars,
        )
    if json:
        console.print_json(layout.to_dict())
        return
    console.print_layout(layout, out)
