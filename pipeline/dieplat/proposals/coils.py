"""Windings: places around which the edges turn, all round and at several distances."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.metal import separate_metal
from dieplat.measurement.inductor.surroundings import half_level_runs, keep_winding
from dieplat.measurement.inductor.unwrap import Frame, unwrap
from dieplat.proposals.texture import Texture
from dieplat.proposals.values import Box, Floats, Image, Mask

COARSE_PX = 400
"""Longest side of the maps in which centres are looked for."""
SMALLEST, LARGEST = 0.035, 0.40
"""Outer radii that are looked for, as parts of the sheet's shorter side."""
ROUND = 0.42
"""Least concentricity: 1 for circles, 2 / pi for squares, about 0 for crossing lines."""
EVEN = 0.35
"""Each of the four directions has at least this much of the mean edge density."""
MOST = 40
"""Places that are looked at closely, the likeliest first."""
WIDE, NARROW, LIKELIEST = (1.35, 1.8), (1.1,), 12
"""How far around a place a winding is looked for, in parts of the radius found there. What surrounds a pale winding may
differ more from its plate than the winding does, so that the likeliest of the places that are left are looked at once
more, narrowly: last, for a winding that is cut must not be preferred."""
RAYS = 180
AROUND = 0.72
"""Least concentricity of a winding's own edges with the shape that was found."""
OFF = 0.06
"""Outermost edges lie this near to a regular shape, as a part of its size (median over all directions)."""
TWO_BANDS = 0.35
"""In at least this part of the directions two bands or more are crossed."""


@dataclass(frozen=True, slots=True)
class Coil:
    """A winding on the sheet: its box (drawn loosely around it), sides (0: round), how well it fits, bands crossed."""

    box: Box
    sides: int
    off: float
    bands: float


def find_coils(pixels: Image, texture: Texture, taken: Mask) -> list[Coil]:
    """All windings of a sheet; none within `taken`."""
    found: list[Coil] = []
    places = _centres(texture, taken)
    for reaches, chosen in ((WIDE, places), (NARROW, places[:LIKELIEST])):
        for x, y, radius in chosen:
            if any(coil.box.x0 < x < coil.box.x1 and coil.box.y0 < y < coil.box.y1 for coil in found):
                continue
            for reach in reaches:
                coil = _coil(pixels, texture, x, y, reach * radius)
                if coil is not None and taken[coil.box.cut()].mean() < 0.05:
                    if all(coil.box.shared(other.box) < 0.2 * min(coil.box.area, other.box.area) for other in found):
                        found.append(coil)
                    break
    return found


def _centres(texture: Texture, taken: Mask) -> list[tuple[float, float, float]]:
    """(x, y, outer radius) where edges run around, best first.

    With the gradient's direction a and the direction t from the centre, cos(2 (a - t)) is 1 where an edge runs around
    the centre; its mean over a ring, weighted by the gradient, is found for all centres by filters.
    """
    height, width = texture.xx.shape
    step = max(1, round(max(height, width) / COARSE_PX))
    size = (width // step, height // step)
    weight = np.sqrt(texture.xx + texture.yy) + 1e-3
    weight_free = np.where(taken, 0.0, 1.0).astype(np.float32)

    def coarse(part: Image) -> Image:
        cut = np.ascontiguousarray((part * weight_free)[: size[1] * step, : size[0] * step])
        return np.asarray(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), dtype=np.float32)

    first, second = coarse((texture.xx - texture.yy) / weight), coarse(2.0 * texture.xy / weight)
    total = coarse(weight)
    floor = 0.3 * float(total.mean())
    found: list[tuple[float, float, float, float]] = []
    short = min(size)
    radii = np.geomspace(max(SMALLEST * short, 4.0), LARGEST * short, 12)
    for radius in radii:
        reach = int(np.ceil(radius))
        v, u = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(np.float32)
        distance, angle = np.hypot(u, v), np.arctan2(v, u)
        ring = np.clip(np.minimum(radius - distance, distance - 0.45 * radius) + 0.5, 0.0, 1.0)
        ring = (ring / ring.sum()).astype(np.float32)

        def mean(part: Image, kernel: Image) -> Image:
            return np.asarray(cv2.filter2D(part, cv2.CV_32F, kernel, borderType=cv2.BORDER_CONSTANT))

        around = mean(first, ring * np.cos(2 * angle)) + mean(second, ring * np.sin(2 * angle))
        dense = mean(total, ring)
        quarters = [
            4.0 * mean(total, (ring * (np.cos(angle - turn) > np.sqrt(0.5))).astype(np.float32))
            for turn in (0.0, 0.5 * np.pi, np.pi, -0.5 * np.pi)
        ]
        score = around / (dense + floor)
        score = np.where(np.min(quarters, axis=0) > EVEN * dense, score, 0.0)
        score[: reach // 2], score[-reach // 2 :], score[:, : reach // 2], score[:, -reach // 2 :] = 0.0, 0.0, 0.0, 0.0
        peak = (score == cv2.dilate(score, np.ones((5, 5), np.uint8))) & (score > ROUND)
        for row, column in zip(*np.nonzero(peak), strict=True):
            # Of circles about one centre the largest that still scores tells the size.
            found.append((float(score[row, column]), (column + 0.5) * step, (row + 0.5) * step, float(radius * step)))
    found.sort(key=lambda entry: -entry[0] * entry[3] ** 0.25)
    kept: list[tuple[float, float, float]] = []
    for _, x, y, radius in found:
        if all(np.hypot(x - other[0], y - other[1]) > 0.6 * max(radius, other[2]) for other in kept):
            kept.append((x, y, radius))
    return kept[:MOST]


def _coil(pixels: Image, texture: Texture, x: float, y: float, reach: float) -> Coil | None:
    """The winding about a place, or None if there is none within `reach`."""
    height, width = pixels.shape[:2]
    x0, y0 = max(int(x - reach), 0), max(int(y - reach), 0)
    crop = pixels[y0 : min(int(y + reach) + 1, height), x0 : min(int(x + reach) + 1, width)]
    if min(crop.shape[:2]) < 24:
        return None
    try:
        winding = keep_winding(separate_metal(crop, np.ones(crop.shape[:2], dtype=bool)), (1.0, 1.0))
    except UndecidedError:
        return None
    angle = (np.arange(RAYS) + 0.5) * 2.0 * np.pi / RAYS
    distance = np.arange(2.0, 1.5 * reach, 0.5)
    flat = unwrap(winding.soft, Frame(winding.x, winding.y, 0, 0.0, (1.0, 1.0)), angle, distance)
    runs = [half_level_runs(flat[:, k], distance) for k in range(RAYS)]
    seen = np.array([len(run) > 0 for run in runs])
    count = np.array([len(run) for run in runs])
    if seen.mean() < 0.9 or (count >= 2).mean() < TWO_BANDS:
        return None
    outer = np.array([run[-1, 1] if len(run) else np.nan for run in runs])
    inner = np.array([run[0, 0] if len(run) else np.nan for run in runs])
    shape = _fitted(angle[seen], outer[seen])
    near = np.abs(outer[seen] - shape.radius(angle[seen])) < 0.2 * shape.flat
    if shape.corner > reach:
        return None
    if shape.off > OFF or near.mean() < 0.8 or np.median(inner[seen]) < 0.12 * shape.flat:
        return None
    if _fitted(angle[seen], inner[seen]).off > 3 * OFF:
        return None
    centre = (x0 + winding.x + shape.x + 0.5, y0 + winding.y + shape.y + 0.5)
    if _concentric(texture, centre, shape, float(np.median(inner[seen]))) < AROUND:
        return None
    # Drawn loosely: a seventh more than flat to flat, but no corner is cut.
    half = max(1.14 * shape.flat, 1.04 * shape.corner)
    if centre[0] - half < 0 or centre[1] - half < 0 or centre[0] + half > width or centre[1] + half > height:
        return None
    box = Box(centre[0] - half, centre[1] - half, centre[0] + half, centre[1] + half)
    return Coil(box, shape.sides, shape.off, float(np.mean(count)))


@dataclass(frozen=True, slots=True)
class _Shape:
    """A regular shape: half its flat-to-flat size, its largest reach along either axis, the direction of a side's
    normal, where its middle lies, and how far off it the edges lie (median, as a part of `flat`)."""

    sides: int
    flat: float
    corner: float
    turn: float
    x: float
    y: float
    off: float

    def normal(self, angle: Floats) -> Floats:
        """Direction of the outline's normal, seen from the middle in the directions `angle`."""
        if not self.sides:
            return angle
        step = 2.0 * np.pi / self.sides
        return np.asarray(self.turn + step * np.round((angle - self.turn) / step))

    def radius(self, angle: Floats) -> Floats:
        """Distance of the outline in the directions `angle` from where it was looked for."""
        normal = self.normal(angle)
        reach = self.flat + self.x * np.cos(normal) + self.y * np.sin(normal)
        return np.asarray(reach / np.cos(angle - normal))


def _concentric(texture: Texture, centre: tuple[float, float], shape: _Shape, inner: float) -> float:
    """How far the edges between the innermost and the outermost band run along the shape's sides (1: all do)."""
    reach = int(np.ceil(max(shape.corner, shape.flat) * 1.05))
    top, left = max(int(centre[1]) - reach, 0), max(int(centre[0]) - reach, 0)
    cut = np.s_[top : int(centre[1]) + reach + 1, left : int(centre[0]) + reach + 1]
    xx, yy, xy = texture.xx[cut], texture.yy[cut], texture.xy[cut]
    v, u = np.indices(xx.shape, dtype=np.float64)
    u, v = u + left + 0.5 - centre[0], v + top + 0.5 - centre[1]
    angle, distance = np.arctan2(v, u), np.hypot(u, v)
    normal = shape.normal(angle)
    flat = distance * np.cos(angle - normal)
    part = (flat > 0.9 * inner) & (flat < 1.03 * shape.flat)
    weight = np.sqrt(xx[part] + yy[part]) + 1e-6
    along = (xx[part] - yy[part]) * np.cos(2 * normal[part]) + 2.0 * xy[part] * np.sin(2 * normal[part])
    return float((along / weight).sum() / weight.sum()) if part.any() else 0.0


def _fitted(angle: Floats, radius: Floats) -> _Shape:
    """Circle, square, hexagon or octagon of any turn that comes nearest to `radius` in the directions `angle`."""
    best = _Shape(0, 1.0, 1.0, 0.0, 0.0, 0.0, np.inf)
    for sides in (0, 4, 6, 8):
        for turn in np.radians(np.arange(0.0, 360.0 / sides, 15.0)) if sides else (0.0,):
            step = 2.0 * np.pi / max(sides, 1)
            off_normal = (angle - turn + 0.5 * step) % step - 0.5 * step if sides else np.zeros_like(angle)
            normal, stretch = angle - off_normal, 1.0 / np.cos(off_normal)
            # A side moved by (x, y) lies further out by its normal's share of it.
            design = stretch[:, None] * np.stack([np.ones_like(angle), np.cos(normal), np.sin(normal)], axis=1)
            weight = np.ones_like(angle)
            for _ in range(4):
                fit = np.linalg.lstsq(design * weight[:, None], radius * weight, rcond=None)[0]
                error = np.abs(radius - design @ fit)
                weight = 1.0 / np.sqrt(1.0 + (error / max(1.5 * float(np.median(error)), 0.3)) ** 2)
            off = float(np.median(error)) / max(float(fit[0]), 1.0)
            if fit[0] > 0 and off < best.off:
                corners = turn + 0.5 * step + step * np.arange(sides) if sides else np.zeros(0)
                reach = np.abs(np.stack([np.cos(corners), np.sin(corners)])) / np.cos(0.5 * step) if sides else [[1.0]]
                best = _Shape(
                    sides, float(fit[0]), float(fit[0] * np.max(reach)), float(turn), float(fit[1]), float(fit[2]), off
                )
    return best
