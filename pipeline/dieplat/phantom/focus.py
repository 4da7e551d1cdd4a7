"""Focus series: the same field several times, nowhere sharp all over, because the die is not level or not flat."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.phantom.camera import MARGIN_PX, Float, Float32

FOCUS_MARGIN_PX = 24
"""Wider than MARGIN_PX by the reach of the strongest blur."""


@dataclass(frozen=True, slots=True)
class FocusPlan:
    """A focus series. Heights and focus settings are in steps from one picture of a series to the next."""

    pictures: int = 3
    blur_px_a_step: float = 2.0
    """Standard deviation of the blur that one step out of focus adds (in quadrature)."""
    tilt: float = 1.0
    """Height at the edges of a tile above its middle: the camera does not look straight down."""
    plateau: float = 1.0
    """Height of every second plateau of the die, whose walls are steep."""
    plateau_um: float = 120.0
    magnification: float = 4e-4
    """By how much the picture grows from one setting to the next."""
    drift_px: float = 0.7
    """Scatter of the side shift of a picture against the middle one."""
    gain_scatter: float = 0.01


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture of a series: focus setting, size against the middle picture, side shift in pixels, gain."""

    number: int
    setting: float
    magnification: float
    shift_px: tuple[float, float]
    gain: float


def shots(plan: FocusPlan, *, seed: int, order: int) -> list[Shot]:
    """The pictures of one tile's series. The middle one is the reference: not shifted, not magnified."""
    rng = np.random.default_rng([seed, 7, order])
    middle = plan.pictures // 2
    found = []
    for k in range(plan.pictures):
        shift = plan.drift_px * rng.standard_normal(2)
        gain = 1.0 + plan.gain_scatter * float(rng.standard_normal())
        if k == middle:
            shift, gain = np.zeros(2), 1.0
        magnification = 1.0 + plan.magnification * (k - middle)
        found.append(Shot(k + 1, float(k - middle), magnification, (float(shift[0]), float(shift[1])), gain))
    return found


def seen_from(grid: tuple[Float, Float], shot: Shot, *, width: int, height: int) -> tuple[Float, Float]:
    """Where the pixels of a shot lie in the reference picture: x, y in tile pixels."""
    return (
        (grid[0] - 0.5 * width - shot.shift_px[0]) / shot.magnification + 0.5 * width,
        (grid[1] - 0.5 * height - shot.shift_px[1]) / shot.magnification + 0.5 * height,
    )


def heights(plan: FocusPlan, x_px: Float, y_px: Float, x_um: Float, y_um: Float, *, width: int, height: int) -> Float32:
    """Height (H, W) in focus steps at places given in tile pixels and in die micrometres."""
    slope = 0.7 * (2.0 * x_px / width - 1.0) + 0.3 * (2.0 * y_px / height - 1.0)
    cell = np.floor(x_um / plan.plateau_um) + np.floor(y_um / plan.plateau_um)
    raised = np.where(np.mod(cell, 2.0) < 1.0, 0.5, -0.5)
    return np.asarray(plan.tilt * slope + plan.plateau * raised, dtype=np.float32)


def defocus(light: Float32, distance: Float32, plan: FocusPlan) -> Float32:
    """Blur every place by its distance from focus: a blend of evenly blurred pictures, cut to MARGIN_PX around."""
    levels = np.arange(0.0, float(distance.max()) + 0.25, 0.25)
    result = np.zeros_like(light)
    for level, blurred in _blurred(light, levels * plan.blur_px_a_step):
        near = np.maximum(1.0 - np.abs(distance - levels[level]) / 0.25, 0.0)
        result += near[..., None].astype(np.float32) * blurred
    cut = FOCUS_MARGIN_PX - MARGIN_PX
    return np.ascontiguousarray(result[cut:-cut, cut:-cut])


def _blurred(light: Float32, sigmas_px: npt.NDArray[np.float64]) -> Iterator[tuple[int, Float32]]:
    for level, sigma in enumerate(sigmas_px):
        yield level, light if sigma < 0.05 else np.asarray(cv2.GaussianBlur(light, (0, 0), float(sigma)), np.float32)
