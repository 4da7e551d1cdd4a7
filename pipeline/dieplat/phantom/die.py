"""The floorplan of an invented die: blocks of exactly known size, placed by a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, box

from dieplat.errors import SettingsError
from dieplat.phantom.cells import (
    METAL,
    METAL_LOWER,
    add_capacitors,
    add_fill,
    add_logic,
    add_memory,
    add_periphery,
    add_resistor,
    plan_memory,
    tinted,
)
from dieplat.phantom.dirt import add_dirt
from dieplat.phantom.inductor import SIDES, Inductor, draw_spiral, draw_symmetric, inner_diameter_um
from dieplat.phantom.layers import Block, Bounds, Colour, Die, Sheet
from dieplat.phantom.marks import add_lettering, add_marks
from dieplat.phantom.padring import Rim, add_pads, add_rim, finish

Float = npt.NDArray[np.float64]
GAP_UM = 13.0
LOGIC_COLOURS: tuple[Colour, ...] = ((0.43, 0.32, 0.38), (0.37, 0.36, 0.34), (0.34, 0.30, 0.42))
MEMORY_COLOURS: tuple[Colour, ...] = ((0.50, 0.36, 0.42), (0.40, 0.42, 0.36), (0.38, 0.34, 0.48))


@dataclass(frozen=True, slots=True)
class DiePlan:
    """How the core is shared out. `order` lists the core's columns as (content, share of the width)."""

    order: tuple[tuple[str, float], ...] = (("memory", 0.36), ("logic", 0.30), ("rf", 0.34))
    shuffle: bool = True
    dirt: float = 1.0
    texture: float = 1.0
    antenna: bool = True
    straps: bool = True
    fill: float = 0.28
    """Strength of the dummy metal between blocks; 0 leaves it out."""
    label: str = ""
    """Lettering along the core's upper edge."""


def plan_die(width_um: float, height_um: float, um_per_px: float, plan: DiePlan, *, seed: int) -> Die:
    """Draw a whole die of the given size. `um_per_px` sets the smallest features worth drawing."""
    if min(width_um, height_um) < 150.0:
        raise SettingsError(f"die of {width_um:g} x {height_um:g} um: too small to draw; take more or larger tiles")
    rng = np.random.default_rng([seed, 11])
    sheet = Sheet()
    rim = Rim(min(1.0, min(width_um, height_um) / 700.0))
    add_rim(sheet, width_um, height_um, rim, rng)
    add_pads(sheet, width_um, height_um, rim, rng)
    core = (rim.core_um, rim.core_um, width_um - rim.core_um, height_um - rim.core_um)
    if plan.fill > 0.0:
        add_fill(sheet, core, rng, pitch_um=max(5.0, 9.0 * um_per_px), alpha=plan.fill)
    edge = rim.edge_um
    add_marks(sheet, (edge, edge, width_um - edge, height_um - edge), rim.scale, METAL)
    if plan.label:
        core = _add_label(sheet, core, plan.label)
    if plan.antenna and core[3] - core[1] > 260.0:
        core = _add_antenna(sheet, core, rng)
    columns = list(plan.order)
    if plan.shuffle:
        columns = [columns[k] for k in rng.permutation(len(columns))]
    share = sum(part for _, part in columns)
    room = core[2] - core[0] - GAP_UM * (len(columns) - 1)
    left = core[0]
    for content, part in columns:
        right = left + room * part / share
        _FILLERS[content](sheet, (left, core[1], right, core[3]), rng, um_per_px, plan)
        left = right + GAP_UM
    if plan.dirt > 0.0:
        add_dirt(sheet, (width_um, height_um), rng, amount=plan.dirt)
    return finish(sheet, width_um, height_um, texture=plan.texture, seed=seed)


def _add_label(sheet: Sheet, core: Bounds, label: str) -> Bounds:
    """Lettering in a strip along the core's upper edge. Returns the core that is left."""
    x0, y0, x1, y1 = core
    strip = 34.0
    sheet.box((0.35, 0.30, 0.38), (x0, y0, x1, y0 + strip))
    add_lettering(sheet, label, (x0 + 8.0, y0 + 27.0), 20.0, METAL)
    return x0, y0 + strip + GAP_UM, x1, y1


def _count(sheet: Sheet, kind: str) -> int:
    return 1 + sum(block.kind == kind for block in sheet.blocks)


def _add_antenna(sheet: Sheet, core: Bounds, rng: np.random.Generator) -> Bounds:
    """A meandered line along the core's lower edge: a path to measure. Returns the core that is left."""
    x0, y0, x1, y1 = core
    width, gap, runs = 6.0, 9.0, 4
    depth = runs * width + (runs - 1) * gap
    right = x1 - 0.28 * (x1 - x0) * rng.random() - 10.0
    lines = y1 - depth + 0.5 * width + (width + gap) * np.arange(runs)
    points: list[tuple[float, float]] = []
    for k, y in enumerate(lines):
        ends = [(x0 + 6.0, float(y)), (right, float(y))]
        points += ends if k % 2 == 0 else ends[::-1]
    line = LineString(points)
    sheet.box((0.33, 0.35, 0.36), (x0, y1 - depth - 5.0, x1, y1 + 1.0), 0.9)
    sheet.area(METAL, line.buffer(0.5 * width, cap_style="flat", join_style="mitre"))
    sheet.blocks.append(
        Block("Meander antenna", "trace", np.asarray(points), width_um=width, trace={"length_um": line.length})
    )
    return x0, y0, x1, y1 - depth - 5.0 - GAP_UM


def _add_memory_column(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, um_per_px: float, plan: DiePlan) -> None:
    """A large mirrored array above a smaller plain one, each with its drivers."""
    x0, y0, x1, y1 = bounds
    cut = y0 + (y1 - y0) * rng.uniform(0.56, 0.68)
    fine = (
        float(np.round(um_per_px * rng.uniform(7.0, 9.5), 2)),
        float(np.round(um_per_px * rng.uniform(9.0, 13.0), 2)),
    )
    mirrored = (bool(rng.random() < 0.5), bool(rng.random() < 0.6))
    _add_array(sheet, "Static memory", (x0, y0, x1, cut), rng, fine, mirrored, (2, 2), plan.straps)
    coarse = (
        float(np.round(um_per_px * rng.uniform(11.0, 15.0), 2)),
        float(np.round(um_per_px * rng.uniform(10.0, 14.0), 2)),
    )
    _add_array(sheet, "Code store", (x0, cut + GAP_UM, x1, y1), rng, coarse, (False, False), (3, 1), plan.straps)


def _add_array(
    sheet: Sheet,
    name: str,
    bounds: Bounds,
    rng: np.random.Generator,
    pitch_um: tuple[float, float],
    mirrored: tuple[bool, bool],
    banks: tuple[int, int],
    straps: bool,
) -> None:
    x0, y0, x1, y1 = bounds
    drivers = min(22.0, 0.12 * (y1 - y0))
    plan = plan_memory(
        x1 - x0 - drivers - 3.0,
        y1 - y0 - drivers - 3.0,
        rng,
        pitch_um=pitch_um,
        banks=banks if straps else (1, 1),
        strap_um=float(np.round(rng.uniform(6.0, 9.0), 1)),
        mirrored=mirrored,
    )
    base = tinted(MEMORY_COLOURS[int(rng.integers(len(MEMORY_COLOURS)))], rng)
    at_left = bool(rng.random() < 0.5)
    corner = (x0 + drivers + 3.0 if at_left else x0, y0)
    add_memory(sheet, name, corner, plan, rng, base=base)
    end_x, end_y = corner[0] + plan.width_um, corner[1] + plan.height_um
    side = (x0, y0, x0 + drivers, end_y) if at_left else (end_x + 3.0, y0, end_x + 3.0 + drivers, end_y)
    add_periphery(sheet, side, rng, upright=True, pitch_um=pitch_um[1])
    add_periphery(
        sheet,
        (corner[0], end_y + 3.0, end_x, end_y + 3.0 + drivers),
        rng,
        upright=False,
        pitch_um=pitch_um[0],
    )


def _add_logic_column(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, um_per_px: float, plan: DiePlan) -> None:
    """Two pieces of logic, a power switch and an analog corner."""
    x0, y0, x1, y1 = bounds
    height = y1 - y0
    cuts = [y0, y0 + 0.42 * height, y0 + 0.66 * height, y0 + 0.76 * height, y1]
    order = [("logic", 0), ("logic", 1), ("power", 2), ("analog", 3)]
    for content, k in order:
        part = (x0, cuts[k], x1, cuts[k + 1] - (GAP_UM if k < 3 else 0.0))
        if content == "logic":
            base = tinted(LOGIC_COLOURS[int(rng.integers(len(LOGIC_COLOURS)))], rng)
            add_logic(sheet, part, rng, base=base, row_um=float(rng.uniform(8.0, 11.0)))
            sheet.blocks.append(Block(f"Logic {_count(sheet, 'logic')}", "logic", box(*part)))
        elif content == "power":
            _add_power(sheet, part, rng)
        else:
            _add_analog(sheet, part, rng)


def _add_power(sheet: Sheet, bounds: Bounds, rng: np.random.Generator) -> None:
    """Wide fingers of a power switch, two nets in turn."""
    x0, y0, x1, y1 = bounds
    sheet.box(tinted((0.32, 0.28, 0.30), rng), bounds)
    for shift, colour in ((0.0, METAL), (5.0, METAL_LOWER)):
        at = np.arange(x0 + 2.0 + shift, x1 - 4.0, 10.0)
        sheet.rectangles(
            tinted(colour, rng),
            np.column_stack([at, np.full_like(at, y0 + 2.0), at + 3.4, np.full_like(at, y1 - 2.0)]),
        )
    sheet.blocks.append(Block("Power switch", "power", box(*bounds)))


def _add_analog(sheet: Sheet, bounds: Bounds, rng: np.random.Generator) -> None:
    x0, y0, x1, y1 = bounds
    sheet.box(tinted((0.37, 0.31, 0.39), rng), bounds)
    middle = x0 + 0.6 * (x1 - x0)
    add_capacitors(sheet, (x0 + 2.0, y0 + 2.0, middle, y1 - 2.0), rng)
    third = (y1 - y0) / 2.0
    for k in range(2):
        add_resistor(
            sheet,
            (middle + 4.0, y0 + 3.0 + k * third, x1 - 3.0, y0 + (k + 1) * third - 4.0),
            rng,
            width_um=float(rng.uniform(2.0, 3.4)),
        )
    sheet.blocks.append(Block(f"Analog {_count(sheet, 'analog')}", "analog", box(*bounds)))


def _add_rf_column(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, um_per_px: float, plan: DiePlan) -> None:
    """Inductors in square cells, then capacitors in what is left over."""
    x0, y0, x1, y1 = bounds
    across, down = x1 - x0, y1 - y0
    # Two coils above one another, unless that makes them too small to measure.
    cell = min(330.0, across, max(0.5 * down, min(down, 240.0 * um_per_px)))
    columns, rows = max(int(across / cell), 1), max(int(down / cell), 1)
    cell = min(across / columns, down / rows, 360.0)
    kinds = list(rng.permutation(["square", "octagon", "circle", "hexagon", "symmetric"]))
    for number in range(columns * rows):
        row, column = divmod(number, columns)
        corner = (x0 + column * cell, y0 + row * cell)
        add_coil(
            sheet,
            str(kinds[number % len(kinds)]),
            (*corner, corner[0] + cell, corner[1] + cell),
            rng,
            um_per_px,
        )
    if across - columns * cell > 40.0:
        _add_analog(sheet, (x0 + columns * cell + GAP_UM, y0, x1, y1), rng)
    if down - rows * cell > 40.0:
        _add_analog(sheet, (x0, y0 + rows * cell + GAP_UM, x0 + columns * cell, y1), rng)


def add_coil(sheet: Sheet, kind: str, cell: Bounds, rng: np.random.Generator, um_per_px: float) -> None:
    """One inductor with keep-out, guard ring and leads in a square cell, and its block."""
    side = min(cell[2] - cell[0], cell[3] - cell[1])
    outer = float(np.round(side * rng.uniform(0.62, 0.72), 1))
    spacing = float(np.round(max(5.4 * um_per_px, rng.uniform(2.8, 4.6)), 2))
    width = float(np.round(max(6.0 * um_per_px, outer * rng.uniform(0.034, 0.058)), 2))
    centre = (0.5 * (cell[0] + cell[2]), 0.5 * (cell[1] + cell[3]))
    reach = 0.5 * side - 5.0
    lead = reach - 0.5 * outer
    if kind == "symmetric":
        turns = 3 if inner_diameter_um(3, outer, width, spacing) > 0.5 * outer else 2
        coil = draw_symmetric(
            outer,
            width,
            spacing,
            turns=turns,
            centre_um=centre,
            lead_um=lead,
            rotation_deg=float(rng.choice([0.0, 180.0])),
        )
    else:
        step = 0.25 if kind == "circle" else {4: 0.25, 6: 0.5, 8: 0.25}[SIDES[kind]]
        most = (0.62 * outer + 2.0 * spacing) / (2.0 * (width + spacing))
        turns_float = float(np.floor(rng.uniform(max(1.5, 0.55 * most), max(2.0, most)) / step) * step)
        coil = draw_spiral(
            kind,
            turns_float,
            outer,
            width,
            spacing,
            centre_um=centre,
            lead_um=lead,
            rotation_deg=float(rng.choice([0.0, 90.0, 180.0, 270.0])),
        )
    _paint_coil(sheet, coil, reach, rng)


def _paint_coil(sheet: Sheet, coil: Inductor, reach: float, rng: np.random.Generator) -> None:
    x, y = coil.centre_um
    sheet.box(tinted((0.31, 0.35, 0.37), rng, 0.02), (x - reach, y - reach, x + reach, y + reach))
    sheet.frame(tinted((0.58, 0.48, 0.47), rng), (x - reach, y - reach, x + reach, y + reach), 4.0)
    for piece in coil.under:
        sheet.area((0.50, 0.43, 0.41), piece)
    metal = tinted((0.84, 0.76, 0.63), rng, 0.02)
    for piece in coil.metal:
        sheet.area(metal, piece)
    for piece in coil.vias:
        sheet.area((0.70, 0.61, 0.50), piece)
    # A hexagon is 1.155 times as wide over its corners as over its flats.
    half = (0.60 if coil.shape == "hexagon" else 0.57) * coil.outer_um
    number = _count(sheet, "rf_inductor")
    name = f"Inductor {number}"
    truth: dict[str, object] = {
        "shape": coil.shape,
        "turns": coil.turns,
        "outer_um": coil.outer_um,
        "inner_um": coil.inner_um,
        "width_um": coil.width_um,
        "spacing_um": coil.spacing_um,
        "symmetric": coil.symmetric,
        "centre_um": coil.centre_um,
        "rotation_deg": coil.rotation_deg,
        "path_um": coil.path_um.tolist(),
    }
    sheet.blocks.append(Block(name, "rf_inductor", box(x - half, y - half, x + half, y + half), inductor=truth))
    if coil.symmetric:
        sheet.blocks.append(Block(f"{name} winding", "conductor", coil.path_um, width_um=coil.width_um, inductor=truth))


def _add_blank_column(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, um_per_px: float, plan: DiePlan) -> None:
    """Nothing at all: the same even colour from edge to edge."""
    sheet.box((0.38, 0.33, 0.40), bounds)
    sheet.blocks.append(Block(f"Spare field {_count(sheet, 'other')}", "other", box(*bounds)))


def _add_fill_column(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, um_per_px: float, plan: DiePlan) -> None:
    """Dummy metal only."""
    sheet.box((0.36, 0.32, 0.40), bounds)
    add_fill(sheet, bounds, rng, pitch_um=8.0)
    sheet.blocks.append(Block(f"Spare field {_count(sheet, 'other')}", "other", box(*bounds)))


def _add_wide_memory(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, um_per_px: float, plan: DiePlan) -> None:
    """One array without a gap, as large as the room."""
    pitch = (
        float(np.round(um_per_px * rng.uniform(8.0, 11.0), 2)),
        float(np.round(um_per_px * rng.uniform(9.0, 12.0), 2)),
    )
    _add_array(
        sheet,
        f"Memory plane {_count(sheet, 'memory_array')}",
        bounds,
        rng,
        pitch,
        (False, False),
        (2, 2),
        plan.straps,
    )


_FILLERS = {
    "memory": _add_memory_column,
    "logic": _add_logic_column,
    "rf": _add_rf_column,
    "blank": _add_blank_column,
    "fill": _add_fill_column,
    "memory_plane": _add_wide_memory,
}
