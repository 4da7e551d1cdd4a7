"""How often the conductor goes round, and whether it is a spiral or crosses itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from dieplat.errors import UndecidedError
from dieplat.measurement.inductor.bands import Columns, Ints

# A count that holds for less than this part of the circle is a lead, an underpass or a crossing.
SHORTEST_PART = 0.035
# The longest stretch, as a part of the circle, that a crossing or the port of a symmetric winding may take.
CROSSING_PART = 0.22
# Turns end at a corner or a lead, so at a multiple of this; the tolerance is three deviations of the method.
GRID_TURNS = 0.25
GRID_TOLERANCE = 0.06
# Half of what the metal behind an end may add to the count of turns, at most.
LONGEST_CAP = 0.035
JOINT_LEVELS = (0.5, 0.62, 0.74)
MOST_UNSEEN = 0.45
LONGEST_UNSEEN = 0.17


@dataclass(frozen=True, slots=True)
class Winding:
    """Turns with their standard uncertainty; `symmetric` is None where the picture does not tell."""

    turns: float
    turns_u: float
    symmetric: bool | None


def count_turns(columns: Columns) -> Winding:
    """Count bands along every ray; their mean over the circle is the number of turns.

    A conductor that winds by an angle a crosses a / 2 pi rays' worth of columns, whatever its steps, so the
    mean count is the number of turns with its fraction. Columns disturbed by leads, underpass or crossings
    take the count of the nearest undisturbed one.

    Raises
    ------
    UndecidedError
        If too much of the circle is disturbed, or the counts are not those of one winding.
    """
    regular = columns.countable
    total = len(regular)
    if regular.mean() < 1 - MOST_UNSEEN:
        raise UndecidedError("the bands are disturbed over too much of the winding to count them")
    # A winding that crosses itself loses bands for a while at its port and crossings.
    healed = counts_filled(columns, CROSSING_PART)
    if len(np.unique(healed)) == 1 and _crosses(columns, healed):
        return Winding(float(healed[0]), 0.01, True)
    filled = counts_filled(columns)
    levels = np.unique(filled)
    changes = np.nonzero(filled != np.roll(filled, 1))[0]
    if len(levels) > 2 or (len(levels) == 2 and (levels[1] - levels[0] != 1 or len(changes) != 2)):
        raise UndecidedError("the count of bands changes around the winding as no single conductor's does")
    unseen = _longest_unseen(regular)
    if unseen > LONGEST_UNSEEN * total:
        raise UndecidedError("a part of the winding is hidden, and a turn could end in it")
    crosses = _crosses(columns, filled)
    if crosses:
        raise UndecidedError("the winding crosses itself, yet its turns do not come out whole")
    # Metal ends at the centre line's end or half a width behind it, around a via: a quarter off the mean.
    inner = np.array([e[0].mean() for e, good in zip(columns.edges, columns.countable, strict=True) if good])
    inner_px, end_px = float(np.median(inner)), float(np.percentile(inner, 2))
    cap = min(0.25 * columns.width_px / (2 * np.pi * end_px), LONGEST_CAP)
    turns = float(filled.mean()) - cap
    # Each end lies somewhere in the disturbed stretch around it.
    ends = [_stretch(regular, int(c)) / total for c in changes]
    turns_u = float(np.sqrt(sum(e**2 / 12 for e in ends) + cap**2 / 3 + 0.01**2))
    nearest = _settle(turns, GRID_TOLERANCE + cap, columns, inner_px)
    return Winding(nearest, turns_u, crosses)


def _settle(turns: float, tolerance: float, columns: Columns, inner_px: float) -> float:
    """The quarter turn that the count means.

    A polygon's last turn of a whole count may stop short of its corner, by as much as the turn before it
    needs to step inwards there: it ends where its side's line meets the next one's, one pitch further in.

    Raises
    ------
    UndecidedError
        If no quarter turn, or more than one, is within reach.
    """
    short = 0.0
    if columns.frame.sides:
        half = np.pi / columns.frame.sides
        pitch = columns.width_px + (columns.spacing_px if np.isfinite(columns.spacing_px) else 0.0)
        end = (inner_px - pitch - inner_px * np.cos(2 * half)) / np.sin(2 * half)
        # No shorter than that the last side still has a length.
        short = min(float(half - np.arctan2(end, inner_px)), 2 * half) / (2 * np.pi)
    grid = np.arange(np.floor(turns) - 1, np.ceil(turns) + 1.01, GRID_TURNS)
    reach = np.where(grid == np.round(grid), short, 0.0)
    fits = grid[(turns > grid - reach - tolerance) & (turns < grid + tolerance)]
    if len(fits) != 1:
        raise UndecidedError(
            f"about {turns:.2f} turns are seen, not one quarter turn: where the conductor ends is not clear"
        )
    return float(fits[0])


def counts_filled(columns: Columns, shortest_part: float = SHORTEST_PART) -> Ints:
    """Bands along every column; disturbed columns and short stretches take their neighbours' count."""
    counts = np.array([len(e) for e in columns.edges])
    regular = columns.countable
    return _drop_short(counts[_nearest(regular)], regular, round(shortest_part * len(regular)))


def _nearest(regular: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Ints:
    """For every column the nearest regular one, going either way round."""
    n = len(regular)
    nearest = ndimage.distance_transform_edt(~np.tile(regular, 3), return_distances=False, return_indices=True)[0]
    return np.asarray(nearest[n : 2 * n] % n)


def _drop_short(filled: Ints, regular: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], shortest: int) -> Ints:
    """Give stretches with fewer than `shortest` regular columns the counts on their two sides."""
    result = filled.copy()
    n = len(result)
    for _ in range(20):
        starts = np.nonzero(result != np.roll(result, 1))[0]
        if len(starts) <= 2:
            break
        spans = [(int(((b - a) % n) or n), int(a), int(b)) for a, b in zip(starts, np.roll(starts, -1), strict=True)]
        seen = [(int(regular[np.arange(a, a + length) % n].sum()), length, a, b) for length, a, b in spans]
        least, length, a, b = min(seen)
        if least >= shortest:
            break
        before, after = result[a - 1], result[b % n]
        half = length if before == after else length // 2
        result[np.arange(a, a + half) % n] = before
        result[np.arange(a + half, a + length) % n] = after
    starts = np.nonzero(result != np.roll(result, 1))[0]
    if len(starts) == 2:
        a, b = int(starts[0]), int(starts[1])
        for first, last in ((a, b), (b, a + n)):
            inside = np.arange(first, last) % n
            if regular[inside].sum() < shortest:
                result[inside] = result[first - 1]
                break
    return result


def _longest_unseen(regular: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> int:
    if regular.all():
        return 0
    labels, _ = ndimage.label(~np.tile(regular, 2))
    return int(np.bincount(labels.ravel())[1:].max())


def _stretch(regular: np.ndarray[tuple[int, ...], np.dtype[np.bool_]], at: int) -> int:
    """Length of the disturbed stretch that holds or touches column `at`."""
    n = len(regular)
    before = after = 0
    while before < n and not regular[(at - 1 - before) % n]:
        before += 1
    while after < n and not regular[(at + after) % n]:
        after += 1
    return before + after + 1


def _crosses(columns: Columns, filled: Ints) -> bool | None:
    """Whether bands change places. False for a spiral, None where the joints cannot be followed.

    The circle is cut at undisturbed columns; between two cuts, bands are joined by the metal that connects
    them. A spiral's joints all move by the same number of places, counted from the outside, one place in a
    whole round. Where a band moves and its neighbour does not, or the outermost band is broken while the
    others go on, conductors change places.
    """
    right = columns.regular & np.array([len(e) for e in columns.edges] == filled)
    gates = _gates(right)
    if len(gates) < 8:
        return None
    net, mixed, broken = 0, 0, 0
    for a, b in zip(gates, np.roll(gates, -1), strict=True):
        joints = _joints(columns, int(a), int(b))
        na, nb, links, whole = joints
        shifts = {jb - ja for ja, jb in links}
        if len(shifts) > 1:
            mixed += 1
        elif len(shifts) == 1:
            net += shifts.pop()
        straight = {(k, k) for k in range(1, na)}
        if whole and na == nb and na > 1 and set(links) == straight:
            broken += 1
    if mixed or broken:
        return True
    return False if abs(net) == 1 else None


def _gates(right: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> Ints:
    """About every ten degrees an undisturbed column, the one deepest inside its undisturbed stretch."""
    n = len(right)
    depth = ndimage.distance_transform_edt(np.tile(right, 3))[n : 2 * n]
    size = n / 36
    gates = []
    for k in range(36):
        span = np.arange(round(k * size), round((k + 1) * size))
        best = span[int(np.argmax(depth[span]))]
        if depth[best] >= 1.5:
            gates.append(best)
    return np.array(gates, dtype=np.intp)


def _joints(columns: Columns, a: int, b: int) -> tuple[int, int, list[tuple[int, int]], bool]:
    """Bands at column a, at column b, and the places (0 outermost) of those that metal joins.

    A piece of metal that holds several bands of one column (a lead, a visible underpass) joins none; the last
    value is false where there is such a piece.
    """
    n = len(columns.angle)
    span = np.arange(a, a + ((b - a) % n or n) + 1) % n
    rise = columns.distance[1] - columns.distance[0]
    rows = [np.round((columns.edges[c].mean(axis=1)[::-1] - columns.distance[0]) / rise).astype(int) for c in (a, b)]
    # Where a gap narrows at a step, blur bridges it at the half level; a higher one parts it.
    for level in JOINT_LEVELS:
        labels, _ = ndimage.label(columns.soft[:, span] > level, structure=np.ones((3, 3)))
        first, last = (list(labels[r, at]) for r, at in zip(rows, (0, -1), strict=True))
        first_seen, last_seen = [v for v in first if v], [v for v in last if v]
        whole = len(set(first_seen)) == len(first_seen) and len(set(last_seen)) == len(last_seen)
        if whole:
            break
    links = [
        (i, last.index(label))
        for i, label in enumerate(first)
        if label and first.count(label) == 1 and last.count(label) == 1
    ]
    return len(first), len(last), links, whole
