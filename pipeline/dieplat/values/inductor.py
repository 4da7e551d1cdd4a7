"""Geometry and inductance of a planar inductor. Lengths in micrometres; inductances in nanohenries."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Shape = Literal["square", "hexagon", "octagon", "circle"]
Method = Literal["image", "path", "given"]


@dataclass(frozen=True, slots=True)
class InductorGeometry:
    """A planar spiral.

    `outer_um`, `inner_um` are the flat-to-flat diameters of the outermost and innermost metal edges.
    `path_um` is the conductor's centre line, (x, y) in micrometres in the mosaic frame, when it was traced or
    drawn; `symmetric` is true for a winding with crossings, None when not known.
    `centre_px`, `rotation_deg` place it on the mosaic. `ends_um_u` is the standard uncertainty of both ends of
    a traced centre line together, along the line, and `first_end_part` the first one's part of its square.
    `piece_widths_um`: a width for every piece of `path_um`, where it changes from turn to turn beyond doubt.
    `guard_ring`: a closed ring of metal was seen round it. A `_u` field is the standard uncertainty of its namesake
    from the picture alone, without the scale, or None when not known.
    """

    shape: Shape
    turns: float
    outer_um: float
    inner_um: float
    width_um: float
    spacing_um: float
    method: Method
    turns_u: float | None = None
    outer_um_u: float | None = None
    inner_um_u: float | None = None
    width_um_u: float | None = None
    spacing_um_u: float | None = None
    symmetric: bool | None = None
    centre_px: tuple[float, float] | None = None
    rotation_deg: float = 0.0
    path_um: tuple[tuple[float, float], ...] = ()
    remarks: tuple[str, ...] = ()
    ends_um_u: float | None = None
    first_end_part: float = 0.5
    piece_widths_um: tuple[float, ...] = ()
    guard_ring: bool = False


@dataclass(frozen=True, slots=True)
class InductanceEstimate:
    """The best estimate with its standard uncertainty, and every estimate by name (None where not defined).

    `estimates_nh` has the keys "segment_sum", "current_sheet", "modified_wheeler" and "monomial"; `best` is the
    one that `inductance_nh` is, `why_best` says in words why. `ground_depth_um` is the depth of a conducting
    plane below the metal's middle, None for free space.
    """

    inductance_nh: float
    inductance_nh_u: float
    estimates_nh: dict[str, float | None]
    thickness_um: float
    budget: tuple[tuple[str, float], ...] = ()
    assumptions: tuple[str, ...] = field(default_factory=tuple)
    remarks: tuple[str, ...] = ()
    best: str = "segment_sum"
    why_best: str = ""
    ground_depth_um: float | None = None
