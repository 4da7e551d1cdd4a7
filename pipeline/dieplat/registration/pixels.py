"""What two tiles show of each other: their overlap's strips, band-passed, from tiles read when first needed."""

from __future__ import annotations

import json
import threading
from collections import Counter, OrderedDict
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.registration.correlate import Image, band_pass_part
from dieplat.registration.flat import Shading
from dieplat.registration.memory import Memory, key_of
from dieplat.registration.optics import lost_px, undistorted
from dieplat.tiles.read import Picture, read_picture
from dieplat.values.correction import Lens

Rows = list[list[float]]
"""What was measured of a pair of tiles, as plain numbers."""

LEAST_SHARED_PX = 24
"""An overlap that is narrower has no rim to leave out."""
REACH_PX = 56
"""How far the band-pass looks: 12 pixels of its quarter-size picture, one more between them, and its fine filter."""


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """The parts of two tiles that may overlap, of one size, band-passed, and their corners (x, y) in the tiles."""

    a: Image
    b: Image
    a_px: tuple[int, int]
    b_px: tuple[int, int]

    @property
    def b_from_a(self) -> tuple[int, int]:
        """What the offset of the strips is more than that of the tiles."""
        return self.b_px[0] - self.a_px[0], self.b_px[1] - self.a_px[1]


class PixelCache:
    """Tiles that pairs to be measured need, grey, safe to share between threads.

    A tile goes when the last of the pairs told to `expect` is `done` with it, so that pairs in reading order read each
    once and hold little more than a row of them; at most the last `capacity` used are held in any case.
    Pixels are multiplied by `gain` (H, W), which takes a shading out of them, before anything else; a `Shading` in its
    place says what to take out. In another process, which then needs `gain` to be a `Shading`, it holds no tile yet and
    decodes those it is asked for.
    """

    def __init__(
        self,
        paths: Sequence[Path] | Mapping[int, Path],
        *,
        capacity: int,
        lens: Lens | None = None,
        read: Callable[[Path], Picture] = read_picture,
        gain: Image | Shading | None = None,
        digests: Sequence[str] = (),
        memory: Memory | None = None,
    ) -> None:
        self._paths = paths
        self._digests = digests
        self._memory = memory
        self._lens = lens
        self._capacity = capacity
        self._read = read
        self._gain = gain
        self._ones: Image | None = None
        self._held: OrderedDict[int, Future[npt.NDArray[np.generic]]] = OrderedDict()
        self._lock = threading.Lock()
        self._awaited: Counter[int] = Counter()

    def __reduce__(self) -> tuple[Callable[..., PixelCache], tuple[object, ...]]:
        return partial(PixelCache, capacity=self._capacity, lens=self._lens, gain=self._gain), (self._paths,)

    def only(self, tiles: Iterable[int], *, capacity: int) -> PixelCache:
        """The same with some of the tiles, under their numbers, to be sent to another process."""
        paths = {tile: self._paths[tile] for tile in tiles}
        return PixelCache(paths, capacity=capacity, lens=self._lens, gain=self._gain)

    def expect(self, pairs: Sequence[tuple[int, int]]) -> None:
        """Say which pairs will be asked for, each once; `done` is due after each."""
        with self._lock:
            self._awaited.update(tile for pair in pairs for tile in pair)

    def done(self, pair: tuple[int, int]) -> None:
        """Say that a pair needs its tiles no more."""
        with self._lock:
            for tile in pair:
                self._awaited[tile] -= 1
                if self._awaited[tile] <= 0:
                    self._held.pop(tile, None)

    def with_lens(self, lens: Lens) -> PixelCache:
        """The same tiles, straightened."""
        return PixelCache(
            self._paths,
            capacity=self._capacity,
            lens=lens,
            read=self._read,
            gain=self._gain,
            digests=self._digests,
            memory=self._memory,
        )

    def remembered(
        self, kind: str, pair: tuple[int, int], question: Sequence[object], measure: Callable[[], Rows]
    ) -> Rows:
        """What an earlier run measured of the same pictures with the same question, else what `measure` gives.

        Kept as JSON, which gives floats back to the last digit.
        """
        if self._memory is None or not all(self._digests[tile] for tile in pair):
            return measure()
        lens = None if self._lens is None else (self._lens.k1, self._lens.k2, self._lens.norm_px)
        key = key_of(kind, [[self._digests[tile] for tile in pair], lens, *question])
        known = self._memory.get(key)
        if known is not None:
            kept: Rows = json.loads(known)
            return kept
        rows = measure()
        self._memory.put(key, json.dumps(rows).encode())
        return rows

    def _tile(self, index: int) -> npt.NDArray[np.generic]:
        """Grey at the file's depth; with a lens, straightened, evened out and on a scale of 255."""
        with self._lock:
            future = self._held.get(index)
            mine = future is None
            if future is None:
                future = self._held[index] = Future()
            self._held.move_to_end(index)
            while len(self._held) > self._capacity:
                self._held.popitem(last=False)
        if mine:
            # Another thread that wants the same tile waits for it instead of reading it too.
            try:
                future.set_result(self._load(index))
            except BaseException as error:
                future.set_exception(error)
                raise
        return future.result()

    def _load(self, index: int) -> npt.NDArray[np.generic]:
        picture = self._read(self._paths[index])
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) if picture.ndim == 3 else picture
        if self._lens is None:
            return grey
        even = grey.astype(np.float32) / np.float32(257 if grey.dtype == np.uint16 else 1)
        gain = self._gain_over(grey.shape)
        return undistorted(even if gain is None else even * gain, self._lens)

    def _gain_over(self, shape: tuple[int, ...]) -> Image | None:
        return _gain_of(self._gain, shape[1], shape[0]) if isinstance(self._gain, Shading) else self._gain

    def get(self, index: int) -> Image:
        """The whole tile, band-passed, float32, on a scale of 255."""
        tile = self._tile(index)
        return self._part(tile, (0, 0), (tile.shape[0], tile.shape[1]))

    def strips(self, a: int, b: int, predicted_px: tuple[float, float], search_px: tuple[int, int]) -> Strips:
        """What tiles a and b share at any offset within the search, just as in the band-passed tiles themselves."""
        first, second = self._tile(a), self._tile(b)
        height, width = first.shape
        (left_a, left_b), (top_a, top_b) = (
            _origins(predicted_px[0], search_px[0]),
            _origins(predicted_px[1], search_px[1]),
        )
        cut = height - max(top_a, top_b), width - max(left_a, left_b)
        parts = [
            self._part(tile, (top, left), cut) for tile, top, left in ((first, top_a, left_a), (second, top_b, left_b))
        ]
        return Strips(parts[0], parts[1], (left_a, top_a), (left_b, top_b))

    def shared(self, a: int, b: int, offset_px: tuple[int, int]) -> Strips | None:
        """What tiles a and b share at an offset, cut out before it is band-passed; None if it is next to nothing.

        Where the background of a strip is guessed, along a tile's rim, the other tile sees it. Of what is cut to one
        place on the die both guess alike, and what lies along the rim counts as well as all else.
        """
        first, second = self._tile(a), self._tile(b)
        (height, width), (x, y) = first.shape, offset_px
        lost = (0, 0) if self._lens is None else lost_px(self._lens, (height, width))
        size = height - abs(y) - 2 * lost[0], width - abs(x) - 2 * lost[1]
        if min(size) < LEAST_SHARED_PX:
            return None
        left, top = max(0, x) + lost[1], max(0, y) + lost[0]
        parts = self._part(first, (top, left), size), self._part(second, (top - y, left - x), size)
        return Strips(*parts, (left, top), (left - x, top - y))

    def _part(self, tile: npt.NDArray[np.generic], corner: tuple[int, int], size: tuple[int, int]) -> Image:
        """A part of a tile, evened out, band-passed."""
        gain = self._ones if self._lens is not None else self._gain_over(tile.shape)
        if gain is None:
            gain = self._ones = np.ones(tile.shape, dtype=np.float32) if self._ones is None else self._ones
        return band_pass_part(tile, gain, corner, size)


@lru_cache(maxsize=1)
def _gain_of(shading: Shading, width_px: int, height_px: int) -> Image:
    return shading.gain(width_px, height_px)


def _origins(offset_px: float, search_px: int) -> tuple[int, int]:
    """Where the strips of a and b begin along one axis; on a multiple of four, as the band-pass's small picture has."""
    start = max(0, int(abs(offset_px)) - search_px - REACH_PX - 2) & ~3
    return (start, 0) if offset_px >= 0 else (0, start)
