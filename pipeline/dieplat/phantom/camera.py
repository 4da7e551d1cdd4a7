"""Stage, lens and camera: where each tile is taken, and what the sensor makes of what it sees."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.phantom.render import DieRaster, look

Float = npt.NDArray[np.float64]
Float32 = npt.NDArray[np.float32]
MARGIN_PX = 6


@dataclass(frozen=True, slots=True)
class Frame:
    """Where the die lies in the mosaic: camera axes, mosaic pixels, die turned by `rotation_deg` (y down)."""

    um_per_px_x: float
    um_per_px_y: float
    rotation_deg: float
    centre_px: tuple[float, float]
    die_centre_um: tuple[float, float]

    def _turn(self) -> Float:
        a = np.radians(self.rotation_deg)
        return np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])

    def to_mosaic(self, points_um: npt.ArrayLike) -> Float:
        """Die micrometres (N, 2) to mosaic pixels (N, 2)."""
        turned = (np.asarray(points_um, dtype=np.float64) - self.die_centre_um) @ self._turn().T
        return np.asarray(turned / np.array([self.um_per_px_x, self.um_per_px_y]) + self.centre_px)

    def to_die(self, x_px: Float, y_px: Float) -> tuple[Float, Float]:
        """Mosaic pixels to die micrometres, array by array."""
        x = (x_px - self.centre_px[0]) * self.um_per_px_x
        y = (y_px - self.centre_px[1]) * self.um_per_px_y
        turn = self._turn()
        return (
            turn[0, 0] * x + turn[1, 0] * y + self.die_centre_um[0],
            turn[0, 1] * x + turn[1, 1] * y + self.die_centre_um[1],
        )


@dataclass(frozen=True, slots=True)
class CameraPlan:
    """Faults of the camera. Fractions of full scale unless the name says otherwise."""

    vignetting: float = 0.22
    exposure_drift: float = 0.08
    white_balance_drift: float = 0.025
    noise: float = 3.0 / 255.0
    defocus_px: tuple[float, float] = (0.25, 0.65)
    k1: float = 0.0
    k2: float = 0.0
    tone_power: float = 1.0
    """The tone curve that what the sensor saw is written with: light to this power (1: as it fell on the sensor)."""


@dataclass(frozen=True, slots=True)
class StagePlan:
    """Faults of the stage, in pixels."""

    error_px: float = 4.0
    backlash_px: float = 6.0
    rotation_deg: float = 0.25
    by_hand: float = 0.0
    """Steps vary evenly by up to this share of a tile, and a row goes on until the far edge is seen."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """What is different from tile to tile."""

    gain: tuple[float, float, float]
    defocus_px: float


def undistorted(width: int, height: int, k1: float, k2: float, *, margin_px: int = MARGIN_PX) -> tuple[Float, Float]:
    """Where each pixel of a tile, with a margin around, lies without distortion: x, y in tile pixels.

    Inverts r_d = r (1 + k1 r^2 + k2 r^4), r in half diagonals, by Newton's method to 1e-12.
    """
    half = 0.5 * np.hypot(width, height)
    x, y = np.meshgrid(
        np.arange(-margin_px, width + margin_px) + 0.5 - 0.5 * width,
        np.arange(-margin_px, height + margin_px) + 0.5 - 0.5 * height,
    )
    if k1 == 0.0 and k2 == 0.0:
        return x + 0.5 * width, y + 0.5 * height
    seen = np.hypot(x, y) / half
    radius = seen.copy()
    for _ in range(12):
        step = (radius * (1.0 + k1 * radius**2 + k2 * radius**4) - seen) / (
            1.0 + 3.0 * k1 * radius**2 + 5.0 * k2 * radius**4
        )
        radius -= step
        if np.abs(step).max() < 1e-12:
            break
    factor = np.divide(radius, seen, out=np.ones_like(seen), where=seen > 0.0)
    return x * factor + 0.5 * width, y * factor + 0.5 * height


def stage_positions(
    rows: int, columns: int, step_px: tuple[float, float], plan: StagePlan, rng: np.random.Generator
) -> Float:
    """Top-left corners (rows, columns, 2) of all tiles, serpentine, in a frame of their own."""
    turn = np.radians(plan.rotation_deg)
    across = np.array([np.cos(turn), np.sin(turn)]) * step_px[0]
    down = np.array([-np.sin(turn), np.cos(turn)]) * step_px[1]
    corners = np.arange(columns)[None, :, None] * across + np.arange(rows)[:, None, None] * down
    travel = np.where(np.arange(rows) % 2 == 0, 0.5, -0.5)[:, None]
    corners[..., 0] += plan.backlash_px * travel
    return np.asarray(corners + plan.error_px * rng.standard_normal((rows, columns, 2)))


def positions_by_hand(
    rows: int, columns: int, tile_px: tuple[int, int], overlap: float, plan: StagePlan, rng: np.random.Generator
) -> tuple[Float, npt.NDArray[np.bool_]]:
    """Corners (rows, most columns, 2) of tiles whose steps a hand made, and which of them there are.

    Every row begins about the edge and is stepped along until it passes the far one, so that rows differ in their
    number of tiles, and what lies below a tile is anywhere between two.
    """
    width, height = tile_px
    sway = plan.by_hand
    reach = (columns - 1) * (1.0 - overlap) * width
    down = np.concatenate([[0.0], np.cumsum(1.0 - overlap + rng.uniform(-sway, sway, rows - 1))]) * height
    lines = []
    for row in range(rows):
        line = [float(rng.uniform(-sway, 0.0)) * width]
        while line[-1] < reach:
            line.append(line[-1] + float(1.0 - overlap + rng.uniform(-sway, sway)) * width)
        lines.append(line if row % 2 == 0 else [reach - x for x in reversed(line)])
    longest = max(map(len, lines))
    corners = np.zeros((rows, longest, 2))
    there = np.zeros((rows, longest), dtype=bool)
    turn = np.radians(plan.rotation_deg)
    for row, line in enumerate(lines):
        x = np.array(line) + plan.backlash_px * (0.5 if row % 2 == 0 else -0.5)
        corners[row, : len(line)] = np.column_stack(
            [np.cos(turn) * x - np.sin(turn) * down[row], np.sin(turn) * x + np.cos(turn) * down[row]]
        )
        there[row, : len(line)] = True
    return corners + plan.error_px * rng.standard_normal(corners.shape), there


def exposures(count: int, plan: CameraPlan, rng: np.random.Generator) -> list[Exposure]:
    """Lamp drift as a slow walk over the run, white balance as another, defocus tile by tile."""
    time = np.linspace(0.0, 1.0, count)
    phase = rng.uniform(0.0, 2.0 * np.pi, 4)
    slow = 0.6 * np.sin(2.0 * np.pi * 0.8 * time + phase[0]) + 0.4 * np.sin(2.0 * np.pi * 2.3 * time + phase[1])
    gain = 1.0 + 0.5 * plan.exposure_drift * (slow + 0.25 * rng.standard_normal(count))
    tint = 0.5 * plan.white_balance_drift * np.sin(2.0 * np.pi * time + phase[2])
    focus = rng.uniform(*plan.defocus_px, count)
    return [
        Exposure((float(g * (1.0 + t)), float(g), float(g * (1.0 - t))), float(f))
        for g, t, f in zip(gain, tint, focus, strict=True)
    ]


def shading(width: int, height: int, amount: float) -> Float32:
    """Vignetting (height, width): 1 near an off-centre maximum, 1 - amount at the far corner."""
    x = (np.arange(width) + 0.5) / width - 0.53
    y = (np.arange(height) + 0.5) / height - 0.48
    radius = np.hypot(x[None, :] * 1.0, y[:, None] * height / width)
    radius /= radius.max()
    return np.asarray(1.0 - amount * (0.75 * radius**2 + 0.25 * radius**4), dtype=np.float32)


def expose(light: Float32, exposure: Exposure, plan: CameraPlan, rng: np.random.Generator) -> npt.NDArray[np.uint8]:
    """Turn a picture with MARGIN_PX around into what the camera writes: blur, shading, gain, noise, tone, rounding.

    Only with a `tone_power` of 1 does half height of a blurred edge stay where the edge is.
    """
    if exposure.defocus_px > 0.05:
        light = np.asarray(cv2.GaussianBlur(light, (0, 0), exposure.defocus_px), dtype=np.float32)
    inner = light[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    height, width = inner.shape[:2]
    signal = inner * np.asarray(exposure.gain, dtype=np.float32)
    signal *= shading(width, height, plan.vignetting)[..., None]
    if plan.noise > 0.0:
        # Shot noise grows with the square root of the signal; `noise` is its size at half scale.
        spread = np.float32(plan.noise) * np.sqrt(0.25 + 1.5 * np.clip(signal, 0.0, 1.0))
        signal += spread * rng.standard_normal(signal.shape, dtype=np.float32)
    if plan.tone_power != 1.0:
        signal = np.clip(signal, 0.0, 1.0) ** np.float32(plan.tone_power)
    return np.asarray(np.clip(np.rint(signal * 255.0), 0, 255), dtype=np.uint8)


def take_tile(
    raster: DieRaster,
    frame: Frame,
    corner_px: tuple[float, float],
    grid: tuple[Float, Float],
    band: tuple[int, int, Float32],
) -> Float32:
    """The light that falls on one tile, with MARGIN_PX around."""
    x_um, y_um = frame.to_die(grid[0] + corner_px[0], grid[1] + corner_px[1])
    return look(raster, x_um, y_um, band=band)
