"""How an inductance answers to its dimensions: numerical derivatives on coarser lanes."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from dieplat.inductance.centre_line import CentreLine
from dieplat.inductance.closed_forms import mohan_inner_um
from dieplat.inductance.partial import Array
from dieplat.inductance.path import spiral_path
from dieplat.inductance.segment_sum import LaneNetwork, lane_network
from dieplat.values.inductor import InductorGeometry

LANES = 5
"""Lanes across the width for the estimate: uniform-current values are within some 1e-4 of many lanes."""

LANES_HF = 10
_MOST_FILAMENTS = 800
"""Up to this many filaments the high-frequency limit is computed with 10 lanes; the fewer lanes of the
estimate itself, used beyond, find some four fifths of the fall."""

LANES_SLOPE = 2

END_STEP_PART = 0.25
"""An end is moved by this part of the width, about what is open there; L is nearly linear over that."""

THICKNESS_HALF_RANGE = 0.5
"""A die photograph shows no thickness: the assumed one may be wrong by half of itself, rectangular."""

UNDERPASS_HALF_RANGE = 0.5
GROUND_HALF_RANGE = 0.1
"""Depths of an underpass and of a ground plane may be wrong by these parts of themselves, rectangular."""


class Slopes:
    """Numerical derivatives of L, for the ideal spiral or, where a centre line was traced, for that line."""

    def __init__(
        self, geometry: InductorGeometry, line: CentreLine, thickness_um: float, ground_um: float | None
    ) -> None:
        self.geometry = geometry
        self.line = line
        self.thickness_um = thickness_um
        self.ground_um = ground_um
        self.network = self._network(LANES)
        self.value_nh = self.network.shared()
        self._base_nh = self._coarse(line.points_um)

    def _network(self, lanes: int) -> LaneNetwork:
        return lane_network(
            self.line.points_um,
            self.line.width_um,
            self.thickness_um,
            across=lanes,
            ground_depth_um=self.ground_um,
        )

    def _coarse(
        self, points: Array, *, wider: float = 1.0, thickness_um: float | None = None, ground_um: float | None = None
    ) -> float:
        return lane_network(
            points,
            self.line.width_um * wider,
            self.thickness_um if thickness_um is None else thickness_um,
            across=LANES_SLOPE,
            ground_depth_um=self.ground_um if ground_um is None else ground_um,
        ).shared()

    def of(self, name: str) -> float:
        """dL/d(field `name` of the geometry), nH a unit, by a difference over 1 % (a turn: 0.02).

        One-sided, to the side on which the spiral always remains possible.
        """
        x = float(getattr(self.geometry, name))
        step = {"outer_um": 0.01 * x, "turns": -min(0.02, x / 2)}.get(name, -0.01 * x)
        wider = 1 + step / x if name == "width_um" else 1.0
        if not self.line.traced:
            change: dict[str, Any] = {name: x + step}
            points = spiral_path(_with_inner(replace(self.geometry, **change)))
        else:
            grown = 1 + step / x if name == "outer_um" else 1.0
            points = self.line.points_um * np.array([grown, grown, 1.0])
        return (self._coarse(points, wider=wider) - self._base_nh) / step

    def of_thickness(self) -> float:
        """dL/dt over the whole assumed range, nH/um."""
        half = THICKNESS_HALF_RANGE * self.thickness_um
        if self.ground_um is not None:  # the metal grows downwards too, but not into the plane
            half = min(half, 0.9 * (2 * self.ground_um - self.thickness_um))
        low, high = (self._coarse(self.line.points_um, thickness_um=self.thickness_um + k * half) for k in (-1, 1))
        return (high - low) / (2 * half)

    def of_ends(self) -> tuple[float, float]:
        """dL/dl as the first and as the last end moves on along its own piece, nH/um.

        What is added there shares its field with all the rest, which is not that of the mean place along the line.
        """
        points = self.line.points_um
        slopes = []
        for end, before in ((0, 1), (-1, -2)):
            along = points[end] - points[before]
            step = END_STEP_PART * float(np.min(self.line.width_um))
            longer = points.copy()
            longer[end] += step * along / np.linalg.norm(along)
            slopes.append((self._coarse(longer) - self._base_nh) / step)
        return slopes[0], slopes[1]

    def of_underpass_nh(self) -> float:
        """How L changes when every underpass lies less deep by its half range."""
        shallow = self.line.points_um * np.array([1.0, 1.0, 1.0 - UNDERPASS_HALF_RANGE])
        return self._coarse(shallow) - self._base_nh

    def of_ground_nh(self) -> float:
        """How L changes when the ground plane lies deeper by its half range."""
        assert self.ground_um is not None
        deeper = self._coarse(self.line.points_um, ground_um=self.ground_um * (1 + GROUND_HALF_RANGE))
        return deeper - self._base_nh

    def ideal_nh(self) -> float:
        """L of the ideal spiral that has the geometry's numbers."""
        return self._coarse(spiral_path(_with_inner(self.geometry)))

    def crowding_nh(self) -> float:
        """How far L falls when inductance alone shares the current (high frequency)."""
        network = self.network
        if LANES_HF * len(self.line.points_um) <= _MOST_FILAMENTS:
            network = self._network(LANES_HF)
        return network.shared("uniform") - network.shared("hf")


def _with_inner(geometry: InductorGeometry) -> InductorGeometry:
    turns = max(geometry.turns, 1.0)
    inner = mohan_inner_um(turns, geometry.outer_um, geometry.width_um, geometry.spacing_um)
    return replace(geometry, inner_um=inner)
