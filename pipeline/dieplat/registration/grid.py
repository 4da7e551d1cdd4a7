"""The grid of tiles whose names do not tell it, found from the pictures and from the order of capture."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from dieplat.errors import RegistrationError
from dieplat.registration.correlate import Image, Spectrum, coarse_offsets
from dieplat.registration.likeness import flattened, likeness, shows_something
from dieplat.registration.neighbours import likely_pairs
from dieplat.registration.puzzle import Link, Place, assemble, in_one_place
from dieplat.registration.rows import as_lattice, as_rows
from dieplat.registration.stage import Candidates, consensus_steps
from dieplat.registration.travel import SPREAD_PX, SURE_SCORE, Cell, grid_by_order
from dieplat.work import map_in_order

RIVALS = 4
RIVAL_SCORE = 0.25
"""Candidates of a pair whose score lies no further below its best are kept as rivals."""
OFF_STEP = 0.12
"""How far, in steps, an offset may lie from a whole step of a stage that steps evenly."""
EVEN_SHARE = 0.75
"""So much of a set must come together with even steps, or uneven ones are tried as well."""
STAGE_AGREES = 0.3
"""How far, in tiles, the stage's positions may lie from the places that pictures gave."""
STAGE_SHARE = 0.75
"""So many of the stage's positions must agree, or none is believed."""
PAIRS_A_TILE = 16
"""A set small enough that all its pairs are no more than this many a tile is compared pair by pair."""
MOST_PAIRS = 2016
"""Up to 64 tiles every pair is compared after all if spots in common do not place them."""
GROWTH_ROUNDS = 3
SAMPLE = 400
SPECTRA_HELD = 200
"""Some 1.5 MB each."""


@dataclass(frozen=True, slots=True)
class Placement:
    """What is known of the tiles: (row, column) of each, None where neither pictures nor capture order place it.

    Where rows and columns are no even grid, `places_px` has every placed tile's corner (x, y) in thumbnail pixels; else
    None. `compared` counts the pairs of pictures that were compared. `seen` are the tiles that nothing but small
    pictures placed.
    """

    cells: tuple[Cell | None, ...]
    places_px: tuple[Place | None, ...] | None
    compared: int
    seen: frozenset[int] = frozenset()


def find_grid(
    numbers: Sequence[int],
    thumbs: Sequence[Image],
    *,
    columns: int | None = None,
    stage: Sequence[tuple[float, float] | None] | None = None,
    executor: Executor | None = None,
) -> Placement:
    """Find where the tiles lie among one another.

    First the order of capture is tried: the length of a row and the way of travel under which the steps from picture
    to picture and from row to row agree best. Where it does not explain the pictures (a shuffled folder, a stage moved
    by hand), pairs are compared that share spots (`neighbours`), that were captured one after the other, or that the
    stage's positions make neighbours; what they show is put together as in `puzzle`. Where positions are known they
    also place tiles that show nothing, once the pictures of the others have confirmed them.

    Parameters
    ----------
    numbers : sequence of int
        Capture number of every tile, from zero.
    thumbs : sequence of ndarray (h, w), float32
        Band-passed thumbnails of one size.
    columns : int, optional
        Number of pictures in a row, if the user says so.
    stage : sequence of tuple of float, optional
        The stage's position of every tile, None where unknown; unit and directions do not matter.
    executor : Executor, optional
        Compares in parallel.

    Raises
    ------
    RegistrationError
        If less than half of the tiles can be placed beyond doubt.
    """
    count = len(numbers)
    if count == 1:
        return Placement(((0, 0),), None, 0)
    known = list(stage) if stage is not None else [None] * count
    compared = _Compared(thumbs, executor)
    if all(place is None for place in known) or columns is not None:
        by_order = grid_by_order(numbers, compared.plain, thumbs[0].shape, columns)
        if by_order is not None:
            return Placement(tuple(by_order), None, compared.count)
    return _by_pictures(numbers, compared, known)


class _Compared:
    """Thumbnails and what was seen of their pairs."""

    def __init__(self, thumbs: Sequence[Image], executor: Executor | None) -> None:
        self.thumbs = thumbs
        self.seen: dict[tuple[int, int], Candidates] = {}
        self.count = 0
        self.size = thumbs[0].shape[1], thumbs[0].shape[0]
        self._executor = executor
        self._usual = float(np.median([thumb.std() for thumb in thumbs]))
        self._plain = lru_cache(SPECTRA_HELD)(lambda i: Spectrum(thumbs[i]))
        self._flat = lru_cache(None)(lambda i: flattened(thumbs[i]).astype(np.float16))
        self._spectrum = lru_cache(SPECTRA_HELD)(lambda i: Spectrum(self._flat(i).astype(np.float32)))

    def plain(self, pairs: Sequence[tuple[int, int]]) -> list[Candidates]:
        """Candidates by correlation, as `travel` judges them."""
        self.count += len(pairs)
        work = map_in_order(
            lambda p: coarse_offsets(self._plain(p[0]), self._plain(p[1])), pairs, executor=self._executor
        )
        return list(work)

    def look(self, pairs: Iterable[tuple[int, int]]) -> None:
        """Compare the pairs that have not been yet, with strong frequencies held down."""
        new = sorted({(min(pair), max(pair)) for pair in pairs} - set(self.seen))
        self.count += len(new)
        found = map_in_order(
            lambda p: coarse_offsets(self._spectrum(p[0]), self._spectrum(p[1])), new, executor=self._executor
        )
        for pair, candidates in zip(new, found, strict=True):
            self.seen[pair] = [c for c in candidates if not in_one_place(c[:2], (0.0, 0.0), self.size)]

    def likeness(self, a: int, b: int, offset_px: Place) -> float | None:
        """How alike two tiles are where they overlap; None where either shows nothing."""
        if not shows_something(self.thumbs[a], self.thumbs[b], offset_px, self._usual):
            return None
        return likeness(self._flat(a).astype(np.float32), self._flat(b).astype(np.float32), offset_px)

    def links(self) -> list[Link]:
        """Every offset that a pair of tiles may have, rivals included."""
        found = []
        for (a, b), candidates in self.seen.items():
            best = candidates[0][2] if candidates else 0.0
            for x, y, score in candidates[:RIVALS]:
                if score >= max(SURE_SCORE, best - RIVAL_SCORE):
                    found.append(Link(a, b, (x, y), score))
        return found


def _by_pictures(numbers: Sequence[int], compared: _Compared, stage: Sequence[tuple[float, float] | None]) -> Placement:
    """Places from the pictures alone, or with the stage's positions as hints which pictures to compare."""
    count = len(numbers)
    everything = [(i, j) for i in range(count) for j in range(i + 1, count)]
    if len(everything) <= PAIRS_A_TILE * count:
        compared.look(everything)
    else:
        compared.look(_proposed(compared.thumbs, numbers, stage))
    places = _placed(count, compared)
    if 2 * len(places) < count and any(place is not None for place in stage):
        # Positions that the pictures do not bear out are forgotten.
        stage = [None] * count
        compared.look(_proposed(compared.thumbs, numbers, stage))
        places = _placed(count, compared)
    if 4 * len(places) < 3 * count and len(everything) <= MOST_PAIRS:
        compared.look(everything)
        places = _placed(count, compared)
    for _ in range(GROWTH_ROUNDS):
        compared.look(_to_confirm(count, places, compared.size))
        grown = _placed(count, compared)
        if len(grown) <= len(places):
            break
        places = grown
    if len(places) < 2:
        raise RegistrationError(
            "tiles: no two pictures show a common place; name them by row and column (r01_c01.jpg) or give --columns"
        )
    seen = frozenset(places)
    cells = as_lattice(places, compared.size)
    if cells is not None:
        cells, places = _with_stage(cells, places, stage)
    if 2 * len(places) < count:
        # A small group that holds together may be repeating blocks that fit by chance: the whole must bear it out.
        raise RegistrationError(
            f"tiles: only {len(places)} of {count} pictures fit together beyond doubt; "
            "name them by row and column (r01_c01.jpg) or give --columns"
        )
    uneven = cells is None
    cells = as_rows(places, compared.size) if cells is None else cells
    top, left = (min(cell[axis] for cell in cells.values()) for axis in (0, 1))
    return Placement(
        tuple((cells[i][0] - top, cells[i][1] - left) if i in cells else None for i in range(count)),
        tuple(places.get(i) for i in range(count)) if uneven else None,
        compared.count,
        seen,
    )


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


def _placed(count: int, compared: _Compared) -> dict[int, Place]:
    """Places of the largest group of tiles that the offsets seen put together; even steps are tried first."""
    links = compared.links()
    steps = _basis(links)
    if steps is None:
        return {}
    loose_px = 2 * OFF_STEP * min(compared.size)
    even = _largest(count, [link for link in links if _is_step(link, steps)], compared, loose_px)
    if len(even) >= EVEN_SHARE * count:
        return even
    uneven = _largest(count, links, compared)
    return uneven if len(uneven) > len(even) else even


def _largest(count: int, links: Sequence[Link], compared: _Compared, loose_px: float = 0.0) -> dict[int, Place]:
    clusters = assemble(count, links, compared.size, compared.likeness, loose_px=loose_px)
    largest = clusters.largest()
    return {tile: clusters.place[tile] for tile in largest} if len(largest) > 1 else {}


def _basis(links: Sequence[Link]) -> npt.NDArray[np.float64] | None:
    """The two steps, as columns (right, down), that most links agree on."""
    sure = sorted(links, key=lambda link: -link.score)[:SAMPLE]
    across = [(x, y, link.score) if x > 0 else (-x, -y, link.score) for link in sure for x, y in [link.offset_px]]
    down = [(x, y, s) if y > 0 else (-x, -y, s) for x, y, s in across if abs(x) <= abs(y)]
    across = [(x, y, s) for x, y, s in across if abs(x) > abs(y)]
    if not sure:
        return None
    step = consensus_steps([[one] for one in across], spread_px=SPREAD_PX)[0][:2] if across else (1e9, 0.0)
    drop = consensus_steps([[one] for one in down], spread_px=SPREAD_PX)[0][:2] if down else (0.0, 1e9)
    return np.array([step, drop]).T


def _is_step(link: Link, steps: npt.NDArray[np.float64]) -> bool:
    right, down = np.abs(np.linalg.solve(steps, np.array(link.offset_px)))
    return bool(max(abs(max(right, down) - 1), min(right, down)) <= OFF_STEP)


def _to_confirm(count: int, places: Mapping[int, Place], size: tuple[int, int]) -> set[tuple[int, int]]:
    """Pairs whose places overlap, and tiles without a place against those at the rim."""
    tiles = list(places)
    share = np.abs(np.array([places[i] for i in tiles])[:, None] - np.array([places[i] for i in tiles])) / size
    near = [np.nonzero((row < 0.95).all(axis=1))[0] for row in share]
    pairs = {(tiles[i], tiles[j]) for i, row in enumerate(near) for j in row if i < j}
    # Within a set every tile meets four others at least.
    rim = [tiles[i] for i, row in enumerate(near) if len(row) < 5]
    lost = [tile for tile in range(count) if tile not in places]
    # Lost tiles are few, or the pictures do not fit together at all.
    if len(lost) * len(rim) <= PAIRS_A_TILE * count:
        pairs |= {(tile, other) for tile in lost for other in rim}
    return pairs


def _with_stage(
    cells: dict[int, Cell], places: dict[int, Place], stage: Sequence[tuple[float, float] | None]
) -> tuple[dict[int, Cell], dict[int, Place]]:
    """Tiles that pictures do not place, by the stage's positions, if those explain the cells of the others.

    A position here and there may be false; the fit leaves out what lies far off the others.
    """
    both = [i for i in cells if stage[i] is not None]
    lost = [i for i, place in enumerate(stage) if place is not None and i not in cells]
    if not lost or len(both) < 4:
        return cells, places
    design = np.array([(*(stage[i] or (0.0, 0.0)), 1.0) for i in both])
    design_scale = np.abs(design).max(axis=0)
    design = design / design_scale
    known = np.array([(*cells[i], *places[i]) for i in both], dtype=np.float64)
    use = np.ones(len(both), dtype=bool)
    for _ in range(8):
        fit, _, rank, _ = np.linalg.lstsq(design[use], known[use], rcond=None)
        gap = np.abs(design @ fit - known)[:, :2].max(axis=1)
        use = gap <= max(STAGE_AGREES, 2 * float(np.median(gap)))
    if rank < 3 or (gap <= STAGE_AGREES).mean() < STAGE_SHARE:
        return cells, places
    taken = {*cells.values()}
    cells, places = dict(cells), dict(places)
    for tile in lost:
        at = np.array((*(stage[tile] or (0.0, 0.0)), 1.0)) / design_scale @ fit
        cell = round(float(at[0])), round(float(at[1]))
        if np.abs(at[:2] - cell).max() <= STAGE_AGREES and cell not in taken:
            cells[tile], places[tile] = cell, (float(at[2]), float(at[3]))
            taken.add(cell)
    return cells, places
