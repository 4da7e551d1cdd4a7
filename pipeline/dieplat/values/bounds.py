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
FACTOR: Final[Bounds] = (1e-3, 1e3)
"""Velocity and shortening factors."""


def is_within(value: float, bounds: Bounds) -> bool:
    """Whether a number can be; NaN cannot."""
    return bounds[0] <= value <= bounds[1]
