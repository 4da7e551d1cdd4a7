"""Centre line and turns of a round winding."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from dieplat.measurement.inductor.bands import Columns
from dieplat.measurement.inductor.ends import CAP_PART, CAP_U_PART, CentreLine
from dieplat.measurement.inductor.metal import Image
from dieplat.measurement.inductor.surroundings import half_level_runs
from dieplat.measurement.inductor.tracks import Track, metal_until
from dieplat.measurement.inductor.unwrap import Floats

STEP_PX = 0.5
CHORD_DEG = 4.0
# Round spirals are drawn in quarter turns (common practice, no source); an end this near to one is at it.
QUARTER, NEAR_QUARTER = 0.25, 0.045
# A lead is looked for over these angles from where it touches the ring (radians); the ring's radius is that of its
# outermost edge between these.
LEAD_RAD, RING_RAD = (0.12, 0.8), (0.45, 1.3)
# So many columns must agree on the place to this along the ring.
LEAST_COLUMNS, AGREE_PX = 6, 1.5
# How well lead and ring are told apart: their edges' errors, of all columns in common. A circle is drawn in chords of
# a degree or two (common practice, no source), and a lead goes on along the first: half of one of 1.5 degrees.
LEAD_EDGE_U_PX, CHORD_U_RAD = 0.1, np.radians(0.75) / np.sqrt(3)


def round_line(columns: Columns, way: Track, soft: Image, *, symmetric: bool, blur_px: float) -> CentreLine:
    """Follow the middles from end to end; where bands are disturbed, straight across in distance over angle."""
    turn, middle = _steady(columns, way, symmetric=symmetric)
    w, sense = columns.width_px, way.sense
    head_at, head_u = _first_end(columns, turn, middle, soft, sense, symmetric=symmetric)
    radius = float(np.median(middle[-5:]))
    metal = _reach(columns, soft, turn[-1], radius, sense)
    tail_at = metal - sense * CAP_PART * w / radius
    tail_u = CAP_U_PART * w
    grid = head_at + sense * np.arange(0.0, abs(tail_at - head_at), np.radians(CHORD_DEG))
    grid = np.append(grid, tail_at)
    order = np.argsort(sense * turn)
    # Blur moves a bent edge towards its centre by its variance over twice the radius; chords of the arc's own length
    # lie a little outside of it.
    half = np.radians(CHORD_DEG) / 2
    at = np.interp(sense * grid, sense * turn[order], middle[order])
    at = (at + blur_px**2 / (2 * at)) * half / np.sin(half)
    frame = columns.frame
    points = np.stack([frame.x + at * np.cos(grid), frame.y + at * np.sin(grid)], axis=1)
    turns = abs(tail_at - head_at) / (2 * np.pi)
    turns_u = float(np.hypot(head_u / float(np.max(middle)), tail_u / radius)) / (2 * np.pi)
    remarks: tuple[str, ...] = ()
    quarter = round(turns / QUARTER) * QUARTER
    if not symmetric:
        if abs(turns - quarter) < NEAR_QUARTER:
            turns, turns_u = quarter, 0.01
        else:
            remarks = ("it does not end on a quarter turn",)
    return CentreLine(points, turns, turns_u, (head_u, tail_u), remarks)


def _steady(columns: Columns, way: Track, *, symmetric: bool) -> tuple[Floats, Floats]:
    """Angles and smoothed middles, without the lead that leaves the first ring along its tangent."""
    turn, middle = way.turn, ndimage.median_filter(way.middle, 7, mode="nearest")
    if symmetric:
        return turn, middle
    sense = way.sense
    past = sense * (turn - turn[0])
    clear = (past > np.radians(25)) & (past < np.radians(75))
    if clear.sum() < 10:
        return turn, middle
    slope, level = np.polyfit(past[clear], middle[clear], 1)
    slope = min(slope, 0.0)  # a spiral goes inwards
    level = float(np.median(middle[clear] - slope * past[clear]))
    off = middle - level - slope * past
    lead = (past < np.radians(25)) & (off > max(0.12 * columns.width_px, 0.7))
    first = int(np.nonzero(lead)[0].max()) + 1 if lead.any() else 0
    return turn[first:], middle[first:]


def _reach(columns: Columns, soft: Image, start: float, radius: float, side: float) -> float:
    """Angle up to which there is metal along a ring, from `start` towards `side`."""
    frame = columns.frame
    angle = start + side * np.arange(0.0, 5 * columns.pitch_px + 0.3 * radius, STEP_PX) / radius
    normal = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    points = np.array([frame.x, frame.y]) + radius * normal
    return float(start + side * metal_until(soft, frame, points, normal, columns.width_px, STEP_PX) / radius)


def _first_end(
    columns: Columns, turn: Floats, middle: Floats, soft: Image, sense: float, *, symmetric: bool
) -> tuple[float, float]:
    """Angle of the outer end and its uncertainty along the line (px)."""
    w = columns.width_px
    touch = None if symmetric else _tangent(columns, float(turn[0]), sense)
    if touch is not None:
        return touch
    radius = float(np.median(middle[:9]))
    metal = _reach(columns, soft, float(turn[0]), radius, -sense)
    flush = metal + sense * CAP_PART * w / radius
    return flush, CAP_U_PART * w


def _tangent(columns: Columns, start: float, sense: float) -> tuple[float, float] | None:
    """Angle at which a lead leaves the outermost ring along its tangent, and its uncertainty along the line (px).

    A line that touches a circle of radius R is at the distance r from its centre at the angle arccos(R / r) from
    where it touches, so every column that shows the lead's outer edge tells the place. None where they do not agree.
    """
    n = len(columns.angle)
    step = 2 * np.pi / n
    k = np.arange(-int(LEAD_RAD[1] / step), int(RING_RAD[1] / step))
    index = np.round(start / step - 0.5).astype(int) + int(sense) * k
    outer = np.array([_outermost(columns, int(j) % n) for j in index])
    past = sense * (columns.angle[index % n] - start)
    past = (past + np.pi) % (2 * np.pi) - np.pi
    ring = (past > RING_RAD[0]) & (past < RING_RAD[1]) & np.isfinite(outer)
    if ring.sum() < LEAST_COLUMNS:
        return None
    slope, level = np.polyfit(past[ring], outer[ring], 1)
    slope = min(float(slope), 0.0)
    level = float(np.median(outer[ring] - slope * past[ring]))
    away = np.arccos(np.minimum(level / np.where(outer > level, outer, level), 1.0))
    lead = (away > LEAD_RAD[0]) & (away < LEAD_RAD[1]) & (past < RING_RAD[0])
    touch, tangent = (past + away)[lead], np.tan(away[lead])
    if len(touch) < LEAST_COLUMNS:
        return None
    near = np.abs(touch[:, None] - touch[None, :]) < AGREE_PX / level
    kept = near[int(np.argmax(near.sum(axis=1)))]
    if kept.sum() < max(LEAST_COLUMNS, 0.3 * len(touch)):
        return None
    # An edge off by e puts the place off by e over the tangent.
    weight = tangent[kept] ** 2
    place = float(np.average(touch[kept], weights=weight))
    return start + sense * place, float(np.hypot(LEAD_EDGE_U_PX / np.sqrt(np.average(weight)), CHORD_U_RAD * level))


def _outermost(columns: Columns, column: int) -> float:
    """Distance of a column's outermost edge of metal, leads included; NaN where there is none."""
    runs = half_level_runs(columns.soft[:, column], columns.distance)
    return float(runs[-1, 1]) if len(runs) else float("nan")
