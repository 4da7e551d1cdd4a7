"""What is winding and what lies around it: a ring of metal, leads, other lines, a strip through the middle."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from scipy import ndimage

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.metal import Image, MetalImage
from dieplat.measurement.inductor.unwrap import Floats, Frame, unwrap

RAYS = 360
STEP_PX = 0.5
# A gap wider than this many usual ones, and two pixels more, parts the winding from what lies around it.
WIDE_GAP, WIDE_GAP_MORE_PX = 1.6, 2.0
# A square's gap is wider along the ray through its corner, by sqrt(2).
CORNER = 1.45
# A ring may be open by a slit, and where leads cross it.
RING_PART = 0.88


@dataclass(frozen=True, slots=True, eq=False)
class Winding:
    """`soft` and `sharp` with all but the winding set to 0; its middle and greatest distance (square px); whether a
    ring of metal that is not part of it lies around it."""

    soft: Image
    sharp: Image
    x: float
    y: float
    reach: float
    ringed: bool


def half_level_runs(profile: Image, distance: Floats) -> Floats:
    """Half-level crossings in pairs from the centre outwards, (n, 2), without dips and peaks under 0.15."""
    profile = np.asarray(profile, dtype=float)
    up = profile > 0.5
    change = np.nonzero(up[1:] != up[:-1])[0]
    if len(change) == 0:
        return np.empty((0, 2))
    part = (0.5 - profile[change]) / (profile[change + 1] - profile[change])
    place = distance[change] + part * (distance[change + 1] - distance[change])
    rising = up[change + 1]
    if not rising[0]:
        place, rising, change = place[1:], rising[1:], change[1:]
    if len(place) % 2:
        place, change = place[:-1], change[:-1]
    kept: list[float] = []
    for k, at in enumerate(place):
        if kept and k % 2 == 0 and profile[change[k - 1] + 1 : change[k] + 1].min() > 0.35:
            kept.pop()
            continue
        if k % 2 == 1 and profile[change[k - 1] + 1 : change[k] + 1].max() < 0.65:
            kept.pop()
            continue
        kept.append(float(at))
    return np.array(kept).reshape(-1, 2)


def usual_gap(edges: list[Floats]) -> float:
    """Median over all columns of their least gap, NaN where fewer than a tenth have one."""
    least = [float((e[1:, 0] - e[:-1, 1]).min()) for e in edges if len(e) > 1]
    return float(np.median(least)) if len(least) > 0.1 * len(edges) else float("nan")


def main_clusters(edges: list[Floats], spacing: float, *, corner: float = 1.0) -> list[tuple[int, int]]:
    """For every column the first and last run, as a slice, of those that belong to the winding.

    Runs are parted at gaps much wider than the usual one. The part with most runs is taken, of equal ones that
    which lies nearest to the parts taken elsewhere.
    """
    parted: list[list[tuple[int, int]]] = []
    for e in edges:
        gaps = e[1:, 0] - e[:-1, 1]
        own = min(float(gaps.min()), corner * spacing) if len(gaps) else spacing
        cuts = [0, *(np.nonzero(gaps > WIDE_GAP * own + WIDE_GAP_MORE_PX)[0] + 1), len(e)]
        parted.append([(int(a), int(b)) for a, b in itertools.pairwise(cuts) if b > a])

    def middle(e: Floats, part: tuple[int, int]) -> float:
        return float(0.5 * (e[part[0], 0] + e[part[1] - 1, 1]))

    sure = [
        middle(e, max(parts, key=lambda p: p[1] - p[0]))
        for e, parts in zip(edges, parted, strict=True)
        if parts and sum(p[1] - p[0] == max(q[1] - q[0] for q in parts) for p in parts) == 1
    ]
    usual = float(np.median(sure)) if sure else 0.0
    return [
        min(parts, key=lambda p: (p[0] - p[1], abs(middle(e, p) - usual))) if parts else (0, 0)
        for e, parts in zip(edges, parted, strict=True)
    ]


def keep_winding(metal: MetalImage, squeeze: tuple[float, float]) -> Winding:
    """Find the winding about the middle of the outline and blank what is not part of it.

    Raises
    ------
    UndecidedError
        If no bands of metal lie around the middle of the outline.
    """
    smooth = np.asarray(cv2.GaussianBlur(metal.soft, (0, 0), 0.8), dtype=np.float32)
    y, x = np.nonzero(metal.inside)
    cx, cy = float(x.mean()) * squeeze[0], float(y.mean()) * squeeze[1]
    size = float(np.hypot(*metal.soft.shape))
    angle = (np.arange(RAYS) + 0.5) * 2 * np.pi / RAYS
    distance = np.arange(2.0, size, STEP_PX)
    for turn in range(4):
        flat = unwrap(smooth, Frame(cx, cy, 0, 0.0, squeeze), angle, distance)
        edges = [half_level_runs(flat[:, k], distance) for k in range(RAYS)]
        spacing = usual_gap(edges)
        if not np.isfinite(spacing):
            spacing = 0.05 * size
        parts = main_clusters(edges, spacing, corner=CORNER)
        inner, outer, limit, beyond = _extent(edges, parts, spacing)
        if np.isfinite(outer).mean() < 0.5:
            raise UndecidedError("no winding is seen inside the outline")
        if turn == 3:
            break
        outline = np.where(np.isfinite(outer), outer, np.nanmedian(outer))
        # A lead is the one direction in which the winding seems to reach far out.
        outline = np.minimum(outline, 1.25 * ndimage.median_filter(outline, RAYS // 12, mode="wrap"))
        shift = _middle(outline, angle)
        cx, cy = cx + shift[0], cy + shift[1]
    soft, sharp = (_blanked(one, cx, cy, squeeze, inner, limit) for one in (metal.soft, metal.sharp))
    reach = 1.05 * float(np.nanpercentile(np.minimum(limit, 1.5 * np.nanmedian(outer)), 97)) + 4
    return Winding(soft, sharp, cx, cy, reach, bool(beyond.mean() > RING_PART))


def _extent(
    edges: list[Floats], parts: list[tuple[int, int]], spacing: float
) -> tuple[Floats, Floats, Floats, np.ndarray[tuple[int, ...], np.dtype[np.bool_]]]:
    """Along every ray: where the winding begins and ends, up to where it is kept, whether metal lies beyond."""
    inner, outer, limit = (np.full(len(edges), np.nan) for _ in range(3))
    beyond = np.zeros(len(edges), dtype=bool)
    for k, (e, (a, b)) in enumerate(zip(edges, parts, strict=True)):
        if b <= a:
            continue
        before = e[a - 1, 1] if a else 0.0
        inner[k] = max(0.5 * (before + e[a, 0]), e[a, 0] - 1.5 * spacing - 4) if a else 0.0
        outer[k] = e[b - 1, 1]
        beyond[k] = b < len(e)
        limit[k] = 0.5 * (e[b, 0] + outer[k]) if b < len(e) else np.inf
        limit[k] = min(limit[k], outer[k] + 1.5 * spacing + 4)
    return inner, outer, limit, beyond


def _middle(outline: Floats, angle: Floats) -> tuple[float, float]:
    """Area centroid of the shape with this radius in each direction, from its origin."""
    area = float((outline**2).sum()) / 2
    x, y = (float((outline**3 * f(angle)).sum()) / 3 / area for f in (np.cos, np.sin))
    return x, y


def _blanked(soft: Image, cx: float, cy: float, squeeze: tuple[float, float], inner: Floats, limit: Floats) -> Image:
    """0 outside the limits, which hold for the directions halfway between the rays; unknown ones keep all."""
    y, x = np.indices(soft.shape, dtype=np.float32)
    dx, dy = x * squeeze[0] - cx, y * squeeze[1] - cy
    radius = np.hypot(dx, dy)
    ray = np.floor(np.arctan2(dy, dx) % (2 * np.pi) / (2 * np.pi) * RAYS).astype(int) % RAYS
    # A neighbouring ray may reach further at a corner, and a crossing parts the bands for a few degrees.
    most, least = np.nan_to_num(limit, nan=0.0), np.nan_to_num(inner, nan=0.0)
    most = np.maximum(ndimage.maximum_filter1d(most, 3, mode="wrap"), ndimage.median_filter(most, 61, mode="wrap"))
    least = np.minimum(ndimage.minimum_filter1d(least, 3, mode="wrap"), ndimage.median_filter(least, 61, mode="wrap"))
    return np.where((radius <= most[ray]) & (radius >= least[ray]), soft, 0.0).astype(np.float32)
