"""Commands killed at a random time: what then lies under the final names, and what a rerun makes of it."""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

BEGIN = "from dieplat_cli.app import main; main()"
COMMANDS: dict[str, tuple[str, ...]] = {
    "stitch": ("stitch", "die/tiles", "--out", "new/m.ome.tif"),
    "survey": ("survey", "die", "--out", "results"),
}
DATED = ("survey_state.json",)
"""Written several times in a run: after a kill it must be whole, not the last."""
CACHES = ("stitch_cache.sqlite",)
"""What may lie there in any state, since it is only a memory."""


@dataclass(frozen=True)
class Undisturbed:
    """A run left alone: its results' digests, and how long it took."""

    digests: dict[str, str]
    seconds: float


def start(folder: Path, command: str) -> subprocess.Popen[bytes]:
    """The command in a process of its own, in `folder`."""
    given = [sys.executable, "-c", BEGIN, *COMMANDS[command], "--workers", "1"]
    return subprocess.Popen(given, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def results(folder: Path, command: str) -> dict[str, str]:
    """Digests of the files that the command leaves."""
    where = folder / ("new" if command == "stitch" else "results")
    found = [path for path in where.rglob("*") if path.is_file()] if where.exists() else []
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in found
        if path.name not in CACHES and not path.name.startswith(tuple(f"{name}-" for name in CACHES))
    }


def undisturbed(base: Path, work: Path, command: str) -> Undisturbed:
    """The command, left alone."""
    shutil.copytree(base, work)
    begun = time.monotonic()
    assert start(work, command).wait() == 0
    return Undisturbed(results(work, command), time.monotonic() - begun)


def killed_once(rng: random.Random, base: Path, work: Path, command: str, whole: Undisturbed) -> list[str]:
    """Kill the command at a random time, look, and run it again; gives what is wrong."""
    if work.exists():
        shutil.rmtree(work)
    shutil.copytree(base, work)
    process = start(work, command)
    time.sleep(rng.uniform(0.3, 1.0) * whole.seconds)
    process.send_signal(signal.SIGKILL)
    process.wait()
    wrong = []
    for name, digest in results(work, command).items():
        path = work / name
        if ".partial." in path.name or path.name.startswith("."):
            continue  # a temporary file, which the rerun must take away
        if path.name in DATED:
            json.loads(path.read_bytes())
        elif digest != whole.digests.get(name):
            wrong.append(f"{name}: neither missing nor whole after the kill")
    if start(work, command).wait() != 0:
        wrong.append("the rerun failed")
    again = results(work, command)
    for name in sorted(set(again) | set(whole.digests)):
        if again.get(name) != whole.digests.get(name):
            wrong.append(f"{name}: differs from an undisturbed run's" if name in again else f"{name}: missing")
    return wrong
