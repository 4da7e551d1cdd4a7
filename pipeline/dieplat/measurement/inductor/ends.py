"""Where the conductor begins and ends, how many turns that makes, and its centre line from end to end."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import shapely

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Columns
from dieplat.measurement.inductor.metal import Image
from dieplat.measurement.inductor.tracks import CORNER_PART, OFF_LINE_PART, Line, Track, metal_until, sample
from dieplat.measurement.inductor.unwrap import Floats

STEP_PX = 0.25
# The conductor's last metal reaches half a width beyond its centre line's end, around the via there; a quarter
# of a width is its deviation where some do and some end flush (rectangular over half a width).
CAP_PART, CAP_U_PART = 0.5, 0.25 / np.sqrt(3)
# An end at a corner is known as well as the two lines that meet there.
CORNER_U_PX = 0.3
# A side is whole if its metal ends within these widths, and two pixels more, of where it would meet the next.
BEFORE_PART, BEYOND_PART, MORE_PX = 0.3, 0.8, 2.0
# Of a side seen over less than this part of its length the line is looked for again in the picture.
SHORT_PART = 0.35
# The stretch of a side that tells where it meets the next, from this part of its angle off its normal on.
BEND_PART = 0.25
# A last piece shorter than this part of its side is the end of the one before.
STUB_PART = 0.12
# Middles seen column by column scatter by about this much.
SIMPLE_PX = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class CentreLine:
    """The centre line (N, 2) in square pixels from the outer end to the inner (or port to port), the turns it makes,
    their uncertainty, and that of both ends along the line (px), the first point's and the last one's.

    `short`: by how much less than `turns` it winds, as the last side of a whole turn ends before its corner.
    """

    points: Floats
    turns: float
    turns_u: float
    ends_u: tuple[float, float]
    remarks: tuple[str, ...] = ()
    short: float = 0.0


def crossing_line(columns: Columns, way: Track, soft: Image) -> CentreLine:
    """The centre line of a symmetric polygonal winding: its middles as they are seen, from port to port."""
    frame, w = columns.frame, columns.width_px
    step = 2 * np.pi / frame.sides
    off = (way.turn - frame.normal + step / 2) % step - step / 2
    points = _with_corners(columns, way, off)
    ends = []
    for first, side in ((0, -way.sense), (-1, way.sense)):
        place = float(way.middle[first] * np.tan(off[first]))
        one = Line(int(way.sector[first]), float(way.middle[first]), 0.0, place, place)
        metal = _reach(columns, one, soft, place, side, 4 * columns.pitch_px)
        # Half a width inside of where the outermost ring is cut; no further back than it is seen.
        end = side * max(side * metal - CAP_PART * w, side * place)
        ends.append(one.point(frame, end))
    line = shapely.LineString([ends[0], *points, ends[1]]).simplify(SIMPLE_PX)
    return CentreLine(np.asarray(line.coords), float("nan"), 0.0, (CAP_U_PART * w, CAP_U_PART * w))


def _with_corners(columns: Columns, way: Track, off: Floats) -> Floats:
    """The middles as points (N, 2), each corner put where the sides before and after it meet.

    Blur rounds a corner, so that the middles seen there cut it short. `off`: angle from the side's normal.
    """
    frame = columns.frame
    step = 2 * np.pi / frame.sides
    radius = way.middle / np.cos(off)
    points = np.stack([frame.x + radius * np.cos(way.turn), frame.y + radius * np.sin(way.turn)], axis=1)
    onward = way.sense * off
    cuts = [int(k) + 1 for k in np.nonzero(way.sector[1:] != way.sector[:-1])[0]]
    kept = [points[:0]]
    start = 0
    for cut, stop in zip(cuts, [*cuts[1:], len(off)], strict=True):
        before, after = np.arange(start, cut), np.arange(cut, stop)
        last = before[(onward[before] > BEND_PART * step) & (onward[before] < CORNER_PART * step)]
        first = after[(onward[after] < -BEND_PART * step) & (onward[after] > -CORNER_PART * step)]
        if min(len(last), len(first)) < 3:
            kept.append(points[start:cut])
            start = cut
            continue
        sides = (Line(int(way.sector[k[0]]), float(np.median(way.middle[k])), 0.0, 0.0, 0.0) for k in (last, first))
        kept += [points[start : last[-1] + 1], _meeting(columns, *sides)[None]]
        start = int(first[0])
    return np.concatenate([*kept, points[start:]])


def polygon_line(columns: Columns, lines: list[Line], soft: Image, sense: float) -> CentreLine:
    """Join straight pieces at their corners and find both ends.

    Raises
    ------
    UndecidedError
        If a side is missing between two others, or the inner end is not seen.
    """
    lines = _settled(columns, _without_gaps(lines, columns, sense), soft)
    lines, head, start, head_u = _outer_end(columns, lines, soft, sense)
    lines, tail, end, tail_u = _inner_end(columns, lines, soft, sense)
    sides = columns.frame.sides
    count = len(lines) - (1 - start) - (1 - end)
    turns = count / sides
    broken = [f for f in (start, end) if f != 1.0]
    side_px = 2 * float(np.mean([abs(one.at) for one in lines])) * np.tan(np.pi / sides)
    turns_u = float(np.hypot(head_u, tail_u)) / side_px / sides if broken else 0.01 / sides
    remarks = ("it ends part of the way along a side, not at a corner",) if broken else ()
    last = lines[-1]
    back, full = _corner(columns, last, -sense), _corner(columns, last, sense)
    run = float(np.hypot(*(tail - last.point(columns.frame, back)))) / abs(full - back)
    short = max(1.0 - run, 0.0) / sides if end == 1.0 else 0.0
    return CentreLine(_joined(columns, lines, head, tail), turns, turns_u, (head_u, tail_u), remarks, short)


def _without_gaps(lines: list[Line], columns: Columns, sense: float) -> list[Line]:
    """Join pieces of one side that a disturbance parted; fill in a short side of which too little was seen."""
    sides, pitch = columns.frame.sides, columns.pitch_px
    kept: list[Line] = []
    for one in lines:
        if kept and kept[-1].sector == one.sector and abs(one.at - kept[-1].at) < 0.3 * pitch:
            last = kept[-1]
            longer = last if abs(last.ends - last.begins) > abs(one.ends - one.begins) else one
            kept[-1] = Line(one.sector, longer.at, longer.tilt, last.begins, one.ends)
            continue
        if kept:
            ahead = int(sense * (one.sector - kept[-1].sector)) % sides
            if ahead == 0 or ahead > 2:
                raise UndecidedError("the sides do not follow one another as a winding's do")
            if ahead == 2:
                middle = Line(int(one.sector - sense) % sides, 0.5 * (one.at + kept[-1].at), 0.0, 0.0, 0.0)
                kept.append(middle)
        kept.append(one)
    return kept


def _settled(columns: Columns, lines: list[Line], soft: Image) -> list[Line]:
    """The lines, those between two others of which little is seen (a step, an underpass) put where metal is.

    So are those on neither's ring: of the side on which a winding steps inwards a part may be short and the next side
    reach far into it, so that a line fitted to all of it lies between the two.
    """
    settled = list(lines)
    for k in range(1, len(lines) - 1):
        one = lines[k]
        side = 2 * abs(one.at) * np.tan(np.pi / columns.frame.sides)
        apart = min(abs(one.at - other.at) for other in (settled[k - 1], lines[k + 1]))
        if abs(one.ends - one.begins) < SHORT_PART * side or apart > OFF_LINE_PART * columns.pitch_px:
            settled[k] = _little_seen(columns, settled[k - 1], one, lines[k + 1], soft)
    return settled


def _little_seen(columns: Columns, before: Line, one: Line, after: Line, soft: Image) -> Line:
    """A side as it was fitted, or on the ring of the side before or after, or halfway where a winding drifts.

    It is where most metal lies over its width, from its corner with the side before to that with the side after.
    """
    frame = columns.frame
    direction = frame.normal + one.sector * 2 * np.pi / frame.sides
    across = np.linspace(-0.4, 0.4, 9)[:, None] * columns.width_px * np.array([np.cos(direction), np.sin(direction)])
    found: list[tuple[float, int, Line]] = []
    for at in (before.at, after.at, 0.5 * (before.at + after.at), one.at):
        tried = Line(one.sector, at, before.tilt, one.begins, one.ends)
        start, stop = _meeting(columns, before, tried), _meeting(columns, tried, after)
        points = (start + (stop - start) * np.linspace(0.0, 1.0, 101)[:, None])[:, None, :] + across
        metal = sample(soft, frame, points[..., 0], points[..., 1])
        found.append((float(np.clip(metal, 0.0, 1.0).mean()), -len(found), tried))
    return max(found, key=lambda item: item[:2])[2]


def _corner(columns: Columns, one: Line, side: float) -> float:
    """Place along a line at which it meets the ray through the corner, on the side of rising angles or the other."""
    t = side * np.tan(np.pi / columns.frame.sides)
    return float(t * one.at / (1 - t * one.tilt))


def _reach(columns: Columns, one: Line, soft: Image, start: float, side: float, most: float) -> float:
    """Place along a line up to which there is metal, going from `start` towards `side`."""
    frame = columns.frame
    places = start + side * np.arange(0.0, max(most, 1.0), STEP_PX)
    points = np.array([one.point(frame, p) for p in places])
    direction = frame.normal + one.sector * 2 * np.pi / frame.sides
    normal = np.tile([np.cos(direction), np.sin(direction)], (len(places), 1))
    return float(start + side * metal_until(soft, frame, points, normal, columns.width_px, STEP_PX))


def _outer_end(
    columns: Columns, lines: list[Line], soft: Image, sense: float
) -> tuple[list[Line], Floats, float, float]:
    """The lines from the first side on, the first point, how much of the first side there is, its uncertainty."""
    frame, w = columns.frame, columns.width_px
    one = lines[0]
    corner, far = _corner(columns, one, -sense), _corner(columns, one, sense)
    if abs(far - one.begins) < 0.3 * abs(far - corner) and len(lines) > 2:
        # Only the far end of a side is seen: a lead that runs along its line, or a stub. The next begins.
        lines = lines[1:]
        one = lines[0]
        corner = _corner(columns, one, -sense)
    metal = _reach(columns, one, soft, one.begins, -sense, abs(one.begins - corner) + 0.75 * w)
    short = sense * (metal - corner)
    if short < BEFORE_PART * w + MORE_PX:
        return lines, one.point(frame, corner), 1.0, CORNER_U_PX
    start = metal + sense * CAP_PART * w
    part = abs(_corner(columns, one, sense) - start) / abs(_corner(columns, one, sense) - corner)
    return lines, one.point(frame, start), part, CAP_U_PART * w


def _inner_end(
    columns: Columns, lines: list[Line], soft: Image, sense: float
) -> tuple[list[Line], Floats, float, float]:
    """The lines up to the last side, the last point, how much of the last side there is, its uncertainty."""
    frame, w = columns.frame, columns.width_px
    lines = _with_begun(columns, lines, soft, sense)
    one, u = lines[-1], CAP_U_PART * w
    back, full = _corner(columns, one, -sense), _corner(columns, one, sense)
    seen = sense * min(sense * one.ends, sense * full - 1.0)
    metal = _reach(columns, one, soft, seen, sense, abs(full - seen) + 2 * w)
    end = metal - sense * CAP_PART * w
    part = sense * (end - back) / abs(full - back)
    if part < STUB_PART and len(lines) > 2:
        last = lines[-2]
        return lines[:-1], last.point(frame, _corner(columns, last, sense)), 1.0, u
    # On the side on which the winding steps, a line ends where it meets the next one, a pitch further in.
    steps_there = len(lines) % frame.sides == 0
    early = columns.pitch_px / np.sin(2 * np.pi / frame.sides) if steps_there else 0.0
    beyond = sense * (metal - full)
    if beyond > BEYOND_PART * w + MORE_PX:
        raise UndecidedError("metal runs on past the corner inside, so where the conductor ends is not clear")
    if beyond > -BEFORE_PART * w - MORE_PX - early:
        return lines, one.point(frame, end), 1.0, u
    return lines, one.point(frame, end), part, u


def _with_begun(columns: Columns, lines: list[Line], soft: Image, sense: float) -> list[Line]:
    """The lines and, where metal goes on round the last corner for more than an end's own, the side begun there.

    Where a whole turn ends, its last side may be too short to be seen as a side.
    """
    one, sides = lines[-1], columns.frame.sides
    # It lies a pitch inside of the side one turn before.
    at = lines[-sides].at - columns.pitch_px if len(lines) >= sides else one.at
    begun = Line(int(one.sector + sense) % sides, at, 0.0, 0.0, 0.0)
    corner, side = _corner(columns, begun, -sense), 2 * abs(_corner(columns, begun, sense))
    metal = _reach(columns, begun, soft, corner, sense, side)
    if sense * (metal - corner) < BEYOND_PART * columns.width_px + MORE_PX:
        return lines
    return [*lines, Line(begun.sector, begun.at, 0.0, corner, metal)]


def _joined(columns: Columns, lines: list[Line], head: Floats, tail: Floats) -> Floats:
    corners = [_meeting(columns, one, other) for one, other in itertools.pairwise(lines)]
    return np.array([head, *corners, tail])


def _meeting(columns: Columns, one: Line, other: Line) -> Floats:
    frame = columns.frame
    a, b = one.point(frame, 0.0), other.point(frame, 0.0)
    d, e = one.point(frame, 1.0) - a, other.point(frame, 1.0) - b
    t = np.linalg.solve(np.column_stack([d, -e]), b - a)[0]
    return np.asarray(a + t * d)
