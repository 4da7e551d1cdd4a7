"""What a photograph says of its own lens."""

from __future__ import annotations

from pathlib import Path

from PIL import Image, UnidentifiedImageError

_EXIF_IFD = 0x8769
_FOCAL_35MM = 0xA405
_USUAL_MM = (10.0, 600.0)


def stated_focal_mm(path: Path) -> float | None:
    """Focal length over a 24 x 36 mm picture as the camera wrote it (Exif 2.3, FocalLengthIn35mmFilm).

    None if it did not. It is a help, never needed: a picture that cannot be opened so gives None too.
    """
    try:
        with Image.open(path) as picture:
            value = float(picture.getexif().get_ifd(_EXIF_IFD).get(_FOCAL_35MM, 0))
    except (OSError, UnidentifiedImageError, Image.DecompressionBombError, TypeError, ValueError, KeyError):
        return None
    return value if _USUAL_MM[0] <= value <= _USUAL_MM[1] else None
