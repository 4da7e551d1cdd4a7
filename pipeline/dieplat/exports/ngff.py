"""The mosaic as OME-Zarr (OME-NGFF 0.5 over Zarr 3): a folder of chunks that many readers and object stores know.

Specification: https://ngff.openmicroscopy.org/0.5/, multiscales and axes.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import zarr
from zarr.codecs import ZstdCodec

from dieplat import __version__
from dieplat.errors import OutputExistsError
from dieplat.files import atomic_folder
from dieplat.mosaicfile.read import Mosaic
from dieplat.mosaicfile.write import TILE_PX
from dieplat.values import Scale
from dieplat.work import Progress, map_in_order

VERSION = "0.5"
Box = tuple[int, int, int]
"""Level, first row, first column of a chunk."""
Pixels = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Pyramid:
    """What is said of a mosaic in chunks: a name, its kind, the sizes (width, height) of its levels from the full one
    on, and micrometres a pixel along x and y, None if not known."""

    name: str
    channels: int
    dtype: str
    level_sizes: tuple[tuple[int, int], ...]
    um_per_px: tuple[float, float] | None


def check_ngff(folder: Path, *, replace: bool = False) -> None:
    """Refuse to write over what `write_ngff` did not make, unless `replace`.

    Raises
    ------
    OutputExistsError
        If something else lies there.
    """
    if not folder.exists() or replace:
        return
    description = folder / "zarr.json"
    if not (description.is_file() and "dieplat" in description.read_text(encoding="utf-8", errors="replace")):
        raise OutputExistsError(
            f"{folder}: exists and was not written by dieplat; choose another name or add --replace"
        )


def write_ngff(
    mosaic: Mosaic,
    folder: Path,
    scale: Scale | None,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> None:
    """Write every level of the mosaic's pyramid, chunk by chunk; the folder appears under its name when it is whole.

    Parameters
    ----------
    mosaic : Mosaic
        Open.
    folder : Path
        By custom its name ends in ``.ome.zarr``. Whether it may be replaced is the caller's question.
    scale : Scale, optional
        Micrometres a pixel; without it the axes have no unit.
    executor : Executor, optional
        Threads that read and encode chunks; memory holds a few of them.
    progress : callable, optional
        Called with chunks done and their total.
    """
    um_per_px = None if scale is None else (scale.um_per_px_x, scale.um_per_px_y)
    pyramid = Pyramid(mosaic.path.name, mosaic.channels, mosaic.dtype, tuple(mosaic.level_sizes), um_per_px)
    with atomic_folder(folder) as temporary:
        arrays = create_ngff(temporary, pyramid)
        boxes = list(_boxes(mosaic))
        write = partial(_write, mosaic, arrays)
        for _ in map_in_order(write, boxes, executor=executor, total=len(boxes), progress=progress):
            pass


def create_ngff(folder: Path, pyramid: Pyramid) -> list[zarr.Array[Any]]:
    """Make the folder with its description and the levels without pixels."""
    root = zarr.open_group(folder, mode="w", zarr_format=3)
    arrays = [_array(root, pyramid, level) for level in range(len(pyramid.level_sizes))]
    root.attrs.update({"ome": _description(pyramid)})
    return arrays


def open_level(folder: Path, level: int) -> zarr.Array[Any]:
    """A level of a mosaic in chunks, to be read and written."""
    array: zarr.Array[Any] = zarr.open_array(folder / str(level), mode="r+", zarr_format=3)
    return array


def put_pixels(array: zarr.Array[Any], top: int, left: int, pixels: Pixels) -> None:
    """Write pixels (h, w) or (h, w, 3) to where their corner lies.

    Where rectangles begin and end on multiples of `TILE_PX` or at the mosaic's end, no two of them share a chunk and
    any number can be written at the same time.
    """
    rows, columns = slice(top, top + pixels.shape[0]), slice(left, left + pixels.shape[1])
    if pixels.ndim == 2:
        array[rows, columns] = pixels
    else:
        array[:, rows, columns] = np.moveaxis(pixels, -1, 0)


def get_pixels(array: zarr.Array[Any], top: int, left: int, side_px: int) -> Pixels:
    """The pixels (h, w) or (h, w, 3) of a square; fewer where it reaches beyond the mosaic."""
    part: Pixels = np.asarray(array[..., top : top + side_px, left : left + side_px])
    return part if part.ndim == 2 else np.ascontiguousarray(np.moveaxis(part, 0, -1))


def _array(root: zarr.Group, pyramid: Pyramid, level: int) -> zarr.Array[Any]:
    width, height = pyramid.level_sizes[level]
    colours = () if pyramid.channels == 1 else (pyramid.channels,)
    return root.create_array(
        str(level),
        shape=(*colours, height, width),
        # One colour of one tile: the order that the specification asks for is colour first.
        chunks=(*(1 for _ in colours), min(TILE_PX, height), min(TILE_PX, width)),
        dtype=pyramid.dtype,
        compressors=ZstdCodec(level=1),
        dimension_names=[*("c" for _ in colours), "y", "x"],
    )


def _boxes(mosaic: Mosaic) -> Iterator[Box]:
    for level, (width, height) in enumerate(mosaic.level_sizes):
        for top in range(0, height, TILE_PX):
            for left in range(0, width, TILE_PX):
                yield level, top, left


def _write(mosaic: Mosaic, arrays: list[zarr.Array[Any]], box: Box) -> None:
    level, top, left = box
    put_pixels(arrays[level], top, left, mosaic.read(left, top, left + TILE_PX, top + TILE_PX, level))


def _description(pyramid: Pyramid) -> dict[str, Any]:
    known = pyramid.um_per_px
    space = {"type": "space"} if known is None else {"type": "space", "unit": "micrometer"}
    axes = [{"name": "y", **space}, {"name": "x", **space}]
    per_px = [1.0, 1.0] if known is None else [known[1], known[0]]
    colours: list[float] = []
    if pyramid.channels > 1:
        axes.insert(0, {"name": "c", "type": "channel"})
        colours = [1.0]
    datasets = []
    for level in range(len(pyramid.level_sizes)):
        # A level halves with rounding up: what a pixel of it covers is a power of two all the same.
        steps = [value * 2**level for value in per_px]
        shift = [0.5 * (step - value) for step, value in zip(steps, per_px, strict=True)]
        datasets.append(
            {
                "path": str(level),
                "coordinateTransformations": [
                    {"type": "scale", "scale": [*colours, *steps]},
                    # Places are those of pixel middles, and the middle of a larger pixel lies farther in.
                    {"type": "translation", "translation": [*(0.0 for _ in colours), *shift]},
                ],
            }
        )
    multiscale = {"name": pyramid.name, "axes": axes, "datasets": datasets, "type": "mean of 2 x 2"}
    return {"version": VERSION, "multiscales": [multiscale], "_creator": {"name": "dieplat", "version": __version__}}
