"""A coil's capacitances and the substrate below it, with the ranges that the assumptions leave open."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from dieplat.errors import SettingsError
from dieplat.inductance.assumptions import Assumptions
from dieplat.inductance.capacitance import EPSILON0_FF_PER_UM, strip_capacitance
from dieplat.inductance.centre_line import CentreLine
from dieplat.inductance.eddy import equivalent_rings, substrate_skin_depth_um, taken_by_substrate_nh
from dieplat.inductance.partial import Array
from dieplat.values.electrical import Interval, Surroundings
from dieplat.values.inductor import InductorGeometry

SHARE = (1 / 3, 0.37, 1 / 2)
"""Part of the oxide's capacitance that acts at the live end of a coil whose other end is grounded: 1/3 by energy if
the voltage falls evenly, 4/pi^2 = 0.41 for a line whose turns do not couple (a quarter wave), 1/2 in the pi model."""

UNDERPASS_SHARE = (0.0, 1 / 3, 1.0)
"""Square of the voltage between a lead and the turns it passes under, in that at the live end: none to all."""

SILICON_PERMITTIVITY = 11.7


@dataclass(frozen=True, slots=True)
class Capacitance:
    """Between the ends, in fF: `acting_ff` through the oxide into what lies below, `turns_ff` beside the coil."""

    oxide_ff: float
    turns_ff: float
    share: float

    @property
    def acting_ff(self) -> float:
        return self.oxide_ff * self.share


@dataclass(frozen=True, slots=True)
class Stray:
    """Capacitances at their middle and ends, and the substrate: its resistivities in ohm cm, middle first.

    `rings` stand for the turns, `height_um` above the substrate, as far as eddy currents go. Runs cross
    `crossings` times, their metals `gap_um` apart.
    """

    low: Capacitance
    middle: Capacitance
    high: Capacitance
    substrate_ohm_cm: tuple[float, ...]
    radius_um: float
    rings: tuple[Array, Array]
    height_um: float
    crossings: int
    gap_um: float

    def admittance_s(self, capacitance: Capacitance, ohm_cm: float, frequency_hz: Array) -> npt.NDArray[np.complex128]:
        """Admittance of all capacitances between the ends, (F,), siemens.

        The current into the substrate, driven by the mean voltage, half of that at the end, spreads from a disc
        of the coil's diameter: R = rho / (4 a) (R. Holm, Electric Contacts (1967), from memory), beside it the
        silicon's own capacitance, since R C = rho epsilon.
        """
        omega = 2 * math.pi * frequency_hz
        series = 1 / (1j * omega * capacitance.acting_ff * 1e-15)
        if ohm_cm > 0:
            rho = ohm_cm * 1e-2
            spreading = rho / (4 * self.radius_um * 1e-6)
            below = spreading / (1 + 1j * omega * rho * SILICON_PERMITTIVITY * EPSILON0_FF_PER_UM * 1e-9)
            # Loss |w C U / 2|^2 R of the whole oxide capacitance, referred to the part that acts at the end.
            series = series + below / (4 * capacitance.share**2)
        return np.asarray(1 / series + 1j * omega * capacitance.turns_ff * 1e-15)

    def eddies(self, ohm_cm: float, frequency_hz: Array) -> tuple[Array, Array]:
        """What eddy currents in the substrate add to the resistance, ohms, and take from the inductance, nH, (F,)."""
        if ohm_cm <= 0:
            return np.zeros(len(frequency_hz)), np.zeros(len(frequency_hz))
        taken = taken_by_substrate_nh(*self.rings, self.height_um, substrate_skin_depth_um(ohm_cm, frequency_hz))
        return 2e-9 * math.pi * frequency_hz * taken.imag, np.asarray(taken.real)


def stray_of(geometry: InductorGeometry, line: CentreLine, assumed: Assumptions, surroundings: Surroundings) -> Stray:
    """Capacitances of a coil: boundary elements in the middle and above, bare plates below.

    Turns are rounded to whole ones for the section; the conductor's own length counts.
    """
    turns = max(1, round(geometry.turns))
    substrate: tuple[float, ...] = (0.0,)
    if assumed.substrate_ohm_cm is not None:
        ends = assumed.substrate_ohm_cm
        substrate = (ends.value, *np.geomspace(ends.low, ends.high, 5).tolist())
    thickness = assumed.thickness_um.value
    depth = thickness + 1.0 if surroundings.underpass_um is None else surroundings.underpass_um
    # A line drawn or traced without its lead: the inner end must leave somewhere, under all turns.
    crossings = line.crossings or max(1, math.floor(geometry.turns))
    overlap = crossings * geometry.width_um**2 / (depth - thickness)
    made = []
    for oxide, permittivity, place in (
        (assumed.oxide_um.high, assumed.permittivity.low, 0),
        (assumed.oxide_um.value, assumed.permittivity.value, 1),
        (assumed.oxide_um.low, assumed.permittivity.high, 2),
    ):
        ground, between = (_plates if place == 0 else _strips)(geometry, turns, thickness, oxide)
        factor = permittivity * EPSILON0_FF_PER_UM
        made.append(
            Capacitance(
                oxide_ff=factor * line.length_um * ground,
                turns_ff=factor * (line.length_um * between + UNDERPASS_SHARE[place] * overlap),
                share=SHARE[place],
            )
        )
    return Stray(
        made[0],
        made[1],
        made[2],
        substrate,
        geometry.outer_um / 2,
        equivalent_rings(geometry),
        assumed.oxide_um.value + thickness / 2,
        crossings,
        depth - thickness,
    )


def _strips(geometry: InductorGeometry, turns: int, thickness_um: float, oxide_um: float) -> tuple[float, float]:
    """To the plane, and between the ends through neighbouring turns: a unit length and permittivity.

    The voltage falls evenly along the conductor, so neighbours differ by what lies between them along it; in one
    dielectric, which leaves the air above out and so reads high.
    """
    pitch = geometry.width_um + geometry.spacing_um
    matrix = strip_capacitance(np.arange(turns, dtype=np.float64) * pitch, geometry.width_um, thickness_um, oxide_um)
    volts = _volts(turns, symmetric=bool(geometry.symmetric))
    steps = (volts[:, None] - volts) ** 2
    return float(matrix.sum() / turns), float(-np.sum(matrix * steps) / 2 / turns)


def _plates(geometry: InductorGeometry, turns: int, thickness_um: float, oxide_um: float) -> tuple[float, float]:
    """The same from parallel plates alone, without any fringe: reads low."""
    volts = _volts(turns, symmetric=bool(geometry.symmetric))
    sides = float(np.sum(np.diff(volts) ** 2)) * thickness_um / geometry.spacing_um if turns > 1 else 0.0
    return geometry.width_um / oxide_um, sides / turns


def _volts(turns: int, *, symmetric: bool) -> Array:
    """Mean voltage of every ring, outermost first, on one side of the coil: one end at 1, the other at 0.

    A symmetric winding takes the rings inwards on alternate sides and comes back on the others.
    """
    ring = np.arange(turns)
    if not symmetric:
        return np.asarray(1 - (ring + 0.5) / turns)
    half_turn = np.where(ring % 2 == 0, ring, 2 * turns - 1 - ring)
    return np.asarray(1 - (half_turn + 0.5) / (2 * turns))


def self_resonance(inductance_nh: float, spread: float, stray: Stray) -> Interval:
    """Where the capacitances' admittance cancels that of the inductance.

    Raises
    ------
    SettingsError
        If they do so nowhere between a tenth and a thousand times where all of them together would.
    """
    scale = inductance_nh * 1e-9
    start = 1 / (2 * math.pi * math.sqrt(scale * (stray.high.oxide_ff + stray.high.turns_ff) * 1e-15))
    frequency = np.geomspace(start / 10, start * 1000, 4001)

    def crossing(capacitance: Capacitance, ohm_cm: float, henry: float) -> float:
        y = stray.admittance_s(capacitance, ohm_cm, frequency)
        excess = y.imag * 2 * math.pi * frequency * henry - 1
        first = int(np.argmax(excess > 0))
        if not excess[0] <= 0 < excess[first]:
            raise SettingsError(
                "inductor: a coil of these sizes in these surroundings does not resonate by itself anywhere near; "
                "check the turns and what was said of its surroundings"
            )
        return float(np.exp(np.interp(0.0, excess[first - 1 : first + 1], np.log(frequency[first - 1 : first + 1]))))

    every = [
        crossing(capacitance, ohm_cm, scale * factor)
        for capacitance, ohm_cm, factor in product(
            (stray.low, stray.high), stray.substrate_ohm_cm, (1 - spread, 1 + spread)
        )
    ]
    return Interval(crossing(stray.middle, stray.substrate_ohm_cm[0], scale), min(every), max(every))
