"""Spoiled inputs by the thousand: how each ended, and what must not be.

    python bench/fuzz_figures.py --inputs 10000 --folder /tmp/fuzz

`--corpus other` spoils the inputs of the commands and formats that the first corpus leaves out.
Every case is a number, so `--first N --inputs 1` repeats one. Cases run in a process whose memory is limited; each
fiftieth in a process of its own. A process that dies is a fault of the case it was at. Printed is a table of files and
what came of them, the faults with their numbers, and the peak memory.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "robustness"))

import bad_inputs
import other_inputs

MEMORY_BYTES = 6 * 2**30
"""Of address space, which is more than what is resident."""
APART_EACH = 50
CORPORA = {"main": bad_inputs, "other": other_inputs}


def work_through(corpus: str, folder: Path, first: int, last: int) -> None:
    """The cases in order, each noted before and after."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    with (folder / "cases.jsonl").open("a", encoding="utf-8") as notes:
        for number in range(first, last):
            notes.write(json.dumps({"begun": number}) + "\n")
            notes.flush()
            ran = CORPORA[corpus].try_case(number, folder / "base", folder / "work", apart=number % APART_EACH == 0)
            peak = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
            notes.write(json.dumps({**asdict(ran), "peak_kib": peak}) + "\n")
            notes.flush()


def drive(corpus: str, folder: Path, first: int, last: int) -> list[dict[str, Any]]:
    """Run all cases in child processes; one that dies is noted, and the next goes on after it."""
    notes = folder / "cases.jsonl"
    notes.unlink(missing_ok=True)
    deaths, at = [], first
    while at < last:
        command = [sys.executable, __file__, "--corpus", corpus, "--folder", str(folder)]
        command += ["--first", str(at), "--until", str(last)]
        done = subprocess.run(command, check=False, stderr=subprocess.PIPE, text=True)
        if done.returncode == 0:
            break
        found = [json.loads(line) for line in notes.read_text(encoding="utf-8").splitlines()]
        number = max((entry["begun"] for entry in found if "begun" in entry), default=at)
        deaths.append({"number": number, "target": "?", "command": "?", "kind": "?", "status": done.returncode,
                       "line": "", "faults": [f"the process died: {done.stderr[-600:]}"], "cpu_s": 0.0})  # fmt: skip
        at = number + 1
    ended = [json.loads(line) for line in notes.read_text(encoding="utf-8").splitlines()]
    return [entry for entry in ended if "number" in entry] + deaths


def print_table(ended: list[dict[str, Any]]) -> None:
    """What was tried and what came of it."""
    print(
        f"{'file':<26} {'read by':<10} {'inputs':>7} {'success':>8} {'one line':>9} {'faults':>7} {'slowest CPU s':>14}"
    )
    groups = sorted({(entry["target"], entry["command"]) for entry in ended})
    for target, command in groups:
        these = [entry for entry in ended if (entry["target"], entry["command"]) == (target, command)]
        good = sum(entry["status"] == 0 and not entry["faults"] for entry in these)
        wrong = sum(bool(entry["faults"]) for entry in these)
        slowest = max(entry["cpu_s"] for entry in these)
        counts = f"{len(these):>7} {good:>8} {len(these) - good - wrong:>9} {wrong:>7} {slowest:>14.1f}"
        print(f"{target:<26} {command:<10} {counts}")
    peak = max(entry.get("peak_kib", 0) for entry in ended) / 1024
    hung = sum(fault.startswith("hang") for entry in ended for fault in entry["faults"])
    print(f"{len(ended)} inputs, {sum(bool(e['faults']) for e in ended)} with faults, {hung} hung, peak {peak:.0f} MiB")
    bare = Counter(entry["line"][-60:] for entry in ended if entry["status"] == 1 and ";" not in entry["line"])
    print(f"{sum(bare.values())} lines without a remedy; the commonest: {bare.most_common(5)}")
    seen: Counter[str] = Counter()
    for entry in ended:
        for fault in entry["faults"]:
            seen[fault[-160:]] += 1
            if seen[fault[-160:]] == 1:
                print(f"\ncase {entry['number']}: {entry['target']} ({entry['kind']}), {entry['command']}\n{fault}")


def run_bench() -> None:
    """Arguments in, table out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--corpus", choices=CORPORA, default="main")
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--until", type=int)
    parser.add_argument("--folder", type=Path, required=True)
    given = parser.parse_args()
    if given.until is not None:
        work_through(given.corpus, given.folder, given.first, given.until)
        return
    base = given.folder / "base"
    if not base.exists():
        begun = given.folder / "begun"
        shutil.rmtree(begun, ignore_errors=True)
        begun.mkdir(parents=True)
        CORPORA[given.corpus].make_base(begun)
        begun.rename(base)
    print_table(drive(given.corpus, given.folder, given.first, given.first + given.inputs))


if __name__ == "__main__":
    run_bench()
