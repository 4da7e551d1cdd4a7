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
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

BEGIN = "from dieplat_cli.app import main; main()"
COMMANDS: dict[str, tuple[str, ...]] = {
    "stitch": ("stitch", "die/tiles", "--out", "new/m.ome.tif"),
    "survey": ("survey", "die", "--out", "results"),
    "publish": (
        "publish", "out/mosaic.ome.tif", "die/blocks.geojson", "--scale", "out/scale.json", "--out", "new/show",
    ),
}  # fmt: skip
DATED = ("survey_state.json",)
"""Written several times in a run: after a kill it must be whole, not the last."""
CACHES = ("stitch_cache.sqlite",)
"""What may lie there in any state, since it is only a memory."""


@dataclass(frozen=True)
class Undisturbed:
    """A run left alone: its results' digests, and how long it took."""

    digests: dict[str, str]
    seconds: float


def start(folder: Path, command: str, *more: str) -> subprocess.Popen[bytes]:
    """The command in a process of its own, in `folder`."""
    alone = () if command == "publish" else ("--workers", "1")
    given = [sys.executable, "-c", BEGIN, *COMMANDS[command], *alone, *more]
    return subprocess.Popen(given, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def results(folder: Path, command: str) -> dict[str, str]:
    """Digests of the files that the command leaves."""
    where = folder / ("results" if command == "survey" else "new")
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


def make_earlier(base: Path, work: Path, command: str, whole: Undisturbed) -> dict[str, str]:
    """In `work`, the inputs and the results of an earlier run that differ from what is wanted now; gives their digests.

    Only the results are of that run: the inputs are those of `base`.
    """
    shutil.copytree(base, work)
    settings, scale = work / "die/survey.toml", work / "out/scale.json"
    settings.write_text(settings.read_text(encoding="utf-8").replace("10.0", "11.0"), encoding="utf-8")
    read = json.loads(scale.read_bytes())
    scale.write_text(json.dumps(read | {f"um_per_px_{axis}": read[f"um_per_px_{axis}"] * 1.1 for axis in "xy"}))
    assert start(work, command, *(("--scale", "out/scale.json") if command == "stitch" else ())).wait() == 0
    for path in (settings, scale):
        shutil.copy(base / path.relative_to(work), path)
    earlier = results(work, command)
    assert any(whole.digests[name] != digest for name, digest in earlier.items())
    return earlier


def killed_once(
    rng: random.Random,
    base: Path,
    work: Path,
    command: str,
    whole: Undisturbed,
    *,
    earlier: dict[str, str] | None = None,
    seen: Counter[str] | None = None,
) -> list[str]:
    """Kill the command at a random time, look, and run it again; gives what is wrong.

    `earlier` has the digests of results that lie in `base` already; `seen` counts what the kills met.
    """
    earlier, seen = earlier or {}, Counter() if seen is None else seen
    if work.exists():
        shutil.rmtree(work)
    shutil.copytree(base, work)
    process = start(work, command)
    time.sleep(rng.uniform(0.1, 1.0) * whole.seconds)
    seen["while it ran"] += process.poll() is None
    process.send_signal(signal.SIGKILL)
    process.wait()
    wrong = _left_wrongly(work, command, whole, earlier, seen)
    if start(work, command).wait() != 0:
        wrong.append("the rerun failed")
    again = results(work, command)
    for name in sorted(set(again) | set(whole.digests)):
        if again.get(name) != whole.digests.get(name):
            wrong.append(f"{name}: differs from an undisturbed run's" if name in again else f"{name}: missing")
    return wrong


def _left_wrongly(
    work: Path, command: str, whole: Undisturbed, earlier: dict[str, str], seen: Counter[str]
) -> list[str]:
    """What lies under a final name after the kill and is neither the earlier file nor the whole new one."""
    wrong, met = [], set()
    left = results(work, command)
    for name, digest in left.items():
        path = work / name
        if ".partial." in name:
            met.add("with a temporary file")  # which the rerun must take away
        elif path.name in DATED:
            json.loads(path.read_bytes())
        elif digest == whole.digests.get(name):
            met.add("with a new file")
        elif digest == earlier.get(name):
            met.add("with an earlier file")
        else:
            wrong.append(f"{name}: neither missing nor whole after the kill")
    folder = {name: digest for name, digest in left.items() if name.startswith("new/show/")}
    if folder and folder not in (earlier, whole.digests):
        wrong.append("a published folder in part")
    seen.update(met)
    return wrong
