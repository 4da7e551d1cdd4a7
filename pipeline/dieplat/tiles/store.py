"""Decoded tiles kept in an unnamed file, so that no stage has to decode one again."""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt

from dieplat.tiles.read import Picture, read_picture

_Place = tuple[int, tuple[int, ...], str]
"""Offset in the scratch file, shape, dtype."""
SPARE_SHARE = 0.5
"""At most this part of a disk's free room is taken; the mosaic needs room too."""


class DecodedTiles:
    """Reads pictures, each from its own file once and from then on from a scratch file of plain pixels.

    To write a tile's pixels and read them twice costs a third of decoding a JPEG again, and memory holds none of
    them. The scratch file has no name: it goes with the process, however that ends. Where there is no room for it
    pictures are decoded again. Safe to share between threads; in another process, which cannot see the scratch file,
    it decodes.

    Parameters
    ----------
    folder : Path
        Where the scratch file is made; by custom the folder of the output.
    expected_bytes : int
        Size of all the decoded tiles. When it is more than `SPARE_SHARE` of the free room, nothing is kept.
    """

    def __init__(self, folder: Path, *, expected_bytes: int) -> None:
        self._lock = threading.Lock()
        self._places: dict[Path, _Place] = {}
        self._end = 0
        self._file: Any = None
        if expected_bytes <= SPARE_SHARE * shutil.disk_usage(folder).free:
            self._file = tempfile.TemporaryFile(dir=folder, prefix=".tiles.", buffering=0)  # noqa: SIM115

    def __enter__(self) -> DecodedTiles:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __getstate__(self) -> dict[str, Any]:
        return {}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self._lock, self._places, self._end, self._file = threading.Lock(), {}, 0, None

    def close(self) -> None:
        """Give the room back; reading afterwards decodes."""
        with self._lock:
            self._places.clear()
            if self._file is not None:
                self._file.close()
                self._file = None

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
        """Where the values lie in the scratch file now; None if there is no room."""
        if self._file is None:
            return None
        with self._lock:
            offset = self._end
            self._end += values.nbytes
        view = memoryview(values.data).cast("B")
        done = 0
        try:
            while done < len(view):
                done += os.pwrite(self._file.fileno(), view[done:], offset + done)
        except OSError:  # the disk is full
            return None
        return offset, values.shape, values.dtype.str

    def _kept(self, place: _Place) -> npt.NDArray[Any] | None:
        offset, shape, dtype = place
        values = np.empty(shape, dtype)
        view = memoryview(values.data).cast("B")
        done = 0
        while done < len(view):
            got = 0 if self._file is None else os.preadv(self._file.fileno(), [view[done:]], offset + done)
            if got <= 0:
                return None
            done += got
        return values
