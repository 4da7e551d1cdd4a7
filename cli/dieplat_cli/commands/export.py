"""`dieplat export`: drawing and picture for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from dieplat.mosaicfile.read import Mosaic
    from dieplat.values import Scale

EPILOG = """Examples:

dieplat export out/mosaic.ome.tif out/blocks.geojson --out blocks.svg

dieplat export out/mosaic.ome.tif out/blocks.geojson --out blocks.gds

dieplat export out/mosaic.ome.tif out/blocks.geojson --out poster.png --width-px 6000

dieplat export out/mosaic.ome.tif --out mosaic.ome.zarr

The ending says what is written: .geojson in um, .svg (a group a kind), .gds (a layer a kind), .png or .tif (the
annotated picture), .ome.zarr (the mosaic in chunks). A folder for a web server is made by dieplat publish."""

ENDINGS = (".ome.zarr", ".geojson", ".svg", ".gds", ".png", ".tif", ".tiff")


def register(app: typer.Typer) -> None:
    """Add `export`."""
    app.command(name="export", epilog=EPILOG)(export)


def export(
    mosaic: Annotated[Path, typer.Argument(help="The mosaic.")],
    annotations: Annotated[Path | None, typer.Argument(help="GeoJSON with the drawn blocks.")] = None,
    out: Annotated[Path, typer.Option("--out", help="What to write; its ending says the format.")] = Path("blocks.svg"),
    scale: Annotated[
        Path | None,
        typer.Option("--scale", help="scale.json; without it, one beside the mosaic or the mosaic's own size."),
    ] = None,
    width_px: Annotated[int, typer.Option("--width-px", help="Width of an annotated picture.")] = 4000,
    replace: Annotated[bool, typer.Option("--replace", help="Write over what dieplat did not make.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print what was written as JSON.")] = False,
) -> None:
    """Write the drawing or the picture in a format of other programs."""
    from dieplat.annotate.session import scale_beside
    from dieplat.errors import SettingsError
    from dieplat.exports.ngff import check_ngff, write_ngff
    from dieplat.files import check_replaceable
    from dieplat.mosaicfile.read import open_mosaic
    from dieplat_cli.console import out as console
    from dieplat_cli.console import print_json, progress_bars, workers

    ending = next((one for one in ENDINGS if out.name.lower().endswith(one)), None)
    if ending is None:
        raise SettingsError(f"{out}: no known ending; give one of {', '.join(ENDINGS)}")
    if ending == ".ome.zarr":
        check_ngff(out, replace=replace)
    else:
        check_replaceable(out, replace=replace)
    with open_mosaic(mosaic) as picture, workers() as executor, progress_bars() as bar:
        known = scale_beside(mosaic, picture, scale)
        if ending == ".ome.zarr":
            write_ngff(picture, out, known, executor=executor, progress=bar("chunks"))
        else:
            if annotations is None:
                raise SettingsError(f"{out}: needs the drawing; give the GeoJSON after the mosaic")
            _drawing(ending, picture, annotations, out, known, width_px, executor)
    if as_json:
        print_json({"out": str(out)})
    else:
        console.print(f"{out}", markup=False)


def _drawing(
    ending: str, picture: Mosaic, annotations: Path, out: Path, known: Scale | None, width_px: int, executor: Executor
) -> None:
    from dieplat.annotations import load_regions
    from dieplat.errors import ScaleError
    from dieplat.files import write_bytes, write_json

    um_per_px = None if known is None else (known.um_per_px_x, known.um_per_px_y)
    regions = load_regions(annotations, um_per_px=um_per_px)
    if ending in (".png", ".tif", ".tiff"):
        from dieplat.exports.annotated import write_annotated

        write_annotated(picture, regions.regions, out, width_px=width_px, scale=known, executor=executor)
        return
    if known is None:
        raise ScaleError(f"{out}: is in micrometres, and no scale is known; give --scale")
    if ending == ".geojson":
        from dieplat.annotations.units import MICROMETRES, in_units

        write_json(out, in_units(regions.document, MICROMETRES, (known.um_per_px_x, known.um_per_px_y)))
    elif ending == ".svg":
        from dieplat.exports.svg import overlay_svg

        write_bytes(out, overlay_svg(regions, known, size_px=(picture.width_px, picture.height_px)).encode("utf-8"))
    else:
        from dieplat.exports.gds import write_gds

        write_gds(out, regions, known, height_px=picture.height_px)
