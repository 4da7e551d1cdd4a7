"""A stage micrometer: ruled lines, longer at every fifth and tenth, and some dirt."""

from __future__ import annotations

import numpy as np

from dieplat.phantom.dirt import add_dirt
from dieplat.phantom.layers import Die, Lattice, Sheet

LINE_UM = 2.0


def plan_ruler(length_um: float, height_um: float, pitch_um: float, *, dirt: float, seed: int) -> Die:
    """A ruled plate as a `Die`: light glass, dark lines at every `pitch_um` along x, one at the middle."""
    rng = np.random.default_rng([seed, 31])
    sheet = Sheet()
    sheet.box((0.80, 0.82, 0.80), (0.0, 0.0, length_um, height_um))
    middle, centre = 0.5 * length_um, 0.5 * height_um
    numbers = np.arange(-int(middle / pitch_um), int(middle / pitch_um) + 1)
    at = middle + numbers * pitch_um
    lengths = np.where(numbers % 10 == 0, 0.34, np.where(numbers % 5 == 0, 0.28, 0.22)) * height_um
    base = centre + 0.12 * height_um
    for length in np.unique(lengths):
        chosen = at[lengths == length]
        sheet.layers.append(
            Lattice(
                (0.13, 0.13, 0.15),
                np.column_stack([chosen - 0.5 * LINE_UM, chosen + 0.5 * LINE_UM]),
                np.array([[base - length, base]]),
            )
        )
    sheet.rectangles((0.13, 0.13, 0.15), [(0.0, base + 6.0, length_um, base + 6.0 + LINE_UM)])
    if dirt > 0.0:
        add_dirt(sheet, (length_um, height_um), rng, amount=dirt)
    return Die(length_um, height_um, tuple(sheet.layers), (), 0.5, seed + 1)
