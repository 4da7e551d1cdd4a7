"""`dieplat inductance`: the calculator alone."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from dieplat_cli import coil_options
from dieplat_cli.coil_table import electrical_lines

if TYPE_CHECKING:
    from dieplat.values.measurements import InductorResult

EPILOG = (
    "Examples:\n\n"
    "dieplat inductance --shape octagon --turns 3 --outer-um 250 --width-um 10 --spacing-um 2\n\n"
    "dieplat inductance --shape square --turns 2.5 --outer-um 80 --width-um 4 --spacing-um 1.5 "
    "--thickness-um 1 --frequency-hz 2.44e9 --metal al --json\n\n"
    "dieplat inductance --shape square --turns 4 --outer-um 300 --width-um 12 --spacing-um 2 "
    "--sheet-ohm 0.01:0.02 --oxide-um 4:6 --substrate-ohm-cm 10\n\n"
    "dieplat inductance --shape octagon --turns 3 --outer-um 250 --width-um 10 --spacing-um 2 --ground-um 8"
)

ROWS = (
    ("segment_sum", "segment sum (best)"),
    ("current_sheet", "current sheet"),
    ("modified_wheeler", "modified Wheeler"),
    ("monomial", "monomial fit"),
)


class ShapeName(StrEnum):
    """Outlines that the calculator knows."""

    square = "square"
    hexagon = "hexagon"
    octagon = "octagon"
    circle = "circle"


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command("inductance", epilog=EPILOG)(inductance)


def inductance(
    shape: Annotated[ShapeName, typer.Option("--shape", help="Outline of the spiral.")],
    turns: Annotated[float, typer.Option("--turns", help="Conductor turns; fractions allowed.")],
    outer_um: Annotated[
        float,
        typer.Option(
            "--outer-um",
            help="Outer diameter over the metal: flat to flat; circle: twice the largest radius.",
        ),
    ],
    width_um: Annotated[float, typer.Option("--width-um", help="Width of the conductor.")],
    spacing_um: Annotated[float, typer.Option("--spacing-um", help="Gap between turns.")],
    thickness_um: Annotated[float, typer.Option("--thickness-um", help="Metal thickness assumed.")] = 2.0,
    frequency_hz: Annotated[
        float | None,
        typer.Option("--frequency-hz", help="Also give the capacitance that tunes it there, and its Q."),
    ] = None,
    metal: coil_options.Metal = coil_options.MetalName.unknown,
    sheet_ohm: coil_options.Sheet = None,
    oxide_um: coil_options.Oxide = None,
    permittivity: coil_options.Permittivity = None,
    substrate_ohm_cm: coil_options.Substrate = None,
    ground_um: coil_options.Ground = None,
    json: Annotated[bool, typer.Option("--json", help="Print the inductor object as JSON.")] = False,
) -> None:
    """Inductance, resistance and Q of a planar spiral from its numbers.

    The inductance comes with its uncertainty; what depends on metal, dielectric and substrate comes with the
    range that the assumptions leave open, each of them printed.
    """
    from dieplat.inductance import describe_inductor, given_geometry
    from dieplat_cli import console

    around = coil_options.surroundings(
        metal, sheet_ohm, oxide_um, permittivity, substrate_ohm_cm, underpass_um=None, ground_um=ground_um
    )
    geometry = given_geometry(shape.value, turns, outer_um, width_um, spacing_um)
    result = describe_inductor(geometry, thickness_um=thickness_um, frequency_hz=frequency_hz, surroundings=around)
    if json:
        console.print_json(result.to_dict())
    else:
        console.out.print(_table(result), markup=False)


def _table(result: InductorResult) -> str:
    facts = result.to_dict()
    lines = [
        f"{facts['shape']}, {facts['turns']:g} turns, outer {facts['outer_um']:g} um, "
        f"inner {facts['inner_um']:g} um, width {facts['width_um']:g} um, spacing {facts['spacing_um']:g} um",
        f"inductance           {facts['inductance_nh']:.4g} nH, standard uncertainty {facts['inductance_nh_u']:.2g} nH",
        "",
    ]
    for key, title in ROWS:
        value = facts["estimates"][key]
        lines.append(f"  {title:<19}" + (f"{value:.4f} nH" if value is not None else "not defined"))
    lines += ["", facts["why_best"]]
    if facts["capacitance_at_pf"] is not None:
        lines += ["", f"tuned at {facts['frequency_hz']:.6g} Hz by {facts['capacitance_at_pf']:.4g} pF"]
    lines += ["", "uncertainty (k = 1), nH"]
    budget = [line for line in facts["budget"] if line["u"] > 0]
    wide = max(len(line["name"]) for line in budget) + 2
    lines += [f"  {line['name']:<{wide}}{line['u']:.2g}" for line in budget]
    lines += ["", "assumed", *(f"  {text}" for text in facts["assumptions"])]
    if result.electrical is not None:
        lines += ["", *electrical_lines(result.electrical)]
    if facts["remarks"]:
        lines += ["", "remarks", *(f"  {text}" for text in facts["remarks"])]
    return "\n".join(lines)
