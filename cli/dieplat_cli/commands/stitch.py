"""`dieplat stitch`: a folder of tiles to one mosaic."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from concurrent.futures import Executor
from pathlib import Path
from typing import Annotated

import typer

from dieplat_cli import console

EPILOG = """Examples:

dieplat stitch tiles --out mosaic.ome.tif

dieplat stitch tiles --out mosaic.ome.tif --columns 6 --overlap 0.2 --scale scale.json

dieplat stitch /shared/tiles --out /shared/mosaic.ome.zarr --cluster tcp://10.0.0.5:8786"""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("stitch", epilog=EPILOG)(stitch)


def stitch(
    tiles: Annotated[Path, typer.Argument(help="Folder with the tiles.")],
    out: Annotated[Path, typer.Option("--out", help="The mosaic to write: mosaic.ome.tif or mosaic.ome.zarr.")],
    scale: Annotated[Path | None, typer.Option(help="scale.json, to record the pixel size.")] = None,
    columns: Annotated[int | None, typer.Option(help="Columns of the grid, if names do not tell it.")] = None,
    overlap: Annotated[float | None, typer.Option(help="Overlap of neighbours as a fraction of a tile.")] = None,
    ties: Annotated[Path | None, typer.Option(help="JSON file of places seen in two tiles.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, help="Threads to use; all cores unless given.")] = None,
    cluster: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler whose workers share the work.", metavar="ADDRESS")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over files that dieplat did not make.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the layout as JSON instead.")] = False,
) -> None:
    """Stitch a folder of overlapping tiles into one mosaic, and write layout.json beside it."""
    from dieplat.calibration.scale_file import load_scale
    from dieplat.workflow import CACHE_NAME, build_mosaic

    known = load_scale(scale) if scale is not None else None
    with (
        console.workers(workers) as threads,
        _processes(cluster, tiles, out, threads) as executor,
        console.progress_bars() as bars,
    ):
        layout = build_mosaic(
            tiles,
            out,
            um_per_px=(known.um_per_px_x, known.um_per_px_y) if known is not None else None,
            columns=columns,
            overlap=overlap,
            ties=ties,
            replace_foreign=replace,
            cache=out.with_name(CACHE_NAME) if cluster is None else None,
            executor=executor,
            progress=bars,
        )
    if json:
        console.print_json(layout.to_dict())
        return
    console.print_layout(layout, out)


@contextlib.contextmanager
def _processes(address: str | None, tiles: Path, out: Path, threads: Executor) -> Iterator[Executor]:
    """The threads, or with an address a cluster's workers and the threads."""
    if address is None:
        yield threads
        return
    import logging

    from dieplat.cluster import spread_over
    from dieplat.workflow import check_chunks

    check_chunks(out)
    # What Dask remarks of lost workers is for its own logs; what matters is said in one line.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    with spread_over(address, tiles=tiles.absolute(), out=out.absolute(), near=threads) as executor:
        yield executor
