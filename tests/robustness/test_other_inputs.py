"""A short sample of spoiled boards, ties, marks and tiles; `bench/fuzz_figures.py --corpus other` has more."""

from __future__ import annotations

import shutil
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import bad_inputs
import cv2
import numpy as np
import other_inputs
import pytest
import tifffile

from dieplat.files import atomic_folder, writer_mark
from dieplat.work import map_in_order

CASES = 16
FAILED_ONCE = (20714, 20943, 21095, 21369, 22255)
"""No file named, a tie of 1e30 px, another that no file could hold, levels without rows, rows of 1.6e9 pixels."""
TIE = '{"ties": [{"a": "r00_c00.png", "a_px": %s, "b": "r00_c01.png", "b_px": [1, 20], "u_px": %s}]}'
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signals or limits")


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small survey, its results, and what the other commands read."""
    folder = tmp_path_factory.mktemp("others")
    other_inputs.make_base(folder)
    return folder


@pytest.fixture
def work(base: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return shutil.copytree(base, tmp_path / "work")


def test_spoiled_inputs_of_the_other_commands_end_in_success_or_in_one_line(base: Path, tmp_path: Path) -> None:
    ended = [other_inputs.try_case(number, base, tmp_path / "work") for number in range(CASES)]
    assert [(ran.number, ran.faults) for ran in ended if ran.faults] == []
    assert 0 < sum(ran.status == 1 for ran in ended) < CASES


@pytest.mark.parametrize("number", FAILED_ONCE)
def test_what_failed_once_ends_in_one_line(base: Path, tmp_path: Path, number: int) -> None:
    ran = other_inputs.try_case(number, base, tmp_path / "work")
    assert (ran.status, ran.faults) == (1, ())


@pytest.mark.parametrize(
    ("ties", "said"),
    [
        ('{"ties": [{"a": "r00_c00.png"}]}', "no tile or key 'b'"),
        ('{"ties": 3}', "is no file of ties"),
        ("[]", "is no file of ties"),
        ('{"ties": [null]}', "ties.json: tie 1"),
        (TIE % ("[1e30, 20]", "0.5"), "must lie in the tiles, which are 400 x 320 px"),
        (TIE % ("[-1, 20]", "0.5"), "must lie in the tiles"),
        (TIE % ("[NaN, 20]", "0.5"), "must lie in the tiles"),
        (TIE % ("[310, 20]", "1e-320"), "a u_px of 0.001 to 1000"),
        (TIE % ("310", "0.5"), "is no number; give two for each place"),
        ("\udcff", "ties.json"),
    ],
)
def test_ties_that_are_none_are_named(work: Path, ties: str, said: str) -> None:
    path = work / "die/ties.json"
    path.write_bytes(ties.encode("utf-8", "surrogateescape"))
    status, told, trace = bad_inputs.run(work, other_inputs.COMMANDS["ties"])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert said in told
    assert [path.name for path in (work / "new").iterdir() if path.name != "stitch_cache.sqlite"] == []


def gone() -> str:
    """The mark of a process that is no more."""
    process = subprocess.Popen([sys.executable, "-c", ""])
    mark = writer_mark(process.pid)
    process.wait()
    return mark


def fail_halfway(folder: Path) -> None:
    """Begin a folder and give up."""
    folder.mkdir()
    (folder / "new.txt").write_text("n", encoding="utf-8")
    raise ValueError("half")


def test_a_folder_takes_the_place_of_the_one_before_whole_or_not_at_all(tmp_path: Path) -> None:
    folder = tmp_path / "show"
    folder.mkdir()
    (folder / "old.txt").write_text("old", encoding="utf-8")
    abandoned = [tmp_path / f".{gone()}.{word}partial.show" for word in ("", "before.")]
    for left in abandoned:
        (left / "iiif").mkdir(parents=True)
    with pytest.raises(ValueError, match="half"), atomic_folder(folder) as temporary:
        fail_halfway(temporary)
    assert [path.name for path in tmp_path.iterdir()] == ["show"]
    assert [path.name for path in folder.iterdir()] == ["old.txt"]
    with atomic_folder(folder) as temporary:
        temporary.mkdir()
        (temporary / "new.txt").write_text("new", encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["show"]
    assert [path.name for path in folder.iterdir()] == ["new.txt"]


def test_a_folder_moved_aside_by_a_killed_run_is_given_back(tmp_path: Path) -> None:
    """The run was killed after it had moved the old folder aside and before the new one took its place."""
    aside = tmp_path / f".{gone()}.before.partial.show"
    aside.mkdir()
    (aside / "old.txt").write_text("old", encoding="utf-8")
    with pytest.raises(ValueError, match="half"), atomic_folder(tmp_path / "show") as temporary:
        fail_halfway(temporary)
    assert [str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*.txt")] == ["show/old.txt"]


def test_nothing_runs_any_more_when_one_of_many_has_failed() -> None:
    """Else a temporary folder could be written to while it is being removed, and stay."""
    running = []

    def slow(number: int) -> None:
        if number == 0:
            raise ValueError
        running.append(number)
        time.sleep(0.2)
        running.remove(number)

    with ThreadPoolExecutor(4) as executor:
        with pytest.raises(ValueError):  # noqa: PT011
            list(map_in_order(slow, range(20), executor=executor))
        assert running == []


def test_a_job_whose_thread_could_not_be_started_does_not_run_later(monkeypatch: pytest.MonkeyPatch) -> None:
    """Such a job waits in the pool all the same, for the thread that is there already (`concurrent.futures`)."""
    ran, start = [], threading.Thread.start

    def only_one(thread: threading.Thread) -> None:
        if threading.active_count() > before:
            raise RuntimeError("can't start new thread")
        start(thread)

    def slow(number: int) -> None:
        time.sleep(0.2)
        ran.append(number)

    before = threading.active_count()
    monkeypatch.setattr(threading.Thread, "start", only_one)
    with ThreadPoolExecutor(4) as executor:
        with pytest.raises(RuntimeError, match="new thread"):
            list(map_in_order(slow, range(20), executor=executor))
        time.sleep(0.4)
    assert ran == [0]


def test_a_mosaic_whose_table_of_tiles_is_too_short_is_named(work: Path) -> None:
    """TIFF 6.0: as many TileOffsets (324) as tiles; here the entry says one instead. It once ended in an IndexError."""
    path = work / "out/mosaic.ome.tif"
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as tiff:
        tag = tiff.pages[0].tags["TileOffsets"]
        assert tag.count > 1
        assert not tiff.is_bigtiff
        data[tag.offset + 4 : tag.offset + 8] = (1).to_bytes(4, "little")
    path.write_bytes(data)
    status, told, trace = bad_inputs.run(work, other_inputs.COMMANDS["publish"])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert "mosaic.ome.tif: " in told
    assert list((work / "new").iterdir()) == []


def test_a_drawing_that_reaches_outside_the_published_mosaic_is_named(work: Path) -> None:
    """A small picture in the mosaic's place; the line once said "the drawing" and no name."""
    cv2.imwrite(str(work / "out/small.png"), np.full((9, 12, 3), 80, np.uint8))
    arguments = ("publish", "out/small.png", other_inputs.DRAWN, "--out", "new/show", *other_inputs.SCALE)
    status, told, trace = bad_inputs.run(work, arguments)
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert "die/blocks.geojson: 'Die' reaches" in told
    assert "redraw it" in told
    assert list((work / "new").iterdir()) == []
