"""A width or a spacing that changes from turn to turn: in words, and along the centre line."""

from __future__ import annotations

import numpy as np

from dieplat.measurement.inductor.bars import Mean, Sizes
from dieplat.measurement.inductor.unwrap import Floats, Frame, sector_of

# A change from turn to turn is stated from this many deviations on, if over all turns it comes to this many pixels.
TAPER_DEVIATIONS, TAPER_PX = 3.0, 0.5


def taper_words(size: Sizes, turns: float, um: float) -> list[str]:
    """Words on width and spacing that change from turn to turn, where they do beyond doubt; `um` is a pixel's size."""
    found = []
    summed = "; the inductance is summed with the width along the line"
    for what, change, steps, more in (
        ("width", size.width_taper, turns - 1, summed),
        ("spacing", size.spacing_taper, turns - 2, ""),
    ):
        if change is not None and is_taper(change, steps):
            found.append(
                f"its {what} changes from turn to turn by {change.value * um:+.3g} um inwards "
                f"(standard uncertainty {change.u * um:.2g} um); the {what} stated is the mean{more}"
            )
    return found


def is_taper(change: Mean, steps: float) -> bool:
    """Whether a change a turn is beyond doubt and, over `steps` turns, large enough to be seen."""
    return abs(change.value) > TAPER_DEVIATIONS * change.u and abs(change.value) * max(steps, 1.0) > TAPER_PX


def piece_widths(points: Floats, frame: Frame, size: Sizes, turns: float) -> tuple[float, ...]:
    """The width of every piece of a centre line (N, 2), in square pixels; none where the width does not taper.

    A piece belongs to the turn in which its middle lies, by its distance from the centre, square to the side.
    """
    if size.width_taper is None or not is_taper(size.width_taper, turns - 1):
        return ()
    x, y = (0.5 * (points[1:] + points[:-1]) - (frame.x, frame.y)).T
    distance = np.hypot(x, y)
    if frame.sides:
        distance = distance * np.cos(sector_of(frame, np.arctan2(y, x))[1])
    pitch = size.width.value + size.spacing.value
    turn = (0.5 * (size.outer.value - size.first_width_px) - distance) / pitch
    turn = np.clip(turn, 0.0, max(np.ceil(turns) - 1.0, 0.0))
    return tuple(float(w) for w in size.first_width_px + size.width_taper.value * turn)
