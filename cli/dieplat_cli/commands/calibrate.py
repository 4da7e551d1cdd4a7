"""dieplat calibrate: a picture of a stage micrometer in, scale.json out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EPILOG = """Examples:

dieplat calibrate micrometer.tif --pitch-um 10 --out scale.json

dieplat calibrate micrometer.tif turned.tif --pitch-um 10 --pitch-u-um 0.005 --out scale.json"""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(name="calibrate", epilog=EPILOG)(calibrate)


def calibrate(
    picture: Annotated[Path, typer.Argument(help="Picture of the micrometer.")],
    picture_turned: Annotated[
        Path | None, typer.Argument(help="The same, the micrometer turned by 90 degrees.")
    ] = None,
    *,
    pitch_um: Annotated[float, typer.Option(help="Distance of neighbouring lines (one division), in um.")],
    pitch_u_um: Annotated[
        float,
        typer.Option(
            help="Standard uncertainty (k = 1) of one division, in um: a relative error of the whole ruler. "
            "A certificate with U (k = 2) over a length L gives division * U / (2 L)."
        ),
    ] = 0.0,
    square_u_rel: Annotated[
        float | None,
        typer.Option(
            help="How well the pixels are known to be square (k = 1): um_per_px_y over um_per_px_x where one picture "
            "gives both, and the angle between the axes in radians. 0.0003 unless given: a specimen tilted by a degree."
        ),
    ] = None,
    out: Annotated[Path, typer.Option(help="Where to write scale.json.")],
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that dieplat did not make.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print the result as JSON.")] = False,
) -> None:
    """Measure micrometres a pixel from a picture of a stage micrometer.

    The ruling may lie at any angle and be dark on bright or bright on dark. A second picture, with the micrometer
    turned by 90 degrees at the same magnification, measures the other axis on its own.
    """
    from dieplat.calibration import measure_scale, save_scale
    from dieplat.calibration.scale import SQUARE_U_REL
    from dieplat.files import check_replaceable
    from dieplat.tiles.read import read_picture
    from dieplat_cli import console

    check_replaceable(out, replace=replace)
    scale = measure_scale(
        read_picture(picture),
        pitch_um=pitch_um,
        pitch_um_u=pitch_u_um,
        square_u_rel=SQUARE_U_REL if square_u_rel is None else square_u_rel,
        turned=None if picture_turned is None else read_picture(picture_turned),
        names=tuple(str(path) for path in (picture, picture_turned) if path is not None),
        source=picture.name if picture_turned is None else f"{picture.name}, {picture_turned.name}",
    )
    save_scale(out, scale)
    if as_json:
        console.print_json(scale.to_dict())
        return
    console.out.print(f"x  {scale.um_per_px_x:.7g} um/px, standard uncertainty {scale.um_per_px_x_u:.2g}")
    console.out.print(f"y  {scale.um_per_px_y:.7g} um/px, standard uncertainty {scale.um_per_px_y_u:.2g}")
    console.out.print(f"{scale.lines_used} lines, the ruling's normal at {scale.rotation_deg:.3f} degrees from x")
    for line in scale.budget:
        console.out.print(f"  {line.name}: {line.u:.1e} of the scale ({line.kind}; {line.note})", markup=False)
    console.out.print(f"written to {out}", markup=False)
