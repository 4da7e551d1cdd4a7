"""From tiles to a layout: coarse look, stage model, pair offsets, global choice, solve."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from dieplat.errors import RegistrationError
from dieplat.registration.assemble import Tie, assemble_layout, layout_of_one
from dieplat.registration.bundle import further_shift
from dieplat.registration.choose import Choice, choose
from dieplat.registration.correlate import Spectrum, coarse_offsets
from dieplat.registration.flat import Shading, estimate_shading
from dieplat.registration.grid import find_grid
from dieplat.registration.memory import Memory
from dieplat.registration.overlap import Measured, measure_overlap, view_overlap
from dieplat.registration.overview import Overview, thumb_factor
from dieplat.registration.pixels import PixelCache
from dieplat.registration.rows import grid_of_places
from dieplat.registration.stage import (
    Candidates,
    Grid,
    Steps,
    fit_model,
    grid_pairs,
    likely_steps,
    sample_evenly,
)
from dieplat.registration.turn import stage_turn
from dieplat.tiles.read import Picture, read_picture
from dieplat.values.correction import Lens
from dieplat.values.layout import Layout
from dieplat.values.offsets import Hypothesis, PairOffsets, StageModel
from dieplat.values.tiles import Skipped, Tile, TileSet
from dieplat.work import Progress, map_in_order

OtherSteps = tuple[tuple[float, float] | None, tuple[float, float] | None]

FULL_SIZE_SAMPLE = 6
OPEN_LEAD_PER_PAIR = 60.0
"""Lead in nats a pair below which two likely steps stay open. Pairs that lie in a memory favour one step or another by
some 50 nats each, all alike; pairs that see its rim favour the true one by a thousand (phantoms)."""
THUMB_SCATTER_PX = 3.0
"""Scatter of stage steps expected at first, in thumbnail pixels."""
PLACE_SCATTER_PX = 1.5
"""The same of places that thumbnails gave."""
LENS_SAMPLE = 60
LENS_LOOKS = 2
"""Pictures are straightened and measured again once, or twice where the first estimate was far off."""
FOLLOWED_PX = 0.5
"""What is left of a lens in straightened pictures is followed by the chain rule while it moves no pixel farther."""
SHADING_SAMPLE = 120
STEP_PEAKS = 24
"""Places of a pair that may be its step: a memory's banks alone offer a dozen."""
SPECTRA_HELD = 24
STAGE_SAMPLE = 40
"""Pairs of each direction that the first stage model rests on."""


def place_in_grid(
    tile_set: TileSet,
    views: Sequence[Overview],
    *,
    columns: int | None = None,
    executor: Executor | None = None,
) -> TileSet:
    """Give every tile a grid place: from the names where they tell it, else from the pictures.

    Tiles that neither pictures nor capture order can place are moved to `skipped`.
    """
    tiles = tile_set.tiles
    if tile_set.grid_source in ("names", "metadata"):
        return tile_set
    found = find_grid(
        [tile.order for tile in tiles],
        [view.thumb for view in views],
        columns=columns,
        stage=[tile.stage for tile in tiles],
        executor=executor,
    )
    factor = thumb_factor(tile_set.width_px)
    placed: list[Tile] = []
    skipped = list(tile_set.skipped)
    seen: set[tuple[int, int]] = set()
    for index, (tile, cell) in enumerate(zip(tiles, found.cells, strict=True)):
        if cell is None or cell in seen:
            skipped.append(Skipped(tile.name, "its place is not beyond doubt: too little of it is seen in other tiles"))
            continue
        seen.add(cell)
        place = found.places_px[index] if found.places_px is not None else None
        coarse = (place[0] * factor, place[1] * factor) if place is not None else None
        placed.append(replace(tile, row=cell[0], column=cell[1], coarse_px=coarse))
    rows, width = max(c[0] for c in seen) + 1, max(c[1] for c in seen) + 1
    return replace(
        tile_set,
        tiles=tuple(placed),
        rows=rows,
        columns=width,
        grid_source="pictures",
        skipped=tuple(skipped),
    )


def register(
    tile_set: TileSet,
    views: Mapping[str, Overview],
    *,
    overlap: float | None = None,
    ties: Sequence[Tie] = (),
    read: Callable[[Path], Picture] = read_picture,
    memory: Memory | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Layout:
    """Find where every tile lies.

    Parameters
    ----------
    tile_set : TileSet
        Tiles with their grid places.
    views : mapping of str to Overview
        The thumbnails of every tile, by tile name.
    overlap : float, optional
        Nominal overlap of neighbours as a fraction of the tile, if the user says so; else found from the pictures.
    ties : sequence of Tie, optional
        Offsets that the user states; they replace what the pictures say of those pairs.
    read : callable, optional
        Gives the pixels of a tile's file.
    memory : Memory, optional
        Keeps what was measured of pairs; needs views with digests.

    Returns
    -------
    Layout
        The mosaic frame begins at the smallest x and y of any tile's corner.

    Raises
    ------
    RegistrationError
        If no two neighbouring pictures show a common place.
    """
    if len(tile_set.tiles) == 1:
        return layout_of_one(tile_set)
    coarse = [tile.coarse_px for tile in tile_set.tiles if tile.coarse_px is not None]
    uneven = len(coarse) == len(tile_set.tiles)
    if uneven:
        grid, pairs = grid_of_places(coarse, (tile_set.width_px, tile_set.height_px))
    else:
        grid = [(tile.row, tile.column) for tile in tile_set.tiles]
        pairs = grid_pairs(grid)
    if not pairs:
        raise RegistrationError("tiles: no two tiles are neighbours in the grid; check their names or give --columns")
    paths = [tile.path for tile in tile_set.tiles]
    digests = [views[tile.name].digest for tile in tile_set.tiles]
    cache = PixelCache(paths, capacity=tile_set.columns + 12, read=read, digests=digests, memory=memory)
    others: OtherSteps = (None, None)
    if uneven:
        sigma = PLACE_SCATTER_PX * thumb_factor(tile_set.width_px)
        model = StageModel((1.0, 0.0), (0.0, 1.0), (0.0, 0.0), (sigma, sigma), 0)
    else:
        model, others = _coarse_model(tile_set, views, pairs, overlap, cache, executor)
    shading = _shading(tile_set, views, grid, pairs, model)
    if shading is not None:
        marked = [f"{digest} {shading.coefficients}" if digest else "" for digest in digests]
        cache = PixelCache(
            paths,
            capacity=tile_set.columns + 12,
            read=read,
            gain=shading.gain(tile_set.width_px, tile_set.height_px),
            digests=marked,
            memory=memory,
        )
    model, measured = _measure(tile_set, grid, pairs, model, cache, executor, progress)
    layout = _adjusted(tile_set, grid, measured, model, others, ties, None)
    present: Lens | None = None
    for _ in range(LENS_LOOKS):
        lens = None if layout.lens is None else Lens(**layout.lens)
        if lens is None or (present is not None and further_shift(lens, present) < FOLLOWED_PX):
            break
        present = lens
        model, measured = _measure(tile_set, grid, pairs, model, cache.with_lens(lens), executor, progress)
        layout = _adjusted(tile_set, grid, measured, model, others, ties, present)
    return layout if uneven else _with_stage_turn(tile_set, grid, layout)


def _with_stage_turn(tile_set: TileSet, grid: Grid, layout: Layout) -> Layout:
    """The layout with the angle between the camera's axes and the stage's, from tiles that pictures placed."""
    known = [
        (cell, (tile.x_px, tile.y_px))
        for cell, tile in zip(grid, layout.tiles, strict=True)
        if tile.placed_by == "overlap" and not tile.ambiguous
    ]
    turn = stage_turn([cell for cell, _ in known], [place for _, place in known])
    return layout if turn is None else replace(layout, camera_to_stage_deg=turn[0], camera_to_stage_deg_u=turn[1])


def _shading(
    tile_set: TileSet,
    views: Mapping[str, Overview],
    grid: Grid,
    pairs: Sequence[tuple[int, int]],
    model: StageModel,
) -> Shading | None:
    """The shading that tiles share, from small looks at their overlaps."""
    some = sample_evenly(pairs, SHADING_SAMPLE)
    size = tile_set.width_px, tile_set.height_px
    predicted = [model.predict(*grid[a], *grid[b]) for a, b in some]
    looks = [views[tile.name].colour for tile in tile_set.tiles]
    return estimate_shading(looks, some, [(x / size[0], y / size[1]) for x, y in predicted])


def _adjusted(
    tile_set: TileSet,
    grid: Grid,
    measured: Sequence[Measured],
    model: StageModel,
    others: OtherSteps,
    ties: Sequence[Tie],
    present: Lens | None,
) -> Layout:
    """The layout from what was measured in pictures that are rid of the lens `present`."""
    offsets = _with_ties([pair.offsets for pair in measured], ties)
    choice = choose(len(grid), offsets, sigma_px=model.sigma_px)
    choice = replace(choice, alternatives=_with_other_steps(choice, grid, model, others))
    along = {(pair.offsets.a, pair.offsets.b): pair.along for pair in measured if pair.along is not None}
    known = {(tie.a, tie.b): tie for tie in ties}
    return assemble_layout(tile_set, offsets, choice, model, known, along=along, present=present)


def _with_other_steps(
    choice: Choice, grid: Grid, model: StageModel, others: OtherSteps
) -> dict[int, tuple[tuple[float, float], ...]]:
    """Where the stage's own step stays open, so does every tile that no clear pair ties to the largest cluster."""
    known = dict(choice.alternatives)
    main = Counter(choice.firm).most_common(1)[0][0]
    row, column = grid[main]
    for (step, other), axis in zip(
        ((model.column_step_px, others[0]), (model.row_step_px, others[1])), (1, 0), strict=True
    ):
        for tile, cell in enumerate(grid):
            count = cell[axis] - (row, column)[axis]
            if other is not None and choice.firm[tile] != main and count:
                shift = (count * (other[0] - step[0]), count * (other[1] - step[1]))
                known[tile] = (*known.get(tile, ()), shift)
    return known


def _coarse_model(
    tile_set: TileSet,
    views: Mapping[str, Overview],
    pairs: Sequence[tuple[int, int]],
    overlap: float | None,
    cache: PixelCache,
    executor: Executor | None,
) -> tuple[StageModel, OtherSteps]:
    """The first stage model: likely steps from thumbnails, told apart at full size where several are likely.

    Also gives the rival of either step that the pictures cannot tell from it, or None.
    """
    tiles = tile_set.tiles
    factor = thumb_factor(tile_set.width_px)
    in_rows = sample_evenly([p for p in pairs if tiles[p[0]].row == tiles[p[1]].row], STAGE_SAMPLE)
    in_columns = sample_evenly([p for p in pairs if tiles[p[0]].row != tiles[p[1]].row], STAGE_SAMPLE)

    # Some at a time: they are ten times as large as what they are made of.
    @lru_cache(maxsize=SPECTRA_HELD)
    def spectrum(tile: int) -> Spectrum:
        return Spectrum(views[tiles[tile].name].thumb)

    shape = views[tiles[0].name].thumb.shape

    def candidates(sample: Sequence[tuple[int, int]]) -> list[Candidates]:
        work = map_in_order(
            lambda p: coarse_offsets(spectrum(p[0]), spectrum(p[1]), peaks=STEP_PEAKS), sample, executor=executor
        )
        return [[c for c in pair if _fits_overlap(c, shape, overlap)] for pair in work]

    steps, drops = likely_steps(candidates(in_rows), candidates(in_columns), shape=shape, spread_px=THUMB_SCATTER_PX)
    size = (tile_set.height_px, tile_set.width_px)
    step, other_step = _best_at_full_size(steps, in_rows, factor, size, cache, executor)
    drop, other_drop = _best_at_full_size(drops, in_columns, factor, size, cache, executor)
    sigma = THUMB_SCATTER_PX * factor
    model = StageModel(step, drop, (0.0, 0.0), (sigma, sigma), len(in_rows) + len(in_columns))
    return model, (other_step, other_drop)


def _best_at_full_size(
    steps: Steps,
    sample: Sequence[tuple[int, int]],
    factor: float,
    size: tuple[int, int],
    cache: PixelCache,
    executor: Executor | None,
) -> tuple[tuple[float, float], tuple[float, float] | None]:
    """Of several likely steps, the one about which full-size overlaps agree best, and a rival if it stays open.

    Repeating blocks look alike in thumbnails; the grain and dust of the full picture tell them apart.
    """
    scaled = [(x * factor, y * factor) for x, y, _ in steps]
    if len(scaled) == 1:
        return scaled[0], None
    some = sample_evenly(sample, FULL_SIZE_SAMPLE)
    search = math.ceil(2.5 * THUMB_SCATTER_PX * factor)
    seen = []
    for step in scaled:

        def work(pair: tuple[int, int], step: tuple[float, float] = step) -> float:
            view = view_overlap(pair, cache, step, size, (search, search))
            return view.support() if view is not None else 0.0

        seen.append(sum(map_in_order(work, some, executor=executor)))
    best, second = np.argsort(seen)[::-1][:2]
    clear = seen[best] - seen[second] > OPEN_LEAD_PER_PAIR * len(some)
    return scaled[best], None if clear else scaled[second]


def _fits_overlap(candidate: tuple[float, float, float], shape: tuple[int, int], overlap: float | None) -> bool:
    if overlap is None:
        return True
    along = max(abs(candidate[0]) / shape[1], abs(candidate[1]) / shape[0])
    return abs(along - (1 - overlap)) < max(0.08, 0.5 * overlap)


def _measure(
    tile_set: TileSet,
    grid: Grid,
    pairs: Sequence[tuple[int, int]],
    model: StageModel,
    cache: PixelCache,
    executor: Executor | None,
    progress: Progress | None,
) -> tuple[StageModel, list[Measured]]:
    """Measure every pair about the model; refit the model; measure again where the first search was off."""
    measured = _measure_about(tile_set, grid, pairs, model, cache, executor, progress, sigmas=3.5)
    refined = fit_model([pair.offsets for pair in measured], grid, model)
    again = []
    for index, pair in enumerate(measured):
        offset = pair.offsets
        predicted = refined.predict(*grid[offset.a], *grid[offset.b])
        moved = max(abs(predicted[0] - offset.predicted_px[0]), abs(predicted[1] - offset.predicted_px[1]))
        if not offset.hypotheses or moved > 2 * max(refined.sigma_px):
            again.append(index)
    redone = _measure_about(tile_set, grid, [pairs[i] for i in again], refined, cache, executor, None, sigmas=6.0)
    for index, pair in zip(again, redone, strict=True):
        if pair.offsets.hypotheses:
            measured[index] = pair
    final = fit_model([pair.offsets for pair in measured], grid, refined)
    return final, [
        replace(pair, offsets=replace(o, predicted_px=final.predict(*grid[o.a], *grid[o.b])))
        for pair in measured
        for o in (pair.offsets,)
    ]


def _measure_about(
    tile_set: TileSet,
    grid: Grid,
    pairs: Sequence[tuple[int, int]],
    model: StageModel,
    cache: PixelCache,
    executor: Executor | None,
    progress: Progress | None,
    *,
    sigmas: float,
) -> list[Measured]:
    shape = (tile_set.height_px, tile_set.width_px)
    search = [8 * math.ceil(sigmas * max(sigma, 2.0) / 8) for sigma in model.sigma_px]
    bent = frozenset(sample_evenly(pairs, LENS_SAMPLE))

    def work(pair: tuple[int, int]) -> Measured:
        predicted = model.predict(*grid[pair[0]], *grid[pair[1]])
        bounds = (search[0], search[1])
        found = measure_overlap(
            pair, cache=cache, predicted=predicted, shape=shape, search=bounds, with_windows=pair in bent
        )
        cache.done(pair)
        return found

    cache.expect(pairs)

    return list(map_in_order(work, pairs, executor=executor, total=len(pairs), progress=progress))


def _with_ties(offsets: list[PairOffsets], ties: Sequence[Tie]) -> list[PairOffsets]:
    kept = {(o.a, o.b): o for o in offsets}
    for tie in ties:
        kept.pop((tie.a, tie.b), None)
        kept.pop((tie.b, tie.a), None)
        stated = Hypothesis(tie.dx_px, tie.dy_px, 1.0, 0.0, (tie.u_px**2, 0.0, tie.u_px**2))
        kept[(tie.a, tie.b)] = PairOffsets(tie.a, tie.b, (stated,), (tie.dx_px, tie.dy_px))
    return list(kept.values())
