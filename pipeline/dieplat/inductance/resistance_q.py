"""Series resistance, quality factor, tuning capacitance and skin depth.

Textbook relations (common practice, no source) with SI constants; mu0 = 4 pi 1e-7 H/m to 1e-9 relative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dieplat.errors import SettingsError
from dieplat.values.bounds import FREQUENCY_HZ, is_within

MU0_H_PER_M = 4e-7 * math.pi


@dataclass(frozen=True, slots=True)
class Metal:
    """Resistivity at 20 degrees Celsius with the range that films show, and where the numbers come from."""

    name: str
    resistivity_ohm_m: float
    low_ohm_m: float
    high_ohm_m: float
    source: str


METALS: dict[str, Metal] = {
    "cu": Metal("copper", 1.678e-8, 1.67e-8, 2.2e-8, "pure copper, tables round it to 1.68e-8; films, from memory"),
    "cu-annealed": Metal("annealed copper", 1.7241e-8, 1.67e-8, 2.2e-8, "IACS, 5.80e7 S/m (IEC 60028, from memory)"),
    "al": Metal("aluminium", 2.65e-8, 2.65e-8, 3.3e-8, "pure aluminium; thin films 2.7e-8 to 3.3e-8, from memory"),
    "al-film": Metal(
        "aluminium film", 2.82e-8, 2.65e-8, 3.3e-8, "common table value; thin films 2.7e-8 to 3.3e-8, from memory"
    ),
    "au": Metal("gold", 2.214e-8, 2.2e-8, 2.6e-8, "from memory; common tables have 2.44e-8, the sources disagree"),
    "w": Metal("tungsten", 5.60e-8, 5.3e-8, 1.0e-7, "common table value; films up to 1e-7, from memory"),
}


def sheet_resistance_ohm(resistivity_ohm_m: float, thickness_um: float) -> float:
    """Sheet resistance rho / t, in ohms a square."""
    return resistivity_ohm_m / (thickness_um * 1e-6)


def series_resistance_ohm(length_um: float, width_um: float, sheet_ohm: float) -> float:
    """Direct-current resistance of a conductor: squares along its centre line times the sheet resistance."""
    return sheet_ohm * length_um / width_um


def skin_depth_um(resistivity_ohm_m: float, frequency_hz: float) -> float:
    """Skin depth sqrt(rho / (pi f mu0)) of a non-magnetic metal, in micrometres."""
    _positive(frequency_hz, "frequency")
    return 1e6 * math.sqrt(resistivity_ohm_m / (math.pi * frequency_hz * MU0_H_PER_M))


def surface_resistance_ohm(resistivity_ohm_m: float, frequency_hz: float) -> float:
    """Surface resistance rho / skin depth, in ohms a square."""
    return resistivity_ohm_m / (1e-6 * skin_depth_um(resistivity_ohm_m, frequency_hz))


def quality_factor(inductance_nh: float, resistance_ohm: float, frequency_hz: float) -> float:
    """Q = omega L / R of the coil alone: no substrate loss, no capacitance, so an upper bound."""
    return 2e-9 * math.pi * frequency_hz * inductance_nh / resistance_ohm


def tuning_capacitance_pf(inductance_nh: float, frequency_hz: float) -> float:
    """Capacitance that resonates with the inductance at `frequency_hz`, in pF."""
    if not is_within(frequency_hz, FREQUENCY_HZ):
        low, high = FREQUENCY_HZ
        raise SettingsError(f"inductor: frequency is {frequency_hz:g} Hz; give a number between {low:g} and {high:g}")
    return 1e12 / ((2 * math.pi * frequency_hz) ** 2 * inductance_nh * 1e-9)


def resonance_hz(inductance_nh: float, capacitance_pf: float) -> float:
    """Resonant frequency 1 / (2 pi sqrt(L C)), in Hz."""
    return 1.0 / (2 * math.pi * math.sqrt(inductance_nh * 1e-9 * capacitance_pf * 1e-12))


def _positive(value: float, name: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise SettingsError(f"inductor: {name} is {value:g}; give a number above zero")
