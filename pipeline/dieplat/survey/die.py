"""The die of a survey: its outline, drawn or found, and the facts that follow from it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import Polygon

from dieplat.errors import UndecidedError
from dieplat.measurement.coverage import photographed_ground, unseen_share
from dieplat.measurement.open_places import open_in_words, open_tiles
from dieplat.measurement.outline import find_outline
from dieplat.measurement.pads import pad_rows
from dieplat.measurement.placement import Inputs, Placement, Point
from dieplat.measurement.propagation import Measured
from dieplat.measurement.sides import measure_sides
from dieplat.measurement.snapping import FOUND_EDGE_U_PX
from dieplat.measurement.wafer import check_wafer, dies_by_formula, dies_placed
from dieplat.survey.details import Picture
from dieplat.values import Layout, Region, Regions
from dieplat.values.measurements import DieResult, PadRow, WaferEstimate
from dieplat.values.stated import WaferPlan

FOUND_NAME = "Die (found)"
BESIDE_PX = 4.0
"""How far beyond a found side the picture must go on."""


@dataclass(frozen=True, slots=True, eq=False)
class Die:
    """The die's outline, if there is one; `found` has the uncertainties of its vertices if nobody drew it, `edge_u_px`
    that of an offset common to its sides."""

    region: Region | None
    found: dict[Point, Point]
    remarks: tuple[str, ...] = ()
    edge_u_px: float = 0.0


def die_of(mosaic: Picture, regions: Regions, layout: Layout | None, *, find: bool) -> Die:
    """The drawn outline, else the one that the picture shows, else none; the remarks say which."""
    drawn = next(iter(regions.of_kind("die")), None)
    if drawn is not None:
        across = () if layout is None else open_tiles(drawn.geometry, layout)
        if across:
            remark = f"'{drawn.name}' was not measured, and so no share: it lies across {open_in_words(across)}"
            return Die(None, {}, (remark,))
        return Die(drawn, {})
    missing = "no die outline is drawn"
    if find:
        try:
            outline = find_outline(mosaic)
            _check_seen(outline.polygon, layout)
        except UndecidedError as error:
            missing += f" and none was found ({error})"
        else:
            remark = f"{missing}: it was found in the picture; look at it before you use shares and the unassigned area"
            region = Region(FOUND_NAME, "die", outline.polygon)
            return Die(region, outline.vertex_u_px, (remark,), outline.edge_u_px)
    return Die(None, {}, (f"{missing}, so there are no shares and no unassigned area",))


def _check_seen(outline: Polygon, layout: Layout | None) -> None:
    """Refuse an outline with what was not photographed in it or beside it, or along tiles whose place is open.

    Along the end of the picture it is that end which was found. And next to a hole the sides found on invented dies
    were those of the rim that was sawn, by up to 1.7 % of the die's width too far in.
    """
    if layout is None:
        return
    unseen = unseen_share(outline.buffer(BESIDE_PX, join_style="mitre"), photographed_ground(layout))
    if unseen > 0.0:
        raise UndecidedError(f"{100 * unseen:.2g} % of what seems to be it was not photographed")
    across = open_tiles(outline.exterior, layout, inside=True)
    if across:
        raise UndecidedError(f"it lies across {open_in_words(across)}")


def placement_of(
    regions: Regions, die: Die, layout: Layout | None, *, vertex_u_px: float, edge_u_px: float
) -> Placement:
    """How well everything drawn is known: the settings, the file's own rounding, and what was found in the picture."""
    found = dict(die.found)
    for region in regions.regions:
        found |= _snapped(region)
    return Placement(
        vertex_u_px=vertex_u_px,
        edge_u_px=edge_u_px,
        layout=layout,
        grid_px=_grid_px(regions.regions, found),
        found=found,
        found_edge_u_px=FOUND_EDGE_U_PX if len(found) > len(die.found) else 0.0,
        sawn=frozenset(die.found),
        sawn_edge_u_px=die.edge_u_px if die.found else 0.0,
    )


def _snapped(region: Region) -> dict[Point, Point]:
    """Vertices that `dieplat snap` found: the region's property `snapped` has x, y and both uncertainties (px)."""
    entry = region.properties.get("snapped")
    rows = entry.get("vertices") if isinstance(entry, dict) else None
    found = {}
    for row in rows if isinstance(rows, list) else ():
        if isinstance(row, dict) and row.get("u_px") is not None:
            place, u = _pair(row.get("at_px")), _pair(row["u_px"])
            if place is not None and u is not None and min(u) > 0:
                found[place] = u
    return found


def _pair(value: object) -> Point | None:
    """Two finite numbers, or None."""
    if not isinstance(value, list) or len(value) != 2:
        return None
    if not all(isinstance(v, (int, float)) and not isinstance(v, bool) and math.isfinite(v) for v in value):
        return None
    return float(value[0]), float(value[1])


def _grid_px(regions: Iterable[Region], found: dict[Point, Point]) -> float:
    """1 if every drawn coordinate is a whole pixel, else 0: coordinates with fractions were not rounded to pixels."""
    points = [point for region in regions for point in map(tuple, _coordinates(region).tolist()) if point not in found]
    values = np.array(points)
    return 1.0 if len(values) and bool(np.all(values == np.round(values))) else 0.0


def _coordinates(region: Region) -> npt.NDArray[np.float64]:
    return shapely.get_coordinates(region.geometry)


def die_result(
    die: Die, area: Measured | None, areas: Sequence[Region], inputs: Inputs, wafer: WaferPlan
) -> DieResult | None:
    """Size, direction, pads and dies on a wafer; None without an outline."""
    check_wafer(wafer)
    if die.region is None or area is None:
        return None
    sides = measure_sides(die.region.geometry, inputs)
    width, height, turn = sides.width, sides.height, sides.rotation
    angle = 0.0 if turn is None else math.radians(turn.value)
    pads = [region.geometry for region in areas if region.kind == "io_pad"]
    rows = pad_rows(pads, np.array([math.cos(angle), math.sin(angle)]), die.region.geometry, inputs) if pads else []
    shell = shapely.get_parts(die.region.geometry)[0]
    return DieResult(
        name=die.region.name,
        area_um2=area.value,
        area_um2_u=area.u,
        width_um=width.value,
        width_um_u=width.u,
        height_um=height.value,
        height_um_u=height.u,
        budget=area.budget,
        found=bool(die.found),
        outline_px=tuple((float(x), float(y)) for x, y in shell.exterior.coords[:-1]) if die.found else (),
        rotation_deg=None if turn is None else turn.value,
        rotation_deg_u=None if turn is None else turn.u,
        width_budget=width.budget,
        height_budget=height.budget,
        pads=len(pads),
        pad_rows=tuple(
            PadRow(
                row.side,
                row.count,
                None if row.pitch is None else row.pitch.value,
                None if row.pitch is None else row.pitch.u,
                row.even,
            )
            for row in rows
        ),
        wafer=WaferEstimate(
            wafer.diameter_mm,
            wafer.edge_exclusion_mm,
            wafer.scribe_um,
            dies_by_formula(width.value, height.value, wafer),
            dies_placed(width.value, height.value, wafer),
            f"a wafer of {wafer.diameter_mm:g} mm with {wafer.edge_exclusion_mm:g} mm of unused edge and streets of "
            f"{wafer.scribe_um:g} um between dies",
        ),
    )
