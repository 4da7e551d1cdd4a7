"""The least that a stitch by OpenCV's own calls could do, as something to hold a stitch's time against.

Every tile is decoded once and kept in memory, neighbours are correlated once each at full size with the overlap known
beforehand, places come from one plain least squares, tiles are moved by OpenCV's bicubic warp and pasted one over the
other into the same writer. There is no search over the stage's scatter, no rival place, no lens, no shading, no
exposure, no seam and no uncertainty, and memory holds all tiles.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.mosaicfile.write import Codec, write_mosaic
from dieplat.registration.stage import grid_pairs
from dieplat.tiles.discover import discover_tiles
from dieplat.tiles.read import read_picture
from dieplat.work import map_in_order
from tile_sets import OVERLAP

BAND_ROWS = 512

Pixels = npt.NDArray[Any]
Floats = npt.NDArray[np.float64]


def plain(tiles: Path, work: Path, threads: int, codec: Codec) -> Callable[[], dict[str, Any]]:
    """Stitch a folder whose names tell the grid and whose overlap is that of `tile_sets`."""

    def run() -> dict[str, Any]:
        with ThreadPoolExecutor(threads) as executor:
            tile_set = discover_tiles(tiles)
            pictures = list(executor.map(read_picture, [tile.path for tile in tile_set.tiles]))
            greys = list(executor.map(lambda picture: cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), pictures))
            pairs = grid_pairs([(tile.row, tile.column) for tile in tile_set.tiles])
            places = _solved(
                len(pictures), pairs, list(executor.map(lambda p: _offset(greys[p[0]], greys[p[1]]), pairs))
            )
            height, width = pictures[0].shape[:2]
            size = [math.floor(corner) + side for corner, side in zip(places.max(axis=0), (width, height), strict=True)]
            write_mosaic(
                work / "plain.ome.tif",
                _bands(pictures, places, (size[0], size[1]), executor),
                width_px=size[0],
                height_px=size[1],
                channels=3,
                dtype="uint8",
                codec=codec,
                executor=executor,
            )
        return {"what": f"{len(pictures)} tiles, {size[0]} x {size[1]} px"}

    return run


def _offset(a: Pixels, b: Pixels) -> tuple[float, float]:
    """Offset (x, y) of a neighbour to the right of a, or below it, whichever overlap correlates better."""
    best = (-1.0, (0.0, 0.0))
    for across, down in ((round((1 - OVERLAP) * a.shape[1]), 0), (0, round((1 - OVERLAP) * a.shape[0]))):
        ours, theirs = a[down:, across:], b[: len(a) - down, : a.shape[1] - across]
        (x, y), response = cv2.phaseCorrelate(theirs.astype(np.float32), ours.astype(np.float32))
        best = max(best, (response, (x + across, y + down)))
    return best[1]


def _solved(count: int, pairs: list[tuple[int, int]], offsets: list[tuple[float, float]]) -> Floats:
    """Corners (count, 2) of the tiles, the smallest of each axis at 0."""
    system, target = np.zeros((len(pairs), count)), np.array(offsets)
    for row, (a, b) in enumerate(pairs):
        system[row, a], system[row, b] = -1.0, 1.0
    normal = system.T @ system
    normal[0, 0] += 1.0
    places: Floats = np.linalg.solve(normal, system.T @ target)
    return places - places.min(axis=0)


def _bands(pictures: list[Pixels], places: Floats, size: tuple[int, int], executor: Executor) -> Iterator[Pixels]:
    high, wide = pictures[0].shape[:2]

    def moved(number: int) -> Pixels:
        x, y = places[number] - np.floor(places[number])
        turn = np.array([[1.0, 0.0, x], [0.0, 1.0, y]])
        return cv2.warpAffine(
            pictures[number], turn, (wide, high), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )

    rows = BAND_ROWS * -(-(high + BAND_ROWS) // BAND_ROWS)
    canvas, top = np.zeros((rows, size[0], 3), np.uint8), 0
    order = sorted(range(len(pictures)), key=lambda number: places[number, 1])
    for number, picture in zip(order, map_in_order(moved, order, executor=executor, in_flight=4), strict=True):
        left, first = (math.floor(side) for side in places[number])
        while top + BAND_ROWS <= first:
            yield canvas[top % rows :][:BAND_ROWS]
            top += BAND_ROWS
        begin = first % rows
        count = min(high, rows - begin)
        canvas[begin : begin + count, left : left + wide] = picture[:count]
        canvas[: high - count, left : left + wide] = picture[count:]
    while top < size[1]:
        count = min(BAND_ROWS, size[1] - top)
        yield canvas[top % rows :][:count]
        top += count
