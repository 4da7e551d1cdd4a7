"""What fills blocks: standard-cell logic, memory cells, capacitors, resistors, pads, dummy metal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, box

from dieplat.phantom.layers import Block, Bounds, Colour, Lattice, Sheet

Float = npt.NDArray[np.float64]

METAL: Colour = (0.80, 0.72, 0.61)
METAL_BRIGHT: Colour = (0.90, 0.84, 0.72)
METAL_LOWER: Colour = (0.55, 0.47, 0.45)
FIELD: Colour = (0.36, 0.29, 0.40)


def tinted(colour: Colour, rng: np.random.Generator, amount: float = 0.03) -> Colour:
    """A colour varied a little, as film thickness varies it."""
    r, g, b = (float(np.clip(c + amount * rng.standard_normal(), 0.03, 0.97)) for c in colour)
    return r, g, b


def add_logic(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, *, base: Colour, row_um: float = 9.0) -> None:
    """Rows of cells of random width between supply rails, with two layers of wiring on top."""
    x0, y0, x1, y1 = bounds
    sheet.box(base, bounds)
    rows = max(int((y1 - y0) / row_um), 1)
    row_um = (y1 - y0) / rows
    cell_rects: dict[int, list[tuple[float, float, float, float]]] = {0: [], 1: [], 2: []}
    gates: list[tuple[float, float, float, float]] = []
    for row in range(rows):
        top = y0 + row * row_um
        widths = rng.choice([2.4, 3.6, 4.8, 7.2, 12.0], size=int((x1 - x0) / 2.4) + 1, p=[0.25, 0.3, 0.25, 0.15, 0.05])
        edges = x0 + np.concatenate([[0.0], np.cumsum(widths)])
        edges = edges[edges < x1 - 2.4]
        for left, right, kind in zip(edges[:-1], edges[1:], rng.integers(0, 4, len(edges) - 1), strict=True):
            if kind < 3:
                split = top + row_um * (0.42 + 0.16 * rng.random())
                cell_rects[int(kind)].append((left + 0.3, top + 1.0, right - 0.3, split - 0.4))
                cell_rects[int(kind)].append((left + 0.3, split + 0.4, right - 0.3, top + row_um - 1.0))
                gates += [(g, top + 1.4, g + 0.55, top + row_um - 1.4) for g in np.arange(left + 0.9, right - 0.8, 1.2)]
    for kind, rects in cell_rects.items():
        colour = ((0.50, 0.38, 0.36), (0.34, 0.42, 0.36), (0.45, 0.33, 0.47))[kind]
        sheet.rectangles(tinted(colour, rng), rects, alpha=0.75)
    sheet.rectangles((0.58, 0.40, 0.38), gates, alpha=0.7)
    rails = y0 + row_um * np.arange(rows + 1)
    rails_um = np.column_stack([np.clip(rails - 0.55, y0, y1), np.clip(rails + 0.55, y0, y1)])
    sheet.layers.append(Lattice((0.66, 0.58, 0.52), np.array([[x0, x1]]), rails_um, 0.9))
    sheet.rectangles((0.62, 0.56, 0.47), _wires(bounds, rng, row_um, across=True), alpha=0.8)
    sheet.rectangles((0.74, 0.67, 0.55), _wires(bounds, rng, row_um, across=False), alpha=0.85)
    straps = np.arange(x0 + 30.0 + 20.0 * rng.random(), x1 - 12.0, 62.0)
    if len(straps):
        straps_um = np.column_stack([straps, straps + 4.0])
        sheet.layers.append(Lattice(METAL, straps_um, np.array([[y0, y1]]), 0.95))


def _wires(bounds: Bounds, rng: np.random.Generator, row_um: float, *, across: bool) -> Float:
    """Wires on a track grid, of log-normal length, in one direction."""
    x0, y0, x1, y1 = bounds
    track = row_um / 7.0
    long_side, short_side = (x1 - x0, y1 - y0) if across else (y1 - y0, x1 - x0)
    tracks = max(int(short_side / track), 1)
    count = int(0.027 * (x1 - x0) * (y1 - y0) / track)
    lane = rng.integers(0, tracks, count) * track + 0.5 * track
    length = np.clip(rng.lognormal(2.3, 0.9, count), 3.0, 0.7 * long_side)
    begin = rng.random(count) * (long_side - length)
    wide = 0.32 * track * rng.choice([1.0, 1.0, 1.35], count)
    if across:
        return np.column_stack([x0 + begin, y0 + lane - wide, x0 + begin + length, y0 + lane + wide])
    return np.column_stack([x0 + lane - wide, y0 + begin, x0 + lane + wide, y0 + begin + length])


@dataclass(frozen=True, slots=True)
class MemoryPlan:
    """A strictly periodic array: `banks_x` by `banks_y` banks of equal size, parted by straps."""

    pitch_x_um: float
    pitch_y_um: float
    columns: int
    rows: int
    banks_x: int
    banks_y: int
    strap_um: float
    mirrored_x: bool
    mirrored_y: bool

    @property
    def width_um(self) -> float:
        return self.columns * self.pitch_x_um + (self.banks_x - 1) * self.strap_um

    @property
    def height_um(self) -> float:
        return self.rows * self.pitch_y_um + (self.banks_y - 1) * self.strap_um


def plan_memory(
    width_um: float,
    height_um: float,
    rng: np.random.Generator,
    *,
    pitch_um: tuple[float, float],
    banks: tuple[int, int],
    strap_um: float,
    mirrored: tuple[bool, bool],
) -> MemoryPlan:
    """The largest array with equal banks that fits into the given room."""
    per_bank_x = int((width_um - (banks[0] - 1) * strap_um) / banks[0] / pitch_um[0] / 2.0) * 2
    per_bank_y = int((height_um - (banks[1] - 1) * strap_um) / banks[1] / pitch_um[1] / 2.0) * 2
    per_bank_x, per_bank_y = max(per_bank_x, 2), max(per_bank_y, 2)
    return MemoryPlan(*pitch_um, per_bank_x * banks[0], per_bank_y * banks[1], *banks, strap_um, *mirrored)


def add_memory(
    sheet: Sheet,
    name: str,
    corner_um: tuple[float, float],
    plan: MemoryPlan,
    rng: np.random.Generator,
    *,
    base: Colour,
) -> None:
    """Draw the array with its first cell at `corner_um`, and record its block."""
    x0, y0 = corner_um
    outline = box(x0, y0, x0 + plan.width_um, y0 + plan.height_um)
    sheet.box(tinted((0.42, 0.37, 0.42), rng), outline.bounds)
    x = _starts(x0, plan.pitch_x_um, plan.columns, plan.banks_x, plan.strap_um)
    y = _starts(y0, plan.pitch_y_um, plan.rows, plan.banks_y, plan.strap_um)
    inside_x = np.column_stack([x.min(axis=1), x.max(axis=1) + plan.pitch_x_um])
    inside_y = np.column_stack([y.min(axis=1), y.max(axis=1) + plan.pitch_y_um])
    sheet.layers.append(Lattice(base, inside_x, inside_y))
    # Parts of a cell by its width and height; lopsided, so that mirroring shows.
    parts = (
        ((0.66, 0.53, 0.44), (0.10, 0.48), (0.12, 0.60)),
        ((0.30, 0.40, 0.36), (0.56, 0.92), (0.40, 0.90)),
        ((0.80, 0.71, 0.55), (0.18, 0.40), (0.70, 0.88)),
        ((0.60, 0.36, 0.42), (0.58, 0.84), (0.08, 0.28)),
    )
    for colour, across, down in parts:
        sheet.layers.append(
            Lattice(
                tinted(colour, rng, 0.02),
                _parts(x, plan.pitch_x_um, across, plan.mirrored_x),
                _parts(y, plan.pitch_y_um, down, plan.mirrored_y),
            )
        )
    _add_straps(sheet, outline.bounds, inside_x, inside_y)
    banks = [
        {
            "x0_um": a[0],
            "y0_um": b[0],
            "x1_um": a[1],
            "y1_um": b[1],
            "columns": plan.columns // plan.banks_x,
            "rows": plan.rows // plan.banks_y,
        }
        for b in inside_y
        for a in inside_x
    ]
    sheet.blocks.append(
        Block(
            name,
            "memory_array",
            outline,
            array={
                "pitch_x_um": plan.pitch_x_um,
                "pitch_y_um": plan.pitch_y_um,
                "cell_area_um2": plan.pitch_x_um * plan.pitch_y_um,
                "columns": plan.columns,
                "rows": plan.rows,
                "cells": plan.columns * plan.rows,
                "banks": len(banks),
                "bank_list": banks,
                "strap_um": plan.strap_um,
                "mirrored_x": plan.mirrored_x,
                "mirrored_y": plan.mirrored_y,
            },
        )
    )


def _starts(first: float, pitch: float, count: int, banks: int, strap: float) -> Float:
    """Left edges of all cells, (banks, cells a bank)."""
    each = count // banks
    return np.asarray(first + np.arange(banks)[:, None] * (each * pitch + strap) + np.arange(each)[None, :] * pitch)


def _parts(starts: Float, pitch: float, part: tuple[float, float], mirrored: bool) -> Float:
    """Intervals of one part of every cell; odd cells of a bank are mirrored if asked."""
    low, high = (np.full(starts.shape, value * pitch) for value in part)
    if mirrored:
        low[:, 1::2], high[:, 1::2] = pitch - part[1] * pitch, pitch - part[0] * pitch
    return np.column_stack([(starts + low).ravel(), (starts + high).ravel()])


def _add_straps(sheet: Sheet, bounds: Bounds, inside_x: Float, inside_y: Float) -> None:
    """A metal line along the middle of every gap between banks."""
    x0, y0, x1, y1 = bounds
    for gaps, upright in ((_gaps(inside_x), True), (_gaps(inside_y), False)):
        if len(gaps):
            middle, half = gaps.mean(axis=1), 0.28 * (gaps[:, 1] - gaps[:, 0])
            lines = np.column_stack([middle - half, middle + half])
            whole = np.array([[y0, y1]]) if upright else np.array([[x0, x1]])
            sheet.layers.append(Lattice(METAL, lines, whole) if upright else Lattice(METAL, whole, lines))


def _gaps(inside: Float) -> Float:
    return np.column_stack([inside[:-1, 1], inside[1:, 0]])


def add_periphery(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, *, upright: bool, pitch_um: float) -> None:
    """A strip of drivers beside an array: tall slices at twice the cell pitch, each a little different."""
    x0, y0, x1, y1 = bounds
    sheet.box(tinted((0.40, 0.31, 0.34), rng), bounds)
    long_0, long_1 = (y0, y1) if upright else (x0, x1)
    short_0, short_1 = (x0, x1) if upright else (y0, y1)
    rects = []
    for at in np.arange(long_0, long_1 - 2.0 * pitch_um, 2.0 * pitch_um):
        cuts = short_0 + (short_1 - short_0) * (np.array([0.22, 0.34, 0.60, 0.70]) + 0.06 * rng.random(4))
        for a, b in ((short_0 + 0.6, cuts[0]), (cuts[1], cuts[2]), (cuts[3], short_1 - 0.6)):
            if b - a > 0.8:
                low, high = at + 0.35 * pitch_um, at + 1.6 * pitch_um
                rects.append((a, low, b, high) if upright else (low, a, high, b))
    sheet.rectangles((0.60, 0.50, 0.42), rects, alpha=0.85)


def add_capacitors(sheet: Sheet, bounds: Bounds, rng: np.random.Generator) -> None:
    """Large plates in a row or column, each with a rim and rows of contacts."""
    x0, y0, x1, y1 = bounds
    across = x1 - x0 >= y1 - y0
    count = max(round(max(x1 - x0, y1 - y0) / max(min(x1 - x0, y1 - y0), 1.0)), 2)
    step = ((x1 - x0) if across else (y1 - y0)) / count
    for k in range(count):
        cell = (x0 + k * step, y0, x0 + (k + 1) * step, y1) if across else (x0, y0 + k * step, x1, y0 + (k + 1) * step)
        plate = box(*cell).buffer(-2.5, join_style="mitre")
        if plate.is_empty:
            continue
        sheet.box((0.30, 0.24, 0.30), plate.bounds)
        sheet.box(tinted((0.42, 0.55, 0.50), rng, 0.04), plate.buffer(-1.2, join_style="mitre").bounds)
        inner = plate.buffer(-4.0, join_style="mitre")
        if not inner.is_empty:
            a, b, c, d = inner.bounds
            dots_x = np.arange(a, c - 1.4, 6.0 + rng.random())
            dots_y = np.arange(b, d - 1.4, 6.0 + rng.random())
            if len(dots_x) and len(dots_y):
                sheet.layers.append(
                    Lattice(
                        (0.66, 0.62, 0.50),
                        np.column_stack([dots_x, dots_x + 1.4]),
                        np.column_stack([dots_y, dots_y + 1.4]),
                        0.8,
                    )
                )


def add_resistor(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, *, width_um: float = 2.6) -> None:
    """A serpentine between two contacts."""
    x0, y0, x1, y1 = bounds
    step = 2.4 * width_um
    points: list[tuple[float, float]] = []
    for k, x in enumerate(np.arange(x0 + width_um, x1 - width_um, step)):
        ends = [(float(x), y0 + width_um), (float(x), y1 - width_um)]
        points += ends if k % 2 == 0 else ends[::-1]
    if len(points) >= 2:
        line = LineString(points).buffer(0.5 * width_um, cap_style="flat", join_style="mitre")
        sheet.area(tinted((0.62, 0.36, 0.30), rng), line)
        for x, y in (points[0], points[-1]):
            sheet.box(METAL_BRIGHT, (x - width_um, y - width_um, x + width_um, y + width_um))


def add_fill(sheet: Sheet, bounds: Bounds, rng: np.random.Generator, *, pitch_um: float, alpha: float = 0.5) -> None:
    """Dummy metal squares on a grid, in the empty places."""
    x0, y0, x1, y1 = bounds
    x = np.arange(x0 + pitch_um * rng.random(), x1 - pitch_um, pitch_um)
    y = np.arange(y0 + pitch_um * rng.random(), y1 - pitch_um, pitch_um)
    if len(x) and len(y):
        side = 0.5 * pitch_um
        sheet.layers.append(
            Lattice(
                tinted((0.50, 0.43, 0.44), rng),
                np.column_stack([x, x + side]),
                np.column_stack([y, y + side]),
                alpha,
            )
        )
