"""Tiles cut from a picture that is known everywhere, at exact sub-pixel places."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import cv2
import numpy as np
import tifffile
from scipy.ndimage import map_coordinates, spline_filter

from dieplat.values import Correction, Layout, Lens, PlacedTile, Tile, TileSet

Truth = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Grey or RGB values at mosaic coordinates x, y (arrays of equal shape)."""


def waves(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """RGB waves of 6 px and longer, known exactly at every point; never black, and 8 bits wide."""
    grey = 127 + 50 * np.sin(1.0 * x + 0.1 * y) + 40 * np.cos(0.9 * y - 0.2 * x + 1e-5 * x * y)
    return np.stack([grey, 20 + 0.8 * grey, 255 - grey], axis=-1)


def sampled(picture: np.ndarray, *, zoom: float = 1.0) -> Truth:
    """A photograph as a function: a spline of degree 5 through a slightly blurred copy, enlarged by `zoom`.

    Smooth enough (four derivatives) to be as good as band-limited at the tiles' pixels.
    """
    smooth = cv2.GaussianBlur(picture.astype(np.float32), (0, 0), 1.0)
    planes = [spline_filter(plane, order=5, mode="reflect") for plane in np.atleast_3d(smooth).transpose(2, 0, 1)]

    def truth(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        # A coordinate of 0.5 is the centre of sample 0.
        at = [y / zoom - 0.5, x / zoom - 0.5]
        values = [map_coordinates(plane, at, order=5, mode="reflect", prefilter=False) for plane in planes]
        return values[0] if picture.ndim == 2 else np.stack(values, axis=-1)

    return truth


def grid_places(
    rows: int,
    columns: int,
    *,
    step: tuple[float, float],
    jitter_px: float,
    slant_px: float = 0.0,
    seed: int = 1,
) -> list[tuple[float, float]]:
    """Corners of a grid with a rough stage, the smallest at 0; `slant_px` is how far a row sinks a column."""
    rng = np.random.default_rng(seed)
    places = np.array(
        [(c * step[0] - slant_px * r, r * step[1] + slant_px * c) for r in range(rows) for c in range(columns)]
    )
    places = places + rng.uniform(-jitter_px, jitter_px, places.shape)
    places -= places.min(axis=0)
    return [(float(x), float(y)) for x, y in places]


def cut_tiles(
    folder: Path,
    truth: Truth,
    places: Sequence[tuple[float, float]],
    *,
    size: tuple[int, int],
    dtype: str = "uint8",
    gains: np.ndarray | None = None,
    shade: np.ndarray | None = None,
    lens: Lens | None = None,
    noise: float = 0.0,
) -> tuple[TileSet, Layout]:
    """Photograph `truth` at `places` with tiles of `size` (height, width), and write them to `folder`.

    A tile pixel is truth * shade / gain, so that pixel * gain / shade is the truth again.
    """
    height, width = size
    rng = np.random.default_rng(7)
    tiles, placed = [], []
    for number, (x0, y0) in enumerate(places):
        u, v = np.meshgrid(np.arange(width) + 0.5 - width / 2, np.arange(height) + 0.5 - height / 2)
        if lens is not None:
            scale = _undistort(np.hypot(u, v) / lens.norm_px, lens)
            u, v = u * scale, v * scale
        picture = truth(x0 + width / 2 + u, y0 + height / 2 + v)
        channels = 1 if picture.ndim == 2 else picture.shape[2]
        if shade is not None:
            picture = picture * shade.reshape(height, width, *([1] * (picture.ndim - 2)))
        if gains is not None:
            picture = picture / gains[number]
        picture = picture + noise * rng.standard_normal(picture.shape)
        path = folder / f"t{number:02d}.tif"
        limit = np.iinfo(dtype).max
        tifffile.imwrite(
            path,
            np.rint(np.clip(picture, 0, limit)).astype(dtype),
            photometric="rgb" if channels == 3 else "minisblack",
        )
        tiles.append(Tile(path.name, path, 0, number, number))
        placed.append(PlacedTile(path.name, x0, y0, 0.0, 0.0, "overlap"))
    tile_set = TileSet(tuple(tiles), height, width, channels, dtype, 1, len(tiles), "names")
    wide = math.ceil(max(x for x, _ in places) + width)
    high = math.ceil(max(y for _, y in places) + height)
    return tile_set, Layout(wide, high, width, height, tuple(placed), (), (), 0.0)


def _undistort(distorted: np.ndarray, lens: Lens) -> np.ndarray:
    """r / r_d for r_d = r (1 + k1 r^2 + k2 r^4), by Newton's method."""
    r = distorted.copy()
    for _ in range(30):
        value = r * (1 + lens.k1 * r**2 + lens.k2 * r**4) - distorted
        r -= value / (1 + 3 * lens.k1 * r**2 + 5 * lens.k2 * r**4)
    return np.divide(r, distorted, out=np.ones_like(r), where=distorted > 0)


def no_correction(tile_set: TileSet, lens: Lens | None = None) -> Correction:
    """Flat 1, gains 1."""
    return Correction(
        np.ones((3, 4, tile_set.channels), np.float32),
        np.ones((len(tile_set.tiles), tile_set.channels), np.float32),
        lens,
    )


def on_mosaic(truth: Truth, layout: Layout) -> np.ndarray:
    """The truth at the centres of the mosaic's pixels."""
    x, y = np.meshgrid(np.arange(layout.width_px) + 0.5, np.arange(layout.height_px) + 0.5)
    return truth(x, y)


def under_tiles(layout: Layout, *, inset_px: float = 0.0) -> np.ndarray:
    """How many tiles cover each mosaic pixel's centre, counted `inset_px` inside their edges."""
    x, y = np.arange(layout.width_px) + 0.5, np.arange(layout.height_px) + 0.5
    count = np.zeros((layout.height_px, layout.width_px), int)
    for tile in layout.tiles:
        across = (x >= tile.x_px + inset_px) & (x < tile.x_px + layout.tile_width_px - inset_px)
        down = (y >= tile.y_px + inset_px) & (y < tile.y_px + layout.tile_height_px - inset_px)
        count += down[:, None] & across[None, :]
    return count
