"""Runs killed at random times, a full disk, folders that cannot be written, inputs that vanish, numbers of workers.

`bench/kill_figures.py` does the first 200 times.
"""

from __future__ import annotations

import errno
import json
import os
import random
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import bad_inputs
import killed
import pytest

from dieplat.files import atomic_folder, writer_mark

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signals or limits")


@pytest.fixture(scope="session")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small survey with its results."""
    folder = tmp_path_factory.mktemp("killed")
    bad_inputs.make_base(folder)
    return folder


@pytest.fixture
def work(survey: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return shutil.copytree(survey, tmp_path / "work")


@pytest.mark.parametrize(("command", "kills"), [("stitch", 2), ("survey", 1)])
def test_a_killed_run_leaves_whole_files_and_its_rerun_equals_an_undisturbed_one(
    survey: Path, tmp_path: Path, command: str, kills: int
) -> None:
    whole = killed.undisturbed(survey, tmp_path / "whole", command)
    rng = random.Random(f"kills of {command}")
    for _ in range(kills):
        assert killed.killed_once(rng, survey, tmp_path / "work", command, whole) == []


def test_temporary_files_of_dead_processes_are_removed_and_of_living_ones_kept(work: Path) -> None:
    gone = subprocess.Popen([sys.executable, "-c", ""])
    dead = writer_mark(gone.pid)
    gone.wait()
    living = writer_mark(os.getppid())
    machine, number, began = dead.split("-")
    left = {
        "dead": f"{dead}.partial.m.json",
        "another with the number": f"{writer_mark().rpartition('-')[0]}-{began}.partial.m.json",
        "living": f"{living}.partial.m.json",
        "of another machine": f"{machine[::-1]}x-{number}-{began}.partial.m.json",
        "no writer": "m.json",
    }
    for name in left.values():
        (work / "new" / f".{name}").write_text("half", encoding="utf-8")
    assert bad_inputs.run(work, bad_inputs.COMMANDS["measure"])[0] == 0
    kept = [what for what, name in left.items() if (work / "new" / f".{name}").exists()]
    assert kept == ["living", "of another machine", "no writer"]


def test_a_machine_leaves_alone_what_another_one_has_moved_aside(tmp_path: Path) -> None:
    """The other may be between its two moves, on storage that both share."""
    aside = tmp_path / ".0000000x-1-1.before.partial.show"
    aside.mkdir()
    with atomic_folder(tmp_path / "show") as temporary:
        temporary.mkdir()
    assert aside.is_dir()


def numbers(folder: Path, workers: int) -> dict[str, Any]:
    """Digests of all that stitch and survey leave with so many workers."""
    for command in ("stitch", "survey"):
        given = (*killed.COMMANDS[command], "--workers", str(workers))
        status, told, trace = bad_inputs.run(folder, given)
        assert (status, trace) == (0, ""), told
    return killed.results(folder, "stitch") | killed.results(folder, "survey")


def test_the_results_are_the_same_on_one_two_and_four_workers(survey: Path, tmp_path: Path) -> None:
    found = [numbers(shutil.copytree(survey, tmp_path / str(count)), count) for count in (1, 2, 4)]
    assert found[0] == found[1] == found[2]
    assert {Path(name).name for name in found[0]} >= {"m.ome.tif", "layout.json", "measurements.json", "report.html"}


@pytest.mark.parametrize("command", ["stitch", "survey", "measure", "calibrate", "export"])
def test_a_full_disk_is_one_line_and_leaves_what_was_there(work: Path, command: str) -> None:
    """A limit on the size of files stands in for the disk: writing fails in the same place, with EFBIG."""
    before = bad_inputs._contents(work)
    begin = "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
    begin += "resource.setrlimit(resource.RLIMIT_FSIZE, (200, 200)); "
    arguments = list(bad_inputs.COMMANDS[command])
    if command == "survey":
        arguments[-1] = "results"
    done = subprocess.run(
        [sys.executable, "-c", begin + killed.BEGIN, *arguments], cwd=work, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr
    assert os.strerror(errno.EFBIG) in done.stderr
    left = {name: data for name, data in bad_inputs._contents(work).items() if name not in before}
    assert [name for name in left if Path(name).name != "stitch_cache.sqlite"] == []
    assert {name: data for name, data in bad_inputs._contents(work).items() if name in before} == before


@pytest.mark.parametrize("name", ["measure", "stitch", "export"])
def test_no_room_left_while_a_file_is_being_finished(work: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS[name])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert os.strerror(errno.ENOSPC) in told
    assert [path.name for path in (work / "new").iterdir() if path.name != "stitch_cache.sqlite"] == []


@pytest.mark.parametrize("name", ["measure", "stitch", "calibrate"])
def test_a_folder_that_is_not_there_or_is_a_file(work: Path, name: str) -> None:
    (work / "new").rmdir()
    for _ in range(2):
        status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS[name])
        assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
        assert "new" in told
        (work / "new").write_text("a file", encoding="utf-8")
    assert (work / "new").read_text(encoding="utf-8") == "a file"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(work: Path) -> None:
    (work / "new").chmod(0o555)
    status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS["measure"])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert "new" in told


def test_a_tile_that_vanishes_during_the_run_is_left_out_or_named(work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from dieplat import workflow

    found = workflow.discover_tiles

    def then_lost(folder: Path, **more: Any) -> Any:
        tiles = found(folder, **more)
        (folder / "r01_c01.png").unlink(missing_ok=True)
        return tiles

    monkeypatch.setattr(workflow, "discover_tiles", then_lost)
    status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS["stitch"])
    assert (status, trace) == (0, ""), (told, trace)
    layout = json.loads((work / "new/layout.json").read_text(encoding="utf-8"))
    assert [one["name"] for one in layout["skipped"]] == ["r01_c01.png"]
    assert len(layout["tiles"]) == 3
