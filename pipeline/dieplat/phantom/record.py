"""What the stage's controller wrote into the files: its idea of where it stood, in a frame and scale of its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RecordPlan:
    """Faults of the recorded positions."""

    scale: float = 1.0
    """Ratio of recorded to true micrometres: a spindle or an encoder that is a little off."""
    flip_x: bool = False
    flip_y: bool = False
    swap: bool = False
    """Whether the stage's x runs along the camera's y."""
    error_um: float = 1.0
    wild: int = 0
    """Pictures whose position is that of somewhere else altogether."""


def recorded_positions(corners_um: Float, plan: RecordPlan, rng: np.random.Generator) -> Float:
    """Positions (N, 2) that the controller states for tiles whose corners (N, 2) truly lie at `corners_um`."""
    found = corners_um * (-1.0 if plan.flip_x else 1.0, -1.0 if plan.flip_y else 1.0)
    found = found[:, ::-1] if plan.swap else found
    found = plan.scale * found + plan.error_um * rng.standard_normal(found.shape) + rng.uniform(-2e4, 2e4, 2)
    low, high = found.min(axis=0), found.max(axis=0)
    for tile in rng.permutation(len(found))[: plan.wild]:
        found[tile] = rng.uniform(low, high)
    return np.round(found, 2)


def description(position_um: tuple[float, float], um_per_px: tuple[float, float], shape: tuple[int, int]) -> str:
    """OME-XML (schema 2016-06) for one picture of (height, width) taken at one position."""
    height, width = shape
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<OME xmlns="http://www.openmicroscopy.org/Schemas/OME/2016-06"><Image ID="Image:0">'
        f'<Pixels ID="Pixels:0" DimensionOrder="XYCZT" Type="uint8" SizeX="{width}" SizeY="{height}" SizeC="3" '
        f'SizeZ="1" SizeT="1" PhysicalSizeX="{um_per_px[0]}" PhysicalSizeXUnit="&#181;m" '
        f'PhysicalSizeY="{um_per_px[1]}" PhysicalSizeYUnit="&#181;m">'
        '<Channel ID="Channel:0:0" SamplesPerPixel="3"/><TiffData IFD="0" PlaneCount="1"/>'
        f'<Plane TheZ="0" TheT="0" TheC="0" PositionX="{position_um[0]}" PositionXUnit="&#181;m" '
        f'PositionY="{position_um[1]}" PositionYUnit="&#181;m"/></Pixels></Image></OME>'
    )
