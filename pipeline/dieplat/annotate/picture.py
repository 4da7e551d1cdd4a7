"""Parts of a mosaic as files for a browser: the right level of the pyramid, resized, toned, encoded."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any

import cv2
import imagecodecs
import numpy as np
import numpy.typing as npt

from dieplat.annotate.image_request import ImageRequest
from dieplat.errors import ImageRequestError
from dieplat.mosaicfile.read import Mosaic

JPEG_QUALITY = 90
CACHE_BYTES = 64_000_000
"""Encoded pictures that are kept, all in all."""
_SAMPLE_SIDE_PX = 1024

Pixels = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Tone:
    """Which values are shown black and white, and the exponent between: shown = ((v - low) / (high - low)) ** gamma."""

    low: float
    high: float
    gamma: float = 1.0

    @classmethod
    def parse(cls, text: str) -> Tone:
        """Read "low-high-gamma", as it stands in the address of a toned picture.

        Raises
        ------
        ImageRequestError
            If it is no such text or the curve does not rise.
        """
        try:
            low, high, gamma = (float(part) for part in text.split("-"))
        except ValueError:
            raise ImageRequestError(f"tone {text[:40]!r}: give low-high-gamma, such as 0-65535-1") from None
        if not (0.0 <= low < high <= 65535.0 and 0.05 <= gamma <= 20.0):
            raise ImageRequestError(f"tone {text[:40]!r}: needs 0 <= low < high <= 65535 and gamma of 0.05 to 20")
        return cls(low, high, gamma)

    def table(self, size: int) -> npt.NDArray[np.uint8]:
        """What every value is shown as: ndarray (size,), uint8."""
        share = np.clip((np.arange(size) - self.low) / (self.high - self.low), 0.0, 1.0)
        shown: npt.NDArray[np.uint8] = np.rint(255.0 * share**self.gamma).astype(np.uint8)
        return shown


class ShownPicture:
    """A mosaic that is shown: encodes what is asked for and keeps the last of it. Safe to share between threads."""

    def __init__(self, mosaic: Mosaic, name: str) -> None:
        self.mosaic = mosaic
        self.name = name
        self.tone = usual_tone(mosaic)
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[ImageRequest, Tone], bytes] = OrderedDict()
        self._kept_bytes = 0

    def encoded(self, request: ImageRequest, tone: Tone | None = None) -> bytes:
        """The part of the picture that is asked for, as a JPEG or PNG file."""
        key = request, tone or self.tone
        with self._lock:
            known = self._kept.get(key)
            if known is not None:
                self._kept.move_to_end(key)
                return known
        data = _encode(shown_pixels(self.mosaic, request, key[1]), request.format)
        with self._lock:
            if key not in self._kept:
                self._kept[key] = data
                self._kept_bytes += len(data)
            while self._kept_bytes > CACHE_BYTES:
                _, dropped = self._kept.popitem(last=False)
                self._kept_bytes -= len(dropped)
        return data


def usual_tone(mosaic: Mosaic) -> Tone:
    """8-bit pictures as they are; 16-bit ones between the thousandths at either end of their values."""
    if mosaic.dtype == "uint8":
        return Tone(0.0, 255.0)
    level = next((k for k, size in enumerate(mosaic.level_sizes) if max(size) <= _SAMPLE_SIDE_PX), mosaic.levels - 1)
    width, height = mosaic.level_sizes[level]
    values = mosaic.read(0, 0, min(width, 4 * _SAMPLE_SIDE_PX), min(height, 4 * _SAMPLE_SIDE_PX), level)
    seen = values[values > 0]
    low, high = np.percentile(seen, [0.1, 99.9]) if seen.size else (0.0, 65535.0)
    return Tone(float(low), float(max(high, low + 1.0)))


def shown_pixels(mosaic: Mosaic, request: ImageRequest, tone: Tone) -> Pixels:
    """The part that is asked for, (h, w) or (h, w, 3), uint8, scaled, turned and toned."""
    pixels = _from_level(mosaic, request)
    if pixels.shape[:2] != (request.height_px, request.width_px):
        smaller = pixels.shape[0] >= request.height_px and pixels.shape[1] >= request.width_px
        how = cv2.INTER_AREA if smaller else cv2.INTER_LINEAR
        pixels = cv2.resize(pixels, (request.width_px, request.height_px), interpolation=how)
    if pixels.dtype == np.uint16 or tone != Tone(0.0, 255.0):
        pixels = tone.table(65536 if pixels.dtype == np.uint16 else 256)[pixels]
    if request.grey and pixels.ndim == 3:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    return np.ascontiguousarray(np.rot90(pixels, -request.quarter_turns)) if request.quarter_turns else pixels


def _from_level(mosaic: Mosaic, request: ImageRequest) -> Pixels:
    """The region from the smallest level that still has as many pixels as are asked for."""
    shrink = min((request.x1 - request.x0) / request.width_px, (request.y1 - request.y0) / request.height_px)
    level = 0
    for k in range(mosaic.levels):
        # A level halves with rounding up: a hair of the ratio is that rounding.
        if mosaic.width_px / mosaic.level_sizes[k][0] <= shrink * 1.001:
            level = k
    factor = 2**level
    x1, y1 = -(-request.x1 // factor), -(-request.y1 // factor)
    return mosaic.read(request.x0 // factor, request.y0 // factor, x1, y1, level)


def _encode(pixels: Pixels, file_format: str) -> bytes:
    if file_format == "png":
        return bytes(imagecodecs.png_encode(pixels, level=1))
    return bytes(imagecodecs.jpeg8_encode(pixels, level=JPEG_QUALITY))
