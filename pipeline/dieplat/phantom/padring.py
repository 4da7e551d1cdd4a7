"""The rim of a die: scribe line, seal ring, supply buses, bond pads; and the dirt that lies on top of it all."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, Polygon, box

from dieplat.phantom.cells import FIELD, METAL, METAL_BRIGHT, Bounds, tinted
from dieplat.phantom.layers import Block, Die, Sheet, Spot

Float = npt.NDArray[np.float64]

SCRIBE_UM = 14.0
RIM_UM = 30.0
PAD_UM = 62.0
BUS_UM = 34.0
CORE_UM = RIM_UM + PAD_UM + BUS_UM + 8.0
"""Distance of the core from the saw edge."""


def _ring(width: float, height: float, inset: float, thickness: float) -> Polygon:
    outer = box(inset, inset, width - inset, height - inset)
    return outer.difference(outer.buffer(-thickness, join_style="mitre"))


def add_rim(sheet: Sheet, width: float, height: float, rng: np.random.Generator) -> None:
    """Saw edge, scribe line, seal ring and the field of the core."""
    sheet.area((0.27, 0.25, 0.27), box(0.0, 0.0, width, height))
    sheet.area((0.20, 0.19, 0.21), _ring(width, height, 0.0, 2.0), 0.8)
    sheet.area(tinted((0.46, 0.42, 0.44), rng), _ring(width, height, SCRIBE_UM - 5.0, 1.6))
    sheet.area(tinted(FIELD, rng, 0.02), box(SCRIBE_UM, SCRIBE_UM, width - SCRIBE_UM, height - SCRIBE_UM))
    for inset, thick in ((16.0, 3.2), (20.6, 1.4), (23.4, 1.4)):
        sheet.area(METAL, _ring(width, height, inset, thick))


def add_pads(sheet: Sheet, width: float, height: float, rng: np.random.Generator) -> list[Bounds]:
    """Buses, then pads on all four sides with their blocks; the pads' bounds are returned."""
    for offset, thick, alpha in (
        (RIM_UM + PAD_UM + 6.0, 9.0, 0.9),
        (RIM_UM + PAD_UM + 18.0, 9.0, 0.9),
        (RIM_UM + PAD_UM + 30.5, 2.2, 0.8),
    ):
        sheet.area(tinted(METAL, rng, 0.02), _ring(width, height, offset, thick), alpha)
    pads: list[Bounds] = []
    pitch = PAD_UM + 26.0 + 6.0 * rng.random()
    for length, along_x in ((width, True), (height, False)):
        count = int((length - 2.0 * CORE_UM + 20.0) / pitch)
        first = 0.5 * (length - (count - 1) * pitch - PAD_UM)
        for far in (False, True):
            for k in range(count):
                a = first + k * pitch
                near = (height if along_x else width) - RIM_UM - PAD_UM if far else RIM_UM
                pads.append(
                    (a, near, a + PAD_UM, near + PAD_UM) if along_x else (near, a, near + PAD_UM, a + PAD_UM)
                )
    for number, pad in enumerate(pads):
        _add_pad(sheet, pad, rng, width, height)
        sheet.blocks.append(Block(f"Pad {number + 1}", "io_pad", box(*pad)))
    return pads


def _add_pad(sheet: Sheet, pad: Bounds, rng: np.random.Generator, width: float, height: float) -> None:
    shape = box(*pad)
    sheet.area((0.30, 0.25, 0.30), shape.buffer(2.5, join_style="mitre"), 0.8)
    sheet.area(tinted((0.86, 0.78, 0.62), rng, 0.02), shape)
    sheet.area(tinted((0.93, 0.87, 0.74), rng, 0.02), shape.buffer(-5.0, join_style="mitre"))
    x, y = 0.5 * (pad[0] + pad[2]), 0.5 * (pad[1] + pad[3])
    toward = np.array([0.5 * width - x, 0.5 * height - y])
    side = int(np.argmin([min(x, width - x), min(y, height - y)]))
    step = np.zeros(2)
    step[side] = np.sign(toward[side])
    stem = np.array([[x, y], [x, y] + step * (0.5 * PAD_UM + 8.0)])
    for shift in (-14.0, 0.0, 14.0):
        moved = stem + shift * np.abs(step[::-1])
        sheet.area(METAL_BRIGHT, LineString(moved + step * (0.5 * PAD_UM)).buffer(3.2, cap_style="flat"), 0.9)
    if rng.random() < 0.8:
        _add_probe_mark(sheet, (x, y), rng)


def _add_probe_mark(sheet: Sheet, centre: tuple[float, float], rng: np.random.Generator) -> None:
    """The scrub of a test needle: a dark gouge with a bright lip."""
    start = np.asarray(centre) + rng.normal(0.0, 5.0, 2)
    turn = rng.normal(0.6, 0.12)
    end = start + (10.0 + 9.0 * rng.random()) * np.array([np.cos(turn), np.sin(turn)])
    gouge = LineString([start, end]).buffer(2.2 + rng.random())
    sheet.area((0.50, 0.42, 0.36), gouge, 0.75)
    sheet.area((0.98, 0.94, 0.86), LineString([end, end + (end - start) * 0.16]).buffer(2.4), 0.8)
    sheet.area((0.70, 0.62, 0.50), LineString([start, end]).buffer(0.8), 0.7)


def add_dirt(
    sheet: Sheet, die: tuple[float, float], rng: np.random.Generator, *, amount: float = 1.0
) -> None:
    """Dust grains, scratches, fibres and faint residue, over the die and a little beyond it."""
    width, height = die
    area_mm2 = width * height / 1e6
    low, high = np.array([-40.0, -40.0]), np.array([width + 40.0, height + 40.0])

    def place() -> Float:
        return np.asarray(rng.uniform(low, high))

    for _ in range(int(amount * 10 * area_mm2) + 2):
        x, y = place()
        colour = tinted((0.45, 0.38, 0.30), rng, 0.08)
        sheet.layers.append(
            Spot(colour, (x, y), float(rng.uniform(20.0, 90.0)), float(rng.uniform(0.03, 0.10)), 2.0)
        )
    for _ in range(int(amount * 90 * area_mm2) + 3):
        x, y = place()
        radius = float(np.clip(rng.lognormal(0.25, 0.55), 0.5, 6.5))
        grain = _blob((x, y), radius, rng)
        sheet.layers.append(Spot((0.20, 0.17, 0.16), (x, y), 1.6 * radius, 0.35, 2.0))
        sheet.area(tinted((0.16, 0.13, 0.12), rng, 0.03), grain, float(rng.uniform(0.7, 0.95)))
        if radius > 1.6:
            shine = _blob((x - 0.3 * radius, y - 0.35 * radius), 0.28 * radius, rng)
            sheet.area((0.85, 0.82, 0.76), shine, 0.7)
    for _ in range(int(amount * 9 * area_mm2) + 1):
        start = place()
        turn = rng.uniform(0.0, np.pi)
        line = _wander(start, turn, float(rng.lognormal(4.0, 0.6)), rng, bend=0.02)
        light = rng.random() < 0.6
        sheet.area(
            (0.88, 0.82, 0.74) if light else (0.22, 0.19, 0.20),
            line.buffer(float(rng.uniform(0.25, 0.6))),
            float(rng.uniform(0.25, 0.55)),
        )
    for _ in range(int(amount * 1.6 * area_mm2) + 1):
        fibre = _wander(place(), rng.uniform(0.0, np.pi), float(rng.uniform(60.0, 180.0)), rng, bend=0.35)
        sheet.area((0.16, 0.13, 0.14), fibre.buffer(1.5), 0.7)
        sheet.area((0.50, 0.44, 0.42), fibre.buffer(0.5), 0.6)


def _blob(centre: tuple[float, float], radius: float, rng: np.random.Generator) -> Polygon:
    angle = np.linspace(0.0, 2.0 * np.pi, 14, endpoint=False)
    reach = radius * (
        1.0 + 0.35 * np.convolve(np.tile(rng.standard_normal(14), 3), [0.25, 0.5, 0.25], "same")[14:28]
    )
    squash = rng.uniform(0.6, 1.0)
    points = (
        np.column_stack([np.cos(angle), squash * np.sin(angle)]) * np.maximum(reach, 0.25 * radius)[:, None]
    )
    turn = rng.uniform(0.0, np.pi)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return Polygon(points @ matrix + np.asarray(centre)).buffer(0)  # type: ignore[no-any-return]


def _wander(start: Float, turn: float, length: float, rng: np.random.Generator, *, bend: float) -> LineString:
    steps = 14
    heading = turn + np.cumsum(rng.normal(0.0, bend, steps)) + bend * rng.normal() * np.arange(steps) * 0.4
    path = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)]) * (length / steps), axis=0)
    return LineString(np.asarray(start) + np.vstack([[0.0, 0.0], path]))


def finish(sheet: Sheet, width: float, height: float, *, texture: float, seed: int) -> Die:
    """Close a sheet into a die; its outline becomes the block of kind `die`."""
    outline = Block("Die", "die", box(0.0, 0.0, width, height))
    return Die(width, height, tuple(sheet.layers), (outline, *sheet.blocks), texture, seed)
