"""The rim of a die: scribe line, seal ring, supply buses, driver cells, bond pads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString, box

from dieplat.phantom.cells import FIELD, METAL, METAL_BRIGHT, tinted
from dieplat.phantom.layers import Block, Bounds, Colour, Die, Sheet


@dataclass(frozen=True, slots=True)
class Rim:
    """Depths of the rim's parts from the saw edge inwards; a small die has everything smaller by `scale`."""

    scale: float = 1.0

    @property
    def edge_um(self) -> float:
        """Saw edge to the pads."""
        return 28.0 * self.scale

    @property
    def pad_um(self) -> float:
        """Side of a pad."""
        return 56.0 * self.scale

    @property
    def core_um(self) -> float:
        """Saw edge to the core."""
        return 142.0 * self.scale


def _inset(width: float, height: float, inset: float) -> Bounds:
    return inset, inset, width - inset, height - inset


def add_rim(sheet: Sheet, width: float, height: float, rim: Rim, rng: np.random.Generator) -> None:
    """Saw edge, scribe line, seal ring and the field of the core."""
    k = rim.scale
    sheet.box((0.27, 0.25, 0.27), (0.0, 0.0, width, height))
    sheet.frame((0.20, 0.19, 0.21), _inset(width, height, 0.0), 2.0 * k, 0.8)
    sheet.frame(tinted((0.46, 0.42, 0.44), rng), _inset(width, height, 9.0 * k), 1.6 * k)
    sheet.box(tinted(FIELD, rng, 0.02), _inset(width, height, 14.0 * k))
    for inset, thick in ((16.0, 3.2), (20.6, 1.4), (23.4, 1.4)):
        sheet.frame(METAL, _inset(width, height, inset * k), thick * k)


def add_pads(sheet: Sheet, width: float, height: float, rim: Rim, rng: np.random.Generator) -> None:
    """Buses, then pads on all four sides with their blocks."""
    k, side = rim.scale, rim.pad_um
    for offset, thick, alpha in ((26.0, 9.0, 0.9), (37.5, 9.0, 0.9), (49.0, 2.2, 0.8)):
        inset = rim.edge_um + side + offset * k
        sheet.frame(tinted(METAL, rng, 0.02), _inset(width, height, inset), thick * k, alpha)
    pads: list[Bounds] = []
    pitch = side + (26.0 + 6.0 * rng.random()) * k
    for length, along_x in ((width, True), (height, False)):
        count = max(int((length - 2.0 * rim.core_um + 20.0 * k) / pitch), 1)
        first = 0.5 * (length - (count - 1) * pitch - side)
        for far in (False, True):
            near = (height if along_x else width) - rim.edge_um - side if far else rim.edge_um
            for n in range(count):
                a = first + n * pitch
                pads.append((a, near, a + side, near + side) if along_x else (near, a, near + side, a + side))
    for number, pad in enumerate(pads):
        _add_pad(sheet, pad, rim, rng, width, height)
        sheet.blocks.append(Block(f"Pad {number + 1}", "io_pad", box(*pad)))


def _add_pad(sheet: Sheet, pad: Bounds, rim: Rim, rng: np.random.Generator, width: float, height: float) -> None:
    """A pad, the driver cell behind it and its straps to the buses."""
    x, y = 0.5 * (pad[0] + pad[2]), 0.5 * (pad[1] + pad[3])
    upright = min(x, width - x) > min(y, height - y)
    middle, along = (y, x) if upright else (x, y)
    inward = 1.0 if middle < 0.5 * (height if upright else width) else -1.0
    k, face = rim.scale, middle + inward * 0.5 * rim.pad_um

    def lay(colour: Colour, side: tuple[float, float], depth: tuple[float, float], alpha: float) -> None:
        near, far = sorted((face + inward * depth[0] * k, face + inward * depth[1] * k))
        a, b = along + side[0] * k, along + side[1] * k
        sheet.box(colour, (a, near, b, far) if upright else (near, a, far, b), alpha)

    lay(tinted((0.33, 0.27, 0.33), rng), (-34.0, 34.0), (3.0, 24.0), 1.0)
    for at in np.arange(-32.0, 31.0, 3.4):
        lay(tinted((0.52, 0.43, 0.40), rng, 0.015), (at, at + 1.6), (4.5, 13.0), 0.9)
        lay(tinted((0.44, 0.45, 0.38), rng, 0.015), (at, at + 2.0), (14.5, 22.5), 0.85)
    shape = box(*pad)
    sheet.box((0.26, 0.22, 0.27), shape.buffer(2.5 * k, join_style="mitre").bounds, 0.8)
    sheet.box(tinted((0.80, 0.71, 0.57), rng, 0.012), pad)
    sheet.box(tinted((0.91, 0.84, 0.70), rng, 0.015), shape.buffer(-4.0 * k, join_style="mitre").bounds)
    for shift in (-15.0, 0.0, 15.0):
        lay(METAL_BRIGHT, (shift - 3.2, shift + 3.2), (0.0, 46.5 if shift == 0.0 else 35.0), 0.9)
    if rng.random() < 0.8:
        _add_probe_mark(sheet, (x, y), k, rng)


def _add_probe_mark(sheet: Sheet, centre: tuple[float, float], k: float, rng: np.random.Generator) -> None:
    """The scrub of a test needle: a dark gouge with a bright lip."""
    start = np.asarray(centre) + rng.normal(0.0, 5.0 * k, 2)
    turn = rng.normal(0.6, 0.12)
    end = start + k * (10.0 + 9.0 * rng.random()) * np.array([np.cos(turn), np.sin(turn)])
    sheet.area((0.50, 0.42, 0.36), LineString([start, end]).buffer(k * (2.2 + rng.random())), 0.75)
    sheet.area((0.98, 0.94, 0.86), LineString([end, end + (end - start) * 0.16]).buffer(2.4 * k), 0.8)
    sheet.area((0.70, 0.62, 0.50), LineString([start, end]).buffer(0.8 * k), 0.7)


def finish(sheet: Sheet, width: float, height: float, *, texture: float, seed: int) -> Die:
    """Close a sheet into a die; its outline becomes the block of kind `die`."""
    outline = Block("Die", "die", box(0.0, 0.0, width, height))
    return Die(width, height, tuple(sheet.layers), (outline, *sheet.blocks), texture, seed)
