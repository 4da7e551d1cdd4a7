"""`dieplat measure`: areas, inductors, arrays and traces of the annotated blocks."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dieplat_cli import coil_options

if TYPE_CHECKING:
    from dieplat.mosaicfile.read import Mosaic
    from dieplat.values import Layout, Scale

EPILOG = """Examples:

dieplat measure out/mosaic.ome.tif blocks.geojson --scale out/scale.json --out out/measurements.json

dieplat measure die.png blocks.geojson --scale scale.json --frequency-hz 2.44175e9 --out m.json --json

dieplat measure mosaic.ome.tif blocks.geojson --out m.json --metal cu --oxide-um 5:7 --substrate-ohm-cm 10"""


def register(app: typer.Typer) -> None:
    """Add `measure`."""
    app.command(name="measure", epilog=EPILOG)(measure)


def measure(
    mosaic: Annotated[Path, typer.Argument(help="The mosaic: OME-TIFF, TIFF, PNG or JPEG.")],
    annotations: Annotated[Path, typer.Argument(help="GeoJSON with the drawn blocks, in mosaic pixels or um.")],
    out: Annotated[Path, typer.Option("--out", help="measurements.json to write; a .csv is written beside it.")],
    scale: Annotated[
        Path | None, typer.Option("--scale", help="scale.json; without it, the mosaic's own physical size.")
    ] = None,
    frequency_hz: Annotated[
        float | None, typer.Option("--frequency-hz", help="For quarter waves and resonant capacitances.")
    ] = None,
    thickness_um: Annotated[float, typer.Option("--thickness-um", help="Metal thickness assumed for inductors.")] = 2.0,
    metal: coil_options.Metal = coil_options.MetalName.unknown,
    sheet_ohm: coil_options.Sheet = None,
    oxide_um: coil_options.Oxide = None,
    permittivity: coil_options.Permittivity = None,
    substrate_ohm_cm: coil_options.Substrate = None,
    underpass_um: coil_options.Underpass = None,
    ground_um: coil_options.Ground = None,
    velocity_factor: Annotated[
        float | None, typer.Option("--velocity-factor", help="Of traces that state none themselves.")
    ] = None,
    shortening_factor: Annotated[
        float | None, typer.Option("--shortening-factor", help="Of traces that state none themselves.")
    ] = None,
    vertex_u_px: Annotated[
        float, typer.Option("--vertex-u-px", help="How well each drawn vertex is known (k = 1); 0 for exact outlines.")
    ] = 0.5,
    edge_u_px: Annotated[
        float | None,
        typer.Option(
            "--edge-u-px", help="How well the offset common to all edges is known (k = 1); 0.144 if not given."
        ),
    ] = None,
    wafer_mm: Annotated[float, typer.Option("--wafer-mm", help="Wafer diameter, for the dies a wafer holds.")] = 300.0,
    edge_mm: Annotated[float, typer.Option("--edge-mm", help="Rim of the wafer without good dies.")] = 3.0,
    scribe_um: Annotated[float, typer.Option("--scribe-um", help="Width of the street between dies.")] = 80.0,
    find_die: Annotated[
        bool, typer.Option("--find-die/--no-find-die", help="Look for a die outline that nobody drew.")
    ] = True,
    budget: Annotated[bool, typer.Option("--budget", help="Print every block's uncertainty line by line.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the results as JSON.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Write over files that dieplat did not make.")] = False,
) -> None:
    """Measure the annotated blocks of a mosaic: areas, shares, inductors, memory arrays, traces.

    Every number comes with its uncertainty; the table shows 95 % (k = 2). Tile positions are taken from a
    layout.json beside the mosaic where there is one.
    """
    from dieplat.annotations import load_regions
    from dieplat.mosaicfile.read import open_mosaic
    from dieplat.output.tables import check_outputs, write_measurements
    from dieplat.survey import measure_survey
    from dieplat.values.stated import EDGE_U_PX, Stated, WaferPlan
    from dieplat_cli.budget_table import print_budgets
    from dieplat_cli.console import print_json, progress_bars, say
    from dieplat_cli.measure_table import print_measurements

    stated = Stated(
        frequency_hz=frequency_hz,
        thickness_um=thickness_um,
        surroundings=coil_options.surroundings(
            metal, sheet_ohm, oxide_um, permittivity, substrate_ohm_cm, underpass_um, ground_um
        ),
        velocity_factor=velocity_factor,
        shortening_factor=shortening_factor,
        vertex_u_px=vertex_u_px,
        edge_u_px=EDGE_U_PX if edge_u_px is None else edge_u_px,
        wafer=WaferPlan(wafer_mm, edge_mm, scribe_um),
        find_die=find_die,
    )
    replaced = check_outputs(out, replace=replace)
    with open_mosaic(mosaic) as picture, progress_bars() as bar:
        known = _scale_of(mosaic, picture, scale)
        regions = load_regions(annotations, um_per_px=(known.um_per_px_x, known.um_per_px_y))
        results = measure_survey(
            picture,
            regions,
            known,
            stated=stated,
            layout=_layout_of(mosaic, picture),
            progress=bar("blocks"),
        )
    table = write_measurements(results, out)
    if as_json:
        print_json(results.to_dict())
    else:
        print_measurements(results)
        if budget:
            print_budgets(results)
        say(f"further inductors: dieplat propose {mosaic} {annotations} --kinds rf_inductor --out proposed.geojson")
    for path in replaced:
        say(f"replaced {path}")
    say(f"wrote {out} and {table}")


def _scale_of(path: Path, picture: Mosaic, scale_path: Path | None) -> Scale:
    from dieplat.errors import ScaleError
    from dieplat.survey import scale_of_picture

    if scale_path is not None:
        from dieplat.calibration.scale_file import load_scale

        return load_scale(scale_path)
    if picture.um_per_px_x is None or picture.um_per_px_y is None:
        raise ScaleError(f"{path}: states no physical size; give a scale.json from dieplat calibrate with --scale")
    return scale_of_picture(picture.um_per_px_x, picture.um_per_px_y, source=f"physical size stated by {path.name}")


def _layout_of(path: Path, picture: Mosaic) -> Layout | None:
    from dieplat.output.layouts import load_layout
    from dieplat_cli.console import say

    beside = path.with_name("layout.json")
    if not beside.is_file():
        return None
    layout = load_layout(beside)
    if (layout.width_px, layout.height_px) != (picture.width_px, picture.height_px):
        say(f"{beside}: belongs to a mosaic of another size and is not used")
        return None
    return layout
