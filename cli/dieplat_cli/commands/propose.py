"""`dieplat propose`: outlines of blocks from the picture alone, to accept or redraw."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat propose out/mosaic.ome.tif --out proposed.geojson

dieplat propose out/mosaic.ome.tif blocks.geojson --out proposed.geojson --kinds rf_inductor,memory_array

dieplat propose die.png --scale scale.json --out proposed.geojson --json

then: dieplat annotate out/mosaic.ome.tif proposed.geojson"""


def register(app: typer.Typer) -> None:
    """Add `propose`."""
    app.command(name="propose", epilog=EPILOG)(propose)


def propose(
    mosaic: Annotated[Path, typer.Argument(help="The mosaic: OME-TIFF, TIFF, PNG or JPEG.")],
    out: Annotated[Path, typer.Option("--out", help="GeoJSON to write: what is drawn, and the proposals.")],
    annotations: Annotated[
        Path | None, typer.Argument(help="GeoJSON with what is drawn already; it is kept as it is.")
    ] = None,
    kinds: Annotated[
        str | None, typer.Option("--kinds", help="Only these kinds, parted by commas, such as rf_inductor,io_pad.")
    ] = None,
    least: Annotated[
        float, typer.Option("--least-confidence", help="Leave out proposals that are less sure than this (0 to 1).")
    ] = 0.0,
    scale: Annotated[Path | None, typer.Option("--scale", help="scale.json, to say sizes in micrometres.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the proposals as JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that dieplat did not make.")] = False,
) -> None:
    """Propose outlines of memory arrays, inductors, logic, pads and the die, each with a confidence.

    Proposals are marked as such and are not counted until you accept them on the page (dieplat annotate) or take their
    property "proposed" away. A confidence is the share of such proposals that were right on invented dies. Power and
    analog blocks are yours to draw: their texture does not tell them apart.
    """
    from dieplat.annotations import load_regions
    from dieplat.calibration.scale_file import load_scale
    from dieplat.errors import OutputExistsError, SettingsError
    from dieplat.files import check_replaceable, write_json
    from dieplat.mosaicfile.read import open_mosaic
    from dieplat.proposals import empty_document, propose_blocks, with_proposals
    from dieplat.values import KINDS
    from dieplat_cli.console import out as console
    from dieplat_cli.console import print_json, progress_bars, say

    wanted = None if kinds is None else [kind.strip() for kind in kinds.split(",")]
    for kind in wanted or ():
        if kind not in KINDS:
            raise SettingsError(f"--kinds {kind}: not a kind; use some of {', '.join(KINDS)}")
    if annotations is not None and out.exists() and out.samefile(annotations):
        raise OutputExistsError(f"{out}: is the file of what is drawn; give --out another name")
    replaced = check_replaceable(out, replace=replace)
    known = None if scale is None else load_scale(scale)
    with open_mosaic(mosaic) as picture, progress_bars() as bar:
        um_per_px = None if known is None else (known.um_per_px_x, known.um_per_px_y)
        if um_per_px is None and picture.um_per_px_x is not None and picture.um_per_px_y is not None:
            um_per_px = (picture.um_per_px_x, picture.um_per_px_y)
        regions = None if annotations is None else load_regions(annotations, um_per_px=um_per_px)
        document = empty_document() if regions is None else regions.document
        die = None if regions is None else next((region.geometry for region in regions.of_kind("die")), None)
        found = propose_blocks(picture, known, die, progress=bar("proposals"))
    found = tuple(p for p in found if p.confidence >= least and (wanted is None or p.kind in wanted))
    written = with_proposals(document, found, um_per_px=um_per_px, source=str(annotations or mosaic))
    before = len(document["features"])
    write_json(out, written)
    added = [feature["properties"] for feature in written["features"][before:]]
    if as_json:
        print_json({"proposals": written["features"][before:], "left_out": len(found) - len(added)})
    else:
        for kind, count in Counter(entry["kind"] for entry in added).items():
            sure = [entry["confidence"] for entry in added if entry["kind"] == kind]
            console.print(f"{kind:13} {count:4}   confidence {min(sure):.2f} to {max(sure):.2f}", markup=False)
        console.print(f"{len(added)} proposals; none is counted until you accept it", markup=False)
        if len(found) > len(added):
            console.print(f"{len(found) - len(added)} left out: they lie on what is there already", markup=False)
    say(f"{'replaced' if replaced else 'wrote'} {out}")
