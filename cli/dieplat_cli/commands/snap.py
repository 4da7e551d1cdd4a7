"""`dieplat snap`: refine drawn outlines on the picture, into a new file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dieplat.survey.snap import SnappedRegion

EPILOG = """Examples:

dieplat snap out/mosaic.ome.tif blocks.geojson --out snapped.geojson

dieplat snap out/mosaic.ome.tif blocks.geojson --out snapped.geojson --only "Pad 1" --only Die --most-px 2"""


def register(app: typer.Typer) -> None:
    """Add `snap`."""
    app.command(name="snap", epilog=EPILOG)(snap)


def snap(
    mosaic: Annotated[Path, typer.Argument(help="The mosaic: OME-TIFF, TIFF, PNG or JPEG.")],
    annotations: Annotated[Path, typer.Argument(help="GeoJSON with the drawn blocks; it is not changed.")],
    out: Annotated[Path, typer.Option("--out", help="GeoJSON to write, for dieplat measure.")],
    scale: Annotated[Path | None, typer.Option("--scale", help="scale.json, for annotations in um.")] = None,
    only: Annotated[list[str] | None, typer.Option("--only", help="Name of an outline; may be repeated.")] = None,
    most_px: Annotated[float, typer.Option("--most-px", help="A vertex that would move further stays.", min=0.1)] = 3.0,
    as_json: Annotated[bool, typer.Option("--json", help="Print every vertex as JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that dieplat did not make.")] = False,
) -> None:
    """Move the vertices of outlines to the corners that the picture shows, where it shows them clearly.

    A command of its own, so that its result can be looked at before anything is measured with it. Every vertex keeps
    what was drawn, how far it moved and how well it is known now; a side without one clear edge stays as drawn. That an
    edge is the block's edge remains your judgement.
    """
    from dieplat.annotations import load_regions, save_regions
    from dieplat.errors import SettingsError
    from dieplat.files import check_replaceable
    from dieplat.mosaicfile.read import open_mosaic
    from dieplat.survey.snap import snap_regions
    from dieplat_cli.console import print_json, progress_bars, say

    if out.resolve() == annotations.resolve():
        raise SettingsError(f"{out}: is the file of the drawn blocks, which is kept; give another name to --out")
    check_replaceable(out, replace=replace)
    known = None
    if scale is not None:
        from dieplat.calibration.scale_file import load_scale

        known = load_scale(scale)
    regions = load_regions(annotations, um_per_px=None if known is None else (known.um_per_px_x, known.um_per_px_y))
    with open_mosaic(mosaic) as picture, progress_bars() as bar:
        refined, told = snap_regions(picture, regions, only=only or (), most_px=most_px, progress=bar("outlines"))
    save_regions(out, refined)
    if as_json:
        print_json({"outlines": [{"name": item.name, "kind": item.kind, **item.to_dict()} for item in told]})
    else:
        _print(told)
    say(f"wrote {out}")


def _print(told: tuple[SnappedRegion, ...]) -> None:
    """A row an outline, and below it why vertices stayed."""
    from rich.table import Table
    from rich.text import Text

    from dieplat.report.numbers import plain
    from dieplat_cli.console import out

    table = Table("Outline", title="Vertices found on the picture")
    for heading in ("Found", "Moved, most", "u, drawn", "u, found", "u of the area"):
        table.add_column(heading, justify="right")
    reasons: dict[str, int] = {}
    for item in told:
        moves = item.result.moves
        for move in moves:
            if move.reason:
                reasons[move.reason] = reasons.get(move.reason, 0) + 1
        found = [move for move in moves if move.u_px is not None]
        row = ["-", "-", "-"]
        if found:
            worst = max(max(move.u_px) for move in found if move.u_px is not None)
            drawn = max(max(move.u_before_px) for move in found)
            most = max(move.moved_px for move in found)
            row = [f"{plain(value, figures=2)} px" for value in (most, drawn, worst)]
        change = f"{plain(item.area_px2_before_u, figures=2)} → {plain(item.area_px2_u, figures=2)} px²"
        table.add_row(Text(item.name), f"{len(found)} of {len(moves)}", *row, change)
    out.print(table)
    for reason, count in sorted(reasons.items(), key=lambda pair: -pair[1])[:8]:
        out.print(Text(f"{count} {'vertex' if count == 1 else 'vertices'}: {reason}"))
