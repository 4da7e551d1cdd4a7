"""How a stitch grows from a hundred tiles to ten thousand: time, memory, places, and the solve alone.

    python bench/large_figures.py --sets DIR                     # 100, 1,000 and 10,000 tiles of 800 x 600
    python bench/large_figures.py --sets DIR --sizes 10x10 25x40

The tiles are those of `tile_sets.py`, kept in DIR and made once: ten thousand take some 3 GB, and the mosaic of them
14 GB while it is there. A row a set: seconds and CPU seconds per output megapixel; peak resident memory of the process;
root mean square and largest error of the places, after the median is taken off; tiles that are flagged. Then the
least-squares solve alone on grids of as many tiles, with offsets of known scatter: seconds, and microseconds a tile.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
import time
from pathlib import Path

import numpy as np

from dieplat.registration.shared_noise import shared_noise
from dieplat.registration.solve import solve_positions
from dieplat.registration.stage import grid_pairs
from stitch_ratio import measure_in_child
from tile_sets import cut_set

TILE_PX = (800, 600)
SIZES = ("10x10", "25x40", "100x100")
SCATTER_PX = 0.003


def stitched(sets: Path, rows: int, columns: int, threads: int) -> bool:
    """Make the set, stitch it in a process of its own, print its row; whether that went well."""
    folder = sets / f"tiles_{rows}x{columns}_{TILE_PX[0]}x{TILE_PX[1]}"
    corners = cut_set(folder, rows=rows, columns=columns, tile_px=TILE_PX).reshape(-1, 2)
    with tempfile.TemporaryDirectory(prefix="large_", dir=sets) as name:
        run = measure_in_child("stitch", folder, Path(name), threads, limit_s=4 * 3600.0)
        if "failed" in run:
            print(f"{rows * columns:6d} failed: {run['failed']}")
            return False
        tiles = json.loads((Path(name) / "layout.json").read_text())["tiles"]
        size_gb = sum(path.stat().st_size for path in Path(name).glob("*.tif")) / 1e9
    gap = np.array([(tile["x_px"], tile["y_px"]) for tile in tiles]) - corners
    gap -= np.median(gap, axis=0)
    flagged = sum(tile["ambiguous"] or tile["placed_by"] != "overlap" for tile in tiles)
    area = run["megapixels"]
    print(
        f"{rows * columns:6d} {area:8.1f} {size_gb:6.2f} {run['wall_s']:8.1f} {run['wall_s'] / area:8.4f} "
        f"{run['cpu_s'] / area:8.4f} {run['peak_mb']:8.0f} {np.sqrt(np.square(gap).mean()):8.4f} "
        f"{np.abs(gap).max():8.3f} {flagged:8d}",
        flush=True,
    )
    return True


def solved(rows: int, columns: int) -> None:
    """The solve alone, uncertainties included."""
    rng = np.random.default_rng([rows, columns])
    grid = [(row, column) for row in range(rows) for column in range(columns)]
    true = np.array([(column * 680.0, row * 510.0) for row, column in grid])
    pairs = np.array(grid_pairs(grid), dtype=np.intp)
    offsets = true[pairs[:, 1]] - true[pairs[:, 0]] + rng.normal(0, SCATTER_PX, (len(pairs), 2))
    cov = np.tile([SCATTER_PX**2, 0.0, SCATTER_PX**2], (len(pairs), 1))
    start = time.perf_counter()
    coupling = shared_noise(pairs, true, TILE_PX, np.ones(len(pairs)))
    every = np.ones(len(pairs), dtype=bool)
    solution = solve_positions(len(grid), pairs, offsets, cov, true, rejectable=every, coupling=coupling)
    spent = time.perf_counter() - start
    error = solution.position_px - (true - true.mean(axis=0))
    rms = np.square(error).mean() ** 0.5
    each = 1e6 * spent / len(grid)
    print(f"{len(grid):6d} {len(pairs):7d} {spent:8.2f} {each:8.0f} {rms:8.4f}", flush=True)


def main() -> int:
    """Read the arguments, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sets", type=Path, required=True, help="folder where tiles are kept")
    parser.add_argument("--sizes", nargs="+", default=SIZES, help="rows x columns, such as 25x40")
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args()
    sizes = [(int(rows), int(columns)) for rows, columns in (size.split("x") for size in given.sizes)]
    print("the solve alone")
    print(f"{'tiles':>6} {'pairs':>7} {'s':>8} {'us/tile':>8} {'RMS px':>8}")
    for rows, columns in sizes:
        solved(rows, columns)
    print()
    names = ("Mpx", "s", "s/Mpx", "CPU/Mpx", "peak MB", "RMS px", "largest", "flagged")
    print(f"{'tiles':>6} {names[0]:>8} {'GB':>6} " + " ".join(f"{name:>8}" for name in names[1:]))
    fine = [stitched(given.sets, rows, columns, given.threads) for rows, columns in sizes]
    return 0 if all(fine) else 1


if __name__ == "__main__":
    raise SystemExit(main())
