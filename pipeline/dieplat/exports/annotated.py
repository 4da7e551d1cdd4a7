"""The annotated picture at any size: blocks, names, scale bar and legend burnt in."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path

import numpy as np

from dieplat.annotate.picture import ShownPicture
from dieplat.annotate.view_out import whole_in_bands
from dieplat.errors import SettingsError
from dieplat.files import write_bytes
from dieplat.mosaicfile.read import Mosaic
from dieplat.mosaicfile.write import write_mosaic
from dieplat.report.picture import png_bytes
from dieplat.values import Region, Scale
from dieplat.work import Progress

MOST_PNG_PX = 120_000_000
"""A PNG file is made in memory; what is larger is written as a TIFF file, band by band."""


def write_annotated(
    mosaic: Mosaic,
    regions: Sequence[Region],
    path: Path,
    *,
    width_px: int,
    scale: Scale | None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> None:
    """Draw the blocks over the whole mosaic and write it, as PNG or as a pyramidal TIFF by the name's ending.

    Raises
    ------
    SettingsError
        If the width is not between 200 px and four times the mosaic's, the ending is unknown, or the size is too
        large for a PNG.
    """
    if not 200 <= width_px <= 4 * mosaic.width_px:
        raise SettingsError(f"width of {width_px} px: give 200 to {4 * mosaic.width_px}")
    height_px, bands = whole_in_bands(ShownPicture(mosaic, path.name), regions, width_px=width_px, scale=scale)
    if path.suffix.lower() in (".tif", ".tiff"):
        per_px = None
        if scale is not None:
            factor = width_px / mosaic.width_px
            per_px = scale.um_per_px_x / factor, scale.um_per_px_y / factor
        write_mosaic(
            path,
            bands,
            width_px=width_px,
            height_px=height_px,
            channels=3,
            dtype="uint8",
            um_per_px=per_px,
            executor=executor,
            progress=progress,
        )
        return
    if path.suffix.lower() != ".png":
        raise SettingsError(f"{path}: the annotated picture is written as .png, .tif or .tiff; choose one")
    if width_px * height_px > MOST_PNG_PX:
        size = f"{width_px} x {height_px} px"
        raise SettingsError(f"{path}: {size} is too large for a PNG; name it .tif, or make it smaller")
    write_bytes(path, png_bytes(np.concatenate(list(bands))))
