"""The memory arrays of a survey: from a lattice in pixels to cells, bits and words."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from shapely.geometry import Polygon, box
from uncertainties import umath  # type: ignore[import-untyped]

from dieplat.errors import SettingsError, UndecidedError
from dieplat.measurement import technology
from dieplat.measurement.areas import measure_area
from dieplat.measurement.array_words import explain_banks, gaps_between
from dieplat.measurement.arrays import measure_array
from dieplat.measurement.arrays_carried import carried_u_px
from dieplat.measurement.placement import Inputs
from dieplat.measurement.scale_parts import scale_u
from dieplat.survey import details
from dieplat.survey.details import Picture, centred_window, one_polygon, size_of, window_of
from dieplat.values import ArrayLattice, Region, Scale
from dieplat.values.measurements import ArrayResult


@dataclass(frozen=True, slots=True)
class ArrayWishes:
    """What the user says of an array, as properties of its region.

    `bits_per_cell` : above 0; `cells_per_period` : cells in one optical period along x and y, 1 or 2 each, given as
    one number for both or a list of two; `memory_kind` : see `technology.memory_kinds`.
    """

    bits_per_cell: float | None = None
    cells_per_period: tuple[int, int] | None = None
    memory_kind: str | None = None


def array_wishes(region: Region) -> ArrayWishes:
    """Read a region's properties.

    Raises
    ------
    SettingsError
        If one of them makes no sense.
    """
    try:
        return ArrayWishes(
            _bits(region.properties.get("bits_per_cell")),
            _per_period(region.properties.get("cells_per_period")),
            _kind(region.properties.get("memory_kind")),
        )
    except SettingsError as error:
        raise SettingsError(f"memory array '{region.name}': {error}") from None


def array_result(mosaic: Picture, region: Region, inputs: Inputs) -> tuple[ArrayResult, str | None]:
    """Measure one memory array; the text, if any, says that only a window of it was looked at.

    A block of more than `MAX_CROP_PX` is measured in a window at its centre, so that memory stays bounded.
    The pitch is then that of the window, and the counts are None: gaps between banks outside the window are
    not seen, so dividing the block's size by the pitch would be a guess.

    Raises
    ------
    UndecidedError
        If the picture does not decide the lattice, or the block has several parts.
    SettingsError
        If a property of the region makes no sense.
    """
    wishes = array_wishes(region)
    polygon = one_polygon(region)
    window = window_of(mosaic, polygon)
    remark = None
    if size_of(window) > details.MAX_CROP_PX:
        window = centred_window(window, polygon)
        inside = polygon.intersection(box(*window))
        if not isinstance(inside, Polygon):
            raise UndecidedError("it is too large to read at once and not in one piece; draw its banks one by one")
        polygon = inside
        remark = (
            f"more than {details.MAX_CROP_PX / 1e6:.0f} million pixels: the pitch comes from a window of "
            f"{window[2] - window[0]} x {window[3] - window[1]} px at the centre, cells were not counted; "
            "draw its banks one by one to count them"
        )
    lattice = measure_array(
        mosaic.read(*window),
        polygon,
        origin_px=(window[0], window[1]),
        cells_per_period=wishes.cells_per_period,
        counted=remark is None,
    )
    return describe_array(lattice, region, inputs, wishes=wishes, whole=remark is None), remark


def describe_array(
    lattice: ArrayLattice, region: Region, inputs: Inputs, *, wishes: ArrayWishes, whole: bool
) -> ArrayResult:
    """A lattice in pixels with square axes turned by `rotation_deg` becomes cells in micrometres, bits and words.

    What the tiles' positions and the lens left in them do to the pitches joins their uncertainties (`arrays_carried`).
    `whole` is false where only a part of the array was looked at: nothing is counted then.
    """
    scale = inputs.scale
    carried_x, carried_y = carried_u_px(lattice, inputs)
    lattice = replace(
        lattice,
        pitch_x_px_u=math.hypot(lattice.pitch_x_px_u, carried_x),
        pitch_y_px_u=math.hypot(lattice.pitch_y_px_u, carried_y),
    )
    cosine = math.cos(math.radians(lattice.rotation_deg))
    sine = math.sin(math.radians(lattice.rotation_deg))
    pitch_x_um, pitch_x_um_u = _pitch(lattice.pitch_x_px, lattice.pitch_x_px_u, (cosine, sine), scale)
    pitch_y_um, pitch_y_um_u = _pitch(lattice.pitch_y_px, lattice.pitch_y_px_u, (sine, cosine), scale)
    area = lattice.pitch_x_px * lattice.pitch_y_px * scale.um_per_px_x * scale.um_per_px_y
    area_u = math.hypot(area * _pitches_u_rel(lattice), scale_u(scale, area, area))
    efficiency, efficiency_u = _efficiency(lattice, region, inputs) if whole else (None, None)
    bits = lattice.cells * wishes.bits_per_cell if whole and wishes.bits_per_cell is not None else None
    gaps = gaps_between(lattice, (pitch_x_um, pitch_y_um))
    found = technology.candidates(area, area_u, pitch_um=(pitch_x_um, pitch_y_um), kind=wishes.memory_kind)
    return ArrayResult(
        pitch_x_um=pitch_x_um,
        pitch_x_um_u=pitch_x_um_u,
        pitch_y_um=pitch_y_um,
        pitch_y_um_u=pitch_y_um_u,
        cell_area_um2=area,
        cell_area_um2_u=area_u,
        columns=lattice.columns if whole else None,
        rows=lattice.rows if whole else None,
        cells=lattice.cells if whole else None,
        banks=len(lattice.banks) if whole else None,
        rotation_deg=lattice.rotation_deg,
        mirrored_x=lattice.mirrored_x,
        mirrored_y=lattice.mirrored_y,
        bank_list=tuple(
            {"bounds_px": list(bank.bounds_px), "columns": bank.columns, "rows": bank.rows} for bank in lattice.banks
        ),
        remarks=lattice.remarks,
        efficiency=efficiency,
        efficiency_u=efficiency_u,
        bits_per_cell=wishes.bits_per_cell,
        capacity_bits=bits,
        # A count has no scatter: it is right, or the array was refused.
        capacity_bits_u=None if bits is None else 0.0,
        gaps=tuple(asdict(gap) for gap in gaps),
        technology=tuple(asdict(item) for item in found),
        technology_assumes=_assumes(found, wishes, (pitch_x_um, pitch_y_um)),
        explanations=explain_banks(lattice, gaps) if whole else (),
        cells_per_period_given=wishes.cells_per_period is not None,
        other_cells=tuple(round(lattice.cells * factor) for factor in lattice.other_factors) if whole else (),
    )


def _efficiency(lattice: ArrayLattice, region: Region, inputs: Inputs) -> tuple[float, float]:
    """The cells' area over the drawn block's: the scale is in both and drops out, the drawing and the pitch stay."""
    cells_px2 = lattice.cells * lattice.pitch_x_px * lattice.pitch_y_px
    block = measure_area([region.geometry], inputs)
    share = cells_px2 * inputs.um_x * inputs.um_y * umath.cos(inputs.skew) / block.quantity
    value = cells_px2 * inputs.scale.um_per_px_x * inputs.scale.um_per_px_y / block.value
    return value, math.hypot(float(getattr(share, "std_dev", 0.0)), value * _pitches_u_rel(lattice))


def _pitches_u_rel(lattice: ArrayLattice) -> float:
    return math.hypot(lattice.pitch_x_px_u / lattice.pitch_x_px, lattice.pitch_y_px_u / lattice.pitch_y_px)


def _pitch(pitch_px: float, pitch_px_u: float, direction: tuple[float, float], scale: Scale) -> tuple[float, float]:
    """A pitch along `direction` (parts along x and y) in micrometres, with the scale in its uncertainty."""
    part_x, part_y = direction[0] * scale.um_per_px_x, direction[1] * scale.um_per_px_y
    um_per_px = math.hypot(part_x, part_y)
    pitch_um = pitch_px * um_per_px
    from_scale = scale_u(scale, pitch_um * (part_x / um_per_px) ** 2, pitch_um * (part_y / um_per_px) ** 2)
    return pitch_um, math.hypot(pitch_px_u * um_per_px, from_scale)


def _assumes(
    found: Sequence[technology.Candidate], wishes: ArrayWishes, pitch_um: tuple[float, float]
) -> tuple[str, ...]:
    """What the comparison with published cells takes for granted, or why there is none."""
    if min(pitch_um) < technology.SHORTEST_UM:
        return (
            f"no technology is suggested: visible light shows no period below {technology.SHORTEST_UM:g} µm, so "
            "these are not single cells, or the scale is wrong",
        )
    if not found:
        kind = "any kind of memory" if wishes.memory_kind is None else wishes.memory_kind
        return (f"no technology is suggested: no published cell of {kind} known here has this area",)
    assumed = (
        "the kind of memory is not known; every kind that fits is listed"
        if wishes.memory_kind is None
        else f"the memory is taken to be {wishes.memory_kind}, as stated"
    )
    return (
        assumed,
        "what repeats is one cell, counted as said above",
        "cells that makers published stand for all others; a cell drawn with room to spare fits a finer technology too",
        "lengths on the chip are those of the drawing: a design may be shrunk or enlarged on its way to silicon",
    )


def _bits(value: Any) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value <= 64:
        raise SettingsError("bits_per_cell must be a number above 0 and at most 64")
    return value


def _per_period(value: Any) -> tuple[int, int] | None:
    if value is None:
        return None
    pair = [value, value] if isinstance(value, int) else value
    if not isinstance(pair, list) or len(pair) != 2 or any(one not in (1, 2) or isinstance(one, bool) for one in pair):
        raise SettingsError("cells_per_period must be 1 or 2, or a list of two such as [2, 1] for x and y")
    return int(pair[0]), int(pair[1])


def _kind(value: Any) -> str | None:
    if value is None:
        return None
    if not isinstance(value, str):
        raise SettingsError("memory_kind must be a text such as 'SRAM 6T'")
    return technology.check_kind(value)
