"""`dieplat align`: one mosaic of a die laid over another."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat align top/mosaic.ome.tif lower/mosaic.ome.tif --out lower/aligned.ome.tif

dieplat align top/mosaic.ome.tif lower/mosaic.ome.tif --out lower/aligned.ome.tif --marks top.geojson lower.geojson

dieplat annotate top/mosaic.ome.tif blocks.geojson --beside lower/aligned.ome.tif"""


def register(app: typer.Typer) -> None:
    """Add `align`."""
    app.command(name="align", epilog=EPILOG)(align)


def align(
    reference: Annotated[Path, typer.Argument(help="The mosaic that stays as it is.")],
    mosaic: Annotated[Path, typer.Argument(help="The mosaic to lay over it, such as a lower layer.")],
    out: Annotated[Path, typer.Option("--out", help="OME-TIFF to write, in the reference's frame.")],
    marks: Annotated[
        tuple[Path, Path] | None,
        typer.Option("--marks", help="Drawings of both with marks (points) of the same names, to go by."),
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over files that dieplat did not make.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the map and its residuals as JSON.")] = False,
) -> None:
    """Lay one mosaic of a die over another, from what both show or from marks of the same names.

    Writes the mosaic anew in the reference's frame and, beside it, the map with the residual of every window or
    mark. Measure on the original: the copy is for looking and comparing.
    """
    from dieplat.alignment import align_pictures, fit_pairs, marks_in_common, write_aligned
    from dieplat.annotations import load_regions
    from dieplat.files import check_replaceable, write_json
    from dieplat.mosaicfile.read import open_mosaic
    from dieplat_cli.console import out as console
    from dieplat_cli.console import print_json, progress_bars, say, workers

    table = out.with_name(f"{out.name.split('.')[0]}.alignment.json")
    for path in (out, table):
        check_replaceable(path, replace=replace)
    with open_mosaic(reference) as first, open_mosaic(mosaic) as second, progress_bars() as bar:
        if marks is not None:
            common = marks_in_common(load_regions(marks[0]), load_regions(marks[1]))
            found = fit_pairs(common, source=f"{marks[0]} and {marks[1]}")
        else:
            found = align_pictures(first, second)
        with workers() as executor:
            write_aligned(out, first, second, found, executor=executor, progress=bar("drawing"))
    facts = {"reference": str(reference), "mosaic": str(mosaic), **found.to_dict()}
    write_json(table, facts)
    if as_json:
        print_json(facts)
    else:
        middle = found.place_u_px(first.width_px / 2, first.height_px / 2)
        console.print(
            f"turned by {found.rotation_deg:.3f} degrees, magnified {found.magnification:.5f} times ({found.model}); "
            f"{int(found.used.sum())} of {len(found.pairs)} pairs used, residual {found.rms_px:.2f} px rms, "
            f"place in the middle known to {2 * middle:.2f} px (k = 2)",
            markup=False,
        )
    say(f"wrote {out} and {table}")
