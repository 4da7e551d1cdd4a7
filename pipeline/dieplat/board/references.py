"""What the drawing says is known on the board.

A feature says by a property what is known of it, all in micrometres; lines are of kind `trace` all the same, and are
then no traces to measure:

- a line with `length_um`: the distance of its two ends;
- a line with `every_um`: its points lie so far from one another on a straight line, as a ruler's marks do;
- an outline with `sides_um` [a, b]: a rectangle, a its first side as drawn;
- marks with `at_um` [x, y]: their places on the board, all marks in one frame.

`known_u_um` is the standard uncertainty of the length, of each mark, or of a side; `above_um` and `above_u_um` say how
far the thing lies above the plane of the traces, towards the camera.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from shapely.geometry import LineString, Polygon

from dieplat.errors import AnnotationError
from dieplat.values import Region
from dieplat.values.board import Floats, KnownShape

ABOVE_U_UM = 50.0
"""Unless stated, a reference is taken to lie in the plane of the traces to so much (common practice, no source)."""

OF_LINES = ("length_um", "every_um")
WAYS = "length_um, every_um, sides_um or at_um"


def is_known(region: Region) -> bool:
    """Whether a feature states what is known, and so is not itself to be measured."""
    return any(key in region.properties for key in (*OF_LINES, "sides_um", "at_um"))


def known_shapes(regions: Sequence[Region]) -> tuple[KnownShape, ...]:
    """The known shapes among the features of a drawing.

    Raises
    ------
    AnnotationError
        If nothing known is drawn, or what is said of a feature does not fit its shape.
    """
    found = [shape for region in regions if (shape := _known(region)) is not None]
    marks = [region for region in regions if "at_um" in region.properties]
    if len(marks) == 1:
        raise AnnotationError(f"'{marks[0].name}': one mark with at_um gives no distance; add another")
    if marks:
        found.append(_of_marks(marks))
    if not found:
        raise AnnotationError(f"the drawing: nothing in it has a known length; give a line or outline {WAYS}")
    return tuple(found)


def _known(region: Region) -> KnownShape | None:
    ways = [key for key in (*OF_LINES, "sides_um") if key in region.properties]
    if not ways:
        return None
    if len(ways) > 1:
        raise AnnotationError(f"'{region.name}': has {' and '.join(ways)}; keep one of them")
    points_px, points_um, length = _READERS[ways[0]](region)
    u_um = _number(region, "known_u_um", 0.0)
    return KnownShape(
        name=region.name,
        points_px=points_px,
        points_um=points_um,
        length_u_rel=u_um / length,
        **_height(region),
    )


def _of_marks(marks: Sequence[Region]) -> KnownShape:
    for mark in marks:
        if mark.geometry.geom_type != "Point":
            raise AnnotationError(f"'{mark.name}': at_um is for marks; a line takes length_um or every_um")
    places = np.array([_pair(mark, "at_um") for mark in marks])
    if float(np.ptp(places, axis=0).max()) <= 0:
        raise AnnotationError("the marks with at_um: all lie at one place; state different ones")
    return KnownShape(
        name="marks",
        points_px=np.array([mark.geometry.coords[0][:2] for mark in marks], dtype=np.float64),
        points_um=places,
        point_u_um=max(_number(mark, "known_u_um", 0.0) for mark in marks),
        **_height(marks[0]),
    )


def _of_length(region: Region) -> tuple[Floats, Floats, float]:
    points = _line(region, "length_um")
    if len(points) != 2:
        raise AnnotationError(f"'{region.name}': length_um is the distance of two ends, and it has {len(points)}")
    length = _number(region, "length_um", None)
    return points, np.array([[0.0, 0.0], [length, 0.0]]), length


def _of_steps(region: Region) -> tuple[Floats, Floats, float]:
    points = _line(region, "every_um")
    step = _number(region, "every_um", None)
    along = step * np.arange(len(points))
    return points, np.column_stack([along, np.zeros(len(points))]), step


def _of_sides(region: Region) -> tuple[Floats, Floats, float]:
    if not isinstance(region.geometry, Polygon) or len(region.geometry.exterior.coords) != 5:
        raise AnnotationError(f"'{region.name}': sides_um is for an outline of four corners; draw it so")
    wide, high = _pair(region, "sides_um")
    if min(wide, high) <= 0:
        raise AnnotationError(f"'{region.name}': sides_um must be above 0")
    points = np.asarray(region.geometry.exterior.coords, dtype=np.float64)[:4, :2]
    corners = np.array([[0.0, 0.0], [wide, 0.0], [wide, high], [0.0, high]])
    # Drawn either way round: a shape is turned on the board, never turned over.
    (ax, ay), (bx, by) = points[1] - points[0], points[3] - points[0]
    if ax * by - ay * bx < 0:
        corners[:, 1] *= -1
    return points, corners, math.sqrt(wide * high)


_READERS = {"length_um": _of_length, "every_um": _of_steps, "sides_um": _of_sides}


def _line(region: Region, key: str) -> Floats:
    if not isinstance(region.geometry, LineString):
        raise AnnotationError(f"'{region.name}': {key} is for a line; draw it as one")
    return np.asarray(region.geometry.coords, dtype=np.float64)[:, :2]


def _height(region: Region) -> dict[str, float]:
    return {"above_um": _number(region, "above_um", 0.0), "above_u_um": _number(region, "above_u_um", ABOVE_U_UM)}


def _number(region: Region, key: str, default: float | None) -> float:
    value = region.properties.get(key, default)
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value) and value >= 0
    if not good or (default is None and value == 0):
        least = "above 0" if default is None else "0 or more"
        raise AnnotationError(f"'{region.name}': {key} is {value!r}; give a number of {least}")
    return float(value)


def _pair(region: Region, key: str) -> tuple[float, float]:
    value: Any = region.properties[key]
    try:
        first, second = (float(part) for part in value)
    except (TypeError, ValueError):
        raise AnnotationError(f"'{region.name}': {key} is {value!r}; give two numbers") from None
    if not (math.isfinite(first) and math.isfinite(second)):
        raise AnnotationError(f"'{region.name}': {key} is {value!r}; give two plain numbers")
    return first, second
