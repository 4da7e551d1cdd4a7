"""Planar inductors with exactly known geometry.

Convention of the count of turns
--------------------------------
All sides of a turn lie at the same distance from the centre, and the conductor steps inwards by
width + spacing at one corner (circle: over a 45 degree arc at the end of each turn). So for n turns

    inner = outer - 2 n width - 2 (n - 1) spacing

as in S. S. Mohan et al., "Simple accurate expressions for planar spiral inductances", IEEE J. Solid-State
Circuits 34, 1419-1424 (1999), doi:10.1109/4.792620. A fraction of a turn adds sides on some directions only;
the flat-to-flat inner diameter then differs between directions; the same formula gives its mean over them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from shapely.geometry import LineString, Polygon, box
from shapely.ops import unary_union

Float = npt.NDArray[np.float64]

SIDES = {"square": 4, "hexagon": 6, "octagon": 8}
JOG_DEG = 45.0


@dataclass(frozen=True, slots=True, eq=False)
class Inductor:
    """A drawn inductor in die micrometres: `metal` on top, `under` below it, `path_um` its centre line."""

    shape: str
    turns: float
    outer_um: float
    width_um: float
    spacing_um: float
    centre_um: tuple[float, float]
    rotation_deg: float
    symmetric: bool
    path_um: Float
    metal: tuple[Polygon, ...]
    under: tuple[Polygon, ...]
    vias: tuple[Polygon, ...]
    port_um: tuple[tuple[float, float], ...]

    @property
    def inner_um(self) -> float:
        return inner_diameter_um(self.turns, self.outer_um, self.width_um, self.spacing_um)


def inner_diameter_um(turns: float, outer_um: float, width_um: float, spacing_um: float) -> float:
    """Flat-to-flat diameter of the innermost metal edge (mean over directions for a fraction of a turn)."""
    return outer_um - 2.0 * turns * width_um - 2.0 * (turns - 1.0) * spacing_um


def spiral_path(shape: str, turns: float, outer_um: float, width_um: float, spacing_um: float) -> Float:
    """Centre line (N, 2) of a spiral about the origin, from the outer to the inner end, without leads.

    Polygons: `turns` must be a multiple of 1 / sides. y points down; the first side lies at the left.
    """
    pitch = width_um + spacing_um
    radius = 0.5 * (outer_um - width_um)
    if shape == "circle":
        return _circle_path(turns, radius, pitch)
    sides = SIDES[shape]
    count = round(turns * sides)
    if abs(count - turns * sides) > 1e-9:
        raise ValueError(f"{turns} turns is not a whole number of sides of a {shape}")
    angle = math.pi + 2.0 * math.pi * np.arange(-1, count + 1) / sides
    level = np.floor(np.arange(-1, count + 1) / sides)
    level[0] = 0.0
    apothem = radius - pitch * level
    points = [_meet(angle[i], apothem[i], angle[i + 1], apothem[i + 1]) for i in range(count + 1)]
    return np.asarray(points)


def _meet(angle_a: float, apothem_a: float, angle_b: float, apothem_b: float) -> Float:
    """Where two sides, each given by the direction of its normal and its distance from the origin, cross."""
    normals = np.array([[math.cos(angle_a), math.sin(angle_a)], [math.cos(angle_b), math.sin(angle_b)]])
    return np.linalg.solve(normals, np.array([apothem_a, apothem_b]))


def _circle_path(turns: float, radius: float, pitch: float) -> Float:
    """Rings that step inwards by `pitch` over the last JOG_DEG degrees of each turn."""
    degrees = np.arange(0.0, 360.0 * turns + 0.75, 1.5)
    ring = np.floor(degrees / 360.0 + 1e-9)
    within = degrees - 360.0 * ring
    step = np.clip((within - (360.0 - JOG_DEG)) / JOG_DEG, 0.0, 1.0)
    at = radius - pitch * (ring + step)
    turn = np.radians(180.0 + degrees)
    return np.column_stack([at * np.cos(turn), at * np.sin(turn)])


def draw_spiral(
    shape: str,
    turns: float,
    outer_um: float,
    width_um: float,
    spacing_um: float,
    *,
    centre_um: tuple[float, float],
    rotation_deg: float = 0.0,
    lead_um: float = 20.0,
) -> Inductor:
    """A spiral with a tangential lead at the outer end and an underpass from the inner end to outside."""
    path = spiral_path(shape, turns, outer_um, width_um, spacing_um)
    reach = 0.5 * outer_um + lead_um
    start = path[0] - path[1]
    start /= np.hypot(*start)
    first = path[0] + start * (reach - float(path[0] @ start))
    main = _stroke(np.vstack([first, path]), width_um)
    end = path[-1]
    back = path[-1] - path[-2]
    back /= np.hypot(*back)
    landing = end + back * 0.5 * width_um
    square = _stroke(np.vstack([end - back * 0.5 * width_um, landing]), width_um)
    outward = _out_of(end, back)
    far = end + outward * (reach - float(end @ outward))
    under = _stroke(np.vstack([end - outward * 0.5 * width_um, far]), 0.85 * width_um)
    half = 0.3 * width_um
    via = box(end[0] - half, end[1] - half, end[0] + half, end[1] + half)
    pieces = _placed(_polygons(unary_union([main, square])), centre_um, rotation_deg)
    return Inductor(
        shape,
        turns,
        outer_um,
        width_um,
        spacing_um,
        centre_um,
        rotation_deg,
        False,
        _move(path, centre_um, rotation_deg),
        pieces,
        _placed(_polygons(under), centre_um, rotation_deg),
        _placed([via], centre_um, rotation_deg),
        tuple((float(x), float(y)) for x, y in _move(np.vstack([first, far]), centre_um, rotation_deg)),
    )


def _out_of(end: Float, along: Float) -> Float:
    """The axis direction that leads from the inner end to the outside without running along its own side."""
    axes = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    return np.asarray(axes[int(np.argmax(axes @ end - 0.2 * np.hypot(*end) * np.abs(axes @ along)))])


def draw_symmetric(
    outer_um: float,
    width_um: float,
    spacing_um: float,
    *,
    turns: int = 2,
    shape: str = "octagon",
    centre_um: tuple[float, float],
    rotation_deg: float = 0.0,
    lead_um: float = 20.0,
) -> Inductor:
    """A symmetric, centre-tapped winding: rings whose halves cross at the top and the bottom in turn.

    Ports at the bottom, the centre tap by an underpass. Each crossing runs once in top metal, once below it.
    """
    pitch = width_um + spacing_um
    radius = 0.5 * (outer_um - width_um)
    gap = 0.5 * (spacing_um + 1.6 * pitch)
    metal: list[Polygon] = []
    under: list[Polygon] = []
    vias: list[Polygon] = []
    halves: list[tuple[Float, Float]] = []
    for ring in range(turns):
        apothem = radius - pitch * ring
        right = _half_ring(
            SIDES[shape],
            apothem,
            gap,
            top_open=_open(ring, turns, top=True),
            bottom_open=_open(ring, turns, top=False),
        )
        left = right * np.array([-1.0, 1.0])
        halves.append((right, left))
        metal += [_stroke(right, width_um), _stroke(left, width_um)]
    for ring in range(turns - 1):
        y = (-1.0 if ring % 2 == 0 else 1.0) * np.array([radius - pitch * ring, radius - pitch * (ring + 1)])
        over = np.array([[-gap - 0.01, y[0]], [-0.55 * gap, y[0]], [0.55 * gap, y[1]], [gap + 0.01, y[1]]])
        metal.append(_stroke(over, width_um))
        below = over * np.array([-1.0, 1.0])
        below[0, 0] += width_um
        below[-1, 0] -= width_um
        under.append(_stroke(below, 0.9 * width_um))
        vias += [
            box(x - 0.3 * width_um, v - 0.3 * width_um, x + 0.3 * width_um, v + 0.3 * width_um)
            for x, v in ((gap + 0.5 * width_um, y[0]), (-gap - 0.5 * width_um, y[1]))
        ]
    reach = 0.5 * outer_um + lead_um
    ports = np.array([[gap, reach], [-gap, reach]])
    for side in (1.0, -1.0):
        metal.append(_stroke(np.array([[side * gap, radius - 0.5 * width_um], [side * gap, reach]]), width_um))
    inner_y = (1.0 if turns % 2 == 0 else -1.0) * (radius - pitch * (turns - 1))
    under.append(_stroke(np.array([[0.0, inner_y - 0.5 * width_um], [0.0, reach]]), 0.7 * width_um))
    joined = unary_union([piece.buffer(1e-6) for piece in metal])
    return Inductor(
        shape,
        float(turns),
        outer_um,
        width_um,
        spacing_um,
        centre_um,
        rotation_deg,
        True,
        _move(_symmetric_path(halves), centre_um, rotation_deg),
        _placed(_polygons(joined), centre_um, rotation_deg),
        _placed(under, centre_um, rotation_deg),
        _placed(vias, centre_um, rotation_deg),
        tuple((float(x), float(y)) for x, y in _move(ports, centre_um, rotation_deg)),
    )


def _open(ring: int, turns: int, *, top: bool) -> bool:
    """Whether a ring is cut at its top or bottom: for a crossing to a neighbour, or for the ports."""
    if ring == 0 and not top:
        return True
    outwards = ring > 0 and ((ring - 1) % 2 == 0) == top
    inwards = ring < turns - 1 and (ring % 2 == 0) == top
    return outwards or inwards


def _half_ring(sides: int, apothem: float, gap: float, *, top_open: bool, bottom_open: bool) -> Float:
    """The right half of a polygon ring with flat top and bottom, from bottom to top."""
    corner = apothem / math.cos(math.pi / sides)
    angles = np.arange(sides) * 2.0 * math.pi / sides + math.pi / sides
    if sides == 6:
        angles = angles - math.pi / 6.0
    points = corner * np.column_stack([np.cos(angles), np.sin(angles)])
    right = points[points[:, 0] > 1e-9]
    right = right[np.argsort(-right[:, 1])]
    bottom = [gap if bottom_open else -1e-6, apothem]
    top = [gap if top_open else -1e-6, -apothem]
    return np.vstack([bottom, right, top])


def _symmetric_path(halves: list[tuple[Float, Float]]) -> Float:
    """The centre line over all half rings, without the leads."""
    inward: list[Float] = []
    side, upward = 0, True
    for pair in halves:
        run = pair[side]
        inward.append(run if upward else run[::-1])
        side, upward = 1 - side, not upward
    first = np.vstack(inward)
    mirrored = first * np.array([-1.0, 1.0])
    return np.vstack([first, mirrored[::-1]])


def _stroke(line: Float, width: float) -> Polygon:
    stroke = LineString(line).buffer(0.5 * width, cap_style="flat", join_style="mitre", mitre_limit=3.0)
    if not isinstance(stroke, Polygon):
        raise ValueError("a conductor falls into pieces: width and spacing do not fit")
    return stroke


def _polygons(shape: object) -> list[Polygon]:
    if isinstance(shape, Polygon):
        return [shape]
    return [part for part in getattr(shape, "geoms", []) if isinstance(part, Polygon)]


def _move(points: Float, centre: tuple[float, float], rotation_deg: float) -> Float:
    turn = math.radians(rotation_deg)
    matrix = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    return np.asarray(points @ matrix + np.asarray(centre))


def _placed(polygons: list[Polygon], centre: tuple[float, float], rotation_deg: float) -> tuple[Polygon, ...]:
    return tuple(
        Polygon(
            _move(np.asarray(p.exterior.coords), centre, rotation_deg),
            [_move(np.asarray(hole.coords), centre, rotation_deg) for hole in p.interiors],
        )
        for p in polygons
    )
