"""A folder of pictures as a set of tiles of one kind."""

from __future__ import annotations

from collections import Counter
from concurrent.futures import Executor
from pathlib import Path

from dieplat.errors import PictureError, SettingsError, TileSetError
from dieplat.tiles.names import capture_order, grid_from_names, natural_key
from dieplat.tiles.read import SUFFIXES, PictureInfo, picture_info
from dieplat.values import Skipped, Tile, TileSet
from dieplat.work import Progress, map_in_order


def discover_tiles(
    folder: Path,
    *,
    columns: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> TileSet:
    """Find the tiles of a folder and, as far as the names tell it, their grid.

    Pictures are the files with a picture's suffix; hidden and other files do not count. Their structure is
    checked but no pixel decoded. Size, channels and depth are those of the majority; pictures that differ,
    are damaged, or claim a place that is taken go to `skipped` with the reason.

    Parameters
    ----------
    folder : Path
        Where the tiles are; subfolders are not searched.
    columns : int, optional
        Number of columns. Places are then counted row by row along the order of capture, whatever the names
        say; whether rows run to and fro is for the registration to see.
    executor : Executor, optional
        Looks at the files; None works in line.
    progress : callable, optional
        Called with files done and their total.

    Returns
    -------
    TileSet
        In natural order of names. `grid_source` is "names", "option", or "order"; in the last case the grid
        is unknown: `rows` and `columns` are 0, every tile is at (0, 0), and only `order` counts. `order` has
        gaps where numbered pictures are missing.

    Raises
    ------
    TileSetError
        If there is no folder or no usable picture in it.
    SettingsError
        If `columns` is less than 1.
    """
    if columns is not None and columns < 1:
        raise SettingsError(f"columns is {columns}; give the number of tiles in a row, at least 1")
    paths = _pictures(folder)
    looks = list(map_in_order(_look, paths, executor=executor, total=len(paths), progress=progress))
    skipped = [Skipped(path.name, look) for path, look in zip(paths, looks, strict=True) if isinstance(look, str)]
    sound = [(path, look) for path, look in zip(paths, looks, strict=True) if isinstance(look, PictureInfo)]
    if not sound:
        first = skipped[0]
        more = f" (and {len(skipped) - 1} more)" if len(skipped) > 1 else ""
        raise TileSetError(f"{folder}: no usable picture: {first.name}: {first.reason}{more}")
    kind = _majority([look for _, look in sound])
    skipped += [Skipped(path.name, _difference(look, kind)) for path, look in sound if look != kind]
    # A damaged picture was captured too, and keeps its place in the order.
    captured = [path for path, look in zip(paths, looks, strict=True) if isinstance(look, str) or look == kind]
    order = dict(zip(captured, capture_order([path.stem for path in captured]), strict=True))
    chosen = {path: order[path] for path, look in sound if look == kind}
    tiles, rows, width, source = _place(chosen, columns, skipped)
    return TileSet(
        tiles=tuple(tiles),
        height_px=kind.height_px,
        width_px=kind.width_px,
        channels=kind.channels,
        dtype=kind.dtype,
        rows=rows,
        columns=width,
        grid_source=source,
        skipped=tuple(sorted(skipped, key=lambda one: natural_key(one.name))),
    )


def _pictures(folder: Path) -> list[Path]:
    try:
        entries = list(folder.iterdir())
    except OSError as error:
        raise TileSetError(f"{folder}: is not a folder that can be read ({error.strerror})") from None
    found = [
        entry
        for entry in entries
        if entry.suffix.lower() in SUFFIXES and not entry.name.startswith(".") and entry.is_file()
    ]
    if not found:
        raise TileSetError(f"{folder}: has no pictures; put the tiles (JPEG, PNG or TIFF) straight into it")
    return sorted(found, key=lambda path: natural_key(path.name))


def _look(path: Path) -> PictureInfo | str:
    try:
        return picture_info(path)
    except PictureError as error:
        return str(error).removeprefix(f"{path}: ")


def _majority(looks: list[PictureInfo]) -> PictureInfo:
    """The commonest kind; of equally common ones the larger picture, since thumbnails are made of tiles."""
    counts = Counter(looks)
    return max(counts, key=lambda look: (counts[look], look.height_px * look.width_px, look))


def _difference(look: PictureInfo, kind: PictureInfo) -> str:
    if (look.width_px, look.height_px) != (kind.width_px, kind.height_px):
        one, others = (f"{each.width_px} x {each.height_px} px" for each in (look, kind))
    elif look.channels != kind.channels:
        one, others = ("grey" if each.channels == 1 else "RGB" for each in (look, kind))
    else:
        one, others = (f"{8 if each.dtype == 'uint8' else 16}-bit" for each in (look, kind))
    return f"is {one}, most of the others are {others}"


def _place(order: dict[Path, int], columns: int | None, skipped: list[Skipped]) -> tuple[list[Tile], int, int, str]:
    """Give every path its place, adding to `skipped` what has none or claims one that is taken."""
    if columns is not None:
        tiles = [Tile(path.name, path, number // columns, number % columns, number) for path, number in order.items()]
        return tiles, max(order.values()) // columns + 1, columns, "option"
    grid = grid_from_names([path.stem for path in order])
    if grid is None:
        return [Tile(path.name, path, 0, 0, number) for path, number in order.items()], 0, 0, "order"
    taken: dict[tuple[int, int], Tile] = {}
    for path, place in zip(order, grid.places, strict=True):
        if place is None:
            skipped.append(Skipped(path.name, "its name has no row and column, unlike most of the others"))
        elif place in taken:
            skipped.append(Skipped(path.name, f"has the same row and column as {taken[place].name}"))
        else:
            taken[place] = Tile(path.name, path, *place, order[path])
    return list(taken.values()), grid.rows, grid.columns, "names"
