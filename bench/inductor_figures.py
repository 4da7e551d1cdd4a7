"""How well inductors are read from pictures: many random windings, each in a small picture of its own.

    python bench/inductor_figures.py                                # 200 windings from seed 5000
    python bench/inductor_figures.py --seeds 1-200 --workers 2      # seeds for tuning; report others
    python bench/inductor_figures.py --no-inductance                # counts and lengths only, quick

The windings are drawn by the phantom's own renderer and camera: squares, hexagons, octagons and circles of 1.5 to 6
turns in steps of a side (circles: a quarter), and windings with crossings and a centre tap; turned by any angle,
mirrored or not, on pixels that need not be square, blurred, under uneven light, in any colours, the underpass seen or
not, some in a ring of metal; the outline loose or tight, upright or turned.
A count, a shape or a kind (spiral or crossing itself) that differs from the truth is wrong. The inductance is
compared with the same solver on the true centre line; its stated uncertainty here is that of the geometry alone, as
thickness and use of the current are known. The exit status is 1 if anything was wrong.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from dieplat.errors import UndecidedError
from dieplat.inductance.partial import Array
from dieplat.inductance.path import spiral_path
from dieplat.inductance.segment_sum import lane_network
from dieplat.measurement.inductors import measure_inductor
from dieplat.phantom.camera import CameraPlan, Exposure, Frame, expose, shading
from dieplat.phantom.inductor import SIDES, Inductor, draw_spiral, draw_symmetric, inner_diameter_um
from dieplat.phantom.layers import Colour, Die, Sheet
from dieplat.phantom.render import DieRaster, look
from dieplat.values import InductorGeometry
from seed_range import seed_range

COVERAGE = 1.96
WRONG_TURNS = 0.03
"""A stated count this far from the true one is wrong, whatever its uncertainty; steps are 0.125 or more."""
THICKNESS_UM = 2.0
UM = 0.5
MARGIN_PX = 24
BORDER_PX = 6
"""`expose` cuts this much off on every side."""
LENGTHS = ("width", "spacing", "outer", "inner")


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


@dataclass(frozen=True, slots=True)
class Trial:
    """One winding: what was drawn, what came of it; errors in pixels (inductance: relative) and in stated u."""

    seed: int
    state: str
    drawn: str
    remark: str = ""
    errors: dict[str, float] = field(default_factory=dict)
    in_u: dict[str, float] = field(default_factory=dict)


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


def random_colours(rng: np.random.Generator, under: float) -> tuple[Colour, Colour, Colour, Colour]:
    """Ground, metal, what runs below it, and vias; `under` is how far the latter is from ground to metal."""
    while True:
        ground, metal = rng.uniform(0.15, 0.9, 3), rng.uniform(0.15, 0.9, 3)
        if np.abs(metal - ground).max() > 0.2:
            break
    below = ground + under * (metal - ground) + rng.uniform(-0.02, 0.02, 3) * (under > 0)
    via = ground + rng.uniform(0.8, 1.1) * (metal - ground)
    return tuple(tuple(float(v) for v in np.clip(c, 0.02, 0.98)) for c in (ground, metal, below, via))  # type: ignore[return-value]


def draw(seed: int) -> Drawn:
    """Draw one winding and take its picture."""
    rng = np.random.default_rng([seed, 78])
    lead = float(rng.uniform(14.0, 40.0))
    half = 260.0
    coil = random_coil(rng, half, lead)
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
    around = ", ring" * ring + " slit" * (ring and slit) + " of its metal" * (ring and own)
    words = (
        f"{'symmetric ' if coil.symmetric else ''}{coil.shape}, {coil.turns:g} turns, "
        f"w {coil.width_um:.1f} s {coil.spacing_um:.1f} outer {coil.outer_um:.0f} px, turned {rotation:.0f}, "
        f"blur {sigma:.1f}, noise {noise:.1f}, under {under:.2f}, outline {kind}{around}"
    )
    path_um = place.to_mosaic(coil.path_um) * [stretch, 1.0 / stretch] * UM
    return Drawn(picture, outline, origin, (UM * stretch, UM / stretch), coil, path_um, words)


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
    light = look(DieRaster(die, 1.0), *frame.to_die(x, y))
    light *= shading(light.shape[1], light.shape[0], uneven)[..., None]
    camera = CameraPlan(vignetting=0.0, noise=noise / 255.0)
    # The renderer's own point spread has a deviation of 0.58 px, the pixel's width included.
    extra = math.sqrt(max(sigma**2 - 0.58**2, 0.0))
    picture = expose(np.ascontiguousarray(light, np.float32), Exposure((1.0, 1.0, 1.0), extra), camera, rng)
    return picture, (left, top)


def inductance_nh(path_um: Array, width_um: float) -> float:
    """By the segment sum, a curve in pieces that leave it by a sixtieth of the width."""
    line = np.asarray(shapely.LineString(path_um).simplify(width_um / 60, preserve_topology=False).coords)
    return lane_network(line, width_um, THICKNESS_UM, across=2).shared()


def of_found(found: InductorGeometry) -> tuple[float, float]:
    """Inductance along what was found, and its standard uncertainty by the geometry alone."""
    path = np.asarray(found.path_um) if found.path_um else spiral_path(found)
    value = inductance_nh(path, found.width_um)
    length = float(np.hypot(*np.diff(path, axis=0).T).sum())
    # L is of degree one in all lengths together; along the line it grows as the square of the length.
    parts = [value * (found.outer_um_u or 0.0) / found.outer_um]
    wider = inductance_nh(path, 1.02 * found.width_um)
    parts.append((wider - value) / (0.02 * found.width_um) * (found.width_um_u or 0.0))
    parts.append(2.0 * value / length * (getattr(found, "ends_um_u", None) or 0.0))
    return value, float(np.linalg.norm(parts))


def try_one(seed: int, inductance: bool) -> Trial:
    """Draw one winding and measure it."""
    drawn = draw(seed)
    coil = drawn.coil
    um_x, um_y = drawn.um_per_px
    try:
        found = measure_inductor(
            drawn.picture, drawn.outline, um_per_px_x=um_x, um_per_px_y=um_y, origin_px=drawn.origin_px
        )
    except UndecidedError as error:
        return Trial(seed, "refused", drawn.words, str(error).split("; draw the")[0])
    errors, in_u = {}, {}
    for name in LENGTHS:
        off = getattr(found, f"{name}_um") / UM - getattr(coil, f"{name}_um")
        errors[name], in_u[name] = off, off * UM / (getattr(found, f"{name}_um_u") or math.nan)
    if inductance:
        true = inductance_nh(drawn.path_um, coil.width_um * UM)
        value, value_u = of_found(found)
        errors["inductance"], in_u["inductance"] = value / true - 1.0, (value - true) / value_u
    faults = [
        f"{what} {seen} not {truth}"
        for what, seen, truth in (
            ("shape", found.shape, coil.shape),
            ("turns", found.turns, coil.turns),
            ("symmetric", found.symmetric, coil.symmetric),
        )
        if (abs(seen - truth) > WRONG_TURNS if what == "turns" else seen is not None and seen != truth)  # type: ignore[operator]
    ]
    if faults:
        return Trial(seed, "wrong", drawn.words, ", ".join(faults), errors, in_u)
    return Trial(seed, "right", drawn.words, " | ".join(found.remarks), errors, in_u)


def summary(trials: Sequence[Trial]) -> dict[str, Any]:
    """The figures over all trials; errors and coverage over those that were right."""
    right = [trial for trial in trials if trial.state == "right"]
    states = Counter(trial.state for trial in trials)
    found: dict[str, Any] = {"windings": len(trials), **{s: states[s] for s in ("right", "refused", "wrong")}}
    for name in right[0].errors if right else ():
        errors = np.abs([trial.errors[name] for trial in right])
        scores = np.abs([trial.in_u[name] for trial in right])
        found[name] = {
            "rms": float(np.sqrt(np.mean(errors**2))),
            "p95": float(np.percentile(errors, 95)),
            "max": float(errors.max()),
            "rms_in_u": float(np.sqrt(np.mean(scores**2))),
            "covered_95": float(np.mean(scores <= COVERAGE)),
        }
    return found


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="5000-5199", help="first-last")
    parser.add_argument("--no-inductance", action="store_true", help="leave the segment sums out")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--json", type=Path, help="write every trial to this file")
    given = parser.parse_args(arguments)
    seeds = seed_range(given.seeds)
    with ProcessPoolExecutor(given.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        trials = []
        for trial in pool.map(try_one, seeds, [not given.no_inductance] * len(seeds)):
            trials.append(trial)
            if trial.state != "right":
                print(f"{trial.state.upper()} {trial.seed}: {trial.drawn}; {trial.remark}", file=sys.stderr, flush=True)
    found = summary(trials)
    if given.json is not None:
        text = json.dumps({"summary": found, "trials": [asdict(trial) for trial in trials]}, indent=1)
        given.json.write_text(text, encoding="utf-8")
    print(f"{found['windings']} windings: {found['right']} right, {found['refused']} refused, {found['wrong']} wrong")
    for name, figures in found.items():
        if isinstance(figures, dict):
            unit = "" if name == "inductance" else " px"
            print(
                f"{name}: rms {figures['rms']:.4f}{unit}, 95 % below {figures['p95']:.4f}, "
                f"largest {figures['max']:.4f}; rms {figures['rms_in_u']:.2f} u, "
                f"{100 * figures['covered_95']:.1f} % within {COVERAGE} u"
            )
    return 1 if found["wrong"] else 0


if __name__ == "__main__":
    raise SystemExit(main())
