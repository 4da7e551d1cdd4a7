"""Decoded tiles kept in unnamed files, so that no stage has to decode one again."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from dieplat.tiles.read import Picture, read_picture

RESERVED_BYTES = 1 << 26
"""Room asked for at a time: page by page, as it is written, it costs the file system several times as much."""
SPARE_SHARE = 0.5
"""At most this part of a disk's free room is taken; the mosaic needs room too."""


class _Scratch:
    """An unnamed file that grows; one writer at a time, any number of readers."""

    def __init__(self, folder: Path) -> None:
        self.file = tempfile.TemporaryFile(dir=folder, prefix=".tiles.", buffering=0)  # noqa: SIM115
        self._end = 0
        self._reserved = 0

    def write(self, data: memoryview) -> int:
        """Append; gives the offset. OSError when the disk is full."""
        offset, descriptor = self._end, self.file.fileno()
        if offset + len(data) > self._reserved and hasattr(os, "posix_fallocate"):
            self._reserved = offset + max(len(data), RESERVED_BYTES)
            # Where room is not to be had beforehand, each write asks for itself.
            with contextlib.suppress(OSError):
                os.posix_fallocate(descriptor, offset, self._reserved - offset)
        done = 0
        while done < len(data):
            done += os.pwrite(descriptor, data[done:], offset + done)
        self._end = offset + len(data)
        return offset


class _Place(NamedTuple):
    """Where an array lies."""

    scratch: _Scratch
    offset: int
    shape: tuple[int, ...]
    dtype: str


class DecodedTiles:
    """Reads pictures, each from its own file once and from then on from scratch files of plain pixels.

    To write a tile's pixels and read them twice costs a third of decoding a JPEG again, and memory holds none of
    them. The scratch files, one for each that writes at the same time, have no names: they go with the process, however
    that ends. Where there is no room for them pictures are decoded again. Safe to share between threads; in another
    process, which cannot see the scratch files, it decodes.

    Parameters
    ----------
    folder : Path
        Where the scratch files are made; by custom the folder of the output.
    expected_bytes : int
        Size of all the decoded tiles. When it is more than `SPARE_SHARE` of the free room, nothing is kept.
    """

    def __init__(self, folder: Path, *, expected_bytes: int) -> None:
        self._reset(folder if expected_bytes <= SPARE_SHARE * shutil.disk_usage(folder).free else None)

    def _reset(self, folder: Path | None) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._places: dict[Path, _Place] = {}
        self._files: list[_Scratch] = []
        self._idle: list[_Scratch] = []

    def __enter__(self) -> DecodedTiles:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __getstate__(self) -> dict[str, Any]:
        return {}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self._reset(None)

    def close(self) -> None:
        """Give the room back; reading afterwards decodes."""
        with self._lock:
            self._places.clear()
            self._idle.clear()
            while self._files:
                self._files.pop().file.close()
            self._folder = None

    def read(self, path: Path) -> Picture:
        """The picture, decoded before or else now and kept.

        Raises
        ------
        PictureError
            As `read_picture`.
        """
        known = self._places.get(path)
        kept = None if known is None else self._kept(known)
        return self.decode(path) if kept is None else kept

    def take(self, path: Path) -> Picture:
        """The picture, for the last time: what was not kept is not kept now either.

        Raises
        ------
        PictureError
            As `read_picture`.
        """
        known = self._places.get(path)
        kept = None if known is None else self._kept(known)
        return read_picture(path) if kept is None else kept

    def decode(self, path: Path) -> Picture:
        """Decode the picture and keep its pixels.

        Raises
        ------
        PictureError
            As `read_picture`.
        """
        picture = read_picture(path)
        place = self._write(picture)
        if place is not None:
            self._places[path] = place
        return picture

    def put(self, values: npt.NDArray[Any]) -> Callable[[], npt.NDArray[Any]]:
        """Keep any array out of memory; what is returned gives it back, until the store is closed.

        Where there is no room for it, it stays in memory.
        """
        place = self._write(np.ascontiguousarray(values))
        if place is None:
            return lambda: values

        def back() -> npt.NDArray[Any]:
            kept = self._kept(place)
            if kept is None:
                raise OSError("the scratch file is closed or was cut short")
            return kept

        return back

    def _write(self, values: npt.NDArray[Any]) -> _Place | None:
        """Where the values lie now; None if there is no room."""
        with self._lock:
            if self._folder is None:
                return None
            scratch = self._idle.pop() if self._idle else None
            if scratch is None:
                scratch = _Scratch(self._folder)
                self._files.append(scratch)
        try:
            offset = scratch.write(memoryview(values.data).cast("B"))
        except OSError:  # the disk is full
            return None
        finally:
            with self._lock:
                self._idle.append(scratch)
        return _Place(scratch, offset, values.shape, values.dtype.str)

    def _kept(self, place: _Place) -> npt.NDArray[Any] | None:
        values = np.empty(place.shape, place.dtype)
        view = memoryview(values.data).cast("B")
        done = 0
        while done < len(view):
            if place.scratch.file.closed:
                return None
            got = os.preadv(place.scratch.file.fileno(), [view[done:]], place.offset + done)
            if got <= 0:
                return None
            done += got
        return values
