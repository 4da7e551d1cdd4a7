"""How many dies of a size a wafer holds."""

from __future__ import annotations

import math

import numpy as np

from dieplat.errors import SettingsError
from dieplat.values.stated import WaferPlan

PLACEMENTS = 16
"""Shifts of the grid tried along either axis, within one period: finer ones gain less than one die in a thousand."""


def check_wafer(plan: WaferPlan) -> None:
    """Raise SettingsError unless the plan describes a wafer."""
    values = (plan.diameter_mm, plan.edge_exclusion_mm, plan.scribe_um)
    if not all(math.isfinite(value) for value in values) or min(values) < 0 or plan.usable_mm <= 0:
        raise SettingsError(
            f"wafer of {plan.diameter_mm:g} mm with {plan.edge_exclusion_mm:g} mm of edge and {plan.scribe_um:g} um "
            "of scribe: give lengths that are not negative and leave a wafer, such as 300, 3 and 80"
        )


def dies_by_formula(width_um: float, height_um: float, plan: WaferPlan) -> int:
    """Whole dies on a wafer by the closed expression pi d (d / 4S - 1 / sqrt(2S)), never below 0.

    d is the usable diameter, S the area of a die with its share of the scribe. The first term is the ratio of areas,
    the second takes off the dies that the rim cuts. Expressions of this form, and their accuracy, are the subject of
    D. K. de Vries, "Investigation of gross die per wafer formulas", IEEE Transactions on Semiconductor Manufacturing 18
    (2005) 136-139; this one is the most widely printed.
    """
    area_mm2 = (width_um + plan.scribe_um) * (height_um + plan.scribe_um) * 1e-6
    diameter = plan.usable_mm
    return max(int(math.pi * diameter * (diameter / (4.0 * area_mm2) - 1.0 / math.sqrt(2.0 * area_mm2))), 0)


def dies_placed(width_um: float, height_um: float, plan: WaferPlan) -> int:
    """Whole dies on a wafer by counting: the best of `PLACEMENTS` squared shifts of a regular grid.

    In a row whose farther edge lies y from the middle, the chord between the usable edges is 2 sqrt(r^2 - y^2).
    """
    pitch_x, pitch_y = (width_um + plan.scribe_um) * 1e-3, (height_um + plan.scribe_um) * 1e-3
    width, height, radius = width_um * 1e-3, height_um * 1e-3, 0.5 * plan.usable_mm
    rows = np.arange(-math.ceil(radius / pitch_y) - 1, math.ceil(radius / pitch_y) + 1)
    best = 0
    for down in np.arange(PLACEMENTS) / PLACEMENTS:
        low = (rows + down) * pitch_y
        far = np.maximum(np.abs(low), np.abs(low + height))
        half = np.sqrt(np.maximum(radius**2 - far**2, 0.0))[far < radius]
        across = np.arange(PLACEMENTS)[:, None] / PLACEMENTS
        # Dies from k pitch to k pitch + width must lie within -half to half: count the whole numbers k.
        first = np.ceil(-half / pitch_x - across - 1e-12)
        last = np.floor((half - width) / pitch_x - across + 1e-12)
        counts = np.maximum(last - first + 1.0, 0.0).sum(axis=1)
        best = max(best, int(counts.max(initial=0.0)))
    return best
