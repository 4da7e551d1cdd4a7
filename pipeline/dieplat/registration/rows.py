"""Rows and columns of tiles whose places are known: an even grid if they make one, else rows of any lengths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from dieplat.registration.puzzle import Place
from dieplat.registration.stage import bridges, consensus_steps

Cell = tuple[int, int]
EVEN_SHARE = 0.06
"""Corners of an even grid lie within this part of a step from where its steps have them, backlash left aside."""
SPREAD_PX = 5.0
LEAST_OVERLAP = 0.03
"""Share of a tile that must be in common with another."""
ROW_GAP = 0.3
"""Tiles whose corners differ by more than this share of a tile's height are in different rows."""


def as_lattice(places: Mapping[int, Place], size: tuple[int, int]) -> dict[int, Cell] | None:
    """(row, column) of every tile, or None if the places make no even grid.

    Steps from tile to neighbour are whole steps of the grid within a narrow margin; along rows and columns errors may
    add up. `size` is the thumbnail's (width, height).
    """
    tiles = list(places)
    corner = np.array([places[i] for i in tiles])
    pairs, offset = _neighbours(corner, size)
    if not len(pairs):
        return None
    along = np.abs(offset[:, 0]) / size[0] > np.abs(offset[:, 1]) / size[1]
    steps = [_step(offset[along], 0, size), _step(offset[~along], 1, size)]
    basis = np.array(steps).T
    whole = np.linalg.solve(basis, offset.T).T
    if np.quantile(np.abs(whole - np.rint(whole)).max(axis=1), 0.9) > EVEN_SHARE * 2:
        return None
    cells = {0: (0, 0)}
    waiting = [0]
    beside: dict[int, list[tuple[int, Cell]]] = {i: [] for i in range(len(tiles))}
    for (i, j), (right, down) in zip(pairs, np.rint(whole).astype(int), strict=True):
        beside[int(i)].append((int(j), (int(down), int(right))))
        beside[int(j)].append((int(i), (-int(down), -int(right))))
    while waiting:
        here = waiting.pop()
        for other, (down, right) in beside[here]:
            cell = cells[here][0] + down, cells[here][1] + right
            if other not in cells:
                cells[other] = cell
                waiting.append(other)
            elif cells[other] != cell:
                return None
    if len(cells) < len(tiles) or len(set(cells.values())) < len(tiles):
        return None
    return {tiles[i]: cell for i, cell in cells.items()}


def _neighbours(
    corner: npt.NDArray[np.float64], size: tuple[int, int]
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """Index pairs (P, 2) of tiles that overlap, and their offsets (P, 2)."""
    offset = corner[None] - corner[:, None]
    near = (np.abs(offset) / size < 1).all(axis=2)
    pairs = np.argwhere(np.triu(near, 1))
    return pairs, offset[pairs[:, 0], pairs[:, 1]]


def _step(offset: npt.NDArray[np.float64], axis: int, size: tuple[int, int]) -> tuple[float, float]:
    """The commonest step along an axis; a plain one where there is none."""
    turned = [(float(x), float(y), 0.5) if (x, y)[axis] > 0 else (-float(x), -float(y), 0.5) for x, y in offset]
    found = consensus_steps([[one] for one in turned[:400]], spread_px=SPREAD_PX)
    if found:
        return found[0][0], found[0][1]
    return (0.8 * size[0], 0.0) if axis == 0 else (0.0, 0.8 * size[1])


def as_rows(places: Mapping[int, Place], size: tuple[int, int]) -> dict[int, Cell]:
    """(row, column) of tiles in rows that may begin anywhere; columns only count the tiles along a row.

    Rows are told apart by their heights, seen along the direction in which tiles follow one another.
    """
    tiles = list(places)
    corner = np.array([places[i] for i in tiles])
    _, offset = _neighbours(corner, size)
    along = offset[np.abs(offset[:, 1]) < ROW_GAP * size[1]]
    along = along * np.sign(along[:, :1])
    slope = float(np.median(along[:, 1] / along[:, 0])) if len(along) else 0.0
    height = corner[:, 1] - slope * corner[:, 0]
    order = np.argsort(height, kind="stable")
    row_of = np.zeros(len(tiles), dtype=int)
    row_of[order] = np.concatenate([[0], np.cumsum(np.diff(height[order]) > ROW_GAP * size[1])])
    step = float(np.median(along[:, 0])) if len(along) else float(size[0])
    cells: dict[int, Cell] = {}
    for row in range(int(row_of.max()) + 1):
        last = -1
        members = np.nonzero(row_of == row)[0]
        for i in members[np.argsort(corner[members, 0], kind="stable")]:
            last = max(last + 1, round((float(corner[i, 0]) - float(corner[:, 0].min())) / step))
            cells[tiles[int(i)]] = (row, last)
    return cells


def grid_of_places(
    places_px: Sequence[Place], size: tuple[int, int]
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Places as (row, column) of a grid whose steps are pixels, and the pairs of tiles that overlap, in reading order.

    So what predicts by steps predicts by places where there are no steps. Rows are even numbers: no backlash is sought
    between them. Parts that do not overlap are joined where they are nearest.
    """
    grid = [(2 * round(y / 2), 2 * round(x / 2)) for x, y in places_px]
    pairs, offset = _neighbours(np.array(places_px), size)
    share = 1 - np.abs(offset) / size
    keep = share.prod(axis=1) > LEAST_OVERLAP
    found = [(int(i), int(j)) for i, j in pairs[keep]]
    found.sort(key=lambda pair: (grid[pair[0]], grid[pair[1]]))
    return grid, found + bridges(grid, found)
