"""The grid of tiles whose names do not tell it, found from the pictures and from the order of capture."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np
import scipy.sparse as sp
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from dieplat.errors import RegistrationError

Offset = tuple[float, float, float]
"""(dx_px, dy_px, score) of the best coarse candidate of a pair."""
Correlate = Callable[[Sequence[tuple[int, int]]], list[Offset | None]]
"""Measures the best coarse offset of many index pairs at once."""

SURE_SCORE = 0.25
ALL_PAIRS_UP_TO = 64


def capture_numbers(names: Sequence[str]) -> list[int]:
    """The last run of digits in every name, so that a lost picture leaves a gap; the plain order where that fails."""
    found = [re.findall(r"\d+", name.rsplit(".", 1)[0]) for name in names]
    if all(found):
        numbers = [int(runs[-1]) for runs in found]
        if len(set(numbers)) == len(numbers) and max(numbers) - min(numbers) < 2 * len(numbers) + 8:
            return [number - min(numbers) for number in numbers]
    return list(range(len(names)))


def find_grid(
    numbers: Sequence[int], correlate: Correlate, *, shape: tuple[int, int], columns: int | None = None
) -> list[tuple[int, int] | None]:
    """Give every tile its (row, column), or None where neither pictures nor capture order place it.

    Small sets try every pair; larger ones follow the order of capture, in which one tile overlaps the next except at
    the ends of rows. The strongest links form a tree; places along it, divided by the two step vectors, are the grid.

    Parameters
    ----------
    numbers : sequence of int
        Capture number of every tile.
    correlate : callable
        Coarse offsets in thumbnail pixels.
    shape : tuple of int
        Thumbnail (height, width).
    columns : int, optional
        Number of columns, if the user says so.

    Raises
    ------
    RegistrationError
        If no grid comes out of the pictures.
    """
    count = len(numbers)
    if count == 1:
        return [(0, 0)]
    if count <= ALL_PAIRS_UP_TO:
        pairs = [(i, j) for i in range(count) for j in range(i + 1, count)]
    else:
        pairs = _pairs_by_order(numbers, correlate, columns)
    links = {
        pair: offset
        for pair, offset in zip(pairs, correlate(pairs), strict=True)
        if offset is not None and offset[2] >= SURE_SCORE and _is_side_neighbour(offset, shape)
    }
    if not links:
        raise RegistrationError(
            "tiles: no two pictures show a common place; name them by row and column (r01_c01.jpg) or give --columns"
        )
    cells = _cells_from_links(count, links)
    return _fill_by_order(cells, numbers, columns)


def _is_side_neighbour(offset: Offset, shape: tuple[int, int]) -> bool:
    """Side neighbours share a long edge; diagonal ones only a corner, and a copy of one field shares nearly all."""
    dx, dy = abs(offset[0]) / shape[1], abs(offset[1]) / shape[0]
    return max(dx, dy) > 0.3 and min(dx, dy) < 0.25


def _pairs_by_order(numbers: Sequence[int], correlate: Correlate, columns: int | None) -> list[tuple[int, int]]:
    index = {number: i for i, number in enumerate(numbers)}
    ordered = sorted(numbers)
    steps = [(index[n], index[n + 1]) for n in ordered if n + 1 in index]
    if columns is None:
        columns = _columns_from_runs(numbers, steps, correlate(steps))
    turns = []
    for number in ordered:
        row, place = divmod(number, columns)
        for below in ((row + 1) * columns + place, (row + 1) * columns + columns - 1 - place):
            if below in index:
                turns.append((index[number], index[below]))
    return list(dict.fromkeys(steps + turns))


def _columns_from_runs(numbers: Sequence[int], steps: Sequence[tuple[int, int]], found: Sequence[Offset | None]) -> int:
    """Length of a row: the commonest distance between places where the direction of travel breaks."""
    along = [o for o in found if o is not None and o[2] >= SURE_SCORE]
    if not along:
        raise RegistrationError("tiles: consecutive pictures do not overlap; give --columns or name tiles by row and column")
    horizontal = float(np.median([abs(o[0]) > abs(o[1]) for o in along])) > 0.5
    breaks = []
    for (a, _), offset in zip(steps, found, strict=True):
        main = offset is not None and offset[2] >= SURE_SCORE and (abs(offset[0]) > abs(offset[1])) == horizontal
        if not main:
            breaks.append(numbers[a])
    if len(breaks) < 2:
        return max(len(numbers) if not breaks else breaks[0] + 1, 1)
    return Counter(np.diff(breaks).tolist()).most_common(1)[0][0]


def _cells_from_links(count: int, links: dict[tuple[int, int], Offset]) -> list[tuple[int, int] | None]:
    across = [o if o[0] > 0 else (-o[0], -o[1], o[2]) for o in links.values() if abs(o[0]) > abs(o[1])]
    down = [o if o[1] > 0 else (-o[0], -o[1], o[2]) for o in links.values() if abs(o[0]) <= abs(o[1])]
    step = np.median(np.array(across)[:, :2], axis=0) if across else np.array([1e9, 0.0])
    drop = np.median(np.array(down)[:, :2], axis=0) if down else np.array([0.0, 1e9])
    basis = np.array([step, drop]).T
    # Repeating patterns give strong but false links; those that are no whole step are dropped before the tree.
    good = {}
    for pair, offset in links.items():
        cells = np.linalg.solve(basis, np.array(offset[:2]))
        if np.abs(cells - np.round(cells)).max() < 0.12 and np.abs(np.round(cells)).sum() == 1:
            good[pair] = (np.round(cells).astype(int), offset[2])
    rows, columns = [p[0] for p in good], [p[1] for p in good]
    graph = sp.csr_matrix(([2.0 - s for _, s in good.values()], (rows, columns)), shape=(count, count))
    tree = minimum_spanning_tree(graph)
    parts, label = sp.csgraph.connected_components(tree, directed=False)
    main = int(np.bincount(label, minlength=parts).argmax())
    start = int(np.nonzero(label == main)[0][0])
    order, before = breadth_first_order(tree, start, directed=False)
    place: dict[int, np.ndarray] = {start: np.zeros(2, dtype=int)}
    for tile in order[1:]:
        a = int(before[tile])
        step_cells = good[(a, int(tile))][0] if (a, int(tile)) in good else -good[(int(tile), a)][0]
        place[int(tile)] = place[a] + step_cells
    low = np.min(list(place.values()), axis=0)
    return [(int((place[i] - low)[1]), int((place[i] - low)[0])) if i in place else None for i in range(count)]


def _fill_by_order(
    cells: list[tuple[int, int] | None], numbers: Sequence[int], columns: int | None
) -> list[tuple[int, int] | None]:
    """Give tiles that no picture placed the cell that the order of capture says, if it explains the others."""
    known = [(number, cell) for number, cell in zip(numbers, cells, strict=True) if cell is not None]
    if len(known) == len(cells):
        return cells
    width = columns or max(cell[1] for _, cell in known) + 1
    height = max(cell[0] for _, cell in known) + 1
    taken = {cell for _, cell in known}
    best: tuple[float, list[tuple[int, int]]] = (0.0, [])
    for serpentine in (True, False):
        for flip_rows in (False, True):
            for flip_columns in (False, True):
                guess = [_cell(n, width, height, serpentine, flip_rows, flip_columns) for n in numbers]
                hits = sum(g == c for g, c in zip(guess, cells, strict=True) if c is not None) / len(known)
                if hits > best[0]:
                    best = (hits, guess)
    if best[0] < 0.9:
        return cells
    return [
        cell if cell is not None else (guess if guess not in taken else None)
        for cell, guess in zip(cells, best[1], strict=True)
    ]


def _cell(
    number: int, width: int, height: int, serpentine: bool, flip_rows: bool, flip_columns: bool
) -> tuple[int, int]:
    row, column = divmod(number, width)
    if serpentine and row % 2:
        column = width - 1 - column
    return (height - 1 - row if flip_rows else row, width - 1 - column if flip_columns else column)
