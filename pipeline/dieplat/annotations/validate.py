"""Check annotated geometry: right type for its kind, closed, simple, of some size, inside the mosaic."""

from __future__ import annotations

import math
import re
from typing import Any

import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from dieplat.errors import AnnotationError
from dieplat.values import Regions

PATH_KINDS = ("trace", "conductor")
MAX_COORDINATE_PX = 1e8
"""Beyond any mosaic: the edge length of a picture of 10^16 pixels."""

Position = tuple[float, float]


def build_geometry(geometry: Any, divisors: Position, where: str) -> BaseGeometry:
    """Turn a GeoJSON geometry object into a shapely geometry in mosaic pixels.

    `divisors` turns the file's unit into pixels; `where` begins every message.

    Raises
    ------
    AnnotationError
        Missing or unsupported geometry, malformed or unusable coordinates, unclosed rings, too few points.
    """
    if not isinstance(geometry, dict):
        raise AnnotationError(f"{where} has no geometry; draw it or remove the feature")
    kind, coordinates = geometry.get("type"), geometry.get("coordinates")
    if kind == "Polygon":
        return _polygon(coordinates, divisors, where)
    if kind == "MultiPolygon":
        if not isinstance(coordinates, list) or not coordinates:
            raise AnnotationError(f"{where}: the MultiPolygon is empty; draw it or remove the feature")
        return MultiPolygon([_polygon(part, divisors, where) for part in coordinates])
    if kind == "LineString":
        points = _positions(coordinates, divisors, where)
        if len(points) < 2:
            raise AnnotationError(f"{where}: a path needs at least two points, found {len(points)}")
        return LineString(points)
    if kind == "Point":
        return Point(_position(coordinates, divisors, where))
    raise AnnotationError(
        f"{where}: geometry type '{str(kind)[:40]}' is not handled; use Polygon, MultiPolygon, LineString or Point"
    )


def check_geometry(geometry: BaseGeometry, kind: str, where: str) -> None:
    """Check that a geometry fits its kind and can be measured.

    Area kinds need a Polygon or MultiPolygon, `trace` and `conductor` a LineString; a Point is a mark and has
    the kind `other`. A path may cross itself (a spiral's underpass does), an outline may not.

    Raises
    ------
    AnnotationError
        Naming the place where an outline crosses itself.
    """
    if kind in PATH_KINDS:
        if not isinstance(geometry, LineString):
            found = geometry.geom_type
            raise AnnotationError(f"{where}: kind '{kind}' needs a LineString, not a {found}; draw a path")
        if geometry.length <= 0:
            raise AnnotationError(f"{where}: the path has no length; draw it again")
        return
    if isinstance(geometry, Point) and kind == "other":
        return
    if not isinstance(geometry, (Polygon, MultiPolygon)):
        found = geometry.geom_type
        raise AnnotationError(f"{where}: kind '{kind}' needs a Polygon, not a {found}; draw an outline")
    reason = shapely.is_valid_reason(geometry)
    parts = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    if any(part.convex_hull.area <= 0 for part in parts):
        raise AnnotationError(f"{where}: the outline encloses no area; draw it again")
    if reason != "Valid Geometry":
        raise AnnotationError(f"{where}: {_explain(reason)}")
    if kind == "die" and isinstance(geometry, MultiPolygon) and len(geometry.geoms) > 1:
        raise AnnotationError(f"{where}: the die has {len(geometry.geoms)} parts; draw it as one polygon")


def check_inside(
    regions: Regions, width_px: float, height_px: float, *, slack_px: float = 1.0, picture: str = "mosaic"
) -> None:
    """Check that every region lies on the mosaic, whose pixels cover 0..width_px by 0..height_px.

    `slack_px` forgives a vertex set on the far side of the outermost pixel; `picture` is what the mosaic is called.

    Raises
    ------
    AnnotationError
        Naming the first region that reaches outside, and how far.
    """
    for region in regions.regions:
        x0, y0, x1, y1 = region.geometry.bounds
        beyond = max(-x0, -y0, x1 - width_px, y1 - height_px)
        if beyond > slack_px:
            raise AnnotationError(
                f"{regions.source}: '{region.name}' reaches {beyond:.1f} px outside the {picture} "
                f"({width_px:g} x {height_px:g} px); redraw it, or check that the file belongs to "
                f'this {picture} and that "coordinates_in" is right'
            )


def _explain(reason: str) -> str:
    """Turn the geometry library's reason, such as 'Self-intersection[5 5]', into a sentence."""
    match = re.search(r"\[\s*(\S+)\s+([^\s\]]+)", reason)
    place = f" near ({float(match[1]):.1f}, {float(match[2]):.1f}) px" if match else ""
    what = reason.split("[")[0].strip().lower()
    if "ring self-intersection" in what:
        return f"a ring touches itself{place}; part it there or draw the hole as a ring of its own"
    if "self-intersection" in what:
        return f"the outline crosses itself{place}; redraw it there"
    return f"the outline is not usable ({what}){place}; redraw it there"


def _polygon(rings: Any, divisors: Position, where: str) -> Polygon:
    if not isinstance(rings, list) or not rings:
        raise AnnotationError(f"{where}: the polygon has no rings; draw it or remove the feature")
    read = [_ring(ring, divisors, where, hole=number > 0) for number, ring in enumerate(rings)]
    return Polygon(read[0], read[1:])


def _ring(ring: Any, divisors: Position, where: str, *, hole: bool) -> list[Position]:
    points = _positions(ring, divisors, where)
    name = "a hole" if hole else "the outline"
    if len(points) >= 3 and points[0] != points[-1]:
        raise AnnotationError(f"{where}: {name} is not closed; repeat its first point as the last one")
    if len(set(points)) < 3:
        found = len(set(points))
        raise AnnotationError(f"{where}: {name} has {found} different points; it needs at least three")
    return points


def _positions(values: Any, divisors: Position, where: str) -> list[Position]:
    if not isinstance(values, list):
        raise AnnotationError(f"{where}: its coordinates are not a list of [x, y] positions; draw it again")
    return [_position(value, divisors, where) for value in values]


def _position(value: Any, divisors: Position, where: str) -> Position:
    if not isinstance(value, list) or len(value) < 2:
        raise AnnotationError(f"{where}: a position must be [x, y], found {str(value)[:40]}; draw it again")
    x, y = (_number(item, where) for item in value[:2])
    return x / divisors[0], y / divisors[1]


def _number(item: Any, where: str) -> float:
    if isinstance(item, bool) or not isinstance(item, (int, float)):
        raise AnnotationError(f"{where}: a coordinate must be a number, not {str(item)[:40]}; draw it again")
    try:
        value = float(item)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise AnnotationError(f"{where}: a coordinate is not finite (NaN or infinite); draw it again")
    if abs(value) > MAX_COORDINATE_PX:
        raise AnnotationError(f"{where}: the coordinate {value:g} lies outside any mosaic; draw it again")
    return value
