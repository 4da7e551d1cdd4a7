"""Regions of a mosaic file, reading no more of it than they need."""

from __future__ import annotations

import math
import threading
from pathlib import Path
from types import TracebackType
from typing import Any
from xml.etree import ElementTree

import numpy as np
import numpy.typing as npt
import tifffile

from dieplat.errors import MosaicError, PictureError
from dieplat.files import check_plain
from dieplat.tiles.read import read_picture
from dieplat.values.bounds import PICTURE_PX, is_within

Pixels = npt.NDArray[Any]

_UM_PER_UNIT = {"nm": 1e-3, "µm": 1.0, "μm": 1.0, "um": 1.0, "mm": 1e3, "cm": 1e4, "m": 1e6}
_PHOTOMETRIC_CHANNELS = {1: 1, 2: 3, 6: 3}
LARGEST_SEGMENT_BYTES = 2**32
"""A strip or tile is decoded as a whole."""
BAND_PX = 4_000_000


class Mosaic:
    """An open mosaic; close it, or use it as a context manager. Reading from several threads is safe.

    Attributes
    ----------
    path : Path
    width_px, height_px, channels : int
    dtype : str
        "uint8" or "uint16".
    um_per_px_x, um_per_px_y : float or None
        The file's own physical pixel size (OME-XML), None when it has none.
    levels : int
        Levels of the pyramid, the full picture included.
    level_sizes : tuple of (width_px, height_px)
        Their sizes, the full picture first.
    """

    def __init__(self, path: Path, sources: list[_Source], um_per_px: tuple[float, float] | None) -> None:
        self.path = path
        self._sources = sources
        self.level_sizes = tuple((source.width, source.height) for source in sources)
        self.levels = len(sources)
        self.width_px, self.height_px = self.level_sizes[0]
        self.channels = sources[0].channels
        self.dtype = str(sources[0].dtype)
        self.um_per_px_x: float | None = None
        self.um_per_px_y: float | None = None
        if um_per_px is not None:
            self.um_per_px_x, self.um_per_px_y = um_per_px

    def __enter__(self) -> Mosaic:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; reading afterwards is an error."""
        for source in self._sources:
            source.close()

    def read(self, x0: int, y0: int, x1: int, y1: int, level: int = 0) -> Pixels:
        """Read columns x0..x1 and rows y0..y1 (ends excluded), clipped to the picture.

        Parameters
        ----------
        x0, y0, x1, y1 : int
            Bounds in pixels of `level`.
        level : int, optional
            Level of the pyramid, 0 for the full picture.

        Returns
        -------
        ndarray of shape (h, w) or (h, w, 3)
            A copy; h or w is 0 where the bounds miss the picture.

        Raises
        ------
        MosaicError
            If there is no such level or the data is damaged.
        """
        if not 0 <= level < self.levels:
            raise MosaicError(f"{self.path}: there is no level {level}; it has {self.levels}, counted from 0")
        width, height = self.level_sizes[level]
        x0, x1 = (min(max(int(value), 0), width) for value in (x0, x1))
        y0, y1 = (min(max(int(value), 0), height) for value in (y0, y1))
        return self._sources[level].read(x0, y0, max(x0, x1), max(y0, y1))


def open_mosaic(path: Path) -> Mosaic:
    """Open a mosaic: our own OME-TIFF, any tiled or striped 8- or 16-bit grey or RGB TIFF, or a PNG or JPEG.

    PNG and JPEG are loaded whole, up to the limit of `tiles.read.MAX_PIXELS`.

    Raises
    ------
    MosaicError
        If the file is missing, damaged, cut short, or of a kind that is not handled.
    """
    try:
        check_plain(path)
        with path.open("rb") as handle:
            head = handle.read(4)
    except OSError as error:
        raise MosaicError(f"{path}: cannot be read ({error.strerror or error}); check the name") from None
    if head not in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        try:
            return Mosaic(path, [_Whole(read_picture(path))], None)
        except PictureError as error:
            raise MosaicError(str(error)) from None
    tiff = None
    try:
        tiff = tifffile.TiffFile(path)
        pages = _pyramid(tiff)
        _check(path, tiff, pages)
        lock = threading.Lock()
        return Mosaic(path, [_Segments(path, tiff, page, lock) for page in pages], _physical_size(path, tiff))
    except Exception as error:
        if tiff is not None:
            tiff.close()
        if isinstance(error, (MosaicError, MemoryError)):
            raise
        # A broken directory shows as struct, index, key or library errors.
        what = " ".join(str(error).split())[:100]
        raise MosaicError(f"{path}: the TIFF structure is damaged ({what}); make the mosaic again") from None


def _pyramid(tiff: Any) -> list[Any]:
    """The first picture and its reduced copies, from SubIFDs or, in older files, from later pages."""
    base = tiff.pages[0]
    reduced = list(base.pages) if base.subifds else [page for page in tiff.pages[1:] if page.is_reduced]
    levels = [base]
    for page in sorted(reduced, key=lambda page: -page.imagewidth):
        last = levels[-1]
        ratio = base.imagewidth / page.imagewidth
        same_kind = (page.dtype, page.samplesperpixel, page.photometric) == (
            base.dtype,
            base.samplesperpixel,
            base.photometric,
        )
        # A thumbnail of another crop or kind is not a level; a level's height is right within its rounding.
        same_crop = page.imagelength > 0 and abs(base.imagelength / ratio - page.imagelength) <= 2
        if same_kind and same_crop and page.imagewidth < last.imagewidth:
            levels.append(page)
    return levels


def _check(path: Path, tiff: Any, pages: list[Any]) -> None:
    base = pages[0]
    kind = f"{getattr(base.photometric, 'name', base.photometric)}, {base.bitspersample}-bit, {base.dtype}"
    if (
        int(base.photometric) not in _PHOTOMETRIC_CHANNELS
        or base.dtype not in (np.uint8, np.uint16)
        or base.bitspersample not in (8, 16)
        or base.samplesperpixel < _PHOTOMETRIC_CHANNELS[int(base.photometric)]
        or base.imagedepth != 1
    ):
        what = f"this kind of TIFF ({kind}) is not handled"
        raise MosaicError(f"{path}: {what}; save it as 8- or 16-bit grey or RGB")
    for page in pages:
        size = (page.imagewidth, page.imagelength)
        segment_bytes = math.prod(page.chunks) * page.dtype.itemsize
        if not all(is_within(side, PICTURE_PX) for side in size) or segment_bytes > LARGEST_SEGMENT_BYTES:
            said = f"it says to be {size[0]} x {size[1]} px, in pieces of {segment_bytes / 1e6:.3g} MB"
            raise MosaicError(f"{path}: {said}; it is damaged, or must be saved in tiles")
        # Pieces of nothing but black may be left out; a whole one has its size.
        whole = min(segment_bytes, math.prod(page.shape) * page.dtype.itemsize)
        if page.compression == 1 and 0 < max(page.databytecounts, default=0) < whole:
            raise MosaicError(f"{path}: holds less than {size[0]} x {size[1]} px; copy it again or make it again")
        ends = [a + b for a, b in zip(page.dataoffsets, page.databytecounts, strict=True)]
        if not ends or max(ends) > tiff.filehandle.size:
            raise MosaicError(f"{path}: the file is cut short; copy it again or make the mosaic again")


def _physical_size(path: Path, tiff: Any) -> tuple[float, float] | None:
    """PhysicalSizeX and Y in micrometres. TIFF resolution is not used: it often says 72 dpi."""
    text = tiff.ome_metadata
    if not text:
        return None
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError:
        raise MosaicError(f"{path}: its OME-XML is damaged; make the mosaic again") from None
    pixels = next((node for node in root.iter() if node.tag.rpartition("}")[2] == "Pixels"), None)
    if pixels is None or "PhysicalSizeX" not in pixels.attrib or "PhysicalSizeY" not in pixels.attrib:
        return None
    sizes = []
    for axis in "XY":
        # The schema's default unit is the micrometre.
        unit = _UM_PER_UNIT.get(pixels.get(f"PhysicalSize{axis}Unit", "µm"))
        if unit is None:
            return None
        try:
            size = float(pixels.attrib[f"PhysicalSize{axis}"]) * unit
        except ValueError:
            size = math.nan
        if not (math.isfinite(size) and size > 0):
            raise MosaicError(f"{path}: its OME-XML gives no usable PhysicalSize{axis}; make the mosaic again")
        sizes.append(size)
    return sizes[0], sizes[1]


class _Source:
    """One level: its size and a way to read from it."""

    width: int
    height: int
    channels: int
    dtype: npt.DTypeLike

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError


class _Whole(_Source):
    def __init__(self, picture: Pixels) -> None:
        self._picture: Pixels | None = picture
        self.height, self.width = picture.shape[:2]
        self.channels = 1 if picture.ndim == 2 else 3
        self.dtype = picture.dtype

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        if self._picture is None:
            raise MosaicError("the mosaic is closed")
        return self._picture[y0:y1, x0:x1].copy()

    def close(self) -> None:
        self._picture = None


class _Segments(_Source):
    """A TIFF page, read by its tiles or strips."""

    def __init__(self, path: Path, tiff: Any, page: Any, lock: threading.Lock) -> None:
        self._path = path
        self._tiff = tiff
        self._page = page
        self._lock = lock
        self.height, self.width = page.imagelength, page.imagewidth
        self.channels = _PHOTOMETRIC_CHANNELS[int(page.photometric)]
        self.dtype = np.dtype(page.dtype)
        if page.is_tiled:
            self._rows, self._columns = page.tilelength, page.tilewidth
        else:
            self._rows, self._columns = min(page.rowsperstrip, self.height), self.width
        self._across = -(-self.width // self._columns)
        self._down = -(-self.height // self._rows)
        # Separate planes are stored one after the other, each with all its segments (TIFF 6.0, tag 284).
        self._planes = self.channels if int(page.planarconfig) == 2 else 1

    def close(self) -> None:
        self._tiff.close()

    def read(self, x0: int, y0: int, x1: int, y1: int) -> Pixels:
        out = np.zeros((y1 - y0, x1 - x0, self.channels), self.dtype)
        if out.size:
            for plane in range(self._planes):
                for row in range(y0 // self._rows, (y1 - 1) // self._rows + 1):
                    for column in range(x0 // self._columns, (x1 - 1) // self._columns + 1):
                        self._copy(out, x0, y0, plane, row, column)
        return out[..., 0] if self.channels == 1 else out

    def _copy(self, out: Pixels, x0: int, y0: int, plane: int, row: int, column: int) -> None:
        segment = self._decode((plane * self._down + row) * self._across + column)
        if segment is None:
            return
        top, left = row * self._rows, column * self._columns
        a0, b0 = max(top, y0), max(left, x0)
        a1 = min(top + segment.shape[0], y0 + out.shape[0])
        b1 = min(left + segment.shape[1], x0 + out.shape[1])
        part = segment[a0 - top : a1 - top, b0 - left : b1 - left]
        if self._planes == 1:
            out[a0 - y0 : a1 - y0, b0 - x0 : b1 - x0] = part[..., : self.channels]
        else:
            out[a0 - y0 : a1 - y0, b0 - x0 : b1 - x0, plane] = part[..., 0]

    def _decode(self, index: int) -> Pixels | None:
        if index >= min(len(self._page.dataoffsets), len(self._page.databytecounts)):
            raise MosaicError(f"{self._path}: its data is damaged (tiles are missing); make the mosaic again")
        offset, count = self._page.dataoffsets[index], self._page.databytecounts[index]
        if count == 0:
            return None  # a sparse file leaves out what is black
        handle = self._tiff.filehandle
        if handle.closed:
            raise MosaicError(f"{self._path}: the mosaic is closed")
        with self._lock:
            handle.seek(offset)
            data = handle.read(count)
        try:
            segment, _, shape = self._page.decode(data, index, jpegtables=self._page.jpegtables)
        except MemoryError:
            raise
        except Exception as error:  # the codecs raise errors of many unrelated classes
            what = " ".join(str(error).split())[:100]
            raise MosaicError(f"{self._path}: its data is damaged ({what}); make the mosaic again") from None
        return None if segment is None else np.asarray(segment[0][: shape[1], : shape[2]])


def read_shrunk(mosaic: Any, level: int, size: tuple[int, int], shrink: int) -> npt.NDArray[np.float32]:
    """Means (h, w, channels) of squares of `shrink` pixels of a level of this size (width, height).

    What does not fill a square at the right and lower edges is left out. Memory is that of the result and of some
    `BAND_PX` pixels, however large the level is.
    """
    width, height = size[0] - size[0] % shrink, size[1] - size[1] % shrink
    bands = []
    rows = shrink * max(1, BAND_PX // (max(size[0], 1) * shrink))
    for top in range(0, height, rows):
        band = mosaic.read(0, top, width, min(top + rows, height), level).astype(np.float32)
        band = band[..., None] if band.ndim == 2 else band
        h, w, channels = band.shape
        bands.append(band.reshape(h // shrink, shrink, w // shrink, shrink, channels).mean(axis=(1, 3)))
    return np.concatenate(bands)
