"""A centre line that crosses itself: one of the two runs goes below, between two vias."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import SettingsError
from dieplat.inductance.partial import Array

_COMPANY = 6.0
"""Crossings within this many widths along a run count as its company: the run that has more of it goes below."""

_FLATTEST = 0.2
"""Least sine of the angle of two runs that counts in the length of an underpass, which else would not end."""

_LEAST_UM = 1e-6
"""Pieces shorter than this are rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class LevelPath:
    """A centre line with height. points_um: (M, 3); piece: (M - 1,) which piece of the flat line each was part of.

    `crossings` counts where the flat line crosses itself, `vias` the changes of level.
    """

    points_um: Array
    piece: npt.NDArray[np.intp]
    crossings: int
    vias: int


def with_underpasses(path_um: Array, width_um: float | Array, *, depth_um: float) -> LevelPath:
    """Lead one run of every crossing below the other.

    The picture does not tell which run is the lower one. It is taken to be the run that meets more crossings
    within a few widths, as the lead of a spiral does that leaves under all turns; where both are equal, as in
    a symmetric winding, the later one. It stays below until both strips have parted, or, where it then goes
    below again, in between as well; at an end of the line it stays below.

    Parameters
    ----------
    path_um : ndarray (N, 2)
        Centre line in micrometres without repeated points.
    width_um : float or ndarray (N - 1,)
        Width of the conductor, or of each piece.
    depth_um : float
        How far the lower run lies below the upper one, middle to middle.

    Raises
    ------
    SettingsError
        If two runs lie on one another over a length, so that no crossing tells which is below.
    """
    pieces = np.arange(len(path_um) - 1)
    flat = np.column_stack([path_um[:, :2], np.zeros(len(path_um))])
    i, j, t, u, sine = _crossings(path_um)
    if not len(i):
        return LevelPath(flat, pieces, 0, 0)
    step = np.linalg.norm(np.diff(path_um, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(step)])
    widths = np.broadcast_to(np.asarray(width_um, dtype=np.float64), step.shape)
    first, second = along[i] + t * step[i], along[j] + u * step[j]
    every = np.sort(np.concatenate([first, second]))
    reach = _COMPANY * np.maximum(widths[i], widths[j])
    later = _within(every, second, reach) >= _within(every, first, reach)
    low, high = np.where(later, second, first), np.where(later, first, second)
    half = 0.5 * (np.maximum(widths[i], widths[j]) * (1 + np.sqrt(1 - sine * sine)) / np.maximum(sine, _FLATTEST))
    half += 0.25 * np.maximum(widths[i], widths[j])
    spans = _spans(low, half, np.sort(high), float(along[-1]))
    points, piece, vias = _lowered(flat, along, spans, depth_um)
    return LevelPath(points, piece, len(i), vias)


def _within(places: Array, centre: Array, reach: Array) -> npt.NDArray[np.intp]:
    return np.searchsorted(places, centre + reach) - np.searchsorted(places, centre - reach)


def _crossings(path_um: Array) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Array, Array, Array]:
    """Pieces i < j that cross, where (0 to 1) along each, and the sine of their angle."""
    start, step = path_um[:-1, :2], np.diff(path_um[:, :2], axis=0)
    count = len(step)
    i, j = np.triu_indices(count, 2)
    if np.allclose(path_um[0, :2], path_um[-1, :2], rtol=0, atol=_LEAST_UM):
        apart = ~((i == 0) & (j == count - 1))
        i, j = i[apart], j[apart]
    near = np.all(
        (np.minimum(start[i], start[i] + step[i]) <= np.maximum(start[j], start[j] + step[j]))
        & (np.minimum(start[j], start[j] + step[j]) <= np.maximum(start[i], start[i] + step[i])),
        axis=1,
    )
    i, j = i[near], j[near]
    gap = start[j] - start[i]
    length = np.linalg.norm(step, axis=1)
    cross = _cross(step[i], step[j])
    sine = np.abs(cross) / (length[i] * length[j])
    level = sine < 1e-9
    if np.any(level & _overlapping(gap, step[i], step[j])):
        raise SettingsError("inductor: the path runs back over itself; draw each run of the conductor once")
    i, j, gap, cross, sine = i[~level], j[~level], gap[~level], cross[~level], sine[~level]
    t, u = _cross(gap, step[j]) / cross, _cross(gap, step[i]) / cross
    # Half open, so that a crossing at a point of the line counts once.
    inside = (t >= 0) & (t < 1) & (u >= 0) & (u < 1)
    return i[inside], j[inside], t[inside], u[inside], sine[inside]


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


def _overlapping(gap: Array, first: Array, second: Array) -> npt.NDArray[np.bool_]:
    """Whether parallel pieces share more than a point."""
    length = np.linalg.norm(first, axis=1)
    on_line = np.abs(_cross(gap, first)) < _LEAST_UM * length
    a = np.einsum("ij,ij->i", gap, first) / length
    b = a + np.einsum("ij,ij->i", second, first) / length
    shared = np.minimum(np.maximum(a, b), length) - np.maximum(np.minimum(a, b), 0.0)
    return np.asarray(on_line & (shared > _LEAST_UM))


def _spans(low: Array, half: Array, high: Array, total: float) -> list[tuple[float, float]]:
    """Lengths of the line that go below, merged where they meet, never over a place where the line is on top."""
    spans: list[tuple[float, float]] = []
    for k in np.argsort(low):
        place = float(low[k])
        nearest = np.searchsorted(high, place)
        before = float(high[nearest - 1]) if nearest else -np.inf
        after = float(high[nearest]) if nearest < len(high) else np.inf
        begin = max(place - float(half[k]), (place + before) / 2, 0.0)
        end = min(place + float(half[k]), (place + after) / 2, total)
        blocked = bool(spans) and spans[-1][1] <= before <= begin
        if spans and not blocked and begin - spans[-1][1] <= 2 * float(half[k]):
            spans[-1] = (spans[-1][0], max(end, spans[-1][1]))
        else:
            spans.append((begin, end))
    return spans


def _lowered(
    flat: Array, along: Array, spans: list[tuple[float, float]], depth_um: float
) -> tuple[Array, npt.NDArray[np.intp], int]:
    total = float(along[-1])
    stops = sorted({*along.tolist(), *(s for span in spans for s in span)})
    kept = [stops[0]]
    for stop in stops[1:]:
        if stop - kept[-1] > _LEAST_UM:
            kept.append(stop)
    kept[-1] = total
    places = np.array(kept)
    plan = np.column_stack([np.interp(places, along, flat[:, k]) for k in range(2)])
    middle = (places[:-1] + places[1:]) / 2
    below = np.zeros(len(middle), dtype=bool)
    for begin, end in spans:
        below |= (middle > begin) & (middle < end)
    height = np.where(below, -depth_um, 0.0)
    piece = np.minimum(np.searchsorted(along, middle, side="right") - 1, len(along) - 2)
    points, owner = [np.append(plan[0], height[0])], []
    for k in range(len(middle)):
        if k and height[k] != height[k - 1]:
            points.append(np.append(plan[k], height[k]))
            owner.append(piece[k - 1])
        points.append(np.append(plan[k + 1], height[k]))
        owner.append(piece[k])
    vias = int(np.count_nonzero(np.diff(height)))
    closed = bool(np.allclose(flat[0], flat[-1], rtol=0, atol=_LEAST_UM))
    if closed and height[0] != height[-1]:
        points.append(points[0])
        owner.append(piece[-1])
        vias += 1
    return np.array(points), np.array(owner, dtype=np.intp), vias
