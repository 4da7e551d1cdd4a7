"""The shape of a ruling's lines: as they look in the mean, and as blurred boxes where they are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline
from scipy.optimize import least_squares
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]

FEWEST_LINES = 4
ROUNDS = 10
LARGEST_MISFIT = 0.05
"""Of the depth: lines whose samples are further than this from a blurred box, in the median, are no boxes."""


class Shape(Protocol):
    """How a line looks at offsets (pixels) from its place, in some unit of brightness, and how that changes."""

    @property
    def half_width_px(self) -> float: ...

    def value(self, offset: Floats) -> Floats: ...

    def slope(self, offset: Floats) -> Floats: ...


@dataclass(frozen=True, slots=True)
class Box:
    """A line of even brightness with straight sides, blurred by a Gaussian."""

    width_px: float
    blur_px: float

    @property
    def half_width_px(self) -> float:
        """At half depth."""
        return max(0.5 * self.width_px, 1.18 * self.blur_px)

    def value(self, offset: Floats) -> Floats:
        """From 0 outside to 1 inside."""
        half = 0.5 * self.width_px
        return np.asarray(ndtr((offset + half) / self.blur_px) - ndtr((offset - half) / self.blur_px))

    def slope(self, offset: Floats) -> Floats:
        """Per pixel."""
        sides = (offset + 0.5 * self.width_px) / self.blur_px, (offset - 0.5 * self.width_px) / self.blur_px
        height = np.exp(-0.5 * sides[0] ** 2) - np.exp(-0.5 * sides[1] ** 2)
        return np.asarray(height / (np.sqrt(2.0 * np.pi) * self.blur_px))


@dataclass(frozen=True, slots=True, eq=False)
class Template:
    """The mean shape of a line at offsets from its strongest point, and its half width at half depth."""

    curve: CubicSpline
    centre_px: float
    half_width_px: float

    def value(self, offset: Floats) -> Floats:
        """As the profile has it."""
        return np.asarray(self.curve(offset))

    def slope(self, offset: Floats) -> Floats:
        """Per pixel."""
        return np.asarray(self.curve(offset, 1))


def line_template(profile: Floats, columns: Floats, pitch_px: float) -> Template:
    """The median shape of the lines at `columns` of `profile`, over two pitches."""
    # The strongest point may lie half a pitch off, and a match needs 0.45 pitch on both its sides.
    offset = np.arange(-pitch_px, pitch_px + 0.25, 0.25)
    inside = (columns + offset[0] > 1) & (columns + offset[-1] < len(profile) - 2)
    windows = CubicSpline(np.arange(len(profile)), profile)(columns[inside][:, None] + offset[None, :])
    shape = np.median(windows, axis=0)
    inner = np.abs(offset) <= 0.5 * pitch_px
    depth = np.abs(shape - np.median(shape[inner]))
    centre = int(np.argmax(np.where(inner, depth, -1.0)))
    below = depth < 0.5 * depth[centre]
    left = int(np.argmax(below[centre::-1])) if below[: centre + 1].any() else centre
    right = int(np.argmax(below[centre:])) if below[centre:].any() else len(offset) - 1 - centre
    half_width = min(max(left, right) * 0.25, 0.3 * pitch_px)
    return Template(CubicSpline(offset - offset[centre], shape), float(offset[centre]), max(half_width, 0.75))


def nearest_box(profile: Floats, places: Floats, half_width_px: float) -> tuple[Box, Floats] | None:
    """The blurred box that is nearest to a profile's samples about its lines, and where it lies; None if none is near.

    From the samples and not from a curve through them, which knows nothing finer than two pixels; each line may move,
    since places that such a curve gave are off by as much as the grid of pixels makes them.

    Parameters
    ----------
    profile : ndarray (columns,)
        Mean over the strips, a sample a pixel.
    places : ndarray (lines,)
        Where the lines lie in it; NaN where unknown.
    half_width_px : float
        Of a line, roughly.
    """
    apart = float(np.nanmedian(np.diff(places))) if np.isfinite(np.diff(places)).any() else np.inf
    reach = min(2.0 * half_width_px + 2.0, 0.5 * abs(apart))
    with np.errstate(invalid="ignore"):
        inside = (places > reach + 1.0) & (places < len(profile) - reach - 2.0)
    at = places[inside]
    steps = np.arange(-int(np.ceil(reach)), int(np.ceil(reach)) + 1)
    columns = np.rint(at).astype(np.intp)[:, None] + steps
    values = profile[columns] - profile[columns[:, [0, 1, -2, -1]]].mean(axis=1, keepdims=True)
    depth = float(np.ptp(np.percentile(values, (2.0, 98.0)))) if values.size else 0.0
    if len(at) < FEWEST_LINES or depth <= 0.0:
        return None

    def left(given: Floats, at: Floats) -> Floats:
        middle, width, blur, height, level = given
        line = Box(width, blur).value(columns - at[:, None] - middle)
        return np.asarray((level + height * line - values) / depth)

    fitted = np.array([0.0, half_width_px, 0.6, float(values.flat[np.argmax(np.abs(values))]), 0.0])
    bounds = ([-half_width_px, 0.5, 0.1, -np.inf, -np.inf], [half_width_px, 2.0 * reach, reach, np.inf, np.inf])
    for _ in range(ROUNDS):
        fitted = least_squares(_flat(left, at), fitted, bounds=bounds, loss="soft_l1", f_scale=0.05).x
        slope = (left(fitted, at + 0.01) - left(fitted, at - 0.01)) / 0.02
        step = -np.sum(slope * left(fitted, at), axis=1) / np.maximum(np.sum(slope**2, axis=1), 1e-12)
        at = at + np.clip(step, -0.1, 0.1)
    if np.median(np.abs(left(fitted, at))) > LARGEST_MISFIT:
        return None
    moved = places + fitted[0]
    moved[inside] = at + fitted[0]
    return Box(float(fitted[1]), float(fitted[2])), moved


def _flat(left: Callable[[Floats, Floats], Floats], at: Floats) -> Callable[[Floats], Floats]:
    return lambda given: np.ravel(left(given, at))
