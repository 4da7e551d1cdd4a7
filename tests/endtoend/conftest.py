"""A small invented evening at the microscope, and the command line as a person runs it."""

from __future__ import annotations

import contextlib
import io
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dieplat.phantom import make_phantom
from dieplat_cli.app import main


@dataclass(frozen=True)
class Done:
    """What a run left behind."""

    status: int
    out: str
    err: str


def _run(*arguments: object) -> Done:
    """Run `dieplat` in this process: exit status, stdout, stderr. Anything but SystemExit is a traceback."""
    said, told = io.StringIO(), io.StringIO()
    before = sys.argv
    sys.argv = ["dieplat", *map(str, arguments)]
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
            main()
        status: Any = 0
    except SystemExit as ended:
        status = ended.code or 0
    finally:
        sys.argv = before
    return Done(status, said.getvalue(), told.getvalue())


def _run_apart(*arguments: object) -> Done:
    """The same in a process of its own."""
    command = [sys.executable, "-c", "from dieplat_cli.app import main; main()", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    return Done(done.returncode, done.stdout, done.stderr)


@pytest.fixture(scope="session")
def run() -> Callable[..., Done]:
    """`run(*arguments)` calls the command in this process."""
    return _run


@pytest.fixture(scope="session")
def run_apart() -> Callable[..., Done]:
    """`run_apart(*arguments)` calls the command in a process of its own."""
    return _run_apart


@pytest.fixture(scope="session")
def evening(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A survey folder of 2 x 2 tiles: a die, pads, an inductor, two arrays, a printed antenna."""
    folder = tmp_path_factory.mktemp("endtoend") / "evening"
    make_phantom(folder, seed=2, rows=2, columns=2, tile_width_px=560, tile_height_px=480)
    return folder


@pytest.fixture(scope="session")
def truth(evening: Path) -> dict[str, Any]:
    """What is known about it."""
    known: dict[str, Any] = json.loads((evening / "truth.json").read_text(encoding="utf-8"))
    return known


@dataclass(frozen=True)
class Surveyed:
    """A survey's folder, and what `dieplat survey --json` said."""

    out: Path
    done: Done

    def json(self, name: str) -> Any:
        """A JSON file of the results; NaN and infinity in it are an error."""
        return _strict_json((self.out / name).read_text(encoding="utf-8"))

    def said(self) -> Any:
        """The whole of stdout as JSON, as strictly."""
        return _strict_json(self.done.out)


def _strict_json(text: str) -> Any:
    """JSON as RFC 8259 has it, which knows no NaN."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} in JSON")

    return json.loads(text, parse_constant=refuse)


@pytest.fixture(scope="session")
def surveyed(evening: Path) -> Surveyed:
    """One `dieplat survey` of the evening, in a process of its own."""
    out = evening.parent / "results"
    return Surveyed(out, _run_apart("survey", evening, "--out", out, "--json"))


@pytest.fixture
def spoiled(evening: Path, tmp_path: Path) -> Path:
    """A copy of the evening that a test may spoil."""
    return shutil.copytree(evening, tmp_path / "spoiled")
