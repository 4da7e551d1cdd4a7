"""`dieplat survey` and `dieplat report` as a person calls them."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from dieplat.phantom import make_phantom


def dieplat(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    command = [sys.executable, "-c", "from dieplat_cli.app import main; main()", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small phantom."""
    made = tmp_path_factory.mktemp("cli") / "evening"
    make_phantom(made, seed=12, rows=2, columns=3, tile_width_px=420, tile_height_px=360)
    return made


@pytest.fixture(scope="module")
def out(folder: Path) -> Path:
    """Its results, made by the command."""
    done = dieplat("survey", folder, "--out", folder.parent / "out")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""  # no terminal, no progress
    assert "The die measures" in done.stdout
    assert "Report: " in done.stdout
    return folder.parent / "out"


def test_json_says_what_the_files_say(folder: Path, out: Path) -> None:
    done = dieplat("survey", folder, "--out", out, "--json")
    assert done.returncode == 0
    said = json.loads(done.stdout)
    written = json.loads((out / "measurements.json").read_text(encoding="utf-8"))
    assert said["blocks"] == written["blocks"]
    assert said["die"] == written["die"]
    assert said["tiles"]["placed"] == 6
    assert said["reused_stages"][0] == "stitch"


def test_report_builds_both_files_again(out: Path) -> None:
    (out / "report.html").unlink()
    done = dieplat("report", out)
    assert done.returncode == 0
    assert done.stdout.split() == [str(out / "preview.png"), str(out / "report.html")]
    assert (out / "report.html").is_file()


@pytest.mark.parametrize("command", ["survey", "report"])
def test_bad_input_is_one_line_and_status_one(command: str, tmp_path: Path) -> None:
    missing = tmp_path / "nowhere"
    options = ["--out", tmp_path / "out"] if command == "survey" else []
    done = dieplat(command, missing, *options)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.startswith("dieplat: ")
    assert str(missing) in done.stderr
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("arguments", [["survey"], ["survey", "x"], ["report"], ["survey", "x", "--out", "y", "--z"]])
def test_wrong_usage_is_status_two(arguments: list[str]) -> None:
    assert dieplat(*arguments).returncode == 2


@pytest.mark.parametrize("command", ["survey", "report"])
def test_help_shows_an_example(command: str) -> None:
    done = dieplat(command, "--help")
    assert done.returncode == 0
    assert f"dieplat {command}" in done.stdout
