"""`dieplat annotate`: the local page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat annotate out/mosaic.ome.tif blocks.geojson

dieplat annotate top/mosaic.ome.tif blocks.geojson --beside lower/aligned.ome.tif --scale top/scale.json

dieplat annotate mosaic.ome.tif blocks.geojson --no-open --port 8123"""


def register(app: typer.Typer) -> None:
    """Add `annotate`."""
    app.command(name="annotate", epilog=EPILOG)(annotate)


def annotate(
    mosaic: Annotated[Path, typer.Argument(help="The mosaic: OME-TIFF, TIFF, PNG or JPEG.")],
    annotations: Annotated[Path, typer.Argument(help="GeoJSON to draw in; begun if there is none.")],
    scale: Annotated[
        Path | None,
        typer.Option("--scale", help="scale.json; without it, one beside the mosaic or the mosaic's own size."),
    ] = None,
    beside: Annotated[
        list[Path] | None, typer.Option("--beside", help="Another picture of the same die and size, to compare.")
    ] = None,
    frequency_hz: Annotated[
        float | None, typer.Option("--frequency-hz", help="For resonant capacitances; else as the survey was told.")
    ] = None,
    thickness_um: Annotated[
        float | None, typer.Option("--thickness-um", help="Metal thickness assumed; else as the survey was told, or 2.")
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one.")] = 0,
    no_open: Annotated[bool, typer.Option("--no-open", help="Print the link only; open no browser.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the link as JSON.")] = False,
) -> None:
    """Open a page on this machine to look at the mosaic, draw blocks on it and see their numbers.

    Every change is saved within a second to the GeoJSON file; the version before is kept beside it. Only this
    machine can reach the page, by the link that is printed. Ctrl C ends it.
    """
    import threading
    import webbrowser
    from dataclasses import replace

    from dieplat.annotate.guard import new_key
    from dieplat.annotate.server import LOOPBACK, listen, serve
    from dieplat.annotate.session import open_session, stated_beside
    from dieplat_cli.console import out, print_json, say

    told = stated_beside(mosaic)
    given = {"frequency_hz": frequency_hz, "thickness_um": thickness_um}
    pictures = open_session(
        mosaic,
        annotations,
        scale=scale,
        beside=beside or [],
        stated=replace(told, **{key: value for key, value in given.items() if value is not None}),
    )
    with pictures as session:
        key = new_key()
        listening = listen(port)
        link = f"http://{LOOPBACK}:{listening.getsockname()[1]}/?key={key}"
        if as_json:
            print_json({"link": link})
        else:
            out.print(link, markup=False)
        say("Ctrl C ends it; everything is saved as you draw")
        if not no_open:
            threading.Timer(0.5, webbrowser.open, [link]).start()
        serve(session, listening, key=key)
