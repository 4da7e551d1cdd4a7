"""Band-passed tiles at full size, read when first needed and dropped when others need the room."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path

from dieplat.registration.correlate import Image, band_pass, to_grey
from dieplat.registration.optics import undistorted
from dieplat.tiles.read import read_picture
from dieplat.values.correction import Lens


class PixelCache:
    """The last `capacity` tiles used, safe to share between threads. Pairs in reading order need each tile once."""

    def __init__(self, paths: Sequence[Path], *, capacity: int, lens: Lens | None = None) -> None:
        self._paths = paths
        self._lens = lens
        self._capacity = capacity
        self._held: OrderedDict[int, Image] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, index: int) -> Image:
        """The band-passed grey tile, float32, on a scale of 255."""
        with self._lock:
            if index in self._held:
                self._held.move_to_end(index)
                return self._held[index]
        image = band_pass(to_grey(read_picture(self._paths[index])))
        if self._lens is not None:
            image = undistorted(image, self._lens)
        with self._lock:
            self._held[index] = image
            while len(self._held) > self._capacity:
                self._held.popitem(last=False)
        return image
