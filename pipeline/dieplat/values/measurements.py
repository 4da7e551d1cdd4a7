"""What `measure_survey` returns. Lengths in micrometres, areas in square micrometres; `_u` is k = 1."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from dieplat.values.electrical import Electrical, Interval
from dieplat.values.inductor import InductanceEstimate, InductorGeometry
from dieplat.values.scale import BudgetLine, Scale


@dataclass(frozen=True, slots=True)
class QuarterWave:
    """A length beside a quarter wave; `assumption` says in words which factors the ratio uses, `verdict` what follows.

    `quarter_wave_um` is the one in free space; `quarter_wave_at_hz` the frequency at which the length would be one.
    """

    frequency_hz: float
    quarter_wave_um: float
    velocity_factor: float | None
    velocity_factor_u: float
    shortening_factor: float | None
    shortening_factor_u: float
    ratio_to_quarter_wave: float
    ratio_to_quarter_wave_u: float
    quarter_wave_at_hz: float
    quarter_wave_at_hz_u: float
    assumption: str
    verdict: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as a `trace` of measurements.json."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class TraceResult:
    """Length of a path, and the comparison where a frequency was given."""

    length_um: float
    length_um_u: float
    quarter_wave: QuarterWave | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as measurements.json has a `trace`."""
        plain: dict[str, Any] = {"length_um": self.length_um, "length_um_u": self.length_um_u}
        if self.quarter_wave is not None:
            plain |= self.quarter_wave.to_dict()
        return plain


@dataclass(frozen=True, slots=True)
class ArrayResult:
    """A memory array in micrometres. Counts are None where only part of the array was looked at.

    `bank_list` holds {"bounds_px", "columns", "rows"} for every bank; `banks` is their number. `efficiency` is the
    cells' area over the drawn block's, `gaps` the stripes between banks {"axis", "width_um", "width_um_u",
    "pitches", "count"}, `technology` what published cells of that size are consistent with {"kind", "node_low_nm",
    "node_high_nm", "basis", "sources", "from_memory"}, never a finding. `other_cells` are the counts that would hold if
    a cell that is its own mirror image is two cells, or two are one: `remarks` say which.
    """

    pitch_x_um: float
    pitch_x_um_u: float
    pitch_y_um: float
    pitch_y_um_u: float
    cell_area_um2: float
    cell_area_um2_u: float
    columns: int | None
    rows: int | None
    cells: int | None
    banks: int | None
    rotation_deg: float
    mirrored_x: bool
    mirrored_y: bool
    bank_list: tuple[Mapping[str, Any], ...] = ()
    remarks: tuple[str, ...] = ()
    efficiency: float | None = None
    efficiency_u: float | None = None
    bits_per_cell: float | None = None
    capacity_bits: float | None = None
    capacity_bits_u: float | None = None
    gaps: tuple[Mapping[str, Any], ...] = ()
    technology: tuple[Mapping[str, Any], ...] = ()
    technology_assumes: tuple[str, ...] = ()
    explanations: tuple[str, ...] = ()
    cells_per_period_given: bool = False
    other_cells: tuple[int, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as measurements.json has an `array`."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class InductorResult:
    """Geometry and inductance of one inductor, the capacitance that resonates with it, and its electrical figures.

    `geometry_u_um` has the standard uncertainties of outer, inner, width and spacing with the scale in them.
    `explanations` say in plain words what was found of its make. The estimates, in nanohenries, are "segment_sum",
    "current_sheet", "modified_wheeler" and "monomial".
    """

    geometry: InductorGeometry
    estimate: InductanceEstimate
    geometry_u_um: Mapping[str, float | None]
    frequency_hz: float | None = None
    capacitance_pf: float | None = None
    capacitance_pf_u: float | None = None
    electrical: Electrical | None = None
    explanations: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as measurements.json has an `inductor`; `_low` and `_high` end a range."""
        geometry, estimate, electrical = self.geometry, self.estimate, self.electrical
        return {
            "shape": geometry.shape,
            "turns": geometry.turns,
            "turns_u": geometry.turns_u,
            "outer_um": geometry.outer_um,
            "inner_um": geometry.inner_um,
            "width_um": geometry.width_um,
            "spacing_um": geometry.spacing_um,
            **self.geometry_u_um,
            "method": geometry.method,
            "symmetric": geometry.symmetric,
            "rotation_deg": geometry.rotation_deg,
            "centre_px": geometry.centre_px,
            "path_um": geometry.path_um or None,
            "guard_ring": geometry.guard_ring,
            "inductance_nh": estimate.inductance_nh,
            "inductance_nh_u": estimate.inductance_nh_u,
            "estimates": dict(estimate.estimates_nh),
            "capacitance_at_pf": self.capacitance_pf,
            "capacitance_at_pf_u": self.capacitance_pf_u,
            "frequency_hz": self.frequency_hz,
            "thickness_um": estimate.thickness_um,
            "budget": [{"name": name, "u": u, "unit": "nH"} for name, u in estimate.budget],
            "assumptions": list(estimate.assumptions),
            "remarks": [*geometry.remarks, *estimate.remarks],
            "best_estimate": estimate.best,
            "why_best": estimate.why_best,
            "ground_depth_um": estimate.ground_depth_um,
            "explanations": list(self.explanations),
            **_ends("resistance_ohm", None if electrical is None else electrical.resistance_ohm),
            **_ends("self_resonance_hz", None if electrical is None else electrical.self_resonance_hz),
            "q_at": None if electrical is None or electrical.at is None else asdict(electrical.at),
            "electrical": None if electrical is None else electrical.to_dict(),
        }


def _ends(name: str, interval: Interval | None) -> dict[str, float | None]:
    """A figure with the ends of its range under three keys."""
    if interval is None:
        return {name: None, f"{name}_low": None, f"{name}_high": None}
    return {name: interval.value, f"{name}_low": interval.low, f"{name}_high": interval.high}


@dataclass(frozen=True, slots=True)
class BlockResult:
    """One measured annotation. A path has no area, perimeter or share: those are None."""

    name: str
    kind: str
    area_um2: float | None = None
    area_um2_u: float | None = None
    perimeter_um: float | None = None
    perimeter_um_u: float | None = None
    share_of_die: float | None = None
    share_of_die_u: float | None = None
    inductor: InductorResult | None = None
    array: ArrayResult | None = None
    trace: TraceResult | None = None
    budget: tuple[BudgetLine, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as measurements.json has a block."""
        return {
            "name": self.name,
            "kind": self.kind,
            "area_um2": self.area_um2,
            "area_um2_u": self.area_um2_u,
            "perimeter_um": self.perimeter_um,
            "perimeter_um_u": self.perimeter_um_u,
            "share_of_die": self.share_of_die,
            "share_of_die_u": self.share_of_die_u,
            "inductor": None if self.inductor is None else self.inductor.to_dict(),
            "array": None if self.array is None else self.array.to_dict(),
            "trace": None if self.trace is None else self.trace.to_dict(),
            "budget": [asdict(line) for line in self.budget],
        }


@dataclass(frozen=True, slots=True)
class WaferEstimate:
    """How many whole dies a wafer holds, for a wafer that the user states.

    `dies_formula` is the closed expression's count, `dies_placed` that of the best placement of a regular grid;
    `assumption` says in words what was taken for granted.
    """

    diameter_mm: float
    edge_exclusion_mm: float
    scribe_um: float
    dies_formula: int
    dies_placed: int
    assumption: str


@dataclass(frozen=True, slots=True)
class PadRow:
    """The pads along one side of the die: how many, and their usual pitch; None where there are fewer than two."""

    side: str
    count: int
    pitch_um: float | None
    pitch_um_u: float | None
    even: bool


@dataclass(frozen=True, slots=True)
class DieResult:
    """The die outline: area, and its sides where it has straight ones.

    `found` says that nobody drew the outline: it was found in the picture. `rotation_deg` is the direction of the width
    against the mosaic's x axis, clockwise on the screen, None where the outline has no straight sides.
    """

    name: str
    area_um2: float
    area_um2_u: float
    width_um: float
    width_um_u: float
    height_um: float
    height_um_u: float
    budget: tuple[BudgetLine, ...] = ()
    found: bool = False
    outline_px: tuple[tuple[float, float], ...] = ()
    rotation_deg: float | None = None
    rotation_deg_u: float | None = None
    width_budget: tuple[BudgetLine, ...] = ()
    height_budget: tuple[BudgetLine, ...] = ()
    pads: int = 0
    pad_rows: tuple[PadRow, ...] = ()
    wafer: WaferEstimate | None = None


@dataclass(frozen=True, slots=True)
class KindSummary:
    """All blocks of one kind together; overlapping blocks count twice and are named in the warnings."""

    kind: str
    count: int
    area_um2: float
    area_um2_u: float
    share_of_die: float | None
    share_of_die_u: float | None


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two blocks that cover the same ground."""

    a: str
    b: str
    area_um2: float


@dataclass(frozen=True, slots=True)
class Measurements:
    """Everything measured on one mosaic."""

    scale: Scale
    die: DieResult | None
    blocks: tuple[BlockResult, ...]
    summary: tuple[KindSummary, ...]
    unassigned_um2: float | None
    unassigned_um2_u: float | None
    overlaps: tuple[Overlap, ...]
    warnings: tuple[str, ...]
    assumptions: tuple[str, ...] = ()
    unassigned_share: float | None = None
    unassigned_share_u: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values, keyed as measurements.json has them."""
        return {
            "scale": self.scale.to_dict(),
            "die": None if self.die is None else asdict(self.die),
            "blocks": [block.to_dict() for block in self.blocks],
            "summary": [asdict(line) for line in self.summary],
            "unassigned_um2": self.unassigned_um2,
            "unassigned_um2_u": self.unassigned_um2_u,
            "unassigned_share": self.unassigned_share,
            "unassigned_share_u": self.unassigned_share_u,
            "overlaps": [asdict(pair) for pair in self.overlaps],
            "warnings": list(self.warnings),
            "assumptions": list(self.assumptions),
        }
