"""From tiles to a layout: coarse look, stage model, pair offsets, global choice, solve."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

import networkx

from dieplat.errors import RegistrationError
from dieplat.registration.assemble import Tie, assemble_layout, layout_of_one
from dieplat.registration.bundle import further_shift
from dieplat.registration.choose import Choice, choose
from dieplat.registration.first_model import OtherSteps, first_model
from dieplat.registration.flat import Shading, estimate_shading
from dieplat.registration.grid import find_grid
from dieplat.registration.measuring import measure_pairs
from dieplat.registration.memory import Memory
from dieplat.registration.overlap import Measured
from dieplat.registration.overview import Colours, Overview, thumb_factor
from dieplat.registration.pixels import PixelCache
from dieplat.registration.rows import grid_of_places
from dieplat.registration.stage import Grid, grid_pairs, sample_evenly
from dieplat.registration.turn import stage_turn
from dieplat.tiles.read import Picture, read_picture
from dieplat.values.correction import Lens
from dieplat.values.layout import Layout
from dieplat.values.offsets import Hypothesis, PairOffsets, StageModel
from dieplat.values.tiles import Skipped, Tile, TileSet
from dieplat.work import Progress, near

PLACE_SCATTER_PX = 1.5
"""The same of places that thumbnails gave."""
LENS_LOOKS = 2
"""Pictures are straightened and measured again once, or twice where the first estimate was far off."""
FOLLOWED_PX = 0.5
"""What is left of a lens in straightened pictures is followed by the chain rule while it moves no pixel farther."""
SHADING_SAMPLE = 120


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
        executor=near(executor),
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
        unproven = index in found.seen
        placed.append(replace(tile, row=cell[0], column=cell[1], coarse_px=coarse, unproven=unproven))
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
        The mosaic frame begins at the smallest x and y of any tile's corner. Tiles whose place small pictures gave and
        those at full size do not bear out are among `skipped`.

    Raises
    ------
    RegistrationError
        If no two neighbouring pictures show a common place.
    """
    given = len(tile_set.tiles)
    while True:
        layout = _registered(tile_set, views, overlap, ties, read, memory, executor, progress)
        tied = {index for tie in ties for index in (tie.a, tie.b)}
        doubtful = [i for i in _not_borne_out(tile_set, layout) if i not in tied]
        if not doubtful:
            return layout
        sure = len(tile_set.tiles) - len(doubtful)
        if 2 * sure < given:
            raise RegistrationError(
                f"tiles: at full size only {sure} of {given} pictures fit together beyond doubt; "
                "name them by row and column (r01_c01.jpg) or give --columns"
            )
        tile_set, ties = _without(tile_set, doubtful, ties)


def _not_borne_out(tile_set: TileSet, layout: Layout) -> list[int]:
    """Tiles that small pictures placed and that no two ways of pairs at full size join to the largest such part.

    What hangs on a single pair hangs on its being no likeness; that is no proof for a whole group of tiles either.
    """
    if not any(tile.unproven for tile in tile_set.tiles):
        return []
    number = {tile.name: index for index, tile in enumerate(tile_set.tiles)}
    graph = networkx.Graph()
    graph.add_nodes_from(range(len(tile_set.tiles)))
    graph.add_edges_from((number[pair.a], number[pair.b]) for pair in layout.pairs if pair.used)
    graph.remove_edges_from([*networkx.bridges(graph)])
    main = max(networkx.connected_components(graph), key=lambda part: (len(part), -min(part)))
    return [i for i, tile in enumerate(tile_set.tiles) if tile.unproven and i not in main]


def _without(tile_set: TileSet, doubtful: Sequence[int], ties: Sequence[Tie]) -> tuple[TileSet, list[Tie]]:
    """The set without some of its tiles, none of which is tied."""
    left = [index for index in range(len(tile_set.tiles)) if index not in set(doubtful)]
    number = {index: new for new, index in enumerate(left)}
    why = "its place is not beyond doubt: at full size it does not match what it seemed to overlap"
    skipped = (*tile_set.skipped, *(Skipped(tile_set.tiles[index].name, why) for index in doubtful))
    moved = [replace(tie, a=number[tie.a], b=number[tie.b]) for tie in ties]
    return replace(tile_set, tiles=tuple(tile_set.tiles[index] for index in left), skipped=skipped), moved


def _registered(
    tile_set: TileSet,
    views: Mapping[str, Overview],
    overlap: float | None,
    ties: Sequence[Tie],
    read: Callable[[Path], Picture],
    memory: Memory | None,
    executor: Executor | None,
    progress: Progress | None,
) -> Layout:
    """The layout of all tiles of the set."""
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
        model, others = first_model(tile_set, views, pairs, overlap, cache, near(executor))
    shading = _shading(tile_set, views, grid, pairs, model)
    if shading is not None:
        marked = [f"{digest} {shading.coefficients}" if digest else "" for digest in digests]
        cache = PixelCache(
            paths,
            capacity=tile_set.columns + 12,
            read=read,
            gain=shading,
            digests=marked,
            memory=memory,
        )
    model, measured = measure_pairs(tile_set, grid, pairs, model, cache, executor, progress)
    layout = _adjusted(tile_set, grid, measured, model, others, ties, None)
    present: Lens | None = None
    for _ in range(LENS_LOOKS):
        lens = None if layout.lens is None else Lens(**layout.lens)
        if lens is None or not lens.bends or (present is not None and further_shift(lens, present) < FOLLOWED_PX):
            break
        present = lens
        model, measured = measure_pairs(tile_set, grid, pairs, model, cache.with_lens(lens), executor, progress)
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
    looks = Colours([views[tile.name] for tile in tile_set.tiles])
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


def _with_ties(offsets: list[PairOffsets], ties: Sequence[Tie]) -> list[PairOffsets]:
    kept = {(o.a, o.b): o for o in offsets}
    for tie in ties:
        kept.pop((tie.a, tie.b), None)
        kept.pop((tie.b, tie.a), None)
        stated = Hypothesis(tie.dx_px, tie.dy_px, 1.0, 0.0, (tie.u_px**2, 0.0, tie.u_px**2))
        kept[(tie.a, tie.b)] = PairOffsets(tie.a, tie.b, (stated,), (tie.dx_px, tie.dy_px))
    return list(kept.values())
