"""Options about what lies around a coil, the same for `dieplat inductance` and `dieplat measure`."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from dieplat.values.electrical import Surroundings

PANEL = "Around the coil: a number, or a range LOW:HIGH"


class MetalName(StrEnum):
    """Metals whose resistivity is known, "unknown" for aluminium or copper, "none" for no Q at all."""

    unknown = "unknown"
    al = "al"
    al_film = "al-film"
    cu = "cu"
    cu_annealed = "cu-annealed"
    au = "au"
    w = "w"
    none = "none"


Metal = Annotated[
    MetalName,
    typer.Option(
        "--metal",
        help="Metal of the coil, for resistance and Q; unknown: aluminium or copper; none: neither is given.",
        rich_help_panel=PANEL,
    ),
]
Sheet = Annotated[
    str | None,
    typer.Option("--sheet-ohm", help="Its ohms a square, in place of a metal.", rich_help_panel=PANEL),
]
Oxide = Annotated[
    str | None,
    typer.Option(
        "--oxide-um",
        help="From the metal's underside to the substrate; 2:8 unless said.",
        rich_help_panel=PANEL,
    ),
]
Permittivity = Annotated[
    str | None,
    typer.Option("--permittivity", help="Its relative permittivity; 2.9:4.3 unless said.", rich_help_panel=PANEL),
]
Substrate = Annotated[
    str | None,
    typer.Option(
        "--substrate-ohm-cm", help="Resistivity of the substrate; 0.01:100 ohm cm unless said.", rich_help_panel=PANEL
    ),
]
Underpass = Annotated[
    float | None,
    typer.Option(
        "--underpass-um",
        help="Depth of the lower run where a path crosses itself, middle to middle; thickness + 1 unless said.",
        rich_help_panel=PANEL,
    ),
]
Ground = Annotated[
    float | None,
    typer.Option(
        "--ground-um",
        help="Depth of a conducting plane below the metal's middle, in place of the substrate; none unless said.",
        rich_help_panel=PANEL,
    ),
]


def surroundings(
    metal: MetalName,
    sheet_ohm: str | None,
    oxide_um: str | None,
    permittivity: str | None,
    substrate_ohm_cm: str | None,
    underpass_um: float | None,
    ground_um: float | None,
) -> Surroundings:
    """The options as a value; refuses what is no number or range, naming the option."""
    from dieplat.inductance.assumptions import as_span
    from dieplat.values.electrical import Surroundings

    spans = {
        "--sheet-ohm": sheet_ohm,
        "--oxide-um": oxide_um,
        "--permittivity": permittivity,
        "--substrate-ohm-cm": substrate_ohm_cm,
    }
    sheet, oxide, epsilon, substrate = (None if text is None else as_span(text, name) for name, text in spans.items())
    return Surroundings(metal.value, sheet, oxide, epsilon, substrate, underpass_um, ground_um)
