"""A set of tiles stitched in one process and by workers of a Dask cluster on this machine: times, costs, equality.

    python bench/cluster_figures.py --folder /tmp/cluster --rows 10 --columns 10 --workers 1 2 --kill

Prints seconds of clock and of processor, and whether layout and chunks are the same as those of one process; then what
goes through storage for a pixel of the mosaic. `--kill` ends a worker while tiles are resampled.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import shutil
import signal
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
import dask
import distributed

import tile_sets
from dieplat.cluster import spread_over
from dieplat.values import Layout
from dieplat.work import Progress
from dieplat.workflow import build_mosaic

Digests = dict[str, str]
WORKERS_ENVIRON = {
    "OMP_NUM_THREADS": "1",
    "MALLOC_TRIM_THRESHOLD_": "1073741824",
    "MALLOC_MMAP_THRESHOLD_": "1073741824",
}
"""Dask's own has workers give memory back at once, and fresh memory for every picture costs a quarter of all."""


class Watch:
    """Notes how many seconds of the processor every step took, and may end a worker."""

    def __init__(self, spent: Callable[[], float], victim: int | None = None) -> None:
        self.steps: dict[str, float] = {}
        self._spent = spent
        self._last, self._title = spent(), ""
        self._victim = victim

    def __call__(self, title: str) -> Progress:
        self.close(title)

        def progress(done: int, total: int) -> None:
            if title == "resampling" and self._victim is not None and done >= total // 4:
                os.kill(self._victim, signal.SIGKILL)
                self._victim = None

        return progress

    def close(self, title: str = "") -> None:
        """End a step and begin another."""
        now = self._spent()
        name = self._title or "listing"
        self.steps[name] = self.steps.get(name, 0.0) + now - self._last
        self._last, self._title = now, title


def processor_seconds() -> float:
    """Of this process, all threads."""
    return time.process_time()


def traffic() -> tuple[int, int]:
    """Bytes that this process has asked storage for and written to it, by calls; what is mapped is not among them."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").split()
    return int(lines[1]), int(lines[3])


def load() -> None:
    """Have a worker import what it will need."""
    import dieplat.workflow  # noqa: F401


def digests(out: Path) -> Digests:
    """Of the layout and everything in the folder of chunks."""
    files = [out.with_name("layout.json"), *(path for path in out.rglob("*") if path.is_file())]
    return {str(path.relative_to(out.parent)): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def report(name: str, seconds: float, cpu: float, megapixels: float, watch: Watch, same: str) -> None:
    """One line, and the processor's seconds of every step."""
    steps = ", ".join(f"{step} {spent:.1f}" for step, spent in watch.steps.items())
    print(
        f"{name:24s} {seconds:6.1f} s, processor {cpu:6.1f} s = {1e3 * cpu / megapixels:.0f} ms/megapixel{same}",
        flush=True,
    )
    print(f"{'':24s} ({steps})", flush=True)


def in_process(tiles: Path, out: Path, threads: int) -> tuple[Layout, float]:
    """One process; gives the layout and the processor's seconds."""
    begun, spent, watch = time.perf_counter(), processor_seconds(), Watch(processor_seconds)
    with ThreadPoolExecutor(threads) as executor:
        layout = build_mosaic(tiles, out, executor=executor, progress=watch)
    watch.close()
    seconds, cpu = time.perf_counter() - begun, processor_seconds() - spent
    report(f"one process, {threads} threads", seconds, cpu, layout.width_px * layout.height_px / 1e6, watch, "")
    return layout, cpu


def on_workers(tiles: Path, out: Path, count: int, expected: Digests, *, kill: bool) -> None:
    """A cluster of so many processes of one thread each."""
    dask.config.set({"distributed.nanny.pre-spawn-environ": WORKERS_ENVIRON})
    options: dict[str, Any] = {"dashboard_address": ":0", "memory_limit": 0, "silence_logs": 50}
    with (
        distributed.LocalCluster(n_workers=count, threads_per_worker=1, processes=True, **options) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):
        victim = cluster.workers[0].pid if kill else None

        def all_seconds() -> float:
            return processor_seconds() + sum(client.run(processor_seconds).values())

        client.run(load)
        spent, here, moved = all_seconds(), processor_seconds(), client.run(traffic)
        begun, watch = time.perf_counter(), Watch(processor_seconds if kill else all_seconds, victim)
        with spread_over(cluster.scheduler_address, tiles=tiles, out=out) as executor:
            layout = build_mosaic(tiles, out, executor=executor, progress=watch)
        watch.close()
        seconds, near = time.perf_counter() - begun, processor_seconds() - here
        cpu, later = all_seconds() - spent, client.run(traffic)
    same = ", same as one process" if digests(out) == expected else ", NOT THE SAME"
    megapixels = layout.width_px * layout.height_px / 1e6
    name = f"{count} workers{', one killed' if kill else ''}"
    if kill:
        print(f"{name:24s} {seconds:6.1f} s{same}", flush=True)
    else:
        report(name, seconds, cpu, megapixels, watch, same)
        got, put = (sum(later[worker][i] - moved[worker][i] for worker in later) for i in (0, 1))
        print(f"{'':24s} of this the client {near:.1f} s (it holds the scheduler too)")
        print(
            f"{'':24s} read {got / megapixels / 1e6:.2f} and written {put / megapixels / 1e6:.2f} bytes/pixel by calls"
        )


def run_bench() -> None:
    """Arguments in, lines out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--rows", type=int, default=10)
    parser.add_argument("--columns", type=int, default=10)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--kill", action="store_true")
    given = parser.parse_args()
    cv2.setNumThreads(1)
    tiles = given.folder.absolute() / f"tiles_{given.rows}_{given.columns}"
    tile_sets.cut_set(tiles, rows=given.rows, columns=given.columns)
    results = given.folder.absolute() / "results"
    shutil.rmtree(results, ignore_errors=True)

    def out(name: str) -> Path:
        (results / name).mkdir(parents=True)
        return results / name / "mosaic.ome.zarr"

    first = out("one")
    # Once before, so that nobody waits for the compiler.
    in_process(tiles, out("before"), 2)
    layout, _ = in_process(tiles, first, 1)
    in_process(tiles, out("two threads"), 2)
    expected = digests(first)
    pixels = layout.width_px * layout.height_px
    for count in given.workers:
        on_workers(tiles, out(f"{count} workers"), count, expected, kill=False)
    if given.kill:
        on_workers(tiles, out("killed"), max(given.workers), expected, kill=True)
    sizes = {
        "tiles": sum(path.stat().st_size for path in tiles.iterdir()),
        "mosaic": sum(path.stat().st_size for path in first.rglob("*") if path.is_file()),
    }
    shown = layout.tile_width_px * layout.tile_height_px * len(layout.tiles) / pixels
    print(f"mosaic of {pixels / 1e6:.0f} megapixels, each shown by {shown:.2f} tiles")
    print(", ".join(f"{name} {size / pixels:.2f} bytes/pixel" for name, size in sizes.items()))


if __name__ == "__main__":
    run_bench()
