"""What the user states of a die beside its drawing; no photograph shows any of it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from dieplat.values.electrical import Surroundings

VERTEX_U_PX = 0.5
EDGE_HALF_PX = 0.25
EDGE_U_PX = EDGE_HALF_PX / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class WaferPlan:
    """A wafer as the user states it.

    diameter_mm : of the wafer; 300 mm and 200 mm are the usual ones (common practice, no source).
    edge_exclusion_mm : width of the rim without good dies; 3 mm (common practice, no source).
    scribe_um : width of the street between dies that the saw takes; 80 um (common practice, no source). An opened die
        may still carry part of it.
    """

    diameter_mm: float = 300.0
    edge_exclusion_mm: float = 3.0
    scribe_um: float = 80.0

    @property
    def usable_mm(self) -> float:
        """Diameter without the rim."""
        return self.diameter_mm - 2.0 * self.edge_exclusion_mm


@dataclass(frozen=True, slots=True)
class Stated:
    """What a survey takes beside pictures and outlines.

    frequency_hz : for the quarter wave of traces and the resonant capacitance of inductors.
    thickness_um : metal thickness assumed for inductors.
    surroundings : what is said of the metal of inductors and of what lies around it.
    velocity_factor, shortening_factor : of traces that state none themselves; see `dieplat.antenna.quarter_wave`.
    vertex_u_px, edge_u_px : how well the drawing is known; see `dieplat.measurement.placement.Placement`.
    wafer : for the estimate of dies on a wafer.
    find_die : whether a die outline that nobody drew is looked for in the picture.
    """

    frequency_hz: float | None = None
    thickness_um: float = 2.0
    surroundings: Surroundings = field(default_factory=Surroundings)
    velocity_factor: float | None = None
    shortening_factor: float | None = None
    vertex_u_px: float = VERTEX_U_PX
    edge_u_px: float = EDGE_U_PX
    wafer: WaferPlan = field(default_factory=WaferPlan)
    find_die: bool = True

    def to_dict(self) -> dict[str, Any]:
        """Plain values, as survey_state.json keeps them."""
        return asdict(self)

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Stated:
        """What `to_dict` gave. TypeError where it did not."""
        around: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in plain["surroundings"].items()
        }
        return cls(**{**plain, "surroundings": Surroundings(**around), "wafer": WaferPlan(**plain["wafer"])})
