"""Unrolling a winding: along a column, the distance from the centre measured square to the nearest side."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.measurement.inductor.metal import Image

Floats = npt.NDArray[np.float64]
# Sectors of a circle: enough to follow a spiral's drift, wide enough to average noise.
CIRCLE_SECTORS = 12


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a winding lies, in square pixels of the crop (`squeeze`): `sides` is 0 for a circle.

    `normal` is the direction (radians, from x towards y) of one side's normal. `squeeze` = (kx, ky) turns
    array indices into coordinates with one scale on both axes.
    """

    x: float
    y: float
    sides: int
    normal: float
    squeeze: tuple[float, float] = (1.0, 1.0)

    @property
    def sectors(self) -> int:
        """Straight sides, or the sectors that a circle is divided into."""
        return self.sides or CIRCLE_SECTORS


def sector_of(frame: Frame, angle: Floats) -> tuple[npt.NDArray[np.intp], Floats]:
    """For each direction its sector and the angle from that sector's normal."""
    step = 2 * np.pi / frame.sectors
    sector = np.round((angle - frame.normal) / step)
    return (sector.astype(np.intp) % frame.sectors), angle - frame.normal - sector * step


def stretch(frame: Frame, off_normal: Floats) -> Floats:
    """Radius along the ray for a unit of distance square to the side (1 for a circle)."""
    return 1.0 / np.cos(off_normal) if frame.sides else np.ones_like(off_normal)


def unwrap(image: Image, frame: Frame, angle: Floats, distance: Floats) -> Image:
    """Sample (distance, angle) -> (len(distance), len(angle)); outside the array the value is 0.

    `distance` is (D,), or (D, 1) + (A,) where each column has its own.
    """
    _, off = sector_of(frame, angle)
    radius = (distance[:, None] if distance.ndim == 1 else distance) * stretch(frame, off)[None, :]
    x = (frame.x + radius * np.cos(angle)) / frame.squeeze[0]
    y = (frame.y + radius * np.sin(angle)) / frame.squeeze[1]
    return np.asarray(
        cv2.remap(
            image,
            x.astype(np.float32),
            y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0.0,
        ),
        dtype=np.float32,
    )
