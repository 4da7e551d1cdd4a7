"""The conductor as it was followed: its middles column by column, and for polygons straight pieces, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from dieplat.measurement.inductor.bands import LEAST_PART, MOST_PART, Columns, Ints, Island
from dieplat.measurement.inductor.metal import Image
from dieplat.measurement.inductor.unwrap import Floats, Frame
from dieplat.measurement.inductor.walk import Walk

# Columns nearer to a corner than this part of a side's angle are left out of its line.
CORNER_PART = 0.42
# Middles this part of a pitch off a line do not belong to it: the slanted part where a winding steps inwards.
OFF_LINE_PART = 0.15
# From one column to the next a band that is followed moves by less than this part of the pitch.
FOLLOW_PART = 0.15
# Metal along a line ends where the picture falls below this level: what lies under the oxide stays below it.
END_LEVEL = 0.65


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """Every column that the conductor passes, in order: `turn` is the angle without jumps (radians), `middle` the
    distance of its middle (px); `sector` the side."""

    turn: Floats
    middle: Floats
    sector: Ints

    @property
    def sense(self) -> float:
        """+1 if the conductor runs along rising angles, else -1."""
        return float(np.sign(self.turn[-1] - self.turn[0]))


@dataclass(frozen=True, slots=True)
class Line:
    """A straight piece on one side: distance from the centre = `at` + `tilt` times the place along the side.

    Places run along rising angles from the side's normal; `begins`, `ends` are where it is first and last seen on
    the way.
    """

    sector: int
    at: float
    tilt: float
    begins: float
    ends: float

    def point(self, frame: Frame, along: float) -> Floats:
        """A point of the line in square pixels."""
        direction = frame.normal + self.sector * 2 * np.pi / frame.sides
        across = self.at + self.tilt * along
        c, s = np.cos(direction), np.sin(direction)
        return np.array([frame.x + across * c - along * s, frame.y + across * s + along * c])


def track(columns: Columns, islands: list[Island], walk: Walk) -> Track:
    """Put the columns of a walk one behind the other, each band followed into the disturbed stretches.

    The ends of a spiral are left as they are: what goes on there is a lead or a via.
    """
    n = len(columns.angle)
    index, middle = [], []
    for k, step in enumerate(walk.steps):
        one = islands[step.island]
        at = step.band
        # Along falling angles lies the way back, if the conductor runs along rising ones.
        first = _followed(
            columns, one.first, float(one.middles[0, at]), -1, _room(islands, walk, n, k, not step.forward)
        )
        last = _followed(columns, one.last, float(one.middles[-1, at]), 1, _room(islands, walk, n, k, step.forward))
        first = first[::-1]
        run = np.arange(one.first - len(first), one.last + len(last) + 1)
        mids = np.concatenate([first, one.middles[:, at], last])
        index.append(run if step.forward else run[::-1])
        middle.append(mids if step.forward else mids[::-1])
    column = np.concatenate(index) % n
    turn = np.unwrap(columns.angle[column])
    return Track(turn, np.concatenate(middle), columns.sector[column])


def _room(islands: list[Island], walk: Walk, columns: int, k: int, onward: bool) -> tuple[int, bool]:
    """Columns into which the band of step k may be followed, on the way onward or back, and whether it may move.

    Where metal is seen to join it to the next band, half the gap is left to that. Where a port or a crossing breaks
    it, it stays on its ring until there.
    """
    steps = walk.steps
    step, other = steps[k], k + 1 if onward else k - 1
    ends = not 0 <= other < len(steps)
    if ends and not walk.symmetric:
        return 0, False
    one = islands[step.island]
    if onward == step.forward:
        gap = (islands[(step.island + 1) % len(islands)].first - one.last) % columns
    else:
        gap = (one.first - islands[step.island - 1].last) % columns
    broken = ends or steps[max(k, other)].crossed
    return max((gap - 1) // 2, 0), not broken


def _followed(columns: Columns, column: int, middle: float, side: int, room: tuple[int, bool]) -> list[float]:
    """Middles of the same band in the columns beyond, as long as it is as wide as usual and does not jump."""
    found: list[float] = []
    most, free = room
    start = middle
    for away in range(1, most + 1):
        edges = columns.bands(column + side * away)
        middles = edges.mean(axis=1)
        near = np.flatnonzero(np.abs(middles - middle) < FOLLOW_PART * columns.pitch_px)
        if len(near) != 1:
            break
        width = float(edges[near[0], 1] - edges[near[0], 0]) / columns.width_px
        middle = float(middles[near[0]])
        if not LEAST_PART < width < MOST_PART or (not free and abs(middle - start) > FOLLOW_PART * columns.pitch_px):
            break
        found.append(middle)
    return found


def straight_pieces(columns: Columns, way: Track) -> list[Line]:
    """Fit a line to every side that the conductor runs along, in order."""
    frame, pitch = columns.frame, columns.pitch_px
    step = 2 * np.pi / frame.sides
    off = (way.turn - frame.normal + step / 2) % step - step / 2
    along = way.middle * np.tan(off)
    cuts = np.nonzero(way.sector[1:] != way.sector[:-1])[0] + 1
    clear = np.abs(off) < CORNER_PART * step
    runs = np.split(np.arange(len(off)), cuts)
    # The frame's own turn is not exact, and all sides share its error: the long ones tell it.
    tilts = [found[1] for run in runs if (found := _line(along[run], way.middle[run], clear[run], pitch, None))]
    common = float(np.median(tilts)) if tilts else 0.0
    lines: list[Line] = []
    for run in runs:
        line = _line(along[run], way.middle[run], clear[run], pitch, common)
        if line is None:
            continue
        at, tilt = line
        lines.append(Line(int(way.sector[run[0]]), at, tilt, float(along[run[0]]), float(along[run[-1]])))
    return lines


def _line(
    along: Floats,
    middle: Floats,
    clear: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    pitch: float,
    common: float | None,
) -> tuple[float, float] | None:
    """Distance and tilt of a side; None where less than a pitch of it is seen.

    Short pieces have the tilt `common` to all, and are left out without one.
    """
    if clear.sum() < 3 or np.ptp(along[clear]) < 0.5 * pitch:
        return None
    x, y = along[clear], middle[clear]
    long = bool(np.ptp(x) > 3 * pitch)
    if not long and common is None:
        return None
    tilt = common or 0.0
    at = float(np.median(y - tilt * x))
    for part in (OFF_LINE_PART, OFF_LINE_PART / 2, OFF_LINE_PART / 2):
        near = np.abs(y - at - tilt * x) < max(part * pitch, 0.5)
        if near.sum() < 3:
            break
        if long and np.ptp(x[near]) > 3 * pitch:
            tilt, at = (float(v) for v in np.polyfit(x[near], y[near], 1))
        else:
            tilt, at = common or 0.0, float(np.mean((y - (common or 0.0) * x)[near]))
    return at, tilt


def sample(soft: Image, frame: Frame, x: Floats, y: Floats) -> Floats:
    """The picture at points given in square pixels."""
    return np.asarray(
        cv2.remap(
            soft,
            (np.atleast_2d(x) / frame.squeeze[0]).astype(np.float32),
            (np.atleast_2d(y) / frame.squeeze[1]).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=0.0,
        ),
        dtype=np.float64,
    )


def metal_until(soft: Image, frame: Frame, points: Floats, across: Floats, width: float, spacing_px: float) -> float:
    """How far along `points` (N, 2), `spacing_px` apart, there is metal; `across` (N, 2) are unit normals.

    The mean over the middle half of the width is looked at; a dip shorter than two pixels does not end it.
    """
    offsets = np.linspace(-0.25, 0.25, 5) * width
    level = np.mean([sample(soft, frame, *(points + o * across).T)[0] for o in offsets], axis=0)
    below = level < END_LEVEL
    need = max(1, round(2.0 / spacing_px))
    for k in range(len(below)):
        if below[k : k + need].all():
            return k * spacing_px
    return len(below) * spacing_px
