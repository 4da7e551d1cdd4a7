"""Series resistance, quality factor, tuning capacitance and skin depth.

Textbook relations (common practice, no source) with SI constants; mu0 = 4 pi 1e-7 H/m to 1e-9 relative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dieplat.errors import SettingsError
from dieplat.inductance.partial import Array
from dieplat.inductance.segment_sum import lane_network

MU0_H_PER_M = 4e-7 * math.pi


@dataclass(frozen=True, slots=True)
class Metal:
    """Resistivity at 20 degrees Celsius, and where the number comes from."""

    name: str
    resistivity_ohm_m: float
    source: str


METALS: dict[str, Metal] = {
    "cu": Metal("copper", 1.678e-8, "pure copper, from memory; common tables round it to 1.68e-8"),
    "cu-annealed": Metal("annealed copper", 1.7241e-8, "IACS, 5.80e7 S/m (IEC 60028, from memory)"),
    "al": Metal("aluminium", 2.65e-8, "pure aluminium, from memory; thin films 2.7e-8 to 3.3e-8"),
    "al-film": Metal("aluminium film", 2.82e-8, "common table value; thin films 2.7e-8 to 3.3e-8 from memory"),
    "au": Metal("gold", 2.214e-8, "from memory; common tables have 2.44e-8, the sources disagree"),
    "w": Metal("tungsten", 5.60e-8, "common table value"),
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
    _positive(frequency_hz, "frequency")
    return 1e12 / ((2 * math.pi * frequency_hz) ** 2 * inductance_nh * 1e-9)


def resonance_hz(inductance_nh: float, capacitance_pf: float) -> float:
    """Resonant frequency 1 / (2 pi sqrt(L C)), in Hz."""
    return 1.0 / (2 * math.pi * math.sqrt(inductance_nh * 1e-9 * capacitance_pf * 1e-12))


@dataclass(frozen=True, slots=True)
class AtFrequency:
    """Inductance, resistance and quality factor of a conductor at one frequency."""

    frequency_hz: float
    inductance_nh: float
    resistance_ohm: float
    quality: float


def conductor_at(
    path_um: Array,
    width_um: float,
    thickness_um: float,
    frequencies_hz: tuple[float, ...],
    *,
    resistivity_ohm_m: float,
    across: int = 10,
    deep: int = 2,
) -> tuple[AtFrequency, ...]:
    """Inductance, resistance and Q of a conductor along `path_um` at each frequency.

    The currents of `across` x `deep` lanes follow from their impedance matrix, which contains skin and
    proximity effect as long as a lane is not much wider than the skin depth.

    Raises
    ------
    SettingsError
        If a frequency or the resistivity is not a positive number.
    """
    _positive(resistivity_ohm_m, "resistivity")
    for frequency in frequencies_hz:
        _positive(frequency, "frequency")
    network = lane_network(path_um, width_um, thickness_um, across=across, deep=deep)
    results = []
    for frequency in frequencies_hz:
        impedance = network.impedance_ohm(frequency, resistivity_ohm_m)
        inductance = impedance.imag / (2e-9 * math.pi * frequency)
        results.append(AtFrequency(frequency, inductance, impedance.real, impedance.imag / impedance.real))
    return tuple(results)


def _positive(value: float, name: str) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise SettingsError(f"inductor: {name} is {value:g}; give a number above zero")
