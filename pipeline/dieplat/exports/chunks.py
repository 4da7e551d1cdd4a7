"""A mosaic blended straight into OME-Zarr chunks, by as many processes as there are.

Every job is a function of this module or of `blending.pieces` and a few numbers; what jobs hand on lies in files inside
the folder that is being written, on storage that all see. A job that is run again, since the process that had it was
lost, writes the same files again.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from functools import partial
from pathlib import Path

from dieplat.blending.pieces import Pieces, find_seams, make_part, paint_piece, pieces_of, save_pieces
from dieplat.blending.place import Box
from dieplat.errors import SettingsError
from dieplat.exports.ngff import Pyramid, create_ngff, get_pixels, open_level, put_pixels
from dieplat.files import atomic_folder
from dieplat.mosaicfile.write import TILE_PX, halved
from dieplat.values import Correction, Layout, TileSet
from dieplat.work import Progress, Tick, map_in_order

SQUARE_PX = 4096
"""Side of what one job paints: eight chunks, so that three reduced levels of it are whole chunks too. Its pixels and
those about it take some 60 MB in 8-bit RGB."""
WORK = "work"
"""Inside the folder that is written, and gone before that appears under its name."""

Titled = Callable[[str], Progress | None]
Square = tuple[int, int]
"""First row, first column."""


def write_chunks(
    folder: Path,
    tile_set: TileSet,
    layout: Layout,
    correction: Correction,
    *,
    name: str,
    um_per_px: tuple[float, float] | None = None,
    side_px: int = SQUARE_PX,
    executor: Executor | None = None,
    progress: Titled | None = None,
) -> None:
    """Blend the tiles of a layout into an OME-Zarr folder, which appears under its name when it is whole.

    Its chunks are the same, byte for byte, as `exports.ngff.write_ngff` makes them of the mosaic that
    `blending.compose.compose_bands` gives, whatever `side_px` and the executor are.

    Parameters
    ----------
    folder : Path
        The output. Whether it may be replaced is the caller's question.
    tile_set, layout, correction : TileSet, Layout, Correction
        As `compose_bands` takes them.
    name : str
        What the mosaic is called in its description.
    um_per_px : (float, float), optional
        Micrometres a pixel along x and y; without it the axes have no unit.
    side_px : int, optional
        Side of the squares that are painted at a time: `TILE_PX` times a power of two, at least 2.
    executor : Executor, optional
        Threads or processes, here or on machines that see the tiles and the output under the same paths.
    progress : callable, optional
        `progress(title)` gives the progress callable of a step.

    Raises
    ------
    SettingsError
        If there is no room for the resampled tiles beside the output.
    PictureError
        If a tile cannot be read after all.
    """
    pieces = pieces_of(tile_set, layout, correction)
    _check_room(folder.parent, pieces.part_bytes)
    sizes = level_sizes(layout.width_px, layout.height_px)
    pyramid = Pyramid(name, tile_set.channels, tile_set.dtype, sizes, um_per_px)

    def bar(title: str) -> Progress | None:
        return progress(title) if progress is not None else None

    with atomic_folder(folder) as temporary:
        create_ngff(temporary, pyramid)
        work = temporary / WORK
        work.mkdir()
        plan = save_pieces(pieces, work)
        _blend(pieces, plan, executor, bar)
        reduced = (side_px // TILE_PX).bit_length() - 1
        begun = range(0, max(1, len(sizes) - 1), reduced)
        tick = Tick(bar("writing"), sum(len(list(_squares(sizes[level], side_px))) for level in begun))
        for level in begun:
            levels = range(level, min(level + reduced, len(sizes) - 1) + 1)
            fill = partial(fill_square, temporary, plan, levels, sizes[level], side_px)
            for _ in map_in_order(fill, _squares(sizes[level], side_px), executor=executor, progress=tick):
                pass
        for _ in map_in_order(_sweep, _chunk_rows(temporary, pyramid), executor=executor):
            pass
        shutil.rmtree(work)


def _blend(pieces: Pieces, plan: Path, executor: Executor | None, bar: Titled) -> None:
    """All tiles resampled and all seams found."""
    count = len(pieces.jobs)
    make = partial(make_part, plan)
    for _ in map_in_order(make, range(count), executor=executor, total=count, progress=bar("resampling")):
        pass
    seam, tick = partial(find_seams, plan), Tick(bar("seams"), count)
    for generation in pieces.generations():
        for _ in map_in_order(seam, generation, executor=executor, progress=tick):
            pass


def fill_square(folder: Path, plan: Path, levels: range, size: tuple[int, int], side_px: int, square: Square) -> None:
    """Write a square of the first of some levels, and what it is in the others; the full level is painted.

    A reduced level that comes first is read: it was written with those before it. `size` is its width and height.
    """
    top, left = square
    if levels[0] == 0:
        box = Box(left, top, min(left + side_px, size[0]), min(top + side_px, size[1]))
        pixels = paint_piece(plan, box)
        put_pixels(open_level(folder, 0), top, left, pixels)
    else:
        pixels = get_pixels(open_level(folder, levels[0]), top, left, side_px)
    for step, level in enumerate(levels[1:], 1):
        pixels = halved(pixels)
        put_pixels(open_level(folder, level), top >> step, left >> step, pixels)


def level_sizes(width_px: int, height_px: int) -> tuple[tuple[int, int], ...]:
    """The sizes (width, height) of a mosaic's levels, from the full one to the first that fits a single chunk."""
    sizes = [(width_px, height_px)]
    while max(sizes[-1]) > TILE_PX:
        sizes.append((-(-sizes[-1][0] // 2), -(-sizes[-1][1] // 2)))
    return tuple(sizes)


def _squares(size: tuple[int, int], side_px: int) -> Iterator[Square]:
    for top in range(0, size[1], side_px):
        for left in range(0, size[0], side_px):
            yield top, left


def _chunk_rows(folder: Path, pyramid: Pyramid) -> Iterator[Path]:
    """Every folder that holds a row of chunks."""
    for level, (_, height) in enumerate(pyramid.level_sizes):
        colours = [""] if pyramid.channels == 1 else [f"{colour}/" for colour in range(pyramid.channels)]
        for colour in colours:
            for row in range(-(-height // TILE_PX)):
                yield folder / str(level) / "c" / f"{colour}{row}"


def _sweep(row: Path) -> None:
    """Remove chunks that a process which was killed has left half-written, under names of their own."""
    for left in row.glob("*.partial"):
        left.unlink(missing_ok=True)


def _check_room(folder: Path, part_bytes: int) -> None:
    free = shutil.disk_usage(folder).free
    if part_bytes > free:
        raise SettingsError(
            f"{folder}: the resampled tiles take {part_bytes / 1e9:.1f} GB until the mosaic is whole, "
            f"and {free / 1e9:.1f} GB are free; give --out a folder with more room"
        )
