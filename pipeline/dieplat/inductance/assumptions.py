"""What is assumed of metal, dielectric and substrate, with ranges, where nothing or little was said."""

from __future__ import annotations

import math
from dataclasses import dataclass

from dieplat.errors import SettingsError
from dieplat.inductance.resistance_q import METALS, Metal
from dieplat.inductance.slopes import THICKNESS_HALF_RANGE
from dieplat.values.bounds import AROUND_COIL
from dieplat.values.electrical import Assumed, Span, Surroundings

STATED_HALF_RANGE = 0.1
"""A number stated without a range may be off by a tenth: tolerances of a process (common practice, no source)."""

UNKNOWN_METAL = Metal(
    "aluminium or copper", 2.35e-8, 1.68e-8, 3.3e-8, "not stated; from pure copper to aluminium film, from memory"
)
SUBSTRATE = Assumed(
    "substrate resistivity",
    10.0,
    0.01,
    100.0,
    "ohm cm",
    "not stated; lightly doped silicon, the low end with a heavily doped wafer below, from memory",
)
METAL_NAMES = (*METALS, "unknown", "none")


@dataclass(frozen=True, slots=True)
class Assumptions:
    """Everything assumed; `resistivity_ohm_m` is None where no metal is assumed.

    With `per_square`, resistivity goes with the thickness, since the sheet resistance was stated.
    """

    thickness_um: Assumed
    resistivity_ohm_m: Assumed | None
    sheet_ohm: Assumed | None
    oxide_um: Assumed
    permittivity: Assumed
    substrate_ohm_cm: Assumed | None

    @property
    def lines(self) -> tuple[Assumed, ...]:
        """Those that are made, in the order of reading."""
        every = (
            self.thickness_um,
            self.resistivity_ohm_m,
            self.sheet_ohm,
            self.oxide_um,
            self.permittivity,
            self.substrate_ohm_cm,
        )
        return tuple(line for line in every if line is not None)


def assume(surroundings: Surroundings, *, thickness_um: float) -> Assumptions:
    """Complete what was said of a coil's surroundings.

    Raises
    ------
    SettingsError
        If the metal is unknown by name, or a value is not a positive number or a range is upside down.
    """
    said = surroundings
    resistivity = sheet = None
    if said.sheet_ohm is not None:
        sheet = _stated("sheet resistance", said.sheet_ohm, "ohm/square")
    elif said.metal != "none":
        metal = _metal(said.metal)
        resistivity = Assumed(
            f"resistivity of {metal.name} at 20 C",
            metal.resistivity_ohm_m,
            metal.low_ohm_m,
            metal.high_ohm_m,
            "ohm m",
            metal.source,
        )
    half = THICKNESS_HALF_RANGE
    if said.ground_um is None:
        oxide = _said_or(said.oxide_um, "oxide under the metal", (2.0, 8.0), "um", "not stated; from memory")
        substrate = (
            SUBSTRATE
            if said.substrate_ohm_cm is None
            else _stated("substrate resistivity", said.substrate_ohm_cm, "ohm cm")
        )
    else:
        gap = said.ground_um - thickness_um / 2
        oxide = _stated("dielectric between metal and plane", (0.9 * gap, 1.1 * gap), "um", said.ground_um)
        substrate = None
    return Assumptions(
        Assumed(
            "metal thickness",
            thickness_um,
            thickness_um * (1 - half),
            thickness_um * (1 + half),
            "um",
            "no photograph shows it",
        ),
        resistivity,
        sheet,
        oxide,
        _said_or(
            said.permittivity,
            "relative permittivity",
            (2.9, 4.3),
            "",
            "not stated; silicon dioxide 3.9, doped ones less",
        ),
        substrate,
    )


def as_span(value: object, name: str) -> Span:
    """A range from what a person wrote: a number (a tenth to either side), "LOW:HIGH", or two numbers.

    Raises
    ------
    SettingsError
        If it is neither, not positive, or upside down.
    """
    remedy = f"{name} is {value!r}; give a number above zero or a range such as 3:6"
    parts: list[object]
    if isinstance(value, str):
        parts = list(value.split(":"))
    elif isinstance(value, (list, tuple)):
        parts = list(value)
    else:
        parts = [value]
    if any(isinstance(part, bool) for part in parts) or not 1 <= len(parts) <= 2:
        raise SettingsError(remedy)
    try:
        numbers = [float(part) for part in parts]  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise SettingsError(remedy) from None
    if len(numbers) == 1:
        numbers = [numbers[0] * (1 - STATED_HALF_RANGE), numbers[0] * (1 + STATED_HALF_RANGE)]
    low, high = numbers
    if not AROUND_COIL[0] <= low <= high <= AROUND_COIL[1]:
        raise SettingsError(remedy)
    return low, high


def _metal(name: str) -> Metal:
    if name == "unknown":
        return UNKNOWN_METAL
    if name not in METALS:
        raise SettingsError(f"inductor: metal is {name!r}; give one of {', '.join(METAL_NAMES)}")
    return METALS[name]


def _said_or(said: Span | None, name: str, usual: Span, unit: str, source: str) -> Assumed:
    return _stated(name, said, unit) if said is not None else _between(name, usual, unit, source)


def _stated(name: str, span: Span, unit: str, around: float | None = None) -> Assumed:
    low, high = span
    if not (math.isfinite(low) and math.isfinite(high) and 0 < low <= high):
        raise SettingsError(
            f"inductor: {name} is {low:g} to {high:g} {unit}; give numbers above zero, the lesser first"
        )
    source = "stated" if around is None else f"ground plane stated {around:g} um below the metal's middle"
    return _between(name, span, unit, source)


def _between(name: str, span: Span, unit: str, source: str) -> Assumed:
    """The middle of a range in ratio, since these quantities are known to a factor."""
    return Assumed(name, math.sqrt(span[0] * span[1]), span[0], span[1], unit, source)
