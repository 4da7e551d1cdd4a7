"""`dieplat phantom`: an invented die with everything known about it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat phantom practice --seed 7

dieplat phantom hard --seed 7 --preset memory --rows 4 --columns 5

dieplat survey practice --out practice_out

dieplat phantom bench_board --seed 7 --board"""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("phantom", epilog=EPILOG)(phantom)


def phantom(
    out: Annotated[Path, typer.Argument(help="Folder to make.", show_default=False)],
    seed: Annotated[
        int,
        typer.Option(
            help="Decides all that is left open; the same seed gives the same files.",
            min=0,
            show_default=False,
        ),
    ],
    preset: Annotated[
        str,
        typer.Option(
            help="ordinary, sharp, memory, blank, lens, tone, shaded, order, shuffled, hand, positions, missing, "
            "focus, stretched, radio or lantern."
        ),
    ] = "ordinary",
    rows: Annotated[int | None, typer.Option(help="Rows of tiles (the seed decides).", show_default=False)] = None,
    columns: Annotated[int | None, typer.Option(help="Columns of tiles.", show_default=False)] = None,
    tile_width: Annotated[int | None, typer.Option(help="Tile width in pixels.", show_default=False)] = None,
    tile_height: Annotated[int | None, typer.Option(help="Tile height in pixels.", show_default=False)] = None,
    overlap: Annotated[float | None, typer.Option(help="Overlap as a fraction of a tile.", show_default=False)] = None,
    naming: Annotated[
        str | None, typer.Option(help="grid (r00_c00), order (IMG_0001, serpentine) or shuffled.", show_default=False)
    ] = None,
    missing: Annotated[int | None, typer.Option(help="Tiles to leave out.", min=0, show_default=False)] = None,
    picture_format: Annotated[
        str | None, typer.Option("--format", help="jpg, png or ome.tif.", show_default=False)
    ] = None,
    board: Annotated[
        bool, typer.Option("--board", help="A photographed circuit board with a printed antenna instead of a die.")
    ] = False,
    replace: Annotated[bool, typer.Option(help="Write into a folder that holds other files.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the truth as JSON.")] = False,
) -> None:
    """Make an invented test die: tiles, a stage micrometer, annotations, and the truth about them.

    The folder is a complete survey, so that every later step can be tried and checked against truth.json.
    """
    if board:
        _board(out, seed, replace=replace, as_json=as_json)
        return
    from dieplat.phantom import make_phantom
    from dieplat_cli.console import out as stdout
    from dieplat_cli.console import print_json, progress_bars

    with progress_bars() as bar:
        truth = make_phantom(
            out,
            seed=seed,
            preset=preset,
            replace=replace,
            progress=bar("pictures"),
            rows=rows,
            columns=columns,
            tile_width_px=tile_width,
            tile_height_px=tile_height,
            overlap=overlap,
            naming=naming,
            missing=missing,
            picture_format=picture_format,
        )
    if as_json:
        print_json(truth.to_dict())
        return
    stdout.print(
        f"{out}: {len(truth.tiles)} tiles, {truth.rows} rows by {truth.columns} columns, "
        f"{len(truth.die.blocks)} blocks on a die of {truth.die.width_um / 1000.0:.4f} x "
        f"{truth.die.height_um / 1000.0:.4f} mm",
        markup=False,
    )
    stdout.print(f"Try: dieplat survey {out} --out {out}_survey", markup=False)


def _board(out: Path, seed: int, *, replace: bool, as_json: bool) -> None:
    from dieplat.phantom.board import make_board
    from dieplat_cli.console import out as stdout
    from dieplat_cli.console import print_json

    truth = make_board(out, seed=seed, replace=replace)
    if as_json:
        print_json(truth)
        return
    for trace in truth["traces"]:
        stdout.print(f"{out}: {trace['name']} of {trace['length_um'] / 1000.0:.3f} mm", markup=False)
    stdout.print(f"Try: dieplat board {out}/board.jpg {out}/board.geojson --out {out}/measured.json", markup=False)
