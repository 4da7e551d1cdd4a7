"""What a stitch costs beyond reading the tiles and writing the mosaic, and what a general stitcher costs.

    python bench/stitch_ratio.py                                # sample_tiles
    python bench/stitch_ratio.py --tiles evening_3/tiles --repeats 5

Three things are done with the same tiles, each in a process of its own, in turn, `--repeats` times:

- stitch: `dieplat.workflow.build_mosaic`, from the folder to the finished pyramid and layout.json;
- floor: what nobody can do without: every tile decoded once by the same decoder on all cores, and the same
  pyramid written once by the same writer with the same threads, from bands that are already in memory;
- general: OpenCV's general-purpose stitcher in its mode for flat scans, decoding included, no pyramid.
  It knows nothing of a grid, a stage or repeated cells, leaves out tiles that it cannot join, and gives a
  picture without positions or uncertainties.

Printed are the best time of each with its CPU seconds, both as ratios to the floor, and the peak resident
memory of its process. The clock starts after the imports. Ratios from one run on one machine compare; seconds
from two runs do not, and on a busy machine the CPU ratio is the steadier one.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from dieplat.mosaicfile.read import open_mosaic
from dieplat.mosaicfile.write import write_mosaic
from dieplat.tiles.discover import discover_tiles
from dieplat.tiles.read import read_picture
from dieplat.work import Progress
from dieplat.workflow import build_mosaic

SAMPLE = Path(__file__).resolve().parents[1] / "sample_tiles" / "tiles"
BAND_ROWS = 512
"""Rows handed to the writer at a time; any number gives the same file."""


def stitch(tiles: Path, work: Path, threads: int) -> Callable[[], dict[str, Any]]:
    """The whole stitch; the mosaic stays in `work` for the floor."""

    begun: list[tuple[str, float]] = []

    def bar(title: str) -> Progress:
        begun.append((title, time.perf_counter()))
        return lambda done, total: None

    def run() -> dict[str, Any]:
        with ThreadPoolExecutor(threads) as executor:
            layout = build_mosaic(tiles, work / "mosaic.ome.tif", executor=executor, progress=bar)
        ends = [start for _, start in begun[1:]] + [time.perf_counter()]
        stages = [f"{title} {end - start:.1f} s" for (title, start), end in zip(begun, ends, strict=True)]
        flagged = sum(tile.ambiguous or tile.placed_by != "overlap" for tile in layout.tiles)
        size = f"{len(layout.tiles)} tiles, {layout.width_px} x {layout.height_px} px, {flagged} flagged"
        return {"what": f"{size}; {', '.join(stages)}"}

    return run


def floor(tiles: Path, work: Path, threads: int) -> Callable[[], dict[str, Any]]:
    """Decode every tile, then write the mosaic that `stitch` made, its pixels being in memory beforehand."""
    with open_mosaic(work / "mosaic.ome.tif") as mosaic:
        pixels = np.ascontiguousarray(mosaic.read(0, 0, mosaic.width_px, mosaic.height_px))
        channels, dtype = mosaic.channels, str(mosaic.dtype)
    paths = [tile.path for tile in discover_tiles(tiles).tiles]

    def decode(path: Path) -> int:
        return int(read_picture(path).nbytes)

    def run() -> dict[str, Any]:
        with ThreadPoolExecutor(threads) as executor:
            start = time.perf_counter()
            size = sum(executor.map(decode, paths))
            read_s = time.perf_counter() - start
            write_mosaic(
                work / "floor.ome.tif",
                (pixels[top : top + BAND_ROWS] for top in range(0, len(pixels), BAND_ROWS)),
                width_px=pixels.shape[1],
                height_px=pixels.shape[0],
                channels=channels,
                dtype=dtype,
                executor=executor,
            )
        write_s = time.perf_counter() - start - read_s
        return {"what": f"{size / 1e6:.0f} MB decoded in {read_s:.2f} s, pyramid written in {write_s:.2f} s"}

    return run


def general(tiles: Path, work: Path, threads: int) -> Callable[[], dict[str, Any]]:
    """OpenCV's general stitcher on all the tiles."""
    paths = [tile.path for tile in discover_tiles(tiles).tiles]

    def run() -> dict[str, Any]:
        with ThreadPoolExecutor(threads) as executor:
            pictures = list(executor.map(lambda path: cv2.imread(str(path), cv2.IMREAD_COLOR), paths))
        stitcher = cv2.Stitcher_create(cv2.Stitcher_SCANS)
        status, picture = stitcher.stitch(pictures)
        if status != cv2.Stitcher_OK:
            reasons = {
                cv2.Stitcher_ERR_NEED_MORE_IMGS: "too few tiles that match",
                cv2.Stitcher_ERR_HOMOGRAPHY_EST_FAIL: "no transform found",
                cv2.Stitcher_ERR_CAMERA_PARAMS_ADJUST_FAIL: "adjustment failed",
            }
            return {"what": "", "failed": reasons.get(status, f"status {status}")}
        used = len(stitcher.component())
        size = f"{picture.shape[1]} x {picture.shape[0]} px"
        return {"what": f"{used} of {len(pictures)} tiles joined, {size}"}

    return run


PARTS = {"stitch": stitch, "floor": floor, "general": general}


def measure_here(part: str, tiles: Path, work: Path, threads: int) -> dict[str, Any]:
    """Run one part in this process; time, CPU and peak memory of what has run in it."""
    cv2.setNumThreads(threads)
    run = PARTS[part](tiles, work, threads)
    before = resource.getrusage(resource.RUSAGE_SELF)
    start = time.perf_counter()
    result = run()
    wall_s = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    unit = 1 if sys.platform == "darwin" else 1024  # ru_maxrss is in bytes there, in KiB on Linux
    return {**result, "wall_s": wall_s, "cpu_s": cpu_s, "peak_mb": after.ru_maxrss * unit / 1e6}


def measure_in_child(part: str, tiles: Path, work: Path, threads: int, limit_s: float) -> dict[str, Any]:
    """Run one part in a fresh process, so that its peak memory is its own and a crash ends only it."""
    command = [sys.executable, __file__, "--part", part, "--tiles", str(tiles), "--work", str(work)]
    try:
        done = subprocess.run(
            [*command, "--threads", str(threads)],
            capture_output=True,
            text=True,
            timeout=limit_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return {"failed": f"not done after {limit_s:g} s"}
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines()
        return {"failed": lines[-1] if lines else f"ended with status {done.returncode}"}
    report: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return report


def print_table(results: dict[str, list[dict[str, Any]]]) -> None:
    """The best of each part against the best floor."""
    best = {
        part: min((run for run in runs if "failed" not in run), key=lambda run: run["wall_s"], default=None)
        for part, runs in results.items()
    }
    base = best["floor"]
    print(f"{'':8} {'seconds':>8} {'floors':>7} {'CPU s':>7} {'floors':>7} {'peak MB':>8}")
    for part, run in best.items():
        if run is None:
            tried = results[part][0] if results[part] else {"failed": "not tried"}
            spent = f" after {tried['wall_s']:.1f} s" if "wall_s" in tried else ""
            print(f"{part:8} failed: {tried['failed']}{spent}")
            continue
        wall, cpu = (f"{run[key] / base[key]:7.2f}" if base is not None else f"{'-':>7}" for key in ("wall_s", "cpu_s"))
        peak = max(one["peak_mb"] for one in results[part] if "peak_mb" in one)
        print(f"{part:8} {run['wall_s']:8.2f} {wall} {run['cpu_s']:7.2f} {cpu} {peak:8.0f}  {run['what']}")
    if base is not None:
        ratios = [
            a["wall_s"] / b["wall_s"]
            for a, b in zip(results["stitch"], results["floor"], strict=True)
            if "failed" not in a and "failed" not in b
        ]
        print(f"stitch over floor, pair by pair: {', '.join(f'{ratio:.2f}' for ratio in ratios)}")


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tiles", type=Path, default=SAMPLE, help="folder of tiles; sample_tiles by itself")
    parser.add_argument("--repeats", type=int, default=3, help="times that stitch and floor are run in turn")
    parser.add_argument("--threads", type=int, default=os.cpu_count() or 1, help="threads; all cores")
    parser.add_argument("--limit-s", type=float, default=300.0, help="time limit of the general stitcher")
    parser.add_argument("--no-general", action="store_true", help="leave the general stitcher out")
    parser.add_argument("--part", choices=PARTS, help=argparse.SUPPRESS)
    parser.add_argument("--work", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args(arguments)
    if given.part is not None:
        print(json.dumps(measure_here(given.part, given.tiles, given.work, given.threads)))
        return 0
    results: dict[str, list[dict[str, Any]]] = {"stitch": [], "floor": []}
    with tempfile.TemporaryDirectory(prefix="stitch_ratio_") as name:
        work = Path(name)
        for _ in range(given.repeats):
            for part in ("stitch", "floor"):
                done = measure_in_child(part, given.tiles, work, given.threads, limit_s=3600.0)
                if part == "stitch" and "failed" in done:
                    print(f"stitch failed: {done['failed']}")
                    return 1
                results[part].append(done)
        if not given.no_general:
            once = measure_in_child("general", given.tiles, work, given.threads, limit_s=given.limit_s)
            results["general"] = [once]
    print(f"{given.tiles.parent.name}, {given.threads} threads, best of {given.repeats}")
    print_table(results)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
