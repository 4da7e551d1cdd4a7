"""Closed-form expressions for planar spirals: modified Wheeler, current sheet, monomial fit.

S. S. Mohan, M. del Mar Hershenson, S. P. Boyd, T. H. Lee, "Simple accurate expressions for planar spiral
inductances", IEEE J. Solid-State Circuits 34(10), 1419-1424 (1999). The coefficients below were taken from
independent public transcriptions of the paper that agree with one another, not from the paper itself; one
unrelated transcription has 3.83 for the hexagon's K2. The forms know nothing of the metal's thickness.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dieplat.values.inductor import Shape

MU0_NH_PER_UM = 4e-4 * math.pi

WHEELER: dict[str, tuple[float, float]] = {
    "square": (2.34, 2.75),
    "hexagon": (2.33, 3.82),
    "octagon": (2.25, 3.55),
}
SHEET: dict[str, tuple[float, float, float, float]] = {
    "square": (1.27, 2.07, 0.18, 0.13),
    "hexagon": (1.09, 2.23, 0.00, 0.17),
    "octagon": (1.07, 2.29, 0.00, 0.19),
    "circle": (1.00, 2.46, 0.00, 0.20),
}
MONOMIAL: dict[str, tuple[float, float, float, float, float, float]] = {
    "square": (1.62e-3, -1.21, -0.147, 2.40, 1.78, -0.030),
    "hexagon": (1.28e-3, -1.24, -0.174, 2.47, 1.77, -0.049),
    "octagon": (1.33e-3, -1.21, -0.163, 2.43, 1.75, -0.049),
}


@dataclass(frozen=True, slots=True)
class ClosedForms:
    """Estimates in nH, None where a form is not defined, and remarks on their validity."""

    current_sheet: float
    modified_wheeler: float | None
    monomial: float | None
    remarks: tuple[str, ...]


def mohan_inner_um(turns: float, outer_um: float, width_um: float, spacing_um: float) -> float:
    """Inner diameter of a spiral, outer - 2 n w - 2 (n - 1) s (Mohan et al. 1999), in micrometres."""
    return outer_um - 2.0 * turns * width_um - 2.0 * (turns - 1.0) * spacing_um


def modified_wheeler_nh(shape: Shape, turns: float, outer_um: float, inner_um: float) -> float | None:
    """Modified Wheeler form K1 mu0 n^2 davg / (1 + K2 rho); None for a circle, which has no coefficients."""
    if shape not in WHEELER:
        return None
    k1, k2 = WHEELER[shape]
    mean, rho = _mean_and_fill(outer_um, inner_um)
    return k1 * MU0_NH_PER_UM * turns**2 * mean / (1.0 + k2 * rho)


def current_sheet_nh(shape: Shape, turns: float, outer_um: float, inner_um: float) -> float:
    """Current-sheet form mu0 n^2 davg c1/2 (ln(c2/rho) + c3 rho + c4 rho^2)."""
    c1, c2, c3, c4 = SHEET[shape]
    mean, rho = _mean_and_fill(outer_um, inner_um)
    return MU0_NH_PER_UM * turns**2 * mean * c1 / 2.0 * (math.log(c2 / rho) + c3 * rho + c4 * rho**2)


def monomial_nh(
    shape: Shape, turns: float, outer_um: float, inner_um: float, width_um: float, spacing_um: float
) -> float | None:
    """Monomial fit beta dout^a1 w^a2 davg^a3 n^a4 s^a5 (um, nH); None for a circle or a spacing of zero."""
    if shape not in MONOMIAL or spacing_um <= 0.0:
        return None
    beta, a1, a2, a3, a4, a5 = MONOMIAL[shape]
    mean, _ = _mean_and_fill(outer_um, inner_um)
    return float(beta * outer_um**a1 * width_um**a2 * mean**a3 * turns**a4 * spacing_um**a5)


def closed_forms(
    shape: Shape, turns: float, outer_um: float, inner_um: float, width_um: float, spacing_um: float
) -> ClosedForms:
    """All three forms for one spiral; lengths in micrometres, diameters flat to flat over the metal.

    That the diameters of hexagons and octagons are meant across the flats is from memory.
    """
    return ClosedForms(
        current_sheet=current_sheet_nh(shape, turns, outer_um, inner_um),
        modified_wheeler=modified_wheeler_nh(shape, turns, outer_um, inner_um),
        monomial=monomial_nh(shape, turns, outer_um, inner_um, width_um, spacing_um),
        remarks=_validity(shape, turns, outer_um, inner_um, width_um, spacing_um),
    )


def _mean_and_fill(outer_um: float, inner_um: float) -> tuple[float, float]:
    return (outer_um + inner_um) / 2.0, (outer_um - inner_um) / (outer_um + inner_um)


def _validity(
    shape: Shape, turns: float, outer_um: float, inner_um: float, width_um: float, spacing_um: float
) -> tuple[str, ...]:
    """Where the spiral leaves the range the expressions were fitted over (range from memory)."""
    outside = []
    _, rho = _mean_and_fill(outer_um, inner_um)
    if not 100.0 <= outer_um <= 480.0:
        outside.append(f"outer diameter {outer_um:.4g} um (fitted 100 to 480)")
    if not 1.0 <= turns <= 20.0:
        outside.append(f"{turns:.4g} turns (fitted 1 to 20)")
    if width_um < 2.0 or width_um > 0.3 * outer_um:
        outside.append(f"width {width_um:.4g} um (fitted 2 um to 0.3 of the outer diameter)")
    if spacing_um < 2.0 or spacing_um > 3.0 * width_um:
        outside.append(f"spacing {spacing_um:.4g} um (fitted 2 um to 3 widths)")
    if not 0.03 <= rho <= 0.95:
        outside.append(f"fill ratio {rho:.3g} (fitted 0.03 to 0.95)")
    remarks = []
    if outside:
        remarks.append(f"closed forms used outside their published range (from memory): {'; '.join(outside)}")
    if shape == "circle":
        remarks.append("modified Wheeler and monomial have no coefficients for a circle")
    return tuple(remarks)
