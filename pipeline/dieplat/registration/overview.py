"""A small look at every tile: one decoding pass that the coarse search and the shading estimate share."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import overload

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.errors import PictureError
from dieplat.files import sha256_of
from dieplat.registration.correlate import Image, band_pass, to_grey
from dieplat.registration.loops import area_means
from dieplat.registration.memory import Memory, key_of
from dieplat.tiles.read import Picture, read_picture
from dieplat.values.tiles import Skipped, Tile
from dieplat.work import Progress, map_in_order

THUMB_WIDTH_PX = 240
COLOUR_WIDTH_PX = 96


Half = npt.NDArray[np.float16]
Keep = Callable[[Half], Callable[[], Half]]
"""Takes an array out of memory; what it returns gives it back."""


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """Thumbnails of one tile, at half precision: a large set has thousands, and their noise is far coarser.

    Each is an array, or gives one when called.
    """

    half_thumb: Half | Callable[[], Half]
    half_colour: Half | Callable[[], Half]
    digest: str = ""
    """SHA-256 of the tile's file, where results are kept."""

    @property
    def thumb(self) -> Image:
        """Band-passed grey (h, w), float32, for the coarse search."""
        return _values(self.half_thumb).astype(np.float32)

    @property
    def colour(self) -> npt.NDArray[np.float32]:
        """Block means of the picture's own values (h', w', channels), float32.

        NaN where the block holds clipped pixels, whose exposure cannot be known.
        """
        return _values(self.half_colour).astype(np.float32)

    def kept_by(self, keep: Keep) -> Overview:
        """The same with its arrays out of memory."""
        return Overview(keep(_values(self.half_thumb)), keep(_values(self.half_colour)), self.digest)


class Colours(Sequence[npt.NDArray[np.float32]]):
    """The block means of several tiles, each brought into memory when it is asked for."""

    def __init__(self, views: Sequence[Overview]) -> None:
        self._views = views

    def __len__(self) -> int:
        return len(self._views)

    @overload
    def __getitem__(self, index: int) -> npt.NDArray[np.float32]: ...
    @overload
    def __getitem__(self, index: slice) -> Colours: ...
    def __getitem__(self, index: int | slice) -> npt.NDArray[np.float32] | Colours:
        return Colours(self._views[index]) if isinstance(index, slice) else self._views[index].colour


def _values(half: Half | Callable[[], Half]) -> Half:
    return half() if callable(half) else half


def thumb_factor(width_px: int) -> float:
    """By how much a tile is reduced for the coarse search."""
    return max(1.0, width_px / THUMB_WIDTH_PX)


def look_at(
    path: Path, *, read: Callable[[Path], Picture] = read_picture, memory: Memory | None = None
) -> Overview | str:
    """Read one tile and reduce it; a damaged tile gives its reason as text instead.

    A tile that `memory` knows is not decoded.
    """
    if memory is None:
        try:
            return _reduced(read(path), "")
        except PictureError as error:
            return str(error)
    try:
        digest = sha256_of(path)
    except OSError:
        digest = ""
    key = key_of("overview", [digest])
    known = memory.get(key) if digest else None
    if known is not None:
        with np.load(io.BytesIO(known), allow_pickle=False) as arrays:
            return Overview(arrays["thumb"], arrays["colour"], digest)
    try:
        view = _reduced(read(path), digest)
    except PictureError as error:
        return str(error)
    data = io.BytesIO()
    np.savez(data, thumb=_values(view.half_thumb), colour=_values(view.half_colour))
    memory.put(key, data.getvalue())
    return view


def _reduced(picture: Picture, digest: str) -> Overview:
    height, width = picture.shape[:2]
    factor = thumb_factor(width)
    # All that follows comes from the picture at half size: a quarter of the work, and nothing is lost at a tenth.
    half = cv2.resize(picture, (-(-width // 2), -(-height // 2)), interpolation=cv2.INTER_AREA)
    channels = 1 if half.ndim == 2 else half.shape[2]
    lines = half.reshape(len(half), -1)
    small = area_means(lines, channels, (round(height / factor), round(width / factor)))
    thumb = band_pass(to_grey(small if channels == 3 else small[..., 0]) * _scale_of(half))
    return Overview(thumb.astype(np.float16), _block_means(half, (height, width)).astype(np.float16), digest)


def _scale_of(picture: Picture) -> np.float32:
    return np.float32(1 / 257) if picture.dtype == np.uint16 else np.float32(1)


def _block_means(half: Picture, shape: tuple[int, int]) -> npt.NDArray[np.float32]:
    height, width = shape
    size = max(1, min(height, round(height * COLOUR_WIDTH_PX / width))), min(width, COLOUR_WIDTH_PX)
    top = float(np.iinfo(half.dtype).max)
    means = area_means(half.reshape(len(half), -1), 1 if half.ndim == 2 else half.shape[2], size)
    # Means of four pixels: a little inside the limits of one, which some of the four may have reached.
    low, high = math.ceil(0.006 * top), math.floor(0.985 * top)
    inside = cv2.inRange(half, (low, low, low, 0), (high, high, high, 0))
    share = area_means(inside, 1, size)[..., 0]
    means[share < 0.95 * 255] = np.nan
    return means


def survey_tiles(
    tiles: Sequence[Tile],
    *,
    read: Callable[[Path], Picture] = read_picture,
    memory: Memory | None = None,
    keep: Keep | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[list[Tile], list[Overview], list[Skipped]]:
    """Look at every tile once; damaged ones are listed instead of stopping the work.

    With `keep` (`tiles.store.DecodedTiles.put`) the thumbnails of a large set take no memory.
    """
    kept: list[Tile] = []
    views: list[Overview] = []
    skipped: list[Skipped] = []
    look = partial(look_at, read=read, memory=memory)
    looks = map_in_order(look, [tile.path for tile in tiles], executor=executor, total=len(tiles), progress=progress)
    for tile, view in zip(tiles, looks, strict=True):
        if isinstance(view, str):
            skipped.append(Skipped(tile.name, view))
        else:
            kept.append(tile)
            views.append(view if keep is None else view.kept_by(keep))
    return kept, views, skipped
