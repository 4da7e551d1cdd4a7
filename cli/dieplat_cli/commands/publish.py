"""`dieplat publish`: the page as a folder of files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat publish out/mosaic.ome.tif out/blocks.geojson --out show

dieplat publish out/mosaic.ome.tif out/blocks.geojson --out show --address https://example.org/marmot"""


def register(app: typer.Typer) -> None:
    """Add `publish`."""
    app.command(name="publish", epilog=EPILOG)(publish)


def publish(
    mosaic: Annotated[Path, typer.Argument(help="The mosaic.")],
    annotations: Annotated[Path, typer.Argument(help="GeoJSON with the drawn blocks.")],
    out: Annotated[Path, typer.Option("--out", help="Folder to make; one made before is replaced.")],
    scale: Annotated[
        Path | None,
        typer.Option("--scale", help="scale.json; without it, one beside the mosaic or the mosaic's own size."),
    ] = None,
    beside: Annotated[
        list[Path] | None, typer.Option("--beside", help="Another picture of the same die and size, to compare.")
    ] = None,
    address: Annotated[str, typer.Option("--address", help="Where the folder will be found, for other viewers.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Print what was written as JSON.")] = False,
) -> None:
    """Write the mosaic, its blocks and their numbers as a folder of plain files, for any web server.

    The audience looks around, chooses blocks and reads their numbers; nothing can be changed. The picture's tiles
    follow the IIIF Image API 3 (level 0), so that other viewers can show it too.
    """
    from dieplat.annotate.publish import publish as write
    from dieplat.annotate.session import open_session
    from dieplat_cli.console import out as console
    from dieplat_cli.console import print_json, progress_bars, workers

    with (
        open_session(mosaic, annotations, scale=scale, beside=beside or []) as session,
        workers() as executor,
        progress_bars() as bar,
    ):
        page = write(session, out, address=address, executor=executor, progress=bar("tiles"))
    if as_json:
        print_json({"page": str(page)})
    else:
        console.print(f"{page}: put the folder on a web server; opened as a file, browsers show no tiles", markup=False)
