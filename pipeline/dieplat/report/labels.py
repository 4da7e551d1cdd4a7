"""Where the names of blocks go: inside when they fit, else beside with a leader; never over one another."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

import shapely
from shapely.geometry import Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

TextSize = Callable[[str, float], tuple[float, float]]
"""Gives the (width, height) of a text set at a font size, all in picture pixels."""

Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Label:
    """A name centred on (x, y); `leader` is the point in the block that a line leads to, None for inside."""

    text: str
    x: float
    y: float
    size_px: float
    leader: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class LabelPlan:
    """The labels that found room, and the names that did not."""

    labels: tuple[Label, ...]
    unplaced: tuple[str, ...]


def plan_labels(
    shapes: Sequence[tuple[str, BaseGeometry]],
    *,
    width_px: float,
    height_px: float,
    text_size: TextSize,
    largest_px: float = 34.0,
    smallest_px: float = 17.0,
    reserved: Sequence[Box] = (),
    inside_only: Collection[str] = (),
    reach: float = 0.16,
) -> LabelPlan:
    """Place one name a shape, large shapes first.

    Parameters
    ----------
    shapes : sequence of (name, geometry)
        In picture pixels. Geometries without area are named beside their middle.
    width_px, height_px : float
        The picture; labels stay inside it.
    text_size : callable
        See `TextSize`.
    largest_px, smallest_px : float, optional
        Range of font sizes. The smallest can be read from the back of a room on a picture 2400 px wide.
    reserved : sequence of (x0, y0, x1, y1), optional
        Boxes to keep free, such as the scale bar's.
    inside_only : collection of str, optional
        Names that are dropped, not counted as unplaced, where they do not fit inside: a ring of pads would
        bury the picture under its leaders.
    reach : float, optional
        How far a label may lie from its block, as a share of the picture's long side.
    """
    taken: list[Box] = list(reserved)
    labels: list[Label] = []
    beside: list[tuple[str, BaseGeometry, tuple[float, float]]] = []
    for name, shape in sorted(shapes, key=lambda item: -item[1].area):
        centre, room = _widest_place(shape)
        centres = [centre] if room is None else [(room.centroid.x, room.centroid.y), centre]
        inside = _inside(name, room, centres, text_size, largest_px, smallest_px, taken)
        if inside is None:
            if name not in inside_only:
                beside.append((name, shape, centre))
        else:
            labels.append(inside)
            taken.append(_box_of(inside, text_size))
    unplaced: list[str] = []
    limit = reach * max(width_px, height_px)
    for name, shape, centre in beside:
        found = _beside(name, shape, centre, text_size, smallest_px, taken, (width_px, height_px), limit)
        if found is None:
            unplaced.append(name)
        else:
            labels.append(found)
            taken.append(_box_of(found, text_size))
    return LabelPlan(tuple(labels), tuple(unplaced))


def _widest_place(shape: BaseGeometry) -> tuple[tuple[float, float], Polygon | None]:
    """The centre of the largest circle inside the largest part, and that part; a line gives its middle."""
    parts = [part for part in getattr(shape, "geoms", [shape]) if isinstance(part, Polygon)]
    if not parts:
        middle = shape.interpolate(0.5, normalized=True) if shape.length else shape.representative_point()
        return (middle.x, middle.y), None
    largest = max(parts, key=lambda part: part.area)
    tolerance = max(math.sqrt(largest.area) * 0.02, 1e-6)
    circle = shapely.maximum_inscribed_circle(largest, tolerance=tolerance)
    centre = shapely.get_point(circle, 0)
    return (centre.x, centre.y), largest


def _inside(
    name: str,
    room: Polygon | None,
    centres: Sequence[tuple[float, float]],
    text_size: TextSize,
    largest_px: float,
    smallest_px: float,
    taken: Sequence[Box],
) -> Label | None:
    if room is None:
        return None
    size = largest_px
    while size >= smallest_px:
        for x, y in centres:
            label = Label(name, x, y, size)
            bounds = _box_of(label, text_size)
            if room.contains(box(*bounds)) and not any(_overlap(bounds, other) for other in taken):
                return label
        size *= 0.9
    return None


def _beside(
    name: str,
    shape: BaseGeometry,
    centre: tuple[float, float],
    text_size: TextSize,
    size_px: float,
    taken: Sequence[Box],
    picture: tuple[float, float],
    limit_px: float,
) -> Label | None:
    """The free place nearest to the shape, tried on growing rings around it."""
    wide, high = text_size(name, size_px)
    x0, y0, x1, y1 = shape.bounds
    reach_x, reach_y = (x1 - x0) / 2 + wide / 2, (y1 - y0) / 2 + high
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    gap = 0.35 * size_px
    while gap <= limit_px:
        for step in range(16):
            angle = math.tau * step / 16
            x = middle[0] + math.cos(angle) * (reach_x + gap)
            y = middle[1] + math.sin(angle) * (reach_y + gap)
            label = Label(name, x, y, size_px, _nearest(shape, (x, y), 0.5 * size_px) or centre)
            bounds = _box_of(label, text_size)
            within = bounds[0] >= 0 and bounds[1] >= 0 and bounds[2] <= picture[0] and bounds[3] <= picture[1]
            if within and not any(_overlap(bounds, other) for other in taken):
                return label
        gap += 0.8 * size_px
    return None


def _nearest(shape: BaseGeometry, place: tuple[float, float], inset_px: float) -> tuple[float, float] | None:
    """The point of a shape, a little inside its edge, nearest to `place`; None if it is too thin."""
    core = shape.buffer(-inset_px) if shape.area else shape
    if core.is_empty:
        return None
    end = nearest_points(core, Point(place))[0]
    return end.x, end.y


def _box_of(label: Label, text_size: TextSize) -> Box:
    wide, high = text_size(label.text, label.size_px)
    pad = 0.3 * label.size_px
    return (
        label.x - wide / 2 - pad,
        label.y - high / 2 - pad,
        label.x + wide / 2 + pad,
        label.y + high / 2 + pad,
    )


def _overlap(first: Box, second: Box) -> bool:
    return first[0] < second[2] and second[0] < first[2] and first[1] < second[3] and second[1] < first[3]
