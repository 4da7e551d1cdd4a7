"""What a coil is in a circuit: resistance, quality factor and self-resonance, with the ranges left open.

The circuit is the pi model of a spiral on silicon with one end grounded: the conductor's resistance and inductance,
beside it the capacitance between its turns and the one through the oxide into the substrate (C. P. Yue, S. S. Wong,
IEEE Trans. Electron Devices 47(3), 560-568 (2000); from memory). Its elements follow from the conductor here: the
first two from the filament matrix, capacitances from boundary elements, the substrate from the spreading
resistance of a disc. Every figure is worked out for every combination of the assumptions' ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from dieplat.inductance.assumptions import Assumptions, assume
from dieplat.inductance.centre_line import CentreLine, coarser
from dieplat.inductance.fine_network import fine_network, graded_section
from dieplat.inductance.partial import Array
from dieplat.inductance.path import Section, spiral_path
from dieplat.inductance.redistribution import Redistribution
from dieplat.inductance.resistance_q import skin_depth_um
from dieplat.inductance.stray import Stray, self_resonance, stray_of
from dieplat.values.electrical import Assumed, AtFrequency, Electrical, Interval, Surroundings
from dieplat.values.inductor import InductanceEstimate, InductorGeometry

POINTS = 49
DECADES = 2.0
"""The curve has so many points over so many decades, up to the self-resonance."""

VIA_OHM = 0.1
UNDERPASS_SQUARES = 3.0
"""A stack of vias adds up to this; the lower layer may have up to this many times the sheet resistance of the
upper one (common practice, no source). Only the upper end of the range knows of either."""

NUMERIC_RESISTANCE_REL = 0.03
"""The lanes of `lanes_for` read the resistance up to 3 % low where skin effect is strong (test_redistribution.py)."""

_CHORDS = 24
_MOST_PIECES = 64
"""Chords a turn of a round coil, and pieces of a traced one, for the redistribution."""


def electrical_figures(
    geometry: InductorGeometry,
    estimate: InductanceEstimate,
    line: CentreLine,
    surroundings: Surroundings,
    *,
    frequency_hz: float | None = None,
) -> Electrical:
    """Work out the electrical figures of one coil.

    Parameters
    ----------
    geometry, estimate
        The coil and its inductance, whose uncertainty (k = 2) is one of the ranges.
    line : CentreLine
        The centre line that the estimate was made along (`coil_line`).
    surroundings : Surroundings
        What was said of metal, dielectric and substrate.
    frequency_hz : float, optional
        Gives the figures there besides the curve.

    Raises
    ------
    SettingsError
        If what was said cannot be.
    """
    assumed = assume(surroundings, thickness_um=estimate.thickness_um)
    stray = stray_of(geometry, line, assumed, surroundings)
    spread = 2 * estimate.inductance_nh_u / estimate.inductance_nh
    resonance = self_resonance(estimate.inductance_nh, spread, stray)
    frequency = np.geomspace(resonance.value * 10**-DECADES, resonance.value, POINTS)
    asked = frequency if frequency_hz is None else np.append(frequency, frequency_hz)
    conductors = _conductors(geometry, estimate, line, assumed, asked)
    points = _points(asked, estimate, spread, conductors, stray)
    curve, at = points[:POINTS], None if frequency_hz is None else points[-1]
    known = [point for point in curve if point.quality is not None]
    peak = max(known, key=lambda point: point.quality.value if point.quality else 0.0) if known else None
    return Electrical(
        assumed=assumed.lines,
        resistance_ohm=None if conductors is None else conductors.dc_ohm,
        oxide_ff=Interval(stray.middle.oxide_ff, stray.low.oxide_ff, stray.high.oxide_ff),
        turns_ff=Interval(stray.middle.turns_ff, stray.low.turns_ff, stray.high.turns_ff),
        self_resonance_hz=resonance,
        curve=curve,
        at=at,
        peak=peak,
        notes=_notes(stray, surroundings, resonance, conductors is not None, frequency_hz),
    )


@dataclass(frozen=True, slots=True)
class _Conductors:
    """Resistance and inductance over frequency, (F,), of the middle metal and of both ends."""

    middle: tuple[Array, Array]
    ends: tuple[tuple[Array, Array], ...]
    dc_ohm: Interval


def _conductors(
    geometry: InductorGeometry,
    estimate: InductanceEstimate,
    line: CentreLine,
    assumed: Assumptions,
    frequency_hz: Array,
) -> _Conductors | None:
    pairs = _metals(assumed)
    if pairs is None:
        return None
    points = _for_redistribution(geometry, line)
    longer = line.length_um / float(np.sum(np.linalg.norm(np.diff(points, axis=0), axis=1)))
    modes = {}
    for t, rho in pairs:
        section = lanes_for(float(np.max(line.width_um)), t, skin_depth_um(rho, float(frequency_hz.max())))
        network = fine_network(points, line.width_um, t, section, ground_depth_um=estimate.ground_depth_um)
        modes[t] = Redistribution.of(network)
    grid = np.concatenate([[1.0], frequency_hz])
    found = []
    for t, rho in pairs:
        z = modes[t].impedance_ohm(grid, rho)
        found.append((z.real * longer, z.imag / (2e-9 * math.pi * grid)))
    shift = estimate.inductance_nh - found[0][1][0]
    more = 1 + NUMERIC_RESISTANCE_REL
    worst = _worst_links(line, found[2][0][0])
    ends = ((found[1][0] / more, found[1][1] + shift), (found[2][0] * more + worst, found[2][1] + shift))
    dc = Interval(float(found[0][0][0]), float(found[1][0][0]), float(found[2][0][0] + worst))
    return _Conductors(
        (found[0][0][1:], found[0][1][1:] + shift), tuple((r[1:], inductance[1:]) for r, inductance in ends), dc
    )


def _for_redistribution(geometry: InductorGeometry, line: CentreLine) -> Array:
    """The line in fewer pieces: how current spreads changes little along it; length and L are put right after."""
    if isinstance(line.width_um, np.ndarray):
        return line.points_um
    if geometry.shape == "circle" and not line.traced:
        return spiral_path(geometry, chords=_CHORDS)
    return coarser(line, _MOST_PIECES)


def lanes_for(width_um: float, thickness_um: float, skin_um: float) -> Section:
    """Lanes as many as the skin depth asks for: more over the width, the wider, and over the thickness."""
    across = 4 if width_um < 2 * skin_um else 6 if width_um < 12 * skin_um else 8
    deep = 1 if thickness_um < 0.3 * skin_um else 2 if thickness_um < 1.5 * skin_um else 3
    return graded_section(across, deep)


def _metals(assumed: Assumptions) -> tuple[tuple[float, float], ...] | None:
    """(thickness, resistivity) of the middle, the least and the largest resistance."""
    thick = assumed.thickness_um
    if assumed.sheet_ohm is not None:
        sheet = assumed.sheet_ohm
        return tuple(
            (t, ohm * t * 1e-6)
            for t, ohm in ((thick.value, sheet.value), (thick.high, sheet.low), (thick.low, sheet.high))
        )
    if assumed.resistivity_ohm_m is None:
        return None
    rho: Assumed = assumed.resistivity_ohm_m
    return (thick.value, rho.value), (thick.high, rho.low), (thick.low, rho.high)


def _worst_links(line: CentreLine, dc_ohm: float) -> float:
    """What vias and a thinner layer below may add to the resistance, ohms."""
    below = np.min(line.points_um[:, 2])
    run = np.linalg.norm(np.diff(line.points_um, axis=0), axis=1)
    under = float(run[line.points_um[1:, 2] == below].sum()) if below < 0 else 0.0
    return max(line.vias, 2) * VIA_OHM + dc_ohm * (UNDERPASS_SQUARES - 1) * under / line.length_um


def _points(
    frequency_hz: Array,
    estimate: InductanceEstimate,
    spread: float,
    conductors: _Conductors | None,
    stray: Stray,
) -> tuple[AtFrequency, ...]:
    eddies = {ohm_cm: stray.eddies(ohm_cm, frequency_hz) for ohm_cm in stray.substrate_ohm_cm}
    more, less = eddies[stray.substrate_ohm_cm[0]]
    lost, taken = (np.array([pair[k] for pair in eddies.values()]) for k in (0, 1))
    if conductors is None:
        nh = estimate.inductance_nh
        ends = zip(frequency_hz, less, taken.max(axis=0), taken.min(axis=0), strict=True)
        return tuple(
            AtFrequency(f, Interval(nh - m, nh * (1 - spread) - a, nh * (1 + spread) - b), None, None)
            for f, m, a, b in (map(float, column) for column in ends)
        )
    resistance, inductance = conductors.middle
    every = []
    for (r, own), factor, capacitance, ohm_cm in product(
        conductors.ends, (1 - spread, 1 + spread), (stray.low, stray.high), stray.substrate_ohm_cm
    ):
        y = stray.admittance_s(capacitance, ohm_cm, frequency_hz)
        eddy_ohm, eddy_nh = eddies[ohm_cm]
        every.append(coil_quality(r + eddy_ohm, own * factor - eddy_nh, y, frequency_hz))
    parallel = stray.admittance_s(stray.middle, stray.substrate_ohm_cm[0], frequency_hz)
    quality = coil_quality(resistance + more, inductance - less, parallel, frequency_hz)
    (r_low, l_a), (r_high, l_b) = conductors.ends
    columns = zip(
        frequency_hz,
        inductance - less,
        np.minimum(l_a, l_b) * (1 - spread) - taken.max(axis=0),
        np.maximum(l_a, l_b) * (1 + spread) - taken.min(axis=0),
        resistance + more,
        np.minimum(r_low, resistance) + lost.min(axis=0),
        np.maximum(r_high, resistance) + lost.max(axis=0),
        quality,
        np.minimum(np.min(every, axis=0), quality),
        np.maximum(np.max(every, axis=0), quality),
        strict=True,
    )
    return tuple(
        AtFrequency(f, Interval(*row[0:3]), Interval(*row[3:6]), Interval(*row[6:9]))
        for f, *row in (map(float, column) for column in columns)
    )


def coil_quality(
    resistance_ohm: Array, inductance_nh: Array, parallel_s: npt.NDArray[np.complex128], frequency_hz: Array
) -> Array:
    """Quality factor between the ends: -Im Y / Re Y of the coil beside its capacitances; 0 from self-resonance on.

    For one resistance and one capacitance beside the coil this is w L / R times a substrate and a resonance factor
    (C. P. Yue, S. S. Wong, IEEE J. Solid-State Circuits 33(5), 743-752 (1998), from memory).
    """
    y = 1 / (resistance_ohm + 2e-9j * math.pi * frequency_hz * inductance_nh) + parallel_s
    return np.asarray(np.maximum(-y.imag / y.real, 0.0))


def _notes(
    stray: Stray, surroundings: Surroundings, resonance: Interval, metal: bool, frequency_hz: float | None
) -> tuple[str, ...]:
    notes = [
        "ranges cover every combination of the assumptions' ranges, the inductance at k = 2 among them",
        "one end of the coil grounded; voltage falls evenly along the conductor, so that 0.33 to 0.5 of the "
        "capacitance below acts at the other end",
        "one even dielectric around the metal; the low end of capacitances takes bare plates without fringes",
        f"capacitance between turns: up to that of {stray.crossings} crossing"
        f"{'' if stray.crossings == 1 else 's'} at the full voltage, metals {stray.gap_um:.3g} um apart",
    ]
    if metal:
        notes.append(
            f"the upper end of resistance has {VIA_OHM:g} ohm for each change of layer, at least two, and a lower "
            f"layer of {UNDERPASS_SQUARES:g} times the sheet resistance where the path goes below"
        )
    if surroundings.ground_um is not None:
        notes.append("the plane below conducts perfectly: its own losses lower the quality factor further")
    else:
        notes.append(
            "eddy currents in the substrate as of one deep, even piece of silicon: they are in resistance, inductance "
            "and quality factor at a frequency, the turns taken as rings of their areas"
        )
    if frequency_hz is not None and frequency_hz > resonance.low:
        notes.append("the frequency asked for may lie above the coil's own resonance, where it is no inductor")
    return tuple(notes)
