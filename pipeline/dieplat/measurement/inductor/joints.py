"""How the bands on both sides of a disturbed stretch are joined, by the metal that is seen between them."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from dieplat.measurement.inductor.bands import Columns, Island

Pair = tuple[int, int]
# Levels between a gap's and a band's own, highest first. A joint of whole metal holds at the first ones; what
# lies under the oxide appears at the lower ones only.
LEVELS = np.arange(0.9, 0.5, -0.05)
# Bands that are joined as they lie, without having been followed, lie within this part of a pitch.
SAME_PART = 0.25
# A speck of dust on a band darkens its middle before it parts it: a joint is looked for from where every middle is
# this bright again, on columns no further into the island than this part of it.
CLEAN_LEVEL, INTO_PART = 0.8, 0.3
# Dirt breaks a band by no more than this many pitches; a part of what is seen there and half a pitch around is darker
# by this than metal and background.
BREAK_PITCHES, DARKER, DARK_SHARE, BROKEN_LEVEL = 2.0, 0.12, 0.1, 0.5


@dataclass(frozen=True, slots=True)
class Joint:
    """Ways to join island `before` with island `after`: each a set of pairs of bands, the likeliest first.

    `seen` are the pairs that metal joins. An option adds pairs to them: the two halves of a crossing, of which
    one runs below, bands whose joint a brighter underpass hides, or bands that dirt breaks. `crossing` says which
    options cross.
    """

    before: int
    after: int
    seen: tuple[Pair, ...]
    options: tuple[tuple[Pair, ...], ...]
    crossing: tuple[bool, ...]


def find_joints(columns: Columns, islands: list[Island]) -> list[Joint]:
    """One joint for every stretch between neighbouring islands, round the circle."""
    return [_joint(columns, islands, k, (k + 1) % len(islands)) for k in range(len(islands))]


def _joint(columns: Columns, islands: list[Island], before: int, after: int) -> Joint:
    a, b = islands[before], islands[after]
    n = len(columns.angle)
    back, on = _clean(columns, a, -1), _clean(columns, b, 1)
    span = np.arange(a.last - back, a.last + ((b.first - a.last) % n or n) + on + 1) % n
    first, last = a.middles[-1 - back], b.middles[on]
    seen, merged = _seen(columns, span, first, last)
    free_a = [i for i in range(len(first)) if i not in {p for p, _ in seen}]
    free_b = [j for j in range(len(last)) if j not in {q for _, q in seen}]
    options: list[tuple[Pair, ...]] = [()]
    below = _crossings(seen, free_a, free_b)
    if below:
        options.append(below)
    if merged and free_a and free_b:
        options += _hidden(first, last, free_a, free_b, columns.pitch_px)
    if not below:
        options += _broken(columns, span, (first, last), seen, (free_a, free_b))
    options = list(dict.fromkeys(options))  # the same joint twice would look like two ways
    crossing = [bool(below) and option == below for option in options]
    return Joint(before, after, tuple(seen), tuple(options), tuple(crossing))


def _broken(
    columns: Columns,
    span: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
    middles: tuple[np.ndarray, np.ndarray],
    seen: list[Pair],
    free: tuple[list[int], list[int]],
) -> list[tuple[Pair, ...]]:
    """Bands that go on beyond dirt as their neighbours do, as they lie or moved by the place that these move."""
    moves = {j - i for i, j in seen} or {0}
    if len(moves) > 1:
        return []
    move = moves.pop()
    pairs = tuple(
        (i, i + move) for i in free[0] if i + move in free[1] and _dirty(columns, span, middles, (i, i + move))
    )
    return [pairs] if pairs else []


def _dirty(
    columns: Columns,
    span: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
    middles: tuple[np.ndarray, np.ndarray],
    pair: Pair,
) -> bool:
    """Whether the way from one band to another is straight, and broken by nothing but a grain or a fibre."""
    start, stop, pitch = float(middles[0][pair[0]]), float(middles[1][pair[1]]), columns.pitch_px
    if abs(start - stop) > (SAME_PART if pair[0] == pair[1] else 1 + SAME_PART) * pitch:
        return False
    turn = 2 * np.pi / len(columns.angle)
    # Pixels along a straight side for a column; a circle's columns are all alike.
    stretch = turn / np.cos(columns.off_normal[span]) ** 2 if columns.frame.sides else np.full(len(span), turn)
    way = np.linspace(start, stop, len(span))
    offsets = np.arange(-0.5, 0.51, 0.1) * pitch
    at = way[:, None] + offsets
    level, dark = (
        np.array([np.interp(r, columns.distance, image[:, k]) for r, k in zip(at, span, strict=True)])
        for image in (columns.soft, columns.dark)
    )
    breaks, count = ndimage.label(level[:, len(offsets) // 2] < BROKEN_LEVEL)
    for k in range(1, count + 1):
        here = breaks == k
        if float((way * stretch)[here].sum()) > BREAK_PITCHES * pitch or (dark[here] > DARKER).mean() < DARK_SHARE:
            return False
    return True


def _clean(columns: Columns, island: Island, side: int) -> int:
    """How many columns into an island no middle of a band is darkened, from its end (`side` -1) or its beginning.

    Within an island every band is known apart from its neighbours, so that nothing is joined by starting there. 0
    where all of that part is darkened: then it is not by dust.
    """
    n = len(columns.angle)
    for away in range(1 + int(INTO_PART * len(island.middles))):
        row = away if side > 0 else len(island.middles) - 1 - away
        middle = island.middles[row]
        if np.interp(middle, columns.distance, columns.soft[:, (island.first + row) % n]).min() > CLEAN_LEVEL:
            return away
    return 0


def _seen(
    columns: Columns, span: np.ndarray[tuple[int, ...], np.dtype[np.intp]], first: np.ndarray, last: np.ndarray
) -> tuple[list[Pair], bool]:
    """Pairs joined by metal, each by a piece that holds no other band; and whether any piece holds several."""
    low = max(min(first.min(), last.min()) - columns.pitch_px, columns.distance[0])
    high = max(first.max(), last.max()) + columns.pitch_px
    rise = columns.distance[1] - columns.distance[0]
    rows = (columns.distance >= low) & (columns.distance <= high)
    base = columns.distance[rows][0]
    window = columns.soft[np.ix_(rows, span)]
    at_a, at_b = (np.clip(np.round((m - base) / rise).astype(int), 0, rows.sum() - 1) for m in (first, last))
    peak = float(np.median(np.concatenate([window[at_a, 0], window[at_b, -1]])))
    floor = _floor(window, at_a, at_b)
    pairs: list[Pair] = []
    merged = False
    for part in LEVELS:
        labels, _ = ndimage.label(window > floor + part * (peak - floor), structure=np.ones((3, 3)))
        of_a, of_b = labels[at_a, 0], labels[at_b, -1]
        for label in np.unique(of_a[of_a > 0]):
            i, j = np.flatnonzero(of_a == label), np.flatnonzero(of_b == label)
            merged |= len(i) + len(j) > 2
            if len(i) == len(j) == 1 and all(i[0] != p and j[0] != q for p, q in pairs):
                pairs.append((int(i[0]), int(j[0])))
    return sorted(pairs), merged


def _floor(window: np.ndarray, at_a: np.ndarray, at_b: np.ndarray) -> float:
    """Level of the gaps between bands: narrow ones do not reach the ground's own."""
    gaps = []
    for at, column in ((np.sort(at_a), window[:, 0]), (np.sort(at_b), window[:, -1])):
        gaps += [float(column[p:q].min()) for p, q in itertools.pairwise(at) if q > p]
    return float(np.median(gaps)) if gaps else 0.0


def _crossings(seen: list[Pair], free_a: list[int], free_b: list[int]) -> tuple[Pair, ...]:
    """The lower halves of crossings, where the upper ones are seen and no other band changes its place."""
    moved = [(i, j) for i, j in seen if i != j]
    if all(abs(i - j) == 1 and j in free_a and i in free_b for i, j in moved):
        return tuple((j, i) for i, j in moved)
    return ()


def _hidden(
    first: np.ndarray, last: np.ndarray, free_a: list[int], free_b: list[int], pitch: float
) -> list[tuple[Pair, ...]]:
    """Ways to join bands that a piece of metal over all of them hides: as they lie, or moved by one place."""
    found: list[tuple[Pair, ...]] = []
    for shift in (0, 1, -1):
        pairs = tuple(
            (i, j) for i in free_a for j in free_b if abs(first[i] - last[j] - shift * pitch) < SAME_PART * pitch
        )
        if pairs and pairs not in found:
            found.append(pairs)
    return found
