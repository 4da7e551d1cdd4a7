"""An independent drawing of planar inductors with known geometry: exact outlines, painted 8 times finer.

Nothing here comes from the library: conductors are shapely outlines, filled by OpenCV and averaged down.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from shapely.geometry import LineString, Polygon, box
from shapely.ops import unary_union

FINE = 8
SIDES = {"square": 4, "hexagon": 6, "octagon": 8, "circle": 0}


@dataclass(frozen=True)
class Drawn:
    """A picture with what it shows, lengths in pixels; `outer`, `inner` are means over the sides.

    `line` is the centre line from the outer end to the inner one, None where it is not kept.
    """

    image: np.ndarray
    polygon: Polygon
    shape: str
    turns: float
    width: float
    spacing: float
    outer: float
    inner: float
    centre: tuple[float, float]
    rotation: float
    symmetric: bool
    line: np.ndarray | None = None


def corner(a0, n0, a1, n1):
    """Where the lines at distance a with normal n (radians) meet."""
    m = np.array([[np.cos(n0), np.sin(n0)], [np.cos(n1), np.sin(n1)]])
    return np.linalg.solve(m, [a0, a1])


def stepped_spiral(sides, turns, outer, width, spacing):
    """Centre line of a polygonal spiral about the origin that steps in by one pitch a turn, at a corner."""
    step, pitch, first = 2 * np.pi / sides, width + spacing, outer / 2 - width / 2
    count = int(np.ceil(turns * sides - 1e-9))
    apothem = [first - pitch * (i // sides) for i in range(count + 1)]
    points = [corner(first, -step, first, 0.0)]
    for i in range(count - 1):
        points.append(corner(apothem[i], i * step, apothem[i + 1], (i + 1) * step))
    end = -step / 2 + 2 * np.pi * turns
    ray, last = np.array([np.cos(end), np.sin(end)]), (count - 1) * step
    points.append(ray * apothem[count - 1] / np.cos(end - last))
    return np.array(points)


def drifting_spiral(turns, outer, width, spacing):
    """Centre line of an Archimedean spiral; `outer` is the mean over the first turn, its widest is more."""
    pitch = width + spacing
    angle = np.linspace(0, 2 * np.pi * turns, int(200 * turns))
    radius = outer / 2 - width / 2 + pitch / 2 - pitch * angle / (2 * np.pi)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


def stepped_round_spiral(turns, outer, width, spacing):
    """Centre line of rings that step in by one pitch, smoothly, over the last 35 degrees of every turn."""
    angle = np.linspace(0, 2 * np.pi * turns, int(200 * turns))
    turn, rest = np.floor(angle / (2 * np.pi)), angle % (2 * np.pi)
    x = np.clip((rest - (2 * np.pi - 0.6)) / 0.6, 0, 1)
    radius = outer / 2 - width / 2 - (width + spacing) * (turn + x * x * (3 - 2 * x))
    radius[-1] = radius[-2]
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


def place(geometry_points, rotation, centre):
    c, s = np.cos(rotation), np.sin(rotation)
    return np.asarray(geometry_points) @ np.array([[c, s], [-s, c]]) + centre


def paint(shape_hw, metal):
    """Coverage of every pixel by `metal` (pixel (0, 0) covers 0..1), to 1/64."""
    h, w = shape_hw
    fine = np.zeros((h * FINE, w * FINE), np.uint8)
    # OpenCV fills the outline itself too, half a fine pixel too far out.
    metal = metal.buffer(-0.5 / FINE, join_style="mitre")
    for part in getattr(metal, "geoms", [metal]):
        if part.is_empty or part.geom_type != "Polygon":
            continue
        # Fine pixel centres lie at integer coordinates for OpenCV; 4 fractional bits keep the outline exact.
        rings = [np.asarray(r.coords)[:-1] * FINE - 0.5 for r in (part.exterior, *part.interiors)]
        cv2.fillPoly(fine, [np.round(r * 16).astype(np.int32) for r in rings], 1, shift=4)
    return fine.reshape(h, FINE, w, FINE).mean(axis=(1, 3))


def finish(metal, under, rng, *, blur, noise, levels=None, light=0.2, colour=True):
    """Colours, light that is uneven by `light`, blur, and noise in 8-bit steps."""
    h, w = metal.shape
    base, top, low = levels or ((70, 60, 90), (190, 170, 120), (105, 95, 98))
    cover = np.where(metal > 0, 1.0, 0.0) * metal
    picture = np.zeros((h, w, 3))
    for c in range(3):
        ground = base[c] + under * (low[c] - base[c])
        picture[..., c] = ground * (1 - cover) + top[c] * cover
    if blur > 0:
        picture = cv2.GaussianBlur(picture, (0, 0), blur)
    y, x = np.mgrid[-1 : 1 : h * 1j, -1 : 1 : w * 1j]
    turn = rng.uniform(0, 2 * np.pi)
    picture *= (1 + light * (np.cos(turn) * x + np.sin(turn) * y) / 2 - light * (x * x + y * y) / 4)[..., None]
    picture += rng.normal(0, noise, picture.shape)
    picture = np.clip(np.round(picture), 0, 255).astype(np.uint8)
    return picture if colour else picture[..., 0].copy()


def outline(centre, reach, size):
    cx, cy = centre
    return box(max(cx - reach, 1), max(cy - reach * 1.02, 1), min(cx + reach, size - 1), min(cy + reach, size - 1))


def draw_spiral(
    rng,
    shape,
    turns,
    outer,
    width,
    spacing,
    *,
    drift=False,
    rotation=0.0,
    leads=True,
    blur=1.0,
    noise=3.0,
    levels=None,
    light=0.2,
    colour=True,
    loose=1.2,
    taper=0.0,
    ringed=False,
):
    """A single-ended spiral; with `leads`, a lead leaves the outer end and an underpass the inner end.

    `taper` widens a polygon's conductor from turn to turn inwards, its centre line staying where it is; `ringed`
    puts a closed square of the same metal around, which the lead runs into.
    """
    sides = SIDES[shape]
    if drift:
        line = drifting_spiral(turns, outer, width, spacing)
    elif not sides:
        line = stepped_round_spiral(turns, outer, width, spacing)
    else:
        line = stepped_spiral(sides, turns, outer, width, spacing)
    size = int(outer * loose * 1.5) + 24
    centre = np.array([size / 2, size / 2]) + rng.uniform(-4, 4, 2)
    reach = outer / 2 * loose + 6
    line = place(line, rotation, centre)
    metal = stroke(line, width)
    if taper:
        starts = range(0, len(line) - 1, sides)
        metal = unary_union([stroke(line[k : k + sides + 1], width + taper * (k // sides)) for k in starts])
    if ringed:
        at = 0.5 * outer + 2.2 * (width + spacing)
        around = box(*(centre - at), *(centre + at))
        metal = unary_union([metal, around.buffer(1.3 * width, join_style="mitre").difference(around)])
    under = Polygon()
    if leads:
        out = (line[0] - centre) / np.linalg.norm(line[0] - centre)
        along = out if drift else line[0] - line[1]
        along = along / np.linalg.norm(along)
        metal = unary_union(
            [
                metal,
                LineString([line[0] - along, line[0] + along * reach]).buffer(width / 2, cap_style="flat"),
            ]
        )
        away = (line[-1] - centre) / np.linalg.norm(line[-1] - centre)
        under = LineString([line[-1] - away * width / 2, line[-1] + away * 2 * reach]).buffer(
            width / 2, cap_style="flat"
        )
    image = finish(
        paint((size, size), metal),
        paint((size, size), under),
        rng,
        blur=blur,
        noise=noise,
        levels=levels,
        light=light,
        colour=colour,
    )
    inner = outer - 2 * turns * width - 2 * (turns - 1) * spacing
    return Drawn(
        image,
        outline(centre, reach, size),
        shape,
        turns,
        width,
        spacing,
        outer,
        inner,
        tuple(centre),
        rotation,
        False,
        line,
    )


def stroke(line, width):
    return LineString(line).buffer(width / 2, cap_style="flat", join_style="mitre", mitre_limit=3)


def ring(sides, apothem, rotation, centre):
    count = sides or 180
    angle = (np.arange(count) + 0.5) * 2 * np.pi / count
    radius = apothem / np.cos(np.pi / count) if sides else apothem
    return Polygon(place(np.stack([radius * np.cos(angle), radius * np.sin(angle)], 1), rotation, centre))


def draw_symmetric(
    rng,
    shape,
    turns,
    outer,
    width,
    spacing,
    *,
    rotation=0.0,
    blur=1.0,
    noise=3.0,
    levels=None,
    light=0.2,
    colour=True,
    loose=1.2,
):
    """Rings that swap places where they cross, on the side at `rotation` and the one opposite (the port)."""
    sides, pitch = SIDES[shape], width + spacing
    size = int(outer * loose * 1.5) + 24
    centre = np.array([size / 2, size / 2]) + rng.uniform(-4, 4, 2)
    reach = outer / 2 * loose + 6
    gap, tops, unders = 1.2 * pitch, [], []

    def local(points, facing):
        return place(points, rotation + facing, centre)

    cuts = {k: [] for k in range(turns)}
    for facing, first in ((0.0, 0), (np.pi, 1)):
        for k in range(first, turns - 1, 2):
            a, b = (outer / 2 - width / 2 - pitch * j for j in (k, k + 1))
            for strap, store in (
                (
                    LineString(local([(a, -gap / 2 - 1), (a, -gap / 2), (b, gap / 2), (b, gap / 2 + 1)], facing)),
                    tops,
                ),
                (
                    LineString(local([(b, -gap / 2 - 1), (b, -gap / 2), (a, gap / 2), (a, gap / 2 + 1)], facing)),
                    unders,
                ),
            ):
                store.append(strap.buffer(width / 2, cap_style="flat", join_style="mitre"))
            for j in (k, k + 1):
                cuts[j].append((facing, gap / 2))
    cuts[0].append((np.pi, spacing / 2))
    for j, cut in cuts.items():
        edge = outer / 2 - pitch * j
        band = ring(sides, edge, rotation, centre).difference(ring(sides, edge - width, rotation, centre))
        for facing, half in cut:
            window = [
                (edge - width - 1, -half),
                (edge + 1, -half),
                (edge + 1, half),
                (edge - width - 1, half),
            ]
            band = band.difference(Polygon(local(window, facing)))
        tops.append(band)
    for sign in (-1, 1):
        y = sign * (spacing + width) / 2
        tops.append(
            LineString(local([(outer / 2 - width, y), (2 * reach, y)], np.pi)).buffer(width / 2, cap_style="flat")
        )
    image = finish(
        paint((size, size), unary_union(tops)),
        paint((size, size), unary_union(unders)),
        rng,
        blur=blur,
        noise=noise,
        levels=levels,
        light=light,
        colour=colour,
    )
    inner = outer - 2 * turns * width - 2 * (turns - 1) * spacing
    return Drawn(
        image,
        outline(centre, reach, size),
        shape,
        float(turns),
        width,
        spacing,
        outer,
        inner,
        tuple(centre),
        rotation,
        True,
    )
