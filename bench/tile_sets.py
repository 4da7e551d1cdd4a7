"""Large sets of tiles for timing, made in seconds: a rendered die, continued by reflection, seen by a noisy camera.

The phantom draws every tile of a die that is as large as the set; that takes minutes for hundreds of tiles. For
timing it is enough that the pictures have a camera's entropy and the overlaps a die's structure, so one die is drawn
and reflected at its edges for as far as the set goes. Places are multiples of 1/32 px, to which OpenCV's warp is exact.

    python bench/tile_sets.py /tmp/big --rows 15 --columns 20
    python bench/tile_sets.py /tmp/many --rows 100 --columns 100 --tile-px 800 600
"""

from __future__ import annotations

import argparse
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from dieplat.phantom.camera import shading
from dieplat.phantom.make import plan_phantom
from dieplat.phantom.scenario import scenario_for

Floats = npt.NDArray[np.float64]
TILE_PX = (1600, 1200)
DIE_TILES = (3, 4)
"""Rows and columns of tiles that the drawn die covers."""
OVERLAP = 0.15
STAGE_PX = 4.0
NOISE = 3.0
"""Noise of a mid-grey pixel, in steps of 255."""
QUALITY = 95
NOISE_BANK = 6


def draw_die(seed: int, tile_px: tuple[int, int] = TILE_PX) -> npt.NDArray[np.uint8]:
    """A die of an invented chip, RGB, as large as some tiles."""
    scenario = scenario_for(
        "ordinary",
        rows=DIE_TILES[0],
        columns=DIE_TILES[1],
        tile_width_px=tile_px[0],
        tile_height_px=tile_px[1],
    )
    truth = plan_phantom(scenario, seed=seed)
    scale = truth.raster.um_per_px
    width, height = (round(side / scale) for side in (truth.die.width_um, truth.die.height_um))
    strips = [truth.raster.window(top, 0, min(512, height - top), width) for top in range(0, height, 512)]
    picture = np.moveaxis(np.concatenate(strips, axis=1), 0, -1)
    return np.clip(np.rint(picture * 255), 0, 255).astype(np.uint8)


def places(rows: int, columns: int, rng: np.random.Generator, tile_px: tuple[int, int] = TILE_PX) -> Floats:
    """Corners (rows, columns, 2) of the tiles: a serpentine stage with scatter and backlash, to 1/32 px."""
    step = np.array(tile_px) * (1 - OVERLAP)
    corners = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1) * step
    corners = corners + rng.normal(0, STAGE_PX, corners.shape)
    corners[1::2, :, 0] += 1.5 * STAGE_PX
    corners -= corners.reshape(-1, 2).min(axis=0)
    return np.asarray(np.round(corners * 32) / 32)


def cut_set(
    folder: Path, *, rows: int, columns: int, seed: int = 1, threads: int = 2, tile_px: tuple[int, int] = TILE_PX
) -> Floats:
    """Write r00_c00.jpg, ... into `folder`, unless it is there already; returns their corners (rows, columns, 2)."""
    rng = np.random.default_rng([seed, rows, columns])
    corners = places(rows, columns, rng, tile_px)
    last = folder / _name(rows - 1, columns - 1)
    if last.exists():
        return corners
    folder.mkdir(parents=True, exist_ok=True)
    die = draw_die(seed, tile_px)
    width, height = tile_px
    light = shading(width, height, 0.2)[..., None]
    bank = rng.normal(0, NOISE, (NOISE_BANK, height, width, 3)).astype(np.float32)

    def cut(task: tuple[int, int]) -> None:
        row, column = task
        draw = np.random.default_rng([seed, row, column])
        corner = corners[row, column]
        whole = np.floor(corner).astype(int)
        y = _reflected(np.arange(whole[1] - 4, whole[1] + height + 5), len(die))
        x = _reflected(np.arange(whole[0] - 4, whole[0] + width + 5), die.shape[1])
        shift = np.array([[1.0, 0, -4 - corner[0] + whole[0]], [0, 1.0, -4 - corner[1] + whole[1]]])
        seen = cv2.warpAffine(die[np.ix_(y, x)], shift, (width, height), flags=cv2.INTER_LANCZOS4)
        signal = seen * (light * np.float32(draw.normal(1.0, 0.04)))
        noise = np.roll(bank[draw.integers(NOISE_BANK)], draw.integers(0, 1000, 2), axis=(0, 1))
        # Shot noise grows with the square root of the signal.
        signal += noise * np.sqrt(0.25 + 1.5 / 255 * signal)
        picture = cv2.add(signal, 0.0, dtype=cv2.CV_8U)
        options = [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
        # The last tile is written last, so that a set cut short is begun again.
        cv2.imwrite(str(folder / _name(row, column)), picture[..., ::-1], options)

    tasks = [(row, column) for row in range(rows) for column in range(columns)]
    with ThreadPoolExecutor(threads) as executor:
        list(executor.map(cut, tasks[:-1]))
    cut(tasks[-1])
    return corners


def _name(row: int, column: int) -> str:
    return f"r{row:03d}_c{column:03d}.jpg"


def _reflected(index: npt.NDArray[np.int_], size: int) -> npt.NDArray[np.int_]:
    """Indices into a picture continued by reflection at both ends."""
    folded = np.mod(index, 2 * size)
    return np.where(folded < size, folded, 2 * size - 1 - folded)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--rows", type=int, default=15)
    parser.add_argument("--columns", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--tile-px", type=int, nargs=2, default=TILE_PX, help="width and height of a tile")
    given = parser.parse_args()
    size = (given.tile_px[0], given.tile_px[1])
    cut_set(given.folder, rows=given.rows, columns=given.columns, seed=given.seed, tile_px=size)
    sizes = [path.stat().st_size for path in given.folder.glob("*.jpg")]
    print(f"{len(sizes)} tiles, {sum(sizes) / len(sizes) / 1e6:.2f} MB each")


if __name__ == "__main__":
    main()
