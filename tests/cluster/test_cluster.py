"""Stitching by several processes against one: the same numbers and the same bytes, also when a worker is killed.

The other processes are those of the standard library's pool and of a Dask cluster on this machine.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from dieplat import cluster, workflow
from dieplat.cluster import spread_over
from dieplat.errors import ClusterError, SettingsError
from dieplat.exports.chunks import write_chunks
from dieplat.exports.ngff import write_ngff
from dieplat.mosaicfile.read import open_mosaic
from dieplat.phantom import make_phantom
from dieplat.work import Progress, Spread, map_in_order
from dieplat.workflow import build_mosaic
from dieplat_cli.app import main

distributed = pytest.importorskip("distributed")

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signals")


@pytest.fixture(scope="module")
def tiles(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Twelve tiles of a bent lens, whose pairs are measured twice, and a file that is no picture."""
    folder = tmp_path_factory.mktemp("die")
    make_phantom(folder, seed=5, preset="lens", rows=3, columns=4, tile_width_px=400, tile_height_px=320)
    (folder / "tiles" / "r09_c09.jpg").write_bytes(b"\xff\xd8\xff no picture")
    return folder / "tiles"


@pytest.fixture(scope="module")
def alone(tiles: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What one process makes: the mosaic as a file, its export to chunks, and the layout."""
    folder = tmp_path_factory.mktemp("alone")
    with ThreadPoolExecutor(2) as executor:
        build_mosaic(tiles, folder / "m.ome.tif", um_per_px=(0.5, 0.5), executor=executor)
    with open_mosaic(folder / "m.ome.tif") as mosaic:
        write_ngff(mosaic, folder / "m.ome.zarr", None)
    return folder


@pytest.fixture(scope="module")
def dask() -> Iterator[Any]:
    """A scheduler and two workers, each a process; killed ones are started anew."""
    options = {"n_workers": 2, "threads_per_worker": 1, "dashboard_address": ":0", "memory_limit": 0}
    with distributed.LocalCluster(processes=True, **options) as made:
        yield made


@pytest.fixture(autouse=True)
def small_squares(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else the mosaic would be one job."""
    monkeypatch.setattr(workflow, "write_chunks", partial(write_chunks, side_px=1024))


def chunks_of(folder: Path) -> dict[str, bytes]:
    """Every chunk by its place, without descriptions."""
    files = (path for path in folder.rglob("*") if path.is_file() and path.name != "zarr.json")
    return {str(path.relative_to(folder)): path.read_bytes() for path in files}


def check_same(out: Path, alone: Path) -> None:
    """Layout and chunks are as one process made them, and nothing else lies about."""
    assert json.loads((out.parent / "layout.json").read_text()) == json.loads((alone / "layout.json").read_text())
    made, expected = chunks_of(out), chunks_of(alone / "m.ome.zarr")
    assert len(expected) > 20
    assert made.keys() == expected.keys()
    assert [name for name in made if made[name] != expected[name]] == []
    for level in range(3):
        assert (out / f"{level}/zarr.json").read_bytes() == (alone / f"m.ome.zarr/{level}/zarr.json").read_bytes()
    assert sorted(path.name for path in out.parent.iterdir()) == ["layout.json", out.name]
    assert not (out / "work").exists()


def test_threads_write_the_chunks_of_the_export(tiles: Path, alone: Path, tmp_path: Path) -> None:
    with ThreadPoolExecutor(2) as executor:
        build_mosaic(tiles, tmp_path / "m.ome.zarr", executor=executor)
    check_same(tmp_path / "m.ome.zarr", alone)


def test_a_pool_of_processes_makes_the_same(tiles: Path, alone: Path, tmp_path: Path) -> None:
    context = multiprocessing.get_context("forkserver")
    with ThreadPoolExecutor(1) as near, ProcessPoolExecutor(1, mp_context=context) as far:
        build_mosaic(tiles, tmp_path / "m.ome.zarr", executor=Spread(far, near=near))
    check_same(tmp_path / "m.ome.zarr", alone)


def run(monkeypatch: pytest.MonkeyPatch, *arguments: str) -> int:
    """The command's exit status."""
    monkeypatch.setattr(sys, "argv", ["dieplat", *arguments])
    with pytest.raises(SystemExit) as caught:
        main()
    return int(caught.value.code or 0)


def test_the_command(
    dask: Any,
    tiles: Path,
    alone: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Paths are given as they are seen from here, which is not where the workers are."""
    monkeypatch.chdir(tiles.parent)
    given = ["stitch", "tiles", "--cluster", dask.scheduler_address, "--out"]
    os.symlink(tmp_path, tiles.parent / "new")
    assert run(monkeypatch, *given, "new/m.ome.zarr") == 0
    assert "12 tiles" in capsys.readouterr().out
    check_same(tmp_path / "m.ome.zarr", alone)
    assert run(monkeypatch, *given, "new/m.ome.tif") == 1
    assert "ends in .ome.zarr" in capsys.readouterr().err


def test_a_cluster_makes_the_same_although_a_worker_is_killed(
    dask: Any, tiles: Path, alone: Path, tmp_path: Path
) -> None:
    """While it resamples: all tiles are handed out by then, so it has some, and files of it are half-written."""
    out = tmp_path / "m.ome.zarr"
    killed: list[int] = []

    def watched(title: str) -> Progress:
        def progress(done: int, total: int) -> None:
            if title == "resampling" and not killed:
                killed.append(dask.workers[0].pid)
                os.kill(killed[0], signal.SIGKILL)

        return progress

    with spread_over(dask.scheduler_address, tiles=tiles, out=out) as executor:
        build_mosaic(tiles, out, executor=executor, progress=watched)
    assert killed
    check_same(out, alone)


def refused(match: str, address: str, tiles: Path, out: Path) -> None:
    """Asking for a cluster ends in one line that says this."""
    with pytest.raises(ClusterError, match=match) as caught, spread_over(address, tiles=tiles, out=out):
        pass
    assert "\n" not in str(caught.value)


def test_no_answer_no_workers_no_dask(tiles: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "ANSWER_S", 0.3)
    out = tmp_path / "m.ome.zarr"
    refused("no scheduler answers", "tcp://127.0.0.1:9", tiles, out)
    refused("no scheduler answers", "nonsense://x", tiles, out)
    with distributed.LocalCluster(n_workers=0, processes=False, dashboard_address=":0") as empty:
        refused("has no workers", empty.scheduler_address, tiles, out)
    monkeypatch.setitem(sys.modules, "distributed", None)
    refused(r"pip install 'dieplat\[cluster\]'", "tcp://127.0.0.1:9", tiles, out)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="needs /proc")
def test_storage_that_is_not_shared_and_other_versions_are_refused(
    dask: Any, tiles: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A path through /proc/self leads every process to a folder of its own."""
    address = dask.scheduler_address
    monkeypatch.chdir(tiles.parent)
    refused("does not see .*tiles", address, Path("/proc/self/cwd/tiles"), tmp_path / "m.ome.zarr")
    refused("cannot write to", address, tiles, Path("/proc/self/cwd/m.ome.zarr"))
    monkeypatch.setattr(cluster, "_code", lambda: "another")
    refused("does not run dieplat", address, tiles, tmp_path / "m.ome.zarr")
    assert list(tmp_path.iterdir()) == []
    assert not [path for path in tiles.parent.iterdir() if "seen" in path.name]


def test_a_job_that_ends_every_worker_is_one_line(
    dask: Any, tiles: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dask.scheduler, "allowed_failures", 0)
    with (
        pytest.raises(ClusterError, match="ended every worker"),
        spread_over(dask.scheduler_address, tiles=tiles, out=tmp_path / "m.ome.zarr") as executor,
    ):
        list(map_in_order(os._exit, [1], executor=executor))


def test_a_scheduler_that_is_lost_is_one_line_and_nothing_runs_after_a_failure(
    tiles: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cluster, "ANSWER_S", 4.0)
    running = []

    def slow(number: int) -> None:
        if number == 0:
            raise ValueError
        running.append(number)
        time.sleep(0.3)
        running.remove(number)

    out = tmp_path / "m.ome.zarr"
    options = {"n_workers": 1, "threads_per_worker": 4, "dashboard_address": ":0"}
    with distributed.LocalCluster(processes=False, **options) as inside:
        with spread_over(inside.scheduler_address, tiles=tiles, out=out) as executor:
            with pytest.raises(ValueError):  # noqa: PT011
                list(map_in_order(slow, range(20), executor=executor))
            assert running == []
        with pytest.raises(ClusterError, match="scheduler was lost"):
            wait_in_vain(inside, tiles, out)


def wait_in_vain(lost: Any, tiles: Path, out: Path) -> None:
    """Wait for jobs of a cluster that is closed after the first."""
    with spread_over(lost.scheduler_address, tiles=tiles, out=out) as executor:
        for _ in map_in_order(time.sleep, [0.0, 1.0, 1.0, 1.0, 1.0, 1.0], executor=executor):
            lost.close()


class Blind(Executor):
    """Processes of which one sees no pictures: the first looks at tiles find nothing there."""

    def __init__(self) -> None:
        self.looks = 0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """In line."""
        done: Future[Any] = Future()
        self.looks += 1
        done.set_result(f"{args[-1]}: cannot be read" if self.looks == 1 else fn(*args, **kwargs))
        return done


def test_a_tile_that_only_a_worker_finds_damaged_is_not_left_out(tiles: Path, tmp_path: Path) -> None:
    with pytest.raises(ClusterError, match="look at the worker's storage"):
        build_mosaic(tiles, tmp_path / "m.ome.zarr", executor=Spread(Blind()))
    assert list(tmp_path.iterdir()) == []


def test_what_other_processes_cannot_do_is_refused(tiles: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"ends in \.ome\.zarr"):
        build_mosaic(tiles, tmp_path / "m.ome.tif", executor=Spread(Blind()))
    with pytest.raises(SettingsError, match="no cache"):
        build_mosaic(tiles, tmp_path / "m.ome.zarr", cache=tmp_path / "c.sqlite", executor=Spread(Blind()))
