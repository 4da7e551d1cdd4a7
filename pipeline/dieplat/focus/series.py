"""The focus series of a set of tiles, fused once and kept by the content of their pictures."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import tifffile

from dieplat.errors import PictureError
from dieplat.files import MADE_BY, MARK, atomic_path, sha256_of
from dieplat.focus.align import SAME_FIELD, Alignment, Image, align, first_look
from dieplat.focus.fuse import fuse
from dieplat.tiles.read import read_picture
from dieplat.values import FusedTile, Skipped, Tile, TileSet
from dieplat.work import Progress, map_in_order

RECIPE = "1"
"""Part of a fused picture's digest; to be changed with anything that changes its pixels."""
PROBES = 9
PROBE_SHARE = 1 / 3

Pixels = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What became of one tile: the tile with its final path (None if nothing is left of it), and what to tell."""

    tile: Tile | None
    fused: FusedTile | None
    skipped: tuple[Skipped, ...]


def show_one_field_each(tiles: Sequence[Tile], *, executor: Executor | None = None) -> bool:
    """Whether the series that names or metadata claim are series: their pictures show the same field.

    Looks at the first two pictures of up to `PROBES` series. A numbering that looks like one of focus settings
    (chip_f001, chip_f002, ...) but counts fields is told from it by its pictures.
    """
    claimed = [tile for tile in tiles if tile.series]
    some = [claimed[i] for i in np.unique(np.linspace(0, len(claimed) - 1, PROBES).round().astype(int))]
    same = list(map_in_order(_shows_one_field, some, executor=executor))
    return sum(same) >= PROBE_SHARE * len(same)


def _shows_one_field(tile: Tile) -> bool:
    middle = len(tile.series) // 2
    try:
        a, b = (_grey(read_picture(path)) for path in tile.series[middle - 1 : middle + 1])
    except PictureError:
        return False
    return a.shape == b.shape and first_look(a, b)[2] >= SAME_FIELD


def fuse_series(
    tile_set: TileSet,
    work_folder: Path,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[TileSet, tuple[FusedTile, ...]]:
    """Fuse every focus series of a set into one picture each.

    A fused picture is written to `work_folder`, losslessly, under the digest of what went in; if it is there
    already, it is used as it is. Pictures of a series that are damaged or do not show the field are listed in
    `skipped`; a series of which one picture is left is that picture.

    Parameters
    ----------
    tile_set : TileSet
        Tiles without a series pass through untouched.
    work_folder : Path
        Made when the first picture is written.

    Returns
    -------
    TileSet
        Without series: every tile is one file.
    tuple of FusedTile
        What was fused, in the order of the tiles.
    """
    claimed = [tile for tile in tile_set.tiles if tile.series]
    if not claimed:
        return tile_set, ()
    work = partial(_fuse_one, work_folder=work_folder)
    made = map_in_order(work, claimed, executor=executor, total=len(claimed), progress=progress, in_flight=2)
    outcomes = dict(zip((tile.name for tile in claimed), made, strict=True))
    tiles: list[Tile] = []
    skipped = list(tile_set.skipped)
    for tile in tile_set.tiles:
        outcome = outcomes.get(tile.name) or _Outcome(tile, None, ())
        skipped += outcome.skipped
        if outcome.tile is not None:
            within = outcome.fused.place_u_px if outcome.fused is not None else 0.0
            tiles.append(replace(outcome.tile, place_u_px=within))
    fused = tuple(outcome.fused for outcome in outcomes.values() if outcome.fused is not None)
    return replace(tile_set, tiles=tuple(tiles), skipped=tuple(skipped)), fused


def _fuse_one(tile: Tile, work_folder: Path) -> _Outcome:
    digests = [sha256_of(path) for path in tile.series]
    names = [path.name for path in tile.series]
    digest = hashlib.sha256(json.dumps([RECIPE, names, digests]).encode("utf-8")).hexdigest()
    path = work_folder / f"fused_{digest[:32]}.tif"
    known = _read_report(path)
    if known is not None:
        return _Outcome(replace(tile, path=path, series=()), replace(known[0], name=tile.name), known[1])
    pictures, skipped = _read_all(tile)
    if not pictures:
        return _Outcome(None, None, tuple(skipped))
    reference = min(pictures, key=lambda index: (abs(index - len(tile.series) // 2), index))
    base = _grey(pictures[reference])
    alignments = {reference: Alignment(1.0, (0.0, 0.0), 0.0, 1.0)}
    for index, picture in pictures.items():
        if index != reference:
            found = align(base, _grey(picture))
            if found is None:
                reason = f"its picture does not lie over {names[reference]}; left out of the focus series"
                skipped.append(Skipped(names[index], reason))
            else:
                alignments[index] = found
    used = sorted(alignments)
    if len(used) == 1:
        return _Outcome(replace(tile, path=tile.series[reference], series=()), None, tuple(skipped))
    result = fuse([pictures[i] for i in used], [alignments[i] for i in used], reference=used.index(reference))
    fused = FusedTile(
        name=tile.name,
        pictures=tuple(names[i] for i in used),
        shares=tuple(round(share, 4) for share in result.shares),
        reference=names[reference],
        shift_px=max(float(np.hypot(*one.shift_px)) for one in alignments.values()),
        magnification=max((one.magnification for one in alignments.values()), key=lambda m: abs(m - 1)),
        align_u_px=max(one.u_px for one in alignments.values()),
    )
    _write(path, result.picture, fused, skipped)
    return _Outcome(replace(tile, path=path, series=()), fused, tuple(skipped))


def _read_all(tile: Tile) -> tuple[dict[int, Pixels], list[Skipped]]:
    pictures: dict[int, Pixels] = {}
    skipped = []
    for index, path in enumerate(tile.series):
        try:
            pictures[index] = read_picture(path)
        except PictureError as error:
            skipped.append(Skipped(path.name, str(error).removeprefix(f"{path}: ")))
    return pictures, skipped


def _grey(picture: Pixels) -> Image:
    """Grey on a scale of 255."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture
    scale = 1 / 257 if picture.dtype == np.uint16 else 1.0
    return np.asarray(grey, dtype=np.float32) * np.float32(scale)


def _write(path: Path, picture: Pixels, fused: FusedTile, skipped: Sequence[Skipped]) -> None:
    path.parent.mkdir(exist_ok=True)
    report = {MARK: MADE_BY, "fused": asdict(fused), "skipped": [asdict(one) for one in skipped]}
    with atomic_path(path) as temporary:
        tifffile.imwrite(
            temporary,
            picture,
            photometric="rgb" if picture.ndim == 3 else "minisblack",
            compression="zstd",
            compressionargs={"level": 1},
            predictor=True,
            rowsperstrip=64,
            description=json.dumps(report),
            metadata=None,
        )


def _read_report(path: Path) -> tuple[FusedTile, tuple[Skipped, ...]] | None:
    """What an earlier run noted in a fused picture; None if there is none that can be used."""
    try:
        read_picture(path)
        with tifffile.TiffFile(path) as tiff:
            report = json.loads(tiff.pages[0].description)
        fused: dict[str, Any] = {
            key: tuple(value) if isinstance(value, list) else value for key, value in report["fused"].items()
        }
        return FusedTile(**fused), tuple(Skipped(**one) for one in report["skipped"])
    except (PictureError, ValueError, KeyError, TypeError, AttributeError):
        return None
