"""A photograph of a circuit board: what is known on it, the camera that took it, and its traces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.values.measurements import QuarterWave
from dieplat.values.scale import BudgetLine

Floats = npt.NDArray[np.float64]

CAMERA_UNKNOWNS = ("logarithm of the scale", "tilt about x", "tilt about y", "logarithm of the focal length", "k1")


@dataclass(frozen=True, slots=True, eq=False)
class KnownShape:
    """Points of the photograph whose distances on the board are known.

    `points_px` (N, 2) are their places in the picture, `points_um` (N, 2) those on the board, in a frame of the shape's
    own. `point_u_um` is the standard uncertainty of each coordinate, `length_u_rel` that of all lengths together (a
    ruler's own scale). The shape lies `above_um` over the plane of the traces, known to `above_u_um`.
    """

    name: str
    points_px: Floats
    points_um: Floats
    point_u_um: float = 0.0
    length_u_rel: float = 0.0
    above_um: float = 0.0
    above_u_um: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class BoardCamera:
    """How places on the board come to lie in the picture.

    `centre_px` is the picture's middle and `half_px` half of its diagonal, the unit of all that follows. The board's
    plane is seen `um_per_half` micrometres a unit at the middle, tilted by a rotation vector `tilt_rad` (x, y), by a
    camera of focal length `focal`; then every radius r becomes r (1 + k1 r^2).

    `covariance` is that of `CAMERA_UNKNOWNS`; `parts` divides it by where it comes from. `misfit` is the root of chi
    square over the degrees of freedom, 1 where nothing is left to judge by, and `residuals_px` the rms distance of
    every known shape's points from where the camera puts them.
    """

    centre_px: tuple[float, float]
    half_px: float
    um_per_half: float
    tilt_rad: tuple[float, float]
    focal: float
    k1: float
    covariance: Floats
    parts: tuple[tuple[str, str, Floats], ...]
    residuals_px: Mapping[str, float]
    misfit: float = 1.0
    degrees_of_freedom: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Plain values; angles in degrees, the scale at the middle of the picture."""
        root = np.sqrt(np.diag(self.covariance))
        scale = self.um_per_half / self.half_px
        return {
            "um_per_px_at_centre": scale,
            "um_per_px_at_centre_u": scale * float(root[0]),
            "tilt_deg": [float(np.degrees(value)) for value in self.tilt_rad],
            "tilt_deg_u": [float(np.degrees(value)) for value in root[1:3]],
            "focal_half_diagonals": self.focal,
            "focal_half_diagonals_u": self.focal * float(root[3]),
            "k1": self.k1,
            "k1_u": float(root[4]),
            "residuals_px": dict(self.residuals_px),
            "misfit": self.misfit,
            "degrees_of_freedom": self.degrees_of_freedom,
        }


@dataclass(frozen=True, slots=True, eq=False)
class BoardTrace:
    """A path on the board: its length, what that rests on, and how it compares with a quarter wave.

    `points_px` (N, 2) is the path that was measured, as drawn or where the picture showed its middle: `how` says which.
    """

    name: str
    length_um: float
    length_um_u: float
    budget: tuple[BudgetLine, ...]
    points_px: Floats
    how: str
    quarter_wave: QuarterWave | None = None

    @property
    def verdict(self) -> str:
        """What the comparison says, in words; empty where no frequency was given."""
        return self.quarter_wave.verdict if self.quarter_wave is not None else ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as a `trace` of measurements.json, and more."""
        plain: dict[str, Any] = {"name": self.name, "length_um": self.length_um, "length_um_u": self.length_um_u}
        if self.quarter_wave is not None:
            plain |= self.quarter_wave.to_dict()
        return {
            **plain,
            "how": self.how,
            "verdict": self.verdict,
            "points_px": self.points_px.tolist(),
            "budget": [asdict(line) for line in self.budget],
        }


@dataclass(frozen=True, slots=True, eq=False)
class BoardMeasurements:
    """What `survey.board.measure_board` returns."""

    source: str
    camera: BoardCamera
    traces: tuple[BoardTrace, ...]
    assumptions: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values, as board.json has them."""
        return {
            "source": self.source,
            "camera": self.camera.to_dict(),
            "traces": [trace.to_dict() for trace in self.traces],
            "assumptions": list(self.assumptions),
            "warnings": list(self.warnings),
        }
