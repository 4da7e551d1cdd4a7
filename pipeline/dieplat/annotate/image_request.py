"""Requests of the IIIF Image API 3.0, read: which part of a picture, at which size, turned how, in which format.

The API is an open standard (IIIF Image API 3.0, sections 4.1 to 4.5), so that viewers other than our page can show
a mosaic too.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

from dieplat.errors import ImageRequestError

MAX_SIDE_PX = 4096
"""Longest side of a picture that is sent; said in info.json."""

FORMATS = {"jpg": "image/jpeg", "png": "image/png"}
QUALITIES = ("default", "color", "gray")
_ROTATIONS = {"0": 0, "90": 1, "180": 2, "270": 3}
_WHOLE = re.compile(r"\d{1,9}", re.ASCII)
_DECIMAL = re.compile(r"\d{1,9}(\.\d{1,12})?|\.\d{1,12}", re.ASCII)


@dataclass(frozen=True, slots=True)
class ImageRequest:
    """Columns x0 to x1 and rows y0 to y1 of the picture, ends excluded, sent as width_px x height_px pixels.

    `quarter_turns` (clockwise) follow the scaling, as the API says; the size is that before turning.
    """

    x0: int
    y0: int
    x1: int
    y1: int
    width_px: int
    height_px: int
    quarter_turns: int
    grey: bool
    format: str


def parse_request(
    region: str, size: str, rotation: str, quality: str, file_format: str, *, width_px: int, height_px: int
) -> ImageRequest:
    """Read the five path segments of a request for a picture of the given size.

    Raises
    ------
    ImageRequestError
        If a segment is none that the API knows, or asks for more than is sent.
    """
    if rotation not in _ROTATIONS:
        raise ImageRequestError(f"rotation {rotation[:20]!r}: give 0, 90, 180 or 270")
    if quality not in QUALITIES:
        raise ImageRequestError(f"quality {quality[:20]!r}: give {', '.join(QUALITIES)}")
    if file_format not in FORMATS:
        raise ImageRequestError(f"format {file_format[:20]!r}: give {' or '.join(FORMATS)}")
    x0, y0, x1, y1 = _region(region, width_px, height_px)
    wide, high = _size(size, x1 - x0, y1 - y0)
    return ImageRequest(x0, y0, x1, y1, wide, high, _ROTATIONS[rotation], quality == "gray", file_format)


def _region(text: str, width: int, height: int) -> tuple[int, int, int, int]:
    if text == "full":
        return 0, 0, width, height
    if text == "square":
        side = min(width, height)
        x, y = (width - side) // 2, (height - side) // 2
        return x, y, x + side, y + side
    if text.startswith("pct:"):
        parts = [_decimal(part, text) for part in text[4:].split(",")]
        if len(parts) != 4:
            raise ImageRequestError(f"region {text[:40]!r}: give pct:x,y,w,h")
        x, y = (int(part * side / 100) for part, side in zip(parts[:2], (width, height), strict=True))
        w, h = (round(part * side / 100) for part, side in zip(parts[2:], (width, height), strict=True))
    else:
        pieces = text.split(",")
        if len(pieces) != 4 or not all(_WHOLE.fullmatch(piece) for piece in pieces):
            raise ImageRequestError(f"region {text[:40]!r}: give full, square, x,y,w,h or pct:x,y,w,h")
        x, y, w, h = map(int, pieces)
    x1, y1 = min(x + w, width), min(y + h, height)
    if x >= x1 or y >= y1:
        raise ImageRequestError(f"region {text[:40]!r}: holds no pixel of the picture of {width} x {height}")
    return x, y, x1, y1


def _size(text: str, wide: int, high: int) -> tuple[int, int]:
    upscale = text.startswith("^")
    plain = text[1:] if upscale else text
    width, height = _wanted(plain, wide, high, text, upscale)
    if width < 1 or height < 1:
        raise ImageRequestError(f"size {text[:40]!r}: comes to no pixel")
    if not upscale and (width > wide or height > high):
        raise ImageRequestError(f"size {text[:40]!r}: larger than the region of {wide} x {high}; begin it with ^")
    if max(width, height) > MAX_SIDE_PX:
        raise ImageRequestError(f"size {text[:40]!r}: more than {MAX_SIDE_PX} px on a side is not sent")
    return width, height


def _wanted(plain: str, wide: int, high: int, text: str, upscale: bool) -> tuple[int, int]:
    if plain == "max":
        most = Fraction(MAX_SIDE_PX, max(wide, high))
        share = most if upscale else min(Fraction(1), most)
        return _scaled(wide, high, share)
    if plain.startswith("pct:"):
        return _scaled(wide, high, _decimal(plain[4:], text) / 100)
    within = plain.startswith("!")
    pieces = plain.removeprefix("!").split(",")
    if len(pieces) != 2 or not all(piece == "" or _WHOLE.fullmatch(piece) for piece in pieces) or pieces == ["", ""]:
        raise ImageRequestError(f"size {text[:40]!r}: give max, w, ,h, w,h, !w,h or pct:n")
    if "" in pieces:
        if within:
            raise ImageRequestError(f"size {text[:40]!r}: !w,h needs both")
        if pieces[1] == "":
            width = int(pieces[0])
            return width, max(1, round(Fraction(width * high, wide)))
        height = int(pieces[1])
        return max(1, round(Fraction(height * wide, high))), height
    width, height = int(pieces[0]), int(pieces[1])
    if not within:
        return width, height
    share = min(Fraction(width, wide), Fraction(height, high))
    return _scaled(wide, high, share if upscale else min(share, Fraction(1)))


def _scaled(wide: int, high: int, share: Fraction) -> tuple[int, int]:
    if share <= 0:
        return 0, 0
    return max(1, round(wide * share)), max(1, round(high * share))


def _decimal(piece: str, text: str) -> Fraction:
    if not _DECIMAL.fullmatch(piece):
        raise ImageRequestError(f"{text[:40]!r}: {piece[:20]!r} is no number")
    return Fraction(piece)


def information(address: str, level_sizes: tuple[tuple[int, int], ...], tile_px: int) -> dict[str, object]:
    """The info.json document of a picture: its sizes, its tiles, and what may be asked for (section 5)."""
    width, height = level_sizes[0]
    factors = [2**level for level in range(max(1, math.ceil(math.log2(max(width, height) / tile_px)) + 1))]
    return {
        "@context": "http://iiif.io/api/image/3/context.json",
        "id": address,
        "type": "ImageService3",
        "protocol": "http://iiif.io/api/image",
        "profile": "level2",
        "width": width,
        "height": height,
        "maxWidth": MAX_SIDE_PX,
        "maxHeight": MAX_SIDE_PX,
        "tiles": [{"width": tile_px, "height": tile_px, "scaleFactors": factors}],
        "sizes": [{"width": w, "height": h} for w, h in reversed(level_sizes) if max(w, h) <= MAX_SIDE_PX],
        "extraFormats": ["png"],
        "extraQualities": ["color", "gray"],
        "extraFeatures": ["regionSquare", "sizeUpscaling"],
    }
