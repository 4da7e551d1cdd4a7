"""A stage micrometer: ruled lines, longer at every fifth and tenth, and some dirt.

Lines are not drawn on a raster: what a raster's pixels make of their edges would return with every pixel of the pitch,
and be read as an error of the ruling. They are laid over the plate from closed forms.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from dieplat.phantom.dirt import add_dirt
from dieplat.phantom.layers import Die, Sheet

Float = npt.NDArray[np.float64]

LINE_UM = 2.0
THROUGH = 0.16
"""Of the light that comes through a line."""
OPTICS_PX = 3.0**-0.5
"""Blur before the pixel: standard deviation of the cubic B-spline with which dies are looked at."""


@dataclass(frozen=True, slots=True)
class RuledPlate:
    """Light glass with dirt, and the lines upon it; lengths in micrometres, from the plate's corner."""

    glass: Die
    pitch_um: float
    middle_um: float
    numbers: int
    """Lines on each side of the one at the middle."""
    base_um: float
    """Where lines end at their lower end, above a line that runs along them all."""

    def shade(self, x_um: Float, y_um: Float, um_per_px: float) -> Float:
        """How much light the lines leave, at pixels' centres (H, W); pixels lie along the plate to a few degrees."""
        blur, pixel = OPTICS_PX * um_per_px, um_per_px

        def within(at: Float, first: Float | float, last: Float | float) -> Float:
            return np.asarray(_passed(at - first, blur, pixel) - _passed(at - last, blur, pixel))

        number = np.clip(np.rint((x_um - self.middle_um) / self.pitch_um), -self.numbers, self.numbers)
        at = x_um - self.middle_um - number * self.pitch_um
        length = np.where(number % 10 == 0, 0.34, np.where(number % 5 == 0, 0.28, 0.22)) * self.glass.height_um
        lines = within(at, -0.5 * LINE_UM, 0.5 * LINE_UM) * within(y_um, self.base_um - length, self.base_um)
        along = within(y_um, self.base_um + 6.0, self.base_um + 6.0 + LINE_UM)
        return np.asarray(1.0 - (1.0 - THROUGH) * np.minimum(lines + along, 1.0))


def _passed(past_um: Float, blur_um: float, pixel_um: float) -> Float:
    """How much of a pixel lies past an edge, 0 to 1, whose picture is blurred by a Gaussian."""

    def integral(z: Float) -> Float:
        return np.asarray(z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi))

    upper, lower = (past_um + 0.5 * pixel_um) / blur_um, (past_um - 0.5 * pixel_um) / blur_um
    return np.asarray((integral(upper) - integral(lower)) * blur_um / pixel_um)


def plan_ruler(length_um: float, height_um: float, pitch_um: float, *, dirt: float, seed: int) -> RuledPlate:
    """A ruled plate, with lines at every `pitch_um` along x, one at the middle."""
    rng = np.random.default_rng([seed, 31])
    sheet = Sheet()
    sheet.box((0.80, 0.82, 0.80), (0.0, 0.0, length_um, height_um))
    if dirt > 0.0:
        add_dirt(sheet, (length_um, height_um), rng, amount=dirt)
    glass = Die(length_um, height_um, tuple(sheet.layers), (), 0.5, seed + 1)
    return RuledPlate(glass, pitch_um, 0.5 * length_um, int(0.5 * length_um / pitch_um), 0.62 * height_um)
