"""The stage model: nominal steps, backlash and scatter, from whichever pairs are clear."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components

from dieplat.errors import RegistrationError
from dieplat.values.offsets import PairOffsets, StageModel

Grid = Sequence[tuple[int, int]]
"""(row, column) of every tile, by tile index."""
Candidates = Sequence[tuple[float, float, float]]
"""(dx_px, dy_px, score) of one pair."""

MOST_STEPS = 5
CLEAR_COST = 20.0
"""A best hypothesis is clear when every rival lies at least this far behind. A pair that shows nothing but a lattice
may favour a wrong place of it by 13 (one in a thousand such pairs of phantoms)."""


def grid_pairs(grid: Grid) -> list[tuple[int, int]]:
    """Index pairs of tiles that are neighbours in a row or in a column, in reading order.

    Missing tiles may cut the grid into parts; each part is then joined to the nearest other by one pair that does not
    overlap, for which only the stage model speaks.
    """
    place = {cell: index for index, cell in enumerate(grid)}
    pairs = []
    for index in sorted(range(len(grid)), key=lambda i: grid[i]):
        row, column = grid[index]
        for neighbour in ((row, column + 1), (row + 1, column)):
            if neighbour in place:
                pairs.append((index, place[neighbour]))
    return pairs + bridges(grid, pairs)


def bridges(grid: Grid, pairs: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Pairs that join the parts into which `pairs` leave the grid, each from where it is nearest to another."""
    cells = np.array(grid)
    links = np.array(pairs, dtype=np.intp).reshape(-1, 2)
    graph = sp.coo_matrix((np.ones(len(links)), (links[:, 0], links[:, 1])), shape=(len(grid), len(grid)))
    parts, label = connected_components(graph, directed=False)
    bridges = []
    for part in range(1, parts):
        here, there = np.nonzero(label == part)[0], np.nonzero(label == 0)[0]
        steps = np.abs(cells[here][:, None] - cells[there][None]).sum(axis=2)
        i, j = np.unravel_index(int(steps.argmin()), steps.shape)
        bridges.append((int(there[j]), int(here[i])))
        label[label == part] = 0
    return bridges


def sample_evenly(items: Sequence[tuple[int, int]], most: int) -> list[tuple[int, int]]:
    """At most `most` items, spread evenly over the sequence."""
    if len(items) <= most:
        return list(items)
    return [items[i] for i in np.linspace(0, len(items) - 1, most).round().astype(int)]


def consensus_steps(
    candidates: Sequence[Candidates], *, spread_px: float, most: int = 1
) -> list[tuple[float, float, float]]:
    """The offsets (dx, dy, votes) that most pairs support, best first; none without any candidate.

    Every candidate is tried as the centre; each pair votes with the best score it has near it, so that a pair
    fooled by a repeating pattern adds one wrong vote while the right place gathers one from every pair.
    Votes are in nats a pixel. Offsets with less than half of the best one's votes are left out.
    """
    flat = [(x, y, s, i) for i, pair in enumerate(candidates) for x, y, s in pair if s > 0.02]
    if not flat:
        return []
    data = np.array(flat, dtype=np.float64)
    # Information of a correlation (for normal variables): a near perfect match counts far more than a likeness.
    data[:, 2] = -0.5 * np.log(1 - np.minimum(data[:, 2], 0.98) ** 2)
    votes = np.zeros(len(data))
    for k, (x, y, _, _) in enumerate(data):
        near = data[:, 2] * np.exp(-((data[:, 0] - x) ** 2 + (data[:, 1] - y) ** 2) / (2 * spread_px**2))
        of_pair = np.zeros(len(candidates))
        np.maximum.at(of_pair, data[:, 3].astype(int), near)
        votes[k] = of_pair.sum()
    found: list[tuple[float, float, float]] = []
    top = float(votes.max())
    while len(found) < most and float(votes.max()) > max(0.5 * top, 0.0):
        k = int(votes.argmax())
        distance = np.hypot(data[:, 0] - data[k, 0], data[:, 1] - data[k, 1])
        inside = distance < 2.5 * spread_px
        # Of every pair only its best place counts, or a lattice of them would draw the middle its own way.
        ranked = data[inside][np.argsort(-data[inside, 2], kind="stable")]
        _, first = np.unique(ranked[:, 3], return_index=True)
        middle = np.median(ranked[first, :2], axis=0)
        found.append((float(middle[0]), float(middle[1]), float(votes[k])))
        votes[inside] = -1.0
    return found


def _mostly(candidates: Sequence[Candidates], axis: int, shape: tuple[int, int]) -> list[Candidates]:
    """Candidates that run along one axis (0: x, 1: y) by over a third of the tile, as a step of a survey does."""
    size = (shape[1], shape[0])
    other = 1 - axis
    return [
        [c for c in pair if abs(c[axis]) > 0.35 * size[axis] and abs(c[other]) < 0.35 * size[other]]
        for pair in candidates
    ]


Steps = list[tuple[float, float, float]]


def likely_steps(
    row_pairs: Sequence[Candidates],
    column_pairs: Sequence[Candidates],
    *,
    shape: tuple[int, int],
    spread_px: float,
) -> tuple[Steps, Steps]:
    """Likely steps (dx, dy, votes) from column to column and from row to row, best first.

    `shape` is the tile's (height, width) and `spread_px` the expected scatter, both in pixels of the candidates.
    Rows of the grid may run along either axis of the camera; the columns then run along the other.

    Raises
    ------
    RegistrationError
        If no pair of either direction shows a common place.
    """
    best: tuple[float, Steps, Steps] = (0.0, [], [])
    for axis in (0, 1):
        steps = consensus_steps(_mostly(row_pairs, axis, shape), spread_px=spread_px, most=MOST_STEPS)
        drops = consensus_steps(_mostly(column_pairs, 1 - axis, shape), spread_px=2 * spread_px, most=MOST_STEPS)
        votes = (steps[0][2] if steps else 0.0) + (drops[0][2] if drops else 0.0)
        if votes > best[0]:
            # A grid of one row or one column has only one direction; the other is never used but must be a basis.
            plain = [0.8 * shape[1], 0.8 * shape[0]]
            along, across = [0.0, 0.0], [0.0, 0.0]
            along[axis], across[1 - axis] = plain[axis], plain[1 - axis]
            best = votes, steps or [(along[0], along[1], 0.0)], drops or [(across[0], across[1], 0.0)]
    if best[0] <= 0:
        raise RegistrationError(
            "tiles: no two neighbouring pictures show a common place; check that they overlap and the grid is right"
        )
    return best[1], best[2]


def is_clear(pair: PairOffsets) -> bool:
    """Whether the pair's best hypothesis has no rival."""
    return bool(pair.hypotheses) and all(rival.cost >= CLEAR_COST for rival in pair.hypotheses[1:])


def fit_model(pairs: Sequence[PairOffsets], grid: Grid, start: StageModel) -> StageModel:
    """Refit the stage model to the clear pairs by iteratively reweighted least squares (Cauchy weights).

    Steps and backlash are linear in the offsets. The scatter is the scaled median absolute deviation of the
    residuals (1.4826 MAD, consistent for a normal distribution; Rousseeuw and Croux 1993), at least 0.5 px, or their
    standard deviation after winsorising at four of these, if that is larger.
    Returns `start` when fewer than three pairs are clear.
    """
    clear = [pair for pair in pairs if is_clear(pair)]
    if len(clear) < 3:
        return start
    design = np.zeros((len(clear), 3))
    offsets = np.zeros((len(clear), 2))
    for i, pair in enumerate(clear):
        (row_a, column_a), (row_b, column_b) = grid[pair.a], grid[pair.b]
        design[i] = column_b - column_a, row_b - row_a, ((-1) ** row_a - (-1) ** row_b) / 2
        offsets[i] = pair.hypotheses[0].dx_px, pair.hypotheses[0].dy_px
    prior = np.array([start.column_step_px, start.row_step_px, start.backlash_px])
    # A parameter that no pair informs keeps its start value.
    ridge = np.diag([1e-4, 1e-4, 1e-1 if len(clear) < 12 else 1e-3])
    theta = prior
    for _ in range(25):
        residual = offsets - design @ theta
        scale = np.maximum(1.4826 * np.median(np.abs(residual), axis=0), 0.5)
        weight = 1 / (1 + (residual / (2 * scale)) ** 2).max(axis=1)
        normal = design.T @ (weight[:, None] * design) + ridge
        theta = np.linalg.solve(normal, design.T @ (weight[:, None] * offsets) + ridge @ prior)
    residual = offsets - design @ theta
    robust = np.maximum(1.4826 * np.median(np.abs(residual), axis=0), 0.5)
    # Of few pairs the median is a poor judge: what lies within four deviations of it says the rest.
    near = np.clip(residual, -4 * robust, 4 * robust)
    sigma = np.maximum(robust, np.sqrt((near**2).sum(axis=0) / max(len(clear) - 3, 1)))
    return StageModel(_pair(theta[0]), _pair(theta[1]), _pair(theta[2]), _pair(sigma), len(clear))


def _pair(values: npt.NDArray[np.float64]) -> tuple[float, float]:
    return float(values[0]), float(values[1])
