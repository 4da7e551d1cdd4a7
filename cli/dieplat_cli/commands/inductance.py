"""`dieplat inductance`: the calculator alone."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from dieplat.values.inductor import InductorGeometry

EPILOG = (
    "Examples:\n\n"
    "dieplat inductance --shape octagon --turns 3 --outer-um 250 --width-um 10 --spacing-um 2\n\n"
    "dieplat inductance --shape square --turns 2.5 --outer-um 80 --width-um 4 --spacing-um 1.5 "
    "--thickness-um 1 --frequency-hz 2.44e9 --metal al --json"
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


class MetalName(StrEnum):
    """Metals whose resistivity the calculator knows."""

    al = "al"
    al_film = "al-film"
    cu = "cu"
    cu_annealed = "cu-annealed"
    au = "au"
    w = "w"


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
        float | None, typer.Option("--frequency-hz", help="Also give the capacitance that tunes it there.")
    ] = None,
    metal: Annotated[
        MetalName | None, typer.Option("--metal", help="With a frequency: also give resistance and Q.")
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the inductor object as JSON.")] = False,
) -> None:
    """Inductance of a planar spiral from its numbers, with its uncertainty and what was assumed."""
    from dieplat.inductance import combine_inductor, estimate_inductance, given_geometry
    from dieplat_cli import console

    geometry = given_geometry(shape.value, turns, outer_um, width_um, spacing_um)
    estimate = estimate_inductance(geometry, thickness_um=thickness_um)
    facts = combine_inductor(geometry, estimate, frequency_hz=frequency_hz).to_dict()
    if metal is not None and frequency_hz is not None:
        facts |= _with_metal(geometry, thickness_um, frequency_hz, metal.value)
    if json:
        console.print_json(facts)
    else:
        console.out.print(_table(facts), markup=False)


def _with_metal(geometry: InductorGeometry, thickness_um: float, frequency_hz: float, metal: str) -> dict[str, Any]:
    from dieplat.inductance import spiral_path
    from dieplat.inductance.resistance_q import METALS, conductor_at

    known = METALS[metal]
    at = conductor_at(
        spiral_path(geometry),
        geometry.width_um,
        thickness_um,
        (frequency_hz,),
        resistivity_ohm_m=known.resistivity_ohm_m,
    )[0]
    return {
        "metal": f"{known.name}, {known.resistivity_ohm_m:.4g} ohm m ({known.source})",
        "inductance_at_nh": at.inductance_nh,
        "resistance_at_ohm": at.resistance_ohm,
        "quality_factor_at": at.quality,
    }


def _table(facts: dict[str, Any]) -> str:
    lines = [
        f"{facts['shape']}, {facts['turns']:g} turns, outer {facts['outer_um']:g} um, "
        f"inner {facts['inner_um']:g} um, width {facts['width_um']:g} um, spacing {facts['spacing_um']:g} um",
        f"inductance           {facts['inductance_nh']:.4g} nH, standard uncertainty {facts['inductance_nh_u']:.2g} nH",
        "",
    ]
    for key, title in ROWS:
        value = facts["estimates"][key]
        lines.append(f"  {title:<19}" + (f"{value:.4f} nH" if value is not None else "not defined"))
    if facts["capacitance_at_pf"] is not None:
        lines += ["", f"tuned at {facts['frequency_hz']:.6g} Hz by {facts['capacitance_at_pf']:.4g} pF"]
    if "quality_factor_at" in facts:
        lines += [
            f"there: {facts['inductance_at_nh']:.4g} nH, {facts['resistance_at_ohm']:.3g} ohm, "
            f"Q at most {facts['quality_factor_at']:.3g} (conductor loss alone)",
            f"metal: {facts['metal']}",
        ]
    lines += ["", "uncertainty (k = 1), nH"]
    lines += [f"  {line['name']:<19}{line['u']:.2g}" for line in facts["budget"] if line["u"] > 0]
    lines += ["", "assumed", *(f"  {text}" for text in facts["assumptions"])]
    if facts["remarks"]:
        lines += ["", "remarks", *(f"  {text}" for text in facts["remarks"])]
    return "\n".join(lines)
