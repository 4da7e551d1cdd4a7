"""The sides of a die: width, height and direction of a drawn rectangle, whatever notches it has."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.affinity import scale as stretch
from shapely.geometry.base import BaseGeometry

from dieplat.measurement.outlines import rings_of
from dieplat.measurement.placement import Inputs
from dieplat.measurement.propagation import Measured, Quantity

Array = npt.NDArray[np.float64]

NEAR = 0.05
"""Edges belong to a side when they lie within this part of the die from its outermost line ..."""
SLANT_DEG = 10.0
"""... and within this angle of its direction."""
LEAST_LENGTH = 0.5
"""Edges that make up less than this part of a side are none: a round outline has no sides."""


@dataclass(frozen=True, slots=True, eq=False)
class Sides:
    """Width and height (um) and the direction of the width against the x axis, clockwise on the screen (degrees).

    `rotation` is None where the outline has no straight sides; width and height are then those of its smallest
    turned rectangle.
    """

    width: Measured
    height: Measured
    rotation: Measured | None


@dataclass(frozen=True, slots=True, eq=False)
class SideEdges:
    """Which edges of the outer ring make a side: their numbers; `normal` points out of the die (um)."""

    edges: npt.NDArray[np.intp]
    normal: Array


def find_sides(geometry: BaseGeometry, per_px: Array) -> tuple[SideEdges, SideEdges, SideEdges, SideEdges] | None:
    """The edges at the right, left, bottom and top (in this order) of an outline in mosaic pixels, None if it has no
    straight sides."""
    in_um = stretch(geometry, xfact=per_px[0], yfact=per_px[1], origin=(0, 0))
    points = next(rings_of(geometry)).points * per_px
    across = _direction(in_um)
    for _ in range(2):  # once about the smallest rectangle, once about the sides' own direction
        down = np.array([-across[1], across[0]])
        sides = [_side(points, normal) for normal in (across, -across, down, -down)]
        if any(side is None for side in sides):
            return None
        right, left, bottom, top = (side for side in sides if side is not None)
        across = _common_direction(points, (right, left, bottom, top))
    return right, left, bottom, top


def _direction(in_um: BaseGeometry) -> Array:
    """The direction of the smallest turned rectangle that lies nearest to the x axis, towards positive x."""
    box = np.asarray(shapely.oriented_envelope(in_um).exterior.coords)[:3]  # type: ignore[attr-defined]
    steps = np.diff(box, axis=0)
    step = steps[int(np.argmax(np.abs(steps[:, 0]) / np.linalg.norm(steps, axis=1)))]
    return np.asarray(step * math.copysign(1.0, step[0]) / np.linalg.norm(step), dtype=np.float64)


def _side(points: Array, normal: Array) -> SideEdges | None:
    ends = np.roll(points, -1, axis=0)
    step, middle = ends - points, 0.5 * (points + ends)
    reach, length = middle @ normal, np.linalg.norm(step, axis=1)
    spread, along = np.ptp(points @ normal), np.ptp(points @ np.array([-normal[1], normal[0]]))
    level = np.abs(step @ normal) <= math.sin(math.radians(SLANT_DEG)) * length
    kept = level & (length > 0) & (reach >= (points @ normal).max() - NEAR * spread)
    if length[kept].sum() < LEAST_LENGTH * along:
        return None
    return SideEdges(np.nonzero(kept)[0], normal)


def _common_direction(points: Array, sides: tuple[SideEdges, ...]) -> Array:
    """The die's direction from all its sides; long edges tell it best (weights of length squared)."""
    total = np.zeros(2)
    for number, side in enumerate(sides):
        step = np.roll(points, -1, axis=0)[side.edges] - points[side.edges]
        if number < 2:  # right and left run down: a quarter turn back gives the direction across
            step = np.stack([step[:, 1], -step[:, 0]], axis=1)
        step = step * np.sign(step[:, :1])
        total += np.sum(step * np.linalg.norm(step, axis=1, keepdims=True), axis=0)
    return np.asarray(total / np.linalg.norm(total), dtype=np.float64)


def measure_sides(geometry: BaseGeometry, inputs: Inputs) -> Sides:
    """Width, height and direction of a die.

    A side lies where its edges lie on average, so its two corners both tell it: their largest reach would be biased
    by the drawing. The edge offset counts at both sides.
    """
    per_px = np.array([inputs.scale.um_per_px_x, inputs.scale.um_per_px_y])
    sides = find_sides(geometry, per_px)
    if sides is None:
        width, height = _envelope_sides(geometry, inputs)
        return Sides(width, height, None)
    points = next(rings_of(geometry)).points
    right, left, bottom, top = (_reach(points, side, inputs) for side in sides)
    turn = inputs.measured(_turn(points, sides, inputs) * (180.0 / math.pi), "deg")
    return Sides(inputs.measured(right + left, "um"), inputs.measured(bottom + top, "um"), turn)


def _reach(points_px: Array, side: SideEdges, inputs: Inputs) -> Quantity:
    """How far a side lies out along its normal (um), from the frame's origin."""
    scale, normal = inputs.scale, side.normal
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    count = len(points_px)
    start, end = side.edges, (side.edges + 1) % count
    in_um = points_px * per_px
    length = np.linalg.norm(in_um[end] - in_um[start], axis=1)
    weight = length / length.sum()
    middle = weight @ (0.5 * (in_um[start] + in_um[end]))
    gradient = np.zeros_like(points_px)
    np.add.at(gradient, start, 0.5 * weight[:, None] * normal)
    np.add.at(gradient, end, 0.5 * weight[:, None] * normal)
    outward = np.zeros(count)
    outward[start] = weight * float(np.hypot(*(normal * per_px)))
    return (
        float(middle @ normal)
        + inputs.moved(points_px, gradient * per_px)
        + inputs.offset(points_px, outward)
        + float(middle[0] * normal[0]) * (inputs.um_x / scale.um_per_px_x - 1.0)
        + float(middle[1] * normal[1]) * (inputs.um_y / scale.um_per_px_y - 1.0)
        # Axes that enclose 90 degrees plus f put a point that lies y down by f y to the right.
        + float(middle[1] * normal[0]) * inputs.skew
    )


def _turn(points_px: Array, sides: tuple[SideEdges, ...], inputs: Inputs) -> Quantity:
    """The die's direction in radians; every edge counts by its length squared, and turns by its ends' errors."""
    scale = inputs.scale
    per_px = np.array([scale.um_per_px_x, scale.um_per_px_y])
    across = sides[0].normal
    count = len(points_px)
    edges = np.concatenate([side.edges for side in sides])
    in_um = points_px * per_px
    step = in_um[(edges + 1) % count] - in_um[edges]
    squares = np.sum(step**2, axis=1)
    share = squares / squares.sum()
    # d(angle) = (X dY - Y dX) / l^2
    pull = (share / squares)[:, None] * np.stack([-step[:, 1], step[:, 0]], axis=1)
    gradient = np.zeros_like(points_px)
    np.add.at(gradient, (edges + 1) % count, pull)
    np.add.at(gradient, edges, -pull)
    stretch_part = float(np.sum(pull[:, 1] * step[:, 1]))
    return (
        math.atan2(across[1], across[0])
        + inputs.moved(points_px, gradient * per_px)
        + stretch_part * (inputs.um_y / scale.um_per_px_y - inputs.um_x / scale.um_per_px_x)
        + float(np.sum(pull[:, 0] * step[:, 1])) * inputs.skew
    )


def _envelope_sides(geometry: BaseGeometry, inputs: Inputs) -> tuple[Measured, Measured]:
    """The sides of the smallest turned rectangle, each between two ends that err independently."""
    per_px = np.array([inputs.scale.um_per_px_x, inputs.scale.um_per_px_y])
    in_um = stretch(geometry, xfact=per_px[0], yfact=per_px[1], origin=(0, 0))
    across = _direction(in_um)
    points = next(rings_of(geometry)).points
    found = []
    for normal in (across, np.array([-across[1], across[0]])):
        reach = (points * per_px) @ normal
        ends = points[[int(reach.argmin()), int(reach.argmax())]]
        gradient = np.stack([-normal, normal]) * per_px
        span = (ends[1] - ends[0]) * per_px
        scale = inputs.scale
        quantity = (
            float(span @ normal)
            + inputs.moved(ends, gradient)
            + 2.0 * float(np.hypot(*(normal * per_px))) * inputs.edge
            + float(span[0] * normal[0]) * (inputs.um_x / scale.um_per_px_x - 1.0)
            + float(span[1] * normal[1]) * (inputs.um_y / scale.um_per_px_y - 1.0)
            + float(span[1] * normal[0]) * inputs.skew
        )
        found.append(inputs.measured(quantity, "um"))
    return found[0], found[1]
