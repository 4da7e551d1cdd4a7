"""What the names of tiles say about their place in the grid and their order of capture."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

_ROW = re.compile(r"(?<![a-z])(?:row|r|y)[ _.=-]?(\d+)", re.IGNORECASE)
# "10x_003" is a magnification and a running number, no column.
_COLUMN = re.compile(r"(?<![a-z])(?:column|col|c|x(?=\d)|(?<!\d)x)[ _.=-]?(\d+)", re.IGNORECASE)
_FOCUS = re.compile(r"^(.+?)[ _.=-]*(?<![a-z])(?:focus|z|f)[ _=]?([+-]?\d+)$", re.IGNORECASE)
_PAIR = re.compile(r"^(.*?)(\d+)(\D+)(\d+)(\D*)$")

_MIN_STEP = 10
"""A common step of at least this much in the numbers of a name is a stage step, not an index with gaps."""


class NamedGrid(NamedTuple):
    """Rows and columns counted from zero; `places` has None for a name without a place."""

    places: list[tuple[int, int] | None]
    rows: int
    columns: int


def natural_key(name: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key under which ``img9`` comes before ``img10``; the name itself settles ties such as 1 and 01."""
    runs = re.findall(r"\d+|\D+", name.casefold())
    parts = tuple((0, int(run), "") if run.isdecimal() else (1, 0, run) for run in runs)
    return (*parts, (2, 0, name))


def capture_order(stems: Sequence[str]) -> list[int]:
    """Places in the order of capture, from zero, for names already in natural order.

    The last number of each name counts, so that a lost picture leaves a gap, as long as the numbers rise and
    mostly follow one another; otherwise (times of day, say) the places are simply 0, 1, 2...
    """
    runs = [re.findall(r"\d+", stem) for stem in stems]
    if runs and all(runs):
        numbers = [int(found[-1]) for found in runs]
        rising = all(a < b for a, b in pairwise(numbers))
        if rising and numbers[-1] - numbers[0] < 2 * len(numbers) + 8:
            return [number - numbers[0] for number in numbers]
    return list(range(len(stems)))


def focus_setting(stem: str) -> tuple[str, int] | None:
    """Split a name such as ``r03_c05_z1``, ``IMG_0007-f02`` or ``chip focus 3`` into field and focus setting.

    Only a proposal: a running number may look the same.
    """
    match = _FOCUS.match(stem)
    return (match[1], int(match[2])) if match is not None else None


def grid_from_names(stems: Sequence[str]) -> NamedGrid | None:
    """Read rows and columns from names such as ``r03_c12``, ``row1-col2``, ``y002_x005`` or ``tile_2_3``.

    Labelled numbers may stand in either order. Of two bare numbers the first is the row; they count as a grid
    only if the rest of the names is the same and they fill more than half of it. A common step in the numbers
    (``x0400``, ``x0800``) is divided out. Names without a place, where most have one, get None.

    Returns
    -------
    NamedGrid or None
        None where the names tell no grid.
    """
    labelled = [_labelled(stem) for stem in stems]
    if 2 * sum(place is not None for place in labelled) > len(stems):
        return _compact(labelled)
    return _from_pairs(stems)


def _labelled(stem: str) -> tuple[int, int] | None:
    rows, columns = _ROW.findall(stem), _COLUMN.findall(stem)
    # A name may hold more than one such number ("run r1 ... r03_c12"): the last pair is the place.
    return (int(rows[-1]), int(columns[-1])) if rows and columns else None


def _from_pairs(stems: Sequence[str]) -> NamedGrid | None:
    found = [match.groups() if (match := _PAIR.match(stem)) else None for stem in stems]
    frames = [(one[0], one[2], one[4]) for one in found if one is not None]
    if not frames:
        return None
    common = max(set(frames), key=lambda frame: (frames.count(frame), frame))
    if 2 * frames.count(common) <= len(stems):
        return None
    places = [
        (int(one[1]), int(one[3])) if one is not None and (one[0], one[2], one[4]) == common else None for one in found
    ]
    grid = _compact(places)
    if grid is None or grid.rows < 2 or grid.columns < 2:
        return None
    filled = len({place for place in grid.places if place is not None})
    return grid if 2 * filled > grid.rows * grid.columns else None


def _compact(places: Sequence[tuple[int, int] | None]) -> NamedGrid | None:
    """Count from zero and divide a common step out; None if that leaves a nearly empty grid."""
    known = [place for place in places if place is not None]
    origin = tuple(min(place[axis] for place in known) for axis in (0, 1))
    steps = []
    for axis in (0, 1):
        step = math.gcd(*(place[axis] - origin[axis] for place in known))
        steps.append(step if step >= _MIN_STEP else 1)
    indices = [
        None if place is None else ((place[0] - origin[0]) // steps[0], (place[1] - origin[1]) // steps[1])
        for place in places
    ]
    rows = 1 + max(place[0] for place in indices if place is not None)
    columns = 1 + max(place[1] for place in indices if place is not None)
    if rows * columns > 10 * len(known) + 20:
        return None
    return NamedGrid(indices, rows, columns)
