"""What a survey says beside what is true of its phantom, and the phantom's blocks as a person would draw them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, Polygon

from dieplat.errors import UndecidedError
from dieplat.measurement.tile_network import radial_pull, tiles_under
from dieplat.phantom.truth import Truth
from dieplat.survey import measure_survey
from dieplat.survey.details import Picture
from dieplat.values import Layout, Region, Regions, Scale
from dieplat.values.stated import EDGE_HALF_PX, EDGE_U_PX, VERTEX_U_PX, Stated

Array = npt.NDArray[np.float64]

PLAIN = {"memory_array": "analog", "rf_inductor": "analog", "conductor": "trace"}
"""Kinds that would be measured from pixels count by their outline and path here."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One result beside the truth. `tolerance` and `axes` are the relative errors that the micrometer's own pitch and
    pixels that are not quite square made."""

    seed: int
    drawing: str
    quantity: str
    name: str
    true: float
    measured: float
    u: float
    tolerance: float
    axes: float


class NoPicture:
    """A mosaic of which no pixel is needed."""

    def __init__(self, width_px: int, height_px: int) -> None:
        self.width_px, self.height_px = width_px, height_px

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> npt.NDArray[Any]:
        raise AssertionError("nothing here is measured from pixels")


def drawn_regions(
    truth: Truth, layout: Layout, moves: Array, bend: float, skew: float, drawing: str, rng: np.random.Generator
) -> Regions:
    """Every block where the disturbed mosaic shows it, as a person would draw it or exactly."""
    ratio = truth.frame.um_per_px_y / truth.frame.um_per_px_x
    offset = rng.uniform(-EDGE_HALF_PX, EDGE_HALF_PX) if drawing == "drawn" else 0.0
    regions = []
    for block in truth.die.blocks:
        path = not isinstance(block.outline_um, Polygon)
        points = truth.outline_px(block) if path else truth.outline_px(block)[:-1]
        points = points - np.stack([skew * ratio * (points[:, 1] - truth.frame.centre_px[1]), 0 * points[:, 1]], axis=1)
        nearest = tiles_under(points, layout)
        points = points + moves[nearest] + bend * radial_pull(points, nearest, layout)
        if drawing == "drawn":
            points = points + (end_offset(points, offset) if path else corner_offset(points, offset))
            points = points + rng.normal(0, VERTEX_U_PX, points.shape)
        geometry = LineString(points) if path else Polygon(points)
        regions.append(Region(block.name, PLAIN.get(block.kind, block.kind), geometry))
    return Regions(tuple(regions), "phantom")


def corner_offset(points: Array, offset: float) -> Array:
    """Moves (N, 2) of a ring's corners that put all its edges outwards by `offset`."""
    step = np.roll(points, -1, axis=0) - points
    along = step / np.linalg.norm(step, axis=1, keepdims=True)
    area = np.sum(points[:, 0] * np.roll(points[:, 1], -1) - np.roll(points[:, 0], -1) * points[:, 1])
    after = np.stack([along[:, 1], -along[:, 0]], axis=1) * math.copysign(1.0, area)
    before = np.roll(after, 1, axis=0)
    return offset * (before + after) / (1.0 + np.sum(before * after, axis=1, keepdims=True))


def end_offset(points: Array, offset: float) -> Array:
    """Moves (N, 2) of a path's points: both ends further out."""
    moves = np.zeros_like(points)
    for end, inner in ((0, 1), (-1, -2)):
        away = points[end] - points[inner]
        moves[end] = offset * away / np.linalg.norm(away)
    return moves


def compare(
    truth: Truth, regions: Regions, scale: Scale, layout: Layout, drawing: str, mosaic: Picture | None = None
) -> list[Figure]:
    """Every result with a true value."""
    told = (VERTEX_U_PX, EDGE_U_PX) if drawing == "drawn" else (0.0, 0.0)
    seen = NoPicture(truth.width_px, truth.height_px) if mosaic is None else mosaic
    found = measure_survey(seen, regions, scale, stated=Stated(vertex_u_px=told[0], edge_u_px=told[1]), layout=layout)
    pitch = truth.pitch_um / truth.pitch_true_um - 1.0
    square = 0.0 if scale.axes_independent else truth.frame.um_per_px_x / truth.frame.um_per_px_y - 1.0
    figures: list[Figure] = []

    def add(quantity: str, name: str, true: float, value: float | None, u: float | None, power: int) -> None:
        axes = square if power == 2 or quantity == "die height" else 0.0
        if value is not None and u is not None:
            figures.append(Figure(truth.seed, drawing, quantity, name, true, value, u, power * pitch, axes))

    die = found.die
    if die is None:
        raise UndecidedError("; ".join(found.warnings))
    width, height = truth.die.width_um, truth.die.height_um
    add("die width", "die", width, die.width_um, die.width_um_u, 1)
    add("die height", "die", height, die.height_um, die.height_um_u, 1)
    add("die area", "die", width * height, die.area_um2, die.area_um2_u, 2)
    if die.rotation_deg is not None:
        add("rotation", "die", truth.frame.rotation_deg, die.rotation_deg, die.rotation_deg_u, 0)
    blocks = {block.name: block for block in truth.die.blocks}
    totals: dict[str, float] = {}
    for block in found.blocks:
        outline = blocks[block.name].outline_um
        if isinstance(outline, Polygon):
            totals[block.kind] = totals.get(block.kind, 0.0) + outline.area
            quantity = "pad" if block.kind == "io_pad" else "block"
            add(f"{quantity} area", block.name, outline.area, block.area_um2, block.area_um2_u, 2)
            add(
                f"{quantity} share",
                block.name,
                outline.area / (width * height),
                block.share_of_die,
                block.share_of_die_u,
                0,
            )
            add(f"{quantity} perimeter", block.name, outline.length, block.perimeter_um, block.perimeter_um_u, 1)
        elif block.trace is not None and len(outline) <= 40:
            length = float(np.linalg.norm(np.diff(np.asarray(outline), axis=0), axis=1).sum())
            add("path length", block.name, length, block.trace.length_um, block.trace.length_um_u, 1)
    for line in found.summary:
        add("sum of a kind", line.kind, totals[line.kind], line.area_um2, line.area_um2_u, 2)
        share = totals[line.kind] / (width * height)
        add("share of a kind", line.kind, share, line.share_of_die, line.share_of_die_u, 0)
    if not found.overlaps:
        left = width * height - sum(totals.values())
        add("unassigned", "die", left, found.unassigned_um2, found.unassigned_um2_u, 2)
    return figures
