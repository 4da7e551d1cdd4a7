"""The best estimate of a planar inductor's inductance, with its uncertainty budget."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from dieplat.errors import SettingsError
from dieplat.inductance.closed_forms import closed_forms, mohan_inner_um
from dieplat.inductance.partial import Array
from dieplat.inductance.path import check_geometry, spiral_path
from dieplat.inductance.segment_sum import LaneNetwork, lane_network
from dieplat.values.inductor import InductanceEstimate, InductorGeometry, Shape

LANES = 5
"""Lanes across the width for the estimate: uniform-current values are within some 1e-4 of many lanes."""

LANES_HF = 10
_MOST_FILAMENTS = 800
"""Up to this many filaments the high-frequency limit is computed with 10 lanes; the fewer lanes of the
estimate itself, used beyond, find some four fifths of the fall."""

LANES_SLOPE = 2

NUMERIC_U_REL = 1e-3
"""Numerical method: it disagrees with an independent filament solution by up to 1e-4 for polygons and 1e-3
for rings, that solution's own uncertainty being 5e-4 to 1e-3 (tests/inductance/test_segment_sum.py)."""

SYMMETRIC_U_REL = 0.014 / math.sqrt(3)
"""A winding with crossings computed as a spiral: the steps inward move L by up to 1.4 %, rectangular."""

THICKNESS_HALF_RANGE = 0.5
"""A die photograph shows no thickness: the assumed one may be wrong by half of itself, rectangular."""

MOST_PIECES = 160
"""Pieces of a traced path kept for the segment sum; more cost time with the square and add no accuracy."""


def given_geometry(shape: str, turns: float, outer_um: float, width_um: float, spacing_um: float) -> InductorGeometry:
    """A spiral from its numbers, method "given"; the inner diameter follows (Mohan et al. 1999).

    Raises
    ------
    SettingsError
        If the shape is unknown, a number is not finite or not positive, or no room is left inside.
    """
    if shape not in ("square", "hexagon", "octagon", "circle"):
        raise SettingsError(f"inductor: shape is {shape!r}; give square, hexagon, octagon or circle")
    # Less than a turn still has metal on both sides of its width, but no second one.
    inner = mohan_inner_um(max(turns, 1.0), outer_um, width_um, spacing_um)
    known: Shape = shape  # type: ignore[assignment]
    geometry = InductorGeometry(known, turns, outer_um, inner, width_um, spacing_um, "given")
    check_geometry(geometry)
    return geometry


def estimate_inductance(
    geometry: InductorGeometry, *, thickness_um: float = 2.0, scale_u_rel: float = 0.0
) -> InductanceEstimate:
    """Estimate the low-frequency inductance of a planar inductor in free space.

    The best estimate is the sum of partial inductances with the current spread evenly, along
    `geometry.path_um` when a centre line was traced, else along the ideal spiral of `spiral_path`. The closed
    forms are reported beside it; they ignore the thickness and commonly read a few percent higher.

    Parameters
    ----------
    geometry : InductorGeometry
        Lengths in micrometres; the `_u` fields that are not None enter the budget.
    thickness_um : float
        Metal thickness, an assumption that no picture can check; taken as uncertain by half of itself.
    scale_u_rel : float
        Relative standard uncertainty of the picture's scale.

    Returns
    -------
    InductanceEstimate
        `budget` lists (name, standard uncertainty in nH); their root sum of squares is `inductance_nh_u`
        (JCGM 100, 5.1.2, inputs taken as uncorrelated).

    Raises
    ------
    SettingsError
        If the geometry, the thickness or the scale's uncertainty cannot be.
    """
    check_geometry(geometry)
    if not (math.isfinite(thickness_um) and thickness_um > 0.0):
        raise SettingsError(f"inductor: thickness is {thickness_um:g} um; give a number above zero")
    if not (math.isfinite(scale_u_rel) and scale_u_rel >= 0.0):
        raise SettingsError(f"inductor: relative uncertainty of the scale is {scale_u_rel:g}; give zero or more")
    path, remarks = _centre_line(geometry)
    network = lane_network(path, geometry.width_um, thickness_um, across=LANES)
    value = network.shared()
    if not (math.isfinite(value) and value > 0.0):
        raise SettingsError("inductor: the path does not give a positive inductance; check its order of points")
    forms = closed_forms(
        geometry.shape,
        geometry.turns,
        geometry.outer_um,
        geometry.inner_um,
        geometry.width_um,
        geometry.spacing_um,
    )
    slopes = _Slopes(geometry, path, thickness_um, network)
    budget = [*_geometry_lines(geometry, slopes), *_other_lines(geometry, slopes, scale_u_rel)]
    total = math.sqrt(sum(u * u for _, u in budget))
    return InductanceEstimate(
        inductance_nh=value,
        inductance_nh_u=total,
        estimates_nh={
            "segment_sum": value,
            "current_sheet": forms.current_sheet,
            "modified_wheeler": forms.modified_wheeler,
            "monomial": forms.monomial,
        },
        thickness_um=thickness_um,
        budget=tuple(budget),
        assumptions=_assumptions(geometry, thickness_um),
        remarks=(*remarks, *forms.remarks),
    )


def _centre_line(geometry: InductorGeometry) -> tuple[Array, tuple[str, ...]]:
    if not geometry.path_um:
        return spiral_path(geometry), ()
    line = np.asarray(geometry.path_um, dtype=np.float64)
    if line.ndim != 2 or len(line) < 2 or not np.all(np.isfinite(line)):
        raise SettingsError("inductor: the path needs two or more points with finite coordinates")
    # A thirtieth of the width moves L by less than 1e-3 and takes the noise of a traced line out.
    tolerance = geometry.width_um / 30
    kept = _simplified(line, tolerance)
    while len(kept) - 1 > MOST_PIECES:
        tolerance *= 1.5
        kept = _simplified(line, tolerance)
    if len(kept) < 2:
        raise SettingsError("inductor: all points of the path coincide")
    remarks: tuple[str, ...] = ()
    if tolerance > geometry.width_um / 4:
        remarks = (f"traced path simplified to {tolerance:.3g} um to keep {MOST_PIECES} pieces",)
    return kept, remarks


def _simplified(line: Array, tolerance_um: float) -> Array:
    kept = np.asarray(shapely.LineString(line).simplify(tolerance_um, preserve_topology=False).coords)
    distinct = np.concatenate([[True], np.linalg.norm(np.diff(kept, axis=0), axis=1) > 1e-9])
    return np.asarray(kept[distinct], dtype=np.float64)


class _Slopes:
    """Numerical derivatives of L, for the ideal spiral or, where a centre line was traced, for that line."""

    def __init__(self, geometry: InductorGeometry, path: Array, thickness_um: float, network: LaneNetwork) -> None:
        self.geometry = geometry
        self.path = path
        self.thickness_um = thickness_um
        self.network = network
        self.value_nh = network.shared()
        self.traced = bool(geometry.path_um)
        self.length_um = float(np.sum(np.linalg.norm(np.diff(path, axis=0), axis=1)))
        self._base_nh = self._coarse(path, geometry.width_um, thickness_um)

    @staticmethod
    def _coarse(path: Array, width_um: float, thickness_um: float) -> float:
        return lane_network(path, width_um, thickness_um, across=LANES_SLOPE).shared()

    def of(self, name: str) -> float:
        """dL/d(field `name` of the geometry), nH a unit, by a difference over 1 % (a turn: 0.02).

        One-sided, to the side on which the spiral always remains possible.
        """
        x = float(getattr(self.geometry, name))
        step = {"outer_um": 0.01 * x, "turns": -min(0.02, x / 2)}.get(name, -0.01 * x)
        width = x + step if name == "width_um" else self.geometry.width_um
        if not self.traced:
            change: dict[str, Any] = {name: x + step}
            path = spiral_path(_with_inner(replace(self.geometry, **change)))
        else:
            path = self.path * (1 + step / x) if name == "outer_um" else self.path
        return (self._coarse(path, width, self.thickness_um) - self._base_nh) / step

    def of_thickness(self) -> float:
        """dL/dt over the whole assumed range, nH/um."""
        half = THICKNESS_HALF_RANGE * self.thickness_um
        width = self.geometry.width_um
        low, high = (self._coarse(self.path, width, self.thickness_um + k * half) for k in (-1, 1))
        return (high - low) / (2 * half)

    def crowding_nh(self) -> float:
        """How far L falls when inductance alone shares the current (high frequency)."""
        network = self.network
        if LANES_HF * len(self.path) <= _MOST_FILAMENTS:
            network = lane_network(self.path, self.geometry.width_um, self.thickness_um, across=LANES_HF)
        return network.shared("uniform") - network.shared("hf")


def _with_inner(geometry: InductorGeometry) -> InductorGeometry:
    turns = max(geometry.turns, 1.0)
    inner = mohan_inner_um(turns, geometry.outer_um, geometry.width_um, geometry.spacing_um)
    return replace(geometry, inner_um=inner)


def _geometry_lines(geometry: InductorGeometry, slopes: _Slopes) -> list[tuple[str, float]]:
    # On a traced line the turns and the spacing are in the line itself; only its size and the width remain.
    names = ("outer_um", "width_um") if slopes.traced else ("outer_um", "width_um", "spacing_um", "turns")
    lines = []
    for name in names:
        u = getattr(geometry, f"{name}_u")
        if u is not None and u > 0 and getattr(geometry, name) > 0:
            lines.append((name.removesuffix("_um"), abs(slopes.of(name)) * u))
    if not slopes.traced and geometry.turns > 1.0:
        lines.extend(_mismatch_line(geometry, slopes))
    return lines


def _mismatch_line(geometry: InductorGeometry, slopes: _Slopes) -> list[tuple[str, float]]:
    """What it would change if the spacing were the one that fits the measured inner diameter."""
    fitting = (geometry.outer_um - geometry.inner_um) / 2 - geometry.turns * geometry.width_um
    fitting /= geometry.turns - 1.0
    if abs(fitting - geometry.spacing_um) <= 1e-6 * geometry.spacing_um:
        return []
    change = abs(slopes.of("spacing_um") * (fitting - geometry.spacing_um))
    return [("inner diameter against turns, width and spacing", change / math.sqrt(3))]


def _other_lines(geometry: InductorGeometry, slopes: _Slopes, scale_u_rel: float) -> list[tuple[str, float]]:
    value = slopes.value_nh
    by_thickness = slopes.of_thickness()
    pitch = geometry.width_um + geometry.spacing_um
    lines = [
        # L is homogeneous of degree one in all lengths; the thickness does not come from the picture's scale.
        ("scale", abs(value - slopes.thickness_um * by_thickness) * scale_u_rel),
        ("thickness", abs(by_thickness) * THICKNESS_HALF_RANGE * slopes.thickness_um / math.sqrt(3)),
        # Where the coil ends and the lead begins is open by a pitch; L grows as the square of the length.
        ("ends", 2 * value / slopes.length_um * pitch / math.sqrt(3)),
        ("frequency", slopes.crowding_nh() / math.sqrt(3)),
        ("numerical method", NUMERIC_U_REL * value),
    ]
    if geometry.shape == "circle" and not slopes.traced:
        # A spiral has no one diameter. A given one may mean the outermost turn's mean, a pitch away from the
        # reading of spiral_path; a measured one is that mean, and flat to flat differs by a quarter pitch.
        bound = pitch if geometry.method == "given" else pitch / 4
        lines.append(("diameter of a round spiral", abs(slopes.of("outer_um")) * bound / math.sqrt(3)))
    if geometry.symmetric and not slopes.traced:
        lines.append(("crossings", SYMMETRIC_U_REL * value))
    return lines


def _assumptions(geometry: InductorGeometry, thickness_um: float) -> tuple[str, ...]:
    source = "along the traced centre line" if geometry.path_um else "along the ideal spiral of this geometry"
    lines = [
        f"segment sum {source}, current spread evenly (low frequency)",
        f"metal thickness {thickness_um:g} um, rectangular +/- {THICKNESS_HALF_RANGE:.0%}",
        "free space: no ground plane, no losses or return currents in the substrate, no leads",
        "coil ends open by one pitch, rectangular",
        "frequency anywhere from low to inductance-limited current sharing, rectangular",
    ]
    if geometry.shape == "circle" and not geometry.path_um:
        lines.append(
            "outer diameter taken as twice the spiral's largest radius; the current sheet takes it as the "
            "mean over the outermost turn, which means a coil one pitch wider"
            if geometry.method == "given"
            else "outer diameter taken as the mean over the outermost turn"
        )
    if geometry.symmetric and not geometry.path_um:
        lines.append("winding with crossings computed as a plain spiral of the same turns")
    measured = (geometry.outer_um_u, geometry.width_um_u, geometry.spacing_um_u, geometry.turns_u)
    if all(u is None for u in measured):
        lines.append("the geometry's own numbers taken as exact")
    if geometry.path_um:
        lines.append("crossings of the traced line in one plane")
    return tuple(lines)
