"""The grid of tiles whose names do not tell it, found from the pictures and from the order of capture."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from dieplat.errors import RegistrationError
from dieplat.registration.correlate import Image
from dieplat.registration.neighbours import likely_pairs
from dieplat.registration.puzzle import STEPS, Link, assemble, closed_squares, drop_contradicted
from dieplat.registration.stage import Candidates, consensus_steps

Correlate = Callable[[Sequence[tuple[int, int]]], list[Candidates]]
"""Measures the coarse candidates (dx_px, dy_px, score), best first, of many index pairs at once."""
Cell = tuple[int, int]

SURE_SCORE = 0.25
SPREAD_PX = 5.0
"""Scatter of stage steps in thumbnail pixels, backlash included."""
HAND_SPREAD_PX = 10.0
"""The same for a stage moved by hand."""
OFF_STEP = 0.22
"""How far, in steps, an offset may lie from a whole step of the grid."""
STAGE_AGREES = 0.3
"""How far, in steps, the stage's positions may lie from the cells that pictures gave."""
PAIRS_A_TILE = 8
"""A set small enough that all its pairs are no more than this many a tile is compared pair by pair."""
MOST_PAIRS = 2016
"""Up to 64 tiles every pair is compared after all if spots in common do not place half of them."""
GROWTH_ROUNDS = 3
ORDER_AGREEMENT = 0.85
CLEAR_LEAD = 0.9
"""A second way of travel with this share of the best one's votes leaves the grid undecided."""


@dataclass(frozen=True, slots=True)
class _Travel:
    """How the stage went: rows of `columns` pictures, in turns (serpentine) or always from the same side."""

    columns: int
    serpentine: bool

    def cell(self, number: int) -> Cell:
        row, place = divmod(number, self.columns)
        return row, self.columns - 1 - place if self.serpentine and row % 2 else place


def find_grid(
    numbers: Sequence[int],
    correlate: Correlate,
    *,
    shape: tuple[int, int],
    columns: int | None = None,
    thumbs: Sequence[Image] | None = None,
    stage: Sequence[tuple[float, float] | None] | None = None,
) -> list[Cell | None]:
    """Give every tile its (row, column), or None where neither pictures nor capture order place it.

    First the order of capture is tried: the length of a row and the way of travel under which the steps from picture
    to picture and from row to row agree best. Where it does not explain the pictures (a shuffled folder, a stage moved
    by hand), pairs are compared that share spots (`neighbours`), that were captured one after the other, or that the
    stage's positions make neighbours; what they show is put together as in `puzzle`. Where positions are known they
    also place tiles that show nothing, once the pictures of the others have confirmed them.

    Parameters
    ----------
    numbers : sequence of int
        Capture number of every tile, from zero.
    correlate : callable
        Coarse candidates in thumbnail pixels.
    shape : tuple of int
        Thumbnail (height, width).
    columns : int, optional
        Number of pictures in a row, if the user says so.
    thumbs : sequence of ndarray, optional
        Band-passed thumbnails; without them all pairs are compared.
    stage : sequence of tuple of float, optional
        The stage's position of every tile, None where unknown; unit and directions do not matter.

    Raises
    ------
    RegistrationError
        If no grid comes out of the pictures.
    """
    if len(numbers) == 1:
        return [(0, 0)]
    places = list(stage) if stage is not None else [None] * len(numbers)
    if all(place is None for place in places) or columns is not None:
        by_order = _grid_by_order(numbers, correlate, shape, columns)
        if by_order is not None:
            return by_order
    return _grid_by_pictures(len(numbers), correlate, shape, thumbs, numbers, places)


def _grid_by_order(
    numbers: Sequence[int], correlate: Correlate, shape: tuple[int, int], columns: int | None
) -> list[Cell | None] | None:
    """The grid that the order of capture and the pictures agree on, or None."""
    index = {number: i for i, number in enumerate(numbers)}
    steps = [(index[n], index[n + 1]) for n in sorted(numbers) if n + 1 in index]
    if len(steps) < 2:
        return None
    found = [_as_steps(pair, shape) for pair in correlate(steps)]
    both_ways = [[*pair, *((-x, -y, s) for x, y, s in pair)] for pair in found]
    steps_found = consensus_steps(both_ways, spread_px=SPREAD_PX)
    if not steps_found:
        return None
    step = steps_found[0]
    forward = np.array([_vote(pair, step[:2]) for pair in found])
    backward = np.array([_vote(pair, (-step[0], -step[1])) for pair in found])
    first = np.array([numbers[a] for a, _ in steps])
    last = max(numbers) + 1
    ways = [
        _Travel(c, serpentine)
        for c in ([columns] if columns is not None else range(2, last + 1))
        for serpentine in (True, False)
    ]
    ranked = sorted(ways, key=lambda way: -_row_votes(way, first, forward, backward))[:4]
    votes = {
        way: _row_votes(way, first, forward, backward) + _drop_votes(way, index, correlate, shape) for way in ranked
    }
    best, *others = sorted(ranked, key=lambda way: -votes[way])
    if not _agreement(best, first, forward, backward, found):
        return None
    cells = [best.cell(n) for n in numbers]
    rivals = [way for way in others if [way.cell(n) for n in numbers] != cells]
    if rivals and votes[rivals[0]] > CLEAR_LEAD * votes[best]:
        raise RegistrationError(
            f"tiles: the pictures fit {_in_words(best)} and {_in_words(rivals[0])} about as well; "
            "name the tiles by row and column (r01_c01.jpg)"
        )
    return list(cells)


def _in_words(way: _Travel) -> str:
    return f"rows of {way.columns} {'to and fro' if way.serpentine else 'from one side'}"


def _as_steps(pair: Candidates, shape: tuple[int, int]) -> Candidates:
    """Candidates that may be a step to a side neighbour: long along one axis, short along the other."""
    height, width = shape
    kept = []
    for x, y, score in pair:
        across, down = abs(x) / width, abs(y) / height
        if max(across, down) > 0.3 and min(across, down) < 0.25:
            kept.append((x, y, score))
    return kept


def _vote(pair: Candidates, step: tuple[float, float]) -> float:
    near = [s for x, y, s in pair if np.hypot(x - step[0], y - step[1]) < 2.5 * SPREAD_PX]
    return float(-0.5 * np.log(1 - min(max(near), 0.98) ** 2)) if near and max(near) > 0 else 0.0


def _signs(way: _Travel, first: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    """Direction of the step that starts at each capture number: +1, -1, or 0 where a row ends."""
    row, place = np.divmod(first, way.columns)
    sign = np.where((row % 2 == 1) & way.serpentine, -1, 1)
    return np.where(place == way.columns - 1, 0, sign)


def _row_votes(
    way: _Travel,
    first: npt.NDArray[np.intp],
    forward: npt.NDArray[np.float64],
    backward: npt.NDArray[np.float64],
) -> float:
    """Scores of the steps that go as they should, less those that go as they should not; either sense will do."""
    signs = _signs(way, first)
    right = np.where(signs > 0, forward - backward, np.where(signs < 0, backward - forward, 0.0))
    turned = -np.maximum(forward, backward)[signs == 0].sum()
    return abs(float(right.sum())) + float(turned)


def _drop_votes(way: _Travel, index: dict[int, int], correlate: Correlate, shape: tuple[int, int]) -> float:
    """Scores of the common step from row to row."""
    place = {way.cell(number): i for number, i in index.items()}
    pairs = [(i, place[(row + 1, column)]) for (row, column), i in place.items() if (row + 1, column) in place]
    if not pairs:
        return 0.0
    some = [pairs[k] for k in np.unique(np.linspace(0, len(pairs) - 1, 40).round().astype(int))]
    drops = consensus_steps([_as_steps(pair, shape) for pair in correlate(some)], spread_px=SPREAD_PX)
    return drops[0][2] * len(pairs) / len(some) if drops else 0.0


def _agreement(
    way: _Travel,
    first: npt.NDArray[np.intp],
    forward: npt.NDArray[np.float64],
    backward: npt.NDArray[np.float64],
    found: Sequence[Candidates],
) -> bool:
    """Whether nearly all steps whose pictures clearly overlap go the way that is claimed."""
    signs = _signs(way, first)
    sense = 1 if (signs * (forward - backward)).sum() >= 0 else -1
    going = np.where(forward >= backward, 1, -1) * sense
    clear = np.array([any(s >= SURE_SCORE for _, _, s in pair) for pair in found]) & (signs != 0)
    moved = np.maximum(forward, backward) > 0.05
    # In a shuffled folder few pictures overlap the one before; that some of those agree means nothing.
    if clear.sum() < 0.5 * (signs != 0).sum():
        return False
    return bool((moved & (going == signs))[clear].mean() >= ORDER_AGREEMENT)


def _grid_by_pictures(
    count: int,
    correlate: Correlate,
    shape: tuple[int, int],
    thumbs: Sequence[Image] | None,
    numbers: Sequence[int],
    stage: Sequence[tuple[float, float] | None],
) -> list[Cell | None]:
    """Places from the pictures alone, or with the stage's positions as hints which pictures to compare."""
    seen: dict[tuple[int, int], Candidates] = {}

    def look(pairs: Iterable[tuple[int, int]]) -> None:
        new = sorted({(min(pair), max(pair)) for pair in pairs} - set(seen))
        for pair, candidates in zip(new, correlate(new), strict=True):
            seen[pair] = _as_steps(candidates, shape)

    everything = count * (count - 1) // 2
    if thumbs is None or everything <= PAIRS_A_TILE * count:
        look((i, j) for i in range(count) for j in range(i + 1, count))
    else:
        look(_proposed(thumbs, numbers, stage))
    cells = _placed(count, seen, shape)
    if thumbs is not None and 2 * len(cells) < count and any(place is not None for place in stage):
        # Positions that the pictures do not bear out are forgotten.
        stage = [None] * count
        look(_proposed(thumbs, numbers, stage))
        cells = _placed(count, seen, shape)
    if thumbs is not None and 2 * len(cells) < count and everything <= MOST_PAIRS:
        look((i, j) for i in range(count) for j in range(i + 1, count))
        cells = _placed(count, seen, shape)
    for _ in range(GROWTH_ROUNDS):
        look(_to_confirm(count, cells))
        grown = _placed(count, seen, shape)
        if len(grown) <= len(cells):
            break
        cells = grown
    if len(cells) < 2:
        raise RegistrationError(
            "tiles: no two pictures show a common place; name them by row and column (r01_c01.jpg) or give --columns"
        )
    cells = drop_contradicted(cells, _claimed_scores(cells, seen, shape))
    cells = _with_stage(cells, stage)
    if 2 * len(cells) < count:
        # A small group that holds together may be repeating blocks that fit by chance: the whole must bear it out.
        raise RegistrationError(
            f"tiles: only {len(cells)} of {count} pictures fit together beyond doubt; "
            "name them by row and column (r01_c01.jpg) or give --columns"
        )
    top, left = (min(cell[axis] for cell in cells.values()) for axis in (0, 1))
    return [(cells[i][0] - top, cells[i][1] - left) if i in cells else None for i in range(count)]


def _proposed(
    thumbs: Sequence[Image], numbers: Sequence[int], stage: Sequence[tuple[float, float] | None]
) -> set[tuple[int, int]]:
    """Pairs worth comparing: neighbours by the stage if it is known, else by common spots; and captured in turn."""
    index = {number: i for i, number in enumerate(numbers)}
    pairs = {(i, index[n + 1]) for n, i in index.items() if n + 1 in index}
    known = [i for i, place in enumerate(stage) if place is not None]
    if 2 * len(known) > len(thumbs):
        points = np.array([stage[i] for i in known], dtype=np.float64)
        near = np.asarray(cKDTree(points).query(points, k=min(9, len(known)))[1], dtype=np.intp)
        pairs |= {(known[i], known[j]) for i, row in enumerate(near) for j in row[1:] if i != j}
        if len(known) == len(thumbs):
            return pairs
    return pairs | set(likely_pairs(thumbs))


def _basis(seen: Mapping[tuple[int, int], Candidates]) -> npt.NDArray[np.float64] | None:
    """The two steps, as columns (right, down), that most sure links agree on."""
    sure = [pair[0] for pair in seen.values() if pair and pair[0][2] >= SURE_SCORE]
    across = [o if o[0] > 0 else (-o[0], -o[1], o[2]) for o in sure if abs(o[0]) > abs(o[1])]
    down = [o if o[1] > 0 else (-o[0], -o[1], o[2]) for o in sure if abs(o[0]) <= abs(o[1])]
    if not sure:
        return None
    step = consensus_steps([[o] for o in across], spread_px=HAND_SPREAD_PX)[0][:2] if across else (1e9, 0.0)
    drop = consensus_steps([[o] for o in down], spread_px=HAND_SPREAD_PX)[0][:2] if down else (0.0, 1e9)
    return np.array([step, drop]).T


def _placed(count: int, seen: Mapping[tuple[int, int], Candidates], shape: tuple[int, int]) -> dict[int, Cell]:
    """Cells of the largest group of tiles that the steps seen put together."""
    basis = _basis(seen)
    if basis is None:
        return {}
    links, off = [], []
    for (a, b), candidates in seen.items():
        if candidates and candidates[0][2] >= SURE_SCORE:
            x, y, score = candidates[0]
            right, down = np.linalg.solve(basis, np.array([x, y]))
            whole = round(float(down)), round(float(right))
            gap = max(abs(down - whole[0]), abs(right - whole[1]))
            if gap < OFF_STEP and abs(whole[0]) + abs(whole[1]) == 1:
                links.append(Link(a, b, whole, score, (x, y)))
                off.append(gap)
    # A stage that steps evenly is held to that; only one moved by hand gets all the room.
    closed = [gap for gap, squares in zip(off, closed_squares(links), strict=True) if squares]
    room = max(4 * float(np.median(closed)), 0.06) if closed else OFF_STEP
    clusters = assemble(count, [link for link, gap in zip(links, off, strict=True) if gap <= room])
    largest = clusters.largest()
    return {tile: clusters.cell[tile] for tile in largest} if len(largest) > 1 else {}


def _to_confirm(count: int, cells: Mapping[int, Cell]) -> set[tuple[int, int]]:
    """Pairs that the cells make neighbours, and tiles without a cell against those beside an empty place."""
    place = {cell: tile for tile, cell in cells.items()}
    pairs = set()
    rim = []
    for (row, column), tile in place.items():
        pairs |= {(tile, place[c]) for c in ((row, column + 1), (row + 1, column)) if c in place}
        if any((row + r, column + c) not in place for r, c in STEPS):
            rim.append(tile)
    lost = [tile for tile in range(count) if tile not in cells]
    # Lost tiles are few, or the pictures do not make a grid at all.
    if len(lost) * len(rim) <= PAIRS_A_TILE * count:
        pairs |= {(tile, other) for tile in lost for other in rim}
    return pairs


def _claimed_scores(
    cells: Mapping[int, Cell], seen: Mapping[tuple[int, int], Candidates], shape: tuple[int, int]
) -> dict[tuple[int, int], float]:
    """For all neighbours that were compared and show anything in common, the score of the step they claim."""
    basis = _basis(seen)
    assert basis is not None
    scores = {}
    for (a, b), candidates in seen.items():
        if a not in cells or b not in cells or not candidates or candidates[0][2] < SURE_SCORE:
            continue
        rows, columns = cells[b][0] - cells[a][0], cells[b][1] - cells[a][1]
        if abs(rows) + abs(columns) == 1:
            x, y = basis @ (columns, rows)
            reach = OFF_STEP * min(shape)
            scores[a, b] = max((s for cx, cy, s in candidates if np.hypot(cx - x, cy - y) < reach), default=0.0)
    return scores


def _with_stage(cells: dict[int, Cell], stage: Sequence[tuple[float, float] | None]) -> dict[int, Cell]:
    """Tiles that pictures do not place, by the stage's positions, if those explain the cells of all others."""
    both = [i for i in cells if stage[i] is not None]
    lost = [i for i, place in enumerate(stage) if place is not None and i not in cells]
    if not lost or len(both) < 4:
        return cells
    design = np.array([(*(stage[i] or (0.0, 0.0)), 1.0) for i in both])
    known = np.array([cells[i] for i in both], dtype=np.float64)
    fit, _, rank, _ = np.linalg.lstsq(design, known, rcond=None)
    if rank < 3 or np.abs(design @ fit - known).max() > STAGE_AGREES:
        return cells
    taken = {*cells.values()}
    result = dict(cells)
    for tile in lost:
        place = np.array((*(stage[tile] or (0.0, 0.0)), 1.0)) @ fit
        cell = round(float(place[0])), round(float(place[1]))
        if np.abs(place - cell).max() <= STAGE_AGREES and cell not in taken:
            result[tile] = cell
            taken.add(cell)
    return result
