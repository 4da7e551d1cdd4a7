"""Centre line and turns of a round winding."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from dieplat.measurement.inductor.bands import Columns
from dieplat.measurement.inductor.ends import CAP_PART, CAP_U_PART, CentreLine
from dieplat.measurement.inductor.metal import Image
from dieplat.measurement.inductor.tracks import END_LEVEL, Track, metal_until, sample
from dieplat.measurement.inductor.unwrap import Floats

STEP_PX = 0.5
CHORD_DEG = 4.0
# Round spirals are drawn in quarter turns (common practice, no source); an end this near to one is at it.
QUARTER, NEAR_QUARTER = 0.25, 0.045
# A lead along the tangent leaves the middle half of the ring's width by the part that END_LEVEL leaves over where
# it is this part of a width off; how well that is seen, in parts of sqrt(width radius): six windings drawn by the
# phantom were off by 0.01 to 0.036.
TANGENT_OFF_PART, TANGENT_U_PART = 0.25 + 0.5 * (1 - END_LEVEL), 0.03


def round_line(columns: Columns, way: Track, soft: Image, *, symmetric: bool) -> CentreLine:
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
    at = np.interp(sense * grid, sense * turn[order], middle[order])
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
    radius = float(np.median(middle[:9]))
    metal = _reach(columns, soft, float(turn[0]), radius, -sense)
    flush = metal + sense * CAP_PART * w / radius
    if symmetric:
        return flush, CAP_U_PART * w
    # Along the tangent a point at the angle a from where it touches lies radius a^2 / 2 off the ring.
    tangent = metal + sense * np.sqrt(2 * TANGENT_OFF_PART * w / radius)
    away = np.arange(0.0, 1.6 * np.sqrt(w * radius), STEP_PX)
    c, s = np.cos(tangent), np.sin(tangent)
    x = columns.frame.x + radius * c + sense * away * s
    y = columns.frame.y + radius * s - sense * away * c
    if np.mean(sample(soft, columns.frame, x, y)[0] > END_LEVEL) > 0.9:
        return float(tangent), float(TANGENT_U_PART * np.sqrt(w * radius))
    return flush, CAP_U_PART * w
