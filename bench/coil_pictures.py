"""Random windings, each in a small picture of its own, by the phantom's own renderer and camera."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from dieplat.inductance.partial import Array
from dieplat.phantom.camera import CameraPlan, Exposure, Frame, expose, shading
from dieplat.phantom.dirt import add_dirt
from dieplat.phantom.inductor import SIDES, Inductor, draw_spiral, draw_symmetric, inner_diameter_um
from dieplat.phantom.layers import Area, Colour, Die, Layer, Sheet, Spot
from dieplat.phantom.render import FINE, DieRaster, look

UM = 0.5
MARGIN_PX = 24
BORDER_PX = 6
"""`expose` cuts this much off on every side."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A picture, its outline in mosaic pixels, the winding it shows (in pixels) with its centre line in the mosaic."""

    picture: np.ndarray
    outline: Polygon
    origin_px: tuple[int, int]
    um_per_px: tuple[float, float]
    coil: Inductor
    path_um: Array
    words: str


@dataclass(frozen=True, slots=True)
class Place:
    """Where a drawing lies in the mosaic; `mirror` is the sum of a point's x and its mirror image's, if mirrored."""

    frame: Frame
    mirror: float | None

    def to_mosaic(self, points: Array) -> Array:
        """Drawing units (N, 2) to mosaic pixels."""
        at = self.frame.to_mosaic(points)
        return at if self.mirror is None else np.column_stack([self.mirror - at[:, 0], at[:, 1]])


def random_coil(rng: np.random.Generator, centre: float, lead: float) -> Inductor:
    """A winding of 120 to 300 units with lines of 5 to 16 and gaps of 5 to 12, inner diameter a third or more."""
    kind = str(rng.choice(["square", "hexagon", "octagon", "circle", "symmetric"]))
    while True:
        outer = float(rng.uniform(120.0, 300.0))
        width, spacing = (float(np.exp(rng.uniform(np.log(5.0), np.log(most)))) for most in (16.0, 12.0))
        if kind == "symmetric":
            turns, shape = float(rng.integers(2, 6)), str(rng.choice(["square", "octagon", "hexagon"]))
        else:
            shape = kind
            step = 1.0 / SIDES.get(kind, 4)
            turns = float(rng.integers(math.ceil(1.5 / step), round(6.0 / step) + 1)) * step
        # The crossings of a winding and the steps of a spiral need room on the innermost ring.
        if inner_diameter_um(turns, outer, width, spacing) > max(0.3 * outer, 4.5 * (width + spacing)):
            break
    place = {"centre_um": (centre, centre), "lead_um": lead}
    if kind == "symmetric":
        return draw_symmetric(outer, width, spacing, turns=round(turns), shape=shape, **place)
    return draw_spiral(shape, turns, outer, width, spacing, **place)


def with_own_end(coil: Inductor, rng: np.random.Generator) -> Inductor:
    """A spiral whose metal reaches a quarter to three quarters of a width beyond the via at its inner end.

    Makers differ there (common practice, no source); the phantom's own reaches half a width. The end of the centre
    line, which is the via's middle, stays.
    """
    if coil.symmetric:
        return coil
    end, along = coil.path_um[-1], coil.path_um[-1] - coil.path_um[-2]
    along = along / np.hypot(*along)
    # No nearer to the turn around it than half the gap.
    w, reach = coil.width_um, float(min(rng.uniform(0.25, 0.75), 0.5 + 0.5 * coil.spacing_um / coil.width_um))
    longer = LineString([end, end + reach * w * along]).buffer(0.5 * w, cap_style="flat")
    metal = shapely.union_all([*coil.metal, longer])
    if reach < 0.5:
        cut = LineString([end + reach * w * along, end + 0.51 * w * along]).buffer(0.51 * w, cap_style="flat")
        metal = metal.difference(cut)
    return replace(coil, metal=tuple(p for p in shapely.get_parts(metal) if p.geom_type == "Polygon"))


def random_colours(rng: np.random.Generator, under: float) -> tuple[Colour, Colour, Colour, Colour]:
    """Ground, metal, what runs below it, and vias; `under` is how far the latter is from ground to metal."""
    while True:
        ground, metal = rng.uniform(0.15, 0.9, 3), rng.uniform(0.15, 0.9, 3)
        if np.abs(metal - ground).max() > 0.2:
            break
    below = ground + under * (metal - ground) + rng.uniform(-0.02, 0.02, 3) * (under > 0)
    via = ground + rng.uniform(0.8, 1.1) * (metal - ground)
    return tuple(tuple(float(v) for v in np.clip(c, 0.02, 0.98)) for c in (ground, metal, below, via))  # type: ignore[return-value]


def draw(seed: int, *, dust: float = 0.0, jpeg: int | None = None) -> Drawn:
    """Draw one winding and take its picture; `dust` as `dusty` takes it, `jpeg` the quality it is saved with."""
    rng = np.random.default_rng([seed, 78])
    lead = float(rng.uniform(14.0, 40.0))
    half = 260.0
    coil = with_own_end(random_coil(rng, half, lead), np.random.default_rng([seed, 80]))
    under = float(rng.choice([0.0, rng.uniform(0.1, 0.6)], p=[0.3, 0.7]))
    colours = random_colours(rng, under)
    pitch = coil.width_um + coil.spacing_um
    reach = 0.5 * coil.outer_um + lead
    ring = rng.random() < 0.35
    thick = float(rng.uniform(4.0, 14.0))
    own = bool(rng.random() < 0.5)
    slit = bool(rng.random() < 0.3)
    sheet = Sheet()
    sheet.box(colours[0], (-half, -half, 3 * half, 3 * half))
    for piece in coil.under:
        sheet.area(colours[2], piece)
    if ring:
        # A ring lies clear of the winding: no nearer than 1.7 pitches, leads included.
        reach = max(reach, 0.5 * coil.outer_um / math.cos(math.pi / SIDES.get(coil.shape, 99)) + 1.7 * pitch)
        band = guard_ring(coil, reach, thick, slit)
        part = 1.0 if own else float(rng.uniform(0.6, 1.0))
        sheet.area(mixed(colours[0], colours[1], part), band)
    for piece in coil.metal:
        sheet.area(colours[1], piece)
    for piece in coil.vias:
        sheet.area(colours[3], piece)
    sheet.layers += dusty(2 * half, dust, seed)
    die = Die(2 * half, 2 * half, tuple(sheet.layers), (), texture=1.0, seed=seed)
    stretch = float(rng.uniform(0.98, 1.02)) if rng.random() < 0.5 else 1.0
    rotation = float(rng.uniform(0.0, 360.0))
    frame = Frame(stretch, 1.0 / stretch, rotation, (half, half), (half, half))
    outline, kind = random_outline(rng, coil, reach + thick if ring else reach, frame)
    sigma, noise, uneven = float(rng.uniform(0.7, 2.0)), float(rng.uniform(2.0, 4.0)), float(rng.uniform(0.0, 0.35))
    picture, origin = take(die, frame, outline, rng, (sigma, noise, uneven))
    place = Place(frame, float(origin[0] + origin[0] + picture.shape[1]) if rng.random() < 0.5 else None)
    if place.mirror is not None:
        picture = np.ascontiguousarray(picture[:, ::-1])
        outline = shapely.affinity.affine_transform(outline, [-1.0, 0.0, 0.0, 1.0, place.mirror, 0.0])
    if jpeg is not None:
        # OpenCV takes blue first; brightness, which JPEG keeps sharp, is not the same weights the other way round.
        saved = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, jpeg])[1]
        picture = cv2.cvtColor(cv2.imdecode(saved, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    around = ", ring" * ring + " slit" * (ring and slit) + " of its metal" * (ring and own)
    words = (
        f"{'symmetric ' if coil.symmetric else ''}{coil.shape}, {coil.turns:g} turns, "
        f"w {coil.width_um:.1f} s {coil.spacing_um:.1f} outer {coil.outer_um:.0f} px, turned {rotation:.0f}, "
        f"blur {sigma:.1f}, noise {noise:.1f}, under {under:.2f}, outline {kind}{around}"
    )
    path_um = place.to_mosaic(line_of(coil)) * [stretch, 1.0 / stretch] * UM
    return Drawn(picture, outline, origin, (UM * stretch, UM / stretch), coil, path_um, words)


def line_of(coil: Inductor) -> Array:
    """The centre line from where the lead touches it: that of a circle goes on along the first chord of its ring, so it
    touches the circle at that chord's middle."""
    line = np.array(coil.path_um)
    if coil.shape == "circle":
        line[0] = 0.5 * (line[0] + line[1])
    return line


def dusty(side: float, amount: float, seed: int) -> list[Layer]:
    """The phantom's dirt over a square of this side: at 1 as much to the area as its dies have, at 0 none."""
    if amount <= 0.0:
        return []
    # Drawn over a much larger square, as the phantom adds a grain or two to any area however small.
    wide = 5 * side * UM
    sheet = Sheet()
    add_dirt(sheet, (wide, wide), np.random.default_rng([seed, 79]), amount=amount)
    cut = 2 * side * UM
    moved = [grown(layer, (cut, cut), 1.0 / UM) for layer in sheet.layers]
    seen = shapely.box(0.0, 0.0, side, side)
    return [layer for layer in moved if seen.intersects(shapely.box(*layer.bounds_um()))]


def grown(layer: Layer, origin: tuple[float, float], by: float) -> Layer:
    """A grain or a stain, seen from `origin` and larger by this factor."""
    x0, y0 = origin
    if isinstance(layer, Spot):
        x, y = layer.centre_um
        return replace(layer, centre_um=(by * (x - x0), by * (y - y0)), radius_um=by * layer.radius_um)
    assert isinstance(layer, Area)
    matrix = [by, 0.0, 0.0, by, -by * x0, -by * y0]
    return replace(layer, polygon_um=shapely.affinity.affine_transform(layer.polygon_um, matrix))


def mixed(ground: Colour, metal: Colour, part: float) -> Colour:
    """A colour between ground and metal."""
    r, g, b = (a + part * (m - a) for a, m in zip(ground, metal, strict=True))
    return r, g, b


def guard_ring(coil: Inductor, reach: float, thick: float, slit: bool) -> Polygon:
    """A ring of metal: square, or of the coil's own shape where that has room."""
    x, y = coil.centre_um
    ring = shapely.box(x - reach - thick, y - reach - thick, x + reach + thick, y + reach + thick).difference(
        shapely.box(x - reach, y - reach, x + reach, y + reach)
    )
    if slit:
        ring = ring.difference(shapely.box(x + 0.3 * reach, y - 3 * reach, x + 0.3 * reach + 1.2 * thick, y))
    assert isinstance(ring, Polygon)
    return ring


def random_outline(rng: np.random.Generator, coil: Inductor, reach: float, frame: Frame) -> tuple[Polygon, str]:
    """A box, upright on the die, upright in the mosaic or turned at will, a little or well outside the winding."""
    kind = str(rng.choice(["tight", "loose", "turned"]))
    x, y = coil.centre_um
    metal = shapely.MultiPoint(np.vstack([frame.to_mosaic(coil.path_um)]))
    centre = frame.to_mosaic([[x, y]])[0]
    half = 0.5 * coil.width_um
    if kind == "tight":
        grown = 0.5 * coil.outer_um + float(rng.uniform(0.0, 4.0))
        corners = np.array(
            [[x - grown, y - grown], [x + grown, y - grown], [x + grown, y + grown], [x - grown, y + grown]]
        )
        if coil.shape == "hexagon":
            return Polygon(frame.to_mosaic(metal_box(coil, float(rng.uniform(0.0, 4.0))))), kind
        return Polygon(frame.to_mosaic(corners)), kind
    wide = float(rng.uniform(1.05, 1.35))
    if kind == "loose":
        x0, y0, x1, y1 = metal.bounds
        box = shapely.box(x0 - half, y0 - half, x1 + half, y1 + half)
        return shapely.affinity.scale(box, wide, wide * float(rng.uniform(0.97, 1.03))), kind
    box = metal.minimum_rotated_rectangle.buffer(half, join_style="mitre")
    turned = shapely.affinity.rotate(box, float(rng.uniform(0.0, 90.0)), origin=tuple(centre))
    return shapely.affinity.scale(turned, wide, wide, origin=tuple(centre)), kind


def metal_box(coil: Inductor, grown: float) -> Array:
    """The corners of the box round a winding's own metal (without leads), `grown` outwards."""
    x0, y0, x1, y1 = LineString(coil.path_um).bounds
    g = 0.5 * coil.width_um + grown
    return np.array([[x0 - g, y0 - g], [x1 + g, y0 - g], [x1 + g, y1 + g], [x0 - g, y1 + g]])


def take(
    die: Die, frame: Frame, outline: Polygon, rng: np.random.Generator, look_of: tuple[float, float, float]
) -> tuple[np.ndarray, tuple[int, int]]:
    """The crop round an outline, as a survey reads it, and where its corner lies."""
    sigma, noise, uneven = look_of
    x0, y0, x1, y1 = outline.bounds
    left, top = math.floor(x0) - MARGIN_PX, math.floor(y0) - MARGIN_PX
    right, bottom = math.ceil(x1) + MARGIN_PX, math.ceil(y1) + MARGIN_PX
    x, y = np.meshgrid(
        np.arange(left - BORDER_PX, right + BORDER_PX) + 0.5, np.arange(top - BORDER_PX, bottom + BORDER_PX) + 0.5
    )
    light = look(DieRaster(die, 1.0 / FINE, FINE), *frame.to_die(x, y))
    light *= shading(light.shape[1], light.shape[0], uneven)[..., None]
    camera = CameraPlan(vignetting=0.0, noise=noise / 255.0)
    # The raster's own point spread has a deviation of 0.58 px, the pixel's width included.
    extra = math.sqrt(max(sigma**2 - 0.58**2, 0.0))
    picture = expose(np.ascontiguousarray(light, np.float32), Exposure((1.0, 1.0, 1.0), extra), camera, rng)
    return picture, (left, top)
