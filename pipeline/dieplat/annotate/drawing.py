"""The drawing on disk: read with a version, written whole, the one before kept, never over a newer one."""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dieplat.annotations import load_regions, parse_regions
from dieplat.annotations.units import MICROMETRES, MOSAIC_PX, in_units
from dieplat.errors import AnnotationError, DrawingConflictError
from dieplat.files import to_plain, write_bytes
from dieplat.values import Scale

EMPTY_VERSION = "none"
"""The version of a drawing that is not on disk yet."""


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A GeoJSON document and the version it was read at."""

    document: Mapping[str, Any]
    version: str


class DrawingFile:
    """One GeoJSON file that several pages may draw on. Safe to share between threads.

    A version is the digest of the file's bytes: whoever saves must have seen the latest, also if another
    program wrote it. The file of before is kept beside it (`previous_path`).
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()

    @property
    def previous_path(self) -> Path:
        """Where the drawing of before the last save is kept."""
        return self.path.with_name(f"{self.path.stem}.before{self.path.suffix}")

    def read(self) -> Drawing:
        """The drawing as it is now; an empty one where there is no file yet.

        Raises
        ------
        AnnotationError
            If the file is no GeoJSON that annotations can be.
        """
        with self._lock:
            return self._read()

    def _read(self) -> Drawing:
        if not self.path.exists():
            return Drawing({"type": "FeatureCollection", "coordinates_in": "mosaic_px", "features": []}, EMPTY_VERSION)
        data = self._bytes()
        regions = load_regions(self.path, um_per_px=1.0)  # says what is wrong with it, if anything
        return Drawing(regions.document, _version_of(data))

    def _bytes(self) -> bytes:
        try:
            return self.path.read_bytes()
        except OSError as error:
            raise AnnotationError(f"{self.path}: cannot be read ({error.strerror or error}); check it") from None

    def save(self, document: Mapping[str, Any], *, seen: str) -> str:
        """Write a changed drawing; returns its version.

        Parameters
        ----------
        document : mapping
            The whole FeatureCollection.
        seen : str
            The version that the change was made on.

        Raises
        ------
        DrawingConflictError
            If the file is no longer that version.
        AnnotationError
            If the document cannot be annotations; the file stays as it is.
        """
        parse_regions(to_plain(document), source="the drawing", um_per_px=1.0)
        text = json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
        data = text.encode("utf-8")
        with self._lock:
            before = self._bytes() if self.path.exists() else b""
            if (_version_of(before) if before else EMPTY_VERSION) != seen:
                raise DrawingConflictError(
                    f"{self.path}: was changed elsewhere since this page read it; load it again, then repeat the change"
                )
            if before == data:
                return seen
            if before:
                write_bytes(self.previous_path, before)
            write_bytes(self.path, data)
        return _version_of(data)


def in_pixels(document: Mapping[str, Any], scale: Scale | None, *, source: str) -> dict[str, Any]:
    """A drawing with its coordinates in mosaic pixels, whatever the file declares; `source` is what messages call it.

    Raises
    ------
    AnnotationError
        If the file is in micrometres and there is no scale.
    """
    if document.get("coordinates_in", MOSAIC_PX) == MICROMETRES and scale is None:
        raise AnnotationError(f"{source}: is in micrometres, and no scale is known; give --scale")
    per_px = (1.0, 1.0) if scale is None else (scale.um_per_px_x, scale.um_per_px_y)
    return in_units(document, MOSAIC_PX, per_px)


def _version_of(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
