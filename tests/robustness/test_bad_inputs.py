"""A short sample of spoiled inputs, and the odd files that a folder can hold; `bench/fuzz_figures.py` runs the rest."""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
from pathlib import Path

import bad_inputs
import cv2
import numpy as np
import pytest

from dieplat.report.numbers import rounded
from dieplat_cli import app

CASES = 24
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signals, pipes or limits")


@pytest.fixture(scope="session")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small survey with its results."""
    folder = tmp_path_factory.mktemp("spoiled")
    bad_inputs.make_base(folder)
    return folder


@pytest.fixture
def work(base: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return shutil.copytree(base, tmp_path / "work")


def test_spoiled_inputs_end_in_success_or_in_one_line(base: Path, tmp_path: Path) -> None:
    ended = [bad_inputs.try_case(number, base, tmp_path / "work") for number in range(CASES)]
    assert [(ran.number, ran.faults) for ran in ended if ran.faults] == []
    assert 0 < sum(ran.status == 1 for ran in ended) < CASES


def refused(work: Path, *arguments: str) -> str:
    """The one line of a command that must be refused; with a pipe in place of a file it would otherwise wait."""
    with bad_inputs._bounded():
        status, told, trace = bad_inputs.run(work, arguments)
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    return told


@pytest.mark.parametrize(
    ("target", "name"),
    [
        ("die/micrometer.png", "calibrate"),
        ("die/blocks.geojson", "measure"),
        ("die/survey.toml", "survey"),
        ("out/scale.json", "measure"),
        ("out/mosaic.ome.tif", "measure"),
    ],
)
def test_a_pipe_or_a_device_is_not_read(work: Path, target: str, name: str) -> None:
    path = work / target
    path.unlink()
    os.mkfifo(path)
    assert "is a pipe or a device" in refused(work, *bad_inputs.COMMANDS[name])
    path.unlink()
    path.symlink_to("/dev/zero")
    assert "is a pipe or a device" in refused(work, *bad_inputs.COMMANDS[name])


def test_links_in_circles_or_to_nothing_are_named(work: Path) -> None:
    for path in (work / "die/blocks.geojson", work / "out/mosaic.ome.tif"):
        path.unlink()
        path.symlink_to(path.name)
        assert path.name in refused(work, *bad_inputs.COMMANDS["measure"])
        path.unlink()
        path.symlink_to("nowhere")
        assert path.name in refused(work, *bad_inputs.COMMANDS["measure"])
        shutil.copy(work / "die/survey.toml", path)


def test_links_to_tiles_are_as_good_as_tiles(work: Path) -> None:
    moved = work / "elsewhere"
    (work / "die/tiles").rename(moved)
    (work / "die/tiles").mkdir()
    for path in moved.iterdir():
        (work / "die/tiles" / path.name).symlink_to(path)
    (work / "die/tiles/r02_c00.png").symlink_to("r02_c00.png")
    (work / "die/tiles/r02_c01.png").symlink_to("/dev/zero")
    status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS["stitch"])
    assert (status, trace) == (0, ""), told
    assert len(json.loads((work / "new/layout.json").read_text(encoding="utf-8"))["tiles"]) == 4


@pytest.mark.parametrize("name", ["a b ' \" ;$(id)", "[bold]x", "-o", "Ωλ 中文", "line\nbreak", "%s{0}", "n" * 120])
def test_unusual_names(work: Path, name: str) -> None:
    folder = work / name
    (work / "die").rename(folder)
    given = ("stitch", "--out", f"new/{name}.ome.tif", "--", f"./{name}/tiles")
    status, told, trace = bad_inputs.run(work, given)
    assert (status, trace) == (0, ""), told
    assert (work / "new" / f"{name}.ome.tif").is_file()
    (folder / "blocks.geojson").write_text("{", encoding="utf-8")
    given = ("measure", "--out", "new/m.json", "--", "out/mosaic.ome.tif", f"./{name}/blocks.geojson")
    assert " ".join(name.split()) in refused(work, *given)


def test_a_picture_that_unpacks_to_gigabytes_is_refused_by_its_header(work: Path) -> None:
    (work / "die/micrometer.png").write_bytes(bad_inputs._png_of_size(40_000, 40_000))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "megapixels" in refused(work, *bad_inputs.COMMANDS["calibrate"])
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 64 * 1024  # KiB


def test_remarks_of_the_reader_of_tiffs_do_not_reach_the_terminal(work: Path) -> None:
    data = bytearray((work / "out/mosaic.ome.tif").read_bytes())
    data[8:16] = b"\xff" * 8  # where a BigTIFF's first directory lies (TIFF 6.0 has it at byte 4)
    (work / "out/mosaic.ome.tif").write_bytes(bytes(data[: len(data) // 2]))
    command = [sys.executable, "-c", "from dieplat_cli.app import main; main()", *bad_inputs.COMMANDS["own size"]]
    done = subprocess.run(command, cwd=work, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr


def test_numbers_too_long_to_read_and_nesting_too_deep_are_told(work: Path) -> None:
    for text in ('{"um_per_px_x": ' + "9" * 5000 + "}", "[" * 100_000):
        (work / "out/scale.json").write_text(text, encoding="utf-8")
        assert "scale.json" in refused(work, *bad_inputs.COMMANDS["measure"])
        (work / "out/measurements.json").write_text(text, encoding="utf-8")
        assert "measurements.json" in refused(work, *bad_inputs.COMMANDS["report"])
    for text in ("columns = " + "9" * 5000, "columns = " + "[" * 100_000):
        (work / "die/survey.toml").write_text(text, encoding="utf-8")
        assert "survey.toml" in refused(work, *bad_inputs.COMMANDS["survey"])


LITTLE_MEMORY = """
import resource, numpy, cv2, tifffile, imagecodecs, dieplat.survey, dieplat.calibration
pages = int(open("/proc/self/statm").read().split()[0])
allowed = pages * resource.getpagesize() + 120_000_000
resource.setrlimit(resource.RLIMIT_AS, (allowed, allowed))
from dieplat_cli.app import main
main()
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="/proc")
def test_too_little_memory_is_one_line(work: Path) -> None:
    """A picture within the limit of pixels, read where the memory left does not hold it."""
    cv2.imwrite(str(work / "big.png"), np.zeros((14_000, 14_000), np.uint8))
    given = ("calibrate", "big.png", "--pitch-um", "10", "--out", "new/s.json")
    command = [sys.executable, "-c", LITTLE_MEMORY, *given]
    done = subprocess.run(command, cwd=work, capture_output=True, text=True, check=False, timeout=120)
    assert (done.returncode, done.stderr) == (1, f"dieplat: {app.OUT_OF_MEMORY}\n")
    assert list((work / "new").iterdir()) == []


def test_no_memory_left_is_told_as_such(work: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none_left(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("dieplat.survey.measure_survey", none_left)
    assert app.OUT_OF_MEMORY in refused(work, *bad_inputs.COMMANDS["measure"])
    assert list((work / "new").iterdir()) == []


@pytest.mark.parametrize("value", [[1, 2], "x", 1e308, {"a": 1}, float("inf")])
def test_a_comparison_of_figures_that_no_die_has_is_refused(work: Path, value: object) -> None:
    path = work / "out/measurements.json"
    measured = json.loads(path.read_text(encoding="utf-8"))
    for row in measured["summary"]:
        row["area_um2_u"] = value
    path.write_text(json.dumps(measured), encoding="utf-8")
    assert "measurements.json" in refused(work, *bad_inputs.COMMANDS["compare"])
    assert list((work / "new").iterdir()) == []


def test_more_columns_than_any_set_has(work: Path) -> None:
    settings = work / "die/survey.toml"
    settings.write_text(f"pitch_um = 10\ncolumns = {10**18}\n", encoding="utf-8")
    assert "survey.toml: columns is over" in refused(work, *bad_inputs.COMMANDS["survey"])
    for columns in (0, 10**18, 10**30):
        given = (*bad_inputs.COMMANDS["stitch"], "--columns", str(columns))
        assert f"columns {columns}" in refused(work, *given)


def test_half_a_character_in_a_file_of_the_results_is_told(work: Path) -> None:
    (work / "out/measurements.json").write_text('{"title": "\\ud800"}', encoding="utf-8")
    assert "measurements.json" in refused(work, *bad_inputs.COMMANDS["report"])


def test_a_figure_that_no_die_has_does_not_break_the_page() -> None:
    assert rounded(1e308, 3) == "1.000e+308"
    assert rounded(12.5, 300) == "1.250e+01"
