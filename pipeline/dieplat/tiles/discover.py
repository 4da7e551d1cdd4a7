"""A folder of pictures as a set of tiles of one kind."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from dieplat.errors import PictureError, SettingsError, TileSetError
from dieplat.tiles.names import capture_order, focus_setting, grid_from_names, natural_key
from dieplat.tiles.positions import StagePosition, stage_position
from dieplat.tiles.read import SUFFIXES, PictureInfo, picture_info
from dieplat.values import Skipped, Tile, TileSet
from dieplat.values.tiles import MAX_COLUMNS
from dieplat.work import Progress, map_in_order

SAME_PLACE = 0.02
"""Pictures whose stage positions differ by less than this share of a tile's width show one field."""


@dataclass(frozen=True, slots=True)
class _Field:
    """One field of view: the stem that stands for it, and its pictures by focus setting, mostly a single one."""

    stem: str
    paths: tuple[Path, ...]

    @property
    def name(self) -> str:
        """The picture's own name, or that of the series with the suffix of its first picture."""
        return self.paths[0].name if len(self.paths) == 1 else f"{self.stem}{self.paths[0].suffix}"


def discover_tiles(
    folder: Path,
    *,
    columns: int | None = None,
    series: bool = True,
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
    series : bool, optional
        Whether pictures that names (``r03_c05_z1``, ``..._f02``) or else metadata call pictures of one field at
        several focus settings are one tile, with `Tile.series` to be fused. False takes every picture as a tile.
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
        If `columns` is less than 1 or more than any set has.
    """
    if columns is not None and not 1 <= columns <= MAX_COLUMNS:
        raise SettingsError(f"columns is {columns}; give the number of tiles in a row, from 1 to {MAX_COLUMNS}")
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
    usable = {path for path, look in sound if look == kind}
    positions = {path: found for path in captured if path in usable and (found := stage_position(path)) is not None}
    fields = (
        _fields(captured, positions, kind.width_px) if series else [_Field(path.stem, (path,)) for path in captured]
    )
    numbers = capture_order([field.stem for field in fields])
    order = {
        field: number
        for field, number in zip(fields, numbers, strict=True)
        if any(path in usable for path in field.paths)
    }
    placed, rows, width, source = _place(order, columns, skipped)
    tiles = [_with_pictures(tile, field, usable, positions) for tile, field in placed]
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


def _fields(captured: Sequence[Path], positions: Mapping[Path, StagePosition], width_px: int) -> list[_Field]:
    """Pictures grouped by field: as their names say, else as the stage's positions in their metadata say."""
    settings = {path: found for path in captured if (found := focus_setting(path.stem)) is not None}
    members: dict[str, list[Path]] = defaultdict(list)
    for path, (stem, _) in settings.items():
        members[stem].append(path)
    groups = [
        _Field(stem, tuple(sorted(paths, key=lambda path: settings[path][1])))
        for stem, paths in members.items()
        if len(paths) > 1
    ]
    groups = groups or _fields_from_positions(positions, width_px)
    grouped = {path: group for group in groups for path in group.paths}
    fields = [grouped.get(path) or _Field(path.stem, (path,)) for path in captured]
    return list(dict.fromkeys(fields))


def _fields_from_positions(positions: Mapping[Path, StagePosition], width_px: int) -> list[_Field]:
    """Pictures taken at the same place of the stage and at different heights."""
    found: list[list[Path]] = []
    for path, here in positions.items():
        if here.z is None:
            continue
        reach = SAME_PLACE * width_px * here.pixel
        for group in found:
            first = positions[group[0]]
            if math.hypot(here.x - first.x, here.y - first.y) <= reach:
                group.append(path)
                break
        else:
            found.append([path])
    series = []
    for group in found:
        by_height = sorted(group, key=lambda path: (positions[path].z or 0.0, natural_key(path.name)))
        if len({positions[path].z for path in group}) == len(group) > 1:
            series.append(_Field(min((path.stem for path in group), key=natural_key), tuple(by_height)))
    return series


def _with_pictures(tile: Tile, field: _Field, usable: set[Path], positions: Mapping[Path, StagePosition]) -> Tile:
    """The tile with its usable pictures and the stage's position."""
    sound = tuple(path for path in field.paths if path in usable)
    here = positions.get(sound[0])
    return Tile(
        tile.name,
        sound[0],
        tile.row,
        tile.column,
        tile.order,
        sound if len(sound) > 1 else (),
        (here.x, here.y) if here is not None else None,
    )


def _place(
    order: Mapping[_Field, int], columns: int | None, skipped: list[Skipped]
) -> tuple[list[tuple[Tile, _Field]], int, int, str]:
    """Give every field its place, adding to `skipped` what has none or claims one that is taken."""

    def tile(field: _Field, row: int, column: int) -> tuple[Tile, _Field]:
        return Tile(field.name, field.paths[0], row, column, order[field]), field

    if columns is not None:
        tiles = [tile(field, *divmod(number, columns)) for field, number in order.items()]
        return tiles, max(order.values()) // columns + 1, columns, "option"
    grid = grid_from_names([field.stem for field in order])
    if grid is None:
        return [tile(field, 0, 0) for field in order], 0, 0, "order"
    taken: dict[tuple[int, int], tuple[Tile, _Field]] = {}
    for field, place in zip(order, grid.places, strict=True):
        if place is None:
            skipped.append(Skipped(field.name, "its name has no row and column, unlike most of the others"))
        elif place in taken:
            skipped.append(Skipped(field.name, f"has the same row and column as {taken[place][0].name}"))
        else:
            taken[place] = tile(field, *place)
    return list(taken.values()), grid.rows, grid.columns, "names"
