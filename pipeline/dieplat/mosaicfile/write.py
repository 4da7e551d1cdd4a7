"""A lossless, tiled, pyramidal OME-TIFF, written from bands without holding the picture.

The file follows TIFF 6.0 (tiles, predictor 2), BigTIFF where needed, and the OME-TIFF rule for pyramids:
reduced levels in the SubIFDs of the full picture. Compression is Zstandard (TIFF code 50000) unless asked otherwise.
"""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from fractions import Fraction
from functools import partial
from itertools import islice
from pathlib import Path
from typing import Any, Literal
from xml.sax.saxutils import quoteattr

import cv2
import imagecodecs
import numpy as np
import numpy.typing as npt
import tifffile

from dieplat import __version__
from dieplat.errors import MosaicError
from dieplat.files import atomic_path
from dieplat.mosaicfile.cut_loop import cut_differences
from dieplat.work import Progress, map_in_order

TILE_PX = 512
"""Side of a tile; also the size under which no further level is made."""

_IN_FLIGHT = 20
"""Tiles being encoded at once: 16 MB of 8-bit RGB, and what they become; several workers stay busy between bands."""

_FLUSH_BYTES = 32_000_000
"""So much is left to the system before it is told to begin writing; else all would wait for the end."""

_CLASSIC_LIMIT = 4_000_000_000
"""Classic TIFF has 32-bit offsets. The uncompressed size decides: the compressed one is not yet known."""

Pixels = npt.NDArray[Any]
Codec = Literal["zstd", "none", "jpegxl"]


def write_mosaic(
    path: Path,
    bands: Iterable[Pixels],
    *,
    width_px: int,
    height_px: int,
    channels: int,
    dtype: str,
    um_per_px: tuple[float, float] | None = None,
    codec: Codec = "zstd",
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> None:
    """Write a mosaic from bands that arrive from top to bottom.

    Memory holds about one row of tiles of every level; reduced levels wait, encoded, in an unnamed temporary
    file beside the output. The file appears under its name only when it is whole. Same bands, same bytes,
    whatever the executor. Whether `path` may be replaced is the caller's question.

    Parameters
    ----------
    path : Path
        The output; by custom its name ends in ``.ome.tif``.
    bands : iterable of ndarray of shape (h, W) or (h, W, 3)
        Consecutive rows of the mosaic, any height each. An array may be reused once the next is asked for.
    width_px, height_px, channels, dtype : int, int, {1, 3}, {"uint8", "uint16"}
        The whole picture.
    um_per_px : (float, float), optional
        Micrometres a pixel along x and y; left out of the file when None.
    codec : {"zstd", "none", "jpegxl"}, optional
        Zstandard after horizontal differences; plain pixels; or JPEG XL without loss, for readers that know it.
    executor : Executor, optional
        Encodes tiles; None works in line.
    progress : callable, optional
        Called with tiles done and their total, all levels counted.

    Raises
    ------
    MosaicError
        If the bands do not make the announced picture.
    """
    if channels not in (1, 3) or dtype not in ("uint8", "uint16") or width_px < 1 or height_px < 1:
        size = f"{width_px} x {height_px} px, {channels} channels, {dtype}"
        raise MosaicError(f"{path}: cannot hold {size}; give 8- or 16-bit grey or RGB of at least one pixel")
    shape = (height_px, width_px) if channels == 1 else (height_px, width_px, channels)
    levels = _levels(shape, dtype)
    options: dict[str, Any] = {
        "dtype": dtype,
        "photometric": "minisblack" if channels == 1 else "rgb",
        "planarconfig": None if channels == 1 else "contig",
        "tile": (TILE_PX, TILE_PX),
        "compression": {"zstd": "zstd", "none": None, "jpegxl": "jpegxl"}[codec],
        "predictor": 2 if codec == "zstd" else None,
        "metadata": None,
    }
    big = sum(level.raw_bytes for level in levels) > _CLASSIC_LIMIT
    with (
        atomic_path(path) as temporary,
        tempfile.TemporaryFile(dir=path.parent, prefix=".levels.") as spool,
        tifffile.TiffWriter(temporary, bigtiff=big, ome=False, byteorder="<") as tiff,
    ):
        total = sum(level.tiles for level in levels)
        tiles = _cut(path, bands, levels, codec)
        encoded = map_in_order(
            partial(_encode, codec), tiles, executor=executor, total=total, progress=progress, in_flight=_IN_FLIGHT
        )
        flush = _Flush(tiff.filehandle.fileno())
        base_tiles = _base_tiles(encoded, levels, spool, flush)
        tiff.write(
            islice(base_tiles, levels[0].tiles),  # what tifffile is given it also closes, too early
            shape=shape,
            subifds=len(levels) - 1,
            software=f"dieplat {__version__}",
            description=_ome_xml(path.name, width_px, height_px, channels, dtype, um_per_px),
            resolution=None if um_per_px is None else tuple(_rational(1e4 / value) for value in um_per_px),
            resolutionunit=None if um_per_px is None else "CENTIMETER",
            **options,
        )
        for _ in base_tiles:
            pass  # the last of the reduced tiles come after the last full one
        for level in levels[1:]:
            tiff.write(_spooled(level, spool, flush), shape=level.shape, subfiletype=1, **options)


class _Level:
    """One level of the pyramid: collects rows until they make a row of tiles."""

    def __init__(self, index: int, shape: tuple[int, ...], dtype: str) -> None:
        self.index = index
        self.shape = shape
        self.dtype = np.dtype(dtype)
        self.across = -(-shape[1] // TILE_PX)
        self.tiles = self.across * -(-shape[0] // TILE_PX)
        self.rows_in = 0
        self.filled = 0
        self.raw_bytes = self.tiles * TILE_PX * TILE_PX * math.prod(shape[2:]) * self.dtype.itemsize
        self.spooled: list[tuple[int, int]] = []
        self._buffer: Pixels | None = None

    def put(self, rows: Pixels) -> int:
        """Take as many rows as fit; return how many."""
        taken = min(len(rows), TILE_PX - self.filled)
        self._room(taken)[:] = rows[:taken]
        return taken

    def put_halved(self, rows: Pixels) -> Pixels | None:
        """Take a row of tiles of the level before at half its size; a row of tiles of this one once there is one."""
        _halve(rows, self._room(-(-len(rows) // 2)))
        return self._full()

    def _full(self) -> Pixels | None:
        if self._buffer is None or (self.filled < TILE_PX and self.rows_in < self.shape[0]):
            return None
        full, self.filled = self._buffer[: self.filled], 0
        return full

    def _room(self, count: int) -> Pixels:
        """The next rows of the buffer, which are to be filled."""
        if self._buffer is None:
            self._buffer = np.empty((TILE_PX, *self.shape[1:]), self.dtype)
        self.filled += count
        self.rows_in += count
        return self._buffer[self.filled - count : self.filled]

    def ready(self, rows: Pixels) -> tuple[Pixels, Pixels] | None:
        """The rows of a row of tiles, once there are enough, and what is left of `rows`; if it can be, uncopied."""
        left = self.shape[0] - self.rows_in
        if self.filled == 0 and len(rows) >= min(TILE_PX, left):
            count = min(TILE_PX, left)
            self.rows_in += count
            return rows[:count], rows[count:]
        rows = rows[self.put(rows) :]
        full = self._full()
        return None if full is None else (full, rows)

    def cut(self, rows: Pixels, codec: Codec) -> Iterator[tuple[int, Pixels]]:
        """The tiles of these rows, as copies, so that the rows are free for others; for Zstandard as differences.

        All are whole: the margin at the right and bottom repeats the edge, which costs next to nothing.
        """
        channels = math.prod(self.shape[2:])
        for left in range(0, self.shape[1], TILE_PX):
            tile = np.empty((TILE_PX, TILE_PX, *self.shape[2:]), self.dtype)
            if codec == "zstd":
                cut_differences(rows.reshape(len(rows), -1), left, channels, tile.reshape(TILE_PX, -1))
                yield self.index, tile
                continue
            part = rows[:, left : left + TILE_PX]
            high, wide = part.shape[:2]
            tile[:high, :wide] = part
            tile[:high, wide:] = part[:, -1:]
            tile[high:] = tile[high - 1]
            yield self.index, tile


def halved(pixels: Pixels) -> Pixels:
    """A picture (h, w) or (h, w, C) as the next level of its pyramid has it; an odd side is rounded up."""
    half = np.empty((-(-pixels.shape[0] // 2), -(-pixels.shape[1] // 2), *pixels.shape[2:]), pixels.dtype)
    _halve(pixels, half)
    return half


def _halve(rows: Pixels, out: Pixels) -> None:
    """Fill `out` with the rows at half size: means of 2 x 2 pixels, edges repeated where the size is odd."""
    high, wide = (side // 2 for side in rows.shape[:2])
    if high and wide:
        even, part = rows[: 2 * high, : 2 * wide], out[:high, :wide]
        made = cv2.resize(even, (wide, high), dst=part, interpolation=cv2.INTER_AREA)
        if made.ctypes.data != part.ctypes.data:
            part[:] = made.reshape(part.shape)
    if rows.shape[1] % 2:
        _halve(np.repeat(rows[:, -1:], 2, axis=1), out[:, wide:])
    if rows.shape[0] % 2:
        _halve(np.repeat(rows[-1:, : 2 * wide], 2, axis=0), out[high:, :wide])


def _levels(shape: tuple[int, ...], dtype: str) -> list[_Level]:
    levels = [_Level(0, shape, dtype)]
    while max(shape[:2]) > TILE_PX:
        shape = (-(-shape[0] // 2), -(-shape[1] // 2), *shape[2:])
        levels.append(_Level(len(levels), shape, dtype))
    return levels


def _cut(path: Path, bands: Iterable[Pixels], levels: list[_Level], codec: Codec) -> Iterator[tuple[int, Pixels]]:
    """Turn bands into tiles of all levels, each level's tiles in file order."""
    base = levels[0]
    for band in bands:
        if band.shape[1:] != base.shape[1:] or band.dtype != base.dtype:
            raise MosaicError(f"{path}: a band of {band.shape} {band.dtype} does not fit {base.shape}")
        if base.rows_in + len(band) > base.shape[0]:
            raise MosaicError(f"{path}: the bands hold more than the announced {base.shape[0]} rows")
        yield from _feed(levels, band, codec)
    if base.rows_in != base.shape[0]:
        raise MosaicError(f"{path}: the bands hold {base.rows_in} rows of the announced {base.shape[0]}")


def _feed(levels: list[_Level], rows: Pixels, codec: Codec) -> Iterator[tuple[int, Pixels]]:
    base = levels[0]
    while len(rows):
        taken = base.ready(rows)
        if taken is None:
            return
        full, rows = taken
        yield from base.cut(full, codec)
        for level in levels[1:]:
            reduced = level.put_halved(full)
            if reduced is None:
                break
            full = reduced
            yield from level.cut(full, codec)


def _encode(codec: Codec, item: tuple[int, Pixels]) -> tuple[int, bytes]:
    """Zstandard at its quickest level, of what are differences already; or as `codec` says."""
    index, tile = item
    if codec == "none":
        return index, tile.tobytes()
    if codec == "jpegxl":
        return index, bytes(imagecodecs.jpegxl_encode(tile, lossless=True, effort=1, numthreads=1))
    plain: Any = tile  # any buffer will do, which the declared types do not know
    return index, bytes(imagecodecs.zstd_encode(plain, level=1))


class _Flush:
    """Has the disk begin with what a file has got, while more of it is made."""

    def __init__(self, file: int) -> None:
        self._file, self._begun = file, 0

    def look(self) -> None:
        """To be called now and then."""
        size = os.lseek(self._file, 0, os.SEEK_CUR)
        if size - self._begun >= _FLUSH_BYTES and hasattr(os, "posix_fadvise"):
            # Pages that are not on disk yet are not dropped by this, but written.
            os.posix_fadvise(self._file, self._begun, size - self._begun, os.POSIX_FADV_DONTNEED)
            self._begun = size


def _base_tiles(
    encoded: Iterator[tuple[int, bytes]], levels: list[_Level], spool: Any, flush: _Flush
) -> Iterator[bytes]:
    """Pass the full picture's tiles on and put the others aside."""
    for index, data in encoded:
        if index == 0:
            yield data
            flush.look()
        else:
            levels[index].spooled.append((spool.seek(0, os.SEEK_END), len(data)))
            spool.write(data)


def _spooled(level: _Level, spool: Any, flush: _Flush) -> Iterator[bytes]:
    for offset, length in level.spooled:
        spool.seek(offset)
        yield spool.read(length)
        flush.look()


def _rational(value: float) -> tuple[int, int]:
    """A positive number as a ratio of two integers of 32 bits (TIFF 6.0, RATIONAL), as near as such a ratio comes.

    Not left to the writer: releases of tifffile before 2026 cut it to six figures.
    """
    most = 2**32 - 1
    near = Fraction(value).limit_denominator(max(1, min(most, int(most / value) - 1)))
    return near.numerator, near.denominator


def _ome_xml(
    name: str, width: int, height: int, channels: int, dtype: str, um_per_px: tuple[float, float] | None
) -> bytes:
    """OME-XML of schema 2016-06, without UUID or date, so that equal mosaics are equal files."""
    size = ""
    if um_per_px is not None:
        size = "".join(
            f' PhysicalSize{axis}="{value!r}" PhysicalSize{axis}Unit="µm"'
            for axis, value in zip("XY", map(float, um_per_px), strict=True)
        )
    namespace = "http://www.openmicroscopy.org/Schemas/OME/2016-06"
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>'
        f'<OME xmlns="{namespace}" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
        f' xsi:schemaLocation="{namespace} {namespace}/ome.xsd" Creator="dieplat {__version__}">'
        f'<Image ID="Image:0" Name={quoteattr(name)}>'
        f'<Pixels ID="Pixels:0" DimensionOrder="XYCZT" Type="{dtype}" SizeX="{width}" SizeY="{height}"'
        f' SizeC="{channels}" SizeZ="1" SizeT="1" Interleaved="true" BigEndian="false"{size}>'
        f'<Channel ID="Channel:0:0" SamplesPerPixel="{channels}"/>'
        '<TiffData IFD="0" FirstC="0" FirstZ="0" FirstT="0" PlaneCount="1"/>'
        "</Pixels></Image></OME>"
    )
    return text.encode("utf-8")
