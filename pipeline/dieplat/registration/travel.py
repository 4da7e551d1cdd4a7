"""The grid as the order of capture gives it: the length of a row, and whether the stage went to and fro."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from dieplat.errors import RegistrationError
from dieplat.registration.stage import Candidates, consensus_steps

Correlate = Callable[[Sequence[tuple[int, int]]], list[Candidates]]
"""Measures the coarse candidates (dx_px, dy_px, score), best first, of many index pairs at once."""
Cell = tuple[int, int]

SURE_SCORE = 0.25
SPREAD_PX = 5.0
"""Scatter of stage steps in thumbnail pixels, backlash included."""
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


def grid_by_order(
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
