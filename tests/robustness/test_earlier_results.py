"""What lies there from an earlier run: a rerun over it leaves the same bytes; what fails leaves it as it is."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import bad_inputs
import killed
import other_inputs
import pytest

from dieplat.files import line_of, write_bytes
from dieplat.output.tables import csv_beside

SURVEY = ("survey", "die", "--out", "results", "--workers", "1")


@pytest.fixture(scope="module")
def survey(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small survey with its results."""
    folder = tmp_path_factory.mktemp("earlier")
    bad_inputs.make_base(folder)
    return folder


def full(_: int) -> None:
    """In place of `os.fsync`: the disk has no room left."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_survey_over_earlier_results_leaves_the_same_bytes(survey: Path, tmp_path: Path) -> None:
    fresh, again = (shutil.copytree(survey, tmp_path / name) for name in ("fresh", "again"))
    settings = again / "die/survey.toml"
    wanted = settings.read_text(encoding="utf-8")
    settings.write_text(wanted.replace("pitch_um = 10.0", "pitch_um = 11.0"), encoding="utf-8")
    assert wanted != settings.read_text(encoding="utf-8")
    assert bad_inputs.run(again, SURVEY)[0] == 0
    settings.write_text(wanted, encoding="utf-8")
    for folder in (fresh, again):
        assert bad_inputs.run(folder, SURVEY)[0] == 0
    found = [bad_inputs._contents(folder / "results") for folder in (fresh, again)]
    for contents in found:
        contents.pop("stitch_cache.sqlite")
    assert found[0].keys() == found[1].keys()
    assert [name for name in found[0] if found[0][name] != found[1][name]] == []


@pytest.mark.parametrize("command", [bad_inputs.COMMANDS["stitch"], SURVEY])
def test_an_empty_cache_of_a_killed_run_stops_no_rerun(survey: Path, tmp_path: Path, command: tuple[str, ...]) -> None:
    """SQLite makes the file before its first page: a kill in between, or a full disk, leaves it empty."""
    work = shutil.copytree(survey, tmp_path / "work")
    (work / "results").mkdir()
    for folder in ("new", "results"):
        (work / folder / "stitch_cache.sqlite").write_bytes(b"")
    status, told, trace = bad_inputs.run(work, command)
    assert (status, trace) == (0, ""), (told, trace)


@pytest.mark.parametrize("fails", [1, 2])
def test_json_and_csv_of_a_measurement_change_together(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: int
) -> None:
    """A disk that is full at either file: both stay those of before."""
    work = shutil.copytree(survey, tmp_path / "work")
    measure = bad_inputs.COMMANDS["measure"]
    assert bad_inputs.run(work, bad_inputs.COMMANDS["own size"])[0] == 0
    before = bad_inputs._contents(work / "new")
    assert set(before) == {"m.json", csv_beside(Path("m.json")).name}
    calls = []

    def sometimes(handle: int) -> None:
        calls.append(handle)
        if len(calls) == fails:
            full(handle)

    monkeypatch.setattr(os, "fsync", sometimes)
    assert bad_inputs.run(work, measure)[0] == 1
    assert bad_inputs._contents(work / "new") == before
    monkeypatch.undo()
    assert bad_inputs.run(work, measure)[0] == 0
    assert json.loads((work / "new/m.json").read_bytes()) != json.loads(before["m.json"])


@pytest.mark.parametrize("name", ["measure", "stitch", "export", "calibrate"])
def test_a_full_disk_names_the_file_and_the_remedy(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    work = shutil.copytree(survey, tmp_path / "work")
    monkeypatch.setattr(os, "fsync", full)
    status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS[name])
    assert (status, trace) == (1, "")
    assert f"dieplat: {bad_inputs.COMMANDS[name][-1]}: {os.strerror(errno.ENOSPC)}; make room" in told


def test_what_the_system_refuses_of_a_temporary_file_names_the_file_it_would_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(self: Path, data: bytes) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(self))

    monkeypatch.setattr(Path, "write_bytes", refused)
    with pytest.raises(PermissionError) as caught:
        write_bytes(tmp_path / "m.json", b"")
    assert line_of(caught.value).startswith(f"{tmp_path / 'm.json'}: ")
    assert ".partial." not in line_of(caught.value)


def test_a_folder_that_takes_no_files_is_told_before_the_work(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever runs the tests may write anywhere, so the system's answer is given for it."""
    work = shutil.copytree(survey, tmp_path / "work")
    answers = os.access

    def access(path: Any, mode: int, **more: Any) -> bool:
        return answers(path, mode, **more) and not (Path(path).name == "new" and mode == os.W_OK)

    monkeypatch.setattr(os, "access", access)
    for name in ("measure", "stitch", "calibrate"):
        status, told, trace = bad_inputs.run(work, bad_inputs.COMMANDS[name])
        assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
        assert told.startswith("dieplat: new: nothing can be written there; ")
    assert list((work / "new").iterdir()) == []


@pytest.mark.parametrize("name", ["publish", "export zarr"])
def test_a_disk_that_is_only_read_is_named_as_the_user_named_it(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Such a disk refuses to remove even what is not there, which must not hide the first refusal."""

    def refuses(self: Path, *_: Any, **__: Any) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(self))

    work = shutil.copytree(survey, tmp_path / "work")
    for call in ("mkdir", "unlink", "write_bytes"):
        monkeypatch.setattr(Path, call, refuses)
    monkeypatch.setattr(os, "mkdir", refuses)
    status, told, trace = bad_inputs.run(work, other_inputs.COMMANDS[name])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    wanted = Path(other_inputs.COMMANDS[name][other_inputs.COMMANDS[name].index("--out") + 1])
    assert told.startswith(f"dieplat: {wanted}"), told
    assert ".partial." not in told


@pytest.mark.parametrize(
    "error",
    [RuntimeError("can't start new thread"), ImportError("libx.so: failed to map segment from shared object"),
     ImportError("libx.so: cannot allocate memory in static TLS block")],
)  # fmt: skip
def test_no_memory_for_a_thread_or_a_library_is_one_line(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """What a limit of 400 and 700 MiB on the address space brought about."""

    def no_room(*_: Any) -> None:
        raise error

    work = shutil.copytree(survey, tmp_path / "work")
    monkeypatch.setattr(threading.Thread, "start", no_room)
    status, told, trace = bad_inputs.run(work, other_inputs.COMMANDS["publish"])
    assert (status, trace, told.count("\n")) == (1, "", 1), (told, trace)
    assert told.startswith("dieplat: the memory does not suffice; ")
    assert list((work / "new").iterdir()) == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="such limits are kept by this system")
@pytest.mark.parametrize(("limit", "mib"), [("RLIMIT_AS", 460), ("RLIMIT_AS", 600), ("RLIMIT_DATA", 200)])
def test_a_limit_below_what_the_libraries_take_is_told_at_once(tmp_path: Path, limit: str, mib: int) -> None:
    """Under 460 MiB OpenBLAS once asked for its buffers for minutes; under 600 a library was said to be missing."""
    code = f"import resource; resource.setrlimit(resource.{limit}, ({mib << 20}, {mib << 20}))\n{killed.BEGIN}"
    given = ("publish", "mosaic.ome.tif", "blocks.geojson", "--out", "show")
    done = subprocess.run(
        [sys.executable, "-c", code, *given], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120
    )
    assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr
    assert f"may take {mib} MiB" in done.stderr
    assert "raise the limit (ulimit -" in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="such limits are kept by this system")
def test_a_limit_below_what_stitching_takes_is_told_before_it_begins(tmp_path: Path) -> None:
    """Under 1100 MiB the compiler's threads once waited for ever, under 1200 the process was ended half-way."""
    (tmp_path / "tiles").mkdir()
    code = f"import resource; resource.setrlimit(resource.RLIMIT_AS, ({1100 << 20}, {1100 << 20}))\n{killed.BEGIN}"
    given = ("stitch", "tiles", "--out", "m.ome.tif", "--workers", "4")
    done = subprocess.run(
        [sys.executable, "-c", code, *given], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=120
    )
    assert (done.returncode, done.stderr.count("\n")) == (1, 1), done.stderr
    assert "may take 1100 MiB and 4 threads at work, with libraries, take 1392" in done.stderr
    assert "or give fewer --workers" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["tiles"]
