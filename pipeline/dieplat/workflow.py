"""From a folder of tiles to a mosaic: the stages in the order in which they flow."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Any

from dieplat.blending.compose import compose_bands
from dieplat.correction import estimate_correction
from dieplat.errors import ClusterError, PictureError, SettingsError, TileSetError
from dieplat.exports.chunks import write_chunks
from dieplat.exports.ngff import check_ngff
from dieplat.files import check_plain, check_replaceable, write_json
from dieplat.focus import fuse_series, show_one_field_each
from dieplat.mosaicfile.write import Codec, write_mosaic
from dieplat.registration.assemble import Tie
from dieplat.registration.memory import Memory
from dieplat.registration.overview import Colours, survey_tiles
from dieplat.registration.register import place_in_grid, register
from dieplat.tiles.discover import discover_tiles
from dieplat.tiles.read import read_picture
from dieplat.tiles.store import DecodedTiles
from dieplat.values.bounds import is_within
from dieplat.values.correction import Correction, Lens
from dieplat.values.layout import FusedTile, Layout
from dieplat.values.tiles import MAX_COLUMNS, Skipped, TileSet
from dieplat.work import Progress, Spread, near

WORK_FOLDER = "dieplat_work"
"""Beside the output: fused pictures, kept by content; may be deleted at any time."""
Titled = Callable[[str], Progress]
"""Gives a progress callable for a stage by its title."""


CHUNKS = ".ome.zarr"
"""An output with this ending is a folder of chunks."""
VIEW_BYTES = 150_000
"""At most what is kept of a tile's thumbnails."""
TIE_U_PX = (1e-3, 1e3)
"""How well a person may know a place: better than any picture shows, to about a whole tile."""
CACHE_NAME = "stitch_cache.sqlite"
"""By custom the cache lies under this name beside the mosaic."""


def build_mosaic(
    tiles_folder: Path,
    out: Path,
    *,
    um_per_px: tuple[float, float] | None = None,
    columns: int | None = None,
    overlap: float | None = None,
    ties: Path | None = None,
    replace_foreign: bool = False,
    cache: Path | None = None,
    codec: Codec = "zstd",
    executor: Executor | None = None,
    progress: Titled | None = None,
) -> Layout:
    """Stitch a folder of tiles into `out` and write `layout.json` beside it.

    Parameters
    ----------
    tiles_folder : Path
        Folder with the tiles.
    out : Path
        The mosaic to write: OME-TIFF, or OME-Zarr where the name ends in ``.ome.zarr``; the pixels are the same.
    um_per_px : tuple of float, optional
        Physical pixel size (x, y) to record in the mosaic.
    columns : int, optional
        Number of columns of the grid.
    overlap : float, optional
        Nominal overlap of neighbours, as a fraction of a tile (0.02 to 0.9).
    ties : Path, optional
        JSON file of tie points, see `load_ties`.
    replace_foreign : bool
        Allow writing over a file that dieplat did not make.
    cache : Path, optional
        File that keeps what was measured of tiles and pairs by their content, so that a later run does only what is
        new; see `registration.memory`. The result is the same with and without.
    codec : {"zstd", "none", "jpegxl"}, optional
        Lossless compression of an OME-TIFF, see `write_mosaic`.
    executor : Executor, optional
        Reads, measures, blends and encodes in parallel; the result does not depend on it. A `Spread` does so in other
        processes, which must see the tiles and the output under the same absolute paths; it writes OME-Zarr and keeps
        no cache.
    progress : callable, optional
        `progress(title)` gives the progress callable of a stage.

    Raises
    ------
    DieplatError
        One of its leaves: no usable tiles, no common place, a bad setting, an output in the way.
    """
    _check_settings(columns, overlap)
    spread = isinstance(executor, Spread)
    if spread:
        tiles_folder, out = tiles_folder.absolute(), out.absolute()
        check_chunks(out)
        if cache is not None:
            raise SettingsError(f"{cache}: other processes keep no cache; leave it out")
    layout_path = out.with_name("layout.json")
    _check_outputs(out, [layout_path, *([cache] if cache is not None else [])], replace_foreign)

    def bar(title: str) -> Progress | None:
        return progress(title) if progress is not None else None

    tile_set = discover_tiles(tiles_folder, columns=columns, executor=near(executor))
    fused: tuple[FusedTile, ...] = ()
    if any(tile.series for tile in tile_set.tiles):
        if show_one_field_each(tile_set.tiles, executor=executor):
            tile_set, fused = fuse_series(tile_set, out.parent / WORK_FOLDER, executor=executor, progress=bar("fusing"))
        else:
            tile_set = discover_tiles(tiles_folder, columns=columns, series=False, executor=near(executor))
    if not tile_set.tiles:
        raise TileSetError(f"{tiles_folder}: no tile could be read; the first: {tile_set.skipped[0].reason}")
    with (
        DecodedTiles(out.parent, expected_bytes=_kept_bytes(tile_set, spread)) as store,
        Memory(cache) as memory,
    ):
        kept, views, damaged = survey_tiles(
            tile_set.tiles,
            read=read_picture if spread else store.decode,
            memory=None if spread else memory,
            keep=store.put,
            executor=executor,
            progress=bar("reading"),
        )
        if spread:
            _check_damaged(tile_set, damaged)
        if not kept:
            raise TileSetError(f"{tiles_folder}: no tile could be read; the first: {damaged[0].reason}")
        tile_set = replace(tile_set, tiles=tuple(kept), skipped=(*tile_set.skipped, *damaged))
        by_name = {tile.name: view for tile, view in zip(kept, views, strict=True)}
        tile_set = place_in_grid(tile_set, views, columns=columns, executor=executor)
        stated = load_ties(ties, tile_set) if ties is not None else ()
        layout = register(
            tile_set,
            by_name,
            overlap=overlap,
            ties=stated,
            read=store.read,
            memory=None if spread else memory,
            executor=executor,
            progress=bar("joining"),
        )
        placed = {tile.name for tile in layout.tiles}
        tile_set = replace(tile_set, tiles=tuple(tile for tile in tile_set.tiles if tile.name in placed))
        if memory.damaged:
            note = f"{cache}: was damaged or not ours; what could not be taken from it was measured again"
            layout = replace(layout, notes=(*layout.notes, note))
        order = [tile.name for tile in tile_set.tiles]
        lens = Lens(**layout.lens) if layout.lens is not None else None
        lens = lens if lens is not None and lens.bends else None
        correction = estimate_correction(
            Colours([by_name[name] for name in order]), layout, order, lens=lens, executor=near(executor)
        )
        del views, by_name  # their room is worth more to the mosaic
        if out.name.endswith(CHUNKS):
            store.close()
            write_chunks(
                out,
                tile_set,
                layout,
                correction,
                name=out.name,
                um_per_px=um_per_px,
                executor=executor,
                progress=progress,
            )
        else:
            _write_tiff(out, tile_set, layout, correction, store, um_per_px, codec, executor, bar("writing"))
    layout = replace(layout, fused=fused)
    write_json(layout_path, layout.to_dict())
    return layout


def _write_tiff(
    out: Path,
    tile_set: TileSet,
    layout: Layout,
    correction: Correction,
    store: DecodedTiles,
    um_per_px: tuple[float, float] | None,
    codec: Codec,
    executor: Executor | None,
    progress: Progress | None,
) -> None:
    write_mosaic(
        out,
        compose_bands(tile_set, layout, correction, read=store.take, executor=executor),
        width_px=layout.width_px,
        height_px=layout.height_px,
        channels=tile_set.channels,
        dtype=tile_set.dtype,
        um_per_px=um_per_px,
        codec=codec,
        executor=executor,
        progress=progress,
    )


def check_chunks(out: Path) -> None:
    """Refuse an output that many processes cannot write, or that has no folder to lie in.

    Raises
    ------
    SettingsError
        If it is one.
    """
    if not out.name.endswith(CHUNKS):
        raise SettingsError(f"{out}: a cluster writes a folder of chunks; give --out a name that ends in {CHUNKS}")
    if not out.absolute().parent.is_dir():
        raise SettingsError(f"{out.parent}: no such folder; make it first")


def _check_outputs(out: Path, files: Sequence[Path], replace_foreign: bool) -> None:
    """Refuse to write over what dieplat did not make, unless told to."""
    if out.name.endswith(CHUNKS):
        check_ngff(out, replace=replace_foreign)
    else:
        files = [out, *files]
    for path in files:
        check_replaceable(path, replace=replace_foreign)


def _check_damaged(tile_set: TileSet, damaged: Sequence[Skipped]) -> None:
    """Refuse to leave out a tile that another process finds damaged and this one does not.

    Raises
    ------
    ClusterError
        If there is one: whoever looked at it does not see the storage that the others see.
    """
    paths = {tile.name: tile.path for tile in tile_set.tiles}
    for skipped in damaged:
        try:
            read_picture(paths[skipped.name])
        except PictureError:
            continue
        raise ClusterError(f"{skipped.reason} (by a worker; it can be read here, so look at the worker's storage)")


def _kept_bytes(tile_set: TileSet, spread: bool) -> int:
    """Size of what the stages keep out of memory: all tiles' pixels, or thumbnails where other processes decode."""
    if spread:
        return len(tile_set.tiles) * VIEW_BYTES
    pixels = len(tile_set.tiles) * tile_set.width_px * tile_set.height_px
    return pixels * tile_set.channels * (2 if tile_set.dtype == "uint16" else 1)


def _check_settings(columns: int | None, overlap: float | None) -> None:
    if columns is not None and not 1 <= columns <= MAX_COLUMNS:
        raise SettingsError(f"--columns {columns}: must be from 1 to {MAX_COLUMNS}")
    if overlap is not None and not 0.02 <= overlap <= 0.9:
        raise SettingsError(f"--overlap {overlap}: must be a fraction between 0.02 and 0.9, such as 0.2")


def load_ties(path: Path, tile_set: TileSet) -> tuple[Tie, ...]:
    """Read tie points: one place of the die as seen in two tiles.

    The file is JSON, `{"ties": [{"a": name, "a_px": [x, y], "b": name, "b_px": [x, y], "u_px": 0.5}]}`;
    `a_px` and `b_px` are pixel coordinates in the two tiles and `u_px` (0.5 unless given) is the standard
    uncertainty of one.

    Raises
    ------
    SettingsError
        If the file is no such list, names a tile that is not in the set, or a place that is not in a tile.
    """
    try:
        check_plain(path)
        document = json.loads(path.read_text(encoding="utf-8"))
        rows = list(document["ties"])
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise SettingsError(f'{path}: is no file of ties ({error}); expected {{"ties": [...]}}') from None
    return tuple(_ties(path, rows, tile_set))


def _ties(path: Path, rows: Sequence[Any], tile_set: TileSet) -> Iterator[Tie]:
    index = {tile.name: i for i, tile in enumerate(tile_set.tiles)}
    size = (tile_set.width_px, tile_set.height_px)
    for number, row in enumerate(rows, 1):
        try:
            a, b = index[row["a"]], index[row["b"]]
            ax, ay = (float(v) for v in row["a_px"])
            bx, by = (float(v) for v in row["b_px"])
            u = float(row.get("u_px", 0.5))
        except KeyError as error:
            raise SettingsError(f"{path}: tie {number}: no tile or key {error}; check the names") from None
        except (TypeError, ValueError, AttributeError):
            raise SettingsError(
                f"{path}: tie {number}: a_px, b_px or u_px is no number; give two for each place, as [310.5, 20], "
                "and one for u_px"
            ) from None
        if not (is_within(u, TIE_U_PX) and a != b):
            raise SettingsError(
                f"{path}: tie {number}: needs two different tiles, and a u_px of {TIE_U_PX[0]:g} to {TIE_U_PX[1]:g}"
            )
        if not all(0 <= x <= size[0] and 0 <= y <= size[1] for x, y in ((ax, ay), (bx, by))):
            raise SettingsError(
                f"{path}: tie {number}: its places must lie in the tiles, which are {size[0]} x {size[1]} px; count "
                "from a tile's top-left corner"
            )
        yield Tie(a, b, ax - bx, ay - by, u * math.sqrt(2))
