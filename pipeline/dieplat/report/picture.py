"""Parts of a mosaic made ready to look at: 8-bit RGB of a chosen size."""

from __future__ import annotations

import base64
import io
import math
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image, PngImagePlugin

from dieplat.mosaicfile.read import Mosaic

Rgb = npt.NDArray[np.uint8]


def view(
    mosaic: Mosaic,
    *,
    longest_px: int,
    window: tuple[float, float, float, float] | None = None,
    enlarge: bool = False,
) -> tuple[Rgb, float]:
    """Read a window of the mosaic and fit its long side to `longest_px`.

    Parameters
    ----------
    mosaic : Mosaic
        An open mosaic; the smallest pyramid level that is still large enough is read.
    longest_px : int
        Long side of the result.
    window : (x0, y0, x1, y1), optional
        In mosaic pixels, clipped to the mosaic; the whole mosaic if None.
    enlarge : bool, optional
        Whether a small window is enlarged to `longest_px`; from four times on, as visible squares.

    Returns
    -------
    picture : ndarray (H, W, 3), uint8
    factor : float
        Result pixels per mosaic pixel.
    """
    x0, y0, x1, y1 = window or (0.0, 0.0, float(mosaic.width_px), float(mosaic.height_px))
    left, top = max(0, math.floor(x0)), max(0, math.floor(y0))
    right, bottom = min(mosaic.width_px, math.ceil(x1)), min(mosaic.height_px, math.ceil(y1))
    if right <= left or bottom <= top:
        raise ValueError(f"the window {window} lies outside the mosaic")
    wide, high = right - left, bottom - top
    factor = longest_px / max(wide, high)
    if not enlarge:
        factor = min(factor, 1.0)
    level = max(0, min(mosaic.levels - 1, math.floor(math.log2(1 / factor)) if factor < 1 else 0))
    shrink = 2**level
    part = mosaic.read(left // shrink, top // shrink, -(-right // shrink), -(-bottom // shrink), level=level)
    size = (max(1, round(wide * factor)), max(1, round(high * factor)))
    picture = as_rgb8(part)
    if picture.shape[1::-1] != size:
        way = cv2.INTER_AREA if factor < 1 else cv2.INTER_LINEAR if factor < 4 else cv2.INTER_NEAREST
        picture = cv2.resize(picture, size, interpolation=way)
    return np.ascontiguousarray(picture, dtype=np.uint8), factor


def as_rgb8(picture: npt.NDArray[Any]) -> Rgb:
    """Grey or RGB as 8-bit RGB; 16 bits are stretched to the picture's own range (0.1 to 99.9 %)."""
    if picture.dtype != np.uint8:
        low, high = np.percentile(picture[::4, ::4], (0.1, 99.9))
        span = max(float(high) - float(low), 1.0)
        picture = np.clip((picture.astype(np.float32) - float(low)) * (255.0 / span), 0, 255).astype(np.uint8)
    if picture.ndim == 2:
        picture = np.repeat(picture[..., None], 3, axis=2)
    return np.ascontiguousarray(picture, dtype=np.uint8)


def png_bytes(picture: Rgb) -> bytes:
    """PNG that says that dieplat made it."""
    info = PngImagePlugin.PngInfo()
    info.add_text("Software", "dieplat")
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, format="PNG", pnginfo=info, compress_level=6)
    return buffer.getvalue()


def jpeg_uri(picture: Rgb, *, quality: int = 84) -> str:
    """A data URI with the picture as JPEG, small enough to live inside a page."""
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, format="JPEG", quality=quality, optimize=True, progressive=True)
    return "data:image/jpeg;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")
