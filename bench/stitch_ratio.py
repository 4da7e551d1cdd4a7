"""What a stitch costs beyond reading the tiles and writing the mosaic, and what a general stitcher costs.

    python bench/stitch_ratio.py                                # sample_tiles
    python bench/stitch_ratio.py --tiles evening_3/tiles --repeats 5
    python bench/stitch_ratio.py --sets /tmp/sets --size short  # made by tile_sets.py; a minute or two
    python bench/stitch_ratio.py --sets /tmp/sets --size full   # 300 tiles; 12, 100 and 1000 for the memory

Four things are done with the same tiles, each in a process of its own, in turn, `--repeats` times:

- stitch: `dieplat.workflow.build_mosaic`, from the folder to the finished pyramid and layout.json;
- floor: what nobody can do without: every tile decoded once by the same decoder on all cores, and the same
  pyramid written once by the same writer with the same threads, from bands that are already in memory;
- plain: the least that OpenCV's own calls could do (`plain_stitch.py`): no search, no rivals, no lens, no shading, no
  seams, no uncertainty, all tiles in memory. Only on sets of `tile_sets.py`, whose overlap it knows;
- general: OpenCV's general-purpose stitcher in its mode for flat scans, decoding included, no pyramid.
  It knows nothing of a grid, a stage or repeated cells, leaves out tiles that it cannot join, and gives a
  picture without positions or uncertainties.

With `--sets` all is done for every lossless codec of the mosaic, and after it the stitch alone on sets of several
sizes, for its time per output megapixel and its memory.

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
from typing import Any, get_args

import cv2
import numpy as np

from dieplat.mosaicfile.read import open_mosaic
from dieplat.mosaicfile.write import Codec, write_mosaic
from dieplat.tiles.discover import discover_tiles
from dieplat.tiles.read import read_picture
from dieplat.work import Progress
from dieplat.workflow import build_mosaic
from plain_stitch import plain
from tile_sets import cut_set

SAMPLE = Path(__file__).resolve().parents[1] / "sample_tiles" / "tiles"
BAND_ROWS = 512
"""Rows handed to the writer at a time; any number gives the same file."""


def stitch(tiles: Path, work: Path, threads: int, codec: Codec) -> Callable[[], dict[str, Any]]:
    """The whole stitch; the mosaic stays in `work` for the floor."""

    begun: list[tuple[str, float]] = []

    def bar(title: str) -> Progress:
        begun.append((title, time.perf_counter()))
        return lambda done, total: None

    def run() -> dict[str, Any]:
        with ThreadPoolExecutor(threads) as executor:
            layout = build_mosaic(tiles, work / "mosaic.ome.tif", codec=codec, executor=executor, progress=bar)
        ends = [start for _, start in begun[1:]] + [time.perf_counter()]
        stages = [f"{title} {end - start:.1f} s" for (title, start), end in zip(begun, ends, strict=True)]
        flagged = sum(tile.ambiguous or tile.placed_by != "overlap" for tile in layout.tiles)
        size = f"{len(layout.tiles)} tiles, {layout.width_px} x {layout.height_px} px, {flagged} flagged"
        megapixels = layout.width_px * layout.height_px / 1e6
        return {"what": f"{size}; {', '.join(stages)}", "megapixels": megapixels}

    return run


def floor(tiles: Path, work: Path, threads: int, codec: Codec) -> Callable[[], dict[str, Any]]:
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
                codec=codec,
                executor=executor,
            )
        write_s = time.perf_counter() - start - read_s
        return {"what": f"{size / 1e6:.0f} MB decoded in {read_s:.2f} s, pyramid written in {write_s:.2f} s"}

    return run


def general(tiles: Path, work: Path, threads: int, codec: Codec) -> Callable[[], dict[str, Any]]:
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


CODECS = get_args(Codec)
SIZES = {
    "short": ((4, 6), ((3, 4), (6, 6), (12, 6)), (3, 4)),
    "full": ((15, 20), ((3, 4), (10, 10), (15, 20), (25, 40)), (3, 4)),
}
"""Rows and columns of the set for the ratios, of those for time and memory, and of that for the general stitcher."""
PARTS = {"stitch": stitch, "floor": floor, "plain": plain, "general": general}


def measure_here(part: str, tiles: Path, work: Path, threads: int, codec: Codec) -> dict[str, Any]:
    """Run one part in this process; time, CPU and peak memory of what has run in it."""
    # As the command line does; the general stitcher has no executor and takes the threads itself.
    cv2.setNumThreads(threads if part == "general" else 1)
    run = PARTS[part](tiles, work, threads, codec)
    before = resource.getrusage(resource.RUSAGE_SELF)
    start = time.perf_counter()
    result = run()
    wall_s = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return {**result, "wall_s": wall_s, "cpu_s": cpu_s, "peak_mb": peak_bytes() / 1e6}


def peak_bytes() -> int:
    """Peak resident memory of this process; on Linux its own, where ru_maxrss begins with that of the parent."""
    status = Path("/proc/self/status")
    if status.exists():
        lines = dict(line.split(":", 1) for line in status.read_text().splitlines())
        return 1024 * int(lines["VmHWM"].split()[0])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)


def measure_in_child(
    part: str, tiles: Path, work: Path, threads: int, *, limit_s: float = 3600.0, codec: Codec = "zstd"
) -> dict[str, Any]:
    """Run one part in a fresh process, so that its peak memory is its own and a crash ends only it."""
    command = [sys.executable, __file__, "--part", part, "--tiles", str(tiles), "--work", str(work)]
    try:
        done = subprocess.run(
            [*command, "--threads", str(threads), "--codec", codec],
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
    parser.add_argument("--sets", type=Path, help="make sets of tiles in this folder, or use those that are there")
    parser.add_argument("--size", choices=SIZES, default="short", help="how large the sets are")
    parser.add_argument("--codec", choices=CODECS, default="zstd", help="compression of the mosaic")
    given = parser.parse_args(arguments)
    if given.part is not None:
        print(json.dumps(measure_here(given.part, given.tiles, given.work, given.threads, given.codec)))
        return 0
    general_too = () if given.no_general else ("general",)
    if given.sets is None:
        return compare(given.tiles, given, given.codec, once=general_too)
    main_size, others, general_size = SIZES[given.size]
    failed = 0
    for codec in CODECS:
        failed |= compare(made(given.sets, main_size), given, codec, once=("plain",) if codec == "zstd" else ())
    if not given.no_general:
        failed |= compare(made(given.sets, general_size), given, "zstd", once=general_too)
    print(f"{'tiles':>6} {'Mpx':>7} {'s/Mpx':>7} {'CPU/Mpx':>8} {'peak MB':>8}")
    for size in others:
        with tempfile.TemporaryDirectory(prefix="stitch_ratio_", dir=given.sets) as name:
            run = measure_in_child("stitch", made(given.sets, size), Path(name), given.threads)
        if "failed" in run:
            print(f"{size[0] * size[1]:6d} failed: {run['failed']}")
            failed = 1
            continue
        area = run["megapixels"]
        per = f"{run['wall_s'] / area:7.4f} {run['cpu_s'] / area:8.4f}"
        print(f"{size[0] * size[1]:6d} {area:7.1f} {per} {run['peak_mb']:8.0f}", flush=True)
    return failed


def made(sets: Path, size: tuple[int, int]) -> Path:
    """The folder of a set of so many rows and columns."""
    folder = sets / f"tiles_{size[0]}x{size[1]}"
    cut_set(folder, rows=size[0], columns=size[1])
    return folder


def compare(tiles: Path, given: argparse.Namespace, codec: Codec, *, once: Sequence[str]) -> int:
    """Stitch and floor in turn, and other parts once each; prints the table."""
    results: dict[str, list[dict[str, Any]]] = {"stitch": [], "floor": []}
    with tempfile.TemporaryDirectory(prefix="stitch_ratio_", dir=given.sets) as name:
        work = Path(name)
        for _ in range(given.repeats):
            for part in ("stitch", "floor"):
                done = measure_in_child(part, tiles, work, given.threads, codec=codec)
                if part == "stitch" and "failed" in done:
                    print(f"stitch failed: {done['failed']}")
                    return 1
                results[part].append(done)
        for part in once:
            limited = measure_in_child(part, tiles, work, given.threads, limit_s=given.limit_s, codec=codec)
            results[part] = [limited]
    name = tiles.name if tiles.name != "tiles" else tiles.parent.name
    print(f"{name}, codec {codec}, {given.threads} threads, best of {given.repeats}")
    print_table(results)
    sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
