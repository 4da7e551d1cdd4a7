"""What sizes and frequencies can be at all: whatever lies outside is a slip, and its arithmetic may overflow.

All from common practice, no source.
"""

from __future__ import annotations

from typing import Final

Bounds = tuple[float, float]

FREQUENCY_HZ: Final[Bounds] = (1.0, 1e15)
"""Up to light."""
COIL_UM: Final[Bounds] = (1e-4, 1e8)
"""Lengths of a coil and of what lies around it: from an atom to a hundred metres."""
AROUND_COIL: Final[Bounds] = (1e-6, 1e12)
"""Numbers of any unit that are said of what lies around a coil."""
UM_PER_PX: Final[Bounds] = (1e-3, 1e3)
"""A microscope's or macro lens's pixel lies between a nanometre and a millimetre; else the unit is wrong."""
PITCH_UM: Final[Bounds] = (1e-3, 1e7)
"""Divisions of a ruling."""
PICTURE_PX: Final[Bounds] = (1, 2**31)
"""Sides of a mosaic or a tile: that of a TIFF is counted in 32 bits (TIFF 6.0, ImageWidth)."""
FACTOR: Final[Bounds] = (1e-3, 1e3)
"""Velocity and shortening factors."""


def is_within(value: float, bounds: Bounds) -> bool:
    """Whether a number can be; NaN cannot."""
    return bounds[0] <= value <= bounds[1]
