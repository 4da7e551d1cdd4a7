"""The best estimate of a planar inductor's inductance, with its uncertainty budget."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from dieplat.errors import SettingsError
from dieplat.inductance.centre_line import CentreLine, centre_line
from dieplat.inductance.closed_forms import ClosedForms, closed_forms, mohan_inner_um
from dieplat.inductance.path import check_geometry
from dieplat.inductance.slopes import GROUND_HALF_RANGE, THICKNESS_HALF_RANGE, UNDERPASS_HALF_RANGE, Slopes
from dieplat.values.bounds import COIL_UM, is_within
from dieplat.values.inductor import InductanceEstimate, InductorGeometry, Shape

NUMERIC_U_REL = 1e-3
"""Numerical method: it disagrees with an independent filament solution by up to 1e-4 for polygons and 1e-3
for rings, that solution's own uncertainty being 5e-4 to 1e-3 (tests/inductance/test_segment_sum.py)."""

SYMMETRIC_U_REL = 0.014 / math.sqrt(3)
"""A winding with crossings computed as a spiral: the steps inward move L by up to 1.4 %, rectangular."""

UNDERPASS_GAP_UM = 1.0
"""Dielectric between two layers of metal, about a micrometre (common practice, no source)."""

PATH_REMARK_REL = 0.03
"""A traced line that differs by this from its ideal spiral is remarked on."""


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
    geometry: InductorGeometry,
    *,
    thickness_um: float = 2.0,
    scale_u_rel: float = 0.0,
    ground_depth_um: float | None = None,
    underpass_um: float | None = None,
    piece_widths_um: Sequence[float] | None = None,
) -> InductanceEstimate:
    """Estimate the low-frequency inductance of a planar inductor, in free space or over a conducting plane.

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
    ground_depth_um : float, optional
        Depth of a perfectly conducting plane below the middle of the metal, by images. None: free space.
    underpass_um : float, optional
        How far one run passes below the other where a traced line crosses itself, middle to middle; the
        thickness and `UNDERPASS_GAP_UM` unless given.
    piece_widths_um : sequence of float, optional
        A width for every piece of `geometry.path_um`, for a conductor that tapers.

    Returns
    -------
    InductanceEstimate
        `budget` lists (name, standard uncertainty in nH); their root sum of squares is `inductance_nh_u`
        (JCGM 100, 5.1.2, inputs taken as uncorrelated).

    Raises
    ------
    SettingsError
        If the geometry, the thickness, a depth or the scale's uncertainty cannot be.
    """
    check_geometry(geometry)
    _check(thickness_um, scale_u_rel)
    line = coil_line(geometry, thickness_um=thickness_um, underpass_um=underpass_um, piece_widths_um=piece_widths_um)
    check_ground(line, thickness_um, ground_depth_um)
    slopes = Slopes(geometry, line, thickness_um, ground_depth_um)
    value = slopes.value_nh
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
        assumptions=_assumptions(geometry, line, thickness_um, ground_depth_um),
        remarks=(*line.remarks, *forms.remarks, *_against_forms(geometry, line, slopes)),
        best="segment_sum",
        why_best=_why_best(value, forms, ground_depth_um),
        ground_depth_um=ground_depth_um,
    )


def coil_line(
    geometry: InductorGeometry,
    *,
    thickness_um: float,
    underpass_um: float | None = None,
    piece_widths_um: Sequence[float] | None = None,
) -> CentreLine:
    """The centre line of `estimate_inductance`, its underpasses at the depth assumed there.

    Raises
    ------
    SettingsError
        If the path, its widths or the depth cannot be.
    """
    depth = thickness_um + UNDERPASS_GAP_UM if underpass_um is None else underpass_um
    if not (math.isfinite(depth) and depth > thickness_um):
        raise SettingsError(
            f"inductor: the underpass lies {depth:g} um below the metal's middle; "
            f"it must lie deeper than the thickness, {thickness_um:g} um"
        )
    return centre_line(geometry, underpass_um=depth, piece_widths_um=piece_widths_um)


def check_ground(line: CentreLine, thickness_um: float, ground_depth_um: float | None) -> None:
    """Refuse a ground plane that would cut through the conductor."""
    if ground_depth_um is None:
        return
    lowest = thickness_um / 2 - float(np.min(line.points_um[:, 2]))
    if not is_within(ground_depth_um, (lowest, COIL_UM[1])) or ground_depth_um == lowest:
        raise SettingsError(
            f"inductor: the ground plane lies {ground_depth_um:g} um below the metal's middle; "
            f"the metal itself reaches down to {lowest:g} um"
        )


def _check(thickness_um: float, scale_u_rel: float) -> None:
    if not is_within(thickness_um, COIL_UM):
        raise SettingsError(f"inductor: thickness is {thickness_um:g} um; give a number above zero that metal can have")
    if not (math.isfinite(scale_u_rel) and scale_u_rel >= 0.0):
        raise SettingsError(f"inductor: relative uncertainty of the scale is {scale_u_rel:g}; give zero or more")


def _geometry_lines(geometry: InductorGeometry, slopes: Slopes) -> list[tuple[str, float]]:
    # On a traced line the turns and the spacing are in the line itself; only its size and the width remain.
    names = ("outer_um", "width_um") if slopes.line.traced else ("outer_um", "width_um", "spacing_um", "turns")
    lines = []
    for name in names:
        u = getattr(geometry, f"{name}_u")
        if u is not None and u > 0 and getattr(geometry, name) > 0:
            lines.append((name.removesuffix("_um"), abs(slopes.of(name)) * u))
    if not slopes.line.traced and geometry.turns > 1.0:
        lines.extend(_mismatch_line(geometry, slopes))
    return lines


def _mismatch_line(geometry: InductorGeometry, slopes: Slopes) -> list[tuple[str, float]]:
    """What it would change if the spacing were the one that fits the measured inner diameter."""
    fitting = (geometry.outer_um - geometry.inner_um) / 2 - geometry.turns * geometry.width_um
    fitting /= geometry.turns - 1.0
    if abs(fitting - geometry.spacing_um) <= 1e-6 * geometry.spacing_um:
        return []
    change = abs(slopes.of("spacing_um") * (fitting - geometry.spacing_um))
    return [("inner diameter against turns, width and spacing", change / math.sqrt(3))]


def _other_lines(geometry: InductorGeometry, slopes: Slopes, scale_u_rel: float) -> list[tuple[str, float]]:
    value = slopes.value_nh
    by_thickness = slopes.of_thickness()
    lines = [
        # L is homogeneous of degree one in all lengths; the thickness does not come from the picture's scale.
        ("scale", abs(value - slopes.thickness_um * by_thickness) * scale_u_rel),
        ("thickness", abs(by_thickness) * THICKNESS_HALF_RANGE * slopes.thickness_um / math.sqrt(3)),
        ("ends", _ends_nh(geometry, slopes)),
        ("frequency", slopes.crowding_nh() / math.sqrt(3)),
        ("numerical method", NUMERIC_U_REL * value),
    ]
    if geometry.shape == "circle" and not slopes.line.traced:
        # A spiral has no one diameter. A given one may mean the outermost turn's mean, a pitch away from the
        # reading of spiral_path; a measured one is that mean, and flat to flat differs by a quarter pitch.
        pitch = geometry.width_um + geometry.spacing_um
        bound = pitch if geometry.method == "given" else pitch / 4
        lines.append(("diameter of a round spiral", abs(slopes.of("outer_um")) * bound / math.sqrt(3)))
    if geometry.symmetric and not slopes.line.traced:
        lines.append(("crossings", SYMMETRIC_U_REL * value))
    if slopes.line.crossings:
        lines.append(("depth of the underpass", abs(slopes.of_underpass_nh()) / math.sqrt(3)))
    if slopes.ground_um is not None:
        lines.append(("depth of the ground plane", abs(slopes.of_ground_nh()) / math.sqrt(3)))
    return lines


def _ends_nh(geometry: InductorGeometry, slopes: Slopes) -> float:
    """Where the coil ends and the leads begin: each end by how L answers to its place."""
    total = _ends_um_u(geometry, slopes.line)
    if total == 0.0:
        return 0.0
    first, last = slopes.of_ends()
    part = geometry.first_end_part
    return total * math.sqrt(part * first**2 + (1.0 - part) * last**2)


def _ends_um_u(geometry: InductorGeometry, line: CentreLine) -> float:
    """How well it is known where the coil ends: as found, else to a pitch (rectangular); a loop has no ends."""
    if line.closed:
        return 0.0
    if line.traced and geometry.ends_um_u is not None:
        return geometry.ends_um_u
    return (geometry.width_um + geometry.spacing_um) / math.sqrt(3)


def _assumptions(
    geometry: InductorGeometry, line: CentreLine, thickness_um: float, ground_um: float | None
) -> tuple[str, ...]:
    source = "along the traced centre line" if line.traced else "along the ideal spiral of this geometry"
    around = (
        "free space: no ground plane, no losses or return currents in the substrate, no leads"
        if ground_um is None
        else f"a perfectly conducting plane {ground_um:g} um below the metal's middle, rectangular "
        f"+/- {GROUND_HALF_RANGE:.0%}, replaced by the coil's mirror image; no leads"
    )
    lines = [
        f"segment sum {source}, current spread evenly (low frequency)",
        f"metal thickness {thickness_um:g} um, rectangular +/- {THICKNESS_HALF_RANGE:.0%}",
        around,
        "frequency anywhere from low to inductance-limited current sharing, rectangular",
    ]
    if not line.closed:
        known = line.traced and geometry.ends_um_u is not None
        lines.append(
            f"coil ends, both together, found to {geometry.ends_um_u:.2g} um (k = 1)"
            if known
            else "coil ends open by one pitch, rectangular"
        )
    if geometry.shape == "circle" and not line.traced:
        lines.append(
            "outer diameter taken as twice the spiral's largest radius; the current sheet takes it as the "
            "mean over the outermost turn, which means a coil one pitch wider"
            if geometry.method == "given"
            else "outer diameter taken as the mean over the outermost turn"
        )
    if geometry.symmetric and not line.traced:
        lines.append("winding with crossings computed as a plain spiral of the same turns")
    measured = (geometry.outer_um_u, geometry.width_um_u, geometry.spacing_um_u, geometry.turns_u)
    if all(u is None for u in measured):
        lines.append("the geometry's own numbers taken as exact")
    if line.crossings:
        lines.append(
            "at a crossing the run that crosses more neighbours, else the later one, lies below; its depth "
            f"rectangular +/- {UNDERPASS_HALF_RANGE:.0%}"
        )
    return tuple(lines)


def _why_best(value_nh: float, forms: ClosedForms, ground_um: float | None) -> str:
    """Which estimate to use, and why, in words."""
    others = [form for form in (forms.current_sheet, forms.modified_wheeler, forms.monomial) if form is not None]
    low, high = (100 * (form / value_nh - 1) for form in (min(others), max(others)))
    text = (
        "The segment sum is the best estimate: it follows the conductor piece by piece and knows its thickness"
        f"{' and the plane below' if ground_um is not None else ''}. The closed forms are fits over regular "
        f"spirals and ignore {'both' if ground_um is not None else 'the thickness'}; here they differ from it by "
    )
    return text + (f"{low:+.1f} %." if len(others) == 1 else f"{low:+.1f} to {high:+.1f} %.")


def _against_forms(geometry: InductorGeometry, line: CentreLine, slopes: Slopes) -> tuple[str, ...]:
    """Where the closed forms describe another coil than the one that was traced."""
    if not line.traced:
        return ()
    try:
        change = slopes.ideal_nh() / slopes.value_nh - 1
    except SettingsError:
        return ("the path has no ideal spiral of the same numbers; the closed forms do not describe it",)
    if abs(change) < PATH_REMARK_REL:
        return ()
    return (
        f"the ideal spiral of the same numbers has {100 * change:+.1f} % of inductance against the path; "
        "the closed forms see only the numbers",
    )
