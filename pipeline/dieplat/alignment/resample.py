"""A mosaic drawn anew on the pixels of the one it is laid over, band by band."""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import Executor
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.alignment.fit import Alignment
from dieplat.mosaicfile.read import Mosaic
from dieplat.mosaicfile.write import write_mosaic
from dieplat.work import Progress

BAND_ROWS = 512
PIECE_PX = 2048
"""Columns worked on at once: bounded memory at any turn, and far below the library's limit of 32767."""
_REACH_PX = 6


def write_aligned(
    path: Path,
    reference: Mosaic,
    mosaic: Mosaic,
    alignment: Alignment,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> None:
    """Write `mosaic` in the frame, the size and at the scale of `reference`; black where it shows nothing.

    For looking and comparing: resampled once more with an eight-tap Lanczos filter whose places are rounded to
    1/32 px. Measure on the original.

    Raises
    ------
    MosaicError
        If the mosaic's data is damaged.
    """
    size = None
    if reference.um_per_px_x is not None and reference.um_per_px_y is not None:
        size = reference.um_per_px_x, reference.um_per_px_y
    write_mosaic(
        path,
        _bands(reference, mosaic, alignment.matrix),
        width_px=reference.width_px,
        height_px=reference.height_px,
        channels=mosaic.channels,
        dtype=mosaic.dtype,
        um_per_px=size,
        executor=executor,
        progress=progress,
    )


def _bands(reference: Mosaic, mosaic: Mosaic, matrix: npt.NDArray[np.float64]) -> Iterator[npt.NDArray[np.generic]]:
    for top in range(0, reference.height_px, BAND_ROWS):
        rows = min(BAND_ROWS, reference.height_px - top)
        shape = (rows, reference.width_px) if mosaic.channels == 1 else (rows, reference.width_px, mosaic.channels)
        band = np.zeros(shape, mosaic.dtype)
        for left in range(0, reference.width_px, PIECE_PX):
            wide = min(PIECE_PX, reference.width_px - left)
            _draw(band[:, left : left + wide], mosaic, matrix, left, top)
        yield band


def _draw(out: npt.NDArray[np.generic], mosaic: Mosaic, matrix: npt.NDArray[np.float64], left: int, top: int) -> None:
    rows, wide = out.shape[:2]
    corners = np.array([[left, left + wide, left + wide, left], [top, top, top + rows, top + rows], [1, 1, 1, 1]])
    x, y = matrix @ corners
    x0, y0 = max(0, math.floor(x.min()) - _REACH_PX), max(0, math.floor(y.min()) - _REACH_PX)
    x1, y1 = math.ceil(x.max()) + _REACH_PX, math.ceil(y.max()) + _REACH_PX
    part = mosaic.read(x0, y0, x1, y1)
    if part.size == 0:
        return
    # Pixel centres: index i is coordinate i + 0.5.
    shift = matrix @ np.array([left + 0.5, top + 0.5, 1.0]) - [x0 + 0.5, y0 + 0.5]
    sample = np.column_stack([matrix[:, :2], shift])
    drawn = cv2.warpAffine(part, sample, (wide, rows), flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)
    out[...] = drawn
