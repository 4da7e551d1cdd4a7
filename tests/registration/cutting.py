"""Cut a picture into overlapping tiles with known sub-pixel places, as a simulated microscope would."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import tifffile


@dataclass(frozen=True)
class Cut:
    """Names and true corners (N, 2) of the tiles written."""

    names: list[str]
    corner_px: npt.NDArray[np.float64]


def cut_tiles(
    picture: npt.NDArray[np.float32],
    folder: Path,
    *,
    rows: int,
    columns: int,
    tile: tuple[int, int],
    overlap: float = 0.2,
    jitter_px: float = 4.0,
    noise: float = 3.0,
    vignette: float = 0.2,
    exposure: float = 0.06,
    serpentine_names: bool = False,
    missing: tuple[tuple[int, int], ...] = (),
    rng: np.random.Generator,
) -> Cut:
    """Write the tiles (grey or RGB, 8-bit TIFF) and return where each truly lies."""
    width, height = tile
    y, x = np.mgrid[0:height, 0:width]
    r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / (width**2 + height**2) * 4
    shade = (1 - vignette * r2).astype(np.float32)
    folder.mkdir(parents=True, exist_ok=True)
    names, corners = [], []
    number = 0
    for row in range(rows):
        order = range(columns) if row % 2 == 0 or not serpentine_names else range(columns - 1, -1, -1)
        for column in order:
            number += 1
            if (row, column) in missing:
                continue
            place = np.array([column * width * (1 - overlap), row * height * (1 - overlap)]) + 12
            place += rng.normal(0, jitter_px, 2).clip(-11, 11)
            shift = np.array([[1, 0, -place[0]], [0, 1, -place[1]]])
            seen = cv2.warpAffine(picture, shift, (width, height), flags=cv2.INTER_LANCZOS4)
            shading = shade if seen.ndim == 2 else shade[..., None]
            seen = seen * shading * (1 + rng.normal(0, exposure)) + rng.normal(0, noise, seen.shape)
            name = f"IMG_{number:04d}.tif" if serpentine_names else f"r{row:02d}_c{column:02d}.tif"
            tifffile.imwrite(folder / name, seen.clip(0, 255).round().astype(np.uint8))
            names.append(name)
            corners.append(place)
    return Cut(names, np.array(corners))


def errors_px(layout_tiles: dict[str, tuple[float, float]], cut: Cut) -> npt.NDArray[np.float64]:
    """Placed minus true corner of every tile (N, 2), after removing the common translation, which no one can know.

    The median is removed, so that one misplaced tile does not lend its error to the others.
    """
    found = np.array([layout_tiles[name] for name in cut.names])
    gap = found - cut.corner_px
    return np.asarray(gap - np.median(gap, axis=0))
